//! The table for people: one row a file, numbers aligned, the unit under each heading.

use std::fmt::Write as _;
use std::path::Path;

use crate::measures::MeasuredFile;

use crestline_files::printable;

/// Longest file name shown whole, characters.
const NAME_CHARS: usize = 36;

/// Stands for what cannot be measured.
const DASH: &str = "—";

/// Marks a loudness range over less than a minute.
const UNSETTLED: char = '*';

struct Column {
    heading: [&'static str; 2],
    cell: fn(&MeasuredFile) -> String,
}

const COLUMNS: [Column; 15] = [
    Column {
        heading: ["rate", "kHz"],
        cell: |row| (f64::from(row.sample_rate_hz) / 1000.0).to_string(),
    },
    Column {
        heading: ["", "ch"],
        cell: |row| row.channels.to_string(),
    },
    Column {
        heading: ["length", "min:s"],
        cell: |row| minutes_and_seconds(row.duration_s),
    },
    Column {
        heading: ["integrated", "LUFS"],
        cell: |row| tenths(row.measures.integrated_lufs),
    },
    Column {
        heading: ["range ", "LU "],
        cell: loudness_range,
    },
    Column {
        heading: ["momentary", "max LUFS"],
        cell: |row| tenths(row.measures.momentary_max_lufs),
    },
    Column {
        heading: ["short-term", "max LUFS"],
        cell: |row| tenths(row.measures.short_term_max_lufs),
    },
    Column {
        heading: ["true peak", "dBTP"],
        cell: |row| hundredths(row.measures.true_peak_dbtp),
    },
    Column {
        heading: ["peak", "dBFS"],
        cell: |row| hundredths(row.measures.sample_peak_dbfs),
    },
    Column {
        heading: ["PLR", "dB"],
        cell: |row| tenths(row.measures.plr_db),
    },
    Column {
        heading: ["least PLR", "3 s, dB"],
        cell: |row| tenths(row.measures.short_term_plr_min_db),
    },
    Column {
        heading: ["LDR", "dB"],
        cell: |row| tenths(row.measures.ldr_db),
    },
    Column {
        heading: ["RMS", "dBFS"],
        cell: |row| tenths(row.measures.rms_dbfs),
    },
    Column {
        heading: ["crest", "dB"],
        cell: |row| tenths(row.measures.crest_factor_db),
    },
    Column {
        heading: ["clipped", "runs"],
        cell: |row| {
            row.measures
                .clipped_runs
                .map_or_else(|| DASH.to_owned(), |runs| runs.to_string())
        },
    },
];

/// Two lines of headings, one line a file, and the legend that the rows call for; every line ends
/// with a newline. Without rows there is no table.
pub(super) fn table(rows: &[MeasuredFile]) -> String {
    if rows.is_empty() {
        return String::new();
    }
    let name = |row: &MeasuredFile| short_name(Path::new(&row.file));
    let mut columns = vec![name_column(["file", ""], rows, name)];
    columns.extend(COLUMNS.map(|shown| column(shown.heading, rows, shown.cell)));
    lines(&columns) + &legend(rows)
}

fn legend(rows: &[MeasuredFile]) -> String {
    let mut text = String::new();
    if rows
        .iter()
        .any(|row| row.measures.loudness_range_lu.is_some() && !row.loudness_range_settled)
    {
        let _ = writeln!(
            text,
            "{UNSETTLED} over less than a minute, where a loudness range is not reliable"
        );
    }
    if rows.iter().any(|row| row.channels == 1) {
        let _ = writeln!(
            text,
            "1 channel reads 3.01 LU below the same signal on both of two channels"
        );
    }
    if rows.iter().any(|row| {
        COLUMNS
            .iter()
            .any(|column| (column.cell)(row).trim() == DASH)
    }) {
        let _ = writeln!(text, "{DASH} cannot be measured");
    }
    if text.is_empty() {
        text
    } else {
        format!("\n{text}")
    }
}

/// Lines of headings, then a line a row, aligned to the right as numbers are read.
pub(super) fn column<T, const N: usize>(
    heading: [&str; N],
    rows: &[T],
    cell: impl Fn(&T) -> String,
) -> Vec<String> {
    aligned(heading, rows, cell, Align::Right)
}

/// The same, aligned to the left as names are read.
pub(super) fn name_column<T, const N: usize>(
    heading: [&str; N],
    rows: &[T],
    cell: impl Fn(&T) -> String,
) -> Vec<String> {
    aligned(heading, rows, cell, Align::Left)
}

/// Columns of as many cells beside each other; every line ends with a newline.
pub(super) fn lines(columns: &[Vec<String>]) -> String {
    let count = columns.iter().map(Vec::len).max().unwrap_or(0);
    (0..count)
        .map(|line| {
            let cells = columns.iter().filter_map(|column| column.get(line));
            let line = cells.cloned().collect::<Vec<_>>().join("  ");
            line.trim_end().to_owned() + "\n"
        })
        .collect()
}

#[derive(Clone, Copy)]
enum Align {
    Left,
    Right,
}

/// Pads the cells of one column to the longest of them, in characters.
fn aligned<T, const N: usize>(
    heading: [&str; N],
    rows: &[T],
    cell: impl Fn(&T) -> String,
    align: Align,
) -> Vec<String> {
    let head = heading.into_iter().map(str::to_owned);
    let cells: Vec<String> = head.chain(rows.iter().map(cell)).collect();
    let width = cells
        .iter()
        .map(|cell| cell.chars().count())
        .max()
        .unwrap_or(0);
    let pad = |cell: &String| match align {
        Align::Left => format!("{cell:<width$}"),
        Align::Right => format!("{cell:>width$}"),
    };
    cells.iter().map(pad).collect()
}

pub(super) fn tenths(value: Option<f64>) -> String {
    decimals(value, 1)
}

pub(super) fn hundredths(value: Option<f64>) -> String {
    decimals(value, 2)
}

pub(super) fn decimals(value: Option<f64>, places: usize) -> String {
    let Some(value) = value else {
        return DASH.to_owned();
    };
    let text = format!("{value:.places$}");
    // "-0.0" reads as if there were something below zero.
    if text.trim_matches(['-', '0', '.']).is_empty() {
        text.trim_start_matches('-').to_owned()
    } else {
        text
    }
}

fn loudness_range(row: &MeasuredFile) -> String {
    let mark = if row.measures.loudness_range_lu.is_some() && !row.loudness_range_settled {
        UNSETTLED
    } else {
        ' '
    };
    format!("{}{mark}", tenths(row.measures.loudness_range_lu))
}

pub(super) fn minutes_and_seconds(seconds: f64) -> String {
    // Rounded before it is split, or 59.96 s would read 0:60.0.
    let tenths = (seconds * 10.0).round();
    let minutes = (tenths / 600.0).floor();
    format!("{minutes}:{:04.1}", (tenths - minutes * 600.0) / 10.0)
}

/// The path if it is short enough; else the file name behind an ellipsis; else the file name
/// without its middle.
fn short_name(path: &Path) -> String {
    let whole = printable(path);
    if whole.chars().count() <= NAME_CHARS {
        return whole;
    }
    let name = path
        .file_name()
        .map_or(whole, |name| printable(Path::new(name)));
    let length = name.chars().count();
    if length + 2 <= NAME_CHARS {
        return format!("…/{name}");
    }
    if length <= NAME_CHARS {
        return name;
    }
    // Versions and endings tell names apart, so the end keeps more than the start.
    let tail = NAME_CHARS * 3 / 5;
    let head = NAME_CHARS - 1 - tail;
    let start: String = name.chars().take(head).collect();
    let end: String = name.chars().skip(length - tail).collect();
    format!("{start}…{end}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_short_path_is_shown_whole_and_a_long_one_keeps_its_ends() {
        assert_eq!(short_name(Path::new("mixes/one.wav")), "mixes/one.wav");
        assert_eq!(
            short_name(Path::new("a/very/long/way/down/to/the/folder/of/one.wav")),
            "…/one.wav"
        );
        let long = short_name(Path::new(
            "a/The Long Name of a Song That Nobody Sings (master, version 12).flac",
        ));
        assert_eq!(long, "The Long Name …ter, version 12).flac");
        assert_eq!(long.chars().count(), NAME_CHARS);
    }

    #[test]
    fn lengths_round_before_they_split() {
        assert_eq!(minutes_and_seconds(0.0), "0:00.0");
        assert_eq!(minutes_and_seconds(59.96), "1:00.0");
        assert_eq!(minutes_and_seconds(205.44), "3:25.4");
        assert_eq!(minutes_and_seconds(3723.0), "62:03.0");
    }

    #[test]
    fn nothing_reads_minus_zero() {
        assert_eq!(tenths(Some(-0.04)), "0.0");
        assert_eq!(hundredths(Some(-0.004)), "0.00");
        assert_eq!(tenths(Some(-0.06)), "-0.1");
        assert_eq!(tenths(None), "—");
    }
}
