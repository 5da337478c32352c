//! A value typed in place of the one shown.

use egui::text::{CCursor, CCursorRange};
use egui::text_edit::TextEditState;
use egui::{Align2, Context, Id, Key, Margin, Rect, TextEdit, Ui};

use crate::editor::theme::BODY_PT;
use crate::editor::theme::font;
use std::time::Duration;

/// How long the reason stands why a text was refused, s.
const REFUSED_S: f64 = 6.0;

/// The text so far.
#[derive(Clone, Default)]
struct Typed {
    text: String,
    /// Whether anything has been typed: what it was opened with is what was shown then, and not what
    /// is set.
    touched: bool,
    /// Until the field has had the keyboard: the click that opens it also takes the keyboard away.
    fresh: bool,
    /// When it was opened, seconds.
    opened_s: f64,
    /// Whether a key opened it: then the keyboard goes back to the control.
    by_key: bool,
}

/// The field that is shown, if any, by the number of the frame.
fn shown() -> Id {
    Id::unique("a value is typed")
}

/// Whether a value of any control is being typed, in this frame or the one before.
pub fn is_any_open(ctx: &Context) -> bool {
    let pass = ctx.cumulative_pass_nr();
    let last: Option<u64> = ctx.data(|data| data.get_temp(shown()));
    last.is_some_and(|last| pass <= last + 1)
}

fn field(id: Id) -> Id {
    id.with("typed")
}

/// A text was not taken: says why for a while, or until the next is typed.
pub fn refuse(ui: &Ui, id: Id, words: String) {
    let refused = (ui.input(|input| input.time), words);
    ui.data_mut(|data| data.insert_temp(field(id).with("refused"), refused));
}

/// Why the last text was refused, for as long as that is shown.
pub fn refused(ui: &Ui, id: Id) -> Option<String> {
    let place = field(id).with("refused");
    let (at, words) = ui.data(|data| data.get_temp::<(f64, String)>(place))?;
    let left_s = at + REFUSED_S - ui.input(|input| input.time);
    if left_s <= 0.0 || is_open(ui, id) {
        ui.data_mut(|data| data.remove_temp::<(f64, String)>(place));
        return None;
    }
    ui.ctx()
        .request_repaint_after(Duration::from_secs_f64(left_s));
    Some(words)
}

/// Whether a value of the control `id` is being typed.
pub fn is_open(ui: &Ui, id: Id) -> bool {
    ui.data(|data| data.get_temp::<Typed>(field(id))).is_some()
}

/// Whether the field was opened by what may turn out to be the first half of a double click.
pub fn was_just_opened(ui: &Ui, id: Id) -> bool {
    let typed: Option<Typed> = ui.data(|data| data.get_temp(field(id)));
    let now_s = ui.input(|input| input.time);
    let delay_s = ui
        .ctx()
        .options(|options| options.input_options.max_double_click_delay);
    typed.is_some_and(|typed| now_s - typed.opened_s <= 1.5 * delay_s)
}

/// Closes the field without a word, and gives up the keyboard.
pub fn close(ui: &Ui, id: Id) {
    ui.data_mut(|data| data.remove_temp::<Typed>(field(id)));
    ui.memory_mut(|memory| memory.surrender_focus(field(id)));
}

/// What opens a field.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum By {
    /// A key, on a control that has the keyboard.
    Key,
    /// A click.
    Click,
}

/// Opens the field with `text`, all of it selected, so that typing replaces it.
pub fn open(ui: &Ui, id: Id, text: &str, by: By) {
    let field = field(id);
    let typed = Typed {
        text: text.to_owned(),
        touched: false,
        fresh: true,
        opened_s: ui.input(|input| input.time),
        by_key: by == By::Key,
    };
    ui.data_mut(|data| data.insert_temp(field, typed));
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
/// it without a word. Enter gives the keyboard back to whoever had it before.
pub fn show(ui: &mut Ui, id: Id, area: Rect, name: &str) -> Option<String> {
    let field = field(id);
    let mut typed: Typed = ui.data(|data| data.get_temp(field))?;
    let pass = ui.ctx().cumulative_pass_nr();
    ui.data_mut(|data| data.insert_temp(shown(), pass));
    let edit = TextEdit::singleline(&mut typed.text)
        .id(field)
        .font(font(ui.ctx(), BODY_PT))
        .align(Align2::RIGHT_CENTER)
        .margin(Margin::symmetric(2, 1))
        .desired_width(area.width());
    let response = ui
        .put(area, edit)
        .accessible_name(format!("{name}, type a value"));
    typed.touched |= response.changed();
    if response.has_focus() {
        typed.fresh = false;
    } else if typed.fresh {
        take_keyboard(ui, field, &typed.text);
        typed.fresh = false;
    } else {
        ui.data_mut(|data| data.remove_temp::<Typed>(field));
        let [dropped, entered] =
            [Key::Escape, Key::Enter].map(|key| ui.input(|input| input.key_pressed(key)));
        // Whoever came by the mouse goes on with the window's own keys: the next digit is no value.
        if entered && typed.by_key {
            ui.memory_mut(|memory| memory.request_focus(id));
        }
        let is_meant = response.lost_focus() && !dropped && typed.touched;
        return is_meant.then_some(typed.text);
    }
    ui.data_mut(|data| data.insert_temp(field, typed));
    None
}
