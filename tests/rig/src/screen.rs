//! A screen without a monitor: an X server of its own for each test, the host's window on it, and a
//! camera.

use image::RgbaImage;
use kit::skip::skip;
use std::error::Error;
use std::io::{BufRead, BufReader, Write as _};
use std::process::{Child, Command, Stdio};
use x11rb::CURRENT_TIME;
use x11rb::connection::Connection;
use x11rb::protocol::Event;
use x11rb::protocol::randr::{ConnectionExt as _, MonitorInfo};
use x11rb::protocol::xproto::{
    BUTTON_PRESS_EVENT, BUTTON_RELEASE_EVENT, ChangeWindowAttributesAux, ConfigureWindowAux,
    ConnectionExt, CreateWindowAux, EventMask, ImageFormat, ImageOrder, KEY_PRESS_EVENT,
    KEY_RELEASE_EVENT, MOTION_NOTIFY_EVENT, WindowClass,
};
use x11rb::protocol::xtest::ConnectionExt as _;
use x11rb::rust_connection::RustConnection;

/// What goes wrong here is for a reader, not for a program.
pub type Result<T> = std::result::Result<T, Box<dyn Error>>;

/// The libraries that a window is drawn with, either of which will do.
const DRAWING: [&str; 2] = ["libEGL.so.1", "libGL.so.1"];

/// The space bar of a usual keyboard (evdev's keycodes, which Xvfb has).
pub const SPACE_KEY: u8 = 65;
/// The same of the letter M, and of control.
pub const M_KEY: u8 = 58;
pub const CONTROL_KEY: u8 = 37;
/// What a US keyboard has Y and Z on.
pub const YZ_KEYS: [u8; 2] = [29, 52];

/// A running X server, ended when dropped.
pub struct Screen {
    server: Child,
    name: String,
}

impl Screen {
    /// Starts a server on a free display, of this size. The error says what this system lacks.
    pub fn start([width, height]: [u32; 2]) -> Result<Self> {
        if !DRAWING.into_iter().any(can_be_loaded) {
            return Err(format!("none of {} can be loaded", DRAWING.join(", ")).into());
        }
        let mut server = Command::new("Xvfb")
            // The server looks for a free display itself and says which it has taken, once it takes
            // connections.
            .args(["-displayfd", "1"])
            .args(["-screen", "0", &format!("{width}x{height}x24")])
            .args(["-nolisten", "tcp", "-noreset"])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|error| format!("Xvfb cannot be run ({error})"))?;
        let mut number = String::new();
        if let Some(stdout) = server.stdout.take() {
            BufReader::new(stdout).read_line(&mut number)?;
        }
        let name = format!(":{}", number.trim());
        if number.trim().is_empty() {
            let status = server.wait()?;
            return Err(format!("Xvfb has ended with {status}").into());
        }
        Ok(Self { server, name })
    }

    /// Lets a program draw here, without a graphics card.
    pub fn lend_to<'a>(&self, program: &'a mut Command) -> &'a mut Command {
        program
            .env("DISPLAY", &self.name)
            .env("LIBGL_ALWAYS_SOFTWARE", "1")
            .env_remove("WAYLAND_DISPLAY")
            .env_remove("XAUTHORITY")
    }
}

/// Runs a test, named by its path, in a process of its own on a screen of its own: the libraries
/// that draw find the screen in the environment, and a crash in the window is then one failed test.
/// Lines of it that begin with `window: ` are told.
pub fn on_a_screen(test: &str, work: fn() -> Result<()>) {
    on_a_screen_of([1_920, 1_300], test, work);
}

/// The same on a screen of this size.
pub fn on_a_screen_of(size: [u32; 2], test: &str, work: fn() -> Result<()>) {
    const CHILD: &str = "CRESTLINE_WINDOW_TEST";
    if std::env::var_os(CHILD).is_some() {
        return work().unwrap();
    }
    let screen = match Screen::start(size) {
        Ok(screen) => screen,
        Err(lack) => {
            let hint = format!("{lack}; `cargo xtask setup` installs what is missing");
            assert!(std::env::var_os("CI").is_none(), "{hint}");
            return skip(test, &hint);
        }
    };
    let mut child = Command::new(std::env::current_exe().unwrap());
    child
        .args([test, "--exact", "--nocapture"])
        .env(CHILD, "1")
        // What is given back goes back to the system at once, so that what the process holds is
        // what is in use.
        .env("GLIBC_TUNABLES", "glibc.malloc.mmap_threshold=131072:glibc.malloc.trim_threshold=131072:glibc.malloc.arena_max=1");
    let output = screen.lend_to(&mut child).output().unwrap();
    let printed = String::from_utf8_lossy(&output.stdout);
    let complained = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success(),
        "{}\n{printed}\n{complained}",
        output.status
    );
    for line in printed.lines().filter(|line| line.starts_with("window: ")) {
        // To be read even when the test passes.
        let _ = writeln!(std::io::stderr(), "{line}");
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        // It may have ended by itself, which is as good.
        let _ = self.server.kill();
        let _ = self.server.wait();
    }
}

fn can_be_loaded(library: &str) -> bool {
    #[expect(
        unsafe_code,
        reason = "loading a library runs what it does at its start"
    )]
    // SAFETY: both libraries are made to be loaded at any time, and the editor loads them too.
    unsafe { libloading::Library::new(library) }.is_ok()
}

/// The host's window, on the screen that `DISPLAY` names.
pub struct HostWindow {
    connection: RustConnection,
    root: u32,
    id: u32,
}

impl HostWindow {
    /// Shows an empty window in the screen's corner.
    pub fn show([width, height]: [u32; 2]) -> Result<Self> {
        let (connection, screen) = RustConnection::connect(None)?;
        let screen = &connection.setup().roots[screen];
        let (root, visual, black) = (screen.root, screen.root_visual, screen.black_pixel);
        let id = connection.generate_id()?;
        connection.create_window(
            x11rb::COPY_DEPTH_FROM_PARENT,
            id,
            root,
            0,
            0,
            u16::try_from(width)?,
            u16::try_from(height)?,
            0,
            WindowClass::INPUT_OUTPUT,
            visual,
            &CreateWindowAux::new().background_pixel(black),
        )?;
        connection.map_window(id)?;
        // The server has done all that before it answers.
        connection.get_input_focus()?.reply()?;
        Ok(Self {
            connection,
            root,
            id,
        })
    }

    /// Has the screen consist of monitors side by side, each of this width and height.
    pub fn set_monitors(&self, sizes: &[[u16; 2]]) -> Result<()> {
        let mut x = 0;
        for (number, [width, height]) in sizes.iter().enumerate() {
            let name = format!("monitor-{number}");
            let name = self.connection.intern_atom(false, name.as_bytes())?;
            let monitor = MonitorInfo {
                name: name.reply()?.atom,
                x,
                width: *width,
                height: *height,
                ..MonitorInfo::default()
            };
            self.connection
                .randr_set_monitor(self.root, monitor)?
                .check()?;
            x += i16::try_from(*width)?;
        }
        Ok(())
    }

    /// Its number on the server.
    pub fn id(&self) -> u32 {
        self.id
    }

    /// Gives it another size.
    pub fn resize(&self, [width, height]: [u32; 2]) -> Result<()> {
        let size = ConfigureWindowAux::new().width(width).height(height);
        Ok(self.connection.configure_window(self.id, &size)?.check()?)
    }

    /// The window within, if there is one.
    fn inner(&self) -> Result<Option<u32>> {
        let tree = self.connection.query_tree(self.id)?.reply()?;
        Ok(tree.children.first().copied())
    }

    /// Whether nothing is in it.
    pub fn is_empty(&self) -> Result<bool> {
        Ok(self.inner()?.is_none())
    }

    /// What is on the screen where the window within it lies; `None` while that is not shown.
    pub fn picture(&self) -> Result<Option<RgbaImage>> {
        let Some(inner) = self.inner()? else {
            return Ok(None);
        };
        let place = self.connection.get_geometry(inner)?.reply()?;
        // The server refuses pixels of a window that is not shown yet.
        let Ok(image) = self
            .connection
            .get_image(
                ImageFormat::Z_PIXMAP,
                inner,
                0,
                0,
                place.width,
                place.height,
                u32::MAX,
            )?
            .reply()
        else {
            return Ok(None);
        };
        let swapped = self.connection.setup().image_byte_order == ImageOrder::MSB_FIRST;
        let pixels = image.data.chunks_exact(4).flat_map(|pixel| match *pixel {
            [_, red, green, blue] if swapped => [red, green, blue, u8::MAX],
            [blue, green, red, _] => [red, green, blue, u8::MAX],
            _ => [0; 4],
        });
        let size = [place.width, place.height].map(u32::from);
        Ok(RgbaImage::from_raw(size[0], size[1], pixels.collect()))
    }

    /// Moves the mouse to a place within.
    pub fn point_at(&self, place: [i16; 2]) -> Result<()> {
        self.fake(MOTION_NOTIFY_EVENT, 0, place)
    }

    /// Presses and releases the left mouse button where the mouse is.
    pub fn click(&self) -> Result<()> {
        self.press_button(true)?;
        self.press_button(false)
    }

    /// Presses or releases the left mouse button.
    pub fn press_button(&self, pressed: bool) -> Result<()> {
        const LEFT: u8 = 1;
        let kind = if pressed {
            BUTTON_PRESS_EVENT
        } else {
            BUTTON_RELEASE_EVENT
        };
        self.fake(kind, LEFT, [0; 2])
    }

    /// Presses and releases a key, which goes to whichever window has the keyboard. The number is
    /// the server's: [`SPACE_KEY`] for one.
    pub fn press_key(&self, keycode: u8) -> Result<()> {
        self.fake(KEY_PRESS_EVENT, keycode, [0; 2])?;
        self.fake(KEY_RELEASE_EVENT, keycode, [0; 2])
    }

    /// From now on the screen's keyboard has this letter on a key.
    pub fn write_on_key(&self, keycode: u8, letter: char) -> Result<()> {
        let keysyms = [letter, letter.to_ascii_uppercase()].map(u32::from);
        let change = self
            .connection
            .change_keyboard_mapping(1, keycode, 2, &keysyms)?;
        Ok(change.check()?)
    }

    /// Presses a key and holds it, or releases it.
    pub fn hold_key(&self, keycode: u8, held: bool) -> Result<()> {
        let kind = if held {
            KEY_PRESS_EVENT
        } else {
            KEY_RELEASE_EVENT
        };
        self.fake(kind, keycode, [0; 2])
    }

    /// From now on the host keeps to itself how large the window within is: whoever asks the server
    /// to resize that asks the host, who does nothing about it. Tells the host of keys, too.
    pub fn keep_to_itself(&self) -> Result<()> {
        let events =
            EventMask::SUBSTRUCTURE_REDIRECT | EventMask::KEY_PRESS | EventMask::KEY_RELEASE;
        let attributes = ChangeWindowAttributesAux::new().event_mask(events);
        let change = self
            .connection
            .change_window_attributes(self.id, &attributes)?;
        Ok(change.check()?)
    }

    /// The keys that have been pressed in the host's own window since the last time, by number.
    pub fn keys_pressed(&self) -> Result<Vec<u8>> {
        self.connection.get_input_focus()?.reply()?;
        let mut pressed = Vec::new();
        while let Some(event) = self.connection.poll_for_event()? {
            match event {
                Event::KeyPress(event) => pressed.push(event.detail),
                // A window that wants to be seen is not kept from that.
                Event::MapRequest(event) => {
                    self.connection.map_window(event.window)?.check()?;
                }
                _ => {}
            }
        }
        Ok(pressed)
    }

    /// Resizes the window within, as a host does that has accepted a size.
    pub fn resize_inner(&self, [width, height]: [u32; 2]) -> Result<()> {
        let inner = self.inner()?.ok_or("no window within")?;
        let size = ConfigureWindowAux::new().width(width).height(height);
        Ok(self.connection.configure_window(inner, &size)?.check()?)
    }

    /// Does to the server what a mouse does.
    fn fake(&self, kind: u8, button: u8, [x, y]: [i16; 2]) -> Result<()> {
        self.connection
            .xtest_fake_input(kind, button, CURRENT_TIME, self.root, x, y, 0)?
            .check()?;
        Ok(())
    }
}
