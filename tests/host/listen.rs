//! Listening fairly, by what a host receives from the plug-in: matched sources are equally loud,
//! and none is louder than it is unmatched.

#![allow(
    clippy::cast_sign_loss,
    clippy::large_types_passed_by_value,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test fails by panicking and prints its figures, in its helpers too"
)]

use kit::engine_run::{Planes, cut, loudness_lufs, noise};
use rig::clap_host::{Change, ClapHost, Run};
use songs::rink_lights;

const RATE_HZ: u32 = 48_000;
const SECOND: usize = 48_000;
/// Four bars of four at 108 beats a minute.
const FOUR_BARS: usize = 426_667;
/// When the match has been found.
const FOUND: usize = 10 * SECOND;
/// The crossfade of every switch, 20 ms, and a block of settings.
const FADE: usize = 960 + 512;
const SOURCES: [&str; 3] = ["Output", "Input", "Clean"];

/// Parameters by name, each with the text that the value has to show.
type Set<'a> = &'a [(&'a str, f64, &'a str)];

/// The value of a parameter that lies this far up its range, checked by its text.
fn change(host: &mut ClapHost, frame: usize, (name, share, text): (&str, f64, &str)) -> Change {
    let param = host.param(name).unwrap();
    let value = param.range.start() + share * (param.range.end() - param.range.start());
    assert_eq!(host.text(param.id, value).unwrap(), text, "{name}");
    Change {
        frame,
        id: param.id,
        value,
    }
}

/// Which step of `Listen` a source is.
fn source(host: &mut ClapHost, frame: usize, name: &str) -> Change {
    let param = host.param("Listen").unwrap();
    let value = (0..=*param.range.end() as i32)
        .map(f64::from)
        .find(|value| host.text(param.id, *value).unwrap() == name);
    Change {
        frame,
        id: param.id,
        value: value.unwrap(),
    }
}

/// Four bars of the demo song in which the whole band plays, again and again.
fn programme() -> Planes {
    let song = rink_lights(RATE_HZ);
    let once = cut(&song.channels, 3 * FOUR_BARS..4 * FOUR_BARS);
    once.iter()
        .map(|channel| {
            let endless = channel.iter().copied().cycle();
            endless.take(FOUND + 3 * FOUR_BARS + SECOND).collect()
        })
        .collect()
}

/// What a fresh instance with these settings lets the host hear, and its latency; the sources are
/// heard from the frames given.
fn heard(
    input: &Planes,
    set: Set<'_>,
    matched: bool,
    sources: &[(usize, &str)],
) -> (Planes, usize) {
    let mut host = ClapHost::linked(&crestline_plugin::clap_entry).unwrap();
    host.activate(f64::from(RATE_HZ), 512).unwrap();
    let mut changes: Vec<Change> = set
        .iter()
        .map(|value| change(&mut host, 0, *value))
        .collect();
    if matched {
        changes.push(change(&mut host, 0, ("Matched listening", 1.0, "On")));
    }
    for (frame, name) in sources {
        changes.push(source(&mut host, *frame, name));
    }
    let run = Run {
        changes: &changes,
        ..Run::new(input, &[512, 64, 333])
    };
    let output = host.run(run).unwrap();
    (output, host.latency().unwrap())
}

const LOUDER: Set<'static> = &[
    ("Push", 0.5, "9.0 dB"),
    ("Limiter", 1.0, "On"),
    ("Saturator", 1.0, "On"),
];
const QUIETER: Set<'static> = &[
    ("High shelf gain", 0.0, "-9.0 dB"),
    ("Low shelf gain", 0.0, "-9.0 dB"),
];

// The `ebur128` crate over the same four bars of each source, from ten seconds on; a gain of one at
// the most is the definition of never louder.
#[test]
fn matched_sources_are_equally_loud_and_never_louder_than_unmatched() {
    let input = programme();
    let parts = [0, 1, 2].map(|number| FOUND + number * FOUR_BARS);
    for (name, set) in [("louder", LOUDER), ("quieter", QUIETER)] {
        // The first is heard from the start, so that its loudness is known by then as that of the
        // others is.
        let switched = [
            (0, SOURCES[0]),
            (parts[1], SOURCES[1]),
            (parts[2], SOURCES[2]),
        ];
        let (matched, latency) = heard(&input, set, true, &switched);
        let loudness = parts.map(|start| {
            let part = start + latency..start + latency + FOUR_BARS;
            loudness_lufs(&cut(&matched, part), RATE_HZ)
        });
        let alone = SOURCES.map(|source| heard(&input, set, false, &[(0, source)]).0);
        let unmatched = [0, 1, 2].map(|number| {
            let part = parts[number] + latency..parts[number] + latency + FOUR_BARS;
            loudness_lufs(&cut(&alone[number], part), RATE_HZ)
        });
        println!("{name}: {SOURCES:?} matched {loudness:.3?} LUFS, unmatched {unmatched:.3?} LUFS");
        let span = |of: [f64; 3]| {
            of.into_iter().fold(f64::MIN, f64::max) - of.into_iter().fold(f64::MAX, f64::min)
        };
        assert!(span(loudness) <= 0.2, "{name}: {loudness:?}");
        assert!(span(unmatched) > 1.0, "{name}: {unmatched:?}");
        for channel in 0..2 {
            for (frame, sample) in matched[channel].iter().enumerate() {
                let number = (frame.saturating_sub(FOUND) / FOUR_BARS).min(2);
                let fading = number > 0 && frame < parts[number] + FADE;
                let values = alone.each_ref().map(|source| source[channel][frame].abs());
                let most = if fading {
                    values[number].max(values[number - 1])
                } else {
                    values[number]
                };
                assert!(
                    sample.abs() <= most * 1.000_001,
                    "{name}, frame {frame}: {sample} of {most}"
                );
            }
        }
    }
}

// As it is: the side-chain itself, to the bit, from when its loudness has been known for a second
// (and has risen for another).
#[test]
fn the_side_chain_is_heard_as_the_reference_while_it_comes_in() {
    let (main, side) = (noise(2, 4 * SECOND, 0.1, 1), noise(2, 4 * SECOND, 0.3, 2));
    let mut host = ClapHost::linked(&crestline_plugin::clap_entry).unwrap();
    host.activate(f64::from(RATE_HZ), 512).unwrap();
    let changes = ["Listen to reference", "Side-chain is the reference"]
        .map(|name| change(&mut host, 0, (name, 1.0, "On")));
    let run = Run {
        side_chain: Some(&side),
        changes: &changes,
        ..Run::new(&main, &[512, 64, 333])
    };
    let heard = host.run(run).unwrap();
    let (soon, late) = (0..SECOND / 2, 5 * SECOND / 2..4 * SECOND);
    let latency = host.latency().unwrap();
    assert_eq!(
        heard[0][latency..SECOND / 2],
        main[0][..SECOND / 2 - latency]
    );
    assert_eq!(cut(&heard, late.clone()), cut(&side, late));
    // Without them it is the mix, whatever comes in.
    let mut host = ClapHost::linked(&crestline_plugin::clap_entry).unwrap();
    host.activate(f64::from(RATE_HZ), 512).unwrap();
    let run = Run {
        side_chain: Some(&side),
        ..Run::new(&main, &[512, 64, 333])
    };
    let mix = host.run(run).unwrap();
    assert_eq!(cut(&mix, soon.clone()), cut(&heard, soon));
    assert_eq!(mix[0][latency..], main[0][..4 * SECOND - latency]);
}
