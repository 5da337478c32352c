//! The host's events for a block, in order and none of them later than its last frame, or for a flush.
//!
//! Where a parameter changes, the framework cuts the block, and takes the host's word for where
//! that is: with an event past the block's end it would read and write behind the host's buffers,
//! with one before the last cut count below zero. CLAP has a host pass neither (`clap/events.h`,
//! `time`; the list is to be sorted); of one that does, changes count at the nearest frame at which
//! they can, and anything else is left out. An event that the host says there is and does not hand
//! over is passed by in a block; in a flush the framework would read it.
//!
//! Of a parameter whose modulation holds it at an end of its range the framework drops what is set,
//! since nothing comes of it for now: `Modulation` sees to that.

use super::super::known::Known;
use super::value_event;
use clap_sys::events::{
    CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_PARAM_MOD, CLAP_EVENT_PARAM_VALUE, clap_event_header,
    clap_event_param_value, clap_input_events,
};
use std::cell::Cell;
use std::ptr;

/// What stands for an event that is missing: of no space that there is.
static NOTHING: clap_event_header = clap_event_header {
    size: size_of::<clap_event_header>() as u32,
    time: 0,
    space_id: u16::MAX,
    type_: 0,
    flags: 0,
};

/// Stands between the host's list and the framework for one block or flush.
pub(super) struct Events<'instance> {
    host: *const clap_input_events,
    params: &'instance Known,
    last: u32,
    /// What is passed on for an event that is missing.
    missing: *const clap_event_header,
    /// Frame of the event that was last passed on.
    reached: Cell<u32>,
    /// That event, where it had to be moved.
    moved: Cell<clap_event_param_value>,
}

impl<'instance> Events<'instance> {
    /// For a block of `frames` frames; `host` is null or the host's list, which outlives this.
    pub fn within(host: *const clap_input_events, frames: u32, params: &'instance Known) -> Self {
        Self {
            host,
            params,
            last: frames.saturating_sub(1),
            missing: ptr::null(),
            reached: Cell::new(0),
            moved: Cell::new(value_event(0, 0.0, 0)),
        }
    }

    /// For a flush, which has no frames.
    pub fn flushed(host: *const clap_input_events, params: &'instance Known) -> Self {
        Self {
            last: u32::MAX,
            missing: &raw const NOTHING,
            ..Self::within(host, 0, params)
        }
    }

    /// Notes what an event sets or modulates.
    ///
    /// # Safety
    /// The event is there, and as long as its header says.
    unsafe fn note(&self, event: *const clap_event_header) {
        // SAFETY: the caller's promise; both kinds have the same shape.
        unsafe {
            let header = &*event;
            if header.space_id != CLAP_CORE_EVENT_SPACE_ID {
                return;
            }
            let value = || event.cast::<clap_event_param_value>().read_unaligned();
            match header.type_ {
                CLAP_EVENT_PARAM_VALUE => self.params.is_set(value().param_id, value().value),
                CLAP_EVENT_PARAM_MOD => self.params.is_moved(value().param_id, value().value),
                _ => {}
            }
        }
    }

    /// What to pass on while this lives, and as long as it stays where it is.
    pub fn list(&self) -> clap_input_events {
        clap_input_events {
            ctx: ptr::from_ref(self).cast_mut().cast(),
            size: Some(size),
            get: Some(get),
        }
    }
}

unsafe extern "C" fn size(list: *const clap_input_events) -> u32 {
    // SAFETY: `list` is what `Events::list` has made, and its host's list null or alive.
    unsafe {
        let events = &*(*list).ctx.cast::<Events<'_>>();
        let host = events.host.as_ref();
        host.and_then(|host| host.size)
            .map_or(0, |size| size(events.host))
    }
}

/// An event, or null for one that the framework is to leave out.
unsafe extern "C" fn get(list: *const clap_input_events, index: u32) -> *const clap_event_header {
    // SAFETY: as in `size`; an event of the host's is null or as long as its header says.
    unsafe {
        let events = &*(*list).ctx.cast::<Events<'_>>();
        let host = events.host.as_ref();
        let event = host
            .and_then(|host| host.get)
            .map_or(ptr::null(), |get| get(events.host, index));
        let Some(header) = event.as_ref() else {
            return events.missing;
        };
        events.note(event);
        // The framework asks for one after the other, and for the one that it has cut at once more.
        let time = header.time.clamp(events.reached.get(), events.last);
        events.reached.set(time);
        if time == header.time {
            return event;
        }
        match (header.space_id, header.type_) {
            // Both have the same shape.
            (CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_PARAM_VALUE | CLAP_EVENT_PARAM_MOD) => {
                let mut moved = event.cast::<clap_event_param_value>().read_unaligned();
                moved.header.time = time;
                events.moved.set(moved);
                events.moved.as_ptr().cast_const().cast()
            }
            _ => ptr::null(),
        }
    }
}
