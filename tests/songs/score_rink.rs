//! *Rink Lights*, the written part: form, chords and what each player is asked to play.

/// The parts of the song.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Part {
    Verse,
    Chorus,
    Breakdown,
    Outro,
}

/// Notes of one chord as each player has it.
#[derive(Clone, Copy, PartialEq)]
pub(super) struct Chord {
    pub(super) root: i32,
    pub(super) keys: [i32; 4],
    pub(super) horns: [i32; 3],
}

const E_MINOR_9: Chord = chord(28, [55, 59, 62, 66], [62, 67, 71]);
const A_13: Chord = chord(33, [55, 59, 61, 66], [61, 66, 71]);
const C_MAJOR_7: Chord = chord(36, [55, 59, 62, 64], [64, 67, 71]);
const B_MINOR_7: Chord = chord(35, [57, 59, 62, 66], [62, 66, 69]);
const A_MINOR_9: Chord = chord(33, [55, 59, 60, 64], [60, 64, 67]);
const D_13: Chord = chord(38, [54, 59, 60, 64], [60, 66, 71]);
const F_SHARP_HALF: Chord = chord(30, [57, 60, 64, 66], [60, 64, 69]);
const B_7_SHARP_9: Chord = chord(35, [57, 63, 66, 74], [63, 69, 74]);
/// The last chord of the song and of each chorus.
pub(super) const E_7_SHARP_9: Chord = chord(28, [56, 62, 67, 71], [68, 74, 79]);

const fn chord(root: i32, keys: [i32; 4], horns: [i32; 3]) -> Chord {
    Chord { root, keys, horns }
}

/// One bar of the form: where it is and its chord in each half.
#[derive(Clone, Copy)]
pub(super) struct Bar {
    pub(super) part: Part,
    /// Bars since the part began, and bars the part has.
    pub(super) place: usize,
    pub(super) of: usize,
    pub(super) halves: [Chord; 2],
    /// The root that the next bar begins on.
    pub(super) next_root: i32,
}

impl Bar {
    pub(super) fn is_last(&self) -> bool {
        self.place + 1 == self.of
    }
}

const VERSE: [[Chord; 2]; 8] = [
    [E_MINOR_9; 2],
    [A_13; 2],
    [E_MINOR_9; 2],
    [A_13; 2],
    [E_MINOR_9; 2],
    [A_13; 2],
    [E_MINOR_9; 2],
    [A_13; 2],
];
const CHORUS: [[Chord; 2]; 8] = [
    [C_MAJOR_7; 2],
    [B_MINOR_7; 2],
    [A_MINOR_9; 2],
    [D_13; 2],
    [C_MAJOR_7; 2],
    [B_MINOR_7; 2],
    [F_SHARP_HALF, B_7_SHARP_9],
    [E_7_SHARP_9; 2],
];
const BREAKDOWN: [[Chord; 2]; 6] = [
    [E_MINOR_9; 2],
    [A_13; 2],
    [E_MINOR_9; 2],
    [A_13; 2],
    [A_MINOR_9; 2],
    [F_SHARP_HALF, B_7_SHARP_9],
];
const OUTRO: [[Chord; 2]; 2] = [[E_MINOR_9; 2]; 2];

/// Name and chords of each part in the order they are played.
pub(super) const FORM: [(&str, Part, &[[Chord; 2]]); 5] = [
    ("verse", Part::Verse, &VERSE),
    ("chorus", Part::Chorus, &CHORUS),
    ("breakdown", Part::Breakdown, &BREAKDOWN),
    ("last chorus", Part::Chorus, &CHORUS),
    ("outro", Part::Outro, &OUTRO),
];

/// All bars before the last chord.
pub(super) fn bars() -> Vec<Bar> {
    let mut bars: Vec<Bar> = FORM
        .iter()
        .flat_map(|(_, part, chords)| {
            chords.iter().enumerate().map(|(place, halves)| Bar {
                part: *part,
                place,
                of: chords.len(),
                halves: *halves,
                next_root: E_7_SHARP_9.root,
            })
        })
        .collect();
    for index in 1..bars.len() {
        bars[index - 1].next_root = bars[index].halves[0].root;
    }
    bars
}

/// What the drummer plays in a bar: one row each, sixteen steps.
/// `o` ghost, `x` stroke, `X` accent; hats: `O` open.
pub(super) struct DrumBar {
    pub(super) kick: &'static str,
    pub(super) snare: &'static str,
    pub(super) stick: &'static str,
    pub(super) hat: &'static str,
    /// `1` high tom … `3` floor tom.
    pub(super) toms: &'static str,
}

const fn drums(kick: &'static str, snare: &'static str, hat: &'static str) -> DrumBar {
    DrumBar {
        kick,
        snare,
        stick: "",
        hat,
        toms: "",
    }
}

/// The drums of one bar.
pub(super) fn drum_bar(bar: &Bar) -> DrumBar {
    match (bar.part, bar.place) {
        (Part::Verse, 3) => drums("X..x..x...X..x..", "....X..o.o..X.ox", "XoxoXoxoXoxoXoO."),
        (Part::Verse, 7) => DrumBar {
            toms: "..........1.2233",
            ..drums("X..x..x...X...x.", "....X..oxX.x....", "XoxoXoxoX.......")
        },
        (Part::Verse, place) if place.is_multiple_of(2) => {
            drums("X.....x..xX.....", "....X..o.o..X..o", "XoxoXoxoXoxoXoxo")
        }
        (Part::Verse, _) => drums("X..x....x.X..x..", "....X..o.o..X.o.", "XoxoXoxoXoxoXoO."),
        (Part::Chorus, 7) => DrumBar {
            toms: "............1123",
            ..drums("X..X..X.........", "...X..X.XoxoX...", "X..X..O.X.......")
        },
        (Part::Chorus, 3) => drums("X..x..x.x.X...x.", "....X..o.o..X.XX", "X.O.X.O.X.O.X..."),
        (Part::Chorus, place) if place.is_multiple_of(2) => {
            drums("X..x..x...X...x.", "....X..o.o..X..o", "X.O.X.O.X.O.X.O.")
        }
        (Part::Chorus, _) => drums("X.x....x..X..x..", "....X..o.o..X.o.", "X.O.XoO.X.O.XoO."),
        (Part::Breakdown, 5) => DrumBar {
            toms: "............1233",
            ..drums("X...X...X...X...", "o.o.oooooooxxxxx", "x...x...x...x...")
        },
        (Part::Breakdown, 4) => DrumBar {
            stick: "....X.......X...",
            ..drums("X.......X.......", "..............oo", "x.x.x.x.x.x.x.x.")
        },
        (Part::Breakdown, _) => DrumBar {
            stick: "....X..o....X...",
            ..drums("X.........x.....", "", "x.o.x.o.x.o.x.oo")
        },
        (Part::Outro, 0) => drums("X..X..X.X..X.X.X", "....X.......X..o", "X..X..X.X..X.X.X"),
        (Part::Outro, _) => DrumBar {
            toms: "........112.2.33",
            ..drums("X..X..X.........", "....X...XoxoX.XX", "X..X..X.........")
        },
    }
}

/// How the bass player touches a note.
pub(super) use super::bass::Touch;

/// One note of the bass: step, length in sixteenths, semitones above the root, velocity, touch.
pub(super) type BassNote = (usize, f32, i32, f32, Touch);

use Touch::{Dead, Finger, Pop};

const BASS_VERSE_A: &[BassNote] = &[
    (0, 2.2, 0, 1.0, Finger),
    (3, 0.7, 0, 0.5, Dead),
    (5, 0.9, 10, 0.7, Finger),
    (6, 1.0, 12, 0.9, Pop),
    (8, 0.6, 0, 0.4, Dead),
    (9, 0.8, 7, 0.6, Finger),
    (10, 1.7, 10, 0.85, Finger),
    (13, 0.7, 12, 0.75, Pop),
    (14, 0.8, 10, 0.7, Finger),
    (15, 0.8, 7, 0.6, Finger),
];
const BASS_VERSE_B: &[BassNote] = &[
    (0, 2.0, 0, 0.95, Finger),
    (3, 0.8, 12, 0.8, Pop),
    (4, 0.6, 0, 0.4, Dead),
    (6, 0.9, 7, 0.7, Finger),
    (7, 0.9, 9, 0.7, Finger),
    (8, 1.7, 10, 0.9, Finger),
    (11, 0.8, 12, 0.9, Pop),
    (12, 0.8, 0, 0.8, Finger),
    (13, 0.8, -2, 0.7, Finger),
    (14, 0.8, -3, 0.75, Finger),
];
const BASS_CHORUS_A: &[BassNote] = &[
    (0, 1.6, 0, 1.0, Finger),
    (2, 0.7, 12, 0.85, Pop),
    (3, 0.7, 0, 0.7, Finger),
    (5, 0.6, 0, 0.45, Dead),
    (6, 1.5, 0, 0.9, Finger),
    (8, 0.7, 12, 0.9, Pop),
    (9, 0.6, 0, 0.4, Dead),
    (10, 1.6, 7, 0.85, Finger),
    (12, 0.8, 12, 0.75, Pop),
    (14, 0.8, 7, 0.8, Finger),
];
const BASS_CHORUS_B: &[BassNote] = &[
    (0, 1.2, 0, 1.0, Finger),
    (2, 1.0, 0, 0.7, Finger),
    (4, 0.7, 12, 0.9, Pop),
    (6, 0.8, 12, 0.7, Pop),
    (7, 1.6, 10, 0.8, Finger),
    (10, 1.4, 7, 0.9, Finger),
    (12, 0.6, 7, 0.4, Dead),
    (13, 0.8, 12, 0.8, Pop),
    (14, 0.8, 5, 0.75, Finger),
];
const BASS_BREAKDOWN: &[BassNote] = &[
    (0, 4.5, 0, 0.95, Finger),
    (7, 0.8, 7, 0.5, Finger),
    (8, 1.8, 10, 0.6, Finger),
    (12, 0.6, 0, 0.35, Dead),
];
const BASS_BREAKDOWN_B: &[BassNote] = &[
    (0, 3.6, 0, 0.95, Finger),
    (6, 0.8, 12, 0.5, Pop),
    (10, 1.4, 7, 0.6, Finger),
    (14, 0.8, 5, 0.6, Finger),
];
/// Both halves of a bar with two chords: the second half is counted from its own root.
const BASS_TURN: &[BassNote] = &[
    (0, 1.6, 0, 1.0, Finger),
    (3, 0.8, 12, 0.8, Pop),
    (4, 0.8, 0, 0.7, Finger),
    (6, 1.2, 6, 0.8, Finger),
    (8, 1.6, 0, 1.0, Finger),
    (11, 0.8, 12, 0.85, Pop),
    (12, 0.8, 0, 0.75, Finger),
    (14, 0.8, 4, 0.8, Finger),
];
/// Hits with the band, then alone.
const BASS_STOP: &[BassNote] = &[
    (0, 1.2, 0, 1.0, Finger),
    (3, 1.2, 0, 1.0, Finger),
    (6, 2.0, 12, 1.0, Pop),
    (8, 0.8, 10, 0.7, Finger),
    (9, 0.8, 7, 0.7, Finger),
    (10, 0.8, 6, 0.75, Finger),
    (11, 0.8, 5, 0.8, Finger),
    (12, 1.2, 3, 0.85, Finger),
];

/// The line that the whole band plays together at the end: step, semitones above E.
pub(super) const UNISON: [&[(usize, i32)]; 2] = [
    &[
        (0, 0),
        (3, 3),
        (6, 5),
        (8, 6),
        (9, 5),
        (11, 3),
        (13, 0),
        (15, -2),
    ],
    &[(0, 0), (3, 3), (6, 5), (8, 6), (10, 7), (12, 10), (14, 11)],
];

/// The bass of one bar; empty where the band plays [`UNISON`].
pub(super) fn bass_bar(bar: &Bar) -> &'static [BassNote] {
    let turns = bar.halves[0] != bar.halves[1];
    match bar.part {
        _ if turns => BASS_TURN,
        Part::Verse if bar.place.is_multiple_of(2) => BASS_VERSE_A,
        Part::Verse => BASS_VERSE_B,
        Part::Chorus if bar.place == 7 => BASS_STOP,
        Part::Chorus if bar.place.is_multiple_of(2) => BASS_CHORUS_A,
        Part::Chorus => BASS_CHORUS_B,
        Part::Breakdown if bar.place.is_multiple_of(2) => BASS_BREAKDOWN,
        Part::Breakdown => BASS_BREAKDOWN_B,
        Part::Outro => &[],
    }
}

/// The clavinet: `o` a damped low string, `x` chord, `X` chord struck hard, `L` chord held a
/// little.
pub(super) fn keys_bar(bar: &Bar) -> &'static str {
    match (bar.part, bar.place) {
        (Part::Verse, place) if place.is_multiple_of(2) => "X.ox..xo.oX.o.x.",
        (Part::Verse, _) => "X.oxo.Xo.ox.oXo.",
        (Part::Chorus, 7) => "X..X..L.........",
        (Part::Chorus, 2 | 6) => "X.x.ooX.x.oXoxX.",
        (Part::Chorus, _) => "x.oX.oX.oxo.X.ox",
        (Part::Breakdown, 5) => "L...L...x.x.xxXX",
        (Part::Breakdown, _) => "x.oo.ox.o.oo.xo.",
        (Part::Outro, _) => "",
    }
}

/// One stab of the horns: step, length in sixteenths, velocity, semitones off the chord, falls off
/// at the end.
pub(super) type Stab = (usize, f32, f32, i32, bool);

const HORNS_SMALL: &[Stab] = &[(10, 0.8, 0.7, 0, false), (12, 0.7, 0.8, 0, false)];
const HORNS_ANSWER: &[Stab] = &[
    (4, 0.8, 0.8, 0, false),
    (6, 0.9, 0.9, 0, false),
    (9, 0.8, 0.7, -1, false),
    (10, 4.0, 1.0, 0, true),
];
const HORNS_LEAD_IN: &[Stab] = &[
    (4, 0.8, 0.85, 0, false),
    (6, 0.9, 0.9, 0, false),
    (8, 1.6, 0.95, -2, false),
    (10, 0.9, 0.9, -1, false),
    (11, 1.6, 1.0, 0, false),
];
const HORNS_CALL: &[Stab] = &[
    (0, 1.0, 1.0, 0, false),
    (3, 0.8, 0.8, 0, false),
    (5, 0.8, 0.7, 1, false),
    (6, 5.0, 0.95, 0, false),
];
const HORNS_CALL_ON: &[Stab] = &[
    (0, 0.9, 0.9, 0, false),
    (2, 0.8, 0.75, 0, false),
    (3, 0.9, 0.85, 2, false),
    (6, 0.9, 0.9, 0, false),
    (8, 5.5, 1.0, 0, true),
];
const HORNS_RESPONSE: &[Stab] = &[
    (10, 0.8, 0.8, 0, false),
    (12, 0.8, 0.85, 0, false),
    (14, 1.2, 0.95, 2, false),
];
const HORNS_HOLD: &[Stab] = &[(0, 0.9, 0.95, 0, false), (3, 8.0, 0.85, 0, false)];
const HORNS_TURN: &[Stab] = &[
    (0, 1.0, 0.95, 0, false),
    (3, 0.8, 0.8, 0, false),
    (6, 1.4, 0.95, 0, false),
    (8, 1.0, 1.0, 0, false),
    (11, 0.8, 0.85, 0, false),
    (14, 1.4, 1.0, 0, false),
];
const HORNS_STOP: &[Stab] = &[
    (0, 0.9, 1.0, 0, false),
    (3, 0.9, 1.0, 0, false),
    (6, 5.0, 1.0, 0, true),
];
const HORNS_FAR: &[Stab] = &[(9, 0.8, 0.4, -1, false), (10, 3.6, 0.5, 0, false)];
/// Grows over a bar.
const HORNS_SWELL: &[Stab] = &[(0, 15.0, 0.75, 0, false)];

/// The horns of one bar, and whether they swell through it.
pub(super) fn horns_bar(bar: &Bar) -> (&'static [Stab], bool) {
    let stabs = match (bar.part, bar.place) {
        (Part::Verse, 1 | 5) => HORNS_SMALL,
        (Part::Verse, 3) => HORNS_ANSWER,
        (Part::Verse, 7) => HORNS_LEAD_IN,
        (Part::Chorus, 0 | 4) => HORNS_CALL,
        (Part::Chorus, 1 | 5) => HORNS_CALL_ON,
        (Part::Chorus, 2) => HORNS_RESPONSE,
        (Part::Chorus, 3) => HORNS_HOLD,
        (Part::Chorus, 6) => HORNS_TURN,
        (Part::Chorus, _) => HORNS_STOP,
        (Part::Breakdown, 1 | 3) => HORNS_FAR,
        (Part::Breakdown, 4) => return (HORNS_SWELL, true),
        (Part::Breakdown, 5) => {
            return (&[(0, 7.4, 0.75, 0, false), (8, 7.2, 0.85, 0, false)], true);
        }
        _ => &[],
    };
    (stabs, false)
}
