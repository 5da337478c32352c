//! Notices the system calls of a thread, from outside of what it runs.
//!
//! Linux can hand a thread's system calls to a signal handler of the process instead of making them
//! (prctl(2), `PR_SET_SYSCALL_USER_DISPATCH`, since 5.11), for as long as a byte of the thread's
//! says so. The handler notes the call, sets the byte back, and has the instruction done again:
//! what is watched goes on as it would have, and the first call of each stretch is known. A filter
//! by seccomp(2) would notice as much, but for good: the thread could not even end.
//!
//! A lock that is free is taken without a system call, and not noticed so.
//! [`first_call_among_frozen`] therefore stops all other threads wherever they are first, some of
//! them within a lock: who wants it then has to wait for it, which is a call.
//!
//! Reading the clock makes no system call where the kernel maps it into the process (vdso(7)).

#![expect(unsafe_code, reason = "signals and prctl(2) know raw pointers only")]

use libc::{c_int, c_long, c_void, siginfo_t, ucontext_t};
use std::fs;
use std::mem::MaybeUninit;
use std::ptr;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU8, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// `linux/prctl.h`.
const PR_SET_SYSCALL_USER_DISPATCH: c_int = 59;
const OFF: usize = 0;
const ON: usize = 1;
const ALLOW: u8 = 0;
const BLOCK: u8 = 1;
/// Length of the instruction `syscall`, bytes.
const INSTRUCTION: i64 = 2;
/// No call: numbers are not negative (`asm/unistd_64.h`).
const NONE: i64 = -1;
/// A thread that has not stopped by then is about to begin or to end.
const PATIENCE: Duration = Duration::from_millis(20);

/// A thread's own. Atomic against its own signal handler alone.
struct Thread {
    /// What the kernel reads at each system call.
    selector: AtomicU8,
    first: AtomicI64,
}

thread_local! {
    static THREAD: Thread = const { Thread {
        selector: AtomicU8::new(ALLOW),
        first: AtomicI64::new(NONE),
    } };
}

/// The other threads are to stand still, and how many do.
static FROZEN: AtomicBool = AtomicBool::new(false);
static STANDING: AtomicUsize = AtomicUsize::new(0);

/// Called by the kernel in the place of a system call.
extern "C" fn note(_: c_int, _: *mut siginfo_t, context: *mut c_void) {
    // What is waited for may be held by a thread that stands still.
    FROZEN.store(false, Ordering::SeqCst);
    THREAD.with(|thread| {
        thread.selector.store(ALLOW, Ordering::SeqCst);
        // SAFETY: the kernel passes the registers as they were before the call, whose number is in
        // RAX, and takes them back as they are left.
        let registers = unsafe { &mut (*context.cast::<ucontext_t>()).uc_mcontext.gregs };
        let number = registers[libc::REG_RAX as usize];
        thread.first.store(number, Ordering::SeqCst);
        registers[libc::REG_RIP as usize] -= INSTRUCTION;
    });
}

/// Called by the kernel wherever another thread is.
extern "C" fn stand_still(_: c_int, _: *mut siginfo_t, _: *mut c_void) {
    STANDING.fetch_add(1, Ordering::SeqCst);
    while FROZEN.load(Ordering::SeqCst) {
        // SAFETY: one of the functions that a signal handler may call (signal-safety(7)).
        unsafe { libc::poll(ptr::null_mut(), 0, 1) };
    }
    STANDING.fetch_sub(1, Ordering::SeqCst);
}

/// Has the kernel look at this thread's byte from now on, or no more. False where it refuses.
fn dispatch(mode: usize) -> bool {
    THREAD.with(|thread| {
        let selector = if mode == ON {
            thread.selector.as_ptr()
        } else {
            ptr::null_mut()
        };
        // SAFETY: the byte lives as long as the thread. No range of addresses is left out.
        unsafe {
            libc::prctl(
                PR_SET_SYSCALL_USER_DISPATCH,
                mode,
                0_usize,
                0_usize,
                selector,
            ) == 0
        }
    })
}

fn handle(signal: c_int, handler: extern "C" fn(c_int, *mut siginfo_t, *mut c_void)) -> bool {
    // SAFETY: all of the structure is set that is read; the handlers touch nothing but their
    // thread's memory and atomics.
    unsafe {
        let mut action: libc::sigaction = MaybeUninit::zeroed().assume_init();
        action.sa_sigaction = handler as *const () as usize;
        action.sa_flags = libc::SA_SIGINFO | libc::SA_RESTART;
        libc::sigaction(signal, &raw const action, ptr::null_mut()) == 0
    }
}

/// Whether this kernel can do it; the handlers are in place then.
pub fn is_possible() -> bool {
    static POSSIBLE: OnceLock<bool> = OnceLock::new();
    *POSSIBLE.get_or_init(|| {
        let handled = handle(libc::SIGSYS, note) && handle(libc::SIGUSR1, stand_still);
        handled && dispatch(ON) && dispatch(OFF)
    })
}

/// Does `work` and returns the number of the first system call that this thread makes in it, if
/// any.
pub fn first_call(work: &mut dyn FnMut()) -> Option<i64> {
    THREAD.with(|thread| {
        assert!(dispatch(ON));
        thread.first.store(NONE, Ordering::SeqCst);
        thread.selector.store(BLOCK, Ordering::SeqCst);
        work();
        thread.selector.store(ALLOW, Ordering::SeqCst);
        assert!(dispatch(OFF));
        let first = thread.first.load(Ordering::SeqCst);
        (first != NONE).then_some(first)
    })
}

/// The same while all other threads of the process stand still where they happened to be, until
/// this one makes a call.
pub fn first_call_among_frozen(work: &mut dyn FnMut()) -> Option<i64> {
    // SAFETY: two calls that only tell numbers.
    let [process, own] = unsafe { [libc::getpid().into(), libc::syscall(libc::SYS_gettid)] };
    // All allocation comes before: somebody may stand still within the allocator.
    let threads: Vec<c_long> = fs::read_dir("/proc/self/task")
        .unwrap()
        .filter_map(|task| task.ok()?.file_name().to_str()?.parse().ok())
        .filter(|thread| *thread != own)
        .collect();
    FROZEN.store(true, Ordering::SeqCst);
    let stop = |thread: &&c_long| {
        // SAFETY: a signal that is handled, to a thread of this process; one that has ended is not
        // found.
        unsafe { libc::syscall(libc::SYS_tgkill, process, **thread, libc::SIGUSR1) == 0 }
    };
    let told = threads.iter().filter(stop).count();
    let start = Instant::now();
    while STANDING.load(Ordering::SeqCst) < told && start.elapsed() < PATIENCE {
        std::hint::spin_loop();
    }
    let first = first_call(work);
    FROZEN.store(false, Ordering::SeqCst);
    while STANDING.load(Ordering::SeqCst) > 0 {
        std::hint::spin_loop();
    }
    first
}
