//! What was done in the window and has not gone to the host when a state is loaded.
//!
//! The framework keeps it in a queue, and gives each parameter its value when that is emptied, by
//! the next block at the latest: long after the state, where the host plays nothing. So the queue is
//! emptied before. Of what is in it only the end of a gesture is kept, of which the host knows the
//! beginning.

use super::Instance;
use crate::lock::lock;
use clap_sys::events::{
    CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_PARAM_GESTURE_BEGIN, CLAP_EVENT_PARAM_GESTURE_END,
    clap_event_header, clap_event_param_gesture, clap_output_events,
};
use clap_sys::ext::params::{CLAP_EXT_PARAMS, clap_plugin_params};
use clap_sys::id::clap_id;
use nice_plug::wrapper::clap::clap_plugin;
use std::ptr;
use std::sync::Mutex;

/// Parameters that the user has let go of, without the host having been told.
#[derive(Default)]
pub(super) struct Unsent {
    ended: Mutex<Vec<clap_id>>,
}

impl Unsent {
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
        let mut ended = lock(&self.ended);
        for gesture in gestures {
            let id = gesture.param_id;
            if gesture.header.type_ == CLAP_EVENT_PARAM_GESTURE_BEGIN {
                begun.push(id);
            } else if let Some(at) = begun.iter().position(|it| *it == id) {
                begun.swap_remove(at);
            } else {
                ended.push(id);
            }
        }
    }

    /// Tells the host of the ends, in a block, at this frame.
    ///
    /// # Realtime
    /// Yes: waits for nobody, and frees nothing.
    pub fn tell(&self, events: &clap_output_events, time: u32) {
        let Ok(mut ended) = self.ended.try_lock() else {
            return;
        };
        for param_id in ended.drain(..) {
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
            if let Some(push) = events.try_push {
                // SAFETY: an event that lives until the host has copied it.
                unsafe { push(events, &raw const event.header) };
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

    #[test]
    fn an_end_is_told_once_and_its_place_is_kept() {
        let unsent = Unsent::default();
        lock(&unsent.ended).extend([7, 3]);
        let room = lock(&unsent.ended).capacity();
        let mut gestures: Vec<clap_event_param_gesture> = Vec::new();
        let list = clap_output_events {
            ctx: (&raw mut gestures).cast(),
            try_push: Some(keep_gesture),
        };
        unsent.tell(&list, 5);
        unsent.tell(&list, 6);
        let told: Vec<_> = gestures
            .iter()
            .map(|gesture| (gesture.param_id, gesture.header.type_, gesture.header.time))
            .collect();
        let end = CLAP_EVENT_PARAM_GESTURE_END;
        assert_eq!(told, [(7, end, 5), (3, end, 5)]);
        // Freeing it would be the audio thread's work.
        assert_eq!(lock(&unsent.ended).capacity(), room);
    }
}
