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
use nice_plug::editor::dpi::{NativeSize, PhysicalSize, Size};
use nice_plug::editor::{EditorHandle, HostMethods, SpawnedEditor};
use nice_plug::prelude::{
    Editor, Modifiers, ParentWindowHandle, PluginApi, ResizeHint, TrackInfo, VirtualKeyCode,
};
use nice_plug_egui::baseview::{self, Window};
use nice_plug_egui::{EguiEditor, EguiEditorHandle};

use super::App;
use super::changes::Gestures;
use super::keys::Keys;
use super::resizing::{Callbacks, Resizing};
use super::room::of_screen;
use crate::params::CrestlineParams;
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

/// What a window that closes leaves behind.
#[derive(Clone)]
pub struct Closing {
    gestures: Gestures,
    params: Arc<CrestlineParams>,
}

impl Closing {
    /// Ends these gestures, of these parameters, when a window closes.
    pub fn new(gestures: Gestures, params: Arc<CrestlineParams>) -> Self {
        Self { gestures, params }
    }

    /// What one window holds: dropped with it, it ends the gestures through `gui`.
    fn for_window(&self, gui: GuiContext) -> LetGo {
        LetGo {
            closing: self.clone(),
            gui: Some(gui),
        }
    }
}

/// Ends, when dropped, the gestures that a window has been closed in the midst of.
struct LetGo {
    closing: Closing,
    /// There until it is dropped.
    gui: Option<GuiContext>,
}

impl Drop for LetGo {
    fn drop(&mut self) {
        // The framework ends the host's process where it is asked to tell a host that has gone.
        let Closing { gestures, params } = self.closing.clone();
        if let Some(gui) = self.gui.take().filter(|_| !params.edits.are_over()) {
            let end = move || gestures.end_all(gui.param_setter().raw_context);
            params.after_close.tell(end);
        }
    }
}

/// The framework's editor with windows that end.
pub struct WindowedEditor {
    inner: EguiEditor<App>,
    thread: DrawingThread,
    forecaster: Forecaster,
    resizing: Resizing,
    keys: Keys,
    closing: Closing,
}

impl WindowedEditor {
    /// An editor whose app calls `thread` from its `build`, and asks `forecaster` for forecasts and
    /// `resizing` for other sizes; `closing` is done as each window closes.
    pub fn new(
        inner: EguiEditor<App>,
        thread: DrawingThread,
        forecaster: Forecaster,
        resizing: Resizing,
        keys: Keys,
        closing: Closing,
    ) -> Self {
        Self {
            inner,
            thread,
            forecaster,
            resizing,
            keys,
            closing,
        }
    }
}

/// A window and, dropped after it, the wait for its end, and then what it held and watched.
pub struct EndingWindow {
    window: Window,
    host: Option<Callbacks>,
    by_host: bool,
    #[cfg(not(target_os = "linux"))]
    _called: Called,
    _ended: Ended,
    _let_go: LetGo,
    _watched: Watched,
}

/// Waits, when dropped, for what the window has asked for on a thread of its own.
#[cfg(not(target_os = "linux"))]
struct Called(Resizing);

#[cfg(not(target_os = "linux"))]
impl Drop for Called {
    fn drop(&mut self) {
        self.0.end_call();
    }
}

/// The framework's handle.
pub struct Handle {
    inner: EguiEditorHandle,
    resizing: Resizing,
    keys: Keys,
}

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
        can_be_opened()?;
        let ended = self.thread.expect();
        let let_go = self.closing.for_window(gui_context.clone());
        // In CLAP a request that was accepted leaves the window's size to the plug-in
        // (clap/ext/gui.h); in VST3 the host sets it (IPlugFrame::resizeView).
        let by_host = gui_context.plugin_api() != PluginApi::Clap;
        self.keys.embedded_in(parent.as_ref());
        let (host, callbacks) = host.map(|host| self.resizing.between(host)).unzip();
        if host.is_none() {
            self.resizing.alone();
        }
        self.resizing.set_room(of_screen(parent.as_ref()));
        let SpawnedEditor { handle, window } = self.inner.spawn(
            parent,
            wait_for_parent,
            fallback_scale_factor,
            gui_context,
            host,
        )?;
        Ok(SpawnedEditor {
            handle: Handle {
                inner: handle,
                resizing: self.resizing.clone(),
                keys: self.keys.clone(),
            },
            window: EndingWindow {
                window,
                host: callbacks,
                by_host,
                #[cfg(not(target_os = "linux"))]
                _called: Called(self.resizing.clone()),
                _ended: ended,
                _let_go: let_go,
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

/// Refuses what this system lacks: the window library calls for it without asking, and the host
/// would end.
#[cfg(target_os = "macos")]
fn can_be_opened() -> Result<(), Box<dyn Error>> {
    let view = objc2::class!(NSView);
    // Since macOS 14 (Apple, AppKit release notes).
    if view.responds_to(objc2::sel!(displayLinkWithTarget:selector:)) {
        return Ok(());
    }
    Err("Crestline's window needs macOS 14 or later; the sound does not.".into())
}

#[cfg(not(target_os = "macos"))]
#[expect(clippy::unnecessary_wraps, reason = "another system has less")]
const fn can_be_opened() -> Result<(), Box<dyn Error>> {
    Ok(())
}

impl Handle {
    /// Asks the host for the size that is wanted, on its main thread.
    fn resize(&self, window: &EndingWindow) {
        let Some(mut host) = window.host.clone() else {
            return;
        };
        let Some(wanted) = self.resizing.take_wanted() else {
            return;
        };
        if host.ask(wanted).is_ok() && !window.by_host {
            let [width, height] = wanted.size;
            let size = Size::Physical(PhysicalSize::new(width, height));
            // A window that cannot be resized stays as it is.
            let _ = self.set_size(NativeSize::from_size(size, wanted.scale), window);
        }
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
        self.keys.embedded_in(Some(&parent));
        self.inner.set_parent(parent, &window.window)
    }

    fn show(&self, window: &EndingWindow) -> Result<(), baseview::Error> {
        self.inner.show(&window.window)
    }

    fn hide(&self, window: &EndingWindow) -> Result<(), baseview::Error> {
        self.inner.hide(&window.window)
    }

    fn set_size(
        &self,
        new_size: NativeSize<u32>,
        window: &EndingWindow,
    ) -> Result<(), baseview::Error> {
        self.resizing.granted();
        self.inner.set_size(new_size, &window.window)
    }

    fn host_main_thread_callback(&self, window: &EndingWindow) {
        self.resize(window);
        self.inner.host_main_thread_callback(&window.window);
    }

    fn adjust_size(
        &self,
        new_size: NativeSize<u32>,
        window: &EndingWindow,
    ) -> Option<NativeSize<u32>> {
        self.inner.adjust_size(new_size, &window.window)
    }

    fn set_fallback_scale_factor(
        &self,
        scale_factor: f64,
        window: &EndingWindow,
    ) -> Result<(), baseview::Error> {
        self.inner
            .set_fallback_scale_factor(scale_factor, &window.window)
    }

    fn on_virtual_key_from_host(
        &self,
        key_code: VirtualKeyCode,
        is_down: bool,
        modifiers: Modifiers,
    ) -> bool {
        self.inner
            .on_virtual_key_from_host(key_code, is_down, modifiers)
    }

    fn state_changed(&self) {
        self.inner.state_changed();
    }

    fn param_value_changed(&self, id: &str, normalized_value: f32) {
        self.inner.param_value_changed(id, normalized_value);
    }

    fn param_modulation_changed(&self, id: &str, modulation_offset: f32) {
        self.inner.param_modulation_changed(id, modulation_offset);
    }
}
