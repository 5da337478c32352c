//! What was done in the window and has not gone to the host when a state is loaded.
//!
//! The framework keeps it in a queue, and gives each parameter its value when that is emptied, by
//! the next block at the latest: long after the state, where the host plays nothing. So the queue is
//! emptied before. Of what is in it only gestures without their other half are kept: the end of one
//! of which the host knows the beginning, and the beginning of one that will end.

use super::Instance;
use crate::export::known::Known;
use crate::params::Held;
use clap_sys::events::{
    CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_PARAM_GESTURE_BEGIN, CLAP_EVENT_PARAM_GESTURE_END,
    clap_event_header, clap_event_param_gesture, clap_output_events,
};
use clap_sys::ext::params::{CLAP_EXT_PARAMS, clap_plugin_params};
use clap_sys::id::clap_id;
use nice_plug::wrapper::clap::clap_plugin;
use std::ptr;
use std::sync::atomic::{AtomicBool, Ordering};

/// What the host is to be told of a parameter: that a gesture has ended, and then that one has
/// begun.
#[derive(Default)]
struct Halves {
    ended: AtomicBool,
    begun: AtomicBool,
}

/// Halves of gestures that the host is to be told of.
///
/// Flags and no list behind a lock: also one that is only tried makes who gives it back wake whoever
/// waits for it meanwhile, which is a system call.
pub(super) struct Unsent {
    /// Of each parameter, in their order.
    halves: Vec<Halves>,
    /// Whether any of them may be set.
    any: AtomicBool,
}

impl Unsent {
    /// For so many parameters.
    pub fn new(params: usize) -> Self {
        Self {
            halves: (0..params).map(|_| Halves::default()).collect(),
            any: AtomicBool::new(false),
        }
    }

    /// Empties the framework's queue, which also an audio thread may empty meanwhile. Whether there
    /// is something to be told of it.
    pub fn drop_all(&self, plugin: *const clap_plugin, instance: &Instance) -> bool {
        let mut gestures: Vec<clap_event_param_gesture> = Vec::new();
        let list = clap_output_events {
            ctx: (&raw mut gestures).cast(),
            try_push: Some(keep_gesture),
        };
        // SAFETY: the table is that of the extension; the list lives until the call has ended.
        unsafe {
            let params: Option<&clap_plugin_params> = instance.extension(CLAP_EXT_PARAMS);
            if let Some(flush) = params.and_then(|params| params.flush) {
                flush(plugin, ptr::null(), &raw const list);
            }
        }
        for gesture in gestures {
            if let Some(index) = instance.params.index(gesture.param_id) {
                self.keep(
                    index,
                    gesture.header.type_ == CLAP_EVENT_PARAM_GESTURE_BEGIN,
                );
            }
        }
        self.any.load(Ordering::Relaxed)
    }

    /// Keeps a half, of the parameter at this place. The end of a beginning that is kept takes that
    /// back.
    fn keep(&self, index: usize, begins: bool) {
        let Some(halves) = self.halves.get(index) else {
            return;
        };
        if begins {
            halves.begun.store(true, Ordering::Relaxed);
        } else if !halves.begun.swap(false, Ordering::Relaxed) {
            halves.ended.store(true, Ordering::Relaxed);
        }
        // Release: who sees that there are any sees which.
        self.any.store(true, Ordering::Release);
    }

    /// Tells the host of them, at the first frame. What it does not take is told another time.
    ///
    /// # Realtime
    /// Yes: an atomic exchange or two a parameter.
    pub fn tell(&self, params: &Known, events: &clap_output_events) {
        let Some(push) = events.try_push else {
            return;
        };
        if !self.any.swap(false, Ordering::Acquire) {
            return;
        }
        for (index, halves) in self.halves.iter().enumerate() {
            let Some(id) = params.id(index) else {
                continue;
            };
            for (half, type_) in [
                (&halves.ended, CLAP_EVENT_PARAM_GESTURE_END),
                (&halves.begun, CLAP_EVENT_PARAM_GESTURE_BEGIN),
            ] {
                let event = gesture(id, type_);
                if half.swap(false, Ordering::Relaxed)
                    // SAFETY: an event that lives until the host has copied it.
                    && !unsafe { push(events, &raw const event.header) }
                {
                    half.store(true, Ordering::Relaxed);
                    self.any.store(true, Ordering::Release);
                    break;
                }
            }
        }
    }
}

impl Instance {
    /// Holds what the window has done, for the host to be told of it, where there is anything and the
    /// window is not just doing something. The halves that come before it are told with `events`.
    ///
    /// # Realtime
    /// Yes: as it is held, and as they are told.
    pub(super) fn hold_outbox(&self, events: &clap_output_events) -> Option<Held<'_>> {
        let held = self.params.params().outbox.hold()?;
        self.unsent.tell(&self.params, events);
        Some(held)
    }

    /// It has been emptied, but for halves that the host did not take.
    ///
    /// # Realtime
    /// Yes: a load beside that.
    pub(super) fn outbox_emptied(&self, held: Held<'_>) {
        held.emptied_but(|| self.unsent.any.load(Ordering::Relaxed));
    }
}

/// Half of a gesture at the first frame.
fn gesture(param_id: clap_id, type_: u16) -> clap_event_param_gesture {
    clap_event_param_gesture {
        header: clap_event_header {
            size: size_of::<clap_event_param_gesture>() as u32,
            time: 0,
            space_id: CLAP_CORE_EVENT_SPACE_ID,
            type_,
            flags: 0,
        },
        param_id,
    }
}

unsafe extern "C" fn keep_gesture(
    list: *const clap_output_events,
    event: *const clap_event_header,
) -> bool {
    // SAFETY: `list` is what `Unsent::drop_all` has made, and an event as long as its header says.
    unsafe {
        let gestures = &mut *(*list).ctx.cast::<Vec<clap_event_param_gesture>>();
        let header = event.read_unaligned();
        if matches!(
            (header.space_id, header.type_),
            (
                CLAP_CORE_EVENT_SPACE_ID,
                CLAP_EVENT_PARAM_GESTURE_BEGIN | CLAP_EVENT_PARAM_GESTURE_END
            )
        ) {
            gestures.push(event.cast::<clap_event_param_gesture>().read_unaligned());
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::params::CrestlineParams;
    use std::ffi::c_void;
    use std::sync::Arc;

    unsafe extern "C" fn refuse(_: *const clap_output_events, _: *const clap_event_header) -> bool {
        false
    }

    #[test]
    fn halves_are_told_once_and_again_only_where_the_host_did_not_take_them() {
        let ids: Vec<u32> = (100..110).collect();
        let unsent = Unsent::new(ids.len());
        let params = Known::new(Arc::new(CrestlineParams::default()), ids);
        // The last two of 4 are one gesture that the host never hears of; 10 is none of them.
        for (index, begins) in [
            (7, false),
            (3, false),
            (7, false),
            (3, true),
            (4, true),
            (4, false),
            (10, false),
        ] {
            unsent.keep(index, begins);
        }
        let mut gestures: Vec<clap_event_param_gesture> = Vec::new();
        let ctx: *mut c_void = (&raw mut gestures).cast();
        for try_push in [
            None,
            Some(refuse as _),
            Some(keep_gesture as _),
            Some(keep_gesture as _),
        ] {
            unsent.tell(&params, &clap_output_events { ctx, try_push });
        }
        let told: Vec<_> = gestures
            .iter()
            .map(|gesture| (gesture.param_id, gesture.header.type_))
            .collect();
        let [begin, end] = [CLAP_EVENT_PARAM_GESTURE_BEGIN, CLAP_EVENT_PARAM_GESTURE_END];
        assert_eq!(told, [(103, end), (103, begin), (107, end)]);
    }
}
