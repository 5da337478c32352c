//! Edits that the host has been told of and has not brought back.
//!
//! A host hands every edit back with a block of audio, and only then does it take effect: so the
//! framework has it while audio runs. Three things go wrong with that. What is saved before the
//! next block lacks the edit. Where no block comes (a host may stop calling and still count the
//! plug-in as processing) the editor shows the old value for ever. And a host may drop an edit.
//! So each edit waits here until it has come back, or something later has, and otherwise takes
//! effect by itself.

use super::{CrestlineParams, Whole};
use crate::lock::lock;
use nice_plug::prelude::{ParamPtr, Params};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Mutex, MutexGuard, OnceLock};
use std::time::{Duration, Instant};

/// Without any audio for so long, none runs. Twice the longest block that hosts are known to play
/// (8192 frames at 44.1 kHz; common practice).
const NO_AUDIO: Duration = Duration::from_millis(400);
/// While audio runs and nothing of a parameter has come back for so long, its edits have been
/// dropped.
const DROPPED: Duration = Duration::from_secs(1);

/// Who changed a parameter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EditBy {
    /// The user, in the editor.
    Editor,
    /// The host, which may only have followed what it plays anyway: its word alone never changes a
    /// parameter while audio runs, unless a state is saved.
    Host,
}

/// The edits that wait, and whether audio runs.
#[derive(Debug, Default)]
pub struct Edits {
    /// Never locked by the audio thread.
    waiting: Mutex<Waiting>,
    blocks: AtomicU32,
    /// How often the host has brought each parameter, where that is counted; see
    /// [`tell_brought`](Self::tell_brought).
    brought: OnceLock<Box<[AtomicU32]>>,
    /// Whether a block is under way with which the host brings parameters.
    pub bringing: Whole,
    /// States that the host has loaded.
    loads: AtomicU32,
    /// The host has let go of the plug-in.
    over: AtomicBool,
}

#[derive(Debug, Default)]
struct Waiting {
    params: Vec<Edited>,
    /// The number of blocks as last looked at, and since when it has been that.
    audio: Option<(u32, Instant)>,
}

impl Waiting {
    /// Looks whether audio runs.
    fn runs(&mut self, blocks: u32, now: Instant) -> bool {
        let (seen, since) = *self.audio.get_or_insert((blocks, now));
        if seen != blocks {
            self.audio = Some((blocks, now));
            return true;
        }
        now.saturating_duration_since(since) < NO_AUDIO
    }
}

/// A parameter with edits that the host has not brought.
#[derive(Clone, Debug)]
struct Edited {
    /// Place of the parameter among all.
    index: usize,
    /// They themselves, normalised, the last one last; never none. A host brings them in their
    /// order, and may leave some out.
    values: Vec<f32>,
    /// Who made the last one.
    by: EditBy,
    /// Plain value, and how often it had been brought, when the parameter was last looked at; `None`
    /// before that could be told.
    seen: Option<(f32, u32)>,
    /// Since when nothing of it has been brought.
    since: Instant,
}

impl Edited {
    fn last(&self) -> f32 {
        self.values.last().copied().unwrap_or_default()
    }

    /// Takes out what has been brought, going by what the parameter is `now`: all of it where that
    /// is none of what waits, since whatever comes later has the last word.
    fn follow(&mut self, now: (f32, u32), plain: impl Fn(f32) -> f32, at: Instant) {
        if self.seen.replace(now).is_none_or(|seen| seen == now) {
            return;
        }
        let arrived = self.values.iter().position(|value| plain(*value) == now.0);
        self.values
            .drain(..arrived.map_or(self.values.len(), |last| last + 1));
        self.since = at;
    }
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

    /// From now on [`bring`](Self::bring) is called for whatever the host brings of so many
    /// parameters. Allocates.
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

    /// How many states the host has loaded so far: what the editor remembers of settings is from
    /// before the last one where this has changed.
    pub fn loads(&self) -> u32 {
        // Relaxed: the count orders nothing but itself.
        self.loads.load(Ordering::Relaxed)
    }

    /// The host lets go of the plug-in: nothing can be told to it any more.
    pub fn end(&self) {
        // Relaxed: it is set and asked for on the host's main thread.
        self.over.store(true, Ordering::Relaxed);
    }

    /// Whether it has.
    pub fn are_over(&self) -> bool {
        self.over.load(Ordering::Relaxed)
    }

    fn times_brought(&self, index: usize) -> u32 {
        let count = self.brought.get().and_then(|all| all.get(index));
        count.map_or(0, |count| count.load(Ordering::Relaxed))
    }

    fn waiting(&self) -> MutexGuard<'_, Waiting> {
        lock(&self.waiting)
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
        if by == EditBy::Editor {
            self.unsaved.wake();
        }
        let now = Instant::now();
        self.settle(now);
        let normalized = normalized.clamp(0.0, 1.0);
        // SAFETY: a pointer to a parameter of `self`.
        let plain = |value| unsafe { param.preview_plain(value) };
        // SAFETY: as above.
        let present = unsafe { self.present(index, param) };
        let mut waiting = self.edits.waiting();
        match waiting.params.iter_mut().find(|one| one.index == index) {
            // A host that repeats what it is told says nothing of its own.
            Some(edited)
                if by == EditBy::Host
                    && edited
                        .values
                        .iter()
                        .any(|it| plain(*it) == plain(normalized)) => {}
            Some(edited) => {
                if plain(edited.last()) != plain(normalized) {
                    edited.values.push(normalized);
                }
                edited.by = by;
            }
            None if present.is_some_and(|(value, _)| value == plain(normalized)) => {}
            None => waiting.params.push(Edited {
                index,
                values: vec![normalized],
                by,
                seen: present,
                since: now,
            }),
        }
    }

    /// The value, normalised, that the parameter of this index will have, if it has been edited and
    /// the edit still waits.
    pub fn awaited(&self, index: usize) -> Option<f32> {
        self.settle(Instant::now());
        let waiting = self.edits.waiting();
        let edited = waiting.params.iter().find(|edited| edited.index == index)?;
        Some(edited.last())
    }

    /// What a parameter of these was last set to, normalised: the edit that waits, or else the
    /// value in effect. Whoever changes a value by a step, or keeps it for later, goes by this.
    pub fn last_set(&self, param: ParamPtr) -> f32 {
        let waits = !self.edits.waiting().params.is_empty();
        let awaited = || self.awaited(self.index_of(param)?);
        // SAFETY: the caller's promise that it is a parameter of `self`.
        waits
            .then(awaited)
            .flatten()
            .unwrap_or_else(|| unsafe { param.unmodulated_normalized_value() })
    }

    /// The index of a parameter among all.
    pub fn index_of(&self, param: ParamPtr) -> Option<usize> {
        self.pointers().iter().position(|it| *it == param)
    }

    /// Forgets the edits that have come back, and has those take effect that will not any more.
    /// Whether any still wait.
    pub fn settle(&self, now: Instant) -> bool {
        let blocks = self.edits.blocks.load(Ordering::Relaxed);
        let runs = self.edits.waiting().runs(blocks, now);
        self.take_effect(now, |edited, known| {
            if !known {
                return None;
            }
            let waited = now.saturating_duration_since(edited.since);
            if runs {
                (waited >= DROPPED).then_some(edited.by == EditBy::Editor)
            } else {
                Some(true)
            }
        })
    }

    /// A state has been loaded over every edit, over what the editor remembers, and over the
    /// reference at hand.
    pub fn loaded(&self) {
        self.edits.waiting().params.clear();
        // Relaxed, both: who reads them asks whether a load is under way.
        let restart = self.restart.value();
        self.restart_loaded.store(restart, Ordering::Relaxed);
        self.edits.loads.fetch_add(1, Ordering::Relaxed);
        self.load_audition();
        // A session that names the same file asks for it anew.
        self.audition.try_again_if_missing();
    }

    /// Has every edit that still waits take effect, the host's too, and what has been measured kept,
    /// for what is about to be saved: a value that a host has set and saves at once is the one that it
    /// expects to load.
    pub fn settle_all(&self) {
        self.keep_left();
        self.take_effect(Instant::now(), |_, _| Some(true));
    }

    /// Plain value of a parameter, and how often it has been brought; `None` in the midst of a block,
    /// when it is what it is on the way to what the host brings.
    ///
    /// # Safety
    /// It is a parameter of `self`.
    unsafe fn present(&self, index: usize, param: ParamPtr) -> Option<(f32, u32)> {
        self.edits.bringing.read(|| {
            // SAFETY: the caller's promise; values are atomics.
            let value = unsafe { param.unmodulated_plain_value() };
            (value, self.edits.times_brought(index))
        })
    }

    /// Goes through the edits that have not come back: `decide` says whether the last one of a
    /// parameter takes effect, or all are forgotten, or (`None`) wait on; it is told whether what the
    /// parameter is was to be known. Whether any still wait.
    fn take_effect(&self, now: Instant, decide: impl Fn(&Edited, bool) -> Option<bool>) -> bool {
        let mut waiting = self.edits.waiting();
        if waiting.params.is_empty() {
            return false;
        }
        let params = self.pointers();
        waiting.params.retain_mut(|edited| {
            let Some(param) = params.get(edited.index) else {
                return false;
            };
            // SAFETY: a pointer to a parameter of `self`, whose values are atomics.
            unsafe {
                let present = self.present(edited.index, *param);
                if let Some(present) = present {
                    edited.follow(present, |value| param.preview_plain(value), now);
                }
                if edited.values.is_empty() {
                    return false;
                }
                let decided = decide(edited, present.is_some());
                if decided == Some(true) {
                    self.modulation.set(edited.index, *param, edited.last());
                }
                decided.is_none()
            }
        });
        !waiting.params.is_empty()
    }
}

#[cfg(test)]
mod tests;
