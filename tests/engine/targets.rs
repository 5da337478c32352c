//! Target windows, the turn-down, and what is saved of them.
//!
//! Sources: the documents that each window names, as transcribed in the project's list of check
//! values; RFC 8259 for JSON; the XDG Base Directory Specification 0.8 for where files lie.

#![expect(
    clippy::unwrap_used,
    reason = "a file that cannot be listed is a failed test"
)]

use crestline_core::measure::{BAND_COUNT, Readings};
use crestline_core::session::reference::{Figures, PROFILE_VERSION, Profile, Reference};
use crestline_core::session::user_targets::{UserFileError, keep, load, save, user_file};
use crestline_core::session::{
    BUILT_IN, Judgement, Limits, MAX_EDITOR_SIZE, MAX_OWN_WINDOWS, MIN_EDITOR_SIZE, PlaneMode,
    Section, Session, TargetChoice, TargetWindow, ThemeChoice, built_in, rink_floor, turn_down,
};
use proptest::prelude::*;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Target and tolerance below and above it (LU), and highest true peak (dBTP), as each document has
/// them.
#[test]
fn built_in_windows_say_what_their_documents_say() {
    let documents = [
        // EBU R 128 v5: −23.0 LUFS, ±0.2 LU for measurement, ±1.0 LU where not practical, −1 dBTP.
        (
            "ebu-r128",
            "EBU R 128, version 5 (2023)",
            -23.0,
            [0.2, 0.2],
            -1.0,
        ),
        (
            "ebu-r128-live",
            "EBU R 128, version 5 (2023)",
            -23.0,
            [1.0, 1.0],
            -1.0,
        ),
        // R 128 s1 v3: −23.0 ±0.2, −1.
        (
            "ebu-r128-s1",
            "EBU R 128 s1, version 3 (2020)",
            -23.0,
            [0.2, 0.2],
            -1.0,
        ),
        // A/85:2013: −24 LKFS, about ±2 dB for measurement, below −2 dBTP.
        (
            "atsc-a85",
            "ATSC A/85:2013, alike in the edition of 2026-07",
            -24.0,
            [2.0, 2.0],
            -2.0,
        ),
        // TR-B32 v1.6: −24 LKFS ±1, −1.
        (
            "arib-tr-b32",
            "ARIB TR-B32, version 1.6 (March 2025)",
            -24.0,
            [1.0, 1.0],
            -1.0,
        ),
        // OP-59: −24 LKFS ±1, −2.
        ("free-tv-op59", "Free TV OP-59", -24.0, [1.0, 1.0], -2.0),
        // AES77-2023: music −16 ±0.2, −1.
        (
            "aes77-track",
            "AES77-2023 (AES TD1008, 2021)",
            -16.0,
            [0.2, 0.2],
            -1.0,
        ),
        // TD1008: loudest track of an album −14, upper tolerance 0.2 alone, −1.
        (
            "aes-td1008-album",
            "AES TD1008 (2021)",
            -14.0,
            [0.0, 0.2],
            -1.0,
        ),
    ];
    assert_eq!(documents.len(), BUILT_IN.len());
    for (id, document, target_lufs, [below_lu, above_lu], ceiling_dbtp) in documents {
        let built_in = built_in(id).unwrap();
        assert_eq!(built_in.document, document);
        let window = &built_in.window;
        let Limits {
            low: Some(low),
            high: Some(high),
        } = window.loudness_lufs
        else {
            panic!("{id} is open")
        };
        assert!((target_lufs - below_lu - low).abs() < 1e-9, "{id}: {low}");
        assert!((target_lufs + above_lu - high).abs() < 1e-9, "{id}: {high}");
        assert_eq!(window.ceiling_dbtp, Some(ceiling_dbtp), "{id}");
        // None of them states a limit of PLR.
        assert_eq!(window.plr_db, Limits::OPEN, "{id}");
        assert!(!built_in.note.is_empty());
    }
    let ids: BTreeSet<_> = BUILT_IN.iter().map(|built_in| built_in.id).collect();
    let names: BTreeSet<_> = BUILT_IN
        .iter()
        .map(|built_in| &built_in.window.name)
        .collect();
    assert_eq!((ids.len(), names.len()), (BUILT_IN.len(), BUILT_IN.len()));
    // R 128 s1 v3: short-term loudness at most −18.0 LUFS, tolerance 0.2 LU.
    assert_eq!(
        built_in("ebu-r128-s1").unwrap().window.short_term_max_lufs,
        Some(-17.8)
    );
    assert_eq!(built_in("nothing"), None);
}

#[test]
fn a_window_judges_each_quantity_by_itself() {
    let readings = Readings {
        integrated_lufs: Some(-8.9),
        plr_db: Some(7.9),
        true_peak_dbtp: Some(-1.0),
        ..Readings::default()
    };
    let verdict = rink_floor().judge(&readings);
    assert_eq!(verdict.loudness, Judgement::Above);
    assert_eq!(verdict.plr, Judgement::Below);
    assert_eq!(verdict.true_peak, Judgement::In);
    assert_eq!(verdict.short_term_max, Judgement::Unknown);
    assert_eq!(
        TargetWindow::default().judge(&readings).loudness,
        Judgement::In
    );
    let words = [
        Judgement::Below,
        Judgement::In,
        Judgement::Above,
        Judgement::Unknown,
    ]
    .map(Judgement::word);
    assert_eq!(words, ["below", "in", "above", "unknown"]);
}

/// The figure beside the word has one decimal: −9.04 is shown as −9.0, and −9.06 as −9.1.
#[test]
fn a_value_is_judged_as_it_is_shown() {
    let limits = Limits::between(-11.0, -9.0);
    for (value, judgement) in [
        (-8.94, Judgement::Above),
        (-8.96, Judgement::In),
        (-9.0, Judgement::In),
        (-11.04, Judgement::In),
        (-11.06, Judgement::Below),
        (f64::NAN, Judgement::Unknown),
        (f64::INFINITY, Judgement::Unknown),
    ] {
        assert_eq!(limits.judge(Some(value)), judgement, "{value}");
    }
    assert_eq!(limits.judge(None), Judgement::Unknown);
    assert_eq!(Limits::at_most(-1.0).judge(Some(-0.94)), Judgement::Above);
    assert_eq!(Limits::OPEN.judge(Some(1e9)), Judgement::In);
}

// A figure is shown with one decimal, as `{:.1}` writes it, and so is the end of a window that was
// typed in hundredths.
#[test]
fn the_end_of_a_window_is_judged_as_it_is_shown() {
    for hundredths in -2_000..-1_000 {
        let typed = f64::from(hundredths) / 100.0;
        let window = TargetWindow {
            loudness_lufs: Limits {
                low: Some(typed),
                high: None,
            },
            ..TargetWindow::default()
        }
        .sanitised();
        let limits = window.loudness_lufs;
        let shown: f64 = format!("{:.1}", limits.low.unwrap()).parse().unwrap();
        assert_eq!(limits.judge(Some(shown)), Judgement::In, "{typed}");
        assert_eq!(limits.judge(Some(shown - 0.1)), Judgement::Below, "{typed}");
    }
}

/// PLR does not change under a gain: it is a difference of two levels that both move by it.
#[test]
fn playback_turns_a_loud_master_down_and_a_quiet_one_up_to_its_peaks() {
    let close = |left: f64, right: f64| assert!((left - right).abs() < 1e-9, "{left} {right}");
    // Loud and squashed: 5 dB down, which leaves 5 dB of peak that could have been kept.
    let loud = turn_down(-14.0, Some(-9.0), Some(-1.0)).unwrap();
    close(loud.gain_db, -5.0);
    close(loud.loudness_lufs, -14.0);
    close(loud.true_peak_dbtp, -6.0);
    close(loud.plr_db, 8.0);
    close(loud.unused_peak_db, 5.0);
    // Quiet with room: up to the level.
    let quiet = turn_down(-14.0, Some(-18.0), Some(-8.0)).unwrap();
    close(quiet.gain_db, 4.0);
    close(quiet.loudness_lufs, -14.0);
    close(quiet.true_peak_dbtp, -4.0);
    // Quiet and peaky: up to the ceiling of −1 dBTP, no further.
    let peaky = turn_down(-14.0, Some(-20.0), Some(-3.0)).unwrap();
    close(peaky.gain_db, 2.0);
    close(peaky.loudness_lufs, -18.0);
    close(peaky.true_peak_dbtp, -1.0);
    close(peaky.unused_peak_db, 0.0);
    // Quiet, and over the ceiling as it is: left alone.
    let over = turn_down(-14.0, Some(-20.0), Some(0.5)).unwrap();
    close(over.gain_db, 0.0);
    close(over.unused_peak_db, -1.5);
    // A loud master over the ceiling is turned down by no more than the level asks.
    close(
        turn_down(-14.0, Some(-13.0), Some(2.0)).unwrap().gain_db,
        -1.0,
    );
    assert_eq!(turn_down(-14.0, None, Some(-1.0)), None);
    assert_eq!(turn_down(-14.0, Some(f64::NEG_INFINITY), Some(-1.0)), None);
    assert_eq!(turn_down(-14.0, Some(-9.0), Some(f64::NAN)), None);
    close(
        turn_down(f64::NAN, Some(-9.0), Some(-1.0)).unwrap().gain_db,
        -5.0,
    );
}

fn full_session() -> Session {
    let mut session = Session {
        editor_size: [1_234.0, 700.5],
        zoom: 1.25,
        theme: ThemeChoice::Light,
        playback_lufs: -16.0,
        plane: PlaneMode::Microdynamics,
        ..Session::default()
    };
    session.choose_own(rink_floor());
    session
}

#[test]
fn a_session_survives_a_round_trip() {
    for session in [Session::default(), full_session()] {
        let json = serde_json::to_string(&session).unwrap();
        assert_eq!(serde_json::from_str::<Session>(&json).unwrap(), session);
        assert_eq!(session.clone().sanitised(), session);
    }
    assert_eq!(full_session().target(), &rink_floor());
    assert_eq!(
        Session::default().target(),
        &built_in("aes77-track").unwrap().window
    );
}

/// A saved session of version 1, whose like is out in projects: it must be read the same for ever.
#[test]
fn a_session_of_version_1_is_read() {
    let json = r#"{"version":1,"editor_size":[1234.0,700.5],"zoom":1.25,"theme":"light","window":{"own":"Rink floor"},
        "own_windows":[{"name":"Rink floor","loudness_lufs":{"low":-11.0,"high":-9.0},"plr_db":{"low":8.0,"high":11.0},"ceiling_dbtp":-1.0,
        "short_term_max_lufs":null}],"playback_lufs":-16.0,"plane":"microdynamics"}"#;
    assert_eq!(
        serde_json::from_str::<Session>(json).unwrap(),
        full_session()
    );
    assert_eq!(
        serde_json::from_str::<Session>("{}").unwrap(),
        Session::default()
    );
    let older = r#"{"version":1,"editor_size":[1000.0,700.0]}"#;
    let expected = Session {
        editor_size: [1_000.0, 700.0],
        ..Session::default()
    };
    assert_eq!(serde_json::from_str::<Session>(older).unwrap(), expected);
}

#[test]
fn one_bad_field_does_not_take_the_others_with_it() {
    let json = r#"{"version":99,"editor_size":"wide","zoom":[],"theme":"sepia","window":{"built_in":"no-such"},"plane":7,"later":{"a":[1]},
        "playback_lufs":-18.0,"own_windows":[5,{"name":""},{"name":"A","plr_db":{"low":9.0,"high":3.0}},{"name":"A"},{"loudness_lufs":0}]}"#;
    let session: Session = serde_json::from_str(json).unwrap();
    let window = TargetWindow {
        name: "A".into(),
        plr_db: Limits::between(3.0, 9.0),
        ..TargetWindow::default()
    };
    assert_eq!(
        session,
        Session {
            playback_lufs: -18.0,
            own_windows: vec![window],
            ..Session::default()
        }
    );
}

#[test]
fn hostile_sessions_are_brought_into_range() {
    let long = "x".repeat(10_000_000);
    let windows: Vec<_> = (0..10_000)
        .map(|number| format!(r#"{{"name":"{number}"}}"#))
        .collect();
    let json = format!(
        r#"{{"editor_size":[1e38,-5],"zoom":1e300,"playback_lufs":-1e308,"window":{{"own":"{long}"}},
        "own_windows":[{{"name":"{long}\n","ceiling_dbtp":1e300,"loudness_lufs":{{"low":-1e300}}}},{}]}}"#,
        windows.join(",")
    );
    let session: Session = serde_json::from_str(&json).unwrap();
    assert_eq!(
        session.editor_size,
        [MAX_EDITOR_SIZE[0], MIN_EDITOR_SIZE[1]]
    );
    assert_eq!((session.zoom, session.playback_lufs), (1.0, -30.0));
    assert_eq!(session.window, TargetChoice::default());
    assert_eq!(session.own_windows.len(), MAX_OWN_WINDOWS);
    let window = &session.own_windows[0];
    assert_eq!(
        (
            window.name.len(),
            window.ceiling_dbtp,
            window.loudness_lufs.low
        ),
        (48, Some(20.0), Some(-70.0))
    );
    assert!(serde_json::to_string(&session).unwrap().len() < 20_000);
    // What is not an object is an error that the framework reports, never a crash.
    for json in [
        "",
        "[]",
        "null",
        "7",
        "{\"zoom\":",
        &"[".repeat(1_000_000),
        &"{\"own_windows\":".repeat(100_000),
        r#"{"zoom":1e999}"#,
    ] {
        assert!(serde_json::from_str::<Session>(json).is_err());
    }
}

proptest! {
    /// Whatever numbers a program puts there: sanitised twice is sanitised once, and it survives
    /// JSON, which has no number for NaN.
    #[test]
    fn a_sanitised_session_stays_as_it_is(
        width in any::<f32>(), height in any::<f32>(), zoom in any::<f32>(), playback in any::<f64>(),
        limits in any::<[Option<f64>; 6]>(), name in any::<String>(), id in any::<String>(),
    ) {
        let [low, high, plr_low, plr_high, ceiling_dbtp, short_term_max_lufs] = limits;
        let window = TargetWindow {
            name: name.into(),
            loudness_lufs: Limits { low, high },
            plr_db: Limits { low: plr_low, high: plr_high },
            ceiling_dbtp,
            short_term_max_lufs,
        };
        let mut session = Session { editor_size: [width, height], zoom, playback_lufs: playback, window: TargetChoice::BuiltIn(id), ..Session::default() };
        session.choose_own(window);
        let sanitised = session.sanitised();
        prop_assert_eq!(&sanitised.clone().sanitised(), &sanitised);
        let json = serde_json::to_string(&sanitised).unwrap();
        prop_assert_eq!(serde_json::from_str::<Session>(&json).unwrap(), sanitised);
    }
}

/// XDG Base Directory Specification 0.8: "If `$XDG_CONFIG_HOME` is either not set or empty, a
/// default equal to `$HOME/.config` should be used". The other systems' places are those of `dirs`.
#[test]
#[cfg(target_os = "linux")]
fn user_files_lie_where_the_system_keeps_settings() {
    let set = |name| std::env::var_os(name).filter(|value| !value.is_empty());
    let settings = match set("XDG_CONFIG_HOME") {
        Some(settings) => PathBuf::from(settings),
        None => Path::new(&set("HOME").unwrap()).join(".config"),
    };
    assert_eq!(
        user_file(),
        Some(settings.join("crestline").join("windows.json"))
    );
}

/// An empty directory of this name.
fn directory(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR"))
        .join("targets")
        .join(name);
    let _ = fs::remove_dir_all(&path);
    path
}

fn files_in(directory: &Path) -> BTreeSet<String> {
    fs::read_dir(directory)
        .unwrap()
        .map(|file| file.unwrap().file_name().into_string().unwrap())
        .collect()
}

#[test]
fn user_windows_are_written_whole_and_read_again() {
    let directory = directory("round trip");
    let path = directory.join("deeper").join("windows.json");
    assert_eq!(load(&path).unwrap(), []);
    let windows = [
        rink_floor(),
        TargetWindow {
            name: "Other".into(),
            ..TargetWindow::default()
        },
    ];
    assert_eq!(save(&path, &windows).unwrap(), None);
    assert_eq!(load(&path).unwrap(), windows);
    assert_eq!(save(&path, &windows[1..]).unwrap(), None);
    assert_eq!(load(&path).unwrap(), windows[1..]);
    assert_eq!(
        files_in(path.parent().unwrap()),
        BTreeSet::from(["windows.json".into()])
    );
}

#[test]
fn instances_that_keep_windows_at_once_lose_none() {
    let path = directory("at once").join("windows.json");
    let name = |number: usize| format!("Window {number}");
    std::thread::scope(|scope| {
        for instance in 0..4 {
            let path = &path;
            scope.spawn(move || {
                for number in (instance..16).step_by(4) {
                    let window = TargetWindow {
                        name: name(number).into(),
                        ..TargetWindow::default()
                    };
                    // As a user would who is told to try again, where the disk is slow.
                    let kept = (0..60).any(|_| match keep(path, window.clone()) {
                        Err(UserFileError::Busy { .. }) => false,
                        result => result.map(|_| true).unwrap(),
                    });
                    assert!(kept);
                }
            });
        }
    });
    let kept: BTreeSet<String> = load(&path)
        .unwrap()
        .into_iter()
        .map(|window| window.name.into_owned())
        .collect();
    assert_eq!(kept, (0..16).map(name).collect());
}

/// A file that is full says so, and none of the windows in it gives way; one of them can be changed.
/// A session, which holds copies, lets go of the oldest.
#[test]
fn one_window_too_many_is_refused_by_the_file() {
    let path = directory("full").join("windows.json");
    let window = |number: usize| TargetWindow {
        name: format!("Window {number}").into(),
        ..TargetWindow::default()
    };
    let all: Vec<_> = (0..MAX_OWN_WINDOWS).map(window).collect();
    save(&path, &all).unwrap();
    let error = keep(&path, window(MAX_OWN_WINDOWS)).unwrap_err();
    assert!(matches!(error, UserFileError::Full { .. }));
    assert!(error.to_string().ends_with("delete one first."), "{error}");
    assert_eq!(load(&path).unwrap(), all);
    assert_eq!(
        keep(&path, window(3)).unwrap().windows.len(),
        MAX_OWN_WINDOWS
    );

    let mut session = Session::default();
    (0..MAX_OWN_WINDOWS + 2).for_each(|number| session.choose_own(window(number)));
    let all: Vec<_> = (2..MAX_OWN_WINDOWS + 2).map(window).collect();
    assert_eq!(session.own_windows, all);
}

#[test]
fn a_file_that_another_instance_is_writing_is_told_and_left_alone() {
    let directory = directory("busy");
    let path = directory.join("windows.json");
    keep(&path, rink_floor()).unwrap();
    let lock = fs::File::open(directory.join("windows.lock")).unwrap();
    lock.lock().unwrap();
    let error = keep(&path, TargetWindow::default()).unwrap_err();
    assert!(matches!(error, UserFileError::Busy { .. }));
    assert!(error.to_string().ends_with("another instance: try again."));
    assert_eq!(load(&path).unwrap(), [rink_floor()]);
}

#[test]
fn a_damaged_file_is_told_and_kept() {
    let directory = directory("damaged");
    fs::create_dir_all(&directory).unwrap();
    let path = directory.join("windows.json");
    let too_large = " ".repeat((1 << 20) + 1);
    let damages = [
        "",
        "{\"version\":1,\"windows\":[",
        "[1]",
        "{\"version\":2,\"windows\":[]}",
        "\u{0}\u{1}",
        too_large.as_str(),
    ];
    for (number, damage) in damages.into_iter().enumerate() {
        fs::write(&path, damage).unwrap();
        let error = load(&path).unwrap_err();
        assert!(
            matches!(error, UserFileError::Damaged { .. }),
            "{damage:?}: {error}"
        );
        assert!(error.to_string().contains("windows.json"));
        assert_eq!(fs::read_to_string(&path).unwrap(), damage);
        let kept = save(&path, &[rink_floor()]).unwrap().unwrap();
        assert_eq!(
            kept,
            directory.join(format!("windows.damaged-{}.json", number + 1))
        );
        assert_eq!(fs::read_to_string(kept).unwrap(), damage);
        assert_eq!(load(&path).unwrap(), [rink_floor()]);
    }
    assert_eq!(files_in(&directory).len(), 1 + damages.len());
}

#[test]
fn a_file_that_cannot_be_written_is_an_error_and_leaves_nothing_behind() {
    let directory = directory("unwritable");
    fs::create_dir_all(directory.join("windows.json").join("occupied")).unwrap();
    let path = directory.join("windows.json");
    assert!(matches!(
        save(&path, &[rink_floor()]),
        Err(UserFileError::Io { .. })
    ));
    assert_eq!(
        files_in(&directory),
        BTreeSet::from(["windows.json".into()])
    );
    let beneath_a_file = directory.join("file").join("windows.json");
    fs::write(directory.join("file"), "").unwrap();
    assert!(matches!(
        save(&beneath_a_file, &[]),
        Err(UserFileError::Io { .. })
    ));
}

/// Several instances may save at once: one of them wins, and the file is always whole.
#[test]
fn saving_from_several_threads_never_shows_half_a_file() {
    let path = directory("threads").join("windows.json");
    save(&path, &[rink_floor()]).unwrap();
    std::thread::scope(|scope| {
        for thread in 0..4 {
            let path = &path;
            scope.spawn(move || {
                for number in 0..25 {
                    let window = |copy| TargetWindow {
                        name: format!("{thread} {number} {copy}").into(),
                        ..rink_floor()
                    };
                    let windows: Vec<TargetWindow> = (0..=number).map(window).collect();
                    assert_eq!(save(path, &windows).unwrap(), None);
                    assert!(!load(path).unwrap().is_empty());
                }
            });
        }
    });
}

/// What a session keeps of a reference: its profile and where its file was. What cannot be compared
/// with is left out, and takes nothing else with it.
#[test]
fn a_reference_is_kept_and_a_senseless_one_is_not() {
    let figures = Figures {
        integrated_lufs: Some(-9.5),
        balance_db: [Some(-20.25); BAND_COUNT],
        ..Figures::default()
    };
    let profile = Profile {
        version: PROFILE_VERSION,
        name: "Turnstile".into(),
        sample_rate_hz: 48_000,
        channels: 2,
        lossy: false,
        section: Section::Loudest,
        whole: figures,
        part: figures,
    };
    let file = Some("/songs/Turnstile.wav".to_owned());
    let session = Session {
        reference: Some(Reference { profile, file }),
        zoom: 1.5,
        ..Session::default()
    };
    let json = serde_json::to_value(&session).unwrap();
    let read = |json: &serde_json::Value| serde_json::from_value::<Session>(json.clone()).unwrap();
    assert_eq!(read(&json), session);
    for (path, value) in [
        (
            "/reference/profile/version",
            serde_json::json!(PROFILE_VERSION + 1),
        ),
        (
            "/reference/profile/whole/integrated_lufs",
            serde_json::json!(null),
        ),
        (
            "/reference/profile/part/integrated_lufs",
            serde_json::json!(-1e300),
        ),
        ("/reference/profile/sample_rate_hz", serde_json::json!(0)),
        ("/reference/profile/channels", serde_json::json!(70)),
        (
            "/reference/profile/part/balance_db",
            serde_json::json!([1.0]),
        ),
        ("/reference", serde_json::json!("a song")),
    ] {
        let mut json = json.clone();
        *json.pointer_mut(path).unwrap() = value;
        let read = read(&json);
        assert_eq!((read.reference, read.zoom), (None, 1.5), "{path}");
    }
    let mut odd = json.clone();
    odd["reference"]["file"] = "x".repeat(100_000).into();
    odd["reference"]["profile"]["name"] = format!("a\n{}", "b".repeat(100_000)).into();
    odd["reference"]["profile"]["part"]["balance_db"][3] = serde_json::json!(1e200);
    let kept = read(&odd).reference.unwrap();
    assert_eq!((kept.file, kept.profile.part.balance_db[3]), (None, None));
    assert!(kept.profile.name.starts_with("ab") && kept.profile.name.len() < 200);
}
