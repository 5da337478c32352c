//! What is the same is measured once, and nobody can tell: every reading is that of a meter of its
//! own.

use crestline_core::engine::{CHUNK, Engine, Settings};
use crestline_core::measure::{ChannelRole, Meter, Readings};
use crestline_core::process::ChainSettings;
use kit::engine_run::{engine, everything_on, in_blocks, noise, play};
use kit::signals::Random;

/// Settings with some stages on and others off, and what else happens before a chunk.
struct Event {
    settings: Settings,
    reset: bool,
    restart: bool,
    silent: bool,
}

/// Something else every few chunks; quite often everything is off, so that signals come together.
fn events(chunks: usize, seed: u64) -> Vec<Event> {
    let mut random = Random::new(seed);
    let mut draw = move || random.draw();
    let mut settings = Settings::default();
    let mut left = 0;
    let on = everything_on();
    (0..chunks)
        .map(|_| {
            if left == 0 {
                left = 1 + (draw() * 120.0) as usize;
                let mut chain = ChainSettings::default();
                if draw() < 0.6 {
                    chain.limiter.enabled = draw() < 0.5;
                    if draw() < 0.4 {
                        chain.push = on.push;
                    }
                    if draw() < 0.3 {
                        chain.shelves = on.shelves;
                    }
                    if draw() < 0.3 {
                        chain.bands = on.bands;
                    }
                    if draw() < 0.5 {
                        chain.saturator = on.saturator;
                    }
                }
                settings.chain = chain;
            }
            left -= 1;
            Event {
                settings,
                reset: draw() < 0.003,
                restart: draw() < 0.002,
                silent: left % 40 > 30 && draw() < 0.5,
            }
        })
        .collect()
}

fn readings(engine: &Engine) -> [Readings; 3] {
    let snapshot = engine.snapshot();
    [snapshot.input, snapshot.clean, snapshot.output].map(|point| point.readings)
}

/// Beside each point a meter by itself hears what the engine tells of its signals.
#[test]
fn every_point_reads_as_a_meter_of_its_own_whatever_is_switched() {
    for (rate_hz, channels, seed) in [(48_000.0, 2, 1), (44_100.0, 1, 2), (96_000.0, 2, 3)] {
        const CHUNKS: usize = 6_000;
        let mut tested = engine(rate_hz, channels);
        let mut own: [Meter; 3] = std::array::from_fn(|_| {
            Meter::new(rate_hz, &[ChannelRole::Front; 2][..channels], CHUNK)
        });
        let song = songs::rink_lights(rate_hz as u32).channels;
        let song = &song[..channels];
        let (mut same, mut told) = (0, 0);
        for (index, event) in events(CHUNKS, seed).iter().enumerate() {
            if event.reset {
                tested.reset();
                own.iter_mut().for_each(Meter::cut);
            }
            if event.restart {
                tested.restart();
                own.iter_mut().for_each(Meter::restart);
            }
            let start = index * CHUNK % (song[0].len() - CHUNK);
            let gain = if event.silent { 0.0 } else { 1.0 };
            let piece: Vec<Vec<f32>> = song
                .iter()
                .map(|channel| {
                    channel[start..start + CHUNK]
                        .iter()
                        .map(|x| x * gain)
                        .collect()
                })
                .collect();
            play(&mut tested, &piece, || CHUNK, |_| event.settings);
            let signals = tested.signals();
            let signals = [signals.input, signals.clean, signals.output];
            for (meter, signal) in own.iter_mut().zip(signals) {
                meter.process(&signal[..channels]);
            }
            assert_eq!(
                readings(&tested),
                own.each_ref().map(Meter::readings),
                "{index}"
            );
            same += usize::from(signals[0] == signals[1]);
            told += 1;
        }
        // The test is about something: signals part and come together.
        println!("{rate_hz} Hz: input and clean path alike in {same} of {told} chunks");
        assert!(same > told / 10 && same < told * 9 / 10);
    }
}

/// Signals part wherever a block ends, and readings come at the same moments.
#[test]
fn small_blocks_read_the_same_at_the_same_moments() {
    const FRAMES: usize = 96_000;
    let input = noise(2, FRAMES, 0.5, 11);
    let events = events(FRAMES / 1_000, 5);
    let settings = |start: usize| events[start / 1_000].settings;
    let run = |mut size: Box<dyn FnMut(usize) -> usize>| {
        let mut tested = engine(48_000.0, 2);
        let mut told = Vec::new();
        let at = std::cell::Cell::new(0);
        let sizes = || {
            let most = 1_000 - at.get() % 1_000;
            let size = size(at.get()).min(most);
            at.set(at.get() + size);
            size
        };
        in_blocks(&input, sizes, |block, start| {
            tested.process(block, &[], &settings(start));
            if (start + block[0].len()).is_multiple_of(1_000) {
                let snapshot = tested.snapshot();
                let reduction = [snapshot.clean_reduction, snapshot.output_reduction];
                told.push((readings(&tested), reduction));
            }
        });
        told
    };
    let whole = run(Box::new(|_| 1_000));
    for size in [1, 7, 63, 64, 65, 257] {
        let small = run(Box::new(move |_| size));
        assert!(whole == small, "{size}");
    }
    let mixed = run(Box::new(|at| [1, 300, 2, 31, 90][at % 5]));
    assert!(whole == mixed);
}
