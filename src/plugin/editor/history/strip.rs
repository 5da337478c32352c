//! The strip itself: what is drawn of a stretch of time, in the window and in an exported picture
//! alike.

use std::ops::Range;

use egui::{Align2, Painter, Rect, Shape, Stroke, pos2, vec2};

use crate::editor::number;
use crate::editor::scene::{place, small};
use crate::editor::theme::Colours;
use crate::editor::view_model::axis::Axis;
use crate::editor::view_model::history::{self, CURVES};
use crate::editor::view_model::time;
use crestline_core::handover::Column;
use crestline_core::session::{History, Judgement, Limits, Pixel, Span, TargetWindow, Trace};

/// What the reduction's height stands for, dB, and its share of the strip.
const REACH_DB: f32 = 8.0;
const REDUCTION_SHARE: f32 = 0.3;
/// Least height of a tick for a peak over the ceiling, points, and how much it grows with each dB.
const OVER: [f32; 2] = [5.0, 3.0];
/// Room for the figures left and right, and below.
const FIGURES: f32 = 24.0;
const TIMES: f32 = 15.0;
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

/// The traces of one strip and its loudness axis, kept from frame to frame: a frame costs what is
/// new in it.
#[derive(Debug)]
pub struct Strip {
    level: Axis,
    curves: [Trace; CURVES.len()],
    reduction: Trace,
    peak: Trace,
    plr: Trace,
}

impl Default for Strip {
    fn default() -> Self {
        Self {
            level: Axis::new([-30.0, 0.0], 6.0, 24.0),
            curves: Default::default(),
            reduction: Trace::default(),
            peak: Trace::default(),
            plr: Trace::default(),
        }
    }
}

/// Where the curves lie within a strip's room.
pub fn plot_in(room: Rect) -> Rect {
    Rect::from_min_max(
        room.min + vec2(FIGURES, 0.0),
        room.max - vec2(FIGURES, TIMES),
    )
}

impl Strip {
    /// Reads `span` for a plot of `width_px` pixels. True while the axis is on its way.
    pub fn read(&mut self, history: &History, span: Span, width_px: usize, elapsed_s: f64) -> bool {
        for (curve, trace) in CURVES.iter().zip(&mut self.curves) {
            history.trace(curve.column, span, width_px, trace);
        }
        for (column, trace) in [
            (Column::OutputLimiterGain, &mut self.reduction),
            (Column::TruePeakOutput, &mut self.peak),
            (Column::PlrOutput, &mut self.plr),
        ] {
            history.trace(column, span, width_px, trace);
        }
        self.level.follow(history::extent(&self.curves), elapsed_s)
    }

    /// Goes to where the axis is heading at once.
    pub fn settle(&mut self) {
        self.level.settle();
    }

    /// Draws what was read last.
    pub fn paint(
        &self,
        painter: &Painter,
        plot: Rect,
        span: Span,
        subject: Subject<'_>,
        colours: &Colours,
    ) {
        self.grid(painter, plot, span, colours);
        let drawn = Drawn {
            painter: painter.with_clip_rect(plot),
            plot,
            span,
            colours,
        };
        let [.., output] = &self.curves;
        let Subject {
            target,
            ceiling_dbtp,
        } = subject;
        drawn.window(target.loudness_lufs, &self.level);
        drawn.gaps(output);
        drawn.hanging(&self.reduction);
        let thin = Stroke::new(1.0, colours.output.mark.gamma_multiply(0.7));
        let thick = Stroke::new(2.0, colours.window.mark);
        drawn.runs(&self.plr, &history::PLR, |run| {
            drawn
                .painter
                .extend(Shape::dashed_line(&run, thin, 3.0, 3.0));
        });
        for (curve, trace) in CURVES.iter().zip(&self.curves) {
            let stroke = Stroke::new(curve.width, colours.hue(curve.signal).mark);
            drawn.runs(trace, &self.level, |run| {
                drawn.painter.add(Shape::line(run, stroke));
            });
        }
        // Solid for loudness and dashed for PLR, as their curves are.
        drawn.outside(output, target.loudness_lufs, &self.level, |ends| {
            drawn.painter.line_segment(ends, thick);
        });
        drawn.outside(&self.plr, target.plr_db, &history::PLR, |ends| {
            drawn
                .painter
                .extend(Shape::dashed_line(&ends, thick, 4.0, 3.0));
        });
        drawn.over(&self.peak, ceiling_dbtp);
    }

    fn grid(&self, painter: &Painter, plot: Rect, span: Span, colours: &Colours) {
        painter.rect_filled(plot, 2, colours.well);
        let legible = |y: f32| y > plot.top() + 6.0 && y < plot.bottom() - 4.0;
        for level in self.level.ticks(6.0) {
            let y = place(plot, 0.0, self.level.share(level)).y;
            painter.hline(plot.x_range(), y, Stroke::new(1.0, colours.grid));
            if legible(y) {
                let at = pos2(plot.left() - 6.0, y);
                let text = number::fixed(Some(level), 0);
                small(painter, at, Align2::RIGHT_CENTER, text, colours.label);
            }
        }
        for db in history::PLR.ticks(8.0) {
            let y = place(plot, 0.0, history::PLR.share(db)).y;
            if legible(y) {
                let at = pos2(plot.right() + 5.0, y);
                let text = number::fixed(Some(db), 0);
                small(painter, at, Align2::LEFT_CENTER, text, colours.label);
            }
        }
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

    fn y(&self, axis: &Axis, value: f64) -> f32 {
        place(self.plot, 0.0, axis.share(value)).y
    }

    /// The window's loudness as a band across, to the edge where it is open.
    fn window(&self, limits: Limits, level: &Axis) {
        if limits == Limits::OPEN {
            return;
        }
        let edge = |limit: Option<f64>, open: f32| limit.map_or(open, |limit| self.y(level, limit));
        let band = edge(limits.high, self.plot.top())..=edge(limits.low, self.plot.bottom());
        let rect = Rect::from_x_y_ranges(self.plot.x_range(), band);
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
    fn runs(&self, trace: &Trace, axis: &Axis, mut draw: impl FnMut(Vec<egui::Pos2>)) {
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
                    let y = self.y(axis, last.into());
                    run.push(pos2(self.x(trace, index as f64 + 0.5), y));
                }
                _ => finish(&mut run),
            }
        }
        finish(&mut run);
    }

    /// The limiter's reduction, hanging from the top.
    fn hanging(&self, trace: &Trace) {
        let colour = self.colours.output.mark.gamma_multiply(0.45);
        let step = self.plot.width() / trace.pixels.len().max(1) as f32;
        for (index, pixel) in trace.pixels.iter().enumerate() {
            if let Pixel::Values { min, .. } = *pixel
                && min < -0.05
            {
                let depth = (-min / REACH_DB).min(1.0) * REDUCTION_SHARE * self.plot.height();
                let x = self.x(trace, index as f64);
                let top = self.plot.top();
                let bar = Rect::from_x_y_ranges(x..=x + step, top..=top + depth);
                self.painter.rect_filled(bar, 0, colour);
            }
        }
    }

    /// Marks the moments outside `limits` by lighting up the edge that was passed.
    fn outside(
        &self,
        trace: &Trace,
        limits: Limits,
        axis: &Axis,
        mut draw: impl FnMut([egui::Pos2; 2]),
    ) {
        for stretch in trace.outside(limits) {
            let passed = match stretch.side {
                Judgement::Above => limits.high,
                _ => limits.low,
            };
            if let Some(limit) = passed {
                let edge = self.plot.y_range().shrink(2.0);
                let y = self.y(axis, limit).clamp(edge.min, edge.max);
                let [from, to] = self.edges(trace, &stretch.pixels);
                draw([pos2(from, y), pos2(to.max(from + 1.5), y)]);
            }
        }
    }

    /// Ticks at the top where the output's true peak passed the ceiling, the taller the further.
    fn over(&self, trace: &Trace, ceiling_dbtp: f64) {
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
            let top = self.plot.top();
            let tick = Rect::from_x_y_ranges(
                from..=to.max(from + 2.0),
                top..=top + OVER[0] + OVER[1] * by_db,
            );
            self.painter.rect_filled(tick, 0, self.colours.text);
        }
    }
}
