//! The saturator: its curve as it stands, shoulder, lean, blend, and how much of the signal bends.

use egui::{Align2, Rect, Shape, Stroke, Ui, pos2};

use super::{HEAD, from_bottom, head};
use crate::dsp::decibel::gain_from_db;
use crate::editor::control::{self, Look};
use crate::editor::number;
use crate::editor::scene::{self, Scene, place, small};

/// Amplitude at the right-hand edge of the picture.
const WIDEST: f64 = 1.5;
const POINTS: usize = 48;

/// Draws the stage.
pub fn show(ui: &mut Ui, area: Rect, scene: &Scene<'_>) {
    let saturator = &scene.params.saturator;
    let on = saturator.on.value();
    let look = Look::new(
        "saturator",
        "Bends the top few decibels only; what lies below the shoulder passes unchanged.",
    );
    head(ui, area, scene, &saturator.on, look);
    let share = scene.snapshot.activity.share_above_shoulder;
    if on {
        let told = format!(
            "{} % bend",
            number::fixed(Some(f64::from(share) * 100.0), 1)
        );
        let at = pos2(area.right(), area.top() + HEAD / 2.0);
        small(
            ui.painter(),
            at,
            Align2::RIGHT_CENTER,
            told,
            scene::colours(ui).label,
        );
    }
    let width = 0.42 * area.width();
    let picture = Rect::from_min_max(
        pos2(area.left(), area.top() + HEAD + 6.0),
        pos2(area.left() + width, area.bottom()),
    );
    curve(ui, picture, scene, on);
    let tracks = area.with_min_x(picture.right() + 14.0);
    let controls = [
        (
            &saturator.blend,
            "blend",
            "Share of the bent signal in the output.",
        ),
        (
            &saturator.lean,
            "lean",
            "Bends one half of the wave sooner than the other, which adds even harmonics.",
        ),
        (
            &saturator.shoulder,
            "shoulder",
            "How far below the ceiling bending begins.",
        ),
    ];
    for (index, (param, label, tip)) in controls.into_iter().enumerate() {
        control::track(
            ui,
            from_bottom(tracks, index),
            scene.setter,
            param,
            Look::new(label, tip).active(on),
        );
    }
}

fn curve(ui: &Ui, area: Rect, scene: &Scene<'_>, on: bool) {
    let colours = scene::colours(ui);
    let painter = ui.painter().with_clip_rect(area);
    painter.rect_filled(area, 2, colours.well);
    let settings = scene.params.chain_settings().saturator;
    let ceiling = gain_from_db(settings.ceiling_dbtp);
    let shoulder = ceiling * gain_from_db(-settings.shoulder_db);
    // The picture ends a little above the ceiling, so that the curve is seen to level off.
    let tallest = ceiling * 1.18;
    let at = |x: f64, y: f64| place(area, (x / (WIDEST * ceiling)) as f32, (y / tallest) as f32);
    let line = |sign: f64| -> Vec<_> {
        (0..=POINTS)
            .map(|point| {
                let x = WIDEST * ceiling * point as f64 / POINTS as f64;
                at(x, sign * scene.params.saturator_curve(sign * x))
            })
            .collect()
    };
    painter.hline(
        area.x_range(),
        at(0.0, ceiling).y,
        Stroke::new(1.0, colours.track),
    );
    painter.extend(Shape::dashed_line(
        &[at(shoulder, 0.0), at(shoulder, tallest)],
        Stroke::new(1.0, colours.level),
        2.0,
        3.0,
    ));
    let bent = if on {
        colours.output.mark
    } else {
        colours.track
    };
    if settings.lean_percent > 0.0 {
        painter.extend(Shape::dashed_line(
            &line(-1.0),
            Stroke::new(1.5, bent),
            3.0,
            3.0,
        ));
    }
    painter.add(Shape::line(line(1.0), Stroke::new(1.75, bent)));
    small(
        &painter,
        at(0.0, ceiling) + egui::vec2(4.0, 1.0),
        Align2::LEFT_TOP,
        "ceiling",
        colours.label,
    );
}
