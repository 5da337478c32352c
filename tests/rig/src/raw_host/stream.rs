//! Streams of bytes in memory, in pieces as small as a host likes.

#![expect(
    unsafe_code,
    reason = "an interface is called through a table of C functions"
)]

use nice_plug::wrapper::vst3::vst3::Class;
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    IBStream, IBStreamTrait, int32, int64, kResultOk, tresult,
};
use std::cell::{Cell, RefCell};
use std::ffi::c_void;
use std::ptr;

/// Bytes that are passed on some at a time: the first call passes one, the next two, and so on up
/// to the most; then again one.
pub struct Pieces {
    bytes: RefCell<Vec<u8>>,
    position: Cell<usize>,
    at_most: usize,
    next: Cell<usize>,
}

impl Default for Pieces {
    /// Nothing yet; whatever comes, as it comes.
    fn default() -> Self {
        Self::new(&[], usize::MAX)
    }
}

impl Pieces {
    /// These bytes, at most so many at once.
    pub fn new(bytes: &[u8], at_most: usize) -> Self {
        Self {
            bytes: RefCell::new(bytes.to_vec()),
            position: Cell::new(0),
            at_most,
            next: Cell::new(if at_most == usize::MAX { at_most } else { 1 }),
        }
    }

    /// All bytes.
    pub fn bytes(&self) -> Vec<u8> {
        self.bytes.borrow().clone()
    }

    /// All bytes.
    pub fn into_bytes(self) -> Vec<u8> {
        self.bytes.into_inner()
    }

    /// How many are passed of those wanted.
    fn piece(&self, wanted: usize) -> usize {
        let next = self.next.get();
        self.next
            .set(if next >= self.at_most { 1 } else { next + 1 });
        if self.at_most == usize::MAX {
            self.next.set(next);
        }
        wanted.min(next)
    }

    /// The next bytes, of which so many are wanted; none at the end.
    pub fn read(&self, wanted: usize) -> Vec<u8> {
        let position = self.position.get();
        let piece = self.piece(wanted);
        let bytes = self.bytes.borrow();
        let piece = &bytes[position..bytes.len().min(position + piece)];
        self.position.set(position + piece.len());
        piece.to_vec()
    }

    /// Takes some of these bytes, and tells how many.
    pub fn write(&self, bytes: &[u8]) -> usize {
        let piece = self.piece(bytes.len());
        self.bytes.borrow_mut().extend(&bytes[..piece]);
        piece
    }

    /// Begins to read from the start again.
    pub fn rewind(&self) {
        self.position.set(0);
    }
}

impl Class for Pieces {
    type Interfaces = (IBStream,);
}

impl IBStreamTrait for Pieces {
    unsafe fn read(&self, buffer: *mut c_void, wanted: int32, read: *mut int32) -> tresult {
        let piece = Pieces::read(self, usize::try_from(wanted).unwrap());
        // SAFETY: the caller has room for what it wants.
        unsafe {
            ptr::copy_nonoverlapping(piece.as_ptr(), buffer.cast(), piece.len());
            if let Some(read) = read.as_mut() {
                *read = int32::try_from(piece.len()).unwrap();
            }
        }
        kResultOk
    }

    unsafe fn write(&self, buffer: *mut c_void, count: int32, written: *mut int32) -> tresult {
        // SAFETY: the caller has as many bytes as it says.
        unsafe {
            let bytes =
                std::slice::from_raw_parts(buffer.cast::<u8>(), usize::try_from(count).unwrap());
            let taken = Pieces::write(self, bytes);
            if let Some(written) = written.as_mut() {
                *written = int32::try_from(taken).unwrap();
            }
        }
        kResultOk
    }

    unsafe fn seek(&self, offset: int64, from: int32, now: *mut int64) -> tresult {
        // `ibstream.h` numbers the three ways: from the start, from here, from the end.
        let from = match from {
            0 => 0,
            1 => self.position.get(),
            _ => self.bytes.borrow().len(),
        };
        let position = usize::try_from(offset).unwrap() + from;
        self.position.set(position);
        // SAFETY: null or a place for the answer.
        if let Some(now) = unsafe { now.as_mut() } {
            *now = int64::try_from(position).unwrap();
        }
        kResultOk
    }

    unsafe fn tell(&self, position: *mut int64) -> tresult {
        // SAFETY: a place for the answer.
        unsafe { position.write(int64::try_from(self.position.get()).unwrap()) };
        kResultOk
    }
}
