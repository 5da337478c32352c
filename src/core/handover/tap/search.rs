//! When to believe a comparison.

use super::TapState;
use crate::measure::{Alignment, Relation};

/// Comparisons in a row that must find nothing before an alignment is given up.
const DOUBTS: u32 = 3;

/// What the comparisons so far come to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Finding {
    /// How the signals lie to each other; never [`TapState::Off`].
    pub state: TapState,
    /// The alignment in force while [`TapState::Aligned`].
    pub alignment: Option<Alignment>,
}

impl Default for Finding {
    fn default() -> Self {
        Self {
            state: TapState::Listening,
            alignment: None,
        }
    }
}

/// Makes one finding of many comparisons.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Search {
    finding: Finding,
    doubts: u32,
    /// Another alignment than the one in force, seen once.
    other: Option<(i32, bool)>,
}

fn place(alignment: Alignment) -> (i32, bool) {
    (alignment.delay_frames, alignment.inverted)
}

impl Search {
    /// Takes the outcome of a comparison. An alignment in force is held while one of the signals is
    /// too weak, or nothing is found a few times; another one must be found twice in a row.
    pub fn take(&mut self, relation: Relation) -> Finding {
        let other = self.other.take();
        match relation {
            Relation::TooWeak {
                first: true,
                second: false,
            } => self.finding.state = TapState::NoSideChain,
            Relation::TooWeak { .. } => {}
            Relation::Unrelated => {
                self.doubts += 1;
                if self.finding.alignment.is_none() || self.doubts >= DOUBTS {
                    self.finding = Finding {
                        state: TapState::NotRelated,
                        alignment: None,
                    };
                } else {
                    self.finding.state = TapState::Aligned;
                }
            }
            Relation::Aligned(found) => {
                self.doubts = 0;
                let in_force = self.finding.alignment.map(place);
                if in_force.is_some_and(|in_force| in_force != place(found))
                    && other != Some(place(found))
                {
                    self.other = Some(place(found));
                } else {
                    self.finding.alignment = Some(found);
                }
                self.finding.state = TapState::Aligned;
            }
        }
        self.finding
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(delay_frames: i32, inverted: bool) -> Relation {
        Relation::Aligned(Alignment {
            delay_frames,
            inverted,
            prominence: 100.0,
        })
    }

    #[test]
    fn an_alignment_is_held_through_weak_moments_and_given_up_in_the_end() {
        let mut search = Search::default();
        assert_eq!(
            search
                .take(Relation::TooWeak {
                    first: true,
                    second: true
                })
                .state,
            TapState::Listening
        );
        assert_eq!(search.take(found(480, true)).state, TapState::Aligned);
        let silent = Relation::TooWeak {
            first: true,
            second: true,
        };
        assert_eq!(search.take(silent).alignment.map(place), Some((480, true)));
        for _ in 1..DOUBTS {
            assert_eq!(
                search.take(Relation::Unrelated).alignment.map(place),
                Some((480, true))
            );
        }
        assert_eq!(
            search.take(Relation::Unrelated),
            Finding {
                state: TapState::NotRelated,
                alignment: None
            }
        );
        assert_eq!(
            search
                .take(Relation::TooWeak {
                    first: true,
                    second: false
                })
                .state,
            TapState::NoSideChain
        );
    }

    #[test]
    fn another_alignment_must_be_seen_twice_in_a_row() {
        let mut search = Search::default();
        search.take(found(100, false));
        assert_eq!(
            search.take(found(300, false)).alignment.map(place),
            Some((100, false))
        );
        assert_eq!(
            search.take(found(100, false)).alignment.map(place),
            Some((100, false))
        );
        assert_eq!(
            search.take(found(300, false)).alignment.map(place),
            Some((100, false))
        );
        assert_eq!(
            search.take(found(300, false)).alignment.map(place),
            Some((300, false))
        );
    }
}
