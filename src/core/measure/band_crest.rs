//! Crest factor in four bands: which part of the spectrum is dense.

use wide::f64x2;

use super::readings::ChannelRole;
use super::time_grid::TimeGrid;
use super::true_peak::TruePeak;
use crate::dsp::biquad::{Biquad, Coefficients};
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
/// How much of the music reaches the peak that counts, by energy: what is rarer is a click, or a hit
/// at the end of a verse (common practice).
const OFTEN: f64 = 0.05;
/// Peaks are filed by their level from −100 dBFS on, in classes as narrow.
const LEAST_PEAK_DBFS: f64 = -100.0;
const PEAK_CLASSES: usize = 9_000;
/// A band so far below the whole holds nothing of its own: what dense or open is said of it would be
/// said of skirts, dB.
pub const FAINT_DB: f64 = 40.0;
/// Below lies nothing that is heard, as DC or rumble, whose energy would make the lowest band denser:
/// the third octaves begin about here (IEC 61260-1), Hz.
const AUDIBLE_HZ: f64 = 20.0;
/// Frames worked on at a time.
const RUN: usize = 256;

/// True peak less RMS in each of the bands that a [`Crossover`] at its default corners makes, low to
/// high.
///
/// The peak is the one that a twentieth of the music reaches, in steps of half a second that count by
/// their energy: the highest of all is a matter of how long is listened, and a click of two samples
/// would make a song more open.
///
/// Peak and RMS are the highest of all channels. Beside an RMS that is their mean, as in
/// [`Readings::crest_factor_db`](super::Readings::crest_factor_db), an instrument panned hard would
/// stand out 3 dB more than the same in the middle. Peaks between the samples count too: above 6 kHz
/// the highest sample of a band lies up to some dB below them, by as much as the sample rate will have
/// it. The RMS is gated as loudness is: of pauses and passages far below the rest none is taken, or
/// an intro would make a song more open, and one at a lower level denser. What lies below 20 Hz and
/// low-frequency effects are left out, and bands 40 dB below the whole of the other channels.
#[derive(Clone, Debug)]
pub struct BandCrest {
    /// Two channels each, and how many channels count.
    pairs: Vec<Pair>,
    counted: usize,
    grid: TimeGrid,
    /// Of the steps that are no pause, by their level above the gate: their frames, and the energies
    /// of the bands in every channel, two channels a pair.
    frames: Vec<f64>,
    energies: Vec<[f64x2; BANDS]>,
    /// Of the same steps, by their peak in each band, [`PEAK_CLASSES`] a band.
    peaks: Vec<Peaked>,
}

/// Steps whose peaks in a band lie in one class.
#[derive(Clone, Copy, Debug, Default)]
struct Peaked {
    /// The highest of them, linear.
    highest: f32,
    /// Energy of these steps, in all bands.
    energy: f64,
}

/// Frames of some classes, and the energy of every band and channel over them.
type Loud = (f64, Vec<[f64x2; BANDS]>);

/// Class of a linear peak.
fn peak_class_of(peak: f32) -> usize {
    let above_db = db_from_gain(f64::from(peak)).unwrap_or(LEAST_PEAK_DBFS) - LEAST_PEAK_DBFS;
    #[expect(clippy::cast_sign_loss, reason = "not below zero")]
    let class = (above_db.max(0.0) / CLASS_DB) as usize;
    class.min(PEAK_CLASSES - 1)
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
    audible: Coefficients,
    low_cut: Biquad,
    crossover: Crossover,
    /// Scratch: the frames of a run, and their bands.
    frames: Box<[f64x2; RUN]>,
    split: Box<[BandLanes; RUN]>,
    /// Of each band and channel, and the run at hand.
    peaks: [[TruePeak; 2]; BANDS],
    run: Box<[[[f32; RUN]; 2]; BANDS]>,
    /// Peaks and energies of the step at hand.
    peak: [[f32; 2]; BANDS],
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
                audible: Coefficients::high_pass(sample_rate_hz, AUDIBLE_HZ),
                low_cut: Biquad::default(),
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
            frames: vec![0.0; CLASSES],
            energies: vec![[f64x2::ZERO; BANDS]; CLASSES * roles.len().div_ceil(2)],
            peaks: vec![Peaked::default(); BANDS * PEAK_CLASSES],
        }
    }

    /// Forgets what was measured, of a signal that goes on.
    pub fn restart(&mut self) {
        self.grid.reset();
        self.frames.fill(0.0);
        self.energies.fill([f64x2::ZERO; BANDS]);
        self.peaks.fill(Peaked::default());
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
                self.file_step();
            }
            start = end;
        }
    }

    /// Files the step at hand, which has come to its end.
    fn file_step(&mut self) {
        let frames = self.grid.frames_in_last(1);
        let energy = self.pairs.iter().flat_map(|pair| pair.energy);
        let energy = energy.map(f64x2::reduce_add).sum::<f64>();
        if let Some(class) = class_of(self.mean(energy, frames)) {
            self.frames[class] += frames;
            let pairs = self.pairs.len();
            let filed = &mut self.energies[class * pairs..][..pairs];
            add(filed, self.pairs.iter().map(|pair| &pair.energy));
            for (band, filed) in self.peaks.chunks_mut(PEAK_CLASSES).enumerate() {
                let peaks = self.pairs.iter().flat_map(|pair| pair.peak[band]);
                let peak = peaks.fold(0.0, f32::max);
                let filed = &mut filed[peak_class_of(peak)];
                filed.highest = filed.highest.max(peak);
                filed.energy += energy;
            }
        }
        for pair in &mut self.pairs {
            pair.peak = [[0.0; 2]; BANDS];
            pair.energy = [f64x2::ZERO; BANDS];
        }
    }

    /// Mean square of a channel; not a number without a frame.
    fn mean(&self, energy: f64, frames: f64) -> f64 {
        energy / (frames * self.counted.max(1) as f64)
    }

    /// Of the steps that pass both gates.
    fn gated(&self) -> Loud {
        let pairs = self.pairs.len().max(1);
        let from = |first: usize| -> Loud {
            let mut energies = vec![[f64x2::ZERO; BANDS]; self.pairs.len()];
            for filed in self.energies.chunks(pairs).skip(first) {
                add(&mut energies, filed);
            }
            (self.frames.iter().skip(first).sum(), energies)
        };
        let (frames, energies) = from(0);
        let energy = energies.into_iter().flatten().map(f64x2::reduce_add);
        let mean = self.mean(energy.sum(), frames);
        from(class_of(mean * power_from_db(-RELATIVE_GATE_DB)).unwrap_or(0))
    }

    /// The peak that [`OFTEN`] of the music reaches, dBFS: between those of the two steps next to it, so
    /// that it does not jump where one more is heard.
    fn peak_dbfs(&self, band: usize) -> Option<f64> {
        let filed = &self.peaks[band * PEAK_CLASSES..][..PEAK_CLASSES];
        let wanted = OFTEN * filed.iter().map(|class| class.energy).sum::<f64>();
        let mut above = 0.0;
        let mut higher = None;
        for class in filed.iter().rev().filter(|class| class.energy > 0.0) {
            let here = (
                above + 0.5 * class.energy,
                db_from_gain(class.highest.into())?,
            );
            if here.0 >= wanted {
                let (before, higher) = higher.unwrap_or(here);
                let share = (wanted - before).max(0.0) / (here.0 - before).max(f64::MIN_POSITIVE);
                return Some(higher + share * (here.1 - higher));
            }
            above += class.energy;
            higher = Some(here);
        }
        higher.map(|(_, highest)| highest)
    }

    /// Crest factor in each band so far, dB, of whole steps of half a second. `None` where a band's
    /// RMS is below −90.3 dBFS or its energy 40 dB below that of all bands.
    pub fn crest_db(&self) -> [Option<f64>; BANDS] {
        let (frames, energies) = self.gated();
        let of_band = |band: usize| {
            let energies = energies.iter().map(|pair| pair[band].reduce_add());
            energies.sum::<f64>()
        };
        let whole = (0..BANDS).map(of_band).sum::<f64>() * power_from_db(-FAINT_DB);
        std::array::from_fn(|band| {
            let energies = energies.iter().flat_map(|pair| pair[band].to_array());
            let mean = energies.fold(0.0, f64::max) / frames;
            let rms_dbfs = db_from_power(mean).filter(|rms| *rms > LEAST_RMS_DBFS)?;
            (of_band(band) > whole).then_some(())?;
            Some(self.peak_dbfs(band)? - rms_dbfs)
        })
    }
}

/// Adds up energies, pair by pair.
fn add<'a>(sums: &mut [[f64x2; BANDS]], energies: impl IntoIterator<Item = &'a [f64x2; BANDS]>) {
    for (sums, energies) in sums.iter_mut().zip(energies) {
        for (sum, energy) in sums.iter_mut().zip(energies) {
            *sum += *energy;
        }
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
            let lanes = f64x2::new([sample(0, frame), sample(1, frame)]);
            self.frames[at] = self.low_cut.step(&self.audible, lanes);
        }
        self.low_cut.snap_to_zero();
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
