//! Runs the engine as a host would, and measures what comes out with general libraries.

use crate::spectrum;
use crestline_core::engine::{CHUNK, Engine, EngineSpec, Settings};
use crestline_core::process::{
    BandSettings, Bands, BandsSettings, ChainSettings, LimiterSettings, PushSettings,
    SaturatorSettings, ShelvesSettings,
};
use ebur128::{EbuR128, Mode};
use realfft::num_complex::Complex64;
use std::f64::consts::PI;

/// One vector a channel, all of one length.
pub type Planes = Vec<Vec<f32>>;

/// An engine for `channels` channels.
pub fn engine(sample_rate_hz: f64, channels: usize) -> Engine {
    Engine::new(EngineSpec {
        sample_rate_hz,
        channels,
    })
}

/// White noise within ±`peak`, independent from channel to channel and from seed to seed
/// (xorshift64*, Vigna, ACM TOMS 42(4), 2016).
pub fn noise(channels: usize, frames: usize, peak: f32, seed: u64) -> Planes {
    let mut state = seed
        .wrapping_mul(2)
        .wrapping_add(1)
        .wrapping_mul(0x9e37_79b9_7f4a_7c15);
    let mut next = || {
        state ^= state >> 12;
        state ^= state << 25;
        state ^= state >> 27;
        let bits = state.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 40;
        (bits as f32 / (1_u32 << 23) as f32 - 1.0) * peak
    };
    (0..channels)
        .map(|_| (0..frames).map(|_| next()).collect())
        .collect()
}

/// Every stage at work.
pub fn everything_on() -> ChainSettings {
    let band = BandSettings {
        threshold_db: -30.0,
        ratio: 3.0,
        makeup_db: 1.0,
        ..BandSettings::default()
    };
    ChainSettings {
        push: PushSettings { push_db: 8.0 },
        shelves: ShelvesSettings {
            low_gain_db: -2.0,
            high_gain_db: 3.0,
            ..ShelvesSettings::default()
        },
        bands: BandsSettings {
            on: true,
            bands: [band; 4],
            ..BandsSettings::default()
        },
        saturator: SaturatorSettings {
            enabled: true,
            ..SaturatorSettings::default()
        },
        limiter: LimiterSettings::default(),
    }
}

/// Plays `input` in blocks of the sizes that `sizes` gives, with the settings that `settings` gives
/// for the block that starts at a frame; returns what is heard.
pub fn play(
    engine: &mut Engine,
    input: &[Vec<f32>],
    sizes: impl FnMut() -> usize,
    mut settings: impl FnMut(usize) -> Settings,
) -> Planes {
    in_blocks(input, sizes, |block, start| {
        engine.process(block, &[], &settings(start));
    })
}

/// Hands `input` in blocks of the sizes that `sizes` gives, each with the frame it starts at, to
/// `process`, which changes them; returns what became of it.
pub fn in_blocks(
    input: &[Vec<f32>],
    mut sizes: impl FnMut() -> usize,
    mut process: impl FnMut(&mut [&mut [f32]], usize),
) -> Planes {
    let mut heard = input.to_vec();
    let frames = input.first().map_or(0, Vec::len);
    let mut start = 0;
    while start < frames {
        let end = frames.min(start + sizes().max(1));
        let mut block: Vec<&mut [f32]> = heard
            .iter_mut()
            .map(|channel| &mut channel[start..end])
            .collect();
        process(&mut block, start);
        start = end;
    }
    heard
}

/// Everything that a run of the engine lets out.
#[derive(Clone, Default)]
pub struct Tracks {
    pub heard: Planes,
    pub output: Planes,
    pub clean: Planes,
    pub input: Planes,
}

/// Plays `input` in chunks and keeps the signals behind the listen switch as well. `settings` is
/// asked once a chunk, with the frame at which it starts; `after` sees the engine behind each
/// chunk.
pub fn trace(
    engine: &mut Engine,
    input: &[Vec<f32>],
    mut settings: impl FnMut(usize) -> Settings,
    mut after: impl FnMut(usize, &Engine),
) -> Tracks {
    let channels = input.len();
    let empty = vec![Vec::new(); channels];
    let mut tracks = Tracks {
        heard: empty.clone(),
        output: empty.clone(),
        clean: empty.clone(),
        input: empty,
    };
    let mut start = 0;
    while start < input.first().map_or(0, Vec::len) {
        let piece: Planes = input
            .iter()
            .map(|channel| channel[start..].iter().copied().take(CHUNK).collect())
            .collect();
        let heard = play(engine, &piece, || CHUNK, |_| settings(start));
        let signals = engine.signals();
        for (channel, heard) in heard.iter().enumerate().take(channels) {
            tracks.heard[channel].extend(heard);
            tracks.output[channel].extend(signals.output[channel]);
            tracks.clean[channel].extend(signals.clean[channel]);
            tracks.input[channel].extend(signals.input[channel]);
        }
        start += piece[0].len();
        after(start, engine);
    }
    tracks
}

/// The frames of a range.
pub fn cut(planes: &[Vec<f32>], range: std::ops::Range<usize>) -> Planes {
    planes
        .iter()
        .map(|channel| channel[range.clone()].to_vec())
        .collect()
}

/// Largest step from one sample to the next.
pub fn largest_step(planes: &[Vec<f32>]) -> f32 {
    let steps = planes
        .iter()
        .flat_map(|channel| channel.windows(2).map(|pair| (pair[1] - pair[0]).abs()));
    steps.fold(0.0, f32::max)
}

/// Integrated loudness in LUFS by the `ebur128` crate.
pub fn loudness_lufs(planes: &[Vec<f32>], rate_hz: u32) -> f64 {
    let mut meter = EbuR128::new(u32::try_from(planes.len()).unwrap(), rate_hz, Mode::I).unwrap();
    let planes: Vec<&[f32]> = planes.iter().map(Vec::as_slice).collect();
    meter.add_frames_planar_f32(&planes).unwrap();
    meter.loudness_global().unwrap()
}

/// True peak in dBTP by the `ebur128` crate, which interpolates four times below 96 kHz with a
/// short filter that may read some hundredths of a decibel too high.
pub fn true_peak_dbtp(planes: &[Vec<f32>], rate_hz: u32) -> f64 {
    let channels = u32::try_from(planes.len()).unwrap();
    let mut meter = EbuR128::new(channels, rate_hz, Mode::TRUE_PEAK).unwrap();
    let planes: Vec<&[f32]> = planes.iter().map(Vec::as_slice).collect();
    meter.add_frames_planar_f32(&planes).unwrap();
    let peak = (0..channels)
        .map(|channel| meter.true_peak(channel).unwrap())
        .fold(0.0, f64::max);
    20.0 * peak.log10()
}

/// True peak in dBTP, from the frame `from` on, by the `ebur128` crate at eight times 48 kHz: twice
/// through the spectrum, then four times where the crate's filter is flat. Where it begins in full
/// swing it is faded in over 5 ms, for the crate takes what came before as silence.
pub fn true_peak_8x_dbtp(planes: &[Vec<f32>], from: usize) -> f64 {
    let double = |channel: &Vec<f32>| {
        let mut double = Vec::new();
        interpolate(channel, from, 2, |stretch| {
            double.extend(stretch.iter().map(|sample| *sample as f32));
        });
        if from > 0 {
            double
                .iter_mut()
                .take(480)
                .enumerate()
                .for_each(|(n, sample)| *sample *= n as f32 / 480.0);
        }
        double
    };
    true_peak_dbtp(&planes.iter().map(double).collect::<Planes>(), 48_000)
}

/// Peak in dBFS, from the frame `from` on, of the signal interpolated sixteen times through its
/// spectrum.
pub fn peak_16x_dbtp(planes: &[Vec<f32>], from: usize) -> f64 {
    let mut peak = 0.0_f64;
    for channel in planes {
        interpolate(channel, from, 16, |stretch| {
            peak = stretch
                .iter()
                .fold(peak, |peak, sample| peak.max(sample.abs()));
        });
    }
    20.0 * peak.log10()
}

/// Interpolates `factor` times through the spectrum (`realfft`) from the frame `from` on; hands
/// over stretch after stretch.
///
/// The stretches' flanks are faded, so that joining end to start makes no edge, and thrown away.
fn interpolate(channel: &[f32], from: usize, factor: usize, mut stretch_done: impl FnMut(&[f64])) {
    const LENGTH: usize = 8192;
    const FLANK: usize = 1024;
    let (forward, inverse) = (
        spectrum::forward(LENGTH),
        spectrum::inverse(LENGTH * factor),
    );
    let (mut stretch, mut spectrum) = (forward.make_input_vec(), forward.make_output_vec());
    let (mut wide, mut fine) = (inverse.make_input_vec(), inverse.make_output_vec());
    for start in (from..channel.len()).step_by(LENGTH - 2 * FLANK) {
        for (n, cell) in stretch.iter_mut().enumerate() {
            let sample = (start + n)
                .checked_sub(FLANK)
                .and_then(|at| channel.get(at))
                .copied()
                .unwrap_or(0.0);
            let to_edge = n.min(LENGTH - 1 - n).min(FLANK) as f64 / FLANK as f64;
            *cell = f64::from(sample) * (0.5 - 0.5 * (PI * to_edge).cos()) / LENGTH as f64;
        }
        forward.process(&mut stretch, &mut spectrum).unwrap();
        wide.fill(Complex64::default());
        wide[..spectrum.len()].copy_from_slice(&spectrum);
        // The highest line stood for both signs of its frequency.
        wide[LENGTH / 2] *= 0.5;
        inverse.process(&mut wide, &mut fine).unwrap();
        stretch_done(&fine[FLANK * factor..(LENGTH - FLANK) * factor]);
    }
}

/// Without what lies above 0.45 of the sample rate, by leaving out those lines of the spectrum.
pub fn low_passed(signal: &[f32]) -> Vec<f32> {
    let (forward, inverse) = (
        spectrum::forward(signal.len()),
        spectrum::inverse(signal.len()),
    );
    let mut samples: Vec<f64> = signal
        .iter()
        .map(|sample| f64::from(*sample) / signal.len() as f64)
        .collect();
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut samples, &mut spectrum).unwrap();
    spectrum
        .iter_mut()
        .skip(signal.len() * 45 / 100)
        .for_each(|line| *line *= 0.0);
    inverse.process(&mut spectrum, &mut samples).unwrap();
    samples.iter().map(|sample| *sample as f32).collect()
}

/// Compresses where nothing is to be compared.
pub fn compress(bands: &mut Bands, channels: &mut [&mut [f32]], settings: &BandsSettings) {
    let frames = channels.first().map_or(0, |channel| channel.len());
    let (mut beside, mut turned_down) = (vec![0.0; frames], vec![[1.0; 4]; frames]);
    bands.process(channels, &mut [&mut beside], &mut turned_down, settings);
}
