//! What the chain takes otherwise than it is stored.

use crestline_core::measure::ChannelRole;

/// What to say of so many samples that counted as silence; `None` for none. Those that are no
/// numbers a file's own notes tell of.
pub(super) fn silenced(samples: u32) -> Option<String> {
    let remedy = "beyond +80 dBFS and taken for silence, as no audio is that loud; check the scale it was exported in";
    match samples {
        0 => None,
        1 => Some(format!("1 sample is {remedy}")),
        count => Some(format!("{count} samples are {remedy}")),
    }
}

/// What to say where the channels are not all at the front, as the chain takes them to be.
pub(super) fn taken_for_front(roles: &[ChannelRole]) -> Option<String> {
    let others = roles.iter().any(|role| *role != ChannelRole::Front);
    others.then(|| {
        "by its header these are surrounds or the LFE; they are measured as front channels here, \
         otherwise than by crestline measure"
            .to_owned()
    })
}
