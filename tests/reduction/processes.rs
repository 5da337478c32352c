//! Devices of known effect, written down from published formulas.

use crestline_core::process::{Bands, BandsSettings, Limiter, LimiterSettings};
use kit::before_after::split;
use kit::engine_run::compress;
use std::f64::consts::{PI, TAU};

pub const RATE_HZ: f64 = 48_000.0;

/// One vector a channel.
pub type Planes = Vec<Vec<f32>>;

/// What makes a signal after of one before.
pub type Device = Box<dyn Fn(&Planes) -> Planes>;

/// b0, b1, b2, a1, a2.
type Biquad = [f64; 5];

fn biquad([b0, b1, b2, a1, a2]: Biquad, signal: &Planes) -> Planes {
    let filtered = |channel: &Vec<f32>| {
        let (mut x, mut y) = ([0.0; 2], [0.0; 2]);
        let step = |sample: &f32| {
            let now = f64::from(*sample);
            let out = b0 * now + b1 * x[0] + b2 * x[1] - a1 * y[0] - a2 * y[1];
            (x, y) = ([now, x[0]], [out, y[0]]);
            out as f32
        };
        channel.iter().map(step).collect()
    };
    signal.iter().map(filtered).collect()
}

/// Peaking filter of R. Bristow-Johnson, "Audio EQ Cookbook".
pub fn bell(hz: f64, gain_db: f64, q: f64) -> Device {
    let a = 10.0_f64.powf(gain_db / 40.0);
    let w = TAU * hz / RATE_HZ;
    let alpha = w.sin() / (2.0 * q);
    let a0 = 1.0 + alpha / a;
    let filter = [
        (1.0 + alpha * a) / a0,
        -2.0 * w.cos() / a0,
        (1.0 - alpha * a) / a0,
        -2.0 * w.cos() / a0,
        (1.0 - alpha / a) / a0,
    ];
    Box::new(move |signal| biquad(filter, signal))
}

/// High-pass filter of the same, Q 1/√2.
pub fn high_pass(hz: f64) -> Device {
    high_pass_of(hz, 0.5_f64.sqrt())
}

fn high_pass_of(hz: f64, q: f64) -> Device {
    let w = TAU * hz / RATE_HZ;
    let (alpha, cos) = (w.sin() / (2.0 * q), w.cos());
    let a0 = 1.0 + alpha;
    let filter = [
        (1.0 + cos) / 2.0 / a0,
        -(1.0 + cos) / a0,
        (1.0 + cos) / 2.0 / a0,
        -2.0 * cos / a0,
        (1.0 - alpha) / a0,
    ];
    Box::new(move |signal| biquad(filter, signal))
}

/// High shelf of the same, slope 1.
pub fn high_shelf(hz: f64, gain_db: f64) -> Device {
    let a = 10.0_f64.powf(gain_db / 40.0);
    let w = TAU * hz / RATE_HZ;
    let (alpha, cos) = (w.sin() / 2.0_f64.sqrt(), w.cos());
    let root = 2.0 * a.sqrt() * alpha;
    let a0 = (a + 1.0) - (a - 1.0) * cos + root;
    let filter = [
        a * ((a + 1.0) + (a - 1.0) * cos + root) / a0,
        -2.0 * a * ((a - 1.0) + (a + 1.0) * cos) / a0,
        a * ((a + 1.0) + (a - 1.0) * cos - root) / a0,
        2.0 * ((a - 1.0) - (a + 1.0) * cos) / a0,
        ((a + 1.0) - (a - 1.0) * cos - root) / a0,
    ];
    Box::new(move |signal| biquad(filter, signal))
}

/// The ideal interpolator `sin(π(n − d))/(π(n − d))` under a raised cosine of ±64 frames.
pub fn fraction(delay: f64) -> Device {
    const REACH: i32 = 64;
    let taps: Vec<(i32, f64)> = (-REACH..=REACH)
        .map(|n| {
            let at = f64::from(n) - delay;
            let ideal = if at.abs() < 1e-9 {
                1.0
            } else {
                (PI * at).sin() / (PI * at)
            };
            (
                n,
                ideal * (PI * at / f64::from(2 * REACH + 2)).cos().powi(2),
            )
        })
        .collect();
    each(move |channel, frame| {
        let tap = |(n, tap): &(i32, f64)| {
            let at = i64::try_from(frame).ok()? - i64::from(*n);
            Some(tap * f64::from(*channel.get(usize::try_from(at).ok()?)?))
        };
        taps.iter().filter_map(tap).sum()
    })
}

fn each(of: impl Fn(&[f32], usize) -> f64 + 'static) -> Device {
    Box::new(move |signal| {
        let mapped = |channel: &Vec<f32>| {
            (0..channel.len())
                .map(|frame| of(channel, frame) as f32)
                .collect()
        };
        signal.iter().map(mapped).collect()
    })
}

/// A device that maps frames of two channels by themselves.
pub fn frames(of: impl Fn(usize, f64, f64) -> [f64; 2] + 'static) -> Device {
    Box::new(move |signal| {
        let mut out = vec![Vec::new(); 2];
        for (frame, (left, right)) in signal[0].iter().zip(&signal[1]).enumerate() {
            let mapped = of(frame, f64::from(*left), f64::from(*right));
            for (channel, sample) in out.iter_mut().zip(mapped) {
                channel.push(sample as f32);
            }
        }
        out
    })
}

/// Four Linkwitz-Riley bands added up again: three all-passes of second order.
pub fn crossover(corners_hz: [f64; 3]) -> Device {
    crossover_at(RATE_HZ, corners_hz)
}

pub fn crossover_at(rate_hz: f64, corners_hz: [f64; 3]) -> Device {
    Box::new(move |signal| {
        let mut out = vec![Vec::new(); 2];
        for [a, b, c, d] in split(rate_hz, corners_hz, [&signal[0], &signal[1]]) {
            let sum = ((a + b) + (c + d)).to_array();
            for (channel, sample) in out.iter_mut().zip(sum) {
                channel.push(sample as f32);
            }
        }
        out
    })
}

pub fn gain(db: f64) -> f64 {
    10.0_f64.powf(db / 20.0)
}

/// A compressor as of D. Giannoulis, M. Massberg, J. Reiss, JAES 60(6) 2012: hard knee at −24 dB,
/// ratio 4, attack 10 ms and release 100 ms of the gain in dB, level from an rms of 5 ms.
pub fn compressor(linked: bool) -> Device {
    compressor_of(linked, [5.0, 10.0, 100.0])
}

/// The same with other times, ms: of the rms, the attack and the release.
pub fn compressor_of(linked: bool, [rms_ms, attack_ms, release_ms]: [f64; 3]) -> Device {
    const THRESHOLD_DB: f64 = -24.0;
    let share = |ms: f64| 1.0 - (-1000.0 / (ms * RATE_HZ)).exp();
    Box::new(move |signal| {
        let (mut energies, mut reduced_db) = ([0.0; 2], [0.0; 2]);
        let mut out = vec![Vec::new(); 2];
        for (left, right) in signal[0].iter().zip(&signal[1]) {
            let samples = [f64::from(*left), f64::from(*right)];
            let mut levels_db = [0.0; 2];
            for channel in 0..2 {
                energies[channel] += share(rms_ms) * (samples[channel].powi(2) - energies[channel]);
                levels_db[channel] = 10.0 * (2.0 * energies[channel]).max(1e-12).log10();
            }
            if linked {
                levels_db = [levels_db[0].max(levels_db[1]); 2];
            }
            for channel in 0..2 {
                let wanted_db = (levels_db[channel] - THRESHOLD_DB).max(0.0) * 0.75;
                let step = if wanted_db > reduced_db[channel] {
                    attack_ms
                } else {
                    release_ms
                };
                reduced_db[channel] += share(step) * (wanted_db - reduced_db[channel]);
                out[channel].push((samples[channel] * gain(-reduced_db[channel])) as f32);
            }
        }
        out
    })
}

/// x − 0.1·x³.
pub fn cubic() -> Device {
    each(|channel, frame| {
        let x = f64::from(channel[frame]);
        x - 0.1 * x * x * x
    })
}

/// Four-band compression at the corners given.
pub fn bands(corners_hz: [f64; 3]) -> Device {
    Box::new(move |signal| {
        let mut settings = BandsSettings {
            on: true,
            crossovers_hz: corners_hz,
            ..BandsSettings::default()
        };
        for band in &mut settings.bands {
            band.threshold_db = -30.0;
        }
        let mut bands = Bands::new(RATE_HZ);
        let mut out = signal.clone();
        if let [left, right] = &mut *out {
            compress(&mut bands, &mut [left, right], &settings);
        }
        out
    })
}

/// The limiter, pushed, with its latency taken out.
pub fn limiter(push_db: f64) -> Device {
    Box::new(move |signal| {
        let mut out = signal.clone();
        for sample in out.iter_mut().flatten() {
            *sample *= gain(push_db) as f32;
        }
        let mut limiter = Limiter::new(RATE_HZ, 2);
        if let [left, right] = &mut *out {
            limiter.process(&mut [left, right], &LimiterSettings::default());
        }
        for channel in &mut out {
            channel.drain(..limiter.latency_frames());
            channel.resize(signal[0].len(), 0.0);
        }
        out
    })
}

/// A clock that runs slow by so many millionths: the delay goes from minus to plus half of what adds
/// up over the signal.
fn drifting(millionths: f64) -> Device {
    const REACH: i64 = 32;
    each(move |channel, frame| {
        let at = frame as f64 - millionths * 1e-6 * (frame as f64 - channel.len() as f64 / 2.0);
        let nearest = at.round() as i64;
        let tap = |n: i64| {
            let off = PI * (at - n as f64);
            let ideal = if off.abs() < 1e-9 {
                1.0
            } else {
                off.sin() / off
            };
            let window = (off / (2 * REACH + 2) as f64).cos().powi(2);
            Some(ideal * window * f64::from(*channel.get(usize::try_from(n).ok()?)?))
        };
        (nearest - REACH..=nearest + REACH).filter_map(tap).sum()
    })
}

/// Clipped at that, a share of full scale.
pub fn clipped(at: f64) -> Device {
    frames(move |_, left, right| [left.clamp(-at, at), right.clamp(-at, at)])
}

/// The signal and a copy of it whose delay sways around 8 ms, added up in these shares.
pub fn swaying(dry: f64, wet: f64, depth_ms: f64, hz: f64) -> Device {
    each(move |channel, frame| {
        let ms = 8.0 + depth_ms * (TAU * hz * frame as f64 / RATE_HZ).sin();
        let at = frame as f64 - ms * RATE_HZ / 1000.0;
        let sample = |at: f64| {
            #[expect(clippy::cast_sign_loss, reason = "asked for just there")]
            let index = if at >= 0.0 { at as usize } else { return 0.0 };
            f64::from(channel[index])
        };
        let share = at - at.floor();
        dry * f64::from(channel[frame])
            + wet * ((1.0 - share) * sample(at.floor()) + share * sample(at.floor() + 1.0))
    })
}

/// One after the other.
pub fn chain(devices: Vec<Device>) -> Device {
    Box::new(move |signal| {
        devices
            .iter()
            .fold(signal.clone(), |signal, device| device(&signal))
    })
}

/// A Butterworth high-pass of an even order, at a gain: 1/Q is twice the cosine of each pole's
/// angle.
pub fn steep(order: i32, hz: f64, gain: f64) -> Device {
    let q = |section: i32| 0.5 / (PI * f64::from(2 * section + 1) / f64::from(2 * order)).cos();
    let mut devices: Vec<Device> = (0..order / 2)
        .map(|section| high_pass_of(hz, q(section)))
        .collect();
    devices.push(frames(move |_, left, right| [gain * left, gain * right]));
    chain(devices)
}

/// Devices that are linear and stay what they are.
pub fn statics() -> Vec<(&'static str, Device)> {
    vec![
        ("half a sample", fraction(0.5)),
        (
            "mean of two samples",
            each(|channel, frame| {
                let last = frame
                    .checked_sub(1)
                    .map_or(0.0, |last| f64::from(channel[last]));
                0.5 * (f64::from(channel[frame]) + last)
            }),
        ),
        ("20 Hz high-pass", high_pass(20.0)),
        ("30 Hz high-pass, 48 dB an octave", steep(8, 30.0, 1.0)),
        ("upside down, and 48 dB an octave", steep(8, 30.0, -1.0)),
        ("bell +3 dB at 3 kHz", bell(3000.0, 3.0, 1.0)),
        ("bell -6 dB at 300 Hz", bell(300.0, -6.0, 1.0)),
        ("bell +6 dB at 60 Hz, Q 4", bell(60.0, 6.0, 4.0)),
        ("shelf -4 dB at 8 kHz", high_shelf(8000.0, -4.0)),
        ("crossover", crossover([120.0, 1000.0, 6000.0])),
        ("another crossover", crossover([90.0, 700.0, 4500.0])),
        (
            "side +3 dB",
            frames(|_, left, right| {
                let (middle, side) = ((left + right) / 2.0, (left - right) / 2.0 * gain(3.0));
                [middle + side, middle - side]
            }),
        ),
        (
            "left -3 dB",
            frames(|_, left, right| [left * gain(-3.0), right]),
        ),
        (
            "DC +0.01",
            frames(|_, left, right| [left + 0.01, right + 0.01]),
        ),
        ("upside down", frames(|_, left, right| [-left, -right])),
        (
            "upside down behind a crossover",
            chain(vec![
                crossover([120.0, 1000.0, 6000.0]),
                frames(|_, left, right| [-left, -right]),
            ]),
        ),
    ]
}

/// Devices whose delay moves.
pub fn unfixed() -> Vec<(&'static str, Device)> {
    vec![
        ("chorus", swaying(0.7, 0.3, 2.0, 0.8)),
        ("vibrato", swaying(0.0, 1.0, 0.5, 2.0)),
        ("slow drift", swaying(0.0, 1.0, 1.0, 0.05)),
        ("a clock a millionth off", drifting(1.0)),
        (
            "a delay that jumps",
            each(|channel, frame| {
                let delay = if frame < 480_000 { 0 } else { 100 };
                frame
                    .checked_sub(delay)
                    .map_or(0.0, |at| f64::from(channel[at]))
            }),
        ),
    ]
}
