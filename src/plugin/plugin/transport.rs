//! The host's transport: when a song begins anew.

/// What it was at the end of the last block.
#[derive(Debug, Default)]
pub(super) struct Transport {
    was_playing: bool,
    /// Where the song was, seconds, if the host tells it.
    was_at_s: Option<f64>,
}

/// What it is as a block begins.
#[derive(Clone, Copy, Debug)]
pub(super) struct Now {
    pub playing: bool,
    /// Where the song is, seconds, if the host tells it.
    pub at_s: Option<f64>,
    /// How long the block is, seconds.
    pub block_s: f64,
    /// Processing, or an offline render, has ended since the last block.
    pub ended: bool,
    /// This block is rendered offline.
    pub offline: bool,
}

impl Transport {
    /// Whether playback starts with the block at hand. To be asked of every block.
    ///
    /// A host that makes its plug-ins ready anew in the midst of a song plays on; one that renders
    /// piece after piece begins with each.
    pub fn starts(&mut self, now: Now) -> bool {
        let stayed = !now.offline && goes_on(self.was_at_s, now.at_s);
        let went_on = self.was_playing && (!now.ended || stayed);
        self.was_at_s = now.at_s.map(|at_s| at_s + now.block_s);
        self.was_playing = now.playing;
        now.playing && !went_on
    }
}

/// Whether a song that was at one place, seconds, is played on at another: up to a tenth of a second
/// before it or two after.
fn goes_on(was_at_s: Option<f64>, at_s: Option<f64>) -> bool {
    let gap_s = was_at_s.zip(at_s).map(|(was, is)| is - was);
    gap_s.is_some_and(|gap_s| (-0.1..2.0).contains(&gap_s))
}
