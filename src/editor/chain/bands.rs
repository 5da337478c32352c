//! Band compression: four columns to choose from, the chosen band's controls, and the crossovers between them.

use egui::{Align2, Rect, Role, Sense, Ui, WidgetInfo, pos2, vec2};

use super::{HEAD, TRACK, from_bottom, head};
use crate::editor::control::{self, Look};
use crate::editor::number;
use crate::editor::scene::{self, Scene, small};

/// The bands, low to high.
const NAMES: [&str; 4] = ["low", "low-mid", "high-mid", "high"];
/// The same for narrow columns.
const NARROW: [&str; 4] = ["low", "low\nmid", "high\nmid", "high"];
/// Share of the width that the columns take.
const COLUMNS: f32 = 0.42;
/// Room for a column's name at its bottom, points.
const NAME_HEIGHT: f32 = 32.0;
/// What the rest of a column's height stands for, dB of reduction.
const REACH_DB: f32 = 12.0;

/// Draws the stage; `chosen` is the band whose controls are shown.
pub fn show(ui: &mut Ui, area: Rect, scene: &Scene<'_>, chosen: &mut usize) {
    let params = &scene.params.bands;
    head(
        ui,
        area,
        scene,
        &params.on,
        Look::new("bands", "Compresses four bands, each on its own."),
    );
    let columns = area.with_max_x(area.left() + COLUMNS * area.width());
    let wells = columns
        .with_min_y(area.top() + HEAD + 2.0)
        .with_max_y(from_bottom(area, 0).top() - 4.0);
    let step = (wells.width() + 6.0) / 4.0;
    for (index, name) in NAMES.into_iter().enumerate() {
        let left = wells.left() + index as f32 * step;
        let well = Rect::from_min_size(pos2(left, wells.top()), vec2(step - 6.0, wells.height()));
        if column(ui, well, scene, index, name, *chosen == index) {
            *chosen = index;
        }
    }
    let crossovers = [
        &params.low_crossover,
        &params.mid_crossover,
        &params.high_crossover,
    ];
    let tips = [
        "Crossover between the low and the low-mid band.",
        "Crossover between the low-mid and the high-mid band.",
        "Crossover between the high-mid and the high band.",
    ];
    let reach = step / 2.0 - 3.0;
    for (index, (param, tip)) in crossovers.into_iter().zip(tips).enumerate() {
        let middle = wells.left() + (index + 1) as f32 * step - 3.0;
        let rect = Rect::from_min_max(
            pos2(middle - reach, area.bottom() - TRACK),
            pos2(middle + reach, area.bottom()),
        );
        let hz = number::frequency(param.value().into());
        let look = Look::new("", tip)
            .active(params.on.value())
            .instead_when(true, &hz);
        control::track(ui, rect, scene.setter, param, look);
    }
    controls(ui, area.with_min_x(columns.right() + 14.0), scene, *chosen);
}

/// One band: its gain now as a bar hanging from the top. True if it was chosen.
fn column(
    ui: &mut Ui,
    rect: Rect,
    scene: &Scene<'_>,
    index: usize,
    name: &str,
    chosen: bool,
) -> bool {
    let colours = scene::colours(ui);
    let response = ui.interact(rect, ui.scope_id().with(("band", index)), Sense::click());
    let band = &scene.params.band[index];
    let working = scene.params.bands.on.value() && band.on.value();
    let painter = ui.painter();
    painter.rect_filled(
        rect,
        2,
        if response.hovered() {
            colours.face
        } else {
            colours.well
        },
    );
    let gain_db = scene.snapshot.activity.band_gain_db[index];
    if working {
        let depth = (-gain_db / REACH_DB).clamp(0.0, 1.0) * (rect.height() - NAME_HEIGHT);
        painter.rect_filled(rect.with_max_y(rect.top() + depth), 2, colours.level);
    }
    let colour = if working { colours.text } else { colours.label };
    small(
        painter,
        rect.center_bottom() - vec2(0.0, 4.0),
        Align2::CENTER_BOTTOM,
        NARROW[index],
        colour,
    );
    if chosen {
        let frame = egui::Stroke::new(1.5, colours.level);
        painter.rect_stroke(rect, 2, frame, egui::StrokeKind::Inside);
    }
    if band.solo.value() {
        small(
            painter,
            rect.center_top() + vec2(0.0, 10.0),
            Align2::CENTER_CENTER,
            "solo",
            colours.window.text,
        );
    }
    control::focus_ring(ui, rect.expand(2.0), &response);
    let told = format!("Show the {name} band");
    response
        .widget_info(|| WidgetInfo::selected(Role::RadioButton, ui.is_enabled(), chosen, &told));
    let clicked = response.clicked();
    response.on_hover_text("Shows this band's controls.");
    clicked
}

/// The controls of one band.
fn controls(ui: &mut Ui, area: Rect, scene: &Scene<'_>, index: usize) {
    let band = &scene.params.band[index];
    let line = area.with_max_y(area.top() + HEAD);
    let on = scene.params.bands.on.value() && band.on.value();
    let switch = line.with_max_x(line.left() + 0.52 * line.width());
    let look = Look::new(NAMES[index], "Whether this band is compressed.");
    control::switch(ui, switch, scene.setter, &band.on, look);
    let solo = line.with_min_x(line.right() - 52.0);
    control::switch(
        ui,
        solo,
        scene.setter,
        &band.solo,
        Look::new("solo", "Hear soloed bands only."),
    );
    let half = (area.width() - 12.0) / 2.0;
    let cell = |column: usize, row: usize| {
        let left = area.left() + column as f32 * (half + 12.0);
        Rect::from_min_size(
            pos2(left, from_bottom(area, 2 - row).top()),
            vec2(half, TRACK),
        )
    };
    let controls = [
        (
            &band.threshold,
            cell(0, 0),
            "from",
            "Level above which the band is turned down.",
        ),
        (
            &band.ratio,
            cell(1, 0),
            "ratio",
            "Change of level in for each decibel out, above the threshold.",
        ),
        (
            &band.attack,
            cell(0, 1),
            "attack",
            "How fast the gain falls.",
        ),
        (
            &band.release,
            cell(1, 1),
            "release",
            "How fast the gain recovers.",
        ),
        (
            &band.knee,
            cell(0, 2),
            "knee",
            "How wide the bend around the threshold is.",
        ),
        (
            &band.makeup,
            cell(1, 2),
            "gain",
            "Gain of the band after compression.",
        ),
    ];
    for (param, rect, name, tip) in controls {
        control::track(
            ui,
            rect,
            scene.setter,
            param,
            Look::new(name, tip).active(on),
        );
    }
}
