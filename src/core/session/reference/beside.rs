//! The mix beside its reference, while it plays.
//!
//! What the chain as it is set makes of the latest music is measured just as a reference is, by the
//! same [`Profiler`], so that the editor and `crestline compare` cannot differ. It is a task of the
//! process's [worker](crate::worker), on the music that is kept for the forecast: what a control
//! changes is seen within a second or two, where the meters, which gather since the last restart,
//! would go on showing what was played before; and it costs the audio thread nothing.

use std::fmt;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use super::super::forecast::{Forecaster, LEAST_MUSIC_S, Marks, Music, Part, Stretch};
use super::super::section::Section;
use super::comparison::{Comparison, known_of_both};
use super::findings::{Finding, findings};
use super::profile::Profile;
use super::profiler::{LOUDEST_PART_S, Profiler};
use super::suggest::{Suggestion, as_set, difference_db, suggest};
use crate::measure::{BAND_COUNT, ChannelRole, mid_band_hz};
use crate::process::{Before, Chain, ChainSettings};
use crate::worker::{Scheduled, lock};

/// Settings that have not changed for so long have come to rest.
const AT_REST: Duration = Duration::from_millis(300);
/// Nobody looks any more when nobody has asked for so long.
const UNWATCHED: Duration = Duration::from_secs(1);
/// It is measured anew when so much of the music is new, seconds.
const NEW_S: f64 = 10.0;
/// Worked on at once, frames.
const PIECE: usize = 256;
/// Pieces of a turn: some milliseconds of work.
const PIECES_A_TURN: usize = 24;
/// The music is faded in, seconds: a beginning within it would be a click in the upper bands.
const FADE_S: f64 = 0.01;

/// What has been found.
#[derive(Clone, Debug, PartialEq)]
pub struct Beside {
    /// Length of the music that it was measured on, seconds.
    pub music_s: f64,
    /// It is the end of a part that is marked.
    pub marked: bool,
    /// What goes out.
    pub output: Profile,
    /// What comes in.
    pub input: Profile,
    /// The output against the reference.
    pub comparison: Comparison,
    /// What sets the output apart from it, the heaviest first.
    pub findings: Vec<Finding>,
    /// Input less reference in each third-octave band at equal loudness, dB.
    pub input_difference_db: [Option<f64>; BAND_COUNT],
    /// The shelves, in the place of those that are set, that bring the mix nearest; `None` where
    /// too few bands are known.
    pub shelves: Option<Suggestion>,
    /// Difference in shape with the shelves as they are set, dB, to compare with the suggestion's.
    pub now_db: Option<f64>,
    /// What taking the suggested shelves for those that are set does to the loudness, LU.
    pub taking_lu: Option<f64>,
}

/// What is to be measured.
#[derive(Clone, Debug, PartialEq)]
struct Request {
    settings: ChainSettings,
    reference: Arc<Profile>,
}

/// What was answered last.
#[derive(Clone, Debug)]
struct Done {
    request: Request,
    /// The music that it was answered for; `None` where that had gone by then.
    part: Option<Part>,
    /// Frames written by then.
    written: u64,
}

#[derive(Default)]
struct State {
    request: Option<(Request, Instant)>,
    asked: Option<Instant>,
    found: Option<Arc<Beside>>,
    done: Option<Done>,
    /// The measuring has panicked.
    failed: bool,
}

type Shared = Arc<Mutex<State>>;

/// Measures the mix beside its reference for one instance. Nothing is done while nobody asks.
pub struct BesideMeter {
    // Dropped in this order: the task first.
    task: Option<Scheduled>,
    shared: Shared,
    forecaster: Forecaster,
}

impl fmt::Debug for BesideMeter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("BesideMeter").finish_non_exhaustive()
    }
}

impl BesideMeter {
    /// For the music that `forecaster` has.
    pub fn new(forecaster: Forecaster) -> Self {
        Self {
            task: None,
            shared: Arc::default(),
            forecaster,
        }
    }

    /// Says what the settings are, and the reference. Call it as often as you like.
    pub fn ask(&mut self, settings: &ChainSettings, reference: &Profile, now: Instant) {
        if self.task.is_none() {
            let (shared, music) = (Arc::clone(&self.shared), self.forecaster.music());
            let mut run = None;
            // Without a thread from the system there is nothing; another time there may be one.
            let (at_fault, music_then) = (Arc::clone(&self.shared), self.forecaster.music());
            let task = self.forecaster.worker().schedule(
                move || turn(&shared, music(), &mut run),
                move || fail(&at_fault, music_then().as_ref()),
            );
            self.task = task.ok();
        }
        let mut state = lock(&self.shared);
        state.asked = Some(now);
        let same = state.request.as_ref().is_some_and(|(request, _)| {
            request.settings == *settings && *request.reference == *reference
        });
        if !same {
            let known = state
                .request
                .as_ref()
                .map(|(request, _)| &request.reference);
            let known = known.filter(|known| ***known == *reference).cloned();
            // Nor does it count as made: the one before may be asked for again.
            if known.is_none() {
                (state.found, state.done) = (None, None);
            }
            let request = Request {
                settings: *settings,
                reference: known.unwrap_or_else(|| Arc::new(reference.clone())),
            };
            state.request = Some((request, now));
        }
    }

    /// Whether something newer than what has been found is on its way: there is music, and the
    /// settings or the reference are others.
    pub fn is_under_way(&self) -> bool {
        let music = (self.forecaster.music())();
        let state = lock(&self.shared);
        let request = state.request.as_ref().map(|(request, _)| request);
        self.task.is_some()
            && !state.failed
            && music.zip(request).is_some_and(|(music, request)| {
                is_enough(&music) && is_other(state.done.as_ref(), request, music.part)
            })
    }

    /// True once if the measuring has ended by a fault. It is done again where settings, reference
    /// or music are new.
    pub fn take_fault(&mut self) -> bool {
        let failed = std::mem::take(&mut lock(&self.shared).failed);
        if failed {
            self.task = None;
        }
        failed
    }

    /// The newest that has been found with the reference last asked for.
    pub fn found(&self) -> Option<Arc<Beside>> {
        lock(&self.shared).found.clone()
    }
}

/// Does a little. True if there is more to do at once.
fn turn(shared: &Shared, music: Option<Music>, run: &mut Option<Run>) -> bool {
    let Some(request) = settled_request(shared) else {
        *run = None;
        return false;
    };
    // What is under way for something else is of no use.
    let part = music.as_ref().map(|music| music.part);
    run.take_if(|run| run.request != request || Some(run.part) != part);
    let Some(music) = music else {
        let mut state = lock(shared);
        (state.found, state.done) = (None, None);
        return false;
    };
    forget_others(&mut lock(shared), &music);
    let under_way = if let Some(run) = run {
        run
    } else {
        if !is_due(lock(shared).done.as_ref(), &request, &music) {
            return false;
        }
        let Some((stretch, written)) = latest(&music) else {
            return false;
        };
        run.insert(Run::new(request, music.part, stretch, written))
    };
    // The samples are copied: kept any longer they would stand in the way of others, where the sample
    // rate changes meanwhile.
    drop(music);
    if under_way.advance() {
        return true;
    }
    if let Some(run) = run.take() {
        let (request, part, written) = (run.request.clone(), Some(run.part), run.written);
        let found = run.found();
        let mut state = lock(shared);
        if state
            .request
            .as_ref()
            .is_some_and(|(now, _)| now.reference == request.reference)
        {
            state.found = found.map(Arc::new);
        }
        state.done = Some(Done {
            request,
            part,
            written,
        });
    }
    false
}

/// Forgets what was found in other music than that which comes in now; and what was found in another
/// part of it, where there is not enough of the one that counts to be measured in its place.
fn forget_others(state: &mut State, music: &Music) {
    let before = state.done.as_ref().and_then(|done| done.part);
    let is_other = before.is_some_and(|before| before.source != music.part.source);
    let is_past = before.is_some_and(|before| before != music.part) && !is_enough(music);
    if is_other || is_past {
        (state.found, state.done) = (None, None);
    }
}

/// Counts the request as done: it would only fail again.
fn fail(shared: &Shared, music: Option<&Music>) {
    let mut state = lock(shared);
    state.failed = true;
    state.done = state.request.clone().map(|(request, _)| Done {
        request,
        part: music.map(|music| music.part),
        written: music.map_or(0, |music| music.source.written()),
    });
}

/// The request, once it has come to rest, while somebody looks.
fn settled_request(shared: &Shared) -> Option<Request> {
    let state = lock(shared);
    state.asked.filter(|asked| asked.elapsed() < UNWATCHED)?;
    let (request, since) = state.request.as_ref()?;
    let at_rest = state.done.is_none() || since.elapsed() >= AT_REST;
    at_rest.then(|| request.clone())
}

fn is_enough(music: &Music) -> bool {
    music.held_s() >= LEAST_MUSIC_S
}

/// Whether other settings, another reference or another part of the music were answered for last.
fn is_other(done: Option<&Done>, request: &Request, part: Part) -> bool {
    done.is_none_or(|done| done.request != *request || done.part != Some(part))
}

fn is_due(done: Option<&Done>, request: &Request, music: &Music) -> bool {
    let seconds = |frames: u64| frames as f64 / music.source.sample_rate_hz();
    let written = music.source.written();
    let is_new = |done: &Done| seconds(written.abs_diff(done.written)) >= NEW_S;
    is_enough(music) && (is_other(done, request, music.part) || done.is_some_and(is_new))
}

/// The latest of the music that counts, and how many frames had been written by then. Allocates.
fn latest(Music { source, part }: &Music) -> Option<(Stretch, u64)> {
    #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
    let longest = (LOUDEST_PART_S * source.sample_rate_hz()) as u64;
    let latest = source.written().saturating_sub(longest);
    let recent = source.read_since(latest.max(part.first))?;
    Some((
        Stretch::new(recent.sample_rate_hz, recent.planes),
        recent.end,
    ))
}

/// What the chain at `settings` makes of a stretch of music, beside a reference; `None` where less
/// than [`SHORTEST_S`](super::SHORTEST_S) of it can be measured.
pub fn beside(stretch: Stretch, settings: &ChainSettings, reference: &Profile) -> Option<Beside> {
    let request = Request {
        settings: *settings,
        reference: Arc::new(reference.clone()),
    };
    let mut run = Run::new(request, Part::default(), stretch, 0);
    while run.advance() {}
    run.found()
}

/// The chain on its way through the music.
struct Run {
    request: Request,
    part: Part,
    /// Frames written when the music was read.
    written: u64,
    stretch: Stretch,
    music_s: f64,
    chain: Chain,
    at: usize,
    output: Profiler,
    input: Profiler,
}

impl Run {
    /// Begins. Allocates.
    fn new(request: Request, part: Part, mut stretch: Stretch, written: u64) -> Self {
        let rate_hz = stretch.sample_rate_hz();
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let fade = ((FADE_S * rate_hz) as usize).max(1);
        for plane in stretch.pieces_mut(fade).next().into_iter().flatten() {
            for (frame, sample) in plane.iter_mut().enumerate() {
                *sample *= frame as f32 / fade as f32;
            }
        }
        let channels = stretch.channels();
        #[expect(clippy::cast_sign_loss, reason = "a sample rate is positive")]
        let profiler = || {
            let roles = &[ChannelRole::Front; 2][..channels.min(2)];
            Profiler::new(rate_hz.round() as u32, roles, Section::Whole)
        };
        Self {
            request,
            part,
            written,
            music_s: stretch.duration_s(),
            chain: Chain::new(rate_hz, channels),
            at: 0,
            output: profiler(),
            input: profiler(),
            stretch,
        }
    }

    /// Goes on for a while. True if there is more to do.
    fn advance(&mut self) -> bool {
        let channels = self.stretch.channels();
        let latency = self.chain.latency_frames();
        let end = self.stretch.frames() + latency;
        let mut buffers = [[[0.0_f32; PIECE]; 2]; 3];
        let mut turned_down = [[1.0_f32; 4]; PIECE];
        for _ in 0..PIECES_A_TURN {
            if self.at >= end {
                return false;
            }
            // What comes out before the latency has passed is not of this music.
            let stop = if self.at < latency { latency } else { end };
            let frames = PIECE.min(stop - self.at);
            let mut planes = buffers
                .each_mut()
                .map(|planes| planes.each_mut().map(|plane| &mut plane[..frames]));
            let [clean, output, before] = planes.each_mut().map(|planes| &mut planes[..channels]);
            self.stretch.copy(self.at, clean);
            let sounding = self.stretch.frames().saturating_sub(self.at).min(frames);
            let heard: Vec<&[f32]> = clean.iter().map(|plane| &plane[..sounding]).collect();
            self.input.process(&heard);
            let mut before = Before {
                signal: before,
                turned_down: &mut turned_down[..frames],
            };
            self.chain
                .process(clean, output, &mut before, &self.request.settings);
            if self.at >= latency {
                let out: Vec<&[f32]> = output.iter().map(|plane| &**plane).collect();
                self.output.process(&out);
            }
            self.at += frames;
        }
        self.at < end
    }

    /// What it comes to.
    fn found(self) -> Option<Beside> {
        let output = self.output.finish("output").ok()?;
        let input = self.input.finish("input").ok()?;
        let reference = &*self.request.reference;
        let rate_hz = f64::from(output.sample_rate_hz);
        // The mix as it would be without the shelves: what is suggested takes their place.
        let set = self.request.settings.shelves;
        let filters = set.coefficients(rate_hz);
        let bare = std::array::from_fn(|band| {
            let hz = mid_band_hz(band).min(0.499 * rate_hz);
            let gains = filters.map(|shelf| shelf.magnitude_db(hz, rate_hz));
            Some(output.part.balance_db[band]? - gains.iter().sum::<f64>())
        });
        // Where the reference holds nothing there is nothing to come near to.
        let [_, theirs] = known_of_both(&output, reference);
        let loudness = input
            .part
            .integrated_lufs
            .zip(reference.part.integrated_lufs);
        let comparison = Comparison::new(&output, reference);
        let shelves = suggest(rate_hz, &bare, &theirs);
        let now = as_set(rate_hz, &bare, &theirs, &set);
        Some(Beside {
            music_s: self.music_s,
            marked: self.part.marks == Marks::Between,
            findings: findings(&output, reference, &comparison),
            comparison,
            input_difference_db: loudness.map_or([None; BAND_COUNT], |(ours, loudness)| {
                difference_db(&input.part.balance_db, ours, &theirs, loudness)
            }),
            now_db: now.map(|now| now.difference_db),
            taking_lu: shelves
                .zip(now)
                .map(|(shelves, now)| shelves.loudness_change_lu - now.loudness_change_lu),
            shelves,
            output,
            input,
        })
    }
}
