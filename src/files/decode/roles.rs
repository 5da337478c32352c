//! How each channel of a file counts towards loudness.

use symphonia::core::audio::{ChannelLabel, Channels, Position};

use crestline_core::measure::ChannelRole::{self, Front, Lfe, Surround};

/// Most channels that are measured: 5.1.
const MOST_CHANNELS: usize = 6;

/// The role of each channel, in the order of the file, from the positions that a format defines or
/// a file states; `None` for an arrangement that ITU-R BS.1770-5 gives no weights for here.
pub(super) fn roles(channels: &Channels) -> Option<Vec<ChannelRole>> {
    let count = channels.count();
    match channels {
        Channels::Positioned(positions) => by_position(&positions.iter().collect::<Vec<_>>()),
        Channels::Discrete(_) => by_count(count),
        Channels::Custom(labels) => {
            let positions = labels.iter().map(|label| match label {
                ChannelLabel::Positioned(position) => Some(*position),
                _ => None,
            });
            match positions.collect::<Option<Vec<_>>>() {
                Some(positions) => by_position(&positions),
                None => by_count(count),
            }
        }
        _ => None,
    }
}

/// The same from the WAVE list of positions, one bit a position, in the order of the bits. Bits
/// beyond the number of channels mean nothing; with too few of them, as with none, the channels go
/// by their number (Microsoft, "WAVEFORMATEXTENSIBLE").
pub(super) fn by_mask(mask: Option<u32>, count: usize) -> Option<Vec<ChannelRole>> {
    let bits = (0..u32::BITS).filter(|bit| mask.unwrap_or(0) >> bit & 1 == 1);
    let positions: Vec<_> = bits
        .take(count)
        .map(|bit| Position::from_bits_retain(1 << bit))
        .collect();
    if positions.len() == count {
        by_position(&positions)
    } else {
        by_count(count)
    }
}

/// The role of each channel of a file that states no positions: one, two, five and six of them.
pub(super) fn by_count(count: usize) -> Option<Vec<ChannelRole>> {
    match count {
        1 => Some(vec![Front]),
        2 => Some(vec![Front, Front]),
        5 => Some(vec![Front, Front, Front, Surround, Surround]),
        6 => Some(vec![Front, Front, Front, Lfe, Surround, Surround]),
        _ => None,
    }
}

/// The role of each channel, of these positions.
pub(super) fn by_position(positions: &[Position]) -> Option<Vec<ChannelRole>> {
    // With side and rear pairs at once the rear one is no surround of the five-channel layout any
    // more.
    let has = |position| positions.contains(&position);
    let two_pairs = has(Position::SIDE_LEFT) && has(Position::REAR_LEFT);
    if positions.len() > MOST_CHANNELS || two_pairs {
        return None;
    }
    positions
        .iter()
        .map(|&position| match position {
            // The centre of the rear lies outside the 60° to 120° that weigh more (BS.1770-5,
            // Annex 3, table 4).
            Position::FRONT_LEFT
            | Position::FRONT_RIGHT
            | Position::FRONT_CENTER
            | Position::REAR_CENTER => Some(Front),
            Position::SIDE_LEFT
            | Position::SIDE_RIGHT
            | Position::REAR_LEFT
            | Position::REAR_RIGHT => Some(Surround),
            Position::LFE1 => Some(Lfe),
            _ => None,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Weights after ITU-R BS.1770-5, Annex 1, table 3; positions after the WAVE channel mask.
    #[test]
    fn side_and_rear_pairs_are_surrounds_and_lfe_is_left_out() {
        let five = Some(vec![Front, Front, Front, Surround, Surround]);
        let five_one = Some(vec![Front, Front, Front, Lfe, Surround, Surround]);
        assert_eq!(by_mask(Some(0x607), 5), five);
        assert_eq!(by_mask(Some(0x37), 5), five);
        assert_eq!(by_mask(Some(0x60f), 6), five_one);
        assert_eq!(by_mask(Some(0x3f), 6), five_one);
        let quad = Some(vec![Front, Front, Surround, Surround]);
        assert_eq!(by_mask(Some(0x33), 4), quad);
    }

    #[test]
    fn three_fronts_are_measured_with_lfe_or_a_rear_centre_too() {
        assert_eq!(by_mask(Some(0x7), 3), Some(vec![Front; 3]));
        assert_eq!(by_mask(Some(0xf), 4), Some(vec![Front, Front, Front, Lfe]));
        assert_eq!(by_mask(Some(0x107), 4), Some(vec![Front; 4]));
    }

    #[test]
    fn a_bare_file_goes_by_its_number_of_channels() {
        for mask in [None, Some(0), Some(1)] {
            let of = |count| by_mask(mask, count);
            assert_eq!(of(1), Some(vec![Front]));
            assert_eq!(of(2), Some(vec![Front, Front]));
            assert_eq!(of(3), None);
            assert_eq!(of(4), None);
            let five = vec![Front, Front, Front, Surround, Surround];
            assert_eq!(of(5), Some(five));
            let five_one = vec![Front, Front, Front, Lfe, Surround, Surround];
            assert_eq!(of(6), Some(five_one));
        }
        assert_eq!(roles(&Channels::Discrete(6)), by_count(6));
        assert_eq!(roles(&Channels::Discrete(4)), None);
    }

    #[test]
    fn positions_beyond_the_channels_mean_nothing() {
        assert_eq!(by_mask(Some(0x3f), 2), Some(vec![Front, Front]));
        assert_eq!(by_mask(Some(0xffff_ffff), 1), Some(vec![Front]));
    }

    #[test]
    fn what_the_standard_does_not_weigh_has_no_roles() {
        for (mask, count) in [(0x637, 7), (0x63f, 8), (0x3, 3), (0x1007, 4)] {
            assert_eq!(by_mask(Some(mask), count), None, "{mask:#x}");
        }
        assert_eq!(roles(&Channels::Ambisonic(1)), None);
        assert_eq!(roles(&Channels::None), None);
    }
}
