//! What is played: stretches of the demo songs at many levels, pauses, and now and then a sample
//! that is none.

use kit::chance::Chance;

/// Frames a second of the programme.
pub const RATE_HZ: u32 = 48_000;
/// Longest block that is asked for, frames.
pub const LONGEST_BLOCK: usize = 2_048;
/// A block in so many carries a sample that is not a number or is infinite.
const FAULTS: usize = 20_000;

/// Goes on for ever.
pub struct Programme {
    songs: [[Vec<f32>; 2]; 2],
    chance: Chance,
    piece: Piece,
    /// Samples so far that were none.
    pub faults: u64,
}

/// A stretch of one song, or of silence.
#[derive(Default)]
struct Piece {
    song: usize,
    position: usize,
    left: usize,
    gain: f32,
}

impl Programme {
    pub fn new(seed: u64) -> Self {
        let songs = [songs::rink_lights(RATE_HZ), songs::turnstile(RATE_HZ)];
        Self {
            songs: songs.map(|song| song.channels),
            chance: Chance::new(seed),
            piece: Piece::default(),
            faults: 0,
        }
    }

    /// A part of the second song, to be listened to as a reference.
    pub fn reference(&self) -> Vec<Vec<f32>> {
        let part = 20 * RATE_HZ as usize..30 * RATE_HZ as usize;
        let [left, right] = &self.songs[1];
        [left, right]
            .map(|channel| channel[part.clone()].to_vec())
            .to_vec()
    }

    /// The next block, left and right of one length.
    pub fn fill(&mut self, [left, right]: [&mut [f32]; 2]) {
        for (left, right) in left.iter_mut().zip(right.iter_mut()) {
            if self.piece.left == 0 {
                self.piece = self.next_piece();
            }
            let piece = &mut self.piece;
            let [from_left, from_right] = &self.songs[piece.song];
            *left = piece.gain * from_left[piece.position];
            *right = piece.gain * from_right[piece.position];
            piece.position = (piece.position + 1) % from_left.len();
            piece.left -= 1;
        }
        if !left.is_empty() && self.chance.once_in(FAULTS) {
            let at = self.chance.below(left.len());
            left[at] = *self
                .chance
                .one_of(&[f32::NAN, f32::INFINITY, f32::NEG_INFINITY]);
            self.faults += 1;
        }
    }

    fn next_piece(&mut self) -> Piece {
        let chance = &mut self.chance;
        let song = chance.below(self.songs.len());
        let silent = chance.once_in(6);
        let seconds = if silent {
            chance.within(0.5..20.0)
        } else {
            chance.within(5.0..180.0)
        };
        let gain_db = chance.within(-24.0..0.0);
        Piece {
            song,
            position: chance.below(self.songs[song][0].len()),
            #[expect(clippy::cast_sign_loss, reason = "half a second and more")]
            left: (seconds * f64::from(RATE_HZ)) as usize,
            gain: if silent {
                0.0
            } else {
                10_f64.powf(gain_db / 20.0) as f32
            },
        }
    }
}
