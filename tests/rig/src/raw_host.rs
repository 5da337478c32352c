//! The plug-in called the way hosts call it, block by block, with whatever a host may pass for its
//! ports.
//!
//! [`ClapHost`](crate::clap_host::ClapHost) passes well-formed blocks and cannot do otherwise. Here
//! nothing is put right: ports may be missing, channels may be missing or too many, and any pointer
//! may be null. Behind the end of every array lies a pointer to nowhere, so that who reads too far
//! does not go unnoticed.

#![allow(
    clippy::missing_panics_doc,
    reason = "a test stops at the first thing that goes wrong"
)]

pub mod clap;
pub mod stream;
pub mod vst3;

pub use clap::RawClap;
use std::ptr;
pub use vst3::RawVst3;

/// One port as a host passes it.
#[derive(Clone, Debug)]
pub enum Port {
    /// With these channels; `None` is a null pointer.
    Channels(Vec<Option<Vec<f32>>>),
    /// Said to have so many channels, without any pointers to them.
    NoPointers(usize),
}

impl Port {
    /// A port whose channels are all there.
    pub fn of(channels: &[Vec<f32>]) -> Self {
        Self::Channels(channels.iter().cloned().map(Some).collect())
    }

    /// The channels that are there.
    pub fn channels(&self) -> impl Iterator<Item = &Vec<f32>> {
        let channels = match self {
            Self::Channels(channels) => channels.as_slice(),
            Self::NoPointers(_) => &[],
        };
        channels.iter().flatten()
    }
}

/// The ports of one direction as a host passes them.
#[derive(Clone, Debug)]
pub enum Ports {
    Passed(Vec<Port>),
    /// Said to be so many, without a pointer to them.
    Null(usize),
    /// Of outputs: the first port of the inputs, whose samples are written over.
    InPlace,
}

impl Ports {
    /// The channels that are there, of all ports.
    pub fn channels(&self) -> impl Iterator<Item = &Vec<f32>> {
        let ports = match self {
            Self::Passed(ports) => ports.as_slice(),
            Self::Null(_) | Self::InPlace => &[],
        };
        ports.iter().flat_map(Port::channels)
    }
}

/// A block as a host passes it.
#[derive(Clone, Debug)]
pub struct Block {
    pub frames: usize,
    pub inputs: Ports,
    pub outputs: Ports,
    /// Parameters that are set at the first frame, normalised.
    pub changes: Vec<(u32, f64)>,
}

/// What the two formats have in common.
pub trait RawHost {
    /// The latency that the plug-in reports, frames.
    fn latency(&self) -> usize;

    /// For how long the plug-in says that it goes on sounding, frames.
    fn tail(&self) -> usize;

    /// What the host keeps in its session, written in pieces of at most so many bytes.
    fn save_in_pieces(&self, at_most: usize) -> Vec<u8>;

    /// Gives something back in pieces of at most so many bytes; whether the plug-in takes it.
    fn load_in_pieces(&self, state: &[u8], at_most: usize) -> bool;

    /// Says that in each port, input or side-chain, the channels of these bits are the same sample
    /// throughout, in the words of the format; a hint, and to be true.
    fn say_constant(&mut self, channels: u64);

    /// The number and the normalised value of a parameter.
    fn param(&self, name: &str) -> Option<(u32, f64)>;

    /// How many parameters there are.
    fn param_count(&self) -> u32;

    /// The values of all parameters, normalised.
    fn normalized(&self) -> Vec<f64>;

    /// Whether the plug-in describes a parameter of this index.
    fn knows_param(&self, index: u32) -> bool;

    /// The host's transport runs while blocks are processed from now on.
    fn play(&mut self);

    /// The next block lies here in the song, 0 s or later, and those after it one after the other.
    /// Before it is called a host that can leave it out tells no position.
    fn locate(&mut self, song_s: f64);

    /// Has `around` be called with each call from now on that is the audio thread's, which it must
    /// make.
    fn set_around(&mut self, around: fn(&mut dyn FnMut()));

    /// Ends processing, and begins it anew.
    fn process_anew(&mut self);

    /// Clears what can be heard. VST3 has no call of its own for that: processing begins anew.
    fn reset(&mut self);

    /// Has the plug-in process a block; whether it says that it could.
    fn process(&mut self, block: &mut Block) -> bool;
}

/// Both hosts, with buses of `channels` channels, at 48 kHz and ready to process blocks of up to
/// `max_frames`.
pub fn both(channels: usize, max_frames: usize) -> [(&'static str, Box<dyn RawHost>); 2] {
    [
        ("CLAP", Box::new(RawClap::active(channels, max_frames))),
        ("VST3", Box::new(RawVst3::active(channels, max_frames))),
    ]
}

/// Nowhere: not even aligned.
fn nowhere<T>() -> *mut T {
    ptr::without_provenance_mut(1)
}

/// The array of channel pointers of a port, with the number of channels that it is said to have;
/// null if there is no array.
#[derive(Clone)]
struct Pointers {
    array: Option<Vec<*mut f32>>,
    count: usize,
}

impl Pointers {
    fn to(port: &mut Port) -> Self {
        match port {
            Port::NoPointers(count) => Self {
                array: None,
                count: *count,
            },
            Port::Channels(channels) => {
                let pointer = |channel: &mut Option<Vec<f32>>| match channel {
                    Some(channel) => channel.as_mut_ptr(),
                    None => ptr::null_mut(),
                };
                let count = channels.len();
                let mut array: Vec<_> = channels.iter_mut().map(pointer).collect();
                array.push(nowhere());
                Self {
                    array: Some(array),
                    count,
                }
            }
        }
    }

    fn address(&mut self) -> *mut *mut f32 {
        self.array.as_mut().map_or(ptr::null_mut(), Vec::as_mut_ptr)
    }
}

/// The ports of one direction in the words of a format, and one more that leads nowhere.
struct Described<T> {
    /// What the `array` points to.
    pointers: Vec<Pointers>,
    array: Option<Vec<T>>,
    count: usize,
}

impl<T> Described<T> {
    /// `port` describes a port by the address of its channel pointers and their number.
    fn new(ports: &mut Ports, port: impl Fn(*mut *mut f32, usize) -> T) -> Self {
        match ports {
            Ports::Null(count) => Self {
                pointers: Vec::new(),
                array: None,
                count: *count,
            },
            Ports::Passed(ports) => Self::of(ports.iter_mut().map(Pointers::to).collect(), port),
            Ports::InPlace => panic!("inputs are not outputs"),
        }
    }

    /// The outputs of a block with these inputs.
    fn outputs(ports: &mut Ports, inputs: &Self, port: impl Fn(*mut *mut f32, usize) -> T) -> Self {
        match ports {
            Ports::InPlace => Self::of(inputs.pointers[..1].to_vec(), port),
            ports => Self::new(ports, port),
        }
    }

    fn of(mut pointers: Vec<Pointers>, port: impl Fn(*mut *mut f32, usize) -> T) -> Self {
        let mut described: Vec<_> = pointers
            .iter_mut()
            .map(|pointers| port(pointers.address(), pointers.count))
            .collect();
        described.push(port(nowhere(), 2));
        Self {
            count: pointers.len(),
            pointers,
            array: Some(described),
        }
    }

    fn address(&mut self) -> *mut T {
        self.array.as_mut().map_or(ptr::null_mut(), Vec::as_mut_ptr)
    }
}
