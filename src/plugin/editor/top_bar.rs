//! Title, target window, listen switch, settings.

use egui::{
    Align, Align2, Event, Key, Layout, Modifiers, Rect, Response, Role, Sense, Stroke, StrokeKind,
    Ui, UiBuilder, WidgetInfo, pos2, vec2,
};
use nice_plug::prelude::{BoolParam, Param};

use super::control::{self, Look};
use super::menus;
use super::number;
use super::scene::{self, Scene, label, small};
use super::theme::{BODY_PT, RADIUS, Signal, VALUE_PT};
use super::view_model::notices;
use super::view_model::recording::hears_reference;
use super::{Action, mark};
use crate::params::ListenChoice;

/// One place of the listen switch.
#[derive(Clone, Copy)]
struct Listen {
    /// `None` for the reference, which is heard in the place of any other.
    choice: Option<ListenChoice>,
    name: &'static str,
    /// Whose hue and mark it has.
    signal: Option<Signal>,
    /// Which of the matching gains is its own.
    gain: Option<usize>,
    tip: &'static str,
}

const LISTEN: [Listen; 4] = [
    Listen {
        choice: Some(ListenChoice::Output),
        name: "Output",
        signal: Some(Signal::Output),
        gain: Some(0),
        tip: "Hear what the chain makes.",
    },
    Listen {
        choice: Some(ListenChoice::Clean),
        name: "Clean",
        signal: Some(Signal::Clean),
        gain: Some(1),
        tip: "Hear the chain without its saturator.",
    },
    Listen {
        choice: Some(ListenChoice::Input),
        name: "Input",
        signal: Some(Signal::Input),
        gain: Some(2),
        tip: "Hear what arrives.",
    },
    Listen {
        choice: Some(ListenChoice::Residue),
        name: "Residue",
        signal: None,
        gain: None,
        tip: "Hear only what the chain changed.",
    },
];
/// Whether keys choose what is heard. On macOS the host gets the same ones, and has a use of its own
/// for them: there they are the host's.
pub const KEYS: bool = !cfg!(target_os = "macos");
/// Offered while there is one.
const REFERENCE: Listen = Listen {
    choice: None,
    name: "Reference",
    signal: None,
    gain: None,
    tip: if KEYS {
        "Hear the reference in the place of the mix (5: there and back). One that comes in by the side-chain can be heard while it does."
    } else {
        "Hear the reference in the place of the mix. One that comes in by the side-chain can be heard while it does."
    },
};
/// Height of what is pressed in the bar.
const HEIGHT: f32 = 28.0;
/// Width of a source with its gain.
const WITH_GAIN: f32 = 102.0;
/// Widths of the bar from which on the title, and what else can be had elsewhere, has room.
const WITH_TITLE: f32 = 900.0;
const WITH_ALL: f32 = 1_080.0;

/// Room for the clock and the buttons at the right, with hours, and for a unit.
const RIGHT_HAND: f32 = 216.0;
const UNIT: f32 = 32.0;

/// Draws the bar; returns what is asked of the window.
pub fn show(ui: &mut Ui, rect: Rect, scene: &Scene<'_>) -> Option<Action> {
    let colours = scene::colours(ui);
    let middle = rect.center().y;
    let mut x = rect.left();
    if rect.width() >= WITH_TITLE {
        let at = pos2(x, middle);
        let size = VALUE_PT + 1.0;
        let align = Align2::LEFT_CENTER;
        let title = scene::text(ui.painter(), at, align, "Crestline", size, colours.text);
        x = title.right() + 16.0;
    }
    let all = rect.width() >= WITH_ALL;
    let present = scene.snapshot.activity.reference.is_some();
    // What comes in live may fall silent: its place stays, so that no button moves under a pointer.
    let reference = present || scene.params.live_reference.value();
    // A fifth source takes the place of the label and of the window's limits.
    let width = if all && !reference { 222.0 } else { 134.0 };
    let window = Rect::from_min_size(pos2(x, middle - HEIGHT / 2.0), vec2(width, HEIGHT));
    let chosen = menus::target(ui, window, scene);
    x = window.right() + 14.0;
    if all && !reference {
        let at = pos2(x, middle);
        let align = Align2::LEFT_CENTER;
        x = label(ui.painter(), at, align, "listen", colours.label).right() + 8.0;
    }
    let width = match reference {
        _ if all => WITH_GAIN,
        true if rect.width() >= WITH_TITLE => WITH_GAIN,
        true => 76.0,
        false => 82.0,
    };
    let offered = LISTEN.into_iter().chain(reference.then_some(REFERENCE));
    // Apart, so that what is offered changes nobody else's identity.
    ui.scope(|ui| {
        for (number, entry) in (1..).zip(offered) {
            let button = Rect::from_min_size(pos2(x, middle - HEIGHT / 2.0), vec2(width, HEIGHT));
            if entry.choice.is_none() && !present {
                ui.disable();
            }
            listen_button(ui, button, scene, entry, (all && KEYS).then_some(number));
            x = button.right() + 4.0;
        }
    });
    let matched = Rect::from_min_size(pos2(x + 8.0, middle - HEIGHT / 2.0), vec2(74.0, HEIGHT));
    let look = Look::new(
        "matched",
        if KEYS {
            "Turns the louder signals down to the quietest, so that loudness does not decide (M)."
        } else {
            "Turns the louder signals down to the quietest, so that loudness does not decide."
        },
    );
    control::switch(ui, matched, scene.setter, &scene.params.matched, look);
    // The unit of the figures beside the sources' names.
    let at = pos2(matched.right() + 14.0, middle + 0.5);
    let room = rect.right() - RIGHT_HAND - at.x;
    if all && room > UNIT && scene.params.matched.value() {
        small(
            ui.painter(),
            at,
            Align2::LEFT_CENTER,
            "in dB",
            colours.label,
        );
    }
    right_hand(ui, rect, scene, all).or(chosen)
}

/// The keys 1 to 4 choose what is heard, 5 the reference or back, and M whether it is matched,
/// unless something else has the keyboard. With shift, too: some layouts write digits with it only.
pub fn keys(ui: &Ui, scene: &Scene<'_>) {
    if !KEYS || ui.memory(|memory| memory.focused().is_some()) {
        return;
    }
    // Held down it is pressed once.
    let is = |event: &Event, wanted: Key| matches!(event, Event::Key { key, pressed: true, repeat: false, .. } if *key == wanted);
    let pressed = |key: Key| {
        ui.input(|input| {
            let alone = Modifiers {
                shift: false,
                ..input.modifiers
            };
            alone.is_none() && input.events.iter().any(|event| is(event, key))
        })
    };
    for (key, of) in [Key::Num1, Key::Num2, Key::Num3, Key::Num4]
        .into_iter()
        .zip(LISTEN)
    {
        if pressed(key) {
            listen_to(scene, of.choice);
        }
    }
    if pressed(Key::Num5) && scene.snapshot.activity.reference.is_some() {
        toggle(scene, &scene.params.reference);
    }
    if pressed(Key::M) {
        toggle(scene, &scene.params.matched);
    }
}

/// Switches from what was last set to the other.
fn toggle(scene: &Scene<'_>, switch: &BoolParam) {
    let on = scene.setter.value(switch) > 0.5;
    control::set(scene.setter, switch, if on { 0.0 } else { 1.0 });
}

/// Has this heard; the reference for `None`.
fn listen_to(scene: &Scene<'_>, choice: Option<ListenChoice>) {
    let (listen, reference) = (&scene.params.listen, &scene.params.reference);
    if let Some(choice) = choice {
        control::set(scene.setter, listen, listen.preview_normalized(choice));
    }
    let on = if choice.is_none() { 1.0 } else { 0.0 };
    control::set(scene.setter, reference, on);
}

fn right_hand(ui: &mut Ui, rect: Rect, scene: &Scene<'_>, all: bool) -> Option<Action> {
    let mut action = None;
    let builder = UiBuilder::new()
        .max_rect(rect)
        .layout(Layout::right_to_left(Align::Center));
    ui.scope_builder(builder, |ui| {
        action = menus::settings(ui, scene);
        if all {
            if menus::anew(ui).clicked() {
                action = Some(Action::Restart);
            }
            let clock = egui::RichText::new(number::clock(scene.measured_s())).size(BODY_PT);
            ui.label(clock)
                .on_hover_text("Time that has been measured.");
        }
    });
    action
}

fn listen_button(
    ui: &Ui,
    rect: Rect,
    scene: &Scene<'_>,
    of: Listen,
    number: Option<u8>,
) -> Response {
    let Listen {
        choice,
        name,
        signal,
        gain,
        tip,
    } = of;
    let colours = scene::colours(ui);
    let response = ui.interact(rect, ui.scope_id().with(name), Sense::click());
    if response.clicked() {
        listen_to(scene, choice);
    }
    let on = if hears_reference(scene.params, scene.snapshot) {
        choice.is_none()
    } else {
        choice == Some(scene.params.listen.value())
    };
    let hue = signal.map(|signal| colours.hue(signal));
    let bypassed = scene.params.bypass.value();
    let (face, ink) = match (on && !bypassed, hue) {
        (true, Some(hue)) => (hue.mark, hue.over),
        (true, None) => (colours.level, colours.panel),
        (false, _) if response.hovered() => (colours.track, colours.text),
        (false, _) => (colours.face, colours.text),
    };
    let painter = ui.painter();
    painter.rect_filled(rect, RADIUS, face);
    if on && bypassed {
        let edge = hue.map_or(colours.level, |hue| hue.mark);
        let edge = Stroke::new(1.5, edge);
        painter.rect_stroke(rect, RADIUS, edge, StrokeKind::Inside);
    }
    let mut x = rect.left() + 9.0;
    if let Some(signal) = signal {
        let colour = if on && !bypassed {
            ink
        } else {
            colours.hue(signal).mark
        };
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
    let activity = &scene.snapshot.activity;
    let gain = match choice {
        Some(_) => gain.and_then(|index| activity.match_db.get(index).copied()),
        None => activity.reference.map(|reference| reference.match_db),
    };
    // Keys and decibels side by side would be taken for each other.
    let matched = scene.params.matched.value() && rect.width() >= WITH_GAIN;
    let aside = match (gain, number) {
        (Some(gain), _) if matched => notices::gain(gain),
        (_, Some(number)) if !matched => number.to_string(),
        _ => String::new(),
    };
    let at = pos2(rect.right() - 6.0, rect.center().y + 0.5);
    small(painter, at, Align2::RIGHT_CENTER, aside, ink);
    control::focus_ring(ui, rect.expand(2.0), &response);
    let text = format!("Listen to {name}");
    response.widget_info(|| WidgetInfo::selected(Role::RadioButton, ui.is_enabled(), on, &text));
    if bypassed {
        return control::tip(
            response,
            &format!("{tip} With bypass on the input is heard, whatever is chosen."),
        );
    }
    control::tip(response, tip)
}
