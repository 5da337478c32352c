//! When the caution about loud sound is due: where the push rises by much at once, or anything else
//! of the chain is set otherwise, or called up, that plays as much louder.

use crate::editor::view_model::recording::hears_reference;
use crate::params::{CrestlineParams, ListenChoice};
use crestline_core::handover::Snapshot;
use crestline_core::process::{ChainSettings, PushSettings};
use nice_plug::prelude::Param;

/// A rise of the push, or of what is heard, that is one to be warned of, dB.
const RISE_DB: f64 = 3.0;
/// What happens within this time happens at once, seconds.
const AT_ONCE_S: f64 = 1.0;
/// How long the caution stays, seconds.
const SHOWN_S: f64 = 10.0;

/// How loud a moment of what the chain makes is heard, over 0.4 s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loudness {
    /// Of what is heard, LUFS.
    pub heard_lufs: f64,
    /// The same over the input, LU.
    pub gain_lu: f64,
}

impl Loudness {
    /// What a snapshot tells while `path` is heard, as [`path_heard`] has it; `None` in a pause, whose
    /// level says nothing (below the absolute gate of ITU-R BS.1770-5), and where no path is.
    pub fn of(snapshot: &Snapshot, path: Option<ListenChoice>) -> Option<Self> {
        let path = match path? {
            ListenChoice::Output => &snapshot.output,
            ListenChoice::Clean => &snapshot.clean,
            ListenChoice::Input | ListenChoice::Residue => return None,
        };
        let [path, input] =
            [path, &snapshot.input].map(|point| point.readings.placed().momentary_lufs);
        let heard_lufs = path? + f64::from(snapshot.activity.listen_gain_db);
        Some(Self {
            heard_lufs,
            gain_lu: heard_lufs - input?,
        })
    }
}

/// The path that is heard; `None` while something else is, which no setting of the chain makes
/// louder.
pub fn path_heard(params: &CrestlineParams, snapshot: &Snapshot) -> Option<ListenChoice> {
    let listen = params.listen.value();
    let path = matches!(listen, ListenChoice::Output | ListenChoice::Clean);
    let heard = path && !params.bypass.value() && !hears_reference(params, snapshot);
    heard.then_some(listen)
}

/// Settings that have been called up.
#[derive(Clone, Copy, Debug)]
struct Recalled {
    /// What was heard last before.
    before: Loudness,
    /// When something was first heard since, seconds.
    since_s: Option<f64>,
}

/// Why the caution is shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reason {
    /// Nothing has been heard through this plug-in before.
    FirstUse,
    /// The push has risen at once, by so many dB.
    Push(f64),
    /// What is heard has become louder at once, by so many LU.
    Louder(f64),
}

/// Follows the chain and what is heard.
#[derive(Clone, Copy, Debug, Default)]
pub struct Caution {
    /// The chain as it was last, without its push.
    chain: Option<ChainSettings>,
    /// The push from which the present rise began, dB, and when it was last there, seconds.
    from: Option<(f64, f64)>,
    /// Why the caution is shown, and when it ends, seconds.
    shown: Option<(Reason, f64)>,
    heard: Option<Loudness>,
    recalled: Option<Recalled>,
    /// The time of the frame before, seconds.
    last_s: f64,
}

impl Caution {
    /// Takes in the parameters at a time, while `path` is heard.
    pub fn watch(&mut self, params: &CrestlineParams, path: Option<ListenChoice>, now_s: f64) {
        let push_db = params.push.unmodulated_plain_value().into();
        let rises = path.is_some() && !params.matched.value();
        self.follow(push_db, &params.chain_settings(), rises, now_s);
    }

    /// Takes in the push, as it is without modulation, and the chain at a time. `rises`: whether more
    /// push is heard as louder.
    fn follow(&mut self, push_db: f64, chain: &ChainSettings, rises: bool, now_s: f64) {
        let rest = ChainSettings {
            push: PushSettings::default(),
            ..*chain
        };
        // Of a control that goes on moving each second counts from its beginning.
        let changed = self.chain.replace(rest).is_some_and(|last| last != rest);
        if changed && self.recalled.is_none() {
            self.recall();
        }
        // A window that is opened again counts its time anew, and what was shown is shown again.
        if now_s < self.last_s {
            self.shown = self.shown.map(|(reason, _)| (reason, now_s + SHOWN_S));
        }
        let last_s = std::mem::replace(&mut self.last_s, now_s);
        let from = self.from.filter(|(_, at_s)| *at_s <= now_s);
        let (from_db, at_s) = from.unwrap_or((push_db, now_s));
        // What has risen between two frames has at once, however long a window at rest drew none.
        let at_once = now_s - at_s <= AT_ONCE_S || at_s >= last_s;
        if rises && push_db > from_db + RISE_DB && at_once {
            self.show(Reason::Push(push_db - from_db), now_s);
        }
        self.from = if push_db <= from_db || now_s - at_s > AT_ONCE_S {
            Some((push_db, now_s))
        } else {
            Some((from_db, at_s))
        };
        self.shown = self.shown.filter(|(_, until)| now_s < *until);
    }

    /// Settings are called up: from now on it counts whether that is louder.
    pub fn recall(&mut self) {
        let recalled = |before| Recalled {
            before,
            since_s: None,
        };
        self.recalled = self.heard.map(recalled);
    }

    /// Takes in what is heard at a time; not called in pauses, which end nothing. Louder by the
    /// settings is what has risen both by itself and over the input: the music rises and falls,
    /// too.
    pub fn hear(&mut self, heard: Loudness, now_s: f64) {
        self.heard = Some(heard);
        let Some(recalled) = &mut self.recalled else {
            return;
        };
        let since_s = *recalled.since_s.get_or_insert(now_s);
        let before = recalled.before;
        let risen = (heard.heard_lufs - before.heard_lufs).min(heard.gain_lu - before.gain_lu);
        if risen > RISE_DB {
            self.show(Reason::Louder(risen), now_s);
            self.recalled = None;
        } else if !(0.0..=AT_ONCE_S).contains(&(now_s - since_s)) {
            self.recalled = None;
        }
    }

    /// Shows it for a while from now on.
    pub fn show(&mut self, reason: Reason, now_s: f64) {
        self.shown = Some((reason, now_s + SHOWN_S));
    }

    /// Why it is to be shown, if it is.
    pub fn due(&self) -> Option<Reason> {
        self.shown.map(|(reason, _)| reason)
    }

    /// Seconds until it is put away; `None` while it is not shown.
    pub fn ends_in(&self, now_s: f64) -> Option<f64> {
        self.shown.map(|(_, until)| (until - now_s).max(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sudden_rise_is_warned_of_for_a_while() {
        let neutral = ChainSettings::default();
        let mut caution = Caution::default();
        caution.follow(0.0, &neutral, true, 0.0);
        caution.follow(2.0, &neutral, true, 0.3);
        assert!(caution.due().is_none());
        caution.follow(3.5, &neutral, true, 0.8);
        assert_eq!(caution.due(), Some(Reason::Push(3.5)));
        caution.follow(3.5, &neutral, true, 5.0);
        assert!(caution.due().is_some());
        caution.follow(3.5, &neutral, true, 10.9);
        assert!(caution.due().is_none());
    }

    #[test]
    fn a_rise_after_a_rest_without_frames_is_warned_of() {
        let neutral = ChainSettings::default();
        let mut caution = Caution::default();
        caution.follow(0.0, &neutral, true, 5.0);
        caution.follow(6.5, &neutral, true, 65.0);
        assert_eq!(caution.due(), Some(Reason::Push(6.5)));
    }

    fn heard(heard_lufs: f64, input_lufs: f64) -> Loudness {
        Loudness {
            heard_lufs,
            gain_lu: heard_lufs - input_lufs,
        }
    }

    #[test]
    fn settings_that_play_louder_are_warned_of_also_after_a_pause() {
        for wait_s in [0.0, 60.0] {
            let mut caution = Caution::default();
            caution.hear(heard(-20.0, -20.0), 5.0);
            caution.recall();
            caution.hear(heard(-18.0, -20.0), 5.2 + wait_s);
            assert!(caution.due().is_none());
            caution.hear(heard(-16.5, -20.0), 5.4 + wait_s);
            assert_eq!(caution.due(), Some(Reason::Louder(3.5)));
        }
    }

    /// A limiter that is switched off at 12 dB of push, and one that had nothing to do.
    #[test]
    fn a_stage_that_is_switched_is_warned_of_where_it_plays_louder() {
        for (after_lufs, is_due) in [(-12.0, true), (-19.5, false)] {
            let mut caution = Caution::default();
            let mut chain = ChainSettings::default();
            chain.limiter.enabled = true;
            caution.follow(12.0, &chain, true, 5.0);
            caution.hear(heard(-20.0, -26.0), 5.0);
            caution.follow(12.0, &chain, true, 5.1);
            chain.limiter.enabled = false;
            caution.follow(12.0, &chain, true, 5.2);
            caution.hear(heard(-20.0, -26.0), 5.2);
            assert!(caution.due().is_none());
            caution.hear(heard(after_lufs, -26.0), 5.6);
            assert_eq!(caution.due().is_some(), is_due);
        }
    }

    #[test]
    fn music_that_rises_or_falls_is_not_nor_what_comes_later() {
        let mut caution = Caution::default();
        caution.hear(heard(-20.0, -20.0), 5.0);
        caution.recall();
        // A chorus, then a passage that the limiter leaves alone.
        caution.hear(heard(-14.0, -14.0), 5.2);
        caution.hear(heard(-26.0, -32.0), 5.4);
        caution.hear(heard(-20.0, -20.0), 6.3);
        caution.hear(heard(-10.0, -20.0), 6.4);
        assert!(caution.due().is_none());
        // Nothing was called up.
        caution.hear(heard(-6.0, -20.0), 6.5);
        assert!(caution.due().is_none());
    }

    #[test]
    fn a_slow_rise_and_a_fall_are_not() {
        let neutral = ChainSettings::default();
        let mut caution = Caution::default();
        for step in 0..40_u8 {
            let at = f64::from(step) * 0.5;
            caution.follow(0.25 * f64::from(step), &neutral, true, at);
            assert!(caution.due().is_none(), "{at} s");
        }
        caution.follow(0.0, &neutral, true, 20.5);
        assert!(caution.due().is_none());
        caution.show(Reason::FirstUse, 20.5);
        assert!(caution.due().is_some());
    }
}
