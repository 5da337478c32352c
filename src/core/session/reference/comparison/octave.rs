//! The octave in which mix and reference differ otherwise than beside it.

use super::BALANCE_DB;
use crate::measure::BAND_COUNT;
use std::ops::Range;

/// Bands of an octave that say less are not told of: 40 dB below the strongest, K-weighted.
const LEAST_EVIDENCE: f64 = 0.2;
/// By so much it is more than what lies up to an octave away, on either side: the edge of a shelf is
/// not (common practice).
const ALONE_DB: f64 = 1.0;
/// Third octaves in an octave.
const BANDS: usize = 3;
/// A neighbour that differs by so much more belongs to something else, dB.
const RISES_DB: f64 = 0.3;

/// Three third-octave bands beside one another in which mix and reference differ otherwise than in
/// the octaves next to them, as a region's level does not show: that of its strongest bands is most
/// of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Octave {
    /// That of its bands which differs most.
    pub band: usize,
    /// Mix less reference at equal loudness, the powers of its bands added up, dB.
    pub difference_db: f64,
    /// How far that stands out from the mean of the octaves below and above, away from 0, dB.
    pub beyond_db: f64,
}

/// Mix less reference of the octave around each band, dB, where its bands say enough.
type Octaves = [Option<f64>; BAND_COUNT];

impl Octave {
    /// The one that stands out most. `difference_db` tells mix less reference of bands in a row,
    /// `evidence` how much each band says, 0…1.
    pub(super) fn find(
        evidence: &[f64; BAND_COUNT],
        difference_db: impl Fn(&Range<usize>) -> Option<f64>,
    ) -> Option<Self> {
        let octaves = std::array::from_fn(|band| {
            let bands = band.checked_sub(1)?..band + 2;
            let mut told = evidence.get(bands.clone())?.iter();
            told.all(|band| *band >= LEAST_EVIDENCE).then_some(())?;
            difference_db(&bands)
        });
        let found = (0..BAND_COUNT).filter_map(|band| Self::around(&octaves, band));
        let most = found.max_by(|a, b| a.beyond_db.total_cmp(&b.beyond_db))?;
        let octave = most.at_its_middle(&octaves)?;
        Some(octave.named_by(&difference_db))
    }

    /// Added up, its strongest band says most, and may lie beside what differs.
    fn named_by(self, difference_db: impl Fn(&Range<usize>) -> Option<f64>) -> Self {
        let sign = self.difference_db.signum();
        let known = (self.band.saturating_sub(1)..self.band + 2)
            .filter_map(|band| Some((band, sign * difference_db(&(band..band + 1))?)));
        let most = known.max_by(|a, b| a.1.total_cmp(&b.1));
        Self {
            band: most.map_or(self.band, |most| most.0),
            ..self
        }
    }

    /// What stands out in each band up to an octave away, dB: beyond what the octaves around it, or half
    /// of all bands, differ by.
    pub(super) fn excess_db(
        &self,
        difference_db: &Octaves,
        evidence: &[f64; BAND_COUNT],
    ) -> [f64; BAND_COUNT] {
        let sign = self.difference_db.signum();
        let around_db = sign * (self.difference_db - sign * self.beyond_db);
        let base_db = around_db.max(sign * median(difference_db, evidence));
        let excess = |band: usize| Some(sign * difference_db[band]? - base_db);
        let mut excesses = [0.0; BAND_COUNT];
        let mut fill = |bands: &mut dyn Iterator<Item = usize>| {
            let mut nearer = f64::INFINITY;
            for band in bands {
                let Some(more) =
                    excess(band).filter(|more| (0.0..nearer + RISES_DB).contains(more))
                else {
                    break;
                };
                excesses[band] = sign * more;
                nearer = more;
            }
        };
        fill(&mut (self.band..BAND_COUNT).take(BANDS + 1));
        fill(&mut (0..=self.band).rev().take(BANDS + 1));
        excesses
    }

    /// The one around this band, if it stands alone. At equal loudness all else moves the other way,
    /// so its neighbours are what it stands out from.
    fn around(octaves: &Octaves, band: usize) -> Option<Self> {
        let difference_db = octaves[band]?;
        let below_db = octaves[band.checked_sub(BANDS)?]?;
        let above_db = (*octaves.get(band + BANDS)?)?;
        let around_db = f64::midpoint(below_db, above_db);
        let stands =
            difference_db.abs() >= BALANCE_DB && stands_alone(octaves, band, difference_db);
        stands.then(|| Self {
            band,
            difference_db,
            beyond_db: difference_db.signum() * (difference_db - around_db),
        })
    }

    /// What lies at the border of two regions stands out from the one that it moves less, from beside
    /// its own middle.
    fn at_its_middle(self, octaves: &Octaves) -> Option<Self> {
        let sign = self.difference_db.signum();
        let near = octaves.iter().enumerate().skip(self.band.checked_sub(1)?);
        let known = near
            .take(BANDS)
            .filter_map(|(band, db)| db.map(|db| (band, db)));
        let (band, difference_db) = known.max_by(|a, b| (sign * a.1).total_cmp(&(sign * b.1)))?;
        Some(Self {
            band,
            difference_db,
            ..self
        })
    }
}

/// Of the edge of a shelf its regions say all. What lies at the end of what is known cannot be told
/// from one.
fn stands_alone(octaves: &Octaves, band: usize, difference_db: f64) -> bool {
    let falls = |band: Option<usize>| {
        let there_db = band.and_then(|band| octaves.get(band).copied().flatten());
        there_db.is_some_and(|db| difference_db.signum() * (difference_db - db) >= ALONE_DB)
    };
    let below = (1..=BANDS).any(|bands| falls(band.checked_sub(bands)));
    below && (1..=BANDS).any(|bands| falls(Some(band + bands)))
}

/// The difference that half of the evidence lies below, dB.
fn median(difference_db: &Octaves, evidence: &[f64; BAND_COUNT]) -> f64 {
    let known = difference_db.iter().zip(evidence);
    let mut known: Vec<(f64, f64)> = known
        .filter_map(|(db, says)| Some(((*db)?, *says)))
        .collect();
    known.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * known.iter().map(|(_, says)| says).sum::<f64>();
    let mut below = 0.0;
    let reaches = |(_, says): &&(f64, f64)| {
        below += says;
        below >= half
    };
    known.iter().find(reaches).map_or(0.0, |(db, _)| *db)
}
