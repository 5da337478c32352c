//! What the input carries while there is no signal from before, which is not what a device made of
//! that: its side-chain is not connected for a while, or something else plays on behind it.

use super::frames;

/// One vector a channel.
type Planes = Vec<Vec<f32>>;

/// Samples below this (−70 dBFS) are silence.
const SILENCE: f32 = 3.16e-4;
/// Below this mean square (−50 dBFS) a signal beside silence is what a device adds to it. It is the
/// mean of what the worker takes at once: where a tail falls through it is not told to the frame.
const FAINT: f64 = 1e-5;
/// Time for which nothing must come in before what goes out is left out, seconds: between two beats
/// a device may ring on for less.
const LEFT_OUT_S: f64 = 0.5;
/// Time after which the signal from before counts as missing, seconds.
const MISSING_S: f64 = 2.0;

/// Some frames of both signals in step, of one length.
#[derive(Debug)]
pub(super) struct Piece {
    /// The signal before, and the one after.
    pub signals: [Planes; 2],
    /// Something was left out ahead of it.
    pub begins: bool,
}

/// Leaves out what stands alone.
#[derive(Debug)]
pub(super) struct Missing {
    /// Frames after which what stands alone is left out, and the signal before counts as missing.
    left_out_after: usize,
    told_after: usize,
    /// Frames that wait until it is known how long the one before is silent in them.
    held: [Planes; 2],
    /// The last frames were left out.
    leaving_out: bool,
    /// Frames that were, since the signal before was last heard.
    alone: usize,
}

impl Missing {
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            left_out_after: frames(LEFT_OUT_S, sample_rate_hz),
            told_after: frames(MISSING_S, sample_rate_hz),
            held: Default::default(),
            leaving_out: false,
            alone: 0,
        }
    }

    /// Whether the signal before is missing.
    pub fn is_missing(&self) -> bool {
        self.alone >= self.told_after
    }

    /// Something is missing before the next frames.
    pub fn gap(&mut self) {
        self.held = Default::default();
    }

    /// Takes half a second of both or less, and gives what is to be compared now.
    pub fn take(&mut self, signals: [Planes; 2]) -> Option<Piece> {
        let [before, after] = self.with_held(signals);
        let length = before.first().map_or(0, Vec::len);
        let sounds = |frame: &usize| before.iter().any(|of| of[*frame].abs() > SILENCE);
        let Some(first) = (0..length).find(sounds) else {
            return self.silent([before, after]);
        };
        let last = (first..length).rfind(sounds).unwrap_or(first);
        if first >= self.left_out_after && is_loud(&after, 0..first) {
            self.leaving_out = true;
        }
        let begins = std::mem::take(&mut self.leaving_out);
        let start = if begins { first } else { 0 };
        self.alone = 0;
        let end = if is_loud(&after, last + 1..length) {
            last + 1
        } else {
            length
        };
        let part = |range: std::ops::Range<usize>| {
            let channels = |planes: &Planes| {
                let channel = |channel: &Vec<f32>| channel[range.clone()].to_vec();
                planes.iter().map(channel).collect::<Planes>()
            };
            [channels(&before), channels(&after)]
        };
        self.held = part(end..length);
        Some(Piece {
            signals: part(start..end),
            begins,
        })
    }

    /// Takes what holds nothing of the signal before.
    fn silent(&mut self, signals: [Planes; 2]) -> Option<Piece> {
        let length = signals[1].first().map_or(0, Vec::len);
        if !is_loud(&signals[1], 0..length) {
            let begins = std::mem::take(&mut self.leaving_out);
            return Some(Piece { signals, begins });
        }
        self.leaving_out |= length >= self.left_out_after;
        if self.leaving_out {
            self.alone += length;
        } else {
            self.held = signals;
        }
        None
    }

    fn with_held(&mut self, signals: [Planes; 2]) -> [Planes; 2] {
        let mut held = std::mem::take(&mut self.held);
        for (held, planes) in held.iter_mut().zip(signals) {
            held.resize_with(planes.len(), Vec::new);
            for (held, channel) in held.iter_mut().zip(planes) {
                held.extend(channel);
            }
        }
        held
    }
}

fn is_loud(planes: &Planes, range: std::ops::Range<usize>) -> bool {
    let samples = planes.iter().flat_map(|channel| &channel[range.clone()]);
    let energy: f64 = samples.map(|sample| f64::from(*sample).powi(2)).sum();
    energy > FAINT * (planes.len() * range.len()) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 1_000.0;

    /// What is left of signals whose frames are numbered, the one before being silent in `silent`,
    /// in pieces of `size` frames: the numbers, those that begin anew, and whether the one before
    /// was ever missing.
    fn left(silent: std::ops::Range<usize>, after: f32, size: usize) -> (Vec<f32>, Vec<f32>, bool) {
        let mut missing = Missing::new(RATE_HZ);
        let (mut numbers, mut begun, mut told) = (Vec::new(), Vec::new(), false);
        for start in (0..6_000).step_by(size) {
            let signal =
                |scale: f32| vec![(start..start + size).map(|n| scale * n as f32).collect()];
            let mut before: Planes = signal(1.0);
            for (index, sample) in before[0].iter_mut().enumerate() {
                *sample = if silent.contains(&(start + index)) {
                    0.0
                } else {
                    *sample + 1.0
                };
            }
            if let Some(piece) = missing.take([before, signal(after)]) {
                let of = &piece.signals[1][0];
                let number = |sample: &f32| (sample / after).round();
                if piece.begins {
                    begun.extend(of.first().map(number));
                }
                numbers.extend(of.iter().map(number));
            }
            told |= missing.is_missing();
        }
        (numbers, begun, told)
    }

    // By construction, here and below.
    #[test]
    fn what_stands_alone_for_half_a_second_is_left_out_to_the_frame() {
        for size in [50, 100, 250, 500] {
            for (silent, is_told) in [
                (1_234..1_740, false),
                (1_234..2_900, false),
                (777..3_333, true),
            ] {
                let (numbers, begun, told) = left(silent.clone(), 1.0, size);
                let kept = (0..silent.start).chain(silent.end..6_000);
                let expected: Vec<f32> = kept.map(|n| n as f32).collect();
                assert!(numbers == expected, "{silent:?} in {size}");
                assert_eq!(begun, [silent.end as f32]);
                assert_eq!(told, is_told, "{silent:?} in {size}");
            }
        }
    }

    #[test]
    fn all_else_passes_as_it_comes() {
        let all: Vec<f32> = (0..6_000).map(|n: u16| n.into()).collect();
        for size in [50, 100, 250, 500] {
            // Too short, and beside what is faint.
            for (silent, after) in [(1_234..1_720, 1.0), (1_234..4_000, 1e-7)] {
                assert_eq!(left(silent, after, size), (all.clone(), Vec::new(), false));
            }
        }
    }
}
