//! What the history promises: bounded, always right, and never in the way of the audio thread.

use crestline_core::engine::{Engine, EngineSpec, Settings};
use crestline_core::handover::{AudioEnd, Column, EditorEnd, Grain, Moment, handover};
use crestline_core::measure::Readings;
use crestline_core::process::{ChainSettings, LimiterSettings, PushSettings};
use crestline_core::session::{History, Pixel, Span, Trace};
use kit::engine_run::{engine, noise};
use kit::recorded::{RATE_HZ, TENTH, record, recorded};
use std::sync::atomic::{AtomicBool, Ordering};

const DAY_S: u64 = 24 * 60 * 60;

fn input_at(history: &History, time_s: f64) -> Option<f32> {
    history.at(time_s)?.point.get(Column::ShortTermInput)
}

/// What the design allows: rings of 30 min at 100 ms and 24 h at 1 s, under 8 MiB in all.
#[test]
fn a_day_takes_no_more_room_than_a_second_and_is_found_again() {
    let (mut audio, editor) = handover();
    let history = History::new(editor.history());
    let bytes = history.bytes();
    assert!(bytes < 8 << 20, "{bytes}");
    let tenths = DAY_S * 10 + 12_345;
    for tenth in 0..tenths {
        record(&mut audio, tenth as f64, TENTH, true);
    }
    assert_eq!(history.bytes(), bytes);
    let length_s = tenths as f64 / 10.0;
    assert!((history.length_s() - length_s).abs() < 1e-6);
    assert_eq!(history.kept_from_s(Grain::Fine), length_s - 1_800.0);
    assert_eq!(
        history.kept_from_s(Grain::Coarse),
        length_s.floor() - DAY_S as f64
    );
    // In the last half hour each tenth is there; before that the end of each second.
    for tenth in (tenths - 18_000..tenths).step_by(7) {
        let middle_s = tenth as f64 / 10.0 + 0.05;
        assert_eq!(
            input_at(&history, middle_s),
            Some((tenth as f64 + 0.1) as f32)
        );
    }
    for second in (1_234 + 1..tenths / 10 - 1_801).step_by(977) {
        let found = history.at(second as f64 + 0.5).unwrap();
        assert_eq!(found.grain, Grain::Coarse);
        assert_eq!(found.time_s, second as f64 + 1.0);
        let last_tenth = (second * 10 + 9) as f64;
        assert_eq!(
            found.point.get(Column::ShortTermInput),
            Some((last_tenth + 0.1) as f32)
        );
    }
    assert!(history.at(1_233.5).is_none());
    assert!(history.at(length_s + 0.05).is_none());
    for impossible in [-1.0, f64::NAN, f64::INFINITY] {
        assert!(history.at(impossible).is_none());
    }
}

#[test]
fn a_second_keeps_its_last_loudness_its_highest_peak_and_its_lowest_gain() {
    let (mut audio, editor) = handover();
    let history = History::new(editor.history());
    for number in [
        -20.0, -3.0, -30.0, -12.0, -14.0, -15.0, -16.0, -17.0, -18.0, -19.0,
    ] {
        record(&mut audio, number, TENTH, number < -25.0);
    }
    let second = editor.history().point(Grain::Coarse, 0).unwrap();
    assert_eq!(second.get(Column::ShortTermInput), Some(-18.9));
    assert_eq!(
        second.get(Column::MomentaryOutput),
        Some((-19.0_f64 + 0.3 + 1.0) as f32)
    );
    assert_eq!(
        second.get(Column::PlrClean),
        Some((-19.0_f64 + 0.2 + 2.0) as f32)
    );
    assert_eq!(
        second.get(Column::LdrOutput),
        Some((-19.0_f64 + 0.3 + 3.0) as f32)
    );
    assert_eq!(second.get(Column::TruePeakOutput), Some(1.0));
    assert_eq!(second.get(Column::CleanLimiterGain), Some(-25.0));
    assert_eq!(second.get(Column::OutputLimiterGain), Some(-24.0));
    assert_eq!(second.get(Column::SongPosition), Some(-12.0));
    assert_eq!(second.get(Column::ReductionHigh), None);
    assert_eq!(second.get(Column::Distortion), None);
    assert!(second.playing());
    assert!(!history.at(0.95).unwrap().point.playing());
}

/// A frame count is a time whatever the rate, whole or not; the length of `moments` does not add up
/// to drift.
#[test]
fn time_is_counted_in_frames_at_any_rate() {
    for rate_hz in [8_000.0, 44_100.0, 1_234.567_8, 96_000.0, 384_000.0] {
        let (mut audio, editor) = handover();
        let silence = Readings::default();
        let moment = Moment {
            input: &silence,
            clean: &silence,
            output: &silence,
            true_peak_dbtp: None,
            clean_limiter_db: 0.0,
            output_limiter_db: 0.0,
            band_reduction_db: [None; 4],
            distortion_db: None,
            song_position_s: None,
            playing: true,
        };
        let moments = (0..1_000_000_u64)
            .find(|moments| (moments * 256) as f64 > rate_hz * 100.0)
            .unwrap();
        (0..moments).for_each(|_| audio.record(&moment, 256, rate_hz));
        let passed_s = (moments * 256) as f64 / rate_hz;
        let length_s = History::new(editor.history()).length_s();
        assert!(
            length_s <= passed_s && passed_s - length_s < 0.1 + 1e-9,
            "{rate_hz}: {length_s}"
        );
        audio.record(&moment, 256, f64::NAN);
        audio.record(&moment, 256, 0.0);
    }
}

/// Single precision has 24 bits of mantissa (IEEE 754-2019, 3.6): from 18 h to 36 h its numbers lie
/// 2^-7 s apart.
#[test]
fn the_song_position_is_right_within_4_ms_for_a_day() {
    let (mut audio, editor) = handover();
    for second in (0..DAY_S).step_by(61) {
        let position_s = second as f64 + 0.123_456_7;
        record(&mut audio, position_s - 7.0, TENTH, true);
        let newest = editor.history().extent(Grain::Fine).end - 1;
        let found = editor
            .history()
            .point(Grain::Fine, newest)
            .unwrap()
            .get(Column::SongPosition);
        assert!((f64::from(found.unwrap()) - position_s).abs() <= 1.0 / 256.0);
    }
}

#[test]
fn a_restart_empties_the_history_and_time_begins_again() {
    let (mut audio, history) = recorded(500);
    let version = history.version();
    audio.clear_history();
    assert_ne!(history.version(), version);
    assert_eq!(history.length_s(), 0.0);
    assert!(history.at(0.05).is_none() && history.at(20.0).is_none());
    let mut trace = Trace::default();
    history.trace(
        Column::ShortTermInput,
        Span {
            start_s: 0.0,
            end_s: 50.0,
        },
        100,
        &mut trace,
    );
    assert!(trace.pixels.iter().all(|pixel| *pixel == Pixel::Outside));
    record(&mut audio, 77.0, TENTH, true);
    assert_eq!(input_at(&history, 0.05), Some(77.1));
    assert!((history.length_s() - 0.1).abs() < 1e-12);
}

/// The writer makes a fixed number of steps, whatever the readers do; no reader ever sees a point
/// that mixes two.
#[test]
fn readers_beside_a_writer_at_full_speed_see_only_whole_points() {
    const POINTS: u32 = 300_000;
    let (mut audio, editor) = handover();
    let done = AtomicBool::new(false);
    let reads = std::thread::scope(|scope| {
        let reader = |behind: u64| {
            let (reader, done) = (editor.history(), &done);
            move || {
                let (mut whole, mut late, mut column) = (0_u64, 0_u64, [0.0; 64]);
                // One more round after the last point, so that the end is seen by every reader.
                let mut last_round = false;
                while !last_round {
                    last_round = done.load(Ordering::Acquire);
                    let extent = reader.extent(Grain::Fine);
                    let number = extent.oldest.max(extent.end.saturating_sub(behind));
                    let Some(point) = reader.point(Grain::Fine, number) else {
                        late += 1;
                        continue;
                    };
                    let input = point.get(Column::ShortTermInput).unwrap();
                    let same = |column, offset: f64| {
                        assert_eq!(point.get(column), Some((number as f64 + offset) as f32));
                    };
                    same(Column::ShortTermInput, 0.1);
                    same(Column::ShortTermClean, 0.2);
                    same(Column::ShortTermOutput, 0.3);
                    same(Column::MomentaryOutput, 1.3);
                    same(Column::LdrOutput, 3.3);
                    same(Column::SongPosition, 7.0);
                    assert_eq!(input, (number as f64 + 0.1) as f32);
                    let intact = reader.read(Grain::Fine, Column::PlrInput, number, &mut column);
                    for (number, value) in
                        (number..).zip(column).take(intact.end).skip(intact.start)
                    {
                        assert_eq!(value, (number as f64 + 2.1) as f32);
                    }
                    whole += 1;
                }
                (whole, late)
            }
        };
        // One at the newest points, one at those that are being overwritten.
        let readers = [1, u64::MAX].map(|behind| scope.spawn(reader(behind)));
        for number in 0..POINTS {
            record(&mut audio, f64::from(number), TENTH, true);
        }
        done.store(true, Ordering::Release);
        readers.map(|reader| reader.join().unwrap())
    });
    assert_eq!(editor.history().extent(Grain::Fine).end, u64::from(POINTS));
    for (whole, late) in reads {
        assert!(whole > 0, "{whole} whole points, {late} come too late for");
    }
}

/// The history of `seconds` of a noisy, pumping signal, cut into blocks of these sizes in turn.
fn engine_history(blocks: &[usize], seconds: usize) -> (EditorEnd, Engine) {
    let (mut audio, editor) = handover();
    let mut engine = Engine::new(EngineSpec {
        sample_rate_hz: RATE_HZ,
        channels: 2,
    });
    let mut settings = Settings {
        playing: true,
        ..Settings::default()
    };
    settings.chain.push.push_db = 12.0;
    settings.chain.limiter.enabled = true;
    let mut state = 1_u32;
    let mut signal = |index: usize| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let noise = (state >> 8) as f32 / (1 << 23) as f32 - 1.0;
        0.5 * noise * (1.0 - (index % 24_000) as f32 / 24_000.0)
    };
    let samples: Vec<f32> = (0..seconds * 48_000).map(&mut signal).collect();
    let mut start = 0;
    for frames in blocks.iter().cycle() {
        let end = samples.len().min(start + frames);
        let (mut left, mut right) = (samples[start..end].to_vec(), samples[start..end].to_vec());
        let position_s = Some(start as f64 / RATE_HZ);
        engine.process_and_record(
            &mut [&mut left, &mut right],
            &[],
            &settings,
            position_s,
            &mut audio,
        );
        start = end;
        if start == samples.len() {
            break;
        }
    }
    (editor, engine)
}

/// What is measured left the chain, and came in the latency before.
#[test]
fn a_point_tells_where_in_the_song_its_sound_came_in() {
    let (mut audio, editor) = handover();
    let mut engine = Engine::new(EngineSpec {
        sample_rate_hz: RATE_HZ,
        channels: 2,
    });
    let settings = Settings {
        playing: true,
        ..Settings::default()
    };
    // 8 ms of sound just before a tenth of a second is over.
    let burst_s = 1.08..1.088;
    for start in (0..96_000).step_by(480) {
        let mut left: Vec<f32> = (start..start + 480)
            .map(|at| {
                let heard = burst_s.contains(&(f64::from(at) / RATE_HZ));
                if heard { (at as f32 * 0.3).sin() } else { 0.0 }
            })
            .collect();
        let mut right = left.clone();
        engine.process_and_record(
            &mut [&mut left, &mut right],
            &[],
            &settings,
            Some(f64::from(start) / RATE_HZ),
            &mut audio,
        );
    }
    let history = editor.history();
    let loud = (0..history.extent(Grain::Fine).end).find_map(|number| {
        let point = history.point(Grain::Fine, number)?;
        let peak_dbtp = point.get(Column::TruePeakOutput)?;
        (peak_dbtp > -6.0).then(|| point.get(Column::SongPosition).unwrap())
    });
    // At the end of the tenth; the meter's interpolation is late by less than a millisecond.
    let end_s = f64::from(loud.unwrap());
    let tenth_s = end_s - 0.105..end_s + 0.005;
    println!("in the tenth that ends at {end_s:.3} s");
    assert!(tenth_s.contains(&burst_s.start) && tenth_s.contains(&burst_s.end));
}

#[test]
fn a_history_does_not_depend_on_how_the_host_cuts_its_blocks() {
    let (whole, _) = engine_history(&[8_192], 6);
    let (cut, _) = engine_history(&[1, 511, 64, 1_000, 33], 6);
    for grain in [Grain::Fine, Grain::Coarse] {
        let (whole, cut) = (whole.history(), cut.history());
        let extent = whole.extent(grain);
        assert_eq!(extent, cut.extent(grain));
        assert!(extent.end >= 5);
        for number in 0..extent.end {
            let [whole, cut] = [&whole, &cut].map(|history| history.point(grain, number).unwrap());
            for column in Column::ALL {
                let bits = |value: Option<f32>| value.map(f32::to_bits);
                // The position comes from the host block by block, and each sum rounds in its own
                // way.
                if column == Column::SongPosition {
                    assert!((whole.get(column).unwrap() - cut.get(column).unwrap()).abs() < 1e-5);
                } else {
                    assert_eq!(
                        bits(whole.get(column)),
                        bits(cut.get(column)),
                        "{column:?} {number}"
                    );
                }
            }
        }
    }
}

/// The highest of the highest is the highest: a maximum may be taken piece by piece. The last of a
/// second is what the meter read last.
#[test]
fn what_the_engine_records_agrees_with_what_it_tells() {
    let (editor, engine) = engine_history(&[256], 6);
    let (history, snapshot) = (editor.history(), engine.snapshot());
    let extent = history.extent(Grain::Fine);
    let points = || (0..extent.end).map(|number| history.point(Grain::Fine, number).unwrap());
    let highest = points()
        .filter_map(|point| point.get(Column::TruePeakOutput))
        .fold(f32::MIN, f32::max);
    assert_eq!(
        Some(highest),
        snapshot
            .output
            .readings
            .true_peak_dbtp
            .map(|peak| peak as f32)
    );
    assert!(points().any(|point| point.get(Column::OutputLimiterGain) < Some(-1.0)));
    let last = points().next_back().unwrap();
    let loudness = snapshot.output.readings.short_term_lufs.unwrap();
    assert!((f64::from(last.get(Column::ShortTermOutput).unwrap()) - loudness).abs() < 0.5);
    // The song runs with the audio: each point's position is its own end less the latency, within
    // the chunk in which it ends.
    let latency_s = engine.latency_frames() as f32 / 48_000.0;
    for (number, point) in points().enumerate() {
        let end_s = (number + 1) as f32 / 10.0 - latency_s;
        let late_s = point.get(Column::SongPosition).unwrap() - end_s;
        assert!(
            (-1e-4..=256.0 / 48_000.0 + 1e-4).contains(&late_s),
            "{number}: {late_s}"
        );
    }
}

/// Played on into silence by a host that does not stop: as digital silence, and as the tail of a
/// filter that never quite ends.
// ITU-R BS.1770-5, Annex 1: what lies below −70 LUFS is not heard.
#[test]
fn nothing_below_the_gate_is_recorded_or_exported() {
    const LEAST_LUFS: f32 = -70.0;
    let rate_hz = 16_000.0;
    for tail in [0.0_f32, 0.9995] {
        let mut engine = Engine::new(EngineSpec {
            sample_rate_hz: rate_hz,
            channels: 2,
        });
        let (mut audio, editor) = handover();
        let history = History::new(editor.history());
        let mut input = noise(2, 6 * 16_000, 0.3, 5);
        for channel in &mut input {
            let mut last = 0.3;
            channel.extend((0..10 * 16_000).map(|_| {
                last *= tail;
                last
            }));
        }
        let settings = Settings {
            playing: true,
            ..Settings::default()
        };
        kit::engine_run::in_blocks(
            &input,
            || 480,
            |block, _| {
                engine.process_and_record(block, &[], &settings, None, &mut audio);
            },
        );
        let loudness = [
            Column::ShortTermInput,
            Column::ShortTermClean,
            Column::ShortTermOutput,
            Column::MomentaryOutput,
        ];
        let mut known = 0;
        for column in loudness {
            for tenth in 0..159 {
                let found = history.at(f64::from(tenth) / 10.0 + 0.05).unwrap();
                let value = found.point.get(column);
                known += usize::from(value.is_some());
                assert!(value.is_none_or(|lufs| lufs > LEAST_LUFS), "{value:?}");
                // A second into the silence there is nothing at all.
                if tail == 0.0 && tenth >= 70 {
                    assert_eq!(value, None, "{} at {tenth}", column.name());
                }
            }
        }
        assert!(known > 100);
        // In the table a cell is empty where a value was not known, and no number is less than any
        // that a signal of 24 bits can have.
        let mut table = Vec::new();
        let span = Span {
            start_s: 0.0,
            end_s: 16.0,
        };
        history.write_csv(span, &mut table).unwrap();
        let table = String::from_utf8(table).unwrap();
        let rows: Vec<Vec<&str>> = table
            .lines()
            .skip(1)
            .map(|row| row.split(',').collect())
            .collect();
        for row in &rows {
            for (cells, least) in [(&row[1..=4], -70.0), (&row[11..=11], -144.5)] {
                let cells = cells.iter().filter(|cell| !cell.is_empty());
                let lowest = cells.map(|cell| cell.parse::<f64>().unwrap());
                assert!(lowest.fold(0.0, f64::min) > least, "{row:?}");
            }
        }
        if tail == 0.0 {
            let last = rows.last().unwrap();
            assert!(last[1..=13].iter().all(|cell| cell.is_empty()), "{last:?}");
        }
    }
}

// Measuring anew is no pause: what holds the first beats down is known at once.
#[test]
fn right_after_a_restart_the_limiters_are_known() {
    let (mut audio, editor) = handover();
    let mut engine = engine(48_000.0, 2);
    let settings = Settings {
        playing: true,
        chain: ChainSettings {
            push: PushSettings { push_db: 12.0 },
            limiter: LimiterSettings {
                enabled: true,
                ..LimiterSettings::default()
            },
            ..ChainSettings::default()
        },
        ..Settings::default()
    };
    let input = noise(2, 5 * 48_000, 0.5, 3);
    let mut play = |audio: &mut AudioEnd| {
        for start in (0..input[0].len()).step_by(480) {
            let [mut left, mut right] =
                [0, 1].map(|of: usize| input[of][start..start + 480].to_vec());
            engine.obey(audio, false);
            engine.process_and_record(&mut [&mut left, &mut right], &[], &settings, None, audio);
        }
    };
    play(&mut audio);
    editor.restart();
    play(&mut audio);
    let history = History::new(editor.history());
    for tenth in 0..40 {
        let at_s = f64::from(tenth) / 10.0 + 0.05;
        let point = history.at(at_s).unwrap().point;
        let gain_db = point.get(Column::OutputLimiterGain);
        assert!(
            gain_db.is_some_and(|gain_db| gain_db < -3.0),
            "{at_s}: {gain_db:?}"
        );
    }
}
