//! The plug-in's window in a host that keeps to itself how large the window is and which keys it
//! gets. Linux only, as `window.rs` is.
#![cfg(target_os = "linux")]

use crate::window::{at_rest, at_rest_in, idle, on_a_screen};
use rig::clap_host::{ClapHost, Result};
use rig::editor_stage::RATE_HZ;
use rig::screen::{HostWindow, SPACE_KEY};
use std::time::{Duration, Instant};

const BLOCK: usize = 480;

fn opened() -> Result<(ClapHost, HostWindow)> {
    let mut host = ClapHost::linked(&crestline_plugin::clap_entry)?;
    host.activate(RATE_HZ, BLOCK)?;
    let window = HostWindow::show(host.window_size()?)?;
    host.open_window(window.id())?;
    at_rest(&mut host, &window)?;
    window.keep_to_itself()?;
    Ok((host, window))
}

/// Lets time pass for the window and its host.
fn pass(host: &mut ClapHost, time: Duration) -> Result<()> {
    let start = Instant::now();
    while start.elapsed() < time {
        idle(host)?;
    }
    Ok(())
}

/// Drags the window's corner by so many pixels.
fn drag_corner(host: &mut ClapHost, window: &HostWindow, by: [i16; 2]) -> Result<()> {
    let [width, height] = host.window_size()?.map(|size| size as i16);
    let [x, y] = [width - 5, height - 5];
    window.point_at([x, y])?;
    pass(host, Duration::from_millis(200))?;
    window.press_button(true)?;
    pass(host, Duration::from_millis(200))?;
    for step in 1..=4 {
        window.point_at([x + by[0] * step / 4, y + by[1] * step / 4])?;
        pass(host, Duration::from_millis(100))?;
    }
    window.press_button(false)?;
    pass(host, Duration::from_millis(300))
}

// CLAP 1.2, clap/ext/gui.h: `request_resize` returns whether the host accepts; it need not call
// `set_size` itself.
#[test]
fn the_corner_asks_the_host_and_takes_what_it_grants() {
    on_a_screen(
        "window_host::the_corner_asks_the_host_and_takes_what_it_grants",
        || {
            let (mut host, window) = opened()?;
            let [width, height] = host.window_size()?;
            drag_corner(&mut host, &window, [80, 40])?;
            let wanted = [width + 80, height + 40];
            assert_eq!(host.wanted_window_size(), Some(wanted));
            assert_eq!(host.window_size()?, wanted);
            // The host makes room, and lets the window have it.
            window.resize(wanted)?;
            window.resize_inner(wanted)?;
            at_rest_in(&mut host, &window, wanted)?;
            host.close_window()
        },
    );
}

#[test]
fn where_the_host_refuses_there_is_no_corner() {
    on_a_screen(
        "window_host::where_the_host_refuses_there_is_no_corner",
        || {
            let (mut host, window) = opened()?;
            let size = host.window_size()?;
            window.point_at([0, 0])?;
            let (before, _) = at_rest(&mut host, &window)?;
            host.refuse_sizes();
            drag_corner(&mut host, &window, [80, 40])?;
            let asked = host.resizes_asked();
            assert!(asked > 0, "the host was not asked");
            assert_eq!(host.window_size()?, size);
            // The grip is gone, and another drag asks for nothing.
            window.point_at([0, 0])?;
            let (after, _) = at_rest(&mut host, &window)?;
            assert_eq!(before.dimensions(), after.dimensions());
            let corner = |picture: &image::RgbaImage| {
                let [x, y] = size.map(|size| size - 14);
                image::imageops::crop_imm(picture, x, y, 14, 14).to_image()
            };
            assert!(corner(&before) != corner(&after), "the grip is still there");
            drag_corner(&mut host, &window, [40, 40])?;
            assert_eq!(host.resizes_asked(), asked);
            host.close_window()
        },
    );
}

#[test]
fn the_space_bar_is_the_hosts_unless_a_value_is_being_typed() {
    on_a_screen(
        "window_host::the_space_bar_is_the_hosts_unless_a_value_is_being_typed",
        || {
            let (mut host, window) = opened()?;
            window.keys_pressed()?;
            // A click gives the window the keyboard.
            window.point_at([600, 110])?;
            window.click()?;
            pass(&mut host, Duration::from_millis(300))?;
            window.press_key(SPACE_KEY)?;
            pass(&mut host, Duration::from_millis(500))?;
            assert_eq!(window.keys_pressed()?, [SPACE_KEY]);
            // Over the value of the push a click opens a field.
            let at = push_value();
            window.point_at(at)?;
            pass(&mut host, Duration::from_millis(200))?;
            window.click()?;
            pass(&mut host, Duration::from_millis(500))?;
            window.press_key(SPACE_KEY)?;
            pass(&mut host, Duration::from_millis(500))?;
            assert_eq!(window.keys_pressed()?, [0; 0]);
            host.close_window()
        },
    );
}

/// Where the value of the push is shown, by the project's own painter.
fn push_value() -> [i16; 2] {
    use egui_kittest::kittest::Queryable;
    let harness = rig::editor_stage::opened();
    let track = harness.get_by_label("Push").rect();
    [track.right() as i16 - 12, track.top() as i16 + 8]
}
