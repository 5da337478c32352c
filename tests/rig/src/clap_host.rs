//! A small CLAP host inside the calling process: enough to do to the plug-in what hosts do.
//!
//! The plug-in comes either from the library that is linked in, so that the caller's allocator sees
//! what it allocates, or from a bundle. Audio runs on a thread of its own, as it does in hosts.

mod extras;
mod play;
mod window;

use clack_extensions::audio_ports::{AudioPortFlags, AudioPortInfoBuffer, PluginAudioPorts};
use clack_extensions::audio_ports_config::{AudioPortsConfigBuffer, PluginAudioPortsConfig};
use clack_extensions::gui::HostGui;
use clack_extensions::latency::{HostLatency, HostLatencyImpl, PluginLatency};
use clack_extensions::params::{ParamInfoBuffer, ParamInfoFlags, PluginParams};
use clack_extensions::state::{HostState, HostStateImpl, PluginState};
use clack_host::entry::EntryDescriptor;
use clack_host::prelude::*;
pub use extras::Page;
pub use play::{Change, Run};
use std::error::Error;
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

/// What goes wrong while hosting is for a reader, not for a program.
pub type Result<T> = std::result::Result<T, Box<dyn Error>>;

/// The file inside a bundle folder that a host loads.
pub fn plugin_file(bundled: &Path) -> std::path::PathBuf {
    let bundle = bundled.join("Crestline.clap");
    if cfg!(target_os = "macos") {
        bundle.join("Contents/MacOS/Crestline")
    } else {
        bundle
    }
}

/// Requests of the plug-in that wait for the main thread.
#[derive(Default)]
pub struct Requests {
    callback: AtomicBool,
    restart: AtomicBool,
    /// Size that the window would like to have, packed; 0 for none.
    window_size: AtomicU64,
    /// How often it was asked for one.
    resizes_asked: AtomicU64,
    /// It is not to have any other.
    refuses_sizes: AtomicBool,
    /// The plug-in is being activated.
    activating: AtomicBool,
    /// How often it said that its latency has changed, in an activation and outside of one.
    latency_changes: [AtomicU64; 2],
    /// How often it said that there is something to save.
    unsaved: AtomicU64,
}

/// How often the plug-in has said that its latency has changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LatencyChanges {
    /// Within an activation, as it should.
    pub in_turn: u64,
    pub out_of_turn: u64,
}

impl SharedHandler<'_> for Requests {
    fn request_restart(&self) {
        self.restart.store(true, Ordering::Relaxed);
    }
    fn request_process(&self) {}
    fn request_callback(&self) {
        self.callback.store(true, Ordering::Relaxed);
    }
}

/// The main-thread side.
pub struct MainThread<'a>(&'a Requests);

impl<'a> MainThreadHandler<'a> for MainThread<'a> {}
impl HostLatencyImpl for MainThread<'_> {
    /// Latency is asked for whenever it is needed: a change is only counted.
    fn changed(&self) {
        let [in_turn, out_of_turn] = &self.0.latency_changes;
        let place = if self.0.activating.load(Ordering::Relaxed) {
            in_turn
        } else {
            out_of_turn
        };
        place.fetch_add(1, Ordering::Relaxed);
    }
}

impl HostStateImpl for MainThread<'_> {
    fn mark_dirty(&self) {
        self.0.unsaved.fetch_add(1, Ordering::Relaxed);
    }
}

/// The types that belong together.
pub struct Handlers;

impl HostHandlers for Handlers {
    type Shared<'a> = Requests;
    type MainThread<'a> = MainThread<'a>;
    type AudioProcessor<'a> = ();

    fn declare_extensions(builder: &mut HostExtensions<'_, Self>, _: &Requests) {
        builder
            .register::<HostLatency>()
            .register::<HostGui>()
            .register::<HostState>();
    }
}

/// A port, or the ports of a layout.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Port {
    pub name: String,
    pub channels: usize,
    pub is_main: bool,
}

/// A set of ports to choose as a whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Layout {
    pub id: ClapId,
    pub name: String,
    pub input_ports: u32,
    pub main_input_channels: u32,
    pub main_output_channels: u32,
}

/// A parameter; its values are as CLAP sees them.
#[derive(Clone, Debug)]
pub struct Param {
    pub id: ClapId,
    pub name: String,
    /// The group that it belongs to; empty for none.
    pub module: String,
    pub flags: ParamInfoFlags,
    pub range: std::ops::RangeInclusive<f64>,
    pub default: f64,
}

/// One instance of the plug-in in its host.
pub struct ClapHost {
    instance: PluginInstance<Handlers>,
    processor: Option<PluginAudioProcessor<Handlers>>,
    configuration: Option<PluginAudioConfiguration>,
    /// Frames played since the instance was made.
    position: u64,
    /// What the plug-in answered to the last block.
    pub last_status: Option<ProcessStatus>,
}

impl ClapHost {
    /// The plug-in that is linked into this program.
    pub fn linked(entry: &'static EntryDescriptor) -> Result<Self> {
        crate::keep_the_framework_from_logging();
        #[expect(
            unsafe_code,
            reason = "nothing vouches for an entry point but its author"
        )]
        // SAFETY: the entry is the framework's own, and lives as long as the program.
        let entry = unsafe { PluginEntry::load_from_raw(entry, c"Crestline.clap") }?;
        Self::new(&entry)
    }

    /// The plug-in in a file.
    pub fn open(file: &Path) -> Result<Self> {
        #[expect(
            unsafe_code,
            reason = "nothing vouches for a library but whoever built it"
        )]
        // SAFETY: the file is the bundle of this very project.
        let entry = unsafe { PluginEntry::load(file) }?;
        Self::new(&entry)
    }

    fn new(entry: &PluginEntry) -> Result<Self> {
        let factory = entry.get_plugin_factory().ok_or("no plug-in factory")?;
        let descriptor = factory
            .plugin_descriptors()
            .next()
            .ok_or("no plug-in in the factory")?;
        let id = descriptor.id().ok_or("the plug-in has no id")?;
        let about = HostInfo::new("Small host", "Crestline", "", "1")?;
        let instance = PluginInstance::<Handlers>::new(
            |()| Requests::default(),
            |requests| MainThread(requests),
            entry,
            id,
            &about,
        )?;
        Ok(Self {
            instance,
            processor: None,
            configuration: None,
            position: 0,
            last_status: None,
        })
    }

    fn extension<E>(&mut self) -> Result<E>
    where
        E: clack_host::extensions::Extension<
                ExtensionSide = clack_host::extensions::PluginExtensionSide,
            >,
    {
        let found = self.instance.plugin_shared_handle().get_extension();
        found.ok_or_else(|| format!("the plug-in lacks {:?}", E::IDENTIFIERS).into())
    }

    /// Input or output ports of the layout in use.
    pub fn ports(&mut self, input: bool) -> Result<Vec<Port>> {
        let extension: PluginAudioPorts = self.extension()?;
        let handle = self.instance.plugin_handle();
        let mut buffer = AudioPortInfoBuffer::new();
        let port = |index| {
            let info = extension
                .get(&handle, index, input, &mut buffer)
                .ok_or("a port without information")?;
            let is_main = info.flags.contains(AudioPortFlags::IS_MAIN);
            Ok(Port {
                name: text(info.name),
                channels: info.channel_count as usize,
                is_main,
            })
        };
        (0..extension.count(&handle, input)).map(port).collect()
    }

    /// All layouts, the default first.
    pub fn layouts(&mut self) -> Result<Vec<Layout>> {
        let extension: PluginAudioPortsConfig = self.extension()?;
        let handle = self.instance.plugin_handle();
        let mut buffer = AudioPortsConfigBuffer::new();
        let layout = |index| {
            let info = extension
                .get(&handle, index, &mut buffer)
                .ok_or("a layout without information")?;
            Ok(Layout {
                id: info.id,
                name: text(info.name),
                input_ports: info.input_port_count,
                main_input_channels: info.main_input.map_or(0, |port| port.channel_count),
                main_output_channels: info.main_output.map_or(0, |port| port.channel_count),
            })
        };
        (0..extension.count(&handle)).map(layout).collect()
    }

    /// Uses a layout from the next activation on; deactivates.
    pub fn select_layout(&mut self, id: ClapId) -> Result<()> {
        self.deactivate();
        let extension: PluginAudioPortsConfig = self.extension()?;
        Ok(extension.select(&self.instance.plugin_handle(), id)?)
    }

    /// All parameters.
    pub fn params(&mut self) -> Result<Vec<Param>> {
        let extension: PluginParams = self.extension()?;
        let handle = self.instance.plugin_handle();
        let mut buffer = ParamInfoBuffer::new();
        let param = |index| {
            let info = extension
                .get_info(&handle, index, &mut buffer)
                .ok_or("a parameter without information")?;
            Ok(Param {
                id: info.id,
                name: text(info.name),
                module: text(info.module),
                flags: info.flags,
                range: info.min_value..=info.max_value,
                default: info.default_value,
            })
        };
        (0..extension.count(&handle)).map(param).collect()
    }

    /// The parameter of this name.
    pub fn param(&mut self, name: &str) -> Result<Param> {
        let found = self.params()?.into_iter().find(|param| param.name == name);
        found.ok_or_else(|| format!("no parameter is called {name}").into())
    }

    /// The value of a parameter.
    pub fn value(&mut self, id: ClapId) -> Result<f64> {
        let extension: PluginParams = self.extension()?;
        extension
            .get_value(&self.instance.plugin_handle(), id)
            .ok_or_else(|| "a parameter without a value".into())
    }

    /// How a parameter shows a value.
    pub fn text(&mut self, id: ClapId, value: f64) -> Result<String> {
        let extension: PluginParams = self.extension()?;
        let mut buffer = [0; 256];
        Ok(text(extension.value_to_text(
            &self.instance.plugin_handle(),
            id,
            value,
            &mut buffer,
        )?))
    }

    /// The latency that the plug-in reports, in frames.
    pub fn latency(&mut self) -> Result<usize> {
        let extension: PluginLatency = self.extension()?;
        Ok(extension.get(&self.instance.plugin_handle()) as usize)
    }

    /// What the host keeps in its session.
    pub fn save(&mut self) -> Result<Vec<u8>> {
        let extension: PluginState = self.extension()?;
        let mut state = Vec::new();
        extension.save(&self.instance.plugin_handle(), &mut state)?;
        Ok(state)
    }

    /// Gives back what [`save`](Self::save) returned, or something else.
    pub fn load_state(&mut self, mut state: &[u8]) -> Result<()> {
        let extension: PluginState = self.extension()?;
        extension.load(&self.instance.plugin_handle(), &mut state)?;
        self.idle()
    }

    /// Prepares for audio, and restarts the plug-in for as long as it asks for that (as it does
    /// when its latency has changed).
    pub fn activate(&mut self, sample_rate_hz: f64, max_block: usize) -> Result<()> {
        self.deactivate();
        let frames = u32::try_from(max_block)?;
        let range = PluginAudioConfiguration {
            sample_rate: sample_rate_hz,
            min_frames_count: 1,
            max_frames_count: frames,
        };
        self.begin(range)?;
        self.idle()
    }

    fn begin(&mut self, range: PluginAudioConfiguration) -> Result<()> {
        let mark = |instance: &PluginInstance<Handlers>, on| {
            instance.access_shared_handler(|all| all.activating.store(on, Ordering::Relaxed));
        };
        mark(&self.instance, true);
        let activated = self.instance.activate(|_, _| (), range);
        mark(&self.instance, false);
        self.processor = Some(activated?.into());
        self.configuration = Some(range);
        Ok(())
    }

    /// How often the plug-in has said that its latency has changed.
    pub fn latency_changes(&self) -> LatencyChanges {
        self.instance.access_shared_handler(|requests| {
            let [in_turn, out_of_turn] = requests
                .latency_changes
                .each_ref()
                .map(|count| count.load(Ordering::Relaxed));
            LatencyChanges {
                in_turn,
                out_of_turn,
            }
        })
    }

    /// Gives up everything that is only needed for audio.
    pub fn deactivate(&mut self) {
        self.configuration = None;
        if let Some(processor) = self.processor.take() {
            self.instance.deactivate(processor.into_stopped());
        }
    }

    /// Clears what can be heard, as hosts do when playback jumps.
    pub fn reset(&mut self) {
        if let Some(processor) = &mut self.processor {
            processor.reset();
        }
    }

    /// What a host's main thread does between user actions: the callbacks and restarts that the
    /// plug-in has asked for. While audio runs, restarts wait.
    pub fn idle(&mut self) -> Result<()> {
        // More restarts in a row than any plug-in needs to settle.
        for _ in 0..10 {
            if self.asked(|requests| &requests.callback) {
                self.instance.call_on_main_thread_callback();
            } else if self.audio_runs() || !self.asked(|requests| &requests.restart) {
                return Ok(());
            } else if let Some(range) = self.configuration {
                self.deactivate();
                self.begin(range)?;
            }
        }
        Err("the plug-in asks for one restart after the other".into())
    }

    /// Whether the audio thread has the plug-in's processor.
    fn audio_runs(&self) -> bool {
        self.configuration.is_some() && self.processor.is_none()
    }

    fn asked(&self, request: impl for<'a> Fn(&'a Requests) -> &'a AtomicBool) -> bool {
        self.instance
            .access_shared_handler(|requests| request(requests).swap(false, Ordering::Relaxed))
    }

    /// Runs audio through the plug-in on another thread and returns what comes out, one vector a
    /// channel. Processing goes on where the last run has ended.
    pub fn run(&mut self, run: Run<'_>) -> Result<Vec<Vec<f32>>> {
        self.run_during(run, |_| Ok(()))
    }

    /// The same, while the main thread does `work`.
    pub fn run_during(
        &mut self,
        run: Run<'_>,
        work: impl FnOnce(&mut Self) -> Result<()>,
    ) -> Result<Vec<Vec<f32>>> {
        let outputs = self.ports(false)?;
        let side_channels = self.ports(true)?.get(1).map_or(0, |port| port.channels);
        let channels = outputs.first().map_or(0, |port| port.channels);
        if run.main.len() != channels
            || run
                .side_chain
                .is_some_and(|side| side.len() != side_channels)
        {
            return Err("the audio does not have the channels of the ports".into());
        }
        let mut processor = self.processor.take().ok_or("not active")?;
        let position = self.position;
        let played = std::thread::scope(|scope| {
            let thread = std::thread::Builder::new().name("audio".into());
            let played = thread.spawn_scoped(scope, || {
                play::play(&mut processor, &run, side_channels, position)
                    .map_err(|error| error.to_string())
            })?;
            let worked = work(self);
            let played = played
                .join()
                .map_err(|_| "the audio thread has panicked".to_owned());
            worked.map(|()| played)
        });
        self.processor = Some(processor);
        let played: Result<_> = played;
        let (output, status) = played???;
        self.position += output.first().map_or(0, Vec::len) as u64;
        self.last_status = status;
        self.idle()?;
        Ok(output)
    }
}

impl Drop for ClapHost {
    fn drop(&mut self) {
        // An instance that is still active cannot be destroyed.
        self.deactivate();
    }
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}
