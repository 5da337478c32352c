//! Crestline as a plug-in: a mix-bus insert that shows what each decibel of loudness costs.
//!
//! | module | what it holds |
//! | --- | --- |
//! | [`params`] | what a host can see, automate and save |
//! | [`audition`] | the reference that can be listened to |
//! | [`editor`] | the window; it never sees the engine |
//! | [`plugin`] | the glue to the plug-in framework |
//! | `saved_state` | a host's saved state, mended before the framework takes it |
//! | `lock` | locks, which the audio thread never takes |
//! | [`export`] | what hosts talk to: both formats, and a guard around the framework |

pub mod audition;
pub mod editor;
pub mod export;
mod lock;
pub mod params;
pub mod plugin;
mod saved_state;

pub use plugin::Crestline;

/// The CLAP entry, for hosts in the same process. The library exports one of the same content.
#[expect(non_upper_case_globals, reason = "the name that CLAP gives it")]
pub static clap_entry: nice_plug::wrapper::clap::clap_plugin_entry = export::clap::ENTRY;
