//! The details below the decision: the song in numbers, the cost by band, the balance. Where there
//! is no room for two of them, they share one place.

use egui::{Rect, Role, Sense, Ui, WidgetInfo, pos2, vec2};

use super::scene::{self, Scene};
use super::theme::{LABEL_PT, RADIUS, font};
use super::{balance, control, cost, numbers};

/// Height of the line of names.
const HEAD: f32 = 22.0;

/// One of the views.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Detail {
    /// The song in numbers.
    Numbers,
    /// Cost by band.
    Cost,
    /// Output less input, by third octaves.
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
    /// Beside the numbers.
    beside: Detail,
    /// All rows of the numbers, over both places.
    more: bool,
}

impl Default for State {
    fn default() -> Self {
        Self {
            alone: Detail::Numbers,
            beside: Detail::Cost,
            more: false,
        }
    }
}

/// Draws what there is room for.
pub fn show(ui: &mut Ui, [numbers, cost]: [Option<Rect>; 2], scene: &Scene<'_>, state: &mut State) {
    let Some(numbers) = numbers else { return };
    let Some(cost) = cost else {
        let area = scene::panel(ui, numbers).expand2(vec2(0.0, 5.0));
        let all = [Detail::Numbers, Detail::Cost, Detail::Balance];
        tabs(ui, area, scene, &all, &mut state.alone);
        let area = area.with_min_y(area.top() + HEAD);
        return one(ui, area, scene, state.alone, &mut None);
    };
    let mut more = Some(state.more);
    let place = if state.more {
        numbers.union(cost)
    } else {
        numbers
    };
    let area = scene::panel(ui, place).expand2(vec2(0.0, 5.0));
    one(ui, area, scene, Detail::Numbers, &mut more);
    if !state.more {
        let area = scene::panel(ui, cost).expand2(vec2(0.0, 5.0));
        let both = [Detail::Cost, Detail::Balance];
        tabs(ui, area, scene, &both, &mut state.beside);
        let area = area.with_min_y(area.top() + HEAD + 2.0);
        one(ui, area, scene, state.beside, &mut None);
    }
    state.more = more.unwrap_or(false);
}

fn one(ui: &mut Ui, area: Rect, scene: &Scene<'_>, detail: Detail, more: &mut Option<bool>) {
    match detail {
        Detail::Numbers => numbers::show(ui, area, scene, more),
        Detail::Cost => cost::show(ui, area, scene),
        Detail::Balance => balance::show(ui, area, scene),
    }
}

fn tabs(ui: &mut Ui, area: Rect, scene: &Scene<'_>, all: &[Detail], shown: &mut Detail) {
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
}
