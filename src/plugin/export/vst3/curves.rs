//! Automation as VST3 means it: straight lines between the points that the host passes.
//!
//! `ivstparameterchanges.h` has a parameter move in a straight line from its value at the start of
//! the block to the first point, and from there to each next one. The framework takes every point
//! for a step: where a host passes a point at the end of each block, that is a staircase with steps
//! as long as a block, and late by one. So the framework is passed points along the lines, and
//! smooths those. A parameter that has steps of its own jumps at the host's points.
//!
//! Everything here is used by the audio thread alone, within one call of `process`.

use super::super::known::Known;
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    IParamValueQueue, IParamValueQueueTrait, IParameterChanges, IParameterChangesTrait, ParamID,
    ParamValue,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    int32, kInvalidArgument, kResultFalse, kResultOk, tresult,
};
use nice_plug::wrapper::vst3::vst3::{Class, ComRef, ComWrapper};
use std::cell::Cell;
use std::ptr;
use std::rc::Rc;

/// Frames between two points along a line.
const SPACING: usize = 32;
/// Most points of a block along all its lines. The framework has room for 1024 changes a block, and
/// would have to allocate for more.
const MOST_POINTS: usize = 896;

/// Offset in frames and normalised value.
type Point = (int32, ParamValue);

/// What the host passes, with points along the lines.
pub struct Curves(ComWrapper<Changes>);

struct Changes {
    /// Null outside of `process`.
    host: Cell<*mut IParameterChanges>,
    points: Rc<[Cell<Point>]>,
    used: Cell<usize>,
    /// In the host's order; what lies beyond is passed on as it is.
    queues: Vec<ComWrapper<Queue>>,
}

/// The points of one parameter.
struct Queue {
    points: Rc<[Cell<Point>]>,
    id: Cell<ParamID>,
    start: Cell<usize>,
    /// `None`: the host's queue stands as it is.
    count: Cell<Option<usize>>,
}

impl Class for Changes {
    type Interfaces = (IParameterChanges,);
}

impl Class for Queue {
    type Interfaces = (IParamValueQueue,);
}

impl Curves {
    /// Room for the curves of `params` parameters. Allocates.
    pub fn new(params: usize) -> Self {
        let points: Rc<[Cell<Point>]> = vec![Cell::new((0, 0.0)); MOST_POINTS].into();
        let queue = |_| {
            ComWrapper::new(Queue {
                points: Rc::clone(&points),
                id: Cell::new(0),
                start: Cell::new(0),
                count: Cell::new(None),
            })
        };
        Self(ComWrapper::new(Changes {
            queues: (0..params).map(queue).collect(),
            host: Cell::new(ptr::null_mut()),
            points,
            used: Cell::new(0),
        }))
    }

    /// What to pass on instead of `host` for a block of `frames` frames; `value` tells what a
    /// parameter is at its start. Good until the host's changes end, with `process`. Takes note of
    /// which parameters the host brings.
    ///
    /// # Safety
    /// `host` is null or the host's.
    ///
    /// # Realtime
    /// Yes: its work is bounded by the number of points.
    pub unsafe fn along(
        &self,
        host: *mut IParameterChanges,
        frames: usize,
        params: &Known,
        value: impl Fn(ParamID) -> ParamValue,
    ) -> *mut IParameterChanges {
        // SAFETY: the caller's promise.
        let Some(changes) = (unsafe { ComRef::from_raw(host) }) else {
            return host;
        };
        let ours = &*self.0;
        ours.host.set(host);
        ours.used.set(0);
        // SAFETY: the caller's promise, here and below.
        let passed = unsafe { changes.getParameterCount() };
        let count = usize::try_from(passed).unwrap_or(0);
        let spacing = SPACING * (count * frames).div_ceil(SPACING * MOST_POINTS).max(1);
        for (index, queue) in (0..passed).zip(&ours.queues) {
            queue.count.set(None);
            // SAFETY: as above.
            let given = unsafe { ComRef::from_raw(changes.getParameterData(index)) };
            let Some(given) = given else { continue };
            // SAFETY: as above.
            let id = unsafe { given.getParameterId() };
            if params.bring(id) {
                queue.id.set(id);
                // SAFETY: as above.
                unsafe { ours.draw(queue, given, value(id), frames, spacing) };
            }
        }
        self.0
            .as_com_ref::<IParameterChanges>()
            .map_or(host, |ours| ours.as_ptr())
    }
}

impl Changes {
    /// Lays points along the lines of `given`, which begin at `value`. Leaves the host's queue as
    /// it is where there is no room.
    ///
    /// # Safety
    /// `given` is the host's.
    unsafe fn draw(
        &self,
        queue: &Queue,
        given: ComRef<'_, IParamValueQueue>,
        value: ParamValue,
        frames: usize,
        spacing: usize,
    ) {
        let start = self.used.get();
        let mut end = start;
        let mut lay = |point| {
            let cell = self.points.get(end)?;
            cell.set(point);
            end += 1;
            Some(())
        };
        let mut last = (0, value);
        // SAFETY: the caller's promise.
        let count = unsafe { given.getPointCount() };
        for index in 0..count {
            let mut next = (0, 0.0);
            // SAFETY: the caller's promise; places to write to.
            let told = unsafe { given.getPoint(index, &raw mut next.0, &raw mut next.1) };
            if told != kResultOk {
                continue;
            }
            let (from, to) = (last.0.max(0), next.0);
            let length = f64::from(to) - f64::from(from);
            // A point past the end of the block is as good as one at its end.
            let end_of_block = int32::try_from(frames).unwrap_or(int32::MAX);
            let between = (from..to.min(end_of_block)).step_by(spacing).skip(1);
            for offset in between {
                let share = (f64::from(offset) - f64::from(from)) / length;
                if lay((offset, last.1 + share * (next.1 - last.1))).is_none() {
                    return;
                }
            }
            if lay(next).is_none() {
                return;
            }
            last = next;
        }
        queue.start.set(start);
        queue.count.set(Some(end - start));
        self.used.set(end);
    }
}

impl IParameterChangesTrait for Changes {
    unsafe fn getParameterCount(&self) -> int32 {
        // SAFETY: null or the host's, which stays until `process` ends.
        unsafe { ComRef::from_raw(self.host.get()).map_or(0, |host| host.getParameterCount()) }
    }

    unsafe fn getParameterData(&self, index: int32) -> *mut IParamValueQueue {
        let queue = usize::try_from(index)
            .ok()
            .and_then(|index| self.queues.get(index))
            .filter(|queue| queue.count.get().is_some())
            .and_then(ComWrapper::as_com_ref::<IParamValueQueue>);
        if let Some(queue) = queue {
            return queue.as_ptr();
        }
        // SAFETY: null or the host's, which stays until `process` ends.
        unsafe {
            ComRef::from_raw(self.host.get())
                .map_or(ptr::null_mut(), |host| host.getParameterData(index))
        }
    }

    unsafe fn addParameterData(
        &self,
        _id: *const ParamID,
        _index: *mut int32,
    ) -> *mut IParamValueQueue {
        ptr::null_mut()
    }
}

impl IParamValueQueueTrait for Queue {
    unsafe fn getParameterId(&self) -> ParamID {
        self.id.get()
    }

    unsafe fn getPointCount(&self) -> int32 {
        let count = self.count.get().unwrap_or(0);
        int32::try_from(count).unwrap_or(int32::MAX)
    }

    unsafe fn getPoint(&self, index: int32, offset: *mut int32, value: *mut ParamValue) -> tresult {
        let within = usize::try_from(index)
            .ok()
            .filter(|index| self.count.get().is_some_and(|count| *index < count));
        let point = within.and_then(|index| self.points.get(self.start.get() + index));
        let Some(point) = point else {
            return kInvalidArgument;
        };
        // SAFETY: the framework passes places to write to.
        unsafe {
            let (at, to) = point.get();
            offset.write(at);
            value.write(to);
        }
        kResultOk
    }

    unsafe fn addPoint(&self, _offset: int32, _value: ParamValue, _index: *mut int32) -> tresult {
        kResultFalse
    }
}
