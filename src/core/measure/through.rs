//! What happened between two signals, with the static linear part of what stands between them taken
//! out of the one before first.

use super::reduction::{GainMemory, Reduction, ReductionMeter, RestGain};
use super::transfer::{Convolution, Estimate, Transfer};

/// Measures a signal against the one before it, through the linear part of an [`Estimate`], for one
/// or two channels in step to the frame. Not for the audio thread: it allocates.
#[derive(Debug)]
pub struct ThroughMeter {
    meter: ReductionMeter,
    channels: usize,
    convolution: Option<(Transfer, Convolution)>,
    filtered: Vec<Vec<f32>>,
    /// The signal after that waits for what the convolution makes of the one before.
    after: Vec<Vec<f32>>,
}

impl ThroughMeter {
    /// A meter that measures nothing until an [estimate](Self::set_estimate) is there, in bands that
    /// meet at `corners_hz`.
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
            channels,
            convolution: None,
            filtered: vec![Vec::new(); channels],
            after: vec![Vec::new(); channels],
        }
    }

    /// What stands between the signals. Another response than before begins from silence; what it
    /// disturbs is not looked at.
    pub fn set_estimate(&mut self, estimate: &Estimate) {
        self.meter.set_given_gain(estimate.given_gain_db);
        let same = |(transfer, _): &(Transfer, Convolution)| *transfer == estimate.transfer;
        if self.convolution.as_ref().is_some_and(same) {
            return;
        }
        let transfer = estimate.transfer.clone();
        if self.convolution.is_some() {
            self.meter.skip(transfer.frames());
        }
        self.after.iter_mut().for_each(Vec::clear);
        self.convolution = Some((transfer.clone(), Convolution::new(&transfer)));
    }

    /// Where the gain at rest is taken from.
    pub fn set_rest_gain(&mut self, rest: RestGain) {
        self.meter.set_rest_gain(rest);
    }

    /// Moves the corners between the bands, in Hz, low to high; takes 50 ms.
    pub fn set_corners(&mut self, corners_hz: [f64; 3]) {
        self.meter.set_corners(corners_hz);
    }

    /// Forgets everything measured so far.
    pub fn restart(&mut self) {
        self.meter.restart();
    }

    /// The next frames do not follow on those before.
    pub fn begin(&mut self) {
        if let Some((transfer, convolution)) = &mut self.convolution {
            *convolution = Convolution::new(transfer);
            self.meter.skip(transfer.frames());
        }
        self.after.iter_mut().for_each(Vec::clear);
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
        self.meter.finish();
    }

    fn measure(&mut self) {
        let lengths = self.filtered.iter().chain(&self.after).map(Vec::len);
        let frames = lengths.min().unwrap_or(0);
        let [before, after] = [&self.filtered, &self.after].map(|signal| {
            let channels = signal.iter().take(self.channels);
            channels
                .map(|channel| &channel[..frames])
                .collect::<Vec<_>>()
        });
        self.meter.process(&before, &[&after]);
        for channel in self.filtered.iter_mut().chain(&mut self.after) {
            channel.drain(..frames);
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
