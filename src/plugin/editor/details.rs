//! The details below the decision: the song in numbers, the cost by band, the balance. Where there
//! is no room for two of them, they share one place.

use egui::{Button, Rect, RichText, Role, Sense, Ui, WidgetInfo, pos2, vec2};

use super::scene::{self, Scene};
use super::theme::{LABEL_PT, RADIUS, SMALL_PT, font};
use super::{Action, balance, control, cost, numbers, reference};

/// Height of the line of names.
const HEAD: f32 = 22.0;
/// Widths of the button for more, and of the least that a reference can be named in.
const MORE: f32 = 52.0;
const LEAST_BUTTON: f32 = 110.0;

/// One of the views.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Detail {
    /// The song in numbers.
    Numbers,
    /// Cost by band.
    Cost,
    /// Output less input, or either less the reference, by third octaves.
    Balance,
}

impl Detail {
    const fn name(self) -> &'static str {
        match self {
            Self::Numbers => "numbers",
            Self::Cost => "cost by band",
            Self::Balance => "balance",
        }
    }
}

/// What is shown.
#[derive(Debug)]
pub struct State {
    /// In a place that all share.
    alone: Detail,
    /// All the numbers there, rather than those that are always wanted.
    alone_more: bool,
    /// Beside the numbers.
    beside: Detail,
    /// One of them over both places.
    large: Option<Detail>,
}

impl Default for State {
    fn default() -> Self {
        Self {
            alone: Detail::Numbers,
            alone_more: false,
            beside: Detail::Cost,
            large: None,
        }
    }
}

impl State {
    /// Brings the balance into sight.
    pub fn show_balance(&mut self) {
        (self.alone, self.beside) = (Detail::Balance, Detail::Balance);
        self.large = self.large.filter(|large| *large == Detail::Balance);
    }
}

/// Draws what there is room for; returns what is asked of the window.
pub fn show(
    ui: &mut Ui,
    [numbers, cost]: [Option<Rect>; 2],
    scene: &Scene<'_>,
    state: &mut State,
) -> Option<Action> {
    let numbers = numbers?;
    let Some(cost) = cost else {
        let mut area = scene::panel(ui, numbers).expand2(vec2(0.0, 5.0));
        let all = [Detail::Numbers, Detail::Cost, Detail::Balance];
        let left = tabs(ui, area, scene, &all, &mut state.alone);
        let mut action = None;
        if state.alone == Detail::Balance {
            let mut room = head_room(area, left);
            // Where the names leave too little of the line it has one of its own.
            if room.width() < LEAST_BUTTON {
                area.min.y += HEAD;
                room = head_room(area, area.left());
            }
            action = reference::menu(ui, room, scene);
        }
        let mut more = Some(state.alone_more);
        let area = area.with_min_y(area.top() + HEAD);
        one(ui, area, scene, state.alone, &mut more);
        state.alone_more = more == Some(true);
        return action.map(Action::Reference);
    };
    let place = match state.large {
        Some(_) => numbers.union(cost),
        None => numbers,
    };
    let mut action = None;
    if state.large != Some(Detail::Balance) {
        let mut more = Some(state.large.is_some());
        let area = scene::panel(ui, place).expand2(vec2(0.0, 5.0));
        one(ui, area, scene, Detail::Numbers, &mut more);
        state.large = (more == Some(true)).then_some(Detail::Numbers);
    }
    if place == numbers || state.large == Some(Detail::Balance) {
        let place = if place == numbers { cost } else { place };
        let area = scene::panel(ui, place).expand2(vec2(0.0, 5.0));
        let both = [Detail::Cost, Detail::Balance];
        let left = tabs(ui, area, scene, &both, &mut state.beside);
        if state.beside == Detail::Balance {
            let mut room = head_room(area, left);
            let more = room.with_min_x(room.right() - MORE);
            room.max.x = more.left() - 4.0;
            action = reference::menu(ui, room, scene);
            larger(ui, more, scene, state);
        } else {
            state.large.take_if(|large| *large == Detail::Balance);
        }
        let area = area.with_min_y(area.top() + HEAD + 2.0);
        one(ui, area, scene, state.beside, &mut None);
    }
    action.map(Action::Reference)
}

/// What the line of names leaves to the right of `left`.
fn head_room(area: Rect, left: f32) -> Rect {
    Rect::from_min_max(
        pos2((area.right() - 250.0).max(left + 4.0), area.top() - 3.0),
        pos2(area.right(), area.top() + 16.0),
    )
}

/// The button that gives the balance both places, where it has a reference.
fn larger(ui: &mut Ui, rect: Rect, scene: &Scene<'_>, state: &mut State) {
    if scene.session.reference.is_none() {
        state.large.take_if(|large| *large == Detail::Balance);
        return;
    }
    let is_large = state.large == Some(Detail::Balance);
    let (name, tip) = if is_large {
        ("fewer", "Shows the numbers again.")
    } else {
        (
            "more",
            "Shows what sets both apart, what would help, and how dense both are.",
        )
    };
    let text = RichText::new(name).font(font(ui.ctx(), SMALL_PT));
    let response = ui
        .put(rect, Button::new(text).small())
        .accessible_name(format!("Show {name} of the balance"));
    if control::tip(response, tip).clicked() {
        state.large = (!is_large).then_some(Detail::Balance);
    }
}

fn one(ui: &mut Ui, area: Rect, scene: &Scene<'_>, detail: Detail, more: &mut Option<bool>) {
    match detail {
        Detail::Numbers => numbers::show(ui, area, scene, more),
        Detail::Cost => cost::show(ui, area, scene),
        Detail::Balance => balance::show(ui, area, scene),
    }
}

/// Draws the names of the views; returns where the last ends.
fn tabs(ui: &mut Ui, area: Rect, scene: &Scene<'_>, all: &[Detail], shown: &mut Detail) -> f32 {
    let colours = scene::colours(ui);
    let mut x = area.left() - 6.0;
    for detail in all {
        let name = detail.name();
        let size = font(ui.ctx(), LABEL_PT);
        let galley = ui
            .painter()
            .layout_no_wrap(name.into(), size, colours.label);
        let rect = Rect::from_min_size(pos2(x, area.top() - 3.0), galley.size() + vec2(14.0, 4.0));
        let on = *shown == *detail;
        let response = ui.interact(rect, ui.scope_id().with(("detail", name)), Sense::click());
        if on || response.hovered() {
            ui.painter().rect_filled(rect, RADIUS, colours.face);
        }
        let ink = if on { colours.text } else { colours.label };
        let at = rect.min + vec2(7.0, 2.0);
        ui.painter()
            .galley_with_override_text_color(at, galley, ink);
        control::focus_ring(ui, rect, &response);
        let text = format!("Show {name}");
        response.widget_info(|| WidgetInfo::selected(Role::RadioButton, true, on, &text));
        if response.clicked() {
            *shown = *detail;
        }
        x = rect.right() + 4.0;
    }
    if *shown == Detail::Cost {
        let left = (area.right() - 190.0).max(x + 4.0);
        let rect = Rect::from_min_max(
            pos2(left, area.top() - 3.0),
            pos2(area.right(), area.top() + 16.0),
        );
        cost::source(ui, rect, scene);
    }
    x
}
