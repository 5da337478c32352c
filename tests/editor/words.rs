//! What is written can be read: no words are cut without a sign of it, leave the window or lie over
//! others, however narrow the window and however much there is to say.

use crestline_core::session::TargetChoice;
use crestline_plugin::params::ListenChoice;
use egui::epaint::{ClippedShape, TextShape};
use egui::{Key, Modifiers, Rect, Shape, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use kit::pause::pause;
use rig::editor_stage::{SIZE, Stage, open, opened};

const WIDTHS: [f32; 7] = [700.0, 760.0, 820.0, 899.0, 960.0, 1_080.0, 1_180.0];

/// Words as they are drawn.
#[derive(Debug)]
struct Written {
    words: String,
    rows: usize,
    elided: bool,
    place: Rect,
    clip: Rect,
}

fn written(harness: &Harness<'_, Stage>) -> Vec<Written> {
    fn add(shape: &Shape, clip: Rect, to: &mut Vec<Written>) {
        match shape {
            Shape::Vec(shapes) => shapes.iter().for_each(|shape| add(shape, clip, to)),
            Shape::Text(text) if !text.galley.job.text.trim().is_empty() => {
                let place = TextShape::visual_bounding_rect(text);
                to.push(Written {
                    words: text.galley.job.text.clone(),
                    rows: text.galley.rows.len(),
                    elided: text.galley.elided,
                    place,
                    clip,
                });
            }
            _ => {}
        }
    }
    let mut all = Vec::new();
    for ClippedShape {
        shape, clip_rect, ..
    } in &harness.output().shapes
    {
        add(shape, *clip_rect, &mut all);
    }
    all
}

/// A window in which as much as possible has to be said.
fn busy() -> Harness<'static, Stage> {
    let loud: Vec<f32> = (0..96_000_u32)
        .map(|frame| 1.5 * (frame as f32 * 0.1).sin())
        .collect();
    let mut faulty = loud.clone();
    faulty[1_000..24_000].fill(f32::NAN);
    let mut stage = Stage::default();
    stage.set_plain(|params| &params.push, 3.0);
    stage.play([&loud, &loud]);
    let mut harness = open(stage, SIZE, 1.0);
    harness.get_by_label("measure anew").click();
    harness.run_steps(3);
    assert!(harness.state_mut().answer_restart());
    harness.state_mut().play([&faulty, &loud]);
    let stage = harness.state_mut();
    stage.set_plain(|params| &params.listen, ListenChoice::Residue);
    stage.play([&loud, &loud]);
    harness.run_steps(30);
    harness
}

/// Has the window so wide and high, in points at this scale.
fn resize(harness: &mut Harness<'_, Stage>, size: [f32; 2], zoom: f32) {
    harness
        .state()
        .params
        .edit_session(|session| session.zoom = zoom);
    harness.run_steps(3);
    harness.set_size(Vec2::from(size));
    harness.run_steps(60);
}

/// Looks at what is written in windows of all widths.
fn in_every_window(harness: &mut Harness<'_, Stage>, look: impl Fn(f32, &[Written])) {
    for width in WIDTHS {
        resize(harness, [width, 600.0], 1.0);
        look(width, &written(harness));
    }
}

fn begins<'a>(all: &'a [Written], beginnings: &[&str]) -> Option<&'a Written> {
    all.iter()
        .find(|of| beginnings.iter().any(|begin| of.words.starts_with(begin)))
}

#[test]
fn what_is_recorded_and_words_about_level_are_read_in_every_window() {
    let mut harness = busy();
    in_every_window(&mut harness, |width, all| {
        for beginnings in [
            ["host records: residue", "records residue"],
            ["The others may be far louder", "others far louder"],
        ] {
            let of = begins(all, &beginnings);
            let whole = of.is_some_and(|of| !of.elided && of.clip.contains_rect(of.place));
            assert!(whole, "{width}: {of:?}");
        }
    });
    // The buttons say the whole of it to whoever cannot read them.
    resize(&mut harness, [900.0, 600.0], 1.0);
    harness.get_by_label("23000 bad samples at the input");
    harness.get_by_label_contains("Measured anew: undo (");
}

/// The push rises by 6 dB at once.
#[test]
fn by_how_much_the_push_has_risen_is_read_in_every_window() {
    for width in WIDTHS {
        let mut harness = open(Stage::default(), [width, 600.0], 1.0);
        harness.state().set_plain(|params| &params.push, 6.0);
        harness.run_steps(3);
        let all = written(&harness);
        for beginnings in [
            ["6.0\u{a0}dB more push", "6.0\u{a0}dB more push"],
            ["host records: output", "records output"],
        ] {
            let of = begins(&all, &beginnings);
            let whole = of.is_some_and(|of| !of.elided && of.clip.contains_rect(of.place));
            assert!(whole, "{width}: {of:?}");
        }
    }
}

#[test]
fn peaks_over_full_scale_lie_over_nothing() {
    in_every_window(&mut busy(), |width, all| {
        let overs = begins(all, &["1 peak", "1 over"]);
        let overs = overs.map(|of| of.place.expand2([4.0, 0.0].into())).unwrap();
        let under: Vec<_> = all
            .iter()
            .filter(|of| of.place.intersects(overs))
            .map(|of| &of.words)
            .collect();
        assert_eq!(under.len(), 1, "{width}: {under:?}");
    });
}

#[test]
fn the_session_alone_sets_the_scale() {
    let mut harness = opened();
    for key in [Key::Minus, Key::Plus, Key::Plus, Key::Num0] {
        harness.key_press_modifiers(Modifiers::COMMAND, key);
        harness.run_steps(3);
        let zoom = harness.ctx.zoom_factor();
        assert!((zoom - 1.0).abs() < 1e-6, "{key:?}: {zoom}");
    }
}

#[test]
fn a_button_of_the_table_says_its_word_in_one_line() {
    let mut harness = opened();
    for zoom in [0.75, 1.0] {
        for name in ["more", "fewer"] {
            resize(&mut harness, SIZE, zoom);
            let all = written(&harness);
            let of = begins(&all, &[name]).unwrap();
            assert_eq!(of.rows, 1, "{zoom}: {name}");
            harness.get_by_label(name).click();
            harness.run_steps(3);
        }
    }
}

#[test]
fn what_a_tile_says_is_not_cut_off() {
    let mut harness = opened();
    for size in [[1_080.0, 760.0], [705.0, 1_600.0], SIZE] {
        resize(&mut harness, size, 1.0);
        let all = written(&harness);
        let of = begins(&all, &["off: peaks pass"]).unwrap();
        assert!(of.clip.contains_rect(of.place), "{size:?}: {of:?}");
    }
}

// The menu names it, too: what is drawn on the plane is clipped to the plot.
#[test]
fn a_target_is_named_within_the_plot() {
    let mut cut = Vec::new();
    for amplitude in [0.02, 0.2, 1.5] {
        let tone: Vec<f32> = (0..144_000_u32)
            .map(|frame| amplitude * (frame as f32 * 0.1).sin())
            .collect();
        let mut stage = Stage::default();
        stage.play([&tone, &tone]);
        let mut harness = open(stage, SIZE, 1.0);
        for id in ["atsc-a85", "ebu-r128", "aes77-track", "aes-td1008-album"] {
            let params = harness.state().params.clone();
            params.edit_session(|session| session.window = TargetChoice::BuiltIn(id.into()));
            let name = params.session.get().target().name.to_string();
            for width in [700.0, 899.0, 1_180.0] {
                resize(&mut harness, [width, 600.0], 1.0);
                let all = written(&harness);
                let on_plane = all
                    .iter()
                    .filter(|of| of.words == name && of.clip.width() < width - 16.0);
                let outside = on_plane.filter(|of| !of.clip.contains_rect(of.place));
                cut.extend(outside.map(|of| format!("{amplitude} {width}: {of:?}")));
            }
        }
    }
    assert!(cut.is_empty(), "{}", cut.join("\n"));
}

#[test]
fn words_are_whole_apart_and_in_the_window() {
    let mut harness = busy();
    let mut wrong = Vec::new();
    for zoom in [0.75, 1.0] {
        for width in WIDTHS {
            resize(&mut harness, [width, 760.0], zoom);
            let window = harness.ctx.content_rect();
            let all = written(&harness);
            for (index, of) in all.iter().enumerate() {
                if !window.contains_rect(of.place) || !of.clip.expand(1.0).contains_rect(of.place) {
                    wrong.push(format!("{zoom} {width}: cut: {of:?}"));
                }
                for other in &all[..index] {
                    let both = of.place.intersect(other.place);
                    if both.width() > 1.0 && both.height() > 1.0 {
                        let names = [&of.words, &other.words];
                        wrong.push(format!("{zoom} {width}: over each other: {names:?}"));
                    }
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn an_answer_is_seen_beside_what_is_recorded_in_the_smallest_window() {
    let loud: Vec<f32> = (0..480_000_u32)
        .map(|frame| 0.5 * (frame as f32 * 0.1).sin())
        .collect();
    let mut stage = Stage::default();
    stage.set_plain(|params| &params.push, 9.0);
    stage.set_plain(|params| &params.matched, true);
    stage.play([&loud, &loud]);
    let mut harness = open(stage, SIZE, 1.0);
    resize(&mut harness, [700.0, 480.0], 1.0);
    let recorded = ["host records: ", "records "];
    let width = |harness: &Harness<'_, Stage>, beginnings: &[&str]| {
        begins(&written(harness), beginnings).map_or(0.0, |of| of.place.width())
    };
    let alone = width(&harness, &recorded);
    assert!(alone > 150.0, "{alone}");
    harness
        .state_mut()
        .load_reference(std::path::Path::new("nowhere.wav"));
    for _ in 0..20_000 {
        harness.step();
        if harness.query_by_label_contains("nowhere.wav").is_some() {
            break;
        }
        pause(std::time::Duration::from_millis(1));
    }
    harness.run_steps(3);
    assert!(width(&harness, &recorded) > 80.0);
    assert!(width(&harness, &["nowhere.wav"]) > 40.0);
}
