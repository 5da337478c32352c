//! Signal to signal: the stages of the chain and the listen switch. Knows nothing of what is
//! measured.

mod bands;
mod chain;
mod limiter;
mod listen;
mod push;
mod saturator;
mod shelves;

pub use bands::{BandSettings, Bands, BandsActivity, BandsSettings};
pub use chain::{Before, Chain, ChainSettings};
pub use limiter::{Limiter, LimiterSettings, Release};
pub use listen::{
    JUMP_DB, Listen, ListenSettings, MOST_JUMP_DB, REFERENCES, RecentLoudness, ReferenceLoudness,
    References, Signals, Source,
};
pub use push::{Push, PushSettings};
pub use saturator::{Saturator, SaturatorSettings, curve};
pub use shelves::{Shelves, ShelvesSettings};
