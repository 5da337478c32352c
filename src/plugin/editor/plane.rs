//! The plane: where the song is, where it has been in the last minute, and the window it is meant
//! for.

use egui::{
    Align2, FontId, Painter, Rect, Role, Sense, Shape, Stroke, StrokeKind, Ui, WidgetInfo, pos2,
    vec2,
};

use super::scene::{self, Scene, label, place, small};
use super::theme::{BODY_PT, Colours, LABEL_PT, LARGE_PT, RADIUS, Signal};
use super::view_model::axis::Axis;
use super::view_model::plane::{self, Place, TRAIL_POINTS, TRAIL_S};
use super::view_model::{target, time};
use super::{control, forecast, introduction, mark, number};
use crestline_core::session::{PlaneMode, Trace};

/// Height of the large figures above the plot.
const HEAD: f32 = 52.0;
/// Signals in the order they are painted: the input last, as a ring hides nothing.
const SIGNALS: [Signal; 3] = [Signal::Clean, Signal::Output, Signal::Input];

/// What the plane remembers between frames.
#[derive(Debug)]
pub struct State {
    across: Axis,
    /// Upwards with PLR, and with microdynamics.
    up: [Axis; 2],
    settled: bool,
    /// Each signal's trail: across and up.
    trails: [[Trace; 2]; 3],
}

impl Default for State {
    fn default() -> Self {
        Self {
            across: Axis::new([-24.0, -6.0], 3.0, 9.0),
            up: [
                Axis::new([4.0, 18.0], 2.0, 6.0),
                Axis::new([0.0, 5.0], 1.0, 3.0),
            ],
            settled: false,
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
    let area = scene::panel(ui, rect);
    let mode = scene.session.plane;
    head(ui, area.with_max_y(area.top() + HEAD), scene, mode);
    let plot = Rect::from_min_max(
        pos2(area.left() + 24.0, area.top() + HEAD),
        area.max - vec2(0.0, 16.0),
    );
    read_trails(scene, state, mode);
    let moving = fit(scene, state, mode);
    let axes = Axes {
        plot,
        across: state.across,
        up: *state.up(mode),
    };
    grid(ui, &axes, mode);
    let painter = ui.painter().with_clip_rect(plot);
    window(&painter, scene, &axes, mode, scene::colours(ui));
    if mode == PlaneMode::Plr {
        ceiling(&painter, scene, &axes, scene::colours(ui));
    }
    trails(&painter, state, &axes, scene, scene::colours(ui));
    marks(&painter, scene, &axes, mode, scene::colours(ui));
    hover(ui, scene, &axes, mode);
    forecast::show(ui, scene, &axes, mode);
    introduction::show(ui, plot, scene);
    moving
}

/// The plot's place and its two axes.
pub(super) struct Axes {
    pub plot: Rect,
    across: Axis,
    up: Axis,
}

impl Axes {
    pub fn at(&self, at: Place) -> egui::Pos2 {
        place(
            self.plot,
            self.across.share(at.lufs),
            self.up.share(at.up_db),
        )
    }
}

fn read_trails(scene: &Scene<'_>, state: &mut State, mode: PlaneMode) {
    let span = time::last(TRAIL_S, scene.history);
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
        .flat_map(|[across, up]| plane::trail(across, up))
        .map(|(place, _)| place);
    let marks = SIGNALS
        .into_iter()
        .filter_map(|signal| plane::now(scene.snapshot, signal, mode));
    let forecast = scene.forecast.places(mode);
    let places = places.chain(marks).chain(forecast);
    let wanted = plane::extent(places, scene.session.target(), mode);
    let across = state
        .across
        .follow(wanted.map(|[across, _]| across), scene.elapsed_s);
    let up = state
        .up(mode)
        .follow(wanted.map(|[_, up]| up), scene.elapsed_s);
    if !state.settled && wanted.is_some() {
        // The first time there is something to see there is nothing to move away from.
        state.across.settle();
        state.up(mode).settle();
        state.settled = true;
        return false;
    }
    across | up
}

fn head(ui: &mut Ui, area: Rect, scene: &Scene<'_>, mode: PlaneMode) {
    let colours = scene::colours(ui);
    let now = plane::now(scene.snapshot, Signal::Output, mode);
    let middle = area.top() + 12.0;
    let lufs = number::fixed(scene.snapshot.output.readings.short_term_lufs, 1);
    let up = number::fixed(now.map(|now| now.up_db), 1);
    mark::paint(
        ui.painter(),
        Signal::Output,
        pos2(area.left() + 8.0, middle),
        15.0,
        colours.output.mark,
    );
    let figure = |x: f32, figure: String, unit: &str| {
        let at = pos2(x, middle);
        let written = scene::text(
            ui.painter(),
            at,
            Align2::LEFT_CENTER,
            figure,
            LARGE_PT,
            colours.output.text,
        );
        let at = pos2(written.right() + 6.0, middle + 5.0);
        label(ui.painter(), at, Align2::LEFT_CENTER, unit, colours.label).right()
    };
    let unit = match mode {
        PlaneMode::Plr => "dB PLR, last 3 s",
        PlaneMode::Microdynamics => "dB microdynamics",
    };
    let x = figure(area.left() + 24.0, lufs, "LUFS");
    figure(x.max(area.left() + 142.0) + 14.0, up, unit);
    let state = target::state(scene.session.target(), &scene.snapshot.output.readings);
    let at = pos2(area.left(), area.top() + 34.0);
    state_line(ui, at, area.right(), &state, scene);
    for (index, (choice, name, tip)) in [
        (
            PlaneMode::Plr,
            "PLR",
            "Shows the short-term peak-to-loudness ratio upwards.",
        ),
        (
            PlaneMode::Microdynamics,
            "microdynamics",
            "Shows the microdynamics (LDR) of the last 10 s upwards.",
        ),
    ]
    .into_iter()
    .enumerate()
    {
        let [left, width] = [[-154.0, 46.0], [-106.0, 106.0]][index];
        let rect = Rect::from_min_size(
            pos2(area.right() + left, area.top() - 2.0),
            vec2(width, 24.0),
        );
        if choose(ui, rect, name, tip, mode == choice) {
            scene
                .params
                .session
                .update(|session| session.plane = choice);
        }
    }
}

/// In or out of the window: by shape, by word, and by colour last.
fn state_line(ui: &Ui, at: egui::Pos2, right: f32, state: &target::State, scene: &Scene<'_>) {
    let colours = scene::colours(ui);
    let box_ = Rect::from_center_size(at + vec2(8.0, 0.0), vec2(13.0, 11.0));
    let painter = ui.painter();
    painter.rect_stroke(
        box_,
        1,
        Stroke::new(1.5, colours.window.mark),
        StrokeKind::Inside,
    );
    let dot = match state.inside {
        Some(true) => Some(box_.center()),
        Some(false) => Some(box_.right_top() + vec2(4.0, -1.0)),
        None => None,
    };
    if let Some(dot) = dot {
        painter.circle_filled(dot, 2.5, colours.output.mark);
    }
    let colour = if state.inside == Some(true) {
        colours.window.text
    } else {
        colours.text
    };
    let song = label(
        painter,
        at + vec2(24.0, 0.0),
        Align2::LEFT_CENTER,
        format!("song: {}", state.words),
        colour,
    );
    let turned =
        target::turn_down_words(scene.session.playback_lufs, &scene.snapshot.output.readings);
    let font = FontId::proportional(LABEL_PT);
    let galley = painter.layout_no_wrap(turned, font, colours.label);
    let place = Align2::LEFT_CENTER.anchor_size(pos2(song.right() + 16.0, at.y), galley.size());
    // The table has it too.
    if place.right() <= right {
        painter.galley(place.min, galley, colours.label);
    }
}

fn choose(ui: &mut Ui, rect: Rect, name: &str, tip: &str, on: bool) -> bool {
    let colours = scene::colours(ui);
    let response = ui.interact(rect, ui.scope_id().with(("plane", name)), Sense::click());
    let face = if on || response.hovered() {
        colours.track
    } else {
        colours.panel
    };
    ui.painter().rect_filled(rect, RADIUS, face);
    let colour = if on { colours.text } else { colours.label };
    label(
        ui.painter(),
        rect.center(),
        Align2::CENTER_CENTER,
        name,
        colour,
    );
    control::focus_ring(ui, rect, &response);
    let text = format!("Plane shows {name}");
    response.widget_info(|| WidgetInfo::selected(Role::RadioButton, true, on, &text));
    let clicked = response.clicked();
    response.on_hover_text(tip);
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

/// PLR is true peak less loudness: peaks at the ceiling lie on a falling diagonal, and nothing lies
/// beyond it.
fn ceiling(painter: &Painter, scene: &Scene<'_>, axes: &Axes, colours: &Colours) {
    let limiter = &scene.params.limiter;
    let (dbtp, name) = if limiter.on.value() {
        (f64::from(limiter.ceiling.value()), "ceiling")
    } else {
        (0.0, "full scale")
    };
    let [low, high] = axes.across.range();
    let ends = [low - 1.0, high + 1.0].map(|lufs| {
        axes.at(Place {
            lufs,
            up_db: dbtp - lufs,
        })
    });
    painter.line_segment(ends, Stroke::new(1.5, colours.level));
    // The name stands where the diagonal comes in: beside the top edge, or at the left edge.
    let [_, top] = axes.up.range();
    let enters = (dbtp - top).max(low);
    let at = axes.at(Place {
        lufs: enters,
        up_db: dbtp - enters,
    }) + vec2(24.0, 9.0);
    let text = format!("{name} {}", number::with_unit(Some(dbtp), 1, "dBTP"));
    let galley = painter.layout_no_wrap(text, FontId::proportional(LABEL_PT), colours.label);
    let place = Align2::LEFT_CENTER.anchor_size(at, galley.size());
    painter.rect_filled(place.expand2(vec2(3.0, 0.0)), 2, colours.well);
    painter.galley(place.min, galley, colours.label);
}

fn window(painter: &Painter, scene: &Scene<'_>, axes: &Axes, mode: PlaneMode, colours: &Colours) {
    let target = scene.session.target();
    let limits = target.loudness_lufs;
    if limits.low.is_none() && limits.high.is_none() {
        return;
    }
    let x = |lufs: f64| place(axes.plot, axes.across.share(lufs), 0.0).x;
    let y = |db: f64| place(axes.plot, 0.0, axes.up.share(db)).y;
    let open = axes.plot.expand(4.0);
    let [low, high] = match mode {
        PlaneMode::Plr => [target.plr_db.low, target.plr_db.high],
        PlaneMode::Microdynamics => [None, None],
    };
    let rect = Rect::from_min_max(
        pos2(
            limits.low.map_or(open.left(), x),
            high.map_or(open.top(), y),
        ),
        pos2(
            limits.high.map_or(open.right(), x),
            low.map_or(open.bottom(), y),
        ),
    );
    painter.rect(
        rect,
        0,
        colours.window_wash(),
        Stroke::new(1.5, colours.window.mark),
        StrokeKind::Middle,
    );
    // The name stands over the window; where the window has no top in sight, within it; beside one
    // that is narrower than its name.
    let font = FontId::proportional(LABEL_PT);
    let galley = painter.layout_no_wrap(target.name.to_string(), font, colours.window.text);
    let shown = rect.intersect(axes.plot);
    let (align, at) = if rect.top() > axes.plot.top() + 18.0 {
        (
            Align2::CENTER_CENTER,
            pos2(shown.center().x, rect.top() - 9.0),
        )
    } else if shown.width() > galley.size().x + 8.0 {
        (
            Align2::CENTER_CENTER,
            shown.center_bottom() - vec2(0.0, 10.0),
        )
    } else {
        (Align2::LEFT_CENTER, shown.right_bottom() + vec2(6.0, -10.0))
    };
    let place = align.anchor_size(at, galley.size());
    painter.galley(place.min, galley, colours.window.text);
}

fn trails(painter: &Painter, state: &State, axes: &Axes, scene: &Scene<'_>, colours: &Colours) {
    for (signal, [across, up]) in SIGNALS.into_iter().zip(&state.trails) {
        if signal == Signal::Clean && !scene.params.saturator.on.value() {
            continue;
        }
        let hue = colours.hue(signal).mark;
        for (place, age) in plane::trail(across, up) {
            let colour = hue.gamma_multiply(0.55 * (1.0 - age) + 0.05);
            painter.circle_filled(axes.at(place), 2.0, colour);
        }
    }
}

/// Where the signals are now. Without the saturator clean and output are one, and drawn as one.
fn marks(painter: &Painter, scene: &Scene<'_>, axes: &Axes, mode: PlaneMode, colours: &Colours) {
    for (signal, size) in SIGNALS.into_iter().zip([14.0, 17.0, 14.0]) {
        let Some(now) = plane::now(scene.snapshot, signal, mode) else {
            continue;
        };
        if signal == Signal::Clean && !scene.params.saturator.on.value() {
            continue;
        }
        let at = axes.at(now);
        if signal != Signal::Input {
            painter.add(Shape::circle_filled(
                at,
                size * 0.8,
                colours.well.gamma_multiply(0.7),
            ));
        }
        mark::paint(painter, signal, at, size, colours.hue(signal).mark);
    }
}

/// The values under the pointer, in a corner where they are not in the way.
fn hover(ui: &mut Ui, scene: &Scene<'_>, axes: &Axes, mode: PlaneMode) {
    let colours = scene::colours(ui);
    let response = ui.interact(axes.plot, ui.scope_id().with("plane"), Sense::HOVER);
    let message = |signal: Signal, name: &str| {
        let now = plane::now(scene.snapshot, signal, mode);
        format!(
            "{name} {} LUFS, {} dB",
            number::fixed(now.map(|now| now.lufs), 1),
            number::fixed(now.map(|now| now.up_db), 1)
        )
    };
    let spoken = format!(
        "Plane: {}, {}",
        message(Signal::Input, "input"),
        message(Signal::Output, "output")
    );
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, &spoken));
    let Some(at) = response.hover_pos() else {
        return;
    };
    let lufs = axes
        .across
        .value((at.x - axes.plot.left()) / axes.plot.width());
    let up = axes
        .up
        .value((axes.plot.bottom() - at.y) / axes.plot.height());
    let painter = ui.painter().with_clip_rect(axes.plot);
    painter.vline(at.x, axes.plot.y_range(), Stroke::new(1.0, colours.track));
    painter.hline(axes.plot.x_range(), at.y, Stroke::new(1.0, colours.track));
    let peaks = match mode {
        PlaneMode::Plr => format!(" · peaks {}", number::with_unit(Some(lufs + up), 1, "dBTP")),
        PlaneMode::Microdynamics => String::new(),
    };
    let text = format!(
        "{} LUFS · {} dB{peaks}",
        number::fixed(Some(lufs), 1),
        number::fixed(Some(up), 1)
    );
    let corner = axes.plot.left_bottom() + vec2(8.0, -12.0);
    scene::text(
        &painter,
        corner,
        Align2::LEFT_CENTER,
        text,
        BODY_PT,
        colours.text,
    );
}
