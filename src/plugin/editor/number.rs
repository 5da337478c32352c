//! Numbers as the editor writes them: fixed decimals, the true minus sign, a dash where there is
//! nothing to say.

use egui::{Align2, Color32, Painter, Pos2, Rect};

use super::theme::font;

/// Stands for a value that is not known.
pub const NONE: &str = "—";
/// Levels below this are silence, whatever their reference: 16 bits do not reach down
/// there.
const SILENCE_DB: f64 = -100.0;
const MINUS: char = '−';
/// Keeps a value and its unit on one line.
const SPACE: char = '\u{a0}';

/// `value` with a fixed number of decimals, such as `−14.2`; [`NONE`] where it is missing or not
/// finite.
///
/// What rounds to zero has no sign.
pub fn fixed(value: Option<f64>, decimals: usize) -> String {
    written(value, decimals, false)
}

/// What the user has set, in tenths: `−14`, but `−14.5`.
pub fn plain(value: f64) -> String {
    let tenths = (10.0 * value).round();
    fixed(Some(value), usize::from(tenths % 10.0 != 0.0))
}

/// By how much `to` is more than `from`, both as they are [written](fixed): so that it never
/// contradicts the figures beside it.
pub fn change(from: Option<f64>, to: Option<f64>, decimals: usize) -> Option<f64> {
    let as_written = |value: Option<f64>| format!("{:.decimals$}", value?).parse::<f64>().ok();
    as_written(to)
        .zip(as_written(from))
        .map(|(to, from)| to - from)
}

/// As [`fixed`], with a plus before what is above zero: for changes.
pub fn signed(value: Option<f64>, decimals: usize) -> String {
    written(value, decimals, true)
}

/// As [`fixed`], followed by the unit, such as `−14.2 LUFS`. A missing value has no unit.
pub fn with_unit(value: Option<f64>, decimals: usize, unit: &str) -> String {
    let mut text = fixed(value, decimals);
    if text != NONE {
        text.push(SPACE);
        text.push_str(unit);
    }
    text
}

/// A level that is one: further down lies only what filters leave of silence.
pub fn level(value: Option<f64>) -> Option<f64> {
    value.filter(|level| *level > SILENCE_DB)
}

/// A frequency in three figures or so: `120 Hz`, `6.3 kHz`, `12 kHz`.
pub fn frequency(hz: f64) -> String {
    // Where the rounded figure would no longer fit the form, the next form takes over.
    match hz {
        hz if hz < 999.5 => with_unit(Some(hz), 0, "Hz"),
        hz if hz < 9950.0 => with_unit(Some(hz / 1000.0), 1, "kHz"),
        hz => with_unit(Some(hz / 1000.0), 0, "kHz"),
    }
}

/// A time in minutes and seconds, or hours, minutes and seconds: `3:12`, `1:03:12`. Fractions are
/// cut off, as clocks do.
pub fn clock(seconds: Option<f64>) -> String {
    let Some(seconds) = seconds.filter(|seconds| seconds.is_finite()) else {
        return NONE.into();
    };
    let whole = seconds.abs().floor() as i64;
    let sign = if seconds < 0.0 && whole > 0 {
        "−"
    } else {
        ""
    };
    let (hours, minutes, seconds) = (whole / 3600, whole / 60 % 60, whole % 60);
    if hours > 0 {
        format!("{sign}{hours}:{minutes:02}:{seconds:02}")
    } else {
        format!("{sign}{minutes}:{seconds:02}")
    }
}

/// Writes `text` so that it ends at `right_centre`, and returns the space it takes.
///
/// The digits of the editor's font are equally wide, so numbers of equal decimals written with the
/// same `right_centre.x` stand digit under digit.
pub fn right(
    painter: &Painter,
    right_centre: Pos2,
    text: String,
    size_pt: f32,
    colour: Color32,
) -> Rect {
    painter.text(
        right_centre,
        Align2::RIGHT_CENTER,
        text,
        font(painter.ctx(), size_pt),
        colour,
    )
}

fn written(value: Option<f64>, decimals: usize, plus: bool) -> String {
    let Some(value) = value.filter(|value| value.is_finite()) else {
        return NONE.into();
    };
    let size = format!("{:.decimals$}", value.abs());
    let zero = size.bytes().all(|byte| matches!(byte, b'0' | b'.'));
    let mut text = String::with_capacity(size.len() + MINUS.len_utf8());
    if !zero && value < 0.0 {
        text.push(MINUS);
    } else if !zero && plus {
        text.push('+');
    }
    text.push_str(&size);
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_has_fixed_decimals_and_a_true_minus() {
        assert_eq!(fixed(Some(-14.249), 1), "\u{2212}14.2");
        assert_eq!(fixed(Some(9.96), 1), "10.0");
        assert_eq!(fixed(Some(3.0), 0), "3");
        assert_eq!(signed(Some(0.7), 1), "+0.7");
        assert_eq!(signed(Some(-0.7), 1), "\u{2212}0.7");
        assert_eq!(with_unit(Some(-1.0), 1, "dBTP"), "\u{2212}1.0\u{a0}dBTP");
    }

    #[test]
    fn what_is_set_has_a_decimal_only_where_it_needs_one() {
        for (value, text) in [
            (-14.0, "−14"),
            (-14.5, "−14.5"),
            (-13.96, "−14"),
            (0.0, "0"),
        ] {
            assert_eq!(plain(value), text);
        }
    }

    #[test]
    fn what_rounds_to_zero_has_no_sign() {
        for value in [-0.0, 0.0, -0.04, 0.04] {
            assert_eq!(fixed(Some(value), 1), "0.0");
            assert_eq!(signed(Some(value), 1), "0.0");
        }
        assert_eq!(fixed(Some(-0.06), 1), "\u{2212}0.1");
    }

    #[test]
    fn what_is_not_known_is_a_dash() {
        for value in [None, Some(f64::NAN), Some(f64::NEG_INFINITY)] {
            assert_eq!(fixed(value, 1), "\u{2014}");
            assert_eq!(signed(value, 1), "\u{2014}");
            assert_eq!(with_unit(value, 1, "LUFS"), "\u{2014}");
            assert_eq!(clock(value), "\u{2014}");
        }
    }

    #[test]
    fn silence_has_no_level() {
        assert_eq!(level(Some(-99.0)), Some(-99.0));
        assert_eq!(level(Some(-159.7)), None);
        assert_eq!(level(None), None);
    }

    #[test]
    fn a_frequency_changes_unit_at_a_thousand() {
        assert_eq!(frequency(120.4), "120\u{a0}Hz");
        assert_eq!(frequency(999.4), "999\u{a0}Hz");
        assert_eq!(frequency(999.6), "1.0\u{a0}kHz");
        assert_eq!(frequency(6300.0), "6.3\u{a0}kHz");
        assert_eq!(frequency(9960.0), "10\u{a0}kHz");
        assert_eq!(frequency(16000.0), "16\u{a0}kHz");
    }

    #[test]
    fn a_clock_cuts_fractions_off() {
        assert_eq!(clock(Some(0.0)), "0:00");
        assert_eq!(clock(Some(-0.5)), "0:00");
        assert_eq!(clock(Some(192.9)), "3:12");
        assert_eq!(clock(Some(3792.0)), "1:03:12");
        assert_eq!(clock(Some(-61.0)), "\u{2212}1:01");
    }

    /// Every glyph the editor writes is in its fonts, and digits take equal space at every size and
    /// scale in use.
    #[test]
    fn the_font_has_the_glyphs_and_equal_digits() {
        use super::super::theme::{self, BODY_PT, FIGURE_PT, LABEL_PT, SMALL_PT, VALUE_PT};
        let ctx = egui::Context::default();
        theme::install(&ctx);
        for scale in [1.0, 1.25, 1.5, 2.0] {
            ctx.set_pixels_per_point(scale);
            ctx.run_ui(egui::RawInput::default(), |_| {})
                .textures_delta
                .clear();
            ctx.fonts_mut(|fonts| {
                for size_pt in [SMALL_PT, LABEL_PT, BODY_PT, VALUE_PT, FIGURE_PT] {
                    let font = egui::FontId::proportional(size_pt);
                    let mut width = |text: &str| {
                        fonts
                            .layout_no_wrap(text.into(), font.clone(), Color32::WHITE)
                            .size()
                            .x
                    };
                    let eight = width("8888");
                    for digit in '0'..='9' {
                        let text = String::from(digit).repeat(4);
                        assert_eq!(
                            width(&text).to_bits(),
                            eight.to_bits(),
                            "{digit} at {size_pt}"
                        );
                    }
                    for glyph in "0123456789+−—–.,:·…±×≥≤≈%°∞→←↑↓▾▴▸\u{a0}".chars()
                    {
                        assert!(
                            fonts.has_glyph(&font, glyph),
                            "{glyph} (U+{:04X})",
                            u32::from(glyph)
                        );
                    }
                }
            });
        }
    }
}
