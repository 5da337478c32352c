//! A stream of bytes for VST3, in memory.

#![expect(
    unsafe_code,
    reason = "an interface is called through a table of C functions"
)]

use nice_plug::wrapper::vst3::vst3::Class;
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    IBStream, IBStreamTrait, int32, int64, kResultOk, tresult,
};
use std::cell::RefCell;
use std::ffi::c_void;
use std::ptr;

/// A stream of bytes in memory.
#[derive(Default)]
pub struct Memory {
    pub bytes: RefCell<Vec<u8>>,
    position: RefCell<usize>,
}

impl Memory {
    /// A stream that begins with these bytes.
    pub fn of(bytes: &[u8]) -> Self {
        Self {
            bytes: RefCell::new(bytes.to_vec()),
            position: RefCell::new(0),
        }
    }

    /// Begins to read from the start again.
    pub fn rewind(&self) {
        *self.position.borrow_mut() = 0;
    }
}

impl Class for Memory {
    type Interfaces = (IBStream,);
}

impl IBStreamTrait for Memory {
    unsafe fn read(&self, buffer: *mut c_void, wanted: int32, read: *mut int32) -> tresult {
        let (bytes, mut position) = (self.bytes.borrow(), self.position.borrow_mut());
        let count = usize::try_from(wanted)
            .unwrap()
            .min(bytes.len() - *position);
        // SAFETY: the caller has room for what it wants.
        unsafe {
            ptr::copy_nonoverlapping(bytes[*position..].as_ptr(), buffer.cast(), count);
            if let Some(read) = read.as_mut() {
                *read = int32::try_from(count).unwrap();
            }
        }
        *position += count;
        kResultOk
    }

    unsafe fn write(&self, buffer: *mut c_void, count: int32, written: *mut int32) -> tresult {
        // SAFETY: the caller has as many bytes as it says.
        unsafe {
            let bytes =
                std::slice::from_raw_parts(buffer.cast::<u8>(), usize::try_from(count).unwrap());
            self.bytes.borrow_mut().extend(bytes);
            if let Some(written) = written.as_mut() {
                *written = count;
            }
        }
        kResultOk
    }

    unsafe fn seek(&self, offset: int64, from: int32, now: *mut int64) -> tresult {
        // `ibstream.h` numbers the three ways: from the start, from here, from the end.
        let from = match from {
            0 => 0,
            1 => *self.position.borrow(),
            _ => self.bytes.borrow().len(),
        };
        let position = usize::try_from(offset).unwrap() + from;
        *self.position.borrow_mut() = position;
        // SAFETY: null or a place for the answer.
        if let Some(now) = unsafe { now.as_mut() } {
            *now = int64::try_from(position).unwrap();
        }
        kResultOk
    }

    unsafe fn tell(&self, position: *mut int64) -> tresult {
        // SAFETY: a place for the answer.
        unsafe { position.write(int64::try_from(*self.position.borrow()).unwrap()) };
        kResultOk
    }
}
