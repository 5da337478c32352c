//! A click in the plug-in's real window takes effect, in both formats, with and without audio. On a
//! screen without a monitor; see [`window`](crate::window).
#![cfg(target_os = "linux")]

use crate::clap::{linked, noise};
use crate::window::on_a_screen;
use egui_kittest::kittest::Queryable;
use rig::clap_host::Result;
use rig::editor_stage::{SIZE, Stage, open};
use rig::screen::HostWindow;
use rig::vst3_host::Vst3Host;
use std::time::{Duration, Instant};

/// A machine that does other things besides may take so long over anything.
const PATIENCE: Duration = Duration::from_secs(30);

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
            std::thread::park_timeout(Duration::from_millis(200));
            window.click()?;
            clicked = Some(Instant::now());
        }
        std::thread::park_timeout(Duration::from_millis(10));
    }
    Ok(false)
}

#[expect(clippy::cast_sign_loss, reason = "a window has a size")]
fn size() -> [u32; 2] {
    SIZE.map(|points| points as u32)
}

// A host that says it processes and plays nothing never brings the edit.
#[test]
fn without_audio_a_click_takes_effect_by_itself() {
    on_a_screen(
        "window_edits::without_audio_a_click_takes_effect_by_itself",
        || {
            let mut host = linked();
            host.activate(48_000.0, 480)?;
            host.run(rig::clap_host::Run::new(&noise(2, 4_800, 0.1, 1), &[480]))?;
            let listen = host.param("Listen")?.id;
            let window = HostWindow::show(size())?;
            host.open_window(window.id())?;
            let taken = click(&window, "Listen to Clean", || {
                host.idle()?;
                let value = host.value(listen)?;
                Ok(host.text(listen, value)? == "Clean")
            })?;
            assert!(taken, "nothing came of the click");
            host.close_window()
        },
    );
}

// Before it has taken effect it is in the state that is saved.
#[test]
fn a_click_is_saved_before_any_audio_brings_it() {
    on_a_screen(
        "window_edits::a_click_is_saved_before_any_audio_brings_it",
        || {
            let mut host = linked();
            host.activate(48_000.0, 480)?;
            let window = HostWindow::show(size())?;
            host.open_window(window.id())?;
            let saved = click(&window, "Listen to Residue", || {
                host.idle()?;
                let state = host.save()?;
                Ok(String::from_utf8_lossy(&state).contains("residue"))
            })?;
            assert!(saved, "nothing came of the click");
            host.close_window()
        },
    );
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
