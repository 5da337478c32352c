//! The table of numbers: one row a measure, one column a signal.

use crate::editor::number;
use crestline_core::handover::Snapshot;
use crestline_core::measure::{AES17_OFFSET_DB, Readings};
use crestline_core::session::turn_down;

/// One measure: how it is called, explained, written and read.
struct Measure {
    name: &'static str,
    unit: &'static str,
    decimals: usize,
    tip: &'static str,
    value: fn(&Readings) -> Option<f64>,
}

/// How many of the rows are always wanted.
pub const WANTED: usize = 8;

/// The measures from the most to the least wanted.
const MEASURES: [Measure; 14] = [
    Measure {
        name: "short-term",
        unit: "LUFS",
        decimals: 1,
        tip: "Loudness now: that of the last 3 s.",
        value: |r| r.placed().short_term_lufs,
    },
    Measure {
        name: "integrated",
        unit: "LUFS",
        decimals: 1,
        tip: "Loudness of the song so far, without its quiet parts; one channel reads 3.01 LU below \
              the same signal on both of two.",
        value: |r| r.integrated_lufs,
    },
    Measure {
        name: "loudest 3 s",
        unit: "LUFS",
        decimals: 1,
        tip: "Maximum short-term loudness so far.",
        value: |r| r.short_term_max_lufs,
    },
    Measure {
        name: "true peak",
        unit: TRUE_PEAK,
        decimals: 1,
        tip: "Highest peak so far, also between the samples.",
        value: |r| r.true_peak_dbtp,
    },
    Measure {
        name: "PLR",
        unit: "dB",
        decimals: 1,
        tip: "Peak-to-loudness ratio: true peak less integrated loudness.",
        value: |r| r.plr_db,
    },
    Measure {
        name: MICRODYNAMICS,
        unit: "dB",
        decimals: 1,
        tip: "How far the beat stands out of its surroundings (LDR); it falls when limiting softens \
              the beat. \"Sparse\": most of the energy falls into less than a twentieth of the time, \
              and no beat can be told.",
        value: |r| r.ldr_db,
    },
    Measure {
        name: RANGE,
        unit: "LU",
        decimals: 1,
        tip: "Loudness range: from the quiet to the loud parts of the song; it needs a minute to settle.",
        value: |r| r.loudness_range_lu,
    },
    Measure {
        name: AFTER_TURN_DOWN,
        unit: "dB",
        decimals: 1,
        tip: "Lowest short-term PLR so far: how squashed the densest 3 s are. Tails, hiss and pauses, \
              more than 10 LU below the programme, do not count.",
        value: |r| r.short_term_plr_min_db,
    },
    Measure {
        name: "momentary",
        unit: "LUFS",
        decimals: 1,
        tip: "Loudness of the last 0.4 s.",
        value: |r| r.placed().momentary_lufs,
    },
    Measure {
        name: "short-term PLR",
        unit: "dB",
        decimals: 1,
        tip: "True peak of the last 3 s less their loudness.",
        value: |r| r.short_term_plr_db,
    },
    Measure {
        name: "RMS",
        unit: "dBFS",
        decimals: 1,
        tip: "RMS of the last 3 s; a full-scale square wave reads 0.",
        value: |r| r.rms_3s_dbfs,
    },
    Measure {
        name: "crest",
        unit: "dB",
        decimals: 1,
        tip: "Crest factor of the last 3 s: their highest sample less their RMS.",
        value: |r| r.crest_factor_3s_db,
    },
    Measure {
        name: "RMS AES17",
        unit: "dBFS",
        decimals: 1,
        tip: "RMS of the last 3 s after AES17; a full-scale sine reads 0.",
        value: |r| r.rms_3s_dbfs.map(|rms| rms + AES17_OFFSET_DB),
    },
    Measure {
        name: "clipped runs",
        unit: "",
        decimals: 0,
        tip: "Times that three or more samples in a row stood at full scale, or at one and the same \
              highest level just below.",
        value: |r| (r.frames > 0).then_some(r.clipped_runs as f64),
    },
];
/// The row that has to settle.
const RANGE: &str = "range";
/// The row that may be too sparse to be told.
const MICRODYNAMICS: &str = "microdynamics";
/// The unit of levels that may lie above full scale, where their sign is written.
const TRUE_PEAK: &str = "dBTP";
/// The rows of levelled playback stand before this one.
const AFTER_TURN_DOWN: &str = "lowest PLR";

/// One row as it is written.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// What is measured.
    pub name: &'static str,
    /// Its unit; empty for a count.
    pub unit: String,
    /// One sentence on it.
    pub tip: &'static str,
    /// Input, clean, output.
    pub cells: [String; 3],
    /// Which of them are peaks above full scale.
    pub over: [bool; 3],
    /// Output less input, with its sign.
    pub change: String,
    /// False while the value cannot be relied on.
    pub settled: bool,
}

impl Row {
    /// The row as one sentence, for screen readers.
    pub fn spoken(&self) -> String {
        let [input, clean, output] = &self.cells;
        let unsettled = if self.settled {
            ""
        } else {
            ", not settled yet"
        };
        format!(
            "{}: input {input}, clean {clean}, output {output} {}, change {}{unsettled}",
            self.name, self.unit, self.change
        )
    }
}

/// All rows, from the most to the least wanted. `playback_lufs` is the loudness to which playback
/// is levelled.
pub fn rows(snapshot: &Snapshot, playback_lufs: f64) -> Vec<Row> {
    let points = [&snapshot.input, &snapshot.clean, &snapshot.output].map(|point| &point.readings);
    let mut rows = Vec::with_capacity(MEASURES.len() + 2);
    for measure in &MEASURES {
        if measure.name == AFTER_TURN_DOWN {
            rows.extend(turned_down(&points, playback_lufs));
        }
        let mut values = points.map(measure.value);
        let sparse = points.map(|r| measure.name == MICRODYNAMICS && r.ldr_sparse);
        if ["LUFS", TRUE_PEAK, "dBFS"].contains(&measure.unit) {
            values = values.map(number::level);
        }
        rows.push(Row {
            name: measure.name,
            unit: measure.unit.into(),
            tip: measure.tip,
            cells: std::array::from_fn(|point| match measure.unit {
                _ if sparse[point] => "sparse".to_owned(),
                TRUE_PEAK => number::signed(values[point], measure.decimals),
                _ => number::fixed(values[point], measure.decimals),
            }),
            over: values.map(|value| measure.unit == TRUE_PEAK && value.is_some_and(is_over)),
            change: change(values, measure.decimals),
            settled: measure.name != RANGE
                || values.iter().all(Option::is_none)
                || points.iter().all(|r| r.loudness_range_settled),
        });
    }
    rows
}

/// Above full scale as it is written, with one decimal.
fn is_over(dbtp: f64) -> bool {
    dbtp >= 0.05
}

fn change([input, _, output]: [Option<f64>; 3], decimals: usize) -> String {
    number::signed(number::change(input, output, decimals), decimals)
}

/// What playback levelled to one loudness does, and what it leaves.
fn turned_down(points: &[&Readings; 3], playback_lufs: f64) -> [Row; 2] {
    let turned = points.map(|r| turn_down(playback_lufs, r.integrated_lufs, r.true_peak_dbtp));
    let gains = turned.map(|turned| turned.map(|turned| turned.gain_db));
    let room = turned.map(|turned| turned.map(|turned| turned.unused_peak_db));
    let level = number::plain(playback_lufs);
    [
        Row {
            name: "playback gain",
            unit: format!("dB, {level} LUFS"),
            tip: "What playback levelled to that loudness does to the level, dB: down where it is louder, up where it is quieter, as far as −1 dBTP. The loudness is set under ⋯, and −14 LUFS is common practice.",
            cells: gains.map(|gain| number::signed(gain, 1)),
            over: [false; 3],
            change: change(gains, 1),
            settled: true,
        },
        Row {
            name: "peak room",
            unit: "dB".into(),
            tip: "Room that this gain leaves between the highest peak and −1 dBTP, unused: pushing \
                  has paid for it with dynamics and plays no louder for it.",
            cells: room.map(|room| number::fixed(room, 1)),
            over: [false; 3],
            change: change(room, 1),
            settled: true,
        },
    ]
}

/// The table as tab-separated text, as spreadsheets read it: plain minus signs, empty cells for
/// what is not known.
pub fn as_text(rows: &[Row]) -> String {
    let mut text = String::from("measure\tunit\tinput\tclean\toutput\tchange\n");
    for row in rows {
        let unit = if row.settled {
            row.unit.clone()
        } else {
            format!("{} (not settled)", row.unit)
        };
        let [input, clean, output] = &row.cells;
        let cells = [row.name, &unit, input, clean, output, &row.change];
        let line = cells.join("\t").replace('−', "-").replace(number::NONE, "");
        text.push_str(&line);
        text.push('\n');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn played() -> Snapshot {
        let mut snapshot = Snapshot::default();
        for (point, level) in [
            (&mut snapshot.input, -16.4),
            (&mut snapshot.clean, -10.4),
            (&mut snapshot.output, -10.0),
        ] {
            point.readings.frames = 48_000;
            point.readings.integrated_lufs = Some(level);
            point.readings.loudness_range_lu = Some(2.9);
            point.readings.rms_3s_dbfs = Some(-20.0);
        }
        snapshot
    }

    fn row<'a>(rows: &'a [Row], name: &str) -> &'a Row {
        rows.iter().find(|row| row.name == name).unwrap()
    }

    #[test]
    fn what_is_not_known_is_a_dash_in_every_column() {
        for row in rows(&Snapshot::default(), -14.0) {
            assert_eq!(row.cells, ["—"; 3], "{}", row.name);
            assert_eq!(row.change, "—", "{}", row.name);
        }
    }

    #[test]
    fn a_peak_above_full_scale_has_its_sign_and_is_marked() {
        let mut snapshot = played();
        snapshot.input.readings.true_peak_dbtp = Some(-0.3);
        snapshot.clean.readings.true_peak_dbtp = Some(0.04);
        snapshot.output.readings.true_peak_dbtp = Some(1.42);
        let rows = rows(&snapshot, -14.0);
        let peak = row(&rows, "true peak");
        assert_eq!(peak.cells, ["−0.3", "0.0", "+1.4"]);
        assert_eq!(peak.over, [false, false, true]);
        assert_eq!(row(&rows, "integrated").over, [false; 3]);
    }

    #[test]
    fn a_row_has_its_three_values_and_the_change() {
        let rows = rows(&played(), -14.0);
        let integrated = row(&rows, "integrated");
        assert_eq!(integrated.cells, ["−16.4", "−10.4", "−10.0"]);
        assert_eq!(integrated.change, "+6.4");
        assert_eq!(integrated.unit, "LUFS");
        assert_eq!(row(&rows, "clipped runs").cells, ["0"; 3]);
        assert_eq!(row(&rows, "PLR").cells, ["—"; 3]);
    }

    /// AES17 6.3 takes a full-scale sine as reference, which lies 20·log10(√2) dB lower than a
    /// square wave.
    #[test]
    fn the_aes17_row_reads_three_decibels_more() {
        let rows = rows(&played(), -14.0);
        assert_eq!(row(&rows, "RMS").cells[0], "−20.0");
        assert_eq!(row(&rows, "RMS AES17").cells[0], "−17.0");
    }

    #[test]
    fn the_crest_is_that_of_the_3_s_of_the_rms_above_it() {
        let mut snapshot = played();
        snapshot.input.readings.crest_factor_db = Some(40.0);
        snapshot.input.readings.crest_factor_3s_db = Some(12.0);
        let rows = rows(&snapshot, -14.0);
        assert_eq!(row(&rows, "crest").cells, ["12.0", "—", "—"]);
    }

    #[test]
    fn sparse_material_is_called_so() {
        let mut snapshot = played();
        snapshot.output.readings.ldr_sparse = true;
        snapshot.input.readings.ldr_db = Some(3.0);
        let rows = rows(&snapshot, -14.0);
        assert_eq!(row(&rows, "microdynamics").cells, ["3.0", "—", "sparse"]);
        assert_eq!(row(&rows, "microdynamics").change, "—");
    }

    /// EBU R 128: the loudness range is not to be relied on within the first minute.
    #[test]
    fn the_range_is_flagged_until_it_has_settled() {
        assert!(
            row(&rows(&Snapshot::default(), -14.0), "range").settled,
            "a dash is not a value"
        );
        let mut snapshot = played();
        assert!(!row(&rows(&snapshot, -14.0), "range").settled);
        assert!(row(&rows(&snapshot, -14.0), "integrated").settled);
        for point in [
            &mut snapshot.input,
            &mut snapshot.clean,
            &mut snapshot.output,
        ] {
            point.readings.loudness_range_settled = true;
        }
        assert!(row(&rows(&snapshot, -14.0), "range").settled);
    }

    /// A loud master comes down to the level; a quiet one comes up, but only until its peaks are at
    /// −1 dBTP (AES TD1008).
    #[test]
    fn the_turn_down_is_told_for_each_signal_with_the_plr_it_leaves() {
        let mut snapshot = played();
        snapshot.input.readings.true_peak_dbtp = Some(-2.0);
        snapshot.output.readings.true_peak_dbtp = Some(-1.0);
        let rows = rows(&snapshot, -14.0);
        assert_eq!(row(&rows, "playback gain").cells, ["+1.0", "—", "−4.0"]);
        assert_eq!(row(&rows, "playback gain").unit, "dB, −14 LUFS");
        // −2 + 1 dBTP is all there is; −1 − 4 dBTP leaves 4 dB.
        assert_eq!(row(&rows, "peak room").cells, ["0.0", "—", "4.0"]);
        assert_eq!(row(&rows, "peak room").change, "+4.0");
    }

    #[test]
    fn the_copy_is_read_by_spreadsheets() {
        let text = as_text(&rows(&played(), -14.0));
        let line = text
            .lines()
            .find(|line| line.starts_with("integrated"))
            .unwrap();
        assert_eq!(line, "integrated\tLUFS\t-16.4\t-10.4\t-10.0\t+6.4");
        assert!(text.contains("PLR\tdB\t\t\t\t\n"));
        assert!(text.contains("range\tLU (not settled)\t2.9"));
    }
}
