//! The audio thread of the host: blocks, events and buffers.

use super::{Handlers, Result};
use clack_host::events::event_types::{ParamValueEvent, TransportEvent, TransportFlags};
use clack_host::events::io::EventBuffer;
use clack_host::events::{EventFlags, EventHeader};
use clack_host::prelude::*;
use clack_host::utils::{BeatTime, SecondsTime};
use std::ops::Range;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

/// A parameter that the host changes at a frame of a run.
#[derive(Clone, Copy, Debug)]
pub struct Change {
    pub frame: usize,
    pub id: ClapId,
    pub value: f64,
}

/// Audio to be run through the plug-in, and how.
#[derive(Clone, Copy)]
pub struct Run<'a> {
    /// One vector a channel, all of one length.
    pub main: &'a [Vec<f32>],
    /// As long as `main`; `None` hands over null pointers, as hosts do when nothing is connected.
    pub side_chain: Option<&'a [Vec<f32>]>,
    /// Passes the main port alone, as a host may that knows of no side-chains. What `side_chain`
    /// holds then lies behind the end of the ports.
    pub main_port_alone: bool,
    /// Sizes of the blocks, taken in turn again and again.
    pub block_sizes: &'a [usize],
    /// In the order of their frames.
    pub changes: &'a [Change],
    pub playing: bool,
    /// Takes the values that the plug-in tells.
    pub told: Option<&'a Mutex<Vec<(ClapId, f64)>>>,
    /// Once true, no further block is played.
    pub stop: Option<&'a AtomicBool>,
    /// Called with each call of the plug-in's `process`, which it must make.
    pub around: fn(&mut dyn FnMut()),
}

impl<'a> Run<'a> {
    /// The main bus alone, in blocks of one size.
    pub fn new(main: &'a [Vec<f32>], block_sizes: &'a [usize]) -> Self {
        Self {
            main,
            side_chain: None,
            main_port_alone: false,
            block_sizes,
            changes: &[],
            playing: true,
            told: None,
            stop: None,
            around: |process| process(),
        }
    }
}

/// Runs audio through the plug-in, and returns what comes out, one vector a channel, with the
/// answer to the last block.
pub fn play(
    processor: &mut PluginAudioProcessor<Handlers>,
    run: &Run<'_>,
    side_channels: usize,
    position: u64,
) -> Result<(Vec<Vec<f32>>, Option<ProcessStatus>)> {
    let processor = processor.ensure_processing_started()?;
    let frames = run.main.first().map_or(0, Vec::len);
    let mut output = vec![vec![0.0; frames]; run.main.len()];
    let mut main = run.main.to_vec();
    let silence = vec![vec![0.0; frames]; side_channels];
    let mut side = run.side_chain.unwrap_or(&silence).to_vec();
    let mut input_ports = AudioPorts::with_capacity(main.len() + side_channels, 2);
    let mut output_ports = AudioPorts::with_capacity(main.len(), 1);
    let mut sizes = run.block_sizes.iter().cycle();
    let mut last_status = None;
    let mut start = 0;
    let stopped = || run.stop.is_some_and(|stop| stop.load(Ordering::Relaxed));
    while start < frames && !stopped() {
        let block = start..frames.min(start + sizes.next().ok_or("no block size")?);
        let events: Vec<_> = events(run.changes, &block).collect();
        let inputs = [&mut main, &mut side].map(|port| AudioPortBuffer {
            channels: AudioPortBufferType::f32_input_only(
                port.iter_mut()
                    .map(|channel| InputChannel::variable(&mut channel[block.clone()])),
            ),
            latency: 0,
        });
        let inputs = input_ports.with_input_buffers(inputs);
        let mut pair = [inputs.as_raw_buffers()[0], inputs.as_raw_buffers()[1]];
        if run.side_chain.is_none() {
            pair[1].data32 = std::ptr::null_mut();
        }
        #[expect(
            unsafe_code,
            reason = "a port without buffers can only be made by hand"
        )]
        // SAFETY: the pointers are those of the buffers above, which outlive the call, or null,
        // which CLAP allows.
        let inputs = unsafe {
            let passed = if run.main_port_alone { 1 } else { 2 };
            InputAudioBuffers::from_raw_buffers(&pair[..passed], block.len() as u32)
        };
        let mut outputs = output_ports.with_output_buffers([AudioPortBuffer {
            channels: AudioPortBufferType::f32_output_only(
                output.iter_mut().map(|channel| &mut channel[block.clone()]),
            ),
            latency: 0,
        }]);
        let time = position + start as u64;
        let transport = transport(run.playing);
        let mut status = None;
        let mut told = EventBuffer::new();
        let mut to_host = match run.told {
            Some(_) => OutputEvents::from_buffer(&mut told),
            None => OutputEvents::void(),
        };
        (run.around)(&mut || {
            status = Some(processor.process(
                &inputs,
                &mut outputs,
                &InputEvents::from_buffer(&events.as_slice()),
                &mut to_host,
                Some(time),
                Some(&transport),
            ));
        });
        last_status = status.transpose()?;
        if let Some(all) = run.told {
            let values = told
                .iter()
                .filter_map(|event| event.as_event::<ParamValueEvent>())
                .filter_map(|event| Some((event.param_id()?, event.value())));
            let mut all = all.lock().map_err(|_| "a test has panicked")?;
            all.extend(values);
        }
        start = block.end;
    }
    for channel in &mut output {
        channel.truncate(start);
    }
    Ok((output, last_status))
}

/// The changes that fall into a block.
fn events(changes: &[Change], block: &Range<usize>) -> impl Iterator<Item = ParamValueEvent> {
    let within = changes
        .iter()
        .filter(|change| block.contains(&change.frame));
    within.map(|change| event(change, (change.frame - block.start) as u32))
}

/// A change as an event at this frame of a block.
pub fn event(change: &Change, time: u32) -> ParamValueEvent {
    ParamValueEvent::new(time, change.id, Pckn::match_all(), change.value)
}

/// A transport that tells no more than whether it runs.
fn transport(playing: bool) -> TransportEvent {
    TransportEvent {
        header: EventHeader::new_core(0, EventFlags::empty()),
        flags: if playing {
            TransportFlags::IS_PLAYING
        } else {
            TransportFlags::empty()
        },
        song_pos_beats: BeatTime::from_int(0),
        song_pos_seconds: SecondsTime::from_int(0),
        tempo: 0.0,
        tempo_inc: 0.0,
        loop_start_beats: BeatTime::from_int(0),
        loop_end_beats: BeatTime::from_int(0),
        loop_start_seconds: SecondsTime::from_int(0),
        loop_end_seconds: SecondsTime::from_int(0),
        bar_start: BeatTime::from_int(0),
        bar_number: 0,
        time_signature_numerator: 0,
        time_signature_denominator: 0,
    }
}
