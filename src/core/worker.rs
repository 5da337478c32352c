//! The thread on which all instances of a process have worked out what neither an audio thread nor
//! a window can wait for.
//!
//! There are two kinds of work. A *task* comes round ten times a second until its [`Scheduled`] is
//! dropped, and does a little each time: comparing a tap with its input. A *job* is done once and
//! may take seconds: a forecast. Jobs are done in the order in which they came, and give way to the
//! tasks between two of their steps. So does a task that now and then has as much to do: finding out
//! what stands between. What the others do meanwhile is brief.
//!
//! The thread runs below normal priority, is started by the first work there is, sleeps while there
//! is none, and ends with the last [`Worker`]. No audio thread touches anything here.

use std::cell::Cell;
use std::collections::VecDeque;
use std::fmt;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError, TryLockError, Weak};
use std::thread::{Builder, JoinHandle};
use std::time::{Duration, Instant};
use thread_priority::{ThreadPriority, ThreadPriorityValue, set_current_thread_priority};

/// How often tasks come round. Audio threads leave them something to do without waking anybody,
/// which would be a system call.
const ROUND: Duration = Duration::from_millis(100);
/// A quarter of full priority, which is 50 for a thread like any other.
const PRIORITY: u8 = 25;

/// Called as often as one can amid what takes long: lets the others have their turn. True once what
/// takes long is to end, unfinished.
pub(crate) type GiveWay<'a> = &'a dyn Fn() -> bool;
/// Does a little; true if there is more that will not wait for the next round. What takes long only
/// where it is given a way to give way.
type Step = Box<dyn FnMut(Option<GiveWay<'_>>) -> bool + Send>;
/// Done once.
type Job = Box<dyn FnOnce(GiveWay<'_>) + Send>;
/// Tells whoever gave the work that it has panicked and will not be gone on with.
type Failed = Box<dyn FnOnce() + Send>;

/// A panic elsewhere must not make two: what the locks guard is whole at any time.
pub(crate) fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

struct Task {
    /// `None` once it has panicked. Locked by the worker's thread alone.
    work: Mutex<Option<(Step, Failed)>>,
    /// Nobody wants it any more.
    dropped: AtomicBool,
}

impl Task {
    /// One step, unless it is amid one.
    fn step(&self, give_way: Option<GiveWay<'_>>) -> bool {
        let mut task = match self.work.try_lock() {
            Ok(task) => task,
            Err(TryLockError::Poisoned(task)) => task.into_inner(),
            Err(TryLockError::WouldBlock) => return false,
        };
        let Some((step, _)) = task.as_mut() else {
            return false;
        };
        contained(|| step(give_way)).unwrap_or_else(|| {
            if let Some((step, failed)) = task.take() {
                // What is broken may break once more, and one panic within another ends the host.
                contained(|| drop(step));
                contained(failed);
            }
            false
        })
    }
}

/// What `work` returns, or `None` if it panics: one instance's fault takes neither the host along
/// nor the others' work.
fn contained<T>(work: impl FnOnce() -> T) -> Option<T> {
    catch_unwind(AssertUnwindSafe(work)).ok()
}

#[derive(Default)]
struct Work {
    tasks: Vec<Arc<Task>>,
    jobs: VecDeque<(Job, Failed)>,
}

/// What the thread shares with the instances.
#[derive(Default)]
struct Shared {
    work: Mutex<Work>,
    /// Told when there is more work, or an end of it.
    changed: Condvar,
    /// The thread is to end at once.
    stop: AtomicBool,
}

/// The worker of a process. Its thread ends when this is dropped.
#[derive(Default)]
pub(crate) struct Worker {
    shared: Arc<Shared>,
    thread: Mutex<Option<JoinHandle<()>>>,
}

/// A task that comes round until this is dropped.
pub(crate) struct Scheduled {
    task: Arc<Task>,
    worker: Arc<Worker>,
}

/// That of this process, while an instance has one.
static OF_PROCESS: Mutex<Weak<Worker>> = Mutex::new(Weak::new());

impl Worker {
    /// The one that all instances of this process have in common.
    pub fn of_process() -> Arc<Self> {
        let mut of_process = lock(&OF_PROCESS);
        let worker = of_process.upgrade().unwrap_or_default();
        *of_process = Arc::downgrade(&worker);
        worker
    }

    /// Has `step` called ten times a second, and again at once whenever it returns true. Once it
    /// panics it is not called again, and `failed` is.
    ///
    /// # Errors
    /// The system does not give another thread.
    pub fn schedule(
        self: &Arc<Self>,
        mut step: impl FnMut() -> bool + Send + 'static,
        failed: impl FnOnce() + Send + 'static,
    ) -> io::Result<Scheduled> {
        self.schedule_long(move |_| step(), failed)
    }

    /// The same for a step that may take long where it is given a way to give way to the others,
    /// and must not where it is not: then another one is giving way to it.
    ///
    /// # Errors
    /// The system does not give another thread.
    pub fn schedule_long(
        self: &Arc<Self>,
        step: impl FnMut(Option<GiveWay<'_>>) -> bool + Send + 'static,
        failed: impl FnOnce() + Send + 'static,
    ) -> io::Result<Scheduled> {
        let given: (Step, Failed) = (Box::new(step), Box::new(failed));
        let task = Arc::new(Task {
            work: Mutex::new(Some(given)),
            dropped: AtomicBool::new(false),
        });
        self.add(|work| work.tasks.push(Arc::clone(&task)))?;
        Ok(Scheduled {
            task,
            worker: Arc::clone(self),
        })
    }

    /// Has `job` done after those that wait. It must call what it is given between any two of
    /// its steps, and end when that returns true. If it panics, `failed` is called.
    ///
    /// # Errors
    /// The system does not give another thread.
    pub fn run(
        &self,
        job: impl FnOnce(GiveWay<'_>) + Send + 'static,
        failed: impl FnOnce() + Send + 'static,
    ) -> io::Result<()> {
        let given: (Job, Failed) = (Box::new(job), Box::new(failed));
        self.add(|work| work.jobs.push_back(given))
    }

    /// Adds to the work; starts the thread if there is none.
    fn add(&self, add: impl FnOnce(&mut Work)) -> io::Result<()> {
        let mut thread = lock(&self.thread);
        if thread.is_none() {
            let shared = Arc::clone(&self.shared);
            let named = Builder::new().name("crestline work".to_owned());
            *thread = Some(named.spawn(move || work(&shared))?);
        }
        add(&mut lock(&self.shared.work));
        self.shared.changed.notify_one();
        Ok(())
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.shared.stop.store(true, Ordering::Relaxed);
        // Whoever looks for work holds the lock from then until it sleeps: it is not missed.
        drop(lock(&self.shared.work));
        self.shared.changed.notify_one();
        let thread = self.thread.get_mut();
        if let Some(thread) = thread.unwrap_or_else(PoisonError::into_inner).take() {
            // It has panicked or it has ended; either way it is gone.
            let _ = thread.join();
        }
    }
}

impl Drop for Scheduled {
    fn drop(&mut self) {
        // If the thread is just at it, it does this step, or ends one that takes long, and then lets
        // go of it.
        self.task.dropped.store(true, Ordering::Relaxed);
        let mut work = lock(&self.worker.shared.work);
        work.tasks.retain(|other| !Arc::ptr_eq(other, &self.task));
    }
}

impl fmt::Debug for Worker {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Worker").finish_non_exhaustive()
    }
}

impl fmt::Debug for Scheduled {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Scheduled").finish_non_exhaustive()
    }
}

/// What the thread does.
fn work(shared: &Shared) {
    // Where the system refuses, it is a thread like any other.
    if let Ok(priority) = ThreadPriorityValue::try_from(PRIORITY) {
        let _ = set_current_thread_priority(ThreadPriority::Crossplatform(priority));
    }
    let next_round = Cell::new(Instant::now());
    // Returns whether all is over.
    let give_way = || {
        take_turns(&next_round, || round(shared, &next_round));
        shared.stop.load(Ordering::Relaxed)
    };
    while !give_way() {
        let mut work = lock(&shared.work);
        if let Some((job, failed)) = work.jobs.pop_front() {
            drop(work);
            if contained(|| job(&give_way)).is_none() {
                contained(failed);
            }
            continue;
        }
        if shared.stop.load(Ordering::Relaxed) {
            return;
        }
        let left = next_round.get().saturating_duration_since(Instant::now());
        // What wakes it is looked at in the next turn of this loop, and woken in vain it looks
        // again: neither result says anything.
        if work.tasks.is_empty() {
            drop(shared.changed.wait(work));
        } else {
            drop(shared.changed.wait_timeout(work, left));
        }
    }
}

/// Does a round if it is time for one. It tells whether there is more to do at once.
fn take_turns(next_round: &Cell<Instant>, round: impl FnOnce() -> bool) {
    if Instant::now() >= next_round.get() {
        let pause = if round() { Duration::ZERO } else { ROUND };
        next_round.set(Instant::now() + pause);
    }
}

/// One step of each task; true if one of them has more to do at once. One that takes long gives way
/// to the others.
fn round(shared: &Shared, next_round: &Cell<Instant>) -> bool {
    each(shared, |task| {
        let give_way = || {
            take_turns(next_round, || briefly(shared));
            shared.stop.load(Ordering::Relaxed) || task.dropped.load(Ordering::Relaxed)
        };
        task.step(Some(&give_way))
    })
}

/// Brief steps of all tasks but the one that gives way, which is seldom: until none of them has more
/// to do at once, or they have had a round's time.
fn briefly(shared: &Shared) -> bool {
    let start = Instant::now();
    while each(shared, |other| other.step(None)) {
        if start.elapsed() > ROUND {
            return true;
        }
    }
    false
}

/// Steps the tasks there are; true if one of them has more to do at once.
fn each(shared: &Shared, step: impl Fn(&Task) -> bool) -> bool {
    let tasks = lock(&shared.work).tasks.clone();
    tasks.iter().fold(false, |more, task| {
        let stopped = shared.stop.load(Ordering::Relaxed);
        !stopped && step(task) || more
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::AtomicU32;
    use std::sync::mpsc::channel;

    #[test]
    fn tasks_have_their_turns_while_a_job_goes_on() {
        let worker = Arc::new(Worker::default());
        let turns = Arc::new(AtomicU32::new(0));
        let counted = Arc::clone(&turns);
        let task = worker
            .schedule(
                move || {
                    counted.fetch_add(1, Ordering::Relaxed);
                    false
                },
                || (),
            )
            .unwrap();
        let (tell, told) = channel();
        let seen = Arc::clone(&turns);
        worker
            .run(
                move |over| {
                    let before = seen.load(Ordering::Relaxed);
                    while !over() && seen.load(Ordering::Relaxed) < before + 3 {}
                    tell.send(()).unwrap();
                },
                || (),
            )
            .unwrap();
        told.recv().unwrap();
        drop(task);
        assert!(lock(&worker.shared.work).tasks.is_empty());
    }

    #[test]
    fn a_task_that_takes_long_gives_way_and_ends_with_whoever_wanted_it() {
        let worker = Arc::new(Worker::default());
        let turns = Arc::new(AtomicU32::new(0));
        let counted = Arc::clone(&turns);
        let (tell, told) = channel();
        let long = worker
            .schedule_long(
                move |give_way| {
                    let Some(give_way) = give_way else {
                        panic!("it is amid a step");
                    };
                    tell.send("begun").unwrap();
                    while !give_way() {}
                    tell.send("ended").unwrap();
                    false
                },
                || (),
            )
            .unwrap();
        assert_eq!(told.recv(), Ok("begun"));
        let brief = worker
            .schedule_long(
                move |give_way| {
                    assert!(give_way.is_none(), "two take long at once");
                    counted.fetch_add(1, Ordering::Relaxed);
                    false
                },
                || (),
            )
            .unwrap();
        while turns.load(Ordering::Relaxed) < 3 {
            std::thread::yield_now();
        }
        assert!(told.try_recv().is_err(), "it goes on meanwhile");
        drop(long);
        assert_eq!(told.recv(), Ok("ended"));
        drop(brief);
    }

    #[test]
    fn jobs_are_done_in_their_order_and_given_up_at_the_end() {
        let worker = Arc::new(Worker::default());
        let (tell, told) = channel();
        for number in 0..3 {
            let tell = tell.clone();
            worker
                .run(move |_| tell.send(number).unwrap(), || ())
                .unwrap();
        }
        assert_eq!(told.iter().take(3).collect::<Vec<_>>(), [0, 1, 2]);
        worker.run(|over| while !over() {}, || ()).unwrap();
        worker.run(move |_| tell.send(3).unwrap(), || ()).unwrap();
        drop(worker);
        // The one that waited was never begun.
        assert!(told.recv().is_err());
    }

    #[test]
    fn a_fault_in_one_task_is_told_and_leaves_the_others_alone() {
        let worker = Arc::new(Worker::default());
        let (tell, told) = channel();
        let (fail, failed) = channel();
        let faulty = worker
            .schedule(
                || [true].get(1).copied().unwrap(),
                move || fail.send(()).unwrap(),
            )
            .unwrap();
        let sound = worker
            .schedule(move || tell.send(()).is_err(), || ())
            .unwrap();
        assert_eq!(failed.recv(), Ok(()));
        assert_eq!(told.iter().take(2).count(), 2);
        // Told once, and then given up: nobody is left to tell it again.
        assert!(failed.recv().is_err());
        drop((faulty, sound));
    }

    /// Panics when it is dropped.
    struct Broken;

    impl Drop for Broken {
        fn drop(&mut self) {
            panic!("on purpose");
        }
    }

    #[test]
    fn what_breaks_once_more_as_it_is_given_up_leaves_the_others_alone() {
        let worker = Arc::new(Worker::default());
        let broken = Broken;
        let faulty = move || {
            let _held = &broken;
            [true].get(1).copied().unwrap()
        };
        let (tell, told) = channel();
        let first = worker.schedule(faulty, || panic!("on purpose")).unwrap();
        let sound = worker
            .schedule(move || tell.send(()).is_err(), || ())
            .unwrap();
        assert_eq!(told.iter().take(3).count(), 3);
        drop((first, sound));
    }

    #[test]
    fn a_fault_in_one_job_is_told_and_the_next_is_done() {
        let worker = Arc::new(Worker::default());
        let (tell, told) = channel();
        let next = tell.clone();
        let faulty = |_: &dyn Fn() -> bool| [()].get(1).copied().unwrap();
        worker
            .run(faulty, move || tell.send("failed").unwrap())
            .unwrap();
        worker
            .run(move |_| next.send("done").unwrap(), || ())
            .unwrap();
        assert_eq!(told.iter().collect::<Vec<_>>(), ["failed", "done"]);
    }
}
