//! The saturator: its curve as it stands over the levels that meet it, shoulder, lean, blend, and
//! how much of the signal bends.

use egui::{Align2, Rect, Role, Sense, Shape, Stroke, Ui, WidgetInfo, pos2, vec2};

use super::{HEAD, from_bottom, head};
use crate::editor::control::{self, Look};
use crate::editor::introduction;
use crate::editor::number;
use crate::editor::scene::{self, Scene, place, small};
use crestline_core::dsp::decibel::gain_from_db;

/// Levels from the left to the right of the picture, and from its bottom to its top, dB re
/// the ceiling.
const ACROSS_DB: [f64; 2] = [-18.0, 6.0];
const UP_DB: [f64; 2] = [-18.0, 3.0];
const POINTS: usize = 64;
/// Share of the height that the commonest level takes.
const HIGHEST: f32 = 0.5;

/// Draws the stage.
pub fn show(ui: &mut Ui, area: Rect, scene: &Scene<'_>) {
    let saturator = &scene.params.saturator;
    let on = saturator.on.value();
    let look = Look::new(
        "saturator",
        "Bends the top few decibels only; what lies below the shoulder passes unchanged.",
    );
    head(ui, area, scene, &saturator.on, look);
    let settings = scene.params.chain_settings().saturator;
    let shoulder = gain_from_db(settings.ceiling_dbtp - settings.shoulder_db);
    let share = scene.snapshot.activity.driven_levels.share_above(shoulder);
    let heard = introduction::heard(scene).then_some(share * 100.0);
    let text = number::with_unit(heard, 1, if on { "% bend" } else { "% would" });
    small(
        ui.painter(),
        pos2(area.right(), area.top() + HEAD / 2.0),
        Align2::RIGHT_CENTER,
        &text,
        scene::colours(ui).label,
    );
    let width = 0.42 * area.width();
    let picture = Rect::from_min_max(
        pos2(area.left(), area.top() + HEAD + 6.0),
        pos2(area.left() + width, area.bottom()),
    );
    curve(ui, picture, scene, on);
    let response = ui.interact(picture, ui.scope_id().with("curve"), Sense::HOVER);
    let spoken = format!("Saturator's curve and levels, {text}");
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, &spoken));
    response.on_hover_text(
        "Level in to level out, up to 6 dB over the ceiling, above how often each level has come in the last 3 s; what lies right of the dotted shoulder is bent.",
    );
    let tracks = area.with_min_x(picture.right() + 14.0);
    let controls = [
        (
            &saturator.blend,
            "blend",
            "Share of the bent signal in the output.",
        ),
        (
            &saturator.lean,
            "lean",
            "Bends one half of the wave sooner than the other, which adds even harmonics.",
        ),
        (
            &saturator.shoulder,
            "shoulder",
            "How far below the ceiling bending begins.",
        ),
    ];
    for (index, (param, label, tip)) in controls.into_iter().enumerate() {
        control::track(
            ui,
            from_bottom(tracks, index),
            scene.setter,
            param,
            Look::new(label, tip).active(on),
        );
    }
}

fn curve(ui: &Ui, area: Rect, scene: &Scene<'_>, on: bool) {
    let colours = scene::colours(ui);
    let painter = ui.painter().with_clip_rect(area);
    painter.rect_filled(area, 2, colours.well);
    let settings = scene.params.chain_settings().saturator;
    let ceiling = gain_from_db(settings.ceiling_dbtp);
    let along = |db: f64, [low, high]: [f64; 2]| ((db - low) / (high - low)) as f32;
    let at = |x_db: f64, y_db: f64| place(area, along(x_db, ACROSS_DB), along(y_db, UP_DB));
    // How often each level comes, per dB: bins are not equally wide.
    let bars = scene.snapshot.activity.driven_levels;
    let bars = bars.bins().map(|(edges, share)| {
        let [low, high] = edges.map(|edge| db_from_ratio(edge / ceiling));
        ([low, high], f64::from(share) / (high - low))
    });
    let seen = |[low, high]: [f64; 2]| high > ACROSS_DB[0] && low < ACROSS_DB[1];
    let commonest = bars
        .clone()
        .filter(|(edges, _)| seen(*edges))
        .fold(1e-9, |most, (_, density)| density.max(most));
    let shoulder_db = -settings.shoulder_db;
    for ([low, high], density) in bars {
        let top = HIGHEST * (density / commonest) as f32 * area.height();
        // The shoulder divides the bin that it lies in.
        let middle = shoulder_db.clamp(low, high);
        let above = if on {
            colours.output.mark
        } else {
            colours.level
        };
        for (from, to, colour) in [(low, middle, colours.track), (middle, high, above)] {
            if to > from {
                let bar = Rect::from_x_y_ranges(
                    at(from, 0.0).x..=at(to, 0.0).x,
                    area.bottom() - top..=area.bottom(),
                );
                painter.rect_filled(bar, 0, colour.gamma_multiply(0.75));
            }
        }
    }
    let grid = Stroke::new(1.0, colours.track);
    painter.hline(area.x_range(), at(0.0, 0.0).y, grid);
    let shoulder = [at(shoulder_db, UP_DB[0]), at(shoulder_db, UP_DB[1])];
    let dots = Stroke::new(1.0, colours.level);
    painter.extend(Shape::dashed_line(&shoulder, dots, 2.0, 3.0));
    let line = |sign: f64| -> Vec<_> {
        let [low, high] = ACROSS_DB;
        (0..=POINTS)
            .map(|point| {
                let x_db = low + (high - low) * point as f64 / POINTS as f64;
                let x = ceiling * gain_from_db(x_db);
                let y = sign * scene.params.saturator_curve(sign * x) / ceiling;
                at(x_db, db_from_ratio(y))
            })
            .collect()
    };
    let bent = if on {
        colours.output.mark
    } else {
        colours.level
    };
    if settings.lean_percent > 0.0 {
        let stroke = Stroke::new(1.5, bent);
        painter.extend(Shape::dashed_line(&line(-1.0), stroke, 3.0, 3.0));
    }
    painter.add(Shape::line(line(1.0), Stroke::new(1.75, bent)));
    small(
        &painter,
        at(ACROSS_DB[0], 0.0) + vec2(4.0, 1.0),
        Align2::LEFT_TOP,
        "ceiling",
        colours.label,
    );
}

fn db_from_ratio(ratio: f64) -> f64 {
    20.0 * ratio.max(1e-9).log10()
}
