//! Files that the user asks for: where they go, and what they are called.

use std::fmt;
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

/// Files of one second that may lie beside each other.
const MAX_NAMESAKES: u32 = 100;

/// A file that could not be written.
#[derive(Debug)]
pub struct ExportError {
    /// The file, or the folder that was to hold it.
    pub path: PathBuf,
    /// What the system said.
    pub error: io::Error,
}

impl fmt::Display for ExportError {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            formatter,
            "{} could not be written ({}): make room there, or allow writing.",
            self.path.display(),
            self.error
        )
    }
}

impl std::error::Error for ExportError {}

/// The folder that exported files go to: `Crestline` in the user's documents, or in the home
/// directory where there are no documents; `None` where the system names neither.
pub fn folder() -> Option<PathBuf> {
    let parent = dirs::document_dir().or_else(dirs::home_dir)?;
    Some(parent.join("Crestline"))
}

/// Longest name of a track or a reference in the name of a file, characters and bytes: systems take
/// 255 bytes.
const NAME_CHARS: usize = 60;
const NAME_BYTES: usize = 200;

/// What a file is called, without its extension: what is in it, of what, and when, such as
/// `Loudness Mix bus 2026-03-01 17.45.09 UTC`. Of the name `of`, which may be empty, what no system
/// takes in names of files is left out.
pub fn name(what: &str, of: &str, now: SystemTime) -> String {
    let of: String = of
        .chars()
        .filter(|letter| !letter.is_control() && !"/\\:*?\"<>|".contains(*letter))
        .take(NAME_CHARS)
        .scan(0, |bytes, letter| {
            *bytes += letter.len_utf8();
            (*bytes <= NAME_BYTES).then_some(letter)
        })
        .collect();
    let words = [what, of.trim(), &stamp(now)];
    let said: Vec<_> = words.into_iter().filter(|word| !word.is_empty()).collect();
    said.join(" ")
}

/// Date and time in the order in which names sort, such as `2026-03-01 17.45.09 UTC`. Universal
/// time: the standard library knows no other.
fn stamp(now: SystemTime) -> String {
    let seconds = now
        .duration_since(UNIX_EPOCH)
        .map_or(0, |since| since.as_secs());
    let (day, second) = (seconds / 86_400, seconds % 86_400);
    let (year, month, day) = civil(day);
    let (hour, minute, second) = (second / 3_600, second / 60 % 60, second % 60);
    format!("{year:04}-{month:02}-{day:02} {hour:02}.{minute:02}.{second:02} UTC")
}

/// Year, month and day of a day counted from 1970-01-01 (H. Hinnant, "chrono-compatible low-level
/// date algorithms", `civil_from_days`).
fn civil(day: u64) -> (u64, u64, u64) {
    // Years begin in March, so that the leap day is their last.
    let shifted = day + 719_468;
    let (era, day_of_era) = (shifted / 146_097, shifted % 146_097);
    let year_of_era =
        (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * day_of_year + 2) / 153;
    let day_of_month = day_of_year - (153 * month_from_march + 2) / 5 + 1;
    let month = if month_from_march < 10 {
        month_from_march + 3
    } else {
        month_from_march - 9
    };
    let year = era * 400 + year_of_era + u64::from(month <= 2);
    (year, month, day_of_month)
}

/// Writes a new file named `name.extension` into `folder`, which is made if it is not there, and
/// returns its path. A file of that name is never touched: a number is added to the name. What
/// could not be written whole is removed.
///
/// # Errors
/// [`ExportError`] if the system refuses, or if `write` fails.
pub fn save(
    folder: &Path,
    name: &str,
    extension: &str,
    write: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>,
) -> Result<PathBuf, ExportError> {
    let at = |path: &Path, error| ExportError {
        path: path.into(),
        error,
    };
    fs::create_dir_all(folder).map_err(|error| at(folder, error))?;
    let (path, file) = create(folder, name, extension)?;
    let mut to = BufWriter::new(file);
    write(&mut to).and_then(|()| to.flush()).map_err(|error| {
        // Whether the remains can be removed changes nothing about what went wrong.
        let _ = fs::remove_file(&path);
        at(&path, error)
    })?;
    Ok(path)
}

fn create(folder: &Path, name: &str, extension: &str) -> Result<(PathBuf, File), ExportError> {
    let mut path = folder.join(format!("{name}.{extension}"));
    for number in 2..=MAX_NAMESAKES + 1 {
        match OpenOptions::new().write(true).create_new(true).open(&path) {
            Ok(file) => return Ok((path, file)),
            Err(error) if error.kind() == ErrorKind::AlreadyExists => {
                path = folder.join(format!("{name} ({number}).{extension}"));
            }
            Err(error) => return Err(ExportError { path, error }),
        }
    }
    Err(ExportError {
        path,
        error: ErrorKind::AlreadyExists.into(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn a_file_is_called_by_the_track_as_far_as_systems_take_it() {
        let now = UNIX_EPOCH + Duration::from_secs(1_772_387_109);
        let stamp = "2026-03-01 17.45.09 UTC";
        for (track, expected) in [
            ("", format!("Loudness {stamp}")),
            (" / ", format!("Loudness {stamp}")),
            ("Mix bus", format!("Loudness Mix bus {stamp}")),
            ("../A:\\B\n", format!("Loudness ..AB {stamp}")),
            (
                &"é".repeat(99),
                format!("Loudness {} {stamp}", "é".repeat(60)),
            ),
            // Four bytes each.
            (
                &"🎚".repeat(60),
                format!("Loudness {} {stamp}", "🎚".repeat(50)),
            ),
        ] {
            let name = name("Loudness", track, now);
            assert_eq!(name, expected);
            // What Linux, macOS and Windows take, with the longest ending.
            assert!(name.len() + ".json".len() <= 255, "{name}");
        }
    }

    /// Moments whose date is known: the epoch, a leap day of a year divisible by 400, the last
    /// second of 32-bit time, a common year's March.
    #[test]
    fn a_stamp_is_the_date_and_time() {
        for (seconds, expected) in [
            (0, "1970-01-01 00.00.00 UTC"),
            (951_782_400, "2000-02-29 00.00.00 UTC"),
            (2_147_483_647, "2038-01-19 03.14.07 UTC"),
            (1_772_387_109, "2026-03-01 17.45.09 UTC"),
        ] {
            assert_eq!(stamp(UNIX_EPOCH + Duration::from_secs(seconds)), expected);
        }
    }
}
