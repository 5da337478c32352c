//! Vorbis of more than two channels.

use lewton::audio::{PreviousWindowRight, read_audio_packet_generic};
use lewton::header::{IdentHeader, SetupHeader, read_header_ident, read_header_setup};
use symphonia::core::packet::Packet;

use crestline_core::measure::ChannelRole::{self, Front, Lfe, Surround};

use crate::error::InputErrorKind;

/// Bytes of the identification header (Vorbis I specification, section 4.2.2).
const IDENT_BYTES: usize = 30;

/// Decodes packets that come in order.
pub(super) struct VorbisDecoder {
    ident: IdentHeader,
    setup: SetupHeader,
    last: PreviousWindowRight,
}

impl VorbisDecoder {
    /// From the identification header and the setup header, one after the other.
    pub fn new(headers: &[u8]) -> Result<Self, InputErrorKind> {
        let damaged = || InputErrorKind::Damaged { at_s: None };
        let (ident, setup) = headers.split_at_checked(IDENT_BYTES).ok_or_else(damaged)?;
        let ident = read_header_ident(ident).map_err(|_| damaged())?;
        let sizes = (ident.blocksize_0, ident.blocksize_1);
        let setup = read_header_setup(setup, ident.audio_channels, sizes).map_err(|_| damaged())?;
        Ok(Self {
            ident,
            setup,
            last: PreviousWindowRight::new(),
        })
    }

    pub fn sample_rate_hz(&self) -> u32 {
        self.ident.audio_sample_rate
    }

    /// Decodes a packet into one vector a channel. The first only fills the overlap.
    pub fn decode(
        &mut self,
        packet: &Packet,
        block: &mut Vec<Vec<f32>>,
    ) -> Result<(), InputErrorKind> {
        let decoded: Vec<Vec<f32>> =
            read_audio_packet_generic(&self.ident, &self.setup, &packet.data, &mut self.last)
                .map_err(|_| InputErrorKind::Damaged { at_s: None })?;
        *block = decoded;
        let trim = |duration: u64| usize::try_from(duration).unwrap_or(usize::MAX);
        let (start, end) = (trim(packet.trim_start.get()), trim(packet.trim_end.get()));
        for plane in block {
            plane.truncate(plane.len().saturating_sub(end));
            plane.drain(..start.min(plane.len()));
        }
        Ok(())
    }
}

/// The roles of three to six channels in their order in the stream (Vorbis I specification,
/// section 4.3.9).
pub(super) fn roles(count: usize) -> Option<Vec<ChannelRole>> {
    match count {
        3 => Some(vec![Front, Front, Front]),
        4 => Some(vec![Front, Front, Surround, Surround]),
        5 => Some(vec![Front, Front, Front, Surround, Surround]),
        6 => Some(vec![Front, Front, Front, Surround, Surround, Lfe]),
        _ => None,
    }
}
