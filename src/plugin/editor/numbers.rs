//! The song in numbers: whether it is in its window, and a table of input, clean and output.

use egui::{Align2, Rect, Role, Sense, Stroke, StrokeKind, Ui, WidgetInfo, pos2, vec2};

use super::control;
use super::mark;
use super::number;
use super::scene::{self, Scene, label, small};
use super::theme::{BODY_PT, LABEL_PT, SMALL_PT, Signal, VALUE_PT, font};
use super::view_model::numbers::{self, Row, WANTED};
use super::view_model::target::{self, State};

/// Least height of a row, points: rows that would not fit are left to a larger window.
const LEAST_ROW: f32 = 13.5;
/// Greatest height of a row, points.
const MOST_ROW: f32 = 26.0;
const VERDICT: f32 = 20.0;
const HEADER: f32 = 20.0;
/// Where the columns end, as shares of the table's width: unit (begins), input, clean, output,
/// change.
const COLUMNS: [f32; 5] = [0.265, 0.5, 0.66, 0.83, 1.0];
/// The same where there is no room for units and changes.
const FEW_COLUMNS: [f32; 5] = [1.0, 0.58, 0.79, 1.0, 1.0];
/// Least width of the table with all columns, points.
const WIDE: f32 = 340.0;

/// Draws verdict and table into `area`: the rows that are always wanted, or with `more` all of them,
/// or where they do not fit, all others; a button changes it where that is possible.
pub fn show(ui: &mut Ui, area: Rect, scene: &Scene<'_>, more: &mut Option<bool>) {
    verdict(ui, area.with_max_y(area.top() + VERDICT), scene);
    let area = area.with_min_y(area.top() + VERDICT);
    let mut rows = numbers::rows(scene.told, scene.session.playback_lufs);
    header(ui, area, &rows, more);
    let room = area.height() - HEADER;
    if *more != Some(true) {
        rows.truncate(WANTED);
    } else if rows.len() as f32 * LEAST_ROW > room {
        rows.drain(..WANTED);
    }
    let height = (room / rows.len() as f32).clamp(LEAST_ROW, MOST_ROW);
    let mut top = area.top() + HEADER;
    for row in &rows {
        if top + height > area.bottom() + 1.5 {
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

/// In or out of the window: by shape, by word, and by colour last.
fn verdict(ui: &Ui, area: Rect, scene: &Scene<'_>) {
    let colours = scene::colours(ui);
    let readings = &scene.told.output.readings;
    let state = target::state(scene.session.target(), readings);
    let middle = area.center().y - 3.0;
    let box_ = Rect::from_center_size(pos2(area.left() + 8.0, middle), vec2(14.0, 12.0));
    let painter = ui.painter();
    painter.rect_stroke(
        box_,
        1,
        Stroke::new(1.5, colours.window.mark),
        StrokeKind::Inside,
    );
    let dot = match state.inside {
        Some(true) => Some(box_.center()),
        Some(false) => Some(box_.right_top() + vec2(4.0, -1.0)),
        None => None,
    };
    if let Some(dot) = dot {
        painter.circle_filled(dot, 2.5, colours.output.mark);
    }
    let changed = scene.changes.steady.changed_at_s(scene.sample_rate_hz());
    let colour = if state.inside == Some(true) && changed.is_none() {
        colours.window.text
    } else {
        colours.text
    };
    let mixed = changed.map(|_| number::clock(changed));
    let State {
        words,
        directions,
        names,
        ..
    } = &state;
    let [words, directions, names] = match mixed {
        None => [words, directions, names].map(|said| format!("song so far: {said}")),
        Some(time) => [
            format!("song so far: {words}; settings changed at {time}"),
            format!("mixed settings: {directions}"),
            format!("mixed settings: {names}"),
        ],
    };
    let at = pos2(area.left() + 24.0, middle);
    let room = area.width() - 24.0;
    let shorter = scene::fitting(painter, &directions, &names, room);
    let fitting = scene::fitting(painter, &words, shorter, room);
    let song = scene::cut(painter, at, fitting, room, colour);
    let turned = target::turn_down_words(scene.session.playback_lufs, readings);
    let size = font(painter.ctx(), LABEL_PT);
    let galley = painter.layout_no_wrap(turned, size, colours.label);
    let place = Align2::RIGHT_CENTER.anchor_size(pos2(area.right(), middle), galley.size());
    // The table has it too.
    if place.left() > song.right() + 12.0 {
        painter.galley(place.min, galley, colours.label);
    }
    let response = ui.interact(area, ui.scope_id().with("verdict"), Sense::HOVER);
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &words));
    response.on_hover_text(words);
}

fn column(area: Rect, index: usize) -> f32 {
    let columns = if is_wide(area) { COLUMNS } else { FEW_COLUMNS };
    area.left() + columns[index] * area.width()
}

fn is_wide(area: Rect) -> bool {
    area.width() >= WIDE
}

fn header(ui: &mut Ui, area: Rect, rows: &[Row], more: &mut Option<bool>) {
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
        let at = pos2(right, middle);
        let written = label(ui.painter(), at, Align2::RIGHT_CENTER, name, colours.label);
        // Nearer to its own name than to the one before it, also where columns are narrow.
        let at = pos2(written.left() - 9.0, middle);
        mark::paint(ui.painter(), signal, at, 10.0, colours.hue(signal).mark);
    }
    if is_wide(area) {
        let at = pos2(column(area, 4), middle);
        label(
            ui.painter(),
            at,
            Align2::RIGHT_CENTER,
            "change",
            colours.label,
        );
    }
    let button = |ui: &mut Ui, left: f32, name: &str, tip: &str| {
        let rect = Rect::from_min_size(pos2(left, middle - 9.0), vec2(52.0, 18.0));
        let text = egui::RichText::new(name).font(font(ui.ctx(), SMALL_PT));
        let button = egui::Button::new(text)
            .small()
            .wrap_mode(egui::TextWrapMode::Extend);
        let button = ui.scope(|ui| {
            // In small scales the words need most of the room.
            ui.spacing_mut().button_padding.x = 4.0;
            ui.put(rect, button)
        });
        control::tip(button.inner, tip).clicked()
    };
    let tip = "Copies the whole table as text that spreadsheets read.";
    if button(ui, area.left() - 6.0, "copy", tip) {
        ui.ctx().copy_text(numbers::as_text(rows));
    }
    if let Some(more) = more {
        let (name, tip) = if *more {
            ("fewer", "Shows the rows that are always wanted.")
        } else {
            ("more", "Shows the other rows, too, or in their place.")
        };
        if button(ui, area.left() + 50.0, name, tip) {
            *more = !*more;
        }
    }
}

fn line(ui: &Ui, area: Rect, row: &Row) {
    let colours = scene::colours(ui);
    let response = ui.interact(area, ui.scope_id().with(row.name), Sense::HOVER);
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, row.spoken()));
    if response.hovered() {
        let around = area.expand2(vec2(6.0, 0.0));
        ui.painter().rect_filled(around, 2, colours.face);
    }
    let painter = ui.painter();
    let middle = area.center().y;
    let size = if area.height() > 20.0 {
        VALUE_PT
    } else {
        BODY_PT
    };
    let at = pos2(area.left(), middle);
    let name = scene::text(
        painter,
        at,
        Align2::LEFT_CENTER,
        row.name,
        LABEL_PT,
        colours.text,
    );
    let unit = if row.settled {
        row.unit.as_str()
    } else {
        "LU, settling"
    };
    let beside = name.right() + 5.0;
    let left = if is_wide(area) {
        beside.max(column(area, 0))
    } else {
        beside
    };
    // What comes after the comma, and then the unit itself, gives way to the figure.
    let room = column(area, 1) - scene::wide(painter, &row.cells[0], size) - left - 8.0;
    let in_short = unit.split(',').next().unwrap_or(unit);
    let fitting = [unit, in_short]
        .into_iter()
        .find(|unit| scene::wide(painter, unit, SMALL_PT) <= room);
    if let Some(unit) = fitting {
        let at = pos2(left, middle);
        small(painter, at, Align2::LEFT_CENTER, unit, colours.label);
    }
    for (index, cell) in row.cells.iter().enumerate() {
        let colour = match index {
            _ if !row.settled || cell == number::NONE => colours.label,
            _ if row.over[index] => colours.caution.text,
            2 => colours.output.text,
            _ => colours.text,
        };
        let at = pos2(column(area, index + 1), middle);
        number::right(painter, at, cell.clone(), size, colour);
    }
    if is_wide(area) {
        let at = pos2(column(area, 4), middle);
        number::right(painter, at, row.change.clone(), size, colours.label);
    }
    response.on_hover_text(row.tip);
}
