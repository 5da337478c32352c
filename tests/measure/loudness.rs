//! Loudness as the standards' own test signals demand it: EBU Tech 3341 table 1 (to half its
//! tolerance), ITU-R BS.1770-5 and BS.2217; and PLR.

use crestline_core::measure::ChannelRole::{Front, Lfe, Surround};
use crestline_core::measure::{ChannelRole, Readings};
use kit::metering::{Group, STEREO, feed, meter, readings_of, stereo_readings_of, watch};
use kit::signals::{SILENCE, fade, frames, pink_noise, tone, tone_at_phase, tone_steps};

/// The rates at which the cases of EBU Tech 3341 are played.
const RATES: [f64; 5] = [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0];
/// Half of the ±0.1 LU that EBU Tech 3341, table 1, allows.
const HALF_LU: f64 = 0.05;
const SURROUND_5_1: [ChannelRole; 6] = [Front, Front, Front, Lfe, Surround, Surround];

/// EBU Tech 3341, table 1, cases 1 and 2: a steady tone reads its level on all three scales.
#[test]
fn tech_3341_cases_1_and_2_steady_tones() {
    let mut group = Group::new("Tech 3341 cases 1, 2", HALF_LU, "LU");
    for rate in RATES {
        for level in [-23.0, -33.0] {
            let readings = stereo_readings_of(rate, &tone(rate, 1_000.0, level, 20.0));
            group.check(format!("M {rate}"), readings.momentary_lufs, level);
            group.check(format!("max M {rate}"), readings.momentary_max_lufs, level);
            group.check(format!("S {rate}"), readings.short_term_lufs, level);
            group.check(format!("max S {rate}"), readings.short_term_max_lufs, level);
            group.check(format!("I {rate}"), readings.integrated_lufs, level);
        }
    }
}

/// EBU Tech 3341, table 1, cases 3 to 5: the gates.
#[test]
fn tech_3341_cases_3_to_5_gating() {
    let mut group = Group::new("Tech 3341 cases 3 to 5", HALF_LU, "LU");
    let cases: [&[(f64, f64)]; 3] = [
        &[(10.0, -36.0), (60.0, -23.0), (10.0, -36.0)],
        &[
            (10.0, -72.0),
            (10.0, -36.0),
            (60.0, -23.0),
            (10.0, -36.0),
            (10.0, -72.0),
        ],
        &[(20.0, -26.0), (20.1, -20.0), (20.0, -26.0)],
    ];
    for rate in RATES {
        for (case, steps) in (3..).zip(cases) {
            let readings = stereo_readings_of(rate, &tone_steps(rate, 1_000.0, steps));
            group.check(
                format!("case {case} at {rate}"),
                readings.integrated_lufs,
                -23.0,
            );
        }
    }
}

/// EBU Tech 3341, table 1, case 6: five channels of different level; 1.41 on the mean square of the
/// surrounds.
#[test]
fn tech_3341_case_6_five_channels() {
    let mut group = Group::new("Tech 3341 case 6", HALF_LU, "LU");
    for rate in RATES {
        let [front, centre, surround] =
            [-28.0, -24.0, -30.0].map(|level| tone(rate, 1_000.0, level, 20.0));
        let silence = vec![0.0; front.len()];
        let five: [&[f32]; 5] = [&front, &front, &centre, &surround, &surround];
        let readings = readings_of(rate, &[Front, Front, Front, Surround, Surround], &five);
        group.check(format!("5.0 at {rate}"), readings.integrated_lufs, -23.0);
        let six: [&[f32]; 6] = [&front, &front, &centre, &silence, &surround, &surround];
        let readings = readings_of(rate, &SURROUND_5_1, &six);
        group.check(format!("5.1 at {rate}"), readings.integrated_lufs, -23.0);
    }
}

/// EBU Tech 3341, table 1, cases 9 and 12: alternating levels that fit the window read constant
/// once it is full.
#[test]
fn tech_3341_cases_9_and_12_constant_readings() {
    let mut group = Group::new("Tech 3341 cases 9, 12", HALF_LU, "LU");
    for rate in RATES {
        let signal = tone_steps(rate, 1_000.0, &[(1.34, -20.0), (1.66, -30.0)].repeat(5));
        watch(
            rate,
            &STEREO,
            &[&signal, &signal],
            0.01,
            |time_s, readings| {
                if time_s > 2.999 {
                    group.check(
                        format!("S at {rate}, {time_s} s"),
                        readings.short_term_lufs,
                        -23.0,
                    );
                }
            },
        );
        let signal = tone_steps(rate, 1_000.0, &[(0.18, -20.0), (0.22, -30.0)].repeat(25));
        watch(
            rate,
            &STEREO,
            &[&signal, &signal],
            0.01,
            |time_s, readings| {
                if time_s > 0.999 {
                    group.check(
                        format!("M at {rate}, {time_s} s"),
                        readings.momentary_lufs,
                        -23.0,
                    );
                }
            },
        );
    }
}

/// EBU Tech 3341, table 1, cases 10 and 13 (file-based meters): twenty files each, the tone a
/// little later in every one.
#[test]
fn tech_3341_cases_10_and_13_maxima_of_files() {
    let mut group = Group::new("Tech 3341 cases 10, 13", HALF_LU, "LU");
    for rate in RATES {
        for i in 0..20_u8 {
            let steps = |lead_s: f64, tone_s: f64| {
                [
                    (f64::from(i) * lead_s, SILENCE),
                    (tone_s, -23.0),
                    (1.0, SILENCE),
                ]
            };
            let case_10 = stereo_readings_of(rate, &tone_steps(rate, 1_000.0, &steps(0.15, 3.0)));
            group.check(
                format!("max S, file {i} at {rate}"),
                case_10.short_term_max_lufs,
                -23.0,
            );
            let case_13 = stereo_readings_of(rate, &tone_steps(rate, 1_000.0, &steps(0.02, 0.4)));
            group.check(
                format!("max M, file {i} at {rate}"),
                case_13.momentary_max_lufs,
                -23.0,
            );
        }
    }
}

/// EBU Tech 3341, table 1, cases 11 and 14 (live meters): twenty tones in a row, each 1 dB louder
/// and a little later in its unit.
#[test]
fn tech_3341_cases_11_and_14_successive_maxima() {
    let mut group = Group::new("Tech 3341 cases 11, 14", HALF_LU, "LU");
    let units = |lead_s: f64, tone_s: f64| -> Vec<(f64, f64)> {
        (0..20_u8)
            .flat_map(|i| {
                let lead = f64::from(i) * lead_s;
                [
                    (lead, SILENCE),
                    (tone_s, f64::from(i) - 38.0),
                    (tone_s - lead, SILENCE),
                ]
            })
            .collect()
    };
    for rate in RATES {
        let signal = tone_steps(rate, 1_000.0, &units(0.15, 3.0));
        let mut expected = -38.0;
        watch(
            rate,
            &STEREO,
            &[&signal, &signal],
            6.0,
            |time_s, readings| {
                group.check(
                    format!("max S at {rate}, {time_s} s"),
                    readings.short_term_max_lufs,
                    expected,
                );
                expected += 1.0;
            },
        );
        let signal = tone_steps(rate, 1_000.0, &units(0.02, 0.4));
        let mut expected_m = -38.0;
        watch(
            rate,
            &STEREO,
            &[&signal, &signal],
            0.8,
            |time_s, readings| {
                group.check(
                    format!("max M at {rate}, {time_s} s"),
                    readings.momentary_max_lufs,
                    expected_m,
                );
                expected_m += 1.0;
            },
        );
        assert!(
            expected > -18.5 && expected_m > -18.5,
            "all twenty units were read"
        );
    }
}

/// ITU-R BS.1770-5, Annex 1, equations 4 to 7. Readings worked out from the equations in double
/// precision at 48 kHz with an independent program; a meter without the absolute gate reads −22.903
/// and −69.971.
#[test]
fn bs_1770_absolute_and_relative_gate() {
    let mut group = Group::new("BS.1770-5 gates", HALF_LU, "LU");
    for rate in RATES {
        let relative = tone_steps(rate, 997.0, &[(60.0, -80.0), (20.0, -20.0), (20.0, -36.0)]);
        group.check(
            format!("relative at {rate}"),
            stereo_readings_of(rate, &relative).integrated_lufs,
            -20.064,
        );
        let absolute = tone_steps(rate, 997.0, &[(10.0, -69.5), (10.0, -70.5)]);
        group.check(
            format!("absolute at {rate}"),
            stereo_readings_of(rate, &absolute).integrated_lufs,
            -69.507,
        );
    }
}

/// ITU-R BS.1770-5, Annex 1: a 0 dBFS sine at 997 Hz in one of the front channels reads −3.01 LKFS;
/// in both of two, 0.00.
#[test]
fn bs_1770_anchor_at_every_rate() {
    let mut group = Group::new("BS.1770-5 anchor", 0.01, "LU");
    for rate in [44_100.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0] {
        let full_scale = tone(rate, 997.0, 0.0, 5.0);
        let silence = vec![0.0; full_scale.len()];
        for channel in 0..3 {
            let mut channels: [&[f32]; 6] = [&silence; 6];
            channels[channel] = &full_scale;
            let readings = readings_of(rate, &SURROUND_5_1, &channels);
            group.check(
                format!("channel {channel} at {rate}"),
                readings.integrated_lufs,
                -3.0103,
            );
        }
        group.check(
            format!("stereo at {rate}"),
            stereo_readings_of(rate, &full_scale).integrated_lufs,
            0.0,
        );
    }
}

/// Report ITU-R BS.2217, two-channel tones of −24 and −23 LKFS. Peak levels worked out from the
/// filters of BS.1770-5 in double precision; they match the levels of the report's own files. Half
/// of the report's 0.1 LU.
#[test]
fn bs_2217_tones_from_25_hz_to_10_khz() {
    let mut group = Group::new("BS.2217 tones", HALF_LU, "LU");
    let tones = [
        (25.0, -12.916),
        (100.0, -22.176),
        (500.0, -23.352),
        (1_000.0, -24.007),
        (2_000.0, -26.380),
        (10_000.0, -27.351),
    ];
    for rate in RATES {
        for (hz, level) in tones {
            for target in [-24.0, -23.0] {
                let readings =
                    stereo_readings_of(rate, &tone(rate, hz, level + target + 24.0, 10.0));
                group.check(
                    format!("{hz} Hz at {rate}"),
                    readings.integrated_lufs,
                    target,
                );
            }
        }
    }
}

/// Report ITU-R BS.2217 as above, at the rates of telephones and old samplers, which the report
/// leaves out: BS.1770-5, Annex 1 asks for "the same frequency response" at every rate.
#[test]
fn bs_2217_tones_at_low_rates() {
    let mut group = Group::new("BS.2217 tones at low rates", HALF_LU, "LU");
    let tones = [
        (25.0, -12.916),
        (100.0, -22.176),
        (500.0, -23.352),
        (1_000.0, -24.007),
        (2_000.0, -26.380),
        (10_000.0, -27.351),
    ];
    for rate in [8_000.0, 11_025.0, 12_000.0, 16_000.0, 22_050.0] {
        for (hz, level) in tones.iter().filter(|(hz, _)| *hz < 0.5 * rate) {
            let readings = stereo_readings_of(rate, &tone(rate, *hz, *level, 10.0));
            group.check(
                format!("{hz} Hz at {rate}"),
                readings.integrated_lufs,
                -24.0,
            );
        }
    }
}

/// Noise of the telephone band reads at 8 kHz what the table of BS.1770-5, Annex 1 (48 kHz) says of
/// its spectrum: −0.691 + 10·log10 of its power through the two printed filters. Half of the 0.1 LU
/// that EBU Tech 3341 allows.
#[test]
fn telephone_noise_reads_as_the_standards_table_says() {
    let mut group = Group::new("pink noise at low rates", HALF_LU, "LU");
    let gain = |hz: f64| {
        let power = |c: [f64; 3]| {
            let omega = std::f64::consts::TAU * hz / 48_000.0;
            let re = c[0] + c[1] * omega.cos() + c[2] * (2.0 * omega).cos();
            let im = c[1] * omega.sin() + c[2] * (2.0 * omega).sin();
            re * re + im * im
        };
        power([1.53512485958697, -2.69169618940638, 1.19839281085285]) * power([1.0, -2.0, 1.0])
            / (power([1.0, -1.69065929318241, 0.73248077421585])
                * power([1.0, -1.99004745483398, 0.99007225036621]))
    };
    for rate in [8_000.0, 11_025.0, 16_000.0, 22_050.0] {
        let noise = pink_noise(11, rate, 300.0, -20.0, 20.0);
        // Equal power in bands of equal ratio, from 300 Hz to half the rate.
        const BANDS: i32 = 10_000;
        let nats = (0.5 * rate / 300.0_f64).ln();
        let weighted: f64 = (0..BANDS)
            .map(|band| gain(300.0 * (nats * (f64::from(band) + 0.5) / f64::from(BANDS)).exp()))
            .sum::<f64>()
            * noise.power_per_nat
            * nats
            / f64::from(BANDS);
        let readings = stereo_readings_of(rate, &noise.samples);
        let expected = -0.691 + 10.0 * (2.0 * weighted).log10();
        group.check(rate, readings.integrated_lufs, expected);
    }
}

/// Report ITU-R BS.2217, channel check: 1 kHz in one channel of 5.1 at a time (levels worked out as
/// above). The LFE channel counts nothing.
#[test]
fn bs_2217_channel_check() {
    let mut group = Group::new("BS.2217 channel check", HALF_LU, "LU");
    for rate in RATES {
        for (channel, role) in SURROUND_5_1.iter().enumerate() {
            let level = if *role == Surround { -22.489 } else { -20.996 };
            let signal = tone(rate, 1_000.0, level, 10.0);
            let silence = vec![0.0; signal.len()];
            let mut channels: [&[f32]; 6] = [&silence; 6];
            channels[channel] = &signal;
            let readings = readings_of(rate, &SURROUND_5_1, &channels);
            if *role == Lfe {
                assert_eq!(readings.integrated_lufs, None);
                assert_eq!(readings.momentary_max_lufs, None);
                assert!(readings.true_peak_dbtp.is_some(), "its peaks still count");
            } else {
                group.check(
                    format!("channel {channel} at {rate}"),
                    readings.integrated_lufs,
                    -24.0,
                );
            }
        }
    }
}

/// ITU-R BS.1770-5, Annex 1, equation 2: the channels' mean squares add up, so one channel reads
/// `10·log10 2` below two.
#[test]
fn mono_reads_3_01_lu_below_the_same_signal_twice() {
    let mut group = Group::new("mono against dual mono", 0.001, "LU");
    let signal = tone(48_000.0, 440.0, -12.0, 5.0);
    let mono = readings_of(48_000.0, &[Front], &[&signal]);
    let dual = stereo_readings_of(48_000.0, &signal);
    let below = |of: fn(&Readings) -> Option<f64>| Some(of(&mono)? - of(&dual)?);
    group.check("M", below(|readings| readings.momentary_lufs), -3.0103);
    group.check("S", below(|readings| readings.short_term_lufs), -3.0103);
    group.check("I", below(|readings| readings.integrated_lufs), -3.0103);
}

/// Closed forms from the definition (maximum true peak less integrated loudness) and BS.1770-5: a
/// 997 Hz sine in both channels 0.00 dB, in one 3.01; a quarter-rate sine K-weights by +4.043 dB,
/// so that its PLR is `0.691 − 4.043 = −3.35` dB: a PLR may be negative.
#[test]
fn plr_of_tones() {
    let mut group = Group::new("PLR of tones", 0.05, "dB");
    let rate = 48_000.0;
    let faded = |mut signal: Vec<f32>| {
        fade(&mut signal, 480);
        signal
    };
    for level in [0.0, -20.0, -45.0] {
        let signal = faded(tone(rate, 997.0, level, 10.0));
        let silence = vec![0.0; signal.len()];
        let inverted: Vec<f32> = signal.iter().map(|sample| -sample).collect();
        let both = stereo_readings_of(rate, &signal);
        group.check(format!("in phase at {level}"), both.plr_db, 0.0);
        group.check(
            format!("in phase at {level}, short term"),
            both.short_term_plr_min_db,
            0.0,
        );
        let anti_phase = readings_of(rate, &STEREO, &[&signal, &inverted]);
        group.check(format!("anti-phase at {level}"), anti_phase.plr_db, 0.0);
        let one = readings_of(rate, &STEREO, &[&signal, &silence]);
        group.check(format!("one channel at {level}"), one.plr_db, 3.0103);
        group.check(
            format!("one channel at {level}, short term"),
            one.short_term_plr_min_db,
            3.0103,
        );
    }
    let quarter_rate = faded(tone_at_phase(0.25, 45.0, 0.5, 480_000));
    group.check(
        "quarter rate",
        stereo_readings_of(rate, &quarter_rate).plr_db,
        -3.352,
    );
}

/// Maximum true peak in the last 3 s less short-term loudness (AES 143, e-Brief, 2017). A burst of
/// ten periods, 14 dB up, raises the mean square of a 3 s window that holds it by `d/3·(10^1.4 −
/// 1)`, and leaves the window 3 s later.
#[test]
fn short_term_plr_follows_its_window() {
    let mut group = Group::new("short-term PLR", 0.05, "dB");
    let (rate, burst_s) = (48_000.0, 0.01);
    let signal = tone_steps(
        rate,
        1_000.0,
        &[(5.0, -20.0), (burst_s, -6.0), (6.0, -20.0)],
    );
    let with_burst = 14.0 - 10.0 * (1.0 + burst_s / 3.0 * (10_f64.powf(1.4) - 1.0)).log10();
    let mut lowest = f64::INFINITY;
    watch(
        rate,
        &STEREO,
        &[&signal, &signal],
        0.1,
        |time_s, readings| {
            lowest = readings
                .short_term_plr_db
                .map_or(lowest, |plr| plr.min(lowest));
            let plr = readings.short_term_plr_db;
            match time_s {
                ..2.99 => assert_eq!(plr, None, "no window is full yet"),
                // The burst enters and leaves the windows of loudness and peak, the peak 0.4 ms
                // late.
                4.99..5.09 | 7.99..8.09 => {}
                5.09..7.99 => group.check(time_s, plr, with_burst),
                _ => group.check(time_s, plr, 0.0),
            }
        },
    );
    let readings = stereo_readings_of(rate, &signal);
    group.check("lowest", readings.short_term_plr_min_db, lowest);
}

/// ITU-R BS.1770-5, Annex 1: below −70 LKFS there is no gated loudness, and hence no PLR. Windows
/// without a gate still read.
#[test]
fn nothing_gated_is_read_below_the_gate() {
    let rate = 48_000.0;
    let readings = stereo_readings_of(rate, &tone(rate, 997.0, -75.0, 10.0));
    assert_eq!(readings.integrated_lufs, None);
    assert_eq!(readings.gated_10s_lufs, None);
    assert_eq!(readings.loudness_range_lu, None);
    assert_eq!(readings.plr_db, None);
    assert_eq!(readings.short_term_plr_db, None);
    assert_eq!(readings.short_term_plr_min_db, None);
    let mut group = Group::new("windows below the gate", HALF_LU, "LU");
    group.check("M", readings.momentary_lufs, -75.0);
    group.check("S", readings.short_term_lufs, -75.0);
}

#[test]
fn silence_has_no_reading_at_all() {
    for seconds in [0.0, 0.5, 5.0] {
        let silence = vec![0.0; frames(48_000.0, seconds)];
        let expected = Readings {
            frames: silence.len() as u64,
            ..Readings::default()
        };
        assert_eq!(stereo_readings_of(48_000.0, &silence), expected);
    }
}

/// EBU Tech 3341, sections 2.2 and 2.3; BS.1770-5, Annex 1: the windows are 400 ms and 3 s long,
/// and incomplete ones are dropped.
#[test]
fn windows_read_only_once_they_are_full() {
    for rate in RATES {
        let signal = tone(rate, 997.0, -20.0, 3.2);
        watch(
            rate,
            &STEREO,
            &[&signal, &signal],
            0.01,
            |time_s, readings| {
                assert_eq!(
                    readings.momentary_lufs.is_some(),
                    time_s > 0.399,
                    "M at {time_s} s"
                );
                assert_eq!(
                    readings.integrated_lufs.is_some(),
                    time_s > 0.399,
                    "I at {time_s} s"
                );
                assert_eq!(
                    readings.short_term_lufs.is_some(),
                    time_s > 2.999,
                    "S at {time_s} s"
                );
            },
        );
        let short = stereo_readings_of(rate, &tone(rate, 997.0, -20.0, 0.39));
        assert_eq!(
            (
                short.momentary_max_lufs,
                short.integrated_lufs,
                short.plr_db
            ),
            (None, None, None)
        );
    }
}

/// The gated loudness of the last 10 s is that of a meter started 10 s ago (BS.1770-5, Annex 1,
/// over that stretch).
#[test]
fn gated_loudness_of_the_last_10_s_forgets_the_rest() {
    let mut group = Group::new("gated loudness of the last 10 s", 0.01, "LU");
    let rate = 48_000.0;
    let signal = tone_steps(rate, 1_000.0, &[(20.0, -15.0), (4.0, -40.0), (6.0, -26.0)]);
    let mut whole = meter(rate, &STEREO);
    feed(&mut whole, &[&signal, &signal]);
    let late = stereo_readings_of(rate, &signal[frames(rate, 20.0)..]);
    group.check(
        "started late",
        whole.readings().gated_10s_lufs,
        late.integrated_lufs.unwrap(),
    );
}
