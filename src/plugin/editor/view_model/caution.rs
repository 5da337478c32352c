//! When the caution about loud sound is due: where the push rises by much at once.

/// A rise of the push that is one to be warned of, dB.
const RISE_DB: f64 = 3.0;
/// What happens within this time happens at once, seconds.
const AT_ONCE_S: f64 = 1.0;
/// How long the caution stays, seconds.
const SHOWN_S: f64 = 10.0;

/// Follows the push.
#[derive(Clone, Copy, Debug, Default)]
pub struct Caution {
    /// The push from which the present rise began, dB, and when it was last there, seconds.
    from: Option<(f64, f64)>,
    /// When the caution ends, seconds.
    until: Option<f64>,
    /// The time of the frame before, seconds.
    last_s: f64,
}

impl Caution {
    /// Takes in the push at a time.
    pub fn follow(&mut self, push_db: f64, now_s: f64) {
        // A window that is opened again counts its time anew, and what was shown is shown again.
        if now_s < self.last_s {
            self.until = self.until.map(|_| now_s + SHOWN_S);
        }
        self.last_s = now_s;
        let from = self.from.filter(|(_, at_s)| *at_s <= now_s);
        let (from_db, at_s) = from.unwrap_or((push_db, now_s));
        if push_db > from_db + RISE_DB && now_s - at_s <= AT_ONCE_S {
            self.until = Some(now_s + SHOWN_S);
        }
        self.from = if push_db <= from_db || now_s - at_s > AT_ONCE_S {
            Some((push_db, now_s))
        } else {
            Some((from_db, at_s))
        };
        self.until = self.until.filter(|until| now_s < *until);
    }

    /// Shows it for a while from now on.
    pub fn remind(&mut self, now_s: f64) {
        self.until = Some(now_s + SHOWN_S);
    }

    /// Whether it is to be shown.
    pub fn is_due(&self) -> bool {
        self.until.is_some()
    }

    /// Seconds until it is put away; `None` while it is not shown.
    pub fn ends_in(&self, now_s: f64) -> Option<f64> {
        self.until.map(|until| (until - now_s).max(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sudden_rise_is_warned_of_for_a_while() {
        let mut caution = Caution::default();
        caution.follow(0.0, 0.0);
        caution.follow(2.0, 0.3);
        assert!(!caution.is_due());
        caution.follow(3.5, 0.8);
        assert!(caution.is_due());
        caution.follow(3.5, 5.0);
        assert!(caution.is_due());
        caution.follow(3.5, 10.9);
        assert!(!caution.is_due());
    }

    #[test]
    fn a_slow_rise_and_a_fall_are_not() {
        let mut caution = Caution::default();
        for step in 0..40_u8 {
            let at = f64::from(step) * 0.5;
            caution.follow(0.25 * f64::from(step), at);
            assert!(!caution.is_due(), "{at} s");
        }
        caution.follow(0.0, 20.5);
        assert!(!caution.is_due());
        caution.remind(20.5);
        assert!(caution.is_due());
    }
}
