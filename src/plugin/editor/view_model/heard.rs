//! What the plane goes by: where each signal was when it was last heard. A pause leaves everything
//! where it was.

use super::plane::{self, Place, TRAIL_POINTS, TRAIL_S};
use crate::editor::theme::Signal;
use crestline_core::handover::{Column, Snapshot};
use crestline_core::session::{History, PlaneMode, Span};

/// The signals that have a place.
const SIGNALS: [Signal; 3] = [Signal::Input, Signal::Clean, Signal::Output];
/// Time between two places of the trail.
const SPACING_S: f64 = TRAIL_S / TRAIL_POINTS as f64;
/// Places in a row without a sound that make a pause: a second.
const PAUSE: usize = 2;
/// Places until the windows of 3 s are full of sound again.
const WINDOW: usize = 6;

/// Follows what is heard.
#[derive(Debug, Default)]
pub struct Heard {
    mode: PlaneMode,
    /// The last moment at which anything was heard, seconds since the last restart.
    end_s: f64,
    places: [Option<Place>; 3],
    /// For each place of the trail whether its windows hold nothing of a pause.
    settled: Vec<bool>,
}

impl Heard {
    /// Takes what is told now.
    pub fn follow(&mut self, snapshot: &Snapshot, history: &History, mode: PlaneMode) {
        let length_s = history.length_s();
        if length_s < self.end_s || mode != self.mode {
            self.places = [None; 3];
            self.end_s = self.end_s.min(length_s);
        }
        self.mode = mode;
        let now = SIGNALS.map(|signal| plane::now(snapshot, signal, mode));
        if now.iter().all(Option::is_none) {
            return;
        }
        self.end_s = length_s;
        let first = (self.span().start_s / SPACING_S).floor();
        let sounds = (0..=TRAIL_POINTS).map_while(|index| {
            let middle_s = (first + index as f64 + 0.5) * SPACING_S;
            // The last one is not over yet.
            let at_s = middle_s.min(length_s - 0.01);
            (middle_s - length_s < 0.5 * SPACING_S).then(|| {
                let point = history.at(at_s)?.point;
                Some(point.get(Column::MomentaryOutput).is_some())
            })
        });
        self.settled.clear();
        self.settled.extend(settled(sounds));
        if self.settled.last().copied().unwrap_or(true) {
            for (place, now) in self.places.iter_mut().zip(now) {
                *place = now.or(*place);
            }
        }
    }

    /// What the places are of.
    pub fn mode(&self) -> PlaneMode {
        self.mode
    }

    /// The stretch that the trail shows.
    pub fn span(&self) -> Span {
        Span {
            start_s: self.end_s - TRAIL_S,
            end_s: self.end_s,
        }
    }

    /// Where a signal was last heard.
    pub fn place(&self, signal: Signal) -> Option<Place> {
        let index = SIGNALS.iter().position(|other| *other == signal)?;
        self.places[index]
    }

    /// Whether a place of the trail is to be believed: its windows hold nothing of a pause.
    pub fn is_settled(&self, index: usize) -> bool {
        self.settled.get(index).copied().unwrap_or(true)
    }
}

/// What there is of a trail (`None`: before what is kept) that comes a whole window after a pause.
fn settled(sounds: impl Iterator<Item = Option<bool>>) -> impl Iterator<Item = bool> {
    let (mut silent, mut wait) = (0, 0);
    sounds.map(move |sounds| {
        match sounds {
            None => (silent, wait) = (0, 0),
            Some(false) => silent += 1,
            Some(true) => {
                if silent >= PAUSE {
                    wait = WINDOW;
                }
                silent = 0;
            }
        }
        let is_settled = wait == 0;
        if sounds == Some(true) {
            wait = wait.saturating_sub(1);
        }
        is_settled
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn after_a_pause_a_whole_window_is_waited_for() {
        let of = |text: &str| -> String {
            let sounds = text.chars().map(|sign| match sign {
                '#' => Some(true),
                '.' => Some(false),
                _ => None,
            });
            let signs = settled(sounds).map(|settled| if settled { '#' } else { '-' });
            signs.collect()
        };
        // Before the restart, the beginning, a break too short to count, and a pause.
        assert_eq!(of("  ###.###"), "#########");
        assert_eq!(of("##..########"), "####------##");
        assert_eq!(of("....#######"), "####------#");
    }
}
