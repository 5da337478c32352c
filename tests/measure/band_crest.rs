//! Crest factor by band, against closed forms.

use crestline_core::measure::ChannelRole::{Front, Lfe};
use crestline_core::measure::{BandCrest, ChannelRole};
use kit::metering::{Group, STEREO};
use kit::signals::{tone, white_noise};

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

/// As loudness is gated (ITU-R BS.1770-5): an intro 20 dB down, hiss at −60 dBFS at both ends, and
/// either 15 dB lower, is the same sound.
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

/// The relative gate moves with the level (ITU-R BS.1770-5, annex 1): where the second half lies 13.4
/// dB below the first, 0.6 dB below the gate of both, it never counts, and 12.2 dB below, 0.5 dB
/// above it, always.
#[test]
fn what_passes_the_gate_passes_it_at_any_level() {
    // Whole steps behind the lead-in, and the same again.
    // Every step the same, so that it is all one which of them have the highest peaks.
    let step = white_noise(7, 0.5, 24_000);
    let noise: Vec<f32> = step.into_iter().cycle().take(484_096).collect();
    let mut group = Group::new("band crest at any level", 0.05, "dB");
    for (down_db, counts) in [(13.4, false), (12.2, true)] {
        let half = 10.0_f32.powf(-down_db / 20.0);
        let mut signal = noise.clone();
        signal.extend(noise[4_096..].iter().map(|sample| half * sample));
        let alone = crest_of(48_000.0, &[Front], &[&noise]);
        let mean = if counts {
            f64::from(1.0 + half * half) / 2.0
        } else {
            1.0
        };
        for tenths in 0..12 {
            let gain = 10.0_f32.powf(-0.1 * tenths as f32 / 20.0);
            let turned: Vec<f32> = signal.iter().map(|sample| gain * sample).collect();
            let read = crest_of(48_000.0, &[Front], &[&turned]);
            for band in 0..4 {
                let expected = alone[band].unwrap() - 10.0 * mean.log10();
                group.check(
                    format!("{down_db} dB, -{tenths}/10, {band}"),
                    read[band],
                    expected,
                );
            }
        }
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
/// band more open: it takes the place of one of the three highest peaks among sixty, which lie some
/// 0.2 dB apart. Once a second it is the music's: in every other step.
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
    for (band, crest) in with(&[700_000]).into_iter().enumerate() {
        group.check(format!("band {band}"), crest, alone[band].unwrap());
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
