//! Figures with what is wanted of them.

use std::time::Instant;

/// What a figure should come to.
#[derive(Clone, Copy)]
pub enum Wanted {
    AtLeast(f64),
    AtMost(f64),
}

/// Prints figures as they come and counts those that were missed.
#[derive(Default)]
pub struct Figures {
    count: usize,
    missed: usize,
}

impl Figures {
    /// Prints one figure.
    pub fn add(&mut self, name: &str, value: f64, decimals: usize, unit: &str, wanted: Wanted) {
        let (sign, limit, ok) = match wanted {
            Wanted::AtLeast(limit) => ("≥", limit, value >= limit),
            Wanted::AtMost(limit) => ("≤", limit, value <= limit),
        };
        let verdict = if ok { "ok" } else { "MISSED" };
        let line = format!("bench {name} {value:.decimals$} {unit}");
        println!("{line:<58} # wanted {sign} {limit} {verdict}");
        self.count += 1;
        self.missed += usize::from(!ok);
    }

    /// Prints something about how the figures above came about.
    #[expect(
        clippy::unused_self,
        reason = "notes stand between figures, so they go the same way"
    )]
    pub fn note(&self, text: &str) {
        println!("  {text}");
    }

    /// Prints how many figures were missed.
    pub fn finish(self) {
        println!("bench: {} of {} figures missed", self.missed, self.count);
    }
}

/// The middle value; sorts.
pub fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// How long some work takes, in seconds.
pub fn seconds(work: impl FnOnce()) -> f64 {
    let start = Instant::now();
    work();
    start.elapsed().as_secs_f64()
}
