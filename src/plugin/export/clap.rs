//! CLAP: entry, factory, and an instance some of whose functions are ours.
//!
//! A host knows an instance by the address of its table of functions, and the framework finds its
//! own data through the field `plugin_data` of that table. So a copy of the framework's table does
//! for the host what the original does; ours lies at the head of an `Instance`, with some of its
//! functions replaced.

#![expect(
    unsafe_code,
    reason = "a plug-in format is a table of C functions, which take what the host passes on trust"
)]

mod events;
mod extensions;
mod host;
mod unsent;

use self::events::Events;
use self::extensions::{Extensions, get_extension};
use self::host::Host;
use self::unsent::Unsent;
use super::denormals::flushed;
use super::known::Known;
use super::ports::{self, Ports};
use crate::Crestline;
use crate::lock::{lock_by_asking, processing};
use crate::params::CrestlineParams;
use clap_sys::audio_buffer::clap_audio_buffer;
use clap_sys::events::{
    CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_PARAM_VALUE, clap_event_header, clap_event_param_value,
};
use clap_sys::ext::audio_ports::{
    CLAP_EXT_AUDIO_PORTS, clap_audio_port_info, clap_plugin_audio_ports,
};
use clap_sys::ext::params::{CLAP_EXT_PARAMS, clap_param_info, clap_plugin_params};
use clap_sys::process::{CLAP_PROCESS_ERROR, clap_process, clap_process_status};
use nice_plug::wrapper::clap::{
    CLAP_PLUGIN_FACTORY_ID, CLAP_VERSION, PluginDescriptor, Wrapper, clap_host, clap_plugin,
    clap_plugin_descriptor, clap_plugin_entry, clap_plugin_factory,
};
use nice_plug::wrapper::setup_logger;
use std::ffi::{CStr, c_char, c_void};
use std::mem::MaybeUninit;
use std::ptr;
use std::sync::{Arc, OnceLock};
use try_lock::TryLock;

/// What a library exports as `clap_entry`.
pub const ENTRY: clap_plugin_entry = clap_plugin_entry {
    clap_version: CLAP_VERSION,
    init: Some(init),
    deinit: Some(deinit),
    get_factory: Some(get_factory),
};

static FACTORY: clap_plugin_factory = clap_plugin_factory {
    get_plugin_count: Some(get_plugin_count),
    get_plugin_descriptor: Some(get_plugin_descriptor),
    create_plugin: Some(create_plugin),
};

fn descriptor() -> &'static PluginDescriptor {
    static DESCRIPTOR: OnceLock<PluginDescriptor> = OnceLock::new();
    DESCRIPTOR.get_or_init(PluginDescriptor::for_plugin::<Crestline>)
}

unsafe extern "C" fn init(_plugin_path: *const c_char) -> bool {
    setup_logger::<Crestline>();
    true
}

unsafe extern "C" fn deinit() {}

unsafe extern "C" fn get_factory(id: *const c_char) -> *const c_void {
    // SAFETY: not null, and then CLAP has it be a string.
    if !id.is_null() && unsafe { CStr::from_ptr(id) } == CLAP_PLUGIN_FACTORY_ID {
        (&raw const FACTORY).cast()
    } else {
        ptr::null()
    }
}

unsafe extern "C" fn get_plugin_count(_factory: *const clap_plugin_factory) -> u32 {
    1
}

unsafe extern "C" fn get_plugin_descriptor(
    _factory: *const clap_plugin_factory,
    index: u32,
) -> *const clap_plugin_descriptor {
    if index == 0 {
        descriptor().clap_plugin_descriptor()
    } else {
        ptr::null()
    }
}

unsafe extern "C" fn create_plugin(
    _factory: *const clap_plugin_factory,
    host: *const clap_host,
    id: *const c_char,
) -> *const clap_plugin {
    if host.is_null() || id.is_null() {
        return ptr::null();
    }
    // SAFETY: not null, and then CLAP has the one be a string, and the other outlive what is
    // created for it.
    unsafe {
        if CStr::from_ptr(id) == descriptor().clap_id() {
            Instance::create(host)
        } else {
            ptr::null()
        }
    }
}

/// An instance as the host has it.
#[repr(C)]
struct Instance {
    /// What the host has the address of, and therefore first.
    table: clap_plugin,
    framework: clap_plugin,
    host: *const clap_host,
    extensions: Extensions,
    params: Known,
    unsent: Unsent,
    /// Set up in `activate`. The audio thread never waits for it.
    ports: TryLock<Option<Ports>>,
}

impl Instance {
    /// # Safety
    /// `host` outlives the instance.
    unsafe fn create(host: *const clap_host) -> *const clap_plugin {
        // SAFETY: the caller's promise.
        let (wrapper, params) =
            CrestlineParams::of_made(|| unsafe { Wrapper::<Crestline>::new(host) });
        // SAFETY: the caller's promise.
        let [told, woken, asked] = [(); 3].map(|()| unsafe { Host::new(host) });
        params.unsaved.tell_with(move || told.tell_unsaved());
        params.unsaved.wake_with(move || woken.wake());
        params
            .outbox
            .emptied_for_asking(move || asked.ask_for_flush());
        let framework = *wrapper.clap_plugin.borrow();
        // `plugin_data` stands for this reference from now on, until the framework's `destroy`
        // takes it back.
        let _ = Arc::into_raw(wrapper);
        // SAFETY: the framework's table.
        let ids = unsafe { param_ids(&framework) };
        let instance = Box::new(Self {
            table: clap_plugin {
                destroy: Some(destroy),
                activate: Some(activate),
                process: Some(process),
                get_extension: Some(get_extension),
                ..framework
            },
            framework,
            host,
            extensions: Extensions::default(),
            unsent: Unsent::new(ids.len()),
            params: Known::new(params, ids),
            ports: TryLock::new(None),
        });
        // The address of the whole, not of its first field: what is made of it again is the whole.
        Box::into_raw(instance).cast_const().cast()
    }

    /// The framework's table of an extension.
    ///
    /// # Safety
    /// `T` is the table of the extension that `id` stands for.
    unsafe fn extension<T>(&self, id: &CStr) -> Option<&T> {
        // SAFETY: the framework's functions take any table that has its `plugin_data`, and what
        // they return lives as long as the instance.
        unsafe {
            let extension = (self.framework.get_extension?)(&raw const self.table, id.as_ptr());
            extension.cast::<T>().as_ref()
        }
    }

    /// Channels of each port: the plug-in's layouts have ports of one width.
    fn channels(&self) -> Option<usize> {
        let mut info = MaybeUninit::<clap_audio_port_info>::uninit();
        // SAFETY: the table is that of the extension; what the framework says it has filled in is
        // filled in.
        unsafe {
            let ports: &clap_plugin_audio_ports = self.extension(CLAP_EXT_AUDIO_PORTS)?;
            (ports.get?)(&raw const self.table, 0, true, info.as_mut_ptr())
                .then(|| info.assume_init().channel_count as usize)
        }
    }
}

/// The numbers of all parameters.
///
/// # Safety
/// The table is one of the framework's.
unsafe fn param_ids(framework: &clap_plugin) -> Vec<u32> {
    // SAFETY: the caller's promise; the table is that of the extension, and what the framework says
    // it has filled in is filled in.
    unsafe {
        let params = framework.get_extension.and_then(|extension| {
            let params = extension(&raw const *framework, CLAP_EXT_PARAMS.as_ptr());
            params.cast::<clap_plugin_params>().as_ref()
        });
        let functions = params.and_then(|params| params.count.zip(params.get_info));
        let Some((count, info_of)) = functions else {
            return Vec::new();
        };
        let id = |index| {
            let mut info = MaybeUninit::<clap_param_info>::uninit();
            info_of(&raw const *framework, index, info.as_mut_ptr()).then(|| info.assume_init().id)
        };
        (0..count(&raw const *framework)).filter_map(id).collect()
    }
}

/// Frees the framework's instance, then ours.
unsafe extern "C" fn destroy(plugin: *const clap_plugin) {
    if plugin.is_null() {
        return;
    }
    let instance = plugin.cast_mut().cast::<Instance>();
    // SAFETY: the host has no other pointers to instances than those of `create`, and gives this
    // one up.
    unsafe {
        (*instance).params.params().edits.end();
        if let Some(destroy) = (*instance).framework.destroy {
            destroy(plugin);
        }
        drop(Box::from_raw(instance));
    }
}

unsafe extern "C" fn activate(
    plugin: *const clap_plugin,
    sample_rate: f64,
    min_frames: u32,
    max_frames: u32,
) -> bool {
    // SAFETY: the host has no other pointers to instances than those of `create`.
    let Some(instance) = (unsafe { plugin.cast::<Instance>().as_ref() }) else {
        return false;
    };
    let Some(activate) = instance.framework.activate else {
        return false;
    };
    // A block beside this is refused: the framework would have one of another width end the process.
    *lock_by_asking(&instance.ports) = None;
    // SAFETY: the arguments are the host's, for whose truth it vouches.
    let activated = unsafe { activate(plugin, sample_rate, min_frames, max_frames) };
    if activated {
        let channels = instance.channels().unwrap_or(0);
        *lock_by_asking(&instance.ports) = Some(Ports::new(channels, max_frames as usize));
    }
    activated
}

unsafe extern "C" fn process(
    plugin: *const clap_plugin,
    block: *const clap_process,
) -> clap_process_status {
    // SAFETY: the host has no other pointers to instances than those of `create`, and none to
    // blocks but to whole ones.
    let (instance, block) = unsafe { (plugin.cast::<Instance>().as_ref(), block.as_ref()) };
    let (Some(instance), Some(block)) = (instance, block) else {
        return CLAP_PROCESS_ERROR;
    };
    // A host that activates and processes at once is told so, and not made to wait.
    let Some(mut ports) = instance.ports.try_lock() else {
        return CLAP_PROCESS_ERROR;
    };
    let Some(ports) = ports.as_mut() else {
        return CLAP_PROCESS_ERROR;
    };
    let events = Events::within(block.in_events, block.frames_count, &instance.params);
    let in_events = events.list();
    // SAFETY: null or the host's list, for the length of the call.
    let told = unsafe { block.out_events.as_ref() };
    let held = told.and_then(|events| instance.hold_outbox(events));
    let within = clap_process {
        in_events: &raw const in_events,
        out_events: if held.is_some() {
            block.out_events
        } else {
            ptr::null()
        },
        ..*block
    };
    // SAFETY: the block is the host's, for whose truth it vouches; `ports` is held until the call
    // has ended.
    let status = processing(|| flushed(|| unsafe { process_guarded(instance, &within, ports) }));
    instance.params.keep_set();
    if let Some(held) = held.filter(|_| status != CLAP_PROCESS_ERROR) {
        instance.outbox_emptied(held);
    }
    if let Some(events) = told {
        let last = block.frames_count.saturating_sub(1);
        instance.params.tell_changed(|id, value, steps| {
            let event = value_event(id, extensions::clap_value(value, steps), last);
            // SAFETY: an event that lives until the host has copied it.
            events
                .try_push
                .is_some_and(|push| unsafe { push(events, &raw const event.header) })
        });
    }
    status
}

/// A parameter's new value at this frame.
fn value_event(param_id: u32, value: f64, time: u32) -> clap_event_param_value {
    clap_event_param_value {
        header: clap_event_header {
            size: size_of::<clap_event_param_value>() as u32,
            time,
            space_id: CLAP_CORE_EVENT_SPACE_ID,
            type_: CLAP_EVENT_PARAM_VALUE,
            flags: 0,
        },
        param_id,
        cookie: ptr::null_mut(),
        note_id: -1,
        port_index: -1,
        channel: -1,
        key: -1,
        value,
    }
}

/// Passes the block to the framework in the declared shape.
///
/// # Safety
/// What CLAP has a host promise of a block.
unsafe fn process_guarded(
    instance: &Instance,
    block: &clap_process,
    ports: &mut Ports,
) -> clap_process_status {
    let Some(process) = instance.framework.process else {
        return CLAP_PROCESS_ERROR;
    };
    let plugin = &raw const instance.table;
    let frames = block.frames_count as usize;
    // SAFETY: the caller's promise.
    let (main_input, side_chain, main_output) = unsafe {
        (
            port(block.audio_inputs, block.audio_inputs_count, 0),
            port(block.audio_inputs, block.audio_inputs_count, 1),
            port(block.audio_outputs, block.audio_outputs_count, 0),
        )
    };
    let Some(mut connected) = ports.connect(main_input, side_chain, main_output, frames) else {
        let events_alone = clap_process {
            audio_inputs: ptr::null(),
            audio_inputs_count: 0,
            audio_outputs: ptr::null_mut(),
            audio_outputs_count: 0,
            ..*block
        };
        // SAFETY: the caller's promise; what could be amiss with the ports is gone with them.
        unsafe {
            let status = process(plugin, &raw const events_alone);
            ports::silence(main_output, &[], frames);
            return status;
        }
    };
    let inputs = [
        buffer(Some(&mut connected.main_input), ports),
        buffer(connected.side_chain.as_mut(), ports),
    ];
    let mut outputs = [buffer(Some(&mut connected.main_output), ports)];
    let declared = clap_process {
        audio_inputs: inputs.as_ptr(),
        audio_inputs_count: 2,
        audio_outputs: outputs.as_mut_ptr(),
        audio_outputs_count: 1,
        ..*block
    };
    // SAFETY: the caller's promise; the ports are those declared, and every channel is there.
    unsafe {
        let status = process(plugin, &raw const declared);
        // Nobody writes to the channels that were cut off.
        ports::silence(main_output, &connected.main_output, frames);
        (*block.audio_outputs).constant_mask = 0;
        status
    }
}

/// The channel pointers of a port that the host passed, or none.
///
/// # Safety
/// `ports` is null or points to `count` ports as CLAP has them.
unsafe fn port<'a>(ports: *const clap_audio_buffer, count: u32, index: u32) -> &'a [*mut f32] {
    if ports.is_null() || index >= count {
        return &[];
    }
    // SAFETY: within the host's ports, and otherwise the caller's promise.
    unsafe {
        let port = &*ports.add(index as usize);
        ports::passed(port.data32, port.channel_count as usize)
    }
}

/// A port of the declared shape; without channel pointers if there are none.
fn buffer(channels: Option<&mut ports::Channels>, ports: &Ports) -> clap_audio_buffer {
    clap_audio_buffer {
        data32: channels.map_or(ptr::null_mut(), |channels| channels.as_mut_ptr()),
        data64: ptr::null_mut(),
        channel_count: ports.channels() as u32,
        latency: 0,
        constant_mask: 0,
    }
}
