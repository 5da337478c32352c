//! What opens from the top bar: the target windows, and the settings.

use egui::{
    Button, DragValue, Popup, PopupCloseBehavior, Rect, Response, RichText, Role, ScrollArea, Ui,
    UiBuilder, WidgetInfo,
};

use super::Action;
use super::control;
use super::scene::{self, Scene};
use super::theme::{BODY_PT, LABEL_PT, SMALL_PT, font};
use super::user_target;
use super::view_model::target;
use crate::params::units::number_typed;
use crestline_core::session::{
    BUILT_IN, MAX_OWN_WINDOWS, PLAYBACK_LUFS, Session, TargetChoice, TargetWindow, ThemeChoice,
    my_target,
};

/// Sizes to choose from, percent.
const SCALES_PERCENT: [u16; 6] = [75, 100, 125, 150, 175, 200];

/// The button with the window's name, and the list that opens from it.
pub fn target(ui: &mut Ui, rect: Rect, scene: &Scene<'_>) -> Option<Action> {
    let window = scene.session.target();
    let name = RichText::new(format!("{} ▾", window.name)).size(BODY_PT);
    let wide = rect.width() > 200.0;
    let limits = if wide {
        target::loudness_in_words(window)
    } else {
        String::new()
    };
    let limits = RichText::new(limits)
        .font(font(ui.ctx(), SMALL_PT))
        .color(scene::colours(ui).label);
    let button = Button::new((name, limits)).truncate().min_size(rect.size());
    let response = ui.put(rect, button).on_hover_text(target::in_words(window));
    let mut action = None;
    Popup::menu(&response)
        .close_behavior(PopupCloseBehavior::CloseOnClickOutside)
        .show(|ui| {
            ui.set_min_width(420.0);
            let room = ui.ctx().content_rect().height() - 120.0;
            ui.spacing_mut().item_spacing.y = 2.0;
            // Without the least height it would stay as low as the list was when it was opened.
            let list = ScrollArea::vertical()
                .max_height(room)
                .min_scrolled_height(room);
            list.show(ui, |ui| {
                built_in(ui, scene);
                ui.separator();
                action = own(ui, scene);
            });
        });
    action
}

fn built_in(ui: &mut Ui, scene: &Scene<'_>) {
    ui.label(RichText::new("from standards").size(LABEL_PT));
    for built_in in &BUILT_IN {
        let choice = TargetChoice::BuiltIn(built_in.id.into());
        let tip = format!("{}: {}", built_in.document, built_in.note);
        if choose(ui, scene, &built_in.window, &choice, &tip) {
            scene.params.edit_session(|session| session.window = choice);
            ui.close();
        }
    }
}

/// The user's own: those of this session, and those kept for all.
fn own(ui: &mut Ui, scene: &Scene<'_>) -> Option<Action> {
    ui.label(RichText::new("my targets").size(LABEL_PT));
    // A menu draws its buttons without faces; these are to be seen as what they are.
    ui.visuals_mut().widgets.inactive.weak_bg_fill = scene::colours(ui).face;
    let others = scene
        .kept
        .iter()
        .filter(|kept| scene.session.own_window(&kept.name).is_none());
    for window in scene.session.own_windows.iter().chain(others) {
        let choice = TargetChoice::User(window.name.clone().into_owned());
        let tip = "A window of your own.";
        if choose(ui, scene, window, &choice, tip) {
            let window = window.clone();
            scene
                .params
                .edit_session(|session| session.choose_own(window));
        }
    }
    let action = ui.scope(|ui| user_target::show(ui, scene)).inner;
    let full = scene.session.own_windows.len() >= MAX_OWN_WINDOWS;
    ui.add_space(4.0);
    let new = Button::new("new: my target");
    if ui.add_enabled(!full, new).clicked() {
        scene.params.edit_session(add_own);
    }
    action
}

/// One window to choose. True if it was.
fn choose(
    ui: &mut Ui,
    scene: &Scene<'_>,
    window: &TargetWindow,
    choice: &TargetChoice,
    tip: &str,
) -> bool {
    let chosen = scene.session.window == *choice;
    let text = format!("{}   {}", window.name, target::in_words(window));
    ui.radio(chosen, text).on_hover_text(tip).clicked() && !chosen
}

fn add_own(session: &mut Session) {
    let taken = |name: &str| session.own_windows.iter().any(|own| own.name == name);
    let mut window = my_target();
    let mut count = 2;
    while taken(&window.name) {
        window.name = format!("my target {count}").into();
        count += 1;
    }
    session.window = TargetChoice::User(window.name.clone().into_owned());
    session.own_windows.push(window);
}

/// The button that forgets what was measured.
pub fn anew(ui: &mut Ui) -> Response {
    let button = ui.button("measure anew");
    control::tip(
        button,
        "Forgets everything measured so far and starts anew; the forecast goes by the last minute played.",
    )
}

/// The button of the settings, and what opens from it.
pub fn settings(ui: &mut Ui, scene: &Scene<'_>) -> Option<Action> {
    let mut action = None;
    let response = control::tip(ui.button(" ⋯ "), "Settings");
    response.widget_info(|| WidgetInfo::labeled(Role::Button, true, "Settings"));
    Popup::menu(&response)
        .close_behavior(PopupCloseBehavior::CloseOnClickOutside)
        .show(|ui| {
            ui.set_min_width(250.0);
            if anew(ui).clicked() {
                action = Some(Action::Restart);
                ui.close();
            }
            ui.separator();
            appearance(ui, scene);
            ui.separator();
            let level = &mut scene.session.playback_lufs.clone();
            ui.horizontal(|ui| {
                let label = ui.label("playback levelled to");
                let value = DragValue::new(level)
                    .range(PLAYBACK_LUFS.min..=PLAYBACK_LUFS.max)
                    .speed(0.1)
                    .fixed_decimals(1)
                    .custom_parser(|text| number_typed(text, "LUFS"))
                    .update_while_editing(false)
                    .suffix(" LUFS");
                let response = ui.add(value).labelled_by(label.id);
                if response.changed() {
                    scene
                        .params
                        .edit_session(|session| session.playback_lufs = *level);
                }
                response.on_hover_text(
                    "Loudness that playback is levelled to; −14 LUFS is common practice, not a standard's figure.",
                );
            });
            ui.separator();
            let row = ui
                .available_rect_before_wrap()
                .with_max_y(ui.cursor().top() + 24.0);
            let look = control::Look::new(
                "measure anew when playback starts",
                "Starts the measurement anew each time the host's transport starts.",
            );
            ui.scope_builder(UiBuilder::new().max_rect(row), |ui| {
                control::switch(ui, row, scene.setter, &scene.params.restart_on_play, look);
                ui.advance_cursor_after_rect(row);
            });
        });
    action
}

fn appearance(ui: &mut Ui, scene: &Scene<'_>) {
    ui.horizontal(|ui| {
        for (theme, name) in [(ThemeChoice::Dark, "dark"), (ThemeChoice::Light, "light")] {
            let chosen = scene.session.theme == theme;
            if ui.radio(chosen, name).clicked() {
                scene.params.edit_session(|session| session.theme = theme);
            }
        }
    });
    ui.horizontal(|ui| {
        for percent in SCALES_PERCENT {
            let zoom = f32::from(percent) / 100.0;
            let chosen = (scene.session.zoom - zoom).abs() < 0.01;
            let text = RichText::new(format!("{percent} %")).size(LABEL_PT);
            if ui.selectable_label(chosen, text).clicked() {
                scene.params.edit_session(|session| session.zoom = zoom);
            }
        }
    });
}
