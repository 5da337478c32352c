//! What stands on the page, and in which order.

use std::fmt::Write as _;
use std::path::Path;

use super::cautions::cautions;
use super::html::{Column, list, page, paragraph, table, text};
use super::picture::{self, part_in_words};
use super::record::{Record, Spread};
use super::song::{Against, Song};
use crate::compare::{ONE_BESIDE_TWO, nothing_apart, shelves};
use crate::encoded::Row;
use crate::table::{hundredths, minutes_and_seconds, tenths};
use crestline_core::session::reference::{Profile, REGIONS};
use crestline_core::session::{BuiltIn, Judgement};
use crestline_files::printable;

/// Everything that a report is made of.
pub(super) struct Report<'a> {
    pub songs: Vec<Song>,
    pub reference: Option<Profile>,
    pub target: &'a BuiltIn,
    pub playback_lufs: f64,
    /// A line for each file that is not in it.
    pub missing: Vec<String>,
}

type Drawn = Result<String, Box<dyn std::error::Error>>;

fn name(path: &Path) -> String {
    printable(Path::new(path.file_name().unwrap_or(path.as_os_str())))
}

impl Report<'_> {
    /// The whole page.
    ///
    /// # Errors
    /// What the plotting library says.
    pub fn html(&self) -> Drawn {
        let record = Record::new(&self.songs, self.playback_lufs);
        let names: Vec<String> = self.songs.iter().map(|song| name(&song.path)).collect();
        let numbered: Vec<String> = names
            .iter()
            .enumerate()
            .map(|(index, name)| format!("{}. {name}", index + 1))
            .collect();
        let title = match &names[..] {
            [one] => format!("Loudness report: {one}"),
            more => format!("Loudness report: {} songs", more.len()),
        };
        let mut body = format!("<header>\n<h1>{}</h1>\n</header>\n<main>\n", text(&title));
        body += &self.overview(&record, &numbered)?;
        for (index, song) in self.songs.iter().enumerate() {
            body += &self.song(song, &numbered[index], &format!("song-{}", index + 1))?;
        }
        body += "</main>\n<footer>\n";
        body += &paragraph(
            "Loudness: ITU-R BS.1770-5, EBU R 128 and Tech 3341; range: EBU Tech 3342; true peak: \
             BS.1770-5, Annex 2; microdynamics (LDR): Skovenborg, AES 137 (2014); third octaves: IEC \
             61260-1. A dash is what cannot be measured.",
        );
        let version = env!("CARGO_PKG_VERSION");
        body += &paragraph(&format!("Made by Crestline {version}."));
        body += "</footer>\n";
        Ok(page(&title, &body))
    }

    fn overview(&self, record: &Record, names: &[String]) -> Drawn {
        let mut html =
            "<section aria-labelledby=\"record\">\n<h2 id=\"record\">The record</h2>\n".to_owned();
        html += &list(&self.summary(record, names));
        html += &table("Whole songs", ("song", names), &numbers(&self.songs));
        html += &self.target_table(record.loudest, names);
        html += &self.playback_table(record, names);
        if self.songs.len() > 1 {
            html += &region_table(record, names);
            html += &picture::record_plane(&self.songs, &self.target.window)?;
        }
        if !self.missing.is_empty() {
            html += "<h3>Not in this report</h3>\n";
            html += &list(&self.missing);
        }
        Ok(html + "</section>\n")
    }

    /// The record in sentences.
    fn summary(&self, record: &Record, names: &[String]) -> Vec<String> {
        if self.songs.len() < 2 {
            return Vec::new();
        }
        let spread = |what: &str, spread: Option<Spread>, unit: &str, size: &str| {
            spread.map(|Spread { low, high }| {
                let [low, high, between] = [low, high, high - low].map(|of| tenths(Some(of)));
                format!("{what}: from {low} to {high} {unit}, a spread of {between} {size}.")
            })
        };
        let balance = record.balance_spread().map(|(db, region)| {
            format!("Balance: at equal loudness the songs differ most {region}, by {db:.1} dB.")
        });
        let song = |what: &str, index: Option<usize>| {
            index.map(|index| format!("{what}: {}.", names[index]))
        };
        [
            spread("Loudness", record.loudness_lufs, "LUFS", "LU"),
            spread("PLR", record.plr_db, "dB", "dB"),
            spread("Microdynamics (LDR)", record.ldr_db, "dB", "dB"),
            balance,
            song("The loudest", record.loudest),
            song("The least dynamic (lowest PLR)", record.least_dynamic),
        ]
        .into_iter()
        .flatten()
        .collect()
    }

    fn target_table(&self, loudest: Option<usize>, names: &[String]) -> String {
        let window = &self.target.window;
        // Of an album's quieter songs the document asks nothing but that they stay below the loudest.
        let may_be_quieter =
            |song: usize| self.target.of_loudest && loudest.is_some_and(|loudest| loudest != song);
        let verdicts: Vec<_> = self
            .songs
            .iter()
            .enumerate()
            .map(|(index, song)| {
                let mut verdict = window.judge_file(&song.readings);
                if verdict.loudness == Judgement::Below && may_be_quieter(index) {
                    verdict.loudness = Judgement::In;
                }
                verdict
            })
            .collect();
        let word = |judgement: Judgement| judgement.word().to_owned();
        let mut columns = vec![
            Column {
                heading: "loudness",
                unit: "",
                cells: verdicts
                    .iter()
                    .map(|verdict| word(verdict.loudness))
                    .collect(),
            },
            Column {
                heading: "true peak",
                unit: "",
                cells: verdicts
                    .iter()
                    .map(|verdict| word(verdict.true_peak))
                    .collect(),
            },
        ];
        if window.short_term_max_lufs.is_some() {
            columns.push(Column {
                heading: "highest short-term",
                unit: "",
                cells: verdicts
                    .iter()
                    .map(|verdict| word(verdict.short_term_max))
                    .collect(),
            });
        }
        let BuiltIn { document, note, .. } = self.target;
        let caption = format!("Target: {}", window.name);
        table(&caption, ("song", names), &columns) + &paragraph(&format!("{document}: {note}."))
    }

    fn playback_table(&self, record: &Record, names: &[String]) -> String {
        let cells = |of: &dyn Fn(usize) -> Option<f64>| -> Vec<String> {
            (0..self.songs.len())
                .map(|index| tenths(of(index)))
                .collect()
        };
        let played = |index: usize| record.played[index];
        let columns = [
            Column {
                heading: "gain as a track",
                unit: "dB",
                cells: cells(&|index| Some(played(index).as_track?.gain_db)),
            },
            Column {
                heading: "played as a track",
                unit: "LUFS",
                cells: cells(&|index| Some(played(index).as_track?.loudness_lufs)),
            },
            Column {
                heading: "unused peak",
                unit: "dB",
                cells: cells(&|index| Some(played(index).as_track?.unused_peak_db)),
            },
            Column {
                heading: "gain as an album",
                unit: "dB",
                cells: cells(&|index| played(index).album_gain_db),
            },
            Column {
                heading: "played as an album",
                unit: "LUFS",
                cells: cells(&|index| played(index).album_lufs),
            },
        ];
        let caption = format!(
            "Playback levelled to {:.1} LUFS: each song by itself, or the album with its loudest song \
             at that level. What is quieter is turned up as far as a true peak of −1 dBTP. Unused peak: how far \
             below that the peaks then lie",
            self.playback_lufs
        );
        table(&caption, ("song", names), &columns)
    }

    fn song(&self, song: &Song, title: &str, id: &str) -> Drawn {
        let mut html = format!(
            "<section class=\"song\" aria-labelledby=\"{id}\">\n<h2 id=\"{id}\">{}</h2>\n",
            text(title)
        );
        let told = cautions(song, &self.target.window, self.playback_lufs);
        if !told.is_empty() {
            html += "<div class=\"cautions\">\n<h3>Cautions</h3>\n";
            html += &list(&told);
            html += "</div>\n";
        }
        let against = song.against.as_ref();
        let reference = against.map(|against| &against.reference);
        let reference = reference.or(self.reference.as_ref());
        html += "<h3>History</h3>\n";
        html += &picture::history(song, &format!("{id}-history"))?;
        html += "<h3>Loudness against PLR</h3>\n";
        html += &picture::plane(song, reference, &self.target.window, &format!("{id}-plane"))?;
        html += "<h3>Balance</h3>\n";
        html += &picture::balance(song, reference, &format!("{id}-balance"))?;
        html += &regions(song);
        if let Some(against) = &song.against {
            html += "<h3>Beside the reference</h3>\n";
            html += &beside(against);
        }
        if let Some(trial) = &song.trial {
            html += "<h3>After the encoder</h3>\n";
            html += &paragraph(&trial.sentence());
            html += &encoder_table(&Row::all(trial));
        }
        Ok(html + "</section>\n")
    }
}

fn regions(song: &Song) -> String {
    let names: Vec<String> = REGIONS.iter().map(|(_, name)| (*name).to_owned()).collect();
    let cells = |values: &[Option<f64>; 4]| values.iter().copied().map(tenths).collect();
    let mut columns = vec![Column {
        heading: "crest factor",
        unit: "dB",
        cells: cells(&song.band_crest_db),
    }];
    if let Some(Against {
        profile,
        reference,
        comparison,
        ..
    }) = &song.against
    {
        let crest_db = |of| std::array::from_fn(|region| comparison.crest_db(of, region));
        columns[0].heading = "crest factor, whole song";
        columns.push(Column {
            heading: "crest factor, part",
            unit: "dB",
            cells: cells(&crest_db(profile)),
        });
        columns.push(Column {
            heading: "crest factor, reference",
            unit: "dB",
            cells: cells(&crest_db(reference)),
        });
        columns.push(Column {
            heading: "song less reference at equal loudness",
            unit: "dB",
            cells: cells(&comparison.region_difference_db),
        });
    }
    table(
        "Density and balance by region. Crest factor: true peak less RMS of single seconds, the mean of \
         the middle half; the smaller, the denser",
        ("region", &names),
        &columns,
    )
}

fn beside(against: &Against) -> String {
    let reference = &against.reference;
    let mut html = paragraph(&format!(
        "The song from {} beside {} from {}.",
        part_in_words(&against.profile.part),
        reference.name,
        part_in_words(&reference.part)
    ));
    if against.reference_lifted {
        html += &paragraph(&format!("{} is {ONE_BESIDE_TWO}.", reference.name));
    }
    if against.comparison.same {
        return html + &paragraph("Nothing that is measured sets song and reference apart.");
    }
    let told: Vec<String> = against
        .findings
        .iter()
        .map(|finding| finding.sentence.clone())
        .collect();
    html += &if told.is_empty() {
        paragraph(nothing_apart(against.comparison.suggestion.as_ref()))
    } else {
        list(&told)
    };
    let mut shelves = shelves(against.comparison.suggestion.as_ref());
    shelves.replace_range(..1, "S");
    let _ = writeln!(html, "{}", paragraph(&(shelves + ".")).trim_end());
    html
}

/// The same numbers, rounded as `crestline measure` rounds them.
fn numbers(songs: &[Song]) -> Vec<Column<'static>> {
    let column = |heading, unit, cell: fn(&Song) -> String| Column {
        heading,
        unit,
        cells: songs.iter().map(cell).collect(),
    };
    vec![
        column("length", "min:s", |song| {
            minutes_and_seconds(song.measured.duration_s)
        }),
        column("loudness", "LUFS", |song| {
            tenths(song.measured.measures.integrated_lufs)
        }),
        column("range", "LU", |song| {
            tenths(song.measured.measures.loudness_range_lu)
        }),
        column("highest short-term", "LUFS", |song| {
            tenths(song.measured.measures.short_term_max_lufs)
        }),
        column("true peak", "dBTP", |song| {
            hundredths(song.measured.measures.true_peak_dbtp)
        }),
        column("PLR", "dB", |song| tenths(song.measured.measures.plr_db)),
        column("least PLR, 3 s", "dB", |song| {
            tenths(song.measured.measures.short_term_plr_min_db)
        }),
        column("LDR", "dB", |song| tenths(song.measured.measures.ldr_db)),
    ]
}

fn region_table(record: &Record, names: &[String]) -> String {
    let columns: Vec<Column<'_>> = REGIONS
        .iter()
        .enumerate()
        .map(|(region, (_, heading))| Column {
            heading,
            unit: "dB",
            cells: record
                .regions_db
                .iter()
                .map(|song| tenths(song[region]))
                .collect(),
        })
        .collect();
    let caption = "Balance: each song less the median of all, at equal loudness";
    table(caption, ("song", names), &columns)
}

fn encoder_table(rows: &[Row]) -> String {
    let names: Vec<String> = rows.iter().map(|row| row.name.clone()).collect();
    let column = |heading, unit, cell: fn(&Row) -> &String| Column {
        heading,
        unit,
        cells: rows.iter().map(cell).cloned().collect(),
    };
    let columns = [
        column("rate", "kbit/s", |row| &row.kbps),
        column("true peak", "dBTP", |row| &row.true_peak),
        column("overshoot", "dB", |row| &row.overshoot),
        column("samples over full scale", "", |row| &row.over),
        column("ceiling for −1 dBTP", "dBTP", |row| &row.ceiling),
    ];
    table("Encoded and decoded again", ("as", &names), &columns)
}
