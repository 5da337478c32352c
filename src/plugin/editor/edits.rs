//! Changes that the user makes: reported to the host, and noted until it brings them back.

use std::sync::Arc;

use crate::params::{CrestlineParams, EditBy};
use nice_plug::context::PluginApi;
use nice_plug::context::gui::{GuiContext, GuiContextInner};
use nice_plug::prelude::{ParamPtr, PluginState};

/// The framework's way to the host, with a note of every change.
pub fn noted(gui: GuiContext, params: Arc<CrestlineParams>) -> GuiContext {
    GuiContext::new(Arc::new(Noted { gui, params }))
}

struct Noted {
    gui: GuiContext,
    params: Arc<CrestlineParams>,
}

#[expect(
    unsafe_code,
    reason = "the framework hands parameters on as raw pointers only"
)]
// SAFETY of every call: the framework's own, passed on.
impl GuiContextInner for Noted {
    fn plugin_api(&self) -> PluginApi {
        self.gui.plugin_api()
    }

    unsafe fn raw_begin_set_parameter(&self, param: ParamPtr) {
        // SAFETY: as above.
        unsafe { self.gui.raw_begin_set_parameter(param) };
    }

    unsafe fn raw_set_parameter_normalized(&self, param: ParamPtr, normalized: f32) {
        let index = self.params.pointers().iter().position(|it| *it == param);
        if let Some(index) = index {
            self.params.edited(index, normalized, EditBy::Editor);
        }
        // SAFETY: as above.
        unsafe { self.gui.raw_set_parameter_normalized(param, normalized) };
    }

    unsafe fn raw_end_set_parameter(&self, param: ParamPtr) {
        // SAFETY: as above.
        unsafe { self.gui.raw_end_set_parameter(param) };
    }

    fn get_state(&self) -> PluginState {
        self.params.settle_all();
        self.gui.get_state()
    }

    fn set_state(&self, state: PluginState) {
        self.gui.set_state(state);
    }

    fn request_restart(&self) {
        self.gui.request_restart();
    }
}
