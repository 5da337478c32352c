//! Crest factor by band, against closed forms.

use crestline_core::measure::ChannelRole::{Front, Lfe};
use crestline_core::measure::{BandCrest, ChannelRole};
use kit::metering::{Group, STEREO};
use kit::signals::{tone, white_noise};

use crate::microdynamics::RINK_LIGHTS;

fn crest_of(rate_hz: f64, roles: &[ChannelRole], channels: &[&[f32]]) -> [Option<f64>; 4] {
    let mut crest = BandCrest::new(rate_hz, roles);
    let lead_in = 4_096;
    let cut = |from: usize, to: usize| -> Vec<&[f32]> {
        channels.iter().map(|channel| &channel[from..to]).collect()
    };
    // As a part of a longer recording is measured: the filters have heard what comes before.
    crest.process(&cut(0, lead_in));
    crest.restart();
    crest.process(&cut(lead_in, channels[0].len()));
    crest.crest_db()
}

/// A sine's crest factor is √2, 3.01 dB, in both channels, in one beside silence, and in one beside
/// half of it.
#[test]
fn a_tone_has_the_crest_factor_of_a_sine_in_its_band() {
    let mut group = Group::new("band crest, tone", 0.02, "dB");
    for rate in [44_100.0, 48_000.0, 96_000.0] {
        for (band, hz) in [40.0, 346.0, 2_450.0, 11_000.0].into_iter().enumerate() {
            let signal = tone(rate, hz, -12.0, 6.0);
            let silence = vec![0.0; signal.len()];
            let half: Vec<f32> = signal.iter().map(|sample| 0.5 * sample).collect();
            let what = format!("{hz} Hz at {rate}");
            // The tone fades at its end.
            let part = signal.len() - 2_000;
            let both = [&signal[..part], &signal[..part]];
            group.check(what.clone(), crest_of(rate, &STEREO, &both)[band], 3.0103);
            for beside in [&silence, &half] {
                let one = [&beside[..part], &signal[..part]];
                group.check(what.clone(), crest_of(rate, &STEREO, &one)[band], 3.0103);
            }
            let lfe = [&signal[..part], &signal[..part]];
            let read = crest_of(rate, &[Front, Lfe], &lfe)[band];
            group.check(format!("{what}, an effects channel beside"), read, 3.0103);
        }
    }
}

/// One player is as dense wherever it is panned (equal power, common practice): hard to one side it
/// has all of the band's peaks and all of its power there, and in the middle as much less of both.
#[test]
fn panning_makes_sound_neither_denser_nor_more_open() {
    let hits: Vec<f32> = white_noise(11, 0.3, 6 * 48_000)
        .into_iter()
        .enumerate()
        .map(|(n, sample)| sample * (-((n % 12_000) as f32) / 2_000.0).exp())
        .collect();
    let panned = |degrees: f32| {
        let (right, left) = degrees.to_radians().sin_cos();
        let channels = [left, right]
            .map(|gain| -> Vec<f32> { hits.iter().map(|sample| gain * sample).collect() });
        crest_of(48_000.0, &STEREO, &[&channels[0], &channels[1]])
    };
    let middle = panned(45.0);
    for degrees in [0.0, 20.0, 90.0] {
        for (panned, middle) in panned(degrees).into_iter().zip(middle) {
            let off = panned.unwrap() - middle.unwrap();
            assert!(off.abs() < 0.001, "{degrees}°: {off} dB");
        }
    }
}

/// The same sound at twice the rate, and beside a pause, is as dense. Noise below 9 kHz is drawn at
/// 96 kHz by a sum of sines, of which every other sample is the same sound at 48 kHz (sampling
/// theorem). The crossover's slopes are a little different at each rate, and so are the peaks behind
/// them.
#[test]
fn neither_the_rate_nor_a_pause_makes_sound_denser() {
    let tones: Vec<(f64, f64)> = (0..60)
        .map(|k| (300.0 + 145.0 * f64::from(k), 2.399 * f64::from(k * k)))
        .collect();
    let fine: Vec<f32> = (0..384_000)
        .map(|n| {
            let time_s = f64::from(n) / 96_000.0;
            let tone =
                |(hz, phase): &(f64, f64)| (std::f64::consts::TAU * hz * time_s + phase).sin();
            (0.01 * tones.iter().map(tone).sum::<f64>()) as f32
        })
        .collect();
    let coarse: Vec<f32> = fine.iter().step_by(2).copied().collect();
    let mut paused = coarse.clone();
    paused.extend(vec![0.0; 96_000]);
    let mut group = Group::new("band crest, rates and pauses", 0.25, "dB");
    let [fine, coarse, paused] = [(96_000.0, &fine), (48_000.0, &coarse), (48_000.0, &paused)]
        .map(|(rate, signal)| crest_of(rate, &[Front], &[signal]));
    for band in 1..4 {
        let expected = coarse[band].unwrap();
        group.check(
            format!("band {band} at twice the rate"),
            fine[band],
            expected,
        );
        group.check(format!("band {band} and a pause"), paused[band], expected);
    }
}

/// An intro 20 dB down, hiss at −60 dBFS at both ends, and either 15 dB lower, is the same sound.
#[test]
fn quiet_passages_make_sound_no_more_open() {
    let song = white_noise(5, 0.2, 480_000);
    let at = |gain_db: f64, part: &[f32]| -> Vec<f32> {
        let gain = 10.0_f64.powf(gain_db / 20.0);
        part.iter()
            .map(|sample| (gain * f64::from(*sample)) as f32)
            .collect()
    };
    let hiss = at(-46.0, &white_noise(6, 0.2, 480_000));
    let mut group = Group::new("band crest, quiet passages", 0.1, "dB");
    let behind_a_pause = [vec![0.0; song.len()], song.clone()].concat();
    let expected = crest_of(48_000.0, &[Front], &[&behind_a_pause]);
    for (what, signal) in [
        ("intro", [at(-20.0, &song), song.clone()].concat()),
        ("hiss", [&hiss[..], &song, &hiss].concat()),
    ] {
        for gain_db in [0.0, -15.0] {
            let read = crest_of(48_000.0, &[Front], &[&at(gain_db, &signal)]);
            for band in 0..4 {
                group.check(
                    format!("{what} at {gain_db} dB, band {band}"),
                    read[band],
                    expected[band].unwrap(),
                );
            }
        }
    }
}

/// Closed form: a tone under an envelope that repeats four times a second has a crest factor of √2
/// over the envelope's own RMS, whatever share of the time it sounds.
#[test]
fn sound_that_comes_in_bursts_is_as_open_as_its_envelope() {
    let mut group = Group::new("band crest, bursts", 0.05, "dB");
    for share in [0.1, 0.25, 0.5] {
        // Raised cosines, or the edges would be heard in the other bands.
        let envelope = |n: usize| {
            let at = (n % 12_000) as f64 / 12_000.0 / share;
            let swing = (std::f64::consts::TAU * at).cos();
            if at < 1.0 { 0.5 - 0.5 * swing } else { 0.0 }
        };
        let power = (0..12_000).map(|n| envelope(n).powi(2)).sum::<f64>() / 12_000.0;
        for (band, hz) in [(1, 346.0), (2, 2_450.0), (3, 11_000.0)] {
            let tone = tone(48_000.0, hz, -12.0, 6.0);
            let bursts: Vec<f32> = tone
                .iter()
                .enumerate()
                .map(|(n, sample)| (envelope(n) * f64::from(*sample)) as f32)
                .collect();
            let read = crest_of(48_000.0, &[Front], &[&bursts[..bursts.len() - 2_000]])[band];
            let what = format!("{hz} Hz, {share} of the time");
            group.check(what, read, 3.0103 - 10.0 * power.log10());
        }
    }
}

/// By construction: a fader makes a song no denser, whether it is moved between two parts, pulled up
/// all along or ridden, 3 dB to either side every 8 s, and no more does a shelf of 4 dB, of the first
/// order, at either end. What brings a song's peaks down does.
#[test]
fn neither_a_fader_nor_a_shelf_makes_a_song_denser() {
    let [left, right] = &RINK_LIGHTS.channels;
    let [left, right] = [left, right].map(|channel| &channel[480_000..2_880_000]);
    let alone = crest_of(48_000.0, &STEREO, &[left, right]);
    let faded = |fader_db: &dyn Fn(f64) -> f64| {
        [left, right].map(|channel| -> Vec<f32> {
            let gain = |n: usize| 10.0_f64.powf(fader_db(n as f64 / 48_000.0) / 20.0);
            let faded = channel.iter().enumerate();
            faded
                .map(|(n, sample)| (gain(n) * f64::from(*sample)) as f32)
                .collect()
        })
    };
    let shelved = |hz: f64, below: f64, above: f64| {
        [left, right].map(|channel| -> Vec<f32> {
            let pole = (-std::f64::consts::TAU * hz / 48_000.0).exp();
            let mut low = 0.0;
            let shelved = channel.iter().map(|sample| {
                low += (1.0 - pole) * (f64::from(*sample) - low);
                (below * low + above * (f64::from(*sample) - low)) as f32
            });
            shelved.collect()
        })
    };
    let mut group = Group::new("band crest, a song's fader and shelves", 0.35, "dB");
    let more = 10.0_f64.powf(0.2);
    for (what, changed) in [
        ("half", faded(&|s| if s < 25.0 { -10.0 } else { 0.0 })),
        ("ramp", faded(&|s| -12.0 + 0.24 * s)),
        (
            "ridden",
            faded(&|s| 3.0 * (std::f64::consts::TAU * s / 8.0).sin()),
        ),
        ("low shelf", shelved(150.0, more, 1.0)),
        ("high shelf", shelved(4_000.0, 1.0, 1.0 / more)),
    ] {
        let read = crest_of(48_000.0, &STEREO, &[&changed[0], &changed[1]]);
        for band in 0..4 {
            group.check(
                format!("{what}, band {band}"),
                read[band],
                alone[band].unwrap(),
            );
        }
    }
    let bent = [left, right]
        .map(|channel| -> Vec<f32> { channel.iter().map(|x| (4.0 * x).tanh() / 4.0).collect() });
    let bent = crest_of(48_000.0, &STEREO, &[&bent[0], &bent[1]]);
    for band in 0..3 {
        let denser_db = alone[band].unwrap() - bent[band].unwrap();
        assert!(denser_db > 0.6, "band {band}: {denser_db}");
    }
}

/// By construction: a tone 45 dB below the others of its channels is not told of, 35 dB below them it
/// is, whatever the low-frequency effects hold.
#[test]
fn a_band_that_holds_next_to_nothing_is_not_told() {
    let loud = tone(48_000.0, 2_450.0, -10.0, 6.0);
    let effects = tone(48_000.0, 40.0, -3.0, 6.0);
    for (level_dbfs, told) in [(-55.0, false), (-45.0, true)] {
        let faint = tone(48_000.0, 40.0, level_dbfs, 6.0);
        let both: Vec<f32> = loud.iter().zip(&faint).map(|(a, b)| a + b).collect();
        let read = crest_of(48_000.0, &[Front, Lfe], &[&both, &effects]);
        assert_eq!(read[0].is_some(), told, "{level_dbfs}: {read:?}");
        assert!(read[2].is_some());
    }
}

/// By construction: a click of two samples at full scale, far above the noise around it, makes no
/// band more open, nor do seven: they lie in 14 of 59 moments, less than the quarter above the middle
/// half. Once a second it is the music's: in every moment.
#[test]
fn a_click_makes_sound_no_more_open() {
    let noise = white_noise(9, 0.05, 1_444_096);
    let with = |clicks: &[usize]| {
        let mut signal = noise.clone();
        for at in clicks {
            signal[*at] = 1.0;
            signal[at + 1] = -1.0;
        }
        crest_of(48_000.0, &[Front], &[&signal])
    };
    let alone = with(&[]);
    let often: Vec<usize> = (1..30).map(|second| 48_000 * second).collect();
    let mut group = Group::new("band crest, a click", 0.3, "dB");
    let seven: Vec<usize> = (1..8).map(|click| 190_000 * click).collect();
    for clicks in [&[700_000][..], &seven] {
        for (band, crest) in with(clicks).into_iter().enumerate() {
            let what = format!("{}, band {band}", clicks.len());
            group.check(what, crest, alone[band].unwrap());
        }
    }
    let often = with(&often);
    assert!(often[3].unwrap() > alone[3].unwrap() + 6.0, "{often:?}");
}

/// By construction: what lies far below hearing makes nothing denser, in any band.
#[test]
fn neither_an_offset_nor_rumble_makes_sound_denser() {
    let noise = white_noise(5, 0.5, 484_096);
    let alone = crest_of(48_000.0, &[Front], &[&noise]);
    let mut group = Group::new("band crest, what is not heard", 0.2, "dB");
    let rumble = tone(48_000.0, 4.0, -26.0, 11.0);
    for (name, below) in [("DC", vec![0.05; noise.len()]), ("4 Hz", rumble)] {
        let both: Vec<f32> = noise.iter().zip(&below).map(|(a, b)| a + b).collect();
        let read = crest_of(48_000.0, &[Front], &[&both]);
        for band in 0..4 {
            let what = format!("{name}, band {band}");
            group.check(what, read[band], alone[band].unwrap());
        }
    }
}

#[test]
fn a_gain_changes_nothing_and_silence_has_none() {
    let noise = white_noise(3, 0.5, 96_000);
    let quiet: Vec<f32> = noise.iter().map(|sample| 0.125 * sample).collect();
    let [loud, quiet] = [&noise, &quiet].map(|signal| crest_of(48_000.0, &[Front], &[signal]));
    for (loud, quiet) in loud.into_iter().zip(quiet) {
        assert!((loud.unwrap() - quiet.unwrap()).abs() < 1e-6);
    }
    let silence = vec![0.0; 48_000];
    assert_eq!(crest_of(48_000.0, &[Front], &[&silence]), [None; 4]);
    // Not a number is silence, and what comes after it is measured as if it had been.
    let mut faulty = noise.clone();
    faulty[50_000] = f32::NAN;
    let read = crest_of(48_000.0, &[Front], &[&faulty]);
    assert!(read.iter().all(|crest| crest.is_some_and(f64::is_finite)));
}
