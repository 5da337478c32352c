//! Valid bytes, changed where it hurts.

mod json;

use crate::chance::Chance;

/// Lengths, counts and rates that readers stumble over.
const NUMBERS: [u64; 14] = [
    0,
    1,
    2,
    0x7f,
    0x80,
    0xff,
    0x7fff,
    0xffff,
    0x7fff_ffff,
    0x8000_0000,
    0xffff_fff0,
    0xffff_ffff,
    1 << 62,
    u64::MAX,
];
/// Nothing becomes longer than this.
const LONGEST: usize = 1 << 20;
/// Half of the changes fall into the beginning, where the lengths and counts are.
const HEADER: usize = 128;

/// One of the seeds, changed in up to eight ways.
pub fn mutated(seeds: &[Vec<u8>], chance: &mut Chance) -> Vec<u8> {
    let mut bytes = chance.one_of(seeds).clone();
    // A host's state has its length in front.
    let is_text = [0, 8].iter().any(|at| bytes.get(*at) == Some(&b'{'));
    for _ in 0..=chance.below(8) {
        if is_text && chance.once_in(2) {
            bytes = json::changed(&bytes, chance);
        } else {
            change(&mut bytes, seeds, chance);
        }
    }
    bytes.truncate(LONGEST);
    bytes
}

fn change(bytes: &mut Vec<u8>, seeds: &[Vec<u8>], chance: &mut Chance) {
    if bytes.is_empty() {
        bytes.push(chance.bits() as u8);
        return;
    }
    let reach = if chance.once_in(2) {
        bytes.len().min(HEADER)
    } else {
        bytes.len()
    };
    let at = chance.below(reach);
    let longest = (bytes.len() - at).min(4_096);
    match chance.below(9) {
        0 => bytes[at] ^= 1 << chance.below(8),
        1 => bytes[at] = chance.bits() as u8,
        2 | 3 => put_number(bytes, at, chance),
        4 => bytes.truncate(at),
        5 => drop(bytes.drain(at..at + chance.below(longest + 1))),
        6 => {
            let again = bytes[at..at + chance.below(longest + 1)].to_vec();
            let to = chance.below(bytes.len());
            bytes.splice(to..to, again);
        }
        7 => {
            let noise: Vec<u8> = (0..chance.below(64)).map(|_| chance.bits() as u8).collect();
            bytes.splice(at..at, noise);
        }
        _ => {
            // The end of another.
            let other = chance.one_of(seeds);
            bytes.truncate(at);
            bytes.extend(&other[chance.below(other.len().max(1)).min(other.len())..]);
        }
    }
}

fn put_number(bytes: &mut [u8], at: usize, chance: &mut Chance) {
    let number = *chance.one_of(&NUMBERS);
    let size = *chance.one_of(&[2, 4, 8]);
    let written = if chance.once_in(2) {
        number.to_le_bytes()[..size].to_vec()
    } else {
        number.to_be_bytes()[8 - size..].to_vec()
    };
    for (byte, written) in bytes[at..].iter_mut().zip(written) {
        *byte = written;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_found_once_is_found_again() {
        let seeds = [
            b"RIFF and more".to_vec(),
            br#"{"a": [1, 2.5, "b"]}"#.to_vec(),
        ];
        let run = || {
            let mut chance = Chance::new(3);
            (0..100)
                .map(|_| mutated(&seeds, &mut chance))
                .collect::<Vec<_>>()
        };
        assert_eq!(run(), run());
        assert!(run().iter().any(|bytes| !seeds.contains(bytes)));
    }
}
