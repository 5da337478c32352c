//! MP3: what the encoder put before and after the audio, and files that are several joined.

use std::fs::File;
use std::mem;

use crestline_core::measure::ChannelRole;

use super::frames::{PassedOver, frame_bytes, passed_over};
use super::library::Library;
use super::stream::{Stream, before_end_tags, bytes_at};
use crate::error::InputErrorKind;

/// Frames in the longest packet (ISO/IEC 11172-3, layer III).
const PACKET_FRAMES: usize = 1152;

/// An MP3 being decoded.
pub(super) struct Mp3 {
    library: Library,
    /// Frames of the encoder's delay that are still to be left out.
    delay_left: usize,
    end: End,
    /// The file again, and where its audio begins and ends.
    file: (File, u64, u64),
    passed_over: PassedOver,
}

/// Where the audio ends.
enum End {
    /// Where the file does: without the encoder's delay in its header a length there is only a
    /// guess from the bit rate, and trimming to the guess would drop real audio.
    OfFile,
    /// After so many frames more; what follows is kept until it is clear that it is padding.
    Told {
        left: u64,
        padding: usize,
        held: Vec<Vec<f32>>,
    },
    /// Where the file does, because it goes on after the end that its header tells.
    Joined,
}

impl Mp3 {
    /// Reads the header, which begins at `start`.
    pub fn open(mut file: File, start: u64) -> Result<Self, InputErrorKind> {
        let end = before_end_tags(&mut file)?;
        // Of the first frame alone the library cannot tell what it is.
        let first = frame_bytes(&bytes_at(&mut file, start, 4)?);
        if first.is_some_and(|bytes| start + bytes > end) {
            return Err(InputErrorKind::CutShort {
                promised_s: None,
                found_s: 0.0,
            });
        }
        let again = (file.try_clone()?, start, end);
        let library = Library::open(Stream::new(Vec::new(), file, start, end)?, false)?;
        let frames = |told: Option<u32>| told.unwrap_or(0) as usize;
        let bounds = library.bounds;
        let end = match bounds.frames.filter(|_| bounds.delay.is_some()) {
            Some(left) => End::Told {
                left,
                padding: frames(bounds.padding),
                held: Vec::new(),
            },
            None => End::OfFile,
        };
        Ok(Self {
            library,
            delay_left: frames(bounds.delay),
            end,
            file: again,
            passed_over: PassedOver::default(),
        })
    }

    pub fn sample_rate_hz(&self) -> u32 {
        self.library.sample_rate_hz()
    }

    pub fn roles(&self) -> Result<Vec<ChannelRole>, InputErrorKind> {
        self.library.roles()
    }

    /// Encoded bytes used so far.
    pub fn bytes(&self) -> u64 {
        self.library.bytes
    }

    /// Frames in all, if the header tells.
    pub fn frames(&self) -> Option<u64> {
        match self.end {
            End::Told { left, .. } => Some(left),
            End::OfFile | End::Joined => None,
        }
    }

    /// What whoever uses the audio should be told, as of what was decoded so far.
    pub fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        let PassedOver { between, behind } = self.passed_over;
        if matches!(self.end, End::Joined) {
            notes.push(
                "goes on after the end that its header tells, as joined files do; it was read to \
                 the end of the file"
                    .to_owned(),
            );
        }
        if between > 0 {
            notes.push(format!(
                "{between} bytes between its frames are no audio and were passed over, so that \
                 something is missing or wrong there; export or copy it again"
            ));
        }
        // Where the header tells the length, it was held to that.
        if behind > 0 && !matches!(self.end, End::Told { .. }) {
            notes.push(format!(
                "{behind} bytes at its end are no whole frame of audio and were passed over; if it \
                 ends too early, export or copy it again"
            ));
        }
        notes
    }

    /// Decodes a packet into one vector a channel, which may stay empty; false at the end.
    pub fn next(&mut self, block: &mut Vec<Vec<f32>>) -> Result<bool, InputErrorKind> {
        if !self.library.next(block)? {
            let (file, start, end) = &self.file;
            self.passed_over = passed_over(file, *start, *end)?;
            return Ok(false);
        }
        let early = self.delay_left.min(block.first().map_or(0, Vec::len));
        self.delay_left -= early;
        for plane in &mut *block {
            plane.drain(..early);
        }
        let End::Told {
            left,
            padding,
            held,
        } = &mut self.end
        else {
            return Ok(true);
        };
        let frames = block.first().map_or(0, Vec::len);
        let audio = usize::try_from(*left).map_or(frames, |left| left.min(frames));
        *left -= audio as u64;
        held.resize_with(block.len(), Vec::new);
        for (held, plane) in held.iter_mut().zip(&mut *block) {
            held.extend(plane.drain(audio..));
        }
        if held.first().map_or(0, Vec::len) > *padding + PACKET_FRAMES {
            for (held, plane) in mem::take(held).into_iter().zip(block) {
                plane.extend(held);
            }
            self.end = End::Joined;
        }
        Ok(true)
    }
}
