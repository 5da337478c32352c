//! Energies since the last change.

/// Up to here the last moments count more than those before them, s.
const SHORT_S: f64 = 2.0;
/// Longest time that is looked back on, s.
pub(in crate::engine) const LONGEST_S: f64 = 10.0;

/// Sums over the last [`LONGEST_S`], at most since the last change, and some of what was summed
/// before it, which is forgotten as there is something new.
#[derive(Debug)]
pub(super) struct Since<const N: usize> {
    moment_s: f64,
    /// What was kept is forgotten within so much new, s.
    forgotten_s: f64,
    sums: [f64; N],
    span_s: f64,
    /// What was kept, and of how long a time, s.
    pub kept: [f64; N],
    kept_s: f64,
}

impl<const N: usize> Since<N> {
    /// Of moments of this length, s.
    pub fn new(moment_s: f64, forgotten_s: f64) -> Self {
        Self {
            moment_s,
            forgotten_s,
            sums: [0.0; N],
            span_s: 0.0,
            kept: [0.0; N],
            kept_s: 0.0,
        }
    }

    /// Begins anew, and keeps at most so many seconds of what was known.
    pub fn begin(&mut self, longest_kept_s: f64) {
        let weight = self.weight_of_kept();
        let known_s = self.span_s + weight * self.kept_s;
        let kept_s = known_s.min(longest_kept_s);
        let share = if known_s > 0.0 { kept_s / known_s } else { 0.0 };
        self.kept = self.known().map(|known| share * known);
        (self.kept_s, self.sums, self.span_s) = (kept_s, [0.0; N], 0.0);
    }

    /// Nothing is known any more.
    pub fn forget(&mut self) {
        *self = Self::new(self.moment_s, self.forgotten_s);
    }

    /// This is to be known of the time before, as of so many seconds.
    pub fn keep(&mut self, kept: [f64; N], kept_s: f64) {
        (self.kept, self.kept_s) = (kept, kept_s);
    }

    /// A moment brought so much.
    pub fn add(&mut self, energies: [f64; N]) {
        // Short at first, longer as it settles: weights that rise to the latest moment, then equal
        // ones, then those of a leaky sum.
        let remembered_s = if self.span_s < SHORT_S {
            self.span_s
        } else {
            LONGEST_S
        };
        let leaks = self.span_s < SHORT_S || self.span_s >= LONGEST_S;
        let keep = if leaks {
            (1.0 - self.moment_s / remembered_s.max(self.moment_s)).max(0.0)
        } else {
            1.0
        };
        for (sum, energy) in self.sums.iter_mut().zip(energies) {
            *sum = keep * *sum + energy;
        }
        self.span_s = (self.span_s + self.moment_s).min(LONGEST_S);
    }

    /// The sums, with what still counts of those kept.
    pub fn known(&self) -> [f64; N] {
        let weight = self.weight_of_kept();
        std::array::from_fn(|at| self.sums[at] + weight * self.kept[at])
    }

    /// Time since the last change that they span, s; at most [`LONGEST_S`].
    pub fn span_s(&self) -> f64 {
        self.span_s
    }

    /// Nothing is known, neither since the last change nor of the time before.
    pub fn is_empty(&self) -> bool {
        self.span_s <= 0.0 && self.kept_s <= 0.0
    }

    /// How much of what was kept still counts, 1 to 0; 0 where nothing was.
    pub fn weight_of_kept(&self) -> f64 {
        if self.kept_s > 0.0 {
            (1.0 - self.span_s / self.forgotten_s).max(0.0)
        } else {
            0.0
        }
    }
}
