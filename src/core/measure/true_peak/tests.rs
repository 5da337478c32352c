//! Peaks against ideal reconstructions, and the bound against everything it rules out.

use super::*;
use std::f64::consts::PI;

fn peak_db(samples: &[f32], block: usize) -> f64 {
    let mut meter = TruePeak::new();
    let mut peak = 0.0;
    samples
        .chunks(block)
        .for_each(|chunk| meter.process(chunk, &mut peak));
    meter.process(&[0.0; TruePeak::DELAY_FRAMES], &mut peak);
    20.0 * f64::from(peak).log10()
}

/// A tone that fades in and out, so that its ideal reconstruction peaks at its amplitude.
fn tone(cycles_per_sample: f64, phase: f64, amplitude: f64) -> Vec<f32> {
    const LEN: usize = 4_800;
    (0..LEN)
        .map(|n| {
            let edge = (n.min(LEN - 1 - n) as f64 / 1_000.0).min(1.0);
            let fade = 0.5 - 0.5 * (PI * edge).cos();
            (amplitude * fade * (2.0 * PI * cycles_per_sample * n as f64 + phase).sin()) as f32
        })
        .collect()
}

/// The ideal reconstruction of a slowly fading tone peaks at its amplitude (sampling theorem).
#[test]
fn tones_at_any_phase_read_within_0_1_db_up_to_0_45_of_the_rate() {
    let mut worst = 0.0_f64;
    for step in 1..=90 {
        for phase in 0..12 {
            let samples = tone(f64::from(step) * 0.005, f64::from(phase) * PI / 12.0, 0.5);
            worst = worst.max((peak_db(&samples, 64) + 6.0206).abs());
        }
    }
    println!("true peak of tones up to 0.45 fs: worst deviation {worst:.4} dB");
    assert!(worst < 0.1, "{worst}");
}

/// A tone whose period is a few frames meets the same phases again and again, so that no other
/// period of it makes up for a crest that is missed. The ideal reconstruction peaks at its
/// amplitude (sampling theorem).
#[test]
fn tones_that_meet_the_same_phases_again_read_within_0_1_db() {
    let mut worst = 0.0_f64;
    for (cycles, frames) in [
        (1, 3),
        (1, 4),
        (2, 5),
        (3, 7),
        (3, 8),
        (4, 9),
        (5, 12),
        (7, 16),
    ] {
        for phase in 0..48 {
            let samples = tone(
                f64::from(cycles) / f64::from(frames),
                f64::from(phase) * PI / (24.0 * f64::from(frames)),
                0.5,
            );
            worst = worst.max((peak_db(&samples, 64) + 6.0206).abs());
        }
    }
    println!("true peak of tones of a few frames: worst deviation {worst:.4} dB");
    assert!(worst < 0.1, "{worst}");
}

#[test]
fn dc_is_kept() {
    let mut meter = TruePeak::new();
    let mut peak = 0.0;
    // The step up overshoots, as its ideal reconstruction does; the level after it must not.
    meter.process(&[0.25; 1_000], &mut peak);
    peak = 0.0;
    meter.process(&[0.25; 1_000], &mut peak);
    assert!((peak - 0.25).abs() < 1e-6, "{peak}");
}

#[test]
fn block_size_changes_nothing() {
    let samples: Vec<f32> = tone(0.21, 0.3, 0.9)
        .iter()
        .zip(tone(0.013, 1.0, 0.4))
        .map(|(a, b)| a + b)
        .collect();
    let whole = peak_db(&samples, samples.len());
    for block in [1, 7, 32, 255, 257] {
        let told = peak_db(&samples, block);
        assert_eq!(whole.to_bits(), told.to_bits(), "{block}");
    }
}

/// What is ruled out would not have read higher: against a meter that rules out nothing, in
/// noise, clicks, clipped tones and steps.
#[test]
fn what_is_passed_over_holds_no_peak() {
    let mut seed = 1_u32;
    let mut noise = || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (seed >> 8) as f32 / 8_388_608.0 - 1.0
    };
    let samples: Vec<f32> = (0..96_000)
        .map(|n| match n / 4_800 % 5 {
            0 => 0.3 * noise(),
            1 => (0.003 * n as f32).sin() + 0.05 * noise(),
            2 => (2.0 * (0.31 * n as f32).sin()).clamp(-0.7, 0.7),
            3 => (n % 97 / 96) as f32 * noise(),
            _ => (n / 700 % 2) as f32 - 0.5,
        })
        .collect();
    let mut meter = TruePeak::new();
    let mut history = [0.0; HISTORY].to_vec();
    for run in samples.chunks(240) {
        let mut peak = 0.0;
        meter.process(run, &mut peak);
        history.extend(run);
        assert_eq!(peak.to_bits(), of_everything(&history).to_bits());
        history.drain(..run.len());
    }
}

/// The highest peak of what follows on a history, looked for everywhere.
fn of_everything(samples: &[f32]) -> f32 {
    let mut meter = TruePeak::new();
    let count = samples.len() - HISTORY;
    meter.frames[..samples.len()].copy_from_slice(samples);
    dispatch!(meter.level, simd => {
        let mut peak = 0.0;
        meter.interpolate_halves(simd, 0);
        for at in (0..count).step_by(LANES) {
            meter.interpolate_halves(simd, at + LANES);
            let crests: [f32; LANES] = meter.crests(simd, at, 0.0).into();
            peak = crests.into_iter().take(count - at).fold(peak, higher);
        }
        peak
    })
}

/// The bound's factors: the magnitudes, added up, of the weights that second differences have
/// in what the stages find less the straight line, and in an eighth of how they bend (a
/// parabola through three points of which the middle is the highest rises no further), worked
/// out from the stages' responses to one frame.
#[test]
fn the_bound_is_that_of_the_filters() {
    const MIDDLE: usize = 40;
    let add = |sum: &mut [f64; 81], other: &[f64; 81], factor: f64| {
        for (sum, other) in sum.iter_mut().zip(other) {
            *sum += factor * other;
        }
    };
    let first = half_sample(FIRST_PAIRS, FIRST_BETA);
    let second = half_sample(SECOND_PAIRS, SECOND_BETA);
    let frame = |frame: isize| {
        let mut one = [0.0; 81];
        one[MIDDLE.wrapping_add_signed(frame)] = 1.0;
        one
    };
    // Every other point is there already, those between are made of them.
    let between = |taps: &[f64], there: &dyn Fn(isize) -> [f64; 81], at: isize| {
        let mut sum = [0.0; 81];
        if at % 2 == 0 {
            return there(at / 2);
        }
        for (tap, k) in taps.iter().zip(0..) {
            add(&mut sum, &there((at - 1).div_euclid(2) - k), *tap);
            add(&mut sum, &there((at + 1).div_euclid(2) + k), *tap);
        }
        sum
    };
    // Points of half a frame, and of a quarter, from the frame in the middle on.
    let of_halves = |at: isize| between(&first, &frame, at);
    let of_quarters = |at: isize| between(&second, &of_halves, at);
    let weights = |response: &[f64; 81]| {
        let (mut once, mut twice, mut all) = (0.0, 0.0, 0.0_f64);
        for value in response {
            once += value;
            twice += once;
            all += f64::abs(twice);
        }
        assert!(f64::abs(once) < 1e-12 && f64::abs(twice) < 1e-12);
        all
    };
    let bound = |point: &dyn Fn(isize) -> [f64; 81], points: isize| {
        let factors = (0..points).map(|at| {
            let mut off = point(at);
            add(&mut off, &frame(0), at as f64 / points as f64 - 1.0);
            add(&mut off, &frame(1), -at as f64 / points as f64);
            let mut bend = point(at - 1);
            add(&mut bend, &point(at), -2.0);
            add(&mut bend, &point(at + 1), 1.0);
            weights(&off) + weights(&bend) / 8.0
        });
        factors.fold(0.0, f64::max)
    };
    let needed = bound(&of_quarters, 4);
    let spare = f64::from(MOST_OF_A_BEND) - needed;
    assert!((0.0..1e-3).contains(&spare), "{needed}");
}

#[test]
fn every_level_reads_alike() {
    let mut told = Vec::new();
    for level in crate::dsp::quad::levels() {
        let mut meter = TruePeak::new();
        meter.level = level;
        let mut peaks = Vec::new();
        for step in 1..40 {
            let mut peak = 0.0;
            meter.process(&tone(f64::from(step) * 0.0113, 0.4, 0.7), &mut peak);
            peaks.push(peak.to_bits());
        }
        told.push(peaks);
    }
    assert!(told.windows(2).all(|pair| pair[0] == pair[1]));
}
