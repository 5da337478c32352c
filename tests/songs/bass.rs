//! The electric bass: a thick string under a finger, or torn upwards by a thumb.

use super::filter::{OnePole, Svf, soft_clip};
use super::random::Random;
use super::string::{Pluck, pluck};
use super::tables::note_hz;

/// How the string is played.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Touch {
    Finger,
    Pop,
    /// Pitch hardly sounds: a percussive stroke on a damped string.
    Dead,
}

/// Adds one note to the string track; pop notes are brighter, dead ones choke at once.
pub(super) fn play(
    track: &mut [f32],
    at: usize,
    note: f32,
    length_s: f32,
    velocity: f32,
    touch: Touch,
    random: &mut Random,
) {
    let frequency_hz = note_hz(note);
    let finger = Pluck {
        frequency_hz,
        position: 0.17,
        hardness_hz: 350.0 + 1500.0 * velocity * velocity,
        scrape: 0.15 * velocity,
        ring_s: 5.0,
        loss_hz: 4200.0,
        length_s,
        damp_s: 0.07,
    };
    let (stroke, gain) = match touch {
        Touch::Finger => (finger, 0.95),
        Touch::Pop => (
            Pluck {
                position: 0.06,
                hardness_hz: 2500.0 + 3500.0 * velocity,
                scrape: 0.9,
                ring_s: 2.5,
                loss_hz: 7000.0,
                ..finger
            },
            1.25,
        ),
        Touch::Dead => (
            Pluck {
                position: 0.1,
                hardness_hz: 1400.0,
                scrape: 0.7,
                ring_s: 0.09,
                loss_hz: 1500.0,
                length_s: length_s.min(0.06),
                damp_s: 0.03,
                ..finger
            },
            0.9,
        ),
    };
    pluck(track, at, gain * (0.25 + 0.75 * velocity), &stroke, random);
}

/// Pick-up, amplifier and cabinet, over the whole track.
pub(super) fn amplify(track: &mut [f32]) {
    let mut rumble = Svf::new(32.0, 0.7);
    let mut warmth = Svf::new(95.0, 0.8);
    let mut growl = Svf::new(850.0, 0.9);
    let mut cabinet = Svf::new(4200.0, 0.7);
    let mut smooth = OnePole::new(9000.0);
    for sample in track {
        let string = rumble.high(*sample);
        let shaped = string + 0.35 * warmth.band(string) + 0.4 * growl.band(string);
        *sample = smooth.tick(cabinet.low(soft_clip(0.9 * shaped)));
    }
}
