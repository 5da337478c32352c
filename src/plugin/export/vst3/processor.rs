//! The audio processor of an instance, which is where the guard stands.

use super::super::denormals::flushed;
use super::super::ports::{self, Channels, Connected, Ports};
use super::curves::{Change, brings};
use super::forward::forward;
use super::instance::Instance;
use crate::lock::processing;
use nice_plug::wrapper::vst3::vst3::ComRef;
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    AudioBusBuffers, AudioBusBuffers__type0, BusDirection, IAudioProcessorTrait,
    IParamValueQueueTrait, IParameterChangesTrait, ProcessData, ProcessSetup, SpeakerArrangement,
    SymbolicSampleSizes_,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    TBool, int32, kInvalidArgument, kNotInitialized, kResultFalse, kResultOk, tresult, uint32,
};
use std::ops::Range;
use std::ptr;

impl IAudioProcessorTrait for Instance {
    unsafe fn setupProcessing(&self, setup: *mut ProcessSetup) -> tresult {
        // SAFETY: null or the host's promise.
        let max_frames =
            unsafe { setup.as_ref() }.map(|setup| usize::try_from(setup.maxSamplesPerBlock));
        let Some(Ok(max_frames)) = max_frames else {
            return kInvalidArgument;
        };
        // SAFETY: the host's promise.
        let result = unsafe { self.framework.setupProcessing(setup) };
        if result == kResultOk {
            let mut ports = self.ports();
            let channels = ports.as_ref().map_or(0, Ports::channels);
            *ports = Some(Ports::new(channels, max_frames));
        }
        result
    }

    unsafe fn process(&self, block: *mut ProcessData) -> tresult {
        // SAFETY: null or the host's promise.
        let Some(block) = (unsafe { block.as_ref() }) else {
            return kInvalidArgument;
        };
        let Ok(frames) = usize::try_from(block.numSamples) else {
            return kInvalidArgument;
        };
        // The plug-in says that it takes `f32` alone; anything else would be misread. Without
        // frames there is nothing to misread.
        #[allow(
            clippy::cast_possible_wrap,
            reason = "whether the binding's 0 has a sign depends on the system"
        )]
        let single_precision = SymbolicSampleSizes_::kSample32 as int32;
        if frames > 0 && block.symbolicSampleSize != single_precision {
            return kInvalidArgument;
        }
        // A host that sets up and processes at once is told so, and not made to wait.
        let Some(mut ports) = self.ports.try_lock() else {
            return kNotInitialized;
        };
        let Some(ports) = ports.as_mut() else {
            return kNotInitialized;
        };
        let Some(mut curves) = self.curves.try_lock() else {
            return kNotInitialized;
        };
        let rendering = &self.params.params().rendering;
        rendering.set_offline(block.processMode == OFFLINE);
        // SAFETY: the block is the host's, for whose truth it vouches; `ports` and `curves` are
        // held until the call has ended.
        let mut process = || unsafe {
            let changes = curves.along(block.inputParameterChanges, frames, &self.params);
            let without = ProcessData {
                inputParameterChanges: ptr::null_mut(),
                ..*block
            };
            processing(|| flushed(|| self.process_guarded(&without, frames, ports, changes)))
        };
        // SAFETY: as above.
        let result = if unsafe { brings(block.inputParameterChanges) } {
            self.params.params().edits.bringing.during(process)
        } else {
            process()
        };
        // SAFETY: as above.
        unsafe { self.tell_readings(block) };
        result
    }

    unsafe fn setProcessing(&self, state: TBool) -> tresult {
        // The framework tells the plug-in of the end in CLAP alone.
        if state == 0 {
            self.params.params().rendering.end();
        }
        // SAFETY: a number.
        unsafe { self.framework.setProcessing(state) }
    }

    /// The framework chooses the layout by the main input alone. A host that asks for a side-chain of
    /// another width, or for none, is told that it does not have all that it asked for, but the main
    /// bus goes first (`ivstaudioprocessor.h`: "requested arrangements for kMain busses should be
    /// handled with more priority than the ones for kAux busses").
    unsafe fn setBusArrangements(
        &self,
        inputs: *mut SpeakerArrangement,
        inputs_count: int32,
        outputs: *mut SpeakerArrangement,
        outputs_count: int32,
    ) -> tresult {
        // SAFETY: the host's, as they are.
        let result = unsafe {
            self.framework
                .setBusArrangements(inputs, inputs_count, outputs, outputs_count)
        };
        if inputs_count == 2 && !inputs.is_null() {
            // SAFETY: the host vouches for as many as it counts.
            let [main, side] = unsafe { [*inputs, *inputs.add(1)] };
            if main.count_ones() != side.count_ones() {
                return kResultFalse;
            }
        }
        result
    }

    forward! { IAudioProcessorTrait:
        fn getBusArrangement(
            direction: BusDirection, index: int32, speakers: *mut SpeakerArrangement
        ) -> tresult;
        fn canProcessSampleSize(size: int32) -> tresult;
        fn getLatencySamples() -> uint32;
        fn getTailSamples() -> uint32;
    }
}

/// `ivstaudioprocessor.h`, `kOffline`.
const OFFLINE: int32 = 2;

impl Instance {
    /// Tells the host of the readings that have changed.
    ///
    /// # Safety
    /// What VST3 has a host promise of a block.
    unsafe fn tell_readings(&self, block: &ProcessData) {
        // SAFETY: null or the host's.
        let Some(changes) = (unsafe { ComRef::from_raw(block.outputParameterChanges) }) else {
            return;
        };
        self.params.tell_changed(|id, value, _| {
            let mut index = 0;
            // SAFETY: the host's lists, and places to write to.
            unsafe {
                let queue = changes.addParameterData(&raw const id, &raw mut index);
                ComRef::from_raw(queue).is_some_and(|queue| {
                    queue.addPoint(0, value.into(), &raw mut index) == kResultOk
                })
            }
        });
    }

    /// Passes the block to the framework in the declared shape, parameters being set at their
    /// frames.
    ///
    /// # Safety
    /// What VST3 has a host promise of a block.
    unsafe fn process_guarded(
        &self,
        block: &ProcessData,
        frames: usize,
        ports: &mut Ports,
        changes: &[Change],
    ) -> tresult {
        // SAFETY: the caller's promise.
        let (main_input, side_chain, main_output) = unsafe {
            (
                bus(block.inputs, block.numInputs, 0),
                bus(block.inputs, block.numInputs, 1),
                bus(block.outputs, block.numOutputs, 0),
            )
        };
        let Some(connected) = ports.connect(main_input, side_chain, main_output, frames) else {
            for change in changes {
                self.params.set(change.index, change.value);
            }
            let mut events_alone = ProcessData {
                numInputs: 0,
                inputs: ptr::null_mut(),
                numOutputs: 0,
                outputs: ptr::null_mut(),
                ..*block
            };
            // SAFETY: the caller's promise; what could be amiss with the buses is gone with them.
            unsafe {
                let result = self.framework.process(&raw mut events_alone);
                ports::silence(main_output, &[], frames);
                set_silence_flags(block, all_silent(main_output.len()));
                return result;
            }
        };
        // SAFETY: the caller's promise.
        unsafe {
            let result = self.process_connected(block, &connected, frames, ports, changes);
            // Nobody writes to the channels that were cut off.
            ports::silence(main_output, &connected.main_output, frames);
            set_silence_flags(block, 0);
            result
        }
    }

    /// # Safety
    /// What VST3 has a host promise of a block, and that the channels are those of the declared
    /// buses.
    unsafe fn process_connected(
        &self,
        block: &ProcessData,
        connected: &Connected,
        frames: usize,
        ports: &Ports,
        changes: &[Change],
    ) -> tresult {
        let mut changes = changes.iter().peekable();
        let mut start = 0;
        loop {
            while let Some(change) = changes.next_if(|change| change.frame <= start) {
                self.params.set(change.index, change.value);
            }
            let end = changes.peek().map_or(frames, |change| change.frame);
            // SAFETY: the caller's promise; the stretch lies within the block.
            let result = unsafe { self.process_stretch(block, connected, start..end, ports) };
            if result != kResultOk || end == frames {
                return result;
            }
            start = end;
        }
    }

    /// # Safety
    /// As above, and that the stretch lies within the block.
    unsafe fn process_stretch(
        &self,
        block: &ProcessData,
        connected: &Connected,
        stretch: Range<usize>,
        ports: &Ports,
    ) -> tresult {
        let channels = ports.channels();
        // SAFETY: the caller's promise.
        let from_start = |channels: Channels| unsafe { channels_from(channels, stretch.start) };
        let mut main_input = from_start(connected.main_input);
        let mut side_chain = connected.side_chain.map(from_start);
        let mut main_output = from_start(connected.main_output);
        let mut inputs = [
            buffers(Some(&mut main_input), channels),
            buffers(side_chain.as_mut(), channels),
        ];
        let mut outputs = [buffers(Some(&mut main_output), channels)];
        // SAFETY: null or the host's.
        let mut context = unsafe { block.processContext.as_ref() }.copied();
        if let Some(context) = &mut context {
            let frames = i64::try_from(stretch.start).unwrap_or(0);
            for time in [
                &mut context.projectTimeSamples,
                &mut context.continousTimeSamples,
            ] {
                *time = time.saturating_add(frames);
            }
        }
        let mut declared = ProcessData {
            #[expect(
                clippy::cast_possible_wrap,
                clippy::cast_possible_truncation,
                reason = "part of a block, whose length is an `int32`"
            )]
            numSamples: stretch.len() as int32,
            numInputs: 2,
            inputs: inputs.as_mut_ptr(),
            numOutputs: 1,
            outputs: outputs.as_mut_ptr(),
            processContext: context.as_mut().map_or(ptr::null_mut(), ptr::from_mut),
            ..*block
        };
        // SAFETY: the caller's promise.
        unsafe { self.framework.process(&raw mut declared) }
    }
}

/// The channel pointers of a bus that the host passed, or none.
///
/// # Safety
/// `buses` is null or points to `count` buses as VST3 has them.
unsafe fn bus<'a>(buses: *const AudioBusBuffers, count: int32, index: usize) -> &'a [*mut f32] {
    let count = usize::try_from(count).unwrap_or(0);
    if buses.is_null() || index >= count {
        return &[];
    }
    // SAFETY: within the host's buses, and otherwise the caller's promise. Both readings of the
    // pointer share its place.
    unsafe {
        let bus = &*buses.add(index);
        let channels = usize::try_from(bus.numChannels).unwrap_or(0);
        ports::passed(bus.__field0.channelBuffers32, channels)
    }
}

/// The same channels from a later frame on; null stays null.
///
/// # Safety
/// Those that are not null are at least so long.
unsafe fn channels_from(channels: Channels, frame: usize) -> Channels {
    channels.map(|channel| {
        if channel.is_null() {
            channel
        } else {
            // SAFETY: the caller's promise.
            unsafe { channel.add(frame) }
        }
    })
}

/// A bus of the declared shape; without channel pointers if there are none.
fn buffers(channels: Option<&mut Channels>, count: usize) -> AudioBusBuffers {
    AudioBusBuffers {
        #[expect(clippy::cast_possible_wrap, reason = "at most `MAX_CHANNELS`")]
        numChannels: count as int32,
        silenceFlags: 0,
        __field0: AudioBusBuffers__type0 {
            channelBuffers32: channels.map_or(ptr::null_mut(), |channels| channels.as_mut_ptr()),
        },
    }
}

/// A set bit for each channel.
fn all_silent(channels: usize) -> u64 {
    let above = u32::try_from(channels)
        .ok()
        .and_then(|channels| 1_u64.checked_shl(channels));
    above.map_or(u64::MAX, |above| above - 1)
}

/// Says which channels of the main output are silent, if it was passed.
///
/// # Safety
/// What VST3 has a host promise of a block.
unsafe fn set_silence_flags(block: &ProcessData, flags: u64) {
    if !block.outputs.is_null() && block.numOutputs > 0 {
        // SAFETY: the first of the host's outputs, which are there to be written to.
        unsafe { (*block.outputs).silenceFlags = flags };
    }
}
