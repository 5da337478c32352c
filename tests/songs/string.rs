//! A plucked string: a delay line that feeds itself through a loss filter (Karplus and Strong,
//! "Digital synthesis of plucked-string and drum timbres", Computer Music Journal 7(2), 1983; tuned
//! as by Jaffe and Smith in the same issue).

use super::RATE_HZ;
use super::filter::{Fall, Gate, OnePole};
use super::random::Random;

/// How one note is plucked, rings and is stopped.
#[derive(Clone, Copy)]
pub(super) struct Pluck {
    pub(super) frequency_hz: f32,
    /// Where along the string it is struck, 0…0.5: harmonics with a node there are missing.
    pub(super) position: f32,
    /// How hard the thing that strikes it is: the corner above which the stroke has little.
    pub(super) hardness_hz: f32,
    /// The share of scrape noise in the stroke.
    pub(super) scrape: f32,
    /// Time to fall by 60 dB while held.
    pub(super) ring_s: f32,
    /// Corner of the loss: how fast the overtones die before the ground note.
    pub(super) loss_hz: f32,
    pub(super) length_s: f32,
    /// From damped to silent.
    pub(super) damp_s: f32,
}

/// Adds the string's sound, about 1 at its peak, to `track` from frame `at`.
pub(super) fn pluck(track: &mut [f32], at: usize, gain: f32, note: &Pluck, random: &mut Random) {
    let period = RATE_HZ / note.frequency_hz;
    let mut loss = OnePole::new(note.loss_hz);
    let loop_delay = period - loss.delay_frames(note.frequency_hz);
    // The interpolator reads one frame either side of the two it sits between.
    let whole = loop_delay.floor() - 1.0;
    let taps = lagrange(loop_delay - whole);
    let offset = super::frames(f64::from(whole / RATE_HZ));
    let size = (offset + 4).next_power_of_two();
    let mask = size - 1;
    let mut line = vec![0.0_f32; size];

    let held = (-6.9078 * period / (note.ring_s * RATE_HZ)).exp();
    let damped = (-6.9078 * period / (note.damp_s * RATE_HZ)).exp();
    let mut gate = Gate::new(0.000_3, note.length_s, note.damp_s);
    // The damper sinks in: were it all there at once, the step would be heard.
    let mut feedback = held;
    let lowering = 1.0 - (-1.0 / (0.004 * RATE_HZ)).exp();
    let damp_from = super::frames(f64::from(note.length_s));

    // A stroke is a pulse and, one reflection later, its negative: so it carries no DC.
    let stroke_frames = super::frames(f64::from(2.0 * period / RATE_HZ));
    let reflection = super::frames(f64::from(period * note.position / RATE_HZ)).max(1);
    let mut body = OnePole::new(1.5 * note.frequency_hz);
    let mut edge = OnePole::new(note.hardness_hz);
    let mut scrape_fall = Fall::new(0.003);
    let mut rumble = OnePole::new(400.0);
    let strength = period * 0.3 * (1.0 + 0.15 * random.human().abs());

    for (frame, out) in track.iter_mut().skip(at).take(gate.frames()).enumerate() {
        let mut stroke = 0.0;
        if frame < stroke_frames {
            let pulse = f32::from(frame == 0) - f32::from(frame == reflection);
            let noise = random.noise();
            let scrape = (noise - rumble.tick(noise)) * scrape_fall.tick() * note.scrape;
            stroke = edge.tick(body.tick(pulse * strength) + scrape);
        }
        let read = frame + size - offset;
        let sounding: f32 = taps
            .iter()
            .enumerate()
            .map(|(tap, weight)| weight * line[(read - tap) & mask])
            .sum();
        if frame >= damp_from {
            feedback += lowering * (damped - feedback);
        }
        line[frame & mask] = stroke + feedback * loss.tick(sounding);
        *out += gain * gate.tick() * line[frame & mask];
    }
}

/// Weights of the third-order Lagrange interpolator for a delay of `delay` frames, 1 ≤ delay < 2.
fn lagrange(delay: f32) -> [f32; 4] {
    let (d0, d1, d2, d3) = (delay, delay - 1.0, delay - 2.0, delay - 3.0);
    [
        -d1 * d2 * d3 / 6.0,
        d0 * d2 * d3 / 2.0,
        -d0 * d1 * d3 / 2.0,
        d0 * d1 * d2 / 6.0,
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Strength of one frequency in a Hann-windowed stretch (a single bin of the discrete Fourier
    /// transform).
    fn strength(sound: &[f32], frequency_hz: f64) -> f64 {
        let step = std::f64::consts::TAU / sound.len() as f64;
        let (mut real, mut imaginary) = (0.0, 0.0);
        for (frame, sample) in sound.iter().enumerate() {
            let angle = std::f64::consts::TAU * frequency_hz * frame as f64 / f64::from(RATE_HZ);
            let windowed = f64::from(*sample) * (1.0 - (step * frame as f64).cos());
            real += windowed * angle.cos();
            imaginary += windowed * angle.sin();
        }
        real.hypot(imaginary)
    }

    #[test]
    fn the_string_sounds_the_note_it_is_tuned_to() {
        // Equal temperament itself is the reference: nothing a tenth of a semitone off is as
        // strong.
        for frequency_hz in [41.203_f32, 110.0, 329.63, 659.26] {
            let note = Pluck {
                frequency_hz,
                position: 0.15,
                hardness_hz: 2000.0,
                scrape: 0.2,
                ring_s: 6.0,
                loss_hz: 5000.0,
                length_s: 2.0,
                damp_s: 0.05,
            };
            let mut track = vec![0.0; 96_000];
            pluck(&mut track, 0, 1.0, &note, &mut Random::new(1));
            let heard = &track[4_800..91_200];
            let around = [-10.0, -4.0, 0.0, 4.0, 10.0].map(|cents: f64| {
                strength(heard, f64::from(frequency_hz) * (cents / 1200.0).exp2())
            });
            let best = around.iter().copied().fold(0.0, f64::max);
            assert!(best <= around[2], "{frequency_hz} Hz: {around:?}");
        }
    }
}
