//! An axis that fits itself to what is shown without ever being restless.

/// Time constant of the way to a new range, seconds.
const EASING_S: f64 = 0.25;
/// A range that has become too wide is kept this long, seconds.
const PATIENCE_S: f64 = 8.0;
/// Closer than this share of its span, an axis has arrived.
const ARRIVED: f64 = 1e-3;

fn same(one: [f64; 2], other: [f64; 2]) -> bool {
    one.iter()
        .zip(other)
        .all(|(one, other)| (one - other).abs() < 1e-9)
}

/// A range of values along one side of a plot.
///
/// It widens as soon as something would lie outside, narrows only when that has been possible for
/// some seconds, always ends on whole steps, and moves to a new range smoothly.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Axis {
    shown: [f64; 2],
    aim: [f64; 2],
    step: f64,
    least_span: f64,
    too_wide_s: f64,
}

impl Axis {
    /// An axis that begins with `low`…`high`, ends on multiples of `step` and is never shorter than
    /// `least_span`.
    pub const fn new([low, high]: [f64; 2], step: f64, least_span: f64) -> Self {
        Self {
            shown: [low, high],
            aim: [low, high],
            step,
            least_span,
            too_wide_s: 0.0,
        }
    }

    /// Takes the range of what is shown now (`None`: nothing, the axis stays) after `elapsed_s`.
    /// True while the axis moves.
    pub fn follow(&mut self, wanted: Option<[f64; 2]>, elapsed_s: f64) -> bool {
        if let Some(range) = wanted.filter(|range| range.iter().all(|end| end.is_finite())) {
            let needed = self.whole_steps(range, 0.0);
            let fit = self.whole_steps(range, self.least_span);
            let grown = [needed[0].min(self.aim[0]), needed[1].max(self.aim[1])];
            if !same(grown, self.aim) {
                self.aim = grown;
                self.too_wide_s = 0.0;
            } else if fit[1] - fit[0] < self.aim[1] - self.aim[0] - 0.5 * self.step {
                self.too_wide_s += elapsed_s;
                if self.too_wide_s > PATIENCE_S {
                    self.aim = fit;
                    self.too_wide_s = 0.0;
                }
            } else {
                self.too_wide_s = 0.0;
            }
        }
        if same(self.shown, self.aim) {
            return false;
        }
        let share = 1.0 - (-elapsed_s.max(0.0) / EASING_S).exp();
        let near = ARRIVED * (self.aim[1] - self.aim[0]);
        for (shown, aim) in self.shown.iter_mut().zip(self.aim) {
            *shown += (aim - *shown) * share;
            if (aim - *shown).abs() < near {
                *shown = aim;
            }
        }
        !same(self.shown, self.aim)
    }

    /// Goes to where it is heading at once.
    pub fn settle(&mut self) {
        self.shown = self.aim;
    }

    fn whole_steps(&self, [low, high]: [f64; 2], least_span: f64) -> [f64; 2] {
        let missing = (least_span - (high - low)).max(0.0) / 2.0;
        [
            ((low - missing) / self.step).floor() * self.step,
            ((high + missing) / self.step).ceil() * self.step,
        ]
    }

    /// Both ends, as shown.
    pub fn range(&self) -> [f64; 2] {
        self.shown
    }

    /// How far along the axis a value lies: 0 at the low end, 1 at the high end, beyond outside.
    pub fn share(&self, value: f64) -> f32 {
        let [low, high] = self.shown;
        ((value - low) / (high - low)) as f32
    }

    /// The value at a share of the axis.
    pub fn value(&self, share: f32) -> f64 {
        let [low, high] = self.shown;
        low + f64::from(share) * (high - low)
    }

    /// Whole multiples of `every` within the axis.
    pub fn ticks(&self, every: f64) -> impl Iterator<Item = f64> + use<> {
        let [low, high] = self.shown;
        let first = (low / every - 1e-6).ceil() as i32;
        let last = (high / every + 1e-6).floor() as i32;
        (first..=last).map(move |tick| f64::from(tick) * every)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn axis() -> Axis {
        Axis::new([-24.0, -6.0], 3.0, 9.0)
    }

    #[test]
    fn it_widens_at_once_and_arrives_smoothly() {
        let mut axis = axis();
        assert!(axis.follow(Some([-25.0, -8.0]), 0.02));
        let [low, _] = axis.range();
        assert!(low < -24.0 && low > -27.0);
        for _ in 0..200 {
            axis.follow(Some([-25.0, -8.0]), 0.02);
        }
        assert!(same(axis.range(), [-27.0, -6.0]));
        assert!(!axis.follow(Some([-25.0, -8.0]), 0.02));
    }

    #[test]
    fn it_narrows_only_after_a_while() {
        let mut axis = axis();
        for _ in 0..79 {
            assert!(!axis.follow(Some([-14.0, -8.0]), 0.1));
        }
        for _ in 0..60 {
            axis.follow(Some([-14.0, -8.0]), 0.1);
        }
        assert!(same(axis.range(), [-18.0, -6.0]));
    }

    #[test]
    fn what_comes_and_goes_does_not_move_it() {
        let mut axis = axis();
        for step in 0..600 {
            let low = if step % 50 == 0 { -23.0 } else { -12.0 };
            assert!(!axis.follow(Some([low, -7.0]), 0.1));
        }
        assert!(!axis.follow(None, 100.0));
        assert!(!axis.follow(Some([f64::NAN, 0.0]), 100.0));
    }

    #[test]
    fn shares_and_values_are_each_others_inverse() {
        let axis = axis();
        assert!((axis.share(-24.0)).abs() < 1e-6);
        assert!((axis.share(-6.0) - 1.0).abs() < 1e-6);
        assert!((axis.value(axis.share(-10.0)) + 10.0).abs() < 1e-5);
        let ticks: Vec<f64> = axis.ticks(6.0).collect();
        assert_eq!(ticks.len(), 4);
        assert!((ticks[1] + 18.0).abs() < 1e-9);
    }
}
