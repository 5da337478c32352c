//! Band compression: each band's level as a line against its threshold, the chosen band's curve and
//! controls, and the crossovers on a scale of their own.

mod rows;
mod scale;
mod transfer;

use egui::{Rect, Stroke, Ui, pos2, vec2};

use self::rows::{Row, level_x};
use super::tile::Face;
use super::{cell, hint, lines};
use crate::editor::control::{self, Look};
use crate::editor::number::with_unit;
use crate::editor::scene::{self, Scene};
use crate::editor::view_model::bands::{BAND_NAMES, Held};
use crate::editor::view_model::lowest::Lowest;

/// From this width on there is room for the chosen band's curve, points.
const WIDE: f32 = 900.0;
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
pub fn face(scene: &Scene<'_>, state: &mut State) -> Face {
    let gains_db = scene.snapshot.activity.band_gain_db;
    let lowest_db = gains_db.into_iter().fold(0.0, f32::min);
    state.lowest.follow(scene.snapshot, scene.told, lowest_db);
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
    let most = with_unit(state.lowest.told_db().map(|db| (-db).into()), 1, "dB");
    lines(working, format!("reduction {most} in 10 s"), on)
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
    let wide = body.width() >= WIDE;
    let share = if wide { 0.35 } else { 0.36 };
    let left = body.with_max_x(body.left() + (share * body.width()).round());
    let bands = left.with_max_y(left.bottom() - SCALE);
    rows::figures(ui, head.with_min_x(left.left()), bands);
    if let Some(chosen) = rows::show(ui, bands, scene, state) {
        state.chosen = chosen;
    }
    scale::show(ui, left.with_min_y(bands.bottom()), scene);
    let chosen = state.chosen;
    if wide {
        hint(
            ui,
            head.with_min_x(left.right()),
            "end of a bar: taken away · drag thresholds and crossovers",
        );
        let side = body.height().min(0.115 * body.width());
        let curve = Rect::from_min_size(pos2(left.right() + 18.0, body.top()), vec2(side, side));
        transfer::show(ui, curve, &Row::new(scene, state, chosen));
        let area = body.with_min_x(curve.right() + 20.0);
        let column = area.with_max_x(area.left() + 82.0);
        let places = [0, 1].map(|row| cell(column, [1, 3], [0, row]).with_max_x(column.right()));
        switches(ui, places, scene, chosen);
        controls(ui, area.with_min_x(column.right() + 12.0), scene, chosen, 3);
    } else {
        // The switches stand in the first line, and the curve goes.
        let place = |right: f32| {
            head.with_min_x(right - 90.0)
                .with_max_x(right)
                .translate(vec2(0.0, -3.0))
        };
        let places = [head.right() - 70.0, head.right() + 20.0].map(place);
        switches(ui, places, scene, chosen);
        let area = body.with_min_x(left.right() + 18.0);
        controls(ui, area, scene, chosen, 5);
    }
}

/// Whether the band works, and whether it is heard alone.
fn switches(ui: &mut Ui, places: [Rect; 2], scene: &Scene<'_>, index: usize) {
    let band = &scene.params.band[index];
    let look = Look::new(BAND_NAMES[index], "Whether this band is compressed.");
    control::switch(ui, places[0], scene.setter, &band.on, look);
    let look = Look::new(
        "solo",
        "Hear the soloed bands alone, of whatever you listen to. What is measured stays the whole.",
    );
    control::switch(ui, places[1], scene.setter, &band.solo, look);
}

/// The tracks of one band, and those of the crossovers, in columns of so many rows.
fn controls(ui: &mut Ui, area: Rect, scene: &Scene<'_>, index: usize, rows: usize) {
    let params = &scene.params.bands;
    let band = &scene.params.band[index];
    let any = params.on.value();
    let on = any && band.on.value();
    let tracks = [
        (
            &band.threshold,
            "threshold",
            "Peak level, behind push and shelves, above which the band is turned down.",
            on,
        ),
        (
            &band.ratio,
            "ratio",
            "Decibels in for each decibel out, above the threshold.",
            on,
        ),
        (
            &band.knee,
            "knee",
            "How wide the bend around the threshold is.",
            on,
        ),
        (&band.attack, "attack", "How fast the gain falls.", on),
        (&band.release, "release", "How fast the gain recovers.", on),
        (
            &band.makeup,
            "make-up",
            "Gain of the band after compression.",
            on,
        ),
        (
            &params.low_crossover,
            "crossover 1",
            "Corner between the low and the low-mid band.",
            any,
        ),
        (
            &params.mid_crossover,
            "crossover 2",
            "Corner between the low-mid and the high-mid band.",
            any,
        ),
        (
            &params.high_crossover,
            "crossover 3",
            "Corner between the high-mid and the high band.",
            any,
        ),
    ];
    let columns = tracks.len().div_ceil(rows);
    for (number, (param, name, tip, active)) in tracks.into_iter().enumerate() {
        let rect = cell(area, [columns, rows], [number / rows, number % rows]);
        let look = Look::new(name, tip).active(active);
        control::track(ui, rect, scene.setter, param, look);
    }
}
