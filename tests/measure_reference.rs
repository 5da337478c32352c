//! Against the `ebur128` crate, a general library that is tested against the standards' own files; and what the demo songs promise.

#![allow(clippy::unwrap_used, reason = "a test may panic")]

#[path = "common/metering.rs"]
mod metering;
#[path = "common/signals.rs"]
mod signals;

use crestline::measure::{ChannelRole, Readings};
use crestline::offline::{decode_all, demo_song};
use ebur128::{Channel, EbuR128, Mode};
use metering::{Group, STEREO, readings_of, watch};
use signals::{brick_wall, decibels, fade, frames, ideal_true_peak_dbtp, pink_noise, sweep};
use std::f64::consts::TAU;
use std::io::Write as _;
use std::path::Path;
use std::sync::LazyLock;

static RINK_LIGHTS: LazyLock<demo_song::Song> = LazyLock::new(|| demo_song::rink_lights(48_000));
static TURNSTILE: LazyLock<demo_song::Song> = LazyLock::new(|| demo_song::turnstile(48_000));

/// Everything, from lists: the library's histograms have bins of 0.1 LU.
const LISTS: Mode = Mode::from_bits_truncate(Mode::all().bits() & !Mode::HISTOGRAM.bits());

/// What the library reads.
struct Reference {
    integrated_lufs: f64,
    momentary_max_lufs: f64,
    short_term_max_lufs: f64,
    loudness_range_lu: f64,
    /// Loudness range by the listing of EBU Tech 3342, section 3, from the library's short-term loudness every 100 ms. The library itself takes a value
    /// once a second, as the first version of that document did.
    loudness_range_100ms_lu: f64,
    true_peak_dbtp: f64,
}

/// The library is asked for its windows every 10 ms, which is how often ours move.
fn reference(rate_hz: f64, roles: &[ChannelRole], channels: &[&[f32]]) -> Reference {
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

fn library_true_peak_dbtp(rate_hz: f64, signal: &[f32]) -> f64 {
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

/// How much louder the library reads for the same weighting (analogue prototype and bilinear transform): it leaves the high-pass numerator at 1, −2, 1
/// at every rate, while ours keeps the gain of the standard's table at 997 Hz. Closed form, the same at every frequency.
fn library_excess_lu(rate_hz: f64) -> f64 {
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
struct Loudness {
    integrated: Group,
    momentary: Group,
    short_term: Group,
}

impl Loudness {
    fn new([integrated, momentary, short_term]: [&'static str; 3]) -> Self {
        let group = |name| Group::new(name, 0.02, "LU");
        Self {
            integrated: group(integrated),
            momentary: group(momentary),
            short_term: group(short_term),
        }
    }

    fn check(&mut self, what: &str, ours: &Readings, theirs: &Reference, excess_lu: f64) {
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
        // The library is asked ten times a second, our window moves a hundred times: compared as of the same moments elsewhere.
        let difference =
            ours.short_term_max_lufs.unwrap() - (theirs.short_term_max_lufs - excess_lu);
        self.short_term.check(what, difference.min(0.0), 0.0);
        assert!(difference < 0.1, "{what}: {difference}");
    }
}

#[test]
fn demo_songs_read_as_with_the_library() {
    let mut loudness = Loudness::new([
        "songs against ebur128, I",
        "songs against ebur128, max M",
        "songs against ebur128, max S",
    ]);
    let mut range_100ms = Group::new("songs against ebur128 every 100 ms, LRA", 0.02, "LU");
    let mut true_peak = Group::new("songs against ebur128, true peak", 0.1, "dB");
    for song in [&*RINK_LIGHTS, &*TURNSTILE] {
        let channels: [&[f32]; 2] = [&song.channels[0], &song.channels[1]];
        let theirs = reference(48_000.0, &STEREO, &channels);
        let ours = readings_of(48_000.0, &STEREO, &channels);
        loudness.check(song.title, &ours, &theirs, 0.0);
        // The library's own values lie 1 s apart and say less: shown, not judged.
        let once_a_second = ours.loudness_range_lu.unwrap() - theirs.loudness_range_lu;
        println!(
            "measure: {}: LRA {once_a_second:+.3} LU from ebur128's once a second",
            song.title
        );
        range_100ms.check(
            song.title,
            ours.loudness_range_lu,
            theirs.loudness_range_100ms_lu,
        );
        true_peak.check(song.title, ours.true_peak_dbtp, theirs.true_peak_dbtp);
    }
}

/// Every momentary and short-term value, not the maxima only.
#[test]
fn the_windows_move_with_the_librarys() {
    let mut momentary = Group::new("M all along against ebur128", 0.02, "LU");
    let mut short_term = Group::new("S all along against ebur128", 0.02, "LU");
    let end = 30 * 48_000;
    let channels: [&[f32]; 2] = [
        &RINK_LIGHTS.channels[0][..end],
        &RINK_LIGHTS.channels[1][..end],
    ];
    let mut library = EbuR128::new(2, 48_000, Mode::S).unwrap();
    let mut done = 0;
    watch(48_000.0, &STEREO, &channels, 0.05, |time_s, ours| {
        let end = frames(48_000.0, time_s);
        library
            .add_frames_planar_f32(&channels.map(|channel| &channel[done..end]))
            .unwrap();
        done = end;
        // Quieter, the filters' different rounding shows.
        if let Some(ours) = ours.momentary_lufs.filter(|lufs| *lufs > -100.0) {
            momentary.check(time_s, ours, library.loudness_momentary().unwrap());
        }
        if let Some(ours) = ours.short_term_lufs.filter(|lufs| *lufs > -100.0) {
            short_term.check(time_s, ours, library.loudness_shortterm().unwrap());
        }
    });
}

fn noise_and_sweeps(rate_hz: f64) -> [(String, Vec<f32>); 3] {
    let noise = pink_noise(3, rate_hz, 20.0, -20.0, 8.0).samples;
    let whole = sweep(rate_hz, 20.0, 0.4 * rate_hz, -6.0, 8.0);
    let low = sweep(rate_hz, 30.0, 300.0, -12.0, 8.0);
    [
        (format!("pink noise at {rate_hz}"), noise),
        (format!("sweep at {rate_hz}"), whole),
        (format!("low sweep at {rate_hz}"), low),
    ]
}

#[test]
fn noise_and_sweeps_read_as_with_the_library() {
    let mut loudness = Loudness::new([
        "noise and sweeps against ebur128, I",
        "noise and sweeps against ebur128, max M",
        "noise and sweeps against ebur128, max S",
    ]);
    for rate in [32_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0] {
        for (what, signal) in noise_and_sweeps(rate) {
            let channels: [&[f32]; 2] = [&signal, &signal];
            let theirs = reference(rate, &STEREO, &channels);
            let ours = readings_of(rate, &STEREO, &channels);
            loudness.check(&what, &ours, &theirs, 0.0);
        }
    }
}

/// At these rates the library's gain is off by a constant that its coefficients tell.
#[test]
fn noise_and_sweeps_read_as_with_the_library_at_high_rates_but_for_its_gain() {
    let mut loudness = Loudness::new([
        "high rates against ebur128 corrected, I",
        "high rates against ebur128 corrected, max M",
        "high rates against ebur128 corrected, max S",
    ]);
    for rate in [176_400.0, 192_000.0] {
        let excess_lu = library_excess_lu(rate);
        for (what, signal) in noise_and_sweeps(rate) {
            let channels: [&[f32]; 2] = [&signal, &signal];
            let theirs = reference(rate, &STEREO, &channels);
            let ours = readings_of(rate, &STEREO, &channels);
            let raw = theirs.integrated_lufs - ours.integrated_lufs.unwrap();
            println!(
                "measure: {what}: ebur128 reads {raw:+.4} LU, of which its gain is {excess_lu:+.4} LU"
            );
            loudness.check(&what, &ours, &theirs, excess_lu);
        }
    }
}

/// The library looks at four points a sample (two from 96 kHz on), which may miss the peak of a tone at a quarter of the rate by 0.17 dB (0.69 dB)
/// (ITU-R BS.1770-5, Annex 2); from 192 kHz on at one. So no reading may lie below its reading, and how far above is judged by ideal interpolation.
#[test]
fn true_peaks_read_between_the_librarys_and_the_ideal() {
    let mut ideal = Group::new(
        "noise and sweeps against ideal interpolation, true peak",
        0.1,
        "dB",
    );
    let mut below = Group::new("noise and sweeps not below ebur128, true peak", 0.1, "dB");
    let mut farthest = 0.0_f64;
    for rate in [
        32_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0,
    ] {
        for (what, signal) in noise_and_sweeps(rate) {
            // What can be heard: from 144 kHz on two points a sample are enough for that.
            let start = signal.len() / 2;
            let piece: Vec<f64> = signal[start..start + 60_000]
                .iter()
                .map(|sample| f64::from(*sample))
                .collect();
            let audible = brick_wall(&piece, (40_000.0 / rate).min(0.45));
            let mut piece: Vec<f32> = audible.iter().map(|sample| *sample as f32).collect();
            fade(&mut piece, 2_000);
            let channels: [&[f32]; 2] = [&piece, &piece];
            let ours = readings_of(rate, &STEREO, &channels).true_peak_dbtp;
            let theirs = library_true_peak_dbtp(rate, &piece);
            ideal.check(&what, ours, ideal_true_peak_dbtp(&piece));
            let above = ours.unwrap() - theirs;
            below.check(&what, above.min(0.0), 0.0);
            farthest = farthest.max(above);
        }
    }
    println!("measure: true peak: ebur128 reads up to {farthest:.3} dB lower");
}

/// The library's own check of itself: at 48 kHz its filter is the standard's, so there is nothing to correct.
#[test]
fn the_correction_for_the_library_is_what_its_coefficients_say() {
    assert!(library_excess_lu(48_000.0).abs() < 1e-12);
    // Worked out separately in double precision: 997 Hz gains of 0.6910, 0.6737 and 0.6639 dB at 48, 96 and 192 kHz.
    assert!((library_excess_lu(96_000.0) + 0.0173).abs() < 1e-4);
    assert!((library_excess_lu(192_000.0) + 0.0271).abs() < 1e-4);
}

#[test]
fn surround_reads_as_with_the_library() {
    use ChannelRole::{Front, Lfe, Surround};
    let roles = [Front, Front, Front, Lfe, Surround, Surround];
    let channels: Vec<Vec<f32>> = (0..6)
        .map(|channel| {
            pink_noise(20 + channel, 48_000.0, 20.0, -24.0 - channel as f64, 8.0).samples
        })
        .collect();
    let channels: Vec<&[f32]> = channels.iter().map(Vec::as_slice).collect();
    let mut loudness = Loudness::new([
        "5.1 against ebur128, I",
        "5.1 against ebur128, max M",
        "5.1 against ebur128, max S",
    ]);
    loudness.check(
        "5.1",
        &readings_of(48_000.0, &roles, &channels),
        &reference(48_000.0, &roles, &channels),
        0.0,
    );
}

/// What the song says of itself: an open mix of 75 s.
#[test]
fn rink_lights_is_an_open_mix() {
    let [left, right] = &RINK_LIGHTS.channels;
    let readings = readings_of(48_000.0, &STEREO, &[left, right]);
    Group::new("Rink Lights, length", 1.0, "s").check("length", left.len() as f64 / 48_000.0, 75.0);
    Group::new("Rink Lights, PLR", 1.0, "dB").check("PLR", readings.plr_db, 15.0);
}

/// What the song says of itself: a master as hot as such releases are (common practice: −4 dBFS plain RMS at their loudest, a PLR of about 4 dB).
#[test]
fn turnstile_is_a_hot_master() {
    let [left, right] = &TURNSTILE.channels;
    let starts: Vec<usize> = TURNSTILE
        .sections
        .iter()
        .map(|section| frames(48_000.0, section.start_s))
        .collect();
    let loud = starts
        .windows(2)
        .zip(&TURNSTILE.sections)
        .find(|(_, section)| section.name == "loud");
    let (bounds, _) = loud.unwrap();
    let (start, end) = (bounds[0], bounds[1]);
    let readings = readings_of(48_000.0, &STEREO, &[&left[start..end], &right[start..end]]);
    Group::new("Turnstile, RMS", 0.3, "dB").check("loud part", readings.rms_dbfs, -4.0);
    Group::new("Turnstile, PLR", 0.5, "dB").check("loud part", readings.plr_db, 4.0);
}

/// Recorded music, where the set-up has fetched some.
#[test]
fn recorded_music_reads_as_with_the_library() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/fixtures");
    let files: Vec<_> = std::fs::read_dir(folder)
        .into_iter()
        .flatten()
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|extension| extension == "ogg"))
        .collect();
    if files.is_empty() {
        // Not `println!`, which the test harness swallows.
        let _ = writeln!(
            std::io::stderr(),
            "skipped: no fixture (cargo xtask setup fetches it)"
        );
        return;
    }
    let mut loudness = Loudness::new([
        "recordings against ebur128, I",
        "recordings against ebur128, max M",
        "recordings against ebur128, max S",
    ]);
    let mut range = Group::new("recordings against ebur128 every 100 ms, LRA", 0.1, "LU");
    let mut true_peak = Group::new("recordings against ebur128, true peak", 0.1, "dB");
    for file in files {
        let name = file.file_name().unwrap().to_string_lossy();
        let audio = decode_all(&file).unwrap();
        let channels: Vec<&[f32]> = audio.channels.iter().map(Vec::as_slice).collect();
        let rate = f64::from(audio.sample_rate_hz);
        let theirs = reference(rate, &audio.roles, &channels);
        let ours = readings_of(rate, &audio.roles, &channels);
        loudness.check(&name, &ours, &theirs, library_excess_lu(rate));
        range.check(
            &name,
            ours.loudness_range_lu,
            theirs.loudness_range_100ms_lu,
        );
        true_peak.check(&name, ours.true_peak_dbtp, theirs.true_peak_dbtp);
    }
}
