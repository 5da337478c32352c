//! Controls that speak to the host: a value track, a switch, a choice.
//!
//! A change is reported as a host expects it, begun, made and ended, so that it is recorded and
//! undone as one. A control draws what the parameter says, never a copy of its own.

mod drag;
pub mod grip;
mod menu;
mod paint;
mod ruler;
mod step;
mod thumb;
mod tip;
mod typing;

use egui::accesskit::{Action, ActionData};
use egui::{
    CursorIcon, Event, EventFilter, Id, Key, MouseWheelUnit, PointerButton, Pos2, Rect, Response,
    Role, Sense, Ui, Vec2, WidgetInfo,
};
use nice_plug::prelude::{BoolParam, FloatParam, Param};

pub use self::paint::{Look, focus_ring, written};
pub use self::ruler::{Ruler, THUMB, ruler};
use self::step::Step;
pub use self::tip::tip;
use self::typing::By;
pub use self::typing::is_any_open as is_typing;
use super::changes::Setter;
use super::layout;
pub use super::theme::font;
use crate::params::units;

/// A line of the wheel, for wheels that count points.
const WHEEL_LINE_POINTS: f32 = 40.0;

/// A value track: name, value and a thin rail. The thumb stays under the pointer that drags it,
/// with shift held it goes slowly; wheel and arrow keys step; a double click (but on the rail
/// beside the thumb), a click with ctrl or cmd, or backspace resets; a click on the value, enter or
/// a digit lets a value be typed; a secondary click offers all that.
pub fn track(
    ui: &mut Ui,
    rect: Rect,
    setter: &Setter<'_>,
    param: &FloatParam,
    look: Look<'_>,
) -> Response {
    let id = ui.scope_id().with(param.name());
    let response = ui.interact(rect, id, Sense::click_and_drag());
    let rail = drag::Rail::of(rect);
    let dragged = drag::follow(ui, &response, &rail, setter, param);
    steps(ui, &response, setter, param);
    let value = paint::value_area(rect, &look);
    clicks(ui, &response, id, [rect, value], setter, param);
    menu::show(&response, id, setter, param);
    let typing = typing::is_open(ui, id);
    paint::track(ui, rect, param, &look, &response, typing);
    let refused = typed(ui, &response, id, value, setter, param);
    describe(ui, &response, param);
    if dragged || response.dragged() || typing || refused {
        return response;
    }
    let over_value = response.hover_pos().is_some_and(|at| value.contains(at));
    let response = response.on_hover_cursor(if over_value {
        CursorIcon::Text
    } else {
        CursorIcon::ResizeHorizontal
    });
    tip(response, look.tip)
}

/// What wheel, keys and screen readers ask for. A drag under way goes on from there.
fn steps(ui: &Ui, response: &Response, setter: &Setter<'_>, param: &FloatParam) {
    let before = setter.value(param);
    if let Some(steps) = wheel_steps(ui, response) {
        set(setter, param, step::moved(param, before, steps));
    }
    if response.has_focus() {
        keys(ui, response, setter, param);
    }
    requests(ui, response.id, setter, param);
    drag::go_on(ui, response, [before, setter.value(param)]);
}

/// Takes what has been typed into the field at `area`, if it is open. True while a tip says why the
/// last text was refused.
fn typed(
    ui: &mut Ui,
    response: &Response,
    id: Id,
    area: Rect,
    setter: &Setter<'_>,
    param: &FloatParam,
) -> bool {
    if let Some(text) = typing::show(ui, id, area, param.name()) {
        match units::read(param, &text) {
            Ok(normalized) => set(setter, param, normalized),
            Err(_) if text.trim().is_empty() => {}
            Err(refused) => typing::refuse(ui, id, refused.to_string()),
        }
    }
    let refused = typing::refused(ui, id);
    if let Some(words) = &refused {
        response.show_tooltip_text(words);
    }
    refused.is_some()
}

/// A click on the value opens it for typing, and a second one soon after takes that back and
/// resets; so does a double click anywhere else.
fn clicks(
    ui: &Ui,
    response: &Response,
    id: Id,
    [rect, value]: [Rect; 2],
    setter: &Setter<'_>,
    param: &FloatParam,
) {
    let (command, place, twice) = ui.input(|input| {
        (
            input.modifiers.command,
            input.pointer.interact_pos(),
            input.pointer.button_double_clicked(PointerButton::Primary),
        )
    });
    let reset = || set(setter, param, param.default_normalized_value());
    // The field has come under the pointer meanwhile, so the second click is not the track's.
    if twice && place.is_some_and(|at| rect.contains(at)) && typing::was_just_opened(ui, id) {
        typing::close(ui, id);
        reset();
    } else if response.clicked() && command
        || response.double_clicked() && !drag::has_jumped(ui, response)
    {
        reset();
    } else if response.clicked()
        && response
            .interact_pointer_pos()
            .is_some_and(|at| value.contains(at))
    {
        typing::open(ui, id, &written(param), By::Click);
    }
}

/// Where the pointer has led what is dragged, in the frame that lets go of it as well: on a slow
/// screen or after a fast hand the last of a drag comes with its end.
pub fn led_to(response: &Response) -> Option<Pos2> {
    let place = response.interact_pointer_pos();
    place.filter(|_| response.dragged() || response.drag_stopped())
}

/// Reports one change as a whole gesture, unless it is none.
pub fn set<P: Param>(setter: &Setter<'_>, param: &P, normalized: f32) {
    if (normalized - setter.value(param)).abs() > f32::EPSILON {
        setter.begin_set_parameter(param);
        setter.set_parameter_normalized(param, normalized);
        setter.end_set_parameter(param);
    }
}

/// Lines that a wheel has been turned by in this frame, across and upwards.
pub fn wheel_lines(ui: &Ui) -> Vec2 {
    turned(ui, |unit| unit != MouseWheelUnit::Point)
}

/// The same, with what a touchpad scrolls.
pub fn scrolled_lines(ui: &Ui) -> Vec2 {
    let points = turned(ui, |unit| unit == MouseWheelUnit::Point);
    wheel_lines(ui) + points / WHEEL_LINE_POINTS
}

fn turned(ui: &Ui, counts: impl Fn(MouseWheelUnit) -> bool) -> Vec2 {
    ui.input(|input| {
        let turns = input.events.iter().filter_map(|event| match event {
            Event::MouseWheel { unit, delta, .. } if counts(*unit) => Some(*delta),
            _ => None,
        });
        turns.fold(Vec2::ZERO, |sum, turned| sum + turned)
    })
}

/// Whole steps that the wheel has been turned over the control. What scrolls by points turns none: on
/// macOS a touchpad does, and goes on once the fingers have left it: so would push. Elsewhere it
/// cannot be told from a wheel.
fn wheel_steps(ui: &Ui, response: &Response) -> Option<Step> {
    // In a window that is scrolled the wheel scrolls.
    let scrolled = layout::is_scrolled(ui.ctx().content_rect());
    if scrolled || !response.contains_pointer() || response.dragged() {
        return None;
    }
    let Vec2 { x, y } = wheel_lines(ui);
    // With shift held some systems turn the wheel sideways.
    let (lines, fine) = (x + y, ui.input(|input| input.modifiers.shift));
    if lines == 0.0 {
        return None;
    }
    let id: Id = response.id.with("wheel");
    let turned = lines + ui.data(|data| data.get_temp::<f32>(id)).unwrap_or(0.0);
    ui.data_mut(|data| data.insert_temp(id, turned.fract()));
    (turned.trunc() != 0.0).then_some(Step {
        count: turned.trunc(),
        fine,
    })
}

fn keys(ui: &Ui, response: &Response, setter: &Setter<'_>, param: &FloatParam) {
    let arrows = EventFilter {
        horizontal_arrows: true,
        vertical_arrows: true,
        ..EventFilter::default()
    };
    ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, arrows));
    let (steps, fine, reset, typed, copied) = ui.input(|input| {
        let presses =
            |keys: [Key; 2]| keys.map(|key| input.num_presses(key)).iter().sum::<usize>() as f32;
        let steps =
            presses([Key::ArrowRight, Key::ArrowUp]) - presses([Key::ArrowLeft, Key::ArrowDown]);
        let reset = presses([Key::Backspace, Key::Delete]) > 0.0;
        let begins =
            |text: &str| text.starts_with(|c: char| c.is_ascii_digit() || "-−.+".contains(c));
        let typed = input
            .events
            .iter()
            .any(|event| matches!(event, Event::Text(text) if begins(text)));
        let copied = input.events.contains(&Event::Copy);
        (steps, input.modifiers.shift, reset, typed, copied)
    });
    if copied {
        ui.copy_text(written(param));
    }
    if reset {
        set(setter, param, param.default_normalized_value());
    } else if steps != 0.0 {
        let now = setter.value(param);
        set(
            setter,
            param,
            step::moved(param, now, Step { count: steps, fine }),
        );
    } else if typed {
        // The field is shown in this very frame, and takes the letter itself.
        typing::open(ui, response.id, "", By::Key);
    } else if ui.input(|input| input.key_pressed(Key::Enter)) {
        typing::open(ui, response.id, &written(param), By::Key);
    }
}

/// What a screen reader asks for.
fn requests(ui: &Ui, id: Id, setter: &Setter<'_>, param: &FloatParam) {
    let (steps, value) = ui.input(|input| {
        let count = |action| input.num_accesskit_action_requests(id, action) as f32;
        let value = input
            .accesskit_action_requests(id, Action::SetValue)
            .filter_map(|request| match request.data {
                Some(ActionData::NumericValue(value)) => Some(value),
                _ => None,
            });
        (
            count(Action::Increment) - count(Action::Decrement),
            value.last(),
        )
    });
    if let Some(value) = value {
        set(setter, param, param.preview_normalized(value as f32));
    } else if steps != 0.0 {
        let now = setter.value(param);
        set(
            setter,
            param,
            step::moved(
                param,
                now,
                Step {
                    count: steps,
                    fine: false,
                },
            ),
        );
    }
}

fn describe(ui: &Ui, response: &Response, param: &FloatParam) {
    let value = f64::from(param.unmodulated_plain_value());
    response.widget_info(|| WidgetInfo::slider(ui.is_enabled(), value, param.name()));
    ui.ctx().accesskit_node_builder(response.id, |node| {
        node.set_min_numeric_value(param.preview_plain(0.0).into());
        node.set_max_numeric_value(param.preview_plain(1.0).into());
        node.set_value(written(param));
        for action in [Action::SetValue, Action::Increment, Action::Decrement] {
            node.add_action(action);
        }
    });
}

/// A switch: a square, filled while on, and its name.
pub fn switch(
    ui: &mut Ui,
    rect: Rect,
    setter: &Setter<'_>,
    param: &BoolParam,
    look: Look<'_>,
) -> Response {
    let response = ui.interact(rect, ui.scope_id().with(param.name()), Sense::click());
    if response.clicked() {
        set(
            setter,
            param,
            if setter.value(param) > 0.5 { 0.0 } else { 1.0 },
        );
    }
    let on = param.modulated_plain_value();
    paint::switch(ui, rect, on, &look, &response);
    response
        .widget_info(|| WidgetInfo::selected(Role::CheckBox, ui.is_enabled(), on, param.name()));
    tip(response.on_hover_cursor(CursorIcon::PointingHand), look.tip)
}
