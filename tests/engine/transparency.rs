//! With nothing switched on the engine is a delay; and no way of calling it makes a difference to
//! what comes out.

#![allow(
    clippy::cast_sign_loss,
    clippy::large_types_passed_by_value,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test fails by panicking and prints its figures, in its helpers too"
)]

use crestline_core::engine::{CHUNK, Engine, EngineSpec, Settings, TapSettings};
use crestline_core::handover::{
    Activity, Column, Extent, Faults, Grain, Point, Snapshot, handover, tap,
};
use crestline_core::measure::Reduction;
use crestline_core::process::{
    BandSettings, BandsSettings, ChainSettings, LimiterSettings, ListenSettings, PushSettings,
    SaturatorSettings, ShelvesSettings, Source,
};
use kit::engine_run::{Planes, cut, engine, everything_on, in_blocks, noise, play};
use proptest::prelude::*;

/// 8 kHz to 384 kHz, and one that is no whole number.
const RATES_HZ: [f64; 9] = [
    8_000.0,
    44_100.0,
    47_952.047_952,
    48_000.0,
    88_200.0,
    96_000.0,
    176_400.0,
    192_000.0,
    384_000.0,
];

fn heard(source: Source) -> ListenSettings {
    ListenSettings {
        source,
        ..ListenSettings::default()
    }
}

fn bypassed() -> ListenSettings {
    ListenSettings {
        bypass: true,
        ..ListenSettings::default()
    }
}

fn with(chain: ChainSettings) -> Settings {
    Settings {
        chain,
        ..Settings::default()
    }
}

fn bits(planes: &[Vec<f32>]) -> Vec<Vec<u32>> {
    planes
        .iter()
        .map(|channel| channel.iter().map(|sample| sample.to_bits()).collect())
        .collect()
}

/// The input as it leaves an ideal delay.
fn delayed(input: &[Vec<f32>], frames: usize) -> Planes {
    let late = |channel: &Vec<f32>| {
        [vec![0.0; frames], channel.clone()].concat()[..channel.len()].to_vec()
    };
    input.iter().map(late).collect()
}

/// Block sizes that a host might use, one after the other.
fn mixed_sizes() -> impl FnMut() -> usize {
    let mut sizes = [1, 64, 3, 512, 255, 1024, 257, 31, 4096]
        .into_iter()
        .cycle();
    move || sizes.next().unwrap()
}

// The definition of a delay: y[n] = x[n − latency], here to the last bit, overs and the smallest
// floats included.
#[test]
fn with_nothing_switched_on_the_output_is_the_delayed_input_bit_for_bit() {
    for rate_hz in RATES_HZ {
        for channels in [1, 2] {
            let frames = (rate_hz * 0.15) as usize;
            let mut input = noise(channels, frames, 1.4, 7);
            input[0][frames / 4] = f32::from_bits(1);
            input[0][frames / 3] = 1e4;
            let mut tested = engine(rate_hz, channels);
            let expected = bits(&delayed(&input, tested.latency_frames()));
            for source in [Source::Output, Source::Clean, Source::Input] {
                for size in [1, 32, 480, 512, 100_000] {
                    tested.reset();
                    let settings = Settings {
                        listen: heard(source),
                        ..Settings::default()
                    };
                    let output = play(&mut tested, &input, || size, |_| settings);
                    assert!(
                        bits(&output) == expected,
                        "{rate_hz} Hz, {channels} channels, blocks of {size}, {source:?}"
                    );
                }
            }
            println!(
                "{rate_hz} Hz, {channels} channels: {} frames late and no bit changed",
                tested.latency_frames()
            );
        }
    }
}

// Bands that are on but have nothing to do are as good as none, whatever keeps them from it.
#[test]
fn with_idle_bands_the_output_is_the_delayed_input_bit_for_bit() {
    let idle = |band: BandSettings| {
        with(ChainSettings {
            bands: BandsSettings {
                on: true,
                bands: [band; 4],
                ..BandsSettings::default()
            },
            ..ChainSettings::default()
        })
    };
    let of_ratio_1 = BandSettings {
        ratio: 1.0,
        threshold_db: -60.0,
        ..BandSettings::default()
    };
    // No band of a quarter of full scale comes near the knee below 0 dBFS.
    for (peak, settings) in [
        (1.0, idle(of_ratio_1)),
        (0.25, idle(BandSettings::default())),
    ] {
        let input = noise(2, 48_000, peak, 21);
        let mut tested = engine(48_000.0, 2);
        let expected = bits(&delayed(&input, tested.latency_frames()));
        let output = play(&mut tested, &input, || 480, |_| settings);
        assert!(bits(&output) == expected, "{settings:?}");
        assert_eq!(tested.snapshot().activity.band_gain_db, [0.0; 4]);
    }
}

/// Combinations of stages, none of which may move the sound in time.
fn combinations() -> [(&'static str, ChainSettings); 7] {
    let none = ChainSettings::default();
    let all = everything_on();
    [
        ("nothing", none),
        (
            "push",
            ChainSettings {
                push: all.push,
                ..none
            },
        ),
        (
            "shelves",
            ChainSettings {
                shelves: all.shelves,
                ..none
            },
        ),
        (
            "bands",
            ChainSettings {
                bands: all.bands,
                ..none
            },
        ),
        (
            "saturator",
            ChainSettings {
                saturator: all.saturator,
                ..none
            },
        ),
        (
            "limiter",
            ChainSettings {
                limiter: all.limiter,
                ..none
            },
        ),
        ("everything", all),
    ]
}

// A stage without look-ahead answers to an impulse at once (causality), one with look-ahead passes
// a quiet one unchanged: the first sample that is not at rest lies exactly at the latency.
#[test]
fn the_latency_depends_on_the_rate_alone_and_is_true() {
    for rate_hz in RATES_HZ {
        let latency = engine(rate_hz, 2).latency_frames();
        println!(
            "{rate_hz} Hz: {:.2} ms late",
            latency as f64 / rate_hz * 1e3
        );
        // What the README tells of the rates of music (the figure is the project's own).
        assert!(rate_hz < 44_100.0 || latency as f64 / rate_hz <= 0.03);
        let gap = (rate_hz * 0.15) as usize + 4 * latency;
        let settings = combinations();
        // One impulse for each combination; the settings change long before it, while the sound
        // runs on.
        let mut input = vec![vec![0.0; gap * settings.len()]; 2];
        for number in 0..settings.len() {
            input[0][gap * number + gap * 3 / 4] = 0.01;
            input[1][gap * number + gap * 3 / 4] = -0.01;
        }
        for source in [Source::Output, Source::Clean] {
            let mut tested = engine(rate_hz, 2);
            let of = |start: usize| Settings {
                listen: heard(source),
                ..with(settings[start / gap].1)
            };
            let output = play(&mut tested, &input, || gap, of);
            assert_eq!(tested.latency_frames(), latency);
            for (number, (name, _)) in settings.iter().enumerate() {
                let at = gap * number + gap * 3 / 4;
                let first = output[0][at..]
                    .iter()
                    .position(|sample| sample.abs() > 1e-6)
                    .unwrap();
                assert_eq!(first, latency, "{rate_hz} Hz, {name}, {source:?}");
            }
        }
    }
}

#[test]
fn bypass_is_bit_exact_once_it_has_faded_in() {
    // Pushed, the output is louder than the input: bypass fades in over the 20 ms of every switch.
    // Compressed by more than 3 dB it is quieter: bypass rises to its level over a second.
    let pushed = ChainSettings {
        push: PushSettings { push_db: 12.0 },
        bands: BandsSettings::default(),
        ..everything_on()
    };
    let compressed = ChainSettings {
        push: PushSettings::default(),
        ..everything_on()
    };
    for (chain, fade_frames) in [(pushed, 960), (compressed, 48_000 + CHUNK)] {
        for channels in [1, 2] {
            let input = noise(channels, 192_000, 0.5, 3);
            let mut tested = engine(48_000.0, channels);
            let expected = bits(&delayed(&input, tested.latency_frames()));
            let (on_at, off_at) = (96_000, 160_000);
            let settings = |start| {
                let bypass = (on_at..off_at).contains(&start);
                Settings {
                    listen: ListenSettings {
                        bypass,
                        ..ListenSettings::default()
                    },
                    ..with(chain)
                }
            };
            let output = bits(&play(&mut tested, &input, || 128, settings));
            for (output, expected) in output.iter().zip(&expected) {
                assert!(
                    output[on_at + fade_frames..off_at] == expected[on_at + fade_frames..off_at]
                );
                assert!(
                    output[..on_at] != expected[..on_at]
                        && output[off_at + 960..] != expected[off_at + 960..]
                );
            }
        }
    }
}

#[test]
fn bypass_out_of_matched_listening_rises_to_the_very_input() {
    // Compressed, the output is the quietest: matched, the input is turned down to it. Bypass lets
    // it rise by 6 dB a second, for a level must not jump, and then it is the input bit for bit.
    let chain = ChainSettings {
        push: PushSettings::default(),
        ..everything_on()
    };
    let input = noise(2, 480_000, 0.5, 3);
    let mut tested = engine(48_000.0, 2);
    let late = delayed(&input, tested.latency_frames());
    let bypassed_at = 288_000;
    let matched = Settings {
        listen: ListenSettings {
            matched: true,
            ..heard(Source::Input)
        },
        ..with(chain)
    };
    let bypass = Settings {
        listen: bypassed(),
        ..with(chain)
    };
    let before = cut(&input, 0..bypassed_at);
    let before = play(&mut tested, &before, || 480, |_| matched);
    let matched_db = tested.snapshot().activity.match_db[2];
    let after = cut(&input, bypassed_at..480_000);
    let after = play(&mut tested, &after, || 480, |_| bypass);
    assert!(matched_db < -2.0, "{matched_db}");
    let risen = bypassed_at + (f64::from(-matched_db) / 6.0 * 48_000.0) as usize + 960;
    for ((before, after), late) in before.iter().zip(&after).zip(&late) {
        let heard = [&before[..], after].concat();
        assert!(heard.iter().zip(late).all(|(x, y)| x.abs() <= y.abs()));
        assert!(heard[bypassed_at + 960] != late[bypassed_at + 960]);
        let same = |frame: usize| heard[frame].to_bits() == late[frame].to_bits();
        assert!((risen..480_000).all(same));
    }
}

#[test]
fn bypass_between_equal_signals_changes_no_bit() {
    let input = noise(2, 48_000, 1.0, 4);
    let mut tested = engine(48_000.0, 2);
    let expected = bits(&delayed(&input, tested.latency_frames()));
    let settings = |start: usize| {
        let listen = match start / 700 % 4 {
            0 => heard(Source::Output),
            1 => bypassed(),
            2 => heard(Source::Clean),
            _ => heard(Source::Input),
        };
        Settings {
            listen,
            ..Settings::default()
        }
    };
    assert!(bits(&play(&mut tested, &input, || 100, settings)) == expected);
}

/// Settings that never rest, the same at the same frame.
fn moving(start: usize) -> Settings {
    let step = start / MOVE_EVERY;
    let swing = |every: usize| (step % every) as f64 / (every - 1) as f64;
    let mut chain = everything_on();
    chain.push = PushSettings {
        push_db: 12.0 * swing(5),
    };
    chain.shelves = ShelvesSettings {
        low_gain_db: 6.0 * swing(3) - 3.0,
        low_hz: 60.0 + 200.0 * swing(7),
        ..chain.shelves
    };
    chain.bands = BandsSettings {
        on: step % 9 < 7,
        crossovers_hz: [100.0 + 90.0 * swing(4), 1_000.0, 6_000.0],
        ..chain.bands
    };
    chain.bands.bands[0].threshold_db = -40.0 * swing(6);
    chain.saturator = SaturatorSettings {
        enabled: step % 8 < 5,
        shoulder_db: 1.0 + 6.0 * swing(3),
        lean_percent: 100.0 * swing(4),
        ..chain.saturator
    };
    chain.limiter = LimiterSettings {
        enabled: step % 17 > 2,
        ceiling_dbtp: -6.0 * swing(5),
        link_percent: 100.0 * swing(3),
        ..chain.limiter
    };
    let sources = [
        Source::Output,
        Source::Residue,
        Source::Clean,
        Source::Input,
    ];
    let listen = ListenSettings {
        source: sources[step / 3 % 4],
        matched: step % 11 > 4,
        solo: [false, false, step % 13 == 5, false],
        bypass: step % 19 == 7,
        ..ListenSettings::default()
    };
    Settings {
        chain,
        listen,
        ..Settings::default()
    }
}

const MOVE_EVERY: usize = 977;

/// What a run lets out.
#[derive(PartialEq)]
struct Run {
    heard: Vec<Vec<u32>>,
    points: [Point; 3],
    reductions: [Reduction; 2],
    gains_db: [f32; 4],
    band_gains_db: [f32; 4],
    band_levels_db: [Option<f32>; 4],
    /// Every point of the history, column by column.
    history: Vec<Vec<Option<f32>>>,
}

/// Everything audible and every reading of a run whose blocks have these sizes, cut where the
/// settings change.
fn played(rate_hz: f64, input: &[Vec<f32>], sizes: &[usize]) -> Run {
    let mut tested = engine(rate_hz, input.len());
    let (mut audio_end, editor_end) = handover();
    let (mut at, mut sizes) = (0, sizes.iter().cycle());
    let size = || {
        let size = sizes
            .next()
            .unwrap()
            .min(&(MOVE_EVERY - at % MOVE_EVERY))
            .to_owned();
        at += size;
        size
    };
    let heard = in_blocks(input, size, |block, start| {
        tested.process_and_record(block, &[], &moving(start), None, &mut audio_end);
    });
    let snapshot = tested.snapshot();
    let [output, clean, dry] = snapshot.activity.match_db;
    let reader = editor_end.history();
    let Extent { oldest, end, .. } = reader.extent(Grain::Fine);
    let history = (oldest..end).map(|number| {
        let point = reader.point(Grain::Fine, number).unwrap();
        Column::ALL.map(|column| point.get(column)).to_vec()
    });
    Run {
        heard: bits(&heard),
        points: [snapshot.input, snapshot.clean, snapshot.output],
        reductions: [snapshot.clean_reduction, snapshot.output_reduction],
        gains_db: [output, clean, dry, snapshot.activity.listen_gain_db],
        band_gains_db: snapshot.activity.band_gain_db,
        band_levels_db: snapshot.activity.band_level_db,
        history: history.collect(),
    }
}

#[test]
fn single_frames_and_large_blocks_give_the_same_at_every_rate() {
    for rate_hz in [8_000.0, 48_000.0, 192_000.0] {
        for channels in [1, 2] {
            let input = noise(channels, (rate_hz * 0.7) as usize, 0.7, 5);
            let single = played(rate_hz, &input, &[1]);
            let large = played(rate_hz, &input, &[MOVE_EVERY]);
            assert!(single.history.len() >= 6, "{}", single.history.len());
            assert_eq!(single.history, large.history, "{rate_hz} Hz, {channels}");
            assert!(single == large, "{rate_hz} Hz, {channels}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 8, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_host_s_blocks_make_no_difference(sizes in prop::collection::vec(1_usize..700, 1..30), seed in 0_u64..1000) {
        let input = noise(2, 60_000, 0.7, seed);
        let (one, other) = (played(48_000.0, &input, &sizes), played(48_000.0, &input, &[MOVE_EVERY]));
        for (channel, (one, other)) in one.heard.iter().zip(&other.heard).enumerate() {
            let first = one.iter().zip(other).position(|(a, b)| a != b);
            prop_assert_eq!(first, None, "channel {}, step {:?}", channel, first.map(|frame| frame / MOVE_EVERY));
        }
        prop_assert!(one.points == other.points, "readings");
        prop_assert_eq!(one.reductions, other.reductions);
        prop_assert_eq!(one.gains_db, other.gains_db);
        prop_assert_eq!(one.band_gains_db, other.band_gains_db);
        prop_assert_eq!(one.band_levels_db, other.band_levels_db);
        prop_assert_eq!(one.history, other.history);
    }
}

// But for what is known of how loud the sources are, by which matches and rises go and which a stop
// must not lose: it listens to one of them.
#[test]
fn a_reset_and_restarted_engine_is_as_good_as_new() {
    let unmatched = |start| Settings {
        listen: ListenSettings::default(),
        ..moving(start)
    };
    let (past, input) = (noise(2, 60_011, 1.0, 8), noise(2, 60_000, 0.5, 9));
    let mut used = engine(48_000.0, 2);
    play(&mut used, &past, mixed_sizes(), unmatched);
    used.reset();
    used.restart();
    let run = |engine: &mut Engine| {
        (
            bits(&play(engine, &input, mixed_sizes(), unmatched)),
            engine.snapshot(),
        )
    };
    let (used, new) = (run(&mut used), run(&mut engine(48_000.0, 2)));
    assert!(used.0 == new.0, "sound");
    // The balance is left out: its spectra go on taking turns as before.
    let readings = |snapshot: &Snapshot| {
        [snapshot.input, snapshot.clean, snapshot.output].map(|point| point.readings)
    };
    assert_eq!(readings(&used.1), readings(&new.1));
    let activity = |snapshot: &Snapshot| Activity {
        paths_over_input_lu: None,
        measurement: 0,
        ..snapshot.activity
    };
    assert_eq!(activity(&used.1), activity(&new.1));
}

// But for what was listened to last, from which what is louder rises: that has been the output for a
// second.
#[test]
fn a_reset_forgets_all_sound_wherever_it_comes() {
    let input = noise(2, 60_000, 0.5, 9);
    let unmatched = |start| Settings {
        listen: ListenSettings::default(),
        ..moving(start)
    };
    let expected = bits(&play(
        &mut engine(48_000.0, 2),
        &input,
        mixed_sizes(),
        unmatched,
    ));
    for frames in [1, 100, 10_007, 60_011] {
        let mut used = engine(48_000.0, 2);
        let listened = |start| {
            let mut settings = moving(start);
            settings.listen.solo = [false; 4];
            if start + 48_000 > frames {
                settings.listen = ListenSettings::default();
            }
            settings
        };
        play(
            &mut used,
            &noise(2, frames, 1.0, 8),
            mixed_sizes(),
            listened,
        );
        used.reset();
        assert!(
            bits(&play(&mut used, &input, mixed_sizes(), unmatched)) == expected,
            "after {frames} frames"
        );
    }
}

/// What a broken neighbour in the host's chain might send.
const FAULTS: [f32; 9] = [
    f32::NAN,
    f32::INFINITY,
    f32::NEG_INFINITY,
    1e30,
    -1e30,
    f32::MAX,
    f32::MIN,
    1e-40,
    -1e5,
];

/// Energy of a stretch in dB.
fn level_db(planes: &[Vec<f32>], range: std::ops::Range<usize>) -> f64 {
    let squares = planes
        .iter()
        .flat_map(|channel| &channel[range.clone()])
        .map(|x| f64::from(*x).powi(2));
    10.0 * squares.sum::<f64>().log10()
}

// Against the same audio with silence in the places of the faults: what is played and what is
// measured are that, to the last bit, from the first block on.
#[test]
fn faults_are_counted_and_measured_as_silence() {
    let mut input = noise(2, 96_000, 0.3, 12);
    let mut mended = input.clone();
    let mut side = noise(2, 96_000, 0.3, 13);
    let mut faults = Faults::default();
    for (number, at) in (4_800..90_000).step_by(977).enumerate() {
        let channel = number % 2;
        let fault = FAULTS[number % FAULTS.len()];
        input[channel][at] = fault;
        // The last but one is a small number, and no fault.
        let is_audio = fault == 1e-40;
        mended[channel][at] = if is_audio { fault } else { 0.0 };
        side[channel][at] = fault;
        faults.input += u32::from(!is_audio);
    }
    faults.side_chain = faults.input;
    let play = |input: &Planes| {
        let spec = EngineSpec {
            sample_rate_hz: 48_000.0,
            channels: 2,
        };
        let (writer, _comparison) = tap(spec.sample_rate_hz, spec.channels).unwrap();
        let mut engine = Engine::new(spec).with_tap(writer);
        let settings = Settings {
            tap: TapSettings {
                on: true,
                ..TapSettings::default()
            },
            ..with(everything_on())
        };
        let mut heard = input.clone();
        for start in (0..96_000).step_by(480) {
            let range = start..start + 480;
            let mut block: Vec<_> = heard
                .iter_mut()
                .map(|channel| &mut channel[range.clone()])
                .collect();
            let side: Vec<_> = side.iter().map(|channel| &channel[range.clone()]).collect();
            engine.process(&mut block, &side, &settings);
        }
        (bits(&heard), engine)
    };
    let ((heard, mut engine), (expected, well)) = (play(&input), play(&mended));
    assert!(heard == expected);
    let (told, wanted) = (engine.snapshot(), well.snapshot());
    assert_eq!(told.input, wanted.input);
    assert_eq!(told.output, wanted.output);
    assert_eq!(told.activity.faults, faults);
    assert_eq!(wanted.activity.faults.input, 0);
    engine.clear_faults();
    assert_eq!(engine.snapshot().activity.faults, Faults::default());
}

#[test]
fn faults_at_the_input_never_get_out_and_are_forgotten() {
    for (rate_hz, channels) in [(8_000.0, 2), (48_000.0, 1), (48_000.0, 2), (192_000.0, 2)] {
        let tenth = (rate_hz / 10.0) as usize;
        let mut input = noise(channels, 30 * tenth, 0.3, 10);
        for (number, at) in (tenth..5 * tenth).step_by(97).enumerate() {
            input[number % channels][at] = FAULTS[number % FAULTS.len()];
        }
        let healthy_from = 5 * tenth;
        let healthy: Planes = input
            .iter()
            .map(|channel| channel[healthy_from..].to_vec())
            .collect();
        for chain in [ChainSettings::default(), everything_on()] {
            for source in [
                Source::Output,
                Source::Clean,
                Source::Input,
                Source::Residue,
            ] {
                for matched in [false, true] {
                    let settings = |start: usize| {
                        let bypass = matched && start.is_multiple_of(5);
                        Settings {
                            listen: ListenSettings {
                                source,
                                matched,
                                bypass,
                                ..ListenSettings::default()
                            },
                            ..with(chain)
                        }
                    };
                    let heard = play(
                        &mut engine(rate_hz, channels),
                        &input,
                        mixed_sizes(),
                        settings,
                    );
                    let finite = heard.iter().flatten().all(|sample| sample.is_finite());
                    assert!(finite, "{rate_hz} Hz, {source:?}, matched {matched}");
                }
            }
            let mut tested = engine(rate_hz, channels);
            let heard = play(&mut tested, &input, mixed_sizes(), |_| with(chain));
            let well = play(
                &mut engine(rate_hz, channels),
                &healthy,
                mixed_sizes(),
                |_| with(chain),
            );
            // The same engine without the faults is the reference; one second on there must be no
            // difference left to hear.
            let mut worst_db = 0.0_f64;
            for start in (healthy_from + 10 * tenth..30 * tenth).step_by(tenth) {
                let level = level_db(&heard, start..start + tenth);
                let expected = level_db(&well, start - healthy_from..start - healthy_from + tenth);
                worst_db = worst_db.max((level - expected).abs());
            }
            println!(
                "{rate_hz} Hz, {channels} channels: {worst_db:.4} dB off one second after the faults"
            );
            assert!(worst_db < 0.1, "{rate_hz} Hz: {worst_db} dB");
            // Measured anew, it reads what it would read without them.
            let mut reference = engine(rate_hz, channels);
            play(&mut reference, &healthy, mixed_sizes(), |_| with(chain));
            for engine in [&mut tested, &mut reference] {
                engine.restart();
                play(engine, &healthy, mixed_sizes(), |_| with(chain));
            }
            let [after, expected] =
                [&tested, &reference].map(|engine| engine.snapshot().output.readings);
            let difference = after.integrated_lufs.unwrap() - expected.integrated_lufs.unwrap();
            assert!(
                difference.abs() < 0.1,
                "{rate_hz} Hz: measurements off by {difference} LU"
            );
            println!("    measured anew {difference:.4} LU off");
        }
    }
}
