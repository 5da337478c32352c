//! Where the channels of an AIFF file belong, as its `CHAN` chunk says: an `AudioChannelLayout` in
//! big-endian order (Apple, *Core Audio Format Specification 1.0*, channel layout chunk, and the
//! constants of `CoreAudioBaseTypes.h`, from memory; ffmpeg 5.1 takes each number for the same set
//! of channels).

use symphonia::core::audio::Position;

use super::roles::{by_count, by_mask, by_position};
use crestline_core::measure::ChannelRole;

/// The channels are in the order of the descriptions behind the head.
const BY_DESCRIPTION: u32 = 0;
/// They are in the order of the bits, which are those of the WAVE list.
const BY_BITMAP: u32 = 1 << 16;
/// Tag, bitmap and number of descriptions; each of those, whose first word is a label.
const HEAD_BYTES: usize = 12;
const DESCRIPTION_BYTES: usize = 20;
/// Labels up to this are the places of the WAVE list, counted from one.
const LAST_OF_THE_LIST: u32 = 18;

/// Layouts of three to six channels that have a number of their own: the tag's upper half, and the
/// channels in their order.
const NUMBERED: [(u32, &str); 23] = [
    (108, "L R Ls Rs"),
    (109, "L R Ls Rs C"),
    (110, "L R Ls Rs C Cs"),
    (113, "L R C"),
    (114, "C L R"),
    (115, "L R C Cs"),
    (116, "C L R Cs"),
    (117, "L R C Ls Rs"),
    (118, "L R Ls Rs C"),
    (119, "L C R Ls Rs"),
    (120, "C L R Ls Rs"),
    (121, "L R C LFE Ls Rs"),
    (122, "L R Ls Rs C LFE"),
    (123, "L C R Ls Rs LFE"),
    (124, "C L R Ls Rs LFE"),
    (131, "L R Cs"),
    (132, "L R Ls Rs"),
    (133, "L R LFE"),
    (134, "L R LFE Cs"),
    (135, "L R LFE Ls Rs"),
    (136, "L R C LFE"),
    (137, "L R C LFE Cs"),
    (138, "L R Ls Rs LFE"),
];

/// The role of each of `count` channels, by their number where the chunk does not say; `None` for an
/// arrangement that has none.
pub(super) fn roles(body: &[u8], count: usize) -> Option<Vec<ChannelRole>> {
    if word(body, 0) == Some(BY_BITMAP) {
        return by_mask(word(body, 4), count);
    }
    match positions(body, count) {
        Some(positions) => by_position(&positions),
        None => by_count(count),
    }
}

fn word(body: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_be_bytes(*body.get(at..)?.first_chunk()?))
}

/// Where each of `count` channels belongs; `None` where the chunk does not say.
fn positions(body: &[u8], count: usize) -> Option<Vec<Position>> {
    let positions: Vec<Position> = match word(body, 0)? {
        BY_DESCRIPTION => (0..count)
            .map(|index| by_label(word(body, HEAD_BYTES + index * DESCRIPTION_BYTES)?))
            .collect::<Option<_>>()?,
        tag => {
            let (_, order) = NUMBERED.iter().find(|(number, _)| *number == tag >> 16)?;
            order.split(' ').map(by_name).collect()
        }
    };
    (positions.len() == count).then_some(positions)
}

fn by_label(label: u32) -> Option<Position> {
    let listed = (1..=LAST_OF_THE_LIST).contains(&label);
    listed.then(|| Position::from_bits_retain(1 << (label - 1)))
}

fn by_name(name: &str) -> Position {
    match name {
        "L" => Position::FRONT_LEFT,
        "R" => Position::FRONT_RIGHT,
        "C" => Position::FRONT_CENTER,
        "LFE" => Position::LFE1,
        "Ls" => Position::REAR_LEFT,
        "Rs" => Position::REAR_RIGHT,
        _ => Position::REAR_CENTER,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ChannelRole::{Front, Lfe, Surround};

    fn chunk(words: &[u32]) -> Vec<u8> {
        words.iter().flat_map(|word| word.to_be_bytes()).collect()
    }

    #[test]
    fn all_three_ways_of_saying_it_are_read() {
        let film = Some(vec![Front, Front, Front, Surround, Surround, Lfe]);
        assert_eq!(roles(&chunk(&[123 << 16 | 6, 0, 0]), 6), film);
        let wave = Some(vec![Front, Front, Front, Lfe, Surround, Surround]);
        assert_eq!(roles(&chunk(&[BY_BITMAP, 0x3f, 0]), 6), wave);
        let mut described = chunk(&[BY_DESCRIPTION, 0, 6]);
        for label in [1, 3, 2, 5, 6, 4] {
            described.extend(chunk(&[label, 0, 0, 0, 0]));
        }
        assert_eq!(roles(&described, 6), film);
    }

    #[test]
    fn what_is_not_said_goes_by_the_number_of_channels() {
        // Discrete channels in their order; a number for others than there are; a torn chunk.
        for words in [&[147 << 16 | 6, 0, 0][..], &[117 << 16 | 5, 0, 0], &[0]] {
            assert_eq!(roles(&chunk(words), 6), by_count(6), "{words:?}");
        }
        assert_eq!(roles(&[], 2), by_count(2));
    }

    // As in WAV: with side and rear pairs at once the rear one has no weight (ITU-R BS.1770-5), and a
    // guess by the number of channels would take one of them for the LFE.
    #[test]
    fn what_is_said_and_has_no_weight_is_no_guess() {
        const SIDE_AND_REAR: [u32; 6] = [1, 2, 5, 6, 10, 11];
        let mut described = chunk(&[BY_DESCRIPTION, 0, 6]);
        for label in SIDE_AND_REAR {
            described.extend(chunk(&[label, 0, 0, 0, 0]));
        }
        assert_eq!(roles(&described, 6), None);
        assert_eq!(roles(&chunk(&[BY_BITMAP, 0x633, 0]), 6), None);
    }

    #[test]
    fn every_layout_names_its_channels() {
        for (number, order) in NUMBERED {
            let count = order.split(' ').count();
            let told = roles(&chunk(&[number << 16 | count as u32, 0, 0]), count);
            assert!(told.is_some(), "{order}");
        }
    }
}
