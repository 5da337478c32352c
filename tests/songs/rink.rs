//! *Rink Lights*, played and mixed.

use super::bass::{self, Touch};
use super::clavinet::{self, Pedal};
use super::drums::Kit;
use super::filter::Svf;
use super::groove::{Grid, Player, strokes};
use super::horns::{self, Blow};
use super::mix::Stereo;
use super::random::Random;
use super::room::reverberate;
use super::score_rink::{
    Bar, E_7_SHARP_9, FORM, Part, UNISON, bars, bass_bar, drum_bar, horns_bar, keys_bar,
};
use super::tables::Waves;
use super::{Section, frames};

const BEATS_PER_MINUTE: f64 = 108.0;
/// Every second sixteenth a little late: between straight and triplets.
const SWING: f64 = 0.16;
/// Leaves the highest peaks between one and two decibels below full scale.
const LEVEL: f32 = 0.565;
/// What the last chord is given to ring out in.
const ENDING_S: f64 = 4.0;

/// The mix at the mixing rate, and where its parts begin.
pub(super) fn perform() -> (Stereo, Vec<Section>) {
    let grid = Grid::new(BEATS_PER_MINUTE, SWING);
    let bars = bars();
    let length = frames(grid.seconds(bars.len(), 0) + ENDING_S);
    let waves = Waves::new();

    let drums = play_drums(&grid, &bars, &waves, length);
    let bass = play_bass(&grid, &bars, length);
    let keys = play_keys(&grid, &bars, length);
    let horns = play_horns(&grid, &bars, &waves, length);

    let mut dry = Stereo::silent(length);
    let mut send = Stereo::silent(length);
    let mut lay = |track: &[f32], gain: f32, pan: f32, to_room: f32| {
        dry.add(track, 0, gain, pan);
        send.add(track, 0, gain * to_room, pan);
    };
    lay(&drums.kick, 0.66, 0.0, 0.03);
    lay(&drums.snare, 0.82, -0.06, 0.30);
    lay(&drums.hats, 0.22, 0.42, 0.10);
    lay(&drums.toms[0], 0.4, 0.3, 0.25);
    lay(&drums.toms[1], 0.4, -0.1, 0.25);
    lay(&drums.toms[2], 0.44, -0.4, 0.25);
    lay(&drums.crash, 0.2, -0.35, 0.2);
    lay(&bass, 0.42, 0.0, 0.02);
    lay(&keys, 0.46, -0.52, 0.2);
    dry.add_stereo(&horns, 0.38);
    send.add_stereo(&horns, 0.38 * 0.4);

    for channel in &mut send.channels {
        let mut thin = Svf::new(250.0, 0.7);
        for sample in channel {
            *sample = thin.high(*sample);
        }
    }
    dry.add_stereo(&reverberate(&send, 0.7, 5000.0), 0.5);
    finish(&mut dry);
    (dry, sections(&grid))
}

/// The mix's own level and its rumble filter: no compression, the peaks are the players'.
fn finish(mix: &mut Stereo) {
    for channel in &mut mix.channels {
        let mut rumble = Svf::new(24.0, 0.7);
        for sample in channel {
            *sample = rumble.high(*sample);
        }
    }
    mix.scale(LEVEL);
    mix.fade_out(0.8, 0.4);
}

fn sections(grid: &Grid) -> Vec<Section> {
    let mut bar = 0;
    FORM.iter()
        .map(|(name, _, chords)| {
            let start_s = grid.seconds(bar, 0);
            bar += chords.len();
            Section { name, start_s }
        })
        .collect()
}

struct Drums {
    kick: Vec<f32>,
    snare: Vec<f32>,
    hats: Vec<f32>,
    toms: [Vec<f32>; 3],
    crash: Vec<f32>,
}

fn play_drums(grid: &Grid, bars: &[Bar], waves: &Waves, length: usize) -> Drums {
    let silence = || vec![0.0; length];
    let mut tracks = Drums {
        kick: silence(),
        snare: silence(),
        hats: silence(),
        toms: [silence(), silence(), silence()],
        crash: silence(),
    };
    let mut kit = Kit {
        waves,
        random: Random::new(0x0072_696e_6b01),
    };
    let mut foot = Player::new(0x0072_696e_6b02, 0.0, 2.0, 0.05);
    let mut sticks = Player::new(0x0072_696e_6b03, 5.0, 2.2, 0.09);
    let mut cymbals = Player::new(0x0072_696e_6b04, -2.0, 1.8, 0.11);
    for (index, bar) in bars.iter().enumerate() {
        let written = drum_bar(bar);
        for (step, stroke) in strokes(written.kick) {
            let at = foot.frame(grid.seconds(index, step));
            kit.kick(&mut tracks.kick, at, foot.velocity(force(stroke)));
        }
        for (step, stroke) in strokes(written.snare) {
            let at = sticks.frame(grid.seconds(index, step));
            kit.snare(&mut tracks.snare, at, sticks.velocity(force(stroke)));
        }
        for (step, stroke) in strokes(written.stick) {
            let at = sticks.frame(grid.seconds(index, step));
            kit.stick(&mut tracks.snare, at, sticks.velocity(0.8 * force(stroke)));
        }
        for (step, stroke) in strokes(written.hat) {
            let at = cymbals.frame(grid.seconds(index, step));
            let open_s = if stroke == 'O' {
                grid.length_s(1.7)
            } else {
                0.07
            };
            let velocity = cymbals.velocity(if stroke == 'O' {
                0.75
            } else {
                hat_force(stroke)
            });
            kit.hat(&mut tracks.hats, at, velocity, open_s);
        }
        for (step, stroke) in strokes(written.toms) {
            let at = sticks.frame(grid.seconds(index, step));
            let (tom, frequency_hz) = match stroke {
                '1' => (0, 168.0),
                '2' => (1, 122.0),
                _ => (2, 84.0),
            };
            let velocity = sticks.velocity(0.7 + 0.02 * step as f32);
            kit.tom(&mut tracks.toms[tom], at, velocity, frequency_hz);
        }
        if bar.part == Part::Chorus && bar.place.is_multiple_of(4)
            || bar.part == Part::Outro && bar.place == 0
        {
            let at = cymbals.frame(grid.seconds(index, 0));
            kit.crash(
                &mut tracks.crash,
                at,
                if bar.place == 0 { 0.9 } else { 0.6 },
                2.2,
            );
        }
    }
    let at = foot.frame(grid.seconds(bars.len(), 0));
    kit.kick(&mut tracks.kick, at, 0.85);
    kit.snare(&mut tracks.snare, at, 0.6);
    kit.crash(&mut tracks.crash, at, 1.0, 2.6);
    tracks
}

fn force(stroke: char) -> f32 {
    match stroke {
        'o' => 0.2,
        'x' => 0.62,
        _ => 0.95,
    }
}

fn hat_force(stroke: char) -> f32 {
    match stroke {
        'o' => 0.28,
        'x' => 0.5,
        _ => 0.8,
    }
}

fn play_bass(grid: &Grid, bars: &[Bar], length: usize) -> Vec<f32> {
    let mut track = vec![0.0; length];
    let mut player = Player::new(0x0072_696e_6b05, 2.0, 1.8, 0.06);
    let mut sound = |player: &mut Player, seconds, note: i32, length_s, velocity, touch| {
        let at = player.frame(seconds);
        let velocity = player.velocity(velocity);
        bass::play(
            &mut track,
            at,
            note as f32,
            length_s,
            velocity,
            touch,
            &mut player.random,
        );
    };
    for (index, bar) in bars.iter().enumerate() {
        for &(step, sixteenths, above, velocity, touch) in bass_bar(bar) {
            let note = bar.halves[step / 8].root + above;
            let seconds = grid.seconds(index, step);
            sound(
                &mut player,
                seconds,
                note,
                grid.length_s(sixteenths),
                velocity,
                touch,
            );
        }
        let leads_on = bass_bar(bar).iter().all(|note| note.0 != 15);
        if bar.part == Part::Outro {
            for &(step, above) in UNISON[bar.place % 2] {
                let note = E_7_SHARP_9.root + 12 + above;
                let seconds = grid.seconds(index, step);
                sound(
                    &mut player,
                    seconds,
                    note,
                    grid.length_s(1.2),
                    0.95,
                    Touch::Finger,
                );
            }
        } else if leads_on && (bar.part != Part::Breakdown || bar.is_last()) {
            // A half tone from the next root, from whichever side the line comes.
            let here = bar.halves[1].root;
            let side = if bar.next_root > here { -1 } else { 1 };
            let seconds = grid.seconds(index, 15);
            sound(
                &mut player,
                seconds,
                bar.next_root + side,
                grid.length_s(0.8),
                0.7,
                Touch::Finger,
            );
        }
    }
    let seconds = grid.seconds(bars.len(), 0);
    sound(
        &mut player,
        seconds,
        E_7_SHARP_9.root,
        2.1,
        1.0,
        Touch::Finger,
    );
    bass::amplify(&mut track);
    track
}

fn play_keys(grid: &Grid, bars: &[Bar], length: usize) -> Vec<f32> {
    let mut track = vec![0.0; length];
    let mut player = Player::new(0x0072_696e_6b06, 4.0, 2.2, 0.09);
    let mut press = |player: &mut Player, seconds, notes: &[i32], length_s, velocity: f32| {
        for note in notes {
            let at = player.frame(seconds);
            let velocity = player.velocity(velocity);
            let note = *note as f32;
            clavinet::play(&mut track, at, note, length_s, velocity, &mut player.random);
        }
    };
    for (index, bar) in bars.iter().enumerate() {
        for (step, stroke) in strokes(keys_bar(bar)) {
            let chord = bar.halves[step / 8];
            let seconds = grid.seconds(index, step);
            let low = [chord.root + 12];
            let (notes, sixteenths, velocity): (&[i32], f32, f32) = match stroke {
                'o' => (&low, 0.45, 0.3),
                'x' => (&chord.keys, 0.7, 0.5),
                'X' => (&chord.keys, 1.2, 0.85),
                _ => (&chord.keys, 5.0, 0.7),
            };
            press(
                &mut player,
                seconds,
                notes,
                grid.length_s(sixteenths),
                velocity,
            );
        }
        if bar.part == Part::Outro {
            for &(step, above) in UNISON[bar.place % 2] {
                let line = [52 + above, 64 + above];
                press(
                    &mut player,
                    grid.seconds(index, step),
                    &line,
                    grid.length_s(1.0),
                    0.85,
                );
            }
        }
    }
    let seconds = grid.seconds(bars.len(), 0);
    press(&mut player, seconds, &E_7_SHARP_9.keys, 1.9, 0.95);
    let breakdown = (grid.seconds(16, 0), grid.seconds(22, 0));
    let bar_s = grid.length_s(16.0);
    clavinet::through_pedal(&mut track, |time_s| {
        let soft = (breakdown.0..breakdown.1).contains(&time_s);
        Pedal {
            rest_hz: if soft { 520.0 } else { 620.0 },
            opens_octaves: if soft { 0.9 } else { 1.7 },
            rocks_octaves: if soft { 1.3 } else { 0.5 },
            rock_s: bar_s * if soft { 2.0 } else { 0.5 },
        }
    });
    track
}

fn play_horns(grid: &Grid, bars: &[Bar], waves: &Waves, length: usize) -> Stereo {
    // Low part to high, each with its chair.
    const CHAIRS: [f32; 3] = [0.68, 0.0, 0.4];
    let mut track = Stereo::silent(length);
    let mut scratch = Vec::new();
    let mut players = [0x0072_696e_6b07, 0x0072_696e_6b08, 0x0072_696e_6b09]
        .map(|seed| Player::new(seed, 1.0, 4.0, 0.06));
    let mut blow = |seconds, notes: [i32; 3], blow: Blow| {
        for ((player, note), pan) in players.iter_mut().zip(notes).zip(CHAIRS) {
            let at = player.frame(seconds);
            let velocity = player.velocity(blow.velocity);
            let one = Blow {
                note: note as f32,
                velocity,
                pan,
                ..blow
            };
            horns::play(
                &mut track,
                at,
                &one,
                waves,
                &mut scratch,
                &mut player.random,
            );
        }
    };
    let plain = Blow {
        note: 0.0,
        length_s: 0.0,
        velocity: 1.0,
        pan: 0.0,
        falls: false,
        swells: false,
    };
    for (index, bar) in bars.iter().enumerate() {
        let (stabs, swells) = horns_bar(bar);
        for &(step, sixteenths, velocity, off, falls) in stabs {
            let notes = bar.halves[step / 8].horns.map(|note| note + off);
            let length_s = grid.length_s(sixteenths);
            blow(
                grid.seconds(index, step),
                notes,
                Blow {
                    length_s,
                    velocity,
                    falls,
                    swells,
                    ..plain
                },
            );
        }
        if bar.part == Part::Outro {
            for &(step, above) in UNISON[bar.place % 2] {
                let notes = [52 + above, 64 + above, 64 + above];
                let length_s = grid.length_s(0.9);
                blow(
                    grid.seconds(index, step),
                    notes,
                    Blow {
                        length_s,
                        velocity: 0.9,
                        ..plain
                    },
                );
            }
        }
    }
    let last = Blow {
        length_s: 1.5,
        falls: true,
        ..plain
    };
    blow(grid.seconds(bars.len(), 0), E_7_SHARP_9.horns, last);
    horns::resonate(&mut track);
    track
}
