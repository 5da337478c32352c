//! Title, target window, listen switch, settings; and below them what has to be said in words.

use egui::{
    Align, Align2, Layout, Rect, Response, Role, Sense, Ui, UiBuilder, WidgetInfo, pos2, vec2,
};
use nice_plug::prelude::Param;

use super::control::{self, Look};
use super::menus;
use super::number;
use super::scene::{self, Scene, label, small};
use super::theme::{BODY_PT, RADIUS, SMALL_PT, Signal, VALUE_PT};
use super::view_model::notices;
use super::{Wish, mark};
use crate::params::ListenChoice;

/// One place of the listen switch.
#[derive(Clone, Copy)]
struct Listen {
    choice: ListenChoice,
    name: &'static str,
    /// Whose hue and mark it has.
    signal: Option<Signal>,
    /// Which of the matching gains is its own.
    gain: Option<usize>,
    tip: &'static str,
}

const LISTEN: [Listen; 4] = [
    Listen {
        choice: ListenChoice::Output,
        name: "Output",
        signal: Some(Signal::Output),
        gain: Some(0),
        tip: "Hear what the chain makes.",
    },
    Listen {
        choice: ListenChoice::Clean,
        name: "Clean",
        signal: Some(Signal::Clean),
        gain: Some(1),
        tip: "Hear the chain without its saturator.",
    },
    Listen {
        choice: ListenChoice::Input,
        name: "Input",
        signal: Some(Signal::Input),
        gain: Some(2),
        tip: "Hear what arrives.",
    },
    Listen {
        choice: ListenChoice::Residue,
        name: "Residue",
        signal: None,
        gain: None,
        tip: "Hear only what the chain changed.",
    },
];
const BUTTON: egui::Vec2 = vec2(104.0, 28.0);

/// Draws the bar; returns what is asked of the window.
pub fn show(ui: &mut Ui, rect: Rect, scene: &Scene<'_>) -> Option<Wish> {
    let colours = scene::colours(ui);
    let middle = rect.center().y;
    let title = scene::text(
        ui.painter(),
        pos2(rect.left(), middle),
        Align2::LEFT_CENTER,
        "Crestline",
        VALUE_PT + 1.0,
        colours.text,
    );
    let window = Rect::from_min_size(
        pos2(title.right() + 18.0, middle - 14.0),
        vec2(228.0 + (rect.width() - 1_148.0).clamp(-72.0, 40.0), 28.0),
    );
    menus::target(ui, window, scene);
    let mut x = window.right() + 16.0;
    x = label(
        ui.painter(),
        pos2(x, middle),
        Align2::LEFT_CENTER,
        "listen",
        colours.label,
    )
    .right()
        + 8.0;
    for entry in LISTEN {
        let button = Rect::from_min_size(pos2(x, middle - BUTTON.y / 2.0), BUTTON);
        listen_button(ui, button, scene, entry);
        x = button.right() + 4.0;
    }
    let matched = Rect::from_min_size(pos2(x + 10.0, middle - 14.0), vec2(74.0, 28.0));
    let look = Look::new(
        "matched",
        "Turns the louder signals down to the quietest, so that loudness does not decide.",
    );
    control::switch(ui, matched, scene.setter, &scene.params.matched, look);
    let gain = number::with_unit(Some(scene.snapshot.activity.listen_gain_db.into()), 1, "dB");
    // In a narrow window it is only on the button.
    if scene.params.matched.value() && rect.width() > 1_120.0 {
        label(
            ui.painter(),
            pos2(matched.right() + 6.0, middle),
            Align2::LEFT_CENTER,
            gain,
            colours.label,
        );
    }
    right_hand(ui, rect, scene)
}

fn right_hand(ui: &mut Ui, rect: Rect, scene: &Scene<'_>) -> Option<Wish> {
    let mut wish = None;
    let builder = UiBuilder::new()
        .max_rect(rect)
        .layout(Layout::right_to_left(Align::Center));
    ui.scope_builder(builder, |ui| {
        wish = menus::settings(ui, scene);
        let restart = ui
            .button("restart")
            .on_hover_text("Forgets everything measured so far and starts anew.");
        if restart.clicked() {
            wish = Some(Wish::Restart);
        }
        let clock = egui::RichText::new(number::clock(scene.measured_s())).size(BODY_PT);
        ui.label(clock)
            .on_hover_text("Time measured since the last restart.");
    });
    wish
}

fn listen_button(ui: &mut Ui, rect: Rect, scene: &Scene<'_>, of: Listen) -> Response {
    let Listen {
        choice,
        name,
        signal,
        gain,
        tip,
    } = of;
    let colours = scene::colours(ui);
    let listen = &scene.params.listen;
    let response = ui.interact(rect, ui.scope_id().with(name), Sense::click());
    if response.clicked() {
        control::set(scene.setter, listen, listen.preview_normalized(choice));
    }
    let on = listen.value() == choice;
    let hue = signal.map(|signal| colours.hue(signal));
    let (face, ink) = match (on, hue) {
        (true, Some(hue)) => (hue.mark, hue.over),
        (true, None) => (colours.level, colours.panel),
        (false, _) if response.hovered() => (colours.track, colours.text),
        (false, _) => (colours.face, colours.text),
    };
    let painter = ui.painter();
    painter.rect_filled(rect, RADIUS, face);
    let mut x = rect.left() + 9.0;
    if let Some(signal) = signal {
        let colour = if on { ink } else { colours.hue(signal).mark };
        mark::paint(painter, signal, pos2(x + 4.0, rect.center().y), 8.5, colour);
        x += 14.0;
    }
    scene::text(
        painter,
        pos2(x, rect.center().y),
        Align2::LEFT_CENTER,
        name,
        BODY_PT,
        ink,
    );
    let gain = gain
        .filter(|_| scene.params.matched.value())
        .and_then(|index| scene.snapshot.activity.match_db.get(index));
    if let Some(gain) = gain {
        let at = pos2(rect.right() - 5.0, rect.center().y + 0.5);
        small(painter, at, Align2::RIGHT_CENTER, notices::gain(*gain), ink);
    }
    control::focus_ring(ui, rect.expand(2.0), &response);
    let told = format!("Listen to {name}");
    response.widget_info(|| WidgetInfo::selected(Role::RadioButton, ui.is_enabled(), on, &told));
    response.on_hover_text(tip)
}

/// The line below the bar.
pub fn notice(ui: &mut Ui, rect: Rect, scene: &Scene<'_>) {
    let colours = scene::colours(ui);
    let (listen, bypass) = (scene.params.listen.value(), scene.params.bypass.value());
    let painter = ui.painter();
    let at = pos2(rect.left(), rect.center().y);
    small(
        painter,
        at,
        Align2::LEFT_CENTER,
        notices::CAUTION,
        colours.label,
    );
    let recorded = notices::recorded(listen, bypass).map(str::to_owned);
    let jump = notices::jump(scene.snapshot, listen, scene.params.matched.value());
    let words: Vec<String> = recorded.into_iter().chain(jump).collect();
    if words.is_empty() {
        return;
    }
    let words = words.join("  ");
    let galley = painter.layout_no_wrap(
        words.clone(),
        egui::FontId::proportional(SMALL_PT + 1.0),
        colours.window.text,
    );
    let from = pos2(
        rect.right() - galley.size().x,
        rect.center().y - galley.size().y / 2.0,
    );
    let around = Rect::from_min_size(from, galley.size())
        .expand2(vec2(8.0, 2.0))
        .translate(vec2(-8.0, 0.0));
    painter.rect_filled(around.expand2(vec2(0.0, 1.0)), RADIUS, colours.background);
    painter.rect_stroke(
        around,
        RADIUS,
        egui::Stroke::new(1.0, colours.window.mark),
        egui::StrokeKind::Inside,
    );
    painter.galley(from - vec2(8.0, 0.0), galley, colours.window.text);
    let response = ui.interact(around, ui.scope_id().with("notice"), Sense::HOVER);
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &words));
}
