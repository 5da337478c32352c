//! Another size for the window, asked of whoever holds it.
//!
//! A window within one of the host's is as large as the host makes it. Its size is asked for on the
//! host's main thread, and only what the host grants is taken; a host that refuses is not asked
//! again. Without a host the window is its own master.

use std::cell::RefCell;
use std::error::Error;
use std::rc::Rc;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use egui::{Ui, Vec2, ViewportCommand};
use nice_plug::editor::dpi::{PhysicalSize, Size};
use nice_plug::editor::{HostCallbacks, HostMainThreadCaller, HostMethods};

use super::room::fitting;

/// A host that has not given the window its size by then has refused: not all of them say so.
const PATIENCE: Duration = Duration::from_secs(2);

/// A size that is wanted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// Pixels.
    pub size: [u32; 2],
    /// Pixels a logical point.
    pub scale: f64,
}

/// Calls the host's main thread. A lock of its own: the host may answer within the call.
type SharedCaller = Arc<Mutex<Box<dyn HostMainThreadCaller>>>;

#[derive(Default)]
struct State {
    /// None without a host.
    caller: Option<SharedCaller>,
    /// Room on the screen, as [`of_screen`](super::room::of_screen) tells it.
    room: Option<Vec2>,
    wanted: Option<Wanted>,
    /// Since when the host has owed an answer.
    asked: Option<Instant>,
    refused: bool,
    #[cfg(not(target_os = "linux"))]
    calling: calling::Calling,
}

/// Asks for sizes. Clones ask for the same window.
#[derive(Clone, Default)]
pub struct Resizing(Arc<Mutex<State>>);

impl Resizing {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Stands between a new window and its host. Returns the methods for the window, and those by
    /// which sizes are asked for on the main thread.
    pub fn between(&self, host: HostMethods) -> (HostMethods, Callbacks) {
        let caller = Arc::new(Mutex::new(host.main_thread_caller));
        *self.lock() = State {
            caller: Some(Arc::clone(&caller)),
            ..State::default()
        };
        let callbacks = Callbacks {
            host: Rc::new(RefCell::new(host.callbacks)),
            resizing: self.clone(),
        };
        let methods = HostMethods {
            callbacks: Box::new(callbacks.clone()),
            main_thread_caller: Box::new(Caller(caller)),
        };
        (methods, callbacks)
    }

    /// The window has no host.
    pub fn alone(&self) {
        *self.lock() = State::default();
    }

    /// There is this much room on the screen that the window opens on.
    pub fn set_room(&self, room: Option<Vec2>) {
        self.lock().room = room;
    }

    /// Asks for a size in points.
    pub fn ask(&self, ui: &Ui, size: Vec2) {
        let mut state = self.lock();
        let Some(caller) = state.caller.clone() else {
            ui.send_viewport_cmd(ViewportCommand::InnerSize(size));
            return;
        };
        let pixels = size * ui.ctx().pixels_per_point();
        #[expect(clippy::cast_sign_loss, reason = "a window's size is positive")]
        let size = [pixels.x.round() as u32, pixels.y.round() as u32];
        let scale = f64::from(ui.ctx().pixels_per_point() / ui.ctx().zoom_factor());
        state.wanted = Some(Wanted { size, scale });
        // A host that is asked for the size that there is may have nothing to answer.
        let now = ui.ctx().content_rect().size() * ui.ctx().pixels_per_point();
        if (now - pixels).abs().max_elem() >= 0.5 {
            state.asked.get_or_insert_with(Instant::now);
        } else {
            state.asked = None;
        }
        #[cfg(not(target_os = "linux"))]
        state.calling.now(caller);
        drop(state);
        #[cfg(target_os = "linux")]
        call(&caller);
    }

    /// Asks for the size that a window just opened or zoomed is to have, in points of which the user's
    /// own `zoom`, which is in effect, is a part, or for as much of it as there is room for. Returns
    /// what is asked for.
    pub fn ask_first(&self, ui: &Ui, size: Vec2, zoom: f32) -> Vec2 {
        let system = ui.ctx().pixels_per_point() / ui.ctx().zoom_factor();
        let scale = if cfg!(target_os = "macos") {
            zoom
        } else {
            zoom * system
        };
        let size = fitting(size, self.lock().room, scale);
        // Elsewhere a window is made larger by the screen's scale than the host was told, and one
        // that has the size that is wanted does not ask the host for it again.
        if cfg!(target_os = "linux") {
            ui.send_viewport_cmd(ViewportCommand::InnerSize(size));
        } else {
            self.ask(ui, size);
        }
        size
    }

    /// Waits for a call that is under way, if there is one: it holds the instance, which the host may
    /// be about to destroy.
    #[cfg(not(target_os = "linux"))]
    pub fn end_call(&self) {
        // Not while locked.
        let calling = std::mem::take(&mut self.lock().calling);
        drop(calling);
    }

    /// Whether it is of any use to ask.
    pub fn is_possible(&self) -> bool {
        let mut state = self.lock();
        state.refused |= state.asked.is_some_and(|asked| asked.elapsed() > PATIENCE);
        !state.refused
    }

    /// The size that was last asked for, once.
    pub fn take_wanted(&self) -> Option<Wanted> {
        self.lock().wanted.take()
    }

    /// The host has given the window a size.
    pub fn granted(&self) {
        self.lock().asked = None;
    }

    /// The host has refused.
    fn refused(&self) {
        let mut state = self.lock();
        (state.asked, state.refused) = (None, true);
    }
}

fn call(caller: &SharedCaller) {
    // Whoever is calling already calls for everybody.
    if let Ok(mut caller) = caller.try_lock() {
        caller.call_main_thread();
    }
}

/// Calls from a thread of its own, where the window has none: it is drawn on the host's main thread
/// then, on which a call would be answered within the frame that it is made in, and the answer
/// changes a window that is being drawn.
#[cfg(not(target_os = "linux"))]
mod calling {
    use super::{SharedCaller, call};
    use std::thread::{Builder, JoinHandle};

    /// The last call, while it is under way.
    #[derive(Default)]
    pub struct Calling(Option<JoinHandle<()>>);

    impl Calling {
        /// Calls once. Without a thread for it the size stays as it is.
        pub fn now(&mut self, caller: SharedCaller) {
            self.end();
            let name = "crestline size".into();
            self.0 = Builder::new().name(name).spawn(move || call(&caller)).ok();
        }

        fn end(&mut self) {
            if let Some(thread) = self.0.take() {
                let _ = thread.join();
            }
        }
    }

    impl Drop for Calling {
        fn drop(&mut self) {
            // The plug-in's code may be unloaded after this.
            self.end();
        }
    }
}

/// The host's own methods, shared with the framework's window. They stay on the main thread.
#[derive(Clone)]
pub struct Callbacks {
    host: Rc<RefCell<Box<dyn HostCallbacks>>>,
    resizing: Resizing,
}

impl Callbacks {
    /// Asks the host for room.
    ///
    /// # Errors
    /// It refuses, or is in the midst of being asked.
    pub fn ask(&mut self, wanted: Wanted) -> Result<(), Box<dyn Error>> {
        let [width, height] = wanted.size;
        let size = Size::Physical(PhysicalSize::new(width, height));
        self.request_resize(size, wanted.scale)
    }
}

impl HostCallbacks for Callbacks {
    fn request_resize(&mut self, size: Size, scale_factor: f64) -> Result<(), Box<dyn Error>> {
        let mut host = self.host.try_borrow_mut()?;
        let granted = host.request_resize(size, scale_factor);
        if granted.is_err() {
            self.resizing.refused();
        }
        granted
    }

    fn destroyed(&mut self) {
        if let Ok(mut host) = self.host.try_borrow_mut() {
            host.destroyed();
        }
    }
}

/// Calls the host's main thread for the framework's window.
struct Caller(SharedCaller);

impl HostMainThreadCaller for Caller {
    fn call_main_thread(&mut self) {
        call(&self.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui::{Context, Pos2, RawInput, Rect, vec2};

    /// Never answers.
    struct Silent;

    impl HostMainThreadCaller for Silent {
        fn call_main_thread(&mut self) {}
    }

    // A host need not grant what is already so.
    #[test]
    fn a_host_owes_an_answer_only_for_another_size() {
        let resizing = Resizing::default();
        resizing.lock().caller = Some(Arc::new(Mutex::new(Box::new(Silent))));
        let now = vec2(1180.0, 820.0);
        let input = RawInput {
            screen_rect: Some(Rect::from_min_size(Pos2::ZERO, now)),
            ..RawInput::default()
        };
        let asked_for = |size: Vec2| {
            let mut output = Context::default().run_ui(input.clone(), |ui| resizing.ask(ui, size));
            output.textures_delta.clear();
            (
                resizing.take_wanted().is_some(),
                resizing.lock().asked.is_some(),
            )
        };
        assert_eq!(asked_for(now), (true, false));
        assert_eq!(asked_for(now + vec2(0.0, 20.0)), (true, true));
        // Drawn there and back before it has answered.
        assert_eq!(asked_for(now), (true, false));
        assert!(resizing.is_possible());
    }
}
