//! What the chain itself costs, band by band: its paths against the signal that push and shelves
//! have left.

#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test fails by panicking, in its helpers too"
)]

use crestline_core::engine::{Engine, EngineSpec, Settings};
use crestline_core::handover::Snapshot;
use crestline_core::measure::{Reduction, Trend};
use crestline_core::process::{
    BandSettings, BandsSettings, ChainSettings, LimiterSettings, PushSettings, SaturatorSettings,
    ShelvesSettings,
};
use songs::{Song, rink_lights, turnstile};
use std::sync::LazyLock;

const SPEC: EngineSpec = EngineSpec {
    sample_rate_hz: 48_000.0,
    channels: 2,
};

static SONG: LazyLock<Song> = LazyLock::new(|| rink_lights(48_000));

fn played(channels: &[Vec<f32>; 2], chain: &ChainSettings) -> (Engine, Snapshot) {
    let mut engine = Engine::new(SPEC);
    let [mut left, mut right] = channels.clone();
    let settings = Settings {
        chain: *chain,
        playing: true,
        ..Settings::default()
    };
    engine.process(&mut [&mut left, &mut right], &[], &settings);
    let snapshot = engine.snapshot();
    (engine, snapshot)
}

fn excerpt() -> [Vec<f32>; 2] {
    SONG.channels
        .clone()
        .map(|channel| channel[20 * 48_000..45 * 48_000].to_vec())
}

fn chain(push_db: f64, shoulder_db: Option<f64>) -> ChainSettings {
    ChainSettings {
        push: PushSettings { push_db },
        saturator: SaturatorSettings {
            enabled: shoulder_db.is_some(),
            shoulder_db: shoulder_db.unwrap_or(3.0),
            ..SaturatorSettings::default()
        },
        limiter: LimiterSettings::default(),
        ..ChainSettings::default()
    }
}

#[test]
fn a_chain_at_rest_reads_no_reduction_and_no_distortion_whatever_push_and_shelves_do() {
    let settings = ChainSettings {
        push: PushSettings { push_db: 3.0 },
        shelves: ShelvesSettings {
            low_gain_db: 6.0,
            high_gain_db: -5.0,
            ..ShelvesSettings::default()
        },
        ..ChainSettings::default()
    };
    let quiet = excerpt().map(|channel| channel.iter().map(|sample| 0.1 * sample).collect());
    let (_, snapshot) = played(&quiet, &settings);
    for reduction in [&snapshot.clean_reduction, &snapshot.output_reduction] {
        for band in &reduction.bands {
            assert!(
                band.reduction.max_db.unwrap().abs() < 0.01,
                "{:?}",
                band.reduction
            );
            assert_eq!(band.rest_gain_db, Some(0.0));
        }
        assert!(
            reduction.distortion.max_db.unwrap() < -100.0,
            "{:?}",
            reduction.distortion
        );
    }
}

// The compressor's own gain is the truth here. It is that of the published static curve: 10 dB
// above the threshold ratio 3 with a hard knee makes 10·(1 − 1/3) dB (Giannoulis, Massberg, Reiss,
// JAES 60(6) 2012, eq. 4).
#[test]
fn bands_read_what_their_compressor_does_and_not_their_make_up() {
    for (band, hz) in [45.0, 350.0, 2_500.0, 12_000.0].into_iter().enumerate() {
        let tone = kit::signals::tone(48_000.0, hz, -20.0, 5.0);
        let mut bands = BandsSettings {
            on: true,
            ..BandsSettings::default()
        };
        bands.bands[band] = BandSettings {
            threshold_db: -30.0,
            ratio: 3.0,
            knee_db: 0.0,
            // Long enough that the gain does not follow the wave.
            attack_ms: 200.0,
            release_ms: 2_000.0,
            makeup_db: 4.0,
            ..BandSettings::default()
        };
        let settings = ChainSettings {
            bands,
            ..ChainSettings::default()
        };
        let (_, snapshot) = played(&[tone.clone(), tone], &settings);
        let reading = f64::from(
            snapshot.output_reduction.bands[band]
                .reduction
                .now_db
                .unwrap(),
        );
        let own_db = f64::from(snapshot.activity.band_gain_db[band]);
        println!("{hz} Hz: {reading:.2} dB, compressor {:.2} dB", -own_db);
        assert!((reading + own_db).abs() < 0.1, "{hz}: {reading} {own_db}");
        assert!((own_db + 20.0 / 3.0).abs() < 0.3, "{hz}: {own_db}");
    }
}

#[test]
fn idle_bands_read_as_nothing() {
    let settings = ChainSettings {
        bands: BandsSettings {
            on: true,
            ..BandsSettings::default()
        },
        ..ChainSettings::default()
    };
    let quiet = excerpt().map(|channel| channel.iter().map(|sample| 0.1 * sample).collect());
    let (_, snapshot) = played(&quiet, &settings);
    for band in &snapshot.output_reduction.bands {
        assert!(
            band.reduction.max_db.unwrap().abs() < 0.01,
            "{:?}",
            band.reduction
        );
    }
    assert!(snapshot.output_reduction.distortion.max_db.unwrap() < -100.0);
}

// Gains that stand still are neither distortion nor more or less reduction than they are, although
// they differ from band to band and shelves turn phases where they do.
#[test]
fn bands_that_hold_still_add_no_distortion() {
    let mut bands = BandsSettings {
        on: true,
        ..BandsSettings::default()
    };
    // Deep in compression, and so slow that a gain moves by hundredths of a decibel once settled.
    for (band, threshold_db) in bands.bands.iter_mut().zip([-60.0, -40.0, -60.0, -50.0]) {
        *band = BandSettings {
            threshold_db,
            ratio: 2.0,
            attack_ms: 200.0,
            release_ms: 2_000.0,
            ..BandSettings::default()
        };
    }
    let settings = ChainSettings {
        bands,
        ..ChainSettings::default()
    };
    let mut state = 1_u32;
    let noise: Vec<f32> = (0..20 * 48_000)
        .map(|_| {
            // Numerical Recipes' linear congruence.
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 8) as f32 / 83_886_080.0 - 0.1
        })
        .collect();
    let (_, snapshot) = played(&[noise.clone(), noise], &settings);
    let own_db = snapshot.activity.band_gain_db;
    let reduction = &snapshot.output_reduction;
    for (band, own_db) in reduction.bands.iter().zip(own_db) {
        let reading_db = band.reduction.now_db.unwrap();
        println!(
            "compressor {own_db:.2} dB, reading {reading_db:.2} dB, distortion {:?} dB",
            band.distortion.now_db
        );
        assert!((reading_db + own_db).abs() < 0.2, "{reading_db} {own_db}");
    }
    let distortion_db = reduction.distortion.now_db.unwrap();
    println!("distortion {distortion_db:.1} dB");
    assert!(distortion_db < -50.0, "{distortion_db}");
}

// The latency is not the same time at every rate, and must be in no figure.
#[test]
fn moving_bands_cost_the_same_at_every_rate() {
    let mut bands = BandsSettings {
        on: true,
        ..BandsSettings::default()
    };
    for band in &mut bands.bands {
        (band.threshold_db, band.ratio) = (-30.0, 3.0);
    }
    let settings = ChainSettings {
        bands,
        ..ChainSettings::default()
    };
    let distortion_db = [22_050, 48_000, 192_000].map(|rate_hz| {
        let second = rate_hz as usize;
        let channels = rink_lights(rate_hz).channels;
        let part = channels.map(|channel| channel[20 * second..32 * second].to_vec());
        let mut engine = Engine::new(EngineSpec {
            sample_rate_hz: f64::from(rate_hz),
            channels: 2,
        });
        let [mut left, mut right] = part;
        let settings = Settings {
            chain: settings,
            playing: true,
            ..Settings::default()
        };
        engine.process(&mut [&mut left, &mut right], &[], &settings);
        engine
            .snapshot()
            .output_reduction
            .distortion
            .mean_db
            .unwrap()
    });
    println!("{distortion_db:.2?} dB");
    for at_rate in distortion_db {
        assert!(
            (at_rate - distortion_db[1]).abs() < 0.5,
            "{distortion_db:?}"
        );
    }
}

// A limiter turns the whole signal down by one gain, which is known to itself: the same in all
// bands.
#[test]
fn a_limiter_reads_the_same_in_every_band_of_a_steady_signal() {
    let mix: Vec<f32> = [45.0, 350.0, 2_500.0, 12_000.0]
        .map(|hz| kit::signals::tone(48_000.0, hz, -12.0, 3.0))
        .into_iter()
        .reduce(|sum, tone| sum.iter().zip(&tone).map(|(a, b)| a + b).collect())
        .unwrap();
    let (_, snapshot) = played(&[mix.clone(), mix], &chain(9.0, None));
    let readings = snapshot
        .clean_reduction
        .bands
        .map(|band| band.reduction.mean_3s_db.unwrap());
    println!("{readings:?}");
    let mean = readings.iter().sum::<f32>() / 4.0;
    assert!(
        readings.iter().all(|reading| (reading - mean).abs() < 0.1),
        "{readings:?}"
    );
    assert!(mean > 5.0, "{mean}");
}

/// The push at which `loudness` comes out at `aim_lufs`, and what is measured there.
fn at_loudness(
    aim_lufs: f64,
    loudness: impl Fn(&Snapshot) -> Option<f64>,
    shoulder_db: Option<f64>,
) -> (f64, Snapshot) {
    let song = excerpt();
    let (mut low, mut high) = (0.0, 18.0);
    for _ in 0..12 {
        let push_db = f64::midpoint(low, high);
        let (_, snapshot) = played(&song, &chain(push_db, shoulder_db));
        let error = loudness(&snapshot).unwrap() - aim_lufs;
        if error.abs() < 0.02 {
            return (push_db, snapshot);
        }
        if error < 0.0 {
            low = push_db;
        } else {
            high = push_db;
        }
    }
    panic!("{aim_lufs} LUFS is not reached below 18 dB");
}

// What a mean is of has one at least that is no less: also where saturation leaves hardly a window of
// which a gain explains half.
#[test]
fn the_most_is_no_less_than_the_mean() {
    let dense = turnstile(48_000).channels;
    let dense = dense.map(|channel| channel[20 * 48_000..24 * 48_000].to_vec());
    let (_, snapshot) = played(&dense, &chain(18.0, Some(3.0)));
    for cost in [&snapshot.clean_reduction, &snapshot.output_reduction] {
        for band in &cost.bands {
            let trend = &band.reduction;
            let (mean, most) = (trend.mean_db.unwrap(), trend.max_db.unwrap());
            println!("mean {mean:.2} dB, most {most:.2} dB");
            assert!(most >= mean, "{mean} {most}");
        }
    }
}

// Common practice, and the reason why the two are set side by side: at one loudness and one
// ceiling, clean limiting costs little distortion, spreads it evenly and softens the beat; a soft
// clipper in front keeps more of the beat and pays in the upper bands.
#[test]
fn at_one_loudness_clean_limiting_distorts_less_and_saturation_keeps_more_of_the_beat() {
    for clean_push_db in [6.0, 9.0, 12.0] {
        let (_, clean) = played(&excerpt(), &chain(clean_push_db, None));
        let aim_lufs = clean.clean.readings.integrated_lufs.unwrap();
        let (push_db, saturated) = at_loudness(
            aim_lufs,
            |snapshot| snapshot.output.readings.integrated_lufs,
            Some(3.0),
        );
        println!("both at {aim_lufs:.2} LUFS");
        let (clean_ldr, ldr) = (
            clean.clean.readings.ldr_db.unwrap(),
            saturated.output.readings.ldr_db.unwrap(),
        );
        let (clean_cost, cost) = (&clean.clean_reduction, &saturated.output_reduction);
        let total = |cost: &Reduction| cost.distortion.mean_db.unwrap();
        let shares = |cost: &Reduction| cost.bands.map(|band| band.distortion.mean_db.unwrap());
        for (name, push_db, ldr, cost) in [
            ("clean", clean_push_db, clean_ldr, clean_cost),
            ("saturated", push_db, ldr, cost),
        ] {
            println!(
                "{name}: push {push_db:.2} dB, LDR {ldr:.2} dB, distortion {:.1} dB in all, {:.1?} dB by band, reduction {:.1?} dB",
                total(cost),
                shares(cost),
                cost.bands.map(|band| band.reduction.mean_db.unwrap()),
            );
        }
        assert!(clean_ldr + 0.2 < ldr, "{clean_ldr} {ldr}");
        assert!(
            total(clean_cost) + 0.5 < total(cost),
            "{} {}",
            total(clean_cost),
            total(cost)
        );
        let (even, tilted) = (shares(clean_cost), shares(cost));
        assert!(tilted.is_sorted(), "{tilted:?}");
        assert!(
            tilted[3] > even[3] && tilted[2] > even[2],
            "{tilted:?} {even:?}"
        );
        let spread = |shares: [f32; 4]| shares[3] - shares[0];
        assert!(
            spread(tilted) > 10.0 && spread(even) < 5.0,
            "{tilted:?} {even:?}"
        );
    }
}

#[test]
fn readings_of_the_paths_do_not_depend_on_the_blocks() {
    let part = excerpt().map(|channel| channel[..3 * 48_000].to_vec());
    let run = |sizes: &[usize]| {
        let mut engine = Engine::new(SPEC);
        let [mut left, mut right] = part.clone();
        let (mut start, mut sizes) = (0, sizes.iter().cycle());
        while start < left.len() {
            // The saturator goes on and off on its way.
            let end = left.len().min(start + sizes.next().unwrap());
            for (from, to) in [
                (start, end.min(48_000)),
                (start.max(48_000), end.min(72_000)),
                (start.max(72_000), end),
            ] {
                if from < to {
                    let shoulder_db = (48_000..72_000).contains(&from).then_some(3.0);
                    let settings = Settings {
                        chain: chain(9.0, shoulder_db),
                        ..Settings::default()
                    };
                    engine.process(
                        &mut [&mut left[from..to], &mut right[from..to]],
                        &[],
                        &settings,
                    );
                }
            }
            start = end;
        }
        let snapshot = engine.snapshot();
        (snapshot.clean_reduction, snapshot.output_reduction)
    };
    let whole = run(&[144_000]);
    assert!(whole.0 != whole.1);
    for sizes in [&[1][..], &[64, 333, 7], &[480]] {
        assert!(run(sizes) == whole, "{sizes:?}");
    }
}

#[test]
fn a_restart_forgets_and_a_reset_does_not() {
    let (mut engine, snapshot) = played(&excerpt(), &chain(9.0, Some(3.0)));
    engine.reset();
    assert_eq!(
        engine.snapshot().output_reduction,
        snapshot.output_reduction
    );
    engine.restart();
    assert_eq!(
        engine.snapshot().output_reduction.distortion,
        Trend::default()
    );
}
