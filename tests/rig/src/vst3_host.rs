//! A small VST3 host inside the calling process, and one that is particular: it lists only
//! parameters that can be automated, and drops the edits of all others.
//!
//! It brings edits back as hosts do, with the next block of audio. The rules are those of the
//! headers (`vst/ivsteditcontroller.h`, `vst/ivstparameterchanges.h`).

#![expect(
    unsafe_code,
    reason = "a host calls a plug-in through tables of C functions"
)]

mod frame;

use self::frame::Frame;
use crate::raw_host::stream::Pieces;
use crate::raw_host::vst3::Points;
use crate::raw_host::{Block, Port, Ports, RawVst3};
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    IAudioProcessorTrait, IComponentHandler, IComponentHandler2, IComponentHandler2Trait,
    IComponentHandlerTrait, IComponentTrait, IEditController, IEditControllerTrait, ParamID,
    ParamValue, ParameterInfo, String128, TChar,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    FIDString, IBStream, IPlugFrame, IPlugView, IPlugViewContentScaleSupport,
    IPlugViewContentScaleSupportTrait, IPlugViewTrait, TBool, ViewRect, int32, kNotImplemented,
    kResultFalse, kResultOk, tresult,
};
use nice_plug::wrapper::vst3::vst3::{Class, ComPtr, ComWrapper};
use std::collections::{BTreeMap, BTreeSet};
use std::ffi::c_void;
use std::mem::MaybeUninit;
use std::ptr;
use std::sync::Mutex;
use std::thread::{self, ThreadId};

/// Flags of `ParameterInfo`.
pub const CAN_AUTOMATE: int32 = 1;
pub const READ_ONLY: int32 = 1 << 1;
pub const HIDDEN: int32 = 1 << 4;

/// A parameter as the host lists it.
#[derive(Clone, Debug)]
pub struct Param {
    pub id: ParamID,
    pub name: String,
    pub unit: String,
    pub steps: int32,
    pub flags: int32,
    pub default: ParamValue,
}

impl Param {
    /// Whether a user can be meant to set it.
    pub fn is_free(&self) -> bool {
        self.flags & READ_ONLY == 0
    }
}

/// A point of a parameter's automation.
#[derive(Clone, Copy, Debug)]
pub struct Point {
    pub frame: usize,
    pub id: ParamID,
    pub value: ParamValue,
}

/// One instance of the plug-in in its host.
pub struct Vst3Host {
    pub raw: RawVst3,
    channels: usize,
    handler: ComWrapper<Handler>,
    view: Option<ComPtr<IPlugView>>,
    frame: ComWrapper<Frame>,
    /// Edits that have been brought with a block.
    pub brought: Vec<(ParamID, ParamValue)>,
}

/// What the plug-in's editor speaks to.
struct Handler {
    automatable: BTreeSet<ParamID>,
    /// Edits to be brought with the next block. The plug-in's window may have a thread of its own.
    edits: Mutex<Vec<(ParamID, ParamValue)>>,
    /// How often an edit has begun, and how often one has ended, by parameter.
    gestures: Mutex<BTreeMap<ParamID, [u32; 2]>>,
    /// What the end of an edit is answered with, if with anything: a value of the parameter.
    answer: Mutex<Option<(ComPtr<IEditController>, ParamValue)>>,
    /// The thread on which it was said that there is something to save, each time.
    unsaved: Mutex<Vec<ThreadId>>,
}

impl Class for Handler {
    type Interfaces = (IComponentHandler, IComponentHandler2);
}

impl IComponentHandler2Trait for Handler {
    unsafe fn setDirty(&self, state: TBool) -> tresult {
        if state != 0 {
            self.unsaved.lock().unwrap().push(thread::current().id());
        }
        kResultOk
    }

    unsafe fn requestOpenEditor(&self, _: FIDString) -> tresult {
        kNotImplemented
    }

    unsafe fn startGroupEdit(&self) -> tresult {
        kNotImplemented
    }

    unsafe fn finishGroupEdit(&self) -> tresult {
        kNotImplemented
    }
}

impl IComponentHandlerTrait for Handler {
    unsafe fn beginEdit(&self, id: ParamID) -> tresult {
        self.gestures.lock().unwrap().entry(id).or_default()[0] += 1;
        kResultOk
    }

    unsafe fn performEdit(&self, id: ParamID, value: ParamValue) -> tresult {
        if !self.automatable.contains(&id) {
            return kResultFalse;
        }
        self.edits.lock().unwrap().push((id, value));
        kResultOk
    }

    unsafe fn endEdit(&self, id: ParamID) -> tresult {
        self.gestures.lock().unwrap().entry(id).or_default()[1] += 1;
        let answer = self.answer.lock().unwrap().clone();
        if let Some((controller, value)) = answer {
            // SAFETY: a controller that is counted.
            return unsafe { controller.setParamNormalized(id, value) };
        }
        kResultOk
    }

    unsafe fn restartComponent(&self, _: int32) -> tresult {
        kNotImplemented
    }
}

fn text(letters: &[TChar]) -> String {
    let end = letters.iter().position(|letter| *letter == 0);
    String::from_utf16_lossy(&letters[..end.unwrap_or(letters.len())])
}

impl Vst3Host {
    /// An instance on buses of `channels` channels that awaits blocks of up to `max_frames`.
    pub fn new(channels: usize, max_frames: usize) -> Self {
        let mut raw = RawVst3::inactive();
        let params = params(&raw);
        let automatable = params.iter().filter(|it| it.flags & CAN_AUTOMATE != 0);
        let handler = ComWrapper::new(Handler {
            automatable: automatable.map(|it| it.id).collect(),
            edits: Mutex::default(),
            gestures: Mutex::default(),
            answer: Mutex::default(),
            unsaved: Mutex::default(),
        });
        let to_handler = handler.to_com_ptr::<IComponentHandler>().unwrap();
        // SAFETY: a call as the interface has it.
        let set = unsafe {
            raw.controller
                .setComponentHandler(to_handler.as_com_ref().as_ptr())
        };
        assert_eq!(set, kResultOk);
        raw.activate(channels, max_frames);
        Self {
            raw,
            channels,
            handler,
            view: None,
            frame: ComWrapper::new(Frame::default()),
            brought: Vec::new(),
        }
    }

    /// How often the plug-in has said, on this thread, that there is something to save.
    pub fn times_unsaved(&self) -> usize {
        let here = thread::current().id();
        let unsaved = self.handler.unsaved.lock().unwrap();
        unsaved.iter().filter(|thread| **thread == here).count()
    }

    /// All parameters.
    pub fn params(&self) -> Vec<Param> {
        params(&self.raw)
    }

    /// The parameter of this name.
    pub fn param(&self, name: &str) -> Param {
        let found = self.params().into_iter().find(|param| param.name == name);
        found.expect(name)
    }

    /// The value that the controller tells, normalised.
    pub fn value(&self, id: ParamID) -> ParamValue {
        // SAFETY: a call as the interface has it.
        unsafe { self.raw.controller.getParamNormalized(id) }
    }

    /// How a parameter writes a value, without its unit.
    pub fn text(&self, id: ParamID, value: ParamValue) -> String {
        let mut string: String128 = [0; 128];
        // SAFETY: a place for the answer.
        let result = unsafe {
            self.raw
                .controller
                .getParamStringByValue(id, value, &raw mut string)
        };
        assert_eq!(result, kResultOk);
        text(&string)
    }

    /// The value that a parameter reads in a text, `None` where it refuses.
    pub fn read(&self, id: ParamID, text: &str) -> Option<ParamValue> {
        let mut letters: Vec<TChar> = text.encode_utf16().chain([0]).collect();
        let mut value = 0.0;
        // SAFETY: a text with its end, and a place for the answer.
        let result = unsafe {
            self.raw
                .controller
                .getParamValueByString(id, letters.as_mut_ptr(), &raw mut value)
        };
        (result == kResultOk).then_some(value)
    }

    /// A user's change in the plug-in's editor, as the framework passes it on while audio runs: to
    /// the host alone.
    pub fn edit(&mut self, id: ParamID, value: ParamValue) {
        let handler = self.handler.to_com_ptr::<IComponentHandler>().unwrap();
        // SAFETY: calls in the order that VST3 asks for.
        unsafe {
            handler.beginEdit(id);
            handler.performEdit(id, value);
            handler.endEdit(id);
        }
    }

    /// A user's change in the host's own list: it tells the controller at once, and the processor
    /// with the next block.
    pub fn set(&mut self, id: ParamID, value: ParamValue) {
        self.set_controller(id, value);
        self.handler.edits.lock().unwrap().push((id, value));
    }

    /// Tells the controller alone.
    pub fn set_controller(&mut self, id: ParamID, value: ParamValue) {
        // SAFETY: a call as the interface has it.
        let set = unsafe { self.raw.controller.setParamNormalized(id, value) };
        assert_eq!(set, kResultOk);
    }

    /// What the host keeps in its session.
    pub fn save(&self) -> Vec<u8> {
        let memory = ComWrapper::new(Pieces::default());
        let stream = memory.to_com_ptr::<IBStream>().unwrap();
        // SAFETY: a stream that outlives the call.
        let saved = unsafe { self.raw.component.getState(stream.as_com_ref().as_ptr()) };
        assert_eq!(saved, kResultOk);
        memory.bytes()
    }

    /// Gives back what [`save`](Self::save) returned.
    pub fn load(&mut self, state: &[u8]) {
        let memory = ComWrapper::new(Pieces::new(state, usize::MAX));
        let stream = memory.to_com_ptr::<IBStream>().unwrap();
        // SAFETY: a stream that outlives the call.
        let loaded = unsafe { self.raw.component.setState(stream.as_com_ref().as_ptr()) };
        assert_eq!(loaded, kResultOk);
    }

    /// Opens the plug-in's window within the X11 window `parent`, which must exist until it is
    /// closed.
    pub fn open_window(&mut self, parent: u32) {
        self.open_window_at(parent, None);
    }

    /// The same, and tells the scale first, once the size is known.
    pub fn open_window_at(&mut self, parent: u32, scale: Option<f32>) {
        // SAFETY: calls in the order that VST3 asks for; a reference to a view, which is ours.
        unsafe {
            let view = self.raw.controller.createView(c"editor".as_ptr());
            let view = ComPtr::from_raw(view).unwrap();
            let frame = self.frame.to_com_ptr::<IPlugFrame>().unwrap();
            assert_eq!(view.setFrame(frame.as_com_ref().as_ptr()), kResultOk);
            let mut size = ViewRect {
                left: 0,
                top: 0,
                right: 0,
                bottom: 0,
            };
            assert_eq!(view.getSize(&raw mut size), kResultOk);
            if let Some(scale) = scale {
                tell_scale(&view, scale);
            }
            let parent = ptr::without_provenance_mut::<c_void>(parent as usize);
            let attached = view.attached(parent, c"X11EmbedWindowID".as_ptr());
            assert_eq!(attached, kResultOk);
            self.view = Some(view);
        }
    }

    /// Tells the scale of the screen that the open window is on.
    pub fn tell_scale(&self, scale: f32) {
        tell_scale(self.view.as_ref().unwrap(), scale);
    }

    /// Closes the plug-in's window.
    pub fn close_window(&mut self) {
        if let Some(view) = self.view.take() {
            // SAFETY: a view that is open, and is then given up.
            unsafe {
                view.removed();
                view.setFrame(ptr::null_mut());
            }
        }
    }

    /// What a host's main thread does between user actions.
    pub fn idle(&self) {
        self.frame.round();
    }

    /// Width and height of the open window, pixels.
    pub fn window_size(&self) -> [i32; 2] {
        let mut size = ViewRect {
            left: 0,
            top: 0,
            right: 0,
            bottom: 0,
        };
        let view = self.view.as_ref().unwrap();
        // SAFETY: a place for the answer.
        assert_eq!(unsafe { view.getSize(&raw mut size) }, kResultOk);
        [size.right - size.left, size.bottom - size.top]
    }

    /// Handlers that are registered with the host's event loop.
    pub fn handlers(&self) -> usize {
        self.frame.handlers()
    }

    /// Sizes that the plug-in has asked for.
    pub fn sizes_asked(&self) -> Vec<[i32; 2]> {
        self.frame.asked()
    }

    /// From now on refuses other sizes.
    pub fn refuse_sizes(&self) {
        self.frame.refuses.set(true);
    }

    /// How often the user's hand has begun, and has ended, to change a parameter.
    pub fn gestures(&self, id: ParamID) -> [u32; 2] {
        let all = self.handler.gestures.lock().unwrap();
        all.get(&id).copied().unwrap_or_default()
    }

    /// Stands still, and takes a parameter back to this value where the user's hand lets go, as a host
    /// does that writes automation while it is touched.
    pub fn take_back_to(&self, value: ParamValue) {
        // SAFETY: a call as the interface has it.
        unsafe { self.raw.processor.setProcessing(0) };
        *self.handler.answer.lock().unwrap() = Some((self.raw.controller.clone(), value));
    }

    /// Runs audio through the plug-in, in blocks of these sizes, again and again, and returns what
    /// comes out. The points, in the order of their frames, are passed with their blocks. As in a
    /// host it is not the main thread that does so; that one waits.
    pub fn run(&mut self, main: &[Vec<f32>], sizes: &[usize], points: &[Point]) -> Vec<Vec<f32>> {
        let lent = Lent(self);
        let played = thread::scope(|scope| {
            let audio = move || {
                let Lent(host) = { lent };
                host.run_here(main, sizes, points)
            };
            scope.spawn(audio).join()
        });
        played.unwrap_or_else(|panic| std::panic::resume_unwind(panic))
    }

    fn run_here(&mut self, main: &[Vec<f32>], sizes: &[usize], points: &[Point]) -> Vec<Vec<f32>> {
        assert_eq!(main.len(), self.channels);
        let total = main[0].len();
        let mut output = vec![Vec::with_capacity(total); main.len()];
        let (mut sizes, mut start) = (sizes.iter().cycle(), 0);
        let mut points = points.iter().peekable();
        while start < total {
            let end = total.min(start + sizes.next().unwrap());
            let edits = std::mem::take(&mut *self.handler.edits.lock().unwrap());
            self.brought.extend(&edits);
            let mut changes: Points = edits
                .into_iter()
                .map(|(id, value)| (id, vec![(0, value)]))
                .collect();
            while let Some(point) = points.next_if(|point| point.frame < end) {
                let at = (point.frame - start, point.value);
                match changes.iter_mut().find(|(id, _)| *id == point.id) {
                    Some((_, of_param)) => of_param.push(at),
                    None => changes.push((point.id, vec![at])),
                }
            }
            let input: Vec<_> = main.iter().map(|it| it[start..end].to_vec()).collect();
            let room = vec![vec![0.0; end - start]; main.len()];
            let mut block = Block {
                frames: end - start,
                inputs: Ports::Passed(vec![Port::of(&input)]),
                outputs: Ports::Passed(vec![Port::of(&room)]),
                changes: Vec::new(),
            };
            assert!(self.raw.process_with(&mut block, changes));
            for (output, played) in output.iter_mut().zip(block.outputs.channels()) {
                output.extend(played);
            }
            start = end;
        }
        output
    }
}

/// What one thread has while another waits for it.
struct Lent<'a>(&'a mut Vst3Host);

// SAFETY: nobody else uses it meanwhile, and a plug-in may be called on any thread.
unsafe impl Send for Lent<'_> {}

fn params(host: &RawVst3) -> Vec<Param> {
    // SAFETY: calls as the interface has them; what is returned with success is filled in.
    let param = |index| unsafe {
        let mut info = MaybeUninit::<ParameterInfo>::uninit();
        let told = host.controller.getParameterInfo(index, info.as_mut_ptr());
        assert_eq!(told, kResultOk);
        let info = info.assume_init();
        Param {
            id: info.id,
            name: text(&info.title),
            unit: text(&info.units),
            steps: info.stepCount,
            flags: info.flags,
            default: info.defaultNormalizedValue,
        }
    };
    // SAFETY: a call as the interface has it.
    (0..unsafe { host.controller.getParameterCount() })
        .map(param)
        .collect()
}

fn tell_scale(view: &ComPtr<IPlugView>, scale: f32) {
    let scaled = view.cast::<IPlugViewContentScaleSupport>().unwrap();
    // SAFETY: a number.
    assert_eq!(unsafe { scaled.setContentScaleFactor(scale) }, kResultOk);
}
