//! What loudness costs this song: both paths at a few pushes, by the engine that the plug-in runs.

use crestline_core::engine::{Engine, EngineSpec, Settings};
use crestline_core::handover::Snapshot;
use songs::Song;

/// Pushes to show, dB.
const PUSHES_DB: [f64; 3] = [3.0, 6.0, 9.0];
const BLOCK: usize = 512;

/// Plays the song through the whole chain at each push and prints what became of loudness, peaks
/// and beat.
pub fn print(song: &Song) {
    println!("What loudness costs this song, at a ceiling of \u{2212}1 dBTP:");
    println!("  push   path        loudness     PLR  microdynamics  limiter at most  distortion");
    for push_db in PUSHES_DB {
        let mut settings = Settings {
            playing: true,
            ..Settings::default()
        };
        settings.chain.push.push_db = push_db;
        settings.chain.limiter.enabled = true;
        settings.chain.saturator.enabled = true;
        let (snapshot, [clean_db, output_db]) = play(song, &settings);
        let clean = (
            &snapshot.clean.readings,
            &snapshot.clean_reduction,
            clean_db,
        );
        let saturated = (
            &snapshot.output.readings,
            &snapshot.output_reduction,
            output_db,
        );
        for (name, (readings, reduction, limiter_db)) in
            [("clean", clean), ("saturated", saturated)]
        {
            println!(
                "  {push_db:+.0} dB  {name:<10}  {} LUFS  {} dB  {} dB       {limiter_db:>6.1} dB        {} dB",
                number(readings.integrated_lufs),
                number(readings.plr_db),
                number(readings.ldr_db),
                number(reduction.distortion.mean_db.map(f64::from)),
            );
        }
    }
    println!(
        "At one loudness the saturated path needs less limiting and keeps more of the beat; wherever playback is\n\
         levelled to one loudness, the more dynamic version wins.\n"
    );
}

/// The last snapshot, and the lowest gain of the clean and of the saturated path's limiter.
fn play(song: &Song, settings: &Settings) -> (Snapshot, [f32; 2]) {
    let sample_rate_hz = f64::from(song.sample_rate_hz);
    let mut engine = Engine::new(EngineSpec {
        sample_rate_hz,
        channels: 2,
    });
    let mut lowest = [0.0_f32; 2];
    let [left, right] = &song.channels;
    for (left, right) in left.chunks(BLOCK).zip(right.chunks(BLOCK)) {
        let (mut left, mut right) = (left.to_vec(), right.to_vec());
        engine.process(&mut [&mut left, &mut right], &[], settings);
        let activity = engine.snapshot().activity;
        lowest[0] = lowest[0].min(activity.clean_limiter_db);
        lowest[1] = lowest[1].min(activity.output_limiter_db);
    }
    (engine.snapshot(), lowest)
}

fn number(value: Option<f64>) -> String {
    value.map_or_else(
        || "     \u{2014}".to_owned(),
        |value| format!("{value:>6.1}"),
    )
}
