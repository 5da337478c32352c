//! What the host records at the moment, in one line that is always there.

use crate::editor::number;
use crate::editor::view_model::bands::BAND_NAMES;
use crate::params::{CrestlineParams, ListenChoice};
use crestline_core::handover::Snapshot;

/// Whether the line is to be noticed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Severity {
    /// The output is recorded as it is.
    Plain,
    /// Something else is.
    Caution,
}

/// The line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Recording {
    /// What it says.
    pub words: String,
    /// The same where there is little room.
    pub short: String,
    /// Whether it is to be noticed.
    pub severity: Severity,
}

/// What decides about it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Heard {
    /// The host renders offline.
    pub offline: bool,
    /// Bypass is on.
    pub bypass: bool,
    /// Clean, input or residue is listened to; `None`: the output.
    pub other: Option<ListenChoice>,
    /// The reference is.
    pub reference: bool,
    /// By how much matched listening turns it down, dB, 0 or more; `None` while not matched.
    pub turned_down_db: Option<f64>,
    /// Bands that are soloed, low to high.
    pub soloed: [bool; 4],
}

/// Whether the reference is what is heard: it is asked for, and there is one.
pub fn hears_reference(params: &CrestlineParams, snapshot: &Snapshot) -> bool {
    params.reference.value() && snapshot.activity.reference.is_some()
}

impl Heard {
    /// As the parameters are set, and as the audio thread has last told.
    pub fn of(params: &CrestlineParams, snapshot: &Snapshot) -> Self {
        let listen = params.listen.value();
        let down_db = -f64::from(snapshot.activity.listen_gain_db);
        Self {
            offline: params.rendering.is_offline(),
            bypass: params.bypass.value(),
            other: (listen != ListenChoice::Output).then_some(listen),
            reference: hears_reference(params, snapshot),
            turned_down_db: params.matched.value().then_some(down_db.max(0.0)),
            soloed: params.band.each_ref().map(|band| band.solo.value()),
        }
    }

    /// The line about it.
    pub fn recording(&self) -> Recording {
        let what = |words: &str, severity| Recording {
            words: format!("host records: {words}"),
            short: format!("records {}", words.replace(", not the output", "")),
            severity,
        };
        if self.bypass {
            return what("input, bypassed", Severity::Caution);
        }
        if self.offline {
            return what("output, rendering offline", Severity::Plain);
        }
        let source = match self.other {
            _ if self.reference => "reference, not the output",
            None | Some(ListenChoice::Output) => "output",
            Some(ListenChoice::Clean) => "clean, not the output",
            Some(ListenChoice::Input) => "input, not the output",
            Some(ListenChoice::Residue) => "residue, not the output",
        };
        let mut words = vec![source.to_owned()];
        if let Some(down_db) = self.turned_down_db {
            let down = number::fixed(Some(down_db), 1);
            words.push(if down == "0.0" {
                "matched".to_owned()
            } else {
                format!("turned down {down}\u{a0}dB, matched")
            });
        }
        words.extend(self.solo());
        let plain = words.len() == 1 && source == "output";
        let severity = if plain {
            Severity::Plain
        } else {
            Severity::Caution
        };
        what(&words.join(", "), severity)
    }

    fn solo(&self) -> Option<String> {
        let of = |(name, soloed): (&&'static str, &bool)| soloed.then_some(*name);
        let soloed: Vec<_> = BAND_NAMES.iter().zip(&self.soloed).filter_map(of).collect();
        match soloed.as_slice() {
            [] => None,
            [one] => Some(format!("{one} band only")),
            [rest @ .., last] => Some(format!("{} and {last} bands only", rest.join(", "))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn caution(heard: Heard) -> String {
        let Recording {
            words, severity, ..
        } = heard.recording();
        assert_eq!(severity, Severity::Caution, "{words}");
        words
    }

    #[test]
    fn only_the_output_as_it_is_goes_without_a_warning() {
        let plain = Heard::default().recording();
        assert_eq!(plain.words, "host records: output");
        assert_eq!(plain.short, "records output");
        assert_eq!(plain.severity, Severity::Plain);
    }

    #[test]
    fn whatever_else_changes_the_record_is_named() {
        let heard = Heard {
            turned_down_db: Some(6.43),
            ..Heard::default()
        };
        let expected = "host records: output, turned down 6.4\u{a0}dB, matched";
        assert_eq!(caution(heard), expected);
        let heard = Heard {
            turned_down_db: Some(0.04),
            ..Heard::default()
        };
        assert_eq!(caution(heard), "host records: output, matched");
        let heard = Heard {
            soloed: [true, false, false, false],
            ..Heard::default()
        };
        assert_eq!(caution(heard), "host records: output, low band only");
        let heard = Heard {
            other: Some(ListenChoice::Residue),
            ..Heard::default()
        };
        assert_eq!(caution(heard), "host records: residue, not the output");
        assert_eq!(heard.recording().short, "records residue");
        let heard = Heard {
            other: Some(ListenChoice::Clean),
            soloed: [true, true, false, true],
            ..Heard::default()
        };
        let expected = "host records: clean, not the output, low, low-mid and high bands only";
        assert_eq!(caution(heard), expected);
        let heard = Heard {
            other: Some(ListenChoice::Input),
            soloed: [false, false, false, true],
            ..Heard::default()
        };
        let expected = "host records: input, not the output, high band only";
        assert_eq!(caution(heard), expected);
        let heard = Heard {
            reference: true,
            turned_down_db: Some(2.0),
            ..Heard::default()
        };
        let expected = "host records: reference, not the output, turned down 2.0\u{a0}dB, matched";
        assert_eq!(caution(heard), expected);
        let heard = Heard {
            bypass: true,
            turned_down_db: Some(3.0),
            ..Heard::default()
        };
        assert_eq!(caution(heard), "host records: input, bypassed");
    }

    #[test]
    fn offline_the_output_is_recorded_whatever_is_listened_to() {
        let heard = Heard {
            offline: true,
            reference: true,
            other: Some(ListenChoice::Residue),
            turned_down_db: Some(3.0),
            soloed: [true; 4],
            ..Heard::default()
        };
        let recording = heard.recording();
        assert_eq!(recording.severity, Severity::Plain);
        assert_eq!(recording.words, "host records: output, rendering offline");
    }

    #[test]
    fn it_follows_the_parameters_and_the_gain_that_is_heard() {
        let params = CrestlineParams::default();
        let mut snapshot = Snapshot::default();
        snapshot.activity.listen_gain_db = -6.0;
        assert_eq!(Heard::of(&params, &snapshot), Heard::default());
    }
}
