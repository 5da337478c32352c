//! What the colours come to on the screen, where one lies over another: sampled from the rendered
//! window, in both themes.

use crestline_core::session::{ThemeChoice, rink_floor};
use egui::{Pos2, Rect};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use empfindung::cie00;
use image::{Rgba, RgbaImage};
use rig::editor_stage::{SIZE, Stage, open, picture_of};

use super::decision::forecast;

fn window(theme: ThemeChoice) -> Harness<'static, Stage> {
    let stage = Stage::default().with_forecast(forecast());
    stage.set_plain(|params| &params.push, 6.0);
    stage.set_plain(|params| &params.saturator.on, true);
    stage.set_plain(|params| &params.limiter.on, true);
    stage.params.session.update(|session| {
        session.choose_own(rink_floor());
        session.theme = theme;
    });
    let mut harness = open(stage, SIZE, 1.0);
    harness.run_steps(60);
    harness
}

fn pixel(picture: &RgbaImage, at: Pos2) -> Rgba<u8> {
    #[expect(clippy::cast_sign_loss, reason = "places lie within the window")]
    let [x, y] = [at.x, at.y].map(|part| part.round() as u32);
    *picture.get_pixel(x, y)
}

/// IEC 61966-2-1: a part of an sRGB colour as linear light.
fn linear(part: u8) -> f64 {
    let part = f64::from(part) / 255.0;
    if part <= 0.04045 {
        part / 12.92
    } else {
        ((part + 0.055) / 1.055).powf(2.4)
    }
}

/// WCAG 2.2, definitions of relative luminance and of contrast ratio.
fn contrast(one: Rgba<u8>, other: Rgba<u8>) -> f64 {
    let [one, other] = [one, other].map(|Rgba([red, green, blue, _])| {
        0.2126 * linear(red) + 0.7152 * linear(green) + 0.0722 * linear(blue)
    });
    (one.max(other) + 0.05) / (one.min(other) + 0.05)
}

/// The highest contrast that any pixel of `area` has with `ground`: that of the strokes of a text,
/// whose edges are softened.
fn strongest(picture: &RgbaImage, area: Rect, ground: Rgba<u8>) -> f64 {
    let mut most = 1.0_f64;
    let mut at = area.min;
    while at.y < area.bottom() {
        while at.x < area.right() {
            most = most.max(contrast(pixel(picture, at), ground));
            at.x += 1.0;
        }
        at = Pos2::new(area.left(), at.y + 1.0);
    }
    most
}

/// WCAG 2.2, success criteria 1.4.3 (text) and 1.4.11 (what carries meaning).
#[test]
fn texts_and_marks_stand_out_on_the_screen() {
    for theme in [ThemeChoice::Dark, ThemeChoice::Light] {
        let mut harness = window(theme);
        let picture = picture_of(&mut harness);
        // Behind them, within the same panel.
        let panel = |area: Rect| pixel(&picture, area.right_top() + egui::vec2(-2.0, 1.0));
        for words in [
            "one more dB of push gives, clean",
            "one more dB of push gives, saturated",
            "saturation is worth",
            "song so far",
            "short-term: input",
            "below 120 Hz, clean",
        ] {
            let area = harness.get_by_label_contains(words).rect();
            let ratio = strongest(&picture, area, panel(area));
            println!("{theme:?}, {words}: {ratio:.1}");
            assert!(ratio >= 4.5, "{theme:?}, {words}: {ratio:.2}");
        }
        // A rail between its ticks, over the plot's ground.
        let tick = |push_db: u8, path: &str| {
            let name = format!("Set the push to {push_db} dB, {path}");
            harness.get_by_label(&name).rect().center()
        };
        for path in ["clean", "saturated"] {
            let [one, other] = [tick(13, path), tick(14, path)];
            let between = one + 0.5 * (other - one);
            let ground = pixel(&picture, between - egui::vec2(0.0, 24.0));
            let ratio = contrast(pixel(&picture, between), ground);
            println!("{theme:?}, the {path} rail: {ratio:.1}");
            assert!(ratio >= 3.0, "{theme:?}, the {path} rail: {ratio:.2}");
        }
    }
}

/// Output against target without the red and without the green receptors, as simulated by Machado,
/// Oliveira and Fernandes, "A physiologically-based model for simulation of color vision
/// deficiency", IEEE TVCG 15 (2009), table of severity 1.0; CIEDE2000 by the crate `empfindung`.
#[test]
fn output_and_target_differ_on_the_screen_for_every_kind_of_colour_vision() {
    const SEEN: [(&str, [[f64; 3]; 3]); 2] = [
        (
            "protanopia",
            [
                [0.152286, 1.052583, -0.204868],
                [0.114503, 0.786281, 0.099216],
                [-0.003882, -0.048116, 1.051998],
            ],
        ),
        (
            "deuteranopia",
            [
                [0.367322, 0.860646, -0.227968],
                [0.280085, 0.672501, 0.047413],
                [-0.011820, 0.042940, 0.968881],
            ],
        ),
    ];
    // IEC 61966-2-1, to XYZ over the white of D65; CIE 15, L*a*b*.
    const TO_XYZ: [[f64; 3]; 3] = [
        [
            0.4124564 / 0.95047,
            0.3575761 / 0.95047,
            0.1804375 / 0.95047,
        ],
        [0.2126729, 0.7151522, 0.0721750],
        [
            0.0193339 / 1.08883,
            0.1191920 / 1.08883,
            0.9503041 / 1.08883,
        ],
    ];
    let times = |matrix: [[f64; 3]; 3], of: [f64; 3]| {
        matrix.map(|row| {
            row.iter()
                .zip(of)
                .map(|(one, other)| one * other)
                .sum::<f64>()
        })
    };
    let lab = |Rgba([red, green, blue, _]): Rgba<u8>, seen: [[f64; 3]; 3]| {
        let seen = times(seen, [red, green, blue].map(linear)).map(|part| part.clamp(0.0, 1.0));
        let [x, y, z] = times(TO_XYZ, seen).map(|ratio| {
            if ratio > 216.0 / 24_389.0 {
                ratio.cbrt()
            } else {
                (24_389.0 / 27.0 * ratio + 16.0) / 116.0
            }
        });
        let [l, a, b] = [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)];
        (l as f32, a as f32, b as f32)
    };
    // The first pair of the data that Sharma, Wu and Dalal (2005) give to test with.
    let known = cie00::diff((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485));
    assert!((known - 2.0425).abs() < 1e-3, "{known}");
    for theme in [ThemeChoice::Dark, ThemeChoice::Light] {
        let mut harness = window(theme);
        let picture = picture_of(&mut harness);
        // The face of the pressed button, and the frame of a grip on the target's side.
        let button = harness.get_by_label("Listen to Output").rect();
        let output = pixel(&picture, button.left_center() + egui::vec2(4.0, 8.0));
        let grip = harness.get_by_label_contains("Target's low side").rect();
        let middle = grip.center();
        let target = pixel(&picture, Pos2::new(middle.x, grip.top() - 12.0));
        for (name, seen) in SEEN {
            let difference = cie00::diff(lab(output, seen), lab(target, seen));
            println!("{theme:?}, {name}: {difference:.1}, {output:?} against {target:?}");
            assert!(difference >= 10.0, "{theme:?}, {name}: {difference:.1}");
        }
    }
}
