//! *Turnstile*, played, mixed and mastered.

use super::drums::Kit;
use super::filter::Svf;
use super::groove::{Grid, strokes};
use super::loudening::{Clip, clip, limit};
use super::mix::Stereo;
use super::random::Random;
use super::room::reverberate;
use super::score_turnstile::{
    BASS, Bar, CHORDS, CLAPS, FORM, HATS, LEAD, Part, ROLLS, STABS, bars,
};
use super::synth::{self, Stack};
use super::tables::Waves;
use super::{Section, frames};

const BEATS_PER_MINUTE: f64 = 116.0;
/// What the last hit is given to ring out in.
const ENDING_S: f64 = 2.9;
/// No level between samples passes this, −0.2 dBTP.
pub(super) const CEILING: f32 = 0.977;

/// The master at the mixing rate, and where its parts begin.
pub(super) fn perform() -> (Stereo, Vec<Section>) {
    let grid = Grid::new(BEATS_PER_MINUTE, 0.0);
    let bars = bars();
    let length = frames(grid.seconds(bars.len(), 0) + ENDING_S);
    let waves = Waves::new();
    let mut random = Random::new(0x7475_726e);

    let drums = play_drums(&grid, &bars, &waves, length);
    let low = play_bass(&grid, &bars, &waves, length);
    let mut high = play_stacks(&grid, &bars, &waves, length, &mut random);
    let lead = play_lead(&grid, &bars, &waves, length);
    high.add(&lead, 0, 0.55, 0.0);
    let noise = play_risers(&grid, &bars, length, &mut random);

    let mut send = Stereo::silent(length);
    send.add_stereo(&high, 0.3);
    send.add(&drums.claps, 0, 0.15, 0.0);
    high.add_stereo(&reverberate(&send, 1.1, 6000.0), 0.35);

    let mut mix = Stereo::silent(length);
    mix.add(&low, 0, 1.3, 0.0);
    mix.add_stereo(&high, 0.5);
    make_way(&mut mix, &drums.kicks, grid.length_s(1.8));
    mix.add(&drums.kick, 0, 1.25, 0.0);
    mix.add(&drums.claps, 0, 0.65, 0.0);
    mix.add(&drums.hats, 0, 0.55, 0.15);
    mix.add_stereo(&noise, 0.4);
    master(&mut mix);
    mix.fade_out(0.8, 0.4);
    (mix, sections(&grid))
}

/// As hot as club releases are cut (common practice): two clips, each with less to bend than the
/// one before, and a limiter for what the filters between them let stand up again.
fn master(mix: &mut Stereo) {
    without_rumble(mix);
    clip(
        mix,
        Clip {
            drive: 1.1,
            knee: 0.3,
            ceiling: 1.0,
        },
    );
    without_rumble(mix);
    clip(
        mix,
        Clip {
            drive: 1.04,
            knee: 0.75,
            ceiling: 0.95,
        },
    );
    limit(mix, CEILING, 25.0);
}

/// Clips bend lopsided waves into a standing offset; this takes it away again.
fn without_rumble(mix: &mut Stereo) {
    for channel in &mut mix.channels {
        let mut rumble = Svf::new(22.0, 0.7);
        for sample in channel {
            *sample = rumble.high(*sample);
        }
    }
}

/// Holds everything else down while a kick speaks: from 2 ms before it, back within half a beat.
fn make_way(mix: &mut Stereo, kicks: &[usize], back_s: f32) {
    const DEEPEST: f32 = 0.15;
    let (ahead, back) = (96, frames(f64::from(back_s)));
    let mut gains = vec![1.0_f32; mix.channels[0].len()];
    for kick in kicks {
        let from = kick.saturating_sub(ahead);
        for (frame, gain) in (from..).zip(gains.iter_mut().skip(from).take(ahead + back)) {
            let open = if frame < *kick {
                (kick - frame) as f32 / ahead as f32
            } else {
                let along = (frame - kick) as f32 / back as f32;
                along * along * (3.0 - 2.0 * along)
            };
            *gain = gain.min(DEEPEST + (1.0 - DEEPEST) * open);
        }
    }
    for channel in &mut mix.channels {
        for (sample, gain) in channel.iter_mut().zip(&gains) {
            *sample *= gain;
        }
    }
}

fn sections(grid: &Grid) -> Vec<Section> {
    let mut bar = 0;
    FORM.iter()
        .map(|&(name, _, of)| {
            let start_s = grid.seconds(bar, 0);
            bar += of;
            Section { name, start_s }
        })
        .collect()
}

struct Drums {
    /// Where the kicks fall.
    kicks: Vec<usize>,
    kick: Vec<f32>,
    claps: Vec<f32>,
    hats: Vec<f32>,
}

fn play_drums(grid: &Grid, bars: &[Bar], waves: &Waves, length: usize) -> Drums {
    let silence = || vec![0.0; length];
    let mut tracks = Drums {
        kicks: Vec::new(),
        kick: silence(),
        claps: silence(),
        hats: silence(),
    };
    let mut random = Random::new(0x7475_7201);
    let mut kit = Kit {
        waves,
        random: Random::new(0x7475_7202),
    };
    for (index, bar) in bars.iter().enumerate() {
        let at = |step| frames(grid.seconds(index, step));
        if bar.part != Part::Break {
            for step in [0, 4, 8, 12] {
                tracks.kicks.push(at(step));
            }
        }
        if bar.part == Part::Loud {
            for (step, _) in strokes(CLAPS) {
                synth::clap(&mut tracks.claps, at(step), 1.0, 3, &mut random);
            }
        }
        let rolls = bar.part == Part::Break || bar.part == Part::Intro && bar.place >= 2;
        if rolls {
            for (step, _) in strokes(ROLLS[bar.place % 2]) {
                let gain = 0.35 + 0.03 * step as f32;
                synth::clap(&mut tracks.claps, at(step), gain, 1, &mut random);
            }
        }
        if bar.part == Part::Loud || bar.part == Part::Intro && bar.place >= 1 {
            for (step, stroke) in strokes(HATS) {
                let open_s = if stroke == 'O' {
                    grid.length_s(1.6)
                } else {
                    0.06
                };
                let velocity = if stroke == 'O' { 0.9 } else { 0.6 };
                kit.hat(&mut tracks.hats, at(step), velocity, open_s);
            }
        }
        if bar.part == Part::Loud && bar.place.is_multiple_of(8) {
            kit.crash(&mut tracks.hats, at(0), 0.9, 2.4);
        }
    }
    let at = frames(grid.seconds(bars.len(), 0));
    tracks.kicks.push(at);
    for at in &tracks.kicks {
        synth::kick(&mut tracks.kick, *at, waves, &mut random);
    }
    kit.crash(&mut tracks.hats, at, 1.0, 1.9);
    tracks
}

fn play_bass(grid: &Grid, bars: &[Bar], waves: &Waves, length: usize) -> Vec<f32> {
    let mut track = vec![0.0; length];
    for (index, bar) in bars.iter().enumerate() {
        let (root, _) = CHORDS[bar.place % 4];
        let pattern = if bar.part == Part::Loud {
            BASS[usize::from(bar.is_last())]
        } else {
            ""
        };
        for (step, stroke) in strokes(pattern) {
            let note = root + 12 + above(stroke);
            let at = frames(grid.seconds(index, step));
            synth::bass(&mut track, at, note as f32, grid.length_s(0.85), waves);
        }
    }
    let at = frames(grid.seconds(bars.len(), 0));
    synth::bass(&mut track, at, 29.0, 0.9, waves);
    track
}

/// A semitone count written as one hexadecimal character.
fn above(stroke: char) -> i32 {
    stroke.to_digit(16).map_or(0, u32::cast_signed)
}

fn play_stacks(
    grid: &Grid,
    bars: &[Bar],
    waves: &Waves,
    length: usize,
    random: &mut Random,
) -> Stereo {
    let mut track = Stereo::silent(length);
    let mut strike = |seconds, notes: [i32; 4], stack: Stack| {
        for note in notes {
            let voice = Stack {
                note: note as f32,
                ..stack
            };
            synth::stack(&mut track, frames(seconds), &voice, waves, random);
        }
    };
    for (index, bar) in bars.iter().enumerate() {
        let (_, chord) = CHORDS[bar.place % 4];
        if bar.part == Part::Break {
            let opens_hz = if bar.place == 0 {
                (500.0, 1500.0)
            } else {
                (1500.0, 8000.0)
            };
            let length_s = grid.length_s(15.5);
            let held = Stack {
                note: 0.0,
                length_s,
                release_s: 0.04,
                opens_hz,
                gain: 0.16,
            };
            strike(grid.seconds(index, 0), chord, held);
            continue;
        }
        for (step, stroke) in strokes(STABS) {
            let opens_hz = match bar.part {
                Part::Intro => {
                    let opened =
                        350.0 * 1.9_f32.powf(bar.place as f32) * (1.0 + 0.04 * step as f32);
                    (opened * 1.6, opened)
                }
                _ => (9000.0, 2600.0),
            };
            let length_s = grid.length_s(if stroke == 'X' { 2.2 } else { 1.2 });
            let struck = Stack {
                note: 0.0,
                length_s,
                release_s: 0.08,
                opens_hz,
                gain: 0.2,
            };
            strike(grid.seconds(index, step), chord, struck);
        }
    }
    let last = Stack {
        note: 0.0,
        length_s: 0.7,
        release_s: 0.7,
        opens_hz: (9000.0, 500.0),
        gain: 0.2,
    };
    strike(grid.seconds(bars.len(), 0), CHORDS[0].1, last);
    track
}

fn play_lead(grid: &Grid, bars: &[Bar], waves: &Waves, length: usize) -> Vec<f32> {
    let mut track = vec![0.0; length];
    for (index, bar) in bars.iter().enumerate() {
        // It joins in the loud part's second half, where the ear wants something new.
        let joins = bar.part == Part::Loud && (bar.place >= 4 || bar.of < 16);
        let tune = if joins { LEAD[bar.place % 4] } else { "" };
        for (step, stroke) in strokes(tune).filter(|(_, stroke)| *stroke != '-') {
            let held = tune[step + 1..]
                .chars()
                .take_while(|stroke| *stroke == '-')
                .count();
            let length_s = grid.length_s(held as f32 + 0.8);
            let note = 77 + above(stroke);
            synth::lead(
                &mut track,
                frames(grid.seconds(index, step)),
                note as f32,
                length_s,
                waves,
            );
        }
    }
    track
}

fn play_risers(grid: &Grid, bars: &[Bar], length: usize, random: &mut Random) -> Stereo {
    let mut track = Stereo::silent(length);
    for (index, bar) in bars.iter().enumerate() {
        let two_bars_before = bar.place + 2 == bar.of;
        if two_bars_before && bar.part != Part::Loud {
            let at = frames(grid.seconds(index, 0));
            synth::riser(&mut track, at, grid.length_s(32.0), 0.8, random);
        }
    }
    track
}
