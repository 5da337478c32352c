//! What a secondary click on a value offers.

use egui::{Id, Response};
use nice_plug::prelude::{FloatParam, Param};

use super::typing::By;
use super::{paint, set, typing};
use crate::editor::changes::Setter;

/// The menu of the value that `response` shows: reset, type, copy.
pub fn show(response: &Response, id: Id, setter: &Setter<'_>, param: &FloatParam) {
    response.context_menu(|ui| {
        let rest = param.normalized_value_to_string(param.default_normalized_value(), true);
        let rest = paint::typeset(&rest);
        if ui.button(format!("reset to {rest}")).clicked() {
            set(setter, param, param.default_normalized_value());
            ui.close();
        }
        if ui.button("type a value").clicked() {
            typing::open(ui, id, &paint::written(param), By::Click);
            ui.close();
        }
        let value = paint::written(param);
        if ui.button(format!("copy {value}")).clicked() {
            ui.copy_text(value);
            ui.close();
        }
    });
}
