//! The chosen band's curve: level in across, level out up.

use egui::{Align2, Pos2, Rect, Role, Sense, Shape, Stroke, Ui, WidgetInfo, remap_clamp, vec2};

use super::rows::{RANGE_DB, Row};
use crate::editor::control::grip;
use crate::editor::number::fixed;
use crate::editor::scene::{self, place, small};

const POINTS: u8 = 48;

/// Draws the curve, the level of now on it.
pub fn show(ui: &Ui, area: Rect, row: &Row) {
    let colours = scene::colours(ui);
    let painter = ui.painter().with_clip_rect(area);
    painter.rect_filled(area, 2, colours.well);
    let [low, high] = RANGE_DB;
    let share = |db: f32| (db - low) / (high - low);
    let at = |in_db: f32, out_db: f32| -> Pos2 { place(area, share(in_db), share(out_db)) };
    let grid = Stroke::new(1.0, colours.grid);
    for db in [-40.0, -20.0] {
        painter.vline(at(db, 0.0).x, area.y_range(), grid);
        painter.hline(area.x_range(), at(0.0, db).y, grid);
    }
    let unchanged = [at(low, low), at(high, high)];
    let thin = Stroke::new(1.0, colours.level);
    painter.extend(Shape::dashed_line(&unchanged, thin, 2.0, 3.0));
    let out_db = |in_db: f32| row.settings.output_db(in_db.into()) as f32;
    let curve = (0..=POINTS)
        .map(|point| {
            let in_db = low + (high - low) * f32::from(point) / f32::from(POINTS);
            at(in_db, out_db(in_db))
        })
        .collect();
    let colour = if row.working {
        colours.output.mark
    } else {
        colours.level
    };
    painter.add(Shape::line(curve, Stroke::new(2.0, colour)));
    let threshold = at(row.threshold_db, out_db(row.threshold_db));
    painter.vline(
        threshold.x,
        threshold.y - 5.0..=threshold.y + 5.0,
        Stroke::new(2.5, colours.text),
    );
    if let Some(level_db) = row.level_db {
        let makeup_db = row.settings.makeup_db as f32;
        let now = at(level_db, level_db + row.gain_db + makeup_db);
        painter.circle(now, 4.0, colours.text, Stroke::new(1.5, colours.well));
    }
    small(
        &painter,
        area.right_bottom() - vec2(4.0, 2.0),
        Align2::RIGHT_BOTTOM,
        "in, dBFS",
        colours.label,
    );
    let response = ui.interact(area, ui.scope_id().with("band's curve"), Sense::HOVER);
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, "Band's curve"));
    if let Some(pointer) = response.hover_pos() {
        let in_db = remap_clamp(pointer.x, area.x_range(), low..=high);
        let on_curve = at(in_db, out_db(in_db));
        painter.circle_filled(on_curve, 3.0, colours.text);
        let [input, output] = [in_db, out_db(in_db)].map(|db| fixed(Some(db.into()), 1));
        let text = format!("{input} dBFS in, {output} dBFS out");
        let bounds = area.expand2(vec2(80.0, 0.0));
        grip::tell(ui.painter(), bounds, on_curve, &text, colours);
    }
}
