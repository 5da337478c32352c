//! The framework's extensions, some of whose functions are ours.

use super::Instance;
use super::events::Events;
use clap_sys::events::{clap_input_events, clap_output_events};
use clap_sys::ext::gui::{CLAP_EXT_GUI, clap_plugin_gui};
use clap_sys::ext::params::{
    CLAP_EXT_PARAMS, CLAP_PARAM_IS_HIDDEN, CLAP_PARAM_IS_READONLY, clap_param_info,
    clap_plugin_params,
};
use clap_sys::ext::render::{
    CLAP_EXT_RENDER, CLAP_RENDER_OFFLINE, CLAP_RENDER_REALTIME, clap_plugin_render,
    clap_plugin_render_mode,
};
use clap_sys::ext::state::{CLAP_EXT_STATE, clap_plugin_state};
use clap_sys::id::clap_id;
use clap_sys::stream::{clap_istream, clap_ostream};
use nice_plug::wrapper::clap::{clap_host, clap_plugin};
use std::ffi::{CStr, c_char, c_void};
use std::ptr;
use std::sync::OnceLock;

/// The framework's tables with our functions in them, each made when a host first asks for it.
#[derive(Default)]
pub(super) struct Extensions {
    params: OnceLock<clap_plugin_params>,
    state: OnceLock<clap_plugin_state>,
    render: OnceLock<clap_plugin_render>,
    gui: OnceLock<clap_plugin_gui>,
}

pub(super) unsafe extern "C" fn get_extension(
    plugin: *const clap_plugin,
    id: *const c_char,
) -> *const c_void {
    // SAFETY: the host has no other pointers to instances than those of `create`.
    let Some(instance) = (unsafe { plugin.cast::<Instance>().as_ref() }) else {
        return ptr::null();
    };
    let Some(extension) = instance.framework.get_extension else {
        return ptr::null();
    };
    // SAFETY: the host's promise, once more for the framework. Where there is a table, there was a
    // name to find it by, and it is the table that goes by that name.
    unsafe {
        let table = extension(plugin, id);
        if table.is_null() {
            return table;
        }
        let ours = &instance.extensions;
        match CStr::from_ptr(id) {
            // The framework opens no window without the host's part in it, and ends the host's
            // process over that.
            it if it == CLAP_EXT_GUI && !has_gui(instance.host) => ptr::null(),
            it if it == CLAP_EXT_PARAMS => {
                let params = ours.params.get_or_init(|| clap_plugin_params {
                    get_info: Some(param_info),
                    get_value: Some(param_value),
                    flush: Some(flush),
                    ..*table.cast::<clap_plugin_params>()
                });
                (&raw const *params).cast()
            }
            it if it == CLAP_EXT_STATE => {
                let state = ours.state.get_or_init(|| clap_plugin_state {
                    save: Some(save),
                    load: Some(load),
                });
                (&raw const *state).cast()
            }
            it if it == CLAP_EXT_RENDER => {
                let render = ours.render.get_or_init(|| clap_plugin_render {
                    set: Some(set_render_mode),
                    ..*table.cast::<clap_plugin_render>()
                });
                (&raw const *render).cast()
            }
            it if it == CLAP_EXT_GUI => {
                let gui = ours.gui.get_or_init(|| clap_plugin_gui {
                    destroy: Some(destroy_gui),
                    ..*table.cast::<clap_plugin_gui>()
                });
                (&raw const *gui).cast()
            }
            _ => table,
        }
    }
}

/// Whether the host has its part in a window.
///
/// # Safety
/// `host` is the host's table of functions.
unsafe fn has_gui(host: *const clap_host) -> bool {
    // SAFETY: the caller's promise.
    unsafe {
        (*host)
            .get_extension
            .is_some_and(|extension| !extension(host, CLAP_EXT_GUI.as_ptr()).is_null())
    }
}

impl Instance {
    /// Describes a parameter, if there is one of that index. The framework looks for one past the
    /// last, and ends the host's process over it. It knows read-only parameters as hidden ones
    /// alone: ours are there to be seen.
    ///
    /// # Safety
    /// `info` is null or may be written to.
    unsafe fn describe_param(&self, index: u32, info: *mut clap_param_info) -> Option<bool> {
        let plugin = &raw const self.table;
        // SAFETY: the table is that of the extension; otherwise the caller's promise.
        unsafe {
            let params: &clap_plugin_params = self.extension(CLAP_EXT_PARAMS)?;
            let known = index < (params.count?)(plugin) && (params.get_info?)(plugin, index, info);
            if known && (*info).flags & CLAP_PARAM_IS_READONLY != 0 {
                (*info).flags &= !CLAP_PARAM_IS_HIDDEN;
            }
            Some(known)
        }
    }

    /// Tells the value of a parameter: what the host has set, not what its modulation makes of that,
    /// which the framework would tell. A host reads it after loading a state, and would take the
    /// modulation for set.
    ///
    /// # Safety
    /// `value` is null or may be written to.
    unsafe fn tell_value(&self, id: clap_id, value: *mut f64) -> bool {
        // SAFETY: the caller's promise.
        let value = unsafe { value.as_mut() };
        let Some((value, (told, steps))) = value.zip(self.params.told_value(id)) else {
            return false;
        };
        *value = clap_value(told, steps);
        true
    }
}

/// A normalised value as CLAP has it: of a parameter with steps, the number of the step.
pub(super) fn clap_value(normalized: f32, steps: Option<usize>) -> f64 {
    match steps {
        Some(steps) => (f64::from(normalized) * steps as f64).round(),
        None => normalized.into(),
    }
}

unsafe extern "C" fn param_info(
    plugin: *const clap_plugin,
    index: u32,
    info: *mut clap_param_info,
) -> bool {
    // SAFETY: the host has no other pointers to instances than those of `create`.
    let instance = unsafe { plugin.cast::<Instance>().as_ref() };
    // SAFETY: the host's promise.
    instance.is_some_and(|instance| unsafe { instance.describe_param(index, info) } == Some(true))
}

unsafe extern "C" fn param_value(plugin: *const clap_plugin, id: clap_id, value: *mut f64) -> bool {
    // SAFETY: the host has no other pointers to instances than those of `create`.
    let instance = unsafe { plugin.cast::<Instance>().as_ref() };
    // SAFETY: the host's promise.
    instance.is_some_and(|instance| unsafe { instance.tell_value(id, value) })
}

/// Tells the host what the window has done, unless the window is just doing something.
unsafe extern "C" fn flush(
    plugin: *const clap_plugin,
    in_events: *const clap_input_events,
    out_events: *const clap_output_events,
) {
    // SAFETY: the host has no other pointers to instances than those of `create`.
    let Some(instance) = (unsafe { plugin.cast::<Instance>().as_ref() }) else {
        return;
    };
    // SAFETY: null or the host's list, for the length of the call.
    let told = unsafe { out_events.as_ref() };
    let held = told.and_then(|events| instance.hold_outbox(events));
    let out_events = if held.is_some() {
        out_events
    } else {
        ptr::null()
    };
    let events = Events::flushed(in_events, &instance.params);
    let in_events = events.list();
    // SAFETY: the table is that of the extension; otherwise the host's promise.
    unsafe {
        let params: Option<&clap_plugin_params> = instance.extension(CLAP_EXT_PARAMS);
        if let Some(flush) = params.and_then(|params| params.flush) {
            flush(plugin, &raw const in_events, out_events);
        }
    }
    instance.params.keep_set();
    if let Some(held) = held {
        instance.outbox_emptied(held);
    }
}

/// Saves what the user sees, also what the host has not handed back yet.
unsafe extern "C" fn save(plugin: *const clap_plugin, stream: *const clap_ostream) -> bool {
    // SAFETY: the host has no other pointers to instances than those of `create`.
    let Some(instance) = (unsafe { plugin.cast::<Instance>().as_ref() }) else {
        return false;
    };
    instance.params.params().settle_all();
    // SAFETY: the table is that of the extension; otherwise the host's promise.
    unsafe {
        let state: Option<&clap_plugin_state> = instance.extension(CLAP_EXT_STATE);
        state
            .and_then(|state| state.save)
            .is_some_and(|save| save(plugin, stream))
    }
}

/// Loads over what the host has not handed back yet, and what has not gone to it.
unsafe extern "C" fn load(plugin: *const clap_plugin, stream: *const clap_istream) -> bool {
    // SAFETY: the host has no other pointers to instances than those of `create`.
    let Some(instance) = (unsafe { plugin.cast::<Instance>().as_ref() }) else {
        return false;
    };
    let params = instance.params.params();
    let mut kept = false;
    let loaded = params.loading.during(|| {
        // What the window tells from here on it drops itself (`editor/changes`).
        let drop_unsent = || kept = instance.unsent.drop_all(plugin, instance);
        params.outbox.alone(drop_unsent);
        // SAFETY: the table is that of the extension; otherwise the host's promise.
        let loaded = instance.params.load(|| unsafe {
            let state: Option<&clap_plugin_state> = instance.extension(CLAP_EXT_STATE);
            state
                .and_then(|state| state.load)
                .is_some_and(|load| load(plugin, stream))
        });
        if loaded {
            params.loaded();
        }
        loaded
    });
    if kept {
        params.outbox.ask();
    }
    loaded
}

/// Takes the host's word at once, which is all that follows from it: the framework would have the host
/// activate the plug-in anew, and a host that does so amid a file has a hole in it.
unsafe extern "C" fn set_render_mode(
    plugin: *const clap_plugin,
    mode: clap_plugin_render_mode,
) -> bool {
    // SAFETY: the host has no other pointers to instances than those of `create`.
    let Some(instance) = (unsafe { plugin.cast::<Instance>().as_ref() }) else {
        return false;
    };
    let offline = match mode {
        CLAP_RENDER_REALTIME => false,
        CLAP_RENDER_OFFLINE => true,
        _ => return false,
    };
    instance.params.params().rendering.set_offline(offline);
    true
}

/// Closes the window, and only then tells the host what that has ended.
unsafe extern "C" fn destroy_gui(plugin: *const clap_plugin) {
    // SAFETY: the host has no other pointers to instances than those of `create`.
    let Some(instance) = (unsafe { plugin.cast::<Instance>().as_ref() }) else {
        return;
    };
    instance.params.params().after_close.during(|| {
        // SAFETY: the table is that of the extension; otherwise the host's promise.
        unsafe {
            let gui: Option<&clap_plugin_gui> = instance.extension(CLAP_EXT_GUI);
            if let Some(destroy) = gui.and_then(|gui| gui.destroy) {
                destroy(plugin);
            }
        }
    });
}
