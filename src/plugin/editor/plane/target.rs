//! The target window on the plane, whose sides can be moved, and the ceiling.

use egui::{
    Align2, CursorIcon, Id, Painter, Rect, Role, Sense, Stroke, StrokeKind, Ui, WidgetInfo, pos2,
    vec2,
};

use super::Axes;
use crate::editor::scene::{self, Scene, place};
use crate::editor::theme::{Colours, LABEL_PT, font};
use crate::editor::user_target::LEAST_WIDTH;
use crate::editor::view_model::plane::Place;
use crate::editor::{control, number};
use crestline_core::session::{PlaneMode, TargetChoice};

/// Size of a grip, points.
const GRIP: egui::Vec2 = vec2(9.0, 24.0);
/// A side moves in steps of this, LUFS.
const STEP_LUFS: f64 = 0.1;
/// Where a side can be drawn, LUFS: where it can be typed, too.
const GRIP_LUFS: [f64; 2] = [-40.0, 0.0];

/// Draws the window under everything else.
pub fn show(painter: &Painter, scene: &Scene<'_>, axes: &Axes, mode: PlaneMode, colours: &Colours) {
    let target = scene.session.target();
    let limits = target.loudness_lufs;
    if limits.low.is_none() && limits.high.is_none() {
        return;
    }
    let rect = bounds(scene, axes, mode);
    painter.rect(
        rect,
        0,
        colours.window_wash(),
        // On whole pixels: a softened edge would lose its hue to the ground.
        Stroke::new(2.0, colours.window.mark),
        StrokeKind::Middle,
    );
    // The name stands over the window; where the window has no top in sight, within it; beside one
    // that is narrower than its name.
    let size = font(painter.ctx(), LABEL_PT);
    let galley = painter.layout_no_wrap(target.name.to_string(), size, colours.window.text);
    let shown = rect.intersect(axes.plot);
    if shown.width() < 0.0 || shown.height() < 0.0 {
        return;
    }
    // With PLR upwards the ceiling is named at the top.
    let (edge, inwards) = match mode {
        PlaneMode::Plr => (shown.bottom(), -11.0),
        PlaneMode::Microdynamics => (shown.top(), 11.0),
    };
    let line = edge + inwards;
    let (align, at) = if rect.top() > axes.plot.top() + 18.0 {
        (
            Align2::CENTER_CENTER,
            pos2(shown.center().x, rect.top() - 9.0),
        )
    } else if shown.width() > galley.size().x + 8.0 {
        (Align2::CENTER_CENTER, pos2(shown.center().x, line))
    } else if shown.right() + galley.size().x + 8.0 < axes.plot.right() {
        (Align2::LEFT_CENTER, pos2(shown.right() + 6.0, line))
    } else {
        (Align2::RIGHT_CENTER, pos2(shown.left() - 6.0, line))
    };
    let place = align.anchor_size(at, galley.size());
    // What is in sight of a window may be at the very edge.
    let [left, right] = [axes.plot.left() + 4.0, axes.plot.right() - 4.0];
    let x = place.left().min(right - place.width()).max(left);
    painter.galley(pos2(x, place.top()), galley, colours.window.text);
}

fn bounds(scene: &Scene<'_>, axes: &Axes, mode: PlaneMode) -> Rect {
    let target = scene.session.target();
    let limits = target.loudness_lufs;
    let x = |lufs: f64| place(axes.plot, axes.across.share(lufs), 0.0).x.round();
    let y = |db: f64| place(axes.plot, 0.0, axes.up.share(db)).y.round();
    let open = axes.plot.expand(4.0);
    let [low, high] = match mode {
        PlaneMode::Plr => [target.plr_db.low, target.plr_db.high],
        PlaneMode::Microdynamics => [None, None],
    };
    Rect::from_min_max(
        pos2(
            limits.low.map_or(open.left(), x),
            high.map_or(open.top(), y),
        ),
        pos2(
            limits.high.map_or(open.right(), x),
            low.map_or(open.bottom(), y),
        ),
    )
}

/// The sides of a window.
const SIDES: [&str; 2] = ["low", "high"];

fn grip_id(ui: &Ui, side: &str) -> Id {
    ui.scope_id().with(("target's side", side))
}

/// Whether a side is being moved.
pub fn is_held(ui: &Ui) -> bool {
    SIDES
        .iter()
        .any(|side| ui.ctx().is_being_dragged(grip_id(ui, side)))
}

/// The grips on both sides of a window of the user's own; a standard's stays as it is.
pub fn grips(ui: &Ui, scene: &Scene<'_>, axes: &Axes, mode: PlaneMode) {
    let TargetChoice::User(name) = &scene.session.window else {
        return;
    };
    let target = scene.session.target();
    let rect = bounds(scene, axes, mode).intersect(axes.plot);
    let colours = scene::colours(ui);
    let limits = target.loudness_lufs;
    let sides = [(limits.low, rect.left()), (limits.high, rect.right())];
    for (index, ((limit, x), side)) in sides.into_iter().zip(SIDES).enumerate() {
        let Some(lufs) = limit else { continue };
        if !axes.plot.x_range().contains(x) {
            continue;
        }
        let grip = Rect::from_center_size(pos2(x, rect.center().y), GRIP);
        let id = grip_id(ui, side);
        let response = ui.interact(grip.expand(3.0), id, Sense::DRAG);
        response.widget_info(|| {
            let at = number::with_unit(Some(lufs), 1, "LUFS");
            WidgetInfo::labeled(Role::Image, true, format!("Target's {side} side, {at}"))
        });
        if let Some(pointer) = control::led_to(&response) {
            let share = (pointer.x - axes.plot.left()) / axes.plot.width();
            let wanted = (axes.across.value(share) / STEP_LUFS).round() * STEP_LUFS;
            let wanted = wanted.clamp(GRIP_LUFS[0], GRIP_LUFS[1]);
            let wanted = match index {
                0 => wanted.min(limits.high.unwrap_or(0.0) - LEAST_WIDTH),
                _ => wanted.max(limits.low.unwrap_or(-70.0) + LEAST_WIDTH),
            };
            if (wanted - lufs).abs() > STEP_LUFS / 2.0 {
                let mut changed = target.clone();
                let side = [
                    &mut changed.loudness_lufs.low,
                    &mut changed.loudness_lufs.high,
                ];
                let [low, high] = side;
                *(if index == 0 { low } else { high }) = Some(wanted);
                scene
                    .params
                    .edit_session(|session| session.change_own(name, changed));
            }
        }
        let painter = ui.painter().with_clip_rect(axes.plot.expand(GRIP.x));
        let stroke = Stroke::new(1.5, colours.window.mark);
        painter.rect(grip, 3, colours.well, stroke, StrokeKind::Inside);
        if response.dragged() || response.hovered() {
            let at = grip.center_top() - vec2(0.0, 9.0);
            let text = number::with_unit(Some(lufs), 1, "LUFS");
            scene::label(
                &painter,
                at,
                Align2::CENTER_CENTER,
                text,
                colours.window.text,
            );
        }
        response.on_hover_cursor(CursorIcon::ResizeHorizontal);
    }
}

/// PLR is true peak less loudness: peaks at the ceiling lie on a falling diagonal, and nothing lies
/// beyond it.
pub fn ceiling(painter: &Painter, scene: &Scene<'_>, axes: &Axes, colours: &Colours) {
    let limiter = &scene.params.limiter;
    let (dbtp, name) = if limiter.on.value() {
        (f64::from(limiter.ceiling.value()), "ceiling")
    } else {
        (0.0, "full scale")
    };
    let [low, high] = axes.across.range();
    let ends = [low - 1.0, high + 1.0].map(|lufs| {
        axes.at(Place {
            lufs,
            up_db: dbtp - lufs,
        })
    });
    painter.line_segment(ends, Stroke::new(1.5, colours.level));
    // The name stands where the diagonal comes in: beside the top edge, or at the left edge.
    let [_, top] = axes.up.range();
    let enters = (dbtp - top).max(low);
    let at = axes.at(Place {
        lufs: enters,
        up_db: dbtp - enters,
    }) + vec2(24.0, 9.0);
    let text = format!("{name} {}", number::with_unit(Some(dbtp), 1, "dBTP"));
    let galley = painter.layout_no_wrap(text, font(painter.ctx(), LABEL_PT), colours.label);
    let place = Align2::LEFT_CENTER.anchor_size(at, galley.size());
    painter.rect_filled(place.expand2(vec2(3.0, 0.0)), 2, colours.well);
    painter.galley(place.min, galley, colours.label);
}
