//! What listening goes by, and how it goes on where it was interrupted.

use super::Engine;
use super::audition::Audition;
use crate::process::{ChainSettings, RecentLoudness};

impl Engine {
    /// What only serves listening (the source, matching, solo) is taken at once with the next
    /// settings, where it would otherwise fade or rise; everything else goes on.
    ///
    /// # Realtime
    /// Yes.
    pub fn cut_listening(&mut self) {
        self.listen.cut();
    }

    /// Goes on listening where another engine left off, as after a change of the sample rate: what is
    /// louder than what was heard last rises, and the mix stays turned down to its reference.
    pub fn go_on_from(&mut self, before: &Self) {
        self.listen.go_on_from(&before.listen);
    }

    /// A chunk enters the chain with these settings; `arrives`: a stage is on its way in.
    pub(super) fn listening_begins(&mut self, chain: &ChainSettings, arrives: bool) {
        self.matching.enter(chain, arrives);
        let jumps = self.matching.is_in_transition();
        self.listen.chunk_begins(jumps);
        if let Some(audition) = &mut self.audition {
            audition.chunk_begins(&self.listen);
        }
        let momentary_lufs = self.momentary.lufs();
        let references = self.audition.as_deref().map(Audition::references);
        self.loudness = RecentLoudness {
            gated_10s_lufs: self.gated_10s_lufs(),
            momentary_lufs,
            residue_lufs: self.residue.lufs(momentary_lufs[0], &self.listen),
            over_input_lu: self.matching.over_input_lu(),
            jumps,
            steady: self.matching.is_steady(),
            references: references.unwrap_or_default(),
            coming_lu: [0.0; 2],
        };
    }
}
