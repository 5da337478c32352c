//! An instance of the plug-in as a VST3 host has it: what is set and saved.
//!
//! The framework's class is held as a plain value and called through the traits that it implements:
//! there is one object for the host, and it is ours. Whatever the framework does not do right for a
//! host can be done here, method by method.

use super::super::ports::Ports;
use super::forward::forward;
use crate::Crestline;
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
use std::sync::{Mutex, MutexGuard, PoisonError};

/// The plug-in: the framework's class, and what the guard knows of its ports.
pub struct Instance {
    pub(super) framework: Wrapper<Crestline>,
    /// Set up in `setupProcessing` and `setActive`; `None` before. The audio thread never waits for
    /// it.
    pub(super) ports: Mutex<Option<Ports>>,
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

impl Instance {
    pub fn new() -> Self {
        Self {
            framework: Wrapper::new(),
            ports: Mutex::new(None),
        }
    }

    /// For every thread but the audio thread.
    pub(super) fn ports(&self) -> MutexGuard<'_, Option<Ports>> {
        self.ports.lock().unwrap_or_else(PoisonError::into_inner)
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
        // SAFETY: the host's promise.
        let result = unsafe { self.framework.setActive(state) };
        if state != 0 && result == kResultOk {
            let channels = self.channels();
            if let Some(ports) = self.ports().as_mut() {
                ports.set_channels(channels);
            }
        }
        result
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
        fn setState(state: *mut IBStream) -> tresult;
        fn getState(state: *mut IBStream) -> tresult;
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
            self.framework.getParameterInfo(index, info)
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
        fn getParamNormalized(id: ParamID) -> ParamValue;
        fn setParamNormalized(id: ParamID, value: ParamValue) -> tresult;
        fn setComponentHandler(handler: *mut IComponentHandler) -> tresult;
        fn createView(name: FIDString) -> *mut IPlugView;
    }
}
