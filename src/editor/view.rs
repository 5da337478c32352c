//! The whole window as one function of what is known.

use std::sync::Arc;
use std::time::Duration;

use egui::{Rect, Sense, Ui, Vec2};
use nice_plug::prelude::ParamSetter;

use super::scene::{self, Scene};
use super::{Wish, bands, chain, history, introduction, layout, numbers, plane, top_bar};
use crate::handover::EditorEnd;
use crate::params::CrestlineParams;
use crate::session::{History, Session, ThemeChoice};

/// After something was asked of the audio thread, its answer is looked for this much later.
const ANSWER: Duration = Duration::from_millis(80);
/// Time between two frames while something moves of its own.
const MOTION: Duration = Duration::from_millis(20);
/// A longer pause between two frames is not time that has been watched.
const LONGEST_FRAME_S: f64 = 0.1;

/// Everything the window shows, and what it remembers between frames.
///
/// A frame is drawn when there is a new snapshot, when something is done with mouse or keyboard, and while an axis moves; otherwise never.
pub struct View {
    params: Arc<CrestlineParams>,
    end: EditorEnd,
    recorded: History,
    session: Session,
    /// Which state of the session this is a copy of.
    epoch: Option<u32>,
    introducing: bool,
    plane: plane::State,
    bands: bands::State,
    history: history::State,
    chain: chain::State,
}

impl View {
    /// A view of `params` and of what `end` tells.
    pub fn new(params: Arc<CrestlineParams>, end: EditorEnd) -> Self {
        Self {
            recorded: History::new(end.history()),
            params,
            end,
            session: Session::default(),
            epoch: None,
            introducing: false,
            plane: plane::State::default(),
            bands: bands::State::default(),
            history: history::State::default(),
            chain: chain::State::default(),
        }
    }

    /// Draws one frame over all of `ui`; changes to parameters go through `setter`.
    pub fn ui(&mut self, ui: &mut Ui, setter: &ParamSetter<'_>) {
        self.follow_session(ui.ctx());
        let window = ui.ctx().content_rect();
        ui.painter()
            .rect_filled(Rect::EVERYTHING, 0, scene::colours(ui).background);
        let least = Vec2::from(layout::SMALLEST);
        if window.width() >= least.x && window.height() >= least.y {
            return self.draw(ui, setter, window);
        }
        egui::ScrollArea::both().show(ui, |ui| {
            let (room, _) = ui.allocate_exact_size(window.size().max(least), Sense::HOVER);
            self.draw(ui, setter, room);
        });
    }

    fn draw(&mut self, ui: &mut Ui, setter: &ParamSetter<'_>, window: Rect) {
        let scene = Scene {
            params: &self.params,
            setter,
            snapshot: self.end.latest(),
            history: &self.recorded,
            session: &self.session,
            elapsed_s: f64::from(ui.input(|input| input.unstable_dt)).min(LONGEST_FRAME_S),
        };
        let places = layout::places(window);
        let wish = top_bar::show(ui, places.top_bar, &scene);
        top_bar::notice(ui, places.notice, &scene);
        let mut moving = plane::show(ui, places.plane, &scene, &mut self.plane);
        bands::show(ui, places.bands, &scene, &mut self.bands);
        numbers::show(ui, places.numbers, &scene);
        moving |= history::show(ui, places.history, &scene, &mut self.history);
        chain::show(ui, places.chain, &scene, &mut self.chain);
        if self.introducing && introduction::show(ui) {
            self.introducing = false;
            self.params
                .session
                .update(|session| session.introduced = true);
        }
        match wish {
            Some(Wish::Restart) => self.end.restart(),
            Some(Wish::Introduce) => self.introducing = true,
            None => {}
        }
        if moving {
            ui.ctx().request_repaint_after(MOTION);
        } else if ui.input(|input| !input.events.is_empty()) {
            ui.ctx().request_repaint_after(ANSWER);
        }
    }

    /// Takes over a session that the host has loaded or a menu has changed.
    fn follow_session(&mut self, ctx: &egui::Context) {
        let epoch = Some(self.params.session.epoch());
        if self.epoch == epoch {
            return;
        }
        self.session = self.params.session.get();
        if self.epoch.is_none() {
            self.introducing = !self.session.introduced;
        }
        self.epoch = epoch;
        ctx.set_zoom_factor(self.session.zoom);
        ctx.set_theme(match self.session.theme {
            ThemeChoice::Dark => egui::Theme::Dark,
            ThemeChoice::Light => egui::Theme::Light,
        });
    }
}
