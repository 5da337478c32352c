//! Loudness range as EBU Tech 3342 demands it, to half of its tolerance.

use kit::metering::{Group, STEREO, feed, meter, stereo_readings_of, watch};
use kit::signals::{SILENCE, tone, tone_steps};

/// EBU Tech 3342, table 1, cases 1 to 4: levels of successive tones of 20 s, and the range in LU.
const CASES: [(&[f64], f64); 4] = [
    (&[-20.0, -30.0], 10.0),
    (&[-20.0, -15.0], 5.0),
    (&[-40.0, -20.0], 20.0),
    (&[-50.0, -35.0, -20.0, -35.0, -50.0], 15.0),
];

fn steps(levels: &[f64]) -> Vec<(f64, f64)> {
    levels.iter().map(|level| (20.0, *level)).collect()
}

/// EBU Tech 3342, table 1 allows ±1 LU.
#[test]
fn tech_3342_cases_1_to_4() {
    let mut group = Group::new("Tech 3342 cases 1 to 4", 0.02, "LU");
    for rate in [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0] {
        for (case, (levels, range)) in (1..).zip(CASES) {
            let signal = tone_steps(rate, 1_000.0, &steps(levels));
            let readings = stereo_readings_of(rate, &signal);
            group.check(
                format!("case {case} at {rate}"),
                readings.loudness_range_lu,
                range,
            );
        }
    }
}

/// EBU Tech 3342, section 4: the result does not change if the signal is repeated as a whole.
#[test]
fn tech_3342_repeated_signals_keep_their_range() {
    let mut group = Group::new("Tech 3342 repeated signals", 0.02, "LU");
    for (levels, range) in CASES {
        for times in [2, 3] {
            let signal = tone_steps(8_000.0, 1_000.0, &steps(levels).repeat(times));
            let readings = stereo_readings_of(8_000.0, &signal);
            group.check(
                format!("{levels:?} × {times}"),
                readings.loudness_range_lu,
                range,
            );
        }
    }
}

/// EBU R 128, note 2: not for programmes shorter than a minute; EBU Tech 3341: flagged as unstable
/// that long.
#[test]
fn range_is_flagged_for_the_first_60_s() {
    for rate in [8_000.0, 44_100.0] {
        let signal = tone(rate, 1_000.0, -20.0, 61.0);
        watch(
            rate,
            &STEREO,
            &[&signal, &signal],
            0.1,
            |time_s, readings| {
                assert_eq!(
                    readings.loudness_range_settled,
                    time_s > 59.99,
                    "{time_s} s"
                );
                assert_eq!(
                    readings.loudness_range_lu.is_some(),
                    time_s > 2.99,
                    "{time_s} s"
                );
            },
        );
    }
}

/// EBU Tech 3342, section 3.1: what lies more than 20 LU below the mean of what passes −70 LUFS
/// does not count.
#[test]
fn quiet_passages_below_the_relative_gate_do_not_count() {
    let mut group = Group::new("Tech 3342 relative gate", 0.02, "LU");
    // −15 and −20 for as long again: 5 LU. The quiet half lies 33 LU below the mean.
    let signal = tone_steps(
        8_000.0,
        1_000.0,
        &[(20.0, -15.0), (20.0, -20.0), (40.0, -50.0)],
    );
    group.check(
        "quiet half",
        stereo_readings_of(8_000.0, &signal).loudness_range_lu,
        5.0,
    );
}

/// Closed form. While the level of a tone rises steadily in dB, so does its short-term loudness,
/// and every value is as frequent as any other: from the 10th to the 95th percentile (EBU Tech
/// 3342, section 3) lie 85 % of the way that it rises after the first full window.
#[test]
fn a_steady_rise_reads_85_percent_of_its_span() {
    let mut group = Group::new("LRA of a steady rise", 0.05, "LU");
    let rise: Vec<(f64, f64)> = (0..6_000)
        .map(|step| (0.01, -40.0 + 20.0 * f64::from(step) / 6_000.0))
        .collect();
    let signal = tone_steps(48_000.0, 1_000.0, &rise);
    let readings = stereo_readings_of(48_000.0, &signal);
    group.check(
        "20 dB in 60 s",
        readings.loudness_range_lu,
        0.85 * 20.0 * 57.0 / 60.0,
    );
}

/// A host that rolls on into silence, or starts in it, measures the same song: EBU Tech 3342 is a
/// measure of the programme. The last tenth of this one is 5 LU down, so that three more seconds of
/// falling levels would make 5 LU out of none.
#[test]
fn silence_before_and_after_the_programme_changes_nothing() {
    let mut group = Group::new("LRA with silence around", 0.01, "LU");
    let programme = [(60.0, -20.0), (6.0, -25.0)];
    let file = tone_steps(48_000.0, 1_000.0, &programme);
    let told = stereo_readings_of(48_000.0, &file).loudness_range_lu;
    group.check("the file", told, 0.0);
    for (before_s, after_s) in [(0.0, 0.5), (0.0, 10.0), (4.0, 0.0), (4.0, 120.0)] {
        let silences = [
            &[(before_s, SILENCE)][..],
            &programme,
            &[(after_s, SILENCE)],
        ]
        .concat();
        let signal = tone_steps(48_000.0, 1_000.0, &silences);
        let mut live = meter(48_000.0, &STEREO);
        feed(&mut live, &[&signal, &signal]);
        group.check(
            format!("{before_s} s before, {after_s} s after"),
            live.readings().loudness_range_lu,
            told.unwrap_or_default(),
        );
    }
}

/// Silence between sounds is part of the programme: the listing of EBU Tech 3342, section 3, over
/// short-term levels in closed form (the mean of the power in each window of 3 s).
#[test]
fn a_pause_within_the_programme_counts() {
    let mut group = Group::new("LRA with a pause", 0.05, "LU");
    let signal = tone_steps(
        48_000.0,
        1_000.0,
        &[(10.0, -20.0), (2.0, SILENCE), (10.0, -20.0)],
    );
    let mut levels: Vec<f64> = (30..=220)
        .map(|end: i32| {
            let silent = (end.min(120) - (end - 30).max(100)).max(0);
            -20.0 + 10.0 * (f64::from(30 - silent) / 30.0).log10()
        })
        .collect();
    levels.sort_by(f64::total_cmp);
    let rank = |percent: usize| levels[((levels.len() - 1) * percent + 50) / 100];
    group.check(
        "2 s",
        stereo_readings_of(48_000.0, &signal).loudness_range_lu,
        rank(95) - rank(10),
    );
}
