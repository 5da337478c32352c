//! Band compression: each band's level as a line against its threshold, the chosen band's curve and
//! controls, and the crossovers on a scale of their own.

mod rows;
mod scale;
mod transfer;

use egui::{Rect, Stroke, Ui, pos2, vec2};

use self::rows::{Row, level_x};
use super::tile::Face;
use super::{cell, hint, lines};
use crate::editor::cadence::paced;
use crate::editor::control::{self, Look};
use crate::editor::number::with_unit;
use crate::editor::scene::{self, Scene};
use crate::editor::view_model::bands::Held;
use crate::editor::view_model::lowest::Lowest;

/// The bands, low to high.
const NAMES: [&str; 4] = ["low", "low-mid", "high-mid", "high"];
/// Height of the scale of frequencies.
const SCALE: f32 = 26.0;

/// What the stage remembers between frames.
#[derive(Debug, Default)]
pub struct State {
    /// The band whose controls are shown.
    chosen: usize,
    held: Held,
    lowest: Lowest,
    /// Levels as they are shown now, dBFS.
    levels_db: [Option<f32>; 4],
}

/// What the tile says.
pub fn face(ui: &Ui, scene: &Scene<'_>, state: &mut State) -> Face {
    let gains_db = scene.snapshot.activity.band_gain_db;
    let lowest_db = gains_db.into_iter().fold(0.0, f32::min);
    let lowest_db = state.lowest.follow(scene.snapshot, lowest_db);
    state.levels_db = state.held.follow(scene.snapshot);
    let on = scene.params.bands.on.value();
    let working = scene.params.band.iter().filter(|band| band.on.value());
    let working = match working.count() {
        0 => "no band works".into(),
        1 => "1 band".into(),
        count => format!("{count} bands"),
    };
    if !on {
        return lines(
            format!("off: {working} at rest"),
            "nothing is turned down".into(),
            on,
        );
    }
    let most = paced(
        ui,
        "bands' most",
        with_unit(Some((-lowest_db).into()), 1, "dB"),
    );
    lines(
        format!("{working}, turn down"),
        format!("{most} at most in 10 s"),
        on,
    )
}

/// The four levels as they stand in the tile.
pub fn miniature(ui: &Ui, area: Rect, scene: &Scene<'_>, state: &State) {
    let colours = scene::colours(ui);
    let painter = ui.painter().with_clip_rect(area);
    painter.rect_filled(area, 2, colours.well);
    let height = area.height() / 4.0;
    let inner = area.shrink2(vec2(4.0, 0.0));
    for index in 0..4 {
        let row = Row::new(scene, state, index);
        let y = area.top() + (index as f32 + 0.5) * height;
        rows::level(&painter, inner, y, 3.0, &row, colours);
        let threshold = level_x(inner, row.threshold_db);
        let reach = 0.4 * height;
        painter.vline(
            threshold,
            y - reach..=y + reach,
            Stroke::new(2.0, colours.level),
        );
    }
}

/// Draws the open stage.
pub fn opened(ui: &mut Ui, head: Rect, body: Rect, scene: &Scene<'_>, state: &mut State) {
    state.levels_db = state.held.follow(scene.snapshot);
    hint(
        ui,
        head,
        "orange: taken away · drag thresholds and crossovers",
    );
    let left = body.with_max_x(body.left() + (0.37 * body.width()).round());
    let bands = left.with_max_y(left.bottom() - SCALE);
    rows::figures(ui, head.with_min_x(left.left()), bands);
    if let Some(chosen) = rows::show(ui, bands, scene, state) {
        state.chosen = chosen;
    }
    scale::show(ui, left.with_min_y(bands.bottom()), scene);
    let side = body.height().min(0.16 * body.width());
    let curve = Rect::from_min_size(pos2(left.right() + 18.0, body.top()), vec2(side, side));
    transfer::show(ui, curve, &Row::new(scene, state, state.chosen));
    let area = body.with_min_x(curve.right() + 22.0);
    controls(ui, area, scene, state.chosen);
}

/// The controls of one band, and the crossovers.
fn controls(ui: &mut Ui, area: Rect, scene: &Scene<'_>, index: usize) {
    let params = &scene.params.bands;
    let band = &scene.params.band[index];
    let on = params.on.value() && band.on.value();
    let switches = area.with_max_x(area.left() + 86.0);
    let look = Look::new(NAMES[index], "Whether this band is compressed.");
    let switch = cell(switches, [1, 3], [0, 0]).with_max_x(switches.right());
    control::switch(ui, switch, scene.setter, &band.on, look);
    let look = Look::new("solo", "Hear soloed bands only.");
    let switch = cell(switches, [1, 3], [0, 1]).with_max_x(switches.right());
    control::switch(ui, switch, scene.setter, &band.solo, look);
    let tracks = area.with_min_x(switches.right() + 14.0);
    for (place, param, name, tip) in [
        (
            [0, 0],
            &band.threshold,
            "threshold",
            "Level above which the band is turned down.",
        ),
        (
            [0, 1],
            &band.ratio,
            "ratio",
            "Change of level in for each decibel out, above the threshold.",
        ),
        (
            [0, 2],
            &band.knee,
            "knee",
            "How wide the bend around the threshold is.",
        ),
        ([1, 0], &band.attack, "attack", "How fast the gain falls."),
        (
            [1, 1],
            &band.release,
            "release",
            "How fast the gain recovers.",
        ),
        (
            [1, 2],
            &band.makeup,
            "make-up",
            "Gain of the band after compression.",
        ),
    ] {
        let rect = cell(tracks, [3, 3], place);
        let look = Look::new(name, tip).active(on);
        control::track(ui, rect, scene.setter, param, look);
    }
    for (row, param, name, tip) in [
        (
            0,
            &params.low_crossover,
            "crossover 1",
            "Crossover between the low and the low-mid band.",
        ),
        (
            1,
            &params.mid_crossover,
            "crossover 2",
            "Crossover between the low-mid and the high-mid band.",
        ),
        (
            2,
            &params.high_crossover,
            "crossover 3",
            "Crossover between the high-mid and the high band.",
        ),
    ] {
        let rect = cell(tracks, [3, 3], [2, row]);
        let look = Look::new(name, tip).active(params.on.value());
        control::track(ui, rect, scene.setter, param, look);
    }
}
