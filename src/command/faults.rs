//! What the chain does not take for audio.

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
