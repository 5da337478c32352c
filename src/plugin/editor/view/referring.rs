//! What the window does for the reference.

use std::io::Write;
use std::path::Path;

use egui::Ui;

use super::View;
use crate::editor::file_jobs::Outcome;
use crate::editor::reference::{self, Ask};
use crate::editor::standing::{Deleted, What};
use crestline_core::session::Section;
use crestline_core::session::reference::Beside;

impl View {
    /// The same beside a reference with which the mix has been compared, and stays so.
    #[must_use]
    pub fn with_beside(self, found: Beside) -> Self {
        Self {
            reference: reference::State::made(found),
            ..self
        }
    }

    /// Begins to measure this file, audio or a saved profile, as the reference.
    pub fn load_reference(&mut self, path: &Path) {
        self.details.show_balance();
        let refused = self.reference.load(&self.params, path, Section::default());
        self.message = refused.or(self.message.take());
    }

    /// Takes in what became of the reference, and looks whether the file of one that the host has
    /// loaded is where it was.
    pub(super) fn follow_reference(&mut self, ui: &Ui) {
        let setter = self.changes.setter();
        let said = self.reference.follow(&self.params, &self.session, &setter);
        self.message = said.or(self.message.take());
        if let Some(reference) = self.reference.take_replaced() {
            self.deleted = Some(Deleted::now(ui, What::Reference(reference)));
        }
        // One that has been measured may be in the session already, should the host have saved, but
        // nobody has looked whether it would be heard unasked.
        if !self.reference.is_measuring() {
            self.params.load_audition();
        }
        if std::mem::take(&mut self.looks_again) && self.params.audition.is_missing() {
            reference::unheard(&self.params, &setter);
            self.params.audition.try_again_if_missing();
        }
        let Some(file) = self.reference.take_file_to_look_for(&self.session) else {
            return;
        };
        let refused = self.file_jobs.begin(move || look_for(&file));
        self.message = refused.or(self.message.take());
    }

    /// Does what is asked of the reference. Returns what is to be said if that cannot begin.
    pub(super) fn answer(&mut self, ui: &Ui, ask: Ask) -> Option<String> {
        match ask {
            Ask::Choose => self.reference.choose(),
            Ask::Capture => return self.reference.capture(&self.params),
            Ask::Stop => self.reference.stop(),
            Ask::GiveUp => self.reference.give_up(),
            Ask::Measure(section) => {
                let (params, session) = (&self.params, &self.session);
                return self.reference.measure_again(params, session, section);
            }
            Ask::Remove => {
                let removed = self.session.reference.clone().map(Box::new);
                let what = removed.map(What::Reference);
                self.deleted = what.map(|what| Deleted::now(ui, what));
                reference::remove(&self.params, &self.changes.setter());
                // What was said of it is no longer so.
                self.message = None;
            }
            Ask::Save => {
                let profile = &self.session.reference.as_ref()?.profile;
                let (json, name) = (profile.to_json(), profile.name.clone());
                let of = ["Profile", &*name];
                return self.export(of, "json", move |to| to.write_all(json.as_bytes()));
            }
        }
        None
    }
}

fn look_for(file: &Path) -> Outcome {
    if file.is_file() {
        return Outcome::default();
    }
    Outcome::notice(format!(
        "{} is not where it was: the reference's profile is kept, its audio cannot be heard or \
         measured again. Put it back, or choose it anew.",
        crestline_files::printable(file)
    ))
}
