//! A reference on its way in: a thread of its own decodes and measures the file in bounded memory,
//! says how far it is, and can be stopped between two blocks.

use std::fmt;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::thread::{Builder, JoinHandle};

use crestline_core::session::Section;
use crestline_core::session::reference::Reference;
use crestline_files::{printable, saved_or_measured};

/// The reference and notes on its file, or why there is none.
type Outcome = Result<(Reference, Vec<String>), String>;

#[derive(Default)]
struct Shared {
    /// Share that has been measured, as the bits of a number from 0 to 1.
    share: AtomicU32,
    stopped: AtomicBool,
}

/// A file that is being measured; dropped, it is given up.
pub struct Loading {
    name: String,
    shared: Arc<Shared>,
    thread: Option<JoinHandle<Outcome>>,
}

impl fmt::Debug for Loading {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Loading")
            .field("name", &self.name)
            .finish_non_exhaustive()
    }
}

impl Loading {
    /// Begins to measure; `leave` takes the reference on the thread that has measured it.
    ///
    /// # Errors
    /// What is to be said if the system has no thread for it.
    pub fn begin(
        path: &Path,
        section: Section,
        leave: impl FnOnce(&Reference) + Send + 'static,
    ) -> Result<Self, String> {
        let shared = Arc::new(Shared::default());
        let (measured, file) = (Arc::clone(&shared), path.to_owned());
        let name = printable(Path::new(path.file_name().unwrap_or(path.as_os_str())));
        let thread = Builder::new()
            .name("crestline reference".into())
            .spawn(move || {
                let outcome = load(&file, section, &measured);
                if let Ok((reference, _)) = &outcome
                    && !measured.stopped.load(Ordering::Relaxed)
                {
                    leave(reference);
                }
                outcome
            })
            .map_err(|error| {
                format!("{name} was not measured: the system has no thread to spare ({error}). Try again.")
            })?;
        Ok(Self {
            name,
            shared,
            thread: Some(thread),
        })
    }

    /// The file, without its folder.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Share of the file that has been measured, 0 to 1.
    pub fn share(&self) -> f32 {
        f32::from_bits(self.shared.share.load(Ordering::Relaxed))
    }

    /// Lets it end without an outcome, within a block of the file.
    pub fn give_up(&self) {
        self.shared.stopped.store(true, Ordering::Relaxed);
    }

    /// Whether there is an outcome.
    pub fn is_done(&self) -> bool {
        self.thread.as_ref().is_none_or(JoinHandle::is_finished)
    }

    /// The outcome; waits for it.
    ///
    /// # Errors
    /// One line: the file, the cause, the remedy.
    pub fn outcome(mut self) -> Outcome {
        let lost = || {
            format!(
                "{} was not measured, by a fault of Crestline's own. Try again.",
                self.name
            )
        };
        match self.thread.take().map(JoinHandle::join) {
            Some(Ok(outcome)) => outcome,
            Some(Err(_)) | None => Err(lost()),
        }
    }
}

impl Drop for Loading {
    fn drop(&mut self) {
        self.give_up();
        // The plug-in's code may be unloaded after this.
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn load(path: &Path, section: Section, shared: &Shared) -> Outcome {
    let mut go_on = |share: f64| {
        let bits = (share as f32).to_bits();
        shared.share.store(bits, Ordering::Relaxed);
        !shared.stopped.load(Ordering::Relaxed)
    };
    let (measured, saved) =
        saved_or_measured(path, section, &mut go_on).map_err(|error| error.to_string())?;
    // The audio of a profile that was saved is not known.
    let file = (!saved)
        .then(|| std::path::absolute(path).ok()?.to_str().map(String::from))
        .flatten();
    let reference = Reference {
        profile: measured.profile,
        file,
    };
    let reference = reference.sanitised().ok_or_else(|| {
        format!(
            "{}: there is nothing in it to compare with; choose another file",
            printable(path)
        )
    })?;
    Ok((reference, measured.notes))
}
