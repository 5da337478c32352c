//! A panic while the window is drawn is kept from the host, whose process it would end: the window
//! says so in its place, and draws again when it is told to or opened anew.

use std::panic::{AssertUnwindSafe, catch_unwind};

use egui::{Align, Button, Layout, Rect, RichText, Ui};

use super::scene;
use super::theme::BODY_PT;

/// What stands in the window's place.
const WORDS: &str =
    "This window has stopped, by a fault of Crestline's own. What is heard goes on as it was.";
/// The button that has the window drawn again.
const AGAIN: &str = "Draw it again";

/// Whether the window can be drawn.
#[derive(Debug, Default)]
pub struct Guard {
    failed: bool,
}

impl Guard {
    /// Has the window drawn, or, once that has panicked, says so. True where it has just panicked.
    pub fn show(&mut self, ui: &mut Ui, draw: impl FnOnce(&mut Ui)) -> bool {
        if !self.failed {
            // Unwinding closes what egui has open; what the views remember of a frame half drawn is
            // replaced by the next whole one.
            self.failed = catch_unwind(AssertUnwindSafe(|| draw(ui))).is_err();
            if self.failed {
                ui.ctx().request_repaint();
            }
            return self.failed;
        }
        let colours = scene::colours(ui);
        ui.painter()
            .rect_filled(Rect::EVERYTHING, 0, colours.background);
        ui.with_layout(Layout::top_down(Align::Center), |ui| {
            ui.add_space(0.4 * ui.available_height());
            ui.label(RichText::new(WORDS).size(BODY_PT).color(colours.text));
            ui.add_space(BODY_PT);
            if ui.add(Button::new(AGAIN)).clicked() {
                self.failed = false;
            }
        });
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui_kittest::Harness;
    use egui_kittest::kittest::Queryable;

    #[derive(Default)]
    struct Window {
        guard: Guard,
        faulty: bool,
        drawn: u32,
    }

    #[test]
    fn a_panic_in_a_frame_is_told_in_the_window_and_the_next_may_be_drawn() {
        let frame = |ui: &mut Ui, window: &mut Window| {
            let Window {
                guard,
                faulty,
                drawn,
            } = window;
            guard.show(ui, |ui| {
                *drawn += 1;
                ui.group(|ui| {
                    ui.label("the window");
                    assert!(!*faulty, "on purpose");
                });
            });
        };
        let mut harness = Harness::builder()
            .with_context_setup(crate::editor::theme::install)
            .build_ui_state(frame, Window::default());
        harness.get_by_label("the window");
        harness.state_mut().faulty = true;
        harness.run_steps(3);
        harness.get_by_label(WORDS);
        assert!(harness.query_by_label("the window").is_none());
        // Not once more without being asked to.
        let drawn = harness.state().drawn;
        harness.run_steps(5);
        assert_eq!(harness.state().drawn, drawn);
        harness.state_mut().faulty = false;
        harness.get_by_label(AGAIN).click();
        harness.run_steps(3);
        harness.get_by_label("the window");
        assert!(harness.query_by_label(WORDS).is_none());
    }
}
