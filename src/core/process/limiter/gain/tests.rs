//! The smoothing alone: what it holds, and how it moves.

#![expect(clippy::cast_sign_loss, reason = "rates and places are positive")]

use super::*;
use proptest::prelude::*;

#[test]
fn the_weights_of_the_interpolation_are_positive_and_sum_to_exactly_one() {
    let spline = spline();
    for frame in 0..GROUP {
        assert!(spline.iter().all(|weights| weights[frame] >= 0.0));
        let sum: f32 = spline.iter().map(|weights| weights[frame]).sum();
        assert_eq!(sum, 1.0);
    }
}

#[test]
fn rest_is_exactly_one_and_is_reached_again() {
    for pace in [
        Pace::Automatic(0.0),
        Pace::Automatic(1.0),
        Pace::Manual(20.0),
        Pace::Manual(1000.0),
    ] {
        let mut computer = GainComputer::new(48000.0);
        for _ in 0..2 {
            assert_eq!(computer.process(&[1.0; GROUPS], pace), [1.0; QUANTUM]);
        }
        for _ in 0..100 {
            computer.process(&[0.1; GROUPS], pace);
        }
        let mut frames = 0;
        while computer.process(&[1.0; GROUPS], pace) != [1.0; QUANTUM] {
            frames += QUANTUM;
            assert!(frames < 48000 * 25, "{pace:?}");
        }
    }
}

/// What a computer remembers after a second of rest is nothing at all, or a pause would change
/// what comes after it.
#[test]
fn after_a_long_rest_it_goes_on_as_if_new() {
    let peaks = |quantum: usize| {
        std::array::from_fn(|group| {
            if (quantum * GROUPS + group) % 97 < 40 {
                0.3
            } else {
                1.0
            }
        })
    };
    let pace = Pace::Automatic(0.0);
    let mut used = GainComputer::new(48000.0);
    (0..4000).for_each(|quantum| _ = used.process(&peaks(quantum), pace));
    let mut rested = used.clone();
    let quanta = (used.memory / GROUPS).next_multiple_of(97);
    for quantum in 0..quanta {
        used.process(&[1.0; GROUPS], pace);
        // Kept from its short cut.
        rested.calm = 0;
        rested.process(&[1.0; GROUPS], pace);
        assert!(quantum < quanta || used.calm > used.memory);
    }
    let mut new = GainComputer::new(48000.0);
    for quantum in 0..4000 {
        let expected = new.process(&peaks(quantum), pace);
        assert_eq!(used.process(&peaks(quantum), pace), expected);
        assert_eq!(rested.process(&peaks(quantum), pace), expected);
    }
}

proptest! {
    /// The promise of the whole design.
    #[test]
    fn the_gain_is_never_higher_than_needed_and_settled_two_groups_around(
        rate in 8000.0..200_000.0,
        paces in prop::collection::vec(prop_oneof![
            Just(Pace::Automatic(0.0)),
            (0.0..1.0).prop_map(Pace::Automatic),
            (20.0..1000.0).prop_map(Pace::Manual),
        ], 1..4),
        peaks in prop::collection::vec((0_usize..4000, 0.01..1.0), 1..400),
    ) {
        let mut needed = vec![1.0; 6000];
        for (at, gain) in peaks {
            needed[at] = gain;
        }
        let mut computer = GainComputer::new(rate);
        let late = computer.latency_frames();
        let mut gains = Vec::new();
        for (quantum, groups) in needed.as_chunks::<GROUPS>().0.iter().enumerate() {
            gains.extend(computer.process(groups, paces[quantum / 211 % paces.len()]));
        }
        for (group, needed) in needed.iter().enumerate() {
            let first = (group * GROUP + late).saturating_sub(SETTLED_GROUPS * GROUP);
            for gain in gains.iter().skip(first).take((2 * SETTLED_GROUPS + 1) * GROUP) {
                prop_assert!(f64::from(*gain) <= needed * (1.0 + 2e-7));
            }
        }
    }
}

/// Around a lone peak the mean of the minimum over `n` groups is a straight ramp of `n` groups
/// down to what the peak needs and another one up again.
#[test]
fn a_lone_peak_is_met_by_straight_ramps_of_the_length_of_the_window() {
    let mut computer = GainComputer::new(48000.0);
    let late = computer.latency_frames() / GROUP;
    let len = computer.long.mean.len();
    let (at, depth) = (400, 0.5);
    let mut needed = vec![1.0; 1200];
    needed[at] = 1.0 - depth;
    let gains: Vec<f32> = needed
        .as_chunks::<GROUPS>()
        .0
        .iter()
        .flat_map(|needed| computer.process(needed, Pace::Manual(1e-6)))
        .collect();
    // Clear of the corners, which the interpolation rounds off; the bottom is flat where more
    // groups than the window is long respect the peak.
    let middle = (at + late) * GROUP + GROUP / 2;
    let flat = (computer.long.lowest.len() + REACH - 1 - len) as f64 / 2.0;
    for back in 8..len - 8 {
        let expected = 1.0 - depth * (1.0 - back as f64 / len as f64);
        for frame in [back as f64 + flat, -(back as f64) - flat] {
            let told = gains[(middle as f64 + frame * GROUP as f64) as usize];
            assert!(
                (f64::from(told) - expected).abs() < 0.03,
                "{frame}: {told} {expected}"
            );
        }
    }
    assert_eq!(gains[middle], 0.5);
}
