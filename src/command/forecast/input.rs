//! What of a file is forecast.

use std::path::Path;

use crestline_core::measure::{ChannelRole, Meter};
use crestline_core::session::forecast::{LONGEST_STRETCH_S, Stretch};
use crestline_core::session::{LoudestPart, Section};
use crestline_files::{AudioFile, printable, unchanged};

use crate::channels::taken_for_front;
use crate::channels::too_many;

/// Readings of the loudness in a second while the loudest part is searched for.
const STEPS_PER_SECOND: u32 = 10;

/// Where a file's part comes from.
#[derive(Debug)]
pub(super) struct Input {
    pub sample_rate_hz: u32,
    pub channels: usize,
    /// Where the part lies in the file, seconds.
    pub section_s: (f64, f64),
    /// The file that it is the loudest part of, if it is that and not all of it.
    pub whole: Option<Whole>,
    /// Notes on the file for whoever reads the result.
    pub notes: Vec<String>,
}

/// A file of which the loudest part is forecast.
#[derive(Clone, Copy, Debug)]
pub(super) struct Whole {
    /// Its length, seconds.
    pub length_s: f64,
    /// By how much it is quieter than that part, LU; `None` where either is too quiet to tell.
    pub quieter_lu: Option<f64>,
}

/// Reads the part that is asked for; otherwise what is wrong.
pub(super) fn read(path: &Path, section: Section) -> Result<(Input, Stretch), String> {
    unchanged(path, || part(path, section)).map_err(|error| error.to_string())?
}

fn part(path: &Path, section: Section) -> Result<(Input, Stretch), String> {
    let mut loudest = None;
    let (start_s, end_s) = match section {
        Section::Loudest => {
            let found = loudest.insert(Loudest::find(path)?);
            (found.start_s, found.start_s + LONGEST_STRETCH_S)
        }
        Section::Whole => (0.0, f64::INFINITY),
        Section::Between(start_s, end_s) => (start_s, end_s),
    };
    let mut audio = open(path)?;
    let rate_hz = f64::from(audio.sample_rate_hz());
    // Frames from a second on; a number past all files where there is no end.
    #[expect(clippy::cast_sign_loss, reason = "no second is negative")]
    let frame = |second: f64| (second * rate_hz).round() as usize;
    let (first, end) = (frame(start_s), frame(end_s));
    let mut planes = vec![Vec::new(); audio.roles().len()];
    let mut at = 0;
    while at < end
        && let Some(block) = audio.next_block().map_err(|error| error.to_string())?
    {
        let frames = block.first().map_or(0, Vec::len);
        let wanted = first.clamp(at, at + frames) - at..end.clamp(at, at + frames) - at;
        for (plane, block) in planes.iter_mut().zip(block) {
            plane.extend_from_slice(&block[wanted.clone()]);
        }
        at += frames;
    }
    let frames = planes.first().map_or(0, Vec::len);
    if frames == 0 {
        return Err(format!(
            "{}: nothing is left of it from {start_s} s on; choose another part, as it is {:.1} s long",
            printable(path),
            at as f64 / rate_hz
        ));
    }
    let whole = loudest.filter(|whole| whole.length_s > LONGEST_STRETCH_S);
    let whole = whole.map(|whole| {
        let part_lufs = integrated_lufs(rate_hz, audio.roles(), &planes);
        let quieter_lu = part_lufs.zip(whole.integrated_lufs);
        Whole {
            length_s: whole.length_s,
            quieter_lu: quieter_lu.map(|(part, whole)| part - whole),
        }
    });
    let stretch = Stretch::new(rate_hz, planes);
    let mut notes = audio.notes();
    notes.extend(taken_for_front(audio.roles()));
    let input = Input {
        sample_rate_hz: audio.sample_rate_hz(),
        channels: stretch.channels(),
        section_s: (first as f64 / rate_hz, (first + frames) as f64 / rate_hz),
        whole,
        notes,
    };
    Ok((input, stretch))
}

fn open(path: &Path) -> Result<AudioFile, String> {
    let audio = AudioFile::open(path).map_err(|error| error.to_string())?;
    match audio.roles().len() {
        1 | 2 => Ok(audio),
        count => Err(too_many(path, count)),
    }
}

/// Where the loudest [`LONGEST_STRETCH_S`] of a file begin, and what the whole is.
struct Loudest {
    start_s: f64,
    length_s: f64,
    integrated_lufs: Option<f64>,
}

impl Loudest {
    fn find(path: &Path) -> Result<Self, String> {
        let mut audio = open(path)?;
        let rate_hz = audio.sample_rate_hz();
        let step = (rate_hz / STEPS_PER_SECOND).max(1) as usize;
        let mut meter = Meter::new(f64::from(rate_hz), audio.roles(), step);
        let step_s = step as f64 / f64::from(rate_hz);
        let mut loudest = LoudestPart::new(LONGEST_STRETCH_S, step_s);
        let (mut into_step, mut length) = (0, 0);
        while let Some(block) = audio.next_block().map_err(|error| error.to_string())? {
            let frames = block.first().map_or(0, Vec::len);
            length += frames;
            let mut start = 0;
            while start < frames {
                let end = frames.min(start + step - into_step);
                let piece: Vec<&[f32]> = block.iter().map(|plane| &plane[start..end]).collect();
                meter.process(&piece);
                into_step = (into_step + end - start) % step;
                start = end;
                if into_step == 0 {
                    loudest.push(meter.readings().short_term_lufs);
                }
            }
        }
        meter.finish();
        Ok(Self {
            start_s: loudest.start() as f64 * step_s,
            length_s: length as f64 / f64::from(rate_hz),
            integrated_lufs: meter.readings().integrated_lufs,
        })
    }
}

fn integrated_lufs(rate_hz: f64, roles: &[ChannelRole], planes: &[Vec<f32>]) -> Option<f64> {
    const BLOCK: usize = 4_096;
    let mut meter = Meter::new(rate_hz, roles, BLOCK);
    let frames = planes.first().map_or(0, Vec::len);
    for start in (0..frames).step_by(BLOCK) {
        let block = start..frames.min(start + BLOCK);
        let block: Vec<&[f32]> = planes.iter().map(|plane| &plane[block.clone()]).collect();
        meter.process(&block);
    }
    meter.finish();
    meter.readings().integrated_lufs
}
