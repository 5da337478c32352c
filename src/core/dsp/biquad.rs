//! Second-order sections on stereo lanes, in `f64`.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

use wide::f64x2;

use crate::dsp::ramp::bounded;

/// State smaller than this (−400 dB) is set to 0, long before it could become denormal.
pub const QUIET: f64 = 1e-20;

/// Lowest corner of any design, in Hz. The highest is 0.49 of the sample rate.
const LOWEST_CORNER_HZ: f64 = 1.0;

/// `y[n] = b0·x[n] + b1·x[n−1] + b2·x[n−2] − a1·y[n−1] − a2·y[n−2]`.
///
/// The designs are those of the *Audio EQ Cookbook* (R. Bristow-Johnson, W3C note 2021): bilinear
/// transform with the corner prewarped. Corners are held to 1 Hz … 0.49 of the sample rate.
#[derive(Clone, Copy, Debug, PartialEq)]
#[expect(
    missing_docs,
    reason = "the difference equation above says what each is"
)]
pub struct Coefficients {
    pub b0: f64,
    pub b1: f64,
    pub b2: f64,
    pub a1: f64,
    pub a2: f64,
}

/// Cosine of the corner's angle, and the Cookbook's α for a given Q.
fn angle(sample_rate_hz: f64, corner_hz: f64, q: f64) -> (f64, f64) {
    let omega =
        2.0 * PI * bounded(corner_hz, LOWEST_CORNER_HZ, 0.49 * sample_rate_hz) / sample_rate_hz;
    (omega.cos(), omega.sin() / (2.0 * q))
}

impl Coefficients {
    /// Passes everything unchanged.
    pub const IDENTITY: Self = Self {
        b0: 1.0,
        b1: 0.0,
        b2: 0.0,
        a1: 0.0,
        a2: 0.0,
    };

    fn normalised(b: [f64; 3], a: [f64; 3]) -> Self {
        Self {
            b0: b[0] / a[0],
            b1: b[1] / a[0],
            b2: b[2] / a[0],
            a1: a[1] / a[0],
            a2: a[2] / a[0],
        }
    }

    /// Low shelf of slope S = 1 (Q = 1/√2): `gain_db` at 0 Hz, half of it (in dB) at the corner, 0
    /// dB far above.
    ///
    /// At exactly 0 dB numerator and denominator are equal bit for bit.
    pub fn low_shelf(sample_rate_hz: f64, corner_hz: f64, gain_db: f64) -> Self {
        let (cos, alpha) = angle(sample_rate_hz, corner_hz, FRAC_1_SQRT_2);
        let a = 10.0_f64.powf(gain_db / 40.0);
        let (up, down, width) = (a + 1.0, a - 1.0, 2.0 * a.sqrt() * alpha);
        Self::normalised(
            [
                a * (up - down * cos + width),
                2.0 * a * (down - up * cos),
                a * (up - down * cos - width),
            ],
            [
                up + down * cos + width,
                -2.0 * (down + up * cos),
                up + down * cos - width,
            ],
        )
    }

    /// High shelf of slope S = 1 (Q = 1/√2): 0 dB far below, half of `gain_db` at the corner,
    /// `gain_db` at half the sample rate.
    ///
    /// At exactly 0 dB numerator and denominator are equal bit for bit.
    pub fn high_shelf(sample_rate_hz: f64, corner_hz: f64, gain_db: f64) -> Self {
        let (cos, alpha) = angle(sample_rate_hz, corner_hz, FRAC_1_SQRT_2);
        let a = 10.0_f64.powf(gain_db / 40.0);
        let (up, down, width) = (a + 1.0, a - 1.0, 2.0 * a.sqrt() * alpha);
        Self::normalised(
            [
                a * (up + down * cos + width),
                -2.0 * a * (down + up * cos),
                a * (up + down * cos - width),
            ],
            [
                up - down * cos + width,
                2.0 * (down - up * cos),
                up - down * cos - width,
            ],
        )
    }

    /// High-pass of Butterworth's kind (Q = 1/√2): −3 dB at the corner, 12 dB an octave below.
    pub fn high_pass(sample_rate_hz: f64, corner_hz: f64) -> Self {
        let (cos, alpha) = angle(sample_rate_hz, corner_hz, FRAC_1_SQRT_2);
        let half = f64::midpoint(1.0, cos);
        Self::normalised(
            [half, -2.0 * half, half],
            [1.0 + alpha, -2.0 * cos, 1.0 - alpha],
        )
    }

    /// Complex gain at `freq_hz`, as (real, imaginary).
    pub fn response(&self, freq_hz: f64, sample_rate_hz: f64) -> (f64, f64) {
        let (sin1, cos1) = (2.0 * PI * freq_hz / sample_rate_hz).sin_cos();
        let (sin2, cos2) = (4.0 * PI * freq_hz / sample_rate_hz).sin_cos();
        let top = (
            self.b0 + self.b1 * cos1 + self.b2 * cos2,
            -self.b1 * sin1 - self.b2 * sin2,
        );
        let bottom = (
            1.0 + self.a1 * cos1 + self.a2 * cos2,
            -self.a1 * sin1 - self.a2 * sin2,
        );
        let square = bottom.0 * bottom.0 + bottom.1 * bottom.1;
        (
            (top.0 * bottom.0 + top.1 * bottom.1) / square,
            (top.1 * bottom.0 - top.0 * bottom.1) / square,
        )
    }

    /// Gain at `freq_hz` in dB.
    pub fn magnitude_db(&self, freq_hz: f64, sample_rate_hz: f64) -> f64 {
        let (re, im) = self.response(freq_hz, sample_rate_hz);
        10.0 * (re * re + im * im).log10()
    }

    /// What to add once a frame to arrive at `end` in `frames` frames. Every filter on the way is
    /// stable if both ends are: the stable region of (a1, a2) is a triangle.
    #[must_use]
    pub fn slope_to(&self, end: &Self, frames: u32) -> Self {
        let share = 1.0 / f64::from(frames.max(1));
        Self {
            b0: (end.b0 - self.b0) * share,
            b1: (end.b1 - self.b1) * share,
            b2: (end.b2 - self.b2) * share,
            a1: (end.a1 - self.a1) * share,
            a2: (end.a2 - self.a2) * share,
        }
    }

    /// Adds one frame's worth of `slope`.
    #[inline]
    pub fn glide(&mut self, slope: &Self) {
        self.b0 += slope.b0;
        self.b1 += slope.b1;
        self.b2 += slope.b2;
        self.a1 += slope.a1;
        self.a2 += slope.a2;
    }
}

/// State of one section for two channels: transposed direct form II.
///
/// With equal numerator and denominator (a shelf at 0 dB) the state of a section at rest stays
/// exactly 0.
#[derive(Clone, Copy, Debug, Default)]
pub struct Biquad {
    s1: f64x2,
    s2: f64x2,
}

impl Biquad {
    /// Filters one frame.
    #[inline]
    pub fn step(&mut self, c: &Coefficients, x: f64x2) -> f64x2 {
        let y = self.s1 + x * f64x2::splat(c.b0);
        self.s1 = (self.s2 + x * f64x2::splat(c.b1)) - y * f64x2::splat(c.a1);
        self.s2 = x * f64x2::splat(c.b2) - y * f64x2::splat(c.a2);
        y
    }

    /// After the coefficients have moved by `by`: makes of the state what it would be had they
    /// always been so, by the last two frames `x` that came in and `y` that went out, the latest
    /// first. What is then put out is that of direct form I, in which only the sound has a past:
    /// otherwise a high shelf that moves ticks with the bass that it leaves alone.
    #[inline]
    pub fn turn(&mut self, by: &Coefficients, x: [f64x2; 2], y: [f64x2; 2]) {
        let [a1, a2, b1, b2] = [by.a1, by.a2, by.b1, by.b2].map(f64x2::splat);
        self.s1 += (x[0] * b1 - y[0] * a1) + (x[1] * b2 - y[1] * a2);
        self.s2 += x[0] * b2 - y[0] * a2;
    }

    /// Clears the state.
    pub fn reset(&mut self) {
        *self = Self::default();
    }

    /// Sets state that has died away to 0 (see [`snap_to_zero`]). To be called now and then, at
    /// frames that do not depend on how the signal is split.
    pub fn snap_to_zero(&mut self) {
        snap_to_zero(&mut self.s1, &mut self.s2);
    }

    /// Whether what still rings in it is smaller than `level`.
    pub fn is_below(&self, level: f64) -> bool {
        (self.s1.abs() + self.s2.abs())
            .to_array()
            .iter()
            .all(|size| *size < level)
    }
}

/// Sets the two states of a section to 0 in lanes where both are below [`QUIET`] and where one is
/// no longer finite.
///
/// Only both together: clearing one of two that nearly cancel would excite the filter anew.
#[inline]
pub fn snap_to_zero(first: &mut f64x2, second: &mut f64x2) {
    let size = first.abs() + second.abs();
    let keep = size.simd_gt(f64x2::splat(QUIET)) & size.simd_lt(f64x2::splat(f64::INFINITY));
    *first &= keep;
    *second &= keep;
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATES_HZ: [f64; 6] = [8000.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0, 384_000.0];

    fn db(re: f64, im: f64) -> f64 {
        10.0 * (re * re + im * im).log10()
    }

    /// `f/fc` after the bilinear transform with the corner prewarped.
    fn warped(freq_hz: f64, corner_hz: f64, sample_rate_hz: f64) -> f64 {
        (PI * freq_hz / sample_rate_hz).tan() / (PI * corner_hz / sample_rate_hz).tan()
    }

    fn frequencies(sample_rate_hz: f64) -> impl Iterator<Item = f64> {
        (0..40)
            .map(|step| 10.0 * 1.22_f64.powi(step))
            .take_while(move |freq_hz| *freq_hz < 0.48 * sample_rate_hz)
    }

    /// The Cookbook's analogue prototypes, at s = jr: low `A·(s² + √A/Q·s + A)/(A·s² + √A/Q·s +
    /// 1)`, high with both polynomials reversed.
    #[test]
    fn shelves_have_the_response_of_their_analogue_prototypes() {
        for rate in RATES_HZ {
            for corner_hz in [40.0, 120.0, 400.0, 1500.0, 3500.0, 12_000.0] {
                if corner_hz > 0.45 * rate {
                    continue;
                }
                for gain_db in [-9.0, -3.0, 0.5, 9.0] {
                    let a = 10.0_f64.powf(gain_db / 40.0);
                    for freq_hz in frequencies(rate) {
                        let r = warped(freq_hz, corner_hz, rate);
                        let damping = (2.0 * a).sqrt() * r;
                        let wide = db(a - r * r, damping);
                        let narrow = db(1.0 - a * r * r, damping);
                        let low = 20.0 * a.log10() + wide - narrow;
                        let high = 20.0 * a.log10() + narrow - wide;
                        let designed = [
                            Coefficients::low_shelf(rate, corner_hz, gain_db),
                            Coefficients::high_shelf(rate, corner_hz, gain_db),
                        ];
                        for (design, expected_db) in designed.iter().zip([low, high]) {
                            let got_db = design.magnitude_db(freq_hz, rate);
                            assert!(
                                (got_db - expected_db).abs() < 1e-6,
                                "{rate} {corner_hz} {gain_db} {freq_hz}: {got_db} {expected_db}"
                            );
                        }
                    }
                }
            }
        }
    }

    /// The Cookbook's analogue prototype, at s = jr: `s²/(s² + s/Q + 1)`.
    #[test]
    fn the_high_pass_has_the_response_of_its_analogue_prototype() {
        for rate in RATES_HZ {
            for corner_hz in [20.0, 300.0, 3_000.0] {
                for freq_hz in frequencies(rate) {
                    let r = warped(freq_hz, corner_hz, rate);
                    let damping = r / FRAC_1_SQRT_2;
                    let expected_db = 40.0 * r.log10() - db(1.0 - r * r, damping);
                    let design = Coefficients::high_pass(rate, corner_hz);
                    let got_db = design.magnitude_db(freq_hz, rate);
                    assert!(
                        (got_db - expected_db).abs() < 1e-6,
                        "{rate} {corner_hz} {freq_hz}: {got_db} {expected_db}"
                    );
                }
            }
        }
    }

    /// The discrete Fourier transform of the impulse response is the response.
    #[test]
    fn the_section_does_what_its_coefficients_say() {
        for design in [
            Coefficients::low_shelf(48_000.0, 100.0, 6.0),
            Coefficients::high_shelf(48_000.0, 5000.0, -6.0),
        ] {
            for freq_hz in frequencies(48_000.0) {
                let mut section = Biquad::default();
                let (mut re, mut im) = (0.0, 0.0);
                for n in 0..20_000 {
                    let x = if n == 0 { 1.0 } else { 0.0 };
                    let [left, right] = section.step(&design, f64x2::new([x, -2.0 * x])).to_array();
                    assert!((right + 2.0 * left).abs() < 1e-15);
                    let (sin, cos) = (-2.0 * PI * freq_hz / 48_000.0 * f64::from(n)).sin_cos();
                    re += left * cos;
                    im += left * sin;
                }
                let expected = design.response(freq_hz, 48_000.0);
                assert!((re - expected.0).abs() < 1e-9 && (im - expected.1).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn a_shelf_at_0_db_is_an_identity_and_stays_at_rest() {
        for design in [
            Coefficients::low_shelf(44_100.0, 77.0, 0.0),
            Coefficients::high_shelf(44_100.0, 3456.0, 0.0),
        ] {
            let mut section = Biquad::default();
            for n in 0..1000 {
                let x = f64x2::splat(f64::from((f64::from(n) * 0.7).sin() as f32));
                assert_eq!(section.step(&design, x), x);
            }
            assert!(section.is_below(f64::MIN_POSITIVE));
        }
    }

    #[test]
    fn state_that_dies_away_becomes_exactly_zero() {
        let design = Coefficients::low_shelf(8000.0, 20.0, 6.0);
        let mut section = Biquad::default();
        section.step(&design, f64x2::splat(1.0));
        for _ in 0..8000 {
            section.step(&design, f64x2::ZERO);
            section.snap_to_zero();
        }
        assert!(section.is_below(f64::MIN_POSITIVE));
        let (mut first, mut second) = (f64x2::new([f64::NAN, -1e-21]), f64x2::new([1.0, 1.0]));
        snap_to_zero(&mut first, &mut second);
        assert_eq!(
            [first.to_array(), second.to_array()],
            [[0.0, -1e-21], [0.0, 1.0]]
        );
    }

    #[test]
    fn corners_out_of_range_are_held() {
        for corner_hz in [f64::NAN, -5.0, 0.0, 1e9, f64::INFINITY] {
            let (re, im) = Coefficients::low_shelf(8000.0, corner_hz, 9.0).response(1000.0, 8000.0);
            assert!(re.is_finite() && im.is_finite());
        }
    }
}
