//! The shelves: their curve, gains and corners.

use egui::{Align2, Rect, Shape, Stroke, Ui, pos2, vec2};

use super::{HEAD, TRACK, from_bottom, name};
use crate::editor::control::{self, Look};
use crate::editor::scene::{self, Scene, small};

/// The curve's range of frequency, Hz.
const RANGE_HZ: [f64; 2] = [20.0, 20_000.0];
/// What the curve's height stands for, dB either way.
const REACH_DB: f64 = 10.0;
const POINTS: usize = 64;

/// Draws the stage.
pub fn show(ui: &mut Ui, area: Rect, scene: &Scene<'_>) {
    name(ui, area, "shelves");
    let tracks = from_bottom(area, 1).top();
    curve(
        ui,
        area.with_min_y(area.top() + HEAD).with_max_y(tracks - 4.0),
        scene,
    );
    let shelves = &scene.params.shelves;
    let half = (area.width() - 18.0) / 2.0;
    let cell = |column: usize, row: usize| {
        let line = from_bottom(area, 1 - row);
        Rect::from_min_size(
            pos2(area.left() + column as f32 * (half + 18.0), line.top()),
            vec2(half, TRACK),
        )
    };
    let controls = [
        (
            &shelves.low_gain,
            cell(0, 0),
            "low",
            "Raises or lowers everything below the low corner.",
        ),
        (
            &shelves.high_gain,
            cell(1, 0),
            "high",
            "Raises or lowers everything above the high corner.",
        ),
        (
            &shelves.low_corner,
            cell(0, 1),
            "at",
            "Where the low shelf begins to work.",
        ),
        (
            &shelves.high_corner,
            cell(1, 1),
            "at",
            "Where the high shelf begins to work.",
        ),
    ];
    for (param, rect, label, tip) in controls {
        control::track(ui, rect, scene.setter, param, Look::new(label, tip));
    }
}

fn curve(ui: &Ui, area: Rect, scene: &Scene<'_>) {
    let colours = scene::colours(ui);
    let painter = ui.painter();
    let rate_hz = scene.sample_rate_hz();
    let coefficients = scene.params.chain_settings().shelves.coefficients(rate_hz);
    painter.hline(
        area.x_range(),
        area.center().y,
        Stroke::new(1.0, colours.grid),
    );
    let octaves = (RANGE_HZ[1] / RANGE_HZ[0]).log2();
    for (hz, name) in [(100.0, "100"), (1_000.0, "1k"), (10_000.0, "10k")] {
        let x = area.left() + ((hz / RANGE_HZ[0]).log2() / octaves) as f32 * area.width();
        painter.vline(x, area.y_range(), Stroke::new(1.0, colours.grid));
        small(
            painter,
            pos2(x + 3.0, area.bottom() - 1.0),
            Align2::LEFT_BOTTOM,
            name,
            colours.label.gamma_multiply(0.75),
        );
    }
    let points: Vec<_> = (0..POINTS)
        .map(|point| {
            let share = point as f64 / (POINTS - 1) as f64;
            let hz = (RANGE_HZ[0] * (share * octaves).exp2()).min(0.499 * rate_hz);
            let db: f64 = coefficients
                .iter()
                .map(|shelf| shelf.magnitude_db(hz, rate_hz))
                .sum();
            let up = (db / REACH_DB).clamp(-1.0, 1.0) as f32;
            pos2(
                area.left() + share as f32 * area.width(),
                area.center().y - up * area.height() / 2.0,
            )
        })
        .collect();
    painter.add(Shape::line(points, Stroke::new(1.75, colours.text)));
}
