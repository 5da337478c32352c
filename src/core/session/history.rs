//! The history as it is drawn, looked up and exported. Times are seconds of audio since the last
//! restart.

use super::target::{Judgement, Limits};
use crate::handover::{Column, Extent, Grain, HistoryPoint, HistoryReader};
use std::io::{self, Write};
use std::ops::Range;

/// Points copied at a time.
const POINTS_AT_ONCE: usize = 512;
/// Scales that differ by less than this, relatively, are the same: over the widest screen that is
/// less than a thousandth of a pixel.
const SAME_SCALE: f64 = 1e-9;
/// No screen is wider, pixels.
const MAX_WIDTH_PX: usize = 1 << 16;

/// A stretch of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// Where it begins, seconds.
    pub start_s: f64,
    /// Where it ends, seconds.
    pub end_s: f64,
}

/// What one column of pixels has to show.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pixel {
    /// Before what is kept, or after now.
    Outside,
    /// The host's transport stood still.
    Stopped,
    /// The transport ran, but the value was not known.
    Unknown,
    /// Lowest, highest and last value while the transport ran.
    Values {
        /// Lowest.
        min: f32,
        /// Highest.
        max: f32,
        /// Last.
        last: f32,
    },
}

impl Pixel {
    /// Where its values lie: [`Judgement::In`] only if all of them do; above goes before below.
    pub fn judge(self, limits: Limits) -> Judgement {
        let Self::Values { min, max, .. } = self else {
            return Judgement::Unknown;
        };
        match limits.judge(Some(max.into())) {
            Judgement::Above => Judgement::Above,
            _ => limits.judge(Some(min.into())),
        }
    }
}

/// A run of pixels whose values lie outside a range.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Excursion {
    /// Which pixels.
    pub pixels: Range<usize>,
    /// [`Judgement::Below`] or [`Judgement::Above`].
    pub side: Judgement,
}

/// One column of the history at the width of the screen. Used again and again, so that a new
/// picture costs only what is new in it.
#[derive(Clone, Debug, Default)]
pub struct Trace {
    /// Where the first pixel begins, seconds: at the start of the span or up to a pixel before it.
    pub start_s: f64,
    /// Time that a pixel spans.
    pub seconds_per_pixel: f64,
    /// The pixels, from left to right: one more than the width, as the first and the last may lie
    /// across the edges.
    pub pixels: Vec<Pixel>,
    /// What the pixels show; without it the next picture is drawn afresh.
    pub shown: Option<Shown>,
}

/// Identifies the content of a [`Trace`].
#[derive(Clone, Copy, Debug)]
pub struct Shown {
    column: Column,
    grain: Grain,
    seconds_per_pixel: f64,
    /// Number of the first pixel, counted from the last restart.
    first_pixel: i64,
    extent: Extent,
}

impl Trace {
    /// The runs of pixels whose values lie outside `limits`.
    pub fn outside(&self, limits: Limits) -> impl Iterator<Item = Excursion> + '_ {
        let side = move |pixel: &Pixel| pixel.judge(limits);
        let mut position = 0;
        self.pixels
            .chunk_by(move |left, right| side(left) == side(right))
            .filter_map(move |run| {
                let pixels = position..position + run.len();
                position = pixels.end;
                let side = run.first().map(side)?;
                matches!(side, Judgement::Below | Judgement::Above)
                    .then_some(Excursion { pixels, side })
            })
    }
}

/// Changes whenever there is something new to draw.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HistoryVersion(Extent);

/// A point found by its time.
#[derive(Clone, Copy, Debug)]
pub struct Recorded {
    /// Where its interval ends, seconds.
    pub time_s: f64,
    /// How long its interval is.
    pub grain: Grain,
    /// What was known.
    pub point: HistoryPoint,
}

/// The history as the editor sees it.
#[derive(Clone, Debug)]
pub struct History {
    reader: HistoryReader,
}

impl History {
    /// Reads from this end.
    pub fn new(reader: HistoryReader) -> Self {
        Self { reader }
    }

    /// Equal to an earlier version if nothing was added or cleared since.
    pub fn version(&self) -> HistoryVersion {
        HistoryVersion(self.reader.extent(Grain::Fine))
    }

    /// Where the newest point ends, seconds.
    pub fn length_s(&self) -> f64 {
        let extent = self.reader.extent(Grain::Fine);
        end_s(Grain::Fine, extent, extent.end)
    }

    /// The earliest moment that is kept, seconds.
    pub fn kept_from_s(&self, grain: Grain) -> f64 {
        let extent = self.reader.extent(grain);
        end_s(grain, extent, extent.oldest)
    }

    /// Size of the history, bytes: a constant.
    pub fn bytes(&self) -> usize {
        self.reader.bytes()
    }

    /// The finer grain if it reaches back as far, otherwise the coarse one.
    fn grain_for(&self, span: Span) -> Grain {
        if span.start_s.max(0.0) >= self.kept_from_s(Grain::Fine) {
            Grain::Fine
        } else {
            Grain::Coarse
        }
    }

    /// Brings `trace` to what `column` was over `span`, for `width_px` columns of pixels.
    ///
    /// Pixels are cut at multiples of their own length since the last restart, so that a picture
    /// that scrolls does not shimmer. A point counts in every pixel that its interval touches.
    /// `trace` keeps what it has already drawn: the same column at the same scale costs only the
    /// new pixels. An empty or impossible span has no pixels. Allocates only when `trace` has not
    /// been this wide before.
    pub fn trace(&self, column: Column, span: Span, width_px: usize, trace: &mut Trace) {
        let width_px = width_px.min(MAX_WIDTH_PX);
        let seconds_per_pixel = trace.scale_near((span.end_s - span.start_s) / width_px as f64);
        let first_pixel = (span.start_s / seconds_per_pixel).floor();
        if !(seconds_per_pixel > 0.0 && seconds_per_pixel.is_finite() && first_pixel.is_finite()) {
            *trace = Trace {
                pixels: std::mem::take(&mut trace.pixels),
                ..Trace::default()
            };
            trace.pixels.clear();
            return;
        }
        let grain = self.grain_for(span);
        let extent = self.reader.extent(grain);
        let shown = Shown {
            column,
            grain,
            seconds_per_pixel,
            first_pixel: first_pixel as i64,
            extent,
        };
        let reusable = trace.shift_to(shown, width_px + 1);
        let mut copies = Copies::new(&self.reader, shown);
        for (index, pixel) in trace.pixels.iter_mut().enumerate() {
            let points = shown.points_of(index);
            // Points that are full and still kept are the same as when they were drawn.
            if !(reusable.contains(&index)
                && points.start >= extent.oldest
                && points.end <= reusable_end(trace.shown))
            {
                *pixel = copies.pixel(points);
            }
        }
        trace.start_s = shown.first_pixel as f64 * seconds_per_pixel;
        trace.seconds_per_pixel = seconds_per_pixel;
        trace.shown = Some(shown);
    }

    /// The point whose interval contains this time, as fine as it is still kept.
    pub fn at(&self, time_s: f64) -> Option<Recorded> {
        if !(time_s.is_finite() && time_s >= 0.0) {
            return None;
        }
        [Grain::Fine, Grain::Coarse].into_iter().find_map(|grain| {
            let extent = self.reader.extent(grain);
            let number = point_at(grain, extent, time_s);
            let point = (number >= extent.oldest).then(|| self.reader.point(grain, number))??;
            Some(Recorded {
                time_s: end_s(grain, extent, number + 1),
                grain,
                point,
            })
        })
    }

    /// Writes the points of a span as comma-separated values (RFC 4180): a heading with the unit of
    /// each column, then a line a point, as fine as the whole span is kept. `time` is the end of
    /// the point's interval; the other columns are those of [`Column`], in its order. A cell is
    /// empty where the value was not known. Returns the number of points.
    ///
    /// # Errors
    /// Whatever `to` reports.
    pub fn write_csv(&self, span: Span, to: &mut impl Write) -> io::Result<u64> {
        write!(to, "time (s)")?;
        for column in Column::ALL {
            let unit = if column == Column::Playing {
                "1 or 0"
            } else {
                column.unit()
            };
            write!(to, ",{} ({unit})", column.name())?;
        }
        write!(to, "\r\n")?;
        let grain = self.grain_for(span);
        let extent = self.reader.extent(grain);
        let start = point_at(grain, extent, span.start_s).max(extent.oldest);
        let end = point_at(grain, extent, span.end_s)
            .saturating_add(1)
            .min(extent.end);
        let mut rows = 0;
        for number in start..end {
            // What has been overwritten since is left out.
            let Some(point) = self.reader.point(grain, number) else {
                continue;
            };
            write!(to, "{:.1}", end_s(grain, extent, number + 1))?;
            for column in Column::ALL {
                match point.get(column) {
                    None => write!(to, ",")?,
                    Some(value) if column == Column::Playing => write!(to, ",{value:.0}")?,
                    Some(value) => write!(to, ",{:.2}", without_negative_zero(value))?,
                }
            }
            write!(to, "\r\n")?;
            rows += 1;
        }
        Ok(rows)
    }
}

/// What rounds to zero is written without a sign.
fn without_negative_zero(value: f32) -> f32 {
    if value.abs() < 0.005 { 0.0 } else { value }
}

/// Where the point before `number` ends, seconds.
fn end_s(grain: Grain, extent: Extent, number: u64) -> f64 {
    // A division by a whole number a second: 0.3 comes out as 0.3.
    number.saturating_sub(extent.first) as f64 / (1.0 / grain.interval_s())
}

/// The point whose interval contains `time_s`, which its end belongs to.
#[expect(
    clippy::cast_sign_loss,
    reason = "a float that is negative or not a number becomes 0"
)]
fn point_at(grain: Grain, extent: Extent, time_s: f64) -> u64 {
    extent
        .first
        .saturating_add(((time_s / grain.interval_s()).ceil() - 1.0) as u64)
}

/// Number of the point after the last that was there when a trace was drawn.
fn reusable_end(shown: Option<Shown>) -> u64 {
    shown.map_or(0, |shown| shown.extent.end)
}

impl Shown {
    /// The points that a pixel shows; none for pixels before the last restart.
    #[expect(
        clippy::cast_sign_loss,
        reason = "a float that is negative or not a number becomes 0"
    )]
    fn points_of(&self, index: usize) -> Range<u64> {
        let edge = |pixel: i64| pixel as f64 * self.seconds_per_pixel / self.grain.interval_s();
        let pixel = self
            .first_pixel
            .saturating_add(i64::try_from(index).unwrap_or(i64::MAX));
        let (start, end) = (edge(pixel), edge(pixel.saturating_add(1)));
        if end <= 0.0 {
            return self.extent.first..self.extent.first;
        }
        let number = |point: f64| self.extent.first.saturating_add(point as u64);
        number(start.floor())..number(end.ceil()).max(number(start.floor()) + 1)
    }
}

impl Trace {
    /// The scale of what is there, if this is the same but for rounding: the ends of a span that
    /// scrolls do not always lie equally far apart.
    fn scale_near(&self, seconds_per_pixel: f64) -> f64 {
        match self.shown {
            Some(shown)
                if (shown.seconds_per_pixel / seconds_per_pixel - 1.0).abs() < SAME_SCALE =>
            {
                shown.seconds_per_pixel
            }
            _ => seconds_per_pixel,
        }
    }

    /// Makes room for `length` pixels and moves those that `shown` has in common with what is there
    /// to their new places. Returns which those are.
    fn shift_to(&mut self, shown: Shown, length: usize) -> Range<usize> {
        let reusable = self.shown.filter(|old| {
            old.column == shown.column
                && old.grain == shown.grain
                && old.seconds_per_pixel.to_bits() == shown.seconds_per_pixel.to_bits()
                && old.extent.first == shown.extent.first
        });
        let shift = reusable.and_then(|old| shown.first_pixel.checked_sub(old.first_pixel));
        let by = shift.map_or(usize::MAX, |shift| {
            usize::try_from(shift.unsigned_abs()).unwrap_or(usize::MAX)
        });
        let mut kept = 0..0;
        if by < self.pixels.len().min(length) {
            if shift > Some(0) {
                self.pixels.drain(..by);
                kept = 0..self.pixels.len().min(length);
            } else {
                kept = by..(self.pixels.len() + by).min(length);
                self.pixels.resize(length, Pixel::Outside);
                self.pixels.rotate_right(by);
            }
        }
        self.pixels.resize(length, Pixel::Outside);
        kept
    }
}

/// Copies of one column's points and of whether the transport ran, some hundred at a time.
struct Copies<'a> {
    reader: &'a HistoryReader,
    shown: Shown,
    /// Numbers of the points at hand.
    start: u64,
    length: usize,
    /// Which of them are true.
    intact: Range<usize>,
    values: [f32; POINTS_AT_ONCE],
    playing: [f32; POINTS_AT_ONCE],
}

impl<'a> Copies<'a> {
    fn new(reader: &'a HistoryReader, shown: Shown) -> Self {
        Self {
            reader,
            shown,
            start: 0,
            length: 0,
            intact: 0..0,
            values: [0.0; POINTS_AT_ONCE],
            playing: [0.0; POINTS_AT_ONCE],
        }
    }

    fn fill(&mut self, start: u64) {
        let Shown {
            grain,
            column,
            extent,
            ..
        } = self.shown;
        self.start = start;
        self.length = usize::try_from(extent.end.saturating_sub(start))
            .unwrap_or(POINTS_AT_ONCE)
            .min(POINTS_AT_ONCE);
        let values = self
            .reader
            .read(grain, column, start, &mut self.values[..self.length]);
        let playing = self.reader.read(
            grain,
            Column::Playing,
            start,
            &mut self.playing[..self.length],
        );
        self.intact = values.start.max(playing.start)..values.end.min(playing.end);
    }

    fn pixel(&mut self, points: Range<u64>) -> Pixel {
        let mut next = points.start.max(self.shown.extent.oldest);
        let end = points.end.min(self.shown.extent.end);
        let (mut min, mut max, mut last) = (f32::INFINITY, f32::NEG_INFINITY, f32::NAN);
        let (mut any, mut played) = (false, false);
        while next < end {
            if next < self.start || next >= self.start + self.length as u64 {
                self.fill(next);
            }
            let from = (next - self.start) as usize;
            let to = self.length.min(from + (end - next) as usize);
            let intact = from.max(self.intact.start)..to.min(self.intact.end);
            let values = self.values.get(intact.clone()).unwrap_or_default();
            let playing = self.playing.get(intact).unwrap_or_default();
            any |= !values.is_empty();
            for (value, playing) in values.iter().zip(playing) {
                let ran = *playing > 0.0;
                played |= ran;
                // Beside a number `min` and `max` pass over one that is not a number.
                let value = if ran { *value } else { f32::NAN };
                min = min.min(value);
                max = max.max(value);
                last = if value.is_nan() { last } else { value };
            }
            next = self.start + to as u64;
        }
        match (any, played, last.is_nan()) {
            (false, ..) => Pixel::Outside,
            (_, false, _) => Pixel::Stopped,
            (_, _, true) => Pixel::Unknown,
            _ => Pixel::Values { min, max, last },
        }
    }
}
