//! The stages as tiles, and the one that is open.

mod bands;
mod frequencies;
mod limiter;
mod saturator;
mod shelves;
mod tile;

use egui::{Align2, Key, Rect, Ui, pos2, vec2};

use self::tile::Face;
use super::control;
use super::scene::{self, Scene};
use super::theme::{BODY_PT, LABEL_PT};

const GAP: f32 = 10.0;
/// Height of an open stage's first line.
const HEAD: f32 = 22.0;
/// Height of a value track with its name, and the least space below it.
const TRACK: f32 = 28.0;
const TRACK_GAP: f32 = 2.0;
/// Space between two tracks, one beside the other.
const COLUMN_GAP: f32 = 18.0;

/// A stage that can be opened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// The two shelves.
    Shelves,
    /// The band compressor.
    Bands,
    /// The saturator.
    Saturator,
    /// The limiter.
    Limiter,
}

impl Stage {
    /// In the order of the signal.
    const ALL: [Self; 4] = [Self::Shelves, Self::Bands, Self::Saturator, Self::Limiter];

    const fn name(self) -> &'static str {
        match self {
            Self::Shelves => "shelves",
            Self::Bands => "bands",
            Self::Saturator => "saturator",
            Self::Limiter => "limiter",
        }
    }
}

/// What the chain remembers between frames.
#[derive(Debug, Default)]
pub struct State {
    /// The stage whose panel covers the history; none while closed.
    pub open: Option<Stage>,
    bands: bands::State,
    limiter: limiter::State,
}

/// Draws the stages side by side: what each is set to and does, and the way to its controls.
pub fn tiles(ui: &mut Ui, rect: Rect, scene: &Scene<'_>, state: &mut State) {
    let count = Stage::ALL.len() as f32;
    let step = (rect.width() + GAP) / count;
    for (index, stage) in Stage::ALL.into_iter().enumerate() {
        let left = rect.left() + (index as f32 * step).round();
        let right = rect.left() + ((index + 1) as f32 * step).round() - GAP;
        let area = rect.with_min_x(left).with_max_x(right);
        let face = match stage {
            Stage::Shelves => shelves::face(scene),
            Stage::Bands => bands::face(scene, &mut state.bands),
            Stage::Saturator => saturator::face(scene),
            Stage::Limiter => limiter::face(scene, &mut state.limiter),
        };
        let open = state.open == Some(stage);
        let picture = tile::show(ui, area, scene, stage, &face, open);
        if picture.toggled {
            state.open = (!open).then_some(stage);
        }
        let Some(room) = picture.room else {
            continue;
        };
        match stage {
            Stage::Shelves => shelves::miniature(ui, room, scene),
            Stage::Bands => bands::miniature(ui, room, scene, &state.bands),
            Stage::Saturator => saturator::miniature(ui, room, scene),
            Stage::Limiter => limiter::miniature(ui, room, scene, &state.limiter),
        }
    }
}

/// Draws the open stage's panel over `rect`, the history's place. False where none is open: the
/// history is to be seen then.
pub fn opened(ui: &mut Ui, rect: Rect, scene: &Scene<'_>, state: &mut State) -> bool {
    let Some(stage) = state.open else {
        return false;
    };
    // Before the controls are drawn: escape first closes a field or a menu of theirs.
    let (escape, pressed) =
        ui.input(|input| (input.key_pressed(Key::Escape), input.pointer.any_down()));
    let elsewhere = control::is_typing(ui.ctx()) || egui::Popup::is_any_open(ui.ctx());
    if escape && !pressed && !elsewhere {
        state.open = None;
        return false;
    }
    let area = scene::panel(ui, rect).expand2(vec2(0.0, 5.0));
    let colours = scene::colours(ui);
    let head = area.with_max_y(area.top() + HEAD);
    let name = scene::text(
        ui.painter(),
        pos2(head.left(), head.center().y - 3.0),
        Align2::LEFT_CENTER,
        stage.name(),
        BODY_PT,
        colours.text,
    );
    let head = head.with_min_x(name.right() + 18.0);
    let body = area.with_min_y(area.top() + HEAD);
    match stage {
        Stage::Shelves => shelves::opened(ui, head, body, scene),
        Stage::Bands => bands::opened(ui, head, body, scene, &mut state.bands),
        Stage::Saturator => saturator::opened(ui, head, body, scene),
        Stage::Limiter => limiter::opened(ui, head, body, scene, &mut state.limiter),
    }
    true
}

/// Says at the right of an open stage's first line how its picture is worked, if there is room.
fn hint(ui: &Ui, head: Rect, text: &str) {
    let colours = scene::colours(ui);
    let font = control::font(ui.ctx(), LABEL_PT);
    let galley = ui
        .painter()
        .layout_no_wrap(text.into(), font, colours.label);
    if galley.size().x <= head.width() {
        let at = pos2(head.right(), head.center().y - 3.0);
        let place = Align2::RIGHT_CENTER.anchor_size(at, galley.size());
        ui.painter().galley(place.min, galley, colours.label);
    }
}

/// The place of a track in `area`, which is divided into columns and rows.
fn cell(area: Rect, [columns, rows]: [usize; 2], [column, row]: [usize; 2]) -> Rect {
    let width = (area.width() + COLUMN_GAP) / columns as f32;
    // What is taller than needed goes between the rows, within reason.
    let height = (area.height() / rows as f32).clamp(TRACK + TRACK_GAP, 1.6 * TRACK);
    Rect::from_min_size(
        pos2(
            area.left() + column as f32 * width,
            area.top() + row as f32 * height + (height - TRACK - TRACK_GAP) / 2.0,
        ),
        vec2(width - COLUMN_GAP, TRACK),
    )
}

/// What `face` is made of: two lines, the first the more important.
fn lines(first: String, second: String, on: bool) -> Face {
    Face {
        lines: [first, second],
        brief: None,
        on,
    }
}
