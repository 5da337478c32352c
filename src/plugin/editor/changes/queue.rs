//! Gestures on their way to the host, kept until the end of a frame. Each that the host is told of
//! begins once and ends once, whatever becomes of the hand that makes it.

use std::cell::RefCell;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use nice_plug::context::gui::GuiContextInner;
use nice_plug::prelude::{ParamPtr, ParamSetter};

use crate::params::{CrestlineParams, EditBy, Outbox};

/// What the host is to be told.
#[derive(Clone, Copy, Debug)]
pub enum Call {
    Begin(ParamPtr),
    Set(ParamPtr, f32),
    End(ParamPtr),
}

/// What a gesture has come to: a parameter, and its values before and after, normalised.
pub type Changed = (ParamPtr, [f32; 2]);

/// A gesture that the host has been told of.
#[derive(Clone, Copy, Debug)]
struct Gesture {
    param: ParamPtr,
    before: f32,
    last: Option<f32>,
    /// How often it has begun and not ended: a key may be pressed while the mouse holds the value.
    /// The host is told of one.
    depth: u32,
}

impl Gesture {
    fn changed(self) -> Option<Changed> {
        let after = self.last?;
        let moved = (after - self.before).abs() > f32::EPSILON;
        moved.then_some((self.param, [self.before, after]))
    }
}

#[derive(Debug, Default)]
struct State {
    open: Vec<Gesture>,
    /// What has come to its end since it was last asked for.
    changed: Vec<Changed>,
}

/// The gestures under way. Clones are of the same window, for whoever sees it close.
#[derive(Clone, Debug)]
pub struct Gestures {
    state: Arc<Mutex<State>>,
    outbox: Arc<Outbox>,
}

impl Gestures {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Ends all that are under way: what else is set by the hands that began them is lost.
    pub fn end_all(&self, host: &dyn GuiContextInner) {
        let open = std::mem::take(&mut self.lock().open);
        for gesture in open {
            tell(host, &self.outbox, Call::End(gesture.param));
            self.lock().changed.extend(gesture.changed());
        }
    }

    /// What has come to its end since the last time, and has changed something.
    pub fn take_changed(&self) -> Vec<Changed> {
        std::mem::take(&mut self.lock().changed)
    }

    /// Takes note of a call. Whether the host is to be told: not of what lies within another
    /// gesture for the same parameter, nor of what comes after one that has been ended over its
    /// head.
    fn note(&self, params: &CrestlineParams, call: Call) -> bool {
        let mut state = self.lock();
        let (Call::Begin(param) | Call::Set(param, _) | Call::End(param)) = call;
        let at = state.open.iter().position(|one| one.param == param);
        let Some(at) = at else {
            let begins = matches!(call, Call::Begin(_));
            if begins {
                state.open.push(Gesture {
                    param,
                    before: params.last_set(param),
                    last: None,
                    depth: 1,
                });
            }
            return begins;
        };
        let gesture = &mut state.open[at];
        match call {
            Call::Begin(_) => {
                gesture.depth += 1;
                false
            }
            Call::Set(_, normalised) => {
                gesture.last = Some(normalised);
                true
            }
            Call::End(_) => {
                gesture.depth -= 1;
                let ends = gesture.depth == 0;
                if ends {
                    let ended = state.open.swap_remove(at);
                    state.changed.extend(ended.changed());
                }
                ends
            }
        }
    }
}

/// The edit waits from now on until the host brings it.
fn note_edit(params: &CrestlineParams, param: ParamPtr, normalised: f32) {
    if let Some(index) = params.index_of(param) {
        params.edited(index, normalised, EditBy::Editor);
    }
}

/// What is asked for while a frame is drawn.
#[derive(Debug)]
pub struct Queue {
    calls: RefCell<Vec<Call>>,
    pub gestures: Gestures,
}

impl Queue {
    /// For changes that go out by `outbox`.
    pub fn new(outbox: &Arc<Outbox>) -> Self {
        Self {
            calls: RefCell::default(),
            gestures: Gestures {
                state: Arc::default(),
                outbox: Arc::clone(outbox),
            },
        }
    }

    pub fn push(&self, call: Call) {
        self.calls.borrow_mut().push(call);
    }

    /// Whether nothing waits to be told.
    pub fn is_empty(&self) -> bool {
        self.calls.borrow().is_empty()
    }

    /// Drops what has not been told, and ends every gesture.
    pub fn give_up(&self, host: &ParamSetter<'_>) {
        self.calls.take();
        self.gestures.end_all(host.raw_context);
    }

    /// What a parameter is set to in this frame, normalised, if it is.
    pub fn latest(&self, param: ParamPtr) -> Option<f32> {
        let calls = self.calls.borrow();
        calls.iter().rev().find_map(|call| match call {
            Call::Set(set, normalised) if *set == param => Some(*normalised),
            _ => None,
        })
    }

    /// Tells the host everything in its order, and notes the edits until it brings them. Unless
    /// something is `held`, no gesture goes on past this: whatever made it may be gone. `loads` were
    /// over when the frame began.
    pub fn forward(
        &self,
        host: &ParamSetter<'_>,
        params: &CrestlineParams,
        held: bool,
        loads: u32,
    ) {
        for call in self.calls.take() {
            // What sets something would set it over a state that has been loaded since, or is just
            // being: asked anew each time, for the host may load one whenever it is told of something.
            let may_be_told = matches!(call, Call::End(_)) || params.loading.is_as_after(loads);
            if may_be_told && self.gestures.note(params, call) {
                // Once the gestures are let go of: the host may be asked for blocks, and answer at once.
                if let Call::Set(param, normalised) = call {
                    note_edit(params, param, normalised);
                }
                tell(host.raw_context, &params.outbox, call);
            }
        }
        if !held {
            self.gestures.end_all(host.raw_context);
        }
    }
}

/// One whole gesture at once, which is no change to be noted. `loads` were over when the frame began.
pub fn set(
    host: &ParamSetter<'_>,
    params: &CrestlineParams,
    param: ParamPtr,
    normalised: f32,
    loads: u32,
) {
    let told = |call| tell(host.raw_context, &params.outbox, call);
    if !params.loading.is_as_after(loads) {
        return;
    }
    told(Call::Begin(param));
    if params.loading.is_as_after(loads) {
        note_edit(params, param, normalised);
        told(Call::Set(param, normalised));
    }
    told(Call::End(param));
}

#[expect(
    unsafe_code,
    reason = "the framework takes parameters as raw pointers only"
)]
fn tell(host: &dyn GuiContextInner, outbox: &Outbox, call: Call) {
    // SAFETY: every pointer comes from a parameter of the window's own, which outlives it.
    outbox.put(|| unsafe {
        match call {
            Call::Begin(param) => host.raw_begin_set_parameter(param),
            Call::Set(param, normalised) => host.raw_set_parameter_normalized(param, normalised),
            Call::End(param) => host.raw_end_set_parameter(param),
        }
    });
}
