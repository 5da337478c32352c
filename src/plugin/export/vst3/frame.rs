//! What stands between the host's frame of a window and the framework's view.

use nice_plug::wrapper::vst3::vst3::Steinberg::{
    IPlugFrame, IPlugFrameTrait, IPlugView, ViewRect, tresult,
};
use nice_plug::wrapper::vst3::vst3::{Class, ComPtr, ComWrapper};
use std::ptr;

#[cfg(target_os = "linux")]
use self::run_loop::LoopFrame;

/// A frame for the framework's view that passes on what it asks of the host's, in the name of the
/// view that the host has.
pub enum Between {
    Plain(ComWrapper<Frame>),
    #[cfg(target_os = "linux")]
    WithLoop(ComWrapper<LoopFrame>),
}

impl Between {
    /// For the host's frame and for `view`, which outlives this.
    pub fn new(host: ComPtr<IPlugFrame>, view: *mut IPlugView) -> Self {
        #[cfg(target_os = "linux")]
        if let Some(run_loop) = host.cast() {
            let frame = LoopFrame::new(Frame { host, view }, run_loop);
            return Self::WithLoop(ComWrapper::new(frame));
        }
        Self::Plain(ComWrapper::new(Frame { host, view }))
    }

    /// The frame, for as long as this lives.
    pub fn as_ptr(&self) -> *mut IPlugFrame {
        let frame = match self {
            Self::Plain(frame) => frame.as_com_ref(),
            #[cfg(target_os = "linux")]
            Self::WithLoop(frame) => frame.as_com_ref(),
        };
        frame.map_or(ptr::null_mut(), |frame| frame.as_ptr())
    }

    /// The host's frame.
    pub fn host(&self) -> ComPtr<IPlugFrame> {
        match self {
            Self::Plain(frame) => frame.host.clone(),
            #[cfg(target_os = "linux")]
            Self::WithLoop(frame) => frame.host(),
        }
    }

    /// The framework has let go of it.
    pub fn end(self) {
        match self {
            Self::Plain(_) => {}
            #[cfg(target_os = "linux")]
            Self::WithLoop(frame) => frame.end(),
        }
    }
}

/// A frame that cannot do more than resize the view.
pub struct Frame {
    host: ComPtr<IPlugFrame>,
    view: *mut IPlugView,
}

impl Class for Frame {
    type Interfaces = (IPlugFrame,);
}

impl IPlugFrameTrait for Frame {
    unsafe fn resizeView(&self, _: *mut IPlugView, size: *mut ViewRect) -> tresult {
        // SAFETY: the framework's promise; the view outlives this.
        unsafe { self.host.resizeView(self.view, size) }
    }
}

#[cfg(target_os = "linux")]
mod run_loop {
    use super::Frame;
    use crate::export::vst3::forward::forward;
    use nice_plug::wrapper::vst3::vst3::Steinberg::Linux::{
        FileDescriptor, IEventHandler, IEventHandlerTrait, IRunLoop, IRunLoopTrait, ITimerHandler,
        TimerInterval,
    };
    use nice_plug::wrapper::vst3::vst3::Steinberg::{
        IPlugFrame, IPlugFrameTrait, IPlugView, ViewRect, kResultFalse, kResultOk, tresult,
    };
    use nice_plug::wrapper::vst3::vst3::{Class, ComPtr, ComRef, ComWrapper};
    use std::sync::{Mutex, PoisonError};

    /// A frame whose host calls back what has registered with it.
    pub struct LoopFrame {
        frame: Frame,
        framework: ComPtr<IRunLoop>,
        registered: Mutex<Vec<Registered>>,
    }

    /// A handler of the framework, and what the host has in its place.
    struct Registered {
        handler: *mut IEventHandler,
        with_host: ComWrapper<Handler>,
    }

    impl Class for LoopFrame {
        type Interfaces = (IPlugFrame, IRunLoop);
    }

    impl LoopFrame {
        pub fn new(frame: Frame, run_loop: ComPtr<IRunLoop>) -> Self {
            Self {
                frame,
                framework: run_loop,
                registered: Mutex::default(),
            }
        }

        pub fn host(&self) -> ComPtr<IPlugFrame> {
            self.frame.host.clone()
        }

        /// Unregisters what the framework has left registered, and gives back the reference that
        /// each holds to itself, so that it ends (`wrapper/vst3/view.rs` of the pinned version,
        /// `RunLoopEventHandler`).
        pub fn end(&self) {
            let left = std::mem::take(
                &mut *self
                    .registered
                    .lock()
                    .unwrap_or_else(PoisonError::into_inner),
            );
            for Registered { handler, with_host } in left {
                self.unregister(&with_host);
                drop(with_host);
                // SAFETY: the framework's handler, by its reference to itself, which nobody else
                // gives back.
                drop(unsafe { ComPtr::from_raw(handler) });
            }
        }

        fn unregister(&self, with_host: &ComWrapper<Handler>) -> tresult {
            match with_host.as_com_ref::<IEventHandler>() {
                // SAFETY: what was registered.
                Some(handler) => unsafe { self.framework.unregisterEventHandler(handler.as_ptr()) },
                None => kResultFalse,
            }
        }
    }

    impl IPlugFrameTrait for LoopFrame {
        unsafe fn resizeView(&self, view: *mut IPlugView, size: *mut ViewRect) -> tresult {
            // SAFETY: the framework's promise.
            unsafe { self.frame.resizeView(view, size) }
        }
    }

    impl IRunLoopTrait for LoopFrame {
        unsafe fn registerEventHandler(
            &self,
            handler: *mut IEventHandler,
            descriptor: FileDescriptor,
        ) -> tresult {
            // SAFETY: the framework's promise.
            let Some(framework) = (unsafe { ComRef::from_raw(handler) }) else {
                return kResultFalse;
            };
            let with_host = ComWrapper::new(Handler(framework.to_com_ptr()));
            let Some(ours) = with_host.as_com_ref::<IEventHandler>() else {
                return kResultFalse;
            };
            // SAFETY: a handler that the host counts, and the framework's promise.
            let result = unsafe {
                self.framework
                    .registerEventHandler(ours.as_ptr(), descriptor)
            };
            // The framework ends the process where it is refused; without its handler only what it
            // would have done on the host's thread stays undone.
            if result == kResultOk {
                let mut registered = self
                    .registered
                    .lock()
                    .unwrap_or_else(PoisonError::into_inner);
                registered.push(Registered { handler, with_host });
            }
            kResultOk
        }

        unsafe fn unregisterEventHandler(&self, handler: *mut IEventHandler) -> tresult {
            let mut registered = self
                .registered
                .lock()
                .unwrap_or_else(PoisonError::into_inner);
            let at = registered.iter().position(|it| it.handler == handler);
            let found = at.map(|at| registered.swap_remove(at));
            drop(registered);
            // One that has come to its end is not known any more.
            found.map_or(kResultOk, |found| self.unregister(&found.with_host))
        }

        forward! { IRunLoopTrait:
            fn registerTimer(handler: *mut ITimerHandler, milliseconds: TimerInterval) -> tresult;
            fn unregisterTimer(handler: *mut ITimerHandler) -> tresult;
        }
    }

    /// What the host calls, which keeps the framework's handler for as long as a call lasts: the
    /// window may be closed within it.
    struct Handler(ComPtr<IEventHandler>);

    impl Class for Handler {
        type Interfaces = (IEventHandler,);
    }

    impl IEventHandlerTrait for Handler {
        unsafe fn onFDIsSet(&self, descriptor: FileDescriptor) {
            let handler = self.0.clone();
            // SAFETY: counted just there.
            unsafe { handler.onFDIsSet(descriptor) };
        }
    }
}
