//! A value typed in place of the one shown.

use egui::text::{CCursor, CCursorRange};
use egui::text_edit::TextEditState;
use egui::{Align2, FontId, Id, Key, Margin, Rect, TextEdit, Ui};

use crate::editor::theme::BODY_PT;

/// The text so far.
#[derive(Clone, Default)]
struct Typed {
    text: String,
    /// Until the field has had the keyboard: the click that opens it also takes the keyboard away.
    fresh: bool,
}

fn field(id: Id) -> Id {
    id.with("typed")
}

/// Whether a value of the control `id` is being typed.
pub fn is_open(ui: &Ui, id: Id) -> bool {
    ui.data(|data| data.get_temp::<Typed>(field(id))).is_some()
}

/// Opens the field with `text`, all of it selected, so that typing replaces it.
pub fn open(ui: &Ui, id: Id, text: &str) {
    let field = field(id);
    ui.data_mut(|data| {
        data.insert_temp(
            field,
            Typed {
                text: text.to_owned(),
                fresh: true,
            },
        )
    });
    take_keyboard(ui, field, text);
}

fn take_keyboard(ui: &Ui, field: Id, text: &str) {
    let mut state = TextEditState::default();
    let [from, to] = [0, text.chars().count()].map(CCursor::new);
    state
        .cursor
        .set_char_range(Some(CCursorRange::two(from, to)));
    state.store(ui.ctx(), field);
    ui.memory_mut(|memory| memory.request_focus(field));
}

/// Shows the field. Returns the text once it is finished, and closes the field then; escape closes
/// it without a word.
pub fn show(ui: &mut Ui, id: Id, area: Rect, name: &str) -> Option<String> {
    let field = field(id);
    let mut typed: Typed = ui.data(|data| data.get_temp(field))?;
    let edit = TextEdit::singleline(&mut typed.text)
        .id(field)
        .font(FontId::proportional(BODY_PT))
        .align(Align2::RIGHT_CENTER)
        .margin(Margin::symmetric(2, 1))
        .desired_width(area.width());
    let response = ui
        .put(area, edit)
        .accessible_name(format!("{name}, type a value"));
    if response.has_focus() {
        typed.fresh = false;
    } else if typed.fresh {
        take_keyboard(ui, field, &typed.text);
        typed.fresh = false;
    } else {
        ui.data_mut(|data| data.remove_temp::<Typed>(field));
        let dropped = ui.input(|input| input.key_pressed(Key::Escape));
        return (response.lost_focus() && !dropped).then_some(typed.text);
    }
    ui.data_mut(|data| data.insert_temp(field, typed));
    None
}
