//! How everything in the window changes parameters, and what it goes by.

use nice_plug::prelude::{Param, ParamPtr};

use super::queue::{Call, Queue};
use crate::params::CrestlineParams;

/// Changes parameters. The host is told at the end of the frame.
#[derive(Clone, Copy)]
pub struct Setter<'a> {
    queue: &'a Queue,
    params: &'a CrestlineParams,
}

impl<'a> Setter<'a> {
    /// For the parameters of one window.
    pub(super) fn new(queue: &'a Queue, params: &'a CrestlineParams) -> Self {
        Self { queue, params }
    }

    /// What a parameter was last set to, normalised. A host brings a change frames later: until
    /// then the parameter itself still has the old value.
    pub fn value<P: Param>(&self, param: &P) -> f32 {
        let param = param.as_ptr();
        let latest = self.queue.latest(param);
        latest.unwrap_or_else(|| self.params.last_set(param))
    }

    /// Begins a gesture.
    pub fn begin_set_parameter<P: Param>(&self, param: &P) {
        self.queue.push(Call::Begin(param.as_ptr()));
    }

    /// Sets a value, normalised, within a gesture.
    pub fn set_parameter_normalized<P: Param>(&self, param: &P, normalized: f32) {
        self.queue.push(Call::Set(param.as_ptr(), normalized));
    }

    /// Ends a gesture.
    pub fn end_set_parameter<P: Param>(&self, param: &P) {
        self.queue.push(Call::End(param.as_ptr()));
    }
}

/// The value in its unit that is a normalised one; of a switch 0 or 1.
#[expect(
    unsafe_code,
    reason = "the framework gives values of raw pointers only"
)]
pub fn plain(param: ParamPtr, normalised: f32) -> f32 {
    // SAFETY: every pointer comes from a parameter of the window's own, which outlives it.
    unsafe { param.preview_plain(normalised) }
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
