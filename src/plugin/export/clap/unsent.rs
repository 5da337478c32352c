//! What was done in the window and has not gone to the host when a state is loaded.
//!
//! The framework keeps it in a queue, and gives each parameter its value when that is emptied, by
//! the next block at the latest: long after the state, where the host plays nothing. So the queue is
//! emptied before. Of what is in it only the end of a gesture is kept, of which the host knows the
//! beginning.

use super::Instance;
use crate::export::known::Known;
use clap_sys::events::{
    CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_PARAM_GESTURE_BEGIN, CLAP_EVENT_PARAM_GESTURE_END,
    clap_event_header, clap_event_param_gesture, clap_output_events,
};
use clap_sys::ext::params::{CLAP_EXT_PARAMS, clap_plugin_params};
use nice_plug::wrapper::clap::clap_plugin;
use std::ptr;
use std::sync::atomic::{AtomicBool, Ordering};

/// Parameters that the user has let go of, without the host having been told.
///
/// Flags and no list behind a lock: also one that is only tried makes who gives it back wake whoever
/// waits for it meanwhile, which is a system call.
pub(super) struct Unsent {
    /// One a parameter, in their order: a host knows of one beginning of each at most.
    ended: Vec<AtomicBool>,
    /// Whether any of them may be set.
    any: AtomicBool,
}

impl Unsent {
    /// For so many parameters.
    pub fn new(params: usize) -> Self {
        Self {
            ended: (0..params).map(|_| AtomicBool::new(false)).collect(),
            any: AtomicBool::new(false),
        }
    }

    /// Empties the framework's queue, which also an audio thread may empty meanwhile.
    pub fn drop_all(&self, plugin: *const clap_plugin, instance: &Instance) {
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
        let mut begun = Vec::new();
        for gesture in gestures {
            let id = gesture.param_id;
            if gesture.header.type_ == CLAP_EVENT_PARAM_GESTURE_BEGIN {
                begun.push(id);
            } else if let Some(at) = begun.iter().position(|it| *it == id) {
                begun.swap_remove(at);
            } else if let Some(index) = instance.params.index(id) {
                self.keep(index);
            }
        }
    }

    /// Keeps an end, of the parameter at this place, for the next block.
    fn keep(&self, index: usize) {
        if let Some(ended) = self.ended.get(index) {
            // Release: who sees that there are any sees which.
            ended.store(true, Ordering::Relaxed);
            self.any.store(true, Ordering::Release);
        }
    }

    /// Tells the host of the ends, in a block, at this frame. What it does not take is told with
    /// the next block.
    ///
    /// # Realtime
    /// Yes: an atomic exchange or two a parameter.
    pub fn tell(&self, params: &Known, events: &clap_output_events, time: u32) {
        if !self.any.swap(false, Ordering::Acquire) {
            return;
        }
        for (index, ended) in self.ended.iter().enumerate() {
            let Some(param_id) = params.id(index) else {
                continue;
            };
            let event = clap_event_param_gesture {
                header: clap_event_header {
                    size: size_of::<clap_event_param_gesture>() as u32,
                    time,
                    space_id: CLAP_CORE_EVENT_SPACE_ID,
                    type_: CLAP_EVENT_PARAM_GESTURE_END,
                    flags: 0,
                },
                param_id,
            };
            if ended.swap(false, Ordering::Relaxed)
                && let Some(push) = events.try_push
                // SAFETY: an event that lives until the host has copied it.
                && !unsafe { push(events, &raw const event.header) }
            {
                self.keep(index);
            }
        }
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
    fn an_end_is_told_once_and_again_only_where_the_host_did_not_take_it() {
        let ids: Vec<u32> = (100..110).collect();
        let unsent = Unsent::new(ids.len());
        let params = Known::new(Arc::new(CrestlineParams::default()), ids);
        for index in [7, 3, 7, 10] {
            unsent.keep(index);
        }
        let mut gestures: Vec<clap_event_param_gesture> = Vec::new();
        let ctx: *mut c_void = (&raw mut gestures).cast();
        for (time, try_push) in [
            (4, Some(refuse as _)),
            (5, Some(keep_gesture as _)),
            (6, Some(keep_gesture as _)),
        ] {
            unsent.tell(&params, &clap_output_events { ctx, try_push }, time);
        }
        let told: Vec<_> = gestures
            .iter()
            .map(|gesture| (gesture.param_id, gesture.header.type_, gesture.header.time))
            .collect();
        let end = CLAP_EVENT_PARAM_GESTURE_END;
        assert_eq!(told, [(103, end, 5), (107, end, 5)]);
    }
}
