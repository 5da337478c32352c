//! Points as curves over push: straight lines from one to the next.

use super::{PathFigures, Point};

/// Which of the two paths.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Path {
    /// The chain without its saturator.
    Clean,
    /// The chain with it.
    Saturated,
}

/// What can be asked of a path.
pub(super) type Figure = fn(&PathFigures) -> Option<f64>;

/// One figure of one path over push: the points at which it is known, by rising push.
#[derive(Debug)]
pub(super) struct Curve(Vec<(f64, f64)>);

impl Path {
    /// This path's figures.
    pub fn of(self, point: &Point) -> &PathFigures {
        match self {
            Self::Clean => &point.clean,
            Self::Saturated => &point.saturated,
        }
    }
}

impl Curve {
    /// `points` by rising push.
    pub fn new(points: &[Point], path: Path, figure: Figure) -> Self {
        let known = |point: &Point| {
            let value = figure(path.of(point)).filter(|value| value.is_finite())?;
            Some((point.push_db, value))
        };
        Self(points.iter().filter_map(known).collect())
    }

    /// Lowest and highest push.
    pub fn range(&self) -> Option<(f64, f64)> {
        Some((self.0.first()?.0, self.0.last()?.0))
    }

    /// Lowest push, and the value there.
    pub fn start(&self) -> Option<(f64, f64)> {
        self.0.first().copied()
    }

    /// Pushes at which the line has its corners.
    pub fn corners(&self) -> impl Iterator<Item = f64> {
        self.0.iter().map(|(push_db, _)| *push_db)
    }

    /// The value at a push; `None` outside the range.
    pub fn at(&self, push_db: f64) -> Option<f64> {
        let after = self.0.partition_point(|(at, _)| *at < push_db);
        let (high_at, high) = *self.0.get(after)?;
        if high_at == push_db {
            return Some(high);
        }
        let (low_at, low) = *self.0.get(after.checked_sub(1)?)?;
        Some(low + (high - low) * (push_db - low_at) / (high_at - low_at))
    }

    /// How much the value grows in the decibel after a push; `None` where that leaves the range.
    pub fn next_decibel(&self, push_db: f64) -> Option<f64> {
        Some(self.at(push_db + 1.0)? - self.at(push_db)?)
    }

    /// Lowest push at which the value is reached from below; `None` where that does not happen.
    pub fn reach(&self, value: f64) -> Option<f64> {
        if let Some((push_db, _)) = self.0.first().filter(|(_, first)| *first == value) {
            return Some(*push_db);
        }
        let crossing = |pair: &&[(f64, f64)]| pair[0].1 < value && value <= pair[1].1;
        let pair = self.0.windows(2).find(crossing)?;
        let ((low_at, low), (high_at, high)) = (pair[0], pair[1]);
        Some(low_at + (high_at - low_at) * (value - low) / (high - low))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(values: &[(f64, f64)]) -> Curve {
        Curve(values.to_vec())
    }

    // Straight lines: their values are known in closed form.
    #[test]
    fn values_lie_on_straight_lines() {
        let curve = curve(&[(0.0, -20.0), (2.0, -18.0), (6.0, -17.0)]);
        assert_eq!(curve.at(0.0), Some(-20.0));
        assert_eq!(curve.at(1.0), Some(-19.0));
        assert_eq!(curve.at(4.0), Some(-17.5));
        assert_eq!(curve.at(6.0), Some(-17.0));
        assert_eq!((curve.at(-0.1), curve.at(6.1)), (None, None));
        assert_eq!(curve.next_decibel(1.5), Some(0.625));
        assert_eq!(curve.next_decibel(5.5), None);
    }

    #[test]
    fn a_value_is_reached_at_the_lowest_push_that_has_it() {
        let curve = curve(&[(0.0, -20.0), (2.0, -18.0), (4.0, -18.0), (6.0, -17.0)]);
        assert_eq!(curve.reach(-20.0), Some(0.0));
        assert_eq!(curve.reach(-19.0), Some(1.0));
        assert_eq!(curve.reach(-18.0), Some(2.0));
        assert_eq!(curve.reach(-17.5), Some(5.0));
        assert_eq!((curve.reach(-20.1), curve.reach(-16.9)), (None, None));
    }

    #[test]
    fn without_points_there_is_no_value() {
        let curve = curve(&[]);
        assert_eq!((curve.range(), curve.at(0.0)), (None, None));
        assert_eq!((curve.next_decibel(0.0), curve.reach(0.0)), (None, None));
    }
}
