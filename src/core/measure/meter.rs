//! One measuring point: every measure of one signal, kept in step.

mod group;
mod shared;
mod spare;

pub use self::group::MeterGroup;

use super::balance::BalanceMeter;
use super::clipping::PeakAndClips;
use super::k_weighting::{Energies, KFilter};
use super::level::{self, Rms};
use super::loudness::{Loudness, SHORT_TERM_SLOTS};
use super::lowest_plr::LowestPlr;
use super::lufs::ABSOLUTE_GATE_LUFS;
use super::microdynamics::{FAST_STEPS, LAG_STEPS, Microdynamics, SLOW_STEPS};
use super::readings::{Balance, ChannelRole, Readings};
use super::sliding::SlidingMax;
use super::time_grid::TimeGrid;
use super::true_peak::TruePeak;
use crate::dsp::decibel::db_from_gain;
use crate::dsp::fault::{LARGEST_SAMPLE, or_silence};

/// Steps of 5 ms in a slot of 10 ms, and in the 100 ms after which gated values are brought up to
/// date.
const STEPS_PER_SLOT: u64 = 2;
const STEPS_PER_UPDATE: u64 = 20;
/// EBU R 128, note 2: the loudness range says little about programmes shorter than a minute.
const RANGE_SETTLES_S: f64 = 60.0;

/// Measures one signal of one or more channels, at any sample rate, in blocks of any size.
///
/// The result does not depend on how the signal is cut into blocks, to the last bit.
#[derive(Debug)]
pub struct Meter {
    grid: TimeGrid,
    sample_rate_hz: f64,
    /// Two channels a filter; a missing second channel is silent.
    pairs: Vec<ChannelPair>,
    channels: Vec<Channel>,
    loudness: Loudness,
    microdynamics: Microdynamics,
    rms: Rms,
    balance: Option<BalanceMeter>,
    slot: Slot,
    true_peak_max: f32,
    /// Highest since it was last taken.
    true_peak_fresh: f32,
    /// K-weighted energy since it was last taken.
    weighted_fresh: f64,
    true_peak_3s: SlidingMax,
    counted_peak_3s: SlidingMax,
    lowest_plr: LowestPlr,
    readings: Readings,
    /// The readings wait for the end of a file.
    told_at_end: bool,
    /// Copies of two channels at hand, with what is not finite replaced.
    cleaned: [Vec<f32>; 2],
    silence: Vec<f32>,
    /// A meter to exchange with.
    spare: Option<Box<Meter>>,
}

#[derive(Debug)]
struct ChannelPair {
    filter: KFilter,
    sums: Energies,
    weights: [f64; 2],
    /// 1 for a channel that counts towards RMS, 0 for one that does not.
    counted: [f64; 2],
}

#[derive(Debug)]
struct Channel {
    /// Whether it counts towards RMS, and so towards the crest factor.
    counted: bool,
    true_peak: TruePeak,
    levels: PeakAndClips,
}

/// What the current 10 ms slot has gathered.
#[derive(Clone, Copy, Debug, Default)]
struct Slot {
    weighted: f64,
    plain: f64,
    peaks: Peaks,
}

/// Highest values of the current slot, as yet: between the samples, and of the samples of the
/// channels that count towards RMS.
#[derive(Clone, Copy, Debug, Default)]
struct Peaks {
    truth: f32,
    sample: f32,
}

/// What a step of 5 ms has brought: all that the readings are made of. Nothing in it depends on
/// what was measured before this slot.
#[derive(Clone, Copy, Debug, Default)]
struct Step {
    weighted: f64,
    plain: f64,
    peaks: Peaks,
}

impl Meter {
    /// A meter for channels of these roles. Allocates.
    ///
    /// `sample_rate_hz` must be positive; `max_block` is the largest number of frames
    /// [`process`](Self::process) is given at once.
    pub fn new(sample_rate_hz: f64, roles: &[ChannelRole], max_block: usize) -> Self {
        let pairs = roles.chunks(2).map(|pair| {
            let of =
                |value: fn(&ChannelRole) -> f64| [value(&pair[0]), pair.get(1).map_or(0.0, value)];
            ChannelPair {
                filter: KFilter::new(sample_rate_hz),
                sums: Energies::default(),
                weights: of(|role| role.weight()),
                counted: of(|role| if *role == ChannelRole::Lfe { 0.0 } else { 1.0 }),
            }
        });
        let channel = |role: &ChannelRole| Channel {
            counted: *role != ChannelRole::Lfe,
            true_peak: TruePeak::new(),
            levels: PeakAndClips::default(),
        };
        Self {
            grid: TimeGrid::new(sample_rate_hz),
            sample_rate_hz,
            pairs: pairs.collect(),
            channels: roles.iter().map(channel).collect(),
            loudness: Loudness::new(),
            microdynamics: Microdynamics::new(),
            rms: Rms::new(),
            balance: None,
            slot: Slot::default(),
            true_peak_max: 0.0,
            true_peak_fresh: 0.0,
            weighted_fresh: 0.0,
            true_peak_3s: SlidingMax::new(SHORT_TERM_SLOTS),
            counted_peak_3s: SlidingMax::new(level::SLOTS),
            lowest_plr: LowestPlr::new(),
            readings: Readings::default(),
            told_at_end: false,
            cleaned: [vec![0.0; max_block], vec![0.0; max_block]],
            silence: vec![0.0; max_block.max(TruePeak::DELAY_FRAMES)],
            spare: None,
        }
    }

    /// The same meter, measuring the spectral balance as well. Its spectra, the fast ones (every 43 ms,
    /// about) and the slow ones (eight times as long), fall due earlier by so many of their hops, so
    /// that several meters take turns. Allocates.
    #[must_use]
    pub fn with_balance(self, staggers: [f64; 2]) -> Self {
        let (channels, max_block) = (self.channels.len(), self.cleaned[0].len());
        Self {
            balance: Some(BalanceMeter::new(
                self.sample_rate_hz,
                channels,
                max_block,
                staggers,
            )),
            ..self
        }
    }

    /// The same meter for a file of which only the end is asked: until [`finish`](Self::finish) it
    /// tells nothing, after it the same.
    #[must_use]
    pub fn told_at_end(self) -> Self {
        Self {
            told_at_end: true,
            ..self
        }
    }

    /// Forgets everything measured so far, and the signal.
    ///
    /// # Realtime
    /// Yes.
    pub fn reset(&mut self) {
        self.cut();
        self.restart();
        for channel in &mut self.channels {
            channel.true_peak.reset();
        }
    }

    /// Forgets the signal, which breaks off here: what comes next follows on silence. What has been
    /// measured stays.
    ///
    /// # Realtime
    /// Yes.
    pub fn cut(&mut self) {
        for pair in &mut self.pairs {
            pair.filter.reset();
        }
        for channel in &mut self.channels {
            channel.true_peak.reset();
        }
    }

    /// Forgets everything measured so far, of a signal that goes on.
    ///
    /// # Realtime
    /// Yes.
    pub fn restart(&mut self) {
        self.grid.reset();
        for pair in &mut self.pairs {
            pair.sums = Energies::default();
        }
        for channel in &mut self.channels {
            channel.true_peak.restart();
            channel.levels = PeakAndClips::default();
        }
        self.loudness.reset();
        self.microdynamics.reset();
        self.rms.reset();
        if let Some(balance) = &mut self.balance {
            balance.reset();
        }
        self.slot = Slot::default();
        self.true_peak_max = 0.0;
        self.true_peak_fresh = 0.0;
        self.weighted_fresh = 0.0;
        self.true_peak_3s.reset();
        self.counted_peak_3s.reset();
        self.lowest_plr.reset();
        self.readings = Readings::default();
    }

    /// Takes one slice a channel, all of one length, at most `max_block` frames. Samples that are
    /// not finite are measured as silence.
    ///
    /// # Realtime
    /// Yes.
    pub fn process(&mut self, channels: &[&[f32]]) {
        let frames = channels
            .iter()
            .map(|channel| channel.len())
            .min()
            .unwrap_or(0)
            .min(self.cleaned[0].len());
        let mut done = 0;
        while done < frames {
            let length = (frames - done).min(self.grid.remaining());
            self.run(channels, done, length, true);
            done += length;
            if self.grid.advance(length) {
                let step = self.close();
                self.step(&step);
            }
        }
    }

    /// Measures frames that lie within one step of the grid; their balance where it is `analysed`.
    fn run(&mut self, channels: &[&[f32]], start: usize, length: usize, analysed: bool) {
        let first_frame = self.grid.frames();
        let (loudness, grid) = (&self.loudness, &self.grid);
        let lufs_of_last = |slots: usize| loudness.lufs_of_last(slots, frames_in(grid, slots));
        let [left, right] = &mut self.cleaned;
        let inputs = channels.chunks(2).zip(self.channels.chunks_mut(2));
        for (index, (pair, (inputs, states))) in self.pairs.iter_mut().zip(inputs).enumerate() {
            let mut cleaned: [&[f32]; 2] = [&self.silence[..length]; 2];
            let buffers = [&mut *left, &mut *right];
            for (((clean, buffer), input), state) in
                cleaned.iter_mut().zip(buffers).zip(inputs).zip(states)
            {
                let buffer = &mut buffer[..length];
                for (clean, sample) in buffer.iter_mut().zip(&input[start..start + length]) {
                    *clean = or_silence(*sample, LARGEST_SAMPLE);
                }
                let peak = state.levels.process(buffer, first_frame);
                let peaks = &mut self.slot.peaks;
                if state.counted {
                    peaks.sample = peaks.sample.max(peak);
                }
                state.true_peak.process(buffer, &mut peaks.truth);
                *clean = buffer;
            }
            pair.filter
                .accumulate(cleaned[0], cleaned[1], &mut pair.sums);
            if analysed && let Some(balance) = &mut self.balance {
                balance.process(index, cleaned, lufs_of_last);
            }
        }
    }

    /// What the signal has brought since the last step.
    fn close(&mut self) -> Step {
        let (weighted, plain) = self.take_energies();
        Step {
            weighted,
            plain,
            peaks: self.slot.peaks,
        }
    }

    /// Enters a step of 5 ms, and closes what ends with it.
    fn step(&mut self, step: &Step) {
        let Step {
            weighted,
            plain,
            peaks,
        } = *step;
        let grid = &self.grid;
        let (fast, slow) = (
            grid.frames_before(LAG_STEPS as u64, FAST_STEPS as u64),
            grid.frames_in_last(SLOW_STEPS as u64),
        );
        self.microdynamics.push(weighted, fast, slow);
        self.weighted_fresh += weighted;
        self.slot.weighted += weighted;
        self.slot.plain += plain;
        if grid.steps().is_multiple_of(STEPS_PER_SLOT) {
            self.loudness
                .push(self.slot.weighted, |slots| frames_in(grid, slots));
            self.rms.push(self.slot.plain);
            self.true_peak_3s.push(peaks.truth);
            self.counted_peak_3s.push(peaks.sample);
            self.true_peak_fresh = self.true_peak_fresh.max(peaks.truth);
            self.true_peak_max = self.true_peak_max.max(peaks.truth);
            self.slot = Slot::default();
            let short_term = self.short_term();
            if let Some((loudness, plr)) = short_term {
                self.lowest_plr.push(loudness, plr);
            }
            if !self.told_at_end {
                self.update_readings(short_term);
                if grid_due(&self.grid) {
                    self.update_gated_readings();
                }
            }
        }
    }

    /// Short-term loudness above the absolute gate, LUFS, and PLR, dB.
    fn short_term(&self) -> Option<(f64, f64)> {
        let loudness = self.loudness.short_term_lufs();
        let loudness = loudness.filter(|loudness| *loudness > ABSOLUTE_GATE_LUFS)?;
        let peak_dbtp = db_from_gain(f64::from(self.true_peak_3s.max()))?;
        Some((loudness, peak_dbtp - loudness))
    }

    /// Weighted energy (over the channels, with their weights) and plain energy (mean over the
    /// counted channels) since the last call.
    fn take_energies(&mut self) -> (f64, f64) {
        let (mut weighted, mut plain, mut counted) = (0.0, 0.0, 0.0);
        for pair in &mut self.pairs {
            let sums = std::mem::take(&mut pair.sums);
            let (weighted_sums, plain_sums) = (sums.weighted.to_array(), sums.plain.to_array());
            for lane in 0..2 {
                weighted += pair.weights[lane] * weighted_sums[lane];
                plain += pair.counted[lane] * plain_sums[lane];
                counted += pair.counted[lane];
            }
            pair.filter.settle();
        }
        (weighted, if counted > 0.0 { plain / counted } else { 0.0 })
    }

    /// Brings the values that change with every slot up to date.
    fn update_readings(&mut self, short_term: Option<(f64, f64)>) {
        let (loudness, grid) = (&self.loudness, &self.grid);
        let peak_db = |peak: f32| db_from_gain(f64::from(peak));
        let (mut sample_peak, mut counted_peak) = (0.0_f32, 0.0_f32);
        for channel in &self.channels {
            let peak = channel.levels.peak();
            sample_peak = sample_peak.max(peak);
            if channel.counted {
                counted_peak = counted_peak.max(peak);
            }
        }
        let readings = &mut self.readings;
        readings.momentary_lufs = loudness.momentary_lufs();
        readings.momentary_max_lufs = loudness.momentary_max_lufs();
        readings.short_term_lufs = loudness.short_term_lufs();
        readings.short_term_max_lufs = loudness.short_term_max_lufs();
        readings.true_peak_dbtp = peak_db(self.true_peak_max);
        readings.sample_peak_dbfs = peak_db(sample_peak);
        readings.rms_3s_dbfs = self.rms.window_dbfs(frames_in(grid, level::SLOTS));
        readings.rms_dbfs = self.rms.total_dbfs(grid.frames() as f64);
        readings.crest_factor_db = difference(peak_db(counted_peak), readings.rms_dbfs);
        let peak_3s_dbfs = peak_db(self.counted_peak_3s.max());
        readings.crest_factor_3s_db = difference(peak_3s_dbfs, readings.rms_3s_dbfs);
        readings.clipped_runs = self
            .channels
            .iter()
            .map(|channel| channel.levels.clipped_runs())
            .sum();
        readings.plr_db = difference(readings.true_peak_dbtp, readings.integrated_lufs);
        readings.short_term_plr_db = short_term.map(|(_, plr)| plr);
    }

    /// Brings the values that come from the gating histories up to date.
    fn update_gated_readings(&mut self) {
        let readings = &mut self.readings;
        readings.integrated_lufs = self.loudness.integrated_lufs();
        readings.gated_10s_lufs = self.loudness.gated_10s_lufs();
        readings.loudness_range_lu = self.loudness.range_lu();
        let gate_lufs = self.loudness.relative_gate_lufs();
        readings.short_term_plr_min_db =
            gate_lufs.and_then(|gate_lufs| self.lowest_plr.above_db(gate_lufs));
        readings.loudness_range_settled =
            self.grid.frames() as f64 >= RANGE_SETTLES_S * self.sample_rate_hz;
        let (session, recent) = (self.microdynamics.session(), self.microdynamics.recent());
        (readings.ldr_db, readings.ldr_sparse) = (session.db, session.sparse);
        readings.ldr_10s_db = recent.db;
        readings.plr_db = difference(readings.true_peak_dbtp, readings.integrated_lufs);
    }

    /// Ends a file: peaks still on their way through the interpolator, and the last, incomplete
    /// slot, enter the peaks and the overall RMS.
    ///
    /// Windows and gating blocks that are not complete are dropped, as BS.1770-5 says.
    pub fn finish(&mut self) {
        for channel in &mut self.channels {
            channel.true_peak.process(
                &self.silence[..TruePeak::DELAY_FRAMES],
                &mut self.slot.peaks.truth,
            );
        }
        self.end();
    }

    /// The same where the signal goes on and is not looked at any more: no peak rings into silence.
    pub fn end(&mut self) {
        self.true_peak_max = self.true_peak_max.max(self.slot.peaks.truth);
        let (_, plain) = self.take_energies();
        self.rms.add_rest(self.slot.plain + plain);
        self.slot = Slot::default();
        if self.grid.frames() > 0 {
            self.update_readings(self.short_term());
            self.update_gated_readings();
        }
    }

    /// Everything measured so far, as of the last whole 10 ms.
    ///
    /// # Realtime
    /// Yes: a copy.
    pub fn readings(&self) -> Readings {
        Readings {
            frames: self.grid.frames(),
            ..self.readings
        }
    }

    /// Highest true peak over all channels in the whole 10 ms since this was last asked, dBTP;
    /// `None` in silence.
    ///
    /// # Realtime
    /// Yes.
    pub fn take_true_peak_dbtp(&mut self) -> Option<f64> {
        db_from_gain(f64::from(std::mem::take(&mut self.true_peak_fresh)))
    }

    /// K-weighted energy (the sum of squares over frames and channels, with the channels' weights)
    /// of the whole 5 ms since this was last asked.
    ///
    /// # Realtime
    /// Yes.
    pub fn take_weighted_energy(&mut self) -> f64 {
        std::mem::take(&mut self.weighted_fresh)
    }

    /// Spectral balance so far; all `None` unless the meter was made
    /// [`with_balance`](Self::with_balance). A few thousand additions: ask for it some ten times a
    /// second.
    ///
    /// # Realtime
    /// Yes.
    pub fn balance(&self) -> Balance {
        let gate_lufs = self.loudness.relative_gate_lufs();
        self.balance
            .as_ref()
            .map_or_else(Balance::default, |balance| balance.balance(gate_lufs))
    }
}

/// Frames in the last `slots` of 10 ms; in all so far while there are fewer.
fn frames_in(grid: &TimeGrid, slots: usize) -> f64 {
    grid.frames_in_last(slots as u64 * STEPS_PER_SLOT)
}

fn grid_due(grid: &TimeGrid) -> bool {
    grid.steps().is_multiple_of(STEPS_PER_UPDATE)
}

fn difference(minuend: Option<f64>, subtrahend: Option<f64>) -> Option<f64> {
    Some(minuend? - subtrahend?)
}
