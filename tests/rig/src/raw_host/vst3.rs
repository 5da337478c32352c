//! VST3 in the same process, as far as a test needs a host of it.

#![expect(
    unsafe_code,
    reason = "a host calls a plug-in through tables of C functions"
)]

use super::stream::Pieces;
use super::{Block, Described, RawHost};
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    AudioBusBuffers, AudioBusBuffers__type0, IAudioProcessor, IAudioProcessorTrait, IComponent,
    IComponentTrait, IEditController, IEditControllerTrait, IParamValueQueue,
    IParamValueQueueTrait, IParameterChanges, IParameterChangesTrait, ParamID, ParamValue,
    ParameterInfo, ProcessContext, ProcessContext_::StatesAndFlags_, ProcessData, ProcessSetup,
    SpeakerArr,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    IBStream, IPluginBaseTrait, IPluginFactory, IPluginFactoryTrait, PClassInfo, int32,
    kResultFalse, kResultOk, tresult,
};
use nice_plug::wrapper::vst3::vst3::{Class, ComPtr, ComWrapper, Interface};
use std::cell::{Cell, RefCell};
use std::mem::MaybeUninit;
use std::ptr;

/// Sizes of samples, as `ivstaudioprocessor.h` numbers them.
pub const SINGLE_PRECISION: int32 = 0;
pub const DOUBLE_PRECISION: int32 = 1;
/// What is rendered for, as `ivstaudioprocessor.h` numbers it (1 is ahead of time).
pub const REALTIME: int32 = 0;
pub const OFFLINE: int32 = 2;

/// An instance, held by the interfaces that a host uses.
pub struct RawVst3 {
    pub component: ComPtr<IComponent>,
    pub processor: ComPtr<IAudioProcessor>,
    pub controller: ComPtr<IEditController>,
    is_active: bool,
    pub sample_size: int32,
    /// What the host says that it renders for: [`REALTIME`] or [`OFFLINE`].
    pub process_mode: int32,
    /// What the plug-in has told while it processed: parameters and their normalised values.
    pub told: Vec<(ParamID, ParamValue)>,
    /// Called with each call that is the audio thread's, which it must make.
    pub around: fn(&mut dyn FnMut()),
    silent: u64,
    context: Option<Box<ProcessContext>>,
}

/// The points of some parameters within a block: offset in frames and normalised value.
pub type Points = Vec<(ParamID, Vec<(usize, ParamValue)>)>;

/// The plug-in's factory.
pub fn factory() -> ComPtr<IPluginFactory> {
    crate::keep_the_framework_from_logging();
    assert!(crestline_plugin::export::vst3::module_entry());
    let factory = crestline_plugin::export::vst3::plugin_factory();
    // SAFETY: a reference to a factory, which is ours.
    unsafe { ComPtr::from_raw(factory.cast()).unwrap() }
}

impl RawVst3 {
    /// An instance that has not been set up.
    pub fn inactive() -> Self {
        let factory = factory();
        // SAFETY: calls as the interfaces have them; what is returned with success is filled in.
        let component: ComPtr<IComponent> = unsafe {
            let mut info = MaybeUninit::<PClassInfo>::uninit();
            assert_eq!(factory.countClasses(), 1);
            assert_eq!(factory.getClassInfo(0, info.as_mut_ptr()), kResultOk);
            let class = info.assume_init().cid;
            let mut component = ptr::null_mut();
            let created = factory.createInstance(
                class.as_ptr(),
                IComponent::IID.as_ptr().cast(),
                &raw mut component,
            );
            assert_eq!(created, kResultOk);
            let component: ComPtr<IComponent> = ComPtr::from_raw(component.cast()).unwrap();
            assert_eq!(component.initialize(ptr::null_mut()), kResultOk);
            component
        };
        Self {
            processor: component.cast().unwrap(),
            controller: component.cast().unwrap(),
            component,
            is_active: false,
            sample_size: SINGLE_PRECISION,
            process_mode: REALTIME,
            told: Vec::new(),
            around: |process| process(),
            silent: 0,
            context: None,
        }
    }

    /// An instance with buses of `channels` channels that awaits blocks of up to `max_frames` at 48
    /// kHz.
    pub fn active(channels: usize, max_frames: usize) -> Self {
        let mut host = Self::inactive();
        host.activate(channels, max_frames);
        host
    }

    /// Has the instance await blocks of up to `max_frames` on buses of `channels` channels.
    pub fn activate(&mut self, channels: usize, max_frames: usize) {
        let host = self;
        host.set_up(max_frames);
        let speakers = if channels == 2 {
            SpeakerArr::kStereo
        } else {
            SpeakerArr::kMono
        };
        let (mut inputs, mut outputs) = ([speakers; 2], [speakers; 1]);
        // SAFETY: calls in the order that VST3 asks for, with as many arrangements as are said to
        // be there.
        unsafe {
            let (inputs, outputs) = (inputs.as_mut_ptr(), outputs.as_mut_ptr());
            let arranged = host.processor.setBusArrangements(inputs, 2, outputs, 1);
            assert_eq!(arranged, kResultOk);
            assert_eq!(host.component.setActive(1), kResultOk);
            assert_eq!(host.processor.setProcessing(1), kResultOk);
        }
        host.is_active = true;
    }

    /// Has the instance await no more blocks.
    pub fn deactivate(&mut self) {
        if std::mem::take(&mut self.is_active) {
            // SAFETY: calls in the order that VST3 asks for.
            unsafe {
                self.processor.setProcessing(0);
                self.component.setActive(0);
            }
        }
    }

    /// Uses the instance on a thread of its own, and gives it back with what came of it.
    pub fn on_another_thread<T: Send>(self, work: impl FnOnce(&mut Self) -> T + Send) -> (Self, T) {
        struct Handed(RawVst3);
        // SAFETY: VST3 lets a host use an instance on any thread, one call at a time; there is no
        // other reference to it.
        unsafe impl Send for Handed {}

        let handed = Handed(self);
        let (Handed(host), done) = std::thread::scope(|scope| {
            let used = scope.spawn(move || {
                let mut handed = handed;
                let done = work(&mut handed.0);
                (handed, done)
            });
            used.join().unwrap()
        });
        (host, done)
    }

    /// Says which blocks there will be, up to `max_frames` long, at 48 kHz.
    pub fn set_up(&mut self, max_frames: usize) {
        let mut setup = ProcessSetup {
            processMode: self.process_mode,
            symbolicSampleSize: SINGLE_PRECISION,
            maxSamplesPerBlock: int32::try_from(max_frames).unwrap(),
            sampleRate: 48_000.0,
        };
        // SAFETY: a call as the interface has it.
        let set_up = unsafe { self.processor.setupProcessing(&raw mut setup) };
        assert_eq!(set_up, kResultOk);
    }
}

impl Drop for RawVst3 {
    fn drop(&mut self) {
        self.deactivate();
        // SAFETY: the last call that VST3 asks for; nobody uses the instance any more.
        unsafe { self.component.terminate() };
    }
}

impl RawHost for RawVst3 {
    fn latency(&self) -> usize {
        // SAFETY: a call as the interface has it.
        unsafe { self.processor.getLatencySamples() as usize }
    }

    fn param(&self, name: &str) -> Option<(u32, f64)> {
        // SAFETY: calls as the interface has them; what is returned with success is filled in.
        unsafe {
            (0..self.controller.getParameterCount()).find_map(|index| {
                let mut info = MaybeUninit::<ParameterInfo>::uninit();
                let result = self.controller.getParameterInfo(index, info.as_mut_ptr());
                assert_eq!(result, kResultOk);
                let info = info.assume_init();
                let title = String::from_utf16_lossy(&info.title);
                (title.trim_end_matches('\0') == name)
                    .then(|| (info.id, self.controller.getParamNormalized(info.id)))
            })
        }
    }

    fn param_count(&self) -> u32 {
        // SAFETY: a call as the interface has it.
        u32::try_from(unsafe { self.controller.getParameterCount() }).unwrap()
    }

    fn normalized(&self) -> Vec<f64> {
        let value = |index: u32| {
            let mut info = MaybeUninit::<ParameterInfo>::uninit();
            // SAFETY: calls as the interface has them; what is returned with success is filled in.
            unsafe {
                let result = self
                    .controller
                    .getParameterInfo(index.cast_signed(), info.as_mut_ptr());
                assert_eq!(result, kResultOk);
                self.controller.getParamNormalized(info.assume_init().id)
            }
        };
        (0..self.param_count()).map(value).collect()
    }

    fn knows_param(&self, index: u32) -> bool {
        let mut info = MaybeUninit::uninit();
        // SAFETY: a call as the interface has it, and a place for the answer.
        let result = unsafe {
            self.controller
                .getParameterInfo(index.cast_signed(), info.as_mut_ptr())
        };
        result == kResultOk
    }

    fn tail(&self) -> usize {
        // SAFETY: a call as the interface has it.
        unsafe { self.processor.getTailSamples() as usize }
    }

    fn save_in_pieces(&self, at_most: usize) -> Vec<u8> {
        let pieces = ComWrapper::new(Pieces::new(&[], at_most));
        let stream = pieces.to_com_ptr::<IBStream>().unwrap();
        // SAFETY: a stream that outlives the call.
        let saved = unsafe { self.component.getState(stream.as_com_ref().as_ptr()) };
        assert_eq!(saved, kResultOk);
        pieces.bytes()
    }

    fn load_in_pieces(&self, bytes: &[u8], at_most: usize) -> bool {
        let pieces = ComWrapper::new(Pieces::new(bytes, at_most));
        let stream = pieces.to_com_ptr::<IBStream>().unwrap();
        // SAFETY: a stream that outlives the call.
        unsafe { self.component.setState(stream.as_com_ref().as_ptr()) == kResultOk }
    }

    /// `ivstaudioprocessor.h` knows silence alone.
    fn say_constant(&mut self, channels: u64) {
        self.silent = channels;
    }

    fn play(&mut self) {
        // SAFETY: numbers, for which all zeros are a value.
        let context: ProcessContext = unsafe { std::mem::zeroed() };
        #[allow(
            clippy::unnecessary_cast,
            reason = "whether the binding's flags have a sign depends on the system"
        )]
        let state = StatesAndFlags_::kPlaying as u32;
        self.context = Some(Box::new(ProcessContext {
            state,
            sampleRate: 48_000.0,
            ..context
        }));
    }

    fn locate(&mut self, song_s: f64) {
        let context = self.context.as_mut().unwrap();
        context.projectTimeSamples = (song_s * context.sampleRate) as i64;
    }

    fn set_around(&mut self, around: fn(&mut dyn FnMut())) {
        self.around = around;
    }

    fn process_anew(&mut self) {
        for on in [0, 1] {
            let mut result = kResultFalse;
            (self.around)(&mut || {
                // SAFETY: a number.
                result = unsafe { self.processor.setProcessing(on) };
            });
            assert_eq!(result, kResultOk);
        }
    }

    fn reset(&mut self) {
        self.process_anew();
    }

    fn process(&mut self, block: &mut Block) -> bool {
        let first = |&(id, value): &(u32, f64)| (id, vec![(0, value)]);
        let points = block.changes.iter().map(first).collect();
        self.process_with(block, points)
    }
}

impl RawVst3 {
    /// Has the plug-in process a block with these changes of parameters instead of the block's own;
    /// whether it says that it could.
    pub fn process_with(&mut self, block: &mut Block, points: Points) -> bool {
        let silent = self.silent;
        let describe = |channels, count| AudioBusBuffers {
            numChannels: int32::try_from(count).unwrap(),
            silenceFlags: silent,
            __field0: AudioBusBuffers__type0 {
                channelBuffers32: channels,
            },
        };
        let mut inputs = Described::new(&mut block.inputs, describe);
        let mut outputs = Described::outputs(&mut block.outputs, &inputs, describe);
        let changes = Changes::new(points);
        let changes = changes.to_com_ptr::<IParameterChanges>().unwrap();
        let told = Told::new();
        let output = told.to_com_ptr::<IParameterChanges>().unwrap();
        let mut data = ProcessData {
            processMode: self.process_mode,
            symbolicSampleSize: self.sample_size,
            numSamples: int32::try_from(block.frames).unwrap(),
            numInputs: int32::try_from(inputs.count).unwrap(),
            numOutputs: int32::try_from(outputs.count).unwrap(),
            inputs: inputs.address(),
            outputs: outputs.address(),
            inputParameterChanges: changes.as_com_ref().as_ptr(),
            outputParameterChanges: output.as_com_ref().as_ptr(),
            inputEvents: ptr::null_mut(),
            outputEvents: ptr::null_mut(),
            processContext: match &mut self.context {
                Some(context) => ptr::from_mut(&mut **context),
                None => ptr::null_mut(),
            },
        };
        let mut processed = false;
        (self.around)(&mut || {
            // SAFETY: whatever is described outlives the call; what is not there is null or beyond
            // the end, and the plug-in's to beware of.
            processed = unsafe { self.processor.process(&raw mut data) == kResultOk };
        });
        if let Some(context) = &mut self.context {
            context.projectTimeSamples += i64::try_from(block.frames).unwrap();
        }
        self.told.extend(told.queue.told.borrow_mut().drain(..));
        processed
    }
}

/// Where the plug-in tells of parameters that it has changed.
struct Told {
    queue: ComWrapper<ToldQueue>,
}

/// The queue of whichever parameter was last asked for.
struct ToldQueue {
    id: Cell<ParamID>,
    told: RefCell<Vec<(ParamID, ParamValue)>>,
}

impl Class for Told {
    type Interfaces = (IParameterChanges,);
}

impl Class for ToldQueue {
    type Interfaces = (IParamValueQueue,);
}

impl Told {
    fn new() -> ComWrapper<Self> {
        // Room for all that is told in a block: nothing is to be allocated within it.
        let queue = ComWrapper::new(ToldQueue {
            id: Cell::new(0),
            told: RefCell::new(Vec::with_capacity(64)),
        });
        ComWrapper::new(Self { queue })
    }
}

impl IParameterChangesTrait for Told {
    unsafe fn getParameterCount(&self) -> int32 {
        0
    }

    unsafe fn getParameterData(&self, _index: int32) -> *mut IParamValueQueue {
        ptr::null_mut()
    }

    unsafe fn addParameterData(
        &self,
        id: *const ParamID,
        _index: *mut int32,
    ) -> *mut IParamValueQueue {
        // SAFETY: the plug-in passes a parameter's number.
        self.queue.id.set(unsafe { *id });
        let queue = self.queue.as_com_ref::<IParamValueQueue>().unwrap();
        queue.as_ptr()
    }
}

impl IParamValueQueueTrait for ToldQueue {
    unsafe fn getParameterId(&self) -> ParamID {
        self.id.get()
    }

    unsafe fn getPointCount(&self) -> int32 {
        0
    }

    unsafe fn getPoint(&self, _: int32, _: *mut int32, _: *mut ParamValue) -> tresult {
        kResultFalse
    }

    unsafe fn addPoint(&self, _offset: int32, value: ParamValue, _index: *mut int32) -> tresult {
        self.told.borrow_mut().push((self.id.get(), value));
        kResultOk
    }
}

/// Changes of parameters, a queue of points each.
struct Changes {
    queues: Vec<ComWrapper<Queue>>,
}

struct Queue {
    id: ParamID,
    points: Vec<(usize, ParamValue)>,
}

impl Class for Changes {
    type Interfaces = (IParameterChanges,);
}

impl Class for Queue {
    type Interfaces = (IParamValueQueue,);
}

impl Changes {
    fn new(points: Points) -> ComWrapper<Self> {
        let queue = |(id, points)| ComWrapper::new(Queue { id, points });
        ComWrapper::new(Self {
            queues: points.into_iter().map(queue).collect(),
        })
    }
}

impl IParameterChangesTrait for Changes {
    unsafe fn getParameterCount(&self) -> int32 {
        int32::try_from(self.queues.len()).unwrap()
    }

    unsafe fn getParameterData(&self, index: int32) -> *mut IParamValueQueue {
        let queue = usize::try_from(index)
            .ok()
            .and_then(|index| self.queues.get(index));
        let queue = queue.and_then(ComWrapper::as_com_ref::<IParamValueQueue>);
        queue.map_or(ptr::null_mut(), |queue| queue.as_ptr())
    }

    unsafe fn addParameterData(
        &self,
        _id: *const ParamID,
        _index: *mut int32,
    ) -> *mut IParamValueQueue {
        ptr::null_mut()
    }
}

impl IParamValueQueueTrait for Queue {
    unsafe fn getParameterId(&self) -> ParamID {
        self.id
    }

    unsafe fn getPointCount(&self) -> int32 {
        int32::try_from(self.points.len()).unwrap()
    }

    unsafe fn getPoint(&self, index: int32, offset: *mut int32, value: *mut ParamValue) -> tresult {
        let point = usize::try_from(index)
            .ok()
            .and_then(|index| self.points.get(index));
        let Some((frame, set)) = point else {
            return kResultFalse;
        };
        // SAFETY: the plug-in passes places to write to.
        unsafe {
            offset.write(int32::try_from(*frame).unwrap());
            value.write(*set);
        }
        kResultOk
    }

    unsafe fn addPoint(&self, _offset: int32, _value: ParamValue, _index: *mut int32) -> tresult {
        kResultFalse
    }
}
