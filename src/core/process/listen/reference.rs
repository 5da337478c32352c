//! Listening to a reference beside the mix.
//!
//! The reference's loudness is known beforehand, that of the mix is measured: so its gain is known
//! at once, and follows the mix like all others. Where the reference is the quieter of the two, the
//! mix has to be turned down to it. That must not level the mix, whose loud and quiet parts are
//! what the engineer works on: how far it is turned down is only found while the reference is
//! listened to, only ever grows, and is forgotten when matching is switched off or the reference is
//! gone. Where another one takes its place, as much of it stays as that one asks for.

use super::{INPUT, JUMP_DB, Listen, REFERENCE, RESIDUE, RecentLoudness, SIGNALS};

/// Places of a reference: two, so that a new one comes in while the last one fades out, and that of
/// one that comes in by the side-chain.
pub const REFERENCES: usize = 3;
/// The last of these: its loudness is still being found out.
pub(super) const LIVE: usize = 2;

/// What there is to listen to of a reference.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct References {
    /// The place that it is heard from; `None` if there is none.
    pub current: Option<usize>,
    /// How loud what lies in each place is; `None` where it is empty.
    pub loudness: [Option<ReferenceLoudness>; REFERENCES],
    /// The loudness of the one that comes in has moved a moment ago.
    pub moving: bool,
}

/// How loud a reference is, as it is, in LUFS.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReferenceLoudness {
    /// All of it, gated; of one that comes in all that has, or its last 10 s where these are
    /// louder.
    pub integrated_lufs: f64,
    /// The 400 ms heard last; `None` for silence.
    pub behind_lufs: Option<f64>,
    /// The 400 ms that follow.
    pub ahead_lufs: Option<f64>,
}

/// What matching a reference goes by.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Beside {
    /// Loudness of the input when it was last known, LUFS.
    input_lufs: Option<f64>,
    /// By how much the mix is turned down to the reference, dB, 0 or more.
    down_db: f64,
    /// The place of that reference.
    place: Option<usize>,
}

impl Beside {
    /// Takes what is known of the mix. In silence what was known holds.
    pub fn follow(&mut self, loudness: &RecentLoudness) {
        if !loudness.is_silent() {
            self.input_lufs = loudness.gated_10s_lufs[INPUT].or(self.input_lufs);
        }
    }

    /// The same for an engine that has no reference yet.
    pub fn without_place(self) -> Self {
        Self {
            place: None,
            ..self
        }
    }

    /// How loud output path, clean path or input is as far as that is known, also where measuring has
    /// just begun anew, LUFS.
    pub fn mix_lufs(&self, signal: usize, loudness: &RecentLoudness) -> Option<f64> {
        let measured = loudness.gated_10s_lufs.get(signal).copied().flatten();
        measured.or_else(|| {
            let [output, clean] = loudness.over_input_lu?;
            Some(self.input_lufs? + [output, clean, 0.0].get(signal)?)
        })
    }

    /// The mix is not turned down to the reference any more.
    pub fn begin_anew(&mut self) {
        self.down_db = 0.0;
    }

    /// By how much the reference in this place is quieter than the matched mix would be, dB, 0 or
    /// more.
    fn missing_db(&self, place: usize, loudness: &RecentLoudness) -> Option<f64> {
        let reference = loudness.references.loudness.get(place)?.as_ref()?;
        let mix_lufs = self.input_lufs? + quietest_lu(loudness);
        Some((mix_lufs - reference.integrated_lufs).max(0.0))
    }

    /// The gains that match, dB, 0 or less; `None` where it is not known yet.
    pub fn aims_db(&self, loudness: &RecentLoudness) -> [Option<f64>; SIGNALS] {
        let [output, clean] = loudness.over_input_lu.unwrap_or_default();
        let quietest = quietest_lu(loudness) - self.down_db;
        let reference = |place: usize| {
            let reference = loudness.references.loudness[place]?;
            Some((self.input_lufs? + quietest - reference.integrated_lufs).min(0.0))
        };
        // The residue is heard in proportion to the output it was taken from.
        let mix = [output, clean, 0.0, output].map(|over_input| Some(quietest - over_input));
        let [output, clean, input, residue] = mix;
        [
            output,
            clean,
            input,
            residue,
            reference(0),
            reference(1),
            reference(2),
        ]
    }
}

/// Loudness of the quietest of output path, clean path and input over the input, LU.
fn quietest_lu(loudness: &RecentLoudness) -> f64 {
    let [output, clean] = loudness.over_input_lu.unwrap_or_default();
    output.min(clean).min(0.0)
}

impl Listen {
    /// Gain at which the reference in this place is matched, dB, 0 or less.
    pub fn reference_db(&self, place: usize) -> f64 {
        self.levels
            .get(REFERENCE + place)
            .map_or(0.0, |level| level.match_db)
    }

    /// While nothing but a reference is heard, turns the mix down to it where that is quieter.
    pub(super) fn keep_up_with_reference(&mut self, loudness: &RecentLoudness) {
        let place = self
            .selected
            .and_then(|signal| signal.checked_sub(REFERENCE));
        let (Some(place), true, true) = (place, self.matched, self.fade.is_settled()) else {
            return;
        };
        let missing_db = self.beside.missing_db(place, loudness).unwrap_or(0.0);
        let further_db = missing_db - self.beside.down_db;
        // What was found of one that still comes in may have been its quiet beginning.
        if further_db > 0.0 || further_db < 0.0 && place == LIVE {
            self.beside.down_db = missing_db;
            for level in &mut self.levels[..=RESIDUE] {
                level.match_db = (level.match_db - further_db).min(0.0);
            }
            if further_db < -JUMP_DB {
                // It became so much louder unheard, and had been turned down by that with the mix.
                self.levels[REFERENCE + place].lift(-further_db, true, self.quantum_s);
            }
        }
    }

    /// Where there is another reference than before, or none any more, turns the mix down by no more
    /// than that asks for.
    pub(super) fn follow_reference(&mut self, loudness: &RecentLoudness) {
        let place = loudness.references.current;
        if std::mem::replace(&mut self.beside.place, place) == place {
            return;
        }
        let missing_db = place.and_then(|place| self.beside.missing_db(place, loudness));
        let kept_db = self.beside.down_db.min(missing_db.unwrap_or(0.0));
        let given_back_db = std::mem::replace(&mut self.beside.down_db, kept_db) - kept_db;
        if given_back_db > 0.0 {
            for signal in 0..=RESIDUE {
                let heard = self.hears(signal);
                self.levels[signal].lift(given_back_db, heard, self.quantum_s);
            }
        }
    }
}
