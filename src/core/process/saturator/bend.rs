//! The curve over a quantum, eight samples at a time.

#![expect(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the wider registers"
)]

use fearless_simd::f32x8;
use fearless_simd::prelude::*;

use crate::dsp::quantum::Lane;

/// Settings of one quantum, a value for each frame.
pub(super) struct Bend {
    pub shoulder: Lane,
    pub room_above: Lane,
    pub room_below: Lane,
}

impl Bend {
    /// `curve(x) − x` of one phase.
    #[inline(always)]
    pub fn difference<S: Simd>(&self, simd: S, x: &Lane, out: &mut Lane) {
        let rows = x.as_chunks::<8>().0.iter().zip(out.as_chunks_mut::<8>().0);
        let none = simd.splat_f32x8(0.0);
        for ((x, out), row) in rows.zip(self.rows()) {
            let x = f32x8::simd_from(simd, *x);
            let positive = x.simd_gt(none);
            let [over, above, below] = over_and_rooms(simd, x, row);
            let loss = loss(simd, over, positive.select(above, below));
            *out = positive.select(-loss, loss).into();
        }
    }

    /// Adds by how much more each sample of one phase is bent for the lean.
    #[inline(always)]
    pub fn add_uneven<S: Simd>(&self, simd: S, x: &Lane, out: &mut Lane) {
        let rows = x.as_chunks::<8>().0.iter().zip(out.as_chunks_mut::<8>().0);
        let none = simd.splat_f32x8(0.0);
        for ((x, out), row) in rows.zip(self.rows()) {
            let x = f32x8::simd_from(simd, *x);
            let [over, above, below] = over_and_rooms(simd, x, row);
            let more = loss(simd, over, above) - loss(simd, over, below);
            let sum = f32x8::simd_from(simd, *out) + x.simd_gt(none).select(more, none);
            *out = sum.into();
        }
    }

    /// Shoulder, room above and room below, eight frames at a time.
    #[inline(always)]
    fn rows(&self) -> impl Iterator<Item = [&[f32; 8]; 3]> {
        let shoulders = self.shoulder.as_chunks::<8>().0.iter();
        let above = self.room_above.as_chunks::<8>().0;
        let below = self.room_below.as_chunks::<8>().0;
        let rows = shoulders.zip(above).zip(below);
        rows.map(|((shoulder, above), below)| [shoulder, above, below])
    }
}

/// How far samples stand over the shoulder, and the rooms above and below.
#[inline(always)]
fn over_and_rooms<S: Simd>(
    simd: S,
    x: f32x8<S>,
    [shoulder, above, below]: [&[f32; 8]; 3],
) -> [f32x8<S>; 3] {
    [
        x.abs() - f32x8::simd_from(simd, *shoulder),
        f32x8::simd_from(simd, *above),
        f32x8::simd_from(simd, *below),
    ]
}

/// What is lost of samples that stand so far over the shoulder.
#[inline(always)]
fn loss<S: Simd>(simd: S, over: f32x8<S>, room: f32x8<S>) -> f32x8<S> {
    let (none, one) = (simd.splat_f32x8(0.0), simd.splat_f32x8(1.0));
    let twice_room = room * 2.0;
    let v = (over / twice_room).max(none).min(one);
    let square = v * v;
    let bow = simd.splat_f32x8(7.0)
        - v * (simd.splat_f32x8(14.0) - v * (simd.splat_f32x8(10.0) - v * 2.5));
    let knee = twice_room * (square * square * v) * bow;
    let beyond = (over - twice_room).max(none);
    knee + beyond
}
