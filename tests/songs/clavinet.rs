//! The electric keyboard with strings, through a pedal-like moving band-pass.

use super::RATE_HZ;
use super::filter::{OnePole, Svf, soft_clip};
use super::random::Random;
use super::string::{Pluck, pluck};
use super::tables::note_hz;

/// Adds one key to the string track; a harder key strikes a harder, brighter stroke.
pub(super) fn play(
    track: &mut [f32],
    at: usize,
    note: f32,
    length_s: f32,
    velocity: f32,
    random: &mut Random,
) {
    let stroke = Pluck {
        frequency_hz: note_hz(note),
        position: 0.11,
        hardness_hz: 1200.0 + 6500.0 * velocity * velocity,
        scrape: 0.35 * velocity,
        ring_s: 2.2,
        loss_hz: 6500.0,
        length_s,
        damp_s: 0.045,
    };
    pluck(track, at, 0.1 + 0.9 * velocity, &stroke, random);
}

/// How the pedal moves.
#[derive(Clone, Copy)]
pub(super) struct Pedal {
    /// Heel position, the corner at rest.
    pub(super) rest_hz: f32,
    /// How many octaves a loud chord opens it.
    pub(super) opens_octaves: f32,
    /// How many octaves the foot adds by itself over one rock.
    pub(super) rocks_octaves: f32,
    /// One rock of the foot.
    pub(super) rock_s: f32,
}

/// Pick-ups and pedal over the whole track; `pedal_at` tells the pedal for a time in seconds.
pub(super) fn through_pedal(track: &mut [f32], pedal_at: impl Fn(f64) -> Pedal) {
    const CONTROL_FRAMES: usize = 16;
    let mut thin = Svf::new(190.0, 0.7);
    let mut band = Svf::new(800.0, 2.2);
    let mut top = OnePole::new(7500.0);
    let rise = 1.0 - (-(CONTROL_FRAMES as f32) / (0.006 * RATE_HZ)).exp();
    let fall = 1.0 - (-(CONTROL_FRAMES as f32) / (0.16 * RATE_HZ)).exp();
    let mut level = 0.0_f32;
    for (index, block) in track.chunks_mut(CONTROL_FRAMES).enumerate() {
        let time_s = (index * CONTROL_FRAMES) as f64 / f64::from(RATE_HZ);
        let pedal = pedal_at(time_s);
        let peak = block
            .iter()
            .fold(0.0_f32, |peak, sample| peak.max(sample.abs()));
        level += (peak - level) * if peak > level { rise } else { fall };
        let turn = std::f64::consts::TAU * (time_s / f64::from(pedal.rock_s)).fract();
        let foot = 0.5 - 0.5 * turn.cos() as f32;
        let octaves = pedal.opens_octaves * soft_clip(0.6 * level) + pedal.rocks_octaves * foot;
        band.set(pedal.rest_hz * octaves.exp2(), 2.2);
        for sample in block {
            let string = thin.high(*sample);
            *sample = top.tick(soft_clip(0.35 * string + 0.9 * band.band(string)));
        }
    }
}
