//! Denormal numbers are zero while audio is processed.
//!
//! Below 1.2e-38 an `f32` is denormal, and many processors take a hundred times as long over it: a
//! reverberation that dies away can stall a session. Hosts are expected to deal with it, and not
//! all of them do.
//!
//! Two things are switched on: results that would be denormal become zero, and denormal operands
//! count as zero. The second matters as much as the first, as a host's audio may be denormal to
//! begin with. Copying a number does not change it, so a path that only delays stays exact to the
//! last bit.

#![expect(
    unsafe_code,
    reason = "no safe function reaches the control register of floating-point arithmetic"
)]

/// Does `work` on this thread with denormal operands and results taken as zero.
///
/// The control register is afterwards exactly as it was before, whatever the host had set and
/// however `work` ends. On other processors than x86-64 and `AArch64` nothing changes.
///
/// # Realtime
/// Two accesses to a register.
pub fn flushed<T>(work: impl FnOnce() -> T) -> T {
    let _restored_at_the_end = Restore::after_flushing();
    apart(work)
}

/// Arithmetic must stay between the two accesses to the register, and the compiler, which knows of
/// no such register, may not move it out of a call that it does not look into.
#[inline(never)]
fn apart<T>(work: impl FnOnce() -> T) -> T {
    work()
}

/// Sets the register back when dropped. It belongs to one thread, and so does this.
struct Restore {
    before: register::Value,
    _stays_on_its_thread: std::marker::PhantomData<*const ()>,
}

impl Restore {
    fn after_flushing() -> Self {
        let before = register::read();
        register::write(before | register::FLUSH);
        Self {
            before,
            _stays_on_its_thread: std::marker::PhantomData,
        }
    }
}

impl Drop for Restore {
    fn drop(&mut self) {
        register::write(self.before);
    }
}

/// MXCSR: Intel 64 and IA-32 Architectures Software Developer's Manual, volume 1, 10.2.3.
#[cfg(all(target_arch = "x86_64", not(miri)))]
mod register {
    use std::arch::asm;

    pub type Value = u32;

    /// Bit 15, flush-to-zero (10.2.3.3), and bit 6, denormals-are-zero (10.2.3.4). The manual has
    /// the second tested for, as the earliest processors with SSE2 lacked it; those ran no 64-bit
    /// code (common practice).
    pub const FLUSH: Value = 1 << 15 | 1 << 6;

    pub fn read() -> Value {
        let mut value: Value = 0;
        // SAFETY: stores four bytes where four bytes may be stored.
        unsafe {
            asm!("stmxcsr [{}]", in(reg) &raw mut value, options(nostack, preserves_flags));
        }
        value
    }

    pub fn write(value: Value) {
        // SAFETY: the value was read from the register, with at most two bits set that every 64-bit
        // processor has, so that no reserved bit is set. Rounding and masks stay as they are; what
        // arithmetic makes of denormal numbers is the purpose.
        unsafe {
            asm!("ldmxcsr [{}]", in(reg) &raw const value, options(nostack, preserves_flags));
        }
    }
}

/// FPCR: Arm Architecture Reference Manual for A-profile (DDI 0487), C5.2, "Floating-point Control
/// Register".
#[cfg(all(target_arch = "aarch64", not(miri)))]
mod register {
    use std::arch::asm;

    pub type Value = u64;

    /// Bit 24, FZ: flushes denormal operands as well as results of single and double precision.
    pub const FLUSH: Value = 1 << 24;

    pub fn read() -> Value {
        let value: Value;
        // SAFETY: reads a register that every program may read.
        unsafe {
            asm!("mrs {}, fpcr", out(reg) value, options(nomem, nostack, preserves_flags));
        }
        value
    }

    pub fn write(value: Value) {
        // SAFETY: the value was read from the register, with at most FZ set. Rounding and traps
        // stay as they are; what arithmetic makes of denormal numbers is the purpose.
        unsafe {
            asm!("msr fpcr, {}", in(reg) value, options(nostack, preserves_flags));
        }
    }
}

#[cfg(any(not(any(target_arch = "x86_64", target_arch = "aarch64")), miri))]
mod register {
    pub type Value = u32;
    pub const FLUSH: Value = 0;

    pub fn read() -> Value {
        0
    }

    pub fn write(_: Value) {}
}

#[cfg(all(test, any(target_arch = "x86_64", target_arch = "aarch64"), not(miri)))]
mod tests {
    use super::{flushed, register};
    use std::hint::black_box;

    /// Halves of the smallest normal numbers (IEEE 754-2019, 3.4: emin is -126 and -1022) are
    /// denormal.
    fn halves() -> (f32, f64) {
        (
            black_box(f32::MIN_POSITIVE) * black_box(0.5),
            black_box(f64::MIN_POSITIVE) * black_box(0.5),
        )
    }

    /// Twice a denormal number of the bits given: normal, if the operand counts for what it is.
    fn doubles() -> (f32, f64) {
        let (single, double) = (
            f32::from_bits(0x0040_0000),
            f64::from_bits(0x0008_0000_0000_0000),
        );
        (
            black_box(single) * black_box(2.0),
            black_box(double) * black_box(2.0),
        )
    }

    #[test]
    fn denormal_results_are_zero_within_and_themselves_outside() {
        let denormal = (f32::MIN_POSITIVE / 2.0, f64::MIN_POSITIVE / 2.0);
        assert_eq!(halves(), denormal);
        assert_eq!(flushed(halves), (0.0, 0.0));
        assert_eq!(halves(), denormal);
    }

    #[test]
    fn denormal_operands_are_zero_within_and_themselves_outside() {
        let normal = (f32::MIN_POSITIVE, f64::MIN_POSITIVE);
        assert_eq!(doubles(), normal);
        assert_eq!(flushed(doubles), (0.0, 0.0));
        assert_eq!(doubles(), normal);
    }

    #[test]
    fn the_register_is_afterwards_what_it_was_whatever_the_host_had_set() {
        let before = register::read();
        flushed(|| assert_eq!(register::read() & register::FLUSH, register::FLUSH));
        assert_eq!(register::read(), before);
        flushed(|| {
            let as_a_host_set_it = register::read();
            flushed(halves);
            assert_eq!(register::read(), as_a_host_set_it);
        });
        assert_eq!(register::read(), before);
    }

    #[test]
    fn the_register_is_set_back_after_a_panic() {
        let before = register::read();
        let panicked = std::panic::catch_unwind(|| flushed(|| panic!("on purpose")));
        assert!(panicked.is_err());
        assert_eq!(register::read(), before);
    }
}
