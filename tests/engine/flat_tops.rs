//! What bends a wave flattens its tops; what turns it down, filters it or moves it does not.

use crestline_core::engine::Settings;
use crestline_core::measure::FlatTops;
use crestline_core::process::{ChainSettings, PushSettings, SaturatorSettings, ShelvesSettings};
use kit::engine_run::{Planes, cut, engine, everything_on, play};
use kit::metering::STEREO;
use kit::signals::{amplitude, brick_wall, pink_noise};
use songs::{rink_lights, turnstile};

/// What music that has not been bent is said to have at most, %: half of what is worth telling.
const NATURAL: f64 = 0.5;

fn percent(planes: &[Vec<f32>]) -> f64 {
    let mut tops = FlatTops::new(48_000.0, &STEREO);
    let planes: Vec<&[f32]> = planes.iter().map(Vec::as_slice).collect();
    tops.process(&planes);
    tops.percent().unwrap()
}

fn through(song: &[Vec<f32>], chain: &ChainSettings) -> Planes {
    let settings = Settings {
        chain: *chain,
        ..Settings::default()
    };
    play(&mut engine(48_000.0, 2), song, || 512, |_| settings)
}

fn pushed(push_db: f64, saturate: bool) -> ChainSettings {
    let mut chain = ChainSettings {
        push: PushSettings { push_db },
        ..ChainSettings::default()
    };
    chain.limiter.enabled = true;
    chain.saturator = SaturatorSettings {
        enabled: saturate,
        ..SaturatorSettings::default()
    };
    chain
}

fn clipped(song: &[Vec<f32>], by_db: f64) -> Planes {
    let samples = song.iter().flatten();
    let peak = samples.fold(0.0_f32, |peak, sample| peak.max(sample.abs()));
    let top = peak * amplitude(-by_db) as f32;
    let clip = |channel: &Vec<f32>| channel.iter().map(|x| x.clamp(-top, top)).collect();
    song.iter().map(clip).collect()
}

/// By construction: a limiter, shelves, bands, a swell and low pink noise bend nothing, however hard the
/// limiter is pushed; a saturator and clipping do, the more the deeper.
#[test]
fn only_what_bends_a_wave_flattens_its_tops() {
    let song = cut(&rink_lights(48_000).channels, 960_000..2_400_000);
    let open = percent(&song);
    let mut unbent = vec![("as it is", open)];
    for push_db in [6.0, 12.0, 18.0] {
        unbent.push(("limited", percent(&through(&song, &pushed(push_db, false)))));
    }
    let mut tone = everything_on();
    tone.saturator.enabled = false;
    tone.shelves = ShelvesSettings {
        low_gain_db: 6.0,
        high_gain_db: -6.0,
        ..ShelvesSettings::default()
    };
    unbent.push(("shelves, bands", percent(&through(&song, &tone))));
    let mut swell = song.clone();
    for channel in &mut swell {
        let length = channel.len() as f32;
        for (frame, sample) in channel.iter_mut().enumerate() {
            *sample *= frame as f32 / length;
        }
    }
    unbent.push(("a swell", percent(&swell)));
    // The tops of all of it are over too soon to have a shape.
    let noise = pink_noise(3, 48_000.0, 20.0, -20.0, 30.0).samples;
    let noise: Vec<f64> = noise.into_iter().map(f64::from).collect();
    let noise = brick_wall(&noise, 2_000.0 / 48_000.0);
    let noise: Vec<f32> = noise.into_iter().map(|sample| sample as f32).collect();
    unbent.push(("pink noise", percent(&[noise.clone(), noise])));
    println!("flat tops, %: {unbent:.2?}");
    for (what, percent) in unbent {
        assert!(percent <= NATURAL, "{what}: {percent}");
    }

    let clipped: Vec<f64> = [1.0, 3.0, 6.0, 9.0]
        .map(|db| percent(&clipped(&song, db)))
        .into();
    let saturated: Vec<f64> = [0.0, 6.0, 9.0, 12.0]
        .map(|push_db| percent(&through(&song, &pushed(push_db, true))))
        .into();
    println!(
        "flat tops, %: clipped by 1, 3, 6, 9 dB {clipped:.2?}, pushed by 0, 6, 9, 12 dB and saturated {saturated:.2?}"
    );
    for bent in [&clipped, &saturated] {
        assert!(bent.is_sorted_by(|a, b| a < b));
        assert!(bent[1] > 5.0 * open.max(0.2) && bent[2] > 5.0, "{bent:?}");
    }
    // A dense release, clipped twice, filtered in between and limited behind.
    let dense = percent(&turnstile(48_000).channels);
    println!("flat tops, %: a dense release {dense:.2}");
    assert!(dense > 5.0, "{dense}");
}
