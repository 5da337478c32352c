//! Channels that the chain takes otherwise than the file has them.

use crestline_core::measure::ChannelRole;

/// What to say where the channels are not all at the front, as the chain takes them to be.
pub(super) fn taken_for_front(roles: &[ChannelRole]) -> Option<String> {
    let others = roles.iter().any(|role| *role != ChannelRole::Front);
    others.then(|| {
        "by its header these are surrounds or the LFE; they are measured as front channels here, \
         otherwise than by crestline measure"
            .to_owned()
    })
}
