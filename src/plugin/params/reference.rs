//! Where the reference is heard and captured. Never touched by the audio thread.

use super::CrestlineParams;
use crate::audition::Wanted;
use crate::lock::lock;
use crestline_core::handover::SideChainReader;
use crestline_core::session::reference::Reference;
use crestline_core::session::{Section, Session};
use std::sync::{Arc, Mutex};

/// What is being measured as the reference, and what came of it.
#[derive(Debug, Default)]
pub(super) struct Measured {
    /// Another with each beginning: what came before is given up.
    number: u32,
    left: Option<Left>,
}

/// What came of it, and how many sessions the host had loaded when it was begun.
#[derive(Debug)]
struct Left {
    loads: u32,
    reference: Reference,
}

/// One beginning. It holds on to nothing else of the instance: the last to let go of that may wait
/// for the thread that measures.
#[derive(Clone, Debug)]
pub struct Measuring {
    number: u32,
    loads: u32,
    measured: Arc<Mutex<Measured>>,
}

impl Measuring {
    /// Leaves a reference that has been measured for the window to keep, or for the host, should it
    /// save before a window is drawn; the host is not told here. From any thread but the audio
    /// thread.
    pub fn leave(&self, reference: Reference) {
        let mut measured = lock(&self.measured);
        if measured.number == self.number {
            let loads = self.loads;
            measured.left = Some(Left { loads, reference });
        }
    }
}

impl CrestlineParams {
    /// A reference is being measured from now on, and nothing before it any more. The host is told
    /// that there will be something to save: once the window is closed nobody tells it.
    pub fn begin_measuring(&self) -> Measuring {
        self.post_unsaved(true);
        Measuring {
            number: self.give_up_measuring(),
            loads: self.session.loads(),
            measured: Arc::clone(&self.measured),
        }
    }

    /// What is being measured, or has been and was not kept, is not wanted any more. Returns the
    /// number of what is begun next.
    pub fn give_up_measuring(&self) -> u32 {
        let mut measured = lock(&self.measured);
        measured.left = None;
        measured.number = measured.number.wrapping_add(1);
        measured.number
    }

    /// Keeps the reference that has been left, unless the host has loaded a session since it was
    /// begun. Whether that changed the session, of which the host is told nothing yet.
    pub(super) fn keep_left(&self) -> bool {
        let Some(Left { loads, reference }) = lock(&self.measured).left.take() else {
            return false;
        };
        let keep = |session: &mut Session| session.reference = Some(reference);
        self.session.update_unless_loaded(loads, keep)
    }

    /// The same; the host is told.
    pub fn keep_measured(&self) {
        self.post_unsaved(self.keep_left());
    }

    /// From now on the side-chain is read here, if anywhere.
    pub fn set_side_chain(&self, reader: Option<SideChainReader>) {
        *lock(&self.side_chain) = reader;
    }

    /// What reads the side-chain.
    pub fn side_chain(&self) -> Option<SideChainReader> {
        lock(&self.side_chain).clone()
    }

    /// Has the part that the mix is compared with at hand to listen to, if the session names the
    /// file of its reference. What is at hand, or being loaded, is not loaded again.
    pub fn load_audition(&self) {
        let wanted = self.session.read(|session| {
            let Reference { profile, file } = session.reference.as_ref()?;
            let part = &profile.part;
            Some(Wanted {
                path: file.as_ref()?.into(),
                section: Section::Between(part.start_s, part.end_s),
            })
        });
        self.audition.set(wanted);
    }
}
