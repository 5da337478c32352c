//! Gestures of one frame, kept until its end: the framework hands values on by raw pointers only,
//! and this is the one place in the editor that does.

use std::sync::{Mutex, PoisonError};

use nice_plug::context::PluginApi;
use nice_plug::context::gui::GuiContextInner;
use nice_plug::prelude::{ParamPtr, ParamSetter, PluginState};

/// What the host is to be told.
#[derive(Clone, Copy, Debug)]
enum Call {
    Begin(ParamPtr),
    Set(ParamPtr, f32),
    End(ParamPtr),
}

/// A gesture under way.
#[derive(Clone, Copy, Debug)]
struct Gesture {
    param: ParamPtr,
    before: f32,
    last: Option<f32>,
}

/// Takes the place of the host while a frame is drawn.
#[derive(Debug, Default)]
pub struct Queue {
    calls: Mutex<Vec<Call>>,
    gestures: Vec<Gesture>,
}

impl Queue {
    fn push(&self, call: Call) {
        self.calls
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .push(call);
    }

    /// Tells `host` everything in its order. Returns what has come to its end and has changed
    /// something: values before and after, normalised.
    pub fn forward(&mut self, host: &ParamSetter<'_>) -> Vec<(ParamPtr, [f32; 2])> {
        let calls = self
            .calls
            .get_mut()
            .unwrap_or_else(PoisonError::into_inner)
            .drain(..);
        let mut changed = Vec::new();
        for call in calls {
            match call {
                Call::Begin(param) => self.gestures.push(Gesture {
                    param,
                    before: value(param),
                    last: None,
                }),
                Call::Set(param, normalised) => {
                    for gesture in &mut self.gestures {
                        if gesture.param == param {
                            gesture.last = Some(normalised);
                        }
                    }
                }
                Call::End(param) => {
                    let at = self.gestures.iter().position(|one| one.param == param);
                    let ended = at.map(|at| self.gestures.swap_remove(at));
                    if let Some(Gesture {
                        before,
                        last: Some(after),
                        ..
                    }) = ended
                        && (after - before).abs() > f32::EPSILON
                    {
                        changed.push((param, [before, after]));
                    }
                }
            }
            tell(host, call);
        }
        changed
    }
}

#[expect(
    unsafe_code,
    reason = "the framework's trait has unsafe methods; these only write down what they are given"
)]
impl GuiContextInner for Queue {
    fn plugin_api(&self) -> PluginApi {
        PluginApi::Clap
    }

    unsafe fn raw_begin_set_parameter(&self, param: ParamPtr) {
        self.push(Call::Begin(param));
    }

    unsafe fn raw_set_parameter_normalized(&self, param: ParamPtr, normalized: f32) {
        self.push(Call::Set(param, normalized));
    }

    unsafe fn raw_end_set_parameter(&self, param: ParamPtr) {
        self.push(Call::End(param));
    }

    fn get_state(&self) -> PluginState {
        PluginState {
            version: String::new(),
            params: std::collections::BTreeMap::new(),
            fields: std::collections::BTreeMap::new(),
        }
    }

    fn set_state(&self, _state: PluginState) {}

    fn request_restart(&self) {}
}

#[expect(
    unsafe_code,
    reason = "the framework takes parameters as raw pointers only"
)]
fn tell(host: &ParamSetter<'_>, call: Call) {
    // SAFETY: every pointer comes from a parameter of the window's own, which outlives it.
    unsafe {
        match call {
            Call::Begin(param) => host.raw_context.raw_begin_set_parameter(param),
            Call::Set(param, normalised) => host
                .raw_context
                .raw_set_parameter_normalized(param, normalised),
            Call::End(param) => host.raw_context.raw_end_set_parameter(param),
        }
    }
}

/// One whole gesture.
pub fn set(host: &ParamSetter<'_>, param: ParamPtr, normalised: f32) {
    for call in [
        Call::Begin(param),
        Call::Set(param, normalised),
        Call::End(param),
    ] {
        tell(host, call);
    }
}

/// The value as set, normalised.
#[expect(
    unsafe_code,
    reason = "the framework gives values of raw pointers only"
)]
pub fn value(param: ParamPtr) -> f32 {
    // SAFETY: as above.
    unsafe { param.unmodulated_normalized_value() }
}

/// The value as set, in its unit; of a switch 0 or 1.
#[expect(
    unsafe_code,
    reason = "the framework gives values of raw pointers only"
)]
pub fn plain(param: ParamPtr) -> f32 {
    // SAFETY: as above.
    unsafe { param.unmodulated_plain_value() }
}

/// A value in its unit as the host is told it.
#[expect(
    unsafe_code,
    reason = "the framework gives values of raw pointers only"
)]
pub fn normalised(param: ParamPtr, plain: f32) -> f32 {
    // SAFETY: as above.
    unsafe { param.preview_normalized(plain) }
}

/// The default, normalised.
#[expect(
    unsafe_code,
    reason = "the framework gives values of raw pointers only"
)]
pub fn default(param: ParamPtr) -> f32 {
    // SAFETY: as above.
    unsafe { param.default_normalized_value() }
}
