//! What happened between two signals, with the static linear part of what stands between them taken
//! out of the one before first.

use std::ops::Range;

use super::reduction::{GainMemory, MovingGain, Reduction, ReductionMeter, RestGain};
use super::transfer::{Convolution, Estimate, Transfer};

/// Where gains move as those of shelves do, so much is worked on at once, and so much on either
/// side of it is looked at besides: tenths of a second.
const SHELVED_TENTHS: usize = 10;
const AROUND_TENTHS: usize = 2;

/// Measures a signal against the one before it, through the linear part of an [`Estimate`], for one
/// or two channels in step to the frame. Not for the audio thread: it allocates.
#[derive(Debug)]
pub struct ThroughMeter {
    meter: ReductionMeter,
    sample_rate_hz: f64,
    channels: usize,
    convolution: Option<(Transfer, Convolution)>,
    shelving: bool,
    filtered: Vec<Vec<f32>>,
    /// The signal after that waits for what the convolution makes of the one before.
    after: Vec<Vec<f32>>,
    /// Frames of both that have been measured and are kept for those that follow.
    measured: usize,
}

impl ThroughMeter {
    /// A meter that measures nothing until an [estimate](Self::set_estimate) is there, in bands
    /// that meet at `corners_hz`.
    pub fn new(
        sample_rate_hz: f64,
        channels: usize,
        memory: GainMemory,
        rest: RestGain,
        corners_hz: [f64; 3],
    ) -> Self {
        let channels = channels.clamp(1, 2);
        let meter = ReductionMeter::new(sample_rate_hz, channels, 1, memory, rest);
        let mut meter = meter.with_channels_apart();
        meter.set_corners(corners_hz);
        Self {
            meter,
            sample_rate_hz,
            channels,
            convolution: None,
            shelving: false,
            filtered: vec![Vec::new(); channels],
            after: vec![Vec::new(); channels],
            measured: 0,
        }
    }

    /// What stands between the signals. Another response than before begins from silence; what it
    /// disturbs is not looked at.
    pub fn set_estimate(&mut self, estimate: &Estimate) {
        self.meter.set_given_gain(estimate.given_gain_db);
        let same = |(transfer, _): &(Transfer, Convolution)| *transfer == estimate.transfer;
        if self.shelving == estimate.shelving && self.convolution.as_ref().is_some_and(same) {
            return;
        }
        self.shelving = estimate.shelving;
        let transfer = estimate.transfer.clone();
        if self.convolution.is_some() {
            self.meter.skip(transfer.taps());
        }
        self.clear();
        self.convolution = Some((transfer.clone(), Convolution::new(&transfer)));
    }

    fn clear(&mut self) {
        let signals = self.filtered.iter_mut().chain(&mut self.after);
        signals.for_each(Vec::clear);
        self.measured = 0;
    }

    /// Where the gain at rest is taken from.
    pub fn set_rest_gain(&mut self, rest: RestGain) {
        self.meter.set_rest_gain(rest);
    }

    /// Moves the corners between the bands, in Hz, low to high; takes 50 ms.
    pub fn set_corners(&mut self, corners_hz: [f64; 3]) {
        self.meter.set_corners(corners_hz);
    }

    /// Forgets everything measured so far, and leaves out what was taken and waits to be measured.
    pub fn restart(&mut self) {
        let taken = self.after.first().map_or(0, Vec::len);
        self.meter.restart();
        self.meter.skip(taken - self.measured);
    }

    /// The next frames do not follow on those before.
    pub fn begin(&mut self) {
        if let Some((transfer, convolution)) = &mut self.convolution {
            *convolution = Convolution::new(transfer);
            self.meter.skip(transfer.taps());
        }
        self.clear();
    }

    /// Takes one slice a channel of each signal, all of one length.
    pub fn process(&mut self, before: &[&[f32]], after: &[&[f32]]) {
        let Some((transfer, convolution)) = &mut self.convolution else {
            return;
        };
        let means = transfer.means()[1];
        for ((waiting, channel), mean) in self.after.iter_mut().zip(after).zip(means) {
            waiting.extend(
                channel
                    .iter()
                    .map(|sample| (f64::from(*sample) - mean) as f32),
            );
        }
        convolution.process(before, &mut self.filtered);
        self.measure();
    }

    /// Ends the signals: what the convolution holds is measured, and every reading brought up to
    /// date.
    pub fn finish(&mut self) {
        if let Some((_, convolution)) = &mut self.convolution {
            convolution.finish(&mut self.filtered);
        }
        self.measure();
        let left = self.ready() - self.measured;
        if left > 0 {
            self.shelved(left, 0);
        }
        self.meter.finish();
    }

    /// Frames of both signals that are there.
    fn ready(&self) -> usize {
        let lengths = self.filtered.iter().chain(&self.after).map(Vec::len);
        lengths.min().unwrap_or(0)
    }

    fn measure(&mut self) {
        if self.shelving {
            let [frames, around] =
                [SHELVED_TENTHS, AROUND_TENTHS].map(|tenths| self.tenths(tenths));
            while self.ready() >= self.measured + frames + around {
                self.shelved(frames, around);
            }
            return;
        }
        let frames = self.ready();
        let [before, after] =
            [&self.filtered, &self.after].map(|signal| slices(signal, self.channels, 0..frames));
        self.meter.process(&before, &[&after]);
        for channel in self.filtered.iter_mut().chain(&mut self.after) {
            channel.drain(..frames);
        }
    }

    /// Tenths of a second, each of them whole steps of the gains that move.
    fn tenths(&self, tenths: usize) -> usize {
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let step = (self.sample_rate_hz / 100.0).round() as usize;
        10 * tenths * step.max(1)
    }

    /// Measures the next `frames`, the gains that move being those of shelves; as many as `around`
    /// lie behind them.
    fn shelved(&mut self, frames: usize, around: usize) {
        let (start, end) = (self.measured, self.measured + frames);
        let [before, after] = [&self.filtered, &self.after].map(|signal| -> Vec<Vec<f32>> {
            let channels = signal.iter().take(self.channels);
            let there = |channel: &Vec<f32>| channel[..end + around].to_vec();
            channels.map(there).collect()
        });
        let corners_hz = self.meter.corners_hz();
        let gains = MovingGain::of_shelves(self.sample_rate_hz, corners_hz, &before, &after);
        let (shelved, gains) = gains.shelved_beside_gains(self.sample_rate_hz, corners_hz, &before);
        let [before, after] =
            [&shelved, &after].map(|signal| slices(signal, self.channels, start..end));
        self.meter
            .process_turned_down(&before, &gains[start..end], &[&after]);
        self.measured = end.min(self.tenths(AROUND_TENTHS));
        for channel in self.filtered.iter_mut().chain(&mut self.after) {
            channel.drain(..end - self.measured);
        }
    }

    /// What happened in between.
    pub fn readings(&self) -> Reduction {
        self.meter.readings(0)
    }

    /// The meter.
    pub fn meter(&self) -> &ReductionMeter {
        &self.meter
    }
}

fn slices(signal: &[Vec<f32>], channels: usize, range: Range<usize>) -> Vec<&[f32]> {
    let channels = signal.iter().take(channels);
    channels.map(|channel| &channel[range.clone()]).collect()
}
