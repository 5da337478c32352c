//! Measuring anew can be taken back for ten seconds, by the audio thread alone.

use crestline_core::engine::{CHUNK, Engine, EngineSpec, Settings, UNDO_S};
use crestline_core::handover::{AudioEnd, Grain, Overs, handover};
use crestline_core::process::{ChainSettings, LimiterSettings};
use crestline_core::session::History;
use kit::engine_run::{Planes, in_blocks, noise};
use kit::pause::pause;

/// Slow rates are quick to work through.
const RATE_HZ: f64 = 16_000.0;
/// A second in whole chunks, or nearly.
const SECOND: usize = 63 * CHUNK;

fn able() -> Engine {
    let spec = EngineSpec {
        sample_rate_hz: RATE_HZ,
        channels: 2,
    };
    Engine::new(spec).with_undo()
}

fn play(engine: &mut Engine, end: &mut AudioEnd, input: &Planes) {
    in_blocks(
        input,
        || 333,
        |block, _| {
            engine.process_and_record(block, &[], &Settings::default(), None, end);
        },
    );
}

fn at_level(seconds: usize, peak: f32, seed: u64) -> Planes {
    noise(2, seconds * SECOND, peak, seed)
}

#[test]
fn what_was_measured_before_is_there_again_and_goes_on() {
    let (mut engine, (mut audio, editor)) = (able(), handover());
    let history = History::new(editor.history());
    play(&mut engine, &mut audio, &at_level(8, 0.5, 1));
    let before = engine.snapshot();
    let recorded_s = history.length_s();
    engine.restart_recorded(&mut audio);
    assert_eq!(engine.snapshot().output.readings.integrated_lufs, None);
    assert!((f64::from(engine.undo_left_s().unwrap()) - UNDO_S).abs() < 1e-3);
    assert!(history.length_s() < 0.01);
    play(&mut engine, &mut audio, &at_level(4, 0.05, 2));
    let anew = engine.snapshot().output.readings.integrated_lufs.unwrap();
    let left_s = engine.undo_left_s().unwrap();
    assert!((left_s - 6.0).abs() < 0.1, "{left_s}");
    assert!(engine.undo_restart(&mut audio));
    let after = engine.snapshot();
    for (before, after) in [
        (before.input, after.input),
        (before.clean, after.clean),
        (before.output, after.output),
    ] {
        assert_eq!(before, after);
    }
    assert_eq!(before.output_reduction, after.output_reduction);
    assert_eq!(engine.undo_left_s(), None);
    assert!(!engine.undo_restart(&mut audio), "it is taken back once");
    let (loud, quiet) = (before.output.readings.integrated_lufs.unwrap(), anew);
    println!("{loud:.2} LUFS before, {quiet:.2} anew");
    // The history has both, one after the other.
    play(&mut engine, &mut audio, &at_level(1, 0.05, 3));
    let whole_s = history.length_s();
    assert!((whole_s - recorded_s - 5.0).abs() < 0.15, "{whole_s}");
    let extent = editor.history().extent(Grain::Fine);
    assert_eq!(extent.first, 0);
    // It goes on measuring. The gate (BS.1770-5: 10 LU below the mean) leaves the quiet second out,
    // but for three blocks that overlap with what was before: −0.09 LU.
    let now = engine.snapshot().output.readings;
    assert!(now.frames > before.output.readings.frames);
    let now = now.integrated_lufs.unwrap();
    assert!((now - loud + 0.09).abs() < 0.05, "{now} after {loud}");
    play(&mut engine, &mut audio, &at_level(8, 0.5, 4));
    let now = engine.snapshot().output.readings.integrated_lufs.unwrap();
    assert!((now - loud).abs() < 0.1, "{now} after {loud}");
}

#[test]
fn after_ten_seconds_there_is_nothing_to_take_back() {
    let (mut engine, (mut audio, _editor)) = (able(), handover());
    play(&mut engine, &mut audio, &at_level(3, 0.5, 5));
    engine.restart_recorded(&mut audio);
    play(&mut engine, &mut audio, &at_level(10, 0.5, 6));
    assert_eq!(engine.undo_left_s(), None);
    let before = engine.snapshot();
    assert!(!engine.undo_restart(&mut audio));
    assert_eq!(engine.snapshot(), before);
}

/// While no audio comes, commands wait; then they are obeyed in the order in which they were given.
#[test]
fn commands_are_obeyed_in_their_order() {
    let (mut engine, (mut audio, editor)) = (able(), handover());
    play(&mut engine, &mut audio, &at_level(3, 0.5, 20));
    let first = engine.snapshot();
    let number = |engine: &Engine| engine.snapshot().activity.measurement;
    let frames = |engine: &Engine| engine.snapshot().output.readings.frames;
    editor.restart();
    engine.obey(&mut audio, false);
    assert_eq!((number(&engine), frames(&engine)), (1, 0));
    play(&mut engine, &mut audio, &at_level(1, 0.5, 21));
    editor.undo_restart();
    editor.restart();
    engine.obey(&mut audio, false);
    assert_eq!((number(&engine), frames(&engine)), (2, 0));
    play(&mut engine, &mut audio, &at_level(1, 0.5, 22));
    editor.restart();
    editor.undo_restart();
    engine.obey(&mut audio, false);
    let now = engine.snapshot();
    assert_eq!(now.output, first.output);
    assert_eq!(now.activity.measurement, first.activity.measurement);
    // The host's restart comes with the block, after what waited for it.
    editor.restart();
    engine.obey(&mut audio, false);
    editor.undo_restart();
    engine.obey(&mut audio, true);
    assert_eq!((number(&engine), frames(&engine)), (5, 0));
}

// The room for it is made by the worker, and only for those who are looked at.
#[test]
fn it_can_be_taken_back_once_the_editor_is_looked_at() {
    let (mut audio, editor) = handover();
    let mut engine = Engine::new(EngineSpec {
        sample_rate_hz: RATE_HZ,
        channels: 2,
    });
    engine.enable_undo_once(audio.watched()).unwrap();
    play(&mut engine, &mut audio, &at_level(3, 0.5, 15));
    engine.restart_recorded(&mut audio);
    assert_eq!(engine.undo_left_s(), None);
    play(&mut engine, &mut audio, &at_level(3, 0.5, 16));
    editor.watch();
    let patience = std::time::Instant::now();
    while engine.undo_left_s().is_none() {
        assert!(patience.elapsed().as_secs() < 60);
        pause(std::time::Duration::from_millis(20));
        play(&mut engine, &mut audio, &at_level(1, 0.5, 17));
        engine.restart_recorded(&mut audio);
    }
    play(&mut engine, &mut audio, &at_level(2, 0.05, 18));
    assert!(engine.undo_restart(&mut audio));
    assert!(engine.snapshot().output.readings.integrated_lufs.is_some());
}

// Whoever presses twice wants back what was measured before the first time.
#[test]
fn restarts_in_a_row_are_taken_back_together() {
    let (mut engine, (mut audio, editor)) = (able(), handover());
    let history = History::new(editor.history());
    play(&mut engine, &mut audio, &at_level(5, 0.5, 7));
    let before = engine.snapshot();
    for seed in 0..3 {
        engine.restart_recorded(&mut audio);
        play(&mut engine, &mut audio, &at_level(2, 0.1, 8 + seed));
    }
    assert!(engine.undo_restart(&mut audio));
    assert_eq!(engine.snapshot().output, before.output);
    play(&mut engine, &mut audio, &at_level(1, 0.1, 11));
    let whole_s = history.length_s();
    assert!((whole_s - 12.0).abs() < 0.3, "{whole_s}");
}

// Each cuts an interval of the history short. Time is made up for, a few points a moment.
#[test]
fn many_restarts_in_a_row_leave_no_gap_in_time() {
    let (mut engine, (mut audio, editor)) = (able(), handover());
    let history = History::new(editor.history());
    for seed in 0..50 {
        let mut cut = at_level(1, 0.2, 100 + seed);
        for channel in &mut cut {
            channel.truncate(SECOND / 20);
        }
        play(&mut engine, &mut audio, &cut);
        engine.restart_recorded(&mut audio);
    }
    assert!(engine.undo_restart(&mut audio));
    play(&mut engine, &mut audio, &at_level(1, 0.2, 99));
    let whole_s = history.length_s();
    assert!((whole_s - 3.5).abs() < 0.3, "{whole_s}");
}

// A measurement that has never been interrupted reads as one that was restarted, taken back and
// restarted again.
#[test]
fn a_restarted_measurement_reads_as_a_new_one() {
    let song = at_level(6, 0.5, 12);
    let (mut engine, (mut audio, _editor)) = (able(), handover());
    play(&mut engine, &mut audio, &at_level(3, 0.2, 13));
    engine.restart_recorded(&mut audio);
    play(&mut engine, &mut audio, &at_level(1, 0.2, 14));
    engine.undo_restart(&mut audio);
    engine.restart_recorded(&mut audio);
    play(&mut engine, &mut audio, &song);
    let again = engine.snapshot().input.readings;
    let (mut plain, (mut end, _editor)) = (able(), handover());
    play(&mut plain, &mut end, &song);
    let new = plain.snapshot().input.readings;
    for (again, new) in [
        (again.integrated_lufs, new.integrated_lufs),
        (again.true_peak_dbtp, new.true_peak_dbtp),
        (again.loudness_range_lu, new.loudness_range_lu),
        (again.ldr_db, new.ldr_db),
    ] {
        // The noise ahead differs.
        assert!(
            (again.unwrap() - new.unwrap()).abs() < 0.1,
            "{again:?} {new:?}"
        );
    }
}

/// Peaks of 1 ms at these levels, dBFS, a second apart.
fn peaks(levels_db: &[f64]) -> Planes {
    let mut channel = vec![0.0; (levels_db.len() + 1) * SECOND];
    for (number, db) in levels_db.iter().enumerate() {
        for n in 0..16 {
            let sine = (std::f64::consts::TAU * 2_000.0 * n as f64 / RATE_HZ + 0.4).sin();
            channel[number * SECOND + SECOND / 2 + n] = (10.0_f64.powf(db / 20.0) * sine) as f32;
        }
    }
    vec![channel; 2]
}

#[test]
fn peaks_over_full_scale_are_kept_until_they_are_cleared() {
    let (mut engine, (mut audio, editor)) = (able(), handover());
    play(&mut engine, &mut audio, &peaks(&[-1.0, 4.0, 2.0, -6.0]));
    let Overs {
        count,
        highest_dbtp,
    } = engine.snapshot().activity.overs;
    let highest = highest_dbtp.unwrap();
    assert_eq!(count, 2);
    // What the session's maximum says, which is tested against the standards.
    let max_dbtp = engine.snapshot().output.readings.true_peak_dbtp.unwrap();
    assert!((f64::from(highest) - max_dbtp).abs() < 1e-4);
    assert!(highest > 3.5, "{highest}");
    // A restart forgets them, and taking it back brings them back.
    engine.restart_recorded(&mut audio);
    assert_eq!(engine.snapshot().activity.overs, Overs::default());
    play(&mut engine, &mut audio, &peaks(&[5.0]));
    engine.undo_restart(&mut audio);
    let noted = engine.snapshot().activity.overs;
    assert!(noted.count == 3 && noted.highest_dbtp > Some(highest));
    assert!(!audio.clear_overs_requested());
    editor.clear_overs();
    assert!(audio.clear_overs_requested());
    engine.clear_overs();
    assert_eq!(engine.snapshot().activity.overs, Overs::default());
    // The limiter holds them.
    let settings = Settings {
        chain: ChainSettings {
            limiter: LimiterSettings {
                enabled: true,
                ..LimiterSettings::default()
            },
            ..ChainSettings::default()
        },
        ..Settings::default()
    };
    in_blocks(
        &peaks(&[6.0, 6.0]),
        || 512,
        |block, _| engine.process(block, &[], &settings),
    );
    assert_eq!(engine.snapshot().activity.overs, Overs::default());
}
