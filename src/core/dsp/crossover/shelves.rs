//! The gains of four bands, given to the signal itself: a shelf at each crossover.
//!
//! A Linkwitz-Riley pair whose low band has the gain `a` and whose high band has the gain `b` adds
//! up to `(a + b·s⁴)/(s² + √2·s + 1)²`: the magnitude `(a + b·r⁴)/(1 + r⁴)` behind an all-pass,
//! which turns phases even where `a = b`. With `c⁴ = a/b` the same magnitude is that of
//!
//! ```text
//! b·H,  H = ((s² + √2·c·s + c²)/(s² + √2·s + 1))²,  |H(jr)| = (c⁴ + r⁴)/(1 + r⁴)
//! ```
//!
//! whose zeros all lie to the left: no filter of that magnitude turns phases less (A. Oppenheim,
//! R. Schafer, *Discrete-Time Signal Processing*, section 5.6), and with equal gains it is no filter
//! at all. Three of them, one a crossover, and the gain of the top band make the gains of four bands.
//!
//! Written as a sum over the low-pass `L` and the band-pass `B` of the denominator,
//!
//! ```text
//! H = 1 + d·(2√2·B + 4c·L + d·(2√2·c·B·L + (c² + 2c − 1)·L²)),  d = c − 1
//! ```
//!
//! the gains only weigh the outputs of filters that know nothing of them: a gain acts at once,
//! however fast it moves, and at `c = 1` a frame passes as it is. The lowest crossover comes first,
//! for what one shelf has changed is remembered by the next for about half a period of the next
//! one's corner.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use fearless_simd::f64x4;
use fearless_simd::prelude::*;
use wide::f64x2;

use super::{Corner, CornerLanes, Corners, Running, Sections};
use crate::dsp::quad::{Level, Quad, dispatch, joined, pair};

/// What the shelves do to a frame of a signal: the fourth roots `c` of the gain below each corner
/// over the gain above it, low to high, then the gain of the top band.
pub type ShelfWeights = [f64; 4];

/// The weights at which a frame stays as it is.
const STILL: ShelfWeights = [1.0; 4];

/// Shelves at the three corners between four bands, for two stereo signals (mono: one lane) with
/// gains of their own that may move from frame to frame. No latency.
///
/// Corners are held to 20 Hz … 0.45 of the sample rate and to ascending order, and move without
/// clicks. Frames must be finite.
#[derive(Clone, Debug)]
pub struct Shelves {
    level: Level,
    corners: Corners,
    /// Both sections of each; a lane a channel of either signal.
    sections: [[Sections; 2]; 3],
}

/// One shelf at work, and the frame that is half-way through: as it was, and what the first section
/// has made of it.
struct Shelf<S: Simd> {
    sections: [Running<S>; 2],
    corner: CornerLanes<S>,
    x: f64x4<S>,
    once: f64x4<S>,
    band: f64x4<S>,
}

impl Shelves {
    /// Shelves at [`DEFAULT_CORNERS_HZ`](super::DEFAULT_CORNERS_HZ).
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            level: Level::new(),
            corners: Corners::new(sample_rate_hz),
            sections: [[Sections::SILENT; 2]; 3],
        }
    }

    /// Forgets the signals and takes these corners, in Hz, at once.
    pub fn reset(&mut self, corners_hz: [f64; 3]) {
        self.corners.reset(corners_hz);
        self.sections = [[Sections::SILENT; 2]; 3];
    }

    /// Forgets the first signal.
    pub fn reset_first(&mut self) {
        for sections in self.sections.iter_mut().flatten() {
            sections.silence_first();
        }
    }

    /// Moves the corners, in Hz, low to high; takes 50 ms.
    pub fn set_corners(&mut self, corners_hz: [f64; 3]) {
        self.corners.set(corners_hz);
    }

    /// Counts up to `most` frames (at least 1) over which the corners stand still; returns how many
    /// those are, and whether it was time to look for what has died away: then it is one.
    #[inline]
    pub fn advance(&mut self, most: usize) -> (usize, bool) {
        let (frames, is_time) = self.corners.advance_run(most);
        if is_time {
            for sections in self.sections.iter_mut().flatten() {
                sections.snap_to_zero();
            }
        }
        (frames, is_time)
    }

    /// Gives frames of both signals that [`advance`](Self::advance) has counted the gains of as many
    /// weights, the first signal's and the second's. Where all four of a signal are 1 its frame stays
    /// as it is to the last bit.
    pub fn filter(
        &mut self,
        first: &mut [f64x2],
        second: &mut [f64x2],
        weights: &[[ShelfWeights; 2]],
    ) {
        dispatch!(self.level, simd => self.filter_on(simd, first, second, weights));
    }

    /// The steps of one frame wait for each other, and a processor can only look so far ahead for
    /// work of the next. So each round takes every section once, each on a later frame than the one
    /// after it: none of them waits.
    #[inline(always)]
    fn filter_on<S: Simd>(
        &mut self,
        simd: S,
        first: &mut [f64x2],
        second: &mut [f64x2],
        weights: &[[ShelfWeights; 2]],
    ) {
        let count = first.len().min(second.len()).min(weights.len());
        let (first, second) = (&mut first[..count], &mut second[..count]);
        let weights = &weights[..count];
        let corners = self.corners.values();
        let mut low = Shelf::new(simd, &self.sections[0], &corners[0]);
        let mut middle = Shelf::new(simd, &self.sections[1], &corners[1]);
        let mut high = Shelf::new(simd, &self.sections[2], &corners[2]);
        let mut through = [f64x4::splat(simd, 0.0); 2];
        // What a section takes that comes so many rounds after the first.
        let of = |round: usize, later: usize| weights.get(round.wrapping_sub(later));
        let passed = |round: usize, later: usize, frame: f64x4<S>| {
            (round.wrapping_sub(later) < count).then_some(frame)
        };
        for round in 0..count + 5 {
            let y = high.step::<2>(simd, passed(round, 4, through[1]), of(round, 5));
            if let Some(weights) = of(round, 5) {
                let at = round.wrapping_sub(5);
                let y = y * weight::<S, 3>(simd, weights);
                let [y_first, y_second] = Quad::of(y).pairs();
                if weights[0] != STILL
                    && let Some(frame) = first.get_mut(at)
                {
                    *frame = y_first;
                }
                if weights[1] != STILL
                    && let Some(frame) = second.get_mut(at)
                {
                    *frame = y_second;
                }
            }
            through[1] = middle.step::<1>(simd, passed(round, 2, through[0]), of(round, 3));
            let next = first.get(round).zip(second.get(round));
            let next = next.map(|(first, second)| joined(pair(simd, *first), pair(simd, *second)));
            through[0] = low.step::<0>(simd, next, of(round, 1));
        }
        self.sections = [low.store(), middle.store(), high.store()];
    }
}

/// Weight `SHELF` of both signals, for two channels each.
#[inline(always)]
fn weight<S: Simd, const SHELF: usize>(simd: S, [first, second]: &[ShelfWeights; 2]) -> f64x4<S> {
    Quad::of_two(first[SHELF], second[SHELF]).load(simd)
}

impl<S: Simd> Shelf<S> {
    #[inline(always)]
    fn new(simd: S, [first, second]: &[Sections; 2], corner: &Corner) -> Self {
        let none = f64x4::splat(simd, 0.0);
        Self {
            sections: [first.load(simd), second.load(simd)],
            corner: CornerLanes::new(simd, corner, corner),
            x: none,
            once: none,
            band: none,
        }
    }

    /// Takes the next frame half the way through `H`, and the frame before it, if there are weights
    /// for it, the other half; returns that one.
    #[inline(always)]
    fn step<const SHELF: usize>(
        &mut self,
        simd: S,
        next: Option<f64x4<S>>,
        weights: Option<&[ShelfWeights; 2]>,
    ) -> f64x4<S> {
        let [first, second] = &mut self.sections;
        let mut y = self.x;
        if let Some(weights) = weights {
            let (twice, band_of_low) = second.low_and_band(&self.corner, self.once);
            let c = weight::<S, SHELF>(simd, weights);
            let d = c - 1.0;
            let inner = c * (band_of_low + (c + 2.0) * twice) - twice;
            y += d * (self.band + c * (self.once * 4.0) + d * inner);
        }
        if let Some(next) = next {
            let (once, band) = first.low_and_band(&self.corner, next);
            (self.x, self.once, self.band) = (next, once, band);
        }
        y
    }

    #[inline(always)]
    fn store(self) -> [Sections; 2] {
        let [first, second] = self.sections;
        [first.store(), second.store()]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Runs of all lengths up to this.
    const LONGEST: usize = 64;

    fn filtered(
        shelves: &mut Shelves,
        frames: &mut [f64x2],
        beside: &mut [f64x2],
        weights: impl Fn(usize) -> [ShelfWeights; 2],
    ) {
        let (mut start, mut length) = (0, 1);
        while start < frames.len() {
            let (count, _) = shelves.advance((frames.len() - start).min(length));
            let range = start..start + count;
            let weights: Vec<_> = range.clone().map(&weights).collect();
            shelves.filter(&mut frames[range.clone()], &mut beside[range], &weights);
            (start, length) = (start + count, length % LONGEST + 1);
        }
    }

    // The magnitude of a Linkwitz-Riley pair with these gains, at frequencies warped by the
    // bilinear transform (S. Linkwitz, JAES 24(1), 1976).
    #[test]
    fn shelves_have_the_magnitude_of_the_bands() {
        const RATE_HZ: f64 = 48_000.0;
        let corners_hz = [120.0, 1000.0, 6000.0];
        let gains = [[0.5, 1.0, 0.25, 2.0], [3.0, 0.5, 0.5, 0.7]];
        let weights = gains.map(|[a, b, c, d]: [f64; 4]| {
            let root = |ratio: f64| ratio.sqrt().sqrt();
            [root(a / b), root(b / c), root(c / d), d]
        });
        let mut shelves = Shelves::new(RATE_HZ);
        shelves.reset(corners_hz);
        let mut impulse = vec![f64x2::ZERO; 32_768];
        impulse[0] = f64x2::new([1.0, -1.0]);
        let mut responses = [impulse.clone(), impulse];
        let [first, second] = &mut responses;
        filtered(&mut shelves, first, second, |_| weights);
        let warped = |hz: f64| (std::f64::consts::PI * hz / RATE_HZ).tan();
        for (response, gains) in responses.iter().zip(gains) {
            for hz in [30.0, 120.0, 300.0, 1000.0, 2500.0, 6000.0, 15_000.0] {
                let w = std::f64::consts::TAU * hz / RATE_HZ;
                let (re, im) = response
                    .iter()
                    .zip(0..)
                    .fold((0.0, 0.0), |(re, im), (y, n)| {
                        let (phase, y) = (w * f64::from(n), y.to_array()[1]);
                        (re + y * phase.cos(), im - y * phase.sin())
                    });
                let found_db = 10.0 * (re * re + im * im).log10();
                let shelf = |corner: usize| {
                    let r4 = (warped(hz) / warped(corners_hz[corner])).powi(4);
                    (gains[corner] / gains[corner + 1] + r4) / (1.0 + r4)
                };
                let expected_db = 20.0 * (gains[3] * shelf(0) * shelf(1) * shelf(2)).log10();
                assert!(
                    (found_db - expected_db).abs() < 1e-6,
                    "{hz}: {found_db} {expected_db}"
                );
            }
        }
    }

    #[test]
    fn every_level_filters_alike() {
        let mut told = Vec::new();
        for level in crate::dsp::quad::levels() {
            let mut shelves = Shelves::new(44_100.0);
            shelves.level = level;
            let mut frames: Vec<f64x2> = (0..4000_usize)
                .map(|n| f64x2::new([(n % 37) as f64 - 18.0, (n * n % 29) as f64 / 7.0]))
                .collect();
            let mut beside: Vec<_> = frames.iter().map(|frame| *frame * 0.5).collect();
            filtered(&mut shelves, &mut frames, &mut beside, |n| {
                [0.8, 1.1].map(|low| [low, 1.0 + (n % 7) as f64 * 0.1, 1.0, 0.25])
            });
            let heard = frames.into_iter().chain(beside);
            told.push(heard.map(f64x2::to_array).collect::<Vec<_>>());
        }
        assert!(told.windows(2).all(|pair| pair[0] == pair[1]));
    }
}
