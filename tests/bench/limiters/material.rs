//! What the limiters are compared on.

use super::judge::Sound;
use crestline_files::decode_all;
use std::path::Path;

const RATE_HZ: u32 = 48_000;
/// How much of each programme is heard.
const SECONDS: usize = 20;

/// The files, or the demo songs and the example track where the set-up has fetched it; each with
/// its title, at the true peak that everything is compared at.
pub fn programmes(files: &[String]) -> Result<Vec<(String, Sound)>, String> {
    let mut sounds = Vec::new();
    if files.is_empty() {
        for song in [songs::rink_lights(RATE_HZ), songs::turnstile(RATE_HZ)] {
            let sound = Sound {
                rate_hz: RATE_HZ,
                channels: song.channels,
            };
            sounds.push((song.title.to_owned(), sound));
        }
        let track = Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name("fixtures/track.ogg");
        if track.is_file() {
            sounds.push(("example track".to_owned(), opened(&track)?));
        }
    }
    for file in files {
        let path = Path::new(file);
        let title = path.file_stem().unwrap_or(path.as_os_str());
        sounds.push((
            title.to_string_lossy().chars().take(16).collect(),
            opened(path)?,
        ));
    }
    Ok(sounds
        .into_iter()
        .filter_map(|(title, sound)| Some((title, loudest(&sound).at_true_peak()?)))
        .collect())
}

fn opened(path: &Path) -> Result<Sound, String> {
    let audio = decode_all(path).map_err(|error| format!("{}: {error}", path.display()))?;
    let mut channels = audio.channels.into_iter();
    let (left, right) = (channels.next(), channels.next());
    let left = left.ok_or_else(|| format!("{}: no channel", path.display()))?;
    Ok(Sound {
        rate_hz: audio.sample_rate_hz,
        channels: [left.clone(), right.unwrap_or(left)],
    })
}

/// The stretch with the most energy.
fn loudest(sound: &Sound) -> Sound {
    let frames = sound.channels[0].len();
    let length = frames.min(SECONDS * sound.rate_hz as usize);
    let energy = |start: usize| -> f64 {
        let stretch = |channel: &Vec<f32>| {
            let samples = channel.get(start..start + length).unwrap_or_default();
            samples.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>()
        };
        sound.channels.iter().map(stretch).sum()
    };
    let start = (0..=frames - length)
        .step_by(sound.rate_hz as usize)
        .max_by(|one, other| energy(*one).total_cmp(&energy(*other)))
        .unwrap_or(0);
    Sound {
        rate_hz: sound.rate_hz,
        channels: sound
            .channels
            .each_ref()
            .map(|channel| channel.iter().skip(start).take(length).copied().collect()),
    }
}
