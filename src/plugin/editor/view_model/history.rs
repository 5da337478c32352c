//! The history strip: which curves, in which range, and its values in words.

use crate::editor::number::{clock, fixed, level, with_unit};
use crate::editor::theme::Signal;
use crate::editor::view_model::axis::Axis;
use crate::editor::view_model::bands::{COLUMNS, distortion_in_words};
use crate::params::CrestlineParams;
use crestline_core::handover::Column;
use crestline_core::session::{Limits, Pixel, Recorded, Span, TargetWindow, Trace};

/// One curve of the strip.
#[derive(Clone, Copy, Debug)]
pub struct Curve {
    /// What it shows.
    pub column: Column,
    /// Whose hue it has.
    pub signal: Signal,
    /// Its width, points.
    pub width: f32,
}

/// The curves of loudness, in the order they are drawn.
pub const CURVES: [Curve; 3] = [
    Curve {
        column: Column::ShortTermInput,
        signal: Signal::Input,
        width: 2.0,
    },
    Curve {
        column: Column::ShortTermClean,
        signal: Signal::Clean,
        width: 1.25,
    },
    Curve {
        column: Column::ShortTermOutput,
        signal: Signal::Output,
        width: 2.0,
    },
];

/// What the height of the lane of microdynamics stands for at least, dB: what songs have, so that
/// lanes can be compared.
const LDR_DB: [f64; 2] = [2.0, 6.0];
/// The axis of microdynamics.
pub const LDR: Axis = Axis::new(LDR_DB, 1.0, 4.0);

/// A window of loudness narrower than this is for the whole of a song alone, LU: hardly 3 s of any
/// would lie in it.
const NARROW_LU: f64 = 2.0;

/// What the loudness of each 3 s is held against: the window's own limit for it; where it has none,
/// its limits for the whole, unless they leave a song no room.
pub fn short_term_limits(target: &TargetWindow) -> Limits {
    let limits = target.loudness_lufs;
    match (target.short_term_max_lufs, limits.low.zip(limits.high)) {
        (Some(max), _) => Limits::at_most(max),
        (None, Some((low, high))) if high - low < NARROW_LU => Limits::OPEN,
        (None, _) => limits,
    }
}

/// Gains nearer to 0 dB than this are not drawn, dB.
pub const LEAST_GAIN_DB: f32 = -0.05;

/// What the height of the lane of reduction may stand for, dB.
const REACHES_DB: [f32; 4] = [4.0, 8.0, 16.0, 32.0];

/// What the lane of reduction stands for: the least that holds the lowest gain, dB, positive.
pub fn reduction_reach_db(gains: &Trace) -> f32 {
    let lowest = gains.pixels.iter().filter_map(|pixel| match *pixel {
        Pixel::Values { min, .. } => Some(min),
        _ => None,
    });
    reach_db(REACHES_DB, lowest.fold(0.0, f32::min))
}

/// The least of some reaches (rising) that holds a gain, dB; the last where none does.
pub fn reach_db(reaches_db: [f32; 4], lowest_db: f32) -> f32 {
    let [.., last] = reaches_db;
    reaches_db
        .into_iter()
        .find(|reach_db| -lowest_db <= *reach_db)
        .unwrap_or(last)
}

/// Loudness below this is not worth room, LUFS.
const FLOOR_LUFS: f64 = -42.0;

/// The range of what the curves show.
pub fn extent(traces: &[Trace]) -> Option<[f64; 2]> {
    let values = traces
        .iter()
        .flat_map(|trace| &trace.pixels)
        .filter_map(|pixel| match *pixel {
            Pixel::Values { last, .. } => Some(f64::from(last)),
            _ => None,
        });
    let range = values.fold(None, |range: Option<[f64; 2]>, value| {
        let [low, high] = range.unwrap_or([value; 2]);
        Some([low.min(value), high.max(value)])
    });
    range.map(|[low, high]| [low.max(FLOOR_LUFS).min(high - 1.0), high])
}

/// The range of microdynamics.
pub fn ldr_extent(trace: &Trace) -> Option<[f64; 2]> {
    let [least, most] = LDR_DB;
    let [low, high] = extent(std::slice::from_ref(trace))?;
    // A single value has a range of one below it.
    Some([low.min(least).max(0.0), high.max(most)])
}

/// True peak that counts as passed: the limiter's ceiling, or full scale without it; and what the
/// target allows, if that is less.
pub fn ceiling(params: &CrestlineParams, target: &TargetWindow) -> f64 {
    let limited = if params.limiter.on.value() {
        params.limiter.ceiling.value().into()
    } else {
        0.0
    };
    target
        .ceiling_dbtp
        .map_or(limited, |dbtp| dbtp.min(limited))
}

/// A stretch of time as it is written.
pub fn span_in_words(span: Span) -> String {
    format!(
        "{} to {}",
        clock(Some(span.start_s)),
        clock(Some(span.end_s))
    )
}

/// The values of a moment that the strip draws, in one line, and where they are written: each in
/// columns of its own, so that nothing moves with the figures.
pub fn values_in_columns(time_s: f64, recorded: &Recorded) -> [(String, Option<Signal>); 7] {
    let value = |column: Column| value_of(recorded, column);
    let lufs = |name: &str, column| format!("{name} {}", fixed(value(column), 1));
    [
        (clock(Some(time_s)), None),
        (
            lufs("output", Column::ShortTermOutput),
            Some(Signal::Output),
        ),
        (lufs("clean", Column::ShortTermClean), Some(Signal::Clean)),
        (
            lufs("input", Column::ShortTermInput) + " LUFS",
            Some(Signal::Input),
        ),
        (
            format!(
                "microdynamics {}",
                with_unit(value(Column::LdrOutput), 1, "dB")
            ),
            None,
        ),
        (
            format!(
                "limiter {}",
                with_unit(value(Column::OutputLimiterGain), 1, "dB")
            ),
            None,
        ),
        (
            format!(
                "peak {}",
                with_unit(value(Column::TruePeakOutput), 1, "dBTP")
            ),
            None,
        ),
    ]
}

/// What was measured; levels of silence are none, and a limiter's gain says nothing of it.
fn value_of(recorded: &Recorded, column: Column) -> Option<f64> {
    let value = |column: Column| recorded.point.get(column).map(f64::from);
    match column {
        Column::CleanLimiterGain | Column::OutputLimiterGain => {
            level(value(Column::TruePeakOutput)).and(value(column))
        }
        _ if matches!(column.unit(), "LUFS" | "dBTP") => level(value(column)),
        _ => value(column),
    }
}

/// Everything that was measured at a moment, in four lines.
pub fn values_in_words(time_s: f64, recorded: &Recorded) -> Vec<String> {
    let value = |column: Column| value_of(recorded, column);
    let written = |column: Column| with_unit(value(column), 1, column.unit());
    let three = |columns: [Column; 3]| {
        let [input, clean, output] = columns;
        format!(
            "input {}  clean {}  output {}",
            fixed(value(input), 1),
            fixed(value(clean), 1),
            written(output)
        )
    };
    let song = value(Column::SongPosition)
        .map(|song| format!("   song {}", clock(Some(song))))
        .unwrap_or_default();
    let stopped = if value(Column::Playing).is_some_and(|playing| playing < 0.5) {
        "   stopped"
    } else {
        ""
    };
    let bands = COLUMNS
        .map(|column| fixed(value(column).map(|reduction| -reduction), 1))
        .join(" ");
    vec![
        format!("{}{song}{stopped}", clock(Some(time_s))),
        format!(
            "loudness  {}   momentary {}",
            three([
                Column::ShortTermInput,
                Column::ShortTermClean,
                Column::ShortTermOutput
            ]),
            written(Column::MomentaryOutput)
        ),
        format!(
            "PLR  {}   microdynamics  {}",
            three([Column::PlrInput, Column::PlrClean, Column::PlrOutput]),
            three([Column::LdrInput, Column::LdrClean, Column::LdrOutput])
        ),
        format!(
            "true peak {}   limiter  clean {}  output {}   bands {bands} dB   distortion {}",
            written(Column::TruePeakOutput),
            fixed(value(Column::CleanLimiterGain), 1),
            written(Column::OutputLimiterGain),
            distortion_in_words(value(Column::Distortion), 1)
        ),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quiet_ends_do_not_squeeze_the_song() {
        let value = |last| Pixel::Values {
            min: last,
            max: last,
            last,
        };
        let trace = Trace {
            pixels: vec![value(-70.0), Pixel::Unknown, value(-10.0)],
            ..Trace::default()
        };
        assert_eq!(extent(&[trace]), Some([-42.0, -10.0]));
        assert_eq!(extent(&[Trace::default()]), None);
    }

    #[test]
    fn the_lane_of_reduction_holds_the_lowest_gain() {
        let reach_db = |lowest: f32| {
            let pixel = Pixel::Values {
                min: lowest,
                max: 0.0,
                last: 0.0,
            };
            reduction_reach_db(&Trace {
                pixels: vec![Pixel::Unknown, pixel],
                ..Trace::default()
            })
        };
        assert_eq!(reach_db(0.0), 4.0);
        assert_eq!(reach_db(-4.0), 4.0);
        assert_eq!(reach_db(-4.1), 8.0);
        assert_eq!(reach_db(-50.0), 32.0);
    }

    /// EBU R 128 s1 limits 3 s of an advertisement to −18 LUFS, beside the whole.
    #[test]
    fn three_seconds_are_held_against_what_is_meant_for_them() {
        let of = |loudness: [f64; 2], short_term_max_lufs| {
            let [low, high] = loudness.map(Some);
            let window = TargetWindow {
                loudness_lufs: Limits { low, high },
                short_term_max_lufs,
                ..TargetWindow::default()
            };
            short_term_limits(&window)
        };
        assert_eq!(of([-23.5, -22.5], Some(-18.0)), Limits::at_most(-18.0));
        assert_eq!(of([-16.2, -15.8], None), Limits::OPEN);
        let [low, high] = [Some(-11.0), Some(-9.0)];
        assert_eq!(of([-11.0, -9.0], None), Limits { low, high });
    }

    #[test]
    fn without_the_limiter_full_scale_counts_unless_the_target_allows_less() {
        let params = CrestlineParams::default();
        let allowing = |ceiling_dbtp| TargetWindow {
            ceiling_dbtp,
            ..TargetWindow::default()
        };
        assert!(ceiling(&params, &allowing(None)).abs() < 1e-9);
        assert!(ceiling(&params, &allowing(Some(1.0))).abs() < 1e-9);
        assert_eq!(ceiling(&params, &allowing(Some(-2.0))), -2.0);
    }

    #[test]
    fn a_stretch_is_told_by_the_clock() {
        assert_eq!(
            span_in_words(Span {
                start_s: 12.3,
                end_s: 75.0
            }),
            "0:12 to 1:15"
        );
    }
}
