//! What sets a mix apart from its reference, in plain words and in order of weight.

use super::comparison::{BALANCE_DB, Comparison, REGIONS};
use super::profile::{Figures, Profile};
use crate::measure::{BAND_COUNT, nominal_hz};
use std::ops::Range;

/// One thing that sets the two apart.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// What it is about: `balance`, `density`, `loudness`, `microdynamics`, `plr`, `flat tops`.
    pub about: &'static str,
    /// The difference, mix less reference: dB, LU or, of flat tops, percentage points.
    pub difference: f64,
    /// How often it holds the difference from which on it is worth telling.
    pub weight: f64,
    /// The sentence.
    pub sentence: String,
    /// The same in a few words, of the mix, where what it is about stands beside it.
    pub brief: String,
}

/// Findings told at most, and of them those of whole regions: at equal loudness more of one is less
/// of another, and three would be one thing told three times. Flat tops come after them: nothing
/// else tells that bending had a part in it, and no decibels weigh it.
const MOST: usize = 3;
const MOST_REGIONS: usize = 2;
/// What peaks and beats tell of how loud something is made. One of these always has a place: two songs
/// that are not the same differ in their spectra by so much that balance alone would take all three.
const DYNAMICS: [&str; 3] = ["density", "microdynamics", "plr"];

/// From such a difference of its crest factor on a band is denser, dB (common practice).
pub const DENSITY_DB: f64 = 1.2;
/// From these differences on something else is worth telling (common practice, no standard's figures):
/// what an octave stands out by dB, the lowest region against the highest dB, loudness LU,
/// microdynamics dB, PLR dB.
const OCTAVE_DB: f64 = 1.8;
const TILT_DB: f64 = 1.5;
const LOUDNESS_LU: f64 = 3.0;
const MICRODYNAMICS_DB: f64 = 0.7;
const PLR_DB: f64 = 2.0;
/// By so much, dB and as a share of it, another band or PLR must say the opposite for density to be no
/// finding.
const OPPOSED_DB: f64 = 1.0;
const OPPOSED: f64 = 0.5;
/// Percentage points of flat tops: music that was at most limited has some tenths of one at most.
pub(super) const FLAT_TOPS: f64 = 1.0;
/// The same of one alone, as where the other's cannot be told.
pub const FLAT_TOPS_OF_ONE: f64 = 3.0;

/// Up to three differences that weigh most, one of dynamics among them where there is one, the heaviest
/// first, and last that of flat tops; empty where nothing is worth telling.
pub fn findings(mix: &Profile, reference: &Profile, comparison: &Comparison) -> Vec<Finding> {
    let [mix, reference] = Profile::pair(mix, reference);
    let mut all = balance(comparison);
    all.extend(density(&mix.part, &reference.part, comparison));
    all.extend(levels(&mix.part, &reference.part));
    all.retain(|finding| finding.weight >= 1.0);
    // How far peaks stand out, too, and where: told twice, it would take the place of something else.
    if all.iter().any(|finding| finding.about == "density") {
        all.retain(|finding| finding.about != "plr");
    }
    all.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    let dynamics = |finding: &Finding| DYNAMICS.contains(&finding.about);
    if let Some(heaviest) = all.iter().position(dynamics).filter(|place| *place >= MOST) {
        all.swap(MOST - 1, heaviest);
    }
    all.truncate(MOST);
    let bent = flat_tops(&mix, &reference);
    all.extend(bent.filter(|finding| finding.weight >= 1.0));
    all
}

/// Where the bands of one region or of several in a row lie, in a sentence.
fn place(bands: &Range<usize>) -> &'static str {
    let joined = [
        (0..17, "below 1 kHz"),
        (0..25, "below 6 kHz"),
        (8..25, "from 120 Hz to 6 kHz"),
        (8..BAND_COUNT, "above 120 Hz"),
        (17..BAND_COUNT, "above 1 kHz"),
    ];
    let mut places = REGIONS.iter().chain(&joined);
    places
        .find(|place| place.0 == *bands)
        .map_or("", |place| place.1)
}

fn balance(comparison: &Comparison) -> Vec<Finding> {
    let finding = |difference: f64, weight: f64, place: &str| {
        let more = if difference > 0.0 { "more" } else { "less" };
        Finding {
            about: "balance",
            difference,
            weight,
            sentence: format!(
                "At equal loudness the mix has {:.1} dB {more} than the reference {place}.",
                difference.abs()
            ),
            brief: format!("{:.1} dB {more} {place}", difference.abs()),
        }
    };
    let octave = comparison.octave.map(|octave| {
        finding(
            octave.difference_db,
            octave.beyond_db / OCTAVE_DB,
            &format!("around {} Hz", nominal_hz(octave.band)),
        )
    });
    // What is told of an octave is not told again of all regions that have less for it.
    let without = comparison.without_octave.as_ref();
    let without = without.filter(|_| octave.as_ref().is_some_and(|octave| octave.weight >= 1.0));
    let spans = comparison.spans.iter().enumerate().filter(|(span, _)| {
        let left_db = without.and_then(|without| without.spans_db[*span]);
        left_db.is_none_or(|db| db.abs() >= BALANCE_DB)
    });
    let mut all: Vec<Finding> = spans
        .map(|(_, (bands, db))| finding(*db, db.abs() / BALANCE_DB, place(bands)))
        .collect();
    all.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    all.truncate(MOST_REGIONS);
    // What falls from one end to the other is one thing, unless one end is most of it.
    let tilts = |[low, .., high]: [Option<f64>; 4]| {
        let tilt_db = low.zip(high).map(|(low, high)| low - high);
        tilt_db.is_some_and(|db| db.abs() >= TILT_DB)
    };
    if let Some(tilt) = tilt(comparison)
        && without.is_none_or(|without| tilts(without.region_difference_db))
        && all.iter().all(|region| region.weight < tilt.weight)
    {
        all = vec![tilt];
    }
    all.extend(octave);
    all
}

/// Lowest against highest region, where it is more of the one and less of the other, what lies between
/// them is so, too, and not both are told by themselves.
fn tilt(comparison: &Comparison) -> Option<Finding> {
    let [low, .., high] = comparison.region_difference_db;
    let (low, high) = (low?, high?);
    let difference = low - high;
    let regions = comparison.region_difference_db.iter().flatten();
    let falls = regions.is_sorted_by(|a, b| difference.signum() * (**a - **b) >= 0.0);
    let apart = low * high < 0.0 && low.abs().min(high.abs()) < BALANCE_DB && falls;
    let end = if difference > 0.0 { "bass" } else { "treble" };
    apart.then(|| Finding {
        about: "balance",
        difference,
        weight: difference.abs() / TILT_DB,
        sentence: format!(
            "Against the reference the balance of the mix tilts {:.1} dB to the {end} ({} against {}).",
            difference.abs(),
            REGIONS[0].1,
            REGIONS[3].1
        ),
        brief: format!("{:.1} dB to the {end}", difference.abs()),
    })
}

/// The band in which the two differ most.
fn density(mix: &Figures, reference: &Figures, comparison: &Comparison) -> Option<Finding> {
    let bands = comparison.crest_difference_db.into_iter().enumerate();
    let known = bands.filter_map(|(band, difference)| Some((difference?, band)));
    let (difference, band) = known.max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))?;
    // One is denser here and the other there: a peak in one of the bands, as attacks that a compressor
    // lets pass, says nothing of the whole.
    // So it is where peaks stand the other way round above the loudness of all: what clipping bends
    // comes in bursts where there was next to nothing.
    let opposed_db = OPPOSED_DB.max(OPPOSED * difference.abs());
    let plr_db = mix
        .plr_db
        .zip(reference.plr_db)
        .map(|(mix, reference)| mix - reference);
    let bands = comparison.crest_difference_db.into_iter();
    let mut all = bands.chain([plr_db]).flatten();
    if all.any(|other| other * difference.signum() <= -opposed_db) {
        return None;
    }
    let (mix, reference) = (mix.band_crest_db[band]?, reference.band_crest_db[band]?);
    let name = REGIONS[band].1;
    let (denser, higher) = if difference > 0.0 {
        ("reference", "higher")
    } else {
        ("mix", "lower")
    };
    Some(Finding {
        about: "density",
        difference,
        weight: difference.abs() / DENSITY_DB,
        sentence: format!(
            "The {denser} is denser {name}: the crest factor there is {mix:.1} dB in the mix and \
             {reference:.1} dB in the reference."
        ),
        brief: format!(
            "crest factor {:.1} dB {higher} {name}",
            apart(mix, reference)
        ),
    })
}

/// So many flat tops of `of`, with their unit: of a lossy file, the least there were.
fn flat_tops_in_words(of: &Profile, percent: Option<f64>) -> String {
    let at_least = if of.lossy { "≥ " } else { "" };
    percent.map_or("—".to_owned(), |percent| {
        format!("{at_least}{percent:.1} %")
    })
}

/// Which of the two has been bent further.
fn flat_tops(mix: &Profile, reference: &Profile) -> Option<Finding> {
    let [ours, theirs] = [mix, reference].map(|of| of.part.flat_tops_percent);
    let difference = ours.unwrap_or(0.0) - theirs.unwrap_or(0.0);
    let (bent, other, other_lossy) = if difference > 0.0 {
        ("mix", "reference", reference.lossy)
    } else {
        ("reference", "mix", mix.lossy)
    };
    let (told, least) = match (ours, theirs) {
        // It may have had as many before the encoder rounded them.
        (Some(mix), Some(reference)) if other_lossy => {
            let [more, less] = [mix.max(reference), mix.min(reference)];
            let told = format!(
                "Of the highest tops of the {bent} {more:.1} % are flat, as clipping or hard \
                 saturation leaves them; of the {other}'s, which is lossy, at least {less:.1} %."
            );
            (told, FLAT_TOPS_OF_ONE)
        }
        (Some(mix), Some(reference)) => {
            let [more, less] = [mix.max(reference), mix.min(reference)];
            let told = format!(
                "The highest tops of the {bent} are flatter, as clipping or hard saturation leaves \
                 them: {more:.1} % of them are flat, {less:.1} % of the {other}'s."
            );
            (told, FLAT_TOPS)
        }
        (Some(percent), None) | (None, Some(percent)) => {
            let told = format!(
                "Of the highest tops of the {bent} {percent:.1} % are flat, as clipping or hard \
                 saturation leaves them; of the {other}'s it cannot be told."
            );
            (told, FLAT_TOPS_OF_ONE)
        }
        (None, None) => return None,
    };
    let percent = |of: &Profile| flat_tops_in_words(of, of.part.flat_tops_percent);
    Some(Finding {
        about: "flat tops",
        difference,
        weight: difference.abs() / least,
        sentence: told,
        brief: format!("{}, of the reference {}", percent(mix), percent(reference)),
    })
}

fn levels(mix: &Figures, reference: &Figures) -> impl Iterator<Item = Finding> {
    let both = |of: fn(&Figures) -> Option<f64>| Some((of(mix)?, of(reference)?));
    let loudness = both(|figures| figures.integrated_lufs).map(|(mix, reference)| {
        let difference = mix - reference;
        let (louder, quieter) = if difference < 0.0 {
            ("reference", "quieter")
        } else {
            ("mix", "louder")
        };
        Finding {
            about: "loudness",
            difference,
            weight: difference.abs() / LOUDNESS_LU,
            sentence: format!(
                "The {louder} is {:.1} LU louder ({} LUFS against {}): compare with the {louder} \
                 turned down by that much.",
                apart(mix, reference),
                signed(mix.max(reference)),
                signed(mix.min(reference))
            ),
            brief: format!("{:.1} LU {quieter}", apart(mix, reference)),
        }
    });
    let microdynamics = both(|figures| figures.ldr_db).map(|(mix, reference)| {
        let difference = mix - reference;
        let (further, more) = if difference > 0.0 {
            ("further", "more")
        } else {
            ("less far", "less")
        };
        Finding {
            about: "microdynamics",
            difference,
            weight: difference.abs() / MICRODYNAMICS_DB,
            sentence: format!(
                "The beat of the mix stands out {further} than that of the reference: LDR {mix:.1} \
                 dB against {reference:.1} dB."
            ),
            brief: format!("{:.1} dB {more}", apart(mix, reference)),
        }
    });
    let plr = both(|figures| figures.plr_db).map(|(mix, reference)| {
        let difference = mix - reference;
        let higher = if difference > 0.0 { "higher" } else { "lower" };
        Finding {
            about: "plr",
            difference,
            weight: difference.abs() / PLR_DB,
            sentence: format!(
                "Peaks of the mix stand {:.1} dB {higher} above its loudness: PLR {mix:.1} dB \
                 against {reference:.1} dB.",
                apart(mix, reference)
            ),
            brief: format!("{:.1} dB {higher}", apart(mix, reference)),
        }
    });
    [loudness, microdynamics, plr].into_iter().flatten()
}

/// With a real minus sign.
fn signed(value: f64) -> String {
    // What is next to nothing has no sign.
    format!("{:.1}", shown(value)).replace('-', "\u{2212}")
}

/// By how much one value is more than another, both as they are shown: so that it never contradicts
/// them where they stand beside it.
fn apart(one: f64, other: f64) -> f64 {
    (shown(one) - shown(other)).abs()
}

/// A value as it is shown, in tenths.
fn shown(value: f64) -> f64 {
    (10.0 * value).round() / 10.0 + 0.0
}
