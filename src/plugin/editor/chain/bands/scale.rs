//! The crossovers on a scale of frequencies, to be dragged along it.

use egui::{Align2, Rect, Stroke, Ui, pos2, vec2};

use crate::editor::chain::frequencies::{hz_at, x_at};
use crate::editor::control::grip;
use crate::editor::number::frequency;
use crate::editor::scene::{self, Scene, small};

const NAMES: [&str; 3] = [
    "Low crossover on the scale",
    "Mid crossover on the scale",
    "High crossover on the scale",
];
/// Room for the name at the left, as beside the bands' lines.
const NAME: f32 = 66.0;

/// Draws the scale.
pub fn show(ui: &Ui, area: Rect, scene: &Scene<'_>) {
    let colours = scene::colours(ui);
    let painter = ui.painter();
    let line = area
        .with_min_x(area.left() + NAME)
        .with_max_x(area.right() - 6.0);
    let y = area.top() + 7.0;
    painter.hline(line.x_range(), y, Stroke::new(1.0, colours.level));
    let at = pos2(area.left() + 6.0, area.center().y);
    small(painter, at, Align2::LEFT_CENTER, "bands at", colours.label);
    let params = &scene.params.bands;
    let crossovers = [
        &params.low_crossover,
        &params.mid_crossover,
        &params.high_crossover,
    ];
    let mut told = None;
    for (name, param) in NAMES.into_iter().zip(crossovers) {
        let hz = f64::from(param.value());
        let at = pos2(x_at(line, hz), y);
        let read_out = format!("crossover {}", frequency(hz));
        let handle = grip::Grip {
            name,
            at,
            area: Rect::from_center_size(at + vec2(0.0, 5.0), vec2(34.0, area.height())),
            across: Some(grip::Way {
                param,
                plain_at: &|x| hz_at(line, x),
            }),
            upright: None,
            read_out: &read_out,
        };
        let response = handle.show(ui, scene.setter);
        let reach = if grip::in_use(&response) { 7.0 } else { 5.0 };
        let mark = Rect::from_center_size(at, vec2(0.8 * reach, 2.0 * reach));
        painter.rect_filled(mark, 2, colours.text);
        small(
            painter,
            at + vec2(0.0, 7.0),
            Align2::CENTER_TOP,
            frequency(hz),
            colours.label,
        );
        if grip::in_use(&response) {
            told = Some((at, read_out));
        }
    }
    if let Some((at, text)) = told {
        grip::tell(painter, area.expand2(vec2(0.0, 30.0)), at, &text, colours);
    }
}
