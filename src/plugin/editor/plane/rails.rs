//! The forecast on the plane: a rail for the clean and one for the saturated path, with a tick for
//! each decibel of push, as broad as its distortion. Where pushing stops paying, the ticks bunch up
//! on a rail that grows fat.

use egui::{
    Align2, Color32, CursorIcon, Id, Painter, Pos2, Rect, Role, Sense, Shape, Stroke, StrokeKind,
    Ui, Vec2, WidgetInfo, vec2,
};
use nice_plug::prelude::Param as _;

use super::Axes;
use crate::editor::scene::{self, Scene};
use crate::editor::theme::{Colours, SMALL_PT, Signal, font};
use crate::editor::view_model::decision::clean_at_one_loudness;
use crate::editor::view_model::rail::{Rail, Stop, breadth};
use crate::editor::{control, mark, number};
use crestline_core::session::PlaneMode;
use crestline_core::session::forecast::Path;

/// The paths, each with the signal whose hue and mark it has.
const PATHS: [(Path, Signal); 2] = [
    (Path::Clean, Signal::Clean),
    (Path::Saturated, Signal::Output),
];
/// Side of a tick, points.
const TICK: f32 = 6.5;
/// Side of the square in which a click means a tick, points.
const REACH: f32 = 14.0;
/// How far a rail's middle stays from what is written beside it, points.
const CLEAR: f32 = 5.0;
/// Side of the thumb, points.
const THUMB: f32 = 22.0;
/// Radius of its corners, and breadth of its frame.
const ROUND: u8 = 5;
const FRAME: f32 = 3.0;

/// Draws the rails; the thumb on that of the output sets the push as it is drawn along. Returns
/// where the thumb is, and adds what it has written to `taken`.
pub fn show(
    ui: &Ui,
    scene: &Scene<'_>,
    axes: &Axes,
    mode: PlaneMode,
    taken: &mut Vec<Rect>,
) -> Option<Pos2> {
    let points = &scene.forecast.found().points;
    let push_db = f64::from(scene.params.push.unmodulated_plain_value());
    let colours = scene::colours(ui);
    let painter = ui.painter().with_clip_rect(axes.plot);
    let driven = scene.params.saturator.on.value();
    let rails = PATHS.map(|(path, _)| Rail::new(points, path, mode));
    let strength = scene.forecast.strength();
    for ((_, signal), rail) in PATHS.into_iter().zip(&rails) {
        let hue = colours.hue(signal);
        let body = scene::faded(hue.mark, colours.well, strength * colours.behind);
        let ticks = scene::faded(hue.mark, colours.well, strength);
        for pair in rail.stops.windows(2) {
            let ends = [&pair[0], &pair[1]].map(|stop| axes.at(stop.place));
            let width = f32::midpoint(
                breadth(pair[0].distortion_db),
                breadth(pair[1].distortion_db),
            );
            painter.line_segment(ends, Stroke::new(width, body));
            // Round joints, so that a rail has no notches where it bends.
            painter.circle_filled(ends[1], width / 2.0, body);
        }
        for stop in rail.ticks() {
            let at = axes.at(stop.place);
            mark::paint(&painter, signal, at, TICK, ticks);
        }
    }
    for ((_, signal), rail) in PATHS.into_iter().zip(&rails) {
        taken.extend(end(&painter, axes, rail, &rails, colours.hue(signal).text));
    }
    taken.extend(
        rails
            .iter()
            .flat_map(Rail::ticks)
            .map(|stop| Rect::from_center_size(axes.at(stop.place), vec2(TICK, TICK))),
    );
    let ticks: Vec<Tick> = PATHS
        .into_iter()
        .zip(&rails)
        .flat_map(|((path, signal), rail)| {
            rail.ticks().map(move |stop| Tick {
                path,
                signal,
                stop,
                at: axes.at(stop.place),
            })
        })
        .collect();
    for of in &ticks {
        tick(ui, scene, axes, mode, of, &ticks);
    }
    let [clean, saturated] = &rails;
    if driven {
        let words = drop_line(ui, scene, axes, [clean, saturated], push_db, mode);
        taken.extend(words.into_iter().flatten());
    }
    let (signal, rail) = if driven {
        (Signal::Output, saturated)
    } else {
        (Signal::Clean, clean)
    };
    // Both paths are at this push; the other one's place is marked, not held.
    if let Some(other) = (if driven { clean } else { saturated }).at(push_db) {
        let at = axes.at(other.place);
        let other = if driven {
            Signal::Clean
        } else {
            Signal::Output
        };
        mark::hollow(
            &painter,
            other,
            at,
            14.0,
            colours.hue(other).mark,
            colours.well,
        );
    }
    thumb(ui, scene, axes, signal, rail, push_db)
}

/// Writes the push at a rail's end, or beside the last tick in sight of one that leaves the plot,
/// where it covers none of `all`.
fn end(painter: &Painter, axes: &Axes, rail: &Rail, all: &[Rail; 2], ink: Color32) -> Option<Rect> {
    let in_sight = axes.plot.shrink(TICK);
    let ticks = rail.ticks().map(|stop| (stop.push_db, axes.at(stop.place)));
    let (push_db, at) = ticks.filter(|(_, at)| in_sight.contains(*at)).last()?;
    let name = format!("+{}", number::fixed(Some(push_db), 0));
    let galley = painter.layout_no_wrap(name, font(painter.ctx(), SMALL_PT), ink);
    let place = [(Align2::LEFT_CENTER, 10.0), (Align2::RIGHT_CENTER, -10.0)]
        .into_iter()
        .flat_map(|(align, aside)| [8.0, 0.0, -8.0].map(|down| (align, vec2(aside, down))))
        .map(|(align, by)| align.anchor_size(at + by, galley.size()))
        .find(|place| {
            let covers = |rail: &Rail| {
                rail.stops.windows(2).any(|pair| {
                    let [from, to] = [&pair[0], &pair[1]].map(|stop| axes.at(stop.place));
                    let along = [0.0, 0.25, 0.5, 0.75, 1.0].map(|share| from.lerp(to, share));
                    along.iter().any(|at| place.distance_to_pos(*at) < CLEAR)
                })
            };
            axes.plot.contains_rect(*place) && !all.iter().any(covers)
        })?;
    painter.galley(place.min, galley, ink);
    Some(place)
}

/// One whole decibel on a rail.
struct Tick {
    path: Path,
    signal: Signal,
    stop: Stop,
    at: Pos2,
}

/// A click sets the push to the decibel. Ticks may lie closer together than a click can tell them
/// apart by its square: the nearest of `all` is meant.
fn tick(ui: &Ui, scene: &Scene<'_>, axes: &Axes, mode: PlaneMode, own: &Tick, all: &[Tick]) {
    let plot = axes.plot;
    let reach = Rect::from_center_size(own.at, vec2(REACH, REACH)).intersect(plot);
    if !reach.is_positive() {
        return;
    }
    let named = |tick: &Tick| match tick.path {
        Path::Clean => "clean",
        Path::Saturated => "saturated",
    };
    // From the keyboard the push is set at its own control.
    let name = format!("Set the push to {:.0} dB, {}", own.stop.push_db, named(own));
    let response = ui.interact(reach, ui.scope_id().with(&name), Sense::CLICK);
    response.widget_info(|| WidgetInfo::labeled(Role::Button, true, &name));
    let nearest = response.hover_pos().and_then(|pointer| {
        let from = |tick: &&Tick| distance(tick.at, pointer);
        all.iter()
            .min_by(|one, other| from(one).total_cmp(&from(other)))
    });
    let meant = nearest.unwrap_or(own);
    if response.hovered() {
        let hue = scene::colours(ui).hue(meant.signal);
        mark::paint(ui.painter(), meant.signal, meant.at, TICK + 3.0, hue.mark);
    }
    let (push, stop) = (&scene.params.push, meant.stop);
    if response.clicked() {
        control::set(
            scene.setter,
            push,
            push.preview_normalized(stop.push_db as f32),
        );
    }
    response
        .on_hover_cursor(CursorIcon::PointingHand)
        .on_hover_text(format!(
            "{} of push, {}: {}, {} {}, distortion {}{}. A click sets the push.",
            number::with_unit(Some(stop.push_db), 0, "dB"),
            named(meant),
            number::with_unit(Some(stop.place.lufs), 1, "LUFS"),
            up(mode),
            number::with_unit(Some(stop.place.up_db), 1, "dB"),
            number::with_unit(stop.distortion_db, 0, "dB"),
            scene.forecast_differs(),
        ));
}

/// From the saturated path down to the clean one at the same loudness. Returns where its lines are
/// written.
fn drop_line(
    ui: &Ui,
    scene: &Scene<'_>,
    axes: &Axes,
    [clean, saturated]: [&Rail; 2],
    push_db: f64,
    mode: PlaneMode,
) -> Option<[Rect; 2]> {
    let clean_db = clean_at_one_loudness(scene.forecast.found(), push_db)?;
    let (from, to) = saturated.at(push_db).zip(clean.at(clean_db))?;
    let colours = scene::colours(ui);
    let painter = ui.painter().with_clip_rect(axes.plot);
    let ends = [from, to].map(|stop| axes.at(stop.place));
    if (ends[1].y - ends[0].y).abs() < THUMB {
        return None;
    }
    let stroke = Stroke::new(1.0, colours.text);
    painter.add(Shape::dashed_line(&ends, stroke, 4.0, 3.0));
    mark::hollow(
        &painter,
        Signal::Clean,
        ends[1],
        12.0,
        colours.clean.mark,
        colours.well,
    );
    let difference = clean.kept_up_db(to, mode) - saturated.kept_up_db(from, mode);
    let words = if difference < 0.0 { "less" } else { "more" };
    let [by, push] = [difference.abs(), clean_db].map(|db| number::with_unit(Some(db), 1, "dB"));
    // Below and to the left: the rail comes from above and goes on to the right.
    let at = ends[1] + vec2(-12.0, 10.0);
    let written = [
        (0.0, format!("{}, same loudness:", up(mode))),
        (14.0, format!("clean, push {push}: {by} {words}")),
    ];
    Some(written.map(|(down, text)| {
        let at = at + vec2(0.0, down);
        let galley = painter.layout_no_wrap(text, font(painter.ctx(), SMALL_PT), colours.text);
        let place = Align2::RIGHT_CENTER.anchor_size(at, galley.size());
        painter.rect_filled(place.expand2(vec2(3.0, 0.0)), 2, colours.well);
        painter.galley(place.min, galley, colours.text);
        place
    }))
}

/// What is told upwards.
fn up(mode: PlaneMode) -> &'static str {
    match mode {
        PlaneMode::Plr => "PLR",
        PlaneMode::Microdynamics => "microdynamics",
    }
}

fn thumb_id(ui: &Ui) -> Id {
    ui.scope_id().with("push on the rail")
}

/// Whether the thumb is being drawn.
pub fn is_held(ui: &Ui) -> bool {
    ui.ctx().is_being_dragged(thumb_id(ui))
}

/// Where the push stands on the rail, to be drawn along it as far as it is in sight. It stays as far
/// from the pointer as it was taken hold of, and moves with the pointer alone: what else moves the
/// rail meanwhile, as a new forecast, leaves the push as it is.
fn thumb(
    ui: &Ui,
    scene: &Scene<'_>,
    axes: &Axes,
    signal: Signal,
    rail: &Rail,
    push_db: f64,
) -> Option<Pos2> {
    let at = axes.at(rail.at(push_db)?.place);
    let place = Rect::from_center_size(at, vec2(THUMB, THUMB));
    let id = thumb_id(ui);
    let is_let_go = ui.ctx().drag_stopped_id() == Some(id);
    if !axes.plot.intersects(place) && !is_held(ui) && !is_let_go {
        return None;
    }
    let push = &scene.params.push;
    let response = ui.interact(place.expand(3.0), id, Sense::DRAG);
    response.widget_info(|| {
        let name = format!("Push on the rail, {}", control::written(push));
        WidgetInfo::labeled(Role::Image, true, name)
    });
    if response.drag_started() {
        scene.setter.begin_set_parameter(push);
        let taken = ui.input(|input| input.pointer.press_origin()).unwrap_or(at);
        ui.data_mut(|data| data.insert_temp(id, at - taken));
    }
    let offset: Vec2 = ui.data(|data| data.get_temp(id)).unwrap_or_default();
    let in_sight = |place: Pos2| axes.plot.contains(place);
    if let Some(pointer) = control::led_to(&response)
        && ui.input(|input| input.pointer.delta()) != Vec2::ZERO
        && let Some(wanted) = rail.nearest(|place| {
            let at = axes.at(place);
            in_sight(at).then(|| distance(at, pointer + offset))
        })
        && (wanted - f64::from(push.preview_plain(scene.setter.value(push)))).abs() > 0.01
    {
        let normalized = push.preview_normalized(wanted as f32);
        scene.setter.set_parameter_normalized(push, normalized);
    }
    if response.drag_stopped() {
        scene.setter.end_set_parameter(push);
    }
    let colours = scene::colours(ui);
    let painter = ui.painter().with_clip_rect(axes.plot);
    mark::paint(&painter, signal, at, 12.0, colours.hue(signal).mark);
    response
        .on_hover_cursor(CursorIcon::Grab)
        .on_hover_text(format!(
            "Where the push leads{}. Drag it along the rail to set the push.",
            scene.forecast_differs()
        ));
    Some(at)
}

/// Frames the thumb, over whatever has been painted there: what stands within stays in sight.
pub fn frame(painter: &Painter, thumb: Pos2, colours: &Colours) {
    let place = Rect::from_center_size(thumb, vec2(THUMB, THUMB));
    let around = Stroke::new(1.5, colours.well);
    painter.rect_stroke(place, ROUND, around, StrokeKind::Outside);
    painter.rect_stroke(place.shrink(FRAME), ROUND - 2, around, StrokeKind::Inside);
    let edge = Stroke::new(FRAME, colours.text);
    painter.rect_stroke(place, ROUND, edge, StrokeKind::Inside);
}

fn distance(one: Pos2, other: Pos2) -> f32 {
    (one - other).length_sq()
}
