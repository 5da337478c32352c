//! The system's file dialogue. The window never waits for it: it looks in every frame whether there
//! is an answer.

use std::fmt;
use std::future::Future;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::task::{Context, Poll, Waker};
use std::time::{Duration, Instant};

use rfd::{AsyncFileDialog, FileHandle};

/// Nobody answers faster: where the system has no dialogue, the answer is there at once.
const FASTEST_ANSWER: Duration = Duration::from_millis(300);
/// How audio files and saved profiles end.
const ENDINGS: [&str; 12] = [
    "wav", "w64", "rf64", "bw64", "aif", "aiff", "aifc", "flac", "mp3", "ogg", "oga", "json",
];

/// What came of it.
#[derive(Debug, PartialEq, Eq)]
pub enum Answer {
    /// A file.
    Chosen(PathBuf),
    /// The system has no dialogue to show.
    NoDialogue,
}

type Waiting = Pin<Box<dyn Future<Output = Option<FileHandle>> + Send>>;

/// The dialogue, open or not.
#[derive(Default)]
pub struct Dialogue(Option<(Waiting, Instant)>);

impl fmt::Debug for Dialogue {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("Dialogue").field(&self.is_open()).finish()
    }
}

/// Keeps the plug-in's code in memory: the system's dialogue runs on a thread that nobody can end,
/// and may outlive the last instance.
#[cfg(windows)]
#[expect(unsafe_code, reason = "the system is called")]
fn stay_loaded() {
    use windows_sys::Win32::System::LibraryLoader::{
        GET_MODULE_HANDLE_EX_FLAG_FROM_ADDRESS, GET_MODULE_HANDLE_EX_FLAG_PIN, GetModuleHandleExW,
    };
    let flags = GET_MODULE_HANDLE_EX_FLAG_FROM_ADDRESS | GET_MODULE_HANDLE_EX_FLAG_PIN;
    let mut module = std::ptr::null_mut();
    // SAFETY: with this flag an address within the module stands for its name.
    unsafe {
        GetModuleHandleExW(
            flags,
            stay_loaded as *const () as *const u16,
            &raw mut module,
        );
    }
}

impl Dialogue {
    /// Opens it in this folder, unless it is open.
    pub fn open(&mut self, folder: Option<&Path>) {
        if self.is_open() {
            return;
        }
        #[cfg(windows)]
        stay_loaded();
        let mut dialogue = AsyncFileDialog::new().set_title("Reference");
        // There filters are not offered one by one, and "*" is an ending like any other.
        if !cfg!(target_os = "macos") {
            // On Linux patterns may tell capitals from small letters (GTK, `add_pattern`).
            let capitals = ENDINGS.map(str::to_uppercase);
            let endings = ENDINGS
                .into_iter()
                .chain(capitals.iter().map(String::as_str));
            let endings: Vec<_> = endings.collect();
            dialogue = dialogue
                .add_filter("audio or saved profile", &endings)
                .add_filter("all files", &["*"]);
        }
        if let Some(folder) = folder {
            dialogue = dialogue.set_directory(folder);
        }
        self.0 = Some((Box::pin(dialogue.pick_file()), Instant::now()));
    }

    /// Whether it is open.
    pub fn is_open(&self) -> bool {
        self.0.is_some()
    }

    /// The answer, once; `None` while there is none and where nothing was chosen.
    pub fn answer(&mut self) -> Option<Answer> {
        let (waiting, since) = self.0.as_mut()?;
        let mut context = Context::from_waker(Waker::noop());
        let Poll::Ready(chosen) = waiting.as_mut().poll(&mut context) else {
            return None;
        };
        let at_once = since.elapsed() < FASTEST_ANSWER;
        self.0 = None;
        match chosen {
            Some(file) => Some(Answer::Chosen(file.path().to_owned())),
            None if at_once => Some(Answer::NoDialogue),
            None => None,
        }
    }
}
