//! The target window in words and as a place on the plane.

use crate::editor::number;
use crestline_core::measure::Readings;
use crestline_core::session::{Judgement, Limits, TargetWindow, turn_down};

/// A window's limits in a few words.
pub fn in_words(window: &TargetWindow) -> String {
    let mut parts = vec![loudness_in_words(window)];
    if window.plr_db != Limits::OPEN {
        parts.push(format!("PLR {}\u{a0}dB", range(window.plr_db)));
    }
    if let Some(ceiling) = window.ceiling_dbtp {
        let most = number::with_unit(Some(ceiling), 1, "dBTP");
        parts.push(format!("≤ {most}"));
    }
    if let Some(most) = window.short_term_max_lufs {
        let most = number::with_unit(Some(most), 1, "LUFS");
        parts.push(format!("short-term ≤ {most}"));
    }
    parts.join(" · ")
}

/// Its loudness alone.
pub fn loudness_in_words(window: &TargetWindow) -> String {
    format!("{} LUFS", range(window.loudness_lufs))
}

fn range(limits: Limits) -> String {
    let written = |value| number::fixed(Some(value), 1);
    match (limits.low, limits.high) {
        (Some(low), Some(high)) => format!("{} … {}", written(low), written(high)),
        (Some(low), None) => format!("≥ {}", written(low)),
        (None, Some(high)) => format!("≤ {}", written(high)),
        (None, None) => "any".into(),
    }
}

/// Whether everything lies in the window; `None` until all that it limits is known, unless
/// something is off already.
#[derive(Clone, Debug, PartialEq)]
pub struct State {
    /// `Some(true)`: inside; `Some(false)`: outside; `None`: not known.
    pub inside: Option<bool>,
    /// In words: what is off, and by how much.
    pub words: String,
    /// The same without by how much, and without whether above or below.
    pub directions: String,
    pub names: String,
}

/// What the window says to the song as measured so far.
pub fn state(window: &TargetWindow, readings: &Readings) -> State {
    let verdict = window.judge(readings);
    let mut off = Vec::new();
    let mut directions = Vec::new();
    let mut names = Vec::new();
    let (mut known, mut all_known) = (false, true);
    let mut add = |judgement: Judgement,
                   limits: Limits,
                   value: Option<f64>,
                   what: &'static str,
                   unit: &str| {
        if limits != Limits::OPEN {
            known |= judgement != Judgement::Unknown;
            all_known &= judgement != Judgement::Unknown;
        }
        let end = match judgement {
            Judgement::Below => limits.low,
            Judgement::Above => limits.high,
            Judgement::In | Judgement::Unknown => return,
        };
        let by = value.zip(end).map(|(value, end)| (value - end).abs());
        names.push(what);
        directions.push(format!("{what} {}", judgement.word()));
        off.push(format!(
            "{what} {} {unit} {}",
            number::fixed(by, 1),
            judgement.word()
        ));
    };
    let at_most = |high| Limits { low: None, high };
    add(
        verdict.loudness,
        window.loudness_lufs,
        readings.integrated_lufs,
        "loudness",
        "LU",
    );
    add(verdict.plr, window.plr_db, readings.plr_db, "PLR", "dB");
    add(
        verdict.true_peak,
        at_most(window.ceiling_dbtp),
        readings.true_peak_dbtp,
        "true peak",
        "dB",
    );
    add(
        verdict.short_term_max,
        at_most(window.short_term_max_lufs),
        readings.short_term_max_lufs,
        "short-term",
        "LU",
    );
    // What is off may be told early; that nothing is, not.
    let inside = if off.is_empty() {
        (known && all_known).then_some(true)
    } else {
        Some(false)
    };
    let [words, directions, names] = match inside {
        None => ["not measured yet"; 3].map(String::from),
        Some(true) => ["in the window"; 3].map(String::from),
        Some(false) => [
            off.join(", "),
            directions.join(", "),
            format!("off in {}", names.join(", ")),
        ],
    };
    State {
        inside,
        words,
        directions,
        names,
    }
}

/// What playback levelled to one loudness does to the song, in words; a dash for what is not known.
pub fn turn_down_words(playback_lufs: f64, readings: &Readings) -> String {
    let level = number::plain(playback_lufs);
    let turned = turn_down(
        playback_lufs,
        readings.integrated_lufs,
        readings.true_peak_dbtp,
    );
    let gain = turned.map(|turned| number::signed(Some(turned.gain_db), 1) + " dB");
    let gain = gain.as_deref().unwrap_or(number::NONE);
    format!("levelled to {level} LUFS: {gain}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crestline_core::session::rink_floor;

    fn readings(lufs: f64, peak: f64) -> Readings {
        Readings {
            integrated_lufs: Some(lufs),
            true_peak_dbtp: Some(peak),
            plr_db: Some(peak - lufs),
            ..Readings::default()
        }
    }

    #[test]
    fn a_window_is_told_in_words() {
        assert_eq!(
            in_words(&rink_floor()),
            "−11.0 … −9.0 LUFS · PLR 8.0 … 11.0\u{a0}dB · ≤ −1.0\u{a0}dBTP"
        );
    }

    #[test]
    fn inside_outside_and_unknown_are_words() {
        let window = rink_floor();
        assert_eq!(state(&window, &Readings::default()).inside, None);
        assert_eq!(
            state(&window, &readings(-10.0, -1.0)).words,
            "in the window"
        );
        // In a lead-in too quiet for a loudness there is a peak.
        let lead_in = Readings {
            true_peak_dbtp: Some(-60.0),
            ..Readings::default()
        };
        assert_eq!(state(&window, &lead_in).words, "not measured yet");
        let quiet = state(&window, &readings(-14.0, -1.0));
        assert_eq!(quiet.inside, Some(false));
        assert_eq!(quiet.words, "loudness 3.0 LU below, PLR 2.0 dB above");
        assert_eq!(quiet.directions, "loudness below, PLR above");
        assert_eq!(quiet.names, "off in loudness, PLR");
        assert_eq!(
            state(&window, &readings(-10.0, 0.5)).words,
            "true peak 1.5 dB above"
        );
    }

    #[test]
    fn playback_turns_a_loud_song_down() {
        assert_eq!(
            turn_down_words(-14.0, &readings(-10.0, -1.0)),
            "levelled to −14 LUFS: −4.0 dB"
        );
        assert_eq!(
            turn_down_words(-14.0, &Readings::default()),
            "levelled to −14 LUFS: —"
        );
    }
}
