//! The framework's window, made to end before the host goes on.
//!
//! On X11 the window has a thread of its own. Where the framework's window is closed while that
//! thread draws, it is told to stop but not waited for: it may still be drawing when the host
//! unloads the plug-in or ends, which crashes the host. So whoever drops the window here waits for
//! the end of the thread that drew in it.

use std::cell::RefCell;
use std::error::Error;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::ThreadId;
use std::time::Duration;

use nice_plug::context::gui::GuiContext;
use nice_plug::editor::dpi::NativeSize;
use nice_plug::editor::{EditorHandle, HostMethods, SpawnedEditor};
use nice_plug::prelude::{
    Editor, Modifiers, ParentWindowHandle, ResizeHint, TrackInfo, VirtualKeyCode,
};
use nice_plug_egui::baseview::{self, Window};
use nice_plug_egui::{EguiEditor, EguiEditorHandle};

use super::App;
use crestline_core::session::forecast::Forecaster;

/// A thread that has not ended by then is left alone, so that a host never hangs.
const PATIENCE: Duration = Duration::from_secs(2);

/// Lives as long as the thread that draws.
#[derive(Debug)]
struct Alive {
    _sender: Sender<()>,
}

thread_local! {
    /// Dropped by the system when the thread is at its end, after all that the window owned.
    static ALIVE: RefCell<Vec<Alive>> = const { RefCell::new(Vec::new()) };
}

/// Passes a sign of life from whoever opens a window to the thread that will draw in it.
#[derive(Clone, Debug, Default)]
pub struct DrawingThread(Arc<Mutex<Option<(Alive, ThreadId)>>>);

impl DrawingThread {
    /// Called by the host's thread before a window is opened.
    fn expect(&self) -> Ended {
        let (sender, ended) = channel();
        let sign = (Alive { _sender: sender }, std::thread::current().id());
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(sign);
        Ended {
            thread: self.clone(),
            ended,
        }
    }

    /// Called by the thread that will draw. Where that is the host's own, nobody has to wait.
    pub fn arrived(&self) {
        if let Some((alive, host)) = self.take()
            && host != std::thread::current().id()
        {
            ALIVE.with_borrow_mut(|signs| signs.push(alive));
        }
    }

    fn take(&self) -> Option<(Alive, ThreadId)> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).take()
    }
}

/// Waits, when dropped, for the end of the thread that drew.
#[derive(Debug)]
struct Ended {
    thread: DrawingThread,
    ended: Receiver<()>,
}

impl Drop for Ended {
    fn drop(&mut self) {
        // A window that was never made has no thread.
        drop(self.thread.take());
        // Nothing is ever sent: what comes is that there is no sender any more, or that patience is
        // at its end.
        let _ = self.ended.recv_timeout(PATIENCE);
    }
}

/// Gives up, when dropped, a forecast that nobody looks at any more.
#[derive(Debug)]
struct Watched(Forecaster);

impl Drop for Watched {
    fn drop(&mut self) {
        self.0.cancel();
    }
}

/// The framework's editor with windows that end.
pub struct WindowedEditor {
    inner: EguiEditor<App>,
    thread: DrawingThread,
    forecaster: Forecaster,
}

impl WindowedEditor {
    /// An editor whose app calls `thread` from its `build` and asks `forecaster`.
    pub fn new(inner: EguiEditor<App>, thread: DrawingThread, forecaster: Forecaster) -> Self {
        Self {
            inner,
            thread,
            forecaster,
        }
    }
}

/// A window and, dropped after it, the wait for its end, and then what it watched.
pub struct EndingWindow {
    window: Window,
    _ended: Ended,
    _watched: Watched,
}

/// The framework's handle.
pub struct Handle(EguiEditorHandle);

impl Editor for WindowedEditor {
    type Handle = Handle;

    fn spawn(
        &self,
        parent: Option<ParentWindowHandle>,
        wait_for_parent: bool,
        fallback_scale_factor: Option<f64>,
        gui_context: GuiContext,
        host: Option<HostMethods>,
    ) -> Result<SpawnedEditor<Handle>, Box<dyn Error>> {
        let ended = self.thread.expect();
        let SpawnedEditor { handle, window } = self.inner.spawn(
            parent,
            wait_for_parent,
            fallback_scale_factor,
            gui_context,
            host,
        )?;
        Ok(SpawnedEditor {
            handle: Handle(handle),
            window: EndingWindow {
                window,
                _ended: ended,
                _watched: Watched(self.forecaster.clone()),
            },
        })
    }

    fn size(&self) -> NativeSize<u32> {
        self.inner.size()
    }

    fn resize_hint(&self) -> ResizeHint {
        self.inner.resize_hint()
    }

    fn track_info_updated(&self, info: TrackInfo) {
        self.inner.track_info_updated(info);
    }

    #[expect(unsafe_code, reason = "the framework's trait has an unsafe method")]
    unsafe fn assume_standalone_in_process(&self) {
        // SAFETY: the caller's promise is handed on.
        unsafe { self.inner.assume_standalone_in_process() }
    }
}

impl EditorHandle for Handle {
    type Window = EndingWindow;
    type Error = baseview::Error;

    fn run_until_closed(window: EndingWindow) -> Result<(), baseview::Error> {
        EguiEditorHandle::run_until_closed(window.window)
    }

    fn set_parent(
        &self,
        parent: ParentWindowHandle,
        window: &EndingWindow,
    ) -> Result<(), baseview::Error> {
        self.0.set_parent(parent, &window.window)
    }

    fn show(&self, window: &EndingWindow) -> Result<(), baseview::Error> {
        self.0.show(&window.window)
    }

    fn hide(&self, window: &EndingWindow) -> Result<(), baseview::Error> {
        self.0.hide(&window.window)
    }

    fn set_size(
        &self,
        new_size: NativeSize<u32>,
        window: &EndingWindow,
    ) -> Result<(), baseview::Error> {
        self.0.set_size(new_size, &window.window)
    }

    fn host_main_thread_callback(&self, window: &EndingWindow) {
        self.0.host_main_thread_callback(&window.window);
    }

    fn adjust_size(
        &self,
        new_size: NativeSize<u32>,
        window: &EndingWindow,
    ) -> Option<NativeSize<u32>> {
        self.0.adjust_size(new_size, &window.window)
    }

    fn set_fallback_scale_factor(
        &self,
        scale_factor: f64,
        window: &EndingWindow,
    ) -> Result<(), baseview::Error> {
        self.0
            .set_fallback_scale_factor(scale_factor, &window.window)
    }

    fn on_virtual_key_from_host(
        &self,
        key_code: VirtualKeyCode,
        is_down: bool,
        modifiers: Modifiers,
    ) -> bool {
        self.0
            .on_virtual_key_from_host(key_code, is_down, modifiers)
    }

    fn state_changed(&self) {
        self.0.state_changed();
    }

    fn param_value_changed(&self, id: &str, normalized_value: f32) {
        self.0.param_value_changed(id, normalized_value);
    }

    fn param_modulation_changed(&self, id: &str, modulation_offset: f32) {
        self.0.param_modulation_changed(id, modulation_offset);
    }
}
