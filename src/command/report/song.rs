//! One song of the batch, measured.

use std::borrow::Cow;
use std::path::{Path, PathBuf};

use crate::BLOCK_FRAMES;
use crate::compare::{ONE_BESIDE_TWO, profile_of};
use crate::encoded::{NoTrial, Trial, try_out};
use crate::measure_files::measured_file;
use crate::measures::MeasuredFile;
use crestline_core::measure::{BAND_COUNT, BandCrest, DcOffset, FlatTops, Meter, Readings};
use crestline_core::session::Section;
use crestline_core::session::reference::{
    Comparison, Finding, Profile, REGIONS, findings, power_db, region_sounds,
};
use crestline_files::{AudioFile, Profiled, printable, unchanged};

/// How a song was at the end of one second: nothing where none of it was heard.
#[derive(Clone, Copy, Debug)]
pub(super) struct Moment {
    pub time_s: f64,
    pub short_term_lufs: Option<f64>,
    pub short_term_plr_db: Option<f64>,
}

/// Everything the page tells of one song.
#[derive(Debug)]
pub(super) struct Song {
    pub path: PathBuf,
    /// The same numbers as `crestline measure` tells.
    pub measured: MeasuredFile,
    pub readings: Readings,
    pub band_crest_db: [Option<f64>; 4],
    /// How many of the highest tops are flat, %.
    pub flat_tops_percent: Option<f64>,
    /// Level of each region, dB; `None` where next to nothing of the song lies in it.
    pub regions_db: [Option<f64>; 4],
    pub balance_db: [Option<f64>; BAND_COUNT],
    /// A second apart.
    pub history: Vec<Moment>,
    pub against: Option<Against>,
    pub trial: Option<Trial>,
    /// A line for each encoder that failed.
    pub failed: Vec<String>,
}

/// The song beside the reference, each as it is heard beside the other.
#[derive(Debug)]
pub(super) struct Against {
    pub profile: Profile,
    pub reference: Profile,
    /// Whether the reference is mono, and told as it is heard beside stereo.
    pub reference_lifted: bool,
    pub comparison: Comparison,
    pub findings: Vec<Finding>,
}

/// What is wanted of each song.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wanted<'a> {
    pub reference: Option<&'a Profile>,
    pub section: Section,
    pub encoded: bool,
}

/// Measures a song; the error is the line to tell. What it lacks beside a reference is a note.
pub(super) fn measure(path: &Path, wanted: Wanted<'_>) -> Result<Song, String> {
    unchanged(path, || measured(path, wanted)).map_err(|error| error.to_string())?
}

fn measured(path: &Path, wanted: Wanted<'_>) -> Result<Song, String> {
    let mut audio = AudioFile::open(path).map_err(|error| error.to_string())?;
    let rate_hz = f64::from(audio.sample_rate_hz());
    let mut meters = Meters {
        meter: Meter::new(rate_hz, audio.roles(), BLOCK_FRAMES).with_balance([0.0; 2]),
        crest: BandCrest::new(rate_hz, audio.roles()),
        tops: FlatTops::new(rate_hz, audio.roles()),
        offset: DcOffset::new(audio.roles().len()),
    };
    let history = heard(&mut audio, &mut meters)?;
    let readings = meters.meter.readings();
    let mut measured = measured_file(path, &audio, &readings, &meters.offset);
    let mut against = None;
    if let Some(reference) = wanted.reference {
        match beside(path, reference, wanted.section, &mut measured.notes) {
            Ok(told) => against = Some(told),
            Err(line) => measured.notes.push(without("compared", path, &line)),
        }
    }
    let mut failed = Vec::new();
    let trial = if wanted.encoded {
        trial(path, &mut measured.notes, &mut failed)
    } else {
        None
    };
    let balance_db = meters
        .meter
        .balance()
        .long_term_db
        .map(|band| band.map(f64::from));
    let crest_db = meters.crest.crest_db();
    let sounds = |region| region_sounds(&balance_db, 0.5 * rate_hz, region);
    let of_its_own = |value: Option<f64>, region| value.filter(|_| sounds(region));
    let band_crest_db = std::array::from_fn(|region| of_its_own(crest_db[region], region));
    let level_db = |region: usize| power_db(&balance_db[REGIONS[region].0.clone()]);
    let regions_db = std::array::from_fn(|region| of_its_own(level_db(region), region));
    Ok(Song {
        path: path.to_owned(),
        measured,
        readings,
        band_crest_db,
        flat_tops_percent: meters.tops.percent(),
        regions_db,
        balance_db,
        history,
        against,
        trial,
        failed,
    })
}

/// What listens to a song.
struct Meters {
    meter: Meter,
    crest: BandCrest,
    tops: FlatTops,
    offset: DcOffset,
}

/// Measures the file to its end, and keeps how it was second by second.
fn heard(audio: &mut AudioFile, meters: &mut Meters) -> Result<Vec<Moment>, String> {
    let mut history = Vec::new();
    let mut block = Vec::new();
    let second = audio.sample_rate_hz() as usize;
    let tenth = second.div_ceil(10);
    let (mut into_second, mut heard) = (0, false);
    loop {
        let frames = BLOCK_FRAMES.min(tenth).min(second - into_second);
        let frames = audio.read(frames, &mut block);
        let frames = frames.map_err(|error| error.to_string())?;
        if frames == 0 {
            break;
        }
        let planes: Vec<&[f32]> = block.iter().map(Vec::as_slice).collect();
        meters.meter.process(&planes);
        meters.crest.process(&planes);
        meters.tops.process(&planes);
        meters.offset.process(planes.iter().copied());
        into_second = (into_second + frames) % second;
        let readings = meters.meter.readings();
        heard |= readings.placed().momentary_lufs.is_some();
        if into_second == 0 {
            let known = |value: Option<f64>| value.filter(|_| heard);
            history.push(Moment {
                time_s: (history.len() + 1) as f64,
                short_term_lufs: known(readings.short_term_lufs),
                short_term_plr_db: known(readings.short_term_plr_db),
            });
            heard = false;
        }
    }
    meters.meter.finish();
    Ok(history)
}

/// Sets the song beside the reference; the error is why it cannot be.
fn beside(
    path: &Path,
    theirs: &Profile,
    section: Section,
    notes: &mut Vec<String>,
) -> Result<Against, String> {
    let Profiled { profile, .. } = profile_of(path, section, &mut |_| true)?;
    let [own, reference] = Profile::pair(&profile, theirs).map(Cow::into_owned);
    if own.channels != profile.channels {
        notes.push(format!("beside the reference: {ONE_BESIDE_TWO}"));
    }
    let comparison = Comparison::new(&own, &reference);
    Ok(Against {
        findings: findings(&own, &reference, &comparison),
        reference_lifted: reference.channels != theirs.channels,
        profile: own,
        reference,
        comparison,
    })
}

/// Encodes the song and measures what comes back; what there is none of is a note, each encoder that
/// failed a line.
fn trial(path: &Path, notes: &mut Vec<String>, failed: &mut Vec<String>) -> Option<Trial> {
    match try_out(path, None, &|_, _| {}) {
        Ok(done) => {
            let lines = done.failed.iter();
            failed.extend(lines.map(|line| format!("{}: {line}", printable(path))));
            return Some(done);
        }
        Err(NoTrial::Input(line)) => notes.push(without("encoded", path, &line)),
        Err(NoTrial::Room(line)) => {
            notes.push(without("encoded", path, &line));
            failed.push(line);
        }
    }
    None
}

/// What the song is without, and why, where the song's name stands already.
fn without(what: &str, path: &Path, line: &str) -> String {
    let name = format!("{}: ", printable(path));
    format!("not {what}: {}", line.strip_prefix(&name).unwrap_or(line))
}
