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
    /// Whether positive halves are bent more than negative ones.
    pub fn leans(&self) -> bool {
        self.room_above != self.room_below
    }

    /// `curve(x) − x` of one phase. To `uneven`, where it leans, is added by how much more each sample
    /// is bent for that.
    #[inline(always)]
    pub fn difference<S: Simd>(
        &self,
        simd: S,
        x: &Lane,
        out: &mut Lane,
        mut uneven: Option<&mut Lane>,
    ) {
        let rows = x.as_chunks::<8>().0.iter().zip(out.as_chunks_mut::<8>().0);
        let shoulders = self.shoulder.as_chunks::<8>().0.iter();
        let above = self.room_above.as_chunks::<8>().0;
        let rooms = above.iter().zip(self.room_below.as_chunks::<8>().0);
        let none = simd.splat_f32x8(0.0);
        for (row, (((x, out), shoulder), (above, below))) in
            rows.zip(shoulders).zip(rooms).enumerate()
        {
            let x = f32x8::simd_from(simd, *x);
            let positive = x.simd_gt(none);
            let over = x.abs() - f32x8::simd_from(simd, *shoulder);
            let below = f32x8::simd_from(simd, *below);
            let lost = loss(
                simd,
                over,
                positive.select(f32x8::simd_from(simd, *above), below),
            );
            *out = positive.select(-lost, lost).into();
            let sum = uneven.as_deref_mut();
            let sum = sum.and_then(|uneven| uneven.as_chunks_mut::<8>().0.get_mut(row));
            if let Some(sum) = sum {
                let more = lost - loss(simd, over, below);
                *sum = (f32x8::simd_from(simd, *sum) + more).into();
            }
        }
    }
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
