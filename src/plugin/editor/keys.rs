//! The space bar belongs to the host, which starts and stops playback with it, unless something is
//! being typed.
//!
//! On macOS the framework hands back what is not captured, and that is all while nothing in the
//! window has the keyboard. On X11 a click gives its window the keyboard, and what comes is kept,
//! captured or not: there the key is sent on to the host's window. On Windows the framework keeps
//! every key that its window gets, and offers nothing to do about it; hosts that ask first (VST3's
//! `onKeyDown`) are told that the key is theirs.

use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

use egui::{Event, Key, Modifiers, Ui};
use nice_plug::prelude::ParentWindowHandle;
use nice_plug_egui::{Frame, KeyCapture};

/// Passes keys on. Clones belong to the same window.
#[derive(Clone, Debug, Default)]
pub struct Keys {
    /// The host's X11 window that this one lies in; 0 for none.
    parent: Arc<AtomicU32>,
}

/// What the space bar does.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Space {
    pressed: bool,
    modifiers: Modifiers,
}

impl Keys {
    /// The window lies within this one from now on.
    pub fn embedded_in(&self, parent: Option<&ParentWindowHandle>) {
        self.parent.store(x11_window(parent), Ordering::Relaxed);
    }

    /// Takes the space bar out of what is drawn next, and sends it to the host, unless a text field
    /// is open. Call it before anything looks at the keys.
    pub fn pass_on(&self, ui: &Ui, frame: &mut Frame, host: &mut HostKeys) {
        let typing = ui.ctx().text_edit_focused();
        frame.set_key_capture(if typing {
            KeyCapture::CaptureAll
        } else {
            KeyCapture::IgnoreKeys(vec![nice_plug_egui::Key::Character(" ".into())])
        });
        if !typing {
            for space in ui.input_mut(|input| take_space(&mut input.events)) {
                host.send(self.parent.load(Ordering::Relaxed), space);
            }
        }
    }
}

/// The host's X11 window; 0 for none.
pub fn x11_window(parent: Option<&ParentWindowHandle>) -> u32 {
    match parent {
        Some(ParentWindowHandle::XlibWindow(window)) => u32::try_from(*window).unwrap_or(0),
        Some(ParentWindowHandle::XcbWindow(window)) => window.get(),
        _ => 0,
    }
}

/// Takes the space bar out of `events`.
fn take_space(events: &mut Vec<Event>) -> Vec<Space> {
    let mut taken = Vec::new();
    events.retain(|event| match event {
        Event::Key {
            key: Key::Space,
            pressed,
            modifiers,
            ..
        } => {
            taken.push(Space {
                pressed: *pressed,
                modifiers: *modifiers,
            });
            false
        }
        Event::Text(text) => text != " ",
        _ => true,
    });
    taken
}

#[cfg(target_os = "linux")]
pub use self::x11::HostKeys;

#[cfg(target_os = "linux")]
mod x11 {
    use super::Space;
    use egui::Modifiers;
    use std::error::Error;
    use x11rb::connection::Connection;
    use x11rb::protocol::xproto::{
        ConnectionExt, EventMask, KEY_PRESS_EVENT, KEY_RELEASE_EVENT, KeyButMask, KeyPressEvent,
    };
    use x11rb::rust_connection::RustConnection;
    use x11rb::{CURRENT_TIME, NONE};

    /// The space bar among keysyms (X11 protocol, appendix A: Latin-1).
    const SPACE: u32 = 0x20;

    /// The way to the host's window.
    #[derive(Default)]
    pub struct HostKeys {
        /// Opened with the first key.
        server: Option<Server>,
    }

    struct Server {
        connection: RustConnection,
        root: u32,
        /// The key that writes a space.
        keycode: u8,
    }

    impl HostKeys {
        /// Sends the key to the host's window `parent`, or to whatever lies around it and listens.
        pub(super) fn send(&mut self, parent: u32, space: Space) {
            // Where the screen cannot be reached the key is lost, as it was before.
            if parent != 0 && self.try_to_send(parent, space).is_err() {
                self.server = None;
            }
        }

        fn try_to_send(&mut self, parent: u32, space: Space) -> Result<(), Box<dyn Error>> {
            let server = match self.server.take() {
                Some(server) => server,
                None => Server::connect()?,
            };
            let server = self.server.insert(server);
            let (kind, mask) = if space.pressed {
                (KEY_PRESS_EVENT, EventMask::KEY_PRESS)
            } else {
                (KEY_RELEASE_EVENT, EventMask::KEY_RELEASE)
            };
            let event = KeyPressEvent {
                response_type: kind,
                detail: server.keycode,
                sequence: 0,
                time: CURRENT_TIME,
                root: server.root,
                event: parent,
                child: NONE,
                root_x: 0,
                root_y: 0,
                event_x: 0,
                event_y: 0,
                state: state(space.modifiers),
                same_screen: true,
            };
            server.connection.send_event(true, parent, mask, event)?;
            Ok(server.connection.flush()?)
        }
    }

    fn state(modifiers: Modifiers) -> KeyButMask {
        [
            (modifiers.shift, KeyButMask::SHIFT),
            (modifiers.ctrl, KeyButMask::CONTROL),
            (modifiers.alt, KeyButMask::MOD1),
        ]
        .into_iter()
        .filter(|(held, _)| *held)
        .fold(KeyButMask::default(), |state, (_, mask)| state | mask)
    }

    impl Server {
        fn connect() -> Result<Self, Box<dyn Error>> {
            let (connection, screen) = RustConnection::connect(None)?;
            let setup = connection.setup();
            let root = setup.roots.get(screen).ok_or("no screen")?.root;
            let (first, last) = (setup.min_keycode, setup.max_keycode);
            let keys = connection
                .get_keyboard_mapping(first, last - first + 1)?
                .reply()?;
            let each = usize::from(keys.keysyms_per_keycode.max(1));
            let place = keys
                .keysyms
                .chunks(each)
                .position(|keysyms| keysyms.contains(&SPACE))
                .ok_or("no key writes a space")?;
            let keycode = first + u8::try_from(place)?;
            Ok(Self {
                connection,
                root,
                keycode,
            })
        }
    }
}

/// Elsewhere the framework hands keys back, or keeps them.
#[cfg(not(target_os = "linux"))]
#[derive(Default)]
pub struct HostKeys;

#[cfg(not(target_os = "linux"))]
impl HostKeys {
    fn send(&mut self, _parent: u32, _space: Space) {}
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_space_bar_alone_is_taken() {
        let key = |key, pressed| Event::Key {
            key,
            physical_key: None,
            pressed,
            repeat: false,
            modifiers: Modifiers::SHIFT,
        };
        let text = |text: &str| Event::Text(text.into());
        let mut events = vec![
            key(Key::Space, true),
            text(" "),
            key(Key::A, true),
            text("a"),
            key(Key::Space, false),
        ];
        let taken = take_space(&mut events);
        assert_eq!(events, [key(Key::A, true), text("a")]);
        let space = |pressed| Space {
            pressed,
            modifiers: Modifiers::SHIFT,
        };
        assert_eq!(taken, [space(true), space(false)]);
    }
}
