//! WAV files out: 16 and 24 bits with dither, 32-bit float without.

use std::fs::{File, OpenOptions};
use std::io::{self, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use hound::{SampleFormat as HoundFormat, WavSpec, WavWriter};

use super::error::{OutputError, OutputErrorKind};
use super::part::Part;

/// Most bytes of audio in a WAV file; the rest of the 4 GiB is left to its header.
const MAX_DATA_BYTES: u64 = u32::MAX as u64 - 1024;

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
    writer: WavWriter<BufWriter<File>>,
    part: Part,
    format: SampleFormat,
    channels: usize,
    bytes: u64,
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
        let count = match channels {
            1 => 1,
            2 => 2,
            count => return Err(OutputErrorKind::Channels { count }),
        };
        let (file, part) = Part::create(path, force)?;
        let spec = WavSpec {
            channels: count,
            sample_rate: sample_rate_hz,
            bits_per_sample: format.bits(),
            sample_format: if format == SampleFormat::Float32 {
                HoundFormat::Float
            } else {
                HoundFormat::Int
            },
        };
        Ok(Self {
            path: path.to_owned(),
            writer: WavWriter::new(BufWriter::new(file), spec)?,
            part,
            format,
            channels,
            bytes: 0,
            dither: Dither::new(),
            clipped: 0,
        })
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
        if block.len() != self.channels {
            return Err(OutputErrorKind::Channels { count: block.len() });
        }
        let frames = block.iter().map(|plane| plane.len()).min().unwrap_or(0);
        self.bytes += (frames * block.len()) as u64 * u64::from(self.format.bits() / 8);
        if self.bytes > MAX_DATA_BYTES {
            return Err(OutputErrorKind::TooLong);
        }
        let writer = &mut self.writer;
        for frame in 0..frames {
            for sample in block.iter().filter_map(|plane| plane.get(frame)) {
                let sample = if sample.is_finite() { *sample } else { 0.0 };
                match self.format {
                    SampleFormat::Float32 => writer.write_sample(sample)?,
                    SampleFormat::Int16 | SampleFormat::Int24 => {
                        self.clipped += u64::from(sample.abs() > 1.0);
                        writer.write_sample(quantised(
                            sample,
                            self.format.bits(),
                            self.dither.next(),
                        ))?;
                    }
                }
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
        self.writer.flush()?;
        self.writer.finalize()?;
        complete(self.part.path(), self.channels, self.bytes)?;
        Ok(self.part.complete()?)
    }
}

/// Offsets in the header: the size of everything behind it, the format's tag, and where the format
/// is extensible the mask of its channels.
const RIFF_SIZE: u64 = 4;
const FORMAT_TAG: u64 = 20;
const CHANNEL_MASK: u64 = 40;
const EXTENSIBLE: [u8; 2] = [0xfe, 0xff];
/// The front centre, which one channel is; `hound` calls the first channel of any file front left.
const FRONT_CENTRE: u32 = 0x4;

/// Does to a file with so many bytes of audio what `hound` leaves undone: one channel is the front
/// centre (Microsoft, *Multiple channel audio data and WAVE files*), and an odd chunk is followed by
/// a byte that counts (*Multimedia Programming Interface and Data Specifications 1.0*, RIFF).
fn complete(path: &Path, channels: usize, bytes: u64) -> io::Result<()> {
    let is_odd = bytes % 2 == 1;
    if channels != 1 && !is_odd {
        return Ok(());
    }
    let mut file = OpenOptions::new().read(true).write(true).open(path)?;
    let mut tag = [0; 2];
    file.seek(SeekFrom::Start(FORMAT_TAG))?;
    file.read_exact(&mut tag)?;
    if channels == 1 && tag == EXTENSIBLE {
        file.seek(SeekFrom::Start(CHANNEL_MASK))?;
        file.write_all(&FRONT_CENTRE.to_le_bytes())?;
    }
    if is_odd {
        let mut size = [0; 4];
        file.seek(SeekFrom::Start(RIFF_SIZE))?;
        file.read_exact(&mut size)?;
        file.seek(SeekFrom::Start(RIFF_SIZE))?;
        file.write_all(&(u32::from_le_bytes(size) + 1).to_le_bytes())?;
        file.seek(SeekFrom::End(0))?;
        file.write_all(&[0])?;
    }
    Ok(())
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
            if bytes[20..22] == EXTENSIBLE {
                assert_eq!(word(40), 0x4, "{format:?}");
            }
            let back = crate::decode_all(&path).unwrap();
            assert_eq!(back.channels.len(), 1);
            assert_eq!(back.channels[0].len(), frames);
            assert!(back.channels[0].iter().all(|x| (x - 0.25).abs() < 1e-4));
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
