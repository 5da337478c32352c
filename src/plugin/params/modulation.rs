//! What modulation adds to parameters, and what is set of them meanwhile.
//!
//! The framework drops a value that is set while modulation holds the parameter at an end of its
//! range, for nothing comes of it then: it would be missing once the modulation ends, from what is
//! saved, and from what the host is told. Here modulation is taken away for as long as it takes to set,
//! of which nothing may be heard: push alone may be 18 dB more without it.

use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};

use nice_plug::prelude::ParamPtr;

use super::Whole;

/// Modulation of all parameters of an instance, in their order. Without [`begin`](Self::begin) there
/// is none.
#[derive(Debug, Default)]
pub struct Modulation {
    moved: OnceLock<Box<[Moved]>>,
    /// Whether it is taken away just now.
    pub away: Whole,
}

/// Of one parameter, bits of normalised values.
#[derive(Debug)]
struct Moved {
    /// What is added.
    by: AtomicU32,
    /// What the host has set since it was last seen to; not a number for nothing.
    set: AtomicU32,
}

impl Modulation {
    /// Makes room for so many parameters, once. Allocates.
    pub fn begin(&self, count: usize) {
        let moved = (0..count).map(|_| Moved {
            by: AtomicU32::new(0.0_f32.to_bits()),
            set: AtomicU32::new(f32::NAN.to_bits()),
        });
        self.moved.get_or_init(|| moved.collect());
    }

    fn moved(&self, index: usize) -> Option<&Moved> {
        self.moved.get()?.get(index)
    }

    /// What is added to the parameter at this place.
    fn by(&self, index: usize) -> f32 {
        let by = |moved: &Moved| f32::from_bits(moved.by.load(Ordering::Relaxed));
        self.moved(index).map_or(0.0, by)
    }

    /// The host moves a parameter by this much.
    ///
    /// # Realtime
    /// Yes.
    pub fn is_moved(&self, index: usize, by: f32) {
        if let Some(moved) = self.moved(index).filter(|_| by.is_finite()) {
            moved.by.store(by.to_bits(), Ordering::Relaxed);
        }
    }

    /// The host sets a parameter, of which the framework may make nothing.
    ///
    /// # Realtime
    /// Yes.
    pub fn is_set(&self, index: usize, normalized: f32) {
        let moved = self.moved(index).filter(|_| self.by(index) != 0.0);
        if let Some(moved) = moved.filter(|_| normalized.is_finite()) {
            moved.set.store(normalized.to_bits(), Ordering::Relaxed);
        }
    }

    /// What the host has set of the parameter at this place, once.
    ///
    /// # Realtime
    /// Yes.
    pub fn take_set(&self, index: usize) -> Option<f32> {
        let set = &self.moved(index)?.set;
        let value = f32::from_bits(set.load(Ordering::Relaxed));
        let any = !value.is_nan();
        any.then(|| set.store(f32::NAN.to_bits(), Ordering::Relaxed))?;
        Some(value)
    }

    /// Sets the parameter at this place, whatever is added to it. Whether what it comes to is another.
    ///
    /// # Safety
    /// `param` is alive.
    ///
    /// # Realtime
    /// Yes: a few atomic stores.
    #[expect(
        unsafe_code,
        reason = "the framework hands parameters out as raw pointers only"
    )]
    pub unsafe fn set(&self, index: usize, param: ParamPtr, normalized: f32) -> bool {
        let by = self.by(index);
        // SAFETY: the caller's promise.
        unsafe {
            if by == 0.0 {
                return param._internal_set_normalized_value(normalized);
            }
            let before = param.modulated_normalized_value();
            self.away.during(|| {
                param._internal_modulate_value(0.0);
                param._internal_set_normalized_value(normalized);
                param._internal_modulate_value(by);
            });
            param.modulated_normalized_value() != before
        }
    }

    /// Runs `load` with nothing added to any of these, which are all.
    ///
    /// # Safety
    /// `params` are alive.
    #[expect(unsafe_code, reason = "as above")]
    pub unsafe fn without<T>(&self, params: &[ParamPtr], load: impl FnOnce() -> T) -> T {
        let modulate = |by: &dyn Fn(usize) -> f32| {
            for (index, param) in params.iter().enumerate() {
                // SAFETY: the caller's promise.
                unsafe { param._internal_modulate_value(by(index)) };
            }
        };
        self.away.during(|| {
            modulate(&|_| 0.0);
            let loaded = load();
            // What has come with a block meanwhile counts.
            modulate(&|index| self.by(index));
            loaded
        })
    }
}

#[cfg(test)]
#[expect(
    unsafe_code,
    reason = "the framework hands parameters out as raw pointers only"
)]
mod tests {
    use super::super::CrestlineParams;
    use nice_plug::prelude::Param;
    use std::sync::atomic::{AtomicBool, Ordering};
    use std::thread;

    #[test]
    fn nothing_is_read_of_what_is_set_while_modulation_is_away() {
        let params = CrestlineParams::default();
        let push = params.push.as_ptr();
        let all = params.pointers();
        let index = all.iter().position(|param| *param == push).unwrap();
        let modulation = &params.modulation;
        modulation.begin(all.len());
        modulation.is_moved(index, -1.0);
        let over = AtomicBool::new(false);
        let highest_db = thread::scope(|scope| {
            scope.spawn(|| {
                for turn in 0..500_000 {
                    let set = if turn % 2 == 0 { 0.9 } else { 0.8 };
                    // SAFETY: a pointer into `params`.
                    unsafe { modulation.set(index, params.push.as_ptr(), set) };
                }
                over.store(true, Ordering::Relaxed);
            });
            let mut highest_db = f32::MIN;
            while !over.load(Ordering::Relaxed) || highest_db == f32::MIN {
                let read = modulation.away.read(|| params.push.value());
                highest_db = read.map_or(highest_db, |db| highest_db.max(db));
            }
            highest_db
        });
        assert_eq!(highest_db, 0.0);
        let set = params.push.unmodulated_normalized_value();
        assert!((set - 0.8).abs() < 1e-6, "{set}");
    }
}
