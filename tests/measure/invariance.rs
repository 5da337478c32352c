//! What must not change a reading: how the signal is cut into blocks, gain (but for the gain
//! itself), channel order, an earlier session, bad samples, odd sample rates.

use crestline_core::measure::{Balance, ChannelRole, Meter, Readings};
use kit::metering::{Group, STEREO, feed, meter, readings_of};
use kit::signals::{SILENCE, frames, pink_noise, tone, tone_steps, white_noise};
use proptest::prelude::*;
use std::cell::RefCell;
use std::f64::consts::TAU;
use std::sync::LazyLock;

const RATE: f64 = 48_000.0;

/// Two channels of a beat: noise that falls in bursts over a tone, 5 s.
static BEAT: LazyLock<[Vec<f32>; 2]> = LazyLock::new(|| [beat(RATE, 1), beat(RATE, 2)]);

fn beat(rate_hz: f64, seed: u64) -> Vec<f32> {
    let noise = pink_noise(seed, rate_hz, 20.0, -12.0, 5.0).samples;
    let under = tone_steps(rate_hz, 110.0, &[(2.0, -20.0), (3.0, -14.0)]);
    let bar = 0.47 * rate_hz;
    noise
        .iter()
        .zip(under)
        .enumerate()
        .map(|(n, (noise, tone))| noise * (-(n as f64 % bar) / bar * 6.0).exp() as f32 + tone)
        .collect()
}

/// Readings and balance of the beat, given over in blocks of these lengths, over and over.
fn in_blocks(lengths: &[usize]) -> (Readings, Balance) {
    told_in_blocks(new_meter(), lengths)
}

fn new_meter() -> Meter {
    Meter::new(RATE, &STEREO, 4_096).with_balance([0.25; 2])
}

fn told_in_blocks(mut meter: Meter, lengths: &[usize]) -> (Readings, Balance) {
    let mut at = 0;
    for length in lengths.iter().cycle() {
        let end = (at + length).min(BEAT[0].len());
        meter.process(&[&BEAT[0][at..end], &BEAT[1][at..end]]);
        at = end;
        if at == BEAT[0].len() {
            break;
        }
    }
    meter.finish();
    (meter.readings(), meter.balance())
}

static WHOLE: LazyLock<(Readings, Balance)> = LazyLock::new(|| in_blocks(&[4_096]));

/// All values that a reading may hold.
fn values(readings: &Readings) -> [Option<f64>; 16] {
    [
        readings.momentary_lufs,
        readings.momentary_max_lufs,
        readings.short_term_lufs,
        readings.short_term_max_lufs,
        readings.integrated_lufs,
        readings.gated_10s_lufs,
        readings.loudness_range_lu,
        readings.true_peak_dbtp,
        readings.sample_peak_dbfs,
        readings.plr_db,
        readings.short_term_plr_db,
        readings.short_term_plr_min_db,
        readings.ldr_db,
        readings.ldr_10s_db,
        readings.rms_3s_dbfs,
        readings.rms_dbfs,
    ]
}

#[test]
fn a_meter_that_tells_at_the_end_tells_the_same() {
    assert_eq!(told_in_blocks(new_meter().told_at_end(), &[512]), *WHOLE);
}

#[test]
fn fixed_block_sizes_change_nothing() {
    for length in [1, 7, 32, 64, 441, 480, 512, 1_023] {
        assert_eq!(in_blocks(&[length]), *WHOLE, "blocks of {length}");
    }
    println!("measure: block sizes: readings and balance identical to the bit");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_splits_change_nothing(lengths in prop::collection::vec(1_usize..4_096, 1..40)) {
        prop_assert_eq!(in_blocks(&lengths), *WHOLE);
    }

    /// Linear weighting and relative gates: gain adds to loudness and levels, and cancels in
    /// ratios. The beat stays far above the absolute gate.
    #[test]
    fn gain_adds_to_loudness_and_cancels_in_ratios(gain_db in -20.0..12.0_f64) {
        let gain = 10_f64.powf(gain_db / 20.0) as f32;
        let scaled = BEAT.each_ref().map(|channel| channel.iter().map(|sample| sample * gain).collect::<Vec<f32>>());
        let after = readings_of(RATE, &STEREO, &[&scaled[0], &scaled[1]]);
        let before = &WHOLE.0;
        thread_local! { static GROUPS: RefCell<[Group; 3]> = RefCell::new([
            Group::new("gain adds to loudness, peaks and RMS", 0.0005, "dB"),
            Group::new("gain cancels in PLR", 0.0005, "dB"),
            // Both come from bins of 0.01 dB.
            Group::new("gain cancels in LRA and LDR", 0.01, "dB"),
        ]); }
        GROUPS.with_borrow_mut(|[adds, cancels, binned]| {
            for of in [
                (|r: &Readings| r.momentary_lufs) as fn(&Readings) -> Option<f64>,
                |r| r.momentary_max_lufs,
                |r| r.short_term_lufs,
                |r| r.short_term_max_lufs,
                |r| r.integrated_lufs,
                |r| r.gated_10s_lufs,
                |r| r.true_peak_dbtp,
                |r| r.sample_peak_dbfs,
                |r| r.rms_3s_dbfs,
                |r| r.rms_dbfs,
            ] {
                adds.check(gain_db, of(&after), of(before).unwrap() + gain_db);
            }
            cancels.check(gain_db, after.plr_db, before.plr_db.unwrap());
            cancels.check(gain_db, after.short_term_plr_db, before.short_term_plr_db.unwrap());
            cancels.check(gain_db, after.crest_factor_db, before.crest_factor_db.unwrap());
            binned.check(gain_db, after.loudness_range_lu, before.loudness_range_lu.unwrap());
            binned.check(gain_db, after.ldr_db, before.ldr_db.unwrap());
            binned.check(gain_db, after.ldr_10s_db, before.ldr_10s_db.unwrap());
        });
    }

    /// Whatever comes in, what is read is a number, or nothing; and good signal is read as ever
    /// once the bad has left the windows.
    #[test]
    fn bad_samples_never_poison(
        at in prop::collection::vec(0_usize..48_000, 1..200),
        kind in prop::collection::vec(0_usize..8, 200),
    ) {
        const BAD: [f32; 8] = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e30, -1e30, f32::MAX, 1e-40, -f32::MIN_POSITIVE];
        let mut hurt = BEAT[0][..48_000].to_vec();
        for (at, kind) in at.iter().zip(&kind) {
            hurt[*at] = BAD[*kind];
        }
        let mut meter = Meter::new(RATE, &STEREO, 4_096).with_balance([0.0; 2]);
        feed(&mut meter, &[&hurt, &BEAT[1][..48_000]]);
        assert_finite(&meter);
        feed(&mut meter, &[&BEAT[0], &BEAT[1]]);
        assert_finite(&meter);
        let (ours, clean) = (meter.readings(), readings_of(RATE, &STEREO, &[&BEAT[0], &BEAT[1]]));
        for (ours, clean) in [
            (ours.momentary_lufs, clean.momentary_lufs),
            (ours.short_term_lufs, clean.short_term_lufs),
            (ours.short_term_plr_db, clean.short_term_plr_db),
            (ours.rms_3s_dbfs, clean.rms_3s_dbfs),
        ] {
            prop_assert!((ours.unwrap() - clean.unwrap()).abs() < 1e-6, "{ours:?} after recovery, {clean:?} without");
        }
    }
}

fn assert_finite(meter: &Meter) {
    for value in values(&meter.readings()).into_iter().flatten() {
        assert!(value.is_finite(), "{value} in {:?}", meter.readings());
    }
    let balance = meter.balance();
    for value in balance.long_term_db.iter().flatten() {
        assert!(value.is_finite(), "{value} in {balance:?}");
    }
}

#[test]
fn swapped_channels_change_nothing() {
    let swapped = readings_of(RATE, &STEREO, &[&BEAT[1], &BEAT[0]]);
    let straight = readings_of(RATE, &STEREO, &[&BEAT[0], &BEAT[1]]);
    assert_eq!(swapped, straight);
}

/// Two files in a row are one file.
#[test]
fn a_signal_in_two_sequences_equals_one() {
    let mut meter = Meter::new(RATE, &STEREO, 100_000).with_balance([0.25; 2]);
    let cut = 100_000 - 37;
    meter.process(&[&BEAT[0][..cut], &BEAT[1][..cut]]);
    for start in (cut..BEAT[0].len()).step_by(50) {
        let end = (start + 50).min(BEAT[0].len());
        meter.process(&[&BEAT[0][start..end], &BEAT[1][start..end]]);
    }
    meter.finish();
    assert_eq!((meter.readings(), meter.balance()), *WHOLE);
}

/// Readings only: the balance keeps its stagger over a restart.
#[test]
fn a_restart_equals_a_new_meter() {
    let mut used = meter(RATE, &STEREO).with_balance([0.25; 2]);
    let loud = white_noise(5, 2.0, 200_123);
    feed(&mut used, &[&loud, &loud]);
    used.finish();
    used.reset();
    assert_eq!(used.readings(), Readings::default());
    assert_eq!(used.balance(), Balance::default());
    feed(&mut used, &[&BEAT[0], &BEAT[1]]);
    used.finish();
    assert_eq!(used.readings(), WHOLE.0);
}

/// A tone goes on as it was: no spectrum is made of what lies before a restart, nor of nothing in its
/// place.
#[test]
fn a_restart_leaves_the_level_of_a_steady_tone() {
    let tone: Vec<f32> = (0..3 * 48_000_u32)
        .map(|n| (0.1 * (TAU * 100.0 / RATE * f64::from(n)).sin()) as f32)
        .collect();
    let highest = |meter: &Meter| {
        let bands = meter.balance().long_term_db;
        bands.into_iter().flatten().fold(f32::MIN, f32::max)
    };
    for stagger in [0.0, 0.25, 0.5, 0.75] {
        let mut used = meter(RATE, &STEREO).with_balance([stagger; 2]);
        feed(&mut used, &[&tone, &tone]);
        let before = highest(&used);
        for later in [0, 10_000, 30_000] {
            feed(&mut used, &[&tone[..later], &tone[..later]]);
            used.restart();
            feed(&mut used, &[&tone, &tone]);
            let after = highest(&used);
            assert!(
                (after - before).abs() < 0.1,
                "{stagger}: {after} for {before}"
            );
        }
    }
}

/// A meter that has heard everything at once: nothing but bad samples, then the smallest, then too
/// many at once.
#[test]
fn extremes_are_survived() {
    for bad in [
        f32::NAN,
        f32::INFINITY,
        f32::NEG_INFINITY,
        1e30,
        f32::MAX,
        1e9,
        1e-40,
        f32::MIN_POSITIVE,
        0.0,
    ] {
        let mut meter = meter(RATE, &STEREO).with_balance([0.0; 2]);
        let signal = vec![bad; 200_000];
        feed(&mut meter, &[&signal, &signal]);
        assert_finite(&meter);
        meter.finish();
        assert_finite(&meter);
    }
}

/// Blocks of no frames, of more frames than promised, channels of different length, too few
/// channels: no panic, and what fits is measured.
#[test]
fn odd_blocks_are_survived() {
    let mut meter = Meter::new(RATE, &STEREO, 256).with_balance([0.0; 2]);
    meter.process(&[&[], &[]]);
    meter.process(&[]);
    assert_eq!(meter.readings().frames, 0);
    let long = vec![0.5; 1_000];
    meter.process(&[&long, &long[..300]]);
    meter.process(&[&long[..100], &long[..50]]);
    meter.process(&[&long[..100]]);
    assert_eq!(meter.readings().frames, 256 + 50 + 100);
    assert_finite(&meter);
    meter.process(&[&long[..10], &long[..10], &long[..10]]);
    assert_finite(&meter);
}

/// Any rate from 8 to 384 kHz, whole or not; slower ones must not break. A tone reads its level
/// (ITU-R BS.1770-5, Annex 1).
#[test]
fn odd_rates_are_survived_and_read_right() {
    let mut group = Group::new("tones at odd rates", 0.05, "LU");
    for rate in [
        8_000.0, 11_025.0, 22_050.0, 37_800.5, 44_056.0, 50_000.0, 384_000.0,
    ] {
        let signal = tone(rate, 997.0, -20.0, 4.0);
        let mut meter = Meter::new(rate, &STEREO, 4_096).with_balance([0.5; 2]);
        feed(&mut meter, &[&signal, &signal]);
        meter.finish();
        assert_finite(&meter);
        let readings = meter.readings();
        group.check(format!("I at {rate}"), readings.integrated_lufs, -20.0);
        group.check(format!("M at {rate}"), readings.momentary_lufs, -20.0);
        group.check(format!("S at {rate}"), readings.short_term_lufs, -20.0);
    }
    for rate in [1234.5678, 1_000.0, 200.0, 100.0, 1.0] {
        let signal = tone_steps(
            rate,
            rate / 10.0,
            &[(4.0, -20.0), (1.0, SILENCE), (20.0, -20.0)],
        );
        let roles = [ChannelRole::Front, ChannelRole::Surround, ChannelRole::Lfe];
        let mut meter = Meter::new(rate, &roles, 4_096).with_balance([0.0; 2]);
        feed(&mut meter, &[&signal, &signal, &signal]);
        meter.finish();
        assert_finite(&meter);
        assert_eq!(meter.readings().frames, frames(rate, 25.0) as u64);
    }
}
