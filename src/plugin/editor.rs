//! The editor window.
//!
//! [`View`] draws everything from its end of the hand-over, the parameters and the saved session,
//! as a plain function over an egui [`Ui`](egui::Ui). [`App`] puts it into the framework's window.

mod balance;
mod chain;
mod changes;
mod compare;
mod control;
mod corner;
mod cost;
mod decision;
mod details;
mod file_jobs;
mod forecast;
mod guard;
mod history;
mod in_turn;
mod introduction;
mod keys;
mod layout;
#[cfg(target_os = "linux")]
mod letters;
mod mark;
mod menus;
mod notice;
mod number;
mod numbers;
mod plane;
mod push;
pub mod raster;
mod reference;
mod resizing;
mod room;
mod scene;
mod standing;
mod starting_points;
mod steady;
pub mod theme;
mod top_bar;
mod user_target;
mod view;
mod view_model;
mod window;

pub use self::file_jobs::Files;
pub use self::view::View;
pub use self::window::WindowedEditor;

use self::guard::Guard;
use self::keys::{HostKeys, Keys};
use self::resizing::Resizing;
use self::window::{Closing, DrawingThread};
use crate::params::CrestlineParams;
use crestline_core::handover::EditorEnd;
use crestline_core::session::forecast::Forecaster;
use crestline_core::session::starting_points::StartingPoint;
use crestline_core::session::{DEFAULT_EDITOR_SIZE, MIN_EDITOR_SIZE, Span, TargetWindow};
use egui::vec2;
use nice_plug::context::gui::GuiContext;
use nice_plug::editor::SizeConstraints;
use nice_plug::editor::dpi::LogicalSize;
use nice_plug::prelude::{ResizeHint, TrackInfo};
use nice_plug_egui::baseview::{HandlerError, WindowSize};
use nice_plug_egui::{
    EguiEditorState, EguiNiceSettings, Frame, NiceEguiApp, RepaintNotifier, create_egui_editor,
};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Shortest time between two frames while audio runs.
const FRAME_INTERVAL: Duration = Duration::from_millis(25);

/// A window has whole pixels, so that its size can be this far from what was asked for, points.
const ROUNDED: f32 = 1.0;

/// What a view asks of the window as a whole.
#[derive(Clone, Debug, PartialEq)]
enum Action {
    /// Forget everything measured so far.
    Restart,
    /// Take that back.
    UndoRestart,
    /// Forget the peaks over full scale.
    ClearOvers,
    /// Forget the samples that were no audio.
    ClearFaults,
    /// Write this stretch of the history as a table.
    SaveTable(Span),
    /// Write this stretch of the history as a picture.
    SavePicture(Span),
    /// Keep this window of the user's own for all sessions.
    Keep(TargetWindow),
    /// Keep these settings for all sessions, in the place of those of the same name or not.
    KeepStart {
        /// The settings.
        point: StartingPoint,
        /// Whether there is one of the name, which is meant.
        replace: bool,
    },
    /// Take this window of the user's own out of the session, and out of those kept for all.
    Delete(TargetWindow),
    /// Take that back.
    UndoDelete,
    /// Something of the reference.
    Reference(reference::Ask),
}

/// Makes `ctx` one for the editor: how it looks, and how it takes what happens.
pub fn install(ctx: &egui::Context) {
    theme::install(ctx);
    ctx.add_plugin(in_turn::InTurn::default());
}

/// The editor as the framework runs it: it lives as long as the plug-in, and its window is opened
/// and closed any number of times.
pub struct App {
    params: Arc<CrestlineParams>,
    view: View,
    forecaster: Forecaster,
    gui: Option<GuiContext>,
    /// The saved size that the window was to have when it was opened or last zoomed, and what of it
    /// there is room for, points; `None` until it has been asked for.
    opened_as: Option<[egui::Vec2; 2]>,
    /// The zoom that it was asked for at, or that has been in effect since.
    zoom: f32,
    thread: DrawingThread,
    resizing: Resizing,
    keys: Keys,
    host_keys: HostKeys,
    guard: Guard,
}

impl App {
    /// An editor of `params` that looks at what `end` tells.
    ///
    /// `forecaster` is asked how loud that can go.
    pub fn new(params: Arc<CrestlineParams>, end: EditorEnd, forecaster: Forecaster) -> Self {
        let resizing = Resizing::default();
        let view = View::new(Arc::clone(&params), end)
            .with_forecaster(forecaster.clone())
            .with_resizing(resizing.clone());
        Self {
            view,
            forecaster,
            params,
            gui: None,
            opened_as: None,
            zoom: 1.0,
            thread: DrawingThread::default(),
            resizing,
            keys: Keys::default(),
            host_keys: HostKeys::default(),
            guard: Guard::default(),
        }
    }

    fn draw(&mut self, ui: &mut egui::Ui, frame: &mut Frame) {
        self.keys.pass_on(ui, frame, &mut self.host_keys);
        // The window is made before the host has loaded a session, so the saved size is asked for
        // once it is drawn; and again at another zoom, which may leave no room for it. Before the
        // zoom is in effect it would be that of another size.
        let (size, zoom) = self
            .params
            .session
            .read(|session| (session.editor_size.into(), session.zoom));
        let in_effect = ui.ctx().zoom_factor();
        if in_effect != zoom {
            self.zoom = in_effect;
        } else if self.opened_as.is_none() || zoom != self.zoom {
            self.opened_as = Some([size, self.resizing.ask_first(ui, size, zoom)]);
            self.zoom = zoom;
        }
        if let Some(gui) = &self.gui {
            self.view.ui(ui, &gui.param_setter());
        }
        // What the host does not bring back is shown all the same, once that is clear.
        if self.params.settle(Instant::now()) {
            ui.ctx().request_repaint();
        }
    }
}

impl NiceEguiApp for App {
    fn build(
        &mut self,
        ctx: egui::Context,
        gui: GuiContext,
        _frame: &mut Frame,
    ) -> Result<(), HandlerError> {
        self.thread.arrived();
        self.view.opened();
        #[cfg(target_os = "linux")]
        ctx.add_plugin(letters::Letters::default());
        install(&ctx);
        self.gui = Some(gui);
        self.opened_as = None;
        self.guard = Guard::default();
        Ok(())
    }

    fn ui(&mut self, ui: &mut egui::Ui, frame: &mut Frame) {
        let mut guard = std::mem::take(&mut self.guard);
        let failed = guard.show(ui, |ui| self.draw(ui, frame));
        self.guard = guard;
        // What is held would be for as long as the window stands still.
        if let Some(gui) = self.gui.as_ref().filter(|_| failed) {
            let give_up = || self.view.give_up(&gui.param_setter());
            // That fails as well where the frame has failed because the host has let go of the instance.
            let _ = catch_unwind(AssertUnwindSafe(give_up));
        }
    }

    fn track_info_changed(&mut self, info: TrackInfo) {
        self.params.track.set(info.name());
    }

    fn resized(&mut self, new_size: WindowSize) {
        let Some([saved, opened_as]) = self.opened_as else {
            return;
        };
        let size = vec2(
            new_size.logical.width as f32,
            new_size.logical.height as f32,
        );
        // What the screen has no room for is still what the user wants elsewhere, until it has been
        // given another size.
        let as_opened = (size - opened_as).abs().max_elem() <= ROUNDED;
        self.params.edit_session(|session| {
            if !(as_opened && session.editor_size == <[f32; 2]>::from(saved)) {
                session.editor_size = size.into();
            }
        });
    }
}

/// The state of a window not opened yet.
pub fn window_state() -> Arc<EguiEditorState> {
    let [width, height] = DEFAULT_EDITOR_SIZE;
    EguiEditorState::from_size(LogicalSize::new(width, height), 1.0)
}

/// The editor for the framework.
pub fn create(
    state: Arc<EguiEditorState>,
    repaint: RepaintNotifier,
    app: App,
) -> Option<WindowedEditor> {
    let [width, height] = MIN_EDITOR_SIZE;
    let size_constraints = SizeConstraints::Logical {
        min_size: Some(LogicalSize::new(width, height)),
        max_size: None,
    };
    let settings = EguiNiceSettings::new()
        .with_tile("Crestline")
        .with_resize_hint(ResizeHint {
            size_constraints,
            ..ResizeHint::RESIZABLE
        })
        .with_repaint_poll_interval(FRAME_INTERVAL);
    let closing = Closing::new(app.view.gestures(), Arc::clone(&app.params));
    let thread = app.thread.clone();
    let forecaster = app.forecaster.clone();
    let (resizing, keys) = (app.resizing.clone(), app.keys.clone());
    let editor = create_egui_editor(state, repaint, settings, app)?;
    let window = WindowedEditor::new(editor, thread, forecaster, resizing, keys, closing);
    Some(window)
}
