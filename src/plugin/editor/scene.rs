//! What every view draws from, and the few strokes they share.

use std::borrow::Cow;

use egui::text::{LayoutJob, TextWrapping};
use egui::{Align2, Color32, Painter, Pos2, Rect, Ui, pos2};

use super::changes::{Changes, Setter};
use super::theme::{Colours, LABEL_PT, RADIUS, SMALL_PT, font};
use super::{forecast, reference};
use crate::params::CrestlineParams;
use crestline_core::handover::Snapshot;
use crestline_core::session::reference::Profile;
use crestline_core::session::{History, Session, TargetWindow};

/// Space between a panel's edge and what is in it, points.
pub const PADDING: f32 = 14.0;

/// One frame's view of everything.
#[derive(Clone, Copy)]
pub struct Scene<'a> {
    /// The parameters.
    pub params: &'a CrestlineParams,
    /// Changes them.
    pub setter: &'a Setter<'a>,
    /// Remembers what is changed: undo, and the two settings.
    pub changes: &'a Changes,
    /// The latest snapshot, for what is drawn.
    pub snapshot: &'a Snapshot,
    /// A snapshot up to a fifth of a second old, for what is written: figures that change faster
    /// cannot be read.
    pub told: &'a Snapshot,
    /// What has been measured over time.
    pub history: &'a History,
    /// How loud it can go.
    pub forecast: &'a forecast::State,
    /// What is known of the reference beside its profile.
    pub reference: &'a reference::State,
    /// What is saved beside the parameters.
    pub session: &'a Session,
    /// The user's own windows that are kept for all sessions.
    pub kept: &'a [TargetWindow],
    /// Seconds since the frame before.
    pub elapsed_s: f64,
}

impl Scene<'_> {
    /// Sample rate, Hz; a common one before the first block.
    pub fn sample_rate_hz(&self) -> f64 {
        if self.snapshot.sample_rate_hz > 0.0 {
            self.snapshot.sample_rate_hz
        } else {
            48_000.0
        }
    }

    /// Channels of the mix; two before the first block.
    pub fn channels(&self) -> usize {
        if self.snapshot.channels == 1 { 1 } else { 2 }
    }

    /// What has to be said beside a figure of the forecast, which limits both paths, while the limiter
    /// is off.
    pub fn forecast_differs(&self) -> &'static str {
        if self.params.limiter.on.value() {
            ""
        } else {
            ", limiter on"
        }
    }

    /// The reference, as it is heard beside the mix.
    pub fn reference_profile(&self) -> Option<Cow<'_, Profile>> {
        let reference = self.session.reference.as_ref()?;
        Some(reference.profile.beside(self.channels()))
    }

    /// Time measured since the last restart, seconds; `None` before the first block.
    pub fn measured_s(&self) -> Option<f64> {
        let frames = self.snapshot.input.readings.frames;
        (frames > 0 && self.snapshot.sample_rate_hz > 0.0)
            .then(|| frames as f64 / self.snapshot.sample_rate_hz)
    }
}

/// The colours of the theme in use.
pub fn colours(ui: &Ui) -> &'static Colours {
    Colours::of(ui.visuals())
}

/// Paints a panel and returns what is left of it within its padding.
pub fn panel(ui: &Ui, rect: Rect) -> Rect {
    ui.painter().rect_filled(rect, RADIUS, colours(ui).panel);
    rect.shrink(PADDING)
}

/// Writes a panel's or a value's name.
pub fn label(
    painter: &Painter,
    at: Pos2,
    align: Align2,
    text: impl ToString,
    colour: Color32,
) -> Rect {
    painter.text(at, align, text, font(painter.ctx(), LABEL_PT), colour)
}

/// Writes axis figures and units.
pub fn small(
    painter: &Painter,
    at: Pos2,
    align: Align2,
    text: impl ToString,
    colour: Color32,
) -> Rect {
    painter.text(at, align, text, font(painter.ctx(), SMALL_PT), colour)
}

/// Writes text of any size.
pub fn text(
    painter: &Painter,
    at: Pos2,
    align: Align2,
    text: impl ToString,
    size_pt: f32,
    colour: Color32,
) -> Rect {
    painter.text(at, align, text, font(painter.ctx(), size_pt), colour)
}

/// The place in `area` of a share to the right and a share upwards.
pub fn place(area: Rect, right: f32, up: f32) -> Pos2 {
    pos2(
        area.left() + right * area.width(),
        area.bottom() - up * area.height(),
    )
}

/// How wide `text` is in one line of this size, points.
pub fn wide(painter: &Painter, text: &str, size_pt: f32) -> f32 {
    let size = font(painter.ctx(), size_pt);
    let galley = painter.layout_no_wrap(text.into(), size, Color32::PLACEHOLDER);
    galley.size().x
}

/// The longer of two wordings where it has room in the size of labels.
pub fn fitting<'words>(
    painter: &Painter,
    longer: &'words str,
    shorter: &'words str,
    width: f32,
) -> &'words str {
    if wide(painter, longer, LABEL_PT) <= width {
        longer
    } else {
        shorter
    }
}

/// Writes a line in the size of labels, cut where it would be wider than `width`, with its middle
/// left at `at`.
pub fn cut(painter: &Painter, at: Pos2, text: &str, width: f32, colour: Color32) -> Rect {
    let mut job = LayoutJob::simple_singleline(text.into(), font(painter.ctx(), LABEL_PT), colour);
    job.wrap = TextWrapping::truncate_at_width(width.max(1.0));
    let galley = painter.layout_job(job);
    let place = Align2::LEFT_CENTER.anchor_size(at, galley.size());
    painter.galley(place.min, galley, colour);
    place
}

/// `colour` with `strength` (0…1) over `ground`, composed: the same everywhere, whatever lies
/// between.
pub fn faded(colour: Color32, ground: Color32, strength: f32) -> Color32 {
    ground.lerp_to_gamma(colour, strength)
}
