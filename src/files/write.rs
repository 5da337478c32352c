//! WAV files out: 16 and 24 bits with dither, 32-bit float without.

use std::fs::File;
use std::io::{BufWriter, Seek as _, Write as _};
use std::path::{Path, PathBuf};

use super::error::{OutputError, OutputErrorKind};
use super::part::Part;
use super::wave::{EXTENSIBLE, FLOAT, PCM, PLAIN_GUID};

/// Most bytes of audio in a WAV file; the rest of the 4 GiB is left to its header.
const MAX_DATA_BYTES: u32 = u32::MAX - 1024;

/// How samples are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SampleFormat {
    /// 16-bit integers, dithered; full scale clips.
    Int16,
    /// 24-bit integers, dithered; full scale clips.
    Int24,
    /// 32-bit floats, as they are; nothing clips.
    Float32,
}

impl SampleFormat {
    fn bits(self) -> u16 {
        match self {
            Self::Int16 => 16,
            Self::Int24 => 24,
            Self::Float32 => 32,
        }
    }
}

/// A WAV file being written. It takes its name only in [`finish`](Self::finish); dropped before
/// that, it is removed, and a file that it was to replace is left as it was.
pub struct WavFile {
    path: PathBuf,
    writer: BufWriter<File>,
    part: Part,
    sample_rate_hz: u32,
    format: SampleFormat,
    channels: u16,
    bytes: u32,
    dither: Dither,
    clipped: u64,
}

impl WavFile {
    /// Starts a mono or stereo file. With `force` an existing file of that name is replaced when
    /// the new one is complete; without it an existing file is an error.
    ///
    /// # Errors
    /// The file exists and `force` is not set, it cannot be created, or `channels` is neither 1 nor
    /// 2.
    pub fn create(
        path: &Path,
        sample_rate_hz: u32,
        channels: usize,
        format: SampleFormat,
        force: bool,
    ) -> Result<Self, OutputError> {
        Self::create_inner(path, sample_rate_hz, channels, format, force)
            .map_err(|kind| OutputError::new(path, kind))
    }

    fn create_inner(
        path: &Path,
        sample_rate_hz: u32,
        channels: usize,
        format: SampleFormat,
        force: bool,
    ) -> Result<Self, OutputErrorKind> {
        let channels = match channels {
            1 => 1,
            2 => 2,
            count => return Err(OutputErrorKind::Channels { count }),
        };
        let (file, part) = Part::create(path, force)?;
        let mut writer = BufWriter::new(file);
        // Once more when it is known how much there is.
        writer.write_all(&header(sample_rate_hz, channels, format, 0))?;
        Ok(Self {
            path: path.to_owned(),
            writer,
            part,
            sample_rate_hz,
            format,
            channels,
            bytes: 0,
            dither: Dither::new(),
            clipped: 0,
        })
    }

    /// Whether a file can hold so many frames.
    pub fn can_hold(frames: u64, channels: usize, format: SampleFormat) -> bool {
        let frame_bytes = channels as u64 * u64::from(format.bits() / 8);
        frames.saturating_mul(frame_bytes) <= u64::from(MAX_DATA_BYTES)
    }

    /// Appends a block: one slice a channel, of equal lengths. Full scale is ±1; what is not finite
    /// is written as 0.
    ///
    /// # Errors
    /// The disk fails or is full, the file would outgrow WAV, or the block has another number of
    /// channels.
    pub fn write(&mut self, block: &[&[f32]]) -> Result<(), OutputError> {
        self.write_inner(block)
            .map_err(|kind| OutputError::new(&self.path, kind))
    }

    fn write_inner(&mut self, block: &[&[f32]]) -> Result<(), OutputErrorKind> {
        if block.len() != usize::from(self.channels) {
            return Err(OutputErrorKind::Channels { count: block.len() });
        }
        let frames = block.iter().map(|plane| plane.len()).min().unwrap_or(0);
        let sample_bytes = usize::from(self.format.bits() / 8);
        self.bytes = u32::try_from(frames * block.len() * sample_bytes)
            .ok()
            .and_then(|bytes| self.bytes.checked_add(bytes))
            .filter(|bytes| *bytes <= MAX_DATA_BYTES)
            .ok_or(OutputErrorKind::TooLong)?;
        for frame in 0..frames {
            for sample in block.iter().filter_map(|plane| plane.get(frame)) {
                let sample = if sample.is_finite() { *sample } else { 0.0 };
                let stored = match self.format {
                    SampleFormat::Float32 => sample.to_le_bytes(),
                    SampleFormat::Int16 | SampleFormat::Int24 => {
                        self.clipped += u64::from(sample.abs() > 1.0);
                        let dither = self.dither.next();
                        quantised(sample, self.format.bits(), dither).to_le_bytes()
                    }
                };
                self.writer.write_all(&stored[..sample_bytes])?;
            }
        }
        Ok(())
    }

    /// Completes the file under its own name. Returns how many samples lay beyond full scale and
    /// were clipped there.
    ///
    /// # Errors
    /// The disk fails or is full, or the name cannot be taken.
    pub fn finish(self) -> Result<u64, OutputError> {
        let (path, clipped) = (self.path.clone(), self.clipped);
        self.finish_inner()
            .map_err(|kind| OutputError::new(&path, kind))?;
        Ok(clipped)
    }

    fn finish_inner(mut self) -> Result<(), OutputErrorKind> {
        if !self.bytes.is_multiple_of(2) {
            self.writer.write_all(&[0])?;
        }
        self.writer.rewind()?;
        let header = header(self.sample_rate_hz, self.channels, self.format, self.bytes);
        self.writer.write_all(&header)?;
        self.writer.flush()?;
        // Some systems rename no file that is open.
        drop(self.writer);
        Ok(self.part.complete()?)
    }
}

/// What stands in front of so many bytes of audio (*Multimedia Programming Interface and Data
/// Specifications 1.0*, RIFF; Microsoft, *Multiple channel audio data and WAVE files*). What is not
/// PCM says how many frames there are, in a chunk of its own (Microsoft, *New Multimedia Data Types
/// and Data Techniques 3.0*, fact chunk).
fn header(sample_rate_hz: u32, channels: u16, format: SampleFormat, bytes: u32) -> Vec<u8> {
    const EXTENSION_BYTES: u16 = 22;
    const FRONT_CENTRE: u32 = 0x4;
    const FRONT_LEFT_AND_RIGHT: u32 = 0x3;
    // More than 16 bits ask for the extensible format.
    let (outer, inner) = match format {
        SampleFormat::Int16 => (PCM, PCM),
        SampleFormat::Int24 => (EXTENSIBLE, PCM),
        SampleFormat::Float32 => (EXTENSIBLE, FLOAT),
    };
    let bits = format.bits().to_le_bytes();
    let frame_bytes = channels * format.bits() / 8;
    let byte_rate = sample_rate_hz.saturating_mul(frame_bytes.into());
    let mut told = [outer.to_le_bytes(), channels.to_le_bytes()].concat();
    told.extend([sample_rate_hz, byte_rate].map(u32::to_le_bytes).concat());
    told.extend([frame_bytes.to_le_bytes(), bits].concat());
    if outer == EXTENSIBLE {
        let mask = if channels == 1 {
            FRONT_CENTRE
        } else {
            FRONT_LEFT_AND_RIGHT
        };
        told.extend([EXTENSION_BYTES.to_le_bytes(), bits].concat());
        told.extend(mask.to_le_bytes());
        told.extend(inner.to_le_bytes());
        told.extend(PLAIN_GUID);
    }
    let mut chunks = chunk(*b"fmt ", &told);
    if inner != PCM {
        let frames = bytes / u32::from(frame_bytes);
        chunks.extend(chunk(*b"fact", &frames.to_le_bytes()));
    }
    // A chunk of odd size is followed by a byte that counts.
    let size = (b"WAVEdata".len() + 4 + chunks.len()) as u32 + bytes + bytes % 2;
    let mut header = [b"RIFF", &size.to_le_bytes()[..], b"WAVE", &chunks, b"data"].concat();
    header.extend(bytes.to_le_bytes());
    header
}

fn chunk(name: [u8; 4], content: &[u8]) -> Vec<u8> {
    [&name, &(content.len() as u32).to_le_bytes()[..], content].concat()
}

/// The nearest integer of `bits` bits to `sample`, full scale ±1, after `dither` in least
/// significant bits was added.
fn quantised(sample: f32, bits: u16, dither: f64) -> i32 {
    let full_scale = f64::from(1_u32 << (bits - 1));
    (f64::from(sample) * full_scale + dither)
        .round()
        .clamp(-full_scale, full_scale - 1.0) as i32
}

/// Triangular dither: the sum of two uniform values of one least significant bit each, which makes
/// the mean and the power of the rounding error independent of the signal (Lipshitz, Wannamaker,
/// Vanderkooy, "Quantization and Dither: A Theoretical Survey", JAES 40(5), 1992). The same for
/// every file, so that two runs write the same bytes.
struct Dither {
    state: u64,
}

impl Dither {
    fn new() -> Self {
        Self {
            state: 0x9e37_79b9_7f4a_7c15,
        }
    }

    /// In −1…1 least significant bit.
    fn next(&mut self) -> f64 {
        self.uniform() - self.uniform()
    }

    /// In 0…1, by the xorshift64* generator (Vigna, ACM TOMS 42(4), 2016).
    fn uniform(&mut self) -> f64 {
        self.state ^= self.state >> 12;
        self.state ^= self.state << 25;
        self.state ^= self.state >> 27;
        (self.state.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 11) as f64 / (1_u64 << 53) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    fn folder(name: &str) -> PathBuf {
        let folder =
            std::env::temp_dir().join(format!("crestline-write-{}-{name}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        folder
    }

    #[test]
    fn floats_come_back_bit_for_bit_and_integers_within_dither_and_rounding() {
        let folder = folder("formats");
        let left: Vec<f32> = (0..4_000_u16)
            .map(|n| (f32::from(n) * 0.05).sin() * 0.9)
            .collect();
        let right: Vec<f32> = left.iter().map(|x| -0.5 * x).collect();
        for (format, tolerance) in [
            (SampleFormat::Float32, 0.0),
            (SampleFormat::Int16, 1.5 / 32768.0),
            (SampleFormat::Int24, 1.5 / 8388608.0),
        ] {
            let path = folder.join(format!("{}.wav", format.bits()));
            let mut wav = WavFile::create(&path, 48_000, 2, format, false).unwrap();
            wav.write(&[&left[..1000], &right[..1000]]).unwrap();
            wav.write(&[&left[1000..], &right[1000..]]).unwrap();
            wav.finish().unwrap();
            let back = crate::decode_all(&path).unwrap();
            assert_eq!(back.sample_rate_hz, 48_000);
            for (channel, written) in back.channels.iter().zip([&left, &right]) {
                assert_eq!(channel.len(), written.len());
                for (read, written) in channel.iter().zip(written) {
                    assert!(
                        (read - written).abs() <= tolerance,
                        "{format:?}: {written} came back as {read}"
                    );
                }
            }
        }
        fs::remove_dir_all(folder).unwrap();
    }

    // Lipshitz, Wannamaker, Vanderkooy 1992: with triangular dither the error has no mean and a
    // power of 1/4 LSB² (1/12 of rounding and 2/12 of dither) at any constant input.
    #[test]
    fn the_error_of_rounding_does_not_depend_on_the_signal() {
        let mut dither = Dither::new();
        let count = 200_000;
        for tenth in 0..10_u8 {
            let input = f64::from(tenth) / 10.0;
            let (mut sum, mut squares) = (0.0, 0.0);
            for _ in 0..count {
                let error =
                    f64::from(quantised((input / 32768.0) as f32, 16, dither.next())) - input;
                sum += error;
                squares += error * error;
            }
            let (mean, power) = (sum / f64::from(count), squares / f64::from(count));
            // Five standard errors: the error's deviation is 0.5, that of its square about 0.3 at
            // the most.
            assert!(mean.abs() < 0.0056, "{input}: mean {mean}");
            assert!((power - 0.25).abs() < 0.0034, "{input}: power {power}");
        }
    }

    #[test]
    fn full_scale_clips_and_does_not_wrap() {
        assert_eq!(quantised(1.0, 16, 1.0), 32767);
        assert_eq!(quantised(-1.0, 16, -1.0), -32768);
        assert_eq!(quantised(2.0, 24, 0.0), 8388607);
        assert_eq!(quantised(0.0, 24, 0.0), 0);
    }

    #[test]
    fn an_existing_file_is_replaced_only_on_demand_and_only_when_complete() {
        let folder = folder("force");
        let path = folder.join("out.wav");
        fs::write(&path, b"precious").unwrap();
        let create = |force| WavFile::create(&path, 48_000, 1, SampleFormat::Int24, force);

        let refused = create(false).err().unwrap();
        assert!(matches!(refused.kind, OutputErrorKind::Exists), "{refused}");
        drop(create(true).unwrap());
        assert_eq!(fs::read(&path).unwrap(), b"precious");
        let mut wav = create(true).unwrap();
        wav.write(&[&[0.5; 100]]).unwrap();
        wav.finish().unwrap();
        assert_eq!(&fs::read(&path).unwrap()[..4], b"RIFF");
        assert_eq!(
            fs::read_dir(&folder).unwrap().count(),
            1,
            "nothing is left behind"
        );

        let other = folder.join("abandoned.wav");
        drop(WavFile::create(&other, 48_000, 1, SampleFormat::Int16, false).unwrap());
        assert!(!other.exists());
        fs::remove_dir_all(folder).unwrap();
    }

    // The mask of one channel is 0x4; chunks of odd size are followed by a byte that counts in the
    // size of the whole.
    #[test]
    fn one_channel_is_the_centre_and_odd_chunks_are_filled_up() {
        let folder = folder("mono");
        for (format, frames) in [
            (SampleFormat::Int16, 101),
            (SampleFormat::Int24, 100),
            (SampleFormat::Int24, 101),
            (SampleFormat::Float32, 101),
        ] {
            let path = folder.join(format!("{format:?}-{frames}.wav"));
            let mut wav = WavFile::create(&path, 48_000, 1, format, false).unwrap();
            wav.write(&[&vec![0.25; frames]]).unwrap();
            wav.finish().unwrap();
            let bytes = fs::read(&path).unwrap();
            let word = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap());
            assert_eq!(word(4) as usize, bytes.len() - 8, "{format:?}");
            assert_eq!(bytes.len() % 2, 0, "{format:?} {frames}");
            if format != SampleFormat::Int16 {
                assert_eq!(word(40), 0x4, "{format:?}");
            }
            let back = crate::decode_all(&path).unwrap();
            assert_eq!(back.channels.len(), 1);
            assert_eq!(back.channels[0].len(), frames);
            assert!(back.channels[0].iter().all(|x| (x - 0.25).abs() < 1e-4));
        }
        fs::remove_dir_all(folder).unwrap();
    }

    // Every format but PCM says how many frames there are, ahead of them: Microsoft, New Multimedia
    // Data Types and Data Techniques 3.0, fact chunk.
    #[test]
    fn floats_say_how_many_frames_there_are_and_integers_need_not() {
        let folder = folder("fact");
        for (format, channels, fact) in [
            (SampleFormat::Int16, 2, None),
            (SampleFormat::Int24, 2, None),
            (SampleFormat::Float32, 1, Some(101)),
            (SampleFormat::Float32, 2, Some(101)),
        ] {
            let path = folder.join(format!("{format:?}-{channels}.wav"));
            let mut wav = WavFile::create(&path, 44_100, channels, format, false).unwrap();
            wav.write(&vec![&[0.25; 101][..]; channels]).unwrap();
            wav.finish().unwrap();
            let bytes = fs::read(&path).unwrap();
            let word = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap());
            let mut chunks = Vec::new();
            let mut at = 12;
            while at < bytes.len() {
                let size = word(at + 4);
                chunks.push((&bytes[at..at + 4], size, word(at + 8)));
                at += 8 + size.next_multiple_of(2) as usize;
            }
            let names: Vec<&[u8]> = chunks.iter().map(|(name, ..)| *name).collect();
            match fact {
                Some(frames) => {
                    assert_eq!(names, [b"fmt ", b"fact", b"data"]);
                    assert_eq!(chunks[1], (&b"fact"[..], 4, frames));
                }
                None => assert_eq!(names, [b"fmt ", b"data"]),
            }
            assert_eq!(at, bytes.len());
        }
        fs::remove_dir_all(folder).unwrap();
    }

    #[test]
    fn only_mono_and_stereo_are_written() {
        let nowhere = Path::new("three-channels.wav");
        let refused = WavFile::create(nowhere, 48_000, 3, SampleFormat::Float32, false)
            .err()
            .unwrap();
        assert!(matches!(
            refused.kind,
            OutputErrorKind::Channels { count: 3 }
        ));
        assert!(!nowhere.exists());
    }
}
