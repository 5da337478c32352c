//! How each channel of a file counts towards loudness.

use symphonia::core::audio::{ChannelLabel, Channels, Position};

use crestline_core::measure::ChannelRole::{self, Front, Lfe, Surround};

/// The role of each channel, in the order of the file; `None` for an arrangement that ITU-R
/// BS.1770-5, Annex 1, does not weigh.
///
/// Positions count where the format or the file states them. `positions_may_be_made_up` says that
/// the reader fills in the first positions of the WAVE list when a file states none, which makes a
/// bare file of five channels look like L R C LFE Rl; then, and where there are no positions, one,
/// two, five and six channels go by their number.
pub(super) fn roles(
    channels: &Channels,
    positions_may_be_made_up: bool,
) -> Option<Vec<ChannelRole>> {
    let count = channels.count();
    match channels {
        Channels::Positioned(positions) => {
            let made_up = positions_may_be_made_up && positions.bits() == (1 << count) - 1;
            if made_up {
                by_count(count)
            } else {
                by_position(&positions.iter().collect::<Vec<_>>())
            }
        }
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

fn by_count(count: usize) -> Option<Vec<ChannelRole>> {
    match count {
        1 => Some(vec![Front]),
        2 => Some(vec![Front, Front]),
        5 => Some(vec![Front, Front, Front, Surround, Surround]),
        6 => Some(vec![Front, Front, Front, Lfe, Surround, Surround]),
        _ => None,
    }
}

fn by_position(positions: &[Position]) -> Option<Vec<ChannelRole>> {
    // With side and rear pairs at once the rear one is no surround of the five-channel layout any
    // more.
    let has = |position| positions.contains(&position);
    if has(Position::SIDE_LEFT) && has(Position::REAR_LEFT) {
        return None;
    }
    positions
        .iter()
        .map(|&position| match position {
            Position::FRONT_LEFT | Position::FRONT_RIGHT | Position::FRONT_CENTER => Some(Front),
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

    const FRONT: Position = Position::FRONT_LEFT
        .union(Position::FRONT_RIGHT)
        .union(Position::FRONT_CENTER);
    const SIDES: Position = Position::SIDE_LEFT.union(Position::SIDE_RIGHT);
    const REARS: Position = Position::REAR_LEFT.union(Position::REAR_RIGHT);

    fn of(positions: Position, may_be_made_up: bool) -> Option<Vec<ChannelRole>> {
        roles(&Channels::Positioned(positions), may_be_made_up)
    }

    // Weights after ITU-R BS.1770-5, Annex 1, table 3; WAVE positions after the
    // WAVEFORMATEXTENSIBLE channel mask.
    #[test]
    fn side_and_rear_pairs_are_surrounds_and_lfe_is_left_out() {
        let five = Some(vec![Front, Front, Front, Surround, Surround]);
        let five_one = Some(vec![Front, Front, Front, Lfe, Surround, Surround]);
        assert_eq!(of(FRONT | SIDES, true), five);
        assert_eq!(of(FRONT | REARS, true), five);
        assert_eq!(of(FRONT | Position::LFE1 | SIDES, true), five_one);
        assert_eq!(of(FRONT | Position::LFE1 | REARS, true), five_one);
        assert_eq!(
            of(Position::FRONT_LEFT | Position::FRONT_RIGHT | REARS, true),
            Some(vec![Front, Front, Surround, Surround])
        );
    }

    #[test]
    fn a_bare_file_goes_by_its_number_of_channels() {
        let made_up = |count: u32| of(Position::from_count(count).unwrap(), true);
        assert_eq!(made_up(1), Some(vec![Front]));
        assert_eq!(made_up(2), Some(vec![Front, Front]));
        assert_eq!(made_up(3), None);
        assert_eq!(made_up(4), None);
        assert_eq!(
            made_up(5),
            Some(vec![Front, Front, Front, Surround, Surround])
        );
        assert_eq!(
            made_up(6),
            Some(vec![Front, Front, Front, Lfe, Surround, Surround])
        );
        assert_eq!(roles(&Channels::Discrete(6), false), made_up(6));
        assert_eq!(roles(&Channels::Discrete(4), false), None);
    }

    #[test]
    fn what_the_standard_does_not_weigh_has_no_roles() {
        for positions in [
            FRONT | SIDES | REARS,
            FRONT | Position::LFE1 | SIDES | REARS,
            FRONT | Position::REAR_CENTER,
        ] {
            assert_eq!(of(positions, true), None);
        }
        assert_eq!(roles(&Channels::Ambisonic(1), false), None);
        assert_eq!(roles(&Channels::None, false), None);
    }

    // The format itself defines three channels as L R C (RFC 9639, section 9.1.3).
    #[test]
    fn positions_that_the_format_defines_are_believed() {
        assert_eq!(of(FRONT, false), Some(vec![Front, Front, Front]));
    }
}
