//! Decoding on a thread of its own, so that it goes on while the audio is used.

use std::mem;
use std::panic;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread;

use super::AudioFile;
use crate::error::InputError;

/// Blocks that are decoded ahead at most.
const AHEAD: usize = 16;

type Block = Vec<Vec<f32>>;

/// Decodes the rest of a file on another thread and hands it to `take` on this one: one vector a
/// channel, all of one length, from 1 frame to 65536, and the encoded bytes used up to there
/// ([`AudioFile::bytes`]).
///
/// The same blocks as [`AudioFile::next_block`] gives; some of them are held in memory. Worth it
/// while a core is idle.
///
/// # Errors
/// As [`AudioFile::next_block`]; what came before the error has been handed over.
pub fn decode_ahead(
    file: &mut AudioFile,
    mut take: impl FnMut(&[Vec<f32>], u64),
) -> Result<(), InputError> {
    let ahead = thread::scope(|scope| {
        let (full, decoded) = sync_channel(AHEAD);
        let (used, empty) = sync_channel(AHEAD + 2);
        let file = &mut *file;
        let decoder = thread::Builder::new()
            .name("decode".to_owned())
            .spawn_scoped(scope, move || decode(file, &full, &empty))
            .ok()?;
        for (block, bytes) in decoded {
            take(&block, bytes);
            // Refused only when the decoder is done.
            let _ = used.try_send(block);
        }
        match decoder.join() {
            Ok(outcome) => Some(outcome),
            Err(panicked) => panic::resume_unwind(panicked),
        }
    });
    if let Some(outcome) = ahead {
        return outcome;
    }
    // The system refused another thread, so the two take turns.
    while file.next_block()?.is_some() {
        take(&file.block, file.bytes());
    }
    Ok(())
}

fn decode(
    file: &mut AudioFile,
    full: &SyncSender<(Block, u64)>,
    empty: &Receiver<Block>,
) -> Result<(), InputError> {
    while file.next_block()?.is_some() {
        let mut next = empty.try_recv().unwrap_or_default();
        next.iter_mut().for_each(Vec::clear);
        next.resize_with(file.roles.len(), Vec::new);
        let block = mem::replace(&mut file.block, next);
        file.given = 0;
        // Refused only when whoever takes the blocks has failed.
        if full.send((block, file.bytes())).is_err() {
            break;
        }
    }
    Ok(())
}
