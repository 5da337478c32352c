//! What is told when the editor is first opened, in the place where the song will appear.

use egui::{FontId, Rect, Role, Sense, Ui, WidgetInfo, pos2, vec2};

use super::scene::{self, Scene};
use super::theme::BODY_PT;

const LINES: [&str; 3] = [
    "Play: the mix appears here, louder to the right, more open upwards.",
    "Push: it slides along the falling line, towards the yellow window.",
    "Listen matched: the louder one does not win by being louder.",
];
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
    let font = FontId::proportional(BODY_PT);
    let galleys = LINES.map(|line| {
        let width = plot.width() - 48.0;
        painter.layout(line.into(), font.clone(), colours.text, width)
    });
    // In the lower left, where a plot that falls to the right has least to show; above the window's
    // name.
    let mut bottom = plot.bottom() - 30.0;
    let mut ground = Rect::NOTHING;
    for galley in galleys.into_iter().rev() {
        let at = pos2(plot.left() + 24.0, bottom - galley.size().y);
        let line = Rect::from_min_size(at, galley.size());
        painter.rect_filled(line.expand2(vec2(4.0, 1.0)), 2, colours.well);
        painter.galley(at, galley, colours.text);
        ground = ground.union(line);
        bottom = at.y - LINE_GAP;
    }
    let response = ui.interact(ground, ui.scope_id().with("introduction"), Sense::HOVER);
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, LINES.join(" ")));
}
