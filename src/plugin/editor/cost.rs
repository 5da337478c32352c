//! Cost by band: how far each is turned down, and how much distortion is added to it, clean above
//! saturated.

use egui::{
    Align2, Button, Painter, Popup, PopupCloseBehavior, Rect, RichText, Role, Sense, Stroke, Ui,
    WidgetInfo, pos2, vec2,
};

use super::control::{self, Look};
use super::scene::{self, Scene, small};
use super::theme::{Colours, LABEL_PT, SMALL_PT, Signal, font};
use super::view_model::bands::{self, Paid};
use super::view_model::history::reach_db;

/// Height of the two lines that name the groups and their scales.
const HEAD: f32 = 28.0;
/// Where the groups of bars lie, as shares of the width: from, to.
const GROUPS: [[f32; 2]; 2] = [[0.21, 0.47], [0.65, 0.89]];
/// How far the scale of what is turned down may reach, dB.
const REACHES_DB: [f32; 4] = [6.0, 12.0, 24.0, 48.0];

/// A scale: its ends, the figures written, and its name.
type Scale = ([f64; 2], [f64; 3], &'static str);

/// Both scales, for reductions of up to this.
fn scales(highest_db: f64) -> [Scale; 2] {
    let reach_db = f64::from(reach_db(REACHES_DB, -highest_db as f32));
    [
        (
            [0.0, reach_db],
            [0.0, 0.5 * reach_db, reach_db],
            "turned down, dB",
        ),
        (
            [-60.0, -10.0],
            [-60.0, -40.0, -20.0],
            "distortion added, dB",
        ),
    ]
}

/// Draws the four bands into `area`.
pub fn show(ui: &Ui, area: Rect, scene: &Scene<'_>) {
    let colours = scene::colours(ui);
    let tap = scene.params.tap.on.value();
    let driven = scene.params.saturator.on.value();
    let groups = GROUPS.map(|[from, to]| {
        Rect::from_x_y_ranges(
            area.left() + from * area.width()..=area.left() + to * area.width(),
            area.y_range(),
        )
    });
    let names = bands::names(scene.params.chain_settings().bands.crossovers_hz);
    let costs = bands::costs(scene.told, tap, driven);
    let reductions = costs.iter().flatten();
    let reductions = reductions.filter_map(|(_, paid)| paid.reduction_db);
    let scales = scales(reductions.fold(0.0, f64::max));
    let at = pos2(area.left(), area.top() + 20.0);
    small(ui.painter(), at, Align2::LEFT_CENTER, "Hz", colours.label);
    for (group, (ends, figures, name)) in groups.into_iter().zip(scales) {
        head(ui.painter(), group, ends, figures, name, colours);
    }
    let whose = match (tap, driven) {
        (true, _) => "by what lies between the tap and the input",
        (false, true) => "clean above, saturated below; the figures are the output's",
        (false, false) => "by this chain",
    };
    let height = (area.height() - HEAD) / 4.0;
    for (index, (name, costs)) in names.iter().zip(costs).enumerate() {
        let top = area.top() + HEAD + index as f32 * height;
        let row = Rect::from_x_y_ranges(area.x_range(), top..=top + height);
        let response = ui.interact(row, ui.scope_id().with(("cost", index)), Sense::HOVER);
        response.widget_info(|| WidgetInfo::labeled(Role::Label, true, spoken(name, &costs)));
        band(ui.painter(), row, groups, scales, name, &costs, colours);
        response.on_hover_text(format!(
            "How far this band was turned down on average over the last 3 s, and how much distortion \
             was added to it: {whose}."
        ));
    }
}

fn spoken(name: &str, costs: &[(Option<Signal>, Paid)]) -> String {
    let each = costs.iter().map(|(signal, paid)| {
        let [reduction, distortion] = paid.written();
        let who = match signal {
            Some(Signal::Clean) => "clean",
            Some(_) => "output",
            None => "before the input",
        };
        format!("{who}: turned down {reduction}, distortion {distortion}")
    });
    format!("{name} Hz, {}", each.collect::<Vec<_>>().join("; "))
}

fn head(
    painter: &Painter,
    group: Rect,
    ends: [f64; 2],
    figures: [f64; 3],
    name: &str,
    colours: &Colours,
) {
    let at = pos2(group.left(), group.top() + 6.0);
    small(painter, at, Align2::LEFT_CENTER, name, colours.label);
    for figure in figures {
        let x = along(group, ends, figure);
        let at = pos2(x, group.top() + 20.0);
        let text = super::number::fixed(Some(figure), 0);
        small(painter, at, Align2::CENTER_CENTER, text, colours.label);
        painter.vline(
            x,
            group.top() + HEAD..=group.bottom(),
            Stroke::new(1.0, colours.grid),
        );
    }
}

fn along(group: Rect, [low, high]: [f64; 2], value: f64) -> f32 {
    let share = ((value - low) / (high - low)).clamp(0.0, 1.0) as f32;
    group.left() + share * group.width()
}

fn band(
    painter: &Painter,
    row: Rect,
    groups: [Rect; 2],
    scales: [Scale; 2],
    name: &str,
    costs: &[(Option<Signal>, Paid)],
    colours: &Colours,
) {
    let middle = row.center().y;
    scene::text(
        painter,
        pos2(row.left(), middle),
        Align2::LEFT_CENTER,
        name,
        if row.height() < 15.0 {
            SMALL_PT
        } else {
            LABEL_PT
        },
        colours.text,
    );
    let height = ((row.height() - 5.0) / costs.len().max(1) as f32).clamp(3.0, 9.0);
    let top = middle - height * costs.len() as f32 / 2.0;
    for (index, (signal, paid)) in costs.iter().enumerate() {
        let mark = signal.map_or(colours.level, |signal| colours.hue(signal).mark);
        let values = [paid.reduction_db, paid.distortion_db];
        for ((group, (ends, ..)), value) in groups.into_iter().zip(scales).zip(values) {
            let y = top + index as f32 * height;
            let well = Rect::from_x_y_ranges(group.x_range(), y..=y + height - 1.0);
            painter.rect_filled(well, 0, colours.well);
            if let Some(value) = value.filter(|value| value.is_finite()) {
                painter.rect_filled(well.with_max_x(along(group, ends, value)), 0, mark);
            }
        }
    }
    // The figures are the output's, or those of what lies before the input.
    let Some((signal, paid)) = costs.last() else {
        return;
    };
    let ink = signal.map_or(colours.text, |signal| colours.hue(signal).text);
    for (group, text) in groups.into_iter().zip(paid.written()) {
        let at = pos2(group.right() + 7.0, middle);
        small(painter, at, Align2::LEFT_CENTER, text, ink);
    }
}

/// What is compared: the chain's ends, or what lies in front of the plug-in; and the settings of
/// that.
pub fn source(ui: &mut Ui, rect: Rect, scene: &Scene<'_>) {
    let tap = scene.params.tap.on.value();
    let name = if tap {
        format!("{} ▾", bands::tap_in_words(scene.told))
    } else {
        "own chain ▾".into()
    };
    let button = Button::new(RichText::new(name).font(font(ui.ctx(), SMALL_PT)))
        .small()
        .truncate();
    let response = control::tip(
        ui.put(rect, button),
        "Chooses what is compared: this chain, or what lies between a tap and the input.",
    );
    Popup::menu(&response)
        .close_behavior(PopupCloseBehavior::CloseOnClickOutside)
        .show(|ui| {
            let params = &scene.params.tap;
            let mut line =
                |height: f32| ui.allocate_exact_size(vec2(300.0, height), Sense::HOVER).0;
            let [on, automatic, rest] = [line(22.0), line(22.0), line(30.0)];
            let look = Look::new(
                "the side-chain is the signal from before",
                "Compares the side-chain with the input.",
            );
            control::switch(ui, on, scene.setter, &params.on, look);
            let look = Look::new(
                "find the gain at rest",
                "Takes the gain that the signal hardly ever exceeds (95 % of the time) for the gain at rest.",
            );
            control::switch(
                ui,
                automatic,
                scene.setter,
                &params.automatic_rest,
                look.active(tap),
            );
            let by_hand = tap && !params.automatic_rest.value();
            let look =
                Look::new("gain at rest", "The gain at rest when set by hand.").active(by_hand);
            control::track(ui, rest, scene.setter, &params.rest_gain, look);
        });
}
