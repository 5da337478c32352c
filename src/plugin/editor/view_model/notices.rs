//! What has to be said in words while listening.

use crate::editor::number;
use crate::editor::view_model::caution::Reason;
use crate::params::ListenChoice;
use crestline_core::handover::{Faults, Overs, Point, Snapshot};
use crestline_core::process::{JUMP_DB, MOST_JUMP_DB};

/// The caution about loud sound, in full and in brief.
pub fn caution(reason: Reason) -> [String; 2] {
    const HARMS: &str = "Loud sound harms ears and loudspeakers";
    const RULES: &str = "keep to your local exposure rules.";
    let (what, by) = match reason {
        Reason::FirstUse => {
            return [
                format!("{HARMS}: start low when you switch; {RULES}"),
                "Loud sound harms: start low.".into(),
            ];
        }
        Reason::Push(db) => ("more push", number::with_unit(Some(db), 1, "dB")),
        Reason::Louder(lu) => ("louder", number::with_unit(Some(lu), 1, "LU")),
    };
    [
        format!("{by} {what} at once: mind your level. {HARMS}; {RULES}"),
        format!("{by} {what}"),
    ]
}

/// That what is heard is rising after a switch; otherwise how much louder another source is than
/// the one heard, where that is a jump to be warned of and nothing matches the levels; in full and
/// in brief.
pub fn jump(
    snapshot: &Snapshot,
    listen: ListenChoice,
    reference: bool,
    matched: bool,
) -> Option<[String; 2]> {
    let rising_db = f64::from(snapshot.activity.rising_db);
    if rising_db > 0.0 {
        if rising_db >= MOST_JUMP_DB {
            return Some(["Rising from silence.", "Rising"].map(Into::into));
        }
        let rising = format!("Rising {} dB.", number::fixed(Some(rising_db), 0));
        return Some([rising.clone(), rising]);
    }
    if matched {
        return None;
    }
    if listen == ListenChoice::Residue && !reference {
        let output = snapshot.output.readings.gated_10s_lufs;
        let words = [
            "The others may be far louder than the residue.",
            "others far louder",
        ];
        return output.map(|_| words.map(Into::into));
    }
    let of_mix = |point: &Point| point.readings.gated_10s_lufs;
    // The last 10 s mix what was set before with what is set now.
    let of_path = |point: &Point, path: usize| {
        let over_lu = snapshot.activity.paths_over_input_lu.map(|over| over[path]);
        let now = of_mix(&snapshot.input).zip(over_lu);
        now.map(|(input, over)| input + over).or(of_mix(point))
    };
    let of_reference = snapshot.activity.reference.map(|of| of.integrated_lufs);
    let mix = |choice| !reference && listen == choice;
    let sources = [
        (
            mix(ListenChoice::Output),
            "Output",
            of_path(&snapshot.output, 0),
        ),
        (
            mix(ListenChoice::Clean),
            "Clean",
            of_path(&snapshot.clean, 1),
        ),
        (mix(ListenChoice::Input), "Input", of_mix(&snapshot.input)),
        (reference, "Reference", of_reference),
    ];
    let (_, _, heard) = sources.iter().find(|(is_heard, ..)| *is_heard)?;
    let heard = (*heard)?;
    let (louder, by) = sources
        .iter()
        .filter_map(|(_, name, lufs)| Some((*name, (*lufs)? - heard)))
        // Of those that are as loud as each other the first is named.
        .rev()
        .max_by(|one, other| one.1.total_cmp(&other.1))?;
    let by_lu = number::fixed(Some(by), 1);
    (by > JUMP_DB).then(|| {
        [
            format!("{louder} is {by_lu} LU louder."),
            format!("{louder} +{by_lu} LU"),
        ]
    })
}

/// How many peaks went over full scale while the limiter was off, and how far, in full and in
/// brief; `None` if none did since they were last cleared.
pub fn overs(overs: &Overs) -> Option<[String; 2]> {
    let highest = overs.highest_dbtp?;
    let peaks = if overs.count == 1 {
        "1 peak".to_owned()
    } else {
        format!("{} peaks", overs.count)
    };
    let highest = number::fixed(Some(highest.into()), 1);
    Some([
        format!("{peaks} over full scale, up to +{highest} dBTP"),
        format!("{} over, +{highest} dB", overs.count),
    ])
}

/// How many samples were no audio, and where, in full and in brief; `None` if none were since they
/// were last cleared.
pub fn faults(faults: Faults) -> Option<[String; 2]> {
    let at = |count: u32, place: &str| {
        let samples = if count == 1 { "sample" } else { "samples" };
        (count > 0).then(|| format!("{count} bad {samples} {place}"))
    };
    let places = [
        at(faults.input, "at the input"),
        at(faults.side_chain, "in the side-chain"),
    ];
    let words: Vec<String> = places.into_iter().flatten().collect();
    let count = faults.input.saturating_add(faults.side_chain);
    (!words.is_empty()).then(|| [words.join(", "), format!("{count} bad")])
}

/// What can be taken back, and for how much longer; in brief only the `verb`.
pub fn undo(what: &str, verb: &str, left_s: f64) -> [String; 2] {
    let left = number::fixed(Some(left_s.ceil()), 0);
    [
        format!("{what}: undo ({left} s)"),
        format!("{verb} ({left} s)"),
    ]
}

/// Gain at which each signal (output, clean, input) is or would be heard, as a button shows it;
/// empty where it is none. From 10 dB on without the tenths, for which there is no room.
pub fn gain(db: f32) -> String {
    match db {
        _ if db > -0.05 => String::new(),
        _ if db > -9.95 => number::fixed(Some(db.into()), 1),
        _ => number::fixed(Some(db.into()), 0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crestline_core::handover::Auditioned;

    fn playing() -> Snapshot {
        let mut snapshot = Snapshot::default();
        snapshot.input.readings.gated_10s_lufs = Some(-16.0);
        snapshot.clean.readings.gated_10s_lufs = Some(-10.4);
        snapshot.output.readings.gated_10s_lufs = Some(-10.0);
        snapshot
    }

    #[test]
    fn a_jump_upwards_is_told_unless_levels_are_matched() {
        let mut snapshot = playing();
        let [text, _] = jump(&snapshot, ListenChoice::Input, false, false).unwrap();
        assert!(text.contains("Output is 6.0 LU louder."), "{text}");
        assert_eq!(jump(&snapshot, ListenChoice::Input, false, true), None);
        snapshot.clean = snapshot.output;
        let [text, _] = jump(&snapshot, ListenChoice::Input, false, false).unwrap();
        assert!(text.contains("Output is 6.0 LU louder."), "{text}");
        assert_eq!(jump(&snapshot, ListenChoice::Output, false, false), None);
        assert_eq!(
            jump(&Snapshot::default(), ListenChoice::Input, false, false),
            None
        );
    }

    // Right after the push has risen, the last 10 s are those from before.
    #[test]
    fn a_jump_is_that_of_the_chain_as_it_is_now() {
        let mut snapshot = playing();
        snapshot.output.readings.gated_10s_lufs = Some(-16.0);
        snapshot.clean.readings.gated_10s_lufs = Some(-16.0);
        assert_eq!(jump(&snapshot, ListenChoice::Input, false, false), None);
        snapshot.activity.paths_over_input_lu = Some([6.4, 7.1]);
        let [text, _] = jump(&snapshot, ListenChoice::Input, false, false).unwrap();
        assert_eq!(text, "Clean is 7.1 LU louder.");
    }

    #[test]
    fn a_reference_is_a_source_like_the_others() {
        let mut snapshot = playing();
        snapshot.activity.reference = Some(Auditioned {
            integrated_lufs: -6.2,
            match_db: 0.0,
        });
        let of = |reference| jump(&snapshot, ListenChoice::Output, reference, false);
        assert_eq!(
            of(false).unwrap(),
            ["Reference is 3.8 LU louder.", "Reference +3.8 LU"]
        );
        assert_eq!(of(true), None);
        snapshot.activity.reference = Some(Auditioned {
            integrated_lufs: -20.0,
            match_db: 0.0,
        });
        let [text, _] = jump(&snapshot, ListenChoice::Input, true, false).unwrap();
        assert_eq!(text, "Output is 10.0 LU louder.");
    }

    #[test]
    fn what_comes_after_the_residue_is_warned_of() {
        let of = |matched| jump(&playing(), ListenChoice::Residue, false, matched);
        assert_eq!(
            of(false).unwrap(),
            [
                "The others may be far louder than the residue.",
                "others far louder"
            ]
        );
        assert_eq!(of(true), None);
        let silence = Snapshot::default();
        assert_eq!(jump(&silence, ListenChoice::Residue, false, false), None);
    }

    #[test]
    fn a_rise_is_announced_also_where_levels_were_matched_before() {
        let mut snapshot = playing();
        snapshot.activity.rising_db = 7.6;
        for matched in [false, true] {
            let [text, _] = jump(&snapshot, ListenChoice::Output, false, matched).unwrap();
            assert_eq!(text, "Rising 8 dB.");
        }
    }

    #[test]
    fn from_10_db_on_a_button_shows_no_tenths() {
        let shown = [0.0, -0.04, -3.26, -9.94, -9.96, -12.6].map(gain);
        assert_eq!(shown, ["", "", "−3.3", "−9.9", "−10", "−13"]);
    }

    #[test]
    fn peaks_over_full_scale_are_counted_in_words() {
        assert_eq!(overs(&Overs::default()), None);
        assert_eq!(faults(Faults::default()), None);
        let some = |input, side_chain| faults(Faults { input, side_chain });
        assert_eq!(some(1, 0).unwrap(), ["1 bad sample at the input", "1 bad"]);
        assert_eq!(
            some(2, 3).unwrap(),
            [
                "2 bad samples at the input, 3 bad samples in the side-chain",
                "5 bad"
            ]
        );
        let of = |count, dbtp| {
            overs(&Overs {
                count,
                highest_dbtp: Some(dbtp),
            })
        };
        assert_eq!(
            of(1, 0.26).unwrap(),
            ["1 peak over full scale, up to +0.3 dBTP", "1 over, +0.3 dB"]
        );
        assert_eq!(
            of(12, 3.0).unwrap(),
            [
                "12 peaks over full scale, up to +3.0 dBTP",
                "12 over, +3.0 dB"
            ]
        );
        assert_eq!(
            undo("Measured anew", "undo", 9.2),
            ["Measured anew: undo (10 s)", "undo (10 s)"]
        );
    }
}
