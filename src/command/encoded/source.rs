//! What the encoders are given: the file as songs are delivered, at 44.1 or 48 kHz, and for MP3 as
//! integers.

use std::path::{Path, PathBuf};

use crate::BLOCK_FRAMES;
use crestline_core::dsp::oversample::{CLEAN_CASCADE, Downsampler};
use crestline_core::dsp::quantum::QUANTUM;
use crestline_files::{AudioFile, SampleFormat, WavFile};

/// Rates that songs are delivered at, Hz (common practice).
const DELIVERED_HZ: [u32; 2] = [44_100, 48_000];

/// A mono or stereo file, and what of it matters to an encoder.
#[derive(Clone, Debug)]
pub(super) struct Source {
    pub path: PathBuf,
    pub sample_rate_hz: u32,
    /// One or two.
    pub channels: usize,
    /// Highest sample, 1 at full scale.
    pub peak: f64,
}

impl Source {
    /// The file itself, or, at 2, 4 or 8 times a rate that songs are delivered at, what is left of
    /// it at that rate, in a folder for temporary files. The error is the line to tell.
    pub fn delivered(self, folder: &Path) -> Result<Self, String> {
        let halvings = (1..=CLEAN_CASCADE.len()).find(|halvings| {
            let is_delivered = |hz: &u32| self.sample_rate_hz == hz << halvings;
            DELIVERED_HZ.iter().any(is_delivered)
        });
        let Some(halvings) = halvings else {
            return Ok(self);
        };
        let (path, sample_rate_hz) = (
            folder.join("delivered.wav"),
            self.sample_rate_hz >> halvings,
        );
        let peak = decimate(&self.path, &path, sample_rate_hz, halvings)?;
        Ok(Self {
            path,
            sample_rate_hz,
            channels: self.channels,
            peak,
        })
    }

    /// A note on the rate, where it is not the file's or not one that songs are delivered at.
    pub fn note(&self, file_hz: u32) -> Option<String> {
        let khz = f64::from(self.sample_rate_hz) / 1_000.0;
        if self.sample_rate_hz != file_hz {
            Some(format!(
                "brought to {khz} kHz before it was encoded, as songs are delivered"
            ))
        } else if DELIVERED_HZ.iter().all(|hz| self.sample_rate_hz > *hz) {
            Some(format!(
                "encoded as Ogg Vorbis at its own {khz} kHz, at which songs are not delivered; \
                 export it at 44.1 or 48 kHz"
            ))
        } else {
            None
        }
    }

    /// Writes the source as 24-bit integers, turned down to full scale where it goes beyond; the
    /// gain that makes up for it. The error is the line to tell.
    ///
    /// The program that encodes MP3 reads WAV whatever it was built with; a float file it would
    /// bring to full scale by itself.
    pub fn write_integers(&self, to: &Path) -> Result<f64, String> {
        let up = self.peak.max(1.0);
        let down = (1.0 / up) as f32;
        let mut wav = create(to, self.sample_rate_hz, self.channels, SampleFormat::Int24)?;
        read(&self.path, |planes| {
            for sample in planes.iter_mut().flatten() {
                *sample *= down;
            }
            let planes: Vec<&[f32]> = planes.iter().map(Vec::as_slice).collect();
            wav.write(&planes).map_err(|error| error.to_string())
        })?;
        wav.finish().map_err(|error| error.to_string())?;
        Ok(up)
    }
}

/// Hands a file over in blocks, one vector a channel; the error is the line to tell.
pub(super) fn read(
    file: &Path,
    mut take: impl FnMut(&mut [Vec<f32>]) -> Result<(), String>,
) -> Result<(), String> {
    let mut audio = AudioFile::open(file).map_err(|error| error.to_string())?;
    let mut block = Vec::new();
    loop {
        let frames = audio.read(BLOCK_FRAMES, &mut block);
        if frames.map_err(|error| error.to_string())? == 0 {
            return Ok(());
        }
        take(&mut block)?;
    }
}

fn create(
    path: &Path,
    sample_rate_hz: u32,
    channels: usize,
    format: SampleFormat,
) -> Result<WavFile, String> {
    let wav = WavFile::create(path, sample_rate_hz, channels, format, false);
    wav.map_err(|error| error.to_string())
}

/// Writes what is left of a file at `to_hz`, which is its rate halved so many times, in step with
/// it; the highest sample of that. The filters are those that the saturator comes down by.
fn decimate(file: &Path, to: &Path, to_hz: u32, halvings: usize) -> Result<f64, String> {
    let factor = 1 << halvings;
    let mut audio = AudioFile::open(file).map_err(|error| error.to_string())?;
    let filter = Downsampler::new(f64::from(to_hz), &CLEAN_CASCADE[..halvings]);
    // What comes out first belongs before the file.
    let mut early = filter.latency_frames();
    let mut filters = vec![filter; audio.roles().len()];
    let mut wav = create(to, to_hz, filters.len(), SampleFormat::Float32)?;
    let mut block = Vec::new();
    let (mut taken, mut written, mut peak) = (0, 0, 0.0_f32);
    loop {
        let frames = audio.read(BLOCK_FRAMES, &mut block);
        let frames = frames.map_err(|error| error.to_string())?;
        taken += frames;
        if frames == 0 && written == taken.div_ceil(factor) {
            break;
        }
        let mut left = Vec::new();
        for (filter, plane) in filters.iter_mut().zip(&mut block) {
            // Behind the end the filters ring out.
            plane.resize(BLOCK_FRAMES, 0.0);
            let quanta = plane.chunks_exact(QUANTUM * factor).map(|quantum| {
                filter.process(|phase, lane| {
                    let samples = quantum.iter().skip(phase).step_by(factor);
                    lane.iter_mut()
                        .zip(samples)
                        .for_each(|(to, from)| *to = *from);
                })
            });
            left.push(quanta.flatten().collect::<Vec<f32>>());
        }
        let length = BLOCK_FRAMES / factor;
        let start = early.min(length);
        early -= start;
        let end = start + (taken.div_ceil(factor) - written).min(length - start);
        written += end - start;
        let planes: Vec<&[f32]> = left.iter().map(|plane| &plane[start..end]).collect();
        let samples = planes.iter().copied().flatten();
        peak = samples.fold(peak, |peak, sample| peak.max(sample.abs()));
        wav.write(&planes).map_err(|error| error.to_string())?;
    }
    wav.finish().map_err(|error| error.to_string())?;
    Ok(f64::from(peak))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// Closed form: a sine is the same sine at any rate; what lies beyond half the lower rate is
    /// gone. Allowed: 0.01 dB up to 20 kHz, and what the filter's Kaiser window of shape 8.5 leaves
    /// (some 85 dB down; Kaiser, "Nonrecursive digital filter design", 1974).
    #[test]
    fn what_is_left_at_a_lower_rate_is_in_step_and_holds_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("in.wav");
        for (hz, to_hz) in [
            (88_200, 44_100),
            (96_000, 48_000),
            (192_000, 48_000),
            (352_800, 44_100),
        ] {
            for (tone_hz, gain) in [
                (997.0, 0.8),
                (19_000.0, 0.8),
                (26_000.0, 0.0),
                (37_000.0, 0.0),
            ] {
                let frames = hz / 4 + 1;
                let sine = |frame: u32, hz: u32, gain: f64| {
                    gain * (TAU * tone_hz * f64::from(frame) / f64::from(hz)).sin()
                };
                let plane: Vec<f32> = (0..frames).map(|n| sine(n, hz, 0.8) as f32).collect();
                let mut wav = create(&file, hz, 1, SampleFormat::Float32).unwrap();
                wav.write(&[&plane]).unwrap();
                wav.finish().unwrap();
                let source = Source {
                    path: file.clone(),
                    sample_rate_hz: hz,
                    channels: 1,
                    peak: 0.8,
                };
                let source = source.delivered(folder.path()).unwrap();
                assert_eq!(source.sample_rate_hz, to_hz);
                let left = crestline_files::decode_all(&source.path).unwrap();
                let left = &left.channels[0];
                assert_eq!(left.len(), frames.div_ceil(hz / to_hz) as usize);
                // Where it begins and ends a tone is more than a tone.
                let inside = 200..u32::try_from(left.len()).unwrap() - 200;
                let errors = inside.map(|n| f64::from(left[n as usize]) - sine(n, to_hz, gain));
                let worst = errors.fold(0.0_f64, |worst, error| worst.max(error.abs()));
                println!(
                    "decimated: {hz} to {to_hz}, {tone_hz} Hz: {:.1} dB",
                    20.0 * worst.log10()
                );
                assert!(worst < if gain > 0.0 { 1e-3 } else { 1e-4 }, "{worst}");
                assert!(source.peak >= 0.999 * gain, "{}", source.peak);
                std::fs::remove_file(source.path).unwrap();
                std::fs::remove_file(&file).unwrap();
            }
        }
    }
}
