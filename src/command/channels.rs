//! Channels that the chain takes otherwise than the file has them, or not at all.

use std::path::Path;

use crestline_core::measure::ChannelRole;
use crestline_files::printable;

/// The line to tell of a file that has more channels than the chain.
pub(super) fn too_many(path: &Path, count: usize) -> String {
    let name = printable(path);
    format!("{name}: has {count} channels, and the chain takes one or two; mix it down first")
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
