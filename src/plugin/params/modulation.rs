//! What modulation adds to parameters, and what is set of them meanwhile.
//!
//! The framework drops a value that is set while modulation holds the parameter at an end of its
//! range, for nothing comes of it then: it would be missing once the modulation ends, from what is
//! saved, and from what the host is told. Here modulation is taken away for as long as it takes to set.

use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};

use nice_plug::prelude::ParamPtr;

/// Modulation of all parameters of an instance, in their order. Without [`begin`](Self::begin) there
/// is none.
#[derive(Debug, Default)]
pub struct Modulation {
    moved: OnceLock<Box<[Moved]>>,
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
            param._internal_modulate_value(0.0);
            param._internal_set_normalized_value(normalized);
            param._internal_modulate_value(by);
            param.modulated_normalized_value() != before
        }
    }

    /// Runs `load` with nothing added to any of these, which are all.
    ///
    /// # Safety
    /// `params` are alive.
    #[expect(unsafe_code, reason = "as above")]
    pub unsafe fn without<T>(&self, params: &[ParamPtr], load: impl FnOnce() -> T) -> T {
        let moved = |(index, param): (usize, &ParamPtr)| {
            let by = self.by(index);
            (by != 0.0).then_some((*param, by))
        };
        let moved: Vec<_> = params.iter().enumerate().filter_map(moved).collect();
        let add = |share: f32| {
            for (param, by) in &moved {
                // SAFETY: the caller's promise.
                unsafe { param._internal_modulate_value(share * by) };
            }
        };
        add(0.0);
        let loaded = load();
        add(1.0);
        loaded
    }
}
