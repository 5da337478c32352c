//! The bands one below the other: the level of each as a line, what is taken away at its end, the
//! threshold across it.

use egui::{
    Align2, Painter, Rect, Response, Role, Sense, Stroke, Ui, WidgetInfo, lerp, pos2, vec2,
};

use super::State;
use crate::editor::control::{self, grip};
use crate::editor::number::{NONE, fixed, with_unit};
use crate::editor::scene::{self, Scene, label, small};
use crate::editor::theme::Colours;
use crate::editor::view_model::bands::BAND_NAMES;
use crestline_core::process::BandSettings;

/// What the width stands for, dBFS.
pub const RANGE_DB: [f32; 2] = [-60.0, 0.0];
/// Room for the names at the left, and for the gains at the right.
const NAME: f32 = 66.0;
const GAIN: f32 = 60.0;

/// One band as it stands.
pub struct Row {
    /// Whether it is compressed.
    pub working: bool,
    /// Its settings.
    pub settings: BandSettings,
    /// Its threshold, dBFS.
    pub threshold_db: f32,
    /// Its level now, dBFS.
    pub level_db: Option<f32>,
    /// Gain by which it is turned down now, dB, 0 or less.
    pub gain_db: f32,
    /// The same as it is written.
    pub told_gain_db: f32,
}

impl Row {
    /// Band number `index`.
    pub fn new(scene: &Scene<'_>, state: &State, index: usize) -> Self {
        let band = &scene.params.band[index];
        let working = scene.params.bands.on.value() && band.on.value();
        Self {
            working,
            settings: scene.params.chain_settings().bands.bands[index],
            threshold_db: band.threshold.value(),
            level_db: state.levels_db[index].filter(|_| working),
            gain_db: scene.snapshot.activity.band_gain_db[index],
            told_gain_db: scene.told.activity.band_gain_db[index],
        }
    }
}

/// Where a level lies across `area`.
pub fn level_x(area: Rect, db: f32) -> f32 {
    let [low, high] = RANGE_DB;
    lerp(area.x_range(), ((db - low) / (high - low)).clamp(0.0, 1.0))
}

fn level_at(area: Rect, x: f32) -> f64 {
    let [low, high] = RANGE_DB;
    f64::from(low + (x - area.left()) / area.width() * (high - low))
}

/// Draws the line of a band's level: as far as it comes out, and what is taken away.
pub fn level(painter: &Painter, area: Rect, y: f32, width: f32, row: &Row, colours: &Colours) {
    painter.hline(area.x_range(), y, Stroke::new(1.0, colours.track));
    if let Some(level_db) = row.level_db {
        let [out, level] = [level_db + row.gain_db, level_db].map(|db| level_x(area, db));
        painter.hline(area.left()..=out, y, Stroke::new(width, colours.level));
        painter.hline(out..=level, y, Stroke::new(width, colours.output.mark));
    }
}

/// Where the levels lie within the rows.
fn lines(area: Rect) -> Rect {
    area.with_min_x(area.left() + NAME)
        .with_max_x(area.right() - GAIN)
}

/// Writes the levels' scale in `head`, above the rows at `area`.
pub fn figures(ui: &Ui, head: Rect, area: Rect) {
    let colours = scene::colours(ui);
    let lines = lines(area);
    for (db, unit) in [(-40.0, ""), (-20.0, ""), (0.0, " dBFS")] {
        let x = level_x(lines, db);
        let text = format!("{}{unit}", fixed(Some(db.into()), 0));
        let at = pos2(x, head.bottom() - 1.0);
        small(ui.painter(), at, Align2::CENTER_BOTTOM, text, colours.label);
        let grid = Stroke::new(1.0, colours.grid);
        ui.painter().vline(x, area.y_range(), grid);
    }
}

/// Draws all bands; returns the one that was chosen.
pub fn show(ui: &mut Ui, area: Rect, scene: &Scene<'_>, state: &State) -> Option<usize> {
    let colours = scene::colours(ui);
    let height = area.height() / 4.0;
    let lines = lines(area);
    let mut chosen = None;
    for index in 0..4 {
        let top = area.top() + index as f32 * height;
        let rect = area.with_min_y(top).with_max_y(top + height);
        let row = Row::new(scene, state, index);
        let response = choose(ui, rect, scene, &row, index, state.chosen == index);
        if response.clicked() {
            chosen = Some(index);
        }
        level(ui.painter(), lines, rect.center().y, 4.0, &row, colours);
    }
    for (index, name) in BAND_NAMES.into_iter().enumerate() {
        let y = area.top() + (index as f32 + 0.5) * height;
        threshold(ui, lines, y, 0.5 * height - 1.0, scene, index, name);
    }
    chosen
}

/// The row itself, with its name and gain.
fn choose(
    ui: &mut Ui,
    rect: Rect,
    scene: &Scene<'_>,
    row: &Row,
    index: usize,
    chosen: bool,
) -> Response {
    let colours = scene::colours(ui);
    let response = ui.interact(rect, ui.scope_id().with(("band", index)), Sense::click());
    let painter = ui.painter();
    if chosen || response.hovered() {
        painter.rect_filled(rect.shrink2(vec2(0.0, 1.0)), 3, colours.face);
    }
    let colour = if chosen && row.working {
        colours.text
    } else {
        colours.label
    };
    let at = rect.left_center() + vec2(6.0, 0.0);
    label(painter, at, Align2::LEFT_CENTER, BAND_NAMES[index], colour);
    let gain = fixed(row.working.then_some(row.told_gain_db.into()), 1);
    let right = rect.right_center() - vec2(6.0, 0.0);
    let unit = if gain == NONE { "" } else { "dB" };
    let unit = small(painter, right, Align2::RIGHT_CENTER, unit, colours.label);
    let at = pos2(unit.left() - 4.0, right.y);
    label(painter, at, Align2::RIGHT_CENTER, gain, colour);
    if scene.params.band[index].solo.value() {
        let at = pos2(rect.left() + NAME - 4.0, rect.center().y);
        small(
            painter,
            at,
            Align2::RIGHT_CENTER,
            "solo",
            colours.caution.text,
        );
    }
    control::focus_ring(ui, rect, &response);
    let text = format!("Show the {} band", BAND_NAMES[index]);
    response
        .widget_info(|| WidgetInfo::selected(Role::RadioButton, ui.is_enabled(), chosen, &text));
    let level = with_unit(row.level_db.map(f64::from), 1, "dBFS");
    let threshold = with_unit(Some(row.threshold_db.into()), 1, "dBFS");
    let gain = with_unit(row.working.then_some(row.gain_db.into()), 1, "dB");
    let spoken = format!("level {level}, threshold {threshold}, gain {gain}");
    ui.ctx()
        .accesskit_node_builder(response.id, |node| node.set_value(spoken.clone()));
    let response = response.on_hover_cursor(egui::CursorIcon::PointingHand);
    control::tip(
        response,
        &format!(
            "Shows the {} band's curve and controls. Its peaks are at {level}, its threshold is {threshold}, its gain is {gain}.",
            BAND_NAMES[index]
        ),
    )
}

/// The threshold across its line, to be dragged.
fn threshold(
    ui: &Ui,
    lines: Rect,
    y: f32,
    reach: f32,
    scene: &Scene<'_>,
    index: usize,
    name: &str,
) {
    let colours = scene::colours(ui);
    let param = &scene.params.band[index].threshold;
    let at = pos2(level_x(lines, param.value()), y);
    let value = with_unit(Some(param.value().into()), 1, "dBFS");
    let read_out = format!("{name} band: threshold {value}");
    let handle = grip::Grip {
        name: &format!("Threshold of the {name} band"),
        at,
        area: Rect::from_center_size(at, vec2(14.0, 2.0 * reach)),
        across: Some(grip::Way {
            param,
            plain_at: &|x| level_at(lines, x),
        }),
        upright: None,
        read_out: &read_out,
    };
    let response = handle.show(ui, scene.setter);
    let in_use = grip::in_use(&response);
    let painter = ui.painter();
    let width = if in_use { 4.0 } else { 2.5 };
    painter.vline(
        at.x,
        y - reach..=y + reach,
        Stroke::new(width, colours.text),
    );
    if in_use {
        let bounds = lines.expand2(vec2(NAME, 0.0));
        grip::tell(painter, bounds, at, &read_out, colours);
    }
}
