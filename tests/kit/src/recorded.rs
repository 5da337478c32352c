//! Histories whose every value is known.

use crestline_core::handover::{AudioEnd, Moment, handover};
use crestline_core::measure::Readings;
use crestline_core::session::History;

/// Sample rate of what is recorded.
pub const RATE_HZ: f64 = 48_000.0;
/// Frames in 100 ms.
pub const TENTH: usize = 4_800;

/// Readings whose short-term loudness is `number`; the other values that the history keeps follow
/// from it.
fn readings(number: f64) -> Readings {
    Readings {
        short_term_lufs: Some(number),
        momentary_lufs: Some(number + 1.0),
        short_term_plr_db: Some(number + 2.0),
        ldr_10s_db: Some(number + 3.0),
        ..Readings::default()
    }
}

/// Enters one moment in which everything follows from `number`.
pub fn record(audio: &mut AudioEnd, number: f64, frames: usize, playing: bool) {
    let [input, clean, output] = [0.1, 0.2, 0.3].map(|point| readings(number + point));
    let moment = Moment {
        input: &input,
        clean: &clean,
        output: &output,
        true_peak_dbtp: Some(number + 4.0),
        clean_limiter_db: number as f32 + 5.0,
        output_limiter_db: number as f32 + 6.0,
        band_reduction_db: [None; 4],
        distortion_db: None,
        song_position_s: Some(number + 7.0),
        playing,
    };
    audio.record(&moment, frames, RATE_HZ);
}

/// A history of so many points of 100 ms; the short-term loudness of the input is the number of the
/// point.
pub fn recorded(points: usize) -> (AudioEnd, History) {
    let (mut audio, editor) = handover();
    (0..points).for_each(|number| record(&mut audio, number as f64, TENTH, true));
    (audio, History::new(editor.history()))
}
