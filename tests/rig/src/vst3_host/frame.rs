//! What holds the plug-in's window in a VST3 host: it grants or refuses sizes (`gui/iplugview.h`),
//! and calls the plug-in on the main thread (`IRunLoop` there, Linux).

use nice_plug::wrapper::vst3::vst3::Steinberg::Linux::{
    FileDescriptor, IEventHandler, IEventHandlerTrait, IRunLoop, IRunLoopTrait, ITimerHandler,
    TimerInterval,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    IPlugFrame, IPlugFrameTrait, IPlugView, IPlugViewTrait, ViewRect, kNotImplemented,
    kResultFalse, kResultOk, tresult,
};
use nice_plug::wrapper::vst3::vst3::{Class, ComPtr, ComRef};
use std::cell::{Cell, RefCell};

/// The frame of one window, on the main thread.
#[derive(Default)]
pub struct Frame {
    handlers: RefCell<Vec<(ComPtr<IEventHandler>, FileDescriptor)>>,
    /// Sizes that were asked for.
    asked: RefCell<Vec<[i32; 2]>>,
    /// It is not to have any other.
    pub refuses: Cell<bool>,
}

impl Class for Frame {
    type Interfaces = (IPlugFrame, IRunLoop);
}

impl Frame {
    /// Sizes that were asked for so far.
    pub fn asked(&self) -> Vec<[i32; 2]> {
        self.asked.borrow().clone()
    }

    /// How many handlers are registered.
    pub fn handlers(&self) -> usize {
        self.handlers.borrow().len()
    }

    /// One round of the host's event loop.
    pub fn round(&self) {
        let handlers = self.handlers.borrow().clone();
        for (handler, descriptor) in handlers {
            // SAFETY: a handler that is registered; it reads without waiting.
            unsafe { handler.onFDIsSet(descriptor) };
        }
    }
}

impl IPlugFrameTrait for Frame {
    unsafe fn resizeView(&self, view: *mut IPlugView, size: *mut ViewRect) -> tresult {
        // SAFETY: the plug-in's promise.
        unsafe {
            let (width, height) = ((*size).right - (*size).left, (*size).bottom - (*size).top);
            self.asked.borrow_mut().push([width, height]);
            match ComRef::from_raw(view) {
                Some(view) if !self.refuses.get() => view.onSize(size),
                _ => kResultFalse,
            }
        }
    }
}

impl IRunLoopTrait for Frame {
    unsafe fn registerEventHandler(
        &self,
        handler: *mut IEventHandler,
        descriptor: FileDescriptor,
    ) -> tresult {
        // SAFETY: the plug-in's promise.
        let Some(handler) = (unsafe { ComRef::from_raw(handler) }) else {
            return kResultFalse;
        };
        let registered = (handler.to_com_ptr(), descriptor);
        self.handlers.borrow_mut().push(registered);
        kResultOk
    }

    unsafe fn unregisterEventHandler(&self, handler: *mut IEventHandler) -> tresult {
        self.handlers
            .borrow_mut()
            .retain(|(it, _)| it.as_ptr() != handler);
        kResultOk
    }

    unsafe fn registerTimer(&self, _: *mut ITimerHandler, _: TimerInterval) -> tresult {
        kNotImplemented
    }

    unsafe fn unregisterTimer(&self, _: *mut ITimerHandler) -> tresult {
        kNotImplemented
    }
}
