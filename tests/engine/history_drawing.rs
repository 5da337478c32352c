//! The history is drawn and exported as it is.

#![expect(
    clippy::unwrap_used,
    reason = "a point that is missing is a failed test"
)]

use crestline_core::handover::{Column, EditorEnd, Grain, handover};
use crestline_core::session::{Excursion, History, Judgement, Limits, Pixel, Span, Trace};
use kit::recorded::{TENTH, record, recorded};
use proptest::prelude::*;

#[test]
fn gaps_unknown_values_and_the_time_outside_are_told_apart() {
    let (mut audio, editor) = handover();
    let history = History::new(editor.history());
    for tenth in 0..100 {
        record(&mut audio, -20.0, TENTH, !(30..60).contains(&tenth));
    }
    let mut trace = Trace::default();
    let span = Span {
        start_s: -1.0,
        end_s: 12.0,
    };
    history.trace(Column::ShortTermOutput, span, 13, &mut trace);
    assert_eq!((trace.start_s, trace.seconds_per_pixel), (-1.0, 1.0));
    let value = (-20.0_f64 + 0.3) as f32;
    let shown = Pixel::Values {
        min: value,
        max: value,
        last: value,
    };
    let expected = [
        vec![Pixel::Outside],
        [shown].repeat(3),
        [Pixel::Stopped].repeat(3),
        [shown].repeat(4),
        [Pixel::Outside].repeat(3),
    ];
    assert_eq!(trace.pixels, expected.concat());
    history.trace(Column::Distortion, span, 13, &mut trace);
    let unknown = trace
        .pixels
        .iter()
        .filter(|pixel| **pixel == Pixel::Unknown);
    assert_eq!(unknown.count(), 7);
    for (start_s, end_s) in [
        (1.0, 1.0),
        (2.0, 1.0),
        (f64::NAN, 1.0),
        (0.0, f64::INFINITY),
    ] {
        history.trace(Column::Distortion, Span { start_s, end_s }, 13, &mut trace);
        assert_eq!(trace.pixels, []);
    }
    history.trace(Column::Distortion, span, 0, &mut trace);
    assert_eq!(trace.pixels, []);
}

#[test]
fn moments_outside_a_window_are_found() {
    let (mut audio, editor) = handover();
    let history = History::new(editor.history());
    for level in [-10.0, -10.0, -8.0, -8.0, -10.0, -12.0, -9.9] {
        (0..10).for_each(|_| record(&mut audio, level - 0.1, TENTH, true));
    }
    let mut trace = Trace::default();
    history.trace(
        Column::ShortTermInput,
        Span {
            start_s: 0.0,
            end_s: 7.0,
        },
        7,
        &mut trace,
    );
    let outside: Vec<Excursion> = trace.outside(Limits::between(-11.0, -9.0)).collect();
    let above = Excursion {
        pixels: 2..4,
        side: Judgement::Above,
    };
    assert_eq!(
        outside,
        [
            above,
            Excursion {
                pixels: 5..6,
                side: Judgement::Below
            }
        ]
    );
    assert_eq!(trace.outside(Limits::OPEN).count(), 0);
}

/// What a trace must show, straight from its definition, one point at a time.
fn expected(reader: &EditorEnd, trace: &Trace, grain: Grain) -> Vec<Pixel> {
    let extent = reader.history().extent(grain);
    let tolerance = 1e-6;
    let pixel = |index: usize| {
        let start_s = trace.start_s + index as f64 * trace.seconds_per_pixel;
        let end_s = start_s + trace.seconds_per_pixel;
        let mut values = Vec::new();
        for number in extent.oldest..extent.end {
            let from_s = (number - extent.first) as f64 * grain.interval_s();
            let to_s = from_s + grain.interval_s();
            if to_s > start_s + tolerance && from_s < end_s - tolerance {
                values.push(
                    reader
                        .history()
                        .point(grain, number)
                        .unwrap()
                        .get(Column::ShortTermInput)
                        .unwrap(),
                );
            }
        }
        values.last().map_or(Pixel::Outside, |last| Pixel::Values {
            min: values.iter().copied().fold(f32::MAX, f32::min),
            max: values.iter().copied().fold(f32::MIN, f32::max),
            last: *last,
        })
    };
    (0..trace.pixels.len()).map(pixel).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Spans begin at odd places and pixels have odd lengths, so that no edge falls on a point's by
    /// chance.
    #[test]
    fn a_trace_shows_every_point_that_touches_a_pixel(
        points in 1_usize..2_000,
        start in -30.0..250.0_f64,
        length in 0.05..300.0_f64,
        width in 1_usize..200,
    ) {
        let (mut audio, editor) = handover();
        let history = History::new(editor.history());
        (0..points).for_each(|number| record(&mut audio, (number as f64 * 0.7).sin(), TENTH, true));
        let span = Span { start_s: start, end_s: start + length };
        let mut trace = Trace::default();
        history.trace(Column::ShortTermInput, span, width, &mut trace);
        prop_assert_eq!(trace.pixels.len(), width + 1);
        prop_assert!(trace.start_s <= start && trace.start_s + trace.seconds_per_pixel > start - 1e-9);
        // Nearer to a point's edge than this `expected` does not tell which side a pixel's is on.
        let on_a_points_edge = |pixel: usize| {
            let tenths = (trace.start_s + pixel as f64 * trace.seconds_per_pixel) / Grain::Fine.interval_s();
            (tenths - tenths.round()).abs() < 1e-4
        };
        prop_assume!(!(0..=trace.pixels.len()).any(on_a_points_edge));
        prop_assert_eq!(&trace.pixels, &expected(&editor, &trace, Grain::Fine));
    }

    /// A trace that is carried along while time goes by, and the span with it, is the one that
    /// would be drawn afresh.
    #[test]
    fn a_trace_carried_along_is_the_same_as_a_new_one(
        steps in prop::collection::vec((1_usize..400, -20.0..40.0_f64, any::<bool>()), 1..20),
        length in 5.0..2_500.0_f64,
        width in 1_usize..300,
    ) {
        let (mut audio, history) = recorded(17_000);
        let mut carried = Trace::default();
        let mut number = 17_000;
        let mut start_s = 0.0;
        for (points, moved_s, restart) in steps {
            for _ in 0..points {
                number += 1;
                record(&mut audio, f64::from(number), TENTH, number % 50 > 10);
            }
            if restart && points > 380 {
                audio.clear_history();
            }
            start_s += moved_s;
            let span = Span { start_s, end_s: start_s + length };
            history.trace(Column::PlrOutput, span, width, &mut carried);
            // The carried one keeps its scale to the last bit, whatever the rounding of the ends:
            // give the fresh one the same.
            let scale = carried.seconds_per_pixel;
            prop_assert!((scale * width as f64 / length - 1.0).abs() < 1e-9);
            let mut fresh = Trace::default();
            let first = Span { start_s: 0.0, end_s: scale * width as f64 };
            history.trace(Column::LdrOutput, first, width, &mut fresh);
            prop_assume!(fresh.seconds_per_pixel.to_bits() == scale.to_bits());
            history.trace(Column::PlrOutput, span, width, &mut fresh);
            prop_assert_eq!(&carried.pixels, &fresh.pixels);
        }
    }
}

#[test]
fn drawing_again_needs_no_new_room() {
    let (mut audio, history) = recorded(20_000);
    let mut trace = Trace::default();
    let view = |history: &History| Span {
        start_s: history.length_s() - 4_000.0,
        end_s: history.length_s(),
    };
    history.trace(Column::PlrOutput, view(&history), 512, &mut trace);
    let room = (trace.pixels.as_ptr(), trace.pixels.capacity());
    for number in 0..2_000 {
        record(&mut audio, f64::from(number), TENTH, true);
        history.trace(Column::PlrOutput, view(&history), 512, &mut trace);
        assert_eq!((trace.pixels.as_ptr(), trace.pixels.capacity()), room);
    }
}

/// RFC 4180: lines end in CRLF, cells are parted by commas, all lines have as many; there is
/// nothing that needs quotes.
#[test]
fn a_span_is_exported_as_comma_separated_values() {
    let (mut audio, editor) = handover();
    let history = History::new(editor.history());
    record(&mut audio, -20.0, TENTH, true);
    record(&mut audio, -0.1, TENTH, false);
    record(&mut audio, -7.0, TENTH, true);
    let mut bytes = Vec::new();
    let rows = history
        .write_csv(
            Span {
                start_s: 0.0,
                end_s: 0.2,
            },
            &mut bytes,
        )
        .unwrap();
    assert_eq!(rows, 2);
    let text = String::from_utf8(bytes).unwrap();
    let heading = "time (s),input short-term loudness (LUFS),clean short-term loudness (LUFS),output short-term loudness (LUFS),\
        output momentary loudness (LUFS),input short-term PLR (dB),clean short-term PLR (dB),output short-term PLR (dB),input LDR 10 s (dB),\
        clean LDR 10 s (dB),output LDR 10 s (dB),output true peak (dBTP),clean limiter gain (dB),output limiter gain (dB),\
        low band reduction (dB),low-mid band reduction (dB),high-mid band reduction (dB),high band reduction (dB),added distortion (dB),\
        song position (s),playing (1 or 0)";
    let first = "0.1,-19.90,-19.80,-19.70,-18.70,-17.90,-17.80,-17.70,-16.90,-16.80,-16.70,-16.00,-15.00,-14.00,,,,,,-13.00,1";
    let second = "0.2,0.00,0.10,0.20,1.20,2.00,2.10,2.20,3.00,3.10,3.20,3.90,4.90,5.90,,,,,,6.90,0";
    assert_eq!(text, format!("{heading}\r\n{first}\r\n{second}\r\n"));
    let everything = Span {
        start_s: f64::NEG_INFINITY,
        end_s: f64::INFINITY,
    };
    assert_eq!(history.write_csv(everything, &mut Vec::new()).unwrap(), 3);
    let nothing = Span {
        start_s: 5.0,
        end_s: 6.0,
    };
    assert_eq!(history.write_csv(nothing, &mut Vec::new()).unwrap(), 0);
}
