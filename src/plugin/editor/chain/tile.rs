//! One stage in the row of tiles.

use egui::{Align2, Button, CursorIcon, Rect, RichText, Sense, Stroke, StrokeKind, Ui, pos2, vec2};
use nice_plug::prelude::BoolParam;

use super::Stage;
use crate::editor::control::{self, Look};
use crate::editor::scene::{self, Scene};
use crate::editor::theme::{BODY_PT, LABEL_PT, RADIUS};

const INSET: f32 = 12.0;
/// Height of the line with name, switch and button.
const HEAD: f32 = 26.0;
const LINE: f32 = 20.0;
const OPEN: f32 = 58.0;
/// The miniature's width, and the least width of a tile that has one.
const MINIATURE: f32 = 82.0;
const ROOM_FOR_MINIATURE: f32 = 232.0;

/// What a tile says.
pub struct Face {
    /// What the stage is set to, and what it does.
    pub lines: [String; 2],
    /// The second of them where it has no room, if it has other words for that.
    pub brief: Option<&'static str>,
    /// Whether it works.
    pub on: bool,
}

/// What came of drawing a tile.
pub struct Shown {
    /// It is to be opened, or closed if it is open.
    pub toggled: bool,
    /// Where the miniature goes, if there is room.
    pub room: Option<Rect>,
}

fn switch_of<'a>(scene: &'a Scene<'_>, stage: Stage) -> Option<(&'a BoolParam, &'static str)> {
    let params = scene.params;
    match stage {
        Stage::Shelves => None,
        Stage::Bands => Some((&params.bands.on, "Compresses four bands, each on its own.")),
        Stage::Saturator => Some((
            &params.saturator.on,
            "Bends the top few decibels only; what lies below the shoulder passes unchanged.",
        )),
        Stage::Limiter => Some((
            &params.limiter.on,
            "Keeps true peaks at the ceiling, within 0.2 dB as meters read music, in the output and in \
             the clean path.",
        )),
    }
}

/// Draws a tile but for its miniature.
pub fn show(
    ui: &mut Ui,
    rect: Rect,
    scene: &Scene<'_>,
    stage: Stage,
    face: &Face,
    open: bool,
) -> Shown {
    let colours = scene::colours(ui);
    // All of the tile opens it; the keyboard has the button.
    let id = ui.scope_id().with(("tile", stage.name()));
    let whole = ui
        .interact(rect, id, Sense::CLICK)
        .on_hover_cursor(CursorIcon::PointingHand);
    ui.painter().rect_filled(rect, RADIUS, colours.panel);
    if open || whole.hovered() {
        let colour = if open { colours.text } else { colours.track };
        let frame = Stroke::new(1.0, colour);
        ui.painter()
            .rect_stroke(rect, RADIUS, frame, StrokeKind::Inside);
    }
    let inner = rect.shrink2(vec2(INSET, 0.0));
    let slack = ((rect.height() - HEAD - 2.0 * LINE) / 3.0).clamp(0.0, 8.0);
    let head = inner
        .with_min_y(rect.top() + slack)
        .with_max_y((rect.top() + slack + HEAD).min(rect.bottom()));
    let name_room = head.with_max_x(head.right() - OPEN - 6.0);
    if let Some((param, tip)) = switch_of(scene, stage) {
        let width = 96.0_f32.min(name_room.width());
        let area = name_room.with_max_x(name_room.left() + width);
        let look = Look::new(stage.name(), tip).active(param.value());
        control::switch(ui, area.shrink2(vec2(0.0, 2.0)), scene.setter, param, look);
    } else {
        scene::text(
            ui.painter(),
            name_room.left_center(),
            Align2::LEFT_CENTER,
            stage.name(),
            BODY_PT,
            colours.text,
        );
    }
    let pressed = button(ui, head, stage, face, open);
    let below = inner.with_min_y(head.bottom());
    let has_lines = below.height() >= 2.0 * LINE - 2.0;
    let room = (has_lines && rect.width() >= ROOM_FOR_MINIATURE).then(|| {
        let width = MINIATURE.max(0.3 * inner.width()).min(150.0);
        below
            .with_min_x(inner.right() - width)
            .with_max_y(rect.bottom() - 8.0)
    });
    if has_lines {
        let text_room = room.map_or(inner, |room| inner.with_max_x(room.left() - 6.0));
        let painter = ui.painter().with_clip_rect(text_room.intersect(rect));
        let [first, second] = face.lines.each_ref();
        let width = text_room.width();
        let brief = face.brief.unwrap_or(second);
        let second = scene::fitting(&painter, second, brief, width);
        for (index, line) in [first.as_str(), second].into_iter().enumerate() {
            let y = below.top() + slack / 2.0 + (index as f32 + 0.5) * LINE;
            let colour = if index == 0 && face.on {
                colours.text
            } else {
                colours.label
            };
            let at = pos2(inner.left(), y);
            scene::cut(&painter, at, line, width, colour);
        }
    }
    Shown {
        toggled: whole.clicked() || pressed,
        room,
    }
}

fn button(ui: &mut Ui, head: Rect, stage: Stage, face: &Face, open: bool) -> bool {
    let colours = scene::colours(ui);
    let area = head.with_min_x(head.right() - OPEN).shrink2(vec2(0.0, 2.0));
    let text = if open { "close ▾" } else { "open ▴" };
    let text = RichText::new(text)
        .font(control::font(ui.ctx(), LABEL_PT))
        .color(if open { colours.text } else { colours.label });
    let button = Button::new(text)
        .frame_when_inactive(false)
        .small()
        .wrap_mode(egui::TextWrapMode::Extend)
        .min_size(area.size());
    let verb = if open { "Close" } else { "Open" };
    let response = ui
        .put(area, button)
        .accessible_name(format!("{verb} {}", stage.name()));
    let spoken = face.lines.join(", ");
    ui.ctx().accesskit_node_builder(response.id, |node| {
        node.set_value(spoken);
        node.set_expanded(open);
    });
    control::focus_ring(ui, area, &response);
    let tip = if open {
        "Shows the history again; so does escape."
    } else {
        "Shows all its controls in the place of the history."
    };
    control::tip(response, tip).clicked()
}
