//! The songs as one record: each one's place against the others.

use super::song::Song;
use crestline_core::measure::BAND_COUNT;
use crestline_core::session::reference::REGIONS;
use crestline_core::session::{TurnDown, turn_down};

/// Lowest and highest of a measure over the songs that have it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Spread {
    pub low: f64,
    pub high: f64,
}

/// What the songs have in common.
#[derive(Debug)]
pub(super) struct Record {
    pub loudness_lufs: Option<Spread>,
    pub plr_db: Option<Spread>,
    pub ldr_db: Option<Spread>,
    /// Index of the loudest song and of the one with the lowest PLR; none among fewer than two.
    pub loudest: Option<usize>,
    pub least_dynamic: Option<usize>,
    /// Each song as played.
    pub played: Vec<Played>,
    /// Each song's level in each region, less the mean over the songs, both at equal loudness, dB.
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
        let highest = |of: &dyn Fn(&Song) -> Option<f64>| spread(songs, of).map(|all| all.high);
        let album = turn_down(playback_lufs, highest(&loudness), highest(&peak));
        let album_gain_db = album.map(|album| album.gain_db);
        let played = songs.iter().map(|song| Played {
            as_track: turn_down(playback_lufs, loudness(song), peak(song)),
            album_gain_db: loudness(song).and(album_gain_db),
            album_lufs: loudness(song)
                .zip(album_gain_db)
                .map(|(lufs, db)| lufs + db),
        });
        let several = |index: Option<usize>| index.filter(|_| songs.len() > 1);
        let by = |of: &dyn Fn(&Song) -> Option<f64>| {
            let values = songs.iter().enumerate();
            let values = values.filter_map(|(index, song)| Some((index, of(song)?)));
            let most = values.max_by(|a, b| a.1.total_cmp(&b.1));
            several(most.map(|(index, _)| index))
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
                let (low, high) = values.fold((f64::MAX, f64::MIN), |(low, high), value| {
                    (low.min(value), high.max(value))
                });
                (low <= high).then_some((high - low, *name))
            });
        spreads.max_by(|a, b| a.0.total_cmp(&b.0))
    }
}

fn spread(songs: &[Song], of: &dyn Fn(&Song) -> Option<f64>) -> Option<Spread> {
    let mut values = songs.iter().filter_map(of);
    let first = values.next()?;
    let mut spread = Spread {
        low: first,
        high: first,
    };
    for value in values {
        spread.low = spread.low.min(value);
        spread.high = spread.high.max(value);
    }
    Some(spread)
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
            let balance = at_equal_loudness(&song.balance_db, song.readings.integrated_lufs);
            REGIONS.map(|(bands, _)| {
                let known = balance[bands].iter().flatten();
                let power: f64 = known.map(|db| 10_f64.powf(db / 10.0)).sum();
                (power > 0.0).then(|| 10.0 * power.log10())
            })
        })
        .collect();
    let mean = |region: usize| {
        let known: Vec<f64> = levels.iter().filter_map(|song| song[region]).collect();
        (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
    };
    let means = [0, 1, 2, 3].map(mean);
    let less_mean = |song: &[Option<f64>; 4]| {
        std::array::from_fn(|region| Some(song[region]? - means[region]?))
    };
    levels.iter().map(less_mean).collect()
}
