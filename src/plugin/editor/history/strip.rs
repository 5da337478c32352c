//! The strip itself: what is drawn of a stretch of time, in the window and in an exported picture
//! alike.

use std::ops::Range;

use egui::{Align2, Painter, Rect, Shape, Stroke, pos2};

use super::lanes::Lanes;
use super::legend::{line, triangle};
use crate::editor::number;
use crate::editor::scene::{place, small};
use crate::editor::theme::Colours;
use crate::editor::view_model::axis::Axis;
use crate::editor::view_model::history::{self, CURVES, LEAST_GAIN_DB};
use crate::editor::view_model::time;
use crestline_core::handover::Column;
use crestline_core::session::{History, Judgement, Limits, Pixel, Span, TargetWindow, Trace};

/// Least height of a tick for a peak over the ceiling, points, and how much it grows with each dB.
const OVER: [f32; 2] = [6.0, 3.0];
/// Height of what is drawn along the rail, points, and the least length that has a triangle.
const ALONG: f32 = 4.0;
const MARKED: f32 = 12.0;
/// How far above the rail's middle loudness lies, and PLR below it, points.
const ASIDE: f32 = 3.0;
/// Least height of a lane whose two ends are written, points.
const ROOM_FOR_ENDS: f32 = 16.0;
/// Where units begin, left of a lane, and right of it, points.
const UNITS: [f32; 2] = [62.0, 22.0];
/// A gap at least this wide says what it is, points.
const NAMED_GAP: f32 = 64.0;

/// What the history is held against.
#[derive(Clone, Copy, Debug)]
pub struct Subject<'a> {
    /// The window that is shaded.
    pub target: &'a TargetWindow,
    /// True peak that counts as passed, dBTP.
    pub ceiling_dbtp: f64,
}

/// The traces of one strip and its axes, kept from frame to frame: a frame costs what is new in it.
#[derive(Debug)]
pub struct Strip {
    level: Axis,
    ldr_axis: Axis,
    curves: [Trace; CURVES.len()],
    ldr: Trace,
    reduction: Trace,
    peak: Trace,
    plr: Trace,
}

impl Default for Strip {
    fn default() -> Self {
        Self {
            level: Axis::new([-24.0, -6.0], 3.0, 9.0),
            ldr_axis: history::LDR,
            curves: Default::default(),
            ldr: Trace::default(),
            reduction: Trace::default(),
            peak: Trace::default(),
            plr: Trace::default(),
        }
    }
}

impl Strip {
    /// Reads `span` for a plot of `width_px` pixels. True while an axis is on its way.
    pub fn read(&mut self, history: &History, span: Span, width_px: usize, elapsed_s: f64) -> bool {
        for (curve, trace) in CURVES.iter().zip(&mut self.curves) {
            history.trace(curve.column, span, width_px, trace);
        }
        for (column, trace) in [
            (Column::OutputLimiterGain, &mut self.reduction),
            (Column::TruePeakOutput, &mut self.peak),
            (Column::PlrOutput, &mut self.plr),
            (Column::LdrOutput, &mut self.ldr),
        ] {
            history.trace(column, span, width_px, trace);
        }
        let level = history::extent(&self.curves);
        let ldr = history::ldr_extent(&self.ldr);
        self.level.follow(level, elapsed_s) | self.ldr_axis.follow(ldr, elapsed_s)
    }

    /// Goes to where the axes are heading at once.
    pub fn settle(&mut self) {
        self.level.settle();
        self.ldr_axis.settle();
    }

    /// Draws what was read last.
    pub fn paint(
        &self,
        painter: &Painter,
        lanes: &Lanes,
        span: Span,
        subject: Subject<'_>,
        colours: &Colours,
    ) {
        self.grid(painter, lanes, colours);
        times(painter, lanes.whole, span, colours);
        let drawn = Drawn {
            painter: painter.with_clip_rect(lanes.whole),
            plot: lanes.whole,
            span,
            colours,
        };
        let [.., output] = &self.curves;
        let Subject {
            target,
            ceiling_dbtp,
        } = subject;
        drawn.window(lanes.loudness, target.loudness_lufs, &self.level);
        drawn.gaps(output);
        drawn.hanging(lanes.reduction, &self.reduction);
        let thin = Stroke::new(1.5, colours.output.mark);
        drawn.runs(lanes.ldr, &self.ldr, &self.ldr_axis, |run| {
            drawn
                .painter
                .extend(Shape::dashed_line(&run, thin, 4.0, 3.0));
        });
        for (curve, trace) in CURVES.iter().zip(&self.curves) {
            drawn.runs(lanes.loudness, trace, &self.level, |run| {
                drawn.painter.extend(line(run, curve, colours));
            });
        }
        // Filled for loudness; hollow, and below that, for PLR: both may be outside at once.
        drawn.outside(lanes.rail, &self.plr, target.plr_db, false);
        drawn.outside(lanes.rail, output, history::short_term_limits(target), true);
        drawn.over(lanes.loudness, &self.peak, ceiling_dbtp);
    }

    /// The lanes' grounds and scales.
    fn grid(&self, painter: &Painter, lanes: &Lanes, colours: &Colours) {
        for lane in [lanes.loudness, lanes.ldr, lanes.reduction] {
            painter.rect_filled(lane, 2, colours.well);
        }
        let unit = |lane: Rect, right: bool, text: &str| {
            let x = if right {
                lane.right() + UNITS[1]
            } else {
                lane.left() - UNITS[0]
            };
            let at = pos2(x, lane.top() + 5.0);
            small(painter, at, Align2::LEFT_CENTER, text, colours.label);
        };
        let figure = |lane: Rect, y: f32, right: bool, text: String| {
            let (x, align) = if right {
                (lane.right() + 5.0, Align2::LEFT_CENTER)
            } else {
                (lane.left() - 6.0, Align2::RIGHT_CENTER)
            };
            small(painter, pos2(x, y), align, text, colours.label);
        };
        // With its unit, where there is room for a figure.
        let figures = |lane: Rect, axis: &Axis, steps: [f64; 4], right: bool, of: &str| {
            let lines = !right || lanes.ldr != lanes.loudness;
            let [low, high] = axis.range();
            let room = f64::from(lane.height() / 13.0).max(1.0);
            let [.., widest] = steps;
            let every = steps
                .into_iter()
                .find(|step| (high - low) / step <= room)
                .unwrap_or(widest);
            let y_of = |value: f64| place(lane, 0.0, axis.share(value)).y;
            let fits = |y: f32| y > lane.top() + 3.0 && y < lane.bottom() - 3.0;
            let count = axis.ticks(every).filter(|value| fits(y_of(*value))).count();
            // One figure makes no scale: where there are not two, the ends are written.
            let ends = count < 2 && lane.height() >= ROOM_FOR_ENDS;
            for value in axis.ticks(every) {
                let y = y_of(value);
                if lines {
                    painter.hline(lane.x_range(), y, Stroke::new(1.0, colours.grid));
                }
                if !ends && fits(y) {
                    figure(lane, y, right, number::fixed(Some(value), 0));
                }
            }
            if ends || count > 0 {
                unit(lane, right, of);
            }
            if ends {
                for (value, y) in [(high, lane.top()), (low, lane.bottom())] {
                    figure(lane, y, right, number::fixed(Some(value), 0));
                }
            }
        };
        let loudness = [3.0, 6.0, 12.0, 24.0];
        figures(lanes.loudness, &self.level, loudness, false, "LUFS");
        figures(lanes.ldr, &self.ldr_axis, [1.0, 2.0, 4.0, 8.0], true, "dB");
        let lane = lanes.reduction;
        let reach_db = history::reduction_reach_db(&self.reduction);
        unit(lane, false, "dB");
        let reach = number::fixed(Some((-reach_db).into()), 0);
        if lane.height() > 20.0 {
            figure(lane, lane.top() + 5.0, false, "0".into());
            figure(lane, lane.bottom() - 5.0, false, reach);
        } else {
            // What hangs from the top says by itself where nothing is.
            figure(lane, lane.top() + 5.0, false, reach);
        }
    }
}

/// The times below the lanes.
fn times(painter: &Painter, plot: Rect, span: Span, colours: &Colours) {
    #[expect(clippy::cast_sign_loss, reason = "a width is not negative")]
    let count = (plot.width() / 90.0) as usize;
    for mark in time::marks(span, count) {
        let share = (mark - span.start_s) / time::length_s(span);
        let x = plot.left() + share as f32 * plot.width();
        if x > plot.left() - 1.0 && x < plot.right() - 12.0 {
            let at = pos2(x.max(plot.left() + 10.0), plot.bottom() + 9.0);
            let text = number::clock(Some(mark));
            small(painter, at, Align2::CENTER_CENTER, text, colours.label);
        }
    }
}

/// A strip being drawn.
struct Drawn<'a> {
    painter: Painter,
    plot: Rect,
    span: Span,
    colours: &'a Colours,
}

impl Drawn<'_> {
    /// The x of a place between pixels: 0 is the left edge of the first.
    fn x(&self, trace: &Trace, pixels: f64) -> f32 {
        let time_s = trace.start_s + pixels * trace.seconds_per_pixel;
        let share = (time_s - self.span.start_s) / time::length_s(self.span);
        self.plot.left() + share as f32 * self.plot.width()
    }

    fn edges(&self, trace: &Trace, pixels: &Range<usize>) -> [f32; 2] {
        [pixels.start, pixels.end].map(|edge| self.x(trace, edge as f64))
    }

    /// The window's loudness as a band across, to the edge where it is open.
    fn window(&self, lane: Rect, limits: Limits, level: &Axis) {
        if limits == Limits::OPEN {
            return;
        }
        let edge = |limit: Option<f64>, open: f32| {
            limit.map_or(open, |limit| place(lane, 0.0, level.share(limit)).y)
        };
        let within = |y: f32| y.clamp(lane.top(), lane.bottom());
        let top = within(edge(limits.high, lane.top()));
        let bottom = within(edge(limits.low, lane.bottom()));
        let rect = Rect::from_x_y_ranges(lane.x_range(), top..=bottom);
        self.painter
            .rect_filled(rect, 0, self.colours.window_wash());
    }

    /// Where the transport stood still.
    fn gaps(&self, trace: &Trace) {
        let stopped = |pixel: &Pixel| matches!(pixel, Pixel::Stopped);
        let mut start = 0;
        for run in trace
            .pixels
            .chunk_by(|left, right| stopped(left) == stopped(right))
        {
            let pixels = start..start + run.len();
            start = pixels.end;
            if !run.first().is_some_and(stopped) {
                continue;
            }
            let [from, to] = self.edges(trace, &pixels);
            let gap = Rect::from_x_y_ranges(from..=to.max(from + 1.0), self.plot.y_range());
            self.painter.rect_filled(gap, 0, self.colours.face);
            if gap.width() > NAMED_GAP {
                let colour = self.colours.label;
                small(
                    &self.painter,
                    gap.center(),
                    Align2::CENTER_CENTER,
                    "stopped",
                    colour,
                );
            }
        }
    }

    /// The stretches in which everything is known.
    fn runs(&self, lane: Rect, trace: &Trace, axis: &Axis, mut draw: impl FnMut(Vec<egui::Pos2>)) {
        let mut run = Vec::new();
        let mut finish = |run: &mut Vec<egui::Pos2>| {
            if run.len() > 1 {
                draw(std::mem::take(run));
            }
            run.clear();
        };
        for (index, pixel) in trace.pixels.iter().enumerate() {
            match *pixel {
                Pixel::Values { last, .. } => {
                    // What leaves the lane runs along its edge.
                    let y = place(lane, 0.0, axis.share(last.into())).y;
                    let y = y.clamp(lane.top() + 1.0, lane.bottom() - 1.0);
                    run.push(pos2(self.x(trace, index as f64 + 0.5), y));
                }
                _ => finish(&mut run),
            }
        }
        finish(&mut run);
    }

    /// The limiter's reduction, hanging from the top of its lane.
    fn hanging(&self, lane: Rect, trace: &Trace) {
        let reach_db = history::reduction_reach_db(trace);
        let step = self.plot.width() / trace.pixels.len().max(1) as f32;
        let line = Stroke::new(1.0, self.colours.track);
        self.painter.hline(lane.x_range(), lane.top() + 0.5, line);
        for (index, pixel) in trace.pixels.iter().enumerate() {
            if let Pixel::Values { min, .. } = *pixel
                && min < LEAST_GAIN_DB
            {
                let depth = (-min / reach_db).min(1.0) * lane.height();
                let x = self.x(trace, index as f64);
                let bar = Rect::from_x_y_ranges(x..=x + step, lane.top()..=lane.top() + depth);
                self.painter.rect_filled(bar, 0, self.colours.output.mark);
            }
        }
    }

    /// Marks the moments outside `limits` along the rail, with a triangle up for above and down
    /// for below.
    fn outside(&self, rail: Rect, trace: &Trace, limits: Limits, filled: bool) {
        let colour = self.colours.window.mark;
        let middle = rail.center().y + if filled { -ASIDE } else { ASIDE };
        for stretch in trace.outside(limits) {
            let up = stretch.side == Judgement::Above;
            let [from, to] = self.edges(trace, &stretch.pixels);
            let along = Rect::from_x_y_ranges(
                from..=to.max(from + 1.5),
                middle - ALONG / 2.0..=middle + ALONG / 2.0,
            );
            if filled {
                self.painter.rect_filled(along, 0, colour);
            } else {
                let edge = Stroke::new(1.0, colour);
                self.painter
                    .rect_stroke(along, 0, edge, egui::StrokeKind::Inside);
            }
            if along.width() >= MARKED {
                let ground = Rect::from_center_size(along.center(), egui::vec2(13.0, ALONG + 1.0));
                self.painter.rect_filled(ground, 0, self.colours.panel);
                let inside = filled.then_some(colour);
                triangle(&self.painter, along.center(), up, inside, colour);
            }
        }
    }

    /// Ticks at the top where the output's true peak passed the ceiling, the taller the further.
    fn over(&self, lane: Rect, trace: &Trace, ceiling_dbtp: f64) {
        for stretch in trace.outside(Limits::at_most(ceiling_dbtp)) {
            let pixels = trace.pixels.get(stretch.pixels.clone());
            let highest = pixels
                .unwrap_or_default()
                .iter()
                .filter_map(|pixel| match *pixel {
                    Pixel::Values { max, .. } => Some(max),
                    _ => None,
                })
                .fold(f32::NEG_INFINITY, f32::max);
            let by_db = (highest - ceiling_dbtp as f32).clamp(0.0, 6.0);
            let [from, to] = self.edges(trace, &stretch.pixels);
            let tick = Rect::from_x_y_ranges(
                from..=to.max(from + 2.0),
                lane.top()..=lane.top() + OVER[0] + OVER[1] * by_db,
            );
            self.painter.rect_filled(tick, 0, self.colours.text);
        }
    }
}
