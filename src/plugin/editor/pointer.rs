//! Where the pointer leads what it has taken hold of, to the very place where it lets go.
//!
//! What moves and lets go within one frame is let go without having been seen to move: on a slow
//! screen or after a fast hand the last of a drag would be lost.

use egui::{Event, PointerButton, Pos2, Response, Ui, Vec2};

/// Where the main button was first let go in this frame, if it was.
fn let_go_at(ui: &Ui) -> Option<Pos2> {
    let released = |event: &Event| match event {
        Event::PointerButton {
            pos,
            button: PointerButton::Primary,
            pressed: false,
            ..
        } => Some(*pos),
        _ => None,
    };
    ui.input(|input| input.events.iter().find_map(released))
}

/// By how much the pointer has moved in this frame, up to where it let go.
pub fn moved(ui: &Ui) -> Vec2 {
    let (delta, now) = ui.input(|input| (input.pointer.delta(), input.pointer.latest_pos()));
    match (let_go_at(ui), now) {
        (Some(end), Some(now)) => end - (now - delta),
        _ => delta,
    }
}

/// Where the pointer has led what is dragged, in the frame that lets go of it as well.
pub fn led_to(ui: &Ui, response: &Response) -> Option<Pos2> {
    if response.drag_stopped() {
        let_go_at(ui)
    } else {
        let place = response.interact_pointer_pos();
        place.filter(|_| response.dragged())
    }
}
