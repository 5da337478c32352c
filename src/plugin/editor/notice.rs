//! The line below the bar: what is recorded, what else has to be said in words, and at its right
//! end, as buttons, what stands until somebody deals with it.

use egui::text::{LayoutJob, TextWrapping};
use egui::{
    Align, Align2, Button, Layout, Rect, Response, RichText, Role, Sense, Ui, UiBuilder, Vec2,
    WidgetInfo, vec2,
};

use super::scene::{self, Scene};
use super::standing::{self, Deleted, Offered};
use super::theme::{RADIUS, SMALL_PT, font};
use super::view_model::caution::Reason;
use super::view_model::notices;
use super::view_model::recording::{Heard, Severity, hears_reference};
use super::{Action, control};
use crate::params::ListenChoice;

/// Between what stands in the line, and where all of it is brief, points.
const GAPS: [f32; 2] = [24.0, 8.0];
/// Least room for what is recorded where something else has to be said, points.
const RECORDED: f32 = 120.0;
/// Room that an answer asks for, and the least that it is content with, points.
const ANSWER: [f32; 2] = [240.0, 64.0];

/// Draws the line: what is recorded, words about level, the `caution`, `message`, which is the
/// answer to what was last asked for, and the buttons. Returns what is asked of the window, and
/// whether a click has put the message away.
pub fn show(
    ui: &mut Ui,
    rect: Rect,
    scene: &Scene<'_>,
    caution: Option<Reason>,
    message: Option<&str>,
    deleted: Option<&Deleted>,
) -> (Option<Action>, bool) {
    let notices = notices_of(scene, caution);
    let mut buttons = standing::offered(ui, scene, deleted);
    let padding = 2.0 * ui.spacing().button_padding.x;
    // In the order of what they matter: the first is the last to be brief, and is always there.
    let mut widths: Vec<[f32; 2]> = notices
        .iter()
        .map(|notice| notice.words.each_ref().map(|words| notice.width(ui, words)))
        .collect();
    // What is recorded can be cut where something else has to be said.
    if let Some([_, brief]) = widths.first_mut() {
        *brief = brief.min(RECORDED);
    }
    widths.extend(message.map(|words| {
        let width = width(ui, words, SMALL_PT);
        ANSWER.map(|room| room.min(width))
    }));
    widths.extend(buttons.iter().map(|button| {
        let words = button.words.each_ref();
        words.map(|words| width(ui, words, SMALL_PT) + padding)
    }));
    // A rise or a caution is said in every window.
    let least = if caution.is_some() || rises(scene) {
        2
    } else {
        1
    };
    let Fit { whole, count, gap } = fit(&widths, rect.width(), least);
    let brief = |index: usize| usize::from(index >= whole);
    let left_out = widths.len() - count;
    let first = notices.len() + usize::from(message.is_some());
    buttons.truncate(buttons.len().saturating_sub(left_out));
    let (asked, right) = draw_buttons(ui, rect, &buttons, |index| brief(first + index), gap);
    let mut room = rect.with_max_x(right);
    let shown = notices.len().min(count);
    let after = widths.iter().enumerate().take(first.min(count)).skip(1);
    let mut kept: f32 = after.map(|(index, width)| width[brief(index)] + gap).sum();
    for (index, notice) in notices.iter().enumerate().take(shown) {
        // What comes after what is recorded keeps its room.
        let within = room.with_max_x(room.right() - std::mem::take(&mut kept));
        let response = notice.show(ui, within, &notice.words[brief(index)]);
        room.min.x = response.rect.right() + gap;
        response.on_hover_text(&notice.words[0]);
    }
    let Some(words) = message.filter(|_| count >= first) else {
        return (asked, false);
    };
    let notice = Notice {
        words: [words.into(), String::new()],
        kind: Kind::Said,
    };
    let response = notice.show(ui, room, words);
    let clicked = response.clicked();
    response.on_hover_text(format!("{words}\nA click puts this away."));
    (asked, clicked)
}

/// Whether what is heard is getting louder.
fn rises(scene: &Scene<'_>) -> bool {
    scene.snapshot.activity.rising_db > 0.0
}

/// What is recorded, always, then a rise that is under way, then the caution, then a rise that would
/// be.
fn notices_of(scene: &Scene<'_>, caution: Option<Reason>) -> Vec<Notice> {
    let bypass = scene.params.bypass.value();
    let listen = if bypass {
        ListenChoice::Input
    } else {
        scene.params.listen.value()
    };
    let recording = Heard::of(scene.params, scene.snapshot).recording();
    let reference = !bypass && hears_reference(scene.params, scene.snapshot);
    let matched = scene.params.matched.value();
    let jump = notices::jump(scene.snapshot, listen, reference, matched);
    let recorded = Notice {
        words: [recording.words, recording.short],
        kind: match recording.severity {
            Severity::Caution => Kind::Warning,
            Severity::Plain => Kind::Recorded,
        },
    };
    let jump = jump.map(|words| Notice {
        words,
        kind: Kind::Louder,
    });
    let caution = caution.map(|reason| Notice {
        words: notices::caution(reason),
        kind: match reason {
            Reason::FirstUse => Kind::Caution,
            Reason::Push(_) | Reason::Louder(_) => Kind::Risen,
        },
    });
    let mut said = [caution, jump];
    if rises(scene) {
        said.reverse();
    }
    let said = said.into_iter().flatten();
    std::iter::once(recorded).chain(said).collect()
}

/// How much of the line has room.
#[derive(Debug, PartialEq)]
struct Fit {
    /// So many, from the first on, are there in full; the others in brief.
    whole: usize,
    /// So many are there at all.
    count: usize,
    /// Between two of them, points.
    gap: f32,
}

/// Fits what is so wide in full and in brief into `room`. The last is the first to be brief; where
/// all are and still have no room, the last waits until there is some, but for the first `least`, the
/// last of which are cut.
fn fit(widths: &[[f32; 2]], room: f32, least: usize) -> Fit {
    let all = widths.len();
    let total = |whole: usize, count: usize, gap: f32| {
        let of = |(index, width): (usize, &[f32; 2])| width[usize::from(index >= whole)] + gap;
        widths.iter().enumerate().take(count).map(of).sum::<f32>() - gap
    };
    for whole in (1..=all).rev() {
        if total(whole, all, GAPS[0]) <= room {
            let [gap, _] = GAPS;
            return Fit {
                whole,
                count: all,
                gap,
            };
        }
    }
    let [_, gap] = GAPS;
    let count = (1..=all).rev().find(|count| total(0, *count, gap) <= room);
    Fit {
        whole: 0,
        count: count.unwrap_or(1).max(least),
        gap,
    }
}

/// Draws the buttons from the right of `rect` on; returns what is asked for, and where the room
/// beside them ends.
fn draw_buttons(
    ui: &mut Ui,
    rect: Rect,
    buttons: &[Offered],
    brief: impl Fn(usize) -> usize,
    gap: f32,
) -> (Option<Action>, f32) {
    let builder = UiBuilder::new()
        .max_rect(rect)
        .layout(Layout::right_to_left(Align::Center));
    let draw = |ui: &mut Ui| {
        ui.spacing_mut().button_padding.y = 0.0;
        ui.spacing_mut().item_spacing.x = GAPS[1];
        let (mut asked, mut right) = (None, rect.right());
        for (index, Offered { words, tip, action }) in buttons.iter().enumerate() {
            let colours = scene::colours(ui);
            let ink = match action {
                Action::ClearFaults => colours.caution.text,
                _ => colours.text,
            };
            let text = RichText::new(&words[brief(index)])
                .font(font(ui.ctx(), SMALL_PT))
                .color(ink);
            let button = Button::new(text)
                .small()
                .wrap_mode(egui::TextWrapMode::Extend);
            let button = ui.add(button).accessible_name(&words[0]);
            right = button.rect.left() - gap;
            let tip = match brief(index) {
                0 => (*tip).to_owned(),
                _ => format!("{}. {tip}", words[0]),
            };
            if control::tip(button, &tip).clicked() {
                asked = Some(action.clone());
            }
        }
        (asked, right)
    };
    ui.scope_builder(builder, draw).inner
}

/// How wide these words are in one line, whole points.
fn width(ui: &Ui, words: &str, size_pt: f32) -> f32 {
    scene::wide(ui.painter(), words, size_pt).ceil()
}

/// Some words in the line.
struct Notice {
    /// In full and in brief.
    words: [String; 2],
    kind: Kind,
}

/// What the words are for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Kind {
    /// Until something has been heard, and for a while then.
    Caution,
    /// Framed, for a while: what is heard, or the push, has risen.
    Risen,
    /// Always there: the output is recorded, as one expects.
    Recorded,
    /// Framed: something is heard or recorded that one may not expect.
    Warning,
    /// Framed: what is heard gets louder, or something else is.
    Louder,
    /// An answer, put away with a click.
    Said,
}

impl Kind {
    /// Size of the text and what its frame adds to each side, points.
    fn size(self) -> (f32, Vec2) {
        match self {
            Self::Warning | Self::Louder | Self::Risen => (SMALL_PT + 1.0, vec2(8.0, 2.0)),
            Self::Caution | Self::Recorded | Self::Said => (SMALL_PT, Vec2::ZERO),
        }
    }
}

impl Notice {
    fn width(&self, ui: &Ui, words: &str) -> f32 {
        let (size_pt, frame) = self.kind.size();
        width(ui, words, size_pt) + 2.0 * frame.x
    }

    /// Writes `words`, its own in full or in brief, from the left of `room` on, cut at its right.
    fn show(&self, ui: &Ui, room: Rect, words: &str) -> Response {
        let colours = scene::colours(ui);
        let painter = ui.painter();
        let (size_pt, frame) = self.kind.size();
        let colour = match self.kind {
            Kind::Caution | Kind::Recorded => colours.label,
            Kind::Warning | Kind::Louder | Kind::Risen => colours.caution.text,
            Kind::Said => colours.text,
        };
        let mut job =
            LayoutJob::simple_singleline(words.into(), font(painter.ctx(), size_pt), colour);
        job.wrap = TextWrapping::truncate_at_width((room.width() - 2.0 * frame.x).max(0.0));
        let galley = painter.layout_job(job);
        let within = room.shrink2(frame);
        let place = Align2::LEFT_CENTER.align_size_within_rect(galley.size(), within);
        let around = place.expand2(frame);
        if frame.x > 0.0 {
            painter.rect_stroke(
                around,
                RADIUS,
                egui::Stroke::new(1.0, colours.caution.mark),
                egui::StrokeKind::Inside,
            );
        }
        painter.galley(place.min, galley, colour);
        let sense = if self.kind == Kind::Said {
            Sense::click()
        } else {
            Sense::HOVER
        };
        let response = ui.interact(around, ui.scope_id().with(self.kind), sense);
        control::focus_ring(ui, around.expand(2.0), &response);
        response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &self.words[0]));
        response
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_is_the_first_to_be_brief_and_to_wait() {
        let widths = [[100.0, 50.0], [80.0, 40.0], [60.0, 30.0]];
        let of = |room: f32| {
            let Fit { whole, count, .. } = fit(&widths, room, 1);
            [whole, count]
        };
        assert_eq!(of(288.0), [3, 3]);
        assert_eq!(of(287.0), [2, 3]);
        assert_eq!(of(257.0), [1, 3]);
        assert_eq!(of(217.0), [0, 3]);
        assert_eq!(of(135.0), [0, 2]);
        assert_eq!(of(97.0), [0, 1]);
        assert_eq!(of(10.0), [0, 1]);
        assert_eq!(fit(&widths, 10.0, 2).count, 2);
    }
}
