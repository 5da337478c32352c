//! The two profiles that are compared.

use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::{self, ScopedJoinHandle};

use crate::console::progress_bar;
use crestline_core::session::Section;
use crestline_core::session::reference::Profile;
use crestline_files::{Profiled, printable, saved_or_measured};

/// Progress is counted in thousandths of a file.
const STEPS: f64 = 1_000.0;

/// What is told of one channel beside two.
pub(crate) const ONE_BESIDE_TWO: &str = "mono, and told as it is heard from both loudspeakers beside stereo: 3.01 LU louder at the same peaks";

/// Both as they were measured.
pub(super) struct Sides {
    pub mix: Profile,
    pub reference: Profile,
    /// Lines to print about the files.
    pub notes: Vec<String>,
    /// Both paths lead to one file.
    pub same_file: bool,
}

/// Measures both, side by side; otherwise a line for each that cannot be used.
pub(super) fn read(mix: &Path, reference: &Path, section: Section) -> Result<Sides, Vec<String>> {
    let bar = progress_bar(
        Some(2 * 1_000),
        "measuring {bar:40} {percent:>3} %  {eta} left",
    );
    let done = [AtomicU64::new(0), AtomicU64::new(0)];
    let measure = |path: &Path, index: usize| {
        profile_of(path, section, &mut |share| {
            #[expect(clippy::cast_sign_loss, reason = "a share is not negative")]
            done[index].store((STEPS * share) as u64, Ordering::Relaxed);
            bar.set_position(done.iter().map(|done| done.load(Ordering::Relaxed)).sum());
            true
        })
    };
    let (ours, theirs) = thread::scope(|scope| {
        let measure_theirs = || measure(reference, 1);
        let theirs = thread::Builder::new().spawn_scoped(scope, measure_theirs);
        let ours = measure(mix, 0);
        match theirs.map(ScopedJoinHandle::join) {
            Ok(Ok(theirs)) => (ours, theirs),
            Ok(Err(panic)) => std::panic::resume_unwind(panic),
            // The system refuses another thread.
            Err(_) => (ours, measure_theirs()),
        }
    });
    bar.finish_and_clear();
    let (ours, theirs) = match (ours, theirs) {
        (Ok(ours), Ok(theirs)) => (ours, theirs),
        (ours, theirs) => return Err([ours.err(), theirs.err()].into_iter().flatten().collect()),
    };
    let notes = |path: &Path, side: &Profiled, other: &Profiled| -> Vec<String> {
        let channels = [&side.profile, &other.profile].map(|profile| profile.channels);
        let mono = (channels == [1, 2]).then_some(ONE_BESIDE_TWO);
        let notes = side.notes.iter().map(String::as_str).chain(mono);
        notes
            .map(|note| format!("{}: {note}", printable(path)))
            .collect()
    };
    let same = |a: &Path, b: &Path| Some(a.canonicalize().ok()? == b.canonicalize().ok()?);
    Ok(Sides {
        notes: [notes(mix, &ours, &theirs), notes(reference, &theirs, &ours)].concat(),
        mix: ours.profile,
        reference: theirs.profile,
        same_file: same(mix, reference) == Some(true),
    })
}

/// The profile of an audio file, or the one that was saved in the file. `go_on` as
/// [`saved_or_measured`] has it; the error is the line to tell.
pub(crate) fn profile_of(
    path: &Path,
    section: Section,
    go_on: &mut dyn FnMut(f64) -> bool,
) -> Result<Profiled, String> {
    match saved_or_measured(path, section, go_on) {
        Ok((profiled, _)) => Ok(profiled),
        Err(error) => Err(error.to_string()),
    }
}
