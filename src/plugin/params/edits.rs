//! Edits that the host has been told of and has not brought back.
//!
//! A host hands every edit back with a block of audio, and only then does it take effect: so the
//! framework has it while audio runs. Three things go wrong with that. What is saved before the
//! next block lacks the edit. Where no block comes (a host may stop calling and still count the
//! plug-in as processing) the editor shows the old value for ever. And a host may drop an edit.
//! So each edit waits here until its parameter has moved, and otherwise takes effect by itself.

use super::CrestlineParams;
use nice_plug::prelude::{ParamPtr, Params};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::{Duration, Instant};

/// Without any audio for so long, none runs. Twice the longest block that hosts are known to play
/// (8192 frames at 44.1 kHz; common practice).
const NO_AUDIO: Duration = Duration::from_millis(400);
/// An edit that has not come back with the audio of so long a time has been dropped.
const DROPPED: Duration = Duration::from_secs(1);

/// Who changed a parameter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EditBy {
    /// The user, in the editor.
    Editor,
    /// The host, which may only have followed what it plays anyway: its word alone never changes a
    /// parameter while audio runs.
    Host,
}

/// The edits that wait, and whether audio runs.
#[derive(Debug, Default)]
pub struct Edits {
    /// Never locked by the audio thread.
    waiting: Mutex<Vec<Waiting>>,
    blocks: AtomicU32,
    /// How often the host has brought each parameter, as far as it is told; see
    /// [`tell_brought`](Self::tell_brought).
    brought: OnceLock<Box<[AtomicU32]>>,
}

#[derive(Clone, Debug)]
struct Waiting {
    /// Place of the parameter among all.
    index: usize,
    normalized: f32,
    /// Value of the parameter when it was edited: once it has another one, the edit or something
    /// later has arrived.
    before: f32,
    by: EditBy,
    since: Instant,
    blocks: u32,
    brought: u32,
}

impl Edits {
    /// A block of audio has begun.
    ///
    /// # Realtime
    /// Yes: one atomic addition.
    pub fn block(&self) {
        // Relaxed: the count orders nothing but itself.
        self.blocks.fetch_add(1, Ordering::Relaxed);
    }

    /// From now on it is told what the host brings, of so many parameters. Allocates.
    pub fn tell_brought(&self, params: usize) {
        self.brought
            .get_or_init(|| (0..params).map(|_| AtomicU32::new(0)).collect());
    }

    /// The host brings the parameter of this index.
    ///
    /// # Realtime
    /// Yes: one atomic addition.
    pub fn bring(&self, index: usize) {
        if let Some(count) = self.brought.get().and_then(|all| all.get(index)) {
            // Relaxed: the count orders nothing but itself.
            count.fetch_add(1, Ordering::Relaxed);
        }
    }

    fn times_brought(&self, index: usize) -> u32 {
        let count = self.brought.get().and_then(|all| all.get(index));
        count.map_or(0, |count| count.load(Ordering::Relaxed))
    }

    fn waiting(&self) -> MutexGuard<'_, Vec<Waiting>> {
        // Whoever panicked while holding the lock left a list that is whole.
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[expect(
    unsafe_code,
    reason = "the framework hands parameters out as raw pointers only"
)]
impl CrestlineParams {
    /// Pointers to all parameters, in the order in which hosts see them. Allocates.
    pub fn pointers(&self) -> Vec<ParamPtr> {
        self.param_map().into_iter().map(|(_, it, _)| it).collect()
    }

    /// The parameter of this index has been edited, and the host knows.
    pub fn edited(&self, index: usize, normalized: f32, by: EditBy) {
        let Some(param) = self.pointers().get(index).copied() else {
            return;
        };
        let normalized = normalized.clamp(0.0, 1.0);
        // SAFETY: a pointer to a parameter of `self`.
        let (before, after) = unsafe {
            (
                param.unmodulated_plain_value(),
                param.preview_plain(normalized),
            )
        };
        let mut waiting = self.edits.waiting();
        waiting.retain(|edit| edit.index != index);
        if before != after {
            waiting.push(Waiting {
                index,
                normalized,
                before,
                by,
                since: Instant::now(),
                blocks: self.edits.blocks.load(Ordering::Relaxed),
                brought: self.edits.times_brought(index),
            });
        }
    }

    /// The value, normalised, that the parameter of this index will have, if it has been edited and
    /// the edit still waits.
    pub fn awaited(&self, index: usize) -> Option<f32> {
        self.settle(Instant::now());
        let waiting = self.edits.waiting();
        let edit = waiting.iter().find(|edit| edit.index == index)?;
        Some(edit.normalized)
    }

    /// Forgets the edits that have come back, and has those take effect that will not any more.
    /// Whether any still wait.
    pub fn settle(&self, now: Instant) -> bool {
        let blocks = self.edits.blocks.load(Ordering::Relaxed);
        self.take_effect(|edit| {
            let waited = now.saturating_duration_since(edit.since);
            if edit.blocks == blocks {
                (waited >= NO_AUDIO).then_some(true)
            } else {
                (waited >= DROPPED).then_some(edit.by == EditBy::Editor)
            }
        })
    }

    /// Forgets every edit: a state is loaded over them.
    pub fn forget_edits(&self) {
        self.edits.waiting().clear();
    }

    /// Has every edit that still waits take effect, for what is about to be saved.
    pub fn settle_all(&self) {
        self.take_effect(|_| Some(true));
    }

    /// Goes through the edits whose parameters have not moved: `decide` says whether one takes
    /// effect, or is forgotten, or (`None`) waits on. Whether any still wait.
    fn take_effect(&self, decide: impl Fn(&Waiting) -> Option<bool>) -> bool {
        let mut waiting = self.edits.waiting();
        if waiting.is_empty() {
            return false;
        }
        let params = self.pointers();
        waiting.retain(|edit| {
            let Some(param) = params.get(edit.index) else {
                return false;
            };
            // SAFETY: a pointer to a parameter of `self`, whose values are atomics.
            unsafe {
                let brought = self.edits.times_brought(edit.index) != edit.brought;
                if brought || param.unmodulated_plain_value() != edit.before {
                    return false;
                }
                let decided = decide(edit);
                if decided == Some(true) {
                    param._internal_set_normalized_value(edit.normalized);
                }
                decided.is_none()
            }
        });
        !waiting.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nice_plug::prelude::Param;

    /// Parameters, and the index of push among them.
    fn params() -> (CrestlineParams, usize) {
        let params = CrestlineParams::default();
        let push = params.push.as_ptr();
        let index = params.pointers().iter().position(|it| *it == push);
        (params, index.unwrap())
    }

    fn later(seconds: f64) -> Instant {
        Instant::now() + Duration::from_secs_f64(seconds)
    }

    #[test]
    fn an_edit_waits_for_the_host_while_audio_runs() {
        let (params, push) = params();
        params.edited(push, 0.5, EditBy::Editor);
        params.edits.block();
        assert!(params.settle(later(0.5)));
        assert_eq!(params.awaited(push), Some(0.5));
        assert_eq!(params.push.value(), 0.0);
    }

    #[test]
    fn without_audio_it_takes_effect() {
        for by in [EditBy::Editor, EditBy::Host] {
            let (params, push) = params();
            params.edited(push, 0.5, by);
            assert!(params.settle(later(0.1)));
            assert!(!params.settle(later(0.5)));
            assert_eq!(params.push.value(), 9.0, "{by:?}");
        }
    }

    #[test]
    fn one_that_a_host_drops_takes_effect_and_what_the_host_follows_does_not() {
        for (by, wanted) in [(EditBy::Editor, 9.0), (EditBy::Host, 0.0)] {
            let (params, push) = params();
            params.edited(push, 0.5, by);
            params.edits.block();
            assert!(!params.settle(later(1.1)));
            assert_eq!(params.push.value(), wanted, "{by:?}");
        }
    }

    #[test]
    #[expect(unsafe_code, reason = "what a host does")]
    fn whatever_comes_later_has_the_last_word() {
        let (params, push) = params();
        params.edited(push, 0.5, EditBy::Editor);
        // SAFETY: a parameter that is there.
        unsafe {
            params.push.as_ptr()._internal_set_normalized_value(1.0);
        }
        params.settle_all();
        assert_eq!(params.push.value(), 18.0);
        assert_eq!(params.awaited(push), None);
    }

    // Automation that rests holds its parameter without moving it.
    #[test]
    fn what_the_host_brings_has_the_last_word_also_where_it_changes_nothing() {
        let (params, push) = params();
        params.edits.tell_brought(params.pointers().len());
        params.edited(push, 0.5, EditBy::Editor);
        params.edits.block();
        params.edits.bring(push);
        assert!(!params.settle(later(1.1)));
        assert_eq!(params.push.value(), 0.0);
    }

    #[test]
    fn what_is_saved_has_every_edit() {
        let (params, push) = params();
        params.edited(push, 0.25, EditBy::Host);
        params.edited(push, 0.5, EditBy::Host);
        params.edits.block();
        params.settle_all();
        assert_eq!(params.push.value(), 9.0);
        assert!(!params.settle(Instant::now()));
    }
}
