//! RMS, sample peak, crest factor and clipped runs.

use crestline_core::measure::ChannelRole::{Front, Lfe};
use crestline_core::measure::{AES17_OFFSET_DB, Meter};
use kit::metering::{Group, STEREO, feed, meter, readings_of, stereo_readings_of, watch};
use kit::signals::{SILENCE, amplitude, frames, tone, tone_steps};

const RATES: [f64; 4] = [44_100.0, 48_000.0, 96_000.0, 192_000.0];

/// AES17: a 997 Hz sine that peaks at full scale is 0 dBFS in RMS too; plainly reckoned it is
/// `−10·log10 2`.
#[test]
fn aes17_full_scale_sine() {
    let mut group = Group::new("AES17 sine", 0.005, "dB");
    for rate in RATES {
        for level in [0.0, -20.0, -60.0] {
            let readings = stereo_readings_of(rate, &tone(rate, 997.0, level, 5.0));
            let aes17 = |plain_dbfs: Option<f64>| plain_dbfs.map(|dbfs| dbfs + AES17_OFFSET_DB);
            group.check(format!("all at {rate}"), aes17(readings.rms_dbfs), level);
            group.check(format!("3 s at {rate}"), aes17(readings.rms_3s_dbfs), level);
            group.check(
                format!("plain at {rate}"),
                readings.rms_dbfs,
                level - 3.0103,
            );
        }
    }
}

/// Closed forms: peak over RMS is √2 for a sine, 1 for a square, √3 for a triangle.
#[test]
fn crest_factors_of_plain_waves() {
    let mut group = Group::new("crest factors", 0.01, "dB");
    let rate = 48_000.0;
    let wave = |shape: fn(f64) -> f64| -> Vec<f32> {
        (0..frames(rate, 4.0))
            .map(|n| (0.5 * shape((n % 480) as f64 / 480.0)) as f32)
            .collect()
    };
    let crest = |signal: Vec<f32>| stereo_readings_of(rate, &signal).crest_factor_db;
    group.check(
        "sine",
        crest(wave(|part| (std::f64::consts::TAU * part).sin())),
        3.0103,
    );
    group.check(
        "square",
        crest(wave(|part| if part < 0.5 { 1.0 } else { -1.0 })),
        0.0,
    );
    group.check(
        "triangle",
        crest(wave(|part| 4.0 * (part - 0.5).abs() - 1.0)),
        4.7712,
    );
}

/// Closed form: a rectangular window holds the energies of what it spans.
#[test]
fn the_rms_window_holds_3_s() {
    let mut group = Group::new("RMS window", 0.01, "dB");
    for rate in [44_100.0, 48_000.0] {
        let signal = tone_steps(rate, 1_000.0, &[(4.0, -30.0), (4.0, -10.0)]);
        watch(
            rate,
            &STEREO,
            &[&signal, &signal],
            0.05,
            |time_s, readings| {
                let loud = ((time_s - 4.0) / 3.0).clamp(0.0, 1.0);
                let power = 0.5 * (loud * 10_f64.powf(-1.0) + (1.0 - loud) * 10_f64.powf(-3.0));
                if time_s > 2.999 {
                    let expected = 10.0 * power.log10();
                    group.check(format!("{time_s:.2} s"), readings.rms_3s_dbfs, expected);
                } else {
                    assert_eq!(readings.rms_3s_dbfs, None, "{time_s:.2} s");
                }
            },
        );
    }
}

/// The mean over the channels that carry programme: one of two reads 3.01 dB less than both, an LFE
/// channel changes nothing.
#[test]
fn rms_is_the_mean_over_the_channels() {
    let mut group = Group::new("RMS over channels", 0.001, "dB");
    let signal = tone(48_000.0, 1_000.0, -10.0, 4.0);
    let silence = vec![0.0; signal.len()];
    let both = stereo_readings_of(48_000.0, &signal).rms_dbfs;
    group.check("both", both, -13.0103);
    group.check(
        "one of two",
        readings_of(48_000.0, &STEREO, &[&silence, &signal]).rms_dbfs,
        -16.0206,
    );
    group.check(
        "mono",
        readings_of(48_000.0, &[Front], &[&signal]).rms_dbfs,
        -13.0103,
    );
    let with_lfe = readings_of(48_000.0, &[Front, Front, Lfe], &[&signal, &signal, &signal]);
    group.check("with LFE", with_lfe.rms_dbfs, -13.0103);
}

/// The file's end counts, though it fills no slot.
#[test]
fn the_last_incomplete_slot_counts() {
    let mut group = Group::new("last incomplete slot", 0.001, "dB");
    let mut signal = vec![0.0; 4_800 + 100];
    signal[4_850..4_853].fill(-0.5);
    let readings = stereo_readings_of(48_000.0, &signal);
    group.check("sample peak", readings.sample_peak_dbfs, -6.0206);
    group.check(
        "RMS",
        readings.rms_dbfs,
        10.0 * (3.0 * 0.25_f64 / 4_900.0).log10(),
    );
    assert!(readings.true_peak_dbtp.is_some_and(|peak| peak > -6.1));
}

/// Three or more consecutive samples at full scale in one channel make a run (common practice); it
/// is counted once.
#[test]
fn clipped_runs_are_counted_once_each() {
    let rate = 48_000.0;
    let mut left = vec![0.1_f32; frames(rate, 2.0)];
    let mut right = left.clone();
    left[1_000..1_002].fill(1.0); // two are no run
    left[5_000..5_003].fill(-1.0);
    left[5_003] = 0.5;
    left[5_004..5_050].fill(1.2);
    right[5_001..5_004].fill(1.0);
    right[90_000..90_010].fill(-1.0);
    // A run is of one sign.
    right[60_000..60_004].copy_from_slice(&[1.0, -1.0, 1.0, -1.0]);
    let mut meter = meter(rate, &STEREO);
    feed(&mut meter, &[&left[..48_000], &right[..48_000]]);
    let readings = meter.readings();
    assert_eq!(readings.clipped_runs, 3);
    feed(&mut meter, &[&left[48_000..], &right[48_000..]]);
    let readings = meter.readings();
    assert_eq!(readings.clipped_runs, 4);
    // 1.2 is +1.58 dB.
    Group::new("sample peak over full scale", 0.001, "dB").check(
        "1.2",
        readings.sample_peak_dbfs,
        1.5836,
    );
}

/// Closed form: a sine's crest factor is 3.01 dB at any level, over the same 3 s as its RMS. What
/// was louder before and the standstill after it change the crest of everything, not this one.
#[test]
fn the_live_crest_is_that_of_the_last_3_s() {
    let mut group = Group::new("crest over 3 s", 0.02, "dB");
    let rate = 48_000.0;
    let signal = tone_steps(rate, 1_000.0, &[(4.0, -1.0), (4.0, -30.0), (8.0, SILENCE)]);
    watch(
        rate,
        &STEREO,
        &[&signal, &signal],
        0.5,
        |time_s, readings| {
            let steady = (3.0..=4.0).contains(&time_s) || (7.01..=8.0).contains(&time_s);
            if steady {
                group.check(format!("{time_s} s"), readings.crest_factor_3s_db, 3.0103);
            }
            if !(2.99..=11.0).contains(&time_s) {
                assert_eq!(readings.crest_factor_3s_db, None, "{time_s} s");
            }
        },
    );
}

/// Closed form: a sine's crest factor is 3.01 dB, and a peak belongs to the crest of the channels
/// that it is in: RMS leaves low-frequency effects out.
#[test]
fn low_frequency_effects_have_no_part_in_the_crest() {
    let rate = 48_000.0;
    let front = tone(rate, 1_000.0, -20.0, 6.0);
    let effects = tone(rate, 50.0, -2.0, 6.0);
    let silence = vec![0.0; front.len()];
    let mut group = Group::new("crest beside low-frequency effects", 0.02, "dB");
    let planes: [&[f32]; 2] = [&front, &effects];
    let mut meter = Meter::new(rate, &[Front, Lfe], 4_800);
    for start in (0..front.len() - 24_000).step_by(4_800) {
        let block = planes.map(|plane| &plane[start..start + 4_800]);
        meter.process(&block);
    }
    let readings = meter.readings();
    group.check("all", readings.crest_factor_db, 3.0103);
    group.check("3 s", readings.crest_factor_3s_db, 3.0103);
    group.check(
        "the peak is one of all channels",
        readings.sample_peak_dbfs,
        -2.0,
    );
    let mut alone = Meter::new(rate, &[Front, Lfe], silence.len());
    alone.process(&[&silence, &effects]);
    let readings = alone.readings();
    assert_eq!((readings.rms_dbfs, readings.crest_factor_db), (None, None));
}

/// A sine brought up by 3 dB and cut off at a level within 0.1 dB of full scale has two flat tops a
/// period (common practice: three and more equal samples are clipping). One whose crests are whole
/// has none, however low it is and however coarsely it is stored: its neighbours round off.
#[test]
fn flat_tops_count_at_any_level_just_under_full_scale_and_round_ones_do_not() {
    let runs = |signal: &[f32], rate: f64| stereo_readings_of(rate, signal).clipped_runs;
    let stored = |signal: &[f32], bits: i32| -> Vec<f32> {
        let steps = 2_f32.powi(bits - 1);
        let store = |sample: &f32| (sample * steps).round().clamp(-steps, steps - 1.0) / steps;
        signal.iter().map(store).collect()
    };
    for rate in [44_100.0, 48_000.0, 96_000.0, 192_000.0] {
        for hz in [20.0, 31.0, 50.0, 100.0, 997.0] {
            let whole = tone(rate, hz, 0.0, 1.0);
            let turned_down = tone(rate, hz, -0.05, 1.0);
            for signal in [&whole, &turned_down] {
                for bits in [16, 24, 25] {
                    assert_eq!(
                        runs(&stored(signal, bits), rate),
                        0,
                        "{hz} Hz at {rate}, {bits}"
                    );
                }
                assert_eq!(runs(signal, rate), 0, "{hz} Hz at {rate}");
            }
        }
        for hz in [20.0, 100.0, 997.0] {
            let loud = tone(rate, hz, 3.0, 1.0);
            for ceiling_db in [0.0, -0.01, -0.05, -0.09] {
                let ceiling = amplitude(ceiling_db) as f32;
                let cut: Vec<f32> = loud.iter().map(|x| x.clamp(-ceiling, ceiling)).collect();
                // In both channels.
                let expected = 4 * hz as u64;
                assert_eq!(
                    runs(&cut, rate),
                    expected,
                    "{hz} Hz at {rate}, {ceiling_db} dB"
                );
                for bits in [16, 24] {
                    assert_eq!(
                        runs(&stored(&cut, bits), rate),
                        expected,
                        "{hz} Hz at {rate}, {ceiling_db} dB, {bits} bits"
                    );
                }
            }
            // Farther down a flat top may as well be the sound.
            let low: Vec<f32> = loud.iter().map(|x| x.clamp(-0.98, 0.98)).collect();
            assert_eq!(runs(&low, rate), 0);
        }
    }
}

/// What is quieter than the programme by more than the relative gate of ITU-R BS.1770-5 is not the
/// programme: a hum (a tone has a short-term PLR of 0), a fade and hiss leave the lowest PLR alone.
#[test]
fn what_is_not_the_programme_does_not_set_the_lowest_plr() {
    let mut group = Group::new("lowest PLR with a tail", 0.1, "dB");
    let song = songs::rink_lights(48_000);
    let [left, right] = song
        .channels
        .each_ref()
        .map(|channel| &channel[..40 * 48_000]);
    let alone = readings_of(48_000.0, &STEREO, &[left, right]).short_term_plr_min_db;
    let hum = tone(48_000.0, 100.0, -45.0, 10.0);
    let swell: Vec<f32> = tone(48_000.0, 1_000.0, -24.0, 10.0)
        .iter()
        .zip(0_u32..)
        .map(|(sample, n)| sample * 10_f32.powf(-3.0 * n as f32 / 480_000.0))
        .collect();
    let silence = vec![0.0; 5 * 48_000];
    for (what, tail) in [
        ("hum", [&silence[..], &hum].concat()),
        ("hum at once", hum.clone()),
        ("silence", silence.clone()),
        ("fade of a tone", [&silence[..], &swell].concat()),
    ] {
        let of = |channel: &[f32]| [channel, &tail].concat();
        let readings = readings_of(48_000.0, &STEREO, &[&of(left), &of(right)]);
        group.check(what, readings.short_term_plr_min_db, alone.unwrap());
        let of = |channel: &[f32]| [&tail, channel].concat();
        let readings = readings_of(48_000.0, &STEREO, &[&of(left), &of(right)]);
        group.check(
            format!("{what} first"),
            readings.short_term_plr_min_db,
            alone.unwrap(),
        );
    }
}

/// A sound that stops leaves the last 3 s as it left them while it sounded: by the definition,
/// short-term PLR of a steady tone is constant, and silence after it has none.
#[test]
fn the_lowest_plr_is_that_of_the_sound_not_of_its_end() {
    let mut meter = Meter::new(48_000.0, &[Front; 2], 480);
    let tone: Vec<f32> = (0..480_000_u32)
        .map(|frame| 0.5 * (f64::from(frame) * 0.13).sin() as f32)
        .collect();
    for block in tone.chunks(480) {
        meter.process(&[block, block]);
    }
    let while_it_sounds = meter.readings().short_term_plr_min_db.unwrap();
    let silence = [0.0; 480];
    for _ in 0..1_000 {
        meter.process(&[&silence, &silence]);
    }
    let afterwards = meter.readings().short_term_plr_min_db.unwrap();
    assert!(
        (afterwards - while_it_sounds).abs() < 0.05,
        "{while_it_sounds} {afterwards}"
    );
}
