//! The editor on a stage: a real engine behind it, a host that does as it is told and writes
//! everything down, and a camera.

use std::path::Path;
use std::sync::{Arc, Mutex};

use crate::picture;
use crestline_core::engine::{Engine, EngineSpec, Settings};
use crestline_core::handover::{
    AudioEnd, AuditionLoop, AuditionSender, Snapshot, audition, handover,
};
use crestline_core::session::forecast::{Forecasted, Forecaster};
use crestline_core::session::reference::Beside;
use crestline_plugin::editor::install;
use crestline_plugin::editor::{Files, View};
use crestline_plugin::params::CrestlineParams;
use egui::{
    Align2, Color32, Event, FontId, Id, LayerId, Modifiers, Order, PointerButton, Pos2, Stroke,
};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use image::RgbaImage;
use nice_plug::prelude::{
    FloatParam, GuiContextInner, ParamPtr, ParamSetter, PluginApi, PluginState,
};

/// Sample rate of the stage, Hz.
pub const RATE_HZ: f64 = 48_000.0;
const BLOCK: usize = 480;

/// What the host was told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum HostCall {
    /// A gesture begins.
    Begin(ParamPtr),
    /// A normalized value within a gesture.
    Set(ParamPtr, f32),
    /// The gesture ends.
    End(ParamPtr),
}

/// A host that remembers every gesture, and follows it at once or when it is told to: most bring
/// what is set with a later block.
#[derive(Default)]
pub struct Host {
    calls: Mutex<Vec<HostCall>>,
    /// What has been set and not brought; `None` while everything is brought at once.
    late: Mutex<Option<Vec<(ParamPtr, f32)>>>,
    /// What it does at the end of the next gesture, before it comes back from being told.
    does: Mutex<Option<Box<dyn FnOnce() + Send>>>,
}

impl Host {
    /// Has it do this when it is next told of the end of a gesture, within that call.
    pub fn then(&self, does: impl FnOnce() + Send + 'static) {
        *self.does.lock().unwrap() = Some(Box::new(does));
    }

    /// What was told since the last time.
    pub fn take(&self) -> Vec<HostCall> {
        std::mem::take(&mut self.calls.lock().unwrap())
    }

    /// From now on brings nothing by itself.
    pub fn hold_back(&self) {
        self.late.lock().unwrap().get_or_insert_default();
    }

    /// Brings the next value that is held back, if any.
    pub fn bring_one(&self) -> bool {
        let mut late = self.late.lock().unwrap();
        let held = late
            .iter_mut()
            .find_map(|held| (!held.is_empty()).then(|| held.remove(0)));
        if let Some((param, normalized)) = held {
            Stage::set(param, normalized);
        }
        held.is_some()
    }

    fn note(&self, call: HostCall) {
        self.calls.lock().unwrap().push(call);
    }
}

#[expect(
    unsafe_code,
    reason = "the framework's trait has unsafe methods, and writes values through raw pointers only"
)]
impl GuiContextInner for Host {
    fn plugin_api(&self) -> PluginApi {
        PluginApi::Clap
    }

    unsafe fn raw_begin_set_parameter(&self, param: ParamPtr) {
        self.note(HostCall::Begin(param));
    }

    unsafe fn raw_set_parameter_normalized(&self, param: ParamPtr, normalized: f32) {
        self.note(HostCall::Set(param, normalized));
        match &mut *self.late.lock().unwrap() {
            Some(late) => late.push((param, normalized)),
            None => Stage::set(param, normalized),
        }
    }

    unsafe fn raw_end_set_parameter(&self, param: ParamPtr) {
        self.note(HostCall::End(param));
        let does = self.does.lock().unwrap().take();
        if let Some(does) = does {
            does();
        }
    }

    fn get_state(&self) -> PluginState {
        unreachable!("the editor asks for no state")
    }

    fn set_state(&self, _state: PluginState) {
        unreachable!("the editor sets no state")
    }

    fn request_restart(&self) {
        unreachable!("the editor restarts nothing")
    }
}

/// Everything behind the window.
pub struct Stage {
    /// The parameters.
    pub params: Arc<CrestlineParams>,
    /// What the host was told.
    pub host: Arc<Host>,
    /// The audio thread's half.
    pub audio: AudioEnd,
    /// Whether the host's transport runs while audio is played.
    pub transport: bool,
    /// Places that are numbered from 1 on over the editor, for pictures that are explained; points.
    pub numbered: Vec<[f32; 2]>,
    view: View,
    engine: Engine,
    references: AuditionSender,
    played: usize,
}

impl Default for Stage {
    /// A new instance, its first text read.
    fn default() -> Self {
        let stage = Self::first_opened();
        stage
            .params
            .session
            .update(|session| session.introduced = true);
        stage
    }
}

impl Stage {
    /// A new instance whose editor has never been opened.
    pub fn first_opened() -> Self {
        let params = Arc::new(CrestlineParams::default());
        let (audio, end) = handover();
        let (references, receiver) = audition();
        Self {
            // Nothing of this user's is read or written.
            view: View::new(Arc::clone(&params), end).with_files(Files::default()),
            params,
            host: Arc::default(),
            audio,
            engine: Engine::new(EngineSpec {
                sample_rate_hz: RATE_HZ,
                channels: 2,
            })
            .with_undo()
            .with_audition(receiver),
            references,
            transport: true,
            numbered: Vec::new(),
            played: 0,
        }
    }

    /// The same with places for its files.
    #[must_use]
    pub fn with_files(mut self, files: Files) -> Self {
        self.view = self.view.with_files(files);
        self
    }

    /// The same with forecasts.
    #[must_use]
    pub fn with_forecaster(mut self, forecaster: Forecaster) -> Self {
        self.view = self.view.with_forecaster(forecaster);
        self
    }

    /// The same with a forecast that has been made.
    #[must_use]
    pub fn with_forecast(mut self, found: Forecasted) -> Self {
        self.view = self.view.with_forecast(found);
        self
    }

    /// The same with a comparison with a reference that has been made.
    #[must_use]
    pub fn with_beside(mut self, found: Beside) -> Self {
        self.view = self.view.with_beside(found);
        self
    }

    /// Has a file measured as the reference.
    pub fn load_reference(&mut self, path: &Path) {
        self.view.load_reference(path);
    }

    /// Sets a parameter as a host's automation would.
    fn set(param: ParamPtr, normalized: f32) {
        #[expect(
            unsafe_code,
            reason = "the framework writes values through raw pointers only"
        )]
        // SAFETY: the stage keeps the parameters alive.
        unsafe {
            param._internal_set_normalized_value(normalized)
        };
    }

    /// Sets a parameter to a plain value.
    pub fn set_plain<P: nice_plug::prelude::Param>(
        &self,
        param: impl Fn(&CrestlineParams) -> &P,
        value: P::Plain,
    ) {
        let param = param(&self.params);
        Self::set(param.as_ptr(), param.preview_normalized(value));
    }

    /// Runs the engine over left and right, as a host would, and tells the editor.
    pub fn play(&mut self, channels: [&[f32]; 2]) {
        let settings = Settings {
            chain: self.params.chain_settings(),
            listen: self.params.listen_settings(),
            playing: self.transport,
            ..Settings::default()
        };
        let [mut left, mut right] = [[0.0; BLOCK]; 2];
        for (from_left, from_right) in channels[0].chunks(BLOCK).zip(channels[1].chunks(BLOCK)) {
            let frames = from_left.len();
            left[..frames].copy_from_slice(from_left);
            right[..frames].copy_from_slice(from_right);
            let mut main = [&mut left[..frames], &mut right[..frames]];
            let position_s = self.played as f64 / RATE_HZ;
            self.engine.process_and_record(
                &mut main,
                &[],
                &settings,
                Some(position_s),
                &mut self.audio,
            );
            self.played += frames;
        }
        self.audio.publish(self.engine.snapshot());
    }

    /// Has these planes to listen to as a reference, from what is played next on; nothing if there
    /// are none.
    pub fn refer_to(&mut self, planes: Vec<Vec<f32>>) {
        if planes.is_empty() {
            self.references.clear();
        } else {
            let made = AuditionLoop::new(RATE_HZ, 2, planes).unwrap();
            self.references.send(made).unwrap();
        }
    }

    /// The window has been closed and is opened again.
    pub fn reopen(&mut self) {
        self.view.opened();
    }

    /// Draws one frame over all of `ui`.
    pub fn draw(&mut self, ui: &mut egui::Ui) {
        self.view.ui(ui, &ParamSetter::new(&*self.host));
        let painter = ui
            .ctx()
            .layer_painter(LayerId::new(Order::Foreground, Id::unique("numbers")));
        for (number, place) in (1..).zip(&self.numbered) {
            let font = FontId::proportional(15.0);
            painter.circle(
                (*place).into(),
                12.0,
                Color32::WHITE,
                Stroke::new(2.0, Color32::BLACK),
            );
            painter.text(
                (*place).into(),
                Align2::CENTER_CENTER,
                format!("{number}"),
                font,
                Color32::BLACK,
            );
        }
    }

    /// What the editor was last told.
    pub fn snapshot(&self) -> Snapshot {
        self.engine.snapshot()
    }

    /// Forgets what was measured, as the plug-in does when asked to.
    pub fn answer_restart(&mut self) -> bool {
        let asked = self.audio.restart_requested();
        if asked {
            self.engine.restart_recorded(&mut self.audio);
            self.audio.publish(self.engine.snapshot());
        }
        asked
    }

    /// Takes a restart back, as the plug-in does when asked to.
    pub fn answer_undo(&mut self) -> bool {
        let asked = self.audio.undo_requested() && self.engine.undo_restart(&mut self.audio);
        self.audio.publish(self.engine.snapshot());
        asked
    }

    /// Forgets the samples that were no audio, as the plug-in does when asked to.
    pub fn answer_clear_faults(&mut self) -> bool {
        let asked = self.audio.clear_faults_requested();
        if asked {
            self.engine.clear_faults();
            self.audio.publish(self.engine.snapshot());
        }
        asked
    }

    /// Clears the peaks over full scale, as the plug-in does when asked to.
    pub fn answer_clear_overs(&mut self) -> bool {
        let asked = self.audio.clear_overs_requested();
        if asked {
            self.engine.clear_overs();
            self.audio.publish(self.engine.snapshot());
        }
        asked
    }
}

/// Opens the window at `size` points, drawn with `pixels_per_point`.
pub fn open(stage: Stage, size: [f32; 2], pixels_per_point: f32) -> Harness<'static, Stage> {
    let mut harness = Harness::builder()
        .with_size(size)
        .with_pixels_per_point(pixels_per_point)
        .with_step_dt(1.0 / 60.0)
        .with_max_steps(64)
        .with_render_cursor(false)
        .with_context_setup(install)
        .renderer(picture::Picture::default())
        .build_ui_state(|ui, stage: &mut Stage| stage.draw(ui), stage);
    harness.run_steps(3);
    harness
}

/// The window as it is now.
pub fn picture_of(harness: &mut Harness<'_, Stage>) -> RgbaImage {
    harness.render().unwrap()
}

/// The usual size of the window, points.
pub const SIZE: [f32; 2] = [1_180.0, 820.0];

/// The window of a new instance.
pub fn opened() -> Harness<'static, Stage> {
    open(Stage::default(), SIZE, 1.0)
}

/// The main button pressed or let go there.
pub fn button(at: Pos2, pressed: bool) -> Event {
    Event::PointerButton {
        pos: at,
        button: PointerButton::Primary,
        pressed,
        modifiers: Modifiers::NONE,
    }
}

/// What the host was told since the last time.
pub fn sent_to_host(harness: &Harness<'_, Stage>) -> Vec<HostCall> {
    harness.state().host.take()
}

/// One whole gesture for `param` that ends at `value`.
pub fn assert_gesture(calls: &[HostCall], param: ParamPtr, value: f32) {
    assert_eq!(calls.first(), Some(&HostCall::Begin(param)));
    assert_eq!(calls.last(), Some(&HostCall::End(param)));
    let within = &calls[1..calls.len() - 1];
    assert!(
        !within.is_empty()
            && within
                .iter()
                .all(|calls| matches!(calls, HostCall::Set(set, _) if *set == param))
    );
    let Some(HostCall::Set(_, last)) = within.last() else {
        unreachable!("checked above")
    };
    assert!((last - value).abs() < 1e-4, "{last} for {value}");
}

/// Every gesture begins once and ends once, and values are set within one; `under_way` of them have
/// not ended.
#[track_caller]
pub fn assert_balanced(calls: &[HostCall], under_way: usize) {
    let mut open = Vec::new();
    for call in calls {
        match call {
            HostCall::Begin(param) => {
                assert!(!open.contains(param), "begun twice: {calls:?}");
                open.push(*param);
            }
            HostCall::Set(param, _) => assert!(open.contains(param), "set outside: {calls:?}"),
            HostCall::End(param) => {
                assert!(open.contains(param), "ended twice: {calls:?}");
                open.retain(|it| it != param);
            }
        }
    }
    assert_eq!(open.len(), under_way, "{calls:?}");
}

/// Where a control is: the stage to be opened and the band to be chosen, if any.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Place {
    /// The stage, as its tile is called.
    pub stage: Option<&'static str>,
    /// The band, as its line is called.
    pub band: Option<&'static str>,
}

impl Place {
    /// In the panel of a stage.
    pub const fn in_stage(stage: &'static str) -> Self {
        Self {
            stage: Some(stage),
            band: None,
        }
    }

    /// Among the controls of a band.
    pub const fn in_band(band: &'static str) -> Self {
        Self {
            stage: Some("bands"),
            band: Some(band),
        }
    }
}

/// The bands, low to high.
pub const BANDS: [&str; 4] = ["low", "low-mid", "high-mid", "high"];

/// What the tracks are, and where.
pub fn tracks(params: &CrestlineParams) -> Vec<(Place, &FloatParam)> {
    let (shelves, bands, saturator, limiter) = (
        &params.shelves,
        &params.bands,
        &params.saturator,
        &params.limiter,
    );
    let in_shelves = Place::in_stage("shelves");
    let in_bands = Place::in_stage("bands");
    let in_saturator = Place::in_stage("saturator");
    let in_limiter = Place::in_stage("limiter");
    let mut tracks = vec![
        (Place::default(), &params.push),
        (in_shelves, &shelves.low_gain),
        (in_shelves, &shelves.low_corner),
        (in_shelves, &shelves.high_gain),
        (in_shelves, &shelves.high_corner),
        (in_bands, &bands.low_crossover),
        (in_bands, &bands.mid_crossover),
        (in_bands, &bands.high_crossover),
        (in_saturator, &saturator.shoulder),
        (in_saturator, &saturator.lean),
        (in_saturator, &saturator.blend),
        (in_limiter, &limiter.ceiling),
        (in_limiter, &limiter.release),
        (in_limiter, &limiter.link),
    ];
    for (band, name) in params.band.iter().zip(BANDS) {
        let params = [
            &band.threshold,
            &band.ratio,
            &band.knee,
            &band.attack,
            &band.release,
            &band.makeup,
        ];
        tracks.extend(params.map(|param| (Place::in_band(name), param)));
    }
    tracks
}

/// Opens the stage and chooses the band.
pub fn lead_to(harness: &mut Harness<'_, Stage>, place: Place) {
    if let Some(stage) = place.stage {
        let closed = format!("Open {stage}");
        if let Some(button) = harness.query_by_label(&closed) {
            button.click();
        }
        harness.run_steps(3);
    }
    if let Some(band) = place.band {
        harness
            .get_by_label(&format!("Show the {band} band"))
            .click();
        harness.run_steps(2);
    }
}

/// The window of a new instance with a stage opened.
pub fn opened_at(stage: &'static str) -> Harness<'static, Stage> {
    let mut harness = opened();
    lead_to(&mut harness, Place::in_stage(stage));
    harness
}

/// Finds each track and looks at it.
pub fn each_track(mut check: impl FnMut(&mut Harness<'_, Stage>, &FloatParam)) {
    let mut harness = opened();
    let params = harness.state().params.clone();
    for (place, param) in tracks(&params) {
        lead_to(&mut harness, place);
        sent_to_host(&harness);
        check(&mut harness, param);
    }
}
