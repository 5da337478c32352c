//! CLAP without anything between the test and the C functions.

#![expect(
    unsafe_code,
    reason = "a host calls a plug-in through tables of C functions"
)]

use super::stream::Pieces;
use super::{Block, Described, RawHost};
use clap_sys::audio_buffer::clap_audio_buffer;
use clap_sys::events::{
    CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_PARAM_VALUE, CLAP_EVENT_TRANSPORT,
    CLAP_TRANSPORT_HAS_SECONDS_TIMELINE, CLAP_TRANSPORT_IS_PLAYING, clap_event_header,
    clap_event_param_value, clap_event_transport, clap_input_events, clap_output_events,
};
use clap_sys::ext::audio_ports_config::{
    CLAP_EXT_AUDIO_PORTS_CONFIG, clap_plugin_audio_ports_config,
};
use clap_sys::ext::latency::{CLAP_EXT_LATENCY, clap_plugin_latency};
use clap_sys::ext::params::{CLAP_EXT_PARAMS, clap_param_info, clap_plugin_params};
use clap_sys::ext::state::{CLAP_EXT_STATE, clap_plugin_state};
use clap_sys::ext::tail::{CLAP_EXT_TAIL, clap_plugin_tail};
use clap_sys::factory::plugin_factory::{CLAP_PLUGIN_FACTORY_ID, clap_plugin_factory};
use clap_sys::fixedpoint::CLAP_SECTIME_FACTOR;
use clap_sys::host::clap_host;
use clap_sys::plugin::clap_plugin;
use clap_sys::process::{CLAP_PROCESS_ERROR, clap_process};
use clap_sys::stream::{clap_istream, clap_ostream};
use clap_sys::version::CLAP_VERSION;
use std::ffi::{CStr, c_char, c_void};
use std::mem::MaybeUninit;
use std::ptr;

/// An instance and the host that it was told of.
pub struct RawClap {
    plugin: *const clap_plugin,
    _host: Box<clap_host>,
    is_active: bool,
    around: fn(&mut dyn FnMut()),
    constant: u64,
    transport: Option<clap_event_transport>,
}

/// A parameter that is set somewhere in a block, or past it.
#[derive(Clone, Copy, Debug)]
pub struct Event {
    pub frame: u32,
    pub id: u32,
    pub value: f64,
}

/// The functions that a host may call on any thread, or on its main thread while audio runs, to be
/// called on whichever.
pub struct AnyThread(*const clap_plugin);

// SAFETY: whether the plug-in bears it is what a test that uses this wants to know.
unsafe impl Send for AnyThread {}

unsafe extern "C" fn no_extension(_: *const clap_host, _: *const c_char) -> *const c_void {
    ptr::null()
}

unsafe extern "C" fn no_request(_: *const clap_host) {}

impl RawClap {
    /// An instance that has not been activated.
    pub fn inactive() -> Self {
        let host = Box::new(clap_host {
            clap_version: CLAP_VERSION,
            host_data: ptr::null_mut(),
            name: c"raw".as_ptr(),
            vendor: c"".as_ptr(),
            url: c"".as_ptr(),
            version: c"1".as_ptr(),
            get_extension: Some(no_extension),
            request_restart: Some(no_request),
            request_process: Some(no_request),
            request_callback: Some(no_request),
        });
        crate::keep_the_framework_from_logging();
        let entry = &crestline_plugin::clap_entry;
        // SAFETY: calls in the order that CLAP asks for; the host lives in a box for as long as the
        // instance.
        unsafe {
            assert!(entry.init.unwrap()(c"/raw.clap".as_ptr()));
            let factory = entry.get_factory.unwrap()(CLAP_PLUGIN_FACTORY_ID.as_ptr());
            let factory = factory.cast::<clap_plugin_factory>();
            assert_eq!((*factory).get_plugin_count.unwrap()(factory), 1);
            let descriptor = (*factory).get_plugin_descriptor.unwrap()(factory, 0);
            let id = (*descriptor).id;
            let plugin = (*factory).create_plugin.unwrap()(factory, &raw const *host, id);
            assert!((*plugin).init.unwrap()(plugin));
            Self {
                plugin,
                _host: host,
                is_active: false,
                around: |call| call(),
                constant: 0,
                transport: None,
            }
        }
    }

    /// An instance with ports of `channels` channels that awaits blocks of up to `max_frames` at 48
    /// kHz.
    pub fn active(channels: usize, max_frames: usize) -> Self {
        let mut host = Self::inactive();
        let layouts: &clap_plugin_audio_ports_config = host.extension(CLAP_EXT_AUDIO_PORTS_CONFIG);
        // SAFETY: the plug-in's own functions, called with what they return. Stereo comes first,
        // mono second.
        unsafe {
            let mut layout = MaybeUninit::uninit();
            let index = u32::from(channels != 2);
            assert!(layouts.get.unwrap()(
                host.plugin,
                index,
                layout.as_mut_ptr()
            ));
            assert!(layouts.select.unwrap()(
                host.plugin,
                layout.assume_init().id
            ));
            let frames = u32::try_from(max_frames).unwrap();
            assert!((*host.plugin).activate.unwrap()(
                host.plugin,
                48_000.0,
                1,
                frames
            ));
            assert!((*host.plugin).start_processing.unwrap()(host.plugin));
        }
        host.is_active = true;
        host
    }

    /// Calls for another thread, which must end before the instance does.
    pub fn any_thread(&self) -> AnyThread {
        AnyThread(self.plugin)
    }

    /// Has the instance begin or end to process.
    pub fn set_processing(&mut self, on: bool) {
        let mut done = true;
        // SAFETY: the plug-in's own functions, called while it is active.
        (self.around)(&mut || unsafe {
            if on {
                done = (*self.plugin).start_processing.unwrap()(self.plugin);
            } else {
                (*self.plugin).stop_processing.unwrap()(self.plugin);
            }
        });
        assert!(done);
    }

    /// Whether the plug-in offers an extension.
    pub fn has_extension(&self, id: &CStr) -> bool {
        // SAFETY: the plug-in's own function.
        unsafe { !(*self.plugin).get_extension.unwrap()(self.plugin, id.as_ptr()).is_null() }
    }

    fn extension<T>(&self, id: &CStr) -> &T {
        // SAFETY: the plug-in has these extensions, and they live as long as the instance.
        unsafe {
            let extension = (*self.plugin).get_extension.unwrap()(self.plugin, id.as_ptr());
            extension.cast::<T>().as_ref().unwrap()
        }
    }
}

impl Drop for RawClap {
    fn drop(&mut self) {
        // SAFETY: calls in the order that CLAP asks for; nobody uses the instance any more.
        unsafe {
            if self.is_active {
                (*self.plugin).stop_processing.unwrap()(self.plugin);
                (*self.plugin).deactivate.unwrap()(self.plugin);
            }
            (*self.plugin).destroy.unwrap()(self.plugin);
        }
    }
}

impl RawHost for RawClap {
    fn latency(&self) -> usize {
        let latency: &clap_plugin_latency = self.extension(CLAP_EXT_LATENCY);
        // SAFETY: the plug-in's own function.
        unsafe { latency.get.unwrap()(self.plugin) as usize }
    }

    fn param(&self, name: &str) -> Option<(u32, f64)> {
        let params: &clap_plugin_params = self.extension(CLAP_EXT_PARAMS);
        // SAFETY: the plug-in's own functions, called with what they return.
        unsafe {
            (0..params.count.unwrap()(self.plugin)).find_map(|index| {
                let mut info = MaybeUninit::<clap_param_info>::uninit();
                assert!(params.get_info.unwrap()(
                    self.plugin,
                    index,
                    info.as_mut_ptr()
                ));
                let info = info.assume_init();
                let mut value = 0.0;
                let is_it = CStr::from_ptr(info.name.as_ptr()).to_str() == Ok(name);
                (is_it && params.get_value.unwrap()(self.plugin, info.id, &raw mut value))
                    .then_some((info.id, value))
            })
        }
    }

    fn param_count(&self) -> u32 {
        let params: &clap_plugin_params = self.extension(CLAP_EXT_PARAMS);
        // SAFETY: the plug-in's own function.
        unsafe { params.count.unwrap()(self.plugin) }
    }

    fn normalized(&self) -> Vec<f64> {
        let params: &clap_plugin_params = self.extension(CLAP_EXT_PARAMS);
        let value = |index| {
            let mut info = MaybeUninit::<clap_param_info>::uninit();
            let mut value = f64::NAN;
            // SAFETY: the plug-in's own functions, called with what they return.
            let info = unsafe {
                assert!(params.get_info.unwrap()(
                    self.plugin,
                    index,
                    info.as_mut_ptr()
                ));
                let info = info.assume_init();
                assert!(params.get_value.unwrap()(
                    self.plugin,
                    info.id,
                    &raw mut value
                ));
                info
            };
            (value - info.min_value) / (info.max_value - info.min_value)
        };
        (0..self.param_count()).map(value).collect()
    }

    fn knows_param(&self, index: u32) -> bool {
        let params: &clap_plugin_params = self.extension(CLAP_EXT_PARAMS);
        let mut info = MaybeUninit::uninit();
        // SAFETY: the plug-in's own function, and a place for the answer.
        unsafe { params.get_info.unwrap()(self.plugin, index, info.as_mut_ptr()) }
    }

    fn tail(&self) -> usize {
        let tail: &clap_plugin_tail = self.extension(CLAP_EXT_TAIL);
        // SAFETY: the plug-in's own function.
        unsafe { tail.get.unwrap()(self.plugin) as usize }
    }

    fn save_in_pieces(&self, at_most: usize) -> Vec<u8> {
        let state: &clap_plugin_state = self.extension(CLAP_EXT_STATE);
        let pieces = Pieces::new(&[], at_most);
        let stream = clap_ostream {
            ctx: (&raw const pieces).cast_mut().cast(),
            write: Some(write),
        };
        // SAFETY: the plug-in's own function, and a stream that outlives the call.
        assert!(unsafe { state.save.unwrap()(self.plugin, &raw const stream) });
        pieces.into_bytes()
    }

    fn load_in_pieces(&self, bytes: &[u8], at_most: usize) -> bool {
        let state: &clap_plugin_state = self.extension(CLAP_EXT_STATE);
        let pieces = Pieces::new(bytes, at_most);
        let stream = clap_istream {
            ctx: (&raw const pieces).cast_mut().cast(),
            read: Some(read),
        };
        // SAFETY: the plug-in's own function, and a stream that outlives the call.
        unsafe { state.load.unwrap()(self.plugin, &raw const stream) }
    }

    fn say_constant(&mut self, channels: u64) {
        self.constant = channels;
    }

    fn play(&mut self) {
        // SAFETY: numbers, for which all zeros are a value.
        let transport: clap_event_transport = unsafe { std::mem::zeroed() };
        self.transport = Some(clap_event_transport {
            header: clap_event_header {
                size: u32::try_from(size_of::<clap_event_transport>()).unwrap(),
                time: 0,
                space_id: CLAP_CORE_EVENT_SPACE_ID,
                type_: CLAP_EVENT_TRANSPORT,
                flags: 0,
            },
            flags: CLAP_TRANSPORT_IS_PLAYING,
            ..transport
        });
    }

    fn locate(&mut self, song_s: f64) {
        let transport = self.transport.as_mut().unwrap();
        transport.flags |= CLAP_TRANSPORT_HAS_SECONDS_TIMELINE;
        transport.song_pos_seconds = (song_s * CLAP_SECTIME_FACTOR as f64) as i64;
    }

    fn set_around(&mut self, around: fn(&mut dyn FnMut())) {
        self.around = around;
    }

    fn process_anew(&mut self) {
        self.set_processing(false);
        self.set_processing(true);
    }

    fn reset(&mut self) {
        (self.around)(&mut || {
            // SAFETY: the plug-in's own function, called while it is active.
            unsafe { (*self.plugin).reset.unwrap()(self.plugin) };
        });
    }

    fn process(&mut self, block: &mut Block) -> bool {
        let first = |&(id, value): &(u32, f64)| Event {
            frame: 0,
            id,
            value,
        };
        let events: Vec<_> = block.changes.iter().map(first).collect();
        self.process_with(block, &events)
    }
}

impl RawClap {
    /// Has the plug-in process a block with these changes, in this order, instead of the block's
    /// own; whether it says that it could.
    pub fn process_with(&mut self, block: &mut Block, changes: &[Event]) -> bool {
        let constant = self.constant;
        let describe = |data32, count| clap_audio_buffer {
            data32,
            data64: ptr::null_mut(),
            channel_count: u32::try_from(count).unwrap(),
            latency: 0,
            constant_mask: constant,
        };
        let mut inputs = Described::new(&mut block.inputs, describe);
        let mut outputs = Described::outputs(&mut block.outputs, &inputs, describe);
        let changes: Vec<_> = changes.iter().map(event).collect();
        let in_events = clap_input_events {
            ctx: (&raw const changes).cast_mut().cast(),
            size: Some(size),
            get: Some(get),
        };
        let out_events = clap_output_events {
            ctx: ptr::null_mut(),
            try_push: Some(drop_event),
        };
        let process = clap_process {
            steady_time: -1,
            frames_count: u32::try_from(block.frames).unwrap(),
            transport: self.transport.as_ref().map_or(ptr::null(), ptr::from_ref),
            audio_inputs: inputs.address(),
            audio_outputs: outputs.address(),
            audio_inputs_count: u32::try_from(inputs.count).unwrap(),
            audio_outputs_count: u32::try_from(outputs.count).unwrap(),
            in_events: &raw const in_events,
            out_events: &raw const out_events,
        };
        let mut status = CLAP_PROCESS_ERROR;
        (self.around)(&mut || {
            // SAFETY: whatever is described outlives the call; what is not there is null or beyond
            // the end, and the plug-in's to beware of.
            status = unsafe { (*self.plugin).process.unwrap()(self.plugin, &raw const process) };
        });
        if let Some(transport) = &mut self.transport {
            let passed = i64::try_from(block.frames).unwrap() * CLAP_SECTIME_FACTOR / 48_000;
            transport.song_pos_seconds += passed;
        }
        status != CLAP_PROCESS_ERROR
    }
}

impl RawClap {
    /// Has the plug-in flush this change behind one that is said to be there, and is null.
    pub fn flush_behind_nothing(&self, change: Event) {
        let changes = [event(&change)];
        let in_events = clap_input_events {
            ctx: (&raw const changes).cast_mut().cast(),
            size: Some(two),
            get: Some(get_second),
        };
        let out_events = clap_output_events {
            ctx: ptr::null_mut(),
            try_push: Some(drop_event),
        };
        let params: &clap_plugin_params = self.extension(CLAP_EXT_PARAMS);
        // SAFETY: the plug-in's own function, and lists that outlive the call.
        unsafe { params.flush.unwrap()(self.plugin, &raw const in_events, &raw const out_events) };
    }
}

impl AnyThread {
    /// Asks what there is to be asked: extensions, values and their texts, latency, tail, state.
    /// Returns how many parameters have told a finite value.
    pub fn ask_everything(&self) -> usize {
        let extension = |id: &CStr| {
            // SAFETY: the plug-in's own function.
            unsafe { (*self.0).get_extension.unwrap()(self.0, id.as_ptr()) }
        };
        let pieces = Pieces::new(&[], 1_000);
        let stream = clap_ostream {
            ctx: (&raw const pieces).cast_mut().cast(),
            write: Some(write),
        };
        // SAFETY: the plug-in has these extensions; its own functions, called with what they return
        // and with places for the answers.
        unsafe {
            let params = &*extension(CLAP_EXT_PARAMS).cast::<clap_plugin_params>();
            let latency = &*extension(CLAP_EXT_LATENCY).cast::<clap_plugin_latency>();
            let tail = &*extension(CLAP_EXT_TAIL).cast::<clap_plugin_tail>();
            let state = &*extension(CLAP_EXT_STATE).cast::<clap_plugin_state>();
            assert!(latency.get.unwrap()(self.0) > 0);
            tail.get.unwrap()(self.0);
            assert!(state.save.unwrap()(self.0, &raw const stream));
            let told = |index: &u32| {
                let mut info = MaybeUninit::<clap_param_info>::uninit();
                assert!(params.get_info.unwrap()(self.0, *index, info.as_mut_ptr()));
                let id = info.assume_init().id;
                let (mut value, mut text) = (f64::NAN, [0; 64]);
                assert!(params.get_value.unwrap()(self.0, id, &raw mut value));
                params.value_to_text.unwrap()(self.0, id, value, text.as_mut_ptr(), 64);
                value.is_finite()
            };
            (0..params.count.unwrap()(self.0)).filter(told).count()
        }
    }
}

unsafe extern "C" fn write(stream: *const clap_ostream, from: *const c_void, bytes: u64) -> i64 {
    // SAFETY: a stream made above, and as many bytes as the plug-in says.
    unsafe {
        let pieces = &*(*stream).ctx.cast::<Pieces>();
        let bytes = usize::try_from(bytes).unwrap();
        let written = pieces.write(std::slice::from_raw_parts(from.cast(), bytes));
        i64::try_from(written).unwrap()
    }
}

unsafe extern "C" fn read(stream: *const clap_istream, to: *mut c_void, bytes: u64) -> i64 {
    // SAFETY: a stream made above, and room for as many bytes as the plug-in says.
    unsafe {
        let pieces = &*(*stream).ctx.cast::<Pieces>();
        let piece = pieces.read(usize::try_from(bytes).unwrap());
        ptr::copy_nonoverlapping(piece.as_ptr(), to.cast(), piece.len());
        i64::try_from(piece.len()).unwrap()
    }
}

fn event(&Event { frame, id, value }: &Event) -> clap_event_param_value {
    clap_event_param_value {
        header: clap_event_header {
            size: size_of::<clap_event_param_value>() as u32,
            time: frame,
            space_id: CLAP_CORE_EVENT_SPACE_ID,
            type_: CLAP_EVENT_PARAM_VALUE,
            flags: 0,
        },
        param_id: id,
        cookie: ptr::null_mut(),
        note_id: -1,
        port_index: -1,
        channel: -1,
        key: -1,
        value,
    }
}

unsafe extern "C" fn size(list: *const clap_input_events) -> u32 {
    // SAFETY: the list that `process` makes, whose `ctx` is this vector.
    unsafe { (*(*list).ctx.cast::<Vec<clap_event_param_value>>()).len() as u32 }
}

unsafe extern "C" fn get(list: *const clap_input_events, index: u32) -> *const clap_event_header {
    // SAFETY: the list that `process` makes, whose `ctx` is this vector.
    let events = unsafe { &*(*list).ctx.cast::<Vec<clap_event_param_value>>() };
    (&raw const events[index as usize]).cast()
}

unsafe extern "C" fn two(_: *const clap_input_events) -> u32 {
    2
}

unsafe extern "C" fn get_second(
    list: *const clap_input_events,
    index: u32,
) -> *const clap_event_header {
    if index == 0 {
        return ptr::null();
    }
    // SAFETY: the list that `flush_behind_nothing` makes, whose `ctx` is its one event.
    unsafe { (*list).ctx.cast_const().cast() }
}

unsafe extern "C" fn drop_event(_: *const clap_output_events, _: *const clap_event_header) -> bool {
    true
}
