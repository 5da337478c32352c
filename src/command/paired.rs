//! Two files read side by side, from their start to the end of the shorter one; and excerpts from
//! all over them that fit into memory.

use std::path::Path;

use crate::BLOCK_FRAMES;
use crestline_core::measure::{ChannelRole, Stretch};
use crestline_files::{AudioFile, printable};

/// An excerpt, seconds, and how many are kept at most.
const EXCERPT_S: f64 = 5.0;
const MOST_EXCERPTS: usize = 8;

/// Two files of one sample rate and the same one or two channels.
pub(super) struct Paired {
    files: [AudioFile; 2],
    /// Decoded and not handed out yet; frames still to be left out.
    waiting: [Vec<Vec<f32>>; 2],
    skip: [usize; 2],
    block: [Vec<Vec<f32>>; 2],
}

impl Paired {
    /// Opens both and leaves out as many frames as said at either's start; the error is the line to
    /// tell.
    pub fn open(paths: [&Path; 2], skip: [usize; 2]) -> Result<Self, String> {
        let open = |path: &Path| AudioFile::open(path).map_err(|error| error.to_string());
        let files = [open(paths[0])?, open(paths[1])?];
        let name = printable(paths[1]);
        let [a, b] = files.each_ref().map(AudioFile::sample_rate_hz);
        if a != b {
            return Err(format!(
                "{name}: at {b} Hz, but the file before at {a} Hz; export both at one sample rate"
            ));
        }
        let [a, b] = files.each_ref().map(|file| file.roles().len());
        if a != b {
            return Err(format!(
                "{name}: {}, but the file before has {a}; export both with the same channels",
                match b {
                    1 => "1 channel".to_owned(),
                    _ => format!("{b} channels"),
                }
            ));
        }
        if a > 2 {
            return Err(format!(
                "{name}: {a} channels cannot be compared; export both files in mono or stereo"
            ));
        }
        let empty = || vec![Vec::new(); a];
        Ok(Self {
            files,
            waiting: [empty(), empty()],
            skip,
            block: [empty(), empty()],
        })
    }

    /// Notes on both, as of what was read so far.
    pub fn notes(&self) -> [Vec<String>; 2] {
        self.files.each_ref().map(AudioFile::notes)
    }

    pub fn sample_rate_hz(&self) -> u32 {
        self.files[0].sample_rate_hz()
    }

    pub fn roles(&self) -> &[ChannelRole] {
        self.files[0].roles()
    }

    /// The next frames of both, as many of either; `None` at the end of the shorter one.
    pub fn next_block(&mut self) -> Result<Option<[&[Vec<f32>]; 2]>, String> {
        for ((file, waiting), skip) in self
            .files
            .iter_mut()
            .zip(&mut self.waiting)
            .zip(&mut self.skip)
        {
            while frames(waiting) < BLOCK_FRAMES {
                let Some(planes) = file.next_block().map_err(|error| error.to_string())? else {
                    break;
                };
                let skipped = (*skip).min(frames(planes));
                *skip -= skipped;
                for (waiting, plane) in waiting.iter_mut().zip(planes) {
                    waiting.extend_from_slice(&plane[skipped..]);
                }
            }
        }
        let [a, b] = self.waiting.each_ref().map(|waiting| frames(waiting));
        let count = BLOCK_FRAMES.min(a).min(b);
        for (block, waiting) in self.block.iter_mut().zip(&mut self.waiting) {
            for (block, waiting) in block.iter_mut().zip(waiting) {
                block.clear();
                block.extend(waiting.drain(..count));
            }
        }
        let [before, after] = &self.block;
        Ok((count > 0).then_some([before, after]))
    }
}

fn frames(planes: &[Vec<f32>]) -> usize {
    planes.first().map_or(0, Vec::len)
}

/// Excerpts from all over two signals of a length that is not known beforehand.
///
/// While there is room all of it is kept. Then every other excerpt is let go, and from there on
/// only every other one is taken.
pub(super) struct Excerpts {
    length: usize,
    kept: Vec<Stretch>,
    /// One in so many excerpts is kept.
    every: usize,
    /// Excerpts seen so far, and frames into the present one.
    seen: usize,
    into: usize,
}

impl Excerpts {
    pub fn new(sample_rate_hz: f64) -> Self {
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let length = (EXCERPT_S * sample_rate_hz) as usize;
        Self {
            length,
            kept: Vec::new(),
            every: 1,
            seen: 0,
            into: 0,
        }
    }

    /// Takes as many frames of either signal.
    pub fn push(&mut self, before: &[Vec<f32>], after: &[Vec<f32>]) {
        let mut start = 0;
        while start < frames(before) {
            let count = (self.length - self.into).min(frames(before) - start);
            if self.seen.is_multiple_of(self.every) {
                if self.into == 0 {
                    self.make_room();
                }
                if self.seen.is_multiple_of(self.every) {
                    self.keep(before, after, start..start + count);
                }
            }
            self.into += count;
            if self.into == self.length {
                self.into = 0;
                self.seen += 1;
            }
            start += count;
        }
    }

    /// Before a new excerpt.
    fn make_room(&mut self) {
        if self.kept.len() == MOST_EXCERPTS {
            let mut index = 0;
            self.kept.retain(|_| {
                index += 1;
                index % 2 == 1
            });
            self.every *= 2;
        }
        if self.seen.is_multiple_of(self.every) {
            self.kept.push(Stretch::default());
        }
    }

    fn keep(&mut self, before: &[Vec<f32>], after: &[Vec<f32>], range: std::ops::Range<usize>) {
        let Some(excerpt) = self.kept.last_mut() else {
            return;
        };
        for (to, from) in [(&mut excerpt.before, before), (&mut excerpt.after, after)] {
            to.resize(from.len(), Vec::new());
            for (to, from) in to.iter_mut().zip(from) {
                to.extend_from_slice(&from[range.clone()]);
            }
        }
    }

    /// What has been kept: all of it in one, or excerpts.
    pub fn finish(self) -> Vec<Stretch> {
        if self.every > 1 {
            return self.kept;
        }
        let mut whole = Stretch::default();
        for excerpt in self.kept {
            for (to, from) in [
                (&mut whole.before, excerpt.before),
                (&mut whole.after, excerpt.after),
            ] {
                to.resize(from.len(), Vec::new());
                for (to, from) in to.iter_mut().zip(from) {
                    to.extend(from);
                }
            }
        }
        vec![whole]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // An hour of frames that tell their own time: what is kept never passes eight excerpts, each
    // whole and without a break, and reaches from the start to the last tenth.
    #[test]
    fn excerpts_of_an_hour_take_no_more_room_than_forty_seconds() {
        const RATE_HZ: u16 = 100;
        const HOUR: u32 = 360_000;
        let mut excerpts = Excerpts::new(RATE_HZ.into());
        let most = MOST_EXCERPTS * excerpts.length;
        for start in (0..HOUR).step_by(70) {
            let block = vec![(start..start + 70).map(|frame| frame as f32).collect()];
            excerpts.push(&block, &block);
            let held: usize = excerpts.kept.iter().map(|kept| frames(&kept.before)).sum();
            assert!(held <= most, "{held}");
        }
        let kept = excerpts.finish();
        for excerpt in &kept[..kept.len() - 1] {
            let times = &excerpt.before[0];
            assert_eq!((times.len(), &excerpt.before), (500, &excerpt.after));
            assert!(
                times
                    .windows(2)
                    .all(|pair| (pair[1] - pair[0] - 1.0).abs() < 0.5)
            );
        }
        let begin = |excerpt: &Stretch| f64::from(excerpt.before[0][0]);
        assert!(kept.len() >= MOST_EXCERPTS / 2);
        assert_eq!(kept.first().map(begin), Some(0.0));
        assert!(kept.last().map(begin) > Some(0.8 * f64::from(HOUR)));
    }
}
