//! The reference that can be listened to: decoded and resampled for the engine at hand, on a thread
//! of its own, and handed over to it.
//!
//! What is wanted outlives engines: when the sample rate changes, it is loaded anew. One that plays
//! goes on until the next one is there.

use std::fmt;
use std::io;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::{Builder, JoinHandle};

use crate::lock::lock;
use crestline_core::handover::{AuditionReceiver, AuditionSender, audition};
use crestline_core::session::Section;
use crestline_files::AuditionFailure;

/// Whether there is a reference to listen to.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum AuditionState {
    /// None is wanted.
    #[default]
    None,
    /// This share of the work is done, 0 to 1; 0 also until the host has said at what sample rate.
    Loading(f32),
    /// It is at hand.
    Ready,
    /// It cannot be had: one line with the file, the cause and the remedy.
    NotAvailable(String),
}

/// What is to be listened to: an audio file, and which part of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Wanted {
    /// The file.
    pub path: PathBuf,
    /// The part.
    pub section: Section,
}

/// Loads what is wanted. Never touched by the audio thread.
#[derive(Default)]
pub struct Audition {
    inner: Mutex<Inner>,
}

#[derive(Default)]
struct Inner {
    wanted: Option<Wanted>,
    player: Option<Player>,
    state: Arc<Mutex<AuditionState>>,
    loading: Option<Loading>,
    /// Given up, but perhaps not ended yet.
    given_up: Vec<JoinHandle<()>>,
}

/// The engine that plays.
#[derive(Clone)]
struct Player {
    sample_rate_hz: f64,
    channels: usize,
    sender: Arc<Mutex<AuditionSender>>,
}

struct Loading {
    given_up: Arc<AtomicBool>,
    thread: JoinHandle<()>,
}

impl Audition {
    /// Wants this to listen to, or nothing: what plays then fades out. What is wanted already is
    /// not loaded again.
    pub fn set(&self, wanted: Option<Wanted>) {
        let mut inner = lock(&self.inner);
        if inner.wanted != wanted {
            inner.wanted = wanted;
            inner.load();
        }
    }

    /// Loads what is wanted once more if it could not be had: its file may be there now.
    pub fn try_again_if_missing(&self) {
        let mut inner = lock(&self.inner);
        if inner.is_missing() {
            inner.load();
        }
    }

    /// Whether what is wanted could not be had.
    pub fn is_missing(&self) -> bool {
        matches!(self.state(), AuditionState::NotAvailable(_))
    }

    /// How far it is.
    pub fn state(&self) -> AuditionState {
        let inner = lock(&self.inner);
        let loading = inner.loading.as_ref();
        let ended = loading.is_some_and(|loading| loading.thread.is_finished());
        // Asked for after the thread has ended: one that ended as it should has said what came of
        // it.
        let mut state = lock(&inner.state);
        if ended && matches!(*state, AuditionState::Loading(_)) {
            *state = AuditionState::NotAvailable(
                "The reference was not loaded, by a fault of Crestline's own. Try again.".into(),
            );
        }
        state.clone()
    }

    /// An engine at this rate (Hz), with one or two channels, plays from now on, and no other. What
    /// could not be had before is not looked for: nobody may have listened for an hour by then, and a
    /// switch that did nothing would have it heard.
    pub fn connect(&self, sample_rate_hz: f64, channels: usize) -> AuditionReceiver {
        let (sender, receiver) = audition();
        let mut inner = lock(&self.inner);
        inner.player = Some(Player {
            sample_rate_hz,
            channels,
            sender: Arc::new(Mutex::new(sender)),
        });
        if !inner.is_missing() {
            inner.load();
        }
        receiver
    }
}

impl Inner {
    fn is_missing(&self) -> bool {
        matches!(*lock(&self.state), AuditionState::NotAvailable(_))
    }

    fn load(&mut self) {
        self.give_up();
        // What was given up may still say how far it is, but nobody hears it.
        self.state = Arc::default();
        let Some(wanted) = self.wanted.clone() else {
            if let Some(player) = &self.player {
                lock(&player.sender).clear();
            }
            return;
        };
        *lock(&self.state) = AuditionState::Loading(0.0);
        let Some(player) = self.player.clone() else {
            return;
        };
        match Loading::begin(wanted, player, Arc::clone(&self.state)) {
            Ok(loading) => self.loading = Some(loading),
            Err(error) => {
                *lock(&self.state) = AuditionState::NotAvailable(format!(
                    "The reference was not loaded: the system has no thread to spare ({error}). Try again."
                ));
            }
        }
    }

    fn give_up(&mut self) {
        if let Some(loading) = self.loading.take() {
            loading.given_up.store(true, Ordering::Relaxed);
            self.given_up.push(loading.thread);
        }
        // One that has ended is on its last steps in the plug-in's code still.
        for thread in self.given_up.extract_if(.., |thread| thread.is_finished()) {
            let _ = thread.join();
        }
    }
}

impl Drop for Inner {
    fn drop(&mut self) {
        self.give_up();
        // The plug-in's code may be unloaded after this: nothing may still be running in it.
        for thread in self.given_up.drain(..) {
            let _ = thread.join();
        }
    }
}

impl Loading {
    fn begin(wanted: Wanted, player: Player, state: Arc<Mutex<AuditionState>>) -> io::Result<Self> {
        let given_up = Arc::new(AtomicBool::new(false));
        let stop = Arc::clone(&given_up);
        let thread = Builder::new()
            .name("crestline audition".into())
            .spawn(move || load(&wanted, &player, &state, &stop))?;
        Ok(Self { given_up, thread })
    }
}

/// What the thread does.
fn load(wanted: &Wanted, player: &Player, state: &Mutex<AuditionState>, stop: &AtomicBool) {
    let mut go_on = |share: f64| {
        *lock(state) = AuditionState::Loading(share as f32);
        !stop.load(Ordering::Relaxed)
    };
    let Player {
        sample_rate_hz,
        channels,
        sender,
    } = player;
    let Wanted { path, section } = wanted;
    let loaded = crestline_files::audition(path, *section, *sample_rate_hz, *channels, &mut go_on);
    let mut sender = lock(sender);
    if stop.load(Ordering::Relaxed) {
        return;
    }
    let sent = match loaded {
        Ok(made) => sender.send(made).map_err(|error| {
            format!("The reference was not loaded: the system has no thread to spare ({error}). Try again.")
        }),
        Err(AuditionFailure::Cancelled) => return,
        Err(failure) => {
            // One that played before is not the one that is wanted.
            sender.clear();
            Err(failure.to_string())
        }
    };
    *lock(state) = match sent {
        Ok(()) => AuditionState::Ready,
        Err(words) => AuditionState::NotAvailable(words),
    };
}

impl fmt::Debug for Audition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("Audition").field(&self.state()).finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_of_the_thread_that_loads_is_told() {
        let audition = Audition::default();
        let faulty = || [()].get(1).copied().unwrap();
        let loading = Loading {
            given_up: Arc::default(),
            thread: Builder::new().spawn(faulty).unwrap(),
        };
        {
            let mut inner = lock(&audition.inner);
            *lock(&inner.state) = AuditionState::Loading(0.5);
            inner.loading = Some(loading);
        }
        loop {
            match audition.state() {
                AuditionState::Loading(_) => std::thread::yield_now(),
                AuditionState::NotAvailable(words) => break assert!(words.contains("fault")),
                state => panic!("{state:?}"),
            }
        }
    }
}
