//! The forecast: each of its points is what the engine really does at that push, and what is said
//! about a song whose answer is known comes out right.

#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test fails by panicking and prints its figures"
)]

use std::cell::Cell;
use std::f64::consts::TAU;

use crestline_core::engine::{CHUNK, Settings};
use crestline_core::measure::{ChannelRole, Meter};
use crestline_core::process::{
    BandSettings, BandsSettings, ChainSettings, LimiterSettings, PushSettings, SaturatorSettings,
    ShelvesSettings,
};
use crestline_core::session::forecast::{
    Path, PathFigures, Point, Potential, Runs, Stretch, forecast, loudness_at, potential,
};
use kit::engine_run::{Planes, cut, engine, loudness_lufs, noise, trace, true_peak_8x_dbtp};
use songs::{rink_lights, turnstile};

const RATE_HZ: u32 = 48_000;

fn of(planes: &[Vec<f32>], rate_hz: u32, settings: &ChainSettings) -> Vec<Point> {
    let stretch = Stretch::new(rate_hz.into(), planes.to_vec());
    forecast(stretch, settings, 18.0, &|| false, &mut |_, _| ()).unwrap()
}

fn runs(planes: &[Vec<f32>], rate_hz: u32, settings: &ChainSettings) -> Runs {
    let stretch = Stretch::new(rate_hz.into(), planes.to_vec());
    Runs::new(stretch, settings, &|| false).unwrap()
}

fn lufs(point: &Point, path: Path) -> f64 {
    path.of(point).integrated_lufs.unwrap()
}

/// What the engine as the plug-in runs it lets out at one push: clean and output path without the
/// latency.
fn rendered(input: &[Vec<f32>], rate_hz: u32, chain: &ChainSettings, push_db: f64) -> [Planes; 2] {
    let mut engine = engine(rate_hz.into(), input.len());
    let latency = engine.latency_frames();
    let mut padded = input.to_vec();
    let frames = input[0].len();
    for plane in &mut padded {
        plane.resize((frames + latency).next_multiple_of(CHUNK), 0.0);
    }
    let settings = Settings {
        chain: ChainSettings {
            push: PushSettings { push_db },
            ..*chain
        },
        playing: true,
        ..Settings::default()
    };
    let tracks = trace(&mut engine, &padded, |_| settings, |_, _| ());
    [tracks.clean, tracks.output].map(|planes| cut(&planes, latency..latency + frames))
}

// Source: the engine's own output, measured by the `ebur128` crate (integrated loudness; true peak,
// at eight times the rate) and, for microdynamics, which no library measures, by a meter of ours
// over the whole of it. The song is mono or stereo, at two rates, with every stage that is shared
// or not shared between pushes at work.
#[test]
fn a_point_is_what_the_engine_does_at_that_push() {
    let plain = ChainSettings {
        saturator: SaturatorSettings {
            enabled: true,
            ..SaturatorSettings::default()
        },
        limiter: LimiterSettings::default(),
        ..ChainSettings::default()
    };
    let busy = ChainSettings {
        shelves: ShelvesSettings {
            low_gain_db: 2.0,
            high_gain_db: -3.0,
            ..ShelvesSettings::default()
        },
        bands: BandsSettings {
            on: true,
            bands: [BandSettings {
                threshold_db: -24.0,
                ..BandSettings::default()
            }; 4],
            ..BandsSettings::default()
        },
        limiter: LimiterSettings {
            ceiling_dbtp: -2.0,
            ..LimiterSettings::default()
        },
        ..plain
    };
    let mut worst = [0.0_f64; 3];
    for (rate_hz, channels, settings) in
        [(48_000, 2, &plain), (48_000, 2, &busy), (44_100, 1, &busy)]
    {
        let start = 28 * rate_hz as usize;
        let song = &rink_lights(rate_hz).channels[..channels];
        // The end lies within a chunk, within a slot of the meter and in mid-song.
        let song = cut(song, start..start + 12 * rate_hz as usize + 1_234);
        let runs = runs(&song, rate_hz, settings);
        for push_db in [0.0, 4.5, 12.0] {
            let point = runs.at(push_db, &|| false).unwrap();
            let paths = rendered(&song, rate_hz, settings, push_db);
            for (path, planes) in [Path::Clean, Path::Saturated].into_iter().zip(paths) {
                let told = path.of(&point);
                let roles = [ChannelRole::Front; 2];
                let mut meter = Meter::new(rate_hz.into(), &roles[..channels], planes[0].len());
                meter.process(&planes.iter().map(Vec::as_slice).collect::<Vec<_>>());
                meter.finish();
                let errors = [
                    told.integrated_lufs.unwrap() - loudness_lufs(&planes, rate_hz),
                    told.true_peak_dbtp.unwrap() - true_peak_8x_dbtp(&planes, 0),
                    told.ldr_db.unwrap() - meter.readings().ldr_db.unwrap(),
                ];
                for (worst, error) in worst.iter_mut().zip(errors) {
                    *worst = worst.max(error.abs());
                }
                println!("{rate_hz} Hz, {channels} ch, {push_db} dB, {path:?}: {errors:.4?}");
                assert!(errors[0].abs() <= 0.05, "loudness: {errors:?}");
                assert!(errors[1].abs() <= 0.1, "true peak: {errors:?}");
                assert!(errors[2].abs() <= 0.1, "microdynamics: {errors:?}");
            }
        }
    }
    println!("worst: {worst:.4?} LU, dB, dB");
}

// By construction: the same score at four times the rate is the same music, but for what lies above
// 24 kHz. (Behind the saturator it is not: what decimation makes of bent tops falls with the rate.)
#[test]
fn what_the_limiter_takes_away_does_not_depend_on_the_rate() {
    let taken = |rate_hz: u32| {
        let start = 28 * rate_hz as usize;
        let song = cut(
            &rink_lights(rate_hz).channels,
            start..start + 8 * rate_hz as usize,
        );
        let runs = runs(&song, rate_hz, &ChainSettings::default());
        let clean = runs.at(12.0, &|| false).unwrap().clean;
        [clean.limiter_mean_db, clean.limiter_p95_db].map(Option::unwrap)
    };
    let (low, high) = (taken(48_000), taken(192_000));
    println!("forecast: limiter, mean and p95 at 48 and 192 kHz: {low:.2?} {high:.2?} dB");
    for (low, high) in low.into_iter().zip(high) {
        assert!((low - high).abs() < 0.15, "{low:.2} {high:.2}");
    }
}

// Closed form (ITU-R BS.1770-5, Annex 1, note to equation 3): a sine of 997 Hz in both channels
// whose peaks stand at A dBFS has a loudness of A LUFS. It follows the push one for one until its
// peaks meet the ceiling, and stays there.
#[test]
fn a_sine_follows_the_push_up_to_the_ceiling() {
    let sine: Vec<f32> = (0..8 * RATE_HZ)
        .map(|n| (0.25 * (TAU * 997.0 * f64::from(n) / f64::from(RATE_HZ)).sin()) as f32)
        .collect();
    let start_lufs = 20.0 * 0.25_f64.log10();
    let ceiling_dbtp = ChainSettings::default().limiter.ceiling_dbtp;
    let points = of(&[sine.clone(), sine], RATE_HZ, &ChainSettings::default());
    let mut worst = 0.0_f64;
    for point in &points {
        let wanted = (start_lufs + point.push_db).min(ceiling_dbtp);
        let error = lufs(point, Path::Clean) - wanted;
        worst = worst.max(error.abs());
        // Half of what EBU Tech 3341 allows; the limiter keeps a little off the ceiling.
        assert!(error.abs() <= 0.1, "{} dB: {error}", point.push_db);
    }
    let bend = potential(&points, Path::Clean).unwrap();
    println!("worst {worst:.4} LU; {bend:?}");
    // The decibel that ends half an LU beyond the ceiling.
    let corner_db = ceiling_dbtp - start_lufs;
    assert!((bend.push_db - (corner_db - 0.5)).abs() <= 0.25, "{bend:?}");
    assert!(!bend.beyond);
}

// Closed form: a square wave of full scale has the highest loudness that any signal of its shape
// can have under its peak, so no push makes it louder.
#[test]
fn a_full_scale_square_has_no_potential_left() {
    let square: Vec<f32> = (0..8 * RATE_HZ)
        .map(|n| if n / 240 % 2 == 0 { 1.0 } else { -1.0 })
        .collect();
    let points = of(
        &[square.clone(), square],
        RATE_HZ,
        &ChainSettings::default(),
    );
    for path in [Path::Clean, Path::Saturated] {
        let bend = potential(&points, path).unwrap();
        let all = points.iter().map(|point| lufs(point, path));
        let gained = all.fold(f64::NEG_INFINITY, f64::max) - lufs(&points[0], path);
        println!("{path:?}: {:.2} dB, {gained:.2} LU in all", bend.push_db);
        assert_eq!(bend.push_db, 0.0);
        assert!(!bend.beyond);
    }
}

/// A click of full scale each second over a pad of noise at −50 dBFS.
fn clicks_over_a_pad() -> Planes {
    let mut planes = noise(2, 12 * RATE_HZ as usize, 0.005, 5);
    for plane in &mut planes {
        plane
            .iter_mut()
            .step_by(RATE_HZ as usize)
            .for_each(|sample| *sample = 0.9);
    }
    planes
}

/// Noise whose peaks stand at −12 dBFS.
fn dense_noise() -> Planes {
    noise(2, 12 * RATE_HZ as usize, 0.25, 6)
}

// Common practice: how loud a song can go is a matter of how its energy lies under its peaks. What
// is mostly quiet stays far below what is dense, and each further decibel of it is cheap: the
// limiter bends a click, not the pad; dense noise is bent all the time.
#[test]
fn sparse_clicks_can_go_less_far_than_dense_noise_and_pay_less() {
    let bends = |planes: Planes| -> [Potential; 2] {
        let points = of(&planes, RATE_HZ, &ChainSettings::default());
        [Path::Clean, Path::Saturated].map(|path| potential(&points, path).unwrap())
    };
    let (clicks, dense) = (bends(clicks_over_a_pad()), bends(dense_noise()));
    for (clicks, dense) in clicks.iter().zip(&dense) {
        println!("clicks {clicks:?}\nnoise {dense:?}");
        assert!(clicks.loudness_lufs < dense.loudness_lufs - 6.0);
        let [clicks, dense] = [clicks, dense].map(|bend| bend.next.distortion_db.unwrap());
        assert!(clicks < dense - 1.0);
    }
}

// By construction: louder in is never quieter out, and what a limiter takes is peaks. Tolerance:
// what a point may be off (0.05 LU, 0.1 dB), once for each of two. Of what is a hot master already,
// bent once more into a square wave, the saturated path does get quieter past 12 dB of push (by 0.4
// LU up to 18 dB): its flanks overshoot between the samples, and the limiter turns all of it down.
// So that path is held to the open mix.
#[test]
fn loudness_never_falls_with_push_and_plr_never_rises() {
    let both = &[Path::Clean, Path::Saturated][..];
    for (song, paths) in [
        (rink_lights(RATE_HZ), both),
        (turnstile(RATE_HZ), &both[..1]),
    ] {
        let start = 20 * RATE_HZ as usize;
        let planes = cut(&song.channels, start..start + 12 * RATE_HZ as usize);
        let points = of(&planes, RATE_HZ, &ChainSettings::default());
        for (path, pair) in paths
            .iter()
            .flat_map(|path| points.windows(2).map(move |pair| (path, pair)))
        {
            let [before, after] = [&pair[0], &pair[1]].map(|point| path.of(point));
            let change = |figure: fn(&PathFigures) -> Option<f64>| {
                figure(after).unwrap() - figure(before).unwrap()
            };
            let at = (song.title, path, pair[1].push_db);
            let loudness = change(|figures| figures.integrated_lufs);
            assert!(loudness >= -0.1, "{at:?}: {loudness}");
            let plr = change(|figures| figures.plr_db);
            assert!(plr <= 0.2, "{at:?}: {plr}");
            let limiter = change(|figures| figures.limiter_mean_db);
            assert!(limiter >= 0.0, "{at:?}: {limiter}");
        }
    }
}

#[test]
fn silence_and_nothing_at_all_have_no_loudness_and_no_potential() {
    for frames in [0, 1, 5_000, 2 * RATE_HZ as usize] {
        let points = of(
            &vec![vec![0.0; frames]; 2],
            RATE_HZ,
            &ChainSettings::default(),
        );
        for point in &points {
            for path in [Path::Clean, Path::Saturated] {
                let figures = path.of(point);
                assert_eq!(
                    (figures.integrated_lufs, figures.true_peak_dbtp),
                    (None, None)
                );
                assert_eq!((figures.plr_db, figures.ldr_db), (None, None));
                assert_eq!(figures.distortion_db, None);
            }
        }
        assert_eq!(potential(&points, Path::Clean), None);
    }
    let nothing: [Vec<f32>; 0] = [];
    assert_eq!(of(&nothing, RATE_HZ, &ChainSettings::default()).len(), 13);
}

// A fault is no audio: README, "played as silence".
#[test]
fn faulty_samples_count_as_silence() {
    let mut planes = noise(2, 2 * RATE_HZ as usize, 0.1, 7);
    let sound = of(&planes, RATE_HZ, &ChainSettings::default());
    for (n, fault) in [f32::NAN, f32::INFINITY, -1e30].into_iter().enumerate() {
        planes[0][10_000 + 5_000 * n] = fault;
    }
    let faulty = of(&planes, RATE_HZ, &ChainSettings::default());
    for (sound, faulty) in sound.iter().zip(&faulty) {
        let error = lufs(sound, Path::Saturated) - lufs(faulty, Path::Saturated);
        assert!(error.abs() < 0.01, "{error}");
    }
}

#[test]
fn a_cancelled_forecast_stops_within_a_chunk_of_work() {
    let planes = noise(2, 4 * RATE_HZ as usize, 0.3, 8);
    for allowed in [0, 1, 700, 1_500] {
        let asked = Cell::new(0);
        let mut found = 0;
        let done = forecast(
            Stretch::new(RATE_HZ.into(), planes.clone()),
            &ChainSettings::default(),
            18.0,
            &|| {
                asked.set(asked.get() + 1);
                asked.get() > allowed
            },
            &mut |_, _| found += 1,
        );
        // It is asked before every chunk, and does nothing more once it has said yes.
        assert_eq!((done, asked.get()), (None, allowed + 1));
        let chunks = planes[0].len() / CHUNK;
        assert!(found <= allowed / chunks, "{found} points");
    }
}

#[test]
fn points_come_one_by_one_with_what_is_left_to_do() {
    let planes = noise(1, RATE_HZ as usize, 0.3, 9);
    let alone = runs(&planes, RATE_HZ, &ChainSettings::default());
    let mut seen = Vec::new();
    let points = forecast(
        Stretch::new(RATE_HZ.into(), planes),
        &ChainSettings::default(),
        18.0,
        &|| false,
        &mut |point, progress| seen.push((point, progress)),
    )
    .unwrap();
    assert!(
        seen.iter()
            .map(|(_, progress)| progress.done)
            .eq(1..=points.len())
    );
    assert!(
        seen.iter()
            .all(|(_, progress)| progress.done <= progress.planned)
    );
    let (first, last) = (seen.first().unwrap(), seen.last().unwrap());
    assert_eq!((first.0.push_db, first.1.planned), (0.0, 13));
    assert_eq!((last.1.done, last.1.planned), (points.len(), points.len()));
    assert!(points.is_sorted_by_key(|point| point.push_db));
    assert!(seen.iter().all(|(point, _)| points.contains(point)));
    // What the pushes share is shared without a trace.
    for point in &points {
        assert_eq!(alone.at(point.push_db, &|| false).as_ref(), Some(point));
    }
}

/// A quiet verse that comes up under a chorus that cannot makes the whole no louder, once it passes
/// the relative gate of ITU-R BS.1770-5: it is told quieter, and no push has made anything so.
#[test]
fn a_verse_that_comes_to_count_makes_no_push_a_loss() {
    let second = RATE_HZ as usize;
    let song = turnstile(RATE_HZ);
    let chorus = cut(&song.channels, 20 * second..23 * second);
    let mut planes = cut(&song.channels, 20 * second..40 * second);
    for (plane, chorus) in planes.iter_mut().zip(&chorus) {
        let verse = plane.iter().map(|sample| 0.06 * sample);
        *plane = verse
            .chain(chorus.iter().copied())
            .map(|sample| 0.4 * sample)
            .collect();
    }
    let chorus = cut(&planes, 20 * second..23 * second);
    let settings = ChainSettings::default();
    let of = |planes: &Planes| {
        let runs = runs(planes, RATE_HZ, &settings);
        [0.0, 6.0, 15.0].map(|push_db| runs.at(push_db, &|| false).unwrap())
    };
    let whole = of(&planes);
    let gained = |points: &[Point], from_db: f64, to_db: f64| {
        let at = |push_db: f64| loudness_at(points, Path::Clean, push_db).unwrap();
        at(to_db) - at(from_db)
    };
    let told = |index: usize| lufs(&whole[index], Path::Clean);
    println!(
        "told {:.1}, {:.1}, {:.1} LUFS; gained {:.2}, {:.2} LU",
        told(0),
        told(1),
        told(2),
        gained(&whole, 0.0, 6.0),
        gained(&whole, 6.0, 15.0)
    );
    assert!(told(2) < told(1) - 1.0, "the gate has moved");
    // The chorus alone: what counts in the input.
    let chorus = of(&chorus);
    for (from_db, to_db) in [(0.0, 6.0), (6.0, 15.0)] {
        let [whole, chorus] = [&whole, &chorus].map(|points| gained(points, from_db, to_db));
        assert!((whole - chorus).abs() < 0.3, "{whole} {chorus}");
        assert!(whole > -0.1, "{whole}");
    }
}
