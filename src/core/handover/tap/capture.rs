//! The side-chain as it is, written down while somebody captures it.

use super::frames;
use crate::handover::recent::Ring;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};

/// The written past, seconds: the worker reads, between two steps of finding out what stands before
/// another instance.
const PAST_S: f64 = 12.0;
/// Frames written at a time, and what may be written while the oldest are being read.
const RUN: usize = 256;
const MARGIN: usize = 8_192;
/// Frames read at a time.
const READ_AT_ONCE: usize = 4_096;

/// What both threads can reach. There are no rings until somebody captures: most instances never
/// do.
#[derive(Debug)]
pub(super) struct Captured {
    rings: OnceLock<[Ring; 2]>,
    on: AtomicBool,
    closed: AtomicBool,
    sample_rate_hz: f64,
    channels: usize,
}

impl Captured {
    pub(super) fn new(sample_rate_hz: f64, channels: usize) -> Self {
        Self {
            rings: OnceLock::new(),
            on: AtomicBool::new(false),
            closed: AtomicBool::new(false),
            sample_rate_hz,
            channels,
        }
    }

    /// Whether somebody captures.
    ///
    /// # Realtime
    /// Yes: one load.
    pub(super) fn is_on(&self) -> bool {
        // Acquire: whoever finds it on finds the rings.
        self.on.load(Ordering::Acquire)
    }

    /// Nobody will write any more.
    pub(super) fn close(&self) {
        // Release: whoever finds it closed finds all that was written.
        self.closed.store(true, Ordering::Release);
    }

    /// Writes down a block, one slice a channel, all of one length. The samples must be finite.
    /// Only one thread may ever do so.
    ///
    /// # Realtime
    /// Yes, wait-free: a store a sample.
    pub(super) fn write(&self, channels: &[&[f32]]) {
        let Some(rings) = self.rings.get() else {
            return;
        };
        // The last ring tells how far both are.
        for (ring, channel) in rings.iter().zip(channels) {
            for run in channel.chunks(RUN) {
                ring.write(run.iter().map(|sample| sample.to_bits()));
            }
        }
    }
}

/// Reads what the side-chain carries, on any thread but the audio's. Clones read the same.
#[derive(Clone, Debug)]
pub struct SideChainReader(pub(super) Arc<Captured>);

impl SideChainReader {
    /// Hz.
    pub fn sample_rate_hz(&self) -> f64 {
        self.0.sample_rate_hz
    }

    /// One or two: those of the input.
    pub fn channels(&self) -> usize {
        self.0.channels
    }

    /// Has the side-chain written down from now on; returns the number of the first frame. Takes
    /// 4.5 MiB at 48 kHz the first time.
    pub fn begin(&self) -> u64 {
        let kept = frames(PAST_S, self.0.sample_rate_hz);
        let ring = || Ring::new(kept, RUN, MARGIN);
        self.0.rings.get_or_init(|| [ring(), ring()]);
        self.0.on.store(true, Ordering::Release);
        self.written()
    }

    /// Nothing more is written down.
    pub fn end(&self) {
        self.0.on.store(false, Ordering::Release);
    }

    /// Whether nobody writes any more: the sample rate or the channels have changed, and what comes
    /// in is written down elsewhere.
    pub fn is_closed(&self) -> bool {
        self.0.closed.load(Ordering::Acquire)
    }

    /// Number of the next frame.
    fn written(&self) -> u64 {
        let rings = self.0.rings.get().into_iter().flatten();
        let used = rings.take(self.0.channels);
        used.map(Ring::written).min().unwrap_or(0)
    }

    /// Copies frames from this number on into `planes`, one vector a channel: those that there are,
    /// some thousand at most. `None` if they have been written over.
    pub fn read(&self, from: u64, planes: &mut Vec<Vec<f32>>) -> Option<usize> {
        let there = self.written().saturating_sub(from);
        let count = usize::try_from(there).map_or(READ_AT_ONCE, |there| there.min(READ_AT_ONCE));
        planes.resize_with(self.0.channels, Vec::new);
        let rings = self.0.rings.get().into_iter().flatten();
        let mut cells = vec![0; count];
        for (ring, plane) in rings.zip(planes) {
            if ring.read(from, &mut cells) != (0..count) {
                return None;
            }
            plane.clear();
            plane.extend(cells.iter().map(|bits| f32::from_bits(*bits)));
        }
        Some(count)
    }
}
