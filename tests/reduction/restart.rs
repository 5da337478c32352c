//! What is forgotten when measuring begins anew, or is told another way.

use crate::processes::RATE_HZ;
use crestline_core::dsp::crossover::DEFAULT_CORNERS_HZ;
use crestline_core::measure::{
    Estimate, Estimator, GainMemory, ReductionMeter, RestGain, Stretch, ThroughMeter,
};
use kit::signals::{frames, white_noise};

const SECONDS: f64 = 5.0;

/// Two channels of noise.
fn noise(seed: u64) -> [Vec<f32>; 2] {
    [seed, seed + 1].map(|seed| white_noise(seed, 0.5, frames(RATE_HZ, SECONDS)))
}

// What is measured through shelves waits for more than a second, and what is measured through a
// response for as long as a block of it takes.
#[test]
fn nothing_from_before_a_restart_counts() {
    let before = noise(1);
    let wire = Stretch {
        before: before.to_vec(),
        after: before.to_vec(),
    };
    let estimate = Estimator::new(RATE_HZ, DEFAULT_CORNERS_HZ).estimate(&[wire], &|| false);
    let estimate = estimate.unwrap();
    let turned_down = before.clone().map(|channel| {
        let quieter = channel.iter().map(|sample| 0.25 * sample);
        quieter.collect::<Vec<_>>()
    });
    // Shelves' gains are smoothed over what lies around them.
    for (shelving, bound_db) in [(false, 0.02), (true, 0.2)] {
        let mut meter = ThroughMeter::new(
            RATE_HZ,
            2,
            GainMemory::Session,
            RestGain::Known(0.0),
            DEFAULT_CORNERS_HZ,
        );
        meter.set_estimate(&Estimate {
            shelving,
            ..estimate.clone()
        });
        let process = |meter: &mut ThroughMeter, after: &[Vec<f32>; 2]| {
            let [before, after] =
                [&before, after].map(|signal| signal.each_ref().map(Vec::as_slice));
            meter.process(&before, &after);
        };
        process(&mut meter, &turned_down);
        let told = |meter: &ThroughMeter| {
            let bands = meter.readings().bands;
            bands.map(|band| band.reduction.max_db.map_or(f64::NAN, f64::from))
        };
        let first = told(&meter);
        meter.restart();
        process(&mut meter, &before);
        meter.finish();
        let then = told(&meter);
        println!("shelving {shelving}: {first:.2?} dB at most, then {then:.2?} dB");
        assert!(first.iter().all(|db| (db - 12.04).abs() < 0.5), "{first:?}");
        assert!(then.iter().all(|db| db.abs() < bound_db), "{then:?}");
    }
}

/// The windows of a meter reach back by up to 40 ms: none that holds what was turned down before a
/// restart, and as little as 10 ms of the new, counts.
#[test]
fn no_window_reaches_back_behind_a_restart() {
    let signal = noise(5);
    let slices = |signal: &[Vec<f32>; 2], range: std::ops::Range<usize>| {
        signal
            .each_ref()
            .map(|channel| channel[range.clone()].to_vec())
    };
    let mut meter = ReductionMeter::new(RATE_HZ, 2, 1, GainMemory::Nothing, RestGain::Known(0.0));
    let process = |meter: &mut ReductionMeter, before: &[Vec<f32>; 2], after: &[Vec<f32>; 2]| {
        let [before, after] = [before, after].map(|signal| signal.each_ref().map(Vec::as_slice));
        meter.process(&before, &[&after]);
    };
    for milliseconds in [0.0, 10.0, 20.0, 35.0] {
        let turned_down = signal
            .each_ref()
            .map(|channel| channel.iter().map(|sample| 0.25 * sample).collect());
        process(&mut meter, &signal, &turned_down);
        let since = slices(&signal, 0..frames(RATE_HZ, milliseconds / 1000.0));
        process(&mut meter, &since, &since);
        meter.restart();
        process(&mut meter, &signal, &signal);
        let readings = meter.readings(0);
        let reduction_db = readings.bands.map(|band| band.reduction.max_db.unwrap());
        let distortion_db = readings.distortion.max_db.unwrap();
        println!("{milliseconds} ms: {reduction_db:.2?} dB, {distortion_db:.1} dB");
        assert!(
            reduction_db.iter().all(|db| db.abs() < 0.01),
            "{reduction_db:?}"
        );
        assert!(distortion_db < -120.0, "{distortion_db}");
    }
}

#[test]
fn a_gain_at_rest_set_by_hand_does_not_pass_for_one_that_was_found() {
    let rest = RestGain::Known(5.0);
    let mut meter = ReductionMeter::new(RATE_HZ, 2, 1, GainMemory::TenSeconds, rest);
    let rest_db = |meter: &ReductionMeter| meter.readings(0).bands.map(|band| band.rest_gain_db);
    assert_eq!(rest_db(&meter), [Some(5.0); 4]);
    meter.set_rest_gain(RestGain::Automatic);
    assert_eq!(rest_db(&meter), [None; 4]);
    let noise = noise(3);
    let noise = noise.each_ref().map(Vec::as_slice);
    meter.process(&noise, &[&noise]);
    for rest_db in rest_db(&meter) {
        assert!(rest_db.is_some_and(|db| db.abs() < 0.2), "{rest_db:?}");
    }
}
