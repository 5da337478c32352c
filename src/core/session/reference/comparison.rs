//! A mix and its reference, part against part at equal loudness, in numbers.

mod octave;

pub use self::octave::Octave;
use super::profile::{Figures, Profile};
use super::suggest::{Bands, Suggestion, difference_db, evidence, loudness_change_lu, suggest};
use crate::dsp::decibel::{db_from_power, power_from_db};
use crate::measure::{BAND_COUNT, FAINT_DB, band_edge_hz, mid_band_hz};
use std::ops::Range;

/// The third-octave bands of each region, and its name in a sentence. They meet where the
/// crossover's bands do: near 120 Hz, 1 kHz and 6 kHz.
pub const REGIONS: [(Range<usize>, &str); 4] = [
    (0..8, "below 120 Hz"),
    (8..17, "from 120 Hz to 1 kHz"),
    (17..25, "from 1 to 6 kHz"),
    (25..BAND_COUNT, "above 6 kHz"),
];

/// A region's level is worth telling from here on, dB (common practice, no standard's figure).
pub(super) const BALANCE_DB: f64 = 1.0;
/// Neighbouring regions whose differences lie no farther apart differ alike.
const ALIKE_DB: f64 = 0.3;

/// What is left between two balances without the octave that stands out.
#[derive(Clone, Debug, PartialEq)]
pub struct WithoutOctave {
    /// As [`Comparison::region_difference_db`].
    pub region_difference_db: [Option<f64>; 4],
    /// Of each of [`Comparison::spans`], dB.
    pub spans_db: Vec<Option<f64>>,
}

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
    pub spans: Vec<(Range<usize>, f64)>,
    /// The octave that stands out most from its region.
    pub octave: Option<Octave>,
    /// The differences of the regions and of the spans if that octave were as its neighbours are: at
    /// equal loudness, what is added in one place is missing in all others.
    pub without_octave: Option<WithoutOctave>,
    /// Everything measured of both is the same. That may be one recording, or another that no
    /// measure tells from it, as with its channels exchanged.
    pub same: bool,
}

impl Comparison {
    /// Compares the parts, each [beside](Profile::beside) the other.
    pub fn new(mix: &Profile, reference: &Profile) -> Self {
        let [mix, reference] = &Profile::pair(mix, reference);
        let both = Both::new(mix, reference);
        let [our_balance, their_balance] = &both.balances;
        let rate_hz = f64::from(mix.sample_rate_hz);
        let evidence = evidence(rate_hz, our_balance, their_balance);
        let regions_of = |both: &Both<'_>| REGIONS.map(|(bands, _)| both.difference_db(&bands));
        let region_difference_db = regions_of(&both);
        let spans: Vec<_> = spans(region_difference_db)
            .into_iter()
            .filter_map(|bands| Some((bands.clone(), both.difference_db(&bands)?)))
            .collect();
        let difference_db = both.lufs.map_or([None; BAND_COUNT], |[mix, reference]| {
            difference_db(our_balance, mix, their_balance, reference)
        });
        let octave = Octave::find(&evidence, |bands| both.difference_db(bands));
        let without_octave = octave.map(|octave| {
            let without = both.without(octave.excess_db(&difference_db, &evidence));
            let spans = spans.iter();
            WithoutOctave {
                region_difference_db: regions_of(&without),
                spans_db: spans
                    .map(|(bands, _)| without.difference_db(bands))
                    .collect(),
            }
        });
        Self {
            match_gain_db: both.lufs.map(|[mix, reference]| mix - reference),
            difference_db,
            region_difference_db,
            spans,
            crest_difference_db: std::array::from_fn(|region| both.crest_difference_db(region)),
            // Shelves move the mix as it is, also where the reference holds nothing.
            suggestion: suggest(rate_hz, &mix.part.balance_db, their_balance),
            octave,
            without_octave,
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

/// The mix and its reference, each beside the other.
struct Both<'a> {
    mix: &'a Profile,
    reference: &'a Profile,
    /// What is [known of both](known_of_both).
    balances: [Bands; 2],
    lufs: Option<[f64; 2]>,
}

impl<'a> Both<'a> {
    fn new(mix: &'a Profile, reference: &'a Profile) -> Self {
        let lufs = [mix, reference].map(|of| of.part.integrated_lufs);
        Self {
            mix,
            reference,
            balances: known_of_both(mix, reference),
            lufs: lufs[0].zip(lufs[1]).map(<[f64; 2]>::from),
        }
    }

    /// Mix less reference of bands in a row, at equal loudness, dB.
    fn difference_db(&self, bands: &Range<usize>) -> Option<f64> {
        let [mix, reference] = self.lufs?;
        let within = self
            .balances
            .map(|balance| power_db(&balance[bands.clone()]));
        // What is faint in both holds nothing of its own in either.
        let mut sides = within.iter().zip(&self.balances);
        let told = sides.any(|(within_db, balance)| stands_out(*within_db, balance));
        let [ours, theirs] = within.map(|db| db.filter(|_| told));
        Some(ours? - mix - (theirs? - reference))
    }

    /// The same with so much less in the mix's bands, dB.
    fn without(&self, excess_db: [f64; BAND_COUNT]) -> Self {
        let [mut ours, theirs] = self.balances;
        for (level, excess) in ours.iter_mut().zip(excess_db) {
            *level = level.map(|db| db - excess);
        }
        let rate_hz = f64::from(self.mix.sample_rate_hz);
        let change_lu =
            loudness_change_lu(rate_hz, &self.mix.part.balance_db, &excess_db.map(|db| -db));
        Self {
            mix: self.mix,
            reference: self.reference,
            balances: [ours, theirs],
            lufs: self.lufs.map(|[ours, theirs]| [ours + change_lu, theirs]),
        }
    }

    /// The same of the crest factor in a region.
    fn crest_difference_db(&self, region: usize) -> Option<f64> {
        let [ours, theirs] = [self.mix, self.reference];
        let half_hz = lower_half_hz(ours, theirs);
        let mut balances = self.balances.iter();
        let sounds = balances.all(|balance| region_sounds(balance, half_hz, region));
        (sounds && (ours.channels > 2) == (theirs.channels > 2)).then_some(())?;
        let [ours, theirs] = [ours, theirs].map(|of| of.part.band_crest_db[region]);
        Some(ours? - theirs?)
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
fn spans(difference_db: [Option<f64>; 4]) -> Vec<Range<usize>> {
    let mut spans: Vec<(Range<usize>, [f64; 2])> = Vec::new();
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
