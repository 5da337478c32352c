//! Instances come and go, are activated and deactivated, alone and side by side, in both formats.

use crate::clap::{assert_delayed, frames, linked, noise};
use rig::clap_host::{ClapHost, Run};
use rig::raw_host::{Block, Port, Ports, RawClap, RawHost, RawVst3, both};

const FRAMES: usize = 256;
/// A large session.
const INSTANCES: usize = 150;

/// Their places in an order that jumps about: multiples of a prime that does not divide their
/// number.
fn jumbled() -> impl Iterator<Item = usize> {
    (0..INSTANCES).map(|index| 97 * index % INSTANCES)
}

/// Plays `main`, of which a part that fills no block is left out, and returns what comes out. The
/// changes are passed with every block.
fn play(
    host: &mut dyn RawHost,
    main: &[Vec<f32>],
    changes: &[(u32, f64)],
    what: &str,
) -> Vec<Vec<f32>> {
    let mut heard: Vec<Vec<f32>> = vec![Vec::new(); 2];
    for start in (0..=main[0].len() - FRAMES).step_by(FRAMES) {
        let part: Vec<_> = main
            .iter()
            .map(|it| it[start..start + FRAMES].to_vec())
            .collect();
        let mut block = Block {
            frames: FRAMES,
            inputs: Ports::Passed(vec![Port::of(&part)]),
            outputs: Ports::Passed(vec![Port::of(&part)]),
            changes: changes.to_vec(),
        };
        assert!(host.process(&mut block), "{what}");
        for (heard, channel) in heard.iter_mut().zip(block.outputs.channels()) {
            heard.extend(channel);
        }
    }
    heard
}

/// With neutral settings what comes out is what went in, later.
fn assert_passes(host: &mut dyn RawHost, what: &str) {
    let latency = host.latency();
    let main = noise(2, FRAMES * (latency / FRAMES + 3), 0.25, 33);
    let heard = play(host, &main, &[], what);
    // What comes first is of what was played before.
    for (heard, main) in heard.iter().zip(&main) {
        assert!(heard[latency..] == main[..main.len() - latency], "{what}");
    }
}

type Make = fn(bool) -> Box<dyn RawHost>;

const MAKE: [(&str, Make); 2] = [
    ("CLAP", |active| {
        Box::new(if active {
            RawClap::active(2, FRAMES)
        } else {
            RawClap::inactive()
        })
    }),
    ("VST3", |active| {
        Box::new(if active {
            RawVst3::active(2, FRAMES)
        } else {
            RawVst3::inactive()
        })
    }),
];

// clap/plugin-factory.h, `create_plugin`, and clap/plugin.h, `destroy`; `ipluginbase.h`. Every
// tenth is active, some have played.
#[test]
fn instances_come_and_go_by_the_hundred_in_any_order() {
    for (format, make) in MAKE {
        let mut first_to_last: Vec<_> = (0..INSTANCES)
            .map(|number| Some(make(number % 10 == 0)))
            .collect();
        assert_passes(&mut **first_to_last[20].as_mut().unwrap(), format);
        for instance in &mut first_to_last {
            instance.take();
        }
        let mut instances: Vec<_> = (0..INSTANCES).map(|_| Some(make(false))).collect();
        // Gone in another order than they came, others in their places at once.
        for (turn, place) in jumbled().enumerate() {
            instances[place] = (turn % 2 == 0).then(|| make(turn % 20 == 0));
        }
        let mut last = make(true);
        while instances.pop().is_some() {}
        assert_passes(&mut *last, format);
    }
}

#[test]
fn instances_of_both_formats_outlive_each_other() {
    let mut hosts = both(2, FRAMES).map(|(_, host)| host);
    for host in &mut hosts {
        assert_passes(&mut **host, "side by side");
    }
    let [clap, mut vst3] = hosts;
    drop(clap);
    assert_passes(&mut *vst3, "VST3 after CLAP has gone");
}

fn run(host: &mut ClapHost, main: &[Vec<f32>]) -> Vec<Vec<f32>> {
    host.run(Run::new(main, &[64])).unwrap()
}

#[test]
fn instances_that_play_at_the_same_time_play_as_they_do_alone() {
    let audio: Vec<_> = (0..3)
        .map(|seed| noise(2, 60_000, 0.9, 40 + seed))
        .collect();
    let active = || {
        let mut host = linked();
        host.activate(48_000.0, 64).unwrap();
        host
    };
    let alone: Vec<_> = audio.iter().map(|main| run(&mut active(), main)).collect();
    let [mut one, mut two, mut three] = [active(), active(), active()];
    let (mut second, mut third) = (Vec::new(), Vec::new());
    let first = one
        .run_during(Run::new(&audio[0], &[64]), |_| {
            second = two.run_during(Run::new(&audio[1], &[64]), |_| {
                third = run(&mut three, &audio[2]);
                Ok(())
            })?;
            Ok(())
        })
        .unwrap();
    assert!(alone == [first, second, third]);
}

// clap/plugin.h: "[main-thread & !active_state] activate", "[main-thread & active_state]
// deactivate", and between them any number of `start_processing` and `stop_processing`.
#[test]
fn it_is_activated_and_deactivated_again_and_again() {
    let mut host = linked();
    for turn in 0..40 {
        let rate = [44_100.0, 48_000.0, 48_000.0, 96_000.0][turn % 4];
        let block = [64, 512, 1, 1_024, 33][turn % 5];
        host.activate(rate, block).unwrap();
        if turn % 3 == 0 {
            host.deactivate();
            host.deactivate();
            host.activate(rate, block).unwrap();
        }
        if turn % 7 == 0 {
            let latency = host.latency().unwrap();
            let main = noise(2, frames(&mut host), 0.25, turn as u64);
            let heard = host.run(Run::new(&main, &[block])).unwrap();
            assert_delayed(&heard, &main, latency, &format!("turn {turn}"));
        }
    }
}

// clap/ext/latency.h: "The latency is only allowed to change during plugin->activate", and is told
// there; the host looks at it then.
#[test]
fn the_latency_changes_within_an_activation_alone_and_is_told() {
    let mut host = linked();
    host.activate(48_000.0, 512).unwrap();
    let (first, told) = (host.latency().unwrap(), host.latency_changes());
    assert!(first > 0);
    assert_eq!(told.out_of_turn, 0);
    host.run(Run::new(&noise(2, 10_000, 0.5, 50), &[512]))
        .unwrap();
    assert_eq!(host.latency_changes(), told, "while audio ran");
    // The same again is no change.
    host.activate(48_000.0, 64).unwrap();
    assert_eq!(host.latency().unwrap(), first);
    assert_eq!(host.latency_changes(), told, "activated as before");
    host.activate(96_000.0, 512).unwrap();
    assert_ne!(host.latency().unwrap(), first);
    let after = host.latency_changes();
    assert!(after.in_turn > told.in_turn, "not told: {after:?}");
    assert_eq!(after.out_of_turn, 0);
}

// clap/plugin.h, `stop_processing`; ivstaudioprocessor.h, `setProcessing`. Two renders in a row, or
// a host that stops processing with its transport: the transport runs in the last block of the one
// and in the first of the next.
#[test]
fn measuring_begins_anew_with_playback_also_where_processing_ended_in_between() {
    let music = noise(2, 2 * 48_000, 0.25, 34);
    let silence = vec![vec![0.0; 48_000]; 2];
    for (format, make) in MAKE {
        // Nothing is told of where the song is, where that can be; the next render begins where the
        // last did, or plays on where it was in the midst of a song.
        for (on, anew, next_s, begins) in [
            (1.0, true, Some(0.0), true),
            (1.0, true, Some(2.05), false),
            (1.0, true, Some(30.0), true),
            (1.0, true, None, format == "CLAP"),
            (1.0, false, None, false),
            (0.0, true, Some(0.0), false),
        ] {
            let mut host = make(true);
            let (restart, _) = host.param("Restart when playback starts").unwrap();
            host.play();
            if next_s.is_some() {
                host.locate(0.0);
            }
            let integrated = "Integrated loudness";
            let played = |host: &mut dyn RawHost, main: &[Vec<f32>]| {
                play(host, main, &[(restart, on)], format);
                host.param(integrated).unwrap().1
            };
            let first = played(&mut *host, &music);
            if anew {
                host.process_anew();
            }
            if let Some(next_s) = next_s {
                host.locate(next_s);
            }
            let then = played(&mut *host, &silence);
            // Silence adds nothing to what is gated, and begins with nothing.
            let forgotten = then == 0.0;
            assert!(first > 0.1, "{format}: {first}");
            assert_eq!(
                forgotten, begins,
                "{format}: {on}, {anew}, {next_s:?}: {then}"
            );
        }
    }
}

// An end of processing while the transport stands is forgotten with the next block: playback begins
// one measurement, and not another in its second block.
#[test]
fn an_end_while_the_transport_stands_is_no_later_start() {
    const STANDING: usize = 16 * FRAMES;
    let silence = vec![vec![0.0; 48_000]; 2];
    for (format, make) in MAKE {
        let mut host = make(true);
        let (restart, _) = host.param("Restart when playback starts").unwrap();
        let on = [(restart, 1.0)];
        host.process_anew();
        // The last of it comes out in the middle of the first block that is played.
        let end = STANDING + FRAMES / 2 - host.latency();
        let mut music = noise(2, STANDING, 0.25, 35);
        for plane in &mut music {
            plane[end..].fill(0.0);
        }
        play(&mut *host, &music, &on, format);
        host.play();
        play(&mut *host, &silence, &on, format);
        let peak = host.param("True peak").unwrap().1;
        assert!(peak > 0.1, "{format}: {peak}");
    }
}

// clap/plugin.h, `activate`: a rate that is none is refused, and one that is taken after it is right.
#[test]
fn rates_that_no_host_has_are_refused() {
    let mut host = linked();
    for rate_hz in [0.0, -48_000.0, f64::NAN, f64::INFINITY, 1e9] {
        assert!(host.activate(rate_hz, FRAMES).is_err(), "{rate_hz} Hz");
    }
    for rate_hz in [8_000.0, 768_000.0, 48_000.0] {
        host.activate(rate_hz, FRAMES).unwrap();
        let heard = host.run(Run::new(&noise(2, 4 * FRAMES, 0.25, 5), &[FRAMES]));
        let all = heard.unwrap().concat();
        assert!(all.iter().all(|sample| sample.is_finite()), "{rate_hz} Hz");
    }
}
