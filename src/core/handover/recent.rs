//! The last minute of input, written down by the audio thread for whoever wants to try something on
//! it.

mod memory;
mod ring;
mod sync;

use self::memory::{Grant, PROCESS};
pub(super) use self::ring::Ring;
use super::SILENCE;
use half::f16;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Frames kept: a minute up to 48 kHz, and less at higher rates, where a minute would take more
/// memory and more time to work through.
const MOST_FRAMES: usize = 60 * 48_000;
/// Less is of no use to anybody, seconds.
const LEAST_S: f64 = 10.0;
/// Frames written at a time.
const RUN: usize = 256;
/// What may be written while the oldest frames are being read.
const MARGIN: usize = 8_192;
/// Frames read at a time.
const READ_AT_ONCE: usize = 4_096;
/// No more silence than this is kept in one piece, seconds: what a song does in its rests stays,
/// what the host does after its end does not push the song out.
const LONGEST_SILENCE_S: f64 = 3.0;

/// What both threads can reach. A frame is two channels of 16-bit floating point (IEEE 754
/// binary16): rounding errs by 2⁻¹¹ of a sample at most, which no loudness, peak (0.004 dB) or
/// distortion (−70 dB) shows, for half the memory.
#[derive(Debug)]
struct Shared {
    ring: Ring,
    kept: usize,
    sample_rate_hz: f64,
    channels: usize,
    /// Nothing is written for now: what there is is wanted as it is.
    still: AtomicBool,
    _memory: Grant,
}

/// The audio thread's half.
#[derive(Debug)]
pub struct RecentWriter {
    shared: Arc<Shared>,
    longest_silence: u64,
    silent_frames: u64,
}

/// The other half. Keep it, clone it, read it on any thread.
#[derive(Clone, Debug)]
pub struct RecentReader {
    shared: Arc<Shared>,
}

/// A stretch of audio that was read.
#[derive(Clone, Debug, PartialEq)]
pub struct Recent {
    /// Hz.
    pub sample_rate_hz: f64,
    /// One vector a channel.
    pub planes: Vec<Vec<f32>>,
    /// Number of the frame after the last, since the ring was made.
    pub end: u64,
}

/// Makes both halves for one sample rate and 1 or 2 channels. Allocates 12 MiB at most, and less
/// the more other instances of the process have taken; `None` where what is left for this one holds
/// less than 10 s, as it always does above 313 kHz.
pub fn recent(sample_rate_hz: f64, channels: usize) -> Option<(RecentWriter, RecentReader)> {
    const BYTES: usize = size_of::<u32>();
    #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
    let frames = |seconds: f64| (seconds * sample_rate_hz).ceil() as usize;
    let least = frames(LEAST_S);
    let most = MOST_FRAMES.min(frames(60.0)).max(least);
    let around = RUN + MARGIN;
    let memory = PROCESS.take((most + around) * BYTES, (least + around) * BYTES)?;
    let kept = memory.bytes() / BYTES - around;
    let shared = Arc::new(Shared {
        ring: Ring::new(kept, RUN, MARGIN),
        kept,
        sample_rate_hz,
        channels: channels.clamp(1, 2),
        still: AtomicBool::new(false),
        _memory: memory,
    });
    let writer = RecentWriter {
        shared: Arc::clone(&shared),
        longest_silence: frames(LONGEST_SILENCE_S) as u64,
        // Nothing has sounded yet.
        silent_frames: u64::MAX,
    };
    Some((writer, RecentReader { shared }))
}

impl RecentWriter {
    /// Writes down a block of any length, one slice a channel, unless a reader has asked for
    /// [stillness](RecentReader::keep_still). The samples must be finite.
    ///
    /// # Realtime
    /// Yes, wait-free: one store a frame.
    pub fn write(&mut self, channels: &[&[f32]]) {
        // Relaxed: whether a block more or less is written orders nothing.
        if self.shared.still.load(Ordering::Relaxed) {
            return;
        }
        let left = channels.first().copied().unwrap_or_default();
        let right = channels.get(1).copied().unwrap_or_default();
        for (index, left) in left.chunks(RUN).enumerate() {
            let right = right.get(index * RUN..).unwrap_or_default();
            let frames = left.iter().enumerate().filter_map(|(frame, left)| {
                let right = right.get(frame).copied().unwrap_or_default();
                let silent = left.abs() <= SILENCE && right.abs() <= SILENCE;
                self.silent_frames = if silent {
                    self.silent_frames.saturating_add(1)
                } else {
                    0
                };
                (self.silent_frames <= self.longest_silence).then(|| packed(*left, right))
            });
            self.shared.ring.write(frames);
        }
    }
}

impl RecentReader {
    /// Hz.
    pub fn sample_rate_hz(&self) -> f64 {
        self.shared.sample_rate_hz
    }

    /// Frames of sound so far: the number of the next.
    pub fn written(&self) -> u64 {
        self.shared.ring.written()
    }

    /// Frames that there are to be read.
    pub fn held(&self) -> usize {
        usize::try_from(self.written()).map_or(self.shared.kept, |held| held.min(self.shared.kept))
    }

    /// Keeps what there is as it is: until told otherwise, nothing more is written.
    pub fn keep_still(&self, still: bool) {
        self.shared.still.store(still, Ordering::Relaxed);
    }

    /// Bytes of the ring.
    pub fn bytes(&self) -> usize {
        self.shared.ring.bytes()
    }

    /// Copies all that is held from the frame of this number on. Allocates. `None` if the writer
    /// overtook the reading, which takes a reader that was held up for a long time: try again.
    pub fn read_since(&self, first: u64) -> Option<Recent> {
        let end = self.written();
        let start = (end - (self.held() as u64).min(end)).max(first.min(end));
        let frames = (end - start) as usize;
        let mut planes = vec![Vec::with_capacity(frames); self.shared.channels];
        let mut cells = vec![0; READ_AT_ONCE];
        let mut at = start;
        while at < end {
            let part = &mut cells[..READ_AT_ONCE.min((end - at) as usize)];
            if self.shared.ring.read(at, part) != (0..part.len()) {
                return None;
            }
            for (plane, side) in planes.iter_mut().zip([left, right]) {
                plane.extend(part.iter().map(|cell| side(*cell)));
            }
            at += part.len() as u64;
        }
        Some(Recent {
            sample_rate_hz: self.shared.sample_rate_hz,
            planes,
            end,
        })
    }
}

fn packed(left: f32, right: f32) -> u32 {
    let [left, right] = [left, right].map(|sample| u32::from(f16::from_f32(sample).to_bits()));
    left << 16 | right
}

fn left(frame: u32) -> f32 {
    f16::from_bits((frame >> 16) as u16).to_f32()
}

fn right(frame: u32) -> f32 {
    f16::from_bits(frame as u16).to_f32()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp(frames: usize) -> Vec<f32> {
        (0..frames)
            .map(|n| 0.5 - n as f32 / frames as f32 * 0.25)
            .collect()
    }

    // Ten seconds are asked for wherever this is read: with less, nothing would ever be told.
    #[test]
    fn what_is_given_holds_ten_seconds_at_any_rate() {
        for rate_hz in [8_000_u32, 48_000, 192_000, 352_800, 384_000] {
            // Nothing is given where there is not as much.
            if let Some((mut writer, reader)) = recent(f64::from(rate_hz), 1) {
                let ten_seconds = vec![0.5; 10 * rate_hz as usize];
                writer.write(&[&ten_seconds]);
                assert_eq!(reader.held(), ten_seconds.len(), "{rate_hz}");
            }
        }
    }

    // IEEE 754: rounding to 11 significant bits errs by 2⁻¹¹ of the value at most, half a unit in
    // the last place.
    #[test]
    fn what_was_written_is_read_within_half_a_unit_of_sixteen_bits() {
        let (mut writer, reader) = recent(48_000.0, 2).unwrap();
        let left = ramp(10_000);
        let right: Vec<f32> = left.iter().map(|sample| -0.1 * sample).collect();
        for (left, right) in left.chunks(777).zip(right.chunks(777)) {
            writer.write(&[left, right]);
        }
        let read = reader.read_since(0).unwrap();
        assert_eq!((read.end, read.planes.len()), (10_000, 2));
        for (read, written) in read.planes.iter().zip([&left, &right]) {
            for (read, written) in read.iter().zip(written) {
                assert!((read - written).abs() <= written.abs() / 2_048.0);
            }
        }
    }

    #[test]
    fn the_newest_frames_are_kept_whatever_the_blocks() {
        let (mut writer, reader) = recent(8_000.0, 1).unwrap();
        let kept = reader.shared.kept;
        assert!(kept <= 60 * 8_000);
        let left = ramp(kept + 12_345);
        for left in left.chunks(5_001) {
            writer.write(&[left]);
        }
        let read = reader.read_since(0).unwrap();
        assert_eq!((read.planes[0].len(), reader.held()), (kept, kept));
        let newest = &left[12_345..];
        let near = |(read, written): (&f32, &f32)| (read - written).abs() < 1e-3;
        assert!(read.planes[0].iter().zip(newest).all(near));
    }

    #[test]
    fn what_is_kept_still_is_read_from_any_frame_on() {
        let (mut writer, reader) = recent(8_000.0, 1).unwrap();
        let left = ramp(20_000);
        writer.write(&[&left]);
        reader.keep_still(true);
        writer.write(&[&left]);
        assert_eq!(reader.written(), 20_000);
        let read = reader.read_since(19_000).unwrap();
        assert_eq!((read.planes[0].len(), read.end), (1_000, 20_000));
        assert!((read.planes[0][0] - left[19_000]).abs() < 1e-3);
        assert!(reader.read_since(30_000).unwrap().planes[0].is_empty());
        reader.keep_still(false);
        writer.write(&[&left[..500]]);
        assert_eq!(reader.written(), 20_500);
    }

    #[test]
    fn silence_does_not_push_the_song_out() {
        let (mut writer, reader) = recent(8_000.0, 2).unwrap();
        let (sound, silence) = (ramp(4_000), vec![1e-5; 8_000]);
        writer.write(&[&silence, &silence]);
        assert_eq!(reader.written(), 0);
        writer.write(&[&sound, &silence[..4_000]]);
        for _ in 0..10 {
            writer.write(&[&silence, &silence]);
        }
        assert_eq!(reader.written(), 4_000 + 24_000);
        writer.write(&[&silence[..4_000], &sound]);
        assert_eq!(reader.written(), 4_000 + 24_000 + 4_000);
    }
}
