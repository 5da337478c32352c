//! Linear-phase oversampling by 2, 4 or 8 in a cascade of half-band filters.
//!
//! Signals above the base rate are kept as *phases*: phase `p` of `F` holds the samples at the
//! times `n + p/F`. Every filter of the cascade is then a sum of shifted, contiguous rows, 32
//! frames at a time, whatever the phase. A half-band filter leaves its even samples alone
//! (Crochiere & Rabiner, *Multirate Digital Signal Processing*, 1983, section 4.4), so going up
//! means computing midpoints only.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

mod down;
mod midpoints;
mod up;

use crate::dsp::quad::{Level, dispatch};
use fearless_simd::f32x8;
use fearless_simd::prelude::*;

pub use self::down::Downsampler;
pub use self::up::{ROW, ROW_LEAD, Upsampler};

/// Pairs of taps and Kaiser shape of one half-band stage.
#[derive(Debug, Clone, Copy)]
pub struct HalfBand {
    /// Pairs of taps on either side of the midpoint.
    pub pairs: usize,
    /// Shape of the Kaiser window.
    pub beta: f64,
}

/// The cascade that the saturator climbs, lowest rate first. Each stage is flat within 0.001 dB up
/// to 0.4535 of the base rate (20 kHz at 44.1 kHz) and keeps images at least 80 dB down.
pub const CLEAN_CASCADE: [HalfBand; 3] = [
    HalfBand {
        pairs: 31,
        beta: 9.1,
    },
    HalfBand {
        pairs: 6,
        beta: 10.2,
    },
    HalfBand {
        pairs: 4,
        beta: 9.5,
    },
];
/// Two equal taps, at two places of a buffer.
#[derive(Debug, Clone, Copy)]
struct Pair {
    tap: f32,
    left: usize,
    right: usize,
}

/// A symmetric filter whose output is a row: `centre · buffer[at..] + Σ tap · (buffer[left..] +
/// buffer[right..])`.
#[derive(Debug, Clone)]
struct Kernel {
    level: Level,
    centre: f32,
    at: usize,
    pairs: Vec<Pair>,
}

/// `V` vectors from `at` on, or `None` beyond the end.
#[inline]
fn vectors<const V: usize>(buffer: &[f32], at: usize) -> Option<&[[f32; 8]; V]> {
    buffer.get(at..)?.as_chunks::<8>().0.first_chunk::<V>()
}

impl Kernel {
    /// Allocates nothing.
    fn new(centre: f32, at: usize, pairs: Vec<Pair>) -> Self {
        Self {
            level: Level::new(),
            centre,
            at,
            pairs,
        }
    }

    /// The first `8·V` samples of the output row. Every tap must lie within the buffer, which debug
    /// builds notice.
    fn row<const V: usize>(&self, buffer: &[f32]) -> [[f32; 8]; V] {
        dispatch!(self.level, simd => self.row_on(simd, buffer))
    }

    #[inline(always)]
    fn row_on<S: Simd, const V: usize>(&self, simd: S, buffer: &[f32]) -> [[f32; 8]; V] {
        let mut sums = [f32x8::splat(simd, 0.0); V];
        if self.centre != 0.0
            && let Some(row) = vectors::<V>(buffer, self.at)
        {
            for (v, sum) in sums.iter_mut().enumerate() {
                *sum = f32x8::simd_from(simd, row[v]) * self.centre;
            }
        }
        for pair in &self.pairs {
            let (Some(left), Some(right)) = (
                vectors::<V>(buffer, pair.left),
                vectors::<V>(buffer, pair.right),
            ) else {
                debug_assert!(false, "a tap beyond its buffer");
                continue;
            };
            for (v, sum) in sums.iter_mut().enumerate() {
                let left = f32x8::simd_from(simd, left[v]);
                let right = f32x8::simd_from(simd, right[v]);
                *sum += (left + right) * pair.tap;
            }
        }
        let mut row = [[0.0; 8]; V];
        for (samples, sum) in row.iter_mut().zip(sums) {
            *samples = sum.into();
        }
        row
    }
}

/// Place in a buffer of rows of the sample `phase/count` frames after the start of the quantum.
fn place(phase: isize, count: usize, stride: usize, row_len: usize, lead: usize) -> usize {
    let (row, shift) = (
        phase.rem_euclid(count.cast_signed()),
        phase.div_euclid(count.cast_signed()),
    );
    row.cast_unsigned() * stride * row_len + lead.saturating_add_signed(shift)
}
/// Largest lane.
#[inline]
pub fn largest(lanes: &[f32; 8]) -> f32 {
    lanes
        .iter()
        .fold(f32::MIN, |most, x| if *x > most { *x } else { most })
}
#[cfg(test)]
#[expect(clippy::float_cmp, reason = "the very same samples, not some nearby")]
mod tests {
    use super::*;
    use crate::dsp::quantum::{Lane, QUANTUM};
    use proptest::prelude::*;
    use std::f64::consts::PI;

    /// Runs `quanta` quanta of a signal through both ways; what `up` returns for a quantum is
    /// compared by `check`.
    fn render(
        up: &mut Upsampler,
        quanta: usize,
        x: impl Fn(f64) -> f64,
        mut check: impl FnMut(f64, f32),
    ) {
        for quantum in 0..quanta {
            let start = (quantum * QUANTUM) as f64;
            up.push(&std::array::from_fn(|n| x(start + n as f64) as f32));
            up.render();
            let factor = up.factor();
            for phase in (0..factor).filter(|_| quantum > 6) {
                for (n, sample) in up.phase(phase).iter().enumerate() {
                    let time = start + n as f64 + phase as f64 / factor as f64
                        - up.latency_frames() as f64;
                    check(time, *sample);
                }
            }
        }
    }

    #[test]
    fn phases_hold_the_sine_between_its_samples() {
        for levels in 1..=3 {
            let mut up = Upsampler::new(&CLEAN_CASCADE[..levels]);
            for frequency in [0.0, 0.01, 0.1, 0.25, 0.37, 0.4535] {
                let sine = |time: f64| (2.0 * PI * frequency * time + 0.4).sin();
                up.reset();
                render(&mut up, 12, sine, |time, sample| {
                    // Every stage may add its own −80 dB.
                    let allowed = levels as f64 * 1e-4;
                    let error = (f64::from(sample) - sine(time)).abs();
                    assert!(error < allowed, "{levels} {frequency}: {error}");
                });
            }
        }
    }

    /// Gain of up and down together, from the spectrum of the impulse response.
    fn impulse_response(sample_rate_hz: f64, cascade: &[HalfBand]) -> (Vec<f64>, usize) {
        let mut up = Upsampler::new(cascade);
        let mut down = Downsampler::new(sample_rate_hz, cascade);
        let mut response = Vec::new();
        for quantum in 0..12 {
            let mut lane = [0.0; QUANTUM];
            if quantum == 0 {
                lane[0] = 1.0;
            }
            up.push(&lane);
            up.render();
            response.extend(
                down.process(|phase, target| *target = *up.phase(phase))
                    .map(f64::from),
            );
        }
        (response, up.latency_frames() + down.latency_frames())
    }

    #[test]
    fn up_and_down_together_are_flat_and_a_whole_number_of_frames_late() {
        for (rate, levels, top_hz) in [
            (44100.0, 3, 20000.0),
            (48000.0, 3, 20000.0),
            (96000.0, 2, 40000.0),
            (192000.0, 1, 80000.0),
        ] {
            let (response, latency) = impulse_response(rate, &CLEAN_CASCADE[..levels]);
            let mut worst = 0.0_f64;
            for step in 0..=400 {
                let omega = 2.0 * PI * top_hz * f64::from(step) / 400.0 / rate;
                let (mut re, mut im) = (0.0, 0.0);
                for (n, h) in response.iter().enumerate() {
                    let angle = omega * (n as f64 - latency as f64);
                    re += h * angle.cos();
                    im -= h * angle.sin();
                }
                assert!(im.abs() < 1e-6, "not linear in phase: {im}");
                worst = worst.max((20.0 * f64::abs(re).log10()).abs());
            }
            println!("{rate} Hz: latency {latency}, ripple {worst:.5} dB");
            assert!(worst < 0.01, "{rate}: {worst} dB");
        }
    }

    /// A tone above the base band, at the top rate, must not come back.
    #[test]
    fn down_stops_what_would_fold() {
        for (rate, levels, from_hz) in [
            (44100.0, 3, 24100.0),
            (48000.0, 3, 24000.0),
            (96000.0, 2, 48000.0),
        ] {
            let factor = f64::from(1 << levels);
            let mut worst = 0.0_f64;
            for step in 0..120 {
                let frequency = from_hz + (rate * factor / 2.0 - from_hz) * f64::from(step) / 119.0;
                let mut down = Downsampler::new(rate, &CLEAN_CASCADE[..levels]);
                for quantum in 0..12 {
                    let output = down.process(|phase, target| {
                        for (n, sample) in target.iter_mut().enumerate() {
                            let time = (quantum * QUANTUM + n) as f64 + phase as f64 / factor;
                            *sample = (2.0 * PI * frequency / rate * time + 0.7).sin() as f32;
                        }
                    });
                    if quantum > 7 {
                        worst = output
                            .iter()
                            .fold(worst, |worst, y| worst.max(f64::from(y.abs())));
                    }
                }
            }
            println!("{rate} Hz: stop band {:.1} dB", 20.0 * worst.log10());
            assert!(worst < 1e-4, "{rate}: {worst}");
        }
    }

    #[test]
    fn a_quantum_that_was_not_rendered_leaves_no_trace() {
        let mut long = CLEAN_CASCADE;
        long[0].pairs = 100;
        for cascade in [CLEAN_CASCADE, long] {
            let mut always = Upsampler::new(&cascade);
            let mut sometimes = always.clone();
            for quantum in 0..140_usize {
                let lane = std::array::from_fn(|n| ((quantum * QUANTUM + n) as f32 * 0.7).sin());
                always.push(&lane);
                always.render();
                sometimes.push(&lane);
                // Pauses of a quantum or two, then one that outlasts the filter's memory now and
                // then.
                let wanted = if quantum < 40 {
                    quantum * quantum % 7 < 3
                } else {
                    quantum % 30 > 27
                };
                if wanted {
                    sometimes.render();
                    for phase in 0..8 {
                        assert_eq!(always.phase(phase), sometimes.phase(phase));
                    }
                }
            }
        }
    }

    #[test]
    fn silence_costs_nothing_once_it_has_passed_and_changes_nothing_before() {
        let mut lazy = Downsampler::new(48000.0, &CLEAN_CASCADE);
        let mut eager = lazy.clone();
        let noise = |n: usize| ((n * 7919) % 1000) as f32 / 1000.0 - 0.5;
        let burst =
            |phase: usize, lane: &mut Lane| *lane = std::array::from_fn(|n| noise(8 * n + phase));
        assert_eq!(lazy.process(burst), eager.process(burst));
        let mut passed = 0;
        for _ in 0..20 {
            let expected = eager.process(|_, lane| lane.fill(0.0));
            if let Some(lane) = lazy.process_silence() {
                assert_eq!(lane, expected);
            } else {
                assert_eq!(expected, [0.0; QUANTUM]);
                passed += 1;
            }
        }
        assert!(passed > 10);
    }

    proptest! {
        /// The bound must hold for anything, or peaks are missed.
        #[test]
        fn no_phase_exceeds_the_bound(seed in 1_u64.., roughness in 0.0_f32..1.0) {
            let mut up = Upsampler::new(&CLEAN_CASCADE);
            let mut state = seed;
            let mut smooth = 0.0;
            for _ in 0..8 {
                let lane: Lane = std::array::from_fn(|_| {
                    state ^= state << 13;
                    state ^= state >> 7;
                    state ^= state << 17;
                    let white = if state & 1 == 0 { 1.0 } else { -1.0 };
                    smooth += (1.0 - 0.97 * roughness) * (white - smooth);
                    smooth
                });
                up.push(&lane);
                up.render();
                let bound = up.bound();
                for phase in 0..up.factor() {
                    prop_assert!(up.phase(phase).iter().all(|x| x.abs() <= bound));
                }
            }
        }
    }

    #[test]
    fn every_level_filters_alike() {
        let buffer: Vec<f32> = (0..200).map(|n| (n * 7 % 23) as f32 / 23.0 - 0.3).collect();
        let pairs = (0..20).map(|k| Pair {
            tap: 0.7 / (k + 1) as f32,
            left: 60 - k,
            right: 61 + k,
        });
        let mut kernel = Kernel::new(0.25, 60, pairs.collect());
        let told: Vec<_> = crate::dsp::quad::levels()
            .into_iter()
            .map(|level| {
                kernel.level = level;
                kernel.row::<5>(&buffer)
            })
            .collect();
        assert!(told.windows(2).all(|pair| pair[0] == pair[1]));
    }
}
