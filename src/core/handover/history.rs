//! What has been measured over time, for the editor to draw: two rings, written by the audio thread
//! whether or not the editor is open.
//!
//! Time is counted in frames, never by a clock, so that a history does not depend on how fast, or
//! in what blocks, the host runs.

mod ring;
mod sync;

pub use self::ring::Extent;
use self::ring::Ring;
use crate::measure::Readings;
use std::ops::Range;
use std::sync::Arc;

/// Columns of a point.
pub const COLUMN_COUNT: usize = 20;
/// Points that are still readable after they have left the history, so that a reader is not
/// overtaken at once.
const MARGIN: usize = 16;

/// Points that one moment adds at most. More than one are due only after several restarts, taken
/// back, each of which cut an interval short: the others come with the moments after it.
const MOST_AT_ONCE: usize = 4;

/// Half of the last of 24 bits, dBTP: a peak that low is the tail of a filter, not a signal's.
const LEAST_DBTP: f64 = -144.5;

/// How finely time is divided.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grain {
    /// A point each 100 ms, for 30 min.
    Fine,
    /// A point each second, for 24 h.
    Coarse,
}

impl Grain {
    /// Length of a point, seconds.
    pub const fn interval_s(self) -> f64 {
        1.0 / self.points_per_second()
    }

    const fn points_per_second(self) -> f64 {
        match self {
            Self::Fine => 10.0,
            Self::Coarse => 1.0,
        }
    }

    /// Number of points kept.
    pub const fn capacity(self) -> usize {
        match self {
            Self::Fine => 30 * 60 * 10,
            Self::Coarse => 24 * 60 * 60,
        }
    }
}

/// What a point tells. Loudness, PLR and LDR are as of the end of its interval, and not known in a
/// pause: see [`Readings::placed`]. The others say below.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[repr(usize)]
pub enum Column {
    /// Short-term loudness of the input, LUFS.
    ShortTermInput,
    /// Short-term loudness of the clean path, LUFS.
    ShortTermClean,
    /// Short-term loudness of the output path, LUFS.
    ShortTermOutput,
    /// Momentary loudness of the output path, LUFS.
    MomentaryOutput,
    /// Short-term PLR of the input, dB.
    PlrInput,
    /// Short-term PLR of the clean path, dB.
    PlrClean,
    /// Short-term PLR of the output path, dB.
    PlrOutput,
    /// Microdynamics of the input over the last 10 s, dB.
    LdrInput,
    /// Microdynamics of the clean path over the last 10 s, dB.
    LdrClean,
    /// Microdynamics of the output path over the last 10 s, dB.
    LdrOutput,
    /// Highest true peak of the output path in the interval, dBTP.
    TruePeakOutput,
    /// Lowest gain of the clean path's limiter in the interval, dB, 0 or less.
    CleanLimiterGain,
    /// Lowest gain of the output path's limiter in the interval, dB, 0 or less.
    OutputLimiterGain,
    /// Highest reduction of the low band in the interval, dB, positive where it was turned down.
    ReductionLow,
    /// The same of the low-mid band.
    ReductionLowMid,
    /// The same of the high-mid band.
    ReductionHighMid,
    /// The same of the high band.
    ReductionHigh,
    /// Highest added distortion over all bands in the interval, dB.
    Distortion,
    /// Position in the song at the end of the interval, seconds, where the host tells it. Right
    /// within 4 ms up to 36 h, which is the spacing of single-precision numbers there.
    SongPosition,
    /// 1 where the host's transport ran at any time in the interval, otherwise 0.
    Playing,
}

/// How a point sums up its interval.
#[derive(Clone, Copy)]
enum Merge {
    Last,
    Highest,
    Lowest,
}

impl Column {
    /// All columns, in the order of their storage.
    pub const ALL: [Self; COLUMN_COUNT] = [
        Self::ShortTermInput,
        Self::ShortTermClean,
        Self::ShortTermOutput,
        Self::MomentaryOutput,
        Self::PlrInput,
        Self::PlrClean,
        Self::PlrOutput,
        Self::LdrInput,
        Self::LdrClean,
        Self::LdrOutput,
        Self::TruePeakOutput,
        Self::CleanLimiterGain,
        Self::OutputLimiterGain,
        Self::ReductionLow,
        Self::ReductionLowMid,
        Self::ReductionHighMid,
        Self::ReductionHigh,
        Self::Distortion,
        Self::SongPosition,
        Self::Playing,
    ];

    /// What the column is called.
    pub const fn name(self) -> &'static str {
        match self {
            Self::ShortTermInput => "input short-term loudness",
            Self::ShortTermClean => "clean short-term loudness",
            Self::ShortTermOutput => "output short-term loudness",
            Self::MomentaryOutput => "output momentary loudness",
            Self::PlrInput => "input short-term PLR",
            Self::PlrClean => "clean short-term PLR",
            Self::PlrOutput => "output short-term PLR",
            Self::LdrInput => "input LDR 10 s",
            Self::LdrClean => "clean LDR 10 s",
            Self::LdrOutput => "output LDR 10 s",
            Self::TruePeakOutput => "output true peak",
            Self::CleanLimiterGain => "clean limiter gain",
            Self::OutputLimiterGain => "output limiter gain",
            Self::ReductionLow => "low band reduction",
            Self::ReductionLowMid => "low-mid band reduction",
            Self::ReductionHighMid => "high-mid band reduction",
            Self::ReductionHigh => "high band reduction",
            Self::Distortion => "added distortion",
            Self::SongPosition => "song position",
            Self::Playing => "playing",
        }
    }

    /// Its unit; empty for [`Playing`](Self::Playing).
    pub const fn unit(self) -> &'static str {
        match self {
            Self::ShortTermInput
            | Self::ShortTermClean
            | Self::ShortTermOutput
            | Self::MomentaryOutput => "LUFS",
            Self::TruePeakOutput => "dBTP",
            Self::SongPosition => "s",
            Self::Playing => "",
            _ => "dB",
        }
    }

    const fn merge(self) -> Merge {
        match self {
            Self::CleanLimiterGain | Self::OutputLimiterGain => Merge::Lowest,
            Self::TruePeakOutput
            | Self::ReductionLow
            | Self::ReductionLowMid
            | Self::ReductionHighMid
            | Self::ReductionHigh
            | Self::Distortion
            | Self::Playing => Merge::Highest,
            _ => Merge::Last,
        }
    }
}

/// What is known at one moment, some hundred times a second: the history's points are made of
/// these.
#[derive(Clone, Copy, Debug)]
pub struct Moment<'a> {
    /// Readings of the input.
    pub input: &'a Readings,
    /// Readings of the clean path.
    pub clean: &'a Readings,
    /// Readings of the output path.
    pub output: &'a Readings,
    /// Highest true peak of the output path since the last moment, dBTP.
    pub true_peak_dbtp: Option<f64>,
    /// Lowest gain of the clean path's limiter since the last moment, dB.
    pub clean_limiter_db: f32,
    /// Lowest gain of the output path's limiter since the last moment, dB.
    pub output_limiter_db: f32,
    /// Reduction of the four bands, low to high, dB.
    pub band_reduction_db: [Option<f32>; 4],
    /// Added distortion over all bands, dB.
    pub distortion_db: Option<f32>,
    /// Position in the song, seconds, if the host tells it.
    pub song_position_s: Option<f64>,
    /// Whether the host's transport runs.
    pub playing: bool,
}

impl Moment<'_> {
    /// In the order of [`Column::ALL`]; what is unknown, and what is infinite, is not a number. In a
    /// pause a limiter's gain says nothing.
    fn values(&self) -> [f32; COLUMN_COUNT] {
        let known = |value: Option<f64>| value.map_or(f32::NAN, |value| value as f32);
        let [input, clean, output] = [self.input, self.clean, self.output].map(Readings::placed);
        let true_peak_dbtp = self.true_peak_dbtp.filter(|dbtp| *dbtp > LEAST_DBTP);
        // Right after a restart nothing has been measured of 0.4 s, which is no pause.
        let unknown = self.output.momentary_lufs.is_none();
        let sounds = output.momentary_lufs.is_some() || unknown && true_peak_dbtp.is_some();
        let [clean_limiter_db, output_limiter_db] = [self.clean_limiter_db, self.output_limiter_db]
            .map(|gain_db| if sounds { gain_db } else { f32::NAN });
        let [low, low_mid, high_mid, high] =
            self.band_reduction_db.map(|db| db.unwrap_or(f32::NAN));
        [
            known(input.short_term_lufs),
            known(clean.short_term_lufs),
            known(output.short_term_lufs),
            known(output.momentary_lufs),
            known(input.short_term_plr_db),
            known(clean.short_term_plr_db),
            known(output.short_term_plr_db),
            known(input.ldr_10s_db),
            known(clean.ldr_10s_db),
            known(output.ldr_10s_db),
            known(true_peak_dbtp),
            clean_limiter_db,
            output_limiter_db,
            low,
            low_mid,
            high_mid,
            high,
            self.distortion_db.unwrap_or(f32::NAN),
            known(self.song_position_s),
            f32::from(u8::from(self.playing)),
        ]
        .map(|value| if value.is_finite() { value } else { f32::NAN })
    }
}

/// One point, read whole.
#[derive(Clone, Copy, Debug)]
pub struct HistoryPoint([f32; COLUMN_COUNT]);

impl HistoryPoint {
    /// A value, or `None` where it was not known.
    pub fn get(&self, column: Column) -> Option<f32> {
        self.0
            .get(column as usize)
            .copied()
            .filter(|value| value.is_finite())
    }

    /// Whether the host's transport ran.
    pub fn playing(&self) -> bool {
        self.get(Column::Playing)
            .is_some_and(|playing| playing > 0.0)
    }
}

/// The two rings.
#[derive(Debug)]
struct Rings {
    fine: Ring<COLUMN_COUNT>,
    coarse: Ring<COLUMN_COUNT>,
}

impl Rings {
    fn ring(&self, grain: Grain) -> &Ring<COLUMN_COUNT> {
        match grain {
            Grain::Fine => &self.fine,
            Grain::Coarse => &self.coarse,
        }
    }
}

/// The interval under way in one ring.
#[derive(Clone, Copy, Debug)]
struct Interval {
    grain: Grain,
    /// Points added since the last clearing.
    points: u64,
    /// What the interval has gathered, once there is anything.
    gathered: Option<[f32; COLUMN_COUNT]>,
}

impl Interval {
    fn new(grain: Grain) -> Self {
        Self {
            grain,
            points: 0,
            gathered: None,
        }
    }

    fn gather(&mut self, values: &[f32; COLUMN_COUNT]) {
        let Some(gathered) = &mut self.gathered else {
            self.gathered = Some(*values);
            return;
        };
        for ((gathered, value), column) in gathered.iter_mut().zip(values).zip(Column::ALL) {
            // Beside a number `max` and `min` pass over one that is not a number.
            *gathered = match column.merge() {
                Merge::Last => *value,
                Merge::Highest => gathered.max(*value),
                Merge::Lowest => gathered.min(*value),
            };
        }
    }
}

/// Writes both rings. There is one for each pair of rings, and it cannot be cloned.
#[derive(Debug)]
pub(super) struct HistoryWriter {
    rings: Arc<Rings>,
    frames: u64,
    intervals: [Interval; 2],
    aside: Option<Aside>,
}

/// A history that was set aside.
#[derive(Clone, Copy, Debug)]
struct Aside {
    /// The first points of both rings.
    first: [u64; 2],
    /// Frames then, and since.
    frames: u64,
    since: u64,
}

impl HistoryWriter {
    /// Takes what is known at the end of `frames` more frames. A point is added when its interval
    /// is full, counted from the last clearing; it contains all moments that ended within the
    /// interval.
    pub(super) fn record(&mut self, moment: &Moment<'_>, frames: usize, sample_rate_hz: f64) {
        // A rate that is none would make intervals of no length.
        if !(sample_rate_hz.is_finite() && sample_rate_hz > 0.0) {
            return;
        }
        self.frames = self.frames.saturating_add(frames as u64);
        if let Some(aside) = &mut self.aside {
            aside.since = aside.since.saturating_add(frames as u64);
        }
        let values = moment.values();
        for interval in &mut self.intervals {
            interval.gather(&values);
            let mut full = false;
            // Products of whole numbers are exact: intervals do not drift however long this runs.
            let elapsed = self.frames as f64 * interval.grain.points_per_second();
            for _ in 0..MOST_AT_ONCE {
                if elapsed < (interval.points + 1) as f64 * sample_rate_hz {
                    break;
                }
                self.rings
                    .ring(interval.grain)
                    .push(interval.gathered.as_ref().unwrap_or(&values));
                interval.points += 1;
                full = true;
            }
            if full {
                interval.gathered = None;
            }
        }
    }

    /// Forgets everything.
    pub(super) fn clear(&mut self) {
        self.aside = None;
        self.empty();
    }

    /// Forgets everything until it is taken back. Done `again`, what was set aside before is kept.
    pub(super) fn set_aside(&mut self, again: bool) {
        let kept = self.aside.filter(|_| again);
        self.aside = kept.or_else(|| {
            let first = |interval: &Interval| self.rings.ring(interval.grain).extent().first;
            Some(Aside {
                first: self.intervals.each_ref().map(first),
                frames: self.frames,
                since: 0,
            })
        });
        self.empty();
    }

    /// Takes back what was set aside. Points added since follow on it.
    pub(super) fn take_back(&mut self) {
        let Some(aside) = self.aside.take() else {
            return;
        };
        self.frames = aside.frames.saturating_add(aside.since);
        for (interval, first) in self.intervals.iter_mut().zip(aside.first) {
            let ring = self.rings.ring(interval.grain);
            // What had been gathered of an interval when it was set aside is lost; the point that
            // is missing for it is added with the next moments.
            interval.points = ring.extent().end - first;
            ring.restore(first);
        }
    }

    fn empty(&mut self) {
        self.frames = 0;
        for interval in &mut self.intervals {
            self.rings.ring(interval.grain).clear();
            *interval = Interval::new(interval.grain);
        }
    }
}

/// Reads the history. Clones read the same one; the writer never notices any of them.
#[derive(Clone, Debug)]
pub struct HistoryReader {
    rings: Arc<Rings>,
}

impl HistoryReader {
    /// Which points there are. Point `n` ends `(n - first + 1)` intervals after the last restart.
    pub fn extent(&self, grain: Grain) -> Extent {
        self.rings.ring(grain).extent()
    }

    /// One whole point, if it is still held.
    pub fn point(&self, grain: Grain, number: u64) -> Option<HistoryPoint> {
        self.rings.ring(grain).point(number).map(HistoryPoint)
    }

    /// Copies one column from point number `start` on; what is unknown is not a number. Returns
    /// where in `into` the copies are true: those before have left the history, those after are not
    /// written yet.
    pub fn read(&self, grain: Grain, column: Column, start: u64, into: &mut [f32]) -> Range<usize> {
        self.rings.ring(grain).read(column as usize, start, into)
    }

    /// Size of the history, bytes: a constant.
    pub fn bytes(&self) -> usize {
        self.rings.fine.bytes() + self.rings.coarse.bytes()
    }
}

/// Makes the two ends of an empty history. Allocates; nothing afterwards does.
pub(super) fn history() -> (HistoryWriter, HistoryReader) {
    let ring = |grain: Grain| Ring::new(grain.capacity(), MARGIN);
    let rings = Arc::new(Rings {
        fine: ring(Grain::Fine),
        coarse: ring(Grain::Coarse),
    });
    let intervals = [Grain::Fine, Grain::Coarse].map(Interval::new);
    (
        HistoryWriter {
            rings: Arc::clone(&rings),
            frames: 0,
            intervals,
            aside: None,
        },
        HistoryReader { rings },
    )
}
