//! The club track's voices.

use super::RATE_HZ;
use super::filter::{Fall, Gate, Svf, soft_clip};
use super::mix::Stereo;
use super::random::Random;
use super::tables::{Oscillator, Waves, note_hz};

const CONTROL_FRAMES: usize = 16;

/// Long club kick: a steep sweep into a held, driven low tone.
pub(super) fn kick(track: &mut [f32], at: usize, waves: &Waves, random: &mut Random) {
    let mut gate = Gate::new(0.000_5, 0.2, 0.09);
    let mut body = Oscillator::new(waves.sine(), 0.0, 50.0);
    let mut steep = Fall::new(0.006);
    let mut slow = Fall::new(0.035);
    let mut fall = Fall::new(0.28);
    let mut slap = Fall::new(0.003);
    let mut bright = Svf::new(3800.0, 0.7);
    for out in track.iter_mut().skip(at).take(gate.frames()) {
        body.tune(49.0 + 900.0 * steep.tick() + 110.0 * slow.tick());
        let click = bright.band(random.noise()) * slap.tick();
        *out += gate.tick() * soft_clip(2.2 * fall.tick() * body.tick() + 0.9 * click);
    }
}

/// Clap: three short bursts and a tail, or a single one for rolls.
pub(super) fn clap(track: &mut [f32], at: usize, gain: f32, bursts: usize, random: &mut Random) {
    let mut gate = Gate::new(0.000_5, 0.16, 0.06);
    let mut body = Svf::new(1500.0, 0.9);
    let mut edge = Svf::new(700.0, 0.7);
    let mut tail = Fall::new(0.055);
    let between = super::frames(0.010);
    let mut burst = Fall::new(0.004);
    for (frame, out) in track.iter_mut().skip(at).take(gate.frames()).enumerate() {
        if frame > 0 && frame % between == 0 && frame / between < bursts {
            burst = Fall::new(0.004);
        }
        let noise = random.noise();
        let sound = edge.high(1.6 * body.band(noise) + 0.35 * noise);
        *out += gain * gate.tick() * sound * (burst.tick() + 0.5 * tail.tick());
    }
}

/// Driven bass: a saw and a narrow pulse through a low-pass that snaps shut, a sine an octave
/// beneath.
pub(super) fn bass(track: &mut [f32], at: usize, note: f32, length_s: f32, waves: &Waves) {
    let frequency_hz = note_hz(note);
    let mut gate = Gate::new(0.002, length_s, 0.012);
    let wave = waves.saw(frequency_hz * 1.01);
    let mut saw = Oscillator::new(wave, 0.25, frequency_hz);
    let mut pulse = Oscillator::new(wave, 0.6, frequency_hz * 1.004);
    let mut sub = Oscillator::new(waves.sine(), 0.0, 0.5 * frequency_hz);
    let mut filter = Svf::default();
    let mut frame = 0.0_f32;
    let end = (at + gate.frames()).min(track.len());
    for block in track[at.min(end)..end].chunks_mut(CONTROL_FRAMES) {
        filter.set(260.0 + 2600.0 * (-frame / (0.05 * RATE_HZ)).exp(), 1.6);
        frame += CONTROL_FRAMES as f32;
        for out in block {
            let bright = filter.low(saw.tick() + 0.6 * pulse.tick_pulse(0.3));
            *out += gate.tick() * soft_clip(0.6 * bright + 1.9 * sub.tick());
        }
    }
}

/// One note of a stack of seven saws spread over the stereo base.
pub(super) struct Stack {
    pub(super) note: f32,
    pub(super) length_s: f32,
    pub(super) release_s: f32,
    /// Where the low-pass starts and ends, Hz.
    pub(super) opens_hz: (f32, f32),
    pub(super) gain: f32,
}

/// Adds the stack to the track.
pub(super) fn stack(
    track: &mut Stereo,
    at: usize,
    voice: &Stack,
    waves: &Waves,
    random: &mut Random,
) {
    const DETUNE: [f32; 4] = [-0.13, -0.05, 0.04, 0.12];
    let wave = waves.saw(note_hz(voice.note + 0.2));
    for channel in &mut track.channels {
        let mut gate = Gate::new(0.004, voice.length_s, voice.release_s);
        let total = gate.frames();
        let mut saws = DETUNE.map(|off| {
            let detuned = voice.note + off + 0.02 * random.noise();
            Oscillator::new(wave, random.unit(), note_hz(detuned))
        });
        let mut filter = Svf::default();
        let (from_hz, to_hz) = voice.opens_hz;
        let end = (at + total).min(channel.len());
        let part = &mut channel[at.min(end)..end];
        for (index, block) in part.chunks_mut(CONTROL_FRAMES).enumerate() {
            let along = (index * CONTROL_FRAMES) as f32 / total as f32;
            filter.set(from_hz * (to_hz / from_hz).powf(along), 0.9);
            for out in block {
                let sum: f32 = saws.iter_mut().map(Oscillator::tick).sum();
                *out += voice.gain * gate.tick() * filter.low(sum);
            }
        }
    }
}

/// Lead: a pulse whose width breathes, bent into each note, driven.
pub(super) fn lead(track: &mut [f32], at: usize, note: f32, length_s: f32, waves: &Waves) {
    let frequency_hz = note_hz(note);
    let mut gate = Gate::new(0.004, length_s, 0.05);
    let wave = waves.saw(frequency_hz * 1.02);
    let mut first = Oscillator::new(wave, 0.0, frequency_hz);
    let mut second = Oscillator::new(wave, 0.4, frequency_hz);
    let mut breath = Oscillator::new(waves.sine(), 0.0, 3.1);
    let mut bend = Fall::new(0.018);
    let mut filter = Svf::new(6500.0, 0.8);
    for out in track.iter_mut().skip(at).take(gate.frames()) {
        let ratio = 1.0 - 0.05 * bend.tick();
        first.tune(frequency_hz * ratio);
        second.tune(frequency_hz * ratio * 1.006);
        let width = 0.3 + 0.15 * breath.tick();
        let sound = filter.low(first.tick_pulse(width) + 0.7 * second.tick());
        *out += gate.tick() * soft_clip(0.9 * sound);
    }
}

/// Noise that climbs through `length_s`.
pub(super) fn riser(track: &mut Stereo, at: usize, length_s: f32, gain: f32, random: &mut Random) {
    for channel in &mut track.channels {
        let mut gate = Gate::new(0.7 * length_s, length_s - 0.02, 0.02);
        let total = gate.frames();
        let mut filter = Svf::default();
        let end = (at + total).min(channel.len());
        for (index, block) in channel[at.min(end)..end]
            .chunks_mut(CONTROL_FRAMES)
            .enumerate()
        {
            let along = (index * CONTROL_FRAMES) as f32 / total as f32;
            filter.set(400.0 * 22.0_f32.powf(along), 1.8);
            for out in block {
                *out += gain * gate.tick() * filter.band(random.noise());
            }
        }
    }
}
