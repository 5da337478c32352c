//! Third-octave balance: bands of IEC 61260-1.

use crestline_core::measure::ChannelRole::Front;
use crestline_core::measure::{BAND_COUNT, Balance, ChannelRole, band_edge_hz, mid_band_hz};
use kit::metering::{Group, STEREO, feed, meter};
use kit::signals::{SILENCE, frames, pink_noise, tone, tone_steps};

fn balance_of(rate_hz: f64, roles: &[ChannelRole], channels: &[&[f32]]) -> Balance {
    let mut meter = meter(rate_hz, roles).with_balance([0.0; 2]);
    feed(&mut meter, channels);
    meter.balance()
}

fn band(values: &[Option<f32>; BAND_COUNT], index: usize) -> Option<f64> {
    values[index].map(f64::from)
}

/// IEC 61260-1:2014, 5.2 to 5.5 (base-ten ratios; exact mid-band and edge frequencies).
#[test]
fn band_frequencies_are_the_standards() {
    for (index, hz) in [
        (0, 19.95262),
        (1, 25.11886),
        (7, 100.0),
        (11, 251.1886),
        (17, 1000.0),
        (24, 5011.872),
        (30, 19952.62),
    ] {
        assert!((mid_band_hz(index) / hz - 1.0).abs() < 1e-6, "band {index}");
    }
    assert!((band_edge_hz(17) - 891.2509).abs() < 1e-3);
    assert!((band_edge_hz(18) - 1122.0185).abs() < 1e-3);
}

/// A sine of amplitude `a` has the power `a²/2`; all of it belongs to the band it lies in the
/// middle of.
#[test]
fn a_tone_in_the_middle_of_a_band_reads_in_that_band() {
    let mut own = Group::new("balance, tone in its band", 0.2, "dB");
    let mut nearest = f64::INFINITY;
    let mut farther = f64::INFINITY;
    for rate in [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0] {
        for index in 0..BAND_COUNT {
            let signal = tone(rate, mid_band_hz(index), -10.0, 4.0);
            let balance = balance_of(rate, &[Front], &[&signal]);
            let values = &balance.long_term_db;
            own.check(
                format!("band {index} at {rate}"),
                band(values, index),
                -13.0103,
            );
            for (other, value) in values.iter().enumerate() {
                let below = -13.0103 - value.map_or(f64::NEG_INFINITY, f64::from);
                match other.abs_diff(index) {
                    0 => {}
                    1 => nearest = nearest.min(below),
                    _ => farther = farther.min(below),
                }
            }
        }
    }
    println!(
        "measure: balance, tone in other bands: at least {nearest:.1} dB down in the next, of 34 promised; {farther:.1} dB farther off"
    );
    assert!(nearest >= 34.0, "next band only {nearest} dB down");
    assert!(farther >= 40.0, "farther band only {farther} dB down");
}

/// Pink noise has the same power in every third of an octave: `ln 10^0.1` times that per unit of
/// `ln f`. The noise is exact in its magnitudes; a minute of it leaves some statistics to the
/// lowest bands, 5 Hz wide.
#[test]
fn pink_noise_reads_flat() {
    let mut group = Group::new("balance, pink noise", 0.3, "dB");
    for (rate, bands) in [
        (44_100.0, 0..30),
        (48_000.0, 0..BAND_COUNT),
        (96_000.0, 0..BAND_COUNT),
    ] {
        let pink = pink_noise(7, rate, 10.0, -20.0, 60.0);
        let balance = balance_of(rate, &[Front], &[&pink.samples]);
        let expected = 10.0 * (pink.power_per_nat * 0.1 * 10_f64.ln()).log10();
        // The highest band ends beyond half of 44.1 kHz.
        for index in bands {
            let reading = band(&balance.long_term_db, index);
            group.check(format!("band {index} at {rate}"), reading, expected);
        }
    }
}

/// Power is summed over the channels.
#[test]
fn channels_add_up() {
    let mut group = Group::new("balance, channels", 0.05, "dB");
    let signal = tone(48_000.0, mid_band_hz(17), -10.0, 4.0);
    let silence = vec![0.0; signal.len()];
    let long_term =
        |channels: [&[f32]; 2]| band(&balance_of(48_000.0, &STEREO, &channels).long_term_db, 17);
    group.check("both", long_term([&signal, &signal]), -10.0);
    group.check("left", long_term([&signal, &silence]), -13.0103);
    group.check("right", long_term([&silence, &signal]), -13.0103);
}

/// A sine of amplitude `a` has the power `a²/2`, and no channel takes from another: a tone of its
/// own band in each.
#[test]
fn unlike_channels_are_not_mixed_up() {
    use ChannelRole::{Lfe, Surround};
    let mut group = Group::new("balance, unlike channels", 0.2, "dB");
    let bands = [17, 4, 24, 8, 28, 12];
    let tones = bands.map(|band| tone(48_000.0, mid_band_hz(band), -10.0, 4.0));
    for count in [2, 3, 5, 6] {
        let roles = [Front, Front, Front, Lfe, Surround, Surround];
        let channels: Vec<&[f32]> = tones[..count].iter().map(Vec::as_slice).collect();
        let balance = balance_of(48_000.0, &roles[..count], &channels);
        for index in &bands[..count] {
            let read = band(&balance.long_term_db, *index);
            group.check(format!("band {index} of {count} channels"), read, -13.0103);
        }
        for index in &bands[count..] {
            let read = band(&balance.long_term_db, *index).unwrap_or(-200.0);
            assert!(read < -45.0, "band {index} of {count} channels: {read}");
        }
    }
}

/// The gates of ITU-R BS.1770-5: what the integrated loudness leaves out, the balance leaves out.
#[test]
fn passages_below_the_gate_do_not_count() {
    let mut group = Group::new("balance, gating", 0.2, "dB");
    let rate = 48_000.0;
    for (low, high) in [(3, 14), (20, 5)] {
        let loud = tone(rate, mid_band_hz(low), -12.0, 20.0);
        let quiet = tone(rate, mid_band_hz(high), -40.0, 12.0);
        let silence = vec![0.0; frames(rate, 12.0)];
        let mut meter = meter(rate, &STEREO).with_balance([0.0; 2]);
        feed(&mut meter, &[&loud, &loud]);
        feed(&mut meter, &[&quiet, &quiet]);
        let balance = meter.balance();
        group.check(
            "loud passage, long term",
            band(&balance.long_term_db, low),
            -12.0,
        );
        let gated = band(&balance.long_term_db, high).unwrap_or(f64::NEG_INFINITY);
        println!("measure: balance, gating: a passage 28 dB down adds {gated:.1} dB to its band");
        assert!(
            gated < -54.0,
            "the quiet passage does not pass the gate: {gated}"
        );
        feed(&mut meter, &[&silence, &silence]);
        let later = meter.balance();
        group.check(
            "silence changes nothing",
            band(&later.long_term_db, low),
            -12.0,
        );
    }
}

/// The same where a passage lies half a decibel below the relative gate, which is 10 LU below the
/// mean power of all (ITU-R BS.1770-5, annex 1), however the gain is set.
#[test]
fn a_passage_just_below_the_gate_does_not_count_at_any_gain() {
    const RATE_HZ: f64 = 48_000.0;
    const BAND: usize = 17;
    let mut group = Group::new("balance, just below the gate", 0.2, "dB");
    let mean_db = 10.0 * (0.5 * (1.0 + 10.0_f64.powf(-1.33))).log10();
    assert!((mean_db - 10.0 + 13.3 - 0.49).abs() < 0.01);
    for tenths in 0..10 {
        let level_db = -12.0 - 0.1 * f64::from(tenths);
        let mut meter = meter(RATE_HZ, &STEREO).with_balance([0.0; 2]);
        for level_db in [level_db, level_db - 13.3] {
            let tone = tone(RATE_HZ, mid_band_hz(BAND), level_db, 20.0);
            feed(&mut meter, &[&tone, &tone]);
        }
        let long_term_db = meter.balance().long_term_db;
        group.check("long term", band(&long_term_db, BAND), level_db);
    }
}

#[test]
fn there_is_none_before_anything_is_heard_or_when_it_was_not_asked_for() {
    let silence = vec![0.0; 48_000];
    assert_eq!(
        balance_of(48_000.0, &STEREO, &[&silence, &silence]),
        Balance::default()
    );
    let mut plain = meter(48_000.0, &STEREO);
    let signal = tone(48_000.0, 1_000.0, -10.0, 2.0);
    feed(&mut plain, &[&signal, &signal]);
    assert_eq!(plain.balance(), Balance::default());
}

/// A spectrum below 224 Hz spans 1.4 s, and the gate judges it by those 1.4 s. By the 400 ms at its
/// end, a kick of 88 bpm, whose spectra all end in the gap between two beats, was not there at all.
/// What it should read: the mean power of the bursts, wherever they lie in a window of two beats.
/// Squares of Hann windows that overlap by three quarters add up to a constant; of those that overlap
/// by half, each beat would count 1/2 to 1 (−1.76 to +1.25 dB, closed form).
#[test]
fn a_kick_in_step_with_the_spectra_is_not_blanked() {
    let mut group = Group::lopsided("balance, kick at 88 bpm", 0.2, 0.2, "dB");
    let rate = 48_000.0;
    let beat_s = 60.0 / 88.0;
    let (burst_s, level) = (0.1, -10.0);
    // Where in the beat the spectra end, all round the beat.
    for start_s in [0.02, 0.12, 0.22, 0.32, 0.42, 0.52, 0.62] {
        let beats = [(burst_s, level), (beat_s - burst_s, SILENCE)].repeat(44);
        let signal = tone_steps(
            rate,
            mid_band_hz(4),
            &[&[(start_s, SILENCE)][..], &beats].concat(),
        );
        let balance = balance_of(rate, &[Front], &[&signal]);
        // The bands from 32 to 80 Hz together hold all but 3 % of what a burst of 0.1 s spreads.
        let power: f64 = (2..=6)
            .filter_map(|index| band(&balance.long_term_db, index))
            .map(|db| 10_f64.powf(db / 10.0))
            .sum();
        let expected = level - 3.0103 + 10.0 * (burst_s / beat_s).log10();
        let read = (power > 0.0).then(|| 10.0 * power.log10());
        group.check(format!("beats from {start_s} s"), read, expected);
    }
}
