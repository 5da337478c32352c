//! Which stretch of time the history strip shows.

use crestline_core::session::{History, Span};

/// Shortest stretch shown, seconds.
const SHORTEST_S: f64 = 5.0;
/// Longest stretch shown, seconds: a day.
const LONGEST_S: f64 = 24.0 * 3600.0;
/// Steps between time marks, seconds.
const MARKS_S: [f64; 14] = [
    1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1_800.0, 3_600.0, 7_200.0, 14_400.0,
];

/// The last `length_s` seconds.
pub fn last(length_s: f64, history: &History) -> Span {
    let end_s = history.length_s();
    Span {
        start_s: end_s - length_s,
        end_s,
    }
}

/// How long a stretch is, seconds.
pub fn length_s(span: Span) -> f64 {
    span.end_s - span.start_s
}

/// What is shown: everything there is, or a stretch of one's own.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Window {
    chosen: Option<Chosen>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Chosen {
    length_s: f64,
    /// Where it ends; `None`: at now, going along with it.
    end_s: Option<f64>,
}

impl Window {
    /// The stretch, given how much there is.
    pub fn span(&self, recorded_s: f64) -> Span {
        let all = recorded_s.max(30.0);
        match self.chosen {
            None => Span {
                start_s: 0.0,
                end_s: all,
            },
            Some(Chosen { length_s, end_s }) => {
                let end_s = end_s.unwrap_or(recorded_s).max(length_s);
                Span {
                    start_s: end_s - length_s,
                    end_s,
                }
            }
        }
    }

    /// Shows everything again where what was chosen is gone: a measurement has begun anew.
    pub fn follow(&mut self, recorded_s: f64) {
        let gone = |Chosen { length_s, end_s }| {
            end_s.is_some_and(|end_s| end_s > f64::max(recorded_s, length_s))
        };
        if self.chosen.is_some_and(gone) {
            self.whole();
        }
    }

    /// Whether everything is shown.
    pub fn is_whole(&self) -> bool {
        self.chosen.is_none()
    }

    /// Shows everything again.
    pub fn whole(&mut self) {
        self.chosen = None;
    }

    /// Magnifies by `factor` (less than 1 shrinks) about the moment at `share` of the strip's
    /// width.
    pub fn zoom(&mut self, factor: f64, share: f64, recorded_s: f64) {
        let span = self.span(recorded_s);
        let shown_s = (length_s(span) / factor).clamp(SHORTEST_S, LONGEST_S);
        if shown_s >= recorded_s.max(30.0) {
            self.chosen = None;
            return;
        }
        let fixed_s = span.start_s + share * length_s(span);
        self.choose(shown_s, fixed_s + (1.0 - share) * shown_s, recorded_s);
    }

    /// Moves by a share of the strip's width; positive shows later times.
    pub fn pan(&mut self, share: f64, recorded_s: f64) {
        if self.chosen.is_some() {
            let span = self.span(recorded_s);
            let end_s = span.start_s + (1.0 + share) * length_s(span);
            self.choose(length_s(span), end_s, recorded_s);
        }
    }

    fn choose(&mut self, length_s: f64, end_s: f64, recorded_s: f64) {
        // At the end of what there is, the stretch goes along with now.
        let end_s = (end_s < recorded_s - 1e-3 * length_s).then_some(end_s.max(length_s));
        self.chosen = Some(Chosen { length_s, end_s });
    }
}

/// Time marks within `span`, at most about `count` of them.
pub fn marks(span: Span, count: usize) -> impl Iterator<Item = f64> {
    let least = length_s(span) / count.max(1) as f64;
    let step = MARKS_S
        .into_iter()
        .find(|step| *step >= least)
        .unwrap_or(4.0 * 14_400.0);
    let first = (span.start_s / step).ceil() as i64;
    let last = (span.end_s / step).floor() as i64;
    (first..=last).map(move |mark| mark as f64 * step)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_shows_everything_until_told_otherwise() {
        let window = Window::default();
        assert_eq!(
            window.span(200.0),
            Span {
                start_s: 0.0,
                end_s: 200.0
            }
        );
        assert!((window.span(3.0).end_s - 30.0).abs() < 1e-9);
    }

    #[test]
    fn magnifying_keeps_the_moment_under_the_pointer() {
        let mut window = Window::default();
        window.zoom(2.0, 0.25, 200.0);
        let span = window.span(200.0);
        assert!((span.start_s - 25.0).abs() < 1e-9 && (span.end_s - 125.0).abs() < 1e-9);
        window.zoom(0.01, 0.5, 200.0);
        assert!(window.is_whole());
    }

    #[test]
    fn what_begins_anew_is_shown_whole() {
        let mut window = Window::default();
        window.zoom(4.0, 0.5, 200.0);
        window.follow(200.0);
        assert!(!window.is_whole());
        window.follow(10.0);
        assert!(window.is_whole());
    }

    #[test]
    fn at_the_end_it_goes_along_with_now() {
        let mut window = Window::default();
        window.zoom(4.0, 1.0, 200.0);
        assert_eq!(
            window.span(210.0),
            Span {
                start_s: 160.0,
                end_s: 210.0
            }
        );
        window.pan(-1.0, 210.0);
        assert_eq!(
            window.span(300.0),
            Span {
                start_s: 110.0,
                end_s: 160.0
            }
        );
        window.pan(-100.0, 300.0);
        assert!(window.span(300.0).start_s.abs() < 1e-9);
    }

    #[test]
    fn marks_are_round_and_few() {
        let span = Span {
            start_s: 3.0,
            end_s: 83.0,
        };
        let marks: Vec<f64> = marks(span, 10).collect();
        assert_eq!(
            marks
                .iter()
                .map(|mark| mark.round() as i32)
                .collect::<Vec<_>>(),
            [10, 20, 30, 40, 50, 60, 70, 80]
        );
    }
}
