//! What the `ebur128` crate reads: a general library that is tested against the standards' own
//! files.

use crate::metering::Group;
use crate::signals::{decibels, frames};
use crestline_core::measure::{ChannelRole, Readings};
use ebur128::{Channel, EbuR128, Mode};
use std::f64::consts::TAU;

/// Everything, from lists: the library's histograms have bins of 0.1 LU.
const LISTS: Mode = Mode::from_bits_truncate(Mode::all().bits() & !Mode::HISTOGRAM.bits());

/// What the library reads.
pub struct Reference {
    pub integrated_lufs: f64,
    pub momentary_max_lufs: f64,
    pub short_term_max_lufs: f64,
    pub loudness_range_lu: f64,
    /// Loudness range by the listing of EBU Tech 3342, section 3, from the library's short-term
    /// loudness every 100 ms. The library itself takes a value once a second, as the first version
    /// of that document did.
    pub loudness_range_100ms_lu: f64,
    pub true_peak_dbtp: f64,
}

/// The library is asked for its windows every 10 ms, which is how often ours move.
pub fn reference(rate_hz: f64, roles: &[ChannelRole], channels: &[&[f32]]) -> Reference {
    #[expect(clippy::cast_sign_loss, reason = "a rate is positive")]
    let mut library = EbuR128::new(channels.len() as u32, rate_hz as u32, LISTS).unwrap();
    for (index, role) in (0..).zip(roles) {
        let channel = match role {
            ChannelRole::Front => Channel::Center,
            ChannelRole::Surround => Channel::LeftSurround,
            ChannelRole::Lfe => Channel::Unused,
        };
        library.set_channel(index, channel).unwrap();
    }
    let (mut momentary_max_lufs, mut short_term_max_lufs) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
    let mut short_term = Vec::new();
    let mut done = 0;
    for step in 1_u32.. {
        let end = frames(rate_hz, f64::from(step) * 0.01).min(channels[0].len());
        if done == end {
            break;
        }
        let block: Vec<&[f32]> = channels.iter().map(|channel| &channel[done..end]).collect();
        library.add_frames_planar_f32(&block).unwrap();
        done = end;
        if step >= 40 {
            momentary_max_lufs = momentary_max_lufs.max(library.loudness_momentary().unwrap());
        }
        if step >= 300 && step % 10 == 0 {
            short_term.push(library.loudness_shortterm().unwrap());
            short_term_max_lufs = short_term_max_lufs.max(library.loudness_shortterm().unwrap());
        }
    }
    let peaks = (0..channels.len() as u32).map(|channel| library.true_peak(channel).unwrap());
    Reference {
        integrated_lufs: library.loudness_global().unwrap(),
        momentary_max_lufs,
        short_term_max_lufs,
        loudness_range_lu: library.loudness_range().unwrap(),
        loudness_range_100ms_lu: tech_3342(&short_term),
        true_peak_dbtp: decibels(peaks.fold(0.0, f64::max)),
    }
}

pub fn library_true_peak_dbtp(rate_hz: f64, signal: &[f32]) -> f64 {
    #[expect(clippy::cast_sign_loss, reason = "a rate is positive")]
    let mut library = EbuR128::new(1, rate_hz as u32, Mode::TRUE_PEAK).unwrap();
    library.add_frames_f32(signal).unwrap();
    decibels(library.true_peak(0).unwrap())
}

/// EBU Tech 3342 V4, section 3: the listing.
fn tech_3342(short_term_lufs: &[f64]) -> f64 {
    let audible: Vec<f64> = short_term_lufs
        .iter()
        .copied()
        .filter(|lufs| *lufs >= -70.0)
        .collect();
    let mean = audible
        .iter()
        .map(|lufs| 10_f64.powf(lufs / 10.0))
        .sum::<f64>()
        / audible.len() as f64;
    let gate = 10.0 * mean.log10() - 20.0;
    let mut kept: Vec<f64> = audible.into_iter().filter(|lufs| *lufs >= gate).collect();
    kept.sort_by(f64::total_cmp);
    #[expect(clippy::cast_sign_loss, reason = "ranks are not negative")]
    let percentile =
        |percent: f64| kept[((kept.len() - 1) as f64 * percent / 100.0).round() as usize];
    percentile(95.0) - percentile(10.0)
}

/// How much louder the library reads for the same weighting (analogue prototype and bilinear
/// transform): it leaves the high-pass numerator at 1, −2, 1 at every rate, while ours keeps the
/// gain of the standard's table at 997 Hz. Closed form. What is left, up to 0.02 dB about 2.7 kHz,
/// is the shelf's, which the bilinear transform bends away from the table.
pub fn library_excess_lu(rate_hz: f64) -> f64 {
    let gain_db = |rate_hz: f64| {
        let omega = TAU * 997.0 / rate_hz;
        let power = |b: [f64; 3], a: [f64; 3]| {
            let squared = |[c0, c1, c2]: [f64; 3]| {
                let (re, im) = (
                    c0 + c1 * omega.cos() + c2 * (2.0 * omega).cos(),
                    c1 * omega.sin() + c2 * (2.0 * omega).sin(),
                );
                re * re + im * im
            };
            squared(b) / squared(a)
        };
        let poles = |k: f64, q: f64| {
            let a0 = 1.0 + k / q + k * k;
            (
                a0,
                [1.0, 2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0],
            )
        };
        let (k, q) = (
            (TAU / 2.0 * 1681.974450955533 / rate_hz).tan(),
            0.7071752369554196,
        );
        let high = 10_f64.powf(3.999843853973347 / 20.0);
        let band = high.powf(0.4996667741545416);
        let (a0, a) = poles(k, q);
        let b = [
            high + band * k / q + k * k,
            2.0 * (k * k - high),
            high - band * k / q + k * k,
        ]
        .map(|b| b / a0);
        let shelf = power(b, a);
        let (_, a) = poles(
            (TAU / 2.0 * 38.13547087602444 / rate_hz).tan(),
            0.5003270373238773,
        );
        10.0 * (shelf * power([1.0, -2.0, 1.0], a)).log10()
    };
    gain_db(rate_hz) - gain_db(48_000.0)
}

/// Loudness against the library's: integrated and the two maxima.
pub struct Loudness {
    integrated: Group,
    momentary: Group,
    short_term: Group,
}

impl Loudness {
    pub fn new([integrated, momentary, short_term]: [&'static str; 3]) -> Self {
        let group = |name| Group::new(name, 0.02, "LU");
        Self {
            integrated: group(integrated),
            momentary: group(momentary),
            short_term: group(short_term),
        }
    }

    pub fn check(&mut self, what: &str, ours: &Readings, theirs: &Reference, excess_lu: f64) {
        self.integrated.check(
            what,
            ours.integrated_lufs,
            theirs.integrated_lufs - excess_lu,
        );
        self.momentary.check(
            what,
            ours.momentary_max_lufs,
            theirs.momentary_max_lufs - excess_lu,
        );
        // The library is asked ten times a second, our window moves a hundred times: compared as of
        // the same moments elsewhere.
        let difference =
            ours.short_term_max_lufs.unwrap() - (theirs.short_term_max_lufs - excess_lu);
        self.short_term.check(what, difference.min(0.0), 0.0);
        assert!(difference < 0.1, "{what}: {difference}");
    }
}
