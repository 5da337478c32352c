//! Forecasts beside the music, as jobs of the process's one [worker](crate::worker).
//!
//! An instance holds a [`Forecaster`] and tells it what the settings are, as often as it likes; a
//! forecast is run when they have changed and come to rest, or when enough music is new. Nothing
//! here is touched by an audio thread: its part is to write the ring of
//! [`recent`](crate::handover::recent).

use super::run::fully_on;
use super::{Point, Progress, Stretch, forecast};
use crate::handover::RecentReader;
use crate::process::{ChainSettings, PushSettings};
use crate::worker::{Worker, lock};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError, Weak};
use std::time::{Duration, Instant};

/// Settings that have not changed for so long have come to rest.
const AT_REST: Duration = Duration::from_millis(500);
/// Less music than this says nothing about a song, seconds.
pub const LEAST_MUSIC_S: f64 = 10.0;

/// What of the music counts, for the forecast and beside a reference.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Marks {
    /// The last minute, since a mark was last taken away.
    #[default]
    None,
    /// What has come since the beginning was marked.
    In,
    /// A part whose beginning and end are marked; it stays until the marks are taken away.
    Between,
}

/// What a forecast is made of: it is made again when this has changed enough.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Request {
    /// Without the push, which every forecast goes through anyway.
    settings: ChainSettings,
    /// The first frame that counts.
    first: u64,
    /// Frames of sound written so far.
    written: u64,
    /// Frames of them that are held, and count.
    held: usize,
}

/// Whether a request differs so much from the `last` one that was run that it is worth running. It
/// needs `least` frames of music.
fn is_due(request: &Request, last: Option<&Request>, least: f64) -> bool {
    if (request.held as f64) < least {
        return false;
    }
    last.is_none_or(|last| {
        let new = request.written.saturating_sub(last.written);
        request.settings != last.settings || 2 * new >= last.held as u64
    })
}

/// A forecast as far as it has come.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Forecasted {
    /// Points found so far, by rising push.
    pub points: Vec<Point>,
    /// How far it has come; `None` before its first point.
    pub progress: Option<Progress>,
    /// It is complete, or has failed.
    pub done: bool,
    /// It was given up, by a fault of the program's own; it is made again when settings change or
    /// enough music is new.
    pub failed: bool,
    /// Length of the music it is made of, seconds.
    pub music_s: f64,
    /// Frames of sound that had been heard when that music ended.
    pub heard_frames: u64,
    /// The settings that it is made with, at no push and with all stages that matter on; `None`
    /// before there are any.
    pub settings: Option<ChainSettings>,
}

impl Forecasted {
    /// Whether it is of these settings. Neither the push nor what is switched on makes a difference
    /// to a forecast.
    pub fn is_of(&self, settings: &ChainSettings) -> bool {
        self.settings == Some(without_push(settings))
    }
}

/// What a forecast is made with.
fn without_push(settings: &ChainSettings) -> ChainSettings {
    ChainSettings {
        push: PushSettings::default(),
        ..fully_on(settings)
    }
}

/// A forecast to be made.
#[derive(Debug)]
struct Job {
    request: Request,
    /// Until it is read or the job cancelled: whoever holds it holds the ring's memory.
    source: Mutex<Option<RecentReader>>,
    instance: Weak<Instance>,
    /// Only the music is newer than what is known: that is told until all of this is found.
    quiet: bool,
    /// It is no longer wanted.
    cancelled: AtomicBool,
}

/// One instance's part.
#[derive(Debug, Default)]
struct Instance {
    state: Mutex<State>,
}

/// The music of an instance.
#[derive(Clone, Debug)]
pub(in crate::session) struct Music {
    pub source: RecentReader,
    pub part: Part,
}

/// What of which music counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(in crate::session) struct Part {
    /// Which source it is of, counted from 1.
    pub source: u64,
    pub marks: Marks,
    /// The first frame that counts.
    pub first: u64,
}

#[derive(Debug, Default)]
struct State {
    source: Option<RecentReader>,
    /// Sources so far.
    sources: u64,
    marks: Marks,
    /// The first frame that counts, and the one that did before its beginning was marked.
    first: u64,
    unmarked: u64,
    /// Settings last asked for, and since when.
    seen: Option<(ChainSettings, Instant)>,
    /// The newest forecast, waiting, running or done.
    job: Option<Arc<Job>>,
    /// It is not done yet.
    under_way: bool,
    forecasted: Forecasted,
    /// Grows with every change of that.
    version: u64,
}

/// Asks for forecasts and finds them, for one instance, which has no music at first. Clones ask for
/// the same instance.
#[derive(Clone, Debug)]
pub struct Forecaster {
    // Dropped in this order: nobody waits for a forecast that the worker, ending, gives up.
    instance: Arc<Instance>,
    worker: Arc<Worker>,
}

impl Default for Forecaster {
    fn default() -> Self {
        Self {
            instance: Arc::default(),
            worker: Worker::of_process(),
        }
    }
}

impl Forecaster {
    /// Where the music is from now on, or that there is none. What was found of other music is
    /// forgotten.
    pub fn set_source(&self, source: Option<RecentReader>) {
        let mut state = lock(&self.instance.state);
        state.cancel();
        state.job = None;
        if let Some(before) = &state.source {
            before.keep_still(false);
        }
        state.sources += u64::from(source.is_some());
        state.source = source;
        (state.marks, state.first) = (Marks::None, 0);
        state.forecasted = Forecasted::default();
        state.version += 1;
    }

    /// Says what the settings are at this time. Call it as often as you like: a forecast is begun,
    /// and one under way given up, when that is worth it.
    pub fn ask(&self, settings: &ChainSettings, now: Instant) {
        let settings = without_push(settings);
        let mut state = lock(&self.instance.state);
        let first = state.seen.is_none();
        let since = match state.seen {
            Some((seen, since)) if seen == settings => since,
            _ => {
                state.seen = Some((settings, now));
                now
            }
        };
        let Some(source) = state.source.clone() else {
            return;
        };
        let request = Request {
            settings,
            first: state.first,
            written: source.written(),
            held: state.held(&source),
        };
        // What is under way for other settings is of no use.
        let stale = |job: &Arc<Job>| job.request.settings != settings;
        if state.job.as_ref().is_some_and(stale) {
            state.cancel();
        }
        let least = LEAST_MUSIC_S * source.sample_rate_hz();
        let last = state.job.as_ref().map(|job| &job.request);
        // The first request need not wait: nobody has turned anything yet.
        let at_rest = first || now.saturating_duration_since(since) >= AT_REST;
        if state.under_way || !at_rest || !is_due(&request, last, least) {
            return;
        }
        let known = state.forecasted.done && !state.forecasted.failed;
        let quiet = known && last.is_some_and(|last| last.settings == settings);
        let job = Arc::new(Job {
            request,
            source: Mutex::new(Some(source)),
            instance: Arc::downgrade(&self.instance),
            quiet,
            cancelled: AtomicBool::new(false),
        });
        // Without a thread from the system there is no forecast; another time there may be one.
        let [wanted, at_fault] = [&job, &job].map(Arc::clone);
        let run = move |over: &dyn Fn() -> bool| run(&wanted, over);
        if self.worker.run(run, move || failed(&at_fault)).is_ok() {
            (state.job, state.under_way) = (Some(job), true);
            if !quiet {
                (state.forecasted.done, state.forecasted.failed) = (false, false);
                state.version += 1;
            }
        }
    }

    /// How much has been heard since the music of a forecast ended, seconds.
    pub fn heard_since_s(&self, forecasted: &Forecasted) -> f64 {
        let state = lock(&self.instance.state);
        state.source.as_ref().map_or(0.0, |source| {
            let since = source.written().saturating_sub(forecasted.heard_frames);
            since as f64 / source.sample_rate_hz()
        })
    }

    /// Whether there is music to forecast, or will be: without a source there is none, be it that
    /// nothing is played or that other instances hold all the memory there is for it.
    pub fn has_source(&self) -> bool {
        lock(&self.instance.state).source.is_some()
    }

    /// Tells, on any thread, where the music is, if there is any: whoever holds this holds neither
    /// the instance nor the worker, which must not be ended by its own thread.
    pub(in crate::session) fn music(&self) -> impl Fn() -> Option<Music> + Send + use<> + 'static {
        let instance = Arc::downgrade(&self.instance);
        move || {
            let instance = instance.upgrade()?;
            let state = lock(&instance.state);
            Some(Music {
                source: state.source.clone()?,
                part: Part {
                    source: state.sources,
                    marks: state.marks,
                    first: state.first,
                },
            })
        }
    }

    /// Who makes the forecasts.
    pub(in crate::session) fn worker(&self) -> &Arc<Worker> {
        &self.worker
    }

    /// What a forecast is made of, and for how many seconds of music that is so.
    pub fn marks(&self) -> (Marks, f64) {
        let state = lock(&self.instance.state);
        let seconds = |source: &RecentReader| state.held(source) as f64 / source.sample_rate_hz();
        (state.marks, state.source.as_ref().map_or(0.0, seconds))
    }

    /// Marks the beginning of a part of the music, then its end, then takes both marks away. An end
    /// that would leave less than 10 s takes the beginning away, too: what counted before counts again.
    pub fn mark(&self) {
        let mut state = lock(&self.instance.state);
        let Some(source) = state.source.clone() else {
            return;
        };
        // Whatever was found or is under way is of other music than what counts from now on.
        state.cancel();
        state.job = None;
        match state.marks {
            Marks::None => {
                state.unmarked = state.first;
                (state.marks, state.first) = (Marks::In, source.written());
            }
            Marks::In if state.held(&source) as f64 >= LEAST_MUSIC_S * source.sample_rate_hz() => {
                source.keep_still(true);
                state.marks = Marks::Between;
            }
            Marks::In => (state.marks, state.first) = (Marks::None, state.unmarked),
            Marks::Between => {
                source.keep_still(false);
                // What comes next does not follow on what was marked, which is not the last minute.
                (state.marks, state.first) = (Marks::None, source.written());
                state.forecasted = Forecasted::default();
            }
        }
        state.version += 1;
    }

    /// Gives up what is under way; what has been found stays.
    pub fn cancel(&self) {
        lock(&self.instance.state).cancel();
    }

    /// The newest forecast, if it has changed since `version`, which is brought up to date. Until
    /// the first point of a new forecast is found it is the one before.
    pub fn newer_than(&self, version: &mut u64) -> Option<Forecasted> {
        let state = lock(&self.instance.state);
        if state.version == *version {
            return None;
        }
        *version = state.version;
        Some(state.forecasted.clone())
    }
}

impl Music {
    /// Seconds that count.
    pub fn held_s(&self) -> f64 {
        held_since(&self.source, self.part.first) as f64 / self.source.sample_rate_hz()
    }
}

/// Frames that are held of those from `first` on.
fn held_since(source: &RecentReader, first: u64) -> usize {
    let since = source.written().saturating_sub(first);
    usize::try_from(since).map_or(source.held(), |since| since.min(source.held()))
}

impl State {
    /// Frames that count.
    fn held(&self, source: &RecentReader) -> usize {
        held_since(source, self.first)
    }

    fn cancel(&mut self) {
        if std::mem::take(&mut self.under_way)
            && let Some(job) = self.job.take()
        {
            job.cancelled.store(true, Ordering::Relaxed);
            lock(&job.source).take();
        }
    }
}

impl Drop for Instance {
    fn drop(&mut self) {
        let state = self.state.get_mut();
        state.unwrap_or_else(PoisonError::into_inner).cancel();
    }
}

/// Runs a forecast and hands its points to the instance that asked for it.
fn run(job: &Arc<Job>, over: &dyn Fn() -> bool) {
    let cancelled = || over() || job.cancelled.load(Ordering::Relaxed);
    if cancelled() {
        return;
    }
    let source = lock(&job.source).take();
    let Some(recent) = source.and_then(|source| source.read_since(job.request.first)) else {
        // It was overtaken: the next time it is asked for it is as if it had not been.
        publish(job, |state| (state.job, state.under_way) = (None, false));
        return;
    };
    // It may have waited for others.
    let heard_frames = recent.end;
    let stretch = Stretch::new(recent.sample_rate_hz, recent.planes);
    let music_s = stretch.duration_s();
    let max_push_db = PushSettings::PUSH_DB.max;
    let mut forecasted = Forecasted {
        music_s,
        heard_frames,
        settings: Some(job.request.settings),
        ..Forecasted::default()
    };
    let mut found = |point: Point, progress: Progress| {
        let before = |other: &Point| other.push_db < point.push_db;
        let place = forecasted.points.partition_point(before);
        forecasted.points.insert(place, point);
        forecasted.progress = Some(progress);
        if !job.quiet {
            publish(job, |state| state.forecasted.clone_from(&forecasted));
        }
    };
    let settings = job.request.settings;
    if forecast(stretch, &settings, max_push_db, &cancelled, &mut found).is_some() {
        forecasted.done = true;
        publish(job, |state| {
            (state.forecasted, state.under_way) = (forecasted, false);
        });
    }
}

/// Tells the instance that asked that nothing more will come.
fn failed(job: &Arc<Job>) {
    publish(job, |state| {
        (state.forecasted.done, state.forecasted.failed) = (true, true);
        state.under_way = false;
    });
}

/// Changes the state of the instance that asked, if that still wants this forecast.
fn publish(job: &Arc<Job>, change: impl FnOnce(&mut State)) {
    let Some(instance) = job.instance.upgrade() else {
        return;
    };
    let mut state = lock(&instance.state);
    if state
        .job
        .as_ref()
        .is_some_and(|wanted| Arc::ptr_eq(wanted, job))
    {
        change(&mut state);
        state.version += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::process::SaturatorSettings;

    #[test]
    fn a_forecast_that_fails_is_told_to_the_instance_that_asked_and_to_no_other() {
        let [asking, other] = [Forecaster::default(), Forecaster::default()];
        let request = Request {
            settings: ChainSettings::default(),
            first: 0,
            written: 0,
            held: 0,
        };
        let job = Arc::new(Job {
            request,
            source: Mutex::default(),
            instance: Arc::downgrade(&asking.instance),
            quiet: false,
            cancelled: AtomicBool::new(false),
        });
        lock(&asking.instance.state).job = Some(Arc::clone(&job));
        let faulty = |_: &dyn Fn() -> bool| [()].get(1).copied().unwrap();
        asking.worker.run(faulty, move || failed(&job)).unwrap();
        let mut version = 0;
        let told = loop {
            if let Some(told) = asking.newer_than(&mut version) {
                break told;
            }
            std::thread::yield_now();
        };
        assert!(told.failed && told.done);
        assert_eq!(other.newer_than(&mut 0), None);
    }

    #[test]
    fn a_forecast_is_due_when_settings_or_half_of_the_music_are_new() {
        let request = Request {
            settings: ChainSettings::default(),
            first: 0,
            written: 1_000,
            held: 1_000,
        };
        let least = 100.0;
        assert!(is_due(&request, None, least));
        assert!(!is_due(&request, Some(&request), least));
        let later = |written| Request { written, ..request };
        assert!(!is_due(&later(1_499), Some(&request), least));
        assert!(is_due(&later(1_500), Some(&request), least));
        let mut other = request;
        other.settings.saturator = SaturatorSettings {
            shoulder_db: 6.0,
            ..SaturatorSettings::default()
        };
        assert!(is_due(&other, Some(&request), least));
        let short = Request {
            held: 99,
            ..request
        };
        assert!(!is_due(&short, None, least));
    }
}
