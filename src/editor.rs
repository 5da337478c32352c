//! The editor window.

use crate::handover::EditorEnd;
use crate::params::CrestlineParams;
use nice_plug::context::gui::GuiContext;
use nice_plug::editor::dpi::LogicalSize;
use nice_plug::prelude::ResizeHint;
use nice_plug_egui::baseview::HandlerError;
use nice_plug_egui::{EguiEditor, EguiEditorState, EguiNiceSettings, Frame, NiceEguiApp, RepaintNotifier, create_egui_editor};
use std::sync::Arc;

/// x
pub struct App {
    params: Arc<CrestlineParams>,
    end: EditorEnd,
    gui: Option<GuiContext>,
}

impl App {
    /// x
    pub fn new(params: Arc<CrestlineParams>, end: EditorEnd) -> Self {
        Self { params, end, gui: None }
    }
}

impl NiceEguiApp for App {
    fn build(&mut self, _ctx: egui::Context, gui: GuiContext, _frame: &mut Frame) -> Result<(), HandlerError> {
        self.gui = Some(gui);
        Ok(())
    }
    fn ui(&mut self, ui: &mut egui::Ui, _frame: &mut Frame) {
        let _ = &self.params;
        ui.label(format!("{:?}", self.end.latest().input.readings.momentary_lufs));
    }
}

/// x
pub fn window_state() -> Arc<EguiEditorState> {
    let [width, height] = crate::session::DEFAULT_EDITOR_SIZE;
    EguiEditorState::from_size(LogicalSize::new(width, height), 1.0)
}

/// x
pub fn create(state: Arc<EguiEditorState>, repaint: RepaintNotifier, app: App) -> Option<EguiEditor<App>> {
    let resize_hint = ResizeHint { can_resize: true, can_resize_horizontally: true, can_resize_vertically: true, ..ResizeHint::NON_RESIZABLE };
    create_egui_editor(state, repaint, EguiNiceSettings::new().with_tile("Crestline").with_resize_hint(resize_hint), app)
}
