//! What is heard of a chunk, what listening goes by, and how it goes on where it was interrupted.

use super::audition::Audition;
use super::{Engine, range_of};
use crate::process::{ChainSettings, ListenSettings, RecentLoudness, Signals};
use std::ops::Range;

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

    /// Puts what is heard of the frames of `range` in the chunk into `main`. Returns how many samples
    /// of the side-chain, where that is listened to, were no audio.
    pub(super) fn hear(
        &mut self,
        main: &mut [&mut [f32]],
        side: &[&[f32]],
        range: &Range<usize>,
        settings: ListenSettings,
        corners_hz: [f64; 3],
    ) -> u32 {
        let audition = self.audition.as_mut();
        let silenced = audition.map_or(0, |audition| audition.play(settings, side, range));
        let audition = self.audition.as_ref();
        let [output, clean, input] = [&self.output_signal, &self.clean_signal, &self.dry_signal]
            .map(|signal| range_of(signal, range.clone()));
        let signals = Signals {
            references: audition.map_or_else(Default::default, |of| of.signals(range)),
            output,
            clean,
            input,
        };
        self.listen
            .process(main, &signals, settings, &self.loudness);
        let heard = [0, 1].map(|index| main.get(index).map_or(&[][..], |channel| channel));
        self.residue.process(heard);
        self.listen.solo(main, settings, corners_hz);
        silenced
    }
}
