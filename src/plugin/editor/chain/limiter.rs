//! The limiter of both paths: ceiling, release, link, and what it is taking away.

use egui::{Align2, Painter, Rect, Role, Sense, Shape, Stroke, Ui, WidgetInfo, pos2, vec2};

use super::tile::Face;
use super::{cell, hint, lines};
use crate::editor::control::{self, Look, grip};
use crate::editor::number::{fixed, with_unit};
use crate::editor::scene::{self, Scene, label, small};
use crate::editor::theme::Colours;
use crate::editor::view_model::history::{LEAST_GAIN_DB, reach_db};
use crate::editor::view_model::time;
use crestline_core::handover::Column;
use crestline_core::session::{Pixel, Trace};

/// What the height of a trace may stand for, dB: the least that holds it.
const REACHES_DB: [f32; 4] = [3.0, 6.0, 12.0, 24.0];
/// Length of the trace, seconds, and what it is divided into.
const TRACE_S: f64 = 10.0;
const COLUMNS: usize = 100;

/// The last seconds of both paths' limiters.
#[derive(Debug, Default)]
pub struct State {
    output: Trace,
    clean: Trace,
    /// The lowest of both, as it is written: along with everything else that is.
    lowest_db: [Option<f32>; 2],
    written_at: Option<u64>,
}

impl State {
    fn read(&mut self, scene: &Scene<'_>) {
        let span = time::last(TRACE_S, scene.history);
        for (column, trace) in [
            (Column::OutputLimiterGain, &mut self.output),
            (Column::CleanLimiterGain, &mut self.clean),
        ] {
            scene.history.trace(column, span, COLUMNS, trace);
        }
        let frames = Some(scene.told.input.readings.frames);
        if self.written_at != frames {
            self.lowest_db = [&self.output, &self.clean].map(lowest_db);
            self.written_at = frames;
        }
    }

    fn reduction_in_words(&self) -> [String; 2] {
        self.lowest_db
            .map(|lowest| with_unit(lowest.map(|db| -f64::from(db)), 1, "dB"))
    }

    fn reach_db(&self) -> f32 {
        let lowest = [&self.output, &self.clean]
            .into_iter()
            .filter_map(lowest_db)
            .fold(0.0, f32::min);
        reach_db(REACHES_DB, lowest)
    }
}

/// The lowest gain of each moment, `None` while none is known.
fn gains(trace: &Trace) -> impl Iterator<Item = Option<f32>> + '_ {
    trace.pixels.iter().map(|pixel| match *pixel {
        Pixel::Values { min, .. } => Some(min.min(0.0)),
        _ => None,
    })
}

fn lowest_db(trace: &Trace) -> Option<f32> {
    gains(trace).flatten().reduce(f32::min)
}

/// What the tile says.
pub fn face(scene: &Scene<'_>, state: &mut State) -> Face {
    let limiter = &scene.params.limiter;
    state.read(scene);
    let ceiling = with_unit(Some(limiter.ceiling.value().into()), 1, "dBTP");
    let on = limiter.on.value();
    let second = if on {
        let [most, _] = state.reduction_in_words();
        format!("reduction {most} in 10 s")
    } else {
        "off: peaks pass as they are".into()
    };
    Face {
        brief: (!on).then_some("off: peaks pass"),
        ..lines(format!("ceiling {ceiling}"), second, on)
    }
}

/// The last seconds as they stand in the tile, hanging from the top.
pub fn miniature(ui: &Ui, area: Rect, scene: &Scene<'_>, state: &State) {
    let colours = scene::colours(ui);
    let painter = ui.painter().with_clip_rect(area);
    painter.rect_filled(area, 2, colours.well);
    if scene.params.limiter.on.value() {
        hang(&painter, area, &state.output, state.reach_db(), colours);
    }
    painter.hline(area.x_range(), area.top() + 0.5, (1.0, colours.level));
}

fn hang(painter: &Painter, area: Rect, trace: &Trace, reach_db: f32, colours: &Colours) {
    let step = area.width() / COLUMNS as f32;
    for (index, gain) in gains(trace).enumerate() {
        if let Some(gain_db) = gain.filter(|gain_db| *gain_db < LEAST_GAIN_DB) {
            let depth = (-gain_db / reach_db).min(1.0) * area.height();
            let left = area.left() + index as f32 * step;
            let bar = Rect::from_min_size(pos2(left, area.top()), vec2(step, depth));
            painter.rect_filled(bar, 0, colours.output.mark);
        }
    }
}

/// Draws the open stage.
pub fn opened(ui: &mut Ui, head: Rect, body: Rect, scene: &Scene<'_>, state: &mut State) {
    state.read(scene);
    let limiter = &scene.params.limiter;
    let on = limiter.on.value();
    let colours = scene::colours(ui);
    let [output, clean] = state.reduction_in_words();
    let at = pos2(head.left(), head.center().y - 3.0);
    let said = format!("most reduction in 10 s: output {output}, clean {clean}");
    let said = label(ui.painter(), at, Align2::LEFT_CENTER, said, colours.text);
    let head = head.with_min_x(said.right() + 18.0);
    hint(ui, head, "bars: output · line: clean");
    let area = body.with_max_x(body.left() + (0.55 * body.width()).round());
    picture(ui, area, state, on);
    let tracks = body.with_min_x(area.right() + 28.0);
    let look = Look::new(
        "ceiling",
        "True peak that the output does not pass; meters read up to 0.2 dB over it of bright music, \
         0.4 of noise and of what was clipped before. The saturator's curve ends here, too.",
    );
    let rect = cell(tracks, [1, 3], [0, 0]);
    // It ends the saturator's curve also where nothing is limited.
    let ends = on || scene.params.saturator.on.value();
    control::track(ui, rect, scene.setter, &limiter.ceiling, look.active(ends));
    let automatic = limiter.automatic_release.value();
    let line = cell(tracks, [1, 3], [0, 1]);
    let switch = line.with_max_x(line.left() + 100.0);
    control::switch(
        ui,
        switch,
        scene.setter,
        &limiter.automatic_release,
        Look::new("automatic", "Lets the release follow the programme.").active(on),
    );
    let look = Look::new("release", "How fast the gain recovers when set by hand.")
        .instead_when(automatic, "automatic");
    control::track(
        ui,
        line.with_min_x(switch.right() + 10.0),
        scene.setter,
        &limiter.release,
        look.active(on && !automatic),
    );
    let look = Look::new(
        "channel link",
        "Share of the other channel's reduction that a channel takes over.",
    );
    let rect = cell(tracks, [1, 3], [0, 2]);
    control::track(ui, rect, scene.setter, &limiter.link, look.active(on));
}

/// The last seconds of both paths, with their scale.
fn picture(ui: &mut Ui, room: Rect, state: &State, on: bool) {
    let colours = scene::colours(ui);
    let area = room.with_min_x(room.left() + 44.0);
    let painter = ui.painter().with_clip_rect(area);
    painter.rect_filled(area, 2, colours.well);
    let reach_db = state.reach_db();
    for third in 0..=2_u8 {
        let db = -reach_db * f32::from(third) / 3.0;
        let y = area.top() - db / reach_db * area.height();
        painter.hline(area.x_range(), y, Stroke::new(1.0, colours.grid));
        let at = pos2(area.left() - 6.0, y.max(area.top() + 6.0));
        let text = with_unit(Some(db.into()), 0, "dB");
        small(ui.painter(), at, Align2::RIGHT_CENTER, text, colours.label);
    }
    hang(&painter, area, &state.output, reach_db, colours);
    clean(&painter, area, &state.clean, reach_db, colours);
    if !on {
        let text = "off: peaks pass as they are";
        label(
            &painter,
            area.center(),
            Align2::CENTER_CENTER,
            text,
            colours.label,
        );
    }
    let response = ui.interact(area, ui.scope_id().with("limiter's trace"), Sense::HOVER);
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, "Limiter's last 10 s"));
    if let Some(at) = response.hover_pos() {
        let share = f64::from((at.x - area.left()) / area.width());
        #[expect(clippy::cast_sign_loss, reason = "the pointer is within the picture")]
        let index = (share * COLUMNS as f64) as usize;
        let [output, clean] = [&state.output, &state.clean].map(|trace| {
            let gain = gains(trace).nth(index).flatten();
            fixed(gain.map(f64::from), 1)
        });
        let ago = fixed(Some(TRACE_S * (1.0 - share)), 1);
        let text = format!("{ago} s ago: output {output} dB, clean {clean} dB");
        painter.vline(at.x, area.y_range(), Stroke::new(1.0, colours.level));
        grip::tell(&painter, area, at, &text, colours);
    }
}

/// The clean path as a line.
fn clean(painter: &Painter, area: Rect, trace: &Trace, reach_db: f32, colours: &Colours) {
    let step = area.width() / COLUMNS as f32;
    let stroke = Stroke::new(1.5, colours.clean.mark);
    let mut run = Vec::new();
    for (index, gain) in gains(trace).chain([None]).enumerate() {
        if let Some(gain_db) = gain {
            let y = area.top() + (-gain_db / reach_db).min(1.0) * area.height();
            let x = area.left() + index as f32 * step;
            run.extend([pos2(x, y), pos2(x + step, y)]);
        } else if !run.is_empty() {
            painter.add(Shape::line(std::mem::take(&mut run), stroke));
        }
    }
}
