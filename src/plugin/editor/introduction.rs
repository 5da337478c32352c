//! What the editor says when it is first opened, in the place where the song will appear.

use egui::{Rect, Role, Sense, Ui, WidgetInfo, pos2, vec2};

use super::scene::{self, Scene};
use super::theme::{BODY_PT, font};

const LINES: [&str; 3] = [
    "Play: the mix appears here, louder to the right, with more of its beat upwards.",
    "Push: it moves along its rail; where the ticks bunch up, pushing no longer pays.",
    "Listen matched: the louder one does not win by being louder.",
];
/// What is proposed first, where it has not been done.
const LIMITER_OFF: &str =
    "The limiter is off: nothing holds the peaks yet. Switch it on, then push.";
const LINE_GAP: f32 = 7.0;

/// Whether anything has been heard since the last restart.
pub fn heard(scene: &Scene<'_>) -> bool {
    scene.snapshot.input.readings.true_peak_dbtp.is_some()
}

/// Writes the lines over the empty plot, until something has been heard.
pub fn show(ui: &Ui, plot: Rect, scene: &Scene<'_>) {
    if scene.session.introduced || heard(scene) {
        return;
    }
    let colours = scene::colours(ui);
    let painter = ui.painter().with_clip_rect(plot);
    let size = font(ui.ctx(), BODY_PT);
    let proposed = (!scene.params.limiter.on.value()).then_some(LIMITER_OFF);
    let lines: Vec<&str> = LINES.into_iter().chain(proposed).collect();
    let width = plot.width() - 48.0;
    let galleys = lines
        .iter()
        .map(|line| painter.layout((*line).into(), size.clone(), colours.text, width));
    let galleys: Vec<_> = galleys.collect();
    // In the lower left, away from the window's name.
    let mut bottom = plot.bottom() - 30.0;
    let mut ground = Rect::NOTHING;
    let mut placed = Vec::with_capacity(galleys.len());
    for galley in galleys.into_iter().rev() {
        let at = pos2(plot.left() + 24.0, bottom - galley.size().y);
        ground = ground.union(Rect::from_min_size(at, galley.size()));
        bottom = at.y - LINE_GAP;
        placed.push((at, galley));
    }
    painter.rect_filled(ground.expand2(vec2(8.0, 5.0)), 2, colours.well);
    for (at, galley) in placed {
        painter.galley(at, galley, colours.text);
    }
    let response = ui.interact(ground, ui.scope_id().with("introduction"), Sense::HOVER);
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, lines.join(" ")));
}
