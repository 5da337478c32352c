//! What the window writes and reads: exports, and the user's own windows and starting points.

use std::fs::File;
use std::io::{self, BufWriter};
use std::path::Path;
use std::time::SystemTime;

use egui::Ui;

use super::View;
use crate::editor::file_jobs::{Files, Outcome};
use crate::editor::reference;
use crate::editor::standing::{Deleted, What};
use crestline_core::session::starting_points::{self, StartingPoint};
use crestline_core::session::{TargetWindow, export, user_targets};

impl View {
    /// Writes a new file into the folder of exports, named after what is in it and of what. Returns
    /// what is to be said if that cannot even begin.
    pub(super) fn export(
        &mut self,
        [what, of]: [&str; 2],
        extension: &'static str,
        write: impl FnOnce(&mut BufWriter<File>) -> io::Result<()> + Send + 'static,
    ) -> Option<String> {
        let Some(folder) = self.files.exports.clone() else {
            return Some("Nothing was written: the system names no documents and no home folder. Set one up for this user.".into());
        };
        let name = export::name(what, of, SystemTime::now());
        self.file_jobs.begin(
            move || match export::save(&folder, &name, extension, write) {
                Ok(path) => Outcome::notice(format!("Saved as {}", path.display())),
                Err(error) => Outcome::notice(error.to_string()),
            },
        )
    }

    pub(super) fn keep(&mut self, window: TargetWindow) -> Option<String> {
        self.change_kept(move |path| {
            let words = format!("“{}” is kept in {}.", window.name, path.display());
            Outcome::changed(user_targets::keep(path, window), words)
        })
    }

    pub(super) fn delete(&mut self, ui: &Ui, window: TargetWindow) -> Option<String> {
        let name = window.name.clone().into_owned();
        self.params
            .edit_session(|session| session.remove_own(&name));
        let kept = self.kept.iter().any(|kept| kept.name == name);
        self.deleted = Some(Deleted::now(ui, What::Window { window, kept }));
        if !kept {
            return None;
        }
        self.change_kept(move |path| {
            let words = format!("“{name}” is no longer kept in {}.", path.display());
            Outcome::changed(user_targets::forget(path, &name), words)
        })
    }

    pub(super) fn undo_delete(&mut self) -> Option<String> {
        // The file is put right once it has been written: two jobs have no order.
        if self.file_jobs.under_way() {
            return Some("The file of your windows is being written. Try again.".into());
        }
        let (window, kept) = match self.deleted.take()?.what {
            What::Window { window, kept } => (window, kept),
            What::Reference(reference) => {
                reference::bring_back(&self.params, &self.changes.setter(), *reference);
                return None;
            }
        };
        self.params
            .edit_session(|session| session.choose_own(window.clone()));
        kept.then(|| self.keep(window))?
    }

    fn change_kept(
        &mut self,
        change: impl FnOnce(&Path) -> Outcome + Send + 'static,
    ) -> Option<String> {
        let Some(path) = self.files.windows.clone() else {
            return Some("The window stays in this session only: the system names no folder for settings. Set up a home folder for this user.".into());
        };
        self.file_jobs.begin(move || change(&path))
    }

    pub(super) fn keep_start(&mut self, point: StartingPoint, replace: bool) -> Option<String> {
        let Some(folder) = self.files.starts.clone() else {
            return Some("Nothing was kept: the system names no folder for settings. Set up a home folder for this user.".into());
        };
        self.file_jobs.begin(
            move || match starting_points::keep(&folder, &point, replace) {
                Ok(path) => {
                    let words = format!("“{}” is kept as {}.", point.name, path.display());
                    Outcome::starts(starting_points::load(&folder), Some(words))
                }
                Err(error) => Outcome::notice(error.to_string()),
            },
        )
    }

    /// Takes in what came of jobs, and reads the user's windows and starting points once the window
    /// has been opened.
    pub(super) fn follow_file_jobs(&mut self) {
        for outcome in self.file_jobs.done() {
            if let Some(starts) = outcome.starts {
                self.starts = starts;
            }
            if let Some(windows) = outcome.windows {
                self.kept = windows;
            }
            self.message = if outcome.read {
                let new = outcome.message.filter(|words| !self.said.contains(words));
                self.said.extend(new.clone());
                self.message.take().or(new)
            } else {
                outcome.message.or(self.message.take())
            };
        }
        // Two jobs have no order: what is being written would be read as it was.
        if !self.reads_again || self.file_jobs.under_way() {
            return;
        }
        self.reads_again = false;
        let Files {
            windows, starts, ..
        } = self.files.clone();
        let jobs = &mut self.file_jobs;
        let windows = windows
            .and_then(|path| jobs.begin(move || Outcome::loaded(user_targets::load(&path)).read()));
        let starts = starts.and_then(|folder| {
            jobs.begin(move || Outcome::starts(starting_points::load(&folder), None).read())
        });
        self.message = windows.or(starts).or(self.message.take());
    }
}
