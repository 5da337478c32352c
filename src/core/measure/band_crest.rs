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

/// Moments whose mean power is lower are a pause, in which nothing is dense, mean square of a channel
/// (−70 dBFS).
const GATE: f64 = 1e-7;
/// A moment is a second, long enough to hold a beat (common practice), and begins every half second.
const STEPS_PER_SECOND: u64 = 2;
/// Moments in which the band is no more than this far below the level that a quarter of them reaches
/// count alike, those below by their energy, so that none counts at one level and not at another, dB.
/// A song's parts lie so far apart, and a fader that is moved within that changes nothing (common
/// practice).
const ALIKE_DB: f64 = 15.0;
/// Of all moments this share counts at either side of the median.
const COUNTED: f64 = 0.25;
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
/// It is that of single moments of a second, every half second, and of these the mean over the middle
/// half. A moment knows nothing of how loud the others are: beside the RMS of the whole, a fader that
/// was moved would be told as density. Rare clicks and hits lie outside the middle half, and what lies
/// at its edges moves a mean less than a median. Moments in which the band pauses count next to
/// nothing: what clipping leaves there would be told of the band.
///
/// Peak and RMS are the highest of all channels. Beside an RMS that is their mean, as in
/// [`Readings::crest_factor_db`](super::Readings::crest_factor_db), an instrument panned hard would
/// stand out 3 dB more than the same in the middle. Peaks between the samples count too: above 6 kHz
/// the highest sample of a band lies up to some dB below them, by as much as the sample rate will have
/// it. What lies below 20 Hz and low-frequency effects are left out, and bands 40 dB below the whole
/// of the other channels.
#[derive(Clone, Debug)]
pub struct BandCrest {
    /// Two channels each, and how many channels count.
    pairs: Vec<Pair>,
    counted: usize,
    grid: TimeGrid,
    /// All that were no pause.
    moments: Vec<Moment>,
}

/// A second of music.
#[derive(Clone, Copy, Debug)]
struct Moment {
    /// Mean square of each band, that of all channels added up.
    power: [f64; BANDS],
    /// Crest factor in each band, dB; `None` where it holds nothing but noise.
    crest_db: [Option<f64>; BANDS],
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
    /// Of the step at hand, and of the one before.
    now: Step,
    before: Step,
}

/// Half a moment of two channels: peaks and energies of their bands.
#[derive(Clone, Copy, Debug, Default)]
struct Step {
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
                now: Step::default(),
                before: Step::default(),
            }
        });
        let counted = roles.iter().filter(|role| counts(Some(role)) > 0.0);
        Self {
            counted: counted.count(),
            pairs: pairs.collect(),
            grid: TimeGrid::with_steps(sample_rate_hz, STEPS_PER_SECOND),
            moments: Vec::new(),
        }
    }

    /// Forgets what was measured, of a signal that goes on.
    pub fn restart(&mut self) {
        self.grid.reset();
        self.moments.clear();
        for pair in &mut self.pairs {
            pair.peaks.iter_mut().flatten().for_each(TruePeak::restart);
            (pair.now, pair.before) = (Step::default(), Step::default());
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
                self.file_moment();
            }
            start = end;
        }
    }

    /// Files the moment that ends with the step at hand.
    fn file_moment(&mut self) {
        // Before a first step nothing was heard.
        if self.grid.steps() > 1 {
            let moment = self.moment(self.grid.frames_in_last(2));
            let mean = moment.power.iter().sum::<f64>() / self.counted.max(1) as f64;
            self.moments.extend((mean > GATE).then_some(moment));
        }
        for pair in &mut self.pairs {
            pair.before = std::mem::take(&mut pair.now);
        }
    }

    /// The step at hand and the one before, of so many frames.
    fn moment(&self, frames: f64) -> Moment {
        let powers: [[f64; 2]; BANDS] = std::array::from_fn(|band| {
            let pairs = self.pairs.iter();
            let energies = pairs.map(|pair| pair.now.energy[band] + pair.before.energy[band]);
            energies.fold([0.0; 2], |[all, highest], energy| {
                let [left, right] = (energy / frames).to_array();
                [all + left + right, highest.max(left).max(right)]
            })
        });
        Moment {
            power: powers.map(|[all, _]| all),
            crest_db: std::array::from_fn(|band| {
                let steps = self.pairs.iter().flat_map(|pair| [pair.now, pair.before]);
                let peak = steps.flat_map(|step| step.peak[band]).fold(0.0, f32::max);
                let rms_dbfs = db_from_power(powers[band][1])?;
                let crest_db = db_from_gain(peak.into())? - rms_dbfs;
                (rms_dbfs > LEAST_RMS_DBFS).then_some(crest_db)
            }),
        }
    }

    /// Mean crest factor of a band over the middle half of the moments, dB.
    fn middle_db(&self, band: usize) -> Option<f64> {
        let told = |moment: &Moment| Some((moment.crest_db[band]?, moment.power[band]));
        let mut moments: Vec<(f64, f64)> = self.moments.iter().filter_map(told).collect();
        moments.sort_by(|a, b| a.1.total_cmp(&b.1));
        let (_, reached) = *moments.get(3 * moments.len() / 4)?;
        let alike = reached * power_from_db(-ALIKE_DB);
        for (_, weight) in &mut moments {
            *weight = (*weight / alike).min(1.0);
        }
        moments.sort_by(|a, b| a.0.total_cmp(&b.0));
        let all = moments.iter().map(|(_, weight)| weight).sum::<f64>();
        let (from, to) = ((0.5 - COUNTED) * all, (0.5 + COUNTED) * all);
        let mut below = 0.0;
        let counted = moments.into_iter().map(|(crest_db, weight)| {
            let counted = (below + weight).min(to) - f64::max(below, from);
            below += weight;
            crest_db * counted.max(0.0)
        });
        Some(counted.sum::<f64>() / (to - from))
    }

    /// Crest factor in each band so far, dB, from a second on. `None` where a band's RMS was at no
    /// moment above −90.3 dBFS, or its energy is 40 dB below that of all bands.
    pub fn crest_db(&self) -> [Option<f64>; BANDS] {
        let power = |band: usize| {
            let moments = self.moments.iter();
            moments.map(|moment| moment.power[band]).sum::<f64>()
        };
        let least = (0..BANDS).map(power).sum::<f64>() * power_from_db(-FAINT_DB);
        std::array::from_fn(|band| self.middle_db(band).filter(|_| power(band) > least))
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
            for ((band, run), energy) in bands
                .into_iter()
                .zip(&mut *self.run)
                .zip(&mut self.now.energy)
            {
                let [left, right] = band.to_array();
                (run[0][at], run[1][at]) = (left as f32, right as f32);
                *energy += band * band;
            }
        }
        let channels = self.run.iter().flatten().map(|run| &run[..end - start]);
        let peaks = self.peaks.iter_mut().flatten();
        for ((run, peaks), peak) in channels.zip(peaks).zip(self.now.peak.iter_mut().flatten()) {
            // What comes last is still on its way through the interpolation.
            *peak = run
                .iter()
                .fold(*peak, |peak, sample| peak.max(sample.abs()));
            peaks.process(run, peak);
        }
    }
}
