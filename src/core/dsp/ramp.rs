//! Parameters in motion: straight ramps counted in frames, so that no setting ever clicks.

/// Duration of the fade of every on/off switch, in ms.
pub const SWITCH_MS: f64 = 20.0;

/// `value` held to `low..=high`; not-a-number becomes `low`.
#[inline]
pub fn bounded(value: f64, low: f64, high: f64) -> f64 {
    if value >= low { value.min(high) } else { low }
}

/// Frames in `ms` milliseconds, rounded, at least 1.
#[expect(
    clippy::cast_sign_loss,
    reason = "at least 1, and a float cast saturates"
)]
pub fn frames_from_ms(sample_rate_hz: f64, ms: f64) -> u32 {
    (sample_rate_hz * ms / 1000.0).round().max(1.0) as u32
}

/// A value that moves to its target in a straight line of fixed length and arrives exactly.
///
/// The first target after `new` or `reset` is taken at once. The value is worked out from the
/// frames left, never summed up, so it does not matter in which portions the frames are counted.
#[derive(Clone, Copy, Debug)]
pub struct Ramp {
    length_frames: u32,
    left_frames: u32,
    target: f64,
    /// Change per frame while frames are left.
    slope: f64,
    primed: bool,
}

impl Ramp {
    /// A ramp that takes `length_ms` for any change. The first target is taken at once; until then
    /// the value is 0.
    pub fn new(sample_rate_hz: f64, length_ms: f64) -> Self {
        Self {
            length_frames: frames_from_ms(sample_rate_hz, length_ms),
            left_frames: 0,
            target: 0.0,
            slope: 0.0,
            primed: false,
        }
    }

    /// Forgets the past: the next target is taken at once.
    pub fn reset(&mut self) {
        *self = Self {
            length_frames: self.length_frames,
            left_frames: 0,
            target: 0.0,
            slope: 0.0,
            primed: false,
        };
    }

    /// Heads for `target` from wherever the value is now. The target it already has does not
    /// restart it; a non-finite one is ignored.
    #[inline]
    pub fn set_target(&mut self, target: f64) {
        self.set_target_within(target, 1.0);
    }

    /// The same, but takes only this share of the length for it: 0…1, and a frame at least.
    #[inline]
    #[expect(clippy::float_cmp, reason = "the very same target, not one nearby")]
    #[expect(
        clippy::cast_sign_loss,
        reason = "a share of a length is not negative, and a float cast saturates"
    )]
    pub fn set_target_within(&mut self, target: f64, share: f64) {
        if !self.primed {
            self.jump(target);
        } else if target.is_finite() && target != self.target {
            let from = self.value();
            let length = f64::from(self.length_frames) * bounded(share, 0.0, 1.0);
            self.left_frames = (length.round() as u32).max(1);
            self.slope = (target - from) / f64::from(self.left_frames);
            self.target = target;
        }
    }

    /// Takes `target` at once. A non-finite one is ignored.
    pub fn jump(&mut self, target: f64) {
        if target.is_finite() {
            self.target = target;
            self.left_frames = 0;
            self.primed = true;
        }
    }

    /// Where the value is now.
    #[inline]
    pub fn value(&self) -> f64 {
        if self.left_frames == 0 {
            self.target
        } else {
            self.target - self.slope * f64::from(self.left_frames)
        }
    }

    /// Where the value is going.
    pub fn target(&self) -> f64 {
        self.target
    }

    /// Whether the value has arrived.
    #[inline]
    pub fn is_settled(&self) -> bool {
        self.left_frames == 0
    }

    /// Moves on by one frame and returns the value there.
    #[inline]
    pub fn advance(&mut self) -> f64 {
        self.skip(1)
    }

    /// Moves on by `frames` and returns the value there.
    #[inline]
    pub fn skip(&mut self, frames: u32) -> f64 {
        self.left_frames = self.left_frames.saturating_sub(frames);
        self.value()
    }
}

/// A share of 0…1 without the corners of a straight line, which would be heard where nothing masks
/// them: `3s² − 2s³`.
#[inline]
pub fn smooth(share: f64) -> f64 {
    share * share * (3.0 - 2.0 * share)
}

/// An on/off switch that fades: 0 is off, 1 is on, [`SWITCH_MS`] from one to the other.
#[derive(Clone, Copy, Debug)]
pub struct Switch {
    ramp: Ramp,
}

impl Switch {
    /// A switch whose first setting is taken at once.
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            ramp: Ramp::new(sample_rate_hz, SWITCH_MS),
        }
    }

    /// Forgets the past: the next setting is taken at once.
    pub fn reset(&mut self) {
        self.ramp.reset();
    }

    /// Heads for on or off.
    pub fn set(&mut self, on: bool) {
        self.ramp.set_target(f64::from(u8::from(on)));
    }

    /// Whether it has arrived at off: what it switches need not run.
    pub fn is_off(&self) -> bool {
        self.ramp.is_settled() && self.ramp.target() < 0.5
    }

    /// Whether it has arrived at on.
    pub fn is_on(&self) -> bool {
        self.ramp.is_settled() && self.ramp.target() > 0.5
    }

    /// Moves on by one frame and returns the share of "on" there, 0…1.
    #[inline]
    pub fn advance(&mut self) -> f64 {
        self.ramp.advance()
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "exact arrival is the promise")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_first_target_is_taken_at_once_and_again_after_a_reset() {
        let mut ramp = Ramp::new(48_000.0, 20.0);
        ramp.set_target(-7.3);
        assert!(ramp.is_settled());
        assert_eq!(ramp.value(), -7.3);
        ramp.set_target(1.0);
        assert!(!ramp.is_settled());
        ramp.reset();
        ramp.set_target(5.0);
        assert_eq!(ramp.advance(), 5.0);
    }

    #[test]
    fn it_is_a_straight_line_that_arrives_exactly_on_its_last_frame() {
        let mut ramp = Ramp::new(1000.0, 10.0);
        ramp.set_target(0.1);
        ramp.set_target(0.7);
        for frame in 1..=9 {
            let expected = 0.1 + 0.06 * f64::from(frame);
            assert!((ramp.advance() - expected).abs() < 1e-15);
            assert!(!ramp.is_settled());
        }
        assert_eq!(ramp.advance(), 0.7);
        assert!(ramp.is_settled());
        assert_eq!(ramp.advance(), 0.7);
    }

    #[test]
    fn a_new_target_on_the_way_starts_from_where_the_value_is() {
        let mut ramp = Ramp::new(1000.0, 10.0);
        ramp.set_target(0.0);
        ramp.set_target(1.0);
        let middle = ramp.skip(5);
        ramp.set_target(-1.0);
        assert!((ramp.value() - middle).abs() < 1e-15);
        assert!((ramp.advance() - (middle - 0.15)).abs() < 1e-15);
        assert_eq!(ramp.skip(u32::MAX), -1.0);
    }

    #[test]
    fn a_share_of_the_length_is_as_straight_and_arrives_as_exactly() {
        let mut ramp = Ramp::new(1000.0, 10.0);
        ramp.set_target(0.0);
        ramp.set_target_within(1.0, 0.2);
        assert_eq!(ramp.advance(), 0.5);
        assert_eq!(ramp.advance(), 1.0);
        assert!(ramp.is_settled());
        ramp.set_target_within(2.0, 0.0);
        assert_eq!(ramp.advance(), 2.0);
        ramp.set_target_within(3.0, f64::NAN);
        assert_eq!(ramp.advance(), 3.0);
    }

    #[test]
    fn what_is_not_a_number_is_ignored_or_bounded() {
        let mut ramp = Ramp::new(1000.0, 10.0);
        ramp.set_target(f64::NAN);
        ramp.set_target(2.0);
        ramp.set_target(f64::NAN);
        ramp.set_target(f64::INFINITY);
        assert_eq!(ramp.advance(), 2.0);
        assert_eq!(bounded(f64::NAN, 1.0, 3.0), 1.0);
        assert_eq!(bounded(f64::INFINITY, 1.0, 3.0), 3.0);
        assert_eq!(bounded(f64::NEG_INFINITY, 1.0, 3.0), 1.0);
        assert_eq!(bounded(2.5, 1.0, 3.0), 2.5);
    }

    #[test]
    fn a_switch_takes_20_ms_from_off_to_on() {
        let mut switch = Switch::new(44_100.0);
        switch.set(false);
        assert!(switch.is_off());
        switch.set(true);
        for _ in 0..881 {
            let share = switch.advance();
            assert!(share > 0.0 && share < 1.0);
            assert!(!switch.is_on() && !switch.is_off());
        }
        assert_eq!(switch.advance(), 1.0);
        assert!(switch.is_on());
    }

    proptest! {
        #[test]
        fn portions_do_not_matter(portions in prop::collection::vec(0_u32..50, 1..20), from in -9.0..9.0, to in -9.0..9.0) {
            let mut whole = Ramp::new(8000.0, 31.7);
            whole.set_target(from);
            whole.set_target(to);
            let mut split = whole;
            for &frames in &portions {
                split.skip(frames);
            }
            for _ in 0..portions.iter().sum() {
                whole.advance();
            }
            prop_assert_eq!(whole.value().to_bits(), split.value().to_bits());
        }
    }
}
