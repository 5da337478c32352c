//! The forecast on the plane: a curve for the clean and one for the saturated path, the bend of
//! each, where the push stands, and what the next decibel adds. A click at a point sets the push to
//! it.

use std::time::Instant;

use egui::{Align2, FontId, Rect, Role, Sense, Shape, Stroke, Ui, WidgetInfo, vec2};
use nice_plug::prelude::Param as _;

use super::plane::Axes;
use super::scene::{self, Scene, label};
use super::theme::{LABEL_PT, Signal};
use super::view_model::forecast::{Curve, next_decibel_in_words};
use super::view_model::plane::Place;
use super::{control, mark, number};
use crate::params::CrestlineParams;
use crestline_core::session::PlaneMode;
use crestline_core::session::forecast::{
    Forecasted, Forecaster, Path, PathFigures, Point, next_decibel,
};

/// The paths, each with the signal whose hue and mark it has.
const PATHS: [(Path, Signal); 2] = [
    (Path::Clean, Signal::Clean),
    (Path::Saturated, Signal::Output),
];
const POINT: f32 = 6.0;
const BEND: f32 = 13.0;
/// Room for what stands beside a bend.
const LABEL: f32 = 100.0;
/// Side of the square in which a click means a point.
const REACH: f32 = 14.0;
/// The curve is of interest a little past its bend, dB.
const PAST_THE_BEND_DB: f64 = 1.5;

/// The forecast as the editor knows it.
#[derive(Debug, Default)]
pub struct State {
    forecaster: Option<Forecaster>,
    version: u64,
    found: Forecasted,
}

impl State {
    /// Forecasts that `forecaster` finds.
    pub fn new(forecaster: Forecaster) -> Self {
        Self {
            forecaster: Some(forecaster),
            ..Self::default()
        }
    }

    /// Asks for what the settings call for, and takes in what has been found. True while a forecast
    /// is under way.
    pub fn follow(&mut self, params: &CrestlineParams) -> bool {
        let Some(forecaster) = &self.forecaster else {
            return false;
        };
        forecaster.ask(&params.chain_settings(), Instant::now());
        if let Some(found) = forecaster.newer_than(&mut self.version) {
            self.found = found;
        }
        self.found.progress.is_some() && !self.found.done
    }

    /// What is to be in sight: both curves to a little past their bends.
    pub fn places(&self, mode: PlaneMode) -> impl Iterator<Item = Place> {
        PATHS.into_iter().flat_map(move |(path, _)| {
            let curve = Curve::new(&self.found.points, path, mode);
            let last_db = curve
                .bend
                .map_or(f64::INFINITY, |(push_db, _)| push_db + PAST_THE_BEND_DB);
            let shown = move |(push_db, place): (f64, Place)| (push_db <= last_db).then_some(place);
            curve.places.into_iter().filter_map(shown)
        })
    }
}

/// Draws the forecast, and sets the push where a point is clicked.
pub fn show(ui: &Ui, scene: &Scene<'_>, axes: &Axes, mode: PlaneMode) {
    let points = &scene.forecast.found.points;
    let push = &scene.params.push;
    let push_db = f64::from(push.unmodulated_plain_value());
    let colours = scene::colours(ui);
    let painter = ui.painter().with_clip_rect(axes.plot);
    for (path, signal) in PATHS {
        let curve = Curve::new(points, path, mode);
        let hue = colours.hue(signal);
        let line = curve.places.iter().map(|(_, place)| axes.at(*place));
        painter.add(Shape::line(line.collect(), Stroke::new(1.5, hue.mark)));
        for (_, place) in &curve.places {
            mark::hollow(
                &painter,
                signal,
                axes.at(*place),
                POINT,
                hue.mark,
                colours.well,
            );
        }
        if let Some((bend_db, place)) = curve.bend {
            let at = axes.at(place);
            mark::hollow(&painter, signal, at, BEND, hue.mark, colours.well);
            let text = format!("bend at {}", number::with_unit(Some(bend_db), 1, "dB"));
            // Curves fall to the right, so there is room to the lower left, and to the upper right
            // of the one that reaches further, unless that is the edge.
            let right = path == Path::Saturated && at.x + BEND + LABEL < axes.plot.right();
            let (align, aside) = if right {
                (Align2::LEFT_CENTER, vec2(BEND, -9.0))
            } else {
                (Align2::RIGHT_CENTER, vec2(-BEND, 9.0))
            };
            label(&painter, at + aside, align, text, hue.text);
        }
        if let Some(now) = curve.at(push_db) {
            let at = axes.at(now);
            painter.circle_stroke(at, POINT + 3.0, Stroke::new(1.0, colours.text));
            mark::paint(&painter, signal, at, POINT + 2.0, hue.mark);
        }
        for point in points {
            let Some(place) = curve.at(point.push_db).map(|place| axes.at(place)) else {
                continue;
            };
            let reach = Rect::from_center_size(place, vec2(REACH, REACH)).intersect(axes.plot);
            if !reach.is_positive() {
                continue;
            }
            // From the keyboard the push is set at its own control.
            let name = format!("Set the push to {:.2} dB, {}", point.push_db, name(path));
            let response = ui.interact(reach, ui.scope_id().with(&name), Sense::CLICK);
            response.widget_info(|| WidgetInfo::labeled(Role::Button, true, &name));
            if response.clicked() {
                let normalized = push.preview_normalized(point.push_db as f32);
                control::set(scene.setter, push, normalized);
            }
            response.on_hover_text(in_words(point, path.of(point)));
        }
    }
    if let Some(words) = next_decibel_in_words(&next_decibel(points, push_db)) {
        // Over the line that tells what is under the pointer.
        let at = axes.plot.left_bottom() + vec2(8.0, -32.0);
        let font = FontId::proportional(LABEL_PT);
        let galley = painter.layout_no_wrap(words, font, colours.text);
        let place = Align2::LEFT_CENTER.anchor_size(at, galley.size());
        painter.rect_filled(place.expand2(vec2(3.0, 0.0)), 2, colours.well);
        painter.galley(place.min, galley, colours.text);
    }
}

fn name(path: Path) -> &'static str {
    match path {
        Path::Clean => "clean",
        Path::Saturated => "saturated",
    }
}

/// What a point stands for.
fn in_words(point: &Point, figures: &PathFigures) -> String {
    format!(
        "{} of push: {}, PLR {}, microdynamics {}, distortion {}. Click to set the push.",
        number::with_unit(Some(point.push_db), 1, "dB"),
        number::with_unit(figures.integrated_lufs, 1, "LUFS"),
        number::with_unit(figures.plr_db, 1, "dB"),
        number::with_unit(figures.ldr_db, 1, "dB"),
        number::with_unit(figures.distortion_db, 0, "dB"),
    )
}
