//! Band compression: the four thresholds over the spectrum that meets them, the chosen band's
//! controls, and the crossovers.

use egui::{Align2, Rect, Role, Sense, Stroke, Ui, WidgetInfo, pos2, vec2};

use super::{HEAD, TRACK, from_bottom, head};
use crate::editor::control::{self, Look};
use crate::editor::number;
use crate::editor::scene::{self, Scene, small};
use crate::editor::view_model::bands::{self, Held};

/// The bands, low to high.
const NAMES: [&str; 4] = ["low", "low-mid", "high-mid", "high"];
/// The same where there is little room.
const NARROW: [&str; 4] = ["low", "low\nmid", "high\nmid", "high"];
/// Share of the width that the picture takes.
const PICTURE: f32 = 0.43;
/// What the picture's height stands for, dBFS.
const RANGE_DB: [f32; 2] = [-66.0, 0.0];
/// Room for the gains at the picture's top, points.
const GAINS: f32 = 15.0;
/// What hangs from the top is this high for each dB that a band is turned down, points.
const POINTS_PER_DB: f32 = 3.0;

/// What the stage remembers between frames.
#[derive(Debug, Default)]
pub struct State {
    /// The band whose controls are shown.
    chosen: usize,
    held: Held,
}

/// Draws the stage.
pub fn show(ui: &mut Ui, area: Rect, scene: &Scene<'_>, state: &mut State) {
    let params = &scene.params.bands;
    head(
        ui,
        area,
        scene,
        &params.on,
        Look::new("bands", "Compresses four bands, each on its own."),
    );
    let left = area.with_max_x(area.left() + PICTURE * area.width());
    let picture = left
        .with_min_y(area.top() + HEAD + 2.0)
        .with_max_y(from_bottom(area, 0).top() - 4.0);
    spectrum(ui, picture, scene);
    let corners = scene.params.chain_settings().bands.crossovers_hz;
    let edge = |index: usize| match index {
        0 => picture.left(),
        4 => picture.right(),
        _ => across(picture, corners[index - 1]),
    };
    let levels = state.held.follow(scene.snapshot);
    for (index, level_db) in levels.into_iter().enumerate() {
        let rect = Rect::from_x_y_ranges(edge(index)..=edge(index + 1), picture.y_range());
        if band(ui, rect, scene, index, level_db, state.chosen == index) {
            state.chosen = index;
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
    let step = (left.width() + 8.0) / 3.0;
    for (index, (param, tip)) in crossovers.into_iter().zip(tips).enumerate() {
        let rect = Rect::from_min_size(
            pos2(left.left() + index as f32 * step, area.bottom() - TRACK),
            vec2(step - 8.0, TRACK),
        );
        let hz = number::frequency(param.value().into());
        let look = Look::new("", tip)
            .active(params.on.value())
            .instead_when(true, &hz);
        control::track(ui, rect, scene.setter, param, look);
    }
    controls(
        ui,
        area.with_min_x(left.right() + 14.0),
        scene,
        state.chosen,
    );
}

fn across(picture: Rect, hz: f64) -> f32 {
    picture.left() + bands::share_of(hz).clamp(0.0, 1.0) * picture.width()
}

fn height(picture: Rect, db: f32) -> f32 {
    let [low, high] = RANGE_DB;
    let share = ((db - low) / (high - low)).clamp(0.0, 1.0);
    picture.bottom() - share * (picture.height() - GAINS)
}

/// What enters the bands, by third octaves.
fn spectrum(ui: &Ui, picture: Rect, scene: &Scene<'_>) {
    let colours = scene::colours(ui);
    let painter = ui.painter();
    painter.rect_filled(picture, 2, colours.well);
    for db in [-20.0, -40.0, -60.0] {
        let line = Stroke::new(1.0, colours.grid);
        painter.hline(picture.x_range(), height(picture, db), line);
    }
    let settings = scene.params.chain_settings();
    let rate_hz = scene.sample_rate_hz();
    let shelves = settings.shelves.coefficients(rate_hz);
    let push_db = f64::from(scene.params.push.value());
    let gain_db = |hz: f64| {
        let hz = hz.min(0.499 * rate_hz);
        let shelves: f64 = shelves
            .iter()
            .map(|shelf| shelf.magnitude_db(hz, rate_hz))
            .sum();
        push_db + shelves
    };
    let driven = bands::driven_spectrum(scene.snapshot, gain_db);
    let step = picture.width() / driven.len() as f32;
    for (index, db) in driven.into_iter().enumerate() {
        if let Some(db) = db {
            let left = picture.left() + index as f32 * step;
            let bar =
                Rect::from_x_y_ranges(left..=left + step, height(picture, db)..=picture.bottom());
            painter.rect_filled(bar, 0, colours.track);
        }
    }
}

/// One band: its threshold across, its level now, its gain hanging from the top. True if it was
/// chosen.
fn band(
    ui: &mut Ui,
    rect: Rect,
    scene: &Scene<'_>,
    index: usize,
    level_db: Option<f32>,
    chosen: bool,
) -> bool {
    let colours = scene::colours(ui);
    let response = ui.interact(rect, ui.scope_id().with(("band", index)), Sense::click());
    let band = &scene.params.band[index];
    let working = scene.params.bands.on.value() && band.on.value();
    let painter = ui.painter();
    let inside = rect.shrink2(vec2(1.0, 0.0));
    if index > 0 {
        let line = Stroke::new(1.0, colours.track);
        painter.vline(rect.left(), rect.y_range(), line);
    }
    if response.hovered() {
        painter.rect_filled(inside, 0, colours.face.gamma_multiply(0.5));
    }
    let colour = if working { colours.text } else { colours.label };
    let threshold = height(rect, band.threshold.value());
    let width = if working { 2.0 } else { 1.0 };
    painter.hline(inside.x_range(), threshold, Stroke::new(width, colour));
    let gain_db = scene.snapshot.activity.band_gain_db[index];
    let gain = number::fixed(Some(gain_db.into()), 1);
    if working {
        if let Some(level_db) = level_db {
            let y = height(rect, level_db);
            let mark = inside.shrink2(vec2(0.3 * inside.width(), 0.0));
            painter.hline(mark.x_range(), y, Stroke::new(3.0, colours.text));
        }
        let depth = (-gain_db * POINTS_PER_DB).clamp(0.0, rect.height() - GAINS);
        let bar = inside
            .with_min_y(rect.top() + GAINS)
            .with_max_y(rect.top() + GAINS + depth);
        painter.rect_filled(bar, 0, colours.output.mark.gamma_multiply(0.6));
        small(
            painter,
            rect.center_top() + vec2(0.0, 8.0),
            Align2::CENTER_CENTER,
            &gain,
            colours.text,
        );
    }
    small(
        painter,
        rect.center_bottom() - vec2(0.0, 2.0),
        Align2::CENTER_BOTTOM,
        NARROW[index],
        colour,
    );
    if chosen {
        let frame = Stroke::new(1.5, colours.level);
        painter.rect_stroke(rect, 2, frame, egui::StrokeKind::Inside);
    }
    if band.solo.value() {
        small(
            painter,
            rect.center() - vec2(0.0, 6.0),
            Align2::CENTER_CENTER,
            "solo",
            colours.window.text,
        );
    }
    control::focus_ring(ui, rect.expand(2.0), &response);
    let text = format!("Show the {} band", NAMES[index]);
    response
        .widget_info(|| WidgetInfo::selected(Role::RadioButton, ui.is_enabled(), chosen, &text));
    let level = number::with_unit(level_db.filter(|_| working).map(f64::from), 1, "dBFS");
    let from = number::with_unit(Some(band.threshold.value().into()), 1, "dBFS");
    let spoken = format!("level {level}, from {from}, gain {gain} dB");
    ui.ctx()
        .accesskit_node_builder(response.id, |node| node.set_value(spoken.clone()));
    let clicked = response.clicked();
    response.on_hover_text(format!(
        "Shows the {} band's controls; its peaks are at {level} (short line), it is turned down from {from} (long line), now by {gain} dB.",
        NAMES[index]
    ));
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
