//! Where the reference is heard and captured. Never touched by the audio thread.

use super::CrestlineParams;
use crate::audition::Wanted;
use crestline_core::handover::SideChainReader;
use crestline_core::session::Section;
use crestline_core::session::reference::Reference;
use std::sync::PoisonError;

impl CrestlineParams {
    /// From now on the side-chain is read here, if anywhere.
    pub fn set_side_chain(&self, reader: Option<SideChainReader>) {
        *self
            .side_chain
            .lock()
            .unwrap_or_else(PoisonError::into_inner) = reader;
    }

    /// What reads the side-chain.
    pub fn side_chain(&self) -> Option<SideChainReader> {
        let reader = self.side_chain.lock();
        reader.unwrap_or_else(PoisonError::into_inner).clone()
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
