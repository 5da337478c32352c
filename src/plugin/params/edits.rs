//! Edits that the host has been told of and has not brought back.
//!
//! A host hands every edit back with a block of audio, and only then does it take effect: so the
//! framework has it while audio runs. Three things go wrong with that. What is saved before the
//! next block lacks the edit. Where no block comes (a host may stop calling and still count the
//! plug-in as processing) the editor shows the old value for ever. And a host may drop an edit.
//! So each edit waits here until it has come back, or something later has, and otherwise takes
//! effect by itself.

use super::CrestlineParams;
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
    /// parameter while audio runs.
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
    /// Plain value, and how often it had been brought, when the parameter was last looked at.
    seen: (f32, u32),
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
        if now == self.seen {
            return;
        }
        let arrived = self.values.iter().position(|value| plain(*value) == now.0);
        self.values
            .drain(..arrived.map_or(self.values.len(), |last| last + 1));
        (self.seen, self.since) = (now, at);
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
        let present = unsafe { param.unmodulated_plain_value() };
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
            None if plain(normalized) == present => {}
            None => waiting.params.push(Edited {
                index,
                values: vec![normalized],
                by,
                seen: (present, self.edits.times_brought(index)),
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
        self.take_effect(now, |edited| {
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
        self.edits.loads.fetch_add(1, Ordering::Relaxed);
        self.load_audition();
    }

    /// Has every edit that still waits take effect, for what is about to be saved.
    pub fn settle_all(&self) {
        self.take_effect(Instant::now(), |_| Some(true));
    }

    /// Goes through the edits that have not come back: `decide` says whether the last one of a
    /// parameter takes effect, or all are forgotten, or (`None`) wait on. Whether any still wait.
    fn take_effect(&self, now: Instant, decide: impl Fn(&Edited) -> Option<bool>) -> bool {
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
                let brought = self.edits.times_brought(edited.index);
                let present = (param.unmodulated_plain_value(), brought);
                edited.follow(present, |value| param.preview_plain(value), now);
                if edited.values.is_empty() {
                    return false;
                }
                let decided = decide(edited);
                if decided == Some(true) {
                    param._internal_set_normalized_value(edited.last());
                }
                decided.is_none()
            }
        });
        !waiting.params.is_empty()
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
    fn what_the_user_edits_wakes_a_host_that_sleeps() {
        let (params, push) = params();
        let woken = std::sync::Arc::new(AtomicU32::new(0));
        let counts = std::sync::Arc::clone(&woken);
        params.unsaved.set_active(true);
        params.unsaved.wake_with(move || {
            counts.fetch_add(1, Ordering::Relaxed);
        });
        params.edited(push, 0.5, EditBy::Host);
        assert_eq!(woken.load(Ordering::Relaxed), 0);
        params.edited(push, 0.25, EditBy::Editor);
        assert_eq!(woken.load(Ordering::Relaxed), 1);
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

    /// What a host does with a block: brings the value and says so.
    #[expect(unsafe_code, reason = "what a host does")]
    fn bring(params: &CrestlineParams, index: usize, normalized: f32) {
        params.edits.block();
        params.edits.bring(index);
        // SAFETY: a parameter that is there.
        unsafe { params.pointers()[index]._internal_set_normalized_value(normalized) };
    }

    #[test]
    fn an_earlier_edit_that_comes_back_leaves_the_later_ones_waiting() {
        let (params, push) = params();
        params.edits.tell_brought(params.pointers().len());
        for value in [0.25, 0.5, 0.75] {
            params.edited(push, value, EditBy::Editor);
        }
        bring(&params, push, 0.25);
        assert_eq!(params.awaited(push), Some(0.75));
        assert_eq!(params.last_set(params.push.as_ptr()), 0.75);
        // The host leaves one out.
        bring(&params, push, 0.75);
        assert_eq!(params.awaited(push), None);
        assert_eq!(params.push.value(), 13.5);
    }

    #[test]
    fn what_is_no_edit_has_the_last_word_over_all_that_wait() {
        let (params, push) = params();
        params.edited(push, 0.25, EditBy::Editor);
        params.edited(push, 0.5, EditBy::Editor);
        bring(&params, push, 1.0);
        assert_eq!(params.awaited(push), None);
        assert!(!params.settle(later(1.1)));
        assert_eq!(params.push.value(), 18.0);
    }

    // A user who goes on moving must see what it does, also where nothing comes back.
    #[test]
    fn without_audio_edits_take_effect_while_the_user_goes_on() {
        let (params, push) = params();
        for step in 0..10_u8 {
            params.edited(push, 0.05 * f32::from(step + 1), EditBy::Editor);
            params.settle(later(0.1 * f64::from(step)));
        }
        let push_db = params.push.value();
        assert!(push_db > 8.0, "{push_db}");
    }

    #[test]
    fn edits_that_a_host_drops_take_effect_while_the_user_goes_on() {
        let (params, push) = params();
        for step in 0..15_u8 {
            params.edits.block();
            params.edited(push, 0.05 * f32::from(step + 1), EditBy::Editor);
            params.settle(later(0.1 * f64::from(step)));
        }
        let push_db = params.push.value();
        assert!(push_db > 8.0, "{push_db}");
    }

    // `ivsteditcontroller.h`: a host tells the controller what it has been told by it.
    #[test]
    fn what_the_host_repeats_stays_the_users() {
        let (params, push) = params();
        params.edited(push, 0.25, EditBy::Editor);
        params.edited(push, 0.5, EditBy::Editor);
        for echo in [0.25, 0.5] {
            params.edited(push, echo, EditBy::Host);
        }
        assert_eq!(params.awaited(push), Some(0.5));
        params.edits.block();
        assert!(!params.settle(later(1.1)));
        assert_eq!(params.push.value(), 9.0);
    }
}
