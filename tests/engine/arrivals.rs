//! A whole change at once, as where a saved session is loaded or a step taken back: what it switches
//! on listens before it is heard, and the rest of the change waits for that.
//!
//! Levels are plain ones, of 20 ms of what the host receives. A change can be as loud as either side
//! of it; the bound over both is what crossfades of 20 ms and levels of 20 ms can make of it.

use crate::matching::{highest_around, levels_db};
use crestline_core::engine::{Engine, Settings};
use crestline_core::process::{
    BandSettings, BandsSettings, ChainSettings, LimiterSettings, PushSettings, SaturatorSettings,
};
use kit::engine_run::{Planes, cut, engine, play};
use songs::{rink_lights, turnstile};

const SECOND: usize = 48_000;
/// Where the change is made.
const AT: usize = 2 * SECOND;
const FRAMES: usize = 3 * SECOND;

fn chain(push_db: f64, bands: bool, saturated: bool, limited: bool) -> ChainSettings {
    ChainSettings {
        push: PushSettings { push_db },
        bands: BandsSettings {
            on: bands,
            bands: [BandSettings {
                threshold_db: -30.0,
                ratio: 4.0,
                ..BandSettings::default()
            }; 4],
            ..BandsSettings::default()
        },
        saturator: SaturatorSettings {
            enabled: saturated,
            ..SaturatorSettings::default()
        },
        limiter: LimiterSettings {
            enabled: limited,
            ..LimiterSettings::default()
        },
        ..ChainSettings::default()
    }
}

/// The same with another ceiling.
fn below(ceiling_dbtp: f64, mut chain: ChainSettings) -> ChainSettings {
    chain.limiter.ceiling_dbtp = ceiling_dbtp;
    chain
}

fn played(input: &Planes, block: usize, of: impl Fn(usize) -> ChainSettings) -> Planes {
    play(
        &mut engine(48_000.0, 2),
        input,
        || block,
        |start| Settings {
            chain: of(start),
            ..Settings::default()
        },
    )
}

/// A song, a stretch of it, and its name.
fn songs() -> [(&'static str, Planes); 2] {
    let stretch =
        |song: &[Vec<f32>], start: usize| cut(song, start * SECOND..start * SECOND + FRAMES);
    [
        ("Rink Lights", stretch(&rink_lights(48_000).channels, 8)),
        ("Turnstile", stretch(&turnstile(48_000).channels, 20)),
    ]
}

#[test]
fn no_moment_of_a_change_is_louder_than_both_of_its_sides() {
    let chains = [
        ("nothing", chain(0.0, false, false, false)),
        ("push", chain(9.0, false, false, false)),
        ("limited", chain(12.0, false, false, true)),
        ("saturated", chain(12.0, false, true, false)),
        ("both", chain(12.0, false, true, true)),
        ("bands", chain(9.0, true, false, false)),
        ("bands, limited", chain(12.0, true, false, true)),
        ("bands, saturated", chain(6.0, true, true, false)),
        (
            "low, saturated",
            below(-12.0, chain(18.0, false, true, false)),
        ),
        (
            "low, limited",
            below(-12.0, chain(18.0, false, false, true)),
        ),
        ("low, both", below(-12.0, chain(18.0, false, true, true))),
    ];
    let mut failed = Vec::new();
    for (song, input) in songs() {
        let still = chains.map(|(_, chain)| levels_db(&played(&input, 480, |_| chain)));
        for (from, to) in
            (0..chains.len()).flat_map(|from| (0..chains.len()).map(move |to| (from, to)))
        {
            let [(was, before), (becomes, after)] = [from, to].map(|at| chains[at]);
            // How bands meet what is pushed into them is a matter of their attack.
            if after.bands.on && after.push.push_db > before.push.push_db {
                continue;
            }
            let moved = played(&input, 480, |start| if start < AT { before } else { after });
            let over_db = levels_db(&moved)
                .iter()
                .enumerate()
                .skip(AT / 240)
                .map(|(at, level)| {
                    level - highest_around(&still[from], at).max(highest_around(&still[to], at))
                })
                .fold(0.0, f64::max);
            if over_db > 1.5 {
                failed.push(format!("{song}, {was} to {becomes}: {over_db:.1} dB"));
            }
        }
    }
    assert!(failed.is_empty(), "{failed:#?}");
}

#[test]
fn a_change_is_the_same_wherever_blocks_end() {
    let [(_, input), _] = songs();
    let [before, between, after, last] = [
        chain(12.0, false, false, true),
        chain(3.0, true, false, false),
        chain(9.0, true, true, false),
        below(-0.5, chain(6.0, false, true, true)),
    ];
    // The second change comes while the bands of the first still listen, and in the last one bands
    // and ceiling wait for push.
    let of = |start: usize| match start {
        start if start < AT => before,
        start if start < AT + 1_200 => between,
        start if start < AT + 9_600 => after,
        _ => last,
    };
    let expected = played(&input, 1_200, of);
    for block in [1, 48, 600] {
        assert!(played(&input, block, of) == expected, "blocks of {block}");
    }
}

/// Settings are taken every so many frames, counted from the start: a saturator that was switched on
/// a few frames later takes the next ones where the other does.
#[test]
fn what_is_set_later_does_not_depend_on_when_the_saturator_came() {
    const SWITCHED: usize = 32_000;
    let input = kit::engine_run::noise(2, 5 * SECOND, 0.9, 7);
    let heard = |late: usize| {
        let of = |start: usize| {
            let mut chain = chain(0.0, false, start >= SWITCHED + late, true);
            chain.saturator.shoulder_db = 11.0;
            chain.limiter.ceiling_dbtp = if start < 4 * SECOND { -7.0 } else { -1.0 };
            chain
        };
        let after = 4 * SECOND - 100..5 * SECOND;
        cut(&played(&input, 8, of), after)
    };
    let expected = heard(0);
    for late in [8, 24, 32] {
        assert!(heard(late) == expected, "{late} frames later");
    }
}

/// A reset in the midst of a wait ends it: what comes after it is as in an engine that is new.
#[test]
fn a_reset_while_something_listens_begins_anew() {
    let [(_, input), _] = songs();
    let bands = chain(6.0, true, false, false);
    let rest = cut(&input, AT..FRAMES);
    let later = |start: usize| match start {
        start if start < SECOND / 4 => bands,
        start if start < SECOND / 2 => chain(6.0, true, true, true),
        _ => chain(12.0, false, false, true),
    };
    for before_reset in [480, 1_440, 2_400, 4_800] {
        let settings = |chain| Settings {
            chain,
            ..Settings::default()
        };
        let mut used = engine(48_000.0, 2);
        let plain = |start: usize| {
            let chain = if start < SECOND {
                chain(0.0, false, false, false)
            } else {
                bands
            };
            settings(chain)
        };
        play(
            &mut used,
            &cut(&input, 0..SECOND + before_reset),
            || 480,
            plain,
        );
        used.reset();
        let rest =
            |engine: &mut Engine| play(engine, &rest, || 480, |start| settings(later(start)));
        let (used, new) = (rest(&mut used), rest(&mut engine(48_000.0, 2)));
        assert!(used == new, "{before_reset} frames after the bands");
    }
}
