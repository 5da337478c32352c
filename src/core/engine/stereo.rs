//! One chunk of one or two channels, and ranges of it.

use super::CHUNK;
use std::ops::Range;

/// Room for one chunk of one or two channels.
pub(super) type Stereo = [Box<[f32; CHUNK]>; 2];

pub(super) fn silent_stereo() -> Stereo {
    [Box::new([0.0; CHUNK]), Box::new([0.0; CHUNK])]
}

/// A range of each channel.
pub(super) fn range_of(of: &Stereo, range: Range<usize>) -> [&[f32]; 2] {
    of.each_ref()
        .map(|channel| channel.get(range.clone()).unwrap_or_default())
}

/// A range of each channel, to write to.
pub(super) fn range_in(of: &mut Stereo, range: Range<usize>) -> [&mut [f32]; 2] {
    of.each_mut()
        .map(|channel| channel.get_mut(range.clone()).unwrap_or_default())
}

/// The part of a channel that lies in `range`, as far as there is any.
pub(super) fn part_of<'a>(channels: &[&'a [f32]], index: usize, range: Range<usize>) -> &'a [f32] {
    let channel = channels.get(index).copied().unwrap_or_default();
    channel
        .get(range.start..range.end.min(channel.len()))
        .unwrap_or_default()
}
