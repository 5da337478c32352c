//! What is saved with the host's session beside the parameters.

use serde::{Deserialize, Serialize};

/// Width and height of a new editor window, in points.
pub const DEFAULT_EDITOR_SIZE: [f32; 2] = [900.0, 560.0];

/// Saved as JSON inside the host's session. Fields that an older version did not write take their defaults.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Session {
    /// Version of this layout.
    pub version: u32,
    /// Size of the editor window, in points.
    pub editor_size: [f32; 2],
}

impl Default for Session {
    fn default() -> Self {
        Self { version: 1, editor_size: DEFAULT_EDITOR_SIZE }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_session_survives_a_round_trip_and_missing_fields() {
        let session = Session { version: 1, editor_size: [1_000.0, 700.0] };
        let json = serde_json::to_string(&session).unwrap();
        assert_eq!(serde_json::from_str::<Session>(&json).unwrap(), session);
        assert_eq!(serde_json::from_str::<Session>("{}").unwrap(), Session::default());
    }
}
