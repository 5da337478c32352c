//! The linear stages and the band compressor: responses, curves, times, and that no change, split
//! or fault is heard.

#![expect(
    clippy::float_cmp,
    clippy::cast_sign_loss,
    reason = "bit-exactness is promised; rates are positive"
)]

use std::f64::consts::{LN_10, PI};

use crestline_core::process::{
    BandSettings, Bands, BandsSettings, Push, PushSettings, Shelves, ShelvesSettings,
};
use proptest::prelude::*;

const RATES_HZ: [f64; 4] = [44_100.0, 48_000.0, 96_000.0, 192_000.0];

/// The three stages under one roof, so that every promise is put to all of them.
struct Stages {
    push: Push,
    shelves: Shelves,
    bands: Bands,
}

#[derive(Clone, Copy, Debug, Default)]
struct Settings {
    push: PushSettings,
    shelves: ShelvesSettings,
    bands: BandsSettings,
}

impl Stages {
    fn new(sample_rate_hz: f64) -> Self {
        Self {
            push: Push::new(sample_rate_hz),
            shelves: Shelves::new(sample_rate_hz),
            bands: Bands::new(sample_rate_hz),
        }
    }

    fn reset(&mut self) {
        self.push.reset();
        self.shelves.reset();
        self.bands.reset();
    }

    fn process(&mut self, channels: &mut [&mut [f32]], settings: &Settings) {
        self.push.process(channels, &settings.push);
        self.shelves.process(channels, &settings.shelves);
        self.bands.process(channels, &settings.bands);
    }
}

/// Everything on and away from its default.
fn busy() -> Settings {
    let mut settings = Settings {
        push: PushSettings { push_db: 4.0 },
        shelves: ShelvesSettings {
            low_hz: 90.0,
            low_gain_db: 3.0,
            high_hz: 7000.0,
            high_gain_db: -2.5,
        },
        bands: BandsSettings {
            on: true,
            ..BandsSettings::default()
        },
    };
    for band in &mut settings.bands.bands {
        *band = BandSettings {
            threshold_db: -24.0,
            ratio: 3.0,
            makeup_db: 2.0,
            ..*band
        };
    }
    settings
}

/// Repeatable noise between −0.5 and 0.5 (Numerical Recipes' linear congruence).
fn noise(frames: usize) -> Vec<f32> {
    let mut seed = 1_u32;
    (0..frames)
        .map(|_| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 8) as f32 / 16_777_216.0 - 0.5
        })
        .collect()
}

fn sine(frames: usize, amplitude: f64, cycles_per_frame: f64) -> Vec<f32> {
    (0..frames)
        .map(|n| (amplitude * (2.0 * PI * cycles_per_frame * n as f64).sin()) as f32)
        .collect()
}

/// Index of the first sample that differs in any bit.
fn first_difference(a: &[f32], b: &[f32]) -> Option<usize> {
    assert_eq!(a.len(), b.len());
    bits(a).iter().zip(bits(b)).position(|(a, b)| *a != b)
}

fn bits(samples: &[f32]) -> Vec<u32> {
    samples.iter().map(|sample| sample.to_bits()).collect()
}

/// Gain in dB at one frequency, from an impulse response, by its discrete Fourier transform.
fn gain_db(impulse_response: &[f32], cycles_per_frame: f64) -> f64 {
    let (mut re, mut im) = (0.0, 0.0);
    for (n, sample) in impulse_response.iter().enumerate() {
        let (sin, cos) = (-2.0 * PI * cycles_per_frame * n as f64).sin_cos();
        re += f64::from(*sample) * cos;
        im += f64::from(*sample) * sin;
    }
    10.0 * (re * re + im * im).log10()
}

fn impulse(frames: usize) -> Vec<f32> {
    let mut samples = vec![0.0; frames];
    samples[0] = 1.0;
    samples
}

/// `f/fc` after the bilinear transform with the corner prewarped.
fn warped(freq_hz: f64, corner_hz: f64, sample_rate_hz: f64) -> f64 {
    (PI * freq_hz / sample_rate_hz).tan() / (PI * corner_hz / sample_rate_hz).tan()
}

/// Level of the low shelf of the *Audio EQ Cookbook* (S = 1): `|A·(s² + √(2A)·s + A)/(A·s² +
/// √(2A)·s + 1)|` at s = jr.
fn low_shelf_db(r: f64, gain_db: f64) -> f64 {
    let a = 10.0_f64.powf(gain_db / 40.0);
    let damping = 2.0 * a * r * r;
    let square = |x: f64| x * x;
    10.0 * (a * a * (square(a - r * r) + damping) / (square(1.0 - a * r * r) + damping)).log10()
}

#[test]
fn push_is_a_gain_and_passes_bit_for_bit_at_0_db() {
    let source = noise(1000);
    let mut push = Push::new(48_000.0);
    let mut samples = source.clone();
    samples[7] = -0.0;
    let before = samples.clone();
    push.process(&mut [&mut samples], &PushSettings::default());
    assert_eq!(first_difference(&samples, &before), None);
    let mut push = Push::new(48_000.0);
    let (mut left, mut right) = (source.clone(), source.clone());
    push.process(
        &mut [&mut left, &mut right],
        &PushSettings { push_db: 12.0 },
    );
    // 12 dB is a factor of 10^0.6.
    for (pushed, sample) in left.iter().zip(&source) {
        assert!((f64::from(*pushed) - f64::from(*sample) * 3.981_071_705_534_973).abs() < 3e-7);
    }
    assert_eq!(first_difference(&left, &right), None);
    let mut extremes = [f32::MAX, f32::MIN];
    push.process(&mut [&mut extremes], &PushSettings { push_db: 99.0 });
    assert_eq!(extremes, [f32::MAX, f32::MIN]);
}

#[test]
fn shelves_have_the_closed_form_of_the_cookbook() {
    for rate in RATES_HZ {
        for (low_hz, high_hz, low_gain_db, high_gain_db) in [
            (40.0, 1500.0, 9.0, -9.0),
            (120.0, 6000.0, -3.0, 2.0),
            (400.0, 12_000.0, 6.0, 9.0),
        ] {
            let settings = ShelvesSettings {
                low_hz,
                low_gain_db,
                high_hz,
                high_gain_db,
            };
            let mut response = impulse((0.4 * rate) as usize);
            Shelves::new(rate).process(&mut [&mut response], &settings);
            let [low, high] = settings.coefficients(rate);
            for step in 0..=33 {
                let freq_hz = 10.0 * 2000.0_f64.powf(f64::from(step) / 33.0);
                // The high shelf is the low one with the frequency axis turned round.
                let expected = low_shelf_db(warped(freq_hz, low_hz, rate), low_gain_db)
                    + low_shelf_db(1.0 / warped(freq_hz, high_hz, rate), high_gain_db);
                let measured = gain_db(&response, freq_hz / rate);
                assert!(
                    (measured - expected).abs() < 0.02,
                    "{rate} {settings:?} {freq_hz}: {measured} {expected}"
                );
                let drawn = low.magnitude_db(freq_hz, rate) + high.magnitude_db(freq_hz, rate);
                assert!((drawn - expected).abs() < 1e-6);
            }
        }
    }
}

#[test]
fn stages_at_rest_pass_every_sample_bit_for_bit() {
    let mut stages = Stages::new(48_000.0);
    let neutral = Settings::default();
    let mut source = noise(48_000);
    source[40_000] = -0.0;
    let (mut left, mut right) = (source.clone(), source.clone());
    stages.process(&mut [&mut left, &mut right], &neutral);
    assert_eq!(first_difference(&left, &source), None);
    // Once more after they have been at work: the ramps take 20 ms, the shelves' ringing less than
    // 0.3 s.
    stages.process(&mut [&mut left, &mut right], &busy());
    let (mut left, mut right) = (source.clone(), source.clone());
    stages.process(&mut [&mut left, &mut right], &neutral);
    assert_ne!(first_difference(&left[..960], &source[..960]), None);
    assert_eq!(first_difference(&left[15_000..], &source[15_000..]), None);
    assert_eq!(first_difference(&right[15_000..], &source[15_000..]), None);
    assert!(stages.bands.gain_db()[0] <= 0.0);
    stages.process(&mut [&mut left, &mut right], &neutral);
    assert_eq!(stages.bands.gain_db(), [0.0; 4]);
}

#[test]
fn idle_bands_sum_to_an_all_pass() {
    for rate in RATES_HZ {
        let mut settings = BandsSettings {
            on: true,
            ..BandsSettings::default()
        };
        settings.bands[1].enabled = false;
        for band in [0, 2, 3] {
            settings.bands[band].ratio = 1.0;
        }
        let mut response = impulse((0.4 * rate) as usize);
        Bands::new(rate).process(&mut [&mut response], &settings);
        for step in 0..=33 {
            let freq_hz = 10.0 * 2000.0_f64.powf(f64::from(step) / 33.0);
            let gain_db = gain_db(&response, freq_hz / rate);
            assert!(gain_db.abs() < 0.05, "{rate} {freq_hz}: {gain_db}");
        }
    }
}

/// Values of eq. 4 of Giannoulis, Massberg, Reiss, JAES 60(6) 2012, computed: threshold −20 dB,
/// ratio 4, knee 10 dB. A constant signal belongs to the lowest band alone.
#[test]
fn a_steady_level_comes_out_where_the_static_curve_says() {
    let table = [
        (-25.0, -25.0),
        (-23.0, -23.15),
        (-22.0, -22.3375),
        (-20.0, -20.9375),
        (-18.0, -19.8375),
        (-17.0, -19.4),
        (-15.0, -18.75),
        (0.0, -15.0),
    ];
    for (input_db, output_db) in table {
        let mut settings = BandsSettings {
            on: true,
            ..BandsSettings::default()
        };
        settings.bands[0] = BandSettings {
            threshold_db: -20.0,
            ratio: 4.0,
            knee_db: 10.0,
            makeup_db: 1.5,
            ..settings.bands[0]
        };
        let mut bands = Bands::new(48_000.0);
        let level = 10.0_f32.powf(input_db / 20.0);
        // The quieter channel shares the gain of the louder.
        let (mut left, mut right) = (vec![level; 96_000], vec![-level / 4.0; 96_000]);
        bands.process(&mut [&mut left, &mut right], &settings);
        let measured_db = 20.0 * f64::from(left[95_999]).log10();
        assert!(
            (measured_db - 1.5 - output_db).abs() < 0.02,
            "{input_db}: {measured_db}"
        );
        assert!((left[95_999] / right[95_999] + 4.0).abs() < 1e-5);
        bands.process(&mut [&mut left[..1], &mut right[..1]], &settings);
        let gain_db = f64::from(bands.gain_db()[0]);
        assert!(
            (gain_db - (output_db - f64::from(input_db))).abs() < 0.02,
            "{input_db}: {gain_db}"
        );
    }
}

/// The level of a tone in each band is known from the Linkwitz-Riley closed form (bilinear: r is
/// the warped frequency ratio). The long release holds the gain between the tone's peaks; 20 s let
/// it forget the tone's beginning.
#[test]
fn a_tone_turns_each_band_down_as_its_level_there_demands() {
    let rate = 48_000.0;
    for freq_hz in [171.7, 371.3, 1000.7, 2411.9, 7003.3] {
        let mut settings = BandsSettings {
            on: true,
            ..BandsSettings::default()
        };
        for band in &mut settings.bands {
            *band = BandSettings {
                threshold_db: -30.0,
                ratio: 3.0,
                knee_db: 12.0,
                release_ms: 2000.0,
                attack_ms: 5.0,
                ..*band
            };
        }
        let mut bands = Bands::new(rate);
        let mut tone = sine(960_000, 0.5, freq_hz / rate);
        bands.process(&mut [&mut tone[..959_900]], &settings);
        bands.process(&mut [&mut tone[959_900..]], &settings);
        let r4 = [120.0, 1000.0, 6000.0].map(|corner_hz| warped(freq_hz, corner_hz, rate).powi(4));
        let (low, high) = (r4.map(|r4| 1.0 / (1.0 + r4)), r4.map(|r4| r4 / (1.0 + r4)));
        let gains = [
            low[1] * low[0],
            low[1] * high[0],
            high[1] * low[2],
            high[1] * high[2],
        ];
        for ((gain, settings), measured_db) in
            gains.iter().zip(&settings.bands).zip(bands.gain_db())
        {
            let level_db = 20.0 * (0.5 * gain).log10();
            let expected_db = settings.output_db(level_db) - level_db;
            assert!(
                (f64::from(measured_db) - expected_db).abs() < 0.02,
                "{freq_hz}: {measured_db} {expected_db}"
            );
        }
    }
}

/// By definition 63.2 % of the way after the time constant. The tone's own rise through the
/// crossover takes about a millisecond.
#[test]
fn attack_and_release_take_their_time_through_the_whole_stage() {
    let rate = 48_000.0;
    let mut settings = BandsSettings {
        on: true,
        ..BandsSettings::default()
    };
    settings.bands[2] = BandSettings {
        threshold_db: -40.0,
        ratio: 2.0,
        knee_db: 0.0,
        attack_ms: 100.0,
        release_ms: 1000.0,
        ..settings.bands[2]
    };
    let mut bands = Bands::new(rate);
    let at = |bands: &mut Bands, amplitude: f64, frames: usize, settings: &BandsSettings| {
        let mut tone = sine(frames, amplitude, 2411.9 / rate);
        bands.process(&mut [&mut tone[..frames - 1]], settings);
        bands.process(&mut [&mut tone[frames - 1..]], settings);
        f64::from(bands.gain_db()[2])
    };
    at(&mut bands, 0.0, 4800, &settings);
    let attacked = at(&mut bands, 0.5, 4800, &settings);
    let settled = at(&mut bands, 0.5, 96_000, &settings);
    assert!(
        (attacked / settled - 0.632).abs() < 0.015,
        "{attacked} {settled}"
    );
    settings.bands[2].attack_ms = 0.1;
    let full = at(&mut bands, 0.5, 48_000, &settings);
    let released = at(&mut bands, 0.0, 48_000, &settings);
    assert!(
        (1.0 - released / full - 0.632).abs() < 0.005,
        "{full} {released}"
    );
}

#[test]
fn solo_leaves_only_its_band() {
    let mut settings = BandsSettings {
        on: true,
        ..BandsSettings::default()
    };
    settings.bands[1].solo = true;
    let mut response = impulse(48_000);
    for band in &mut settings.bands {
        band.ratio = 1.0;
    }
    Bands::new(48_000.0).process(&mut [&mut response], &settings);
    for (freq_hz, corner_hz) in [(120.0, 120.0), (1000.0, 1000.0), (30.0, 120.0)] {
        let r4 = warped(freq_hz, 120.0, 48_000.0).powi(4);
        let s4 = warped(freq_hz, 1000.0, 48_000.0).powi(4);
        let expected_db = 20.0 * (r4 / (1.0 + r4) / (1.0 + s4)).log10();
        assert!(
            (gain_db(&response, freq_hz / 48_000.0) - expected_db).abs() < 0.02,
            "{corner_hz}"
        );
    }
}

/// While a gain ramps, a tone may move by its own largest step at the louder of the two gains, plus
/// what the ramp adds: straight in dB, at most `ln 10/20 · Δ dB/N` of the signal a frame, `N` the
/// 20 ms of the ramp.
#[test]
fn no_setting_makes_a_step_when_it_is_moved() {
    let rate = 48_000.0;
    let amplitude = 0.25;
    let ramp_frames = 960.0;
    let change = |edit: fn(&mut Settings)| {
        let mut settings = busy();
        edit(&mut settings);
        settings
    };
    // Edited settings, and by how many dB they can change the gain of anything in the time of a
    // ramp. The times are not ramped: an attack of 5 ms goes 1/240 of the way a frame, here 6 dB at
    // most, which is 24 dB in 960 frames.
    let cases: [(&str, Settings, f64); 14] = [
        ("push", change(|s| s.push.push_db = 10.0), 6.0),
        ("low gain", change(|s| s.shelves.low_gain_db = -9.0), 12.0),
        ("high gain", change(|s| s.shelves.high_gain_db = 9.0), 11.5),
        ("low corner", change(|s| s.shelves.low_hz = 400.0), 3.0),
        ("high corner", change(|s| s.shelves.high_hz = 1500.0), 2.5),
        (
            "threshold",
            change(|s| s.bands.bands[1].threshold_db = -60.0),
            36.0,
        ),
        ("ratio", change(|s| s.bands.bands[1].ratio = 10.0), 12.0),
        ("knee", change(|s| s.bands.bands[1].knee_db = 24.0), 12.0),
        (
            "make-up",
            change(|s| s.bands.bands[1].makeup_db = -12.0),
            14.0,
        ),
        (
            "enabled",
            change(|s| s.bands.bands[1].enabled = false),
            20.0,
        ),
        (
            "times",
            change(|s| (s.bands.bands[1].attack_ms, s.bands.bands[1].release_ms) = (5.0, 50.0)),
            24.0,
        ),
        (
            "corner between bands",
            change(|s| s.bands.crossovers_hz[1] = 400.0),
            20.0,
        ),
        ("solo", change(|s| s.bands.bands[1].solo = true), 20.0),
        ("off", change(|s| s.bands.on = false), 20.0),
    ];
    for freq_hz in [50.0, 300.0, 1000.0] {
        for (name, edited, change_db) in &cases {
            for way in [[busy(), *edited], [*edited, busy()]] {
                let mut stages = Stages::new(rate);
                let mut tone = sine(48_000, amplitude, freq_hz / rate);
                stages.process(&mut [&mut tone[..24_000]], &way[0]);
                stages.process(&mut [&mut tone[24_000..]], &way[1]);
                let peak = |range: &[f32]| {
                    range
                        .iter()
                        .fold(0.0, |peak: f64, sample| peak.max(f64::from(sample.abs())))
                };
                let loudest = peak(&tone[12_000..24_000]).max(peak(&tone[24_000..]));
                let bound =
                    loudest * (2.0 * PI * freq_hz / rate + LN_10 / 20.0 * change_db / ramp_frames);
                for pair in tone[23_000..30_000].windows(2) {
                    let step = f64::from((pair[1] - pair[0]).abs());
                    assert!(step <= bound, "{name} at {freq_hz} Hz: {step} > {bound}");
                }
            }
        }
    }
}

#[test]
fn faults_in_the_signal_are_zeros_and_leave_no_trace() {
    for fault in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY] {
        let mut source = noise(9600);
        for n in [100, 101, 500, 4000] {
            source[n] = 0.0;
        }
        let mut clean = source.clone();
        let mut settings = busy();
        settings.push.push_db = 0.0;
        Stages::new(48_000.0).process(&mut [&mut clean], &settings);
        for n in [100, 101, 500, 4000] {
            source[n] = fault;
        }
        Stages::new(48_000.0).process(&mut [&mut source], &settings);
        assert_eq!(first_difference(&source, &clean), None);
    }
}

#[test]
fn absurd_levels_and_settings_stay_finite_and_are_recovered_from() {
    let wild = f64::MAX;
    let mut settings = busy();
    settings.push.push_db = f64::NAN;
    settings.shelves = ShelvesSettings {
        low_hz: f64::NAN,
        low_gain_db: wild,
        high_hz: -wild,
        high_gain_db: f64::INFINITY,
    };
    settings.bands.crossovers_hz = [f64::NAN, wild, -wild];
    settings.bands.bands[2] = BandSettings {
        threshold_db: f64::NAN,
        ratio: -wild,
        knee_db: f64::NAN,
        attack_ms: f64::NAN,
        release_ms: 0.0,
        makeup_db: wild,
        ..settings.bands.bands[2]
    };
    for rate in [8000.0, 1234.5678, 48_000.0, 384_000.0] {
        let mut stages = Stages::new(rate);
        let mut samples: Vec<f32> = noise(8000).iter().map(|sample| sample * f32::MAX).collect();
        stages.process(&mut [&mut samples], &settings);
        assert!(samples.iter().all(|sample| sample.is_finite()));
        let mut samples = noise(40_000);
        stages.process(&mut [&mut samples], &settings);
        assert!(samples.iter().all(|sample| sample.is_finite()));
        let (mut left, mut right) = (Vec::new(), Vec::new());
        stages.process(&mut [&mut left, &mut right], &settings);
        stages.process(&mut [], &settings);
    }
}

#[test]
fn silence_becomes_exactly_zero_without_passing_through_denormals() {
    for rate in [8000.0, 48_000.0, 192_000.0] {
        let mut stages = Stages::new(rate);
        let mut settings = busy();
        settings.shelves.low_hz = 40.0;
        settings.bands.crossovers_hz = [20.0, 1000.0, 6000.0];
        let mut samples = noise(rate as usize);
        stages.process(&mut [&mut samples], &settings);
        let mut silence = vec![0.0_f32; 2 * rate as usize];
        stages.process(&mut [&mut silence], &settings);
        assert!(silence.iter().all(|sample| !sample.is_subnormal()));
        assert!(silence[rate as usize..].iter().all(|sample| *sample == 0.0));
    }
}

#[test]
fn after_a_reset_everything_sounds_as_if_new() {
    let settings = busy();
    let mut stages = Stages::new(44_100.0);
    let (mut first, mut second) = (noise(5000), noise(5000));
    stages.process(&mut [&mut first], &settings);
    stages.process(&mut [&mut noise(777)], &Settings::default());
    stages.reset();
    stages.process(&mut [&mut second], &settings);
    assert_eq!(first_difference(&first, &second), None);
}

fn any_settings() -> impl Strategy<Value = Settings> {
    let band = (
        any::<bool>(),
        prop::bool::weighted(0.2),
        -60.0..0.0,
        1.0..10.0,
        0.0..24.0,
        0.1..50.0,
        5.0..500.0,
        -12.0..12.0,
    )
        .prop_map(
            |(enabled, solo, threshold_db, ratio, knee_db, attack_ms, release_ms, makeup_db)| {
                BandSettings {
                    enabled,
                    solo,
                    threshold_db,
                    ratio,
                    knee_db,
                    attack_ms,
                    release_ms,
                    makeup_db,
                }
            },
        );
    let gain = prop_oneof![Just(0.0), -9.0..9.0];
    (
        prop_oneof![Just(0.0), 0.0..18.0],
        (40.0..400.0, gain.clone(), 1500.0..12_000.0, gain),
        (
            any::<bool>(),
            [40.0..200.0, 300.0..2000.0, 3000.0..9000.0],
            [band.clone(), band.clone(), band.clone(), band],
        ),
    )
        .prop_map(
            |(
                push_db,
                (low_hz, low_gain_db, high_hz, high_gain_db),
                (on, crossovers_hz, bands),
            )| Settings {
                push: PushSettings { push_db },
                shelves: ShelvesSettings {
                    low_hz,
                    low_gain_db,
                    high_hz,
                    high_gain_db,
                },
                bands: BandsSettings {
                    on,
                    crossovers_hz,
                    bands,
                },
            },
        )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Settings change at the same frames in both runs, often while a ramp is still in motion; the
    /// second run is cut up as it comes.
    #[test]
    fn results_do_not_depend_on_how_the_signal_is_split(
        schedule in prop::collection::vec((any_settings(), 1_usize..3000), 1..6),
        cuts in prop::collection::vec(1_usize..200, 1..12),
        rate in prop_oneof![Just(8000.0), Just(44_100.0), Just(48_000.5)],
    ) {
        let frames: usize = schedule.iter().map(|(_, frames)| frames).sum();
        let (mut left, mut right) = (noise(frames), noise(frames));
        right.reverse();
        let (mut left_cut, mut right_cut) = (left.clone(), right.clone());
        let (mut whole, mut cut) = (Stages::new(rate), Stages::new(rate));
        let mut cuts = cuts.iter().cycle();
        let mut start = 0;
        for (settings, length) in &schedule {
            let end = start + length;
            whole.process(&mut [&mut left[start..end], &mut right[start..end]], settings);
            while start < end {
                let next = (start + cuts.next().copied().unwrap_or(1)).min(end);
                cut.process(&mut [&mut left_cut[start..next], &mut right_cut[start..next]], settings);
                start = next;
            }
        }
        prop_assert_eq!(first_difference(&left, &left_cut), None);
        prop_assert_eq!(first_difference(&right, &right_cut), None);
        prop_assert!(left.iter().chain(&right).all(|sample| sample.is_finite()));
    }
}
