//! Work shared between threads.

use std::thread;

/// What `work` returns on each of up to `count` threads, this one among them: it takes the next
/// piece until there is none. Where the system refuses another thread the work is still done.
pub fn gather<T: Send>(count: usize, work: impl Fn() -> Vec<T> + Sync) -> Vec<T> {
    let work = &work;
    thread::scope(|scope| {
        let others: Vec<_> = (1..count)
            .filter_map(|number| {
                thread::Builder::new()
                    .name(format!("worker-{number}"))
                    .spawn_scoped(scope, work)
                    .ok()
            })
            .collect();
        let mut outcomes = work();
        for other in others {
            match other.join() {
                Ok(more) => outcomes.extend(more),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        outcomes
    })
}
