//! Files are written and read on threads of their own: the window never waits for a disk.

use std::path::PathBuf;
use std::thread::{Builder, JoinHandle};

use crestline_core::session::TargetWindow;
use crestline_core::session::export;
use crestline_core::session::starting_points::{self, Found, StartingPoint, StartingPointError};
use crestline_core::session::user_targets::{self, Changed, UserFileError};

/// Where files go.
#[derive(Clone, Debug, Default)]
pub struct Files {
    /// Folder of exported tables and pictures; none: the system names no place.
    pub exports: Option<PathBuf>,
    /// File of the user's own windows; none: they are kept in the session only.
    pub windows: Option<PathBuf>,
    /// Folder of the user's own starting points; none: there are none.
    pub starts: Option<PathBuf>,
}

impl Files {
    /// Where this user's files go on this system.
    pub fn of_user() -> Self {
        Self {
            exports: export::folder(),
            windows: user_targets::user_file(),
            starts: starting_points::user_folder(),
        }
    }
}

/// What came of a job.
#[derive(Debug, Default)]
pub struct Outcome {
    /// What there is to say.
    pub message: Option<String>,
    /// It was only read: what is said of that is said once, and takes nothing else's place.
    pub read: bool,
    /// The user's windows as they are in the file now.
    pub windows: Option<Vec<TargetWindow>>,
    /// The user's starting points as they are in their folder now.
    pub starts: Option<Vec<StartingPoint>>,
}

impl Outcome {
    /// Something to say, and nothing else.
    pub fn notice(words: impl Into<String>) -> Self {
        Self {
            message: Some(words.into()),
            ..Self::default()
        }
    }

    /// The same of what was only read.
    pub fn read(self) -> Self {
        Self { read: true, ..self }
    }

    /// What came of reading the user's windows.
    pub fn loaded(result: Result<Vec<TargetWindow>, UserFileError>) -> Self {
        match result {
            Ok(windows) => Self {
                windows: Some(windows),
                ..Self::default()
            },
            Err(error) => Self::notice(error.to_string()),
        }
    }

    /// What came of reading the user's starting points, after `words` had to be said of them.
    pub fn starts(found: Result<Found, StartingPointError>, words: Option<String>) -> Self {
        match found {
            Ok(Found { points, refused }) => Self {
                message: words.or_else(|| refused.first().map(ToString::to_string)),
                starts: Some(points),
                ..Self::default()
            },
            Err(error) => Self::notice(error.to_string()),
        }
    }

    /// What came of a change to the user's windows, which `words` describe.
    pub fn changed(result: Result<Changed, UserFileError>, words: String) -> Self {
        match result {
            Ok(Changed { windows, kept }) => {
                let copy =
                    kept.map(|kept| format!(" The damaged file was kept as {}.", kept.display()));
                Self {
                    message: Some(words + copy.as_deref().unwrap_or_default()),
                    windows: Some(windows),
                    ..Self::default()
                }
            }
            Err(error) => Self::notice(error.to_string()),
        }
    }
}

/// Jobs under way, a thread each.
#[derive(Debug, Default)]
pub struct FileJobs(Vec<JoinHandle<Outcome>>);

impl FileJobs {
    /// Begins one. Returns what is to be said if the system has no thread for it.
    pub fn begin(&mut self, job: impl FnOnce() -> Outcome + Send + 'static) -> Option<String> {
        match Builder::new().name("crestline files".into()).spawn(job) {
            Ok(thread) => {
                self.0.push(thread);
                None
            }
            Err(error) => Some(format!(
                "Nothing was written: the system has no thread to spare ({error}). Try again."
            )),
        }
    }

    /// Whether any is under way.
    pub fn under_way(&self) -> bool {
        !self.0.is_empty()
    }

    /// The outcomes of those that are done.
    pub fn done(&mut self) -> Vec<Outcome> {
        if self.0.iter().all(|thread| !thread.is_finished()) {
            return Vec::new();
        }
        let (done, under_way) = std::mem::take(&mut self.0)
            .into_iter()
            .partition(JoinHandle::is_finished);
        self.0 = under_way;
        let outcome = |thread: JoinHandle<Outcome>| {
            let lost = "The file was not written, by a fault of Crestline's own. Try again.";
            thread.join().unwrap_or_else(|_| Outcome::notice(lost))
        };
        done.into_iter().map(outcome).collect::<Vec<_>>()
    }
}

impl Drop for FileJobs {
    fn drop(&mut self) {
        // The plug-in's code may be unloaded after this: nothing may still be running in it.
        for thread in self.0.drain(..) {
            let _ = thread.join();
        }
    }
}
