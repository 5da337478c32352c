//! The saturator: its curve as it stands over the levels that meet it, the shoulder as a handle on
//! it, lean, blend, and how much of the signal bends.

use egui::{
    Align2, Color32, Painter, Pos2, Rect, Role, Sense, Shape, Stroke, Ui, WidgetInfo, pos2, vec2,
};

use super::tile::Face;
use super::{cell, hint, lines};
use crate::editor::control::{self, Look, grip};
use crate::editor::introduction;
use crate::editor::number::{fixed, with_unit};
use crate::editor::scene::{self, Scene, label, place, small};
use crate::editor::theme::Colours;
use crestline_core::dsp::decibel::gain_from_db;

/// Levels from the left to the right of the picture, and from its bottom to its top, dB re
/// the ceiling.
const ACROSS_DB: [f64; 2] = [-18.0, 6.0];
const UP_DB: [f64; 2] = [-18.0, 3.0];
const POINTS: usize = 64;
/// Share of the height that the commonest level takes.
const HIGHEST: f32 = 0.5;

/// How much of the signal lies above the shoulder, in words: a dash before anything was heard.
fn bent(scene: &Scene<'_>) -> String {
    let chain = scene.params.chain_settings();
    let settings = chain.saturator;
    let shoulder = gain_from_db(chain.limiter.ceiling_dbtp - settings.shoulder_db);
    let share = scene.told.activity.driven_levels.share_above(shoulder);
    let heard = introduction::heard(scene).then_some(share * 100.0);
    let share = with_unit(heard, 1, "%");
    if settings.enabled {
        format!("bends {share} of the samples")
    } else {
        format!("off: would bend {share}")
    }
}

/// What the tile says.
pub fn face(scene: &Scene<'_>) -> Face {
    let saturator = &scene.params.saturator;
    let shoulder = with_unit(Some(saturator.shoulder.value().into()), 1, "dB");
    lines(
        format!("shoulder {shoulder}"),
        bent(scene),
        saturator.on.value(),
    )
}

/// Where levels lie, dB re the ceiling.
#[derive(Clone, Copy)]
struct Plot {
    area: Rect,
}

impl Plot {
    fn at(self, across_db: f64, up_db: f64) -> Pos2 {
        let along = |db: f64, [low, high]: [f64; 2]| ((db - low) / (high - low)) as f32;
        place(self.area, along(across_db, ACROSS_DB), along(up_db, UP_DB))
    }

    fn across_db(self, x: f32) -> f64 {
        let share = f64::from((x - self.area.left()) / self.area.width());
        ACROSS_DB[0] + share * (ACROSS_DB[1] - ACROSS_DB[0])
    }
}

/// The amplitude at which the curve ends.
fn ceiling(scene: &Scene<'_>) -> f64 {
    gain_from_db(scene.params.limiter.ceiling.value().into())
}

/// Level out for a level in, both dB re the ceiling; of the positive half of the wave or, with
/// −1, of the other.
fn out_db(scene: &Scene<'_>, across_db: f64, sign: f64) -> f64 {
    let ceiling = ceiling(scene);
    let x = ceiling * gain_from_db(across_db);
    db_from_ratio(sign * scene.params.saturator_curve(sign * x) / ceiling)
}

fn curve(scene: &Scene<'_>, plot: Plot, sign: f64) -> Vec<Pos2> {
    let [low, high] = ACROSS_DB;
    (0..=POINTS)
        .map(|point| {
            let across_db = low + (high - low) * point as f64 / POINTS as f64;
            plot.at(across_db, out_db(scene, across_db, sign))
        })
        .collect()
}

/// The hue of what the saturator does, while it does something.
fn hue(scene: &Scene<'_>, colours: &Colours) -> Color32 {
    if scene.params.saturator.on.value() {
        colours.output.mark
    } else {
        colours.level
    }
}

/// Where the shoulder stands on the curve.
fn shoulder(scene: &Scene<'_>, plot: Plot) -> Pos2 {
    let across_db = -f64::from(scene.params.saturator.shoulder.value());
    plot.at(across_db, out_db(scene, across_db, 1.0))
}

fn shoulder_line(painter: &Painter, plot: Plot, at: Pos2, colours: &Colours) {
    let ends = [plot.area.top(), plot.area.bottom()].map(|y| pos2(at.x, y));
    let dots = Stroke::new(1.0, colours.level);
    painter.extend(Shape::dashed_line(&ends, dots, 2.0, 3.0));
}

/// The curve as it stands in the tile.
pub fn miniature(ui: &Ui, area: Rect, scene: &Scene<'_>) {
    let colours = scene::colours(ui);
    let painter = ui.painter().with_clip_rect(area);
    painter.rect_filled(area, 2, colours.well);
    let plot = Plot { area };
    let at = shoulder(scene, plot);
    shoulder_line(&painter, plot, at, colours);
    let line = curve(scene, plot, 1.0);
    painter.add(Shape::line(line, Stroke::new(1.75, hue(scene, colours))));
    painter.circle_filled(at, 4.0, colours.text);
}

/// Draws the open stage.
pub fn opened(ui: &mut Ui, head: Rect, body: Rect, scene: &Scene<'_>) {
    let saturator = &scene.params.saturator;
    let bent = bent(scene);
    let colours = scene::colours(ui);
    let at = pos2(head.left(), head.center().y - 3.0);
    let said = label(ui.painter(), at, Align2::LEFT_CENTER, &bent, colours.text);
    let head = head.with_min_x(said.right() + 18.0);
    hint(
        ui,
        head,
        "drag the shoulder along the curve · shift: finely · double click: reset",
    );
    let area = body.with_max_x(body.left() + (0.5 * body.width()).round());
    picture(ui, area, scene, &bent);
    let tracks = body.with_min_x(area.right() + 28.0);
    let on = saturator.on.value();
    for (row, param, name, tip) in [
        (
            0,
            &saturator.shoulder,
            "shoulder",
            "How far below the ceiling bending begins.",
        ),
        (
            1,
            &saturator.lean,
            "lean",
            "Bends one half of the wave sooner than the other, which adds even harmonics.",
        ),
        (
            2,
            &saturator.blend,
            "blend",
            "Share of the bent signal in the output.",
        ),
    ] {
        let rect = cell(tracks, [1, 3], [0, row]);
        let look = Look::new(name, tip).active(on);
        control::track(ui, rect, scene.setter, param, look);
    }
}

fn picture(ui: &mut Ui, area: Rect, scene: &Scene<'_>, bent: &str) {
    let saturator = &scene.params.saturator;
    let response = ui.interact(area, ui.scope_id().with("curve"), Sense::HOVER);
    let spoken = format!("Saturator's curve and levels, {bent}");
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, &spoken));
    let colours = scene::colours(ui);
    let plot = Plot { area };
    let painter = ui.painter().with_clip_rect(area);
    painter.rect_filled(area, 2, colours.well);
    levels(&painter, plot, scene, colours);
    let ceiling = plot.at(ACROSS_DB[0], 0.0);
    painter.hline(area.x_range(), ceiling.y, Stroke::new(1.0, colours.track));
    let name = with_unit(Some(scene.params.limiter.ceiling.value().into()), 1, "dBTP");
    small(
        &painter,
        ceiling + vec2(6.0, 1.0),
        Align2::LEFT_TOP,
        format!("ceiling {name}"),
        colours.label,
    );
    for db in [-12.0, -6.0, 0.0] {
        // At the top: below stand the levels.
        let at = plot.at(db, UP_DB[1]) + vec2(3.0, 1.0);
        let unit = if db < 0.0 {
            ""
        } else {
            " dB re the ceiling in"
        };
        let text = format!("{}{unit}", fixed(Some(db), 0));
        painter.vline(at.x - 3.0, area.y_range(), Stroke::new(1.0, colours.grid));
        small(&painter, at, Align2::LEFT_TOP, text, colours.label);
    }
    let at = shoulder(scene, plot);
    shoulder_line(&painter, plot, at, colours);
    let bent = hue(scene, colours);
    if saturator.lean.value() > 0.0 {
        let stroke = Stroke::new(1.5, bent);
        let line = curve(scene, plot, -1.0);
        painter.extend(Shape::dashed_line(&line, stroke, 3.0, 3.0));
    }
    painter.add(Shape::line(curve(scene, plot, 1.0), Stroke::new(2.0, bent)));
    let shoulder = with_unit(Some(saturator.shoulder.value().into()), 1, "dB");
    let read_out = format!("shoulder {shoulder} below the ceiling");
    let handle = grip::Grip {
        name: "Shoulder on the curve",
        at,
        area: Rect::from_center_size(at, vec2(24.0, 24.0)),
        across: Some(grip::Way {
            param: &saturator.shoulder,
            plain_at: &|x| -plot.across_db(x),
        }),
        upright: None,
        read_out: &read_out,
    };
    let handle = handle.show(ui, scene.setter);
    grip::disc(&painter, at, &handle, colours.text, colours);
    if grip::in_use(&handle) {
        grip::tell_below(&painter, area, at, &read_out, colours);
    } else if let Some(pointer) = response.hover_pos() {
        // What becomes of the level under the pointer.
        let across_db = plot.across_db(pointer.x);
        let on_curve = plot.at(across_db, out_db(scene, across_db, 1.0));
        painter.circle_filled(on_curve, 3.0, colours.text);
        let dbfs = |db: f64| {
            let ceiling_db = f64::from(scene.params.limiter.ceiling.value());
            fixed(Some(db + ceiling_db), 1)
        };
        let text = format!(
            "{} dBFS in, {} dBFS out",
            dbfs(across_db),
            dbfs(out_db(scene, across_db, 1.0))
        );
        grip::tell_below(&painter, area, on_curve, &text, colours);
    }
}

/// How often each level has come in the last seconds, per dB: bins are not equally wide.
fn levels(painter: &Painter, plot: Plot, scene: &Scene<'_>, colours: &Colours) {
    let ceiling = ceiling(scene);
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
    let shoulder_db = -f64::from(scene.params.saturator.shoulder.value());
    // Paler than the curve, and still 3:1 against the ground.
    let below = colours.level.gamma_multiply(0.7);
    for ([low, high], density) in bars {
        let top = HIGHEST * (density / commonest) as f32 * plot.area.height();
        // The shoulder divides the bin that it lies in.
        let middle = shoulder_db.clamp(low, high);
        for (from, to, colour) in [(low, middle, below), (middle, high, hue(scene, colours))] {
            if to > from {
                let bar = Rect::from_x_y_ranges(
                    plot.at(from, 0.0).x..=plot.at(to, 0.0).x,
                    plot.area.bottom() - top..=plot.area.bottom(),
                );
                painter.rect_filled(bar, 0, colour);
            }
        }
    }
}

fn db_from_ratio(ratio: f64) -> f64 {
    20.0 * ratio.max(1e-9).log10()
}
