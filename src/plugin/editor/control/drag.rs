//! A value dragged along its track: the thumb stays under the pointer.

use egui::{Id, Rect, Response, Ui};
use nice_plug::prelude::FloatParam;

use super::{step, thumb};
use crate::editor::changes::Setter;

/// How much slower a drag with shift held is.
pub const FINE: f32 = 0.1;

/// A drag under way, in normalised values.
#[derive(Clone, Copy, Default)]
struct Drag {
    /// Where the pointer has led the value: beyond 0…1 while it is past an end of the rail.
    normalized: f32,
    start: f32,
    sent: Option<f32>,
    /// Whether it began on the rail: then only movement across counts.
    on_rail: bool,
}

/// What a value is dragged along.
#[derive(Clone, Copy, Debug)]
pub struct Rail {
    /// Where the thumb is at either end of the range, points.
    pub ends: [f32; 2],
    /// Half the width of the thumb and a little more, points.
    pub reach: f32,
    /// What lies below here is the rail, points.
    pub top: f32,
}

impl Rail {
    /// That of the track at `rect`.
    pub fn of(rect: Rect) -> Self {
        Self {
            ends: [0.0, 1.0].map(|end| thumb::x_at(rect, end)),
            reach: thumb::SIZE.x / 2.0 + 2.0,
            top: thumb::rail(rect).top() - thumb::SIZE.y / 2.0,
        }
    }

    /// Where the thumb is at a normalized value.
    pub fn x_at(&self, normalized: f32) -> f32 {
        self.ends[0] + normalized.clamp(0.0, 1.0) * self.travel()
    }

    /// The normalized value at a place, beyond 0…1 beside the rail.
    fn normalized_at(&self, x: f32) -> f32 {
        (x - self.ends[0]) / self.travel()
    }

    fn travel(&self) -> f32 {
        (self.ends[1] - self.ends[0]).max(1.0)
    }
}

/// Follows a drag of `param` along `rail` as one gesture. True while one is under way.
///
/// Pressed on the rail away from the thumb, the thumb goes under the pointer; pressed anywhere
/// else nothing moves before the pointer does.
pub fn follow(
    ui: &Ui,
    response: &Response,
    rail: &Rail,
    setter: &Setter<'_>,
    param: &FloatParam,
) -> bool {
    let id = response.id.with("drag");
    let mut drag: Option<Drag> = ui.data(|data| data.get_temp(id));
    let (pressed, down, released, delta, modifiers, place) = ui.input(|input| {
        let pointer = &input.pointer;
        (
            pointer.primary_pressed(),
            pointer.primary_down(),
            pointer.primary_released(),
            pointer.delta(),
            input.modifiers,
            pointer.interact_pos(),
        )
    });
    let held = down && response.is_pointer_button_down_on();
    if (held || released)
        && let Some(drag) = &mut drag
    {
        // To the right and, off the rail, upwards are both more.
        let moved = delta.x - if drag.on_rail { 0.0 } else { delta.y };
        let speed = if modifiers.shift { FINE } else { 1.0 };
        drag.normalized += moved * speed / rail.travel();
        if moved != 0.0 {
            send(drag, setter, param);
        }
    }
    // Pressed anew, it has been let go where nobody told.
    if (pressed || !held)
        && let Some(ended) = drag.take()
    {
        end(ended, setter, param);
        ui.data_mut(|data| data.remove_temp::<Drag>(id));
    }
    if held && pressed && !modifiers.command {
        let start = setter.value(param);
        let on_rail = place.is_some_and(|at| at.y >= rail.top);
        let mut begun = Drag {
            normalized: start,
            start,
            sent: None,
            on_rail,
        };
        let mut jumped = false;
        if let Some(at) = place.filter(|_| on_rail)
            && (at.x - rail.x_at(start)).abs() > rail.reach
        {
            begun.normalized = rail.normalized_at(at.x);
            send(&mut begun, setter, param);
            jumped = true;
        }
        let [_, last] = presses(ui, response);
        ui.data_mut(|data| data.insert_temp(presses_id(response), [last, jumped]));
        drag = Some(begun);
    }
    if let Some(drag) = drag {
        ui.data_mut(|data| data.insert_temp(id, drag));
    }
    drag.is_some_and(|drag| drag.sent.is_some())
}

/// Has a drag under way, if any, go on from where something else in the window has just moved its
/// value, both normalised.
pub fn go_on(ui: &Ui, response: &Response, [before, after]: [f32; 2]) {
    let id = response.id.with("drag");
    let drag: Option<Drag> = ui.data(|data| data.get_temp(id));
    if let Some(mut drag) = drag.filter(|_| after.to_bits() != before.to_bits()) {
        drag.normalized += after - before;
        *drag.sent.as_mut().unwrap_or(&mut drag.start) = after;
        ui.data_mut(|data| data.insert_temp(id, drag));
    }
}

/// Whether either of the last two presses put the thumb under the pointer: two such clicks set a
/// value, and are no double click that resets it.
pub fn has_jumped(ui: &Ui, response: &Response) -> bool {
    presses(ui, response).contains(&true)
}

/// The same of each, the last one last.
fn presses(ui: &Ui, response: &Response) -> [bool; 2] {
    ui.data(|data| data.get_temp(presses_id(response)))
        .unwrap_or_default()
}

fn presses_id(response: &Response) -> Id {
    response.id.with("presses")
}

fn end(drag: Drag, setter: &Setter<'_>, param: &FloatParam) {
    if drag.sent.is_some() {
        setter.end_set_parameter(param);
    }
}

fn send(drag: &mut Drag, setter: &Setter<'_>, param: &FloatParam) {
    let wanted = step::rounded(param, drag.normalized.clamp(0.0, 1.0));
    if (wanted - drag.sent.unwrap_or(drag.start)).abs() <= f32::EPSILON {
        return;
    }
    if drag.sent.is_none() {
        setter.begin_set_parameter(param);
    }
    setter.set_parameter_normalized(param, wanted);
    drag.sent = Some(wanted);
}
