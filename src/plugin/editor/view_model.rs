//! What the views show, worked out without drawing: strings, positions, states. Nothing here knows
//! of egui's widgets.

pub mod axis;
pub mod bands;
pub mod caution;
pub mod decision;
pub mod heard;
pub mod history;
pub mod lowest;
pub mod notices;
pub mod numbers;
pub mod plane;
pub mod push;
pub mod rail;
pub mod recording;
pub mod reference;
pub mod settings_memory;
pub mod target;
pub mod time;
