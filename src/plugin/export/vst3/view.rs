//! The window as a VST3 host has it: the framework's view, and what it gets wrong.
//!
//! A scale that the host tells before the window is attached, as it may
//! (`gui/iplugviewcontentscalesupport.h`), is refused and forgotten: here it is kept until then. Nor
//! is the host told of the size that comes of a scale: here it is asked for that. With each frame
//! that a host on Linux sets, the framework leaves an event handler registered and two sockets open,
//! for the handler holds a reference to itself: here it is given back. And it holds the window's place
//! while it drops the window: what that ends is told to the host afterwards, which may answer with a
//! value, for which the framework looks at that place.

use super::forward::forward;
use super::frame;
use crate::params::CrestlineParams;
use nice_plug::wrapper::vst3::vst3::Steinberg::IPlugViewContentScaleSupport_::ScaleFactor;
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    FIDString, IPlugFrame, IPlugFrameTrait, IPlugView, IPlugViewContentScaleSupport,
    IPlugViewContentScaleSupportTrait, IPlugViewTrait, TBool, ViewRect, char16, int16, int32,
    kResultFalse, kResultOk, tresult,
};
use nice_plug::wrapper::vst3::vst3::{Class, ComPtr, ComRef, ComWrapper};
use std::ffi::c_void;
use std::ptr;
use std::sync::atomic::{AtomicPtr, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

const NOWHERE: ViewRect = ViewRect {
    left: 0,
    top: 0,
    right: 0,
    bottom: 0,
};

/// A view around the framework's. Used on the host's UI thread.
pub struct View {
    framework: ComPtr<IPlugView>,
    params: Arc<CrestlineParams>,
    /// What the host holds of this, to be named to its frame; not counted.
    itself: AtomicPtr<IPlugView>,
    /// The scale that the host has told and the framework has not taken.
    scale: Mutex<Option<ScaleFactor>>,
    /// The size that the host knows, pixels.
    told: Mutex<Option<[int32; 2]>>,
    frame: Mutex<Option<frame::Between>>,
}

impl Class for View {
    type Interfaces = (IPlugView, IPlugViewContentScaleSupport);
}

impl View {
    /// A view around this one, with one reference, which is the caller's; null for null.
    ///
    /// # Safety
    /// `framework` is null or the framework's view, with a reference that is given away.
    pub unsafe fn around(
        framework: *mut IPlugView,
        params: Arc<CrestlineParams>,
    ) -> *mut IPlugView {
        // SAFETY: the caller's promise.
        let Some(framework) = (unsafe { ComPtr::from_raw(framework) }) else {
            return ptr::null_mut();
        };
        let view = ComWrapper::new(Self {
            framework,
            params,
            itself: AtomicPtr::default(),
            scale: Mutex::default(),
            told: Mutex::default(),
            frame: Mutex::default(),
        });
        let raw = view.to_com_ptr().map_or(ptr::null_mut(), ComPtr::into_raw);
        view.itself.store(raw, Ordering::Relaxed);
        raw
    }

    /// The size, pixels.
    fn size(&self) -> Option<[int32; 2]> {
        let mut size = NOWHERE;
        // SAFETY: a place of ours.
        let told = unsafe { self.getSize(&raw mut size) };
        (told == kResultOk).then_some([size.right, size.bottom])
    }

    /// With success this is the size that both sides know.
    fn agree(&self, result: tresult, size: Option<&ViewRect>) {
        if let Some(size) = size.filter(|_| result == kResultOk) {
            let size = [size.right - size.left, size.bottom - size.top];
            *self.told.lock().unwrap_or_else(PoisonError::into_inner) = Some(size);
        }
    }

    /// Asks the host for the size that the window has, where it knows another.
    fn ask_for_another_size(&self) {
        let told = *self.told.lock().unwrap_or_else(PoisonError::into_inner);
        if self.size() == told {
            return;
        }
        // Nothing is held while the host answers.
        let frame = self
            .frame
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .as_ref()
            .map(frame::Between::host);
        if let Some((frame, [right, bottom])) = frame.zip(self.size()) {
            let mut size = ViewRect {
                right,
                bottom,
                ..NOWHERE
            };
            let itself = self.itself.load(Ordering::Relaxed);
            // SAFETY: a frame that is counted, and the view that the host is calling.
            unsafe { frame.resizeView(itself, &raw mut size) };
        }
    }

    /// Has the framework let go of the frame, and then the frame of what the framework left there.
    fn leave_frame(&self) -> tresult {
        // SAFETY: no frame.
        let left = unsafe { self.framework.setFrame(ptr::null_mut()) };
        let frame = self
            .frame
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .take();
        if let Some(frame) = frame {
            frame.end();
        }
        left
    }
}

impl Drop for View {
    fn drop(&mut self) {
        self.leave_frame();
    }
}

impl IPlugViewTrait for View {
    unsafe fn attached(&self, parent: *mut c_void, kind: FIDString) -> tresult {
        // SAFETY: the host's promise.
        let attached = unsafe { self.framework.attached(parent, kind) };
        if attached != kResultOk {
            return attached;
        }
        let scale = self
            .scale
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .take();
        if let Some(factor) = scale {
            // SAFETY: a number.
            unsafe { self.setContentScaleFactor(factor) };
        }
        attached
    }

    unsafe fn removed(&self) -> tresult {
        let mut removed = kResultFalse;
        self.params.after_close.during(|| {
            // SAFETY: nothing is passed.
            removed = unsafe { self.framework.removed() };
        });
        removed
    }

    unsafe fn getSize(&self, size: *mut ViewRect) -> tresult {
        // SAFETY: the host's promise.
        let result = unsafe { self.framework.getSize(size) };
        // SAFETY: with success it has been written to.
        self.agree(result, unsafe { size.as_ref() });
        result
    }

    unsafe fn onSize(&self, size: *mut ViewRect) -> tresult {
        // SAFETY: the host's promise.
        let result = unsafe { self.framework.onSize(size) };
        // SAFETY: with success it has been read.
        self.agree(result, unsafe { size.as_ref() });
        result
    }

    unsafe fn setFrame(&self, frame: *mut IPlugFrame) -> tresult {
        let left = self.leave_frame();
        // SAFETY: the host's promise.
        let Some(host) = (unsafe { ComRef::from_raw(frame) }) else {
            return left;
        };
        let between = frame::Between::new(host.to_com_ptr(), self.itself.load(Ordering::Relaxed));
        // SAFETY: a frame that the framework counts.
        let set = unsafe { self.framework.setFrame(between.as_ptr()) };
        *self.frame.lock().unwrap_or_else(PoisonError::into_inner) = Some(between);
        set
    }

    forward! { IPlugViewTrait:
        fn isPlatformTypeSupported(kind: FIDString) -> tresult;
        fn onWheel(distance: f32) -> tresult;
        fn onKeyDown(key: char16, code: int16, modifiers: int16) -> tresult;
        fn onKeyUp(key: char16, code: int16, modifiers: int16) -> tresult;
        fn onFocus(state: TBool) -> tresult;
        fn canResize() -> tresult;
        fn checkSizeConstraint(size: *mut ViewRect) -> tresult;
    }
}

impl IPlugViewContentScaleSupportTrait for View {
    unsafe fn setContentScaleFactor(&self, factor: ScaleFactor) -> tresult {
        if !(factor.is_finite() && factor > 0.0) {
            return kResultFalse;
        }
        let taken = self.framework.cast::<IPlugViewContentScaleSupport>();
        // SAFETY: a number.
        let taken =
            taken.is_some_and(|view| unsafe { view.setContentScaleFactor(factor) == kResultOk });
        if taken {
            self.ask_for_another_size();
        } else {
            *self.scale.lock().unwrap_or_else(PoisonError::into_inner) = Some(factor);
        }
        kResultOk
    }
}
