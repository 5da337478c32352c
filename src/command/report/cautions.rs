//! What the reader of a report should be careful about in a song.

use super::song::Song;
use crate::encoded::Trial;
use crate::table::hundredths;
use crestline_core::measure::Readings;
use crestline_core::session::reference::FLAT_TOPS_OF_ONE;
use crestline_core::session::{Judgement, TargetWindow, turn_down};

/// The cautions of one song; empty where there is nothing to say.
pub(super) fn cautions(song: &Song, target: &TargetWindow, playback_lufs: f64) -> Vec<String> {
    let notes = song.measured.notes.iter();
    let mut told: Vec<String> = notes.map(|note| sentence(note)).collect();
    let readings = &song.readings;
    let verdict = target.judge_file(readings);
    if verdict.true_peak == Judgement::Above
        && let (Some(peak), Some(ceiling)) = (readings.true_peak_dbtp, target.ceiling_dbtp)
    {
        told.push(format!(
            "The true peak of {} dBTP is above the {ceiling:.1} dBTP that {} allows.",
            hundredths(Some(peak)),
            target.name
        ));
    }
    told.extend(clipped(readings));
    told.extend(bent(song.flat_tops_percent));
    let played = turn_down(
        playback_lufs,
        readings.integrated_lufs,
        readings.true_peak_dbtp,
    );
    if let Some(played) = played.filter(|played| played.gain_db <= -0.05) {
        told.push(format!(
            "Playback levelled to {playback_lufs:.1} LUFS turns it down by {:.1} dB.",
            -played.gain_db
        ));
    }
    if let Some(trial) = &song.trial {
        told.extend(beyond_full_scale(trial));
        let notes = trial.notes.iter().chain(&trial.failed);
        told.extend(notes.map(|note| sentence(note)));
    }
    if readings.loudness_range_lu.is_some() && !readings.loudness_range_settled {
        told.push("The loudness range is not reliable below a minute.".to_owned());
    }
    if song.measured.channels == 1 {
        told.push(
            "One channel reads 3.01 LU below the same signal on both of two channels.".to_owned(),
        );
    }
    told
}

fn beyond_full_scale(trial: &Trial) -> Option<String> {
    let count = trial.coded.len();
    let coded = trial.coded.iter().filter(|coded| coded.levels.over > 0);
    match (trial.original.over, coded.count()) {
        (0, 0) => None,
        (0, 1) => Some(format!(
            "1 of {count} encoders brings it beyond full scale."
        )),
        (0, over) => Some(format!(
            "{over} of {count} encoders bring it beyond full scale."
        )),
        (1, _) => Some("1 sample lies beyond full scale before any encoder.".to_owned()),
        (over, _) => Some(format!(
            "{over} samples lie beyond full scale before any encoder."
        )),
    }
}

fn clipped(readings: &Readings) -> Option<String> {
    let runs = match readings.clipped_runs {
        0 => return None,
        1 => "1 clipped run".to_owned(),
        count => format!("{count} clipped runs"),
    };
    Some(format!(
        "{runs}: three or more samples at full scale or beyond, or equal ones at the peak just below it, \
         that break off."
    ))
}

fn bent(flat_tops_percent: Option<f64>) -> Option<String> {
    let percent = flat_tops_percent.filter(|percent| *percent >= FLAT_TOPS_OF_ONE)?;
    Some(format!(
        "{percent:.1} % of its highest tops are flat, as clipping or hard saturation leaves them, \
         whatever its level now."
    ))
}

/// A note, which elsewhere follows the file's name, as a sentence of its own.
fn sentence(note: &str) -> String {
    let mut letters = note.chars();
    let first = letters.next().map(char::to_uppercase);
    let first: String = first.into_iter().flatten().collect();
    format!("{first}{}.", letters.as_str())
}
