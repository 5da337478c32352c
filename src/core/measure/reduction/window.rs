//! The last 40 ms of a pair of signals in four bands, and what of the second a gain of each band of
//! the first explains.
//!
//! Two windows lie over one another. The long one tells the gains, and the share of the lowest band
//! that its gain leaves over: a shorter one could not tell its tones apart. The short one in its
//! middle tells what is left over of the other bands and of the whole: a limiter turns a drum hit
//! down and lets go again within the long window, and all that a gain does is to count as gain.

use crate::dsp::solve::solve;
use std::f64::consts::PI;
use wide::f64x4;

/// Slots in a second; a slot is what the products are summed up over.
pub(super) const SLOTS_PER_SECOND: u64 = 800;
/// Slots in a long window: 40 ms, which a Hann window weighs like 20 ms.
pub(super) const SLOTS: usize = 32;
/// Slots in a short window: 20 ms.
const SHORT_SLOTS: usize = 16;
/// Slots from one window to the next: 10 ms. At this overlap the windows of either length weigh
/// every moment the same.
pub(super) const SLOTS_PER_UPDATE: u64 = 8;
/// Where the energy lies closer together than this part of the window (squared), no slope of the
/// gain can be told.
const LEAST_SPREAD: f64 = 1e-6;
/// How strongly the gains of the four bands are held to what each band says by itself: a share of
/// the band's energy and one of all bands' energy, which keeps a faint band from taking up what the
/// fit leaves over of a loud one.
const HOLD: f64 = 0.01;
const HOLD_FAINT: f64 = 3e-5;
/// How strongly what moves within a window speaks against what its four gains say beyond each
/// band's own: half of that is left where a ten-thousandth of the energy is explained by movement.
const DOUBT: f64 = 10_000.0;

/// Weight and time (in windows, from its middle) of each slot of a window in the middle of the last
/// [`SLOTS`].
#[derive(Clone, Debug)]
struct Shape(Box<[[f64x4; 2]]>);

impl Shape {
    fn new(slots: usize) -> Self {
        let slot = |slot| {
            let time = (slot as f64 + 0.5) / slots as f64;
            [
                f64x4::splat(0.5 - 0.5 * (2.0 * PI * time).cos()),
                f64x4::splat(time - 0.5),
            ]
        };
        Self((0..slots).map(slot).collect())
    }

    /// Weight, time and content of the slots in the window.
    fn over<'a, T: Copy + Default>(
        &'a self,
        slots: &'a Slots<T>,
    ) -> impl Iterator<Item = (f64x4, f64x4, &'a T)> {
        let around = SLOTS.saturating_sub(self.0.len()) / 2;
        let within = slots.oldest_first().skip(around);
        self.0
            .iter()
            .zip(within)
            .map(|([weight, time], slot)| (*weight, *time, slot))
    }

    /// What makes of a weighted sum over the window a mean a frame.
    fn per_frame(&self, frames_per_slot: f64) -> f64 {
        let weights = self.0.len() as f64 / 2.0;
        1.0 / (weights * frames_per_slot.max(1.0))
    }
}

/// The windows. Making them allocates.
#[derive(Clone, Debug)]
pub(super) struct Windows {
    long: Shape,
    short: Shape,
}

impl Windows {
    pub fn new() -> Self {
        Self {
            long: Shape::new(SLOTS),
            short: Shape::new(SHORT_SLOTS),
        }
    }

    /// The first signal in both windows.
    pub fn before(&self, own: &Slots<BeforeSlot>) -> [Before; 2] {
        [&self.long, &self.short].map(|shape| Before::new(shape, own))
    }

    /// What both windows say about a signal and itself: nothing is turned down or left over.
    pub fn alike(&self, own: &Slots<BeforeSlot>, frames_per_slot: f64) -> Fit {
        let energies = |shape: &Shape| {
            let mut sum = BeforeSlot::default();
            for (weight, _, own) in shape.over(own) {
                sum.add(&own.scaled(weight));
            }
            sum.scaled(f64x4::splat(shape.per_frame(frames_per_slot)))
        };
        let [long, short] = [&self.long, &self.short].map(energies);
        let gain = ratio(long.same, long.same).to_array();
        let (xx, mut yy) = (long.same.to_array(), short.same.to_array());
        yy[0] = xx[0];
        Fit {
            xx,
            through: xx,
            gain,
            no_lower: gain,
            explained: gain,
            yy,
            residual: [0.0; 4],
            whole: short.matrix().iter().flatten().sum(),
            whole_residual: 0.0,
        }
    }

    /// What both windows say about a pair.
    pub fn fit(
        &self,
        [long, short]: &[Before; 2],
        pair: &Slots<PairSlot>,
        frames_per_slot: f64,
    ) -> Fit {
        let long = Fit::new(&self.long, long, pair, frames_per_slot);
        let mut fit = Fit::new(&self.short, short, pair, frames_per_slot);
        (fit.xx, fit.through) = (long.xx, long.through);
        (fit.gain, fit.explained) = (long.gain, long.explained);
        fit.no_lower = long.no_lower;
        (fit.yy[0], fit.residual[0]) = (long.yy[0], long.residual[0]);
        fit
    }
}

/// Products of the bands x of the first signal with each other, summed over a stretch.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct BeforeSlot {
    /// Each band with itself.
    pub same: f64x4,
    /// Bands 0·1, 1·2, 2·3 and 0·2.
    pub near: f64x4,
    /// Bands 1·3 and 0·3.
    pub far: f64x4,
}

impl BeforeSlot {
    fn matrix(&self) -> [[f64; 4]; 4] {
        let ([a, b, c, d], [ab, bc, cd, ac]) = (self.same.to_array(), self.near.to_array());
        let [bd, ad, ..] = self.far.to_array();
        [
            [a, ab, ac, ad],
            [ab, b, bc, bd],
            [ac, bc, c, cd],
            [ad, bd, cd, d],
        ]
    }

    fn scaled(&self, factor: f64x4) -> Self {
        Self {
            same: factor * self.same,
            near: factor * self.near,
            far: factor * self.far,
        }
    }

    fn add(&mut self, other: &Self) {
        self.same += other.same;
        self.near += other.near;
        self.far += other.far;
    }
}

/// Products of the bands x of the first signal and y of the second, summed over a stretch.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct PairSlot {
    /// Each band of the first with the same band of the second.
    pub xy: f64x4,
    /// Each band of the second with itself.
    pub yy: f64x4,
    /// Each band of the first with the sum of the bands of the second.
    pub xs: f64x4,
    /// That sum with itself, in every lane.
    pub ss: f64x4,
}

/// The last slots, oldest first from `head`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Slots<T> {
    values: [T; SLOTS],
    head: usize,
}

impl<T: Copy + Default> Slots<T> {
    pub fn new() -> Self {
        Self {
            values: [T::default(); SLOTS],
            head: 0,
        }
    }

    pub fn push(&mut self, value: T) {
        if let Some(slot) = self.values.get_mut(self.head) {
            *slot = value;
        }
        self.head = (self.head + 1) % SLOTS;
    }

    fn oldest_first(&self) -> impl Iterator<Item = &T> {
        let (newer, older) = self.values.split_at(self.head);
        older.iter().chain(newer)
    }
}

/// The first signal in a window: its products, weighted by the window and by the window times time
/// once and twice.
#[derive(Clone, Copy, Debug)]
pub(super) struct Before {
    moments: [BeforeSlot; 3],
    /// Middle of each band's energy and its spread about that.
    centre: f64x4,
    spread: f64x4,
}

impl Before {
    fn new(shape: &Shape, own: &Slots<BeforeSlot>) -> Self {
        let mut moments = [BeforeSlot::default(); 3];
        for (weight, time, own) in shape.over(own) {
            let mut own = own.scaled(weight);
            for moment in &mut moments {
                moment.add(&own);
                own = own.scaled(time);
            }
        }
        let [sum, moment, _] = moments;
        let centre = ratio(moment.same, sum.same);
        let mut spread = f64x4::ZERO;
        for (weight, time, own) in shape.over(own) {
            let time = time - centre;
            spread += time * time * (weight * own.same);
        }
        Self {
            moments,
            centre,
            spread,
        }
    }
}

/// What a window says about a pair: energies a frame.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fit {
    /// Energy of each band of the first signal.
    pub xx: [f64; 4],
    /// Energy of each band of the second signal in the window that tells the gain.
    pub through: [f64; 4],
    /// Gain of each band, linear.
    pub gain: [f64; 4],
    /// The same where it is not told lower than it was: beside a gain that jumps within the window,
    /// four straight lines overshoot.
    pub no_lower: [f64; 4],
    /// Share of each band of the second signal that the same band of the first explains.
    pub explained: [f64; 4],
    /// Energy of each band of the second signal in the window that tells what is left over, and the
    /// part of it that no gain of the band explains.
    pub yy: [f64; 4],
    pub residual: [f64; 4],
    /// The same of the whole second signal: the part that no four gains explain.
    pub whole: f64,
    pub whole_residual: f64,
}

impl Fit {
    /// Of two channels together: energies add up, and a gain is their mean, weighted by the energy
    /// that it acts on.
    pub fn and(&self, other: &Self) -> Self {
        let sum = |of: fn(&Self) -> [f64; 4]| -> [f64; 4] {
            let (a, b) = (of(self), of(other));
            std::array::from_fn(|band| a[band] + b[band])
        };
        let mean = |value: fn(&Self) -> [f64; 4], weight: fn(&Self) -> [f64; 4]| -> [f64; 4] {
            let sums = sum(weight);
            std::array::from_fn(|band| {
                let weighted = |fit: &Self| value(fit)[band] * weight(fit)[band];
                if sums[band] > 0.0 {
                    (weighted(self) + weighted(other)) / sums[band]
                } else {
                    0.0
                }
            })
        };
        Self {
            xx: sum(|fit| fit.xx),
            through: sum(|fit| fit.through),
            gain: mean(|fit| fit.gain, |fit| fit.xx),
            no_lower: mean(|fit| fit.no_lower, |fit| fit.xx),
            explained: mean(|fit| fit.explained, |fit| fit.through),
            yy: sum(|fit| fit.yy),
            residual: sum(|fit| fit.residual),
            whole: self.whole + other.whole,
            whole_residual: self.whole_residual + other.whole_residual,
        }
    }

    /// Least squares, twice: gains that move evenly across the window.
    ///
    /// Each band by itself gives the gain `xy/xx`. The even movement is fitted only to be left out
    /// of the residual (otherwise a release of 100 dB/s would read as −28 dB of distortion); about
    /// the centre of the energy it is orthogonal to the steady part, so the residual is `yy −
    /// xy²/xx − m²/s`, where `m` is the moment of `xy` about that centre and `s` the spread of
    /// `xx`.
    ///
    /// Bands overlap, so what is done to one is seen in the next. Therefore the whole signal is
    /// fitted as well, by all four bands at once; that takes the neighbours' part out of the gains.
    /// Where the bands hold too much of the same to be told apart (a tone at a corner) they stay
    /// with their own.
    fn new(shape: &Shape, before: &Before, pair: &Slots<PairSlot>, frames_per_slot: f64) -> Self {
        let mut sum = PairSlot::default();
        let (mut xy_moment, mut xs_moment) = (f64x4::ZERO, f64x4::ZERO);
        for (weight, time, pair) in shape.over(pair) {
            let (xy, xs) = (weight * pair.xy, weight * pair.xs);
            sum.xy += xy;
            sum.xs += xs;
            sum.yy += weight * pair.yy;
            sum.ss += weight * pair.ss;
            xy_moment += (time - before.centre) * xy;
            xs_moment += time * xs;
        }
        let xx = before.moments[0].same;
        let spread_out = before.spread.simd_gt(xx * f64x4::splat(LEAST_SPREAD));
        let steady = ratio(sum.xy * sum.xy, xx);
        let moving = ratio(xy_moment * xy_moment, before.spread) & spread_out;
        let residual = (sum.yy - steady - moving).max(f64x4::ZERO);
        let own_gain = ratio(sum.xy, xx).to_array();
        let (gain, unexplained) =
            together(before, own_gain, sum.xs.to_array(), xs_moment.to_array());
        let still = steady.reduce_add();
        let doubt = DOUBT * moving.reduce_add();
        let trust = if doubt > 0.0 {
            still / (still + doubt)
        } else {
            1.0
        };
        let no_lower = std::array::from_fn(|band| {
            let further = gain[band] - own_gain[band];
            own_gain[band] + if further < 0.0 { trust } else { 1.0 } * further
        });
        let [whole, ..] = sum.ss.to_array();
        let scale = shape.per_frame(frames_per_slot);
        let per_frame = |sum: f64x4| (sum * f64x4::splat(scale)).to_array();
        Self {
            xx: per_frame(xx),
            through: per_frame(sum.yy),
            gain,
            no_lower,
            explained: ratio(steady, sum.yy).to_array(),
            yy: per_frame(sum.yy),
            residual: per_frame(residual),
            whole: whole * scale,
            whole_residual: (whole + unexplained).max(0.0) * scale,
        }
    }
}

/// The gains of all bands together, held to `own_gain`, and how much less than everything they
/// leave unexplained (negative).
///
/// Unknowns are four deviations from `own_gain` and four slopes.
fn together(
    before: &Before,
    own_gain: [f64; 4],
    xs: [f64; 4],
    xs_moment: [f64; 4],
) -> ([f64; 4], f64) {
    let [sums, moments, squares] = before.moments.map(|moment| moment.matrix());
    let mut matrix = [[0.0; 8]; 8];
    for row in 0..4 {
        for column in 0..4 {
            matrix[row][column] = sums[row][column];
            matrix[row][column + 4] = moments[row][column];
            matrix[row + 4][column] = moments[row][column];
            matrix[row + 4][column + 4] = squares[row][column];
        }
    }
    let known: [f64; 8] =
        std::array::from_fn(|row| if row < 4 { xs[row] } else { xs_moment[row - 4] });
    let mut start = [0.0; 8];
    start[..4].copy_from_slice(&own_gain);
    let times = |vector: &[f64; 8]| {
        matrix.map(|row| row.iter().zip(vector).map(|(a, b)| a * b).sum::<f64>())
    };
    let reached = times(&start);
    let left = std::array::from_fn(|row| known[row] - reached[row]);
    let mut held = matrix;
    let faint = HOLD_FAINT * (0..4).map(|band| sums[band][band]).sum::<f64>();
    for (index, row) in held.iter_mut().enumerate() {
        row[index] += HOLD * row[index] + if index < 4 { faint } else { 0.0 };
    }
    let change = solve(held, left);
    let found: [f64; 8] = std::array::from_fn(|row| start[row] + change[row]);
    // |s − Xg|² less |s|² is gᵀ(XᵀX)g − 2gᵀXᵀs.
    let unexplained = found
        .iter()
        .zip(times(&found))
        .zip(known)
        .map(|((g, reached), known)| g * (reached - 2.0 * known))
        .sum();
    (std::array::from_fn(|band| found[band]), unexplained)
}

/// `a/b`, and 0 where `b` is 0.
fn ratio(a: f64x4, b: f64x4) -> f64x4 {
    (a / b) & b.simd_gt(f64x4::ZERO)
}

#[cfg(test)]
mod tests;
