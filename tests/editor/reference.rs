//! The reference in the editor: how it comes in, what is refused and how that is said, what is
//! drawn of it, and what a click on its suggestion does.

#![expect(
    clippy::unwrap_used,
    reason = "a test stops at the first thing that goes wrong"
)]

use crate::pictures::{compare_after, forecast_of};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Arc, LazyLock};
use std::time::Duration;

use crestline_core::handover::{TapComparison, TapWriter, recent, tap};
use crestline_core::measure::ChannelRole;
use crestline_core::process::ShelvesSettings;
use crestline_core::session::forecast::{Forecasted, Forecaster, Stretch};
use crestline_core::session::reference::{Beside, Profile, Profiler, Reference, beside};
use crestline_core::session::{PlaneMode, Section, Session, ThemeChoice};
use crestline_files::{SampleFormat, WavFile};
use crestline_plugin::audition::AuditionState;
use crestline_plugin::editor::Files;
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use kit::pause::pause;
use nice_plug::params::persist::PersistentField;
use rig::editor_stage::{HostCall, RATE_HZ, SIZE, Stage, open, sent_to_host};
use songs::{rink_lights, turnstile};

/// An empty directory of this name.
fn directory(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR"))
        .join("editor reference")
        .join(name);
    let _ = fs::remove_dir_all(&path);
    fs::create_dir_all(&path).unwrap();
    path
}

/// Writes a stereo file of this tone, 1 kHz at a peak of −20 dBFS, times `gain`.
fn tone(path: &Path, seconds: usize, gain: f32) {
    let step = 2.0 * std::f32::consts::PI * 1_000.0 / 48_000.0;
    let mono: Vec<f32> = (0..48_000_u16)
        .map(|frame| gain * 0.1 * (step * f32::from(frame)).sin())
        .collect();
    let mut file = WavFile::create(path, 48_000, 2, SampleFormat::Int24, true).unwrap();
    for _ in 0..seconds {
        file.write(&[&mono, &mono]).unwrap();
    }
    file.finish().unwrap();
}

fn window() -> Harness<'static, Stage> {
    open(Stage::default(), SIZE, 1.0)
}

/// Chooses this in the menu of the reference.
fn choose(harness: &mut Harness<'_, Stage>, words: &str) {
    harness.get_by_label("Reference").click();
    harness.run_steps(3);
    harness.get_by_label(words).click();
    harness.run_steps(3);
}

/// Draws frames until something is said that contains `words`.
fn until_said(harness: &mut Harness<'_, Stage>, words: &str) -> String {
    for _ in 0..20_000 {
        harness.step();
        if harness.query_by_label_contains(words).is_some() {
            return words_of(harness, words);
        }
        // What is waited for works below normal priority.
        pause(Duration::from_millis(1));
    }
    unreachable!("“{words}” was never said");
}

/// All of the words that begin so, or contain it.
fn words_of(harness: &Harness<'_, Stage>, part: &str) -> String {
    let node = harness.get_by_label_contains(part);
    let node = node.accesskit_node();
    // What is only text is told as a value.
    node.label().or(node.value()).unwrap()
}

fn reference_of(harness: &Harness<'_, Stage>) -> Option<Reference> {
    harness.state().params.session.get().reference
}

/// What was listened to and is gone is not heard unasked when another one comes; and what was said of
/// it is no longer so.
#[test]
fn a_reference_that_is_removed_is_listened_to_no_more() {
    let path = directory("removed").join("tone.wav");
    tone(&path, 40, 1.0);
    let mut harness = window();
    let params = Arc::clone(&harness.state().params);
    harness.state_mut().load_reference(&path);
    until_said(&mut harness, "is the reference");
    harness.state().set_plain(|params| &params.reference, true);
    harness.run_steps(3);
    choose(&mut harness, "remove");
    harness.run_steps(3);
    assert_eq!(reference_of(&harness), None);
    assert!(!params.reference.value());
    assert!(
        harness
            .query_by_label_contains("is the reference")
            .is_none()
    );
}

/// A state that the host loads brings a reference of its own, or none: what was begun before does
/// not take its place afterwards.
#[test]
fn a_loaded_state_ends_what_was_under_way() {
    let path = directory("loaded").join("long.wav");
    tone(&path, 300, 1.0);
    let mut harness = window();
    let params = Arc::clone(&harness.state().params);
    harness.state_mut().load_reference(&path);
    harness.run_steps(2);
    assert!(harness.query_by_label("Stop measuring").is_some());
    params.loaded();
    harness.run_steps(3);
    assert!(harness.query_by_label("Stop measuring").is_none());
    let (writer, comparison) = tap(RATE_HZ, 2).unwrap();
    params.set_side_chain(Some(comparison.side_chain()));
    harness.get_by_label("Show balance").click();
    harness.run_steps(3);
    choose(&mut harness, "capture the side-chain");
    assert!(writer.is_captured());
    params.loaded();
    harness.run_steps(3);
    assert!(!writer.is_captured() && harness.query_by_label("Stop capturing").is_none());
    assert_eq!(reference_of(&harness), None);
}

/// EBU Tech 3341, 2.9: 1 kHz in both channels reads as its peak level, −20 LUFS here.
#[test]
fn an_audio_file_becomes_the_reference_of_the_session() {
    let directory = directory("audio");
    let path = directory.join("Harbour.wav");
    tone(&path, 40, 1.0);
    let mut harness = window();
    harness.state_mut().load_reference(&path);
    let said = until_said(&mut harness, "is the reference");
    assert_eq!(
        said,
        "“Harbour.wav” is the reference: its loudest 30 s, −20.0\u{a0}LUFS."
    );
    let Reference { profile, file } = reference_of(&harness).unwrap();
    assert_eq!(file.as_deref(), path.to_str());
    assert_eq!(profile.section, Section::Loudest);
    assert!((profile.part.integrated_lufs.unwrap() + 20.0).abs() < 0.05);
    // All of it, from its menu.
    harness.run_steps(3);
    harness.get_by_label("Reference").click();
    harness.run_steps(3);
    harness.get_by_label("all of it").click();
    harness.run_steps(2);
    for _ in 0..20_000 {
        harness.step();
        if reference_of(&harness).unwrap().profile.section == Section::Whole {
            break;
        }
        pause(Duration::from_millis(1));
    }
    let profile = reference_of(&harness).unwrap().profile;
    assert_eq!((profile.part.start_s, profile.part.end_s), (0.0, 40.0));
    harness.get_by_label("Reference").click();
    harness.run_steps(3);
    harness.get_by_label("remove").click();
    harness.run_steps(3);
    assert_eq!(reference_of(&harness), None);
    assert!(harness.query_by_label("Reference").is_some());
}

#[test]
fn a_saved_profile_is_a_reference_without_audio() {
    let directory = directory("profile");
    let audio = directory.join("Harbour.wav");
    tone(&audio, 5, 1.0);
    let exports = directory.join("exports");
    let stage = Stage::default().with_files(Files {
        exports: Some(exports.clone()),
        ..Files::default()
    });
    let mut harness = open(stage, SIZE, 1.0);
    harness.state_mut().load_reference(&audio);
    until_said(&mut harness, "is the reference");
    harness.run_steps(3);
    harness.get_by_label("Reference").click();
    harness.run_steps(3);
    harness.get_by_label("save its profile").click();
    until_said(&mut harness, "Saved as");
    let saved = fs::read_dir(&exports).unwrap().next().unwrap().unwrap();
    let name = saved.file_name().into_string().unwrap();
    assert!(name.starts_with("Profile Harbour.wav 20"), "{name}");
    let wanted = reference_of(&harness).unwrap().profile;
    let mut other = window();
    other.state_mut().load_reference(&saved.path());
    until_said(&mut other, "is the reference");
    let Reference { profile, file } = reference_of(&other).unwrap();
    assert_eq!((profile, file), (wanted, None));
}

/// One line each: the file, the cause, the remedy; and what there was before stays.
#[test]
fn what_cannot_be_a_reference_is_told_and_changes_nothing() {
    let directory = directory("refused");
    let good = directory.join("good.wav");
    tone(&good, 5, 1.0);
    let mut harness = window();
    harness.state_mut().load_reference(&good);
    until_said(&mut harness, "is the reference");
    let before = reference_of(&harness);
    tone(&directory.join("short.wav"), 2, 1.0);
    tone(&directory.join("silent.wav"), 5, 0.0);
    fs::write(directory.join("corrupt.wav"), [7_u8; 5_000]).unwrap();
    fs::write(directory.join("other.json"), "{\"version\":1}").unwrap();
    fs::write(directory.join("later.json"), "{\"version\":99}").unwrap();
    for (name, cause) in [
        ("short.wav", "less than 3 s cannot be compared"),
        ("silent.wav", "too quiet"),
        ("corrupt.wav", "corrupt.wav"),
        ("other.json", "not the profile"),
        ("later.json", "version 99"),
        ("missing.wav", "no such file"),
    ] {
        harness.state_mut().load_reference(&directory.join(name));
        let said = until_said(&mut harness, &format!("{name}: "));
        println!("{said}");
        assert!(said.contains(cause), "{said}");
        assert!(!said.contains('\n'), "{said}");
        assert_eq!(reference_of(&harness), before, "{name}");
        // Put away, so that the next can be told from it.
        harness.get_by_label_contains(&format!("{name}: ")).click();
        harness.run_steps(2);
    }
}

#[test]
fn a_long_file_is_given_up_at_a_click() {
    let directory = directory("long");
    let path = directory.join("long.wav");
    tone(&path, 300, 1.0);
    let mut harness = window();
    harness.state_mut().load_reference(&path);
    harness.run_steps(2);
    let button = harness.get_by_label("Stop measuring");
    button.click();
    harness.run_steps(3);
    assert!(harness.query_by_label("Stop measuring").is_none());
    assert!(harness.query_by_label("Reference").is_some());
    assert_eq!(reference_of(&harness), None);
    // A window that is closed in the middle waits for no more than a block of the file.
    harness.state_mut().load_reference(&path);
    drop(harness);
}

/// EBU Tech 3341, 2.9: 1 kHz in both channels reads as its peak level, −20 LUFS here.
#[test]
fn the_side_chain_becomes_the_reference_from_start_to_stop() {
    let mut harness = window();
    harness.get_by_label("Show balance").click();
    harness.run_steps(3);
    choose(&mut harness, "capture the side-chain");
    until_said(&mut harness, "let the host start its audio first");
    let (mut writer, comparison) = tap(RATE_HZ, 2).unwrap();
    let params = Arc::clone(&harness.state().params);
    params.set_side_chain(Some(comparison.side_chain()));
    // Stopped before anything came in.
    choose(&mut harness, "capture the side-chain");
    assert!(writer.is_captured());
    harness.get_by_label("Stop capturing").click();
    until_said(&mut harness, "Nothing came in by the side-chain");
    assert_eq!(reference_of(&harness), None);
    // A file's was listened to before; this one has no audio to listen to, the next may have again.
    params.session.update(|session| {
        session.reference = Some(Reference {
            profile: profile_of(&turnstile(48_000).channels, "Harbour.wav"),
            file: Some("Harbour.wav".into()),
        });
    });
    harness.state().set_plain(|params| &params.reference, true);
    harness.run_steps(3);
    assert!(params.reference.value());
    choose(&mut harness, "capture the side-chain");
    let step = 2.0 * std::f32::consts::PI * 1_000.0 / 48_000.0;
    let mono: Vec<f32> = (0..3 * 48_000_u32)
        .map(|frame| 0.1 * (step * (frame % 48) as f32).sin())
        .collect();
    writer.capture(&[&mono, &mono]);
    harness.step();
    harness.get_by_label("Stop capturing").click();
    until_said(&mut harness, "“side-chain” is the reference");
    assert!(!writer.is_captured());
    let reference = reference_of(&harness).unwrap();
    assert_eq!(reference.file, None);
    harness.run_steps(3);
    assert!(!params.reference.value());
    let lufs = reference.profile.whole.integrated_lufs.unwrap();
    assert!((lufs + 20.0).abs() < 0.1, "{lufs}");
}

#[test]
fn a_file_that_is_gone_leaves_the_profile_and_is_told() {
    let mut harness = window();
    let file = directory("gone").join("Harbour.wav");
    harness.state().params.session.update(|session| {
        session.reference = Some(Reference {
            profile: profile_of(&turnstile(48_000).channels, "Harbour.wav"),
            file: file.to_str().map(String::from),
        });
    });
    let said = until_said(&mut harness, "is not where it was");
    assert!(
        said.contains("Harbour.wav") && said.contains("Put it back"),
        "{said}"
    );
    assert!(reference_of(&harness).is_some());
    let words = words_of(&harness, "Plane: ");
    assert!(words.contains("reference"), "{words}");
}

/// A session that names a reference whose file is not there, in an instance that plays.
fn without_its_file(name: &str) -> (Harness<'static, Stage>, PathBuf) {
    let mut harness = window();
    let file = directory(name).join("Harbour.wav");
    let params = Arc::clone(&harness.state().params);
    drop(params.audition.connect(RATE_HZ, 2));
    params.session.update(|session| {
        session.reference = Some(Reference {
            profile: profile_of(&turnstile(48_000).channels, "Harbour.wav"),
            file: file.to_str().map(String::from),
        });
    });
    until_said(&mut harness, "is not where it was");
    until_loaded(&mut harness);
    assert!(matches!(
        params.audition.state(),
        AuditionState::NotAvailable(_)
    ));
    (harness, file)
}

/// Draws frames until what is to be heard is there, or is known not to be.
fn until_loaded(harness: &mut Harness<'_, Stage>) {
    for _ in 0..20_000 {
        harness.step();
        if !matches!(
            harness.state().params.audition.state(),
            AuditionState::Loading(_)
        ) {
            return;
        }
        pause(Duration::from_millis(1));
    }
    unreachable!("it was never loaded");
}

// Nothing was heard of the old one, so nobody asked to hear the new one instead of the mix.
#[test]
fn after_one_that_was_out_of_reach_the_next_is_not_heard_unasked() {
    let (mut harness, file) = without_its_file("out of reach");
    let params = Arc::clone(&harness.state().params);
    harness.state().set_plain(|params| &params.reference, true);
    harness.run_steps(3);
    let other = file.with_file_name("other.wav");
    tone(&other, 40, 1.0);
    harness.state_mut().load_reference(&other);
    until_said(&mut harness, "is the reference");
    until_loaded(&mut harness);
    assert_eq!(params.audition.state(), AuditionState::Ready);
    assert!(!params.reference.value());
}

#[test]
fn a_file_that_is_back_is_found_where_the_window_is_opened_or_the_state_loaded() {
    for opened in [true, false] {
        let (mut harness, file) = without_its_file("back");
        let params = Arc::clone(&harness.state().params);
        harness.state().set_plain(|params| &params.reference, true);
        tone(&file, 120, 1.0);
        // Another sample rate has nothing heard that nobody waits for any more.
        drop(params.audition.connect(2.0 * RATE_HZ, 2));
        harness.run_steps(3);
        assert!(params.audition.is_missing());
        if opened {
            harness.state_mut().reopen();
        } else {
            params.loaded();
        }
        harness.run_steps(3);
        until_loaded(&mut harness);
        assert_eq!(params.audition.state(), AuditionState::Ready, "{opened}");
        // A state brings its own switch with it.
        assert_eq!(params.reference.value(), !opened);
    }
}

/// Waits, without a frame, until a reference has been measured, and saves as a host does.
fn saved_with_a_reference(harness: &Harness<'_, Stage>) -> Reference {
    let params = &harness.state().params;
    for _ in 0..20_000 {
        params.settle_all();
        if let Some(reference) = params.session.get().reference {
            return reference;
        }
        pause(Duration::from_millis(1));
    }
    unreachable!("nothing was measured");
}

#[test]
fn what_is_measured_while_the_window_is_closed_is_saved() {
    let path = directory("closed").join("tone.wav");
    tone(&path, 40, 1.0);
    let mut harness = window();
    harness.state_mut().load_reference(&path);
    harness.step();
    let measured = saved_with_a_reference(&harness);
    assert_eq!(measured.profile.name, "tone.wav");
    until_said(&mut harness, "is the reference");
    assert_eq!(reference_of(&harness), Some(measured));
    // A session that the host has loaded meanwhile has its own.
    let params = Arc::clone(&harness.state().params);
    let measured = reference_of(&harness).unwrap();
    let measuring = params.begin_measuring();
    PersistentField::set(&params.session, Session::default());
    measuring.leave(measured.clone());
    params.settle_all();
    assert_eq!(reference_of(&harness), None);
    // Nor is kept what another has taken the place of.
    let measuring = params.begin_measuring();
    params.begin_measuring();
    measuring.leave(measured);
    params.settle_all();
    assert_eq!(reference_of(&harness), None);
}

/// A window amid a capture, of which six seconds have come in.
fn capturing() -> (Harness<'static, Stage>, TapWriter, TapComparison) {
    let mut harness = window();
    let (mut writer, comparison) = tap(RATE_HZ, 2).unwrap();
    let side_chain = comparison.side_chain();
    harness.state().params.set_side_chain(Some(side_chain));
    harness.get_by_label("Show balance").click();
    harness.run_steps(3);
    choose(&mut harness, "capture the side-chain");
    let song = turnstile(48_000).channels;
    let part = song
        .each_ref()
        .map(|plane| &plane[20 * 48_000..26 * 48_000]);
    writer.capture(&part);
    (harness, writer, comparison)
}

/// The dialogue stays open while a capture is begun: what is chosen then takes its place.
#[test]
fn a_file_that_is_chosen_amid_a_capture_ends_it() {
    let path = directory("amid a capture").join("tone.wav");
    tone(&path, 40, 1.0);
    let (mut harness, writer, _comparison) = capturing();
    harness.state_mut().load_reference(&path);
    assert!(!writer.is_captured());
    until_said(&mut harness, "is the reference");
    for _ in 0..100 {
        harness.step();
        assert!(harness.query_by_label_contains("“side-chain”").is_none());
        pause(Duration::from_millis(2));
    }
    assert_eq!(reference_of(&harness).unwrap().profile.name, "tone.wav");
}

#[test]
fn what_is_captured_while_the_window_is_closed_is_saved() {
    let (mut harness, _writer, _comparison) = capturing();
    harness.get_by_label("Stop capturing").click();
    harness.step();
    let measured = saved_with_a_reference(&harness);
    assert_eq!(
        (measured.profile.name.as_str(), measured.file),
        ("side-chain", None)
    );
}

fn profile_of(channels: &[Vec<f32>; 2], name: &str) -> Profile {
    let mut profiler = Profiler::new(48_000, &[ChannelRole::Front; 2], Section::Loudest);
    let [left, right] = channels;
    for (left, right) in left.chunks(4_800).zip(right.chunks(4_800)) {
        profiler.process(&[left, right]);
    }
    profiler.finish(name).unwrap()
}

/// The dense demo song, and the open one beside it as it is set by [`stage`].
static COMPARED: LazyLock<(Profile, Beside)> = LazyLock::new(|| {
    let reference = profile_of(&turnstile(48_000).channels, "Turnstile.wav");
    let latest = rink_lights(48_000)
        .channels
        .map(|channel| channel[20 * 48_000..50 * 48_000].to_vec());
    let settings = Stage::default().params.chain_settings();
    let stretch = Stretch::new(RATE_HZ, latest.to_vec());
    let found = beside(stretch, &settings, &reference).unwrap();
    (reference, found)
});

/// The open demo song beside the dense one.
fn stage() -> Stage {
    let (profile, found) = COMPARED.clone();
    let mut stage = Stage::default().with_beside(found);
    stage.params.session.update(|session| {
        session.reference = Some(Reference {
            profile,
            file: None,
        });
    });
    let song = rink_lights(48_000);
    let [left, right] = song
        .channels
        .each_ref()
        .map(|channel| &channel[..50 * 48_000]);
    stage.play([left, right]);
    stage
}

/// The same with its forecast.
fn ahead() -> Stage {
    static FORECAST: LazyLock<Forecasted> = LazyLock::new(|| forecast_of(&Stage::default(), 50.0));
    stage().with_forecast(FORECAST.clone())
}

/// A window with the balance in both places.
fn in_large(stage: Stage) -> Harness<'static, Stage> {
    let mut harness = open(stage, SIZE, 1.0);
    harness.get_by_label("Show balance").click();
    harness.run_steps(3);
    harness.get_by_label("Show more of the balance").click();
    harness.run_steps(3);
    harness
}

/// The shelves that are offered are set as gestures, and one undo takes all of it back.
#[test]
fn a_click_sets_the_shelves_and_undo_takes_them_back() {
    let (_, found) = COMPARED.clone();
    let wanted = found.shelves.unwrap();
    assert!(wanted.helps(), "{wanted:?}");
    let mut harness = in_large(stage());
    let words = words_of(&harness, "Suggested shelves: ");
    println!("{words}");
    assert!(words.contains("difference"), "{words}");
    sent_to_host(&harness);
    harness.get_by_label("Apply the suggested shelves").click();
    harness.run_steps(3);
    let params = harness.state().params.clone();
    let set = params.chain_settings().shelves;
    let wanted = wanted.shelves;
    for (is, wanted) in [
        (set.low_gain_db, wanted.low_gain_db),
        (set.high_gain_db, wanted.high_gain_db),
    ] {
        assert!((is - wanted).abs() < 0.01, "{is} for {wanted}");
    }
    let calls = sent_to_host(&harness);
    let count = |is: fn(&HostCall) -> bool| calls.iter().filter(|call| is(call)).count();
    let begun = count(|call| matches!(call, HostCall::Begin(_)));
    assert!(begun >= 2 && begun == count(|call| matches!(call, HostCall::End(_))));
    harness.run_steps(60);
    harness.get_by_label("Undo").click();
    harness.run_steps(3);
    let (set, flat) = (params.chain_settings().shelves, ShelvesSettings::default());
    for (is, flat) in [
        (set.low_gain_db, flat.low_gain_db),
        (set.low_hz, flat.low_hz),
        (set.high_gain_db, flat.high_gain_db),
        (set.high_hz, flat.high_hz),
    ] {
        assert!((is - flat).abs() < 0.01, "{set:?}");
    }
}

/// Ten seconds of music in the ring, a comparison that is looked at: shelves are suggested and the
/// density is told, without anything being touched.
#[test]
fn the_mix_is_compared_while_it_plays() {
    let (profile, _) = COMPARED.clone();
    let forecaster = Forecaster::default();
    let (mut writer, reader) = recent(RATE_HZ, 2).unwrap();
    forecaster.set_source(Some(reader));
    let [left, right] = rink_lights(48_000).channels;
    writer.write(&[&left[..12 * 48_000], &right[..12 * 48_000]]);
    let stage = Stage::default().with_forecaster(forecaster);
    stage.params.session.update(|session| {
        session.reference = Some(Reference {
            profile,
            file: None,
        });
    });
    let mut harness = in_large(stage);
    until_said(&mut harness, "difference");
    let words = words_of(&harness, "Density below 120 Hz");
    assert!(!words.contains('—'), "{words}");
    let words = words_of(&harness, "against the reference Turnstile.wav");
    assert!(words.contains("the last 12 s"), "{words}");
}

/// What sets mix and reference apart is read from the top: what weighs most stands first, and at the
/// end whether one was bent.
#[test]
fn what_sets_both_apart_is_told_the_heaviest_first() {
    let (_, found) = COMPARED.clone();
    let harness = in_large(stage());
    let top = |sentence: &str| harness.get_by_label(sentence).rect().top();
    let tops: Vec<f32> = found.findings.iter().map(|of| top(&of.sentence)).collect();
    assert_eq!(tops.len(), 4);
    assert!(tops.is_sorted(), "{tops:?}");
    let [first @ .., last] = &found.findings[..] else {
        unreachable!()
    };
    assert!(first.is_sorted_by(|a, b| a.weight >= b.weight));
    assert_eq!(last.about, "flat tops");
}

/// Every band's crest factor, mix and reference, can be read by name.
#[test]
fn density_is_told_by_band() {
    let (reference, found) = COMPARED.clone();
    let harness = in_large(stage());
    for (band, region) in ["below 120 Hz", "from 120 Hz", "from 1 to", "above 6 kHz"]
        .into_iter()
        .enumerate()
    {
        let words = words_of(&harness, &format!("Density {region}"));
        for crest in [&found.output.part, &reference.part].map(|part| part.band_crest_db[band]) {
            let figure = format!("{:.1} dB", crest.unwrap());
            assert!(words.contains(&figure), "{figure} in {words}");
        }
    }
}

fn compare(stage: Stage, size: [f32; 2], large: bool, name: &str) {
    let mut harness = open(stage, size, 1.0);
    harness.get_by_label("Show balance").click();
    harness.run_steps(3);
    if large {
        harness.get_by_label("Show more of the balance").click();
    }
    compare_after(harness, name);
}

#[test]
fn the_balance_is_seen_beside_the_reference() {
    compare(ahead(), SIZE, true, "editor_reference");
}

#[test]
fn the_balance_is_seen_beside_the_reference_in_the_light_theme() {
    let stage = ahead();
    stage.params.session.update(|session| {
        session.theme = ThemeChoice::Light;
        session.plane = PlaneMode::Plr;
    });
    compare(stage, SIZE, false, "editor_reference_light");
}

#[test]
fn the_balance_is_seen_beside_the_reference_in_the_smallest_window() {
    compare(ahead(), [700.0, 480.0], false, "editor_reference_least");
}

/// What the menu says, where the view has no room for the density.
#[test]
fn the_menu_tells_what_was_measured() {
    let mut harness = open(ahead(), [700.0, 480.0], 1.0);
    harness.get_by_label("Show balance").click();
    harness.run_steps(3);
    harness.get_by_label("Reference").click();
    harness.run_steps(3);
    compare_after(harness, "editor_reference_menu");
}

// Source: ITU-R BS.1770-5, Annex 1, which adds up the channels' powers: 3.01 LU.
#[test]
fn one_channel_is_told_as_it_is_heard_beside_two() {
    let stage = stage();
    let (mut profile, _) = COMPARED.clone();
    profile.channels = 1;
    profile.part.integrated_lufs = Some(-10.0);
    profile.part.plr_db = Some(9.0);
    stage.params.session.update(|session| {
        session.reference = Some(Reference {
            profile,
            file: None,
        });
    });
    let mut harness = open(stage, [700.0, 480.0], 1.0);
    let plane = words_of(&harness, "Plane: ");
    assert!(plane.contains("reference −7.0 LUFS,"), "{plane}");
    harness.get_by_label("Show balance").click();
    harness.run_steps(3);
    harness.get_by_label("Reference").click();
    harness.run_steps(3);
    harness.get_by_label_contains("−7.0 LUFS, PLR 6.0 dB");
    harness.get_by_label_contains("mono: told as it is heard from both");
}

#[test]
fn the_balance_is_seen_beside_the_reference_in_a_large_window() {
    compare(ahead(), [1_900.0, 1_200.0], false, "editor_reference_large");
}

#[test]
fn the_menu_has_the_side_chain_listened_to() {
    let mut harness = open(stage(), [700.0, 480.0], 1.0);
    harness.get_by_label("Show balance").click();
    harness.run_steps(3);
    let params = Arc::clone(&harness.state().params);
    for on in [true, false] {
        harness.get_by_label("Reference").click();
        harness.run_steps(3);
        harness
            .get_by_label("listen to the side-chain, live")
            .click();
        harness.run_steps(3);
        assert_eq!(params.live_reference.value(), on);
        let waiting = "nothing loud enough has come in yet";
        assert_eq!(harness.query_by_label(waiting).is_some(), on);
        harness.key_press(egui::Key::Escape);
        harness.run_steps(3);
    }
}

/// A song that pauses must not move the buttons from under the pointer.
#[test]
fn a_live_reference_that_falls_silent_keeps_its_place() {
    let mut harness = open(stage(), [1_180.0, 820.0], 1.0);
    let place = |harness: &Harness<'_, Stage>, name: &str| harness.get_by_label(name).rect();
    assert!(harness.query_by_label("Listen to Reference").is_none());
    harness
        .state()
        .set_plain(|params| &params.live_reference, true);
    harness.run_steps(3);
    let output = place(&harness, "Listen to Output");
    let waiting = harness.get_by_label("Listen to Reference");
    assert!(waiting.accesskit_node().is_disabled());
    waiting.click();
    harness.run_steps(3);
    assert!(!harness.state().params.reference.value());
    // As one that is there has it.
    harness
        .state()
        .set_plain(|params| &params.live_reference, false);
    let planes = kit::engine_run::noise(2, 480_000, 0.1, 1);
    harness.state_mut().refer_to(planes);
    let silence = vec![0.0; 4_800];
    harness.state_mut().play([&silence, &silence]);
    harness.run_steps(3);
    assert!(
        !harness
            .get_by_label("Listen to Reference")
            .accesskit_node()
            .is_disabled()
    );
    assert_eq!(place(&harness, "Listen to Output"), output);
}

/// A capture can be given up, and a reference that was removed, or in whose place another has come, be
/// had back.
#[test]
fn a_reference_can_be_had_back_and_a_capture_given_up() {
    let (mut harness, mut writer, _comparison) = capturing();
    let params = Arc::clone(&harness.state().params);
    let name = || params.session.get().reference.map(|of| of.profile.name);
    let tone: Vec<f32> = (0..4 * 48_000_u32)
        .map(|frame| 0.1 * (0.1 * frame as f32).sin())
        .collect();
    writer.capture(&[&tone, &tone]);
    harness.get_by_label("Cancel capturing").click();
    harness.run_steps(3);
    assert!(!writer.is_captured() && name().is_none());
    let first = Reference {
        profile: profile_of(&turnstile(48_000).channels, "Harbour"),
        file: Some("/nowhere/Harbour.wav".into()),
    };
    params.edit_session(|session| session.reference = Some(first));
    harness.run_steps(3);
    let back = |harness: &mut Harness<'_, Stage>| {
        let words = "“Harbour” is no reference any more: undo (";
        harness.get_by_label_contains(words).click();
        harness.run_steps(3);
        assert_eq!(name().as_deref(), Some("Harbour"));
        assert!(harness.query_by_label_contains(words).is_none());
    };
    choose(&mut harness, "remove");
    assert_eq!(name(), None);
    back(&mut harness);
    choose(&mut harness, "capture the side-chain");
    writer.capture(&[&tone, &tone]);
    harness.step();
    harness.get_by_label("Stop capturing").click();
    until_said(&mut harness, "“side-chain” is the reference");
    assert_eq!(name().as_deref(), Some("side-chain"));
    // Which cannot be heard: what comes back is not to be heard unasked.
    harness.state().set_plain(|params| &params.reference, true);
    back(&mut harness);
    harness.run_steps(3);
    assert!(!params.reference.value());
}
