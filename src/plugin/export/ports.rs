//! The host's audio ports in the shape that the plug-in declares.
//!
//! A host says for each port how many channels it has and where the pointers to them lie. It may
//! pass fewer ports than were declared, fewer or more channels, or null for any of the pointers. A
//! port counts as connected if every declared channel is there; what goes beyond is cut off.

use std::ptr;

/// Channels of the widest port that the plug-in declares.
pub const MAX_CHANNELS: usize = 2;

/// Pointers to the channels of a port; null where the port has fewer than [`MAX_CHANNELS`].
pub type Channels = [*mut f32; MAX_CHANNELS];

/// What the plug-in needs to know of its ports to judge what a host passes.
#[derive(Debug)]
pub struct Ports {
    channels: usize,
    /// What a side-chain that is not connected sounds like; each channel as long as the longest
    /// block. The framework wants to borrow the channels of a port mutably, so that each needs
    /// memory of its own.
    silence: [Vec<f32>; MAX_CHANNELS],
}

/// The ports of a block that has audio.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Connected {
    /// The main input: every declared channel.
    pub main_input: Channels,
    /// The side-chain or silence in its place; `None` if the block is longer than the host has
    /// promised, for which there is no memory.
    pub side_chain: Option<Channels>,
    /// The main output: every declared channel.
    pub main_output: Channels,
}

impl Ports {
    /// Ports of `channels` channels each (0 until that is known), for blocks of up to `max_frames`
    /// frames. Allocates.
    pub fn new(channels: usize, max_frames: usize) -> Self {
        Self {
            channels: channels.min(MAX_CHANNELS),
            silence: std::array::from_fn(|_| vec![0.0; max_frames]),
        }
    }

    /// Channels of each declared port.
    ///
    /// # Realtime
    /// Yes.
    pub fn channels(&self) -> usize {
        self.channels
    }

    /// Sets the channels of each declared port, at most [`MAX_CHANNELS`].
    pub fn set_channels(&mut self, channels: usize) {
        self.channels = channels.min(MAX_CHANNELS);
    }

    /// The ports of a block of `frames` frames, from what the host passed for them; `None` if a
    /// main port is not connected.
    ///
    /// The pointers of the side-chain are valid until `self` is used again.
    ///
    /// # Realtime
    /// Copies a few pointers.
    pub fn connect(
        &mut self,
        main_input: &[*mut f32],
        side_chain: &[*mut f32],
        main_output: &[*mut f32],
        frames: usize,
    ) -> Option<Connected> {
        let connected = Connected {
            main_input: declared(main_input, self.channels)?,
            side_chain: declared(side_chain, self.channels),
            main_output: declared(main_output, self.channels)?,
        };
        // The framework copies the side-chain into memory for the longest block that was promised,
        // and would have to allocate.
        let side_chain = if frames <= self.silence[0].len() {
            connected.side_chain.or_else(|| Some(self.silence()))
        } else {
            None
        };
        Some(Connected {
            side_chain,
            ..connected
        })
    }

    fn silence(&mut self) -> Channels {
        let mut channels = [ptr::null_mut(); MAX_CHANNELS];
        for (channel, silence) in channels.iter_mut().zip(&mut self.silence[..self.channels]) {
            *channel = silence.as_mut_ptr();
        }
        channels
    }
}

/// The first `count` channels that the host passed, if they are all there.
fn declared(passed: &[*mut f32], count: usize) -> Option<Channels> {
    let passed = passed.get(..count).filter(|passed| !passed.is_empty())?;
    let mut channels = [ptr::null_mut(); MAX_CHANNELS];
    for (channel, passed) in channels.iter_mut().zip(passed) {
        if passed.is_null() {
            return None;
        }
        *channel = *passed;
    }
    Some(channels)
}

/// The channel pointers of a port, none if the host passed none.
///
/// # Safety
/// `channels` is null, or points to `count` pointers that stay as they are for the lifetime asked
/// for.
///
/// # Realtime
/// Yes.
#[expect(
    unsafe_code,
    reason = "what a host passes is known by its address alone"
)]
pub unsafe fn passed<'a>(channels: *const *mut f32, count: usize) -> &'a [*mut f32] {
    if channels.is_null() {
        return &[];
    }
    // SAFETY: not null, and otherwise the caller's promise.
    unsafe { std::slice::from_raw_parts(channels, count) }
}

/// Fills those `channels` with silence that are there, but for those that are among `spared`.
///
/// # Safety
/// Each of the `channels` is null or may be written to for `frames` samples, and nothing else
/// refers to it during the call.
///
/// # Realtime
/// Takes as long as there are channels and frames.
#[expect(
    unsafe_code,
    reason = "what a host passes is known by its address alone"
)]
pub unsafe fn silence(channels: &[*mut f32], spared: &[*mut f32], frames: usize) {
    for channel in channels {
        if !channel.is_null() && !spared.contains(channel) {
            // SAFETY: not null, and otherwise the caller's promise. All bits clear is 0.0.
            unsafe { ptr::write_bytes(*channel, 0, frames) };
        }
    }
}
