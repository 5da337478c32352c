//! The plane: how loud the song is and how much of its beat is left, where it has been in the last
//! minute, the window it is meant for, and where each decibel of push would bring it.

mod marks;
mod rails;
mod target;

use egui::{Align2, Rect, Role, Sense, Stroke, Ui, WidgetInfo, pos2, vec2};

use super::scene::{self, Scene, place, small};
use super::theme::{LABEL_PT, RADIUS, Signal};
use super::view_model::axis::Axis;
use super::view_model::heard::Heard;
use super::view_model::plane::{self, Place, TRAIL_POINTS};
use super::{control, introduction, number};
use crestline_core::session::{PlaneMode, Trace};

/// Height of the line above the plot.
const HEAD: f32 = 26.0;
/// Signals in the order they are painted: the input last, as a ring hides nothing.
const SIGNALS: [Signal; 3] = [Signal::Clean, Signal::Output, Signal::Input];

/// What the plane remembers between frames.
#[derive(Debug)]
pub struct State {
    across: Axis,
    /// Upwards with PLR, and with microdynamics.
    up: [Axis; 2],
    /// Whether there has been something to see upwards with PLR, and with microdynamics.
    begun: [bool; 2],
    heard: Heard,
    /// Each signal's trail: across and up.
    trails: [[Trace; 2]; 3],
}

impl Default for State {
    fn default() -> Self {
        Self {
            across: Axis::new([-21.0, -6.0], 3.0, 9.0),
            up: [
                Axis::new([6.0, 16.0], 2.0, 6.0),
                Axis::new([3.0, 6.0], 1.0, 3.0),
            ],
            begun: [false; 2],
            heard: Heard::default(),
            trails: Default::default(),
        }
    }
}

impl State {
    fn up(&mut self, mode: PlaneMode) -> &mut Axis {
        let [plr, microdynamics] = &mut self.up;
        match mode {
            PlaneMode::Plr => plr,
            PlaneMode::Microdynamics => microdynamics,
        }
    }
}

/// Draws the plane. True while its axes are on their way.
pub fn show(ui: &mut Ui, rect: Rect, scene: &Scene<'_>, state: &mut State) -> bool {
    let area = scene::panel(ui, rect).expand2(vec2(0.0, 4.0));
    let mode = scene.session.plane;
    head(ui, area.with_max_y(area.top() + HEAD), scene, mode);
    let plot = Rect::from_min_max(
        pos2(area.left() + 24.0, area.top() + HEAD),
        area.max - vec2(0.0, 14.0),
    );
    read_trails(scene, state, mode);
    // What is held must not move away from under the pointer.
    let held = rails::is_held(ui) || target::is_held(ui);
    let moving = !held && fit(scene, state, mode);
    let axes = Axes {
        plot,
        across: state.across,
        up: *state.up(mode),
    };
    grid(ui, &axes, mode);
    let painter = ui.painter().with_clip_rect(plot);
    let colours = scene::colours(ui);
    target::show(&painter, scene, &axes, mode, colours);
    if mode == PlaneMode::Plr {
        target::ceiling(&painter, scene, &axes, colours);
    }
    marks::hover(ui, scene, &axes, mode);
    marks::trails(&painter, state, &axes, scene, colours);
    target::grips(ui, scene, &axes, mode);
    let mut written = Vec::new();
    let thumb = rails::show(ui, scene, &axes, mode, &mut written);
    marks::show(
        &painter,
        scene,
        &axes,
        &state.heard,
        (thumb, written),
        colours,
    );
    if let Some(thumb) = thumb {
        rails::frame(&painter, thumb, colours);
    }
    introduction::show(ui, plot, scene);
    moving
}

/// The plot's place and its two axes.
struct Axes {
    plot: Rect,
    across: Axis,
    up: Axis,
}

impl Axes {
    fn at(&self, at: Place) -> egui::Pos2 {
        place(
            self.plot,
            self.across.share(at.lufs),
            self.up.share(at.up_db),
        )
    }
}

fn read_trails(scene: &Scene<'_>, state: &mut State, mode: PlaneMode) {
    state.heard.follow(scene.snapshot, scene.history, mode);
    let span = state.heard.span();
    for (signal, traces) in SIGNALS.into_iter().zip(&mut state.trails) {
        for (column, trace) in plane::columns(signal, mode).into_iter().zip(traces) {
            scene.history.trace(column, span, TRAIL_POINTS, trace);
        }
    }
}

fn fit(scene: &Scene<'_>, state: &mut State, mode: PlaneMode) -> bool {
    let places = state
        .trails
        .iter()
        .flat_map(|[across, up]| plane::trail(across, up, &state.heard))
        .map(|(place, _)| place);
    let marks = SIGNALS
        .into_iter()
        .filter_map(|signal| state.heard.place(signal));
    let push_db = f64::from(scene.params.push.value());
    let forecast = scene.forecast.places(mode, push_db);
    let song = plane::song(scene.snapshot, mode);
    let places = places.chain(marks).chain(song).chain(forecast);
    let mut wanted = plane::extent(places, scene.session.target(), mode);
    if let (Some(shown), Some(reference)) = (&mut wanted, scene.reference_profile()) {
        for place in plane::reference(&reference, mode).into_iter().flatten() {
            if plane::is_in_reach(place, *shown) {
                shown[0] = both(shown[0], [place.lufs - 1.0, place.lufs + 1.0]);
                shown[1] = both(shown[1], [place.up_db - 0.5, place.up_db + 0.5]);
            }
        }
    }
    // In a pause nothing narrows.
    if !plane::is_heard(scene.snapshot)
        && state.begun[mode as usize]
        && let Some([across, up]) = &mut wanted
    {
        *across = both(*across, state.across.range());
        *up = both(*up, state.up(mode).range());
    }
    let across = state
        .across
        .follow(wanted.map(|[across, _]| across), scene.elapsed_s);
    let up = state
        .up(mode)
        .follow(wanted.map(|[_, up]| up), scene.elapsed_s);
    let begun = &mut state.begun[mode as usize];
    if wanted.is_some() && !std::mem::replace(begun, true) {
        // The first time there is something to see there is nothing to move away from.
        state.across.settle();
        state.up(mode).settle();
        return false;
    }
    across | up
}

fn both(one: [f64; 2], other: [f64; 2]) -> [f64; 2] {
    [one[0].min(other[0]), one[1].max(other[1])]
}

fn head(ui: &Ui, area: Rect, scene: &Scene<'_>, mode: PlaneMode) {
    let colours = scene::colours(ui);
    let at = pos2(area.left(), area.top() + 9.0);
    let up = match mode {
        PlaneMode::Plr => "PLR",
        PlaneMode::Microdynamics => "microdynamics",
    };
    let axes = format!("→ louder   ↑ {up}");
    let all = format!("{axes}   broader rail: more distortion");
    let room = area.width() - 176.0;
    let words = scene::fitting(ui.painter(), &all, &axes, room);
    scene::cut(ui.painter(), at, words, room, colours.label);
    for (index, (choice, name, tip)) in [
        (
            PlaneMode::Microdynamics,
            "microdynamics",
            "Shows upwards how far the beat stands out (LDR): now, that of the last 10 s.",
        ),
        (
            PlaneMode::Plr,
            "PLR",
            "Shows the peak-to-loudness ratio upwards: now, that of the last 3 s.",
        ),
    ]
    .into_iter()
    .enumerate()
    {
        let [left, width] = [[-164.0, 112.0], [-48.0, 48.0]][index];
        let rect = Rect::from_min_size(
            pos2(area.right() + left, area.top() - 2.0),
            vec2(width, 22.0),
        );
        if choose(ui, rect, name, tip, mode == choice) {
            scene.params.edit_session(|session| session.plane = choice);
        }
    }
}

fn choose(ui: &Ui, rect: Rect, name: &str, tip: &str, on: bool) -> bool {
    let colours = scene::colours(ui);
    let response = ui.interact(rect, ui.scope_id().with(("plane", name)), Sense::click());
    let face = if on || response.hovered() {
        colours.track
    } else {
        colours.panel
    };
    ui.painter().rect_filled(rect, RADIUS, face);
    let colour = if on { colours.text } else { colours.label };
    scene::text(
        ui.painter(),
        rect.center(),
        Align2::CENTER_CENTER,
        name,
        LABEL_PT,
        colour,
    );
    control::focus_ring(ui, rect, &response);
    let text = format!("Plane shows {name}");
    response.widget_info(|| WidgetInfo::selected(Role::RadioButton, true, on, &text));
    let clicked = response.clicked();
    control::tip(response, tip);
    clicked
}

fn grid(ui: &Ui, axes: &Axes, mode: PlaneMode) {
    let colours = scene::colours(ui);
    let painter = ui.painter();
    let plot = axes.plot;
    painter.rect_filled(plot, 2, colours.well);
    let inside = painter.with_clip_rect(plot);
    for lufs in axes.across.ticks(3.0) {
        let x = place(plot, axes.across.share(lufs), 0.0).x;
        inside.vline(x, plot.y_range(), Stroke::new(1.0, colours.grid));
        let unit = plot.right() - 34.0;
        if x < unit && x > plot.left() + 6.0 {
            let at = pos2(x, plot.bottom() + 10.0);
            small(
                painter,
                at,
                Align2::CENTER_CENTER,
                number::fixed(Some(lufs), 0),
                colours.label,
            );
        }
    }
    small(
        painter,
        pos2(plot.right(), plot.bottom() + 10.0),
        Align2::RIGHT_CENTER,
        "LUFS",
        colours.label,
    );
    let every = if mode == PlaneMode::Plr { 2.0 } else { 1.0 };
    for db in axes.up.ticks(every) {
        let y = place(plot, 0.0, axes.up.share(db)).y;
        inside.hline(plot.x_range(), y, Stroke::new(1.0, colours.grid));
        if y > plot.top() + 20.0 && y < plot.bottom() - 4.0 {
            let at = pos2(plot.left() - 6.0, y);
            small(
                painter,
                at,
                Align2::RIGHT_CENTER,
                number::fixed(Some(db), 0),
                colours.label,
            );
        }
    }
    small(
        painter,
        pos2(plot.left() - 6.0, plot.top() + 7.0),
        Align2::RIGHT_CENTER,
        "dB",
        colours.label,
    );
}
