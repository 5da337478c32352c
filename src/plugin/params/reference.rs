//! Where the reference is heard and captured. Never touched by the audio thread.

use super::CrestlineParams;
use crate::audition::Wanted;
use crate::lock::lock;
use crestline_core::handover::SideChainReader;
use crestline_core::session::Section;
use crestline_core::session::reference::Reference;

impl CrestlineParams {
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
