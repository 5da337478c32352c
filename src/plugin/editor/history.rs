//! The history strip: loudness, PLR, peaks over the ceiling and reduction over time.

mod picture;
mod strip;

use egui::{
    Align2, Event, EventFilter, FontId, Key, Rect, Response, Role, Sense, Stroke, Ui, WidgetInfo,
    pos2, vec2,
};

pub use self::picture::Picture;
use self::strip::{Strip, Subject, plot_in};
use super::scene::{self, Scene, label, small};
use super::theme::{Colours, SMALL_PT};
use super::view_model::history;
use super::view_model::time::{self, Window};
use super::{Action, control};
use crestline_core::session::Span;

/// How much one line of the wheel magnifies.
const ZOOM_STEP: f64 = 1.25;
/// How far an arrow key goes, as a share of the strip; with shift held, the moment that is read
/// goes this far.
const PAN_STEP: f64 = 0.1;
const READ_STEP: f64 = 0.01;

/// What the strip remembers between frames.
#[derive(Debug, Default)]
pub struct State {
    window: Window,
    strip: Strip,
    /// The moment whose values stay in sight, seconds.
    read_s: Option<f64>,
}

/// What a frame of the strip comes to.
#[derive(Debug)]
pub struct Shown {
    /// Its axis is on its way.
    pub moving: bool,
    /// What was asked for.
    pub action: Option<Action>,
}

/// What the strip is held against.
fn subject<'a>(scene: &'a Scene<'_>) -> Subject<'a> {
    Subject {
        target: scene.session.target(),
        ceiling_dbtp: history::ceiling(scene.params),
    }
}

/// Draws the strip.
pub fn show(ui: &mut Ui, rect: Rect, scene: &Scene<'_>, state: &mut State) -> Shown {
    let area = scene::panel(ui, rect).expand2(vec2(0.0, 5.0));
    let plot = plot_in(area.with_min_y(area.top() + 18.0));
    let recorded_s = scene.history.length_s();
    let response = ui.interact(plot, ui.scope_id().with("history"), Sense::click_and_drag());
    steer(ui, &response, plot, state, recorded_s);
    let span = state.window.span(recorded_s);
    let columns = (plot.width() * ui.pixels_per_point()).round().max(1.0);
    #[expect(clippy::cast_sign_loss, reason = "at least 1")]
    let width_px = columns as usize;
    let moving = state
        .strip
        .read(scene.history, span, width_px, scene.elapsed_s);
    let colours = scene::colours(ui);
    state
        .strip
        .paint(ui.painter(), plot, span, subject(scene), colours);
    let action = head(ui, area, state, span);
    let text = read(ui, &response, plot, scene, state, span);
    control::focus_ring(ui, plot.expand(3.0), &response);
    response.widget_info(|| {
        let name = format!("History, {}", history::span_in_words(span));
        WidgetInfo::labeled(Role::Image, true, name)
    });
    if !text.is_empty() {
        ui.ctx()
            .accesskit_node_builder(response.id, |node| node.set_value(text.join("; ")));
    }
    Shown { moving, action }
}

/// Wheel and keys magnify, drag and keys move, a click or enter keeps a moment's values in sight, a
/// double click shows everything.
fn steer(ui: &Ui, response: &Response, plot: Rect, state: &mut State, recorded_s: f64) {
    let span = state.window.span(recorded_s);
    let at = |x: f32| {
        let share = f64::from((x - plot.left()) / plot.width());
        span.start_s + share * time::length_s(span)
    };
    if response.double_clicked() {
        state.window.whole();
        state.read_s = None;
    } else if response.clicked() {
        // A click by the keyboard or a screen reader has no place: it reads the newest moment in
        // sight.
        let place = response.interact_pointer_pos();
        state.read_s = Some(place.map_or(span.end_s.min(recorded_s), |place| at(place.x)));
    }
    if response.dragged() {
        let share = -f64::from(response.drag_delta().x / plot.width());
        state.window.pan(share, recorded_s);
    }
    if let Some(place) = response.hover_pos() {
        let [across, lines] = ui.input(|input| {
            input
                .events
                .iter()
                .fold([0.0; 2], |[x, y], event| match event {
                    Event::MouseWheel { unit, delta, .. } => {
                        let per_line = if *unit == egui::MouseWheelUnit::Point {
                            40.0
                        } else {
                            1.0
                        };
                        [x + delta.x / per_line, y + delta.y / per_line]
                    }
                    _ => [x, y],
                })
        });
        let share = f64::from((place.x - plot.left()) / plot.width());
        if lines != 0.0 {
            state
                .window
                .zoom(ZOOM_STEP.powf(lines.into()), share, recorded_s);
        }
        if across != 0.0 {
            state.window.pan(-PAN_STEP * f64::from(across), recorded_s);
        }
    }
    if response.has_focus() {
        keys(ui, response, state, recorded_s);
    }
}

fn keys(ui: &Ui, response: &Response, state: &mut State, recorded_s: f64) {
    let filter = EventFilter {
        horizontal_arrows: true,
        vertical_arrows: true,
        escape: state.read_s.is_some(),
        ..EventFilter::default()
    };
    ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
    let presses = |key| ui.input(|input| input.num_presses(key)) as f64;
    let zoom =
        presses(Key::ArrowUp) + presses(Key::Plus) - presses(Key::ArrowDown) - presses(Key::Minus);
    if zoom != 0.0 {
        state.window.zoom(ZOOM_STEP.powf(zoom), 0.5, recorded_s);
    }
    let across = presses(Key::ArrowRight) - presses(Key::ArrowLeft);
    let span = state.window.span(recorded_s);
    match &mut state.read_s {
        Some(read_s) if ui.input(|input| input.modifiers.shift) => {
            let moved_s = *read_s + across * READ_STEP * time::length_s(span);
            *read_s = moved_s.clamp(0.0, recorded_s);
        }
        _ => state.window.pan(PAN_STEP * across, recorded_s),
    }
    if presses(Key::Home) > 0.0 {
        state.window.whole();
    }
    if presses(Key::Escape) > 0.0 {
        state.read_s = None;
    }
}

/// The curves' names, each in the look of its curve. Returns where they end.
fn legend(painter: &egui::Painter, at: egui::Pos2, colours: &Colours) -> f32 {
    let mut x = at.x;
    for (text, colour) in [
        ("loudness, output", colours.output.text),
        ("input", colours.input.text),
        ("PLR, dashed, right-hand scale", colours.output.text),
        (
            "limiter and peaks over the ceiling, from the top",
            colours.text,
        ),
        ("outside the window", colours.window.text),
    ] {
        let at = pos2(x, at.y);
        x = small(painter, at, Align2::LEFT_CENTER, text, colour).right() + 14.0;
    }
    x
}

fn head(ui: &mut Ui, area: Rect, state: &mut State, span: Span) -> Option<Action> {
    let colours = scene::colours(ui);
    let y = area.top() + 6.0;
    let at = pos2(area.left(), y);
    let name = label(
        ui.painter(),
        at,
        Align2::LEFT_CENTER,
        "history",
        colours.label,
    );
    let free = legend(ui.painter(), pos2(name.right() + 18.0, y), colours);
    let mut right = area.right();
    let mut button = |ui: &mut Ui, width: f32, name: &str, tip: &str| {
        let rect = Rect::from_min_size(pos2(right - width, y - 9.0), vec2(width, 18.0));
        right = rect.left() - 6.0;
        ui.put(
            rect,
            egui::Button::new(egui::RichText::new(name).size(SMALL_PT))
                .small()
                .wrap_mode(egui::TextWrapMode::Extend),
        )
        .on_hover_text(tip)
        .clicked()
    };
    let mut action = None;
    for (width, name, tip, wanted) in [
        (
            68.0,
            "save PNG",
            "Writes a picture of what is shown into the Crestline folder of your documents.",
            Action::SavePicture(span),
        ),
        (
            68.0,
            "save CSV",
            "Writes what is shown as a table into the Crestline folder of your documents.",
            Action::SaveTable(span),
        ),
    ] {
        if button(ui, width, name, tip) {
            action = Some(wanted);
        }
    }
    let whole = state.window.is_whole();
    let tip = "Shows everything since the last restart.";
    if !whole && button(ui, 48.0, "whole", tip) {
        state.window.whole();
    }
    let words = if whole {
        "wheel magnifies".into()
    } else {
        history::span_in_words(span)
    };
    let at = pos2(right - 4.0, y);
    let galley = ui
        .painter()
        .layout_no_wrap(words, FontId::proportional(SMALL_PT), colours.label);
    let place = Align2::RIGHT_CENTER.anchor_size(at, galley.size());
    if place.left() > free {
        ui.painter().galley(place.min, galley, colours.label);
    }
    action
}

/// The values under the pointer, or of the moment that was clicked. Returns what was told.
fn read(
    ui: &Ui,
    response: &Response,
    plot: Rect,
    scene: &Scene<'_>,
    state: &State,
    span: Span,
) -> Vec<String> {
    let colours = scene::colours(ui);
    let painter = ui.painter().with_clip_rect(plot);
    let length_s = time::length_s(span);
    let place =
        |time_s: f64| plot.left() + ((time_s - span.start_s) / length_s) as f32 * plot.width();
    if let Some(read_s) = state.read_s {
        let line = Stroke::new(1.0, colours.text);
        painter.vline(place(read_s), plot.y_range(), line);
    }
    let hovered = response.hover_pos().map(|at| {
        painter.vline(at.x, plot.y_range(), Stroke::new(1.0, colours.level));
        span.start_s + f64::from((at.x - plot.left()) / plot.width()) * length_s
    });
    let Some(time_s) = hovered.or(state.read_s) else {
        return Vec::new();
    };
    let Some(recorded) = scene.history.at(time_s) else {
        return Vec::new();
    };
    let text = history::values_in_words(time_s, &recorded);
    let x = place(time_s);
    if plot.x_range().contains(x) {
        let font = FontId::proportional(SMALL_PT + 1.0);
        let galley = painter.layout_no_wrap(text.join("\n"), font, colours.text);
        let (align, x) = if x > plot.center().x {
            (Align2::RIGHT_CENTER, x - 12.0)
        } else {
            (Align2::LEFT_CENTER, x + 12.0)
        };
        let rect = align.anchor_size(pos2(x, plot.center().y), galley.size());
        painter.rect_filled(rect.expand2(vec2(7.0, 4.0)), 3, colours.face);
        painter.galley(rect.min, galley, colours.text);
    }
    text
}
