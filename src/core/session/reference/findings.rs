//! What sets a mix apart from its reference, in plain words and in order of weight.

use std::cmp::Ordering;

use super::profile::{Figures, Profile};
use super::suggest::{Bands, Suggestion, difference_db, evidence, suggest};
use crate::dsp::decibel::{db_from_power, power_from_db};
use crate::measure::{BAND_COUNT, FAINT_DB, band_edge_hz, mid_band_hz, nominal_hz};

/// The third-octave bands of each region, and its name in a sentence. They meet where the
/// crossover's bands do: near 120 Hz, 1 kHz and 6 kHz.
pub const REGIONS: [(std::ops::Range<usize>, &str); 4] = [
    (0..8, "below 120 Hz"),
    (8..17, "from 120 Hz to 1 kHz"),
    (17..25, "from 1 to 6 kHz"),
    (25..BAND_COUNT, "above 6 kHz"),
];

/// A mix beside its reference, part against part at equal loudness.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// Gain that brings the reference's part to the loudness of the mix's, dB.
    pub match_gain_db: Option<f64>,
    /// Mix less reference in each third-octave band at equal loudness, dB.
    pub difference_db: [Option<f64>; BAND_COUNT],
    /// The same of each of the [`REGIONS`]: the powers of those bands added up that are known of
    /// both.
    pub region_difference_db: [Option<f64>; 4],
    /// Crest factor of the mix less that of the reference in each band, dB. `None` where a band is
    /// not wholly there in both, or 40 dB below the whole of either; and beside surround for stereo,
    /// each of whose channels holds more of the music, which makes it denser.
    pub crest_difference_db: [Option<f64>; 4],
    /// The shelves that bring the mix nearest; `None` where too few bands are known.
    pub suggestion: Option<Suggestion>,
    /// Regions in a row that differ alike, as one: their bands, and the difference of all of them.
    pub spans: Vec<(std::ops::Range<usize>, f64)>,
    /// The octave that stands out most from its region.
    pub octave: Option<Octave>,
    /// Everything measured of both is the same. That may be one recording, or another that no
    /// measure tells from it, as with its channels exchanged.
    pub same: bool,
}

/// Three third-octave bands beside one another in which mix and reference differ otherwise than in
/// the octaves next to them, as a region's level does not show: that of its strongest bands is most
/// of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Octave {
    /// Its middle band.
    pub band: usize,
    /// Mix less reference at equal loudness, the powers of its bands added up, dB.
    pub difference_db: f64,
    /// How far that stands out from the mean of the octaves below and above, away from 0, dB.
    pub beyond_db: f64,
}

impl Comparison {
    /// Compares the parts, each [beside](Profile::beside) the other.
    pub fn new(mix: &Profile, reference: &Profile) -> Self {
        let [mix, reference] = &Profile::pair(mix, reference);
        let (ours, theirs) = (&mix.part, &reference.part);
        let both = |of: fn(&Figures) -> Option<f64>| Some((of(ours)?, of(theirs)?));
        let loudness = both(|figures| figures.integrated_lufs);
        let difference = |ours: &[Option<f64>], theirs: &[Option<f64>], index: usize| {
            Some((*ours.get(index)?)? - (*theirs.get(index)?)?)
        };
        let rate_hz = f64::from(mix.sample_rate_hz);
        let balances = known_of_both(mix, reference);
        let [our_balance, their_balance] = &balances;
        let region = |bands: &std::ops::Range<usize>| {
            let (mix, reference) = loudness?;
            let within = balances.map(|balance| power_db(&balance[bands.clone()]));
            // What is faint in both holds nothing of its own in either.
            let mut sides = within.iter().zip(&balances);
            let told = sides.any(|(within_db, balance)| stands_out(*within_db, balance));
            let [ours, theirs] = within.map(|db| db.filter(|_| told));
            Some(ours? - mix - (theirs? - reference))
        };
        let evidence = evidence(rate_hz, our_balance, their_balance);
        let octave_db = |band: usize| {
            let bands = band.checked_sub(1)?..band + 2;
            let told = |band: &f64| *band >= LEAST_EVIDENCE;
            evidence
                .get(bands.clone())?
                .iter()
                .all(told)
                .then_some(())?;
            region(&bands)
        };
        // At equal loudness all else moves the other way, so its neighbours are what it stands out from.
        let octaves = (OCTAVE_BANDS..BAND_COUNT).filter_map(|band| {
            let difference_db = octave_db(band)?;
            let below_db = octave_db(band - OCTAVE_BANDS)?;
            let above_db = octave_db(band + OCTAVE_BANDS)?;
            let around_db = f64::midpoint(below_db, above_db);
            let octave = Octave {
                band,
                difference_db,
                beyond_db: difference_db.signum() * (difference_db - around_db),
            };
            (difference_db.abs() >= BALANCE_DB).then_some(octave)
        });
        // Of the edge of a shelf its regions say all. What lies at the end of what is known cannot be
        // told from one.
        let stands_alone = |octave: &Octave| {
            let sign = octave.difference_db.signum();
            let falls = |band: Option<usize>| {
                let there_db = band.and_then(octave_db);
                there_db.is_some_and(|db| sign * (octave.difference_db - db) >= ALONE_DB)
            };
            let below = (1..=3).any(|bands| falls(octave.band.checked_sub(bands)));
            below && (1..=3).any(|bands| falls(Some(octave.band + bands)))
        };
        let octaves = octaves.filter(stands_alone);
        let octave = octaves.max_by(|a, b| a.beyond_db.total_cmp(&b.beyond_db));
        // What lies at the border of two regions stands out from the one that it moves less, from
        // beside its own middle.
        let at_its_middle = |octave: Octave| {
            let around = octave.band.saturating_sub(1)..=octave.band + 1;
            let more = |band: &usize| octave_db(*band).map(|db| db * octave.difference_db.signum());
            let band =
                around.max_by(|a, b| more(a).partial_cmp(&more(b)).unwrap_or(Ordering::Equal))?;
            Some(Octave {
                band,
                difference_db: octave_db(band)?,
                ..octave
            })
        };
        let region_difference_db = REGIONS.map(|(bands, _)| region(&bands));
        let [ours_surround, theirs_surround] = [mix, reference].map(|of| of.channels > 2);
        let surround_in_both_or_none = ours_surround == theirs_surround;
        Self {
            match_gain_db: loudness.map(|(mix, reference)| mix - reference),
            difference_db: loudness.map_or([None; BAND_COUNT], |(mix, reference)| {
                difference_db(our_balance, mix, their_balance, reference)
            }),
            region_difference_db,
            spans: spans(region_difference_db)
                .into_iter()
                .filter_map(|bands| Some((bands.clone(), region(&bands)?)))
                .collect(),
            crest_difference_db: std::array::from_fn(|band| {
                let half_hz = lower_half_hz(mix, reference);
                let mut balances = balances.iter();
                let sounds = balances.all(|balance| region_sounds(balance, half_hz, band));
                (sounds && surround_in_both_or_none).then_some(())?;
                difference(&ours.band_crest_db, &theirs.band_crest_db, band)
            }),
            // Shelves move the mix as it is, also where the reference holds nothing.
            suggestion: suggest(rate_hz, &ours.balance_db, their_balance),
            octave: octave.and_then(at_its_middle),
            same: mix.channels == reference.channels
                && measure_alike(&mix.whole, &reference.whole)
                && measure_alike(&mix.part, &reference.part),
        }
    }

    /// Crest factor of one of the two in a region, dB; `None` where they are
    /// [not to be compared](Self::crest_difference_db).
    pub fn crest_db(&self, of: &Profile, region: usize) -> Option<f64> {
        self.crest_difference_db.get(region).copied().flatten()?;
        of.part.band_crest_db.get(region).copied().flatten()
    }
}

/// Whether all is the same that both were measured for: a profile may be older than the measure of
/// flat tops, or than that of crest factors as it is.
fn measure_alike(one: &Figures, other: &Figures) -> bool {
    let mut other = *other;
    if [one.band_crest_db, other.band_crest_db].contains(&[None; 4]) {
        other.band_crest_db = one.band_crest_db;
    }
    if one.flat_tops_percent.is_none() || other.flat_tops_percent.is_none() {
        other.flat_tops_percent = one.flat_tops_percent;
    }
    *one == other
}

/// Bands of the regions that have a difference, those in a row that differ [alike](ALIKE_DB) as
/// one. All four are never one: at equal loudness that says nothing.
fn spans(difference_db: [Option<f64>; 4]) -> Vec<std::ops::Range<usize>> {
    let mut spans: Vec<(std::ops::Range<usize>, [f64; 2])> = Vec::new();
    for (difference, (bands, _)) in difference_db.into_iter().zip(REGIONS) {
        let Some(db) = difference else { continue };
        match spans.last_mut() {
            Some((last, [low, high]))
                if last.end == bands.start
                    && (last.start, bands.end) != (0, BAND_COUNT)
                    && db * *low > 0.0
                    && high.max(db) - low.min(db) <= ALIKE_DB =>
            {
                (last.end, *low, *high) = (bands.end, low.min(db), high.max(db));
            }
            _ => spans.push((bands, [db; 2])),
        }
    }
    spans.into_iter().map(|(bands, _)| bands).collect()
}

/// Where the bands of one region or of several in a row lie, in a sentence.
fn place(bands: &std::ops::Range<usize>) -> &'static str {
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

/// Half of the lower of both sample rates, Hz.
fn lower_half_hz(mix: &Profile, reference: &Profile) -> f64 {
    0.5 * f64::from(mix.sample_rate_hz.min(reference.sample_rate_hz))
}

/// Both balances, without the bands that are not known of both, or of which the one of the lower
/// rate holds only a part.
pub(super) fn known_of_both(mix: &Profile, reference: &Profile) -> [Bands; 2] {
    let (ours, theirs) = (&mix.part.balance_db, &reference.part.balance_db);
    let half_hz = lower_half_hz(mix, reference);
    let alike = mix.sample_rate_hz == reference.sample_rate_hz;
    let known = |band: usize| {
        let whole = alike || band_edge_hz(band + 1) < half_hz;
        whole && ours[band].is_some() && theirs[band].is_some()
    };
    [ours, theirs].map(|balance| std::array::from_fn(|band| balance[band].filter(|_| known(band))))
}

/// Whether a region is wholly there in audio that reaches up to `half_hz`, half its sample rate, and
/// holds something of its own: no less than [`FAINT_DB`] below the whole.
pub fn region_sounds(balance: &[Option<f64>; BAND_COUNT], half_hz: f64, region: usize) -> bool {
    let bands = REGIONS[region].0.clone();
    let whole = half_hz > mid_band_hz(bands.end - 1);
    whole && stands_out(power_db(&balance[bands]), balance)
}

/// Whether some bands hold something of their own: no less than 40 dB below the whole.
fn stands_out(within_db: Option<f64>, balance: &Bands) -> bool {
    within_db > power_db(balance).map(|all_db| all_db - FAINT_DB)
}

/// The powers of the bands added up, dB; `None` where none is known.
pub fn power_db(bands: &[Option<f64>]) -> Option<f64> {
    let power: f64 = bands.iter().flatten().map(|db| power_from_db(*db)).sum();
    db_from_power(power)
}

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

/// Bands of an octave that say less are not told of: 40 dB below the strongest, K-weighted.
const LEAST_EVIDENCE: f64 = 0.2;

/// Findings told at most, and of them those of whole regions: at equal loudness more of one is less
/// of another, and three would be one thing told three times. Flat tops come after them: nothing
/// else tells that bending had a part in it, and no decibels weigh it.
const MOST: usize = 3;
const MOST_REGIONS: usize = 2;

/// From these differences on something is worth telling (common practice, no standard's figures):
/// a region's level dB, what an octave stands out by dB, the lowest region against the highest dB, a
/// band's crest factor dB, loudness LU, microdynamics dB, PLR dB.
const BALANCE_DB: f64 = 1.0;
/// Neighbouring regions whose differences lie no farther apart differ alike.
const ALIKE_DB: f64 = 0.3;
const OCTAVE_DB: f64 = 1.8;
/// Third octaves in an octave.
const OCTAVE_BANDS: usize = 3;
/// By so much it is more than what lies up to an octave away, on either side: the edge of a shelf is
/// not.
const ALONE_DB: f64 = 1.0;
const TILT_DB: f64 = 1.5;
const DENSITY_DB: f64 = 1.5;
const LOUDNESS_LU: f64 = 3.0;
const MICRODYNAMICS_DB: f64 = 0.7;
const PLR_DB: f64 = 2.0;
/// Percentage points of flat tops: music that was at most limited has some tenths of one at most.
const FLAT_TOPS: f64 = 1.0;
/// The same of one alone, where the other's cannot be told.
const FLAT_TOPS_OF_ONE: f64 = 3.0;

/// Up to three differences that weigh most, the heaviest first, and last that of flat tops; empty
/// where nothing is worth telling.
pub fn findings(mix: &Profile, reference: &Profile, comparison: &Comparison) -> Vec<Finding> {
    let [mix, reference] = Profile::pair(mix, reference);
    let mut all = balance(comparison);
    all.extend(density(&mix.part, &reference.part, comparison));
    all.extend(levels(&mix.part, &reference.part));
    all.retain(|finding| finding.weight >= 1.0);
    all.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    all.truncate(MOST);
    let bent = flat_tops(&mix.part, &reference.part);
    all.extend(bent.filter(|finding| finding.weight >= 1.0));
    all
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
    let spans = comparison.spans.iter();
    let mut all: Vec<Finding> = spans
        .map(|(bands, db)| finding(*db, db.abs() / BALANCE_DB, place(bands)))
        .collect();
    all.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    all.truncate(MOST_REGIONS);
    all.extend(comparison.octave.map(|octave| {
        finding(
            octave.difference_db,
            octave.beyond_db / OCTAVE_DB,
            &format!("around {} Hz", nominal_hz(octave.band)),
        )
    }));
    all.extend(tilt(comparison));
    all
}

/// Lowest against highest region, where neither is told by itself.
fn tilt(comparison: &Comparison) -> Option<Finding> {
    let [low, .., high] = comparison.region_difference_db;
    let (low, high) = (low?, high?);
    let difference = low - high;
    let apart = low * high < 0.0 && low.abs().max(high.abs()) < BALANCE_DB;
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
        brief: format!("crest factor {:.1} dB {higher} {name}", difference.abs()),
    })
}

/// Which of the two has been bent further.
fn flat_tops(mix: &Figures, reference: &Figures) -> Option<Finding> {
    let (ours, theirs) = (mix.flat_tops_percent, reference.flat_tops_percent);
    let difference = ours.unwrap_or(0.0) - theirs.unwrap_or(0.0);
    let (bent, other) = if difference > 0.0 {
        ("mix", "reference")
    } else {
        ("reference", "mix")
    };
    let (told, least) = match (ours, theirs) {
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
    let percent =
        |of: Option<f64>| of.map_or("—".to_owned(), |percent| format!("{percent:.1} %"));
    Some(Finding {
        about: "flat tops",
        difference,
        weight: difference.abs() / least,
        sentence: told,
        brief: format!("{}, of the reference {}", percent(ours), percent(theirs)),
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
                difference.abs(),
                signed(mix.max(reference)),
                signed(mix.min(reference))
            ),
            brief: format!("{:.1} LU {quieter}", difference.abs()),
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
            brief: format!("{:.1} dB {more}", difference.abs()),
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
                difference.abs()
            ),
            brief: format!("{:.1} dB {higher}", difference.abs()),
        }
    });
    [loudness, microdynamics, plr].into_iter().flatten()
}

/// With a real minus sign.
fn signed(value: f64) -> String {
    // Rounded first: what is next to nothing has no sign.
    let tenths = (10.0 * value).round() / 10.0 + 0.0;
    format!("{tenths:.1}").replace('-', "\u{2212}")
}
