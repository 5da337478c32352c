//! What a host loads: the entry points of both formats, and a guard around what the framework
//! exports.
//!
//! The framework trusts the host: it reads ports that were not passed, takes fewer channels than
//! declared and null channel pointers as they come, and leaves the processor's handling of denormal
//! numbers as it finds it. Here every block passes through three steps before the framework sees
//! it:
//!
//! 1. [`denormals`] sets the processor to take denormal numbers as zero, and sets it back at the
//!    end.
//! 2. [`ports`] brings what the host passed into the shape that the plug-in declares. What does not
//!    have it is *not connected*.
//! 3. If the main port is not connected, the framework gets the events of the block alone, and what
//!    can be written is filled with silence.
//!
//! What the framework does not offer is added: edits that the host has not brought back are saved
//! and shown ([`params::Edits`](crate::params::Edits)), readings have values and change, the host's
//! word on rendering offline counts at once, and the lines between a VST3 host's points are drawn.
//!
//! | module | what it holds |
//! | --- | --- |
//! | [`ports`] | the host's channel pointers in the declared shape, the same for both formats |
//! | [`denormals`] | flush-to-zero and denormals-are-zero for the length of a call |
//! | [`known`] | the parameters by the host's numbers, and the readings among them |
//! | [`clap`] | the CLAP entry, factory and instance |
//! | [`vst3`] | the VST3 factory and class |

pub mod clap;
pub mod denormals;
pub mod known;
pub mod ports;
pub mod vst3;
