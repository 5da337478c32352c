//! Automation as VST3 means it: straight lines between the points that the host passes.
//!
//! `ivstparameterchanges.h` has a parameter move in a straight line from its value at the start of
//! the block to the first point, and from there to each next one. The framework takes every point
//! for a step: where a host passes a point at the end of each block, that is a staircase with steps
//! as long as a block, and late by one. It also tells its editor of each of them through a channel
//! whose other end may have to be woken, which is a system call. So the guard gives parameters
//! their values itself, at points along the lines, and passes the framework what lies between them.
//! A parameter that has steps of its own jumps at the host's points.
//!
//! Everything here is used by the audio thread alone, within one call of `process`.

use super::super::known::Known;
use nice_plug::wrapper::vst3::vst3::ComRef;
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    IParamValueQueue, IParamValueQueueTrait, IParameterChanges, IParameterChangesTrait,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{int32, kResultOk};

/// Frames between two points along a line.
const SPACING: usize = 32;
/// Most points of a block along all its lines. Where the host passes more of its own, a parameter
/// has no more than one for each spacing: one without steps the last of each.
const MOST_POINTS: usize = 896;

/// A parameter's new value.
#[derive(Clone, Copy, Debug)]
pub struct Change {
    /// Frame of the block from which on it holds.
    pub frame: usize,
    /// Place of the parameter among all.
    pub index: usize,
    /// Normalised.
    pub value: f32,
    /// Place among the changes as they were found.
    order: usize,
}

/// How far apart points lie.
#[derive(Clone, Copy, Debug)]
struct Steps {
    /// Frames between two of them along a line.
    spacing: usize,
    /// Frames that have one of them; 1: as many as there are.
    cell: usize,
    /// So many are there at most.
    most: usize,
}

/// What the host passes with a block, with points along the lines.
#[derive(Debug)]
pub struct Curves {
    /// No more than there is room for without allocating.
    changes: Vec<Change>,
}

/// Whether the host brings parameters with a block.
///
/// # Safety
/// `host` is null or the host's.
///
/// # Realtime
/// Yes.
pub unsafe fn brings(host: *mut IParameterChanges) -> bool {
    // SAFETY: the caller's promise.
    unsafe { ComRef::from_raw(host).is_some_and(|changes| changes.getParameterCount() > 0) }
}

impl Curves {
    /// Room for the curves of `params` parameters. Allocates.
    pub fn new(params: usize) -> Self {
        Self {
            // Each may have one point at the end besides, and a part of a spacing.
            changes: Vec::with_capacity(MOST_POINTS + 2 * params),
        }
    }

    /// What changes in a block of `frames` frames, by frame. Takes note of which parameters the
    /// host brings.
    ///
    /// # Safety
    /// `host` is null or the host's.
    ///
    /// # Realtime
    /// Yes: its work is bounded by the number of points.
    pub unsafe fn along(
        &mut self,
        host: *mut IParameterChanges,
        frames: usize,
        params: &Known,
    ) -> &[Change] {
        self.changes.clear();
        // SAFETY: the caller's promise.
        let Some(changes) = (unsafe { ComRef::from_raw(host) }) else {
            return &[];
        };
        // SAFETY: the caller's promise, here and below.
        let passed = unsafe { changes.getParameterCount() };
        // SAFETY: as above.
        let queue = |queue| unsafe { ComRef::from_raw(changes.getParameterData(queue)) };
        let queues = (0..passed).filter_map(queue);
        // SAFETY: as above.
        let points = |given: ComRef<'_, IParamValueQueue>| unsafe { given.getPointCount() };
        let points = |given| usize::try_from(points(given)).unwrap_or(0);
        let given: usize = queues.clone().map(points).sum();
        let count = usize::try_from(passed).unwrap_or(0);
        let spacing = SPACING * (count * frames).div_ceil(SPACING * MOST_POINTS).max(1);
        let along = frames.div_ceil(spacing);
        let dense = given + count * along > MOST_POINTS;
        for given in queues {
            // SAFETY: as above.
            let id = unsafe { given.getParameterId() };
            let Some((index, continuous)) = params.bring(id) else {
                continue;
            };
            let cell = if dense && continuous { spacing } else { 1 };
            let spacing = if continuous { spacing } else { usize::MAX };
            let own = if dense { 0 } else { points(given) };
            let steps = Steps {
                spacing,
                cell,
                most: own + along + 1,
            };
            let value = params.value(index).into();
            // SAFETY: as above.
            unsafe { self.draw(given, index, value, frames, steps) };
        }
        self.changes
            .sort_unstable_by_key(|change| (change.frame, change.order));
        &self.changes
    }

    /// Lays points along the lines of `given`, which begin at `value`.
    ///
    /// # Safety
    /// `given` is the host's.
    unsafe fn draw(
        &mut self,
        given: ComRef<'_, IParamValueQueue>,
        index: usize,
        value: f64,
        frames: usize,
        steps: Steps,
    ) {
        let begun = self.changes.len();
        // A point past the end of the block is as good as one at its end.
        let last_frame = frames.saturating_sub(1);
        let mut last = (0, value);
        // SAFETY: the caller's promise.
        let count = unsafe { given.getPointCount() };
        for point in 0..count {
            let mut next: (int32, f64) = (0, 0.0);
            // SAFETY: the caller's promise; places to write to.
            let told = unsafe { given.getPoint(point, &raw mut next.0, &raw mut next.1) };
            if told != kResultOk || !next.1.is_finite() {
                continue;
            }
            let (from, to) = (last.0, usize::try_from(next.0).unwrap_or(0));
            let length = to.saturating_sub(from) as f64;
            let between = (from..to.min(frames)).step_by(steps.spacing).skip(1);
            for frame in between {
                let share = (frame - from) as f64 / length;
                let value = last.1 + share * (next.1 - last.1);
                self.lay(begun, frame, index, value, steps);
            }
            self.lay(begun, to.min(last_frame), index, next.1, steps);
            last = (to, next.1);
        }
    }

    /// Adds a point, or puts it in the place of the one before it of the same parameter, whose are
    /// those from `begun` on, where both lie in one cell or there is no room for more.
    fn lay(&mut self, begun: usize, frame: usize, index: usize, value: f64, steps: Steps) {
        let Steps { cell, most, .. } = steps;
        let order = self.changes.len();
        let change = Change {
            frame,
            index,
            value: value as f32,
            order,
        };
        let is_full = order == self.changes.capacity() || order - begun >= most;
        match self.changes[begun..].last_mut() {
            // A switch that is told again stays where it is.
            Some(last) if steps.spacing == usize::MAX && last.value == change.value => {}
            Some(last) if is_full || cell > 1 && last.frame / cell == frame / cell => {
                *last = Change {
                    order: last.order,
                    ..change
                };
            }
            None if is_full => {}
            _ => self.changes.push(change),
        }
    }
}
