//! *Turnstile*, the written part.

/// The parts of the song.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Part {
    Intro,
    Loud,
    Break,
}

/// Name, part and bars in the order they are played.
pub(super) const FORM: [(&str, Part, usize); 4] = [
    ("intro", Part::Intro, 4),
    ("loud", Part::Loud, 16),
    ("break", Part::Break, 2),
    ("loud again", Part::Loud, 6),
];

/// Where a bar is.
#[derive(Clone, Copy)]
pub(super) struct Bar {
    pub(super) part: Part,
    /// Bars since the part began, and bars the part has.
    pub(super) place: usize,
    pub(super) of: usize,
}

impl Bar {
    pub(super) fn is_last(&self) -> bool {
        self.place + 1 == self.of
    }
}

/// All bars before the last hit.
pub(super) fn bars() -> Vec<Bar> {
    FORM.iter()
        .flat_map(|&(_, part, of)| (0..of).map(move |place| Bar { part, place, of }))
        .collect()
}

/// Root of the bass and the chord above it, four bars round: F minor, D flat, A flat, E flat.
pub(super) const CHORDS: [(i32, [i32; 4]); 4] = [
    (29, [60, 65, 68, 72]),
    (25, [61, 65, 68, 73]),
    (32, [60, 63, 68, 75]),
    (27, [58, 63, 67, 75]),
];

/// Sixteenths on which the chord is struck.
pub(super) const STABS: &str = "X..X..X...X..x..";
/// Semitones above the root, in hexadecimal, one a sixteenth; the kick's own sixteenth is left to
/// the kick.
pub(super) const BASS: [&str; 2] = [".0c0.0c0.0c0.0ac", ".0c0.07c.0c0.ca7"];
/// The lead's tune over four bars, in semitones above F (`0`…`9`, `a`, `b`, `c`), `-` holds.
pub(super) const LEAD: [&str; 4] = [
    "c--7--3-5--3--0-",
    "8--7--3-5---3-5-",
    "7--3--7-c---a-7-",
    "a--7--5-3--5-7--",
];
/// The claps, and the rolls that lead out of a part.
pub(super) const CLAPS: &str = "....X.......X...";
pub(super) const ROLLS: [&str; 2] = ["x...x...x.x.x.x.", "x.x.x.x.xxxxXXXX"];
pub(super) const HATS: &str = "x.O.x.O.x.O.x.Ox";
