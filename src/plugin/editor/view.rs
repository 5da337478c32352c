//! The whole window as one function of what is known.

mod files;
mod referring;

use std::io::Write;
use std::sync::Arc;
use std::time::Duration;

use egui::{Key, Modifiers, Rect, Sense, Ui, Vec2};
use nice_plug::prelude::ParamSetter;

use super::changes::{Ask, Changes, Gestures};
use super::control::{self, Look};
use super::file_jobs::{FileJobs, Files};
use super::resizing::Resizing;
use super::scene::{self, Scene};
use super::standing::{Deleted, What};
use super::view_model::caution::Reason;
use super::{
    Action, chain, compare, corner, decision, details, forecast, history, introduction, layout,
    notice, plane, push, reference, starting_points as start_menu, theme, top_bar, view_model,
};
use crate::params::CrestlineParams;
use crestline_core::handover::{EditorEnd, Snapshot};
use crestline_core::session::forecast::{Forecasted, Forecaster};
use crestline_core::session::starting_points::StartingPoint;
use crestline_core::session::{History, Session, TargetWindow, ThemeChoice};

/// After something was asked of the audio thread, its answer is looked for this much later.
const ANSWER: Duration = Duration::from_millis(80);
/// Time between two frames while something moves of its own.
const MOTION: Duration = Duration::from_millis(20);
/// Width of bypass, starting points and the two settings, points.
const BESIDE: f32 = compare::WIDTH + BYPASS + START + 4.0;
const BYPASS: f32 = 74.0;
const START: f32 = 58.0;
/// What is written changes no more often, seconds.
const WRITTEN_S: f64 = 0.2;
/// Time between two frames while a time runs out that is shown in seconds.
const COUNTDOWN: Duration = Duration::from_millis(500);
/// A longer pause between two frames is not time that has been watched.
const LONGEST_FRAME_S: f64 = 0.1;

/// Everything the window shows, and what it remembers between frames.
///
/// A frame is drawn when there is a new snapshot, when something is done with mouse or keyboard,
/// and while an axis moves; otherwise never.
pub struct View {
    params: Arc<CrestlineParams>,
    end: EditorEnd,
    recorded: History,
    session: Session,
    /// Which state of the session this is a copy of.
    epoch: Option<u32>,
    files: Files,
    file_jobs: FileJobs,
    /// The user's own windows that are kept, and starting points, as they were last read.
    kept: Vec<TargetWindow>,
    starts: Vec<StartingPoint>,
    /// Both are to be read: another instance may have changed them since.
    reads_again: bool,
    /// A reference that could not be heard is to be looked for: its file may be there now.
    looks_again: bool,
    /// What there is to say of the last job.
    message: Option<String>,
    /// What has been said of files that were only read.
    said: Vec<String>,
    changes: Changes,
    deleted: Option<Deleted>,
    resizing: Resizing,
    forecast: forecast::State,
    reference: reference::State,
    /// The snapshot that is written in figures, and when it was taken, seconds.
    told: (Snapshot, f64),
    caution: view_model::caution::Caution,
    plane: plane::State,
    details: details::State,
    history: history::State,
    chain: chain::State,
}

impl View {
    /// A view of `params` and of what `end` tells.
    pub fn new(params: Arc<CrestlineParams>, end: EditorEnd) -> Self {
        Self {
            recorded: History::new(end.history()),
            changes: Changes::new(&params),
            params,
            end,
            session: Session::default(),
            epoch: None,
            files: Files::of_user(),
            file_jobs: FileJobs::default(),
            kept: Vec::new(),
            starts: Vec::new(),
            reads_again: true,
            looks_again: false,
            message: None,
            said: Vec::new(),
            deleted: None,
            resizing: Resizing::default(),
            forecast: forecast::State::default(),
            reference: reference::State::default(),
            told: (Snapshot::default(), f64::NEG_INFINITY),
            caution: view_model::caution::Caution::default(),
            plane: plane::State::default(),
            details: details::State::default(),
            history: history::State::default(),
            chain: chain::State::default(),
        }
    }

    /// The same with other places for its files.
    #[must_use]
    pub fn with_files(self, files: Files) -> Self {
        Self { files, ..self }
    }

    /// The same with forecasts.
    #[must_use]
    pub fn with_forecaster(self, forecaster: Forecaster) -> Self {
        Self {
            reference: reference::State::new(forecaster.clone()),
            forecast: forecast::State::new(forecaster),
            ..self
        }
    }

    /// The same with a forecast that has been made and stays.
    #[must_use]
    pub fn with_forecast(self, found: Forecasted) -> Self {
        Self {
            forecast: forecast::State::made(found),
            ..self
        }
    }

    /// The same in a window that its host has to make room for.
    #[must_use]
    pub fn with_resizing(self, resizing: Resizing) -> Self {
        Self { resizing, ..self }
    }

    /// The gestures under way, to be ended should the window close on them.
    pub(super) fn gestures(&self) -> Gestures {
        self.changes.gestures()
    }

    /// The window has been opened, as a new one to egui: theme and size are taken anew.
    pub fn opened(&mut self) {
        self.epoch = None;
        (self.reads_again, self.looks_again) = (true, true);
        self.changes.opened();
        self.end.watch();
    }

    /// A frame has failed: what was asked for in it is dropped, and nothing is held any more.
    pub(super) fn give_up(&self, setter: &ParamSetter<'_>) {
        self.changes.give_up(setter);
    }

    /// Draws one frame over all of `ui`; changes to parameters go through `setter`.
    pub fn ui(&mut self, ui: &mut Ui, setter: &ParamSetter<'_>) {
        self.follow_session(ui.ctx());
        if self.changes.follow_loads(setter) {
            // A window that was kept for all sessions is.
            let of_all =
                |deleted: &Deleted| matches!(deleted.what, What::Window { kept: true, .. });
            self.deleted.take_if(|deleted| !of_all(deleted));
            self.caution.recall();
            self.reference.give_up();
            self.message = None;
        }
        self.follow_file_jobs();
        self.follow_reference(ui);
        if self.forecast.follow(&self.params) {
            ui.ctx().request_repaint_after(ANSWER);
        }
        if let Some(words) = self.forecast.take_words() {
            self.message = Some(words.into());
        }
        self.shortcuts(ui);
        let window = ui.ctx().content_rect();
        ui.painter()
            .rect_filled(Rect::EVERYTHING, 0, scene::colours(ui).background);
        let least = Vec2::from(layout::SMALLEST);
        if layout::is_scrolled(window) {
            egui::ScrollArea::both().show(ui, |ui| {
                let (room, _) = ui.allocate_exact_size(window.size().max(least), Sense::HOVER);
                self.draw(ui, room);
            });
        } else {
            self.draw(ui, window);
        }
        let (now_s, held) = ui.input(|input| (input.time, input.pointer.any_down()));
        let done = self.changes.end_frame(setter, now_s, held);
        if done.recalled {
            self.caution.recall();
        }
        if done.anything {
            ui.ctx().request_repaint_after(ANSWER);
        }
    }

    /// Undo and redo by the keyboard, unless a text is being written.
    fn shortcuts(&self, ui: &Ui) {
        if ui.ctx().text_edit_focused() {
            return;
        }
        let [undo, redo] = ui.input_mut(|input| {
            let command = Modifiers::COMMAND;
            let redo = input.consume_key(command | Modifiers::SHIFT, Key::Z);
            let redo = input.consume_key(command, Key::Y) || redo;
            [input.consume_key(command, Key::Z), redo]
        });
        if undo {
            self.changes.ask(Ask::Undo);
        }
        if redo {
            self.changes.ask(Ask::Redo);
        }
    }

    fn draw(&mut self, ui: &mut Ui, window: Rect) {
        self.follow_audio(ui);
        let setter = &self.changes.setter();
        let scene = Scene {
            params: &self.params,
            setter,
            changes: &self.changes,
            snapshot: self.end.latest(),
            told: &self.told.0,
            history: &self.recorded,
            forecast: &self.forecast,
            reference: &self.reference,
            session: &self.session,
            kept: &self.kept,
            elapsed_s: f64::from(ui.input(|input| input.unstable_dt)).min(LONGEST_FRAME_S),
        };
        let places = layout::places(window, self.chain.open.is_some());
        top_bar::keys(ui, &scene);
        let mut actions = vec![top_bar::show(ui, places.top_bar, &scene)];
        let first_use = (!scene.session.introduced).then_some(Reason::FirstUse);
        let caution = self.caution.due().or(first_use);
        self.deleted.take_if(|deleted| deleted.left_s(ui) <= 0.0);
        let mut words = places.notice;
        words.max.x -= BESIDE + 12.0;
        let (message, deleted) = (self.message.as_deref(), self.deleted.as_ref());
        let (asked, put_away) = notice::show(ui, words, &scene, caution, message, deleted);
        actions.push(asked);
        if put_away {
            self.message = None;
        }
        let place = places.notice.with_min_x(places.notice.right() - BESIDE);
        actions.push(settings_row(ui, place, &scene, &self.starts));
        decision::show(ui, places.decision, &scene);
        actions.push(push::show(ui, places.push, &scene));
        let mut moving = places
            .plane
            .is_some_and(|place| plane::show(ui, place, &scene, &mut self.plane));
        let below = [places.numbers, places.cost];
        actions.push(details::show(ui, below, &scene, &mut self.details));
        if let Some(place) = places.history
            && !chain::opened(ui, place, &scene, &mut self.chain)
        {
            let shown = history::show(ui, place, &scene, &mut self.history);
            moving |= shown.moving;
            actions.push(shown.action);
        }
        chain::tiles(ui, places.tiles, &scene, &mut self.chain);
        let introduced = !scene.session.introduced && introduction::heard(&scene);
        corner::show(ui, &self.resizing);
        if introduced {
            // A rise says more.
            if self.caution.due().is_none() {
                let now_s = ui.input(|input| input.time);
                self.caution.show(Reason::FirstUse, now_s);
            }
            self.params
                .edit_session(|session| session.introduced = true);
        }
        for action in actions.into_iter().flatten() {
            self.perform(ui, action);
        }
        if self.deleted.is_some() {
            ui.ctx().request_repaint_after(COUNTDOWN);
        }
        if moving {
            ui.ctx().request_repaint_after(MOTION);
        } else if self.file_jobs.under_way()
            || self.reference.is_busy()
            || ui.input(|input| !input.events.is_empty())
        {
            ui.ctx().request_repaint_after(ANSWER);
        }
    }

    /// Takes in what is to be written, and whether the push has risen by much.
    fn follow_audio(&mut self, ui: &Ui) {
        let now = ui.input(|input| input.time);
        let snapshot = *self.end.latest();
        self.changes.follow_measured(&snapshot);
        let path = view_model::caution::path_heard(&self.params, &snapshot);
        self.caution.watch(&self.params, path, now);
        if let Some(wait_s) = self.caution.ends_in(now) {
            ui.ctx()
                .request_repaint_after(Duration::from_secs_f64(wait_s));
        }
        let (told, told_at) = &mut self.told;
        if *told == snapshot {
            return;
        }
        if let Some(heard) = view_model::caution::Loudness::of(&snapshot, path) {
            self.caution.hear(heard, now);
        }
        // What was forgotten must not stand any longer.
        let forgotten = snapshot.input.readings.frames < told.input.readings.frames;
        let wait_s = *told_at + WRITTEN_S - now;
        // A window that is opened again counts its time anew.
        if forgotten || !(0.0..=WRITTEN_S).contains(&wait_s) || wait_s == 0.0 {
            (*told, *told_at) = (snapshot, now);
        } else {
            ui.ctx()
                .request_repaint_after(Duration::from_secs_f64(wait_s));
        }
    }

    /// Asks the audio thread, also where the host lets it rest.
    fn ask(&self, what: fn(&EditorEnd)) -> Option<String> {
        what(&self.end);
        self.params.unsaved.wake();
        None
    }

    fn perform(&mut self, ui: &Ui, action: Action) {
        let refused = match action {
            Action::Restart => self.ask(EditorEnd::restart),
            Action::UndoRestart => self.ask(EditorEnd::undo_restart),
            Action::ClearOvers => self.ask(EditorEnd::clear_overs),
            Action::ClearFaults => self.ask(EditorEnd::clear_faults),
            Action::SaveTable(span) => {
                let history = self.recorded.clone();
                let of = ["Loudness", &self.params.track.get()];
                self.export(of, "csv", move |to| history.write_csv(span, to).map(|_| ()))
            }
            Action::SavePicture(span) => {
                let target = self.session.target().clone();
                let ceiling_dbtp = view_model::history::ceiling(&self.params, &target);
                let caption = format!(
                    "{} · {}: {}",
                    view_model::history::span_in_words(span),
                    target.name,
                    view_model::target::in_words(&target)
                );
                let picture = history::Picture {
                    history: self.recorded.clone(),
                    span,
                    target,
                    ceiling_dbtp,
                    theme: ui.ctx().theme(),
                    caption,
                };
                let of = ["Loudness", &self.params.track.get()];
                self.export(of, "png", move |to| to.write_all(&picture.png()?))
            }
            Action::KeepStart { point, replace } => self.keep_start(point, replace),
            Action::Keep(window) => self.keep(window),
            Action::Delete(window) => self.delete(ui, window),
            Action::UndoDelete => self.undo_delete(),
            Action::Reference(ask) => self.answer(ui, ask),
        };
        if refused.is_some() {
            self.message = refused;
        }
    }

    /// Takes over a session that the host has loaded or a menu has changed.
    fn follow_session(&mut self, ctx: &egui::Context) {
        let epoch = Some(self.params.session.epoch());
        if self.epoch == epoch {
            return;
        }
        self.session = self.params.session.get();
        self.epoch = epoch;
        theme::scale(ctx, self.session.zoom);
        ctx.set_theme(match self.session.theme {
            ThemeChoice::Dark => egui::Theme::Dark,
            ThemeChoice::Light => egui::Theme::Light,
        });
    }
}

/// Draws bypass, starting points, the two settings, undo and redo from the left of `place` on.
fn settings_row(
    ui: &mut Ui,
    place: Rect,
    scene: &Scene<'_>,
    own: &[StartingPoint],
) -> Option<Action> {
    let bypass = place.with_max_x(place.left() + BYPASS - 8.0);
    let look = Look::new("bypass", "Hear and record the input, as it arrives.");
    control::switch(ui, bypass, scene.setter, &scene.params.bypass, look);
    let start = place.with_min_x(place.left() + BYPASS);
    let start = start.with_max_x(start.left() + START);
    let action = start_menu::menu(ui, start, scene, own);
    compare::show(ui, place.with_min_x(start.right() + 4.0), scene);
    action
}
