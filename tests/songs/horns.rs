//! The horn section: two slightly untuned saws a part, scooped into pitch, through a low-pass that
//! opens with the breath and the fixed resonances of brass and reed.

use super::filter::{Gate, Svf};
use super::mix::Stereo;
use super::random::Random;
use super::tables::{Oscillator, Waves, note_hz};

/// One note of one part.
#[derive(Clone, Copy)]
pub(super) struct Blow {
    pub(super) note: f32,
    pub(super) length_s: f32,
    pub(super) velocity: f32,
    /// −1 (left) … 1 (right).
    pub(super) pan: f32,
    /// Slides down out of the note at its end.
    pub(super) falls: bool,
    /// Grows from soft to full over its length.
    pub(super) swells: bool,
}

const CONTROL_FRAMES: usize = 16;

/// Adds one note to the section's track.
pub(super) fn play(
    track: &mut Stereo,
    at: usize,
    blow: &Blow,
    waves: &Waves,
    scratch: &mut Vec<f32>,
    random: &mut Random,
) {
    let attack_s = if blow.swells {
        0.09
    } else {
        0.032 - 0.014 * blow.velocity
    };
    let release_s = if blow.falls { 0.24 } else { 0.07 };
    let mut gate = Gate::new(attack_s, blow.length_s, release_s);
    scratch.clear();
    scratch.resize(gate.frames(), 0.0);

    let tuned_hz = note_hz(blow.note + 0.03 * random.human());
    let wave = waves.saw(tuned_hz * 1.02);
    let mut first = Oscillator::new(wave, random.unit(), tuned_hz);
    let mut second = Oscillator::new(wave, random.unit(), tuned_hz);
    let mut throat = Svf::default();
    let scoop = -0.5 - 0.4 * random.unit();
    let vibrato_hz = 5.0 + 0.4 * random.noise();
    let mut breath = Svf::new(2800.0, 0.7);

    for (index, block) in scratch.chunks_mut(CONTROL_FRAMES).enumerate() {
        let time_s = (index * CONTROL_FRAMES) as f32 / super::RATE_HZ;
        let vibrato = 0.13
            * (time_s - 0.3).clamp(0.0, 0.3)
            * (std::f32::consts::TAU * vibrato_hz * time_s).sin();
        let past_end = (time_s - blow.length_s).max(0.0);
        let slide = if blow.falls { -26.0 * past_end } else { 0.0 };
        let bend = scoop * (-time_s / 0.022).exp() + vibrato + slide;
        let ratio = (bend / 12.0).exp2();
        first.tune(tuned_hz * ratio * 1.0025);
        second.tune(tuned_hz * ratio * 0.9975);

        let grown = if blow.swells {
            0.25 + 0.75 * (time_s / blow.length_s).min(1.0)
        } else {
            // The tongue's accent, then the held level.
            0.78 + 0.22 * (-time_s / 0.07).exp()
        };
        let force = blow.velocity * grown;
        throat.set(
            tuned_hz * 1.5 + 4800.0 * force * force * (1.0 - (-time_s / 0.02).exp()),
            0.75,
        );
        for sample in block {
            let air = 0.05 * breath.band(random.noise());
            let reed = first.tick() + second.tick() + air;
            *sample = gate.tick() * force * throat.low(reed);
        }
    }
    track.add(scratch, at, 0.5, blow.pan);
}

/// The bells and bodies, over the whole track.
pub(super) fn resonate(track: &mut Stereo) {
    for channel in &mut track.channels {
        let mut rumble = Svf::new(170.0, 0.7);
        let mut body = Svf::new(620.0, 1.2);
        let mut bell = Svf::new(1350.0, 1.6);
        let mut edge = Svf::new(2900.0, 1.8);
        for sample in channel {
            let dry = rumble.high(*sample);
            *sample =
                0.55 * dry + 0.35 * body.band(dry) + 0.75 * bell.band(dry) + 0.4 * edge.band(dry);
        }
    }
}
