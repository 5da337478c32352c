//! A run that is ended from outside takes away what it has begun.

/// Sees to it that what is not whole yet goes when the run is interrupted, and that a file that
/// outgrows the user's limit is an error like a full disk.
#[cfg(unix)]
pub(super) fn watch() {
    use crestline_files::remove_unfinished;
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM, SIGXFSZ};
    use signal_hook::{flag, iterator::Signals, low_level::emulate_default_handler};
    use std::sync::{Arc, atomic::AtomicBool, mpsc};
    use std::thread::Builder;

    // Whatever it does: once the signal is handled at all, the writing itself fails. Programs that
    // are started from here have it as it was.
    let _ = flag::register(SIGXFSZ, Arc::new(AtomicBool::new(false)));
    let (registered, wait_for) = mpsc::channel();
    let wait = move || {
        let ends = [SIGINT, SIGTERM, SIGHUP]
            .into_iter()
            .filter(|signal| !is_ignored(*signal, *signal == SIGHUP));
        let Ok(mut signals) = Signals::new(ends) else {
            return;
        };
        let _ = registered.send(());
        if let Some(signal) = signals.forever().next() {
            remove_unfinished();
            let _ = emulate_default_handler(signal);
        }
    };
    // Without the thread the signals end the run as ever; with it nothing is begun before it waits.
    if Builder::new()
        .name("signals".to_owned())
        .spawn(wait)
        .is_ok()
    {
        let _ = wait_for.recv();
    }
}

/// Whether whoever started the run has the signal ignored, as `nohup` does: then it has to stay so.
/// `unknown` where the system does not tell (proc(5) does, on Linux).
#[cfg(unix)]
fn is_ignored(signal: i32, unknown: bool) -> bool {
    let told = std::fs::read_to_string("/proc/self/status").ok();
    let ignored = told.as_deref().and_then(|told| {
        let line = told.lines().find_map(|line| line.strip_prefix("SigIgn:"))?;
        u64::from_str_radix(line.trim(), 16).ok()
    });
    ignored.map_or(unknown, |ignored| ignored >> (signal - 1) & 1 == 1)
}

/// Here an interrupted run leaves what it has begun: the system has no signals.
#[cfg(not(unix))]
pub(super) fn watch() {}
