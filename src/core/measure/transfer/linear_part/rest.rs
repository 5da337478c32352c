//! Gains of the bands of a crossover that come closest to the static linear part.

use super::{LEAST_BIN, Powers};
use crate::dsp::crossover::held_hz;
use crate::dsp::solve::solve;
use std::f64::consts::PI;

/// A band's gain is held between the least and the highest that the response has within the band,
/// looked for in steps so narrow, and by so much more, as a ratio (0.3 dB).
const STEP: f64 = 1.03;
const BEYOND: f64 = 1.035;
/// Where bands begin, Hz.
const LOWEST_HZ: f64 = 20.0;

impl Powers {
    /// Gain in each band of the crossover, dB: those four that together come closest to the gain at
    /// every frequency, so that a faint band is not told its neighbours' skirts; and none that the
    /// response has nowhere in the band, which is what they make of a bell.
    pub fn bands_db(&self, corners_hz: [f64; 3]) -> [f64; 4] {
        let (mut products, mut wanted) = ([[0.0; 4]; 4], [0.0; 4]);
        for bin in self.bins() {
            let (power, passed) = (self.power(bin), self.passed(bin));
            let shapes = self.band_gains(corners_hz, bin);
            for (row, one) in shapes.into_iter().enumerate() {
                for (column, other) in shapes.into_iter().enumerate() {
                    products[row][column] += one * other * power;
                }
                wanted[row] += one * (power * passed).max(0.0).sqrt();
            }
        }
        let alone: [f64; 4] = std::array::from_fn(|band| {
            let power: f64 = products[band].iter().sum();
            if power > 0.0 {
                wanted[band] / power
            } else {
                1.0
            }
        });
        let together = solve(products, wanted);
        let [low, mid, high] = held_hz(corners_hz, self.sample_rate_hz);
        let edges_hz = [LOWEST_HZ, low, mid, high, self.sample_rate_hz / 2.0];
        std::array::from_fn(|band| {
            let gain = if together[band] > 0.1 * alone[band] {
                together[band]
            } else {
                alone[band]
            };
            let [least, most] = self.gains_between(edges_hz[band], edges_hz[band + 1]);
            20.0 * gain.clamp(least / BEYOND, most * BEYOND).max(1e-6).log10()
        })
    }

    /// The least and the highest gain between two frequencies, where anything sounds.
    fn gains_between(&self, low_hz: f64, high_hz: f64) -> [f64; 2] {
        let most = self.bins().map(|bin| self.power(bin)).fold(0.0, f64::max);
        let (mut least, mut highest) = (f64::INFINITY, 0.0_f64);
        let mut step = [0.0; 2];
        let mut ends_hz = low_hz * STEP;
        for bin in self.bins() {
            let hz = bin as f64 * self.bin_hz;
            if hz < low_hz || hz >= high_hz {
                continue;
            }
            if hz >= ends_hz {
                let [power, passed] = std::mem::take(&mut step);
                if power > LEAST_BIN * most {
                    let gain = (passed / power).max(0.0).sqrt();
                    (least, highest) = (least.min(gain), highest.max(gain));
                }
                while hz >= ends_hz {
                    ends_hz *= STEP;
                }
            }
            step[0] += self.power(bin);
            step[1] += self.passed(bin);
        }
        if highest > 0.0 {
            [least, highest]
        } else {
            [0.0, f64::INFINITY]
        }
    }

    /// Amplitudes of the bands: products of `1/(1+r⁴)` and `r⁴/(1+r⁴)`, r warped by the bilinear
    /// transform (S. Linkwitz, JAES 24(1), 1976).
    pub(super) fn band_gains(&self, corners_hz: [f64; 3], bin: usize) -> [f64; 4] {
        let warped = |hz: f64| (PI * (hz / self.sample_rate_hz).min(0.499)).tan();
        let at = warped(bin as f64 * self.bin_hz);
        // Where the split has them, which at low rates is not where they were asked for.
        let corners_hz = held_hz(corners_hz, self.sample_rate_hz);
        let [low, mid, high] = corners_hz.map(|corner_hz| (at / warped(corner_hz)).powi(4));
        let (below, above) = (|r4: f64| 1.0 / (1.0 + r4), |r4: f64| r4 / (1.0 + r4));
        [
            below(mid) * below(low),
            below(mid) * above(low),
            above(mid) * below(high),
            above(mid) * above(high),
        ]
    }
}
