//! The stages from left to right: push, shelves, bands, saturator, limiter.

mod bands;
mod limiter;
mod saturator;
mod shelves;

use egui::{Align2, Rect, Ui, pos2, vec2};

use super::control::{self, Look};
use super::number::{signed, with_unit};
use super::scene::{self, Scene, label, small};
use super::theme::BODY_PT;

const GAP: f32 = 8.0;
/// Height of a panel's first line.
const HEAD: f32 = 22.0;
/// Height of a value track with its name.
const TRACK: f32 = 29.0;
/// Space between two tracks, one above the other.
const TRACK_GAP: f32 = 6.0;
/// The stages' shares of the width.
const SHARES: [f32; 5] = [0.105, 0.18, 0.372, 0.205, 0.138];

/// What the chain remembers between frames.
#[derive(Debug, Default)]
pub struct State {
    bands: bands::State,
    limiter: limiter::State,
}

/// Draws all stages.
pub fn show(ui: &mut Ui, rect: Rect, scene: &Scene<'_>, state: &mut State) {
    let width = rect.width() - GAP * (SHARES.len() - 1) as f32;
    let mut left = rect.left();
    let areas = SHARES.map(|share| {
        let area = Rect::from_min_size(
            pos2(left, rect.top()),
            vec2((share * width).round(), rect.height()),
        );
        left = area.right() + GAP;
        scene::panel(ui, area).expand2(vec2(2.0, 4.0))
    });
    let _ = push;
    shelves::show(ui, areas[1], scene);
    bands::show(ui, areas[2], scene, &mut state.bands);
    saturator::show(ui, areas[3], scene);
    limiter::show(ui, areas[4], scene, &mut state.limiter);
}

/// The first line of a stage that has a switch.
fn head(
    ui: &mut Ui,
    area: Rect,
    scene: &Scene<'_>,
    param: &nice_plug::prelude::BoolParam,
    look: Look<'_>,
) {
    let line = area
        .with_max_y(area.top() + HEAD)
        .with_max_x(area.left() + 104.0);
    control::switch(ui, line, scene.setter, param, look);
}

/// A stage's name, where it has no switch.
fn name(ui: &Ui, area: Rect, name: &str) {
    let colours = scene::colours(ui);
    let at = pos2(area.left(), area.top() + HEAD / 2.0);
    scene::text(
        ui.painter(),
        at,
        Align2::LEFT_CENTER,
        name,
        BODY_PT,
        colours.text,
    );
}

/// Track number `index` from the bottom of `area`.
fn from_bottom(area: Rect, index: usize) -> Rect {
    let bottom = area.bottom() - index as f32 * (TRACK + TRACK_GAP);
    area.with_min_y(bottom - TRACK).with_max_y(bottom)
}

fn push(ui: &mut Ui, area: Rect, scene: &Scene<'_>) {
    let colours = scene::colours(ui);
    name(ui, area, "push");
    let track = area
        .with_min_y(area.top() + HEAD + 8.0)
        .with_max_y(area.top() + HEAD + 8.0 + TRACK);
    let look = Look::new("gain", "Drives the mix harder into the chain.");
    control::track(ui, track, scene.setter, &scene.params.push, look);
    let [input, output] =
        [&scene.snapshot.input, &scene.snapshot.output].map(|point| point.readings.integrated_lufs);
    let louder = output.zip(input).map(|(output, input)| output - input);
    let push = f64::from(scene.params.push.value());
    let lines = [
        (
            "asked for",
            with_unit(louder.map(|_| push), 1, "dB"),
            colours.label,
        ),
        ("got", with_unit(louder, 1, "LU"), colours.text),
        (
            "lost",
            signed(louder.map(|louder| louder - push), 1),
            colours.label,
        ),
    ];
    for (index, (what, value, colour)) in lines.into_iter().enumerate() {
        let y = area.bottom() - 8.0 - (2 - index) as f32 * 19.0;
        small(
            ui.painter(),
            pos2(area.left(), y),
            Align2::LEFT_CENTER,
            what,
            colours.label,
        );
        label(
            ui.painter(),
            pos2(area.right(), y),
            Align2::RIGHT_CENTER,
            value,
            colour,
        );
    }
}
