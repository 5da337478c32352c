//! What the host's automation does: turns what can be turned, by leaps and along lines, and leaves
//! it alone for a while.

use super::programme::RATE_HZ;
use crestline_plugin::params::CrestlineParams;
use kit::chance::Chance;
use nice_plug::prelude::{ParamFlags, ParamPtr, Params};
use std::sync::Arc;

/// What begins a measurement anew is not automated: its drift could not be seen. Nor is what takes
/// the side-chain for the reference: whether one that was sent has arrived is not told meanwhile.
const LEFT_ALONE: [&str; 3] = ["restrt", "rstply", "siderf"];
/// Everything moves for so long, seconds, and then rests for so long: a forecast is begun when
/// settings have come to rest, by a clock that does not know how fast the programme goes.
const MOVING_S: f64 = 400.0;
const RESTING_S: f64 = 800.0;
/// A parameter is taken on so often while things move, seconds.
const EVERY_S: f64 = 0.5;

/// Sets parameters as time passes.
pub struct Automation {
    params: Arc<CrestlineParams>,
    settable: Vec<ParamPtr>,
    chance: Chance,
    lines: Vec<Line>,
    time_s: f64,
    next_s: f64,
    /// Values set so far.
    pub changes: u64,
}

/// A parameter on its way.
struct Line {
    param: ParamPtr,
    from: f32,
    to: f32,
    start_s: f64,
    length_s: f64,
}

impl Automation {
    pub fn new(params: Arc<CrestlineParams>, seed: u64) -> Self {
        let settable = params.param_map().into_iter().filter(|(id, param, _)| {
            #[expect(unsafe_code, reason = "the framework hands out raw pointers only")]
            // SAFETY: `params` is kept.
            let flags = unsafe { param.flags() };
            !LEFT_ALONE.contains(&id.as_str()) && !flags.contains(ParamFlags::HIDDEN)
        });
        Self {
            settable: settable.map(|(_, param, _)| param).collect(),
            params,
            chance: Chance::new(seed),
            lines: Vec::new(),
            time_s: 0.0,
            next_s: 0.0,
            changes: 0,
        }
    }

    /// The parameters that are automated.
    pub fn count(&self) -> usize {
        self.settable.len()
    }

    /// Brings the parameters to where they are after `frames` more frames.
    pub fn advance(&mut self, frames: usize) {
        self.time_s += frames as f64 / f64::from(RATE_HZ);
        let moving = self.time_s % (MOVING_S + RESTING_S) < MOVING_S;
        if moving && self.time_s >= self.next_s {
            self.next_s = self.time_s + self.chance.within(0.0..2.0 * EVERY_S);
            self.begin();
        }
        let now_s = self.time_s;
        for line in &self.lines {
            let along = ((now_s - line.start_s) / line.length_s).clamp(0.0, 1.0) as f32;
            set(
                &self.params,
                line.param,
                line.from + along * (line.to - line.from),
            );
        }
        self.changes += self.lines.len() as u64;
        self.lines
            .retain(|line| now_s < line.start_s + line.length_s);
    }

    fn begin(&mut self) {
        let param = *self.chance.one_of(&self.settable);
        self.lines.retain(|line| line.param != param);
        #[expect(unsafe_code, reason = "the framework hands out raw pointers only")]
        // SAFETY: the parameters are kept.
        let from = unsafe { param.unmodulated_normalized_value() };
        let leaps = self.chance.once_in(2);
        self.lines.push(Line {
            param,
            from,
            to: self.chance.unit() as f32,
            start_s: self.time_s,
            // A leap is over at once.
            length_s: if leaps {
                1e-9
            } else {
                self.chance.within(0.05..5.0)
            },
        });
    }
}

fn set(_kept: &CrestlineParams, param: ParamPtr, normalized: f32) {
    #[expect(
        unsafe_code,
        reason = "the framework writes values through raw pointers only"
    )]
    // SAFETY: the parameters are kept by whoever calls.
    unsafe {
        param._internal_set_normalized_value(normalized)
    };
}
