//! Audio files in: WAV and its 64-bit forms, AIFF, FLAC, MP3 and Ogg Vorbis, as planar 32-bit float
//! blocks.

mod ahead;
mod aiff;
mod checksum;
mod chunks;
mod contain;
mod flac;
mod frames;
mod layout;
mod library;
mod mp3;
mod pcm;
mod recognise;
mod roles;
mod source;
mod stream;
mod vorbis;
mod wav;

use std::fs::File;
use std::path::{Path, PathBuf};

use crestline_core::dsp::fault::LARGEST_INPUT;
use crestline_core::measure::ChannelRole;

use self::source::{Opened, Promise, Source};
use crate::error::{InputError, InputErrorKind};

pub use ahead::decode_ahead;

/// Sample rates in Hz that the measurements are made for.
const SAMPLE_RATES_HZ: std::ops::RangeInclusive<u32> = 8_000..=384_000;
/// Frames that a file may be short of its promise: some writers count their last block as full.
const LEAST_SLACK_FRAMES: u64 = 1152;

/// A whole audio file in memory.
#[derive(Clone, Debug)]
pub struct Audio {
    /// Sample rate, 8000 to 384000 Hz.
    pub sample_rate_hz: u32,
    /// How each channel counts towards loudness; one to six of them.
    pub roles: Vec<ChannelRole>,
    /// One vector a channel, all of one length, at least one frame; every sample finite and no louder
    /// than +80 dBFS. Full scale is ±1.
    pub channels: Vec<Vec<f32>>,
}

/// Decodes a whole file into memory: four bytes a sample.
///
/// # Errors
/// As [`AudioFile::open`] and [`AudioFile::next_block`].
pub fn decode_all(path: &Path) -> Result<Audio, InputError> {
    let mut file = AudioFile::open(path)?;
    let mut channels = vec![Vec::new(); file.roles().len()];
    while let Some(block) = file.next_block()? {
        for (channel, samples) in channels.iter_mut().zip(block) {
            channel.extend_from_slice(samples);
        }
    }
    Ok(Audio {
        sample_rate_hz: file.sample_rate_hz,
        roles: file.roles,
        channels,
    })
}

/// An audio file being decoded from its start to its end, in bounded memory.
///
/// ```no_run
/// # fn main() -> Result<(), crestline_files::InputError> {
/// let mut file = crestline_files::AudioFile::open("mix.wav".as_ref())?;
/// while let Some(block) = file.next_block()? {
///     for channel in block {
///         println!("{} samples", channel.len());
///     }
/// }
/// # Ok(())
/// # }
/// ```
pub struct AudioFile {
    path: PathBuf,
    source: Source,
    sample_rate_hz: u32,
    roles: Vec<ChannelRole>,
    promise: Promise,
    /// What was decoded last, and how many frames of it were given out.
    block: Vec<Vec<f32>>,
    given: usize,
    frames: u64,
    longest_block_frames: u64,
    /// Not a number or infinite, and beyond +80 dBFS; they were replaced by 0.
    non_finite_samples: u64,
    beyond_samples: u64,
    ended: bool,
}

impl AudioFile {
    /// Opens a file and reads its header. Metadata is passed over and cannot fail this.
    ///
    /// # Errors
    /// The file is missing, not a file, forbidden, unreadable, of no known format, damaged in its
    /// header, cut off within its header, at a sample rate outside 8 kHz to 384 kHz, or has
    /// channels that the loudness standard does not weigh.
    pub fn open(path: &Path) -> Result<Self, InputError> {
        Self::open_inner(path).map_err(|kind| InputError::new(path, kind))
    }

    fn open_inner(path: &Path) -> Result<Self, InputErrorKind> {
        // Asked first, because opening a pipe waits for a writer.
        if !std::fs::metadata(path)?.is_file() {
            return Err(InputErrorKind::NotAFile);
        }
        let mut file = File::open(path)?;
        let format = recognise::format(&mut file, path)?;
        let opened = Opened::new(file, format)?;
        let hz = opened.sample_rate_hz;
        if !SAMPLE_RATES_HZ.contains(&hz) {
            return Err(InputErrorKind::SampleRate { hz });
        }
        Ok(Self {
            path: path.to_owned(),
            block: vec![Vec::new(); opened.roles.len()],
            source: opened.source,
            sample_rate_hz: hz,
            roles: opened.roles,
            promise: opened.promise,
            given: 0,
            frames: 0,
            longest_block_frames: LEAST_SLACK_FRAMES,
            non_finite_samples: 0,
            beyond_samples: 0,
            ended: false,
        })
    }

    /// Sample rate, 8000 to 384000 Hz.
    pub fn sample_rate_hz(&self) -> u32 {
        self.sample_rate_hz
    }

    /// How each channel counts towards loudness, in the order of the channels in a block; one to
    /// six of them.
    pub fn roles(&self) -> &[ChannelRole] {
        &self.roles
    }

    /// Frames decoded so far, without what an encoder put before and after the audio.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Frames that the header promises, if it does.
    pub fn promised_frames(&self) -> Option<u64> {
        match self.promise {
            Promise::Frames(frames) | Promise::LastPage(frames) => Some(frames),
            Promise::EndMissing | Promise::Nothing => None,
        }
    }

    /// Encoded bytes used up so far: a measure of progress against the size of the file.
    pub fn bytes(&self) -> u64 {
        self.source.bytes()
    }

    /// Whether encoding has changed the audio, as in MP3 and Vorbis.
    pub fn is_lossy(&self) -> bool {
        self.source.is_lossy()
    }

    /// What whoever uses the audio should be told about the file, as of what was decoded so far;
    /// empty for nearly every file.
    pub fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        let mut silenced = |count: u64, what: &str| match count {
            0 => {}
            1 => notes.push(format!("1 sample is {what}; it was taken as 0")),
            _ => notes.push(format!("{count} samples are {what}; they were taken as 0")),
        };
        silenced(self.non_finite_samples, "not a number or infinite");
        silenced(
            self.beyond_samples,
            "beyond +80 dBFS, louder than any audio: check the scale it was exported in",
        );
        match &self.source {
            Source::Pcm(..) | Source::Flac(_) if self.promise == Promise::Nothing => notes.push(
                "its header does not tell its length, as in a stream; it was read to the end of \
                 the file"
                    .to_owned(),
            ),
            Source::Mp3(mp3) => notes.extend(mp3.notes()),
            _ => {}
        }
        notes
    }

    /// The next stretch of audio as it comes, or `None` after the last: one vector a channel, all
    /// of one length, from 1 frame to 65536, every sample finite and no louder than +80
    /// dBFS.
    ///
    /// # Errors
    /// The data cannot be decoded, contradict their own checksum, change sample rate or channels
    /// midway, or end more than a packet before the length that the header promises; or there is no
    /// audio at all. After an error the file is of no further use.
    pub fn next_block(&mut self) -> Result<Option<&[Vec<f32>]>, InputError> {
        if self.given < self.held() {
            for plane in &mut self.block {
                plane.drain(..self.given);
            }
        } else if !self.decode()? {
            return Ok(None);
        }
        self.given = self.held();
        Ok(Some(&self.block))
    }

    /// Fills `block`, one vector a channel, with the next `frames` frames: fewer only where the
    /// audio ends, none after its end. Returns how many.
    ///
    /// # Errors
    /// As [`next_block`](Self::next_block); `block` then holds what came before the error.
    pub fn read(&mut self, frames: usize, block: &mut Vec<Vec<f32>>) -> Result<usize, InputError> {
        block.resize_with(self.roles.len(), Vec::new);
        block.iter_mut().for_each(Vec::clear);
        let mut found = 0;
        while found < frames {
            if self.given == self.held() && !self.decode()? {
                break;
            }
            let end = self.held().min(self.given + frames - found);
            for (plane, decoded) in block.iter_mut().zip(&self.block) {
                plane.extend_from_slice(&decoded[self.given..end]);
            }
            found += end - self.given;
            self.given = end;
        }
        Ok(found)
    }

    /// Passes over the next `frames` frames: fewer only where the audio ends. Returns how many. Of
    /// plain samples nothing is read; everything else is decoded.
    ///
    /// # Errors
    /// As [`next_block`](Self::next_block).
    pub fn skip(&mut self, frames: u64) -> Result<u64, InputError> {
        let mut passed = 0;
        while passed < frames {
            if self.given == self.held() {
                if let Source::Pcm(reader, bytes) = &mut self.source {
                    let (skipped, used) = reader
                        .skip(frames - passed)
                        .map_err(|kind| InputError::new(&self.path, kind))?;
                    self.frames += skipped;
                    *bytes += used;
                    passed += skipped;
                }
                if passed == frames || !self.decode()? {
                    break;
                }
            }
            let here = (self.held() - self.given) as u64;
            let here = here.min(frames - passed);
            self.given += here as usize;
            passed += here;
        }
        Ok(passed)
    }

    /// Decodes a block of which nothing is given out yet; false at the end.
    fn decode(&mut self) -> Result<bool, InputError> {
        self.given = 0;
        self.decode_block()
            .map_err(|kind| InputError::new(&self.path, kind))
    }

    /// Frames in the block that was decoded last.
    fn held(&self) -> usize {
        self.block.first().map_or(0, Vec::len)
    }

    /// Decodes until there is a block with at least one frame; false at the end.
    fn decode_block(&mut self) -> Result<bool, InputErrorKind> {
        while !self.ended {
            let more = self
                .source
                .next(&mut self.block)
                .map_err(|kind| match kind {
                    InputErrorKind::Damaged { .. } => InputErrorKind::Damaged {
                        at_s: Some(self.seconds()),
                    },
                    InputErrorKind::CutShort {
                        promised_s: None, ..
                    } => InputErrorKind::CutShort {
                        promised_s: None,
                        found_s: self.seconds(),
                    },
                    kind => kind,
                })?;
            if !more {
                self.block.iter_mut().for_each(Vec::clear);
                self.ended = true;
                self.check_end()?;
                return Ok(false);
            }
            let frames = self.held() as u64;
            self.frames += frames;
            self.longest_block_frames = self.longest_block_frames.max(frames);
            for sample in self
                .block
                .iter_mut()
                .flatten()
                // What is not a number is within no bounds.
                .filter(|sample| !(-LARGEST_INPUT..=LARGEST_INPUT).contains(*sample))
            {
                if sample.is_finite() {
                    self.beyond_samples += 1;
                } else {
                    self.non_finite_samples += 1;
                }
                *sample = 0.0;
            }
            if frames > 0 {
                return Ok(true);
            }
        }
        self.block.iter_mut().for_each(Vec::clear);
        Ok(false)
    }

    /// Holds the file to what its header promised.
    fn check_end(&mut self) -> Result<(), InputErrorKind> {
        let found_s = self.seconds();
        let slack = match self.source {
            Source::Pcm(..) => LEAST_SLACK_FRAMES,
            // Its header counts exactly.
            Source::Flac(_) => 0,
            Source::Mp3(_) | Source::Library(_) => self.longest_block_frames,
        };
        let lacking = |promised: &u64| *promised > self.frames + slack;
        let seconds = |frames| frames as f64 / f64::from(self.sample_rate_hz);
        // A last page that was not found beforehand may have been read since.
        let last_page = match (self.promise, &self.source) {
            (Promise::LastPage(promised), _) => Some(promised),
            (Promise::EndMissing, Source::Library(library)) => library.last_page_ends,
            _ => None,
        };
        if let Some(promised) = last_page.filter(lacking) {
            let promised_s = seconds(promised);
            return Err(InputErrorKind::PagesMissing {
                promised_s,
                found_s,
            });
        }
        let promised_s = match self.promise {
            Promise::Frames(promised) => Some(promised).filter(lacking).map(seconds),
            _ => None,
        };
        if promised_s.is_some() || self.promise == Promise::EndMissing {
            return Err(InputErrorKind::CutShort {
                promised_s,
                found_s,
            });
        }
        if self.frames == 0 {
            return Err(InputErrorKind::Empty);
        }
        let checksum_holds = match &mut self.source {
            Source::Flac(flac) => flac.verify(),
            Source::Pcm(..) | Source::Mp3(_) | Source::Library(_) => None,
        };
        match checksum_holds {
            Some(false) => Err(InputErrorKind::ChecksumWrong),
            Some(true) | None => Ok(()),
        }
    }

    fn seconds(&self) -> f64 {
        self.frames as f64 / f64::from(self.sample_rate_hz)
    }
}
