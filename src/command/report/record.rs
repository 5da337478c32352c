//! The songs as one record: each one's place against the others.

use super::song::Song;
use crestline_core::measure::BAND_COUNT;
use crestline_core::session::reference::REGIONS;
use crestline_core::session::{TurnDown, turn_down};

/// Lowest and highest of a measure over the songs that have it, of which there are several.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Spread {
    pub low: f64,
    pub high: f64,
}

/// The songs compared with one another.
#[derive(Debug)]
pub(super) struct Record {
    pub loudness_lufs: Option<Spread>,
    pub plr_db: Option<Spread>,
    pub ldr_db: Option<Spread>,
    /// Index of the loudest song and of the one with the lowest PLR; none where fewer than two have
    /// one.
    pub loudest: Option<usize>,
    pub least_dynamic: Option<usize>,
    /// Each song as played.
    pub played: Vec<Played>,
    /// Each song's level in each region, less the median over the songs, both at equal loudness, dB;
    /// `None` where fewer than two have one.
    pub regions_db: Vec<[Option<f64>; 4]>,
}

/// A song at a playback level.
#[derive(Clone, Copy, Debug)]
pub(super) struct Played {
    /// Levelled by itself.
    pub as_track: Option<TurnDown>,
    /// Gain of the whole record, whose loudest song is brought to the level, dB.
    pub album_gain_db: Option<f64>,
    /// Loudness of the song with that gain, LUFS.
    pub album_lufs: Option<f64>,
}

impl Record {
    pub fn new(songs: &[Song], playback_lufs: f64) -> Self {
        let loudness = |song: &Song| song.readings.integrated_lufs;
        let peak = |song: &Song| song.readings.true_peak_dbtp;
        let highest =
            |of: &dyn Fn(&Song) -> Option<f64>| songs.iter().filter_map(of).max_by(f64::total_cmp);
        let album = turn_down(playback_lufs, highest(&loudness), highest(&peak));
        let album_gain_db = album.map(|album| album.gain_db);
        let played = songs.iter().map(|song| Played {
            as_track: turn_down(playback_lufs, loudness(song), peak(song)),
            album_gain_db: loudness(song).and(album_gain_db),
            album_lufs: loudness(song)
                .zip(album_gain_db)
                .map(|(lufs, db)| lufs + db),
        });
        let by = |of: &dyn Fn(&Song) -> Option<f64>| {
            spread(songs, of)?;
            let values = songs.iter().enumerate();
            let values = values.filter_map(|(index, song)| Some((index, of(song)?)));
            let most = values.max_by(|a, b| a.1.total_cmp(&b.1));
            most.map(|(index, _)| index)
        };
        Self {
            loudness_lufs: spread(songs, &loudness),
            plr_db: spread(songs, &|song| song.readings.plr_db),
            ldr_db: spread(songs, &|song| song.readings.ldr_db),
            loudest: by(&loudness),
            least_dynamic: by(&|song| song.readings.plr_db.map(|plr| -plr)),
            played: played.collect(),
            regions_db: regions(songs),
        }
    }

    /// Widest spread over the songs in any region, dB, and the region's name.
    pub fn balance_spread(&self) -> Option<(f64, &'static str)> {
        let spreads = REGIONS
            .iter()
            .enumerate()
            .filter_map(|(region, (_, name))| {
                let values = self.regions_db.iter().filter_map(|song| song[region]);
                let Spread { low, high } = spread_of(values)?;
                Some((high - low, *name))
            });
        spreads.max_by(|a, b| a.0.total_cmp(&b.0))
    }
}

fn spread(songs: &[Song], of: &dyn Fn(&Song) -> Option<f64>) -> Option<Spread> {
    spread_of(songs.iter().filter_map(of))
}

/// `None` of fewer than two values: there is nothing to compare.
fn spread_of(values: impl Iterator<Item = f64>) -> Option<Spread> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    match values[..] {
        [low, .., high] => Some(Spread { low, high }),
        _ => None,
    }
}

/// A song's balance at equal loudness, dB.
pub(super) fn at_equal_loudness(
    balance_db: &[Option<f64>; BAND_COUNT],
    lufs: Option<f64>,
) -> [Option<f64>; BAND_COUNT] {
    balance_db.map(|band| Some(band? - lufs?))
}

fn regions(songs: &[Song]) -> Vec<[Option<f64>; 4]> {
    let levels: Vec<[Option<f64>; 4]> = songs
        .iter()
        .map(|song| {
            let lufs = song.readings.integrated_lufs;
            song.regions_db.map(|region| Some(region? - lufs?))
        })
        .collect();
    let medians = [0, 1, 2, 3].map(|region| median(levels.iter().filter_map(|song| song[region])));
    let less_median = |song: &[Option<f64>; 4]| {
        std::array::from_fn(|region| Some(song[region]? - medians[region]?))
    };
    levels.iter().map(less_median).collect()
}

/// `None` of fewer than two values. Unlike the mean it stays where it is beside one that is unlike
/// all others, as a line-up tone among songs.
fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 | 1 => None,
        count if count.is_multiple_of(2) => Some(0.5 * (values[middle - 1] + values[middle])),
        _ => Some(values[middle]),
    }
}
