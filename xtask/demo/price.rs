//! What loudness costs this song: both paths at one push and at one loudness, from the forecast
//! that runs the plug-in's engine, once its balance has been mended.

use crate::editor::PLAYED_S;
use crestline_core::process::{ChainSettings, PushSettings, ShelvesSettings};
use crestline_core::session::PLAYBACK_LUFS;
use crestline_core::session::forecast::{
    Forecasted, LONGEST_STRETCH_S, Path, Point, Stretch, Summary, as_loud_as, forecast,
};
use songs::Song;

/// Pushes to show, dB.
const PUSHES_DB: [f64; 3] = [3.0, 6.0, 9.0];
/// Where the paths are compared: the loudness of the clean one at this push, dB.
const COMPARED_AT_DB: f64 = 6.0;

/// Forecasts the last minute of what is played, as the editor does, and prints what becomes of
/// loudness, beat and distortion, at one push and at one loudness, and the sentence that sums it
/// up. Returns the forecast and what it comes to.
pub fn print(song: &Song, shelves: ShelvesSettings) -> (Forecasted, Summary) {
    let rate_hz = f64::from(song.sample_rate_hz);
    #[expect(clippy::cast_sign_loss, reason = "a minute of frames")]
    let frames = (LONGEST_STRETCH_S * rate_hz) as usize;
    let end = PLAYED_S * song.sample_rate_hz as usize;
    let minute = end.saturating_sub(frames)..end;
    let planes = song.channels.each_ref();
    let planes = planes.map(|channel| channel[minute.clone()].to_vec());
    let stretch = Stretch::new(rate_hz, planes.to_vec());
    let music_s = stretch.duration_s();
    let settings = ChainSettings {
        shelves,
        ..ChainSettings::default()
    };
    let never = || false;
    // Nobody cancels it.
    let most_db = PushSettings::PUSH_DB.max;
    let points = forecast(stretch, &settings, most_db, &never, &mut |_, _| ()).unwrap_or_default();

    println!("What loudness costs this song, at a ceiling of \u{2212}1 dBTP:");
    println!("  push     path        loudness        PLR      LDR       distortion");
    for point in PUSHES_DB.iter().filter_map(|db| at(&points, *db)) {
        for (name, figures) in [("clean", &point.clean), ("saturated", &point.saturated)] {
            println!(
                "  {:+.0} dB    {name:<10}{} LUFS{} dB{} dB{} dB",
                point.push_db,
                number(figures.integrated_lufs),
                number(figures.plr_db),
                number(figures.ldr_db),
                number(figures.distortion_db),
            );
        }
    }
    let summary = compare(&points);
    let forecasted = Forecasted {
        points,
        done: true,
        music_s,
        ..Forecasted::default()
    };
    (forecasted, summary)
}

fn compare(points: &[Point]) -> Summary {
    let at = as_loud_as(points, Path::Clean, COMPARED_AT_DB, PLAYBACK_LUFS.default);
    let summary = Summary::new(points, COMPARED_AT_DB, at.into_iter().collect());
    for compared in &summary.at_one_loudness {
        println!("At one loudness, {:.1} LUFS:", compared.loudness_lufs);
        for (name, reach) in [
            ("clean", compared.paths.clean),
            ("saturated", compared.paths.saturated),
        ] {
            if let Some(choice) = reach.choice() {
                println!(
                    "  {:+.1} dB  {name:<10}               {} dB{} dB{} dB",
                    choice.push_db,
                    number(choice.plr_db),
                    number(choice.ldr_db),
                    number(choice.distortion_db),
                );
            }
        }
    }
    println!("{}\n", summary.sentence());
    summary
}

fn at(points: &[Point], push_db: f64) -> Option<&Point> {
    points
        .iter()
        .find(|point| (point.push_db - push_db).abs() < 1e-9)
}

fn number(value: Option<f64>) -> String {
    value.map_or_else(
        || "        \u{2014}".to_owned(),
        |value| format!("{value:>9.1}"),
    )
}
