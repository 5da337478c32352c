//! The history strip: loudness, PLR, peaks over the ceiling and reduction over time.

use egui::{
    Align2, Event, EventFilter, Key, Painter, Rect, Response, Role, Sense, Shape, Stroke, Ui,
    WidgetInfo, pos2, vec2,
};

use super::control;
use super::number;
use super::scene::{self, Scene, label, place, small};
use super::theme::{Colours, SMALL_PT};
use super::view_model::axis::Axis;
use super::view_model::history::{self, CURVES};
use super::view_model::time::{self, Window};
use crate::handover::Column;
use crate::session::{Limits, Pixel, Span, Trace};

/// How much one line of the wheel magnifies.
const ZOOM_STEP: f64 = 1.25;
/// How far an arrow key goes, as a share of the strip.
const PAN_STEP: f64 = 0.1;
/// What the reduction's height stands for, dB, and its share of the strip.
const REACH_DB: f32 = 8.0;
const REDUCTION_SHARE: f32 = 0.3;

/// What the strip remembers between frames.
#[derive(Debug)]
pub struct State {
    window: Window,
    level: Axis,
    traces: [Trace; CURVES.len()],
    reduction: Trace,
    peak: Trace,
    plr: Trace,
}

impl Default for State {
    fn default() -> Self {
        Self {
            window: Window::default(),
            level: Axis::new([-30.0, 0.0], 6.0, 24.0),
            traces: Default::default(),
            reduction: Trace::default(),
            peak: Trace::default(),
            plr: Trace::default(),
        }
    }
}

/// Draws the strip. True while its axis is on its way.
pub fn show(ui: &mut Ui, rect: Rect, scene: &Scene<'_>, state: &mut State) -> bool {
    let colours = scene::colours(ui);
    let area = scene::panel(ui, rect).expand2(vec2(0.0, 5.0));
    let plot = Rect::from_min_max(
        pos2(area.left() + 24.0, area.top() + 18.0),
        area.max - vec2(24.0, 15.0),
    );
    let recorded_s = scene.history.length_s();
    let response = ui.interact(plot, ui.scope_id().with("history"), Sense::click_and_drag());
    steer(ui, &response, plot, state, recorded_s);
    let span = state.window.span(recorded_s);
    let columns = (plot.width() * ui.pixels_per_point()).round().max(1.0);
    #[expect(clippy::cast_sign_loss, reason = "at least 1")]
    let width_px = columns as usize;
    for (curve, trace) in CURVES.iter().zip(&mut state.traces) {
        scene.history.trace(curve.column, span, width_px, trace);
    }
    scene.history.trace(
        Column::OutputLimiterGain,
        span,
        width_px,
        &mut state.reduction,
    );
    scene
        .history
        .trace(Column::TruePeakOutput, span, width_px, &mut state.peak);
    scene
        .history
        .trace(Column::PlrOutput, span, width_px, &mut state.plr);
    let moving = state
        .level
        .follow(history::extent(&state.traces), scene.elapsed_s);
    grid(ui, plot, state, span);
    let painter = ui.painter().with_clip_rect(plot);
    target(&painter, plot, scene, state, colours);
    let drawn = Drawn { plot, span };
    drawn.hanging(&painter, &state.reduction, colours);
    drawn.dashed(
        &painter,
        &state.plr,
        &history::PLR,
        Stroke::new(1.0, colours.output.mark.gamma_multiply(0.7)),
    );
    for (curve, trace) in CURVES.iter().zip(&state.traces) {
        let stroke = Stroke::new(curve.width, colours.hue(curve.signal).mark);
        drawn.curve(&painter, trace, &state.level, stroke);
    }
    drawn.over(
        &painter,
        &state.peak,
        history::ceiling(scene.params),
        colours,
    );
    head(ui, area, scene, state, span);
    read(ui, &response, plot, scene, span);
    control::focus_ring(ui, plot.expand(3.0), &response);
    response.widget_info(|| {
        WidgetInfo::labeled(
            Role::Image,
            true,
            format!("History, {}", history::span_in_words(span)),
        )
    });
    moving
}

/// Wheel and keys magnify, drag and keys move, a double click shows everything.
fn steer(ui: &Ui, response: &Response, plot: Rect, state: &mut State, recorded_s: f64) {
    if response.double_clicked() {
        state.window.whole();
    }
    if response.dragged() {
        let share = -f64::from(response.drag_delta().x / plot.width());
        state.window.pan(share, recorded_s);
    }
    if let Some(at) = response.hover_pos() {
        let [across, lines] = ui.input(|input| {
            input
                .events
                .iter()
                .fold([0.0; 2], |[x, y], event| match event {
                    Event::MouseWheel { unit, delta, .. } => {
                        let per_line = if *unit == egui::MouseWheelUnit::Point {
                            40.0
                        } else {
                            1.0
                        };
                        [x + delta.x / per_line, y + delta.y / per_line]
                    }
                    _ => [x, y],
                })
        });
        let share = f64::from((at.x - plot.left()) / plot.width());
        if lines != 0.0 {
            state
                .window
                .zoom(ZOOM_STEP.powf(lines.into()), share, recorded_s);
        }
        if across != 0.0 {
            state.window.pan(-PAN_STEP * f64::from(across), recorded_s);
        }
    }
    if response.has_focus() {
        let arrows = EventFilter {
            horizontal_arrows: true,
            vertical_arrows: true,
            ..EventFilter::default()
        };
        ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, arrows));
        let presses = |key| ui.input(|input| input.num_presses(key)) as f64;
        let zoom = presses(Key::ArrowUp) + presses(Key::Plus)
            - presses(Key::ArrowDown)
            - presses(Key::Minus);
        if zoom != 0.0 {
            state.window.zoom(ZOOM_STEP.powf(zoom), 0.5, recorded_s);
        }
        state.window.pan(
            PAN_STEP * (presses(Key::ArrowRight) - presses(Key::ArrowLeft)),
            recorded_s,
        );
        if presses(Key::Home) > 0.0 {
            state.window.whole();
        }
    }
}

fn grid(ui: &Ui, plot: Rect, state: &State, span: Span) {
    let colours = scene::colours(ui);
    let painter = ui.painter();
    painter.rect_filled(plot, 2, colours.well);
    for level in state.level.ticks(6.0) {
        let y = place(plot, 0.0, state.level.share(level)).y;
        painter.hline(plot.x_range(), y, Stroke::new(1.0, colours.grid));
        if y > plot.top() + 6.0 && y < plot.bottom() - 4.0 {
            let at = pos2(plot.left() - 6.0, y);
            small(
                painter,
                at,
                Align2::RIGHT_CENTER,
                number::fixed(Some(level), 0),
                colours.label,
            );
        }
    }
    for db in history::PLR.ticks(8.0) {
        let y = place(plot, 0.0, history::PLR.share(db)).y;
        if y > plot.top() + 6.0 && y < plot.bottom() - 4.0 {
            let at = pos2(plot.right() + 5.0, y);
            small(
                painter,
                at,
                Align2::LEFT_CENTER,
                number::fixed(Some(db), 0),
                colours.label,
            );
        }
    }
    #[expect(clippy::cast_sign_loss, reason = "a width is not negative")]
    let count = (plot.width() / 90.0) as usize;
    for mark in time::marks(span, count) {
        let x = plot.left() + ((mark - span.start_s) / time::length_s(span)) as f32 * plot.width();
        if x > plot.left() - 1.0 && x < plot.right() - 12.0 {
            let at = pos2(x.max(plot.left() + 10.0), plot.bottom() + 9.0);
            small(
                painter,
                at,
                Align2::CENTER_CENTER,
                number::clock(Some(mark)),
                colours.label,
            );
        }
    }
}

/// The window's loudness as a band across.
fn target(painter: &Painter, plot: Rect, scene: &Scene<'_>, state: &State, colours: &Colours) {
    let Limits {
        low: Some(low),
        high: Some(high),
    } = scene.session.target().loudness_lufs
    else {
        return;
    };
    let [low, high] = [low, high].map(|level| place(plot, 0.0, state.level.share(level)).y);
    painter.rect_filled(
        Rect::from_x_y_ranges(plot.x_range(), high..=low),
        0,
        colours.window_wash(),
    );
}

/// Where the strip is and which time it spans.
struct Drawn {
    plot: Rect,
    span: Span,
}

impl Drawn {
    /// The x of each pixel's middle.
    fn x(&self, trace: &Trace, index: usize) -> f32 {
        let time_s = trace.start_s + (index as f64 + 0.5) * trace.seconds_per_pixel;
        let share = (time_s - self.span.start_s) / time::length_s(self.span);
        self.plot.left() + share as f32 * self.plot.width()
    }

    /// A line through what is known, broken where nothing is.
    fn curve(&self, painter: &Painter, trace: &Trace, axis: &Axis, stroke: Stroke) {
        self.runs(trace, axis, |run| {
            painter.add(Shape::line(run, stroke));
        });
    }

    /// The same in dashes.
    fn dashed(&self, painter: &Painter, trace: &Trace, axis: &Axis, stroke: Stroke) {
        self.runs(trace, axis, |run| {
            painter.extend(Shape::dashed_line(&run, stroke, 3.0, 3.0));
        });
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
                    let y = place(self.plot, 0.0, axis.share(last.into())).y;
                    run.push(pos2(self.x(trace, index), y));
                }
                _ => finish(&mut run),
            }
        }
        finish(&mut run);
    }

    /// The limiter's reduction, hanging from the top.
    fn hanging(&self, painter: &Painter, trace: &Trace, colours: &Colours) {
        let colour = colours.output.mark.gamma_multiply(0.45);
        let step = self.plot.width() / trace.pixels.len().max(1) as f32;
        for (index, pixel) in trace.pixels.iter().enumerate() {
            if let Pixel::Values { min, .. } = *pixel
                && min < -0.05
            {
                let depth = (-min / REACH_DB).min(1.0) * REDUCTION_SHARE * self.plot.height();
                let x = self.x(trace, index);
                let bar = Rect::from_x_y_ranges(
                    x - step / 2.0..=x + step / 2.0,
                    self.plot.top()..=self.plot.top() + depth,
                );
                painter.rect_filled(bar, 0, colour);
            }
        }
    }

    /// Ticks at the top where the output's true peak passed the ceiling.
    fn over(&self, painter: &Painter, trace: &Trace, ceiling_dbtp: f64, colours: &Colours) {
        let limits = Limits {
            low: None,
            high: Some(ceiling_dbtp),
        };
        for stretch in trace.outside(limits) {
            let [from, to] =
                [stretch.pixels.start, stretch.pixels.end].map(|index| self.x(trace, index));
            let rect = Rect::from_x_y_ranges(
                from - 1.0..=to + 1.0,
                self.plot.top()..=self.plot.top() + 5.0,
            );
            painter.rect_filled(rect, 0, colours.text);
        }
    }
}

fn head(ui: &mut Ui, area: Rect, scene: &Scene<'_>, state: &mut State, span: Span) {
    let colours = scene::colours(ui);
    let y = area.top() + 6.0;
    let mut x = label(
        ui.painter(),
        pos2(area.left(), y),
        Align2::LEFT_CENTER,
        "history",
        colours.label,
    )
    .right()
        + 18.0;
    for (text, colour) in [
        ("short-term loudness, output", colours.output.text),
        ("input", colours.input.text),
        ("PLR, dashed, right-hand scale", colours.output.text),
        ("limiter, from the top", colours.output.text),
    ] {
        x = small(ui.painter(), pos2(x, y), Align2::LEFT_CENTER, text, colour).right() + 14.0;
    }
    let whole = state.window.is_whole();
    let words = if whole {
        "whole song · wheel magnifies".into()
    } else {
        history::span_in_words(span)
    };
    let buttons = if whole { 76.0 } else { 130.0 };
    small(
        ui.painter(),
        pos2(area.right() - buttons, y),
        Align2::RIGHT_CENTER,
        words,
        colours.label,
    );
    let button = |ui: &mut Ui, left: f32, width: f32, name: &str, tip: &str| {
        let rect = Rect::from_min_size(pos2(area.right() - left, y - 9.0), vec2(width, 18.0));
        ui.put(
            rect,
            egui::Button::new(egui::RichText::new(name).size(SMALL_PT)).small(),
        )
        .on_hover_text(tip)
        .clicked()
    };
    if button(
        ui,
        68.0,
        68.0,
        "copy CSV",
        "Copies what is shown as a table of comma-separated values.",
    ) {
        let mut table = Vec::new();
        if scene.history.write_csv(span, &mut table).is_ok() {
            ui.ctx()
                .copy_text(String::from_utf8_lossy(&table).into_owned());
        }
    }
    if !whole
        && button(
            ui,
            122.0,
            48.0,
            "whole",
            "Shows everything since the last restart.",
        )
    {
        state.window.whole();
    }
}

/// The values under the pointer.
fn read(ui: &Ui, response: &Response, plot: Rect, scene: &Scene<'_>, span: Span) {
    let Some(at) = response.hover_pos() else {
        return;
    };
    let colours = scene::colours(ui);
    let share = f64::from((at.x - plot.left()) / plot.width());
    let time_s = span.start_s + share * time::length_s(span);
    let painter = ui.painter().with_clip_rect(plot);
    painter.vline(at.x, plot.y_range(), Stroke::new(1.0, colours.level));
    let Some(recorded) = scene.history.at(time_s) else {
        return;
    };
    let told = history::values_in_words(time_s, &recorded);
    let right = at.x > plot.center().x;
    let (align, x) = if right {
        (Align2::RIGHT_BOTTOM, at.x - 8.0)
    } else {
        (Align2::LEFT_BOTTOM, at.x + 8.0)
    };
    let galley = painter.layout_no_wrap(
        told,
        egui::FontId::proportional(SMALL_PT + 1.0),
        colours.text,
    );
    let rect = align.anchor_size(pos2(x, plot.bottom() - 6.0), galley.size());
    painter.rect_filled(rect.expand2(vec2(5.0, 3.0)), 3, colours.face);
    painter.galley(rect.min, galley, colours.text);
}
