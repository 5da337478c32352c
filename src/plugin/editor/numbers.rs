//! The table of numbers: input, clean, output, and the change from input to output.

use egui::{Align2, Rect, Role, Sense, Ui, WidgetInfo, pos2, vec2};

use super::mark;
use super::number;
use super::scene::{self, Scene, label, small};
use super::theme::{BODY_PT, SMALL_PT, Signal, VALUE_PT};
use super::view_model::numbers::{self, Row};

/// Least height of a row, points: rows that would not fit are left to a larger window.
const LEAST_ROW: f32 = 14.5;
/// Greatest height of a row, points.
const MOST_ROW: f32 = 30.0;
const HEADER: f32 = 24.0;
/// Where the columns end, as shares of the table's width: unit (begins), input, clean, output,
/// change.
const COLUMNS: [f32; 5] = [0.245, 0.485, 0.645, 0.82, 1.0];

/// Draws the table; rows from the most to the least wanted, as many as fit.
pub fn show(ui: &mut Ui, rect: Rect, scene: &Scene<'_>) {
    let area = scene::panel(ui, rect).expand2(vec2(0.0, 6.0));
    let rows = numbers::rows(scene.snapshot, scene.session.playback_lufs);
    let room = area.height() - HEADER;
    let height = (room / rows.len() as f32).clamp(LEAST_ROW, MOST_ROW);
    header(ui, area, &rows);
    let mut top = area.top() + HEADER;
    for row in &rows {
        if top + height > area.bottom() + 0.5 {
            break;
        }
        line(
            ui,
            Rect::from_min_size(pos2(area.left(), top), vec2(area.width(), height)),
            row,
        );
        top += height;
    }
}

fn column(area: Rect, index: usize) -> f32 {
    area.left() + COLUMNS[index] * area.width()
}

fn header(ui: &mut Ui, area: Rect, rows: &[Row]) {
    let colours = scene::colours(ui);
    let middle = area.top() + HEADER / 2.0 - 2.0;
    for (index, (signal, name)) in [
        (Signal::Input, "input"),
        (Signal::Clean, "clean"),
        (Signal::Output, "output"),
    ]
    .into_iter()
    .enumerate()
    {
        let right = column(area, index + 1);
        let written = label(
            ui.painter(),
            pos2(right, middle),
            Align2::RIGHT_CENTER,
            name,
            colours.label,
        );
        let at = pos2(written.left() - 12.0, middle);
        mark::paint(ui.painter(), signal, at, 10.0, colours.hue(signal).mark);
    }
    label(
        ui.painter(),
        pos2(column(area, 4), middle),
        Align2::RIGHT_CENTER,
        "change",
        colours.label,
    );
    let button = Rect::from_min_size(pos2(area.left() - 6.0, middle - 10.0), vec2(48.0, 20.0));
    let copy = ui
        .put(
            button,
            egui::Button::new(egui::RichText::new("copy").size(SMALL_PT)).small(),
        )
        .on_hover_text("Copies the table as text that spreadsheets read.");
    if copy.clicked() {
        ui.ctx().copy_text(numbers::as_text(rows));
    }
}

fn line(ui: &mut Ui, area: Rect, row: &Row) {
    let colours = scene::colours(ui);
    let response = ui.interact(area, ui.scope_id().with(row.name), Sense::HOVER);
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, row.spoken()));
    if response.hovered() {
        ui.painter().rect_filled(
            area.expand2(vec2(6.0, 0.0)),
            2,
            colours.face.gamma_multiply(0.6),
        );
    }
    let painter = ui.painter();
    let middle = area.center().y;
    let size = if area.height() > 21.0 {
        VALUE_PT
    } else {
        BODY_PT
    };
    scene::text(
        painter,
        pos2(area.left(), middle),
        Align2::LEFT_CENTER,
        row.name,
        BODY_PT.min(size),
        colours.text,
    );
    let unit = if row.settled {
        row.unit.as_str()
    } else {
        "LU, settling"
    };
    small(
        painter,
        pos2(column(area, 0), middle),
        Align2::LEFT_CENTER,
        unit,
        colours.label,
    );
    for (index, cell) in row.cells.iter().enumerate() {
        let colour = match index {
            _ if !row.settled || cell == number::NONE => colours.label,
            2 => colours.output.text,
            _ => colours.text,
        };
        number::right(
            painter,
            pos2(column(area, index + 1), middle),
            cell.clone(),
            size,
            colour,
        );
    }
    number::right(
        painter,
        pos2(column(area, 4), middle),
        row.change.clone(),
        size,
        colours.label,
    );
    response.on_hover_text(row.tip);
}
