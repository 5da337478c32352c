//! Four numbers at once: two channels, each of two things that take the same steps.
//!
//! The build asks for no more than every processor of its kind has. What is written for a
//! [`Simd`] is compiled once for each set of instructions, and at [`Level`], found out when a unit
//! is made, the widest that the machine has is taken. Nothing is fused and every operation rounds
//! once, so all of them come to the same to the last bit.
//!
//! Only what is inlined is compiled for the wider registers: functions that are always inlined and
//! loops, no closures that hold registers, nor `map` over arrays of them.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use fearless_simd::prelude::*;
use fearless_simd::{f64x2, f64x4};

pub use fearless_simd::{Level, dispatch};

/// Four numbers in memory: a pair of channels, and another pair.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[repr(align(32))]
pub struct Quad(pub [f64; 4]);

impl Quad {
    /// Zero four times.
    pub const ZERO: Self = Self([0.0; 4]);

    /// The first pair twice, then the second.
    pub const fn of_two(first: f64, second: f64) -> Self {
        Self([first, first, second, second])
    }

    /// Two pairs.
    #[inline]
    pub fn of_pairs(first: wide::f64x2, second: wide::f64x2) -> Self {
        let ([a, b], [c, d]) = (first.to_array(), second.to_array());
        Self([a, b, c, d])
    }

    /// The numbers in a register.
    #[inline(always)]
    pub fn load<S: Simd>(&self, simd: S) -> f64x4<S> {
        f64x4::simd_from(simd, self.0)
    }

    /// The numbers of a register.
    #[inline(always)]
    pub fn of<S: Simd>(register: f64x4<S>) -> Self {
        Self(register.into())
    }

    /// The pairs.
    #[inline]
    pub fn pairs(&self) -> [wide::f64x2; 2] {
        let Self([a, b, c, d]) = *self;
        [wide::f64x2::new([a, b]), wide::f64x2::new([c, d])]
    }
}

/// A pair in a register.
#[inline(always)]
pub fn pair<S: Simd>(simd: S, of: wide::f64x2) -> f64x2<S> {
    f64x2::simd_from(simd, of.to_array())
}

/// Two pairs as one.
#[inline(always)]
pub fn joined<S: Simd>(first: f64x2<S>, second: f64x2<S>) -> f64x4<S> {
    first.combine(second)
}

/// The pairs in each other's place.
#[inline(always)]
pub fn exchanged<S: Simd>(of: f64x4<S>) -> f64x4<S> {
    let (first, second) = of.split();
    second.combine(first)
}

/// The first pair of one and the second of another.
#[inline(always)]
pub fn first_and_second<S: Simd>(first: f64x4<S>, second: f64x4<S>) -> f64x4<S> {
    let (first, _) = first.split();
    let (_, second) = second.split();
    first.combine(second)
}

/// Every level that this machine has.
#[cfg(test)]
pub(crate) fn levels() -> Vec<Level> {
    let mut levels = vec![Level::baseline()];
    #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
    {
        let widest = Level::new();
        levels.extend(widest.as_sse4_2().map(Simd::level));
        levels.extend(widest.as_avx2().map(Simd::level));
    }
    levels.push(Level::new());
    levels
}
