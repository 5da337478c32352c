//! What stands until somebody deals with it: what can still be taken back and samples that were no
//! audio, as buttons at the right end of the line of notices, and peaks over full scale, beside the
//! push.

use egui::{Align, Button, Layout, Rect, RichText, Ui, UiBuilder};

use super::Action;
use super::scene::{self, Scene};
use super::theme::{SMALL_PT, font};
use super::view_model::notices;
use crestline_core::session::TargetWindow;
use crestline_core::session::reference::Reference;

/// For so long a deletion can be taken back, seconds.
const UNDO_S: f64 = 10.0;

/// What was deleted.
#[derive(Debug)]
pub enum What {
    /// A window of the user's own.
    Window {
        /// The window.
        window: TargetWindow,
        /// It was kept for all sessions.
        kept: bool,
    },
    /// The reference, or another has taken its place.
    Reference(Box<Reference>),
}

/// Something that was deleted and can be had back for a while.
#[derive(Debug)]
pub struct Deleted {
    /// What.
    pub what: What,
    /// When it was deleted, in the window's own time.
    at_s: f64,
}

impl Deleted {
    /// Deleted just now.
    pub fn now(ui: &Ui, what: What) -> Self {
        Self {
            what,
            at_s: ui.input(|input| input.time),
        }
    }

    /// How long it can be taken back, seconds; not above 0 when it is too late, or the window has
    /// been opened again meanwhile and counts its time anew.
    pub fn left_s(&self, ui: &Ui) -> f64 {
        let passed_s = ui.input(|input| input.time) - self.at_s;
        if passed_s < 0.0 {
            0.0
        } else {
            UNDO_S - passed_s
        }
    }
}

/// A button that stands in the line of notices.
pub struct Offered {
    /// What it says, in full and where there is little room.
    pub words: [String; 2],
    /// What else there is to say of it.
    pub tip: &'static str,
    /// What a click asks for.
    pub action: Action,
}

/// The buttons, the one that is gone soonest first.
pub fn offered(ui: &Ui, scene: &Scene<'_>, deleted: Option<&Deleted>) -> Vec<Offered> {
    let activity = &scene.snapshot.activity;
    let restart = activity.undo_left_s.map(|left_s| Offered {
        words: notices::undo("Measured anew", "undo", left_s.into()),
        tip: "Brings back what was measured before, and the whole history.",
        action: Action::UndoRestart,
    });
    let deleted = deleted.map(|deleted| {
        let left_s = deleted.left_s(ui);
        let (words, tip) = match &deleted.what {
            What::Window { window, .. } => (
                notices::undo(&format!("“{}” is deleted", window.name), "undelete", left_s),
                "Brings the window back, also into your own file if it was kept there.",
            ),
            What::Reference(reference) => {
                let what = format!("“{}” is no reference any more", reference.profile.name);
                (
                    notices::undo(&what, "old reference", left_s),
                    "Brings it back in the place of what is there now.",
                )
            }
        };
        Offered {
            words,
            tip,
            action: Action::UndoDelete,
        }
    });
    let faults = notices::faults(activity.faults).map(|words| Offered {
        words,
        tip: "They were not finite, or beyond +80 dBFS, and count as silence: whatever comes before Crestline is at fault. A click forgets them.",
        action: Action::ClearFaults,
    });
    [restart, deleted, faults].into_iter().flatten().collect()
}

/// Draws the peaks that were over full scale, if there were any, at the right of `rect`, in brief
/// where they would take more than half of it. Returns where they begin, and what is asked for.
pub fn overs(ui: &mut Ui, rect: Rect, scene: &Scene<'_>) -> Option<(f32, Option<Action>)> {
    let [words, brief] = notices::overs(&scene.snapshot.activity.overs)?;
    let width = scene::wide(ui.painter(), &words, SMALL_PT);
    let fits = width + 2.0 * ui.spacing().button_padding.x <= rect.width() / 2.0;
    let builder = UiBuilder::new()
        .max_rect(rect)
        .layout(Layout::right_to_left(Align::Center));
    let text = RichText::new(if fits { &words } else { &brief })
        .font(font(ui.ctx(), SMALL_PT))
        .color(scene::colours(ui).caution.text);
    let add = |ui: &mut Ui| {
        ui.spacing_mut().button_padding.y = 0.0;
        ui.add(
            Button::new(text)
                .small()
                .wrap_mode(egui::TextWrapMode::Extend),
        )
    };
    let tip = "Peaks of the output, or of the clean path while that was heard, that the limiter, being off, did \
               not hold. Where they go out, neither matched nor bypassed, converters clip them. A click \
               forgets them.";
    let button = ui.scope_builder(builder, add).inner;
    let button = button.accessible_name(&words).on_hover_text(if fits {
        tip.to_owned()
    } else {
        format!("{words}. {tip}")
    });
    let action = button.clicked().then_some(Action::ClearOvers);
    Some((button.rect.left(), action))
}
