//! The plug-in's window in a host that keeps to itself how large the window is and which keys it
//! gets. Linux only, as `window.rs` is.
#![cfg(target_os = "linux")]

use crate::window::{at_rest, at_rest_in, idle};
use crestline_core::session::DEFAULT_EDITOR_SIZE;
use egui_kittest::kittest::Queryable;
use rig::clap_host::{ClapHost, Result, Run};
use rig::editor_stage::{RATE_HZ, opened as opened_stage, opened_at};
use rig::screen::{HostWindow, M_KEY, SPACE_KEY, on_a_screen, on_a_screen_of};
use std::time::{Duration, Instant};

const BLOCK: usize = 480;
/// A machine that does other things besides may take so long over anything.
const PATIENCE: Duration = Duration::from_secs(20);

fn activated() -> Result<(ClapHost, HostWindow)> {
    let mut host = ClapHost::linked(&crestline_plugin::clap_entry)?;
    host.activate(RATE_HZ, BLOCK)?;
    let window = HostWindow::show(host.window_size()?)?;
    Ok((host, window))
}

/// The size, points, that the next window is to have.
fn assert_saved_size(host: &mut ClapHost, [width, height]: [u32; 2]) -> Result<()> {
    let state = host.save()?;
    let session = String::from_utf8_lossy(&state);
    let size = format!("{width}.0,{height}.0");
    assert!(session.contains(&size), "{size} in {session}");
    Ok(())
}

fn opened() -> Result<(ClapHost, HostWindow)> {
    let (mut host, window) = activated()?;
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

// The screen of a small laptop, as large in points as one of 1920 by 1080 at 140 %.
#[test]
fn it_opens_no_larger_than_its_screen() {
    on_a_screen_of(
        [1_366, 768],
        "window_host::it_opens_no_larger_than_its_screen",
        || {
            let (mut host, window) = activated()?;
            host.open_window(window.id())?;
            let [width, height] = DEFAULT_EDITOR_SIZE.map(|points| points as u32);
            // The host's own frame is left its place.
            let fitting = [width, 768 - 72];
            at_rest_in(&mut host, &window, fitting)?;
            // It is still to be as large elsewhere, and nothing has to be saved for it.
            assert_eq!(host.times_unsaved(), 0);
            assert_saved_size(&mut host, [width, height])?;
            // What the user makes of it is kept, also where that is what it was opened in.
            for size in [[900, 600], fitting] {
                window.resize(size)?;
                host.resize_window(size)?;
                at_rest_in(&mut host, &window, size)?;
                assert_saved_size(&mut host, size)?;
            }
            host.close_window()
        },
    );
}

// To X11 both monitors are one screen.
#[test]
fn it_opens_no_larger_than_its_monitor() {
    on_a_screen_of(
        [3_286, 1_080],
        "window_host::it_opens_no_larger_than_its_monitor",
        || {
            let (mut host, window) = activated()?;
            window.set_monitors(&[[1_366, 768], [1_920, 1_080]])?;
            host.open_window(window.id())?;
            let [width, _] = DEFAULT_EDITOR_SIZE.map(|points| points as u32);
            at_rest_in(&mut host, &window, [width, 768 - 72])?;
            host.close_window()
        },
    );
}

// The user's own zoom takes effect after the first frame, and makes the window larger.
#[test]
fn it_opens_no_larger_than_its_screen_when_it_is_zoomed() {
    on_a_screen_of(
        [1_920, 1_080],
        "window_host::it_opens_no_larger_than_its_screen_when_it_is_zoomed",
        || {
            let (mut host, window) = activated()?;
            let mut state = host.save()?;
            let zoom = br#"zoom\":1.0"#;
            let at = state.windows(zoom.len()).position(|part| part == zoom);
            state[at.unwrap() + zoom.len() - 1] = b'5';
            host.load_state(&state)?;
            host.open_window(window.id())?;
            let [width, height] = DEFAULT_EDITOR_SIZE.map(|points| points as u32);
            at_rest_in(&mut host, &window, [width * 3 / 2, 1_080 - 72 * 3 / 2])?;
            assert_saved_size(&mut host, [width, height])?;
            host.close_window()
        },
    );
}

// A larger zoom leaves room for less: the lower part, and the menu that leads back, would be out of
// reach.
#[test]
fn zoomed_in_it_stays_on_its_screen() {
    on_a_screen_of(
        [1_920, 1_080],
        "window_host::zoomed_in_it_stays_on_its_screen",
        || {
            let (mut host, window) = activated()?;
            host.open_window(window.id())?;
            let normal = DEFAULT_EDITOR_SIZE.map(|points| points as u32);
            at_rest_in(&mut host, &window, normal)?;
            // The host's own frame is left its place, at this zoom.
            let zoomed = [1_920 - 2 * 16, 1_080 - 2 * 72];
            for (zoom, size) in [(b'2', zoomed), (b'1', normal)] {
                let mut state = host.save()?;
                let key = br#"zoom\":"#;
                let at = state.windows(key.len()).position(|part| part == key);
                state[at.unwrap() + key.len()] = zoom;
                host.load_state(&state)?;
                pass(&mut host, Duration::from_millis(500))?;
                let wanted = host.wanted_window_size().unwrap_or(size);
                window.resize(wanted)?;
                at_rest_in(&mut host, &window, size)?;
                assert_saved_size(&mut host, normal)?;
            }
            host.close_window()
        },
    );
}

// X11 tells of a key that is held as one that is let go and pressed again and again.
#[test]
fn a_key_that_is_held_down_is_pressed_once() {
    on_a_screen(
        "window_host::a_key_that_is_held_down_is_pressed_once",
        || {
            let (mut host, window) = opened()?;
            let matched = host.param("Matched listening")?.id;
            // A click gives the window the keyboard.
            window.point_at([600, 6])?;
            pass(&mut host, Duration::from_millis(200))?;
            window.click()?;
            pass(&mut host, Duration::from_millis(300))?;
            let (set, mut changes) = (host.value(matched)?, 0);
            let mut last = set;
            window.hold_key(M_KEY, true)?;
            let start = Instant::now();
            while start.elapsed() < Duration::from_secs(2) {
                host.run(Run::new(&vec![vec![0.0; BLOCK]; 2], &[BLOCK]))?;
                idle(&mut host)?;
                let value = host.value(matched)?;
                changes += usize::from(value != last);
                last = value;
            }
            window.hold_key(M_KEY, false)?;
            assert_eq!(changes, 1);
            host.close_window()
        },
    );
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
            // A click gives the window the keyboard, here while it opens the limiter.
            let [button, value] = limiter();
            click_at(&mut host, &window, button)?;
            window.press_key(SPACE_KEY)?;
            let start = Instant::now();
            let mut keys = Vec::new();
            while keys.is_empty() && start.elapsed() < PATIENCE {
                pass(&mut host, Duration::from_millis(50))?;
                keys = window.keys_pressed()?;
            }
            assert_eq!(keys, [SPACE_KEY]);
            // A click at the ceiling's value opens a field.
            click_at(&mut host, &window, value)?;
            window.press_key(SPACE_KEY)?;
            pass(&mut host, Duration::from_secs(1))?;
            assert_eq!(window.keys_pressed()?, [0; 0]);
            host.close_window()
        },
    );
}

/// Clicks there and waits for what comes of it.
fn click_at(host: &mut ClapHost, window: &HostWindow, at: [i16; 2]) -> Result<()> {
    window.point_at(at)?;
    at_rest(host, window)?;
    window.click()?;
    pass(host, Duration::from_millis(500))?;
    at_rest(host, window)?;
    Ok(())
}

/// The button that opens the limiter, and where the value of its ceiling then stands, by the
/// project's own painter.
fn limiter() -> [[i16; 2]; 2] {
    let closed = opened_stage();
    let button = closed.get_by_label("Open limiter").rect().center();
    let track = opened_at("limiter").get_by_label("Ceiling").rect();
    let value = egui::pos2(track.right() - 6.0, track.top() + 8.0);
    [button, value].map(|at| [at.x as i16, at.y as i16])
}
