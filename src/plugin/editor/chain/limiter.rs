//! The limiter of both paths: ceiling, release, link, and what it is taking away.

use egui::{Align2, Rect, Ui, pos2, vec2};

use super::{HEAD, TRACK, from_bottom, head};
use crate::editor::control::{self, Look};
use crate::editor::number;
use crate::editor::scene::{self, Scene, small};
use crate::editor::view_model::time;
use crestline_core::handover::Column;
use crestline_core::session::{Pixel, Trace};

/// What the height of the trace stands for, dB.
const REACH_DB: f32 = 9.0;
/// Length of the trace, seconds.
const TRACE_S: f64 = 10.0;

/// Room for the trace.
#[derive(Debug, Default)]
pub struct State {
    trace: Trace,
}

/// Draws the stage.
pub fn show(ui: &mut Ui, area: Rect, scene: &Scene<'_>, state: &mut State) {
    let limiter = &scene.params.limiter;
    let on = limiter.on.value();
    let look = Look::new(
        "limiter",
        "Keeps true peaks at or below the ceiling, in the output and in the clean path.",
    );
    head(ui, area, scene, &limiter.on, look);
    let reduction = Rect::from_min_max(
        pos2(area.left(), area.top() + HEAD + 2.0),
        pos2(area.right(), from_bottom(area, 2).top() - 2.0),
    );
    trace(ui, reduction, scene, state, on);
    let look = Look::new("ceiling", "True peak that the output does not pass.");
    control::track(
        ui,
        from_bottom(area, 2),
        scene.setter,
        &limiter.ceiling,
        look.active(on),
    );
    let automatic = limiter.automatic_release.value();
    let line = from_bottom(area, 1);
    let auto = Rect::from_min_size(line.left_top(), vec2(50.0, TRACK - 8.0));
    control::switch(
        ui,
        auto,
        scene.setter,
        &limiter.automatic_release,
        Look::new("auto", "Lets the release follow the programme.").active(on),
    );
    let look = Look::new("", "How fast the gain recovers when set by hand.")
        .instead_when(automatic, "release");
    control::track(
        ui,
        line.with_min_x(auto.right() + 6.0),
        scene.setter,
        &limiter.release,
        look.active(on && !automatic),
    );
    let look = Look::new(
        "link",
        "Share of the other channel's reduction that a channel takes over.",
    );
    control::track(
        ui,
        from_bottom(area, 0),
        scene.setter,
        &limiter.link,
        look.active(on),
    );
}

/// The last seconds of the output path's limiter, hanging from the top, and its lowest gain in
/// words.
fn trace(ui: &Ui, area: Rect, scene: &Scene<'_>, state: &mut State, on: bool) {
    let colours = scene::colours(ui);
    let painter = ui.painter().with_clip_rect(area);
    let span = time::last(TRACE_S, scene.history);
    scene
        .history
        .trace(Column::OutputLimiterGain, span, 100, &mut state.trace);
    let step = area.width() / 100.0;
    let mut lowest = 0.0_f32;
    painter.hline(area.x_range(), area.top() + 0.5, (1.0, colours.track));
    for (index, pixel) in state.trace.pixels.iter().enumerate() {
        if let Pixel::Values { min, .. } = *pixel
            && min < -0.05
        {
            lowest = lowest.min(min);
            let x = area.left() + index as f32 * step;
            let depth = (-min / REACH_DB).clamp(0.0, 1.0) * area.height();
            let bar = Rect::from_min_size(pos2(x, area.top()), vec2(step, depth));
            painter.rect_filled(bar, 0, colours.output.mark.gamma_multiply(0.8));
        }
    }
    if on {
        let head = pos2(area.right(), area.top() - 2.0 - HEAD / 2.0);
        let text = number::with_unit(Some(lowest.into()), 1, "dB");
        small(
            ui.painter(),
            head,
            Align2::RIGHT_CENTER,
            text,
            colours.label,
        );
    }
}
