//! A value typed in place of the one shown.

use egui::text::{CCursor, CCursorRange};
use egui::text_edit::TextEditState;
use egui::{FontId, Id, Key, Rect, TextEdit, Ui};

use crate::editor::theme::BODY_PT;

/// The text so far.
#[derive(Clone, Default)]
struct Typed(String);

fn field(id: Id) -> Id {
    id.with("typed")
}

/// Whether a value of the control `id` is being typed.
pub fn is_open(ui: &Ui, id: Id) -> bool {
    ui.data(|data| data.get_temp::<Typed>(field(id))).is_some()
}

/// Opens the field with `text`, all of it selected, so that typing replaces it.
pub fn open(ui: &Ui, id: Id, text: &str) {
    start(ui, id, text, 0);
}

/// Opens the field with the first letters typed; more follow them.
pub fn begin(ui: &Ui, id: Id, text: &str) {
    start(ui, id, text, text.chars().count());
}

fn start(ui: &Ui, id: Id, text: &str, selected_from: usize) {
    let field = field(id);
    ui.data_mut(|data| data.insert_temp(field, Typed(text.to_owned())));
    let mut state = TextEditState::default();
    let [from, to] = [selected_from, text.chars().count()].map(CCursor::new);
    state.cursor.set_char_range(Some(CCursorRange::two(from, to)));
    state.store(ui.ctx(), field);
    ui.memory_mut(|memory| memory.request_focus(field));
}

/// Shows the field. Returns the text once it is finished, and closes the field then; escape closes it without a word.
pub fn show(ui: &mut Ui, id: Id, area: Rect, name: &str) -> Option<String> {
    let field = field(id);
    let Typed(mut text) = ui.data(|data| data.get_temp(field))?;
    let edit = TextEdit::singleline(&mut text)
        .id(field)
        .font(FontId::proportional(BODY_PT))
        .align(egui::Align2::RIGHT_CENTER)
        .margin(egui::Margin::symmetric(2, 1))
        .desired_width(area.width());
    let response = ui.put(area, edit).accessible_name(format!("{name}, type a value"));
    if response.lost_focus() {
        ui.data_mut(|data| data.remove_temp::<Typed>(field));
        let dropped = ui.input(|input| input.key_pressed(Key::Escape));
        return (!dropped).then_some(text);
    }
    ui.data_mut(|data| data.insert_temp(field, Typed(text)));
    None
}
