//! The mix beside its reference: curves, shelves, density.

use crate::editor::number::{fixed, frequency, signed};
use crestline_core::handover::{Point, Snapshot};
use crestline_core::measure::BAND_COUNT;
use crestline_core::process::ShelvesSettings;
use crestline_core::session::reference::{
    Beside, DENSITY_DB, Figures, Finding, Profile, REGIONS, difference_db,
};

/// Third-octave bands, dB.
pub type Bands = [Option<f32>; BAND_COUNT];

/// Weights of a band's neighbours in what is drawn for reading, from the band itself outwards: a
/// triangle an octave wide at half its height, so that what single notes do is not taken for tone.
const NEIGHBOURS: [f32; 3] = [3.0, 2.0, 1.0];
/// Shelves that differ by less stand as suggested, dB and as a share of the corner.
const SAME_GAIN_DB: f64 = 0.1;
const SAME_CORNER: f64 = 0.02;
/// A nearer difference is not worth another setting, dB.
const LEAST_GAIN_DB: f64 = 0.1;
/// Change of loudness from which on it is mentioned, LU.
const TOLD_LU: f64 = 0.5;
/// What two measurements of one recording differ by at most, dB.
const ONE_RECORDING_DB: f64 = 0.1;
/// Less than this is as loud, LU: it would be written as 0.0.
const LEAST_APART_LU: f64 = 0.05;

/// Output and input less the reference, at equal loudness.
#[derive(Clone, Debug, PartialEq)]
pub struct Curves {
    /// Of the output.
    pub output: Bands,
    /// Of the input.
    pub input: Bands,
    /// What they were measured on.
    pub of: String,
}

/// The curves: of the latest music where that has been measured, or of the end of a part that is
/// marked; else of the song so far.
pub fn curves(snapshot: &Snapshot, beside: Option<&Beside>, reference: &Profile) -> Curves {
    let narrow = |bands: [Option<f64>; BAND_COUNT]| bands.map(|db| db.map(|db| db as f32));
    if let Some(beside) = beside {
        return Curves {
            output: narrow(beside.comparison.difference_db),
            input: narrow(beside.input_difference_db),
            of: format!(
                "the last {} s{}",
                fixed(Some(beside.music_s), 0),
                if beside.marked { " marked" } else { "" }
            ),
        };
    }
    let of = |point: &Point| {
        let theirs = &reference.part;
        let loudness = point.readings.integrated_lufs.zip(theirs.integrated_lufs);
        let ours = point.balance.long_term_db.map(|db| db.map(f64::from));
        loudness.map_or([None; BAND_COUNT], |(lufs, reference_lufs)| {
            narrow(difference_db(
                &ours,
                lufs,
                &theirs.balance_db,
                reference_lufs,
            ))
        })
    };
    Curves {
        output: of(&snapshot.output),
        input: of(&snapshot.input),
        of: "the song so far".into(),
    }
}

/// The bands smoothed over about an octave; a band that is not known stays so.
pub fn smoothed(bands: &Bands) -> Bands {
    std::array::from_fn(|band| {
        bands[band]?;
        let (mut sum, mut weights) = (0.0, 0.0);
        for (other, db) in bands.iter().enumerate() {
            let weight = NEIGHBOURS.get(other.abs_diff(band));
            if let (Some(db), Some(weight)) = (db, weight) {
                sum += weight * db;
                weights += weight;
            }
        }
        Some(sum / weights)
    })
}

/// One third octave of both curves, in words.
pub fn band_in_words(curves: &Curves, band: usize, hz: f64) -> String {
    let of = |bands: &Bands| signed(bands.get(band).copied().flatten().map(f64::from), 1);
    format!(
        "{}: input {}, output {} dB against the reference.",
        frequency(hz),
        of(&curves.input),
        of(&curves.output)
    )
}

/// Which shelves would help.
#[derive(Clone, Debug, PartialEq)]
pub struct Advice {
    /// In words.
    pub words: String,
    /// The same in fewer: what it does to the loudness is not left out.
    pub short: String,
    /// What a click applies; `None` where there is nothing to apply.
    pub apply: Option<ShelvesSettings>,
}

impl Advice {
    /// The same of a chain that is set otherwise by now: not to be applied to this one.
    #[must_use]
    pub fn before_the_change(self) -> Self {
        Self {
            words: format!("before the change: {}", self.words),
            short: format!("before the change: {}", self.short),
            apply: None,
        }
    }
}

/// The shelves that bring the mix nearest, while `set` are in use. `same` where the reference is
/// the output itself; `possible`: whether there is room for music to compare.
pub fn advice(
    beside: Option<&Beside>,
    same: bool,
    possible: bool,
    set: &ShelvesSettings,
) -> Advice {
    let plain = |words: &str| Advice {
        words: words.into(),
        short: words.into(),
        apply: None,
    };
    if same {
        return plain("Nothing measured sets mix and reference apart: choose another.");
    }
    let Some(beside) = beside else {
        return plain(if possible {
            "Shelves are suggested after ten seconds of music."
        } else {
            "No shelves are suggested here: there is no room for music to compare."
        });
    };
    let (Some(found), Some(now_db)) = (&beside.shelves, beside.now_db) else {
        return plain("Too little of the spectrum is known of both to suggest shelves.");
    };
    let wanted = found.shelves;
    let [after, now] = [found.after_db, now_db].map(|db| fixed(Some(db), 1));
    if alike(&wanted, set) {
        let words = if found.helps() {
            format!("The shelves stand as suggested: difference {after} dB.")
        } else {
            format!("No shelf helps: the difference is {now} dB.")
        };
        return plain(&words);
    }
    if now_db - found.after_db < LEAST_GAIN_DB {
        return plain(&format!("No shelf brings it nearer: difference {now} dB."));
    }
    // Two are a pair by their names.
    let [low, high] = if wanted.low_gain_db != 0.0 && wanted.high_gain_db != 0.0 {
        ["low", "high"]
    } else {
        ["low shelf", "high shelf"]
    };
    let shelves = |corners: bool| {
        let shelf = |name: &str, gain_db: f64, hz: f64| {
            let gain = signed(Some(gain_db), 1);
            let corner = if corners {
                format!(", {}", frequency(hz))
            } else {
                String::new()
            };
            (gain_db != 0.0).then(|| format!("{name} {gain} dB{corner}"))
        };
        let both = [
            shelf(low, wanted.low_gain_db, wanted.low_hz),
            shelf(high, wanted.high_gain_db, wanted.high_hz),
        ];
        let set: Vec<String> = both.into_iter().flatten().collect();
        if set.is_empty() {
            "shelves at 0 dB".into()
        } else {
            set.join(" · ")
        }
    };
    let louder = beside.taking_lu.filter(|lu| lu.abs() >= TOLD_LU);
    let louder = louder.map_or_else(String::new, |lu| {
        format!(" · mix {} LU", signed(Some(lu), 1))
    });
    Advice {
        words: format!("{} · difference {now} → {after} dB{louder}", shelves(true)),
        short: format!("{}{louder}", shelves(false)),
        apply: Some(wanted),
    }
}

fn alike(one: &ShelvesSettings, other: &ShelvesSettings) -> bool {
    let shelf = |[gain, hz]: [f64; 2], [other_gain, other_hz]: [f64; 2]| {
        let flat = gain == 0.0 && other_gain.abs() < SAME_GAIN_DB;
        let corner = (hz / other_hz - 1.0).abs() < SAME_CORNER;
        flat || (gain - other_gain).abs() < SAME_GAIN_DB && corner
    };
    let pairs = |of: &ShelvesSettings| [[of.low_gain_db, of.low_hz], [of.high_gain_db, of.high_hz]];
    let [[low, high], [other_low, other_high]] = [pairs(one), pairs(other)];
    shelf(low, other_low) && shelf(high, other_high)
}

/// Whether all that was measured of the song so far, as it goes out, is what was measured of the
/// whole reference. That of the input may be: what the chain has made of it is then told.
pub fn is_same(snapshot: &Snapshot, reference: &Profile) -> bool {
    let (point, whole): (&Point, &Figures) = (&snapshot.output, &reference.whole);
    let near = |ours: Option<f64>, theirs: Option<f64>| {
        ours.zip(theirs)
            .is_some_and(|(ours, theirs)| (ours - theirs).abs() <= ONE_RECORDING_DB)
    };
    let readings = &point.readings;
    let mut bands = point.balance.long_term_db.iter().zip(&whole.balance_db);
    near(readings.integrated_lufs, whole.integrated_lufs)
        && near(readings.true_peak_dbtp, whole.true_peak_dbtp)
        && near(readings.ldr_db, whole.ldr_db)
        && bands.all(|(ours, theirs)| match (ours, theirs) {
            (Some(ours), Some(theirs)) => near(Some(f64::from(*ours)), Some(*theirs)),
            _ => true,
        })
}

/// What is said above the [findings](Beside::findings); `same` and `possible` as for [`advice`].
pub fn apart_in_words(
    beside: Option<&Beside>,
    reference: &Profile,
    same: bool,
    possible: bool,
) -> String {
    let words = match beside {
        _ if same => "the whole song measures as the whole reference does",
        Some(beside) if beside.findings.is_empty() => "nothing sets mix and reference far apart",
        // Two channels, where either has two: the meters tell of the one.
        Some(beside) if beside.output.channels < reference.channels => {
            "the mix, from both loudspeakers, against the reference"
        }
        Some(beside) => {
            let lu = beside.comparison.match_gain_db;
            let Some(lu) = lu.filter(|lu| lu.abs() >= LEAST_APART_LU) else {
                return "the mix against the reference, what weighs most first".into();
            };
            let side = if lu < 0.0 { "quieter" } else { "louder" };
            let lu = fixed(Some(lu.abs()), 1);
            return format!(
                "the mix, {lu}\u{a0}LU {side}, against the reference, what weighs most first"
            );
        }
        None if possible => "what sets them apart is told after ten seconds of music",
        None => "no room for music to tell what sets them apart",
    };
    words.into()
}

/// What a finding is about, as it is written.
pub fn about(finding: &Finding) -> &'static str {
    match finding.about {
        "plr" => "PLR",
        about => about,
    }
}

/// Crest factor of one band, mix and reference, dB.
pub type Density = [Option<f64>; 2];

/// The crest factors in four bands, low to high. The mix's is left out where the two are not to be
/// compared.
pub fn density(beside: Option<&Beside>, reference: &Profile) -> [Density; 4] {
    std::array::from_fn(|band| {
        let ours = beside.and_then(|beside| beside.comparison.crest_db(&beside.output, band));
        [ours, reference.part.band_crest_db[band]]
    })
}

/// What the figures come to, in words; `known`: whether the mix has been measured; `possible`:
/// whether there is room for music to compare.
pub fn density_in_words(
    density: &[Density; 4],
    reference: &Profile,
    known: bool,
    possible: bool,
) -> String {
    match denser_in_words(density) {
        Some(denser) => format!("crest factor, dB: {denser}"),
        None if !reference.crest_is_of_today() => {
            "crest factor, dB: not of this reference, saved by an earlier version".into()
        }
        None if known => "crest factor, dB: there is no band that both hold".into(),
        None if possible => "crest factor, dB; the mix's after ten seconds of music".into(),
        None => "crest factor, dB; no room for music to tell the mix's".into(),
    }
}

/// Which of the two is denser, in words; `None` while that is not known.
fn denser_in_words(density: &[Density; 4]) -> Option<String> {
    let differences: Vec<(f64, &str)> = density
        .iter()
        .zip(REGIONS)
        .filter_map(|([ours, theirs], (_, name))| Some((((*ours)? - (*theirs)?), name)))
        .collect();
    let (most, region) = differences
        .iter()
        .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))?;
    let who = if *most > 0.0 { "reference" } else { "mix" };
    let denser = |(db, _): &(f64, &str)| db * most.signum() >= DENSITY_DB;
    let everywhere = differences.len() == REGIONS.len() && differences.iter().all(denser);
    Some(if most.abs() < DENSITY_DB {
        "equally dense".into()
    } else if everywhere {
        format!("the {who} is denser in every band")
    } else {
        format!("the {who} is denser {region}")
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crestline_core::session::Section;
    use crestline_core::session::reference::{Comparison, Suggestion};

    /// A curve that is straight in decibels stays where it is, and a single band's share of it is
    /// that of the triangle: 3 of 3 + 2·2 + 2·1.
    #[test]
    fn smoothing_keeps_straight_lines_and_spreads_a_single_band() {
        let line: Bands = std::array::from_fn(|band| Some(0.5 * band as f32));
        let smooth = smoothed(&line);
        for band in 2..BAND_COUNT - 2 {
            assert!((smooth[band].unwrap() - line[band].unwrap()).abs() < 1e-4);
        }
        let mut single = [Some(0.0); BAND_COUNT];
        single[10] = Some(9.0);
        assert!((smoothed(&single)[10].unwrap() - 3.0).abs() < 1e-5);
        single[11] = None;
        assert_eq!(smoothed(&single)[11], None);
        assert!((smoothed(&single)[10].unwrap() - 27.0 / 7.0).abs() < 1e-5);
    }

    fn profile() -> Profile {
        let figures = Figures {
            integrated_lufs: Some(-10.0),
            true_peak_dbtp: Some(-1.0),
            ldr_db: Some(4.0),
            band_crest_db: [Some(10.0); 4],
            balance_db: [Some(-20.0); BAND_COUNT],
            ..Figures::default()
        };
        Profile {
            version: 1,
            name: "a".into(),
            sample_rate_hz: 48_000,
            channels: 2,
            lossy: false,
            section: Section::default(),
            whole: figures,
            part: figures,
        }
    }

    fn beside(shelves: ShelvesSettings, after_db: f64, now_db: f64) -> Beside {
        let profile = profile();
        Beside {
            music_s: 30.0,
            comparison: Comparison::new(&profile, &profile),
            findings: Vec::new(),
            marked: false,
            taking_lu: Some(0.8),
            output: profile.clone(),
            input: profile,
            input_difference_db: [None; BAND_COUNT],
            shelves: Some(Suggestion {
                shelves,
                before_db: 3.0,
                after_db,
                gain_db: [0.0; BAND_COUNT],
                loudness_change_lu: 0.3,
            }),
            now_db: Some(now_db),
        }
    }

    #[test]
    fn shelves_are_offered_where_they_help_and_only_there() {
        let flat = ShelvesSettings::default();
        let wanted = ShelvesSettings {
            low_gain_db: -2.5,
            low_hz: 110.0,
            ..flat
        };
        let found = beside(wanted, 1.2, 3.1);
        let offered = advice(Some(&found), false, true, &flat);
        assert_eq!(
            offered.words,
            "low shelf −2.5 dB, 110\u{a0}Hz · difference 3.1 → 1.2 dB · mix +0.8 LU"
        );
        assert_eq!(offered.apply, Some(wanted));
        let stale = offered.clone().before_the_change();
        assert_eq!((stale.apply, stale.words.contains("before")), (None, true));
        // Also before it has been measured anew.
        for now_db in [3.1, 1.2] {
            let taken = advice(Some(&beside(wanted, 1.2, now_db)), false, true, &wanted);
            assert_eq!(taken.apply, None);
            assert_eq!(
                taken.words,
                "The shelves stand as suggested: difference 1.2 dB."
            );
        }
        let none = advice(Some(&beside(flat, 2.0, 2.0)), false, true, &flat);
        assert_eq!(
            (none.apply, none.words.contains("No shelf helps")),
            (None, true)
        );
        assert!(advice(Some(&found), true, true, &flat).apply.is_none());
        let [later, never] = [true, false].map(|possible| advice(None, false, possible, &flat));
        assert!(later.apply.is_none() && later.words.contains("after ten seconds"));
        assert!(never.apply.is_none() && never.words.contains("no room"));
    }

    #[test]
    fn the_mix_itself_is_recognised() {
        let reference = profile();
        let mut snapshot = Snapshot::default();
        assert!(!is_same(&snapshot, &reference));
        snapshot.output.readings.integrated_lufs = Some(-10.0);
        snapshot.output.readings.true_peak_dbtp = Some(-1.0);
        snapshot.output.readings.ldr_db = Some(4.0);
        snapshot.output.balance.long_term_db = [Some(-20.0); BAND_COUNT];
        assert!(is_same(&snapshot, &reference));
        snapshot.output.balance.long_term_db[20] = Some(-19.0);
        assert!(!is_same(&snapshot, &reference));
    }

    #[test]
    fn who_is_denser_is_told_in_words() {
        let with = |ours: [f64; 4]| ours.map(|ours| [Some(ours), Some(10.0)]);
        let words = |ours| denser_in_words(&with(ours)).unwrap();
        assert_eq!(words([10.5, 9.0, 10.0, 11.0]), "equally dense");
        assert_eq!(
            words([12.0, 13.0, 12.5, 14.0]),
            "the reference is denser in every band"
        );
        assert_eq!(
            words([10.0, 10.0, 10.0, 7.0]),
            "the mix is denser above 6 kHz"
        );
        let mut three = with([12.0, 13.0, 12.5, 14.0]);
        three[0][0] = None;
        assert_eq!(
            denser_in_words(&three).unwrap(),
            "the reference is denser above 6 kHz"
        );
        assert_eq!(denser_in_words(&[[None, Some(10.0)]; 4]), None);
    }
}
