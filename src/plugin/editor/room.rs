//! How large a window may be opened: what there is room for on the screen that it opens on. A window
//! that reaches beyond it has its lower part, and the corner that would make it smaller, out of reach.

use egui::{Vec2, vec2};
use nice_plug::prelude::ParentWindowHandle;

use crestline_core::session::MIN_EDITOR_SIZE;

/// What the host puts around a window, points: a title, a line of its own controls (common practice).
const HOSTS_OWN: Vec2 = vec2(16.0, 72.0);

/// The size, points, that is nearest to `wanted` and fits a screen with this much `room`, which is
/// told in units of which a point has `scale`. Never less than the window's least.
pub fn fitting(wanted: Vec2, room: Option<Vec2>, scale: f32) -> Vec2 {
    let Some(room) = room else { return wanted };
    let most = room / scale - HOSTS_OWN;
    wanted.min(most).max(Vec2::from(MIN_EDITOR_SIZE))
}

/// Room on the screen that the host's window lies on, without the system's own bars where it tells of
/// them: pixels, on macOS points. `None` where it cannot be known. Called on the main thread.
#[cfg(target_os = "linux")]
pub fn of_screen(parent: Option<&ParentWindowHandle>) -> Option<Vec2> {
    use x11rb::connection::Connection as _;
    let (connection, screen) = x11rb::connect(None).ok()?;
    let screen = connection.setup().roots.get(screen)?;
    let parent = super::keys::x11_window(parent);
    let monitor = of_monitor(&connection, screen.root, parent).ok().flatten();
    let [width, height] =
        monitor.unwrap_or([screen.width_in_pixels, screen.height_in_pixels].map(f32::from));
    Some(vec2(width, height))
}

/// Size of the monitor that the middle of the window `parent` lies on, or else of the first one. To X11
/// all of them are one screen (the extension `RandR`, version 1.5).
#[cfg(target_os = "linux")]
fn of_monitor(
    connection: &impl x11rb::connection::Connection,
    root: u32,
    parent: u32,
) -> Result<Option<[f32; 2]>, x11rb::errors::ReplyError> {
    use x11rb::protocol::randr::ConnectionExt as _;
    use x11rb::protocol::xproto::ConnectionExt as _;
    let monitors = connection.randr_get_monitors(root, true)?.reply()?.monitors;
    let middle = || {
        let size = connection.get_geometry(parent)?.reply()?;
        let [x, y] = [size.width, size.height].map(|length| (length / 2).cast_signed());
        connection
            .translate_coordinates(parent, root, x, y)?
            .reply()
    };
    let at = middle().map(|at| [at.dst_x, at.dst_y]);
    let holds = |[x, y]: [i16; 2]| {
        monitors.iter().find(|monitor| {
            let inside = |at: i16, from: i16, length: u16| {
                (0..i32::from(length)).contains(&(i32::from(at) - i32::from(from)))
            };
            inside(x, monitor.x, monitor.width) && inside(y, monitor.y, monitor.height)
        })
    };
    let monitor = at.ok().and_then(holds).or_else(|| monitors.first());
    Ok(monitor.map(|monitor| [monitor.width, monitor.height].map(f32::from)))
}

/// The same.
#[cfg(windows)]
#[expect(unsafe_code, reason = "the system is called")]
pub fn of_screen(parent: Option<&ParentWindowHandle>) -> Option<Vec2> {
    use windows_sys::Win32::Graphics::Gdi::{
        GetMonitorInfoW, MONITOR_DEFAULTTOPRIMARY, MONITORINFO, MonitorFromWindow,
    };
    let window = match parent {
        Some(ParentWindowHandle::Win32Hwnd(window)) => window.get(),
        _ => 0,
    };
    let mut info = MONITORINFO {
        cbSize: size_of::<MONITORINFO>() as u32,
        ..MONITORINFO::default()
    };
    // SAFETY: any number may be passed for a window, the primary screen stands in for one that there
    // is not; the structure tells its size.
    let told = unsafe {
        let screen = MonitorFromWindow(window as _, MONITOR_DEFAULTTOPRIMARY);
        GetMonitorInfoW(screen, &raw mut info)
    };
    let work = info.rcWork;
    let size = vec2(
        (work.right - work.left) as f32,
        (work.bottom - work.top) as f32,
    );
    (told != 0).then_some(size)
}

/// The same.
#[cfg(target_os = "macos")]
pub fn of_screen(_parent: Option<&ParentWindowHandle>) -> Option<Vec2> {
    let main_thread = objc2::MainThreadMarker::new()?;
    // The one with the window that has the keyboard: the host's.
    let screen = objc2_app_kit::NSScreen::mainScreen(main_thread)?;
    let size = screen.visibleFrame().size;
    Some(vec2(size.width as f32, size.height as f32))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_window_is_no_larger_than_its_screen() {
        let wanted = vec2(1180.0, 820.0);
        let on = |width, height, scale| fitting(wanted, Some(vec2(width, height)), scale);
        assert_eq!(fitting(wanted, None, 1.0), wanted);
        assert_eq!(on(1920.0, 1040.0, 1.0), wanted);
        // The same screen at 150 %.
        assert_eq!(on(1920.0, 1040.0, 1.5), vec2(1180.0, 1040.0 / 1.5 - 72.0));
        assert_eq!(on(1024.0, 768.0, 1.0), vec2(1008.0, 696.0));
        // What is smaller than the least is scrolled.
        assert_eq!(on(320.0, 200.0, 1.0), Vec2::from(MIN_EDITOR_SIZE));
    }
}
