//! What is done in the plug-in's real window takes effect, in both formats, with and without audio,
//! and what is held is let go. On a screen without a monitor; see [`window`](crate::window).
#![cfg(target_os = "linux")]

use crate::clap::{linked, noise};
use crate::window::at_rest;
use egui_kittest::kittest::Queryable;
use kit::pause::pause;
use rig::clap_host::{ClapHost, Result, Run};
use rig::editor_stage::{SIZE, Stage, open};
use rig::screen::{CONTROL_KEY, HostWindow, YZ_KEYS, on_a_screen, on_a_screen_of};
use rig::vst3_host::Vst3Host;
use std::time::{Duration, Instant};

/// A machine that does other things besides may take so long over anything.
const PATIENCE: Duration = Duration::from_mins(1);

/// Clicks at the place of a control, until `done` says that it has been seen; `false` if it never
/// is. A window that has just been opened may not listen yet.
fn click(window: &HostWindow, label: &str, mut done: impl FnMut() -> Result<bool>) -> Result<bool> {
    let harness = open(Stage::first_opened(), SIZE, 1.0);
    let at = harness.get_by_label(label).rect().center();
    let start = Instant::now();
    let mut clicked = None::<Instant>;
    while start.elapsed() < PATIENCE {
        if done()? {
            return Ok(true);
        }
        // Again where nothing has come of it.
        if clicked.is_none_or(|clicked| clicked.elapsed() > Duration::from_secs(3)) {
            window.point_at([at.x as i16, at.y as i16])?;
            pause(Duration::from_millis(200));
            window.click()?;
            clicked = Some(Instant::now());
        }
        pause(Duration::from_millis(10));
    }
    Ok(false)
}

#[expect(clippy::cast_sign_loss, reason = "a window has a size")]
fn size() -> [u32; 2] {
    SIZE.map(|points| points as u32)
}

/// Chooses what is listened to in the window of a host that plays nothing.
fn listen_to_clean(host: &mut ClapHost, window: &HostWindow) -> Result<()> {
    let listen = host.param("Listen")?.id;
    let taken = click(window, "Listen to Clean", || {
        host.idle()?;
        let value = host.value(listen)?;
        Ok(host.text(listen, value)? == "Clean")
    })?;
    assert!(taken, "nothing came of the click");
    Ok(())
}

// A host that says it processes and plays nothing never brings the edit.
#[test]
fn without_audio_a_click_takes_effect_by_itself() {
    on_a_screen(
        "window_edits::without_audio_a_click_takes_effect_by_itself",
        || {
            let mut host = linked();
            host.activate(48_000.0, 480)?;
            host.run(Run::new(&noise(2, 4_800, 0.1, 1), &[480]))?;
            let window = HostWindow::show(size())?;
            host.open_window(window.id())?;
            listen_to_clean(&mut host, &window)?;
            host.close_window()
        },
    );
}

// clap/ext/state.h, `load`: what is loaded is what there is, also in a block that comes later.
#[test]
fn a_clap_state_that_is_loaded_undoes_what_was_clicked_before() {
    on_a_screen(
        "window_edits::a_clap_state_that_is_loaded_undoes_what_was_clicked_before",
        || {
            let mut host = linked();
            host.activate(48_000.0, 480)?;
            let main = noise(2, 4_800, 0.1, 1);
            host.run(Run::new(&main, &[480]))?;
            let listen = host.param("Listen")?.id;
            let before = host.save()?;
            let window = HostWindow::show(size())?;
            host.open_window(window.id())?;
            listen_to_clean(&mut host, &window)?;
            host.load_state(&before)?;
            let told = std::sync::Mutex::new(Vec::new());
            host.run(Run {
                told: Some(&told),
                ..Run::new(&main, &[480])
            })?;
            let value = host.value(listen)?;
            assert_eq!(host.text(listen, value)?, "Output");
            let told = told.into_inner()?;
            assert!(told.iter().all(|(id, _)| *id != listen));
            host.close_window()
        },
    );
}

// What is told is what is saved, also before the parameter has moved: for a while only what waits
// tells the new value.
#[test]
fn a_click_is_saved_before_any_audio_brings_it() {
    on_a_screen(
        "window_edits::a_click_is_saved_before_any_audio_brings_it",
        || {
            let mut host = Vst3Host::new(2, 480);
            let listen = host.param("Listen").id;
            let window = HostWindow::show(size())?;
            host.open_window(window.id());
            let told = click(&window, "Listen to Residue", || {
                host.idle();
                Ok(host.text(listen, host.value(listen)) == "Residue")
            })?;
            assert!(told, "nothing came of the click");
            let mut other = Vst3Host::new(2, 480);
            other.load(&host.save());
            assert_eq!(other.text(listen, other.value(listen)), "Residue");
            host.close_window();
            Ok(())
        },
    );
}

// CLAP 1.2, clap/ext/state.h, `mark_dirty`; `ivsteditcontroller.h`, `setDirty`: the session is no
// parameter, and a host that is not told would let it be lost. To open the window changes nothing.
#[test]
fn a_host_is_told_of_a_change_that_is_no_parameter_in_clap() {
    on_a_screen(
        "window_edits::a_host_is_told_of_a_change_that_is_no_parameter_in_clap",
        || {
            let mut host = linked();
            host.activate(48_000.0, 480)?;
            let window = HostWindow::show(size())?;
            host.open_window(window.id())?;
            at_rest(&mut host, &window)?;
            assert_eq!(host.times_unsaved(), 0);
            let told = click(&window, "Plane shows PLR", || {
                host.idle()?;
                Ok(host.times_unsaved() > 0)
            })?;
            assert!(told, "the host knows of nothing to save");
            host.close_window()
        },
    );
}

#[test]
fn a_host_is_told_of_a_change_that_is_no_parameter_in_vst3() {
    on_a_screen(
        "window_edits::a_host_is_told_of_a_change_that_is_no_parameter_in_vst3",
        || {
            let mut host = Vst3Host::new(2, 480);
            let window = HostWindow::show(size())?;
            host.open_window(window.id());
            pass(&host, Duration::from_secs(2));
            assert_eq!(host.times_unsaved(), 0);
            let told = click(&window, "Plane shows PLR", || {
                host.idle();
                Ok(host.times_unsaved() > 0)
            })?;
            assert!(told, "the host knows of nothing to save");
            host.close_window();
            Ok(())
        },
    );
}

// `ivsteditcontroller.h`: to each `beginEdit` an `endEdit`.
#[test]
fn a_window_closed_while_a_value_is_held_lets_go_of_it() {
    on_a_screen(
        "window_edits::a_window_closed_while_a_value_is_held_lets_go_of_it",
        || {
            let mut host = Vst3Host::new(2, 480);
            let push = host.param("Push").id;
            let window = HostWindow::show(size())?;
            host.open_window(window.id());
            let harness = open(Stage::first_opened(), SIZE, 1.0);
            let at = harness.get_by_label("Push").rect().center();
            let start = Instant::now();
            // A window that has just been opened may not listen yet.
            while host.gestures(push)[0] == 0 {
                assert!(start.elapsed() < PATIENCE, "nothing came of the hand");
                window.press_button(false)?;
                window.point_at([at.x as i16, at.y as i16])?;
                pass(&host, Duration::from_millis(200));
                window.press_button(true)?;
                window.point_at([at.x as i16 + 30, at.y as i16])?;
                pass(&host, Duration::from_secs(1));
            }
            let [begun, ended] = host.gestures(push);
            assert_eq!(begun, ended + 1, "the value is not held");
            host.take_back_to(0.125);
            host.close_window();
            assert_eq!(host.gestures(push), [begun, begun]);
            let value = host.value(push);
            assert!((value - 0.125).abs() < 1e-6, "{value}");
            Ok(())
        },
    );
}

/// Lets time pass for the window and its host.
fn pass(host: &Vst3Host, time: Duration) {
    let start = Instant::now();
    while start.elapsed() < time {
        host.idle();
        pause(Duration::from_millis(10));
    }
}

/// Drags the window's corner outwards until the host has been asked for a size; `false` if it never
/// is.
fn drag_corner(host: &Vst3Host, window: &HostWindow, patience: Duration) -> Result<bool> {
    let before = host.sizes_asked().len();
    let start = Instant::now();
    while start.elapsed() < patience {
        let [x, y] = host.window_size().map(|size| size as i16 - 5);
        window.point_at([x, y])?;
        pass(host, Duration::from_millis(300));
        window.press_button(true)?;
        for step in 1..=4 {
            pass(host, Duration::from_millis(100));
            window.point_at([x + 10 * step, y + 5 * step])?;
        }
        pass(host, Duration::from_millis(300));
        window.press_button(false)?;
        pass(host, Duration::from_millis(300));
        if host.sizes_asked().len() > before {
            return Ok(true);
        }
    }
    Ok(false)
}

// `gui/iplugview.h`: a plug-in that wants another size calls `resizeView`, whose answer may be no;
// the host that agrees calls `onSize`.
#[test]
fn a_vst3_host_that_refuses_a_size_is_not_asked_again() {
    on_a_screen(
        "window_edits::a_vst3_host_that_refuses_a_size_is_not_asked_again",
        || {
            let mut host = Vst3Host::new(2, 480);
            let window = HostWindow::show(size())?;
            host.open_window(window.id());
            window.keep_to_itself()?;
            let before = host.window_size();
            assert!(drag_corner(&host, &window, PATIENCE)?, "never asked");
            let granted = host.window_size();
            assert_eq!(host.sizes_asked().last(), Some(&granted));
            assert!(granted[0] > before[0], "{granted:?}");
            // The host makes room, and lets the window have it.
            let room = granted.map(|size| size as u32);
            window.resize(room)?;
            window.resize_inner(room)?;
            pass(&host, Duration::from_secs(1));
            host.refuse_sizes();
            assert!(drag_corner(&host, &window, PATIENCE)?, "never asked");
            assert_eq!(host.window_size(), granted);
            // Nobody tells the plug-in that it was refused: it takes silence for that.
            pass(&host, Duration::from_secs(3));
            let asked = host.sizes_asked().len();
            let again = drag_corner(&host, &window, Duration::from_secs(2))?;
            assert!(!again, "asked again: {:?}", &host.sizes_asked()[asked..]);
            assert_eq!(host.window_size(), granted);
            host.close_window();
            Ok(())
        },
    );
}

// `gui/iplugviewcontentscalesupport.h`: the host tells the scale "directly before or after the plug-in
// view is attached".
#[test]
fn a_vst3_host_is_asked_for_the_size_of_the_scale_that_it_tells() {
    on_a_screen(
        "window_edits::a_vst3_host_is_asked_for_the_size_of_the_scale_that_it_tells",
        || {
            let scaled = SIZE.map(|points| (points * 1.5) as i32);
            let window = HostWindow::show(scaled.map(i32::unsigned_abs))?;
            for before in [true, false] {
                let mut host = Vst3Host::new(2, 480);
                host.open_window_at(window.id(), before.then_some(1.5));
                if !before {
                    pass(&host, Duration::from_millis(500));
                    host.tell_scale(1.5);
                }
                let start = Instant::now();
                while host.window_size() != scaled && start.elapsed() < PATIENCE {
                    pass(&host, Duration::from_millis(50));
                }
                assert_eq!(host.window_size(), scaled, "before: {before}");
                // The host had made room for another size.
                let asked = host.sizes_asked();
                assert!(asked.contains(&scaled), "before: {before}: {asked:?}");
                host.close_window();
            }
            Ok(())
        },
    );
}

// One size at each zoom: a host that answers late would grant the first of two at the other's zoom.
#[test]
fn a_zoom_asks_a_vst3_host_for_one_size() {
    on_a_screen_of(
        [1_920, 1_080],
        "window_edits::a_zoom_asks_a_vst3_host_for_one_size",
        || {
            let mut host = Vst3Host::new(2, 480);
            let window = HostWindow::show(size())?;
            host.open_window(window.id());
            pass(&host, Duration::from_secs(1));
            let normal = SIZE.map(|points| points as i32);
            let before = host.sizes_asked().len();
            for (zoom, wanted) in [(b'2', [1_920 - 32, 1_080 - 144]), (b'1', normal)] {
                let mut state = host.save();
                let key = br#"zoom\":"#;
                let at = state.windows(key.len()).position(|part| part == key);
                state[at.unwrap() + key.len()] = zoom;
                host.load(&state);
                let start = Instant::now();
                while host.window_size() != wanted && start.elapsed() < PATIENCE {
                    pass(&host, Duration::from_millis(50));
                }
                pass(&host, Duration::from_millis(500));
                assert_eq!(host.window_size(), wanted);
            }
            let asked = host.sizes_asked().split_off(before);
            assert_eq!(asked, [[1_888, 936], normal]);
            host.close_window();
            Ok(())
        },
    );
}

// `gui/iplugview.h`, `IRunLoop`: what is registered is unregistered, and what was opened closed.
#[test]
fn a_window_leaves_nothing_behind_in_a_vst3_host() {
    on_a_screen(
        "window_edits::a_window_leaves_nothing_behind_in_a_vst3_host",
        || {
            let mut host = Vst3Host::new(2, 480);
            let window = HostWindow::show(size())?;
            let mut open = Vec::new();
            for _ in 0..6 {
                host.open_window(window.id());
                assert_eq!(host.handlers(), 1);
                pass(&host, Duration::from_millis(500));
                host.close_window();
                assert_eq!(host.handlers(), 0);
                pass(&host, Duration::from_millis(200));
                open.push(std::fs::read_dir("/proc/self/fd")?.count());
            }
            println!("window: files open after each {open:?}");
            // What is opened once stays open.
            assert!(open[5] <= open[2], "{open:?}");
            Ok(())
        },
    );
}

// A German keyboard has Z where a US one has Y, and the other way round.
#[test]
fn undo_is_the_key_that_says_z() {
    on_a_screen("window_edits::undo_is_the_key_that_says_z", || {
        let mut host = linked();
        host.activate(48_000.0, 480)?;
        let saturator = host.param("Saturator")?.id;
        let window = HostWindow::show(host.window_size()?)?;
        host.open_window(window.id())?;
        at_rest(&mut host, &window)?;
        let main = noise(2, 480, 0.1, 2);
        let becomes = |host: &mut ClapHost, wanted: f64| {
            host.run(Run::new(&main, &[480]))?;
            host.idle()?;
            Ok(host.value(saturator)? == wanted)
        };
        let chord = |key: u8| -> Result<()> {
            window.hold_key(CONTROL_KEY, true)?;
            pause(Duration::from_millis(60));
            window.press_key(key)?;
            pause(Duration::from_millis(60));
            window.hold_key(CONTROL_KEY, false)
        };
        let [y, z] = YZ_KEYS;
        for (undo, redo) in [(z, y), (y, z)] {
            window.write_on_key(undo, 'z')?;
            window.write_on_key(redo, 'y')?;
            let clicked = click(&window, "Saturator", || becomes(&mut host, 1.0))?;
            assert!(clicked, "nothing came of the click");
            for (key, wanted) in [(undo, 0.0), (redo, 1.0), (undo, 0.0)] {
                // A gesture of its own.
                pause(Duration::from_millis(300));
                chord(key)?;
                let start = Instant::now();
                while !becomes(&mut host, wanted)? {
                    assert!(
                        start.elapsed() < Duration::from_secs(5),
                        "key {key}: not {wanted}"
                    );
                    pause(Duration::from_millis(10));
                }
            }
        }
        host.close_window()
    });
}

// The host drops the edits of what cannot be automated, and brings all others with its next block.
#[test]
fn while_audio_runs_a_vst3_host_brings_a_click_with_its_next_block() {
    on_a_screen(
        "window_edits::while_audio_runs_a_vst3_host_brings_a_click_with_its_next_block",
        || {
            let mut host = Vst3Host::new(2, 480);
            let listen = host.param("Listen").id;
            let window = HostWindow::show(size())?;
            host.open_window(window.id());
            let main = noise(2, 480, 0.1, 2);
            let taken = click(&window, "Listen to Input", || {
                host.run(&main, &[480], &[]);
                Ok(host.text(listen, host.value(listen)) == "Input")
            })?;
            assert!(taken, "nothing came of the click");
            host.run(&main, &[480], &[]);
            let brought = host.brought.iter().any(|(id, _)| *id == listen);
            assert!(brought, "the host has dropped the click");
            host.close_window();
            Ok(())
        },
    );
}
