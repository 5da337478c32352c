//! What is told when the editor is first opened.

use egui::{Align2, Area, Frame, Id, Order, RichText, Ui};

use super::scene;
use super::theme::{BODY_PT, VALUE_PT};

const LINES: [&str; 3] = [
    "The plane shows where the song is: louder to the right, more open upwards. Push, and watch it slide down the diagonal.",
    "The listen switch lets you hear input, clean and saturated output; “matched” takes the difference in loudness away.",
    "Loud sound harms ears and loudspeakers: turn down before you switch, and keep to the exposure rules of your place.",
];

/// Shows the text over everything else. True once it has been read.
pub fn show(ui: &Ui) -> bool {
    let colours = scene::colours(ui);
    let area = Area::new(Id::unique("introduction"))
        .order(Order::Foreground)
        .anchor(Align2::CENTER_CENTER, [0.0, 0.0]);
    let mut read = false;
    area.show(ui.ctx(), |ui| {
        Frame::window(ui.style()).inner_margin(22).show(ui, |ui| {
            ui.set_max_width(560.0);
            ui.label(
                RichText::new("Crestline shows what each decibel of loudness costs")
                    .size(VALUE_PT)
                    .color(colours.text),
            );
            ui.add_space(4.0);
            for line in LINES {
                ui.label(RichText::new(line).size(BODY_PT));
                ui.add_space(2.0);
            }
            ui.add_space(4.0);
            read = ui.button("begin").clicked();
        });
    });
    read
}
