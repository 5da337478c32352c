//! Crest factor in four bands: which part of the spectrum is dense.

use wide::f64x2;

use super::readings::ChannelRole;
use super::time_grid::TimeGrid;
use super::true_peak::TruePeak;
use crate::dsp::crossover::{BandLanes, Crossover, DEFAULT_CORNERS_HZ, low_to_high};
use crate::dsp::decibel::{db_from_gain, db_from_power, power_from_db};
use crate::dsp::fault::{LARGEST_SAMPLE, or_silence};
use crate::dsp::quad::Quad;

const BANDS: usize = 4;
/// A band whose RMS lies lower holds nothing but noise, dBFS: the last step of 16 bits (1/32768).
const LEAST_RMS_DBFS: f64 = -90.3;

/// Steps whose mean power is lower are a pause, in which nothing is dense, mean square of a channel
/// (−70 dBFS), and how many there are a second: long enough that one holds a beat.
const GATE: f64 = 1e-7;
const STEPS_PER_SECOND: u64 = 2;
/// Of steps this far below the mean of those no RMS is taken either, as for integrated loudness
/// (ITU-R BS.1770-5, annex 1), dB. They are filed by their level, so that this gate can move
/// afterwards: in classes so narrow that no passage counts at one level and not at another.
const RELATIVE_GATE_DB: f64 = 10.0;
const CLASS_DB: f64 = 0.02;
const CLASSES: usize = 4_500;
/// A band so far below the whole holds nothing of its own: what dense or open is said of it would be
/// said of skirts, dB.
pub const FAINT_DB: f64 = 40.0;
/// Frames worked on at a time.
const RUN: usize = 256;

/// Highest true peak less RMS in each of the bands that a [`Crossover`] at its default corners
/// makes, low to high.
///
/// The peak is that of the loudest channel and the RMS the mean over the channels, as in
/// [`Readings::crest_factor_db`](super::Readings::crest_factor_db), but peaks between the samples
/// count too: above 6 kHz the highest sample of a band lies up to some dB below them, by as much as
/// the sample rate will have it. The RMS is gated as loudness is: of pauses and passages far below the
/// rest none is taken, or an intro would make a song more open, and one at a lower level denser.
/// Low-frequency effects are left out, and bands 40 dB below the whole of the other channels.
#[derive(Clone, Debug)]
pub struct BandCrest {
    /// Two channels each, and how many channels count.
    pairs: Vec<Pair>,
    counted: usize,
    grid: TimeGrid,
    /// Of the steps that are no pause, by their level above the gate.
    classes: Vec<Steps>,
}

/// Energies of the bands over some steps, and frames of those.
#[derive(Clone, Copy, Debug, Default)]
struct Steps {
    energy: [f64; BANDS],
    frames: f64,
}

impl Steps {
    fn add(&mut self, other: &Self) {
        for (sum, energy) in self.energy.iter_mut().zip(other.energy) {
            *sum += energy;
        }
        self.frames += other.frames;
    }

    /// Mean square of a channel; not a number without a frame.
    fn mean(&self, channels: usize) -> f64 {
        self.energy.iter().sum::<f64>() / (self.frames * channels.max(1) as f64)
    }
}

/// Class of a mean square; `None` of a pause.
fn class_of(mean: f64) -> Option<usize> {
    let above_db = db_from_power(mean / GATE).filter(|db| *db > 0.0)?;
    #[expect(clippy::cast_sign_loss, reason = "filtered just there")]
    let class = (above_db / CLASS_DB) as usize;
    Some(class.min(CLASSES - 1))
}

#[derive(Clone, Debug)]
struct Pair {
    /// 1 for a channel that counts, 0 for one that does not.
    counted: [f64; 2],
    crossover: Crossover,
    /// Scratch: the frames of a run, and their bands.
    frames: Box<[f64x2; RUN]>,
    split: Box<[BandLanes; RUN]>,
    /// Of each band and channel, and the run at hand.
    peaks: [[TruePeak; 2]; BANDS],
    run: Box<[[[f32; RUN]; 2]; BANDS]>,
    peak: [[f32; 2]; BANDS],
    /// Energies of the step at hand.
    energy: [f64x2; BANDS],
}

impl BandCrest {
    /// For channels of these roles. Allocates.
    pub fn new(sample_rate_hz: f64, roles: &[ChannelRole]) -> Self {
        let counts = |role: Option<&ChannelRole>| match role {
            Some(ChannelRole::Front | ChannelRole::Surround) => 1.0,
            Some(ChannelRole::Lfe) | None => 0.0,
        };
        let pairs = roles.chunks(2).map(|pair| {
            let mut crossover = Crossover::new(sample_rate_hz);
            crossover.reset(DEFAULT_CORNERS_HZ);
            Pair {
                counted: [counts(pair.first()), counts(pair.get(1))],
                crossover,
                frames: Box::new([f64x2::ZERO; RUN]),
                split: Box::new([[Quad::ZERO; 2]; RUN]),
                peaks: std::array::from_fn(|_| [TruePeak::new(), TruePeak::new()]),
                run: Box::new([[[0.0; RUN]; 2]; BANDS]),
                peak: [[0.0; 2]; BANDS],
                energy: [f64x2::ZERO; BANDS],
            }
        });
        let counted = roles.iter().filter(|role| counts(Some(role)) > 0.0);
        Self {
            counted: counted.count(),
            pairs: pairs.collect(),
            grid: TimeGrid::with_steps(sample_rate_hz, STEPS_PER_SECOND),
            classes: vec![Steps::default(); CLASSES],
        }
    }

    /// Forgets what was measured, of a signal that goes on.
    pub fn restart(&mut self) {
        self.grid.reset();
        self.classes.fill(Steps::default());
        for pair in &mut self.pairs {
            pair.peaks.iter_mut().flatten().for_each(TruePeak::restart);
            pair.peak = [[0.0; 2]; BANDS];
            pair.energy = [f64x2::ZERO; BANDS];
        }
    }

    /// Takes one slice a channel, all of one length. Samples that are not finite are measured as
    /// silence.
    pub fn process(&mut self, channels: &[&[f32]]) {
        let frames = channels.iter().map(|channel| channel.len()).min();
        let frames = frames.unwrap_or(0);
        let mut start = 0;
        while start < frames {
            let end = frames.min(start + self.grid.remaining().min(RUN));
            for (pair, channels) in self.pairs.iter_mut().zip(channels.chunks(2)) {
                pair.process(channels, start, end);
            }
            if self.grid.advance(end - start) {
                let step = self.step();
                if let Some(class) = class_of(step.mean(self.counted)) {
                    self.classes[class].add(&step);
                }
                for pair in &mut self.pairs {
                    pair.energy = [f64x2::ZERO; BANDS];
                }
            }
            start = end;
        }
    }

    /// The step at hand, which has come to its end.
    fn step(&self) -> Steps {
        let mut step = Steps {
            frames: self.grid.frames_in_last(1),
            ..Steps::default()
        };
        for pair in &self.pairs {
            for (sum, energy) in step.energy.iter_mut().zip(&pair.energy) {
                *sum += energy.reduce_add();
            }
        }
        step
    }

    /// Of the steps that pass both gates.
    fn gated(&self) -> Steps {
        let total = |classes: &[Steps]| {
            let mut all = Steps::default();
            for steps in classes {
                all.add(steps);
            }
            all
        };
        let mean = total(&self.classes).mean(self.counted);
        let first = class_of(mean * power_from_db(-RELATIVE_GATE_DB)).unwrap_or(0);
        total(&self.classes[first..])
    }

    /// Crest factor in each band so far, dB, of whole steps of half a second. `None` where a band's
    /// RMS is below −90.3 dBFS or 40 dB below that of all bands.
    pub fn crest_db(&self) -> [Option<f64>; BANDS] {
        let loud = self.gated();
        let whole = loud.energy.iter().sum::<f64>() * power_from_db(-FAINT_DB);
        std::array::from_fn(|band| {
            let peaks = self.pairs.iter().flat_map(|pair| pair.peak[band]);
            let peak = f64::from(peaks.fold(0.0, f32::max));
            let mean = loud.energy[band] / (loud.frames * self.counted.max(1) as f64);
            let rms_dbfs = db_from_power(mean).filter(|rms| *rms > LEAST_RMS_DBFS)?;
            (loud.energy[band] > whole).then_some(())?;
            Some(db_from_gain(peak)? - rms_dbfs)
        })
    }
}

impl Pair {
    /// At most [`RUN`] frames.
    fn process(&mut self, channels: &[&[f32]], start: usize, end: usize) {
        let sample = |channel: usize, frame: usize| {
            let sample = channels.get(channel).and_then(|channel| channel.get(frame));
            let sample = sample.copied().unwrap_or_default();
            f64::from(or_silence(sample, LARGEST_SAMPLE)) * self.counted[channel]
        };
        for (at, frame) in (start..end).enumerate() {
            self.frames[at] = f64x2::new([sample(0, frame), sample(1, frame)]);
        }
        let (frames, split) = (&self.frames[..end - start], &mut self.split[..end - start]);
        self.crossover.split_run([frames], [&mut *split]);
        for (at, bands) in split.iter().enumerate() {
            let bands = low_to_high(bands);
            for ((band, run), energy) in bands.into_iter().zip(&mut *self.run).zip(&mut self.energy)
            {
                let [left, right] = band.to_array();
                (run[0][at], run[1][at]) = (left as f32, right as f32);
                *energy += band * band;
            }
        }
        let channels = self.run.iter().flatten().map(|run| &run[..end - start]);
        let peaks = self.peaks.iter_mut().flatten();
        for ((run, peaks), peak) in channels.zip(peaks).zip(self.peak.iter_mut().flatten()) {
            // What comes last is still on its way through the interpolation.
            *peak = run
                .iter()
                .fold(*peak, |peak, sample| peak.max(sample.abs()));
            peaks.process(run, peak);
        }
    }
}
