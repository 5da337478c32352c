//! What the editor writes and reads: exports of the history, and the user's own windows. The window
//! never waits for a file, says where it went, and says what is wrong in one line.

#![expect(
    clippy::unwrap_used,
    reason = "a test stops at the first thing that goes wrong"
)]

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crestline_core::handover::Column;
use crestline_core::session::user_targets;
use crestline_core::session::{Limits, TargetChoice, TargetWindow, my_target};
use crestline_plugin::editor::Files;
use egui::Key;
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use kit::pause::pause;
use nice_plug::prelude::Param;
use rig::editor_stage::{SIZE, Stage, open};

/// An empty directory of this name.
fn directory(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR"))
        .join("editor files")
        .join(name);
    let _ = fs::remove_dir_all(&path);
    path
}

/// Chooses from the menu of the history.
fn export(harness: &mut Harness<'_, Stage>, what: &str) {
    harness.get_by_label("export ▾").click();
    harness.run_steps(3);
    harness.get_by_label(what).click();
}

/// A window in front of ten seconds of a tone, whose files go to `directory`.
fn opened_at(directory: &Path) -> Harness<'static, Stage> {
    let mut stage = Stage::default().with_files(Files {
        exports: Some(directory.join("exports")),
        windows: Some(directory.join("windows.json")),
        starts: Some(directory.join("starting points")),
    });
    let tone: Vec<f32> = (0..480_000_u32)
        .map(|frame| 0.3 * (frame as f32 * 0.1).sin())
        .collect();
    stage.play([&tone, &tone]);
    open(stage, SIZE, 1.0)
}

/// Draws frames until something is said that contains `words`.
fn until_notice(harness: &mut Harness<'_, Stage>, words: &str) -> String {
    for _ in 0..5_000 {
        harness.step();
        if let Some(node) = harness.query_by_label_contains(words) {
            // What is only text is told as a value.
            let node = node.accesskit_node();
            return node.label().or(node.value()).unwrap();
        }
    }
    unreachable!("“{words}” was never notice");
}

fn files_in(directory: &Path) -> Vec<PathBuf> {
    let mut files: Vec<_> = fs::read_dir(directory)
        .unwrap()
        .map(|file| file.unwrap().path())
        .collect();
    files.sort();
    files
}

/// RFC 4180: a heading, then one record a line; here one line each 100 ms.
#[test]
fn the_history_is_saved_as_a_table() {
    let directory = directory("table");
    let mut harness = opened_at(&directory);
    export(&mut harness, "save CSV");
    let notice = until_notice(&mut harness, "Saved as");
    let files = files_in(&directory.join("exports"));
    let [file] = files.as_slice() else {
        unreachable!("one file, not {files:?}")
    };
    assert_eq!(notice, format!("Saved as {}", file.display()));
    let name = file.file_name().unwrap().to_str().unwrap();
    assert!(
        name.starts_with("Loudness 20") && name.ends_with(" UTC.csv"),
        "{name}"
    );
    let table = fs::read_to_string(file).unwrap();
    let lines: Vec<&str> = table.split_terminator("\r\n").collect();
    assert_eq!(lines.len(), 101);
    for line in &lines {
        assert_eq!(line.split(',').count(), 1 + Column::ALL.len());
    }
    for column in Column::ALL {
        assert!(lines[0].contains(column.name()), "{}", column.name());
    }
    // The words are put away by a click.
    harness.get_by_label_contains("Saved as").click();
    harness.run_steps(2);
    assert!(harness.query_by_label_contains("Saved as").is_none());
}

/// PNG (ISO/IEC 15948) read back by an independent library: the strip's colours are in it, and two
/// pictures never share a name.
#[test]
fn the_history_is_saved_as_a_picture_and_nothing_is_overwritten() {
    let directory = directory("picture");
    let mut harness = opened_at(&directory);
    for _ in 0..2 {
        export(&mut harness, "save PNG");
        until_notice(&mut harness, "Saved as");
        harness.get_by_label_contains("Saved as").click();
        harness.run_steps(2);
    }
    let files = files_in(&directory.join("exports"));
    assert_eq!(files.len(), 2);
    let picture = image::open(&files[0]).unwrap().into_rgb8();
    assert_eq!(picture.dimensions(), (2_400, 720));
    let count = |colour: [u8; 3]| picture.pixels().filter(|pixel| pixel.0 == colour).count();
    // The panel, the well of the plot, and the output's curve.
    assert!(count([0x1C, 0x1E, 0x25]) > 300_000);
    assert!(count([0x15, 0x17, 0x1C]) > 300_000);
    assert!(count([0xE6, 0x9F, 0x00]) > 1_000);
    assert_eq!(fs::read(&files[0]).unwrap(), fs::read(&files[1]).unwrap());
}

#[test]
fn what_cannot_be_written_is_told_with_cause_and_remedy() {
    let directory = directory("refused");
    fs::create_dir_all(&directory).unwrap();
    fs::write(directory.join("exports"), "a file, not a folder").unwrap();
    let mut harness = opened_at(&directory);
    export(&mut harness, "save PNG");
    let notice = until_notice(&mut harness, "could not be written");
    assert!(
        notice.contains("exports") && notice.contains("make room there"),
        "{notice}"
    );
    let mut harness = open(Stage::default(), SIZE, 1.0);
    export(&mut harness, "save CSV");
    until_notice(&mut harness, "names no documents");
}

// In the smallest window the line has little more room than the warning beside it takes, and what
// comes after it is the switch of bypass: a click that puts the answer away must not reach that.
#[test]
fn an_answer_never_lies_over_the_switches_beside_it() {
    let stage = Stage::default();
    stage.set_plain(|params| &params.matched, true);
    let mut harness = open(stage, SIZE, 1.0);
    let params = harness.state().params.clone();
    harness.get_by_label("Listen to Input").click();
    harness.run_steps(3);
    export(&mut harness, "save CSV");
    until_notice(&mut harness, "names no documents");
    harness.set_size(egui::vec2(700.0, 480.0));
    harness.run_steps(3);
    let answer = harness.get_by_label_contains("names no documents");
    let bypass = harness.get_by_label(params.bypass.name());
    let (answer, bypass) = (answer.rect(), bypass.rect());
    assert!(
        answer.width() > 60.0 && answer.right() < bypass.left(),
        "{answer} {bypass}"
    );
}

// What is recorded is said at all times: whatever else is said gives way to it.
#[test]
fn what_is_recorded_is_cut_for_nothing() {
    let mut stage = Stage::default();
    stage.set_plain(|params| &params.push, 12.0);
    let noise = kit::signals::white_noise(5, 0.05, 240_000);
    stage.play([&noise, &noise]);
    let mut harness = open(stage, SIZE, 1.0);
    harness.get_by_label("Listen to Clean").click();
    harness
        .state()
        .set_plain(|params| &params.band[1].solo, true);
    harness.run_steps(3);
    let words = "host records: clean, not the output, low-mid band only";
    let alone = harness.get_by_label(words).rect().width();
    harness.state().set_plain(|params| &params.push, 18.0);
    harness.run_steps(2);
    export(&mut harness, "save CSV");
    until_notice(&mut harness, "names no documents");
    assert!(
        harness
            .query_by_label_contains("Loud sound harms")
            .is_some()
    );
    assert_eq!(harness.get_by_label(words).rect().width(), alone);
}

/// Opens the list of windows.
fn open_list(harness: &mut Harness<'_, Stage>) {
    harness.get_by_label_contains("▾ ").click();
    harness.run_steps(4);
}

// Of "-12" neither the "-1" on the way is meant nor what that would push aside; a unit and a decimal
// comma may be typed, and no end passes the other.
#[test]
fn a_limit_that_is_typed_counts_when_it_is_whole() {
    let mut harness = open(Stage::default(), SIZE, 1.0);
    let params = harness.state().params.clone();
    open_list(&mut harness);
    harness.get_by_label("new: my target").click();
    harness.run_steps(4);
    let limits = || params.session.get().target().loudness_lufs;
    assert_eq!(limits(), Limits::between(-11.0, -9.0));
    for (typed, low) in [
        ("-12", -12.0),
        ("-10,5 LUFS", -10.5),
        ("-14 dB", -10.5),
        ("-3", -9.2),
    ] {
        let before = limits();
        harness.get_by_label("lowest loudness, LUFS").click();
        harness.run_steps(3);
        harness.key_press_modifiers(egui::Modifiers::COMMAND, Key::A);
        harness.run_steps(1);
        for letter in typed.chars() {
            harness.event(egui::Event::Text(letter.into()));
            harness.run_steps(1);
            assert_eq!(limits(), before, "{typed}");
        }
        harness.key_press(Key::Enter);
        harness.run_steps(3);
        assert_eq!(limits(), Limits::between(low, -9.0), "{typed}");
    }
}

#[test]
fn a_window_is_made_named_limited_opened_and_kept_for_all_sessions() {
    let directory = directory("keep");
    let mut harness = opened_at(&directory);
    let params = harness.state().params.clone();
    open_list(&mut harness);
    harness.get_by_label("new: my target").click();
    harness.run_steps(4);
    harness.get_by_label("Name of the window").focus();
    harness.run_steps(2);
    harness.key_press_modifiers(egui::Modifiers::COMMAND, Key::A);
    harness.run_steps(1);
    harness
        .get_by_label("Name of the window")
        .type_text("Late show");
    harness.run_steps(2);
    harness.key_press(Key::Enter);
    harness.run_steps(4);
    assert_eq!(
        params.session.get().window,
        TargetChoice::User("Late show".into())
    );
    for limit in [
        "Limit lowest loudness",
        "Limit lowest PLR",
        "Limit highest short-term",
    ] {
        harness.get_by_label(limit).click();
        harness.run_steps(3);
    }
    let window = params.session.get().target().clone();
    let expected = TargetWindow {
        name: "Late show".into(),
        loudness_lufs: Limits::at_most(-9.0),
        plr_db: Limits {
            low: Some(8.0),
            high: None,
        },
        short_term_max_lufs: Some(-6.0),
        ..my_target()
    };
    assert_eq!(window, expected);
    harness.get_by_label("lowest PLR, dB").increment_accesskit();
    harness.run_steps(3);
    assert!(params.session.get().target().plr_db.low > Some(8.0));
    harness.get_by_label("keep for all sessions").click();
    until_notice(&mut harness, "is kept in");
    let path = directory.join("windows.json");
    assert_eq!(
        user_targets::load(&path).unwrap(),
        [params.session.get().target().clone()]
    );
    // Another session finds it in the list.
    let mut other = opened_at(&directory);
    let params = other.state().params.clone();
    let session = &params.session;
    for _ in 0..50 {
        other.step();
    }
    open_list(&mut other);
    for _ in 0..5_000 {
        other.step();
        if other.query_by_label_contains("Late show").is_some() {
            break;
        }
    }
    other.get_by_label_contains("Late show").click();
    other.run_steps(4);
    assert_eq!(session.get().target(), params.session.get().target());
    assert!(other.query_by_label("kept for all sessions").is_some());
    other.get_by_label("delete").click();
    until_notice(&mut other, "no longer kept");
    assert_eq!(user_targets::load(&path).unwrap(), []);
    assert_eq!(session.get().own_windows, []);
    // It can be taken back for ten seconds, in the session and in the file.
    let undo = "“Late show” is deleted: undo";
    other.get_by_label_contains(undo).click();
    until_notice(&mut other, "is kept in");
    let back = user_targets::load(&path).unwrap();
    assert_eq!(back.len(), 1);
    assert_eq!(session.get().target(), &back[0]);
    assert!(other.query_by_label_contains(undo).is_none());
}

#[test]
fn a_window_that_was_deleted_can_be_taken_back_for_ten_seconds() {
    let directory = directory("deleted");
    let mut harness = opened_at(&directory);
    let params = harness.state().params.clone();
    let session = &params.session;
    open_list(&mut harness);
    harness.get_by_label("new: my target").click();
    harness.run_steps(4);
    let window = session.get().target().clone();
    harness.get_by_label("delete").click();
    harness.run_steps(4);
    assert_eq!(session.get().own_windows, []);
    harness
        .get_by_label_contains("is deleted: undo (10 s)")
        .click();
    harness.run_steps(4);
    assert_eq!(session.get().own_windows, [window]);
    // In this session only: nothing was written.
    assert!(!directory.join("windows.json").exists());
    // A click beside the list closes it.
    open_list(&mut harness);
    harness.get_by_label("delete").click();
    // Sixty frames a second, and a few.
    harness.run_steps(9 * 60 + 10);
    assert!(
        harness
            .query_by_label_contains("is deleted: undo (1 s)")
            .is_some()
    );
    harness.run_steps(70);
    assert!(harness.query_by_label_contains("is deleted").is_none());
    assert_eq!(session.get().own_windows, []);
}

#[test]
fn a_damaged_file_of_windows_is_told_in_one_line() {
    let directory = directory("damaged");
    fs::create_dir_all(&directory).unwrap();
    fs::write(directory.join("windows.json"), "{\"version\":1,").unwrap();
    let mut harness = opened_at(&directory);
    let notice = until_notice(&mut harness, "is damaged");
    assert!(
        notice.contains("windows.json") && notice.contains("mend it"),
        "{notice}"
    );
    assert!(!notice.contains('\n'));
    // Once, and not in the place of something else: a window that is opened again reads it again.
    harness.get_by_label_contains("is damaged").click();
    harness.run_steps(3);
    harness.state_mut().reopen();
    for _ in 0..50 {
        harness.step();
        pause(Duration::from_millis(2));
        assert!(harness.query_by_label_contains("is damaged").is_none());
    }
}

/// A starting point of one's own is kept as a file, offered in the list, and sets what it was.
#[test]
fn a_starting_point_is_kept_and_begun_with() {
    let directory = directory("starting points");
    let mut before = opened_at(&directory);
    before.run_steps(20);
    let mut harness = opened_at(&directory);
    let params = harness.state().params.clone();
    harness
        .state()
        .set_plain(|params| &params.saturator.shoulder, 4.5);
    harness
        .state()
        .set_plain(|params| &params.limiter.automatic_release, false);
    harness.run_steps(3);
    harness.get_by_label("Starting points").click();
    harness.run_steps(3);
    harness.get_by_label("Name of the starting point").focus();
    harness.run_steps(2);
    harness
        .get_by_label("Name of the starting point")
        .type_text("Late show");
    harness.run_steps(2);
    harness.get_by_label("keep the present settings").click();
    until_notice(&mut harness, "“Late show” is kept as");
    let files = files_in(&directory.join("starting points"));
    assert_eq!(files.len(), 1);
    harness
        .state()
        .set_plain(|params| &params.saturator.shoulder, 2.0);
    harness
        .state()
        .set_plain(|params| &params.limiter.automatic_release, true);
    // A window opened later finds it too, and one that has been opened before.
    let mut later = opened_at(&directory);
    before.state_mut().reopen();
    for harness in [&mut harness, &mut later, &mut before] {
        harness.run_steps(300);
        harness.get_by_label("Starting points").click();
        harness.run_steps(3);
        harness.get_by_label("Late show").click();
        harness.run_steps(3);
    }
    for params in [
        params,
        later.state().params.clone(),
        before.state().params.clone(),
    ] {
        assert!((params.saturator.shoulder.value() - 4.5).abs() < 1e-3);
        assert!(!params.limiter.automatic_release.value());
    }
}
