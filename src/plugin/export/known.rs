//! What the guard knows of an instance's parameters: by which numbers hosts call them, which of
//! them are readings, and what the host has been told of those.

use crate::params::{CrestlineParams, READING_COUNT};
use nice_plug::prelude::{Param, ParamPtr};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

/// The parameters of an instance.
pub struct Known {
    params: Arc<CrestlineParams>,
    /// All of them, pointing into `params`.
    all: Vec<ParamPtr>,
    /// The host's numbers, in the order of the parameters.
    ids: Vec<u32>,
    /// The steps of each that has any.
    steps: Vec<Option<usize>>,
    /// Places of the readings among them, and the steps of each.
    readings: [(usize, Option<usize>); READING_COUNT],
    /// Bits of the values last told to the host. Used by the audio thread alone.
    told: [AtomicU32; READING_COUNT],
}

impl Known {
    /// `ids` are the numbers by which the host calls the parameters, in their order.
    pub fn new(params: Arc<CrestlineParams>, ids: Vec<u32>) -> Self {
        let all = params.pointers();
        #[expect(
            unsafe_code,
            reason = "the framework hands parameters out as raw pointers only"
        )]
        // SAFETY: called with pointers into `params` alone, which is held.
        let steps = |param: &ParamPtr| unsafe { param.step_count() };
        let of = &params.readings;
        let readings = [
            of.short_term.as_ptr(),
            of.integrated.as_ptr(),
            of.plr.as_ptr(),
            of.true_peak.as_ptr(),
            of.microdynamics.as_ptr(),
            of.target.as_ptr(),
        ]
        .map(|reading| {
            let place = all.iter().position(|param| *param == reading);
            // Past the end for one that is not there, which no number is at.
            (place.unwrap_or(usize::MAX), steps(&reading))
        });
        params.modulation.begin(all.len());
        Self {
            steps: all.iter().map(steps).collect(),
            all,
            params,
            ids,
            readings,
            told: std::array::from_fn(|_| AtomicU32::new(0)),
        }
    }

    /// The parameters themselves.
    pub fn params(&self) -> &CrestlineParams {
        &self.params
    }

    /// The same, to be held.
    pub fn shared(&self) -> Arc<CrestlineParams> {
        Arc::clone(&self.params)
    }

    /// The place of the parameter that the host calls `id`.
    ///
    /// # Realtime
    /// Yes: looks through some sixty numbers.
    pub fn index(&self, id: u32) -> Option<usize> {
        self.ids.iter().position(|it| *it == id)
    }

    /// The number by which the host calls the parameter at this place.
    ///
    /// # Realtime
    /// Yes.
    pub fn id(&self, index: usize) -> Option<u32> {
        self.ids.get(index).copied()
    }

    /// The host brings the parameter that it calls `id`: its place, and whether it has no steps.
    ///
    /// # Realtime
    /// Yes.
    pub fn bring(&self, id: u32) -> Option<(usize, bool)> {
        let index = self.index(id)?;
        self.params.edits.bring(index);
        Some((index, self.steps.get(index)?.is_none()))
    }

    /// What the parameter at this place is, normalised; 0 if there is none.
    ///
    /// # Realtime
    /// Yes: one atomic load.
    #[expect(unsafe_code, reason = "as above")]
    pub fn value(&self, index: usize) -> f32 {
        let param = self.all.get(index);
        // SAFETY: a pointer into `params`, which is held.
        param.map_or(0.0, |param| unsafe { param.unmodulated_normalized_value() })
    }

    /// Gives the parameter at this place a value, normalised, as the host has it, and has the
    /// window drawn anew if that is another. None of them is smoothed by the framework.
    ///
    /// # Realtime
    /// Yes: a few atomic stores.
    #[expect(unsafe_code, reason = "as above")]
    pub fn set(&self, index: usize, value: f32) {
        let param = self.all.get(index);
        // SAFETY: a pointer into `params`, which is held.
        let set = |param: &ParamPtr| unsafe { self.params.modulation.set(index, *param, value) };
        if param.is_some_and(set) {
            self.params.repaint.request_repaint();
        }
    }

    /// The host has an event that sets the parameter that it calls `id`, in CLAP's values.
    ///
    /// # Realtime
    /// Yes.
    pub fn is_set(&self, id: u32, value: f64) {
        if let Some(index) = self.index(id) {
            let value = self.normalized(index, value);
            self.params.modulation.is_set(index, value);
        }
    }

    /// The host has an event that moves the parameter that it calls `id` by this much, in CLAP's
    /// values.
    ///
    /// # Realtime
    /// Yes.
    pub fn is_moved(&self, id: u32, by: f64) {
        if let Some(index) = self.index(id) {
            self.params
                .modulation
                .is_moved(index, self.normalized(index, by));
        }
    }

    /// A value, or a difference of two, as the framework reads it off an event.
    fn normalized(&self, index: usize, value: f64) -> f32 {
        let steps = self.steps.get(index).copied().flatten().unwrap_or(1);
        value as f32 / steps as f32
    }

    /// Once the framework has read the host's events: has what they have set be set, where it has made
    /// nothing of it.
    ///
    /// # Realtime
    /// Yes: some sixty atomic loads.
    pub fn keep_set(&self) {
        for index in 0..self.all.len() {
            let set = self.params.modulation.take_set(index);
            if let Some(value) = set.filter(|value| self.value(index) != *value) {
                self.set(index, value);
            }
        }
    }

    /// Has a state loaded with nothing added to any parameter by modulation. Allocates.
    #[expect(unsafe_code, reason = "as above")]
    pub fn load(&self, load: impl FnOnce() -> bool) -> bool {
        // SAFETY: pointers into `params`, which is held.
        unsafe { self.params.modulation.without(&self.all, load) }
    }

    /// The value of a reading, normalised, and its steps; `None` for any other parameter.
    ///
    /// # Realtime
    /// Yes.
    pub fn reading(&self, id: u32) -> Option<(f32, Option<usize>)> {
        let index = self.index(id)?;
        let at = self.readings.iter().position(|(it, _)| *it == index)?;
        let value = self.params.readings.shown.values().get(at).copied()?;
        Some((value, self.readings.get(at)?.1))
    }

    /// The value that the host has set of a parameter, or that of a reading, normalised, and the
    /// steps; `None` if there is no parameter of that number.
    ///
    /// # Realtime
    /// Yes.
    pub fn told_value(&self, id: u32) -> Option<(f32, Option<usize>)> {
        self.reading(id).or_else(|| {
            let index = self.index(id)?;
            Some((self.value(index), *self.steps.get(index)?))
        })
    }

    /// Calls `tell` with number, normalised value and steps of every reading that has changed since
    /// it was last told; `tell` says whether the host has taken it.
    ///
    /// # Realtime
    /// Yes, if `tell` is.
    pub fn tell_changed(&self, mut tell: impl FnMut(u32, f32, Option<usize>) -> bool) {
        let values = self.params.readings.shown.values();
        for (((index, steps), told), value) in self.readings.iter().zip(&self.told).zip(values) {
            // Relaxed: one thread alone.
            if told.load(Ordering::Relaxed) != value.to_bits()
                && let Some(id) = self.ids.get(*index)
                && tell(*id, value, *steps)
            {
                told.store(value.to_bits(), Ordering::Relaxed);
            }
        }
    }
}
