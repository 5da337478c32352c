//! The corner by which the window is resized, for hosts that offer no edge of their own.

use egui::{
    EventFilter, Id, Key, Rect, Response, Role, Sense, Stroke, Ui, Vec2, WidgetInfo, pos2, vec2,
};

use super::resizing::Resizing;
use super::{control, scene};
use crestline_core::session::{MAX_EDITOR_SIZE, MIN_EDITOR_SIZE};

/// Side of the corner, points.
const SIDE: f32 = 14.0;
/// What an arrow key adds or takes, points.
const STEP: f32 = 20.0;

/// Draws the corner; a drag asks the host for another size. Where the host refuses there is none.
pub fn show(ui: &Ui, resizing: &Resizing) {
    if !resizing.is_possible() {
        return;
    }
    let window = ui.ctx().content_rect();
    let corner = Rect::from_min_size(window.max - Vec2::splat(SIDE), Vec2::splat(SIDE));
    let id = Id::unique("window corner");
    let response = ui.interact(corner, id, Sense::drag());
    if response.drag_started()
        && let Some(taken) = ui.input(|input| input.pointer.press_origin())
    {
        ui.data_mut(|data| data.insert_temp(id, window.max - taken));
    }
    if let (Some(beside), Some(pointer)) = (
        ui.data(|data| data.get_temp::<Vec2>(id)),
        control::led_to(&response),
    ) {
        ask(ui, resizing, pointer + beside - window.min);
    }
    if response.has_focus() {
        keys(ui, resizing, &response);
    }
    let colours = scene::colours(ui);
    let colour = if response.hovered() || response.dragged() {
        colours.text
    } else {
        colours.level
    };
    let at = window.max - Vec2::splat(3.0);
    for reach in [4.0, 8.0] {
        ui.painter().line_segment(
            [pos2(at.x - reach, at.y), pos2(at.x, at.y - reach)],
            Stroke::new(1.5, colour),
        );
    }
    response.widget_info(|| WidgetInfo::labeled(Role::Button, true, "Window size"));
    control::focus_ring(ui, corner, &response);
    response.on_hover_text("Drag to resize the window.");
}

/// Arrow keys do the same.
fn keys(ui: &Ui, resizing: &Resizing, response: &Response) {
    let arrows = EventFilter {
        horizontal_arrows: true,
        vertical_arrows: true,
        ..EventFilter::default()
    };
    ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, arrows));
    let by = ui.input(|input| {
        let presses = |key| input.num_presses(key) as f32;
        vec2(
            presses(Key::ArrowRight) - presses(Key::ArrowLeft),
            presses(Key::ArrowDown) - presses(Key::ArrowUp),
        )
    });
    if by != Vec2::ZERO {
        ask(ui, resizing, ui.ctx().content_rect().size() + STEP * by);
    }
}

fn ask(ui: &Ui, resizing: &Resizing, size: Vec2) {
    let [least, most] = [MIN_EDITOR_SIZE, MAX_EDITOR_SIZE].map(Vec2::from);
    resizing.ask(ui, size.clamp(least, most));
}
