//! The steps of a split into four bands, and their order.

use wide::f64x2;

use super::section::{Corner, Section, Split};

/// All that a [`Crossover`] remembers of its signals.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sections<const SIGNALS: usize> {
    middle: Split<SIGNALS>,
    low_delay: Section<SIGNALS>,
    high_delay: Section<SIGNALS>,
    low: Split<SIGNALS>,
    high: Split<SIGNALS>,
}

impl<const SIGNALS: usize> Sections<SIGNALS> {
    pub const SILENT: Self = Self {
        middle: Split::SILENT,
        low_delay: Section::SILENT,
        high_delay: Section::SILENT,
        low: Split::SILENT,
        high: Split::SILENT,
    };

    pub fn each(&mut self) -> impl Iterator<Item = &mut Section<SIGNALS>> {
        let splits = [&mut self.middle, &mut self.low, &mut self.high];
        splits
            .into_iter()
            .flat_map(|split| [&mut split.first, &mut split.second])
            .chain([&mut self.low_delay, &mut self.high_delay])
    }
}

/// The steps of a split, each of which takes what the one before it has made of the same frame.
impl<const SIGNALS: usize> Sections<SIGNALS> {
    /// Low-pass once, and what both halves add up to.
    #[inline]
    fn first<const N: usize>(
        &mut self,
        [_, c1, _]: &[Corner; 3],
        x: [f64x2; N],
    ) -> [[f64x2; N]; 2] {
        self.middle.first.low_and_all_pass(c1, x).into()
    }

    /// The lower and the upper half.
    #[inline]
    fn second<const N: usize>(
        &mut self,
        [_, c1, _]: &[Corner; 3],
        [once, through]: [[f64x2; N]; 2],
    ) -> [[f64x2; N]; 2] {
        self.middle.finish(c1, once, through)
    }

    /// Each half with the all-pass of the other's corner.
    #[inline]
    fn third<const N: usize>(
        &mut self,
        [c0, _, c2]: &[Corner; 3],
        [low, high]: [[f64x2; N]; 2],
    ) -> [[f64x2; N]; 2] {
        let (_, low) = self.low_delay.low_and_all_pass(c2, low);
        let (_, high) = self.high_delay.low_and_all_pass(c0, high);
        [low, high]
    }

    /// As the first, of both halves.
    #[inline]
    fn fourth<const N: usize>(
        &mut self,
        [c0, _, c2]: &[Corner; 3],
        [low, high]: [[f64x2; N]; 2],
    ) -> [[[f64x2; N]; 2]; 2] {
        [
            self.low.first.low_and_all_pass(c0, low).into(),
            self.high.first.low_and_all_pass(c2, high).into(),
        ]
    }

    /// The four bands.
    #[inline]
    fn fifth<const N: usize>(
        &mut self,
        [c0, _, c2]: &[Corner; 3],
        [low, high]: [[[f64x2; N]; 2]; 2],
    ) -> [[f64x2; N]; 4] {
        let [band0, band1] = self.low.finish(c0, low[0], low[1]);
        let [band2, band3] = self.high.finish(c2, high[0], high[1]);
        [band0, band1, band2, band3]
    }

    /// All steps over several frames.
    ///
    /// The steps of one frame wait for each other, and a processor can only look so far ahead for
    /// work of the next. So each round takes every step once, each on a later frame than the one
    /// after it: none of them waits.
    pub fn split<const N: usize>(
        &mut self,
        corners: &[Corner; 3],
        frames: &[[f64x2; N]],
        mut put: impl FnMut(usize, [[f64x2; N]; 4]),
    ) {
        let count = frames.len();
        let nothing = [[f64x2::ZERO; N]; 2];
        let (mut first, mut second, mut third) = (nothing, nothing, nothing);
        let mut fourth = [nothing; 2];
        let takes = |round: usize, steps_before: usize| round.wrapping_sub(steps_before) < count;
        for round in 0..count + 4 {
            if takes(round, 4) {
                put(round - 4, self.fifth(corners, fourth));
            }
            if takes(round, 3) {
                fourth = self.fourth(corners, third);
            }
            if takes(round, 2) {
                third = self.third(corners, second);
            }
            if takes(round, 1) {
                second = self.second(corners, first);
            }
            if let Some(frame) = frames.get(round) {
                first = self.first(corners, *frame);
            }
        }
    }
}
