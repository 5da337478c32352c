//! A track as wide as what it is set against: the thumb lies under the pointer.

use egui::{CursorIcon, Rect, Response, Sense, Ui};
use nice_plug::prelude::{FloatParam, Param};

use super::drag::{self, Rail};
use super::{clicks, describe, menu, steps, tip, typed, typing};
use crate::editor::changes::Setter;

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
        self.rail().x_at(normalized)
    }

    fn rail(&self) -> Rail {
        Rail {
            ends: self.ends,
            reach: THUMB,
            top: self.area.top(),
        }
    }
}

/// Lets `param` be set along `ruler`. Draws nothing but a field while a value is typed: true with
/// the response then.
pub fn ruler(
    ui: &mut Ui,
    ruler: &Ruler,
    setter: &Setter<'_>,
    param: &FloatParam,
    words: &str,
) -> (Response, bool) {
    let id = ui.scope_id().with(param.name());
    let response = ui.interact(ruler.area, id, Sense::click_and_drag());
    let value = ui.interact(ruler.value, id.with("value"), Sense::CLICK);
    let dragged = drag::follow(ui, &response, &ruler.rail(), setter, param);
    steps(ui, &response, setter, param);
    clicks(
        ui,
        &response,
        id,
        [ruler.area, Rect::NOTHING],
        setter,
        param,
    );
    clicks(ui, &value, id, [ruler.value; 2], setter, param);
    menu::show(&response, id, setter, param);
    let typing = typing::is_open(ui, id);
    let refused = typed(ui, &response, id, ruler.value, setter, param);
    describe(ui, &response, param);
    value.on_hover_cursor(CursorIcon::Text);
    let response = response.on_hover_cursor(CursorIcon::ResizeHorizontal);
    if dragged || typing || refused {
        return (response, typing);
    }
    (tip(response, words), typing)
}
