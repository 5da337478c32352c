//! A track as wide as what it is set against: the thumb lies under the pointer.

use egui::{CursorIcon, Rect, Response, Sense, Ui};
use nice_plug::prelude::{FloatParam, Param, ParamSetter};

use super::{Drag, FINE, describe, keys, paint, requests, set, step, typing, wheel_steps};

/// Half the width of the thumb, points: a press this near takes hold of it where it is.
pub const THUMB: f32 = 9.0;

/// Where a ruler lies.
#[derive(Clone, Copy, Debug)]
pub struct Ruler {
    /// What can be pressed.
    pub area: Rect,
    /// Both ends of the range, left and right, points.
    pub ends: [f32; 2],
    /// Where the value stands, and is typed.
    pub value: Rect,
}

impl Ruler {
    /// Where a normalized value lies.
    pub fn x(&self, normalized: f32) -> f32 {
        let [left, right] = self.ends;
        left + normalized.clamp(0.0, 1.0) * (right - left)
    }

    fn normalized(&self, x: f32) -> f32 {
        let [left, right] = self.ends;
        ((x - left) / (right - left)).clamp(0.0, 1.0)
    }
}

/// Lets `param` be set along `ruler`. Draws nothing but a field while a value is typed: true with
/// the response then.
pub fn ruler(
    ui: &mut Ui,
    ruler: &Ruler,
    setter: &ParamSetter<'_>,
    param: &FloatParam,
    tip: &str,
) -> (Response, bool) {
    let id = ui.scope_id().with(param.name());
    let response = ui.interact(ruler.area, id, Sense::click_and_drag());
    let value = ui.interact(ruler.value, id.with("value"), Sense::CLICK);
    let now = param.unmodulated_normalized_value();
    dragged(ui, &response, ruler, setter, param);
    if let Some(steps) = wheel_steps(ui, &response) {
        set(setter, param, step::moved(param, now, steps));
    }
    if response.has_focus() {
        keys(ui, &response, setter, param);
    }
    requests(ui, id, setter, param);
    let command = ui.input(|input| input.modifiers.command);
    if response.double_clicked() || value.double_clicked() || response.clicked() && command {
        set(setter, param, param.default_normalized_value());
    } else if value.clicked() {
        typing::open(ui, id, &paint::written(param));
    } else if response.clicked()
        && let Some(at) = response.interact_pointer_pos()
        && (at.x - ruler.x(now)).abs() > THUMB
    {
        set(setter, param, step::rounded(param, ruler.normalized(at.x)));
    }
    let typing = typing::is_open(ui, id);
    if typing && let Some(text) = typing::show(ui, id, ruler.value, param.name()) {
        if let Some(normalized) = param.string_to_normalized_value(&text) {
            set(setter, param, normalized.clamp(0.0, 1.0));
        }
        response.request_focus();
    }
    describe(ui, &response, param);
    let response = response.on_hover_cursor(CursorIcon::ResizeHorizontal);
    if response.dragged() || typing {
        return (response, typing);
    }
    (response.on_hover_text_at_pointer(tip), typing)
}

fn dragged(
    ui: &Ui,
    response: &Response,
    ruler: &Ruler,
    setter: &ParamSetter<'_>,
    param: &FloatParam,
) {
    let id = response.id.with("drag");
    if response.drag_started() {
        setter.begin_set_parameter(param);
        let now = param.unmodulated_normalized_value();
        let pressed = ui.input(|input| input.pointer.press_origin());
        // Beside the thumb the press brings it under the pointer; on it, it stays as it is held.
        let normalized = pressed
            .filter(|at| (at.x - ruler.x(now)).abs() > THUMB)
            .map_or(now, |at| ruler.normalized(at.x));
        // A drag begins only some points after the press; they count as well.
        let lost = pressed
            .zip(response.interact_pointer_pos())
            .map_or(0.0, |(pressed, at)| {
                at.x - response.drag_delta().x - pressed.x
            });
        let [left, right] = ruler.ends;
        let start = Drag {
            normalized: normalized + lost / (right - left),
            sent: Some(now),
        };
        ui.data_mut(|data| data.insert_temp(id, start));
    }
    if response.dragged() {
        let mut drag: Drag = ui.data(|data| data.get_temp(id)).unwrap_or_default();
        let fine = ui.input(|input| input.modifiers.shift);
        let [left, right] = ruler.ends;
        let moved = response.drag_delta().x / (right - left);
        drag.normalized += moved * if fine { FINE } else { 1.0 };
        drag.normalized = drag.normalized.clamp(0.0, 1.0);
        let wanted = step::rounded(param, drag.normalized);
        if drag.sent != Some(wanted) {
            setter.set_parameter_normalized(param, wanted);
            drag.sent = Some(wanted);
        }
        ui.data_mut(|data| data.insert_temp(id, drag));
    }
    if response.drag_stopped() {
        setter.end_set_parameter(param);
    }
}
