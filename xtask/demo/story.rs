//! The whole job in five lines, each of numbers that were measured here.

use crate::beside::Pair;
use crestline_core::process::ShelvesSettings;
use crestline_core::session::forecast::{Potential, Summary};

/// Prints the five lines. What is not known shows as a dash.
pub fn print(pair: &Pair, forecast: &Summary) {
    let (mix, reference) = (&pair.mix.part, &pair.reference.part);
    let apart = pair.comparison.match_gain_db.map(|db| -db);
    println!(
        "{} beside {}, in five lines:",
        pair.mix.name, pair.reference.name
    );
    println!(
        "  1. Loudness: {} LUFS beside {} in their loudest 30 s; {} LU are missing.",
        number(mix.integrated_lufs),
        number(reference.integrated_lufs),
        number(apart),
    );
    match &pair.comparison.suggestion {
        Some(suggestion) if suggestion.helps() => println!(
            "  2. Balance: {} would bring the difference in shape from {} to {} dB.",
            in_words(&suggestion.shelves),
            number(Some(suggestion.before_db)),
            number(Some(suggestion.after_db)),
        ),
        suggestion => println!(
            "  2. Balance: no shelf helps; the difference in shape is {} dB.",
            number(suggestion.as_ref().map(|of| of.before_db)),
        ),
    }
    println!(
        "  3. Density: PLR {} dB beside {}, microdynamics {} dB beside {}; of the highest tops {} % are flat, beside {} %.",
        number(mix.plr_db),
        number(reference.plr_db),
        number(mix.ldr_db),
        number(reference.ldr_db),
        number(mix.flat_tops_percent),
        number(reference.flat_tops_percent),
    );
    let potential = forecast.potential;
    println!(
        "  4. How far it can go: {} LUFS clean and {} saturated; past that a decibel of push adds under half an LU.",
        reach(potential.clean),
        reach(potential.saturated),
    );
    let at = forecast.at_one_loudness.first();
    let choices = at.map(|at| [at.paths.clean, at.paths.saturated].map(|reach| reach.choice()));
    let [clean, saturated] = choices.unwrap_or_default();
    println!(
        "  5. What it costs: at {} LUFS microdynamics {} dB clean and {} saturated, distortion {} and {} dB. Where playback is levelled, the clean one keeps peaks {} dB above its loudness, {} only {} in its loudest 30 s.",
        number(at.map(|at| at.loudness_lufs)),
        number(clean.and_then(|of| of.ldr_db)),
        number(saturated.and_then(|of| of.ldr_db)),
        number(clean.and_then(|of| of.distortion_db)),
        number(saturated.and_then(|of| of.distortion_db)),
        number(clean.and_then(|of| of.plr_db)),
        pair.reference.name,
        number(reference.plr_db),
    );
}

/// The loudness potential, or beyond which loudness it lies.
fn reach(potential: Option<Potential>) -> String {
    let loudness = number(potential.map(|of| of.loudness_lufs));
    if potential.is_some_and(|of| of.beyond) {
        format!("more than {loudness}")
    } else {
        loudness
    }
}

fn number(value: Option<f64>) -> String {
    value.map_or_else(
        || "\u{2014}".to_owned(),
        |value| format!("{value:.1}").replace('-', "\u{2212}"),
    )
}

fn in_words(shelves: &ShelvesSettings) -> String {
    let shelf = |name: &str, db: f64, hz: f64| {
        let gain = format!("{db:+.1}").replace('-', "\u{2212}");
        (db != 0.0).then(|| format!("a {name} shelf of {gain} dB at {hz:.0} Hz"))
    };
    let both = [
        shelf("low", shelves.low_gain_db, shelves.low_hz),
        shelf("high", shelves.high_gain_db, shelves.high_hz),
    ];
    both.into_iter().flatten().collect::<Vec<_>>().join(" and ")
}
