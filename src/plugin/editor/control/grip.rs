//! A handle on a picture: what is dragged is the value itself.

use egui::{
    Align2, Color32, CursorIcon, Painter, Pos2, Rect, Response, Role, Sense, Stroke, Ui,
    WidgetInfo, vec2,
};
use nice_plug::prelude::{FloatParam, Param};

use super::drag::FINE;
use super::{font, set, step};
use crate::editor::changes::Setter;
use crate::editor::theme::{Colours, LABEL_PT};

/// Points that the pointer has to go along an axis before the value follows: a drag upwards does
/// not also change what lies across.
const LEAST_TRAVEL: f32 = 3.0;
/// Radius of a handle, points.
pub const RADIUS: f32 = 5.5;

/// One direction of a handle.
#[derive(Clone, Copy)]
pub struct Way<'a> {
    /// What changes along it.
    pub param: &'a FloatParam,
    /// The plain value at a place, points from the window's left or top edge.
    pub plain_at: &'a dyn Fn(f32) -> f64,
}

impl Way<'_> {
    fn normalised_at(&self, at: f32) -> f32 {
        self.param.preview_normalized((self.plain_at)(at) as f32)
    }
}

/// A handle. The keyboard reaches the same values by their tracks.
#[derive(Clone, Copy)]
pub struct Grip<'a> {
    /// What it is called.
    pub name: &'a str,
    /// Where it is.
    pub at: Pos2,
    /// What can be pressed.
    pub area: Rect,
    /// To the right and to the left.
    pub across: Option<Way<'a>>,
    /// Upwards and downwards.
    pub upright: Option<Way<'a>>,
    /// The values with their units.
    pub read_out: &'a str,
}

/// A drag under way: the place that the handle has been brought to, how far the pointer went, the
/// values where it was taken hold of, those of the place and those that are set, normalised, and what
/// the host was last told.
///
/// A handle stands where the value is with the host's modulation, and with what the host has yet to
/// bring: what is set is the value without.
#[derive(Clone, Copy, Default)]
struct Held {
    at: [f32; 2],
    travel: [f32; 2],
    taken: [[f32; 2]; 2],
    sent: [Option<f32>; 2],
}

impl Grip<'_> {
    /// Follows the pointer: each value that changes is one gesture. A double click resets.
    pub fn show(&self, ui: &Ui, setter: &Setter<'_>) -> Response {
        let id = ui.scope_id().with(("grip", self.name));
        let response = ui
            .interact(self.area, id, Sense::CLICK | Sense::DRAG)
            .on_hover_cursor(self.cursor());
        let ways = [self.across, self.upright];
        self.drag(ui, &response, setter, ways);
        if response.double_clicked() {
            reset(setter, ways);
        }
        response.context_menu(|ui| {
            if ui.button("reset").clicked() {
                reset(setter, ways);
                ui.close();
            }
        });
        response.widget_info(|| WidgetInfo::labeled(Role::Slider, true, self.name));
        ui.ctx()
            .accesskit_node_builder(response.id, |node| node.set_value(self.read_out));
        response
    }

    fn cursor(&self) -> CursorIcon {
        match (self.across, self.upright) {
            (Some(_), Some(_)) => CursorIcon::Move,
            (None, _) => CursorIcon::ResizeVertical,
            _ => CursorIcon::ResizeHorizontal,
        }
    }

    fn drag(&self, ui: &Ui, response: &Response, setter: &Setter<'_>, ways: [Option<Way<'_>>; 2]) {
        let id = response.id.with("held");
        let mut held: Option<Held> = ui.data(|data| data.get_temp(id));
        let (pressed, down, released, delta, fine) = ui.input(|input| {
            let pointer = &input.pointer;
            (
                pointer.primary_pressed(),
                pointer.primary_down(),
                pointer.primary_released(),
                pointer.delta(),
                input.modifiers.shift,
            )
        });
        let down = down && response.is_pointer_button_down_on();
        if (down || released)
            && let Some(held) = &mut held
        {
            let delta: [f32; 2] = delta.into();
            let speed = if fine { FINE } else { 1.0 };
            for (axis, way) in ways.into_iter().enumerate() {
                held.at[axis] += delta[axis] * speed;
                held.travel[axis] += delta[axis].abs();
                if let Some(way) = way
                    && delta[axis] != 0.0
                    && held.travel[axis] > LEAST_TRAVEL
                {
                    let place = way.normalised_at(held.at[axis]);
                    let wanted = set_for(place, held.taken[axis]);
                    send(setter, way, wanted, &mut held.sent[axis]);
                }
            }
        }
        // Pressed anew, it has been let go where nobody told.
        if (pressed || !down)
            && let Some(ended) = held.take()
        {
            end(setter, ways, &ended);
            ui.data_mut(|data| data.remove_temp::<Held>(id));
        }
        if down && pressed {
            let at: [f32; 2] = self.at.into();
            let taken = |axis: usize| {
                ways[axis].map_or([0.0; 2], |way| {
                    [way.normalised_at(at[axis]), setter.value(way.param)]
                })
            };
            held = Some(Held {
                at,
                travel: [0.0; 2],
                taken: [taken(0), taken(1)],
                sent: [None; 2],
            });
        }
        if let Some(held) = held {
            ui.data_mut(|data| data.insert_temp(id, held));
        }
    }
}

/// What is set where a handle is at `place`, that was taken hold of at `from` where `set` was: both
/// ends of the range are at the ends of the way. All normalised.
fn set_for(place: f32, [from, set]: [f32; 2]) -> f32 {
    let left = if place < from {
        place / from
    } else if from < 1.0 {
        (1.0 - place) / (1.0 - from)
    } else {
        1.0
    };
    (place + (set - from) * left).clamp(0.0, 1.0)
}

fn end(setter: &Setter<'_>, ways: [Option<Way<'_>>; 2], held: &Held) {
    for (way, sent) in ways.into_iter().zip(held.sent) {
        if let (Some(way), Some(_)) = (way, sent) {
            setter.end_set_parameter(way.param);
        }
    }
}

fn send(setter: &Setter<'_>, way: Way<'_>, wanted: f32, sent: &mut Option<f32>) {
    let wanted = step::rounded(way.param, wanted);
    let before = sent.unwrap_or_else(|| setter.value(way.param));
    if (wanted - before).abs() <= f32::EPSILON {
        return;
    }
    if sent.is_none() {
        setter.begin_set_parameter(way.param);
    }
    setter.set_parameter_normalized(way.param, wanted);
    *sent = Some(wanted);
}

fn reset(setter: &Setter<'_>, ways: [Option<Way<'_>>; 2]) {
    for way in ways.into_iter().flatten() {
        set(setter, way.param, way.param.default_normalized_value());
    }
}

/// Whether the handle is in use, so that its values are to be told.
pub fn in_use(response: &Response) -> bool {
    response.hovered() || response.is_pointer_button_down_on()
}

/// Paints a round handle.
pub fn disc(painter: &Painter, at: Pos2, response: &Response, colour: Color32, colours: &Colours) {
    let radius = if in_use(response) {
        RADIUS + 1.5
    } else {
        RADIUS
    };
    painter.circle(at, radius, colour, Stroke::new(1.5, colours.well));
}

/// Writes what a handle's values are, beside it and within `bounds`.
pub fn tell(painter: &Painter, bounds: Rect, at: Pos2, text: &str, colours: &Colours) {
    tell_at(
        painter,
        bounds,
        at,
        (Align2::LEFT_BOTTOM, -8.0),
        text,
        colours,
    );
}

/// The same below it, where what it stands on goes up to the right.
pub fn tell_below(painter: &Painter, bounds: Rect, at: Pos2, text: &str, colours: &Colours) {
    tell_at(painter, bounds, at, (Align2::LEFT_TOP, 8.0), text, colours);
}

fn tell_at(
    painter: &Painter,
    bounds: Rect,
    at: Pos2,
    (align, down): (Align2, f32),
    text: &str,
    colours: &Colours,
) {
    let font = font(painter.ctx(), LABEL_PT);
    let galley = painter.layout_no_wrap(text.to_owned(), font, colours.text);
    let beside = align.anchor_size(at + vec2(10.0, down), galley.size());
    let ground = beside.expand2(vec2(5.0, 2.0));
    let room = bounds.shrink(1.0);
    let within = |low: f32, high: f32, from: f32, to: f32| (to - high).min(0.0).max(from - low);
    let moved = ground.translate(vec2(
        within(ground.left(), ground.right(), room.left(), room.right()),
        within(ground.top(), ground.bottom(), room.top(), room.bottom()),
    ));
    painter.rect_filled(moved, 3, colours.face);
    painter.galley(moved.min + vec2(5.0, 2.0), galley, colours.text);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_handle_reaches_both_ends_wherever_it_was_taken_hold_of() {
        for taken in [[0.4, 0.4], [0.4, 0.7], [0.7, 0.2], [0.0, 0.3], [1.0, 0.6]] {
            let [from, set] = taken;
            assert!((set_for(from, taken) - set).abs() < 1e-6, "{taken:?}");
            if from > 0.0 {
                assert!(set_for(0.0, taken).abs() < 1e-6, "{taken:?}");
            }
            if from < 1.0 {
                assert!((set_for(1.0, taken) - 1.0).abs() < 1e-6, "{taken:?}");
            }
        }
    }
}
