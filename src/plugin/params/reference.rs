//! Where the reference is heard and captured. Never touched by the audio thread.

use super::CrestlineParams;
use crate::audition::Wanted;
use crate::lock::lock;
use crestline_core::handover::SideChainReader;
use crestline_core::session::reference::Reference;
use crestline_core::session::{Section, Session};

/// What is being measured as the reference, and what came of it.
#[derive(Debug, Default)]
pub(super) struct Measured {
    /// Another with each beginning: what came before is given up.
    number: u32,
    left: Option<(Measuring, Reference)>,
}

/// One beginning.
#[derive(Clone, Copy, Debug)]
pub struct Measuring {
    number: u32,
    /// Sessions that the host had loaded by then.
    loads: u32,
}

impl CrestlineParams {
    /// A reference is being measured from now on, and nothing before it any more. The host is told
    /// that there will be something to save: once the window is closed nobody tells it.
    pub fn begin_measuring(&self) -> Measuring {
        self.post_unsaved(true);
        Measuring {
            number: self.give_up_measuring(),
            loads: self.session.loads(),
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

    /// Leaves a reference that has been measured for the window to keep, or for the host, should it
    /// save before a window is drawn. From any thread but the audio thread: the host is not told
    /// here, since telling it may be the last to hold an instance that waits for this thread.
    pub fn leave_measured(&self, measuring: Measuring, reference: Reference) {
        let mut measured = lock(&self.measured);
        if measured.number == measuring.number {
            measured.left = Some((measuring, reference));
        }
    }

    /// Keeps the reference that has been left, unless the host has loaded a session since it was
    /// begun. Whether that changed the session, of which the host is told nothing yet.
    pub(super) fn keep_left(&self) -> bool {
        let Some((measuring, reference)) = lock(&self.measured).left.take() else {
            return false;
        };
        let keep = |session: &mut Session| session.reference = Some(reference);
        self.session.update_unless_loaded(measuring.loads, keep)
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
