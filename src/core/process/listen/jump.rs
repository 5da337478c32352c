//! How far a switch would jump.

use super::{CLEAN, INPUT, Listen, MOST_JUMP_DB, OUTPUT, REFERENCE, RESIDUE, RecentLoudness};

impl Listen {
    /// By how much `new` would be louder than what is heard of `old` at this gain, dB.
    pub(super) fn jump_db(
        &self,
        old: usize,
        old_db: f64,
        new: usize,
        loudness: &RecentLoudness,
    ) -> f64 {
        let gain_db = self.levels[new].match_db - old_db;
        let [least, most] = loudness.residue_lufs;
        let reference = |signal: usize| {
            loudness
                .references
                .loudness
                .get(signal - REFERENCE)?
                .as_ref()
        };
        let jump_db = |of: &[Option<f64>; 3], new_lufs, old_lufs| {
            let of_new = match new {
                RESIDUE => most,
                REFERENCE.. => new_lufs,
                _ => of[new],
            };
            let of_old = match old {
                RESIDUE => least,
                REFERENCE.. => old_lufs,
                _ => of[old],
            };
            match (of_new, of_old) {
                (Some(new), Some(old)) => new - old + gain_db,
                (Some(_), None) => MOST_JUMP_DB,
                (None, _) => 0.0,
            }
        };
        let integrated = |signal| {
            (signal >= REFERENCE)
                .then(|| Some(reference(signal)?.integrated_lufs))
                .flatten()
        };
        let mix_lufs = [OUTPUT, CLEAN, INPUT].map(|signal| self.beside.mix_lufs(signal, loudness));
        let gated = jump_db(&mix_lufs, integrated(new), integrated(old));
        let ahead = (new >= REFERENCE)
            .then(|| reference(new)?.ahead_lufs)
            .flatten();
        let behind = (old >= REFERENCE)
            .then(|| reference(old)?.behind_lufs)
            .flatten();
        let measured = gated.max(jump_db(&loudness.momentary_lufs, ahead, behind));
        if old >= RESIDUE && new < RESIDUE && mix_lufs[new].is_none() {
            // Nothing has been measured yet, and neither the residue nor a reference is of a known
            // level against the rest.
            return MOST_JUMP_DB;
        }
        // Known also where measuring has just begun.
        let over_input = loudness.over_input_lu.unwrap_or_default();
        let over_input = [over_input[0], over_input[1], 0.0];
        let jump_db = match (over_input.get(new), over_input.get(old)) {
            (Some(new), Some(old)) => measured.max(new - old + gain_db),
            _ => measured,
        };
        // Matched, a path is turned down by as much as it becomes louder.
        let coming_lu = loudness
            .coming_lu
            .get(new)
            .copied()
            .filter(|_| old >= INPUT && !self.matched);
        jump_db + coming_lu.unwrap_or(0.0)
    }
}
