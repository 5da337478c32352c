//! The glue to the plug-in framework: layouts, life-cycle, parameters to settings. It translates,
//! and does nothing else.

mod silence;
mod transport;

use self::silence::Silence;
use self::transport::{Now, Transport};
use crate::editor;
use crate::params::{CrestlineParams, READING_INTERVAL_S};
use crate::saved_state;
use crestline_core::engine::{Engine, EngineSpec, Settings, TapSettings};
use crestline_core::handover::{AudioEnd, EditorEnd, TapComparison, handover, recent, tap};
use crestline_core::measure::RestGain;
use crestline_core::session::forecast::Forecaster;
use nice_plug::prelude::*;
use nice_plug_egui::EguiEditorState;
use std::ops::RangeInclusive;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

/// The plug-in.
pub struct Crestline {
    params: Arc<CrestlineParams>,
    engine: Option<Engine>,
    /// Compares the side-chain with the input for the engine at hand.
    comparison: Option<TapComparison>,
    /// Forecasts from what the engine has heard.
    forecaster: Forecaster,
    audio_end: AudioEnd,
    /// Waits here for the editor, which is made once.
    editor_end: Option<EditorEnd>,
    editor_state: Arc<EguiEditorState>,
    /// The last state of the restart parameter, whose rising edge restarts the measurement as the
    /// start of playback does.
    restart_was_on: bool,
    /// States that the host had loaded by then.
    loads: u32,
    transport: Transport,
    was_offline: bool,
    /// What was set when the last block began.
    were_set: Option<Settings>,
    silence: Silence,
    /// Frames since a snapshot was last told, and since the readings were brought up to date.
    untold_frames: usize,
    unread_frames: usize,
}

/// What the framework is asked to do on another thread.
#[derive(Clone, Copy, Debug)]
pub enum Task {
    /// The host is told, on its main thread, that there is something to save.
    TellUnsaved,
    /// What was queued before is done.
    TellDone,
}

impl Default for Crestline {
    fn default() -> Self {
        let (audio_end, editor_end) = handover();
        Self {
            params: CrestlineParams::for_instance(),
            engine: None,
            comparison: None,
            forecaster: Forecaster::default(),
            audio_end,
            editor_end: Some(editor_end),
            editor_state: editor::window_state(),
            restart_was_on: false,
            loads: 0,
            transport: Transport::default(),
            was_offline: false,
            were_set: None,
            silence: Silence::default(),
            untold_frames: usize::MAX,
            unread_frames: usize::MAX,
        }
    }
}

/// Rates that hosts have. Anything else is refused: it is a mistake, and memory goes by it.
const SAMPLE_RATES_HZ: RangeInclusive<f32> = 8_000.0..=768_000.0;

/// What is measured is told after so many frames: a host that cuts its blocks wherever a parameter
/// changes does not pay for a snapshot a frame.
pub const TOLD_FRAMES: usize = 64;
/// Engines made in this process: instances that hear their frames at once take turns with what takes
/// long.
static TURNS: AtomicU32 = AtomicU32::new(0);

/// A main bus and a side-chain of the same width. The framework can offer no other combination
/// soundly.
const fn layout(channels: u32, side_chain: &'static [NonZeroU32]) -> AudioIOLayout {
    AudioIOLayout {
        main_input_channels: NonZeroU32::new(channels),
        main_output_channels: NonZeroU32::new(channels),
        aux_input_ports: side_chain,
        ..AudioIOLayout::const_default()
    }
}

impl Plugin for Crestline {
    const NAME: &'static str = "Crestline";
    const VENDOR: &'static str = "Crestline";
    const URL: &'static str = "";
    const EMAIL: &'static str = "";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");

    const AUDIO_IO_LAYOUTS: &'static [AudioIOLayout] = &[
        layout(2, &[new_nonzero_u32(2)]),
        layout(1, &[new_nonzero_u32(1)]),
    ];
    const SAMPLE_ACCURATE_AUTOMATION: bool = true;

    type Editor = editor::WindowedEditor;
    type SysExMessage = ();
    type BackgroundTask = Task;

    fn params(&self) -> Arc<dyn Params> {
        self.params.clone()
    }

    fn task_executor(&mut self) -> TaskExecutor<Self> {
        let params = self.params.clone();
        Box::new(move |task| match task {
            Task::TellUnsaved => params.unsaved.tell(),
            Task::TellDone => params.queued.tell_done(),
        })
    }

    fn editor(&mut self, executor: AsyncExecutor<Self>) -> Option<Self::Editor> {
        let background = executor.clone();
        let queued = &self.params.queued;
        queued.post_with(move || background.execute_background(Task::TellDone));
        let unsaved = &self.params.unsaved;
        unsaved.post_with(move || executor.execute_gui(Task::TellUnsaved));
        let app = editor::App::new(
            self.params.clone(),
            self.editor_end.take()?,
            self.forecaster.clone(),
        );
        editor::create(self.editor_state.clone(), self.params.repaint.clone(), app)
    }

    fn filter_state(state: &mut PluginState) {
        saved_state::mend(state);
    }

    fn activate(
        &mut self,
        layout: &AudioIOLayout,
        config: &BufferConfig,
        context: &mut impl ActivateContext<Self>,
    ) -> bool {
        if !SAMPLE_RATES_HZ.contains(&config.sample_rate) {
            return false;
        }
        let channels = layout.main_input_channels.map_or(0, NonZeroU32::get) as usize;
        let spec = EngineSpec {
            sample_rate_hz: f64::from(config.sample_rate),
            channels,
        };
        // Hosts activate again and again without a change; what has been measured must survive
        // that.
        if self.engine.as_ref().map(Engine::spec) != Some(spec) {
            // The memory of the old engine's music may be needed for the new one's.
            let before = self.engine.take();
            let next_measurement = before.as_ref().map(Engine::next_measurement);
            self.forecaster.set_source(None);
            let receiver = self.params.audition.connect(spec.sample_rate_hz, channels);
            let turn = TURNS.fetch_add(1, Ordering::Relaxed);
            let mut engine = Engine::in_turn(spec, turn).with_audition(receiver);
            if let Some(before) = before {
                engine.go_on_from(&before);
            }
            // Without another thread from the system a restart is final.
            let _ = engine.enable_undo_once(self.audio_end.watched());
            // Without another thread from the system everything works but the comparison with the
            // side-chain.
            self.comparison = None;
            if let Ok((writer, comparison)) = tap(spec.sample_rate_hz, spec.channels) {
                engine = engine.with_tap(writer);
                self.comparison = Some(comparison);
            }
            let side_chain = self.comparison.as_ref().map(TapComparison::side_chain);
            self.params.set_side_chain(side_chain);
            self.audio_end.clear_history();
            if let Some(number) = next_measurement {
                engine.number_measurements_from(number);
                // What the old one measured would stand until there is audio.
                let snapshot = engine.snapshot();
                self.params.tap.report.update(&snapshot.tap);
                self.params.show(&snapshot.output.readings);
                self.audio_end.publish(snapshot);
                let repaint = &self.params.repaint;
                repaint.request_repaint_with(self.editor_state.is_open());
                (self.untold_frames, self.unread_frames) = (usize::MAX, usize::MAX);
            }
            self.engine = Some(engine);
        }
        if let Some(engine) = &mut self.engine {
            // Without memory for music everything works but the forecast. Where there was none,
            // others may have given theirs back.
            if !self.forecaster.has_source()
                && let Some((writer, reader)) = recent(spec.sample_rate_hz, spec.channels)
            {
                engine.keep_input(writer);
                self.forecaster.set_source(Some(reader));
            }
            engine.reset();
            context.set_latency_samples(engine.latency_frames() as u32);
        }
        self.params.unsaved.set_active(true);
        true
    }

    fn reset(&mut self) {
        if let Some(engine) = &mut self.engine {
            engine.reset();
        }
        self.silence.reset();
    }

    fn stop_processing(&mut self) {
        self.params.rendering.end();
    }

    fn deactivate(&mut self) {
        self.params.unsaved.set_active(false);
        self.params.rendering.end();
    }

    fn process(
        &mut self,
        buffer: &mut Buffer<'_>,
        aux: &mut AuxiliaryBuffers<'_>,
        context: &mut impl ProcessContext<Self>,
    ) -> ProcessStatus {
        let restart = self.restart();
        let Some(engine) = &mut self.engine else {
            return ProcessStatus::Normal;
        };
        self.params.edits.block();
        let frames = buffer.samples();
        let rate_hz = engine.spec().sample_rate_hz;
        // Asked in every block: an end while the transport stood is no later start.
        let ended = self.params.rendering.has_ended();
        let offline = self.params.rendering.is_offline();
        let transport = context.transport();
        let now = Now {
            playing: transport.playing,
            at_s: transport.pos_seconds(),
            block_s: frames as f64 / rate_hz,
            ended,
            offline,
        };
        let started = self.transport.starts(now) && self.params.restart_on_play.value();
        engine.obey(&mut self.audio_end, started || restart);
        self.silence.hear(buffer.as_slice_immutable(), frames);

        // What is written must not begin with a fade from what was listened to.
        if offline && !self.was_offline {
            engine.cut_listening();
        }
        self.was_offline = offline;
        let settings = Settings {
            playing: now.playing,
            ..whole_settings(&self.params, &mut self.were_set)
        };
        let side = side_chain(aux, frames);
        engine.process_and_record(
            buffer.as_slice(),
            &side,
            &settings,
            now.at_s,
            &mut self.audio_end,
        );
        let latency = engine.latency_frames();
        self.tell(frames);
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let second = (rate_hz as usize).max(1);
        let still = self.silence.is_still(frames, second);
        self.params
            .repaint
            .request_repaint_with(self.editor_state.is_open() && !still);
        if self.is_waited_for(&settings, &side, offline) {
            return ProcessStatus::KeepAlive;
        }
        let output = buffer.as_slice_immutable();
        self.silence
            .status(output, &settings.chain, latency, second)
    }
}

impl Crestline {
    /// Whether the restart parameter has been switched on: by a loaded state it is not, which was
    /// saved while it was on and says nothing of now.
    fn restart(&mut self) -> bool {
        let params = &self.params;
        let now = || {
            let loaded = params.restart_loaded.load(Ordering::Relaxed);
            (params.restart.value(), params.edits.loads(), loaded)
        };
        let Some((on, loads, loaded_on)) = params.loading.read(now) else {
            return false;
        };
        if std::mem::replace(&mut self.loads, loads) != loads {
            self.restart_was_on = loaded_on;
        }
        let was_on = std::mem::replace(&mut self.restart_was_on, on);
        on && !was_on
    }

    /// After so many more frames: tells the editor and the host what has been measured, if it is time.
    fn tell(&mut self, frames: usize) {
        let Some(engine) = &mut self.engine else {
            return;
        };
        self.untold_frames = self.untold_frames.saturating_add(frames);
        self.unread_frames = self.unread_frames.saturating_add(frames);
        if self.untold_frames < TOLD_FRAMES {
            return;
        }
        self.untold_frames = 0;
        let snapshot = engine.snapshot();
        self.params.tap.report.update(&snapshot.tap);
        let interval = engine.spec().sample_rate_hz * READING_INTERVAL_S;
        if self.unread_frames as f64 >= interval {
            self.unread_frames = 0;
            self.params.show(&snapshot.output.readings);
        }
        self.audio_end.publish(snapshot);
    }

    /// Whether something goes on beside a silent mix: a reference that is wanted, and may be on its
    /// way, a side-chain that is used, or a transport whose next start must be seen, where measuring begins anew with
    /// playback. Offline nobody listens or looks, and the file would be as much longer.
    fn is_waited_for(&self, settings: &Settings, side: &[&[f32]], offline: bool) -> bool {
        let captured = self.comparison.as_ref();
        let captured = captured.is_some_and(TapComparison::is_captured);
        let sounds = |channel: &&[f32]| channel.iter().any(|sample| *sample != 0.0);
        let used = settings.tap.on || settings.listen.side_chain;
        let side_goes_on = captured || used && side.iter().any(sounds);
        let start_is_awaited = settings.playing && self.params.restart_on_play.value();
        settings.listen.reference || !offline && (side_goes_on || start_is_awaited)
    }
}

/// The side-chain's channels. In a block longer than the host has promised the slices keep an old
/// length: what is not there is silence.
fn side_chain<'a>(aux: &'a mut AuxiliaryBuffers<'_>, frames: usize) -> [&'a [f32]; 2] {
    let mut side: [&[f32]; 2] = [&[]; 2];
    let channels = aux
        .inputs
        .first_mut()
        .map(|port| port.as_slice_immutable())
        .unwrap_or_default();
    for (side, channel) in side.iter_mut().zip(channels) {
        *side = channel.get(..frames).unwrap_or_default();
    }
    side
}

/// What is set, but for the transport; while a state is being loaded, of which a part would be taken
/// else, or modulation is away, what was set before.
fn whole_settings(params: &CrestlineParams, were_set: &mut Option<Settings>) -> Settings {
    let read = || Settings {
        chain: params.chain_settings(),
        listen: params.rendering.listening(params.listen_settings()),
        tap: tap_settings(params),
        playing: false,
    };
    let whole = params.loading.read(|| params.modulation.away.read(read));
    let whole = whole.flatten().or(*were_set);
    *were_set.insert(whole.unwrap_or_else(read))
}

/// What the side-chain is taken for, as the parameters are set.
fn tap_settings(params: &CrestlineParams) -> TapSettings {
    let rest = if params.tap.automatic_rest.value() {
        RestGain::Automatic
    } else {
        RestGain::Known(params.tap.rest_gain.value().into())
    };
    TapSettings {
        on: params.tap.on.value(),
        rest_gain: rest,
    }
}

impl ClapPlugin for Crestline {
    const CLAP_ID: &'static str = "audio.crestline.crestline";
    const CLAP_DESCRIPTION: Option<&'static str> =
        Some("Shows what each decibel of loudness costs, and lets you hear it fairly");
    const CLAP_MANUAL_URL: Option<&'static str> = None;
    const CLAP_SUPPORT_URL: Option<&'static str> = None;
    const CLAP_FEATURES: &'static [ClapFeature] = &[
        ClapFeature::AudioEffect,
        ClapFeature::Analyzer,
        ClapFeature::Limiter,
        ClapFeature::Mastering,
        ClapFeature::Stereo,
        ClapFeature::Mono,
    ];

    fn remote_controls(&self, context: &mut impl RemoteControlsContext) {
        self.params.pages(context);
    }
}

impl Vst3Plugin for Crestline {
    const VST3_CLASS_ID: [u8; 16] = *b"CrestlineMixBus1";
    const VST3_SUBCATEGORIES: &'static [Vst3SubCategory] = &[
        Vst3SubCategory::Fx,
        Vst3SubCategory::Analyzer,
        Vst3SubCategory::Mastering,
    ];
}
