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
use kit::automation::bands;
use proptest::prelude::*;

pub(super) const RATES_HZ: [f64; 4] = [44_100.0, 48_000.0, 96_000.0, 192_000.0];

/// The three stages under one roof, so that every promise is put to all of them.
pub(super) struct Stages {
    push: Push,
    shelves: Shelves,
    pub(super) bands: Bands,
}

#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Settings {
    push: PushSettings,
    shelves: ShelvesSettings,
    bands: BandsSettings,
}

impl Stages {
    pub(super) fn new(sample_rate_hz: f64) -> Self {
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

    pub(super) fn process(&mut self, channels: &mut [&mut [f32]], settings: &Settings) {
        self.push.process(channels, &settings.push);
        self.shelves.process(channels, &settings.shelves);
        kit::engine_run::compress(&mut self.bands, channels, &settings.bands);
    }
}

/// Everything on and away from its default.
pub(super) fn busy() -> Settings {
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
pub(super) fn noise(frames: usize) -> Vec<f32> {
    let mut seed = 1_u32;
    (0..frames)
        .map(|_| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 8) as f32 / 16_777_216.0 - 0.5
        })
        .collect()
}

pub(super) fn sine(frames: usize, amplitude: f64, cycles_per_frame: f64) -> Vec<f32> {
    (0..frames)
        .map(|n| (amplitude * (2.0 * PI * cycles_per_frame * n as f64).sin()) as f32)
        .collect()
}

/// Index of the first sample that differs in any bit.
pub(super) fn first_difference(a: &[f32], b: &[f32]) -> Option<usize> {
    assert_eq!(a.len(), b.len());
    bits(a).iter().zip(bits(b)).position(|(a, b)| *a != b)
}

fn bits(samples: &[f32]) -> Vec<u32> {
    samples.iter().map(|sample| sample.to_bits()).collect()
}

/// Gain in dB at one frequency, from an impulse response, by its discrete Fourier transform.
pub(super) fn gain_db(impulse_response: &[f32], cycles_per_frame: f64) -> f64 {
    let (mut re, mut im) = (0.0, 0.0);
    for (n, sample) in impulse_response.iter().enumerate() {
        let (sin, cos) = (-2.0 * PI * cycles_per_frame * n as f64).sin_cos();
        re += f64::from(*sample) * cos;
        im += f64::from(*sample) * sin;
    }
    10.0 * (re * re + im * im).log10()
}

pub(super) fn impulse(frames: usize) -> Vec<f32> {
    let mut samples = vec![0.0; frames];
    samples[0] = 1.0;
    samples
}

/// `f/fc` after the bilinear transform with the corner prewarped.
pub(super) fn warped(freq_hz: f64, corner_hz: f64, sample_rate_hz: f64) -> f64 {
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
    assert!(stages.bands.take_activity().gain_db[0] < 0.0);
    stages.process(&mut [&mut left, &mut right], &neutral);
    assert_eq!(stages.bands.take_activity().gain_db, [0.0; 4]);
}

/// A Butterworth high-pass of eighth order at 2 kHz (48 kHz), as four sections of the bilinear
/// transform: R. Bristow-Johnson, *Audio EQ Cookbook*.
fn above_2_khz(signal: &[f32]) -> Vec<f64> {
    let mut signal: Vec<f64> = signal.iter().map(|x| f64::from(*x)).collect();
    for pole in [1.0, 3.0, 5.0, 7.0] {
        let w = 2.0 * PI * 2_000.0 / 48_000.0;
        let alpha = w.sin() * (pole * PI / 16.0).cos();
        let (b, a0) = ((1.0 + w.cos()) / 2.0, 1.0 + alpha);
        let (a1, a2) = (-2.0 * w.cos() / a0, (1.0 - alpha) / a0);
        let ([mut x1, mut x2], [mut y1, mut y2]) = ([0.0; 2], [0.0; 2]);
        for sample in &mut signal {
            let x = *sample;
            let y = b / a0 * (x - 2.0 * x1 + x2) - a1 * y1 - a2 * y2;
            (x1, x2, y1, y2) = (x, x1, y, y1);
            *sample = y;
        }
    }
    signal
}

// A filter that passes bass as it is says nothing of it while it moves.
#[test]
fn a_high_shelf_that_moves_does_not_tick_with_the_bass() {
    let base = ShelvesSettings {
        high_hz: 6_000.0,
        ..ShelvesSettings::default()
    };
    let high = |high_hz: f64, high_gain_db: f64| ShelvesSettings {
        high_hz,
        high_gain_db,
        ..base
    };
    for (from, to) in [
        (high(6_000.0, -9.0), high(6_000.0, 9.0)),
        (high(6_000.0, 0.0), high(6_000.0, 3.0)),
        (high(12_000.0, 9.0), high(1_500.0, 9.0)),
        (high(1_500.0, 9.0), high(12_000.0, 9.0)),
    ] {
        // Blocks of one size, and of odd ones that end in the midst of everything.
        for sizes in [&[512_usize][..], &[1, 7, 33, 2, 250]] {
            let wave = |n: usize, hz: f64| (2.0 * PI * hz * n as f64 / 48_000.0).sin();
            let mut bass: Vec<f32> = (0..48_000)
                .map(|n| (0.63 * wave(n, 55.0) + 0.27 * wave(n, 211.0)) as f32)
                .collect();
            let mut shelves = Shelves::new(48_000.0);
            let (mut start, mut sizes) = (0, sizes.iter().cycle());
            while start < bass.len() {
                let end = bass.len().min(start + sizes.next().unwrap());
                let settings = if start < 24_000 { &from } else { &to };
                shelves.process(&mut [&mut bass[start..end]], settings);
                start = end;
            }
            let above = &above_2_khz(&bass)[20_000..];
            let peak = above.iter().fold(0.0_f64, |peak, x| peak.max(x.abs()));
            let peak_db = 20.0 * peak.log10();
            println!("{from:?} to {to:?}: {peak_db:.1} dBFS above 2 kHz");
            assert!(peak_db < -80.0, "{from:?} to {to:?}: {peak_db:.1} dBFS");
        }
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
    let cases: [(&str, Settings, f64); 13] = [
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
            // Of 14 dB, by the shelves at either side of the band: against each other where it is
            // not heard, and one a fraction of a millisecond after the other.
            change(|s| s.bands.bands[1].makeup_db = -12.0),
            28.0,
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
    let gain = prop_oneof![Just(0.0), -9.0..9.0];
    (
        prop_oneof![Just(0.0), 0.0..18.0],
        (40.0..400.0, gain.clone(), 1500.0..12_000.0, gain),
        bands(),
    )
        .prop_map(
            |(push_db, (low_hz, low_gain_db, high_hz, high_gain_db), bands)| Settings {
                push: PushSettings { push_db },
                shelves: ShelvesSettings {
                    low_hz,
                    low_gain_db,
                    high_hz,
                    high_gain_db,
                },
                bands,
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
