//! An instance of the plug-in as a VST3 host has it: what is set and saved.
//!
//! The framework's class is held as a plain value and called through the traits that it implements:
//! there is one object for the host, and it is ours. Whatever the framework does not do right for a
//! host can be done here, method by method.

use super::super::known::Known;
use super::super::ports::Ports;
use super::curves::Curves;
use super::forward::forward;
use super::handler::Handler;
use super::view::View;
use crate::Crestline;
use crate::lock::lock_by_asking;
use crate::params::{CrestlineParams, EditBy};
use nice_plug::wrapper::vst3::Wrapper;
use nice_plug::wrapper::vst3::vst3::Class;
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    BusDirection, BusDirections_, BusInfo, ChannelContext::IInfoListener, IAudioProcessor,
    IAudioProcessorTrait, IComponent, IComponentHandler, IComponentTrait, IEditController,
    IEditControllerTrait, IMidiMapping, INoteExpressionController, IProcessContextRequirements,
    IUnitInfo, IoMode, MediaType, ParamID, ParamValue, ParameterInfo, RoutingInfo,
    SpeakerArrangement, String128, TChar,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    FIDString, IBStream, IPlugView, TBool, TUID, int32, kInvalidArgument, kResultOk, tresult,
};
use std::mem::MaybeUninit;
use std::sync::Arc;
use try_lock::{Locked, TryLock};

/// Flags of parameters that nobody sets, and of those that hosts do not show
/// (`ivsteditcontroller.h`, `kIsReadOnly` and `kIsHidden`).
const READ_ONLY: int32 = 1 << 1;
const HIDDEN: int32 = 1 << 4;
const SPACE: TChar = 0x20;

/// The plug-in: the framework's class, and what the guard knows of its ports and parameters.
pub struct Instance {
    pub(super) framework: Wrapper<Crestline>,
    pub(super) params: Known,
    /// Used in `process` alone.
    pub(super) curves: TryLock<Curves>,
    /// Set up in `setupProcessing` and `setActive`; `None` before. The audio thread never waits for
    /// it.
    pub(super) ports: TryLock<Option<Ports>>,
    handler: Arc<Handler>,
}

impl Class for Instance {
    /// Those of the framework's class.
    type Interfaces = (
        IComponent,
        IEditController,
        IAudioProcessor,
        IMidiMapping,
        INoteExpressionController,
        IProcessContextRequirements,
        IUnitInfo,
        IInfoListener,
    );
}

impl Drop for Instance {
    fn drop(&mut self) {
        #[cfg(target_os = "linux")]
        self.params.params().queued.finish();
        self.params.params().edits.end();
        self.handler.release();
    }
}

impl Instance {
    pub fn new() -> Self {
        let (framework, params) = CrestlineParams::of_made(Wrapper::<Crestline>::new);
        // SAFETY: calls as the interface has them; what is returned with success is filled in.
        let ids: Vec<ParamID> = unsafe {
            let id = |index| {
                let mut info = MaybeUninit::<ParameterInfo>::uninit();
                (framework.getParameterInfo(index, info.as_mut_ptr()) == kResultOk)
                    .then(|| info.assume_init().id)
            };
            (0..framework.getParameterCount()).filter_map(id).collect()
        };
        params.edits.tell_brought(ids.len());
        let handler = Arc::new(Handler::default());
        let told = Arc::clone(&handler);
        params.unsaved.tell_with(move || told.tell_unsaved());
        Self {
            curves: TryLock::new(Curves::new(ids.len())),
            params: Known::new(params, ids),
            framework,
            ports: TryLock::new(None),
            handler,
        }
    }

    /// For every thread but the audio thread.
    pub(super) fn ports(&self) -> Locked<'_, Option<Ports>> {
        lock_by_asking(&self.ports)
    }

    /// Channels of each bus: the plug-in's layouts have buses of one width.
    fn channels(&self) -> usize {
        let mut speakers: SpeakerArrangement = 0;
        #[allow(
            clippy::cast_possible_wrap,
            reason = "whether the binding's 0 has a sign depends on the system"
        )]
        let input = BusDirections_::kInput as BusDirection;
        // SAFETY: the arrangement is written to a place of ours.
        unsafe {
            self.framework
                .getBusArrangement(input, 0, &raw mut speakers);
        }
        speakers.count_ones() as usize
    }
}

impl IComponentTrait for Instance {
    unsafe fn setActive(&self, state: TBool) -> tresult {
        // Without ports a block beside this is refused: the framework ends the process over one that
        // comes while it sets itself up. Nothing is held, for the host may come back meanwhile.
        let kept = self.ports().take();
        // SAFETY: the host's promise.
        let result = unsafe { self.framework.setActive(state) };
        let activated = state != 0 && result == kResultOk;
        let channels = activated.then(|| self.channels());
        let mut ports = self.ports();
        if ports.is_none() {
            *ports = kept;
        }
        if let Some((ports, channels)) = ports.as_mut().zip(channels) {
            ports.set_channels(channels);
        }
        result
    }

    unsafe fn setState(&self, state: *mut IBStream) -> tresult {
        let params = self.params.params();
        params.loading.during(|| {
            // SAFETY: the host's promise.
            let result = unsafe { IComponentTrait::setState(&self.framework, state) };
            if result == kResultOk {
                params.loaded();
            }
            result
        })
    }

    /// Saves what the user sees, also what the host has not brought back yet.
    unsafe fn getState(&self, state: *mut IBStream) -> tresult {
        self.params.params().settle_all();
        // SAFETY: the host's promise.
        unsafe { IComponentTrait::getState(&self.framework, state) }
    }

    forward! { IComponentTrait:
        fn getControllerClassId(class: *mut TUID) -> tresult;
        fn setIoMode(mode: IoMode) -> tresult;
        fn getBusCount(media: MediaType, direction: BusDirection) -> int32;
        fn getBusInfo(
            media: MediaType, direction: BusDirection, index: int32, info: *mut BusInfo
        ) -> tresult;
        fn getRoutingInfo(input: *mut RoutingInfo, output: *mut RoutingInfo) -> tresult;
        fn activateBus(
            media: MediaType, direction: BusDirection, index: int32, state: TBool
        ) -> tresult;
    }
}

impl IEditControllerTrait for Instance {
    unsafe fn getParameterInfo(&self, index: int32, info: *mut ParameterInfo) -> tresult {
        // SAFETY: the host's promise.
        unsafe {
            // The framework looks for a parameter one past the last, and ends the host's process
            // over it.
            if index >= self.framework.getParameterCount() {
                return kInvalidArgument;
            }
            let result = self.framework.getParameterInfo(index, info);
            // It knows read-only parameters as hidden ones alone: ours are there to be seen.
            if result == kResultOk && (*info).flags & READ_ONLY != 0 {
                (*info).flags &= !HIDDEN;
            }
            // It puts a space before the unit, and so do hosts.
            if result == kResultOk && (*info).units[0] == SPACE {
                (*info).units.rotate_left(1);
                (*info).units[127] = 0;
            }
            result
        }
    }

    unsafe fn getParamNormalized(&self, id: ParamID) -> ParamValue {
        if let Some((value, _)) = self.params.reading(id) {
            return value.into();
        }
        let index = self.params.index(id);
        match index.and_then(|index| self.params.params().awaited(index)) {
            Some(value) => value.into(),
            // SAFETY: the host's promise.
            None => unsafe { self.framework.getParamNormalized(id) },
        }
    }

    /// The framework takes no value while audio runs, as the host brings it with a block. Until
    /// then it is known here, to be told and saved.
    unsafe fn setParamNormalized(&self, id: ParamID, value: ParamValue) -> tresult {
        if self.params.reading(id).is_some() {
            // The host repeats what it has been told.
            return kResultOk;
        }
        // SAFETY: the host's promise.
        let result = unsafe { self.framework.setParamNormalized(id, value) };
        if result == kResultOk
            && value.is_finite()
            && let Some(index) = self.params.index(id)
        {
            let params = self.params.params();
            params.edited(index, value as f32, EditBy::Host);
        }
        result
    }

    unsafe fn setComponentHandler(&self, handler: *mut IComponentHandler) -> tresult {
        // SAFETY: the host's promise.
        unsafe {
            self.handler.set(handler);
            self.framework.setComponentHandler(handler)
        }
    }

    forward! { IEditControllerTrait:
        fn setComponentState(state: *mut IBStream) -> tresult;
        fn setState(state: *mut IBStream) -> tresult;
        fn getState(state: *mut IBStream) -> tresult;
        fn getParameterCount() -> int32;
        fn getParamStringByValue(
            id: ParamID, value: ParamValue, string: *mut String128
        ) -> tresult;
        fn getParamValueByString(
            id: ParamID, string: *mut TChar, value: *mut ParamValue
        ) -> tresult;
        fn normalizedParamToPlain(id: ParamID, value: ParamValue) -> ParamValue;
        fn plainParamToNormalized(id: ParamID, value: ParamValue) -> ParamValue;
    }

    unsafe fn createView(&self, name: FIDString) -> *mut IPlugView {
        // SAFETY: the host's promise; a view of which one reference is the caller's.
        unsafe { View::around(self.framework.createView(name), self.params.shared()) }
    }
}
