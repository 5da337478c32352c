//! What is told of the way from the tap to the input.

use crate::measure::{LinearPart, Reduction};

/// How the side-chain and the input lie to each other.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum TapState {
    /// The side-chain is not said to carry the signal from before.
    #[default]
    Off,
    /// The side-chain is silent while the input is not.
    NoSideChain,
    /// Not enough has been heard to tell.
    Listening,
    /// The two belong together; what stands between them is not known yet.
    Settling,
    /// The two belong together, and what stands between them is known.
    Aligned,
    /// What stands between them does not stay what it is: a delay that moves, a chorus.
    NotFixed,
    /// The two have nothing in common.
    NotRelated,
    /// They are no longer compared, by a fault of the program's own.
    Failed,
}

/// What is known of the way from the tap to the input.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tap {
    /// How the two lie to each other.
    pub state: TapState,
    /// Frames by which the input comes after the tap; negative if it comes before.
    pub delay_frames: i32,
    /// Whether the input is upside down against the tap.
    pub inverted: bool,
    /// What stays: the static linear part, once they are aligned.
    pub linear: LinearPart,
    /// What happened besides, once they are aligned.
    pub reduction: Reduction,
}

/// A reading with nothing in it but how the signals lie to each other.
pub(super) fn so_far(state: TapState) -> Tap {
    Tap {
        state,
        ..Tap::default()
    }
}
