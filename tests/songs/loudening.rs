//! The club song's own mastering: drive into soft clips at four times the rate, then a look-ahead
//! limiter.

use super::RATE_HZ;
use super::filter::soft_clip;
use super::mix::Stereo;
use super::resample::{bessel, sinc};

const PHASES: usize = 4;
/// Frames the interpolation filter reaches either side.
const REACH: usize = 12;
const BLOCK: usize = 1024;

/// The low-pass shared by going up and coming down, one row of taps for each of the four phases.
struct Oversampling {
    up: [Vec<f32>; PHASES],
    down: [Vec<f32>; PHASES],
}

impl Oversampling {
    fn new() -> Self {
        let corner = 0.93 / PHASES as f64;
        let reach = (REACH * PHASES) as f64;
        let full = bessel(7.0);
        let tap = |position: f64| {
            let across = position / reach;
            if across.abs() >= 1.0 {
                return 0.0;
            }
            let window = bessel(7.0 * (1.0 - across * across).sqrt()) / full;
            (corner * sinc(corner * position) * window) as f32
        };
        let rows = |sign: f64, gain: f32| {
            std::array::from_fn(|phase| {
                (0..=2 * REACH)
                    .map(|lag| gain * tap((lag * PHASES) as f64 - reach + sign * phase as f64))
                    .collect()
            })
        };
        Self {
            up: rows(1.0, PHASES as f32),
            down: rows(-1.0, 1.0),
        }
    }
}

/// `out[i] = Σ taps[k] · input[i + 2·REACH − k]`, added.
fn add_filtered(out: &mut [f32], input: &[f32], taps: &[f32]) {
    for (lag, tap) in taps.iter().enumerate() {
        let shifted = input.iter().skip(2 * REACH - lag);
        for (out, sample) in out.iter_mut().zip(shifted) {
            *out += tap * sample;
        }
    }
}

/// The part of `channel` from `reach` before `from`, `length` long, silence outside it.
fn surroundings(channel: &[f32], from: usize, reach: usize, length: usize, out: &mut Vec<f32>) {
    out.clear();
    out.resize(reach.saturating_sub(from), 0.0);
    let start = from.saturating_sub(reach).min(channel.len());
    let stop = (from + length - reach).min(channel.len());
    out.extend_from_slice(&channel[start..stop]);
    out.resize(length, 0.0);
}

/// One soft clip: straight up to `knee`, from there bent towards `ceiling`, which it never passes.
#[derive(Clone, Copy)]
pub(super) struct Clip {
    pub(super) drive: f32,
    pub(super) knee: f32,
    pub(super) ceiling: f32,
}

impl Clip {
    fn bend(self, input: f32) -> f32 {
        let driven = input * self.drive;
        let size = driven.abs();
        let room = self.ceiling - self.knee;
        let over = (size - self.knee).max(0.0) / room;
        (size.min(self.knee) + room * soft_clip(over)).copysign(driven)
    }
}

/// Clips at four times the rate and takes away what would fold back.
pub(super) fn clip(mix: &mut Stereo, clip: Clip) {
    let filters = Oversampling::new();
    let mut near = Vec::new();
    let mut raised = vec![0.0_f32; BLOCK + 2 * REACH];
    for channel in &mut mix.channels {
        let source = channel.clone();
        for (index, block) in channel.chunks_mut(BLOCK).enumerate() {
            surroundings(
                &source,
                index * BLOCK,
                2 * REACH,
                BLOCK + 4 * REACH,
                &mut near,
            );
            block.fill(0.0);
            for (up, down) in filters.up.iter().zip(&filters.down) {
                raised.fill(0.0);
                add_filtered(&mut raised, &near, up);
                for sample in &mut raised {
                    *sample = clip.bend(*sample);
                }
                add_filtered(block, &raised, down);
            }
        }
    }
}

/// The highest level near each frame, between the samples too, of the louder channel.
fn peaks(channels: [&[f32]; 2]) -> Vec<f32> {
    let filters = Oversampling::new();
    let mut near = Vec::new();
    let mut raised = [0.0_f32; BLOCK];
    let mut peaks = vec![0.0_f32; channels[0].len()];
    for channel in channels {
        for (index, block) in peaks.chunks_mut(BLOCK).enumerate() {
            surroundings(channel, index * BLOCK, REACH, BLOCK + 2 * REACH, &mut near);
            for (peak, sample) in block.iter_mut().zip(&near[REACH..]) {
                *peak = peak.max(sample.abs());
            }
            for up in &filters.up {
                raised.fill(0.0);
                add_filtered(&mut raised, &near, up);
                for (peak, sample) in block.iter_mut().zip(&raised) {
                    *peak = peak.max(sample.abs());
                }
            }
        }
    }
    peaks
}

/// Scales the channels down, never up, so that no level between the samples passes `ceiling`.
pub(super) fn hold_below(channels: &mut [Vec<f32>; 2], ceiling: f32) {
    let highest = peaks([&channels[0], &channels[1]])
        .into_iter()
        .fold(0.0_f32, f32::max);
    if highest > ceiling {
        let gain = ceiling / highest;
        for sample in channels.iter_mut().flatten() {
            *sample *= gain;
        }
    }
}

/// A gain that is down before a peak arrives and comes back over `release_ms`: nothing passes
/// `ceiling`.
pub(super) fn limit(mix: &mut Stereo, ceiling: f32, release_ms: f32) {
    // 1.5 ms ahead: the window that holds the gain is as long as the two averages that smooth it.
    const AHEAD: usize = 72;
    let [left, right] = &mix.channels;
    let mut gains: Vec<f32> = peaks([left, right])
        .into_iter()
        .map(|peak| if peak > ceiling { ceiling / peak } else { 1.0 })
        .collect();
    hold_least(&mut gains, AHEAD);
    let back = 1.0 - (-1000.0 / (release_ms * RATE_HZ)).exp();
    let mut gain = 1.0_f32;
    for held in &mut gains {
        gain = held.min(gain + back * (1.0 - gain));
        *held = gain;
    }
    average(&mut gains, AHEAD / 2);
    average(&mut gains, AHEAD / 2);
    for channel in &mut mix.channels {
        for (sample, gain) in channel.iter_mut().zip(&gains) {
            *sample *= gain;
        }
    }
}

/// Replaces every value by the least one within `reach` of it.
fn hold_least(values: &mut [f32], reach: usize) {
    let source = values.to_vec();
    // Places of rising values: the first is the least of the window.
    let mut candidates = std::collections::VecDeque::new();
    let mut next = 0;
    for (place, value) in values.iter_mut().enumerate() {
        while next < source.len() && next <= place + reach {
            while candidates
                .back()
                .is_some_and(|last| source[*last] >= source[next])
            {
                candidates.pop_back();
            }
            candidates.push_back(next);
            next += 1;
        }
        while candidates
            .front()
            .is_some_and(|first| first + reach < place)
        {
            candidates.pop_front();
        }
        if let Some(least) = candidates.front() {
            *value = source[*least];
        }
    }
}

/// Replaces every value by the mean of those within `reach` of it; beyond the ends the end values
/// go on.
fn average(values: &mut [f32], reach: usize) {
    let (Some(first), Some(last)) = (values.first().copied(), values.last().copied()) else {
        return;
    };
    let mut source = vec![first; reach + 1];
    source.extend_from_slice(values);
    source.resize(source.len() + reach, last);
    let width = 2 * reach + 1;
    let mut sum: f64 = source[..width].iter().copied().map(f64::from).sum();
    let leaving = &source;
    let arriving = &source[width..];
    for ((value, left), arrived) in values.iter_mut().zip(leaving).zip(arriving) {
        sum += f64::from(*arrived) - f64::from(*left);
        *value = (sum / width as f64) as f32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A quarter-rate sine at 45° peaks 3 dB above its samples (EBU Tech 3341, test case 16).
    fn between_samples(gain: f32) -> Stereo {
        let channel: Vec<f32> = (0..9_600)
            .map(|frame| gain * (std::f32::consts::FRAC_PI_2 * (frame as f32 + 0.5)).sin())
            .collect();
        Stereo {
            channels: [channel.clone(), channel],
        }
    }

    #[test]
    fn peaks_between_samples_are_seen() {
        let mix = between_samples(1.0);
        let seen = peaks([&mix.channels[0], &mix.channels[1]]);
        let error_db = 20.0 * seen[4_800].log10();
        assert!(error_db.abs() < 0.1, "{error_db} dB");
    }

    #[test]
    fn the_limiter_holds_peaks_between_samples_below_its_ceiling() {
        let mut mix = between_samples(1.9);
        limit(&mut mix, 0.9, 20.0);
        let highest = mix.channels[0]
            .iter()
            .fold(0.0_f32, |peak, sample| peak.max(sample.abs()));
        // The ceiling at 45° is met by samples 3 dB lower.
        let wanted = 0.9 * std::f32::consts::FRAC_1_SQRT_2;
        assert!((highest / wanted - 1.0).abs() < 0.015, "{highest} {wanted}");
    }

    #[test]
    fn a_clip_is_straight_below_its_knee_and_never_passes_its_ceiling() {
        let clip = Clip {
            drive: 2.0,
            knee: 0.5,
            ceiling: 0.9,
        };
        assert!((clip.bend(-0.2) + 0.4).abs() < 1e-6);
        let mut before = 0.0;
        for step in 0..200 {
            let bent = clip.bend(step as f32 * 0.05);
            assert!(bent >= before && bent <= 0.9 + 1e-6, "{step}: {bent}");
            before = bent;
        }
    }
}
