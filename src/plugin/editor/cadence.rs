//! Text that changes at a pace to be read: five times a second, all of it in the same frame.
//! Graphics go along with every frame.

use std::fmt::Debug;
use std::hash::Hash;
use std::time::Duration;

use egui::Ui;

/// Time between two changes, seconds.
const INTERVAL_S: f64 = 0.2;

/// What is shown of a value that may be another in every frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Cadence<T> {
    shown: T,
    beat: f64,
}

impl<T: PartialEq> Cadence<T> {
    /// Shows `value` from `now_s` on, seconds of any clock that runs forward.
    pub fn new(now_s: f64, value: T) -> Self {
        Self {
            shown: value,
            beat: beat(now_s),
        }
    }

    /// Takes the value of now; to be called in every frame. Where it is not shown yet, returns the
    /// time until it may be, seconds.
    ///
    /// The fifths of a second are those of the clock, so that all values change together.
    pub fn follow(&mut self, now_s: f64, value: T) -> Option<f64> {
        let now = beat(now_s);
        // Exact: both are whole numbers.
        let due = now.to_bits() != self.beat.to_bits();
        self.beat = now;
        if due {
            self.shown = value;
            None
        } else {
            (value != self.shown).then_some((now + 1.0) * INTERVAL_S - now_s)
        }
    }

    /// What is shown.
    pub fn shown(&self) -> &T {
        &self.shown
    }
}

fn beat(now_s: f64) -> f64 {
    (now_s / INTERVAL_S).floor()
}

/// What is to be shown of `value`, which is known within `ui` as `what`. Asks for the frame in
/// which it changes, if it does.
pub fn paced<T>(ui: &Ui, what: impl Hash + Debug, value: T) -> T
where
    T: Clone + PartialEq + Send + Sync + 'static,
{
    let id = ui.scope_id().with(("cadence", what));
    let now_s = ui.input(|input| input.time);
    let kept: Option<Cadence<T>> = ui.data(|data| data.get_temp(id));
    let mut cadence = kept.unwrap_or_else(|| Cadence::new(now_s, value.clone()));
    if let Some(wait_s) = cadence.follow(now_s, value) {
        // A hair later, so that the beat has come whatever rounding does.
        let wait = Duration::from_secs_f64(wait_s.max(0.0) + 0.002);
        ui.ctx().request_repaint_after(wait);
    }
    let shown = cadence.shown().clone();
    ui.data_mut(|data| data.insert_temp(id, cadence));
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn at_60_frames_a_second_text_changes_five_times() {
        let mut cadence = Cadence::new(0.0, 0);
        let mut changes = Vec::new();
        for frame in 1..=120 {
            let now_s = f64::from(frame) / 60.0;
            let before = *cadence.shown();
            cadence.follow(now_s, frame);
            if *cadence.shown() != before {
                changes.push(frame);
            }
        }
        assert_eq!(changes.len(), 10, "{changes:?}");
        for pair in changes.windows(2) {
            assert!((11..=13).contains(&(pair[1] - pair[0])), "{changes:?}");
        }
    }

    #[test]
    fn all_values_change_in_the_same_frame() {
        let [mut early, mut late] = [Cadence::new(10.01, "a"), Cadence::new(10.15, "a")];
        for now_s in [10.16, 10.19] {
            assert!(early.follow(now_s, "b").is_some() && late.follow(now_s, "b").is_some());
            assert_eq!([*early.shown(), *late.shown()], ["a"; 2]);
        }
        assert!(early.follow(10.21, "b").is_none() && late.follow(10.21, "b").is_none());
        assert_eq!([*early.shown(), *late.shown()], ["b"; 2]);
    }

    #[test]
    fn what_is_not_shown_yet_is_announced() {
        let mut cadence = Cadence::new(1.0, 1);
        assert!((cadence.follow(1.05, 2).unwrap() - 0.15).abs() < 1e-9);
        assert_eq!(cadence.follow(1.06, 1), None, "it is what is shown");
        // After a rest nothing is waited for.
        assert_eq!(cadence.follow(7.03, 5), None);
        assert_eq!(*cadence.shown(), 5);
    }
}
