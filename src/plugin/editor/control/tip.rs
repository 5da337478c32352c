//! What a control is, in words: while the pointer rests on it, and while the keyboard is on it.

use egui::{Context, Event, Id, Key, Response, Tooltip};

/// Shows `text` beside `response`: as a tool tip, and also once tab has led to it.
pub fn tip(response: Response, text: &str) -> Response {
    let tabbed = came_by_keyboard(&response.ctx);
    if text.is_empty() {
        return response;
    }
    if tabbed && response.has_focus() && !response.contains_pointer() {
        Tooltip::for_widget(&response).show(|ui| ui.label(text));
        return response;
    }
    // What cannot be pressed now says what it is for, too.
    response.on_hover_text(text).on_disabled_hover_text(text)
}

/// Whether tab was pressed since the pointer last was.
fn came_by_keyboard(ctx: &Context) -> bool {
    let id = Id::unique("keyboard leads");
    let (tab, pressed) = ctx.input(|input| {
        let tab = |event: &Event| {
            matches!(
                event,
                Event::Key {
                    key: Key::Tab,
                    pressed: true,
                    ..
                }
            )
        };
        (input.events.iter().any(tab), input.pointer.any_pressed())
    });
    if tab || pressed {
        ctx.data_mut(|data| data.insert_temp(id, !pressed));
        return !pressed;
    }
    ctx.data(|data| data.get_temp(id)).unwrap_or(false)
}
