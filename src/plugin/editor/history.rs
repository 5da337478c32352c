//! The history strip: loudness, microdynamics, what was outside the target, and reduction over
//! time.

mod lanes;
mod legend;
mod picture;
mod read_out;
mod strip;

use egui::{
    Align2, Button, EventFilter, Key, Popup, Rect, Response, RichText, Role, Sense, Stroke, Ui,
    Vec2, WidgetInfo, pos2, vec2,
};

use self::lanes::Lanes;
use self::legend::{legend, width};
pub use self::picture::Picture;
use self::strip::{Strip, Subject};
use super::scene::{self, Scene, label};
use super::theme::LABEL_PT;
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
/// Height of the line above the strip, points.
const HEAD: f32 = 24.0;
/// A click so near the moment that is read means that one, points.
const NEAR: f32 = 6.0;

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
        ceiling_dbtp: history::ceiling(scene.params, scene.session.target()),
    }
}

/// Draws the strip.
pub fn show(ui: &mut Ui, rect: Rect, scene: &Scene<'_>, state: &mut State) -> Shown {
    let area = scene::panel(ui, rect).expand2(vec2(0.0, 5.0));
    let lanes = Lanes::of(area.with_min_y(area.top() + HEAD));
    let plot = lanes.whole;
    let recorded_s = scene.history.length_s();
    state.window.follow(recorded_s);
    state.read_s = state.read_s.filter(|read_s| *read_s <= recorded_s);
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
    let subject = subject(scene);
    state
        .strip
        .paint(ui.painter(), &lanes, span, subject, colours);
    let legend = width(ui.painter(), &subject, colours);
    let (free, action) = head(ui, area, state, span, legend);
    let text = read(ui, &response, rect, free, scene, state, span);
    control::focus_ring(ui, plot.expand(3.0), &response);
    response.widget_info(|| {
        let name = format!("History, {}", history::span_in_words(span));
        WidgetInfo::labeled(Role::Image, true, name)
    });
    if !text.is_empty() {
        ui.ctx()
            .accesskit_node_builder(response.id, |node| node.set_value(text.join("; ")));
    }
    if response.dragged() {
        ui.set_cursor_icon(egui::CursorIcon::Grabbing);
    }
    if !response.is_pointer_button_down_on() && state.read_s.is_none() {
        keyboard_tip(response);
    }
    Shown { moving, action }
}

/// For the keyboard alone: under the pointer stand the values.
fn keyboard_tip(response: Response) {
    if !response.contains_pointer() {
        control::tip(
            response,
            "Up and down magnify, left and right move, enter reads the newest moment, shift with left and right goes along, home shows all.",
        );
    }
}

/// Wheel and keys magnify, drag and keys move, a click or enter keeps a moment's values in sight, a
/// click there once more puts them away, a double click shows everything.
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
        let newest_s = span.end_s.min(recorded_s);
        let place = response.interact_pointer_pos();
        let clicked_s = place.map_or(newest_s, |place| at(place.x).min(newest_s));
        let near_s = f64::from(NEAR / plot.width()) * time::length_s(span);
        let again = |read_s: f64| place.is_some() && (read_s - clicked_s).abs() <= near_s;
        state.read_s = Some(clicked_s).filter(|_| !state.read_s.is_some_and(again));
    }
    if control::led_to(response).is_some() {
        let delta = ui.input(|input| input.pointer.delta());
        let share = -f64::from(delta.x / plot.width());
        state.window.pan(share, recorded_s);
    }
    if let Some(place) = response.hover_pos() {
        let Vec2 {
            x: across,
            y: lines,
        } = control::scrolled_lines(ui);
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

/// Name and buttons. Returns the room between them, and what was asked for; `legend` is how wide
/// what is written into it would be.
fn head(
    ui: &mut Ui,
    area: Rect,
    state: &mut State,
    span: Span,
    legend: f32,
) -> (Rect, Option<Action>) {
    let colours = scene::colours(ui);
    let line = area.with_max_y(area.top() + HEAD - 4.0);
    let y = line.center().y;
    let at = pos2(area.left(), y);
    let name = label(
        ui.painter(),
        at,
        Align2::LEFT_CENTER,
        "history",
        colours.label,
    );
    let font = control::font(ui.ctx(), LABEL_PT);
    let button = |ui: &mut Ui, right: f32, width: f32, name: &str, tip: &str| {
        let rect = Rect::from_min_size(pos2(right - width, y - 10.0), vec2(width, 20.0));
        let text = RichText::new(name).font(font.clone());
        let button = Button::new(text)
            .small()
            .wrap_mode(egui::TextWrapMode::Extend);
        let response = ui.put(rect, button);
        (rect.left() - 8.0, control::tip(response, tip))
    };
    let tip = "Writes what is shown into the Crestline folder of your documents.";
    let (mut right, export) = button(ui, area.right(), 76.0, "export ▾", tip);
    let mut action = None;
    Popup::menu(&export).show(|ui| {
        let table = ui.button("save CSV");
        if control::tip(table, "Writes what is shown as a table.").clicked() {
            action = Some(Action::SaveTable(span));
        }
        let picture = ui.button("save PNG");
        if control::tip(picture, "Writes a picture of what is shown.").clicked() {
            action = Some(Action::SavePicture(span));
        }
    });
    let whole = state.window.is_whole();
    if !whole {
        let tip = "Shows everything that has been measured.";
        let (left, all) = button(ui, right, 44.0, "all", tip);
        right = left;
        if all.clicked() {
            state.window.whole();
        }
    }
    let words = if whole {
        "wheel magnifies".into()
    } else {
        history::span_in_words(span)
    };
    let at = pos2(right, y);
    let room = line.with_min_x(name.right() + 18.0);
    // How to magnify gives way to what is shown; what is magnified does not.
    let beside = right - room.left() - scene::wide(ui.painter(), &words, LABEL_PT) - 14.0;
    if room.width() > 400.0 && (!whole || beside > legend) {
        right = label(ui.painter(), at, Align2::RIGHT_CENTER, words, colours.label).left() - 14.0;
    }
    (room.with_max_x(right), action)
}

/// Writes the legend, or in its place the values under the pointer or of the moment that was
/// clicked. Returns what was told.
fn read(
    ui: &Ui,
    response: &Response,
    panel: Rect,
    free: Rect,
    scene: &Scene<'_>,
    state: &State,
    span: Span,
) -> Vec<String> {
    let colours = scene::colours(ui);
    let plot = response.rect;
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
    let told = hovered
        .or(state.read_s)
        .and_then(|time_s| Some((time_s, scene.history.at(time_s)?)));
    let at = pos2(free.left(), free.center().y);
    let Some((time_s, recorded)) = told else {
        legend(ui.painter(), at, free.right(), &subject(scene), colours);
        return Vec::new();
    };
    read_out::line(ui.painter(), at, free.right(), time_s, &recorded, colours);
    let text = history::values_in_words(time_s, &recorded);
    if state.read_s.is_some() && plot.x_range().contains(place(time_s)) {
        read_out::all(ui, panel, place(time_s), &text, colours);
    }
    text
}
