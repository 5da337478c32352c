//! The reference: loading it, measuring the mix beside it, and what is asked of both.

mod dialogue;
mod loading;
mod menu;

pub use self::menu::show as menu;

use std::cell::Cell;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use self::dialogue::{Answer, Dialogue};
use self::loading::Loading;
use super::changes::Setter;
use super::control;
use super::number::with_unit;
use crate::audition::AuditionState;
use crate::params::CrestlineParams;
use crestline_core::session::forecast::Forecaster;
use crestline_core::session::reference::{Beside, BesideMeter, Capture, Profile, Reference};
use crestline_core::session::{Section, Session};

/// What there is to say where nothing can be chosen.
const NO_DIALOGUE: &str = if cfg!(target_os = "linux") {
    "No file dialogue opened: the system offers none. Install a desktop portal or zenity."
} else {
    "No file dialogue opened: the system offers none here."
};

/// What is asked of the reference.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Ask {
    /// A file to choose.
    Choose,
    /// What comes in by the side-chain to be measured, until the stop.
    Capture,
    /// What is being measured to be given up, or what is being captured to be enough.
    Stop,
    /// What is being captured to be given up.
    GiveUp,
    /// The file that the reference was measured from to be measured again, in this part.
    Measure(Section),
    /// The profile to be saved in a file of its own.
    Save,
    /// No reference any more.
    Remove,
}

/// What is known of the reference beside its profile, which is in the session.
#[derive(Debug, Default)]
pub struct State {
    meter: Option<BesideMeter>,
    found: Option<Arc<Beside>>,
    dialogue: Dialogue,
    loading: Option<Loading>,
    capture: Option<Capture>,
    /// Files that were given up, until their threads have noticed.
    given_up: Vec<Loading>,
    /// The comparison has been drawn since it was last followed.
    watched: Cell<bool>,
    /// Where a file was last chosen.
    folder: Option<PathBuf>,
    /// The file that has been looked for.
    looked_for: Option<String>,
    /// The reference in whose place another has come.
    replaced: Option<Box<Reference>>,
}

impl State {
    /// Measures the mix on the music that `forecaster` has.
    pub fn new(forecaster: Forecaster) -> Self {
        Self {
            meter: Some(BesideMeter::new(forecaster)),
            ..Self::default()
        }
    }

    /// A comparison that has been made.
    pub fn made(found: Beside) -> Self {
        Self {
            found: Some(Arc::new(found)),
            ..Self::default()
        }
    }

    /// The reference's file, once for each that the session names.
    pub fn take_file_to_look_for(&mut self, session: &Session) -> Option<PathBuf> {
        let file = session.reference.as_ref().and_then(|of| of.file.as_ref());
        if self.looked_for.as_ref() == file {
            return None;
        }
        self.looked_for = file.cloned();
        file.map(PathBuf::from)
    }

    /// The reference in whose place another has come since this was last asked.
    pub fn take_replaced(&mut self) -> Option<Box<Reference>> {
        self.replaced.take()
    }

    /// The mix beside the reference, once that is known.
    pub fn found(&self) -> Option<&Beside> {
        self.found.as_deref()
    }

    /// Notes that the comparison is being drawn.
    pub fn watch(&self) {
        self.watched.set(true);
    }

    /// The file that is being measured, and how much of it has been, 0 to 1.
    pub fn loading(&self) -> Option<(&str, f32)> {
        let loading = self.loading.as_ref()?;
        Some((loading.name(), loading.share()))
    }

    /// How much of the side-chain has been captured, seconds, while it is.
    pub fn captured_s(&self) -> Option<f64> {
        self.capture.as_ref().map(Capture::captured_s)
    }

    /// Whether another reference is being measured.
    pub fn is_measuring(&self) -> bool {
        self.loading.is_some() || self.capture.is_some()
    }

    /// Whether something goes on that the window has to look at again.
    pub fn is_busy(&self) -> bool {
        self.is_measuring() || self.dialogue.is_open() || self.watched.get() && self.is_of_before()
    }

    /// Whether what has been found is of settings, a reference or music before those that are now.
    pub fn is_of_before(&self) -> bool {
        self.meter.as_ref().is_some_and(BesideMeter::is_under_way)
    }

    /// Opens the dialogue, unless it is open.
    pub fn choose(&mut self) {
        self.dialogue.open(self.folder.as_deref());
    }

    /// Begins to measure a part of an audio file, or to read a saved profile, on a thread of its
    /// own; what was begun before is given up. Returns what is to be said if it cannot be begun.
    pub fn load(
        &mut self,
        params: &Arc<CrestlineParams>,
        path: &Path,
        section: Section,
    ) -> Option<String> {
        self.give_up();
        let measuring = params.begin_measuring();
        match Loading::begin(path, section, move |reference| {
            measuring.leave(reference.clone());
        }) {
            Ok(loading) => {
                self.loading = Some(loading);
                None
            }
            Err(words) => Some(words),
        }
    }

    /// Begins to capture the side-chain. Returns what is to be said if that cannot be begun.
    pub fn capture(&mut self, params: &Arc<CrestlineParams>) -> Option<String> {
        let Some(side_chain) = params.side_chain() else {
            return Some(
                "There is no side-chain to capture: let the host start its audio first.".into(),
            );
        };
        // The end of another would end this one: both listen at the same port.
        self.give_up();
        let measuring = params.begin_measuring();
        let captured = move |profile: &Profile| measuring.leave(of_side_chain(profile.clone()));
        match Capture::begin(side_chain, Section::default(), captured) {
            Ok(capture) => {
                self.capture = Some(capture);
                params.unsaved.wake();
                None
            }
            Err(error) => Some(format!(
                "The side-chain cannot be captured: the system has no thread to spare ({error}). Try again."
            )),
        }
    }

    /// Gives up what is being measured; what is being captured is enough.
    pub fn stop(&mut self) {
        if let Some(capture) = &self.capture {
            capture.stop();
        }
        self.give_up_loading();
    }

    /// Gives up what is being measured or captured: a state that the host has loaded brings a
    /// reference of its own, or none.
    pub fn give_up(&mut self) {
        self.capture = None;
        self.give_up_loading();
    }

    fn give_up_loading(&mut self) {
        // A disk that hangs must not stop the window: nobody waits for the thread.
        if let Some(loading) = self.loading.take() {
            loading.give_up();
            self.given_up.push(loading);
        }
    }

    /// Measures the reference's file again, in another part.
    pub fn measure_again(
        &mut self,
        params: &Arc<CrestlineParams>,
        session: &Session,
        section: Section,
    ) -> Option<String> {
        let file = session.reference.as_ref()?.file.clone()?;
        self.load(params, Path::new(&file), section)
    }

    /// Takes in what has been chosen, loaded and measured. Returns what there is to say.
    pub fn follow(
        &mut self,
        params: &Arc<CrestlineParams>,
        session: &Session,
        setter: &Setter<'_>,
    ) -> Option<String> {
        let mut said = match self.dialogue.answer() {
            Some(Answer::Chosen(path)) => {
                self.folder = path.parent().map(Path::to_owned);
                self.load(params, &path, Section::default())
            }
            Some(Answer::NoDialogue) => Some(NO_DIALOGUE.into()),
            None => None,
        };
        if let Some(outcome) = self.loading.take_if(|loading| loading.is_done()) {
            said = Some(match outcome.outcome() {
                Ok((reference, notes)) => {
                    let words = loaded_in_words(&reference, &notes);
                    self.keep(params, session, setter, &reference);
                    // It may be the same file, mended since.
                    params.audition.try_again_if_missing();
                    words
                }
                Err(words) => words,
            });
        }
        if let Some(outcome) = self.capture.as_ref().and_then(Capture::outcome) {
            self.capture = None;
            said = Some(match outcome {
                Ok(profile) => {
                    let reference = of_side_chain(profile);
                    self.keep(params, session, setter, &reference);
                    loaded_in_words(&reference, &[])
                }
                Err(error) => error.to_string(),
            });
        }
        if !self.is_measuring() {
            params.give_up_measuring();
        }
        self.given_up.retain(|loading| !loading.is_done());
        let watched = self.watched.take();
        if let Some(meter) = &mut self.meter {
            if meter.take_fault() {
                said = Some(
                    "The mix was not compared with the reference, by a fault of Crestline's own: it is again once a setting changes."
                        .into(),
                );
            }
            match &session.reference {
                Some(reference) if watched => {
                    let settings = params.chain_settings();
                    meter.ask(&settings, &reference.profile, Instant::now());
                    self.found = meter.found();
                }
                Some(_) => {}
                None => self.found = None,
            }
        }
        said
    }

    /// Keeps this one, which has been measured.
    fn keep(
        &mut self,
        params: &CrestlineParams,
        session: &Session,
        setter: &Setter<'_>,
        reference: &Reference,
    ) {
        unheard_unasked(params, setter, reference);
        // Another part of the same file is no other reference.
        let other = |before: &&Reference| before.file.is_none() || before.file != reference.file;
        let replaced = session.reference.as_ref().filter(other);
        self.replaced = replaced.cloned().map(Box::new);
        params.keep_measured();
    }
}

fn of_side_chain(profile: Profile) -> Reference {
    Reference {
        profile,
        file: None,
    }
}

/// Where there was nothing to be heard nobody listens, and `reference`, which is kept now, is not to
/// be heard unasked.
fn unheard_unasked(params: &CrestlineParams, setter: &Setter<'_>, reference: &Reference) {
    let nothing = params.audition.state() == AuditionState::None || params.audition.is_missing();
    if reference.file.is_none() || nothing {
        unheard(params, setter);
    }
}

/// Keeps this one again, which was removed or replaced.
pub fn bring_back(params: &CrestlineParams, setter: &Setter<'_>, reference: Reference) {
    unheard_unasked(params, setter, &reference);
    params.edit_session(|session| session.reference = Some(reference));
}

/// Keeps no reference.
pub fn remove(params: &CrestlineParams, setter: &Setter<'_>) {
    params.edit_session(|session| session.reference = None);
    unheard(params, setter);
}

/// What cannot be heard is not listened to any more; what comes in live still is.
pub fn unheard(params: &CrestlineParams, setter: &Setter<'_>) {
    if !params.live_reference.value() {
        control::set(setter, &params.reference, 0.0);
    }
}

fn loaded_in_words(Reference { profile, .. }: &Reference, notes: &[String]) -> String {
    let lufs = with_unit(profile.part.integrated_lufs, 1, "LUFS");
    let words = format!(
        "“{}” is the reference: {}, {lufs}.",
        profile.name,
        part_in_words(profile)
    );
    let notes = notes.iter().map(String::as_str);
    let all: Vec<&str> = [words.as_str()].into_iter().chain(notes).collect();
    all.join("  ")
}

/// Which part was measured: `its loudest 30 s`, `all of it`.
pub fn part_in_words(profile: &Profile) -> String {
    let length_s = profile.part.end_s - profile.part.start_s;
    match profile.section {
        _ if profile.part == profile.whole => "all of it".into(),
        Section::Loudest => format!("its loudest {length_s:.0} s"),
        Section::Whole | Section::Between(..) => format!(
            "from {:.0} s to {:.0} s",
            profile.part.start_s, profile.part.end_s
        ),
    }
}
