//! The shelves: their curve with a handle each, gains and corners.

use egui::{Align2, Painter, Pos2, Rect, Shape, Stroke, Ui, lerp, pos2, remap, vec2};
use nice_plug::prelude::FloatParam;

use super::tile::Face;
use super::{cell, frequencies, hint, lines};
use crate::editor::control::{self, Look, grip};
use crate::editor::number::{fixed, frequency, signed};
use crate::editor::scene::{self, Scene};
use crate::editor::theme::{Colours, SMALL_PT, font};
use crestline_core::dsp::biquad::Coefficients;

/// What the curve's height stands for, dB either way.
const REACH_DB: f64 = 10.0;
const POINTS: usize = 96;
/// Room for a frequency beside its line, points.
const FREQUENCY: f32 = 40.0;
/// The shelves' names, low to high.
const NAMES: [&str; 2] = ["low shelf", "high shelf"];

/// Gain and corner of each, low to high.
fn params<'a>(scene: &'a Scene<'_>) -> [[&'a FloatParam; 2]; 2] {
    let shelves = &scene.params.shelves;
    [
        [&shelves.low_gain, &shelves.low_corner],
        [&shelves.high_gain, &shelves.high_corner],
    ]
}

fn written([gain, corner]: [&FloatParam; 2]) -> String {
    format!(
        "{} dB at {}",
        signed(Some(gain.value().into()), 1),
        frequency(corner.value().into())
    )
}

/// What the tile says.
pub fn face(scene: &Scene<'_>) -> Face {
    let [low, high] = params(scene).map(written);
    lines(format!("low {low}"), format!("high {high}"), true)
}

/// Where levels and frequencies lie.
#[derive(Clone, Copy)]
struct Plot {
    area: Rect,
}

impl Plot {
    fn x(self, hz: f64) -> f32 {
        frequencies::x_at(self.area, hz)
    }

    fn hz(self, x: f32) -> f64 {
        frequencies::hz_at(self.area, x)
    }

    fn y(self, db: f64) -> f32 {
        self.area.center().y - (db / REACH_DB) as f32 * self.area.height() / 2.0
    }

    fn db(self, y: f32) -> f64 {
        f64::from(remap(y, self.area.top()..=self.area.bottom(), 1.0..=-1.0)) * REACH_DB
    }
}

/// What the shelves do at a frequency, each on its own.
fn gains_db(filters: &[Coefficients; 2], hz: f64, rate_hz: f64) -> [f64; 2] {
    let hz = hz.min(0.499 * rate_hz);
    filters
        .each_ref()
        .map(|shelf| shelf.magnitude_db(hz, rate_hz))
}

fn curve(painter: &Painter, plot: Plot, scene: &Scene<'_>, width: f32, colours: &Colours) {
    let rate_hz = scene.sample_rate_hz();
    let filters = scene.params.chain_settings().shelves.coefficients(rate_hz);
    let points: Vec<_> = (0..=POINTS)
        .map(|point| {
            let x = lerp(plot.area.x_range(), point as f32 / POINTS as f32);
            let [low, high] = gains_db(&filters, plot.hz(x), rate_hz);
            pos2(x, plot.y((low + high).clamp(-REACH_DB, REACH_DB)))
        })
        .collect();
    painter.add(Shape::line(points, Stroke::new(width, colours.text)));
}

/// Where a shelf's handle is: on the curve at its corner, at which it has half its gain (Audio EQ
/// Cookbook).
fn handles(plot: Plot, scene: &Scene<'_>) -> [Pos2; 2] {
    let rate_hz = scene.sample_rate_hz();
    let filters = scene.params.chain_settings().shelves.coefficients(rate_hz);
    params(scene).map(|[_, corner]| {
        let hz = f64::from(corner.value());
        let [low, high] = gains_db(&filters, hz, rate_hz);
        pos2(plot.x(hz), plot.y((low + high).clamp(-REACH_DB, REACH_DB)))
    })
}

/// The curve as it stands in the tile.
pub fn miniature(ui: &Ui, area: Rect, scene: &Scene<'_>) {
    let colours = scene::colours(ui);
    let painter = ui.painter().with_clip_rect(area);
    painter.rect_filled(area, 2, colours.well);
    let plot = Plot {
        area: area.shrink2(vec2(0.0, 4.0)),
    };
    curve(&painter, plot, scene, 1.5, colours);
    for at in handles(plot, scene) {
        painter.circle_filled(at, 4.0, colours.text);
    }
}

/// Draws the open stage.
pub fn opened(ui: &mut Ui, head: Rect, body: Rect, scene: &Scene<'_>) {
    hint(
        ui,
        head,
        "drag a handle up for gain, along for the corner · shift: finely · double click: reset",
    );
    let share = if body.width() < 900.0 { 0.46 } else { 0.6 };
    let area = body.with_max_x(body.left() + (share * body.width()).round());
    picture(ui, area, scene);
    let tracks = body.with_min_x(area.right() + 28.0);
    let [low, high] = params(scene);
    let gain = "Raises or lowers everything on its side of the corner.";
    let corner = "Where the shelf has half its gain.";
    for (place, param, name, tip) in [
        ([0, 0], low[0], "low shelf", gain),
        ([0, 1], low[1], "corner", corner),
        ([1, 0], high[0], "high shelf", gain),
        ([1, 1], high[1], "corner", corner),
    ] {
        let rect = cell(tracks, [2, 2], place);
        control::track(ui, rect, scene.setter, param, Look::new(name, tip));
    }
}

/// Lines and figures of both scales, no line through a figure.
fn scales(painter: &Painter, plot: Plot, colours: &Colours) {
    const FREQUENCIES_HZ: [f64; 8] = [
        50.0, 100.0, 200.0, 500.0, 1_000.0, 2_000.0, 5_000.0, 10_000.0,
    ];
    const GAINS_DB: [f64; 3] = [-6.0, 0.0, 6.0];
    let area = plot.area;
    let grid = Stroke::new(1.0, colours.grid);
    for hz in FREQUENCIES_HZ {
        painter.vline(plot.x(hz), area.y_range(), grid);
    }
    for db in GAINS_DB {
        painter.hline(area.x_range(), plot.y(db), grid);
    }
    let figure = |at: Pos2, align: Align2, text: String| {
        let galley = painter.layout_no_wrap(text, font(painter.ctx(), SMALL_PT), colours.label);
        let place = align.anchor_size(at, galley.size());
        painter.rect_filled(place.expand2(vec2(1.0, -2.0)), 0, colours.well);
        painter.galley(place.min, galley, colours.label);
    };
    for hz in FREQUENCIES_HZ {
        // Some figures to a decade or, where there is little room, one.
        if area.width() < 480.0 && ![100.0, 1_000.0, 10_000.0].contains(&hz) {
            continue;
        }
        let (aside, align) = if plot.x(hz) + FREQUENCY < area.right() {
            (3.0, Align2::LEFT_BOTTOM)
        } else {
            (-3.0, Align2::RIGHT_BOTTOM)
        };
        let at = pos2(plot.x(hz) + aside, area.bottom() - 1.0);
        figure(at, align, frequency(hz));
    }
    for db in GAINS_DB {
        let text = if db < 0.0 {
            fixed(Some(db), 0)
        } else {
            signed(Some(db), 0)
        };
        let at = pos2(area.left() + 4.0, plot.y(db));
        figure(at, Align2::LEFT_CENTER, format!("{text} dB"));
    }
}

fn picture(ui: &Ui, area: Rect, scene: &Scene<'_>) {
    let colours = scene::colours(ui);
    let plot = Plot { area };
    let painter = ui.painter().with_clip_rect(area);
    painter.rect_filled(area, 2, colours.well);
    scales(&painter, plot, colours);
    curve(&painter, plot, scene, 2.0, colours);
    let rate_hz = scene.sample_rate_hz();
    let filters = scene.params.chain_settings().shelves.coefficients(rate_hz);
    let handles = handles(plot, scene);
    let mut told = None;
    for (shelf, pair) in params(scene).into_iter().enumerate() {
        let [gain, corner] = pair;
        let [low, high] = gains_db(&filters, corner.value().into(), rate_hz);
        let other_db = if shelf == 0 { high } else { low };
        let read_out = format!("{} {}", NAMES[shelf], written(pair));
        let handle = grip::Grip {
            name: ["Low shelf on the curve", "High shelf on the curve"][shelf],
            at: handles[shelf],
            area: Rect::from_center_size(handles[shelf], vec2(22.0, 22.0)),
            across: Some(grip::Way {
                param: corner,
                plain_at: &|x| plot.hz(x),
            }),
            upright: Some(grip::Way {
                param: gain,
                plain_at: &|y| 2.0 * (plot.db(y) - other_db),
            }),
            read_out: &read_out,
        };
        let response = handle.show(ui, scene.setter);
        grip::disc(&painter, handles[shelf], &response, colours.text, colours);
        if grip::in_use(&response) {
            // Where the curve goes up to the right there is room below it.
            let rises = (gain.value() > 0.0) == (shelf == 1);
            told = Some((handles[shelf], read_out, rises));
        }
    }
    if let Some((at, text, rises)) = told {
        let tell = if rises { grip::tell_below } else { grip::tell };
        tell(&painter, area, at, &text, colours);
    }
}
