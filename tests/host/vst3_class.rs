//! The VST3 class and its factory, called as a host calls them, in the same process.
//!
//! The rules are those of the headers (`base/funknown.h`, `base/ipluginbase.h`,
//! `vst/ivstcomponent.h`, `vst/ivsteditcontroller.h`).

#![expect(
    clippy::unwrap_used,
    reason = "a test stops at the first thing that goes wrong"
)]
#![expect(
    unsafe_code,
    reason = "an interface is called through a table of C functions"
)]

use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    BusInfo, ChannelContext::IInfoListener, IAudioProcessor, IAudioProcessorTrait, IComponent,
    IComponentTrait, IEditController, IEditControllerTrait, IHostApplication, IMidiMapping,
    INoteExpressionController, IProcessContextRequirements, IUnitInfo, IUnitInfoTrait,
    ParameterInfo, SpeakerArr,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    FIDString, FUnknown, IBStream, IPluginBase, IPluginFactory2, IPluginFactory2Trait,
    IPluginFactory3, IPluginFactoryTrait, PClassInfo, PClassInfo2, kInvalidArgument, kResultFalse,
    kResultOk,
};
use nice_plug::wrapper::vst3::vst3::{ComPtr, ComWrapper, Interface};
use rig::raw_host::stream::Pieces;
use rig::raw_host::vst3::factory;
use rig::raw_host::{Block, Port, Ports, RawHost, RawVst3};
use std::ffi::{CStr, c_void};
use std::mem::MaybeUninit;
use std::ptr;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

/// The address by which an object is known, whatever interface it was reached through.
fn identity<I: Interface>(object: &ComPtr<I>) -> *mut FUnknown {
    object.cast::<FUnknown>().unwrap().as_com_ref().as_ptr()
}

#[test]
fn one_object_has_every_interface_of_the_framework_and_one_identity() {
    let host = RawVst3::inactive();
    let component = &host.component;
    let itself = identity(component);
    macro_rules! has {
        ($($interface:ty),*) => {$(
            let object = component.cast::<$interface>().expect(stringify!($interface));
            assert_eq!(identity(&object), itself, stringify!($interface));
            assert_eq!(identity(&object.cast::<IComponent>().unwrap()), itself);
        )*};
    }
    has!(
        IPluginBase,
        IComponent,
        IEditController,
        IAudioProcessor,
        IMidiMapping,
        INoteExpressionController,
        IProcessContextRequirements,
        IUnitInfo,
        IInfoListener
    );
    assert!(component.cast::<IHostApplication>().is_none());
}

#[test]
fn an_instance_ends_with_its_last_reference() {
    let host = RawVst3::active(2, 64);
    let component = host.component.clone();
    drop(host);
    let last = component.into_raw().cast::<FUnknown>();
    // SAFETY: the last reference, given up.
    assert_eq!(unsafe { ((*(*last).vtbl).release)(last) }, 0);
}

#[test]
fn the_factory_makes_the_one_class_and_no_other() {
    let factory = factory();
    let create = |class: FIDString, interface: &[u8; 16]| {
        let mut object = ptr::without_provenance_mut::<c_void>(1);
        let interface = interface.as_ptr().cast();
        // SAFETY: identifiers of 16 bytes and a place for the answer.
        let result = unsafe { factory.createInstance(class, interface, &raw mut object) };
        // SAFETY: a reference, if there is one, which is ours.
        (result, unsafe {
            ComPtr::<FUnknown>::from_raw(object.cast())
        })
    };
    let class = {
        let mut info = MaybeUninit::<PClassInfo>::uninit();
        // SAFETY: a place for the answer, which is filled in with success.
        unsafe {
            assert_eq!(factory.getClassInfo(0, info.as_mut_ptr()), kResultOk);
            assert_eq!(factory.getClassInfo(1, info.as_mut_ptr()), kInvalidArgument);
            assert_eq!(
                factory.getClassInfo(-1, info.as_mut_ptr()),
                kInvalidArgument
            );
            assert_eq!(factory.getClassInfo(0, ptr::null_mut()), kInvalidArgument);
            info.assume_init().cid
        }
    };
    let (result, object) = create(class.as_ptr(), &FUnknown::IID);
    assert_eq!(result, kResultOk);
    assert!(object.unwrap().cast::<IAudioProcessor>().is_some());
    let (result, object) = create(c"some other class".as_ptr(), &FUnknown::IID);
    assert!(result != kResultOk && object.is_none());
    let (result, object) = create(class.as_ptr(), &IHostApplication::IID);
    assert!(result != kResultOk && object.is_none());
    // SAFETY: null is what a factory has to expect.
    unsafe {
        let nothing = factory.createInstance(ptr::null(), ptr::null(), ptr::null_mut());
        assert_eq!(nothing, kInvalidArgument);
    }
}

#[test]
fn every_version_of_the_factory_tells_of_the_same_class() {
    let factory = factory();
    let second = factory.cast::<IPluginFactory2>().unwrap();
    assert!(factory.cast::<IPluginFactory3>().is_some());
    let (mut first_info, mut second_info) = (
        MaybeUninit::<PClassInfo>::uninit(),
        MaybeUninit::<PClassInfo2>::uninit(),
    );
    // SAFETY: places for the answers, which are filled in with success.
    unsafe {
        assert_eq!(factory.getClassInfo(0, first_info.as_mut_ptr()), kResultOk);
        assert_eq!(second.getClassInfo2(0, second_info.as_mut_ptr()), kResultOk);
        let (first, second) = (first_info.assume_init(), second_info.assume_init());
        assert_eq!(first.cid, second.cid);
        assert_eq!(first.name, second.name);
        // "Audio Module Class" is how VST3 calls what a host can insert (`kVstAudioEffectClass`).
        let category = CStr::from_ptr(first.category.as_ptr());
        assert_eq!(category, c"Audio Module Class");
    }
}

#[test]
fn the_buses_are_a_main_pair_and_a_side_chain_of_its_width() {
    for (channels, speakers) in [(2, SpeakerArr::kStereo), (1, SpeakerArr::kMono)] {
        let host = RawVst3::active(speakers.count_ones() as usize, 64);
        // Audio is media type 0, input and output are directions 0 and 1; bus types are 0, main,
        // and 1, auxiliary. SAFETY: places for the answers, which are filled in with success.
        unsafe {
            assert_eq!(host.component.getBusCount(0, 0), 2);
            assert_eq!(host.component.getBusCount(0, 1), 1);
            for (direction, index, kind) in [(0, 0, 0), (0, 1, 1), (1, 0, 0)] {
                let mut info = MaybeUninit::<BusInfo>::uninit();
                let known = host
                    .component
                    .getBusInfo(0, direction, index, info.as_mut_ptr());
                assert_eq!(known, kResultOk);
                let info = info.assume_init();
                assert_eq!((info.channelCount, info.busType), (channels, kind));
                let mut arrangement = 0;
                let arranged =
                    host.processor
                        .getBusArrangement(direction, index, &raw mut arrangement);
                assert_eq!((arranged, arrangement), (kResultOk, speakers));
            }
        }
    }
}

/// `vst/ivstaudioprocessor.h`: a plug-in that does not accept all of an arrangement says so, adapts
/// as far as it can, the main buses first, and the host asks what there is.
#[test]
fn a_side_chain_of_another_width_than_the_main_pair_is_refused_and_the_main_pair_taken() {
    let host = RawVst3::active(2, 64);
    let [none, mono, stereo] = [SpeakerArr::kEmpty, SpeakerArr::kMono, SpeakerArr::kStereo];
    for (main, side, expected) in [
        (stereo, mono, kResultFalse),
        (mono, stereo, kResultFalse),
        (stereo, none, kResultFalse),
        (mono, none, kResultFalse),
        (stereo, stereo, kResultOk),
        (mono, mono, kResultOk),
    ] {
        let (mut inputs, mut output) = ([main, side], main);
        // SAFETY: as many arrangements as are told, of an instance that is not processing, and a
        // place for each answer.
        unsafe {
            host.component.setActive(0);
            let answer =
                host.processor
                    .setBusArrangements(inputs.as_mut_ptr(), 2, &raw mut output, 1);
            assert_eq!(answer, expected, "{main} and {side}");
            for (direction, index) in [(0, 0), (0, 1), (1, 0)] {
                let mut arrangement = 0;
                host.processor
                    .getBusArrangement(direction, index, &raw mut arrangement);
                assert_eq!(
                    arrangement, main,
                    "after {main} and {side}: {direction} {index}"
                );
            }
        }
    }
}

#[test]
fn parameters_belong_to_units_that_exist() {
    let host = RawVst3::inactive();
    let units = host.component.cast::<IUnitInfo>().unwrap();
    // SAFETY: places for the answers, which are filled in with success.
    unsafe {
        let mut known = vec![0];
        for index in 0..units.getUnitCount() {
            let mut info = MaybeUninit::uninit();
            assert_eq!(units.getUnitInfo(index, info.as_mut_ptr()), kResultOk);
            known.push(info.assume_init().id);
        }
        for index in 0..host.controller.getParameterCount() {
            let mut info = MaybeUninit::<ParameterInfo>::uninit();
            host.controller.getParameterInfo(index, info.as_mut_ptr());
            assert!(known.contains(&info.assume_init().unitId), "{index}");
        }
    }
}

#[test]
fn a_saved_state_comes_back_in_another_instance() {
    let mut host = RawVst3::active(2, 64);
    let (push, _) = host.param("Push").unwrap();
    let nothing = || Ports::Passed(Vec::new());
    let mut block = Block {
        frames: 0,
        inputs: nothing(),
        outputs: nothing(),
        changes: vec![(push, 0.75)],
    };
    assert!(host.process(&mut block));
    let memory = ComWrapper::new(Pieces::default());
    let stream = memory.to_com_ptr::<IBStream>().unwrap();
    // SAFETY: a stream that outlives the calls.
    unsafe {
        let stream = stream.as_com_ref().as_ptr();
        assert_eq!(host.component.getState(stream), kResultOk);
        memory.rewind();
        let other = RawVst3::inactive();
        assert_eq!(other.component.setState(stream), kResultOk);
        assert_eq!(other.param("Push").unwrap().1, 0.75);
        // The controller has no state of its own.
        assert_eq!(other.controller.setComponentState(stream), kResultOk);
    }
}

/// The component, to be called on whichever thread.
struct Anywhere(ComPtr<IComponent>);

// SAFETY: what a test calls on another thread is what a host at fault would.
unsafe impl Send for Anywhere {}

// `ivstcomponent.h` has `setActive` called on the UI thread while no audio is processed. A host that
// does both at once is refused blocks, and goes on.
#[test]
fn blocks_beside_an_activation_are_refused_or_processed() {
    const FRAMES: usize = 64;
    let mut host = RawVst3::active(2, FRAMES);
    let component = Anywhere(host.component.clone());
    let over = AtomicBool::new(false);
    let main = vec![vec![0.1; FRAMES]; 2];
    thread::scope(|scope| {
        let over = &over;
        let activates = scope.spawn(move || {
            let Anywhere(component) = { component };
            let start = Instant::now();
            let mut times = 0;
            while start.elapsed() < Duration::from_millis(1_500) {
                // SAFETY: the class's own function.
                times += i32::from(unsafe { component.setActive(1) } == kResultOk);
            }
            over.store(true, Ordering::Relaxed);
            times
        });
        let mut processed = 0;
        while !over.load(Ordering::Relaxed) {
            let mut block = Block {
                frames: FRAMES,
                inputs: Ports::Passed(vec![Port::of(&main), Port::of(&main)]),
                outputs: Ports::Passed(vec![Port::of(&main)]),
                changes: Vec::new(),
            };
            processed += i32::from(host.process(&mut block));
        }
        let activated = activates.join().unwrap();
        println!("host: {processed} blocks beside {activated} activations");
        assert!(processed > 0 && activated > 10);
    });
}
