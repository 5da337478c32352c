//! What the window changes passes through one place on its way to the host: there it is remembered,
//! so that it can be undone, and the two settings can be compared.

mod queue;
mod setter;

use std::cell::RefCell;
use std::sync::Arc;

use nice_plug::prelude::{Param as _, ParamPtr, ParamSetter, Params as _};

pub use self::queue::Gestures;
use self::queue::Queue;
pub use self::setter::Setter;
use super::steady::Steady;
use super::view_model::settings_memory::{Change, SettingsMemory, Values, Which};
use crate::params::CrestlineParams;
use crestline_core::handover::Snapshot;

/// Parameters that are no setting of the chain, by the beginning of their ids: what is listened to
/// and what is measured stays as it is when settings are compared or undone. Solo only serves
/// listening, too.
const NOT_OF_THE_CHAIN: [&str; 9] = [
    "bypass", "restrt", "rstply", "listen", "match", "siderf", "solo", "tap", "rd",
];

/// Ids of the push, and of the saturator's switch.
pub const PUSH: &str = "push";
pub const SATURATOR: &str = "sat";
/// Those of the limiter. Behind a push a starting point that does not name its switch leaves them
/// alone: what it held down would jump up.
const LIMITER: [&str; 5] = ["limit", "ceil", "relaut", "reltim", "link"];

/// What holds peaks down while it is on, and what makes everything louder.
const HOLDING: [&str; 2] = ["limit", SATURATOR];
const GAINS: [&str; 4] = [PUSH, "ceil", "lowdb", "highdb"];

/// In which order changes that belong together go to the host, which may bring a block between two
/// of them: what makes it quieter first, what makes it louder last.
fn order(change: &Change) -> u8 {
    let id = change.id.as_str();
    let (rises, holds) = (change.after > change.before, HOLDING.contains(&id));
    if !holds && !GAINS.contains(&id) {
        1
    } else if rises == holds {
        0
    } else {
        2
    }
}

/// What a button or a key asks for.
#[derive(Clone, Debug, PartialEq)]
pub enum Ask {
    /// One of the two settings.
    Choose(Which),
    /// The other one to become as the one in use, but for these plain values by parameter id.
    CopyOver(Vec<(&'static str, f64)>),
    /// The last step to be taken back.
    Undo,
    /// What was undone last to be done again.
    Redo,
    /// Plain values by parameter id to begin with, as one step: what is not named goes to its
    /// default, but push, and a limiter behind it, stay.
    Begin(Vec<(String, f64)>),
}

/// The way of changes to the host.
pub struct Changes {
    queue: Queue,
    memory: SettingsMemory,
    /// Those that make up a setting, by id.
    chain: Vec<(String, ParamPtr)>,
    /// Keeps what they point to.
    params: Arc<CrestlineParams>,
    /// How many states the host had loaded when this was last compared.
    loads: u32,
    /// How often a state had been loaded, or failed to be, when the frame began.
    times_loaded: u32,
    asked: RefCell<Vec<Ask>>,
    /// Whether they were made while something was measured.
    pub steady: Steady,
}

impl Changes {
    /// For the parameters of one window.
    pub fn new(params: &Arc<CrestlineParams>) -> Self {
        let of_chain = |id: &String| !NOT_OF_THE_CHAIN.iter().any(|not| id.starts_with(not));
        let all = params.param_map().into_iter();
        Self {
            queue: Queue::new(&params.outbox),
            memory: SettingsMemory::default(),
            chain: all
                .map(|(id, param, _)| (id, param))
                .filter(|(id, _)| of_chain(id))
                .collect(),
            loads: params.edits.loads(),
            times_loaded: params.loading.times(),
            params: Arc::clone(params),
            asked: RefCell::default(),
            steady: Steady::default(),
        }
    }

    /// Through which everything in the window changes parameters. The host is told at the end of
    /// the frame.
    pub fn setter(&self) -> Setter<'_> {
        Setter::new(&self.queue, &self.params)
    }

    /// The window has been opened anew.
    pub fn opened(&mut self) {
        self.memory.opened();
    }

    /// The gestures under way, to be ended should the window close on them.
    pub fn gestures(&self) -> Gestures {
        self.queue.gestures.clone()
    }

    /// Forgets both settings and their steps once the host has loaded a state, and lets go of what is
    /// held: they were made from another. Call it before anything is drawn. Tells whether it has.
    pub fn follow_loads(&mut self, host: &ParamSetter<'_>) -> bool {
        self.times_loaded = self.params.loading.times();
        let loads = self.params.edits.loads();
        let loaded = std::mem::replace(&mut self.loads, loads) != loads;
        if loaded {
            self.memory = SettingsMemory::default();
            self.queue.gestures.end_all(host.raw_context);
            self.queue.gestures.take_changed();
            self.asked.take();
        }
        loaded
    }

    /// Whether what is being measured is made by one set of settings is known from this on.
    pub fn follow_measured(&mut self, snapshot: &Snapshot) {
        self.steady.follow(&self.params.chain_settings(), snapshot);
    }

    /// Asks for something that is done at the end of the frame.
    pub fn ask(&self, ask: Ask) {
        self.asked.borrow_mut().push(ask);
    }

    /// Which of the two settings is in use.
    pub fn chosen(&self) -> Which {
        self.memory.chosen()
    }

    /// Whether there is something to undo.
    pub fn can_undo(&self) -> bool {
        self.memory.can_undo()
    }

    /// Whether there is something to do again.
    pub fn can_redo(&self) -> bool {
        self.memory.can_redo()
    }

    /// Drops what was asked for in a frame that did not come to its end, and ends what is held.
    pub fn give_up(&self, host: &ParamSetter<'_>) {
        self.queue.give_up(host);
        self.asked.take();
    }

    /// Tells the host what was changed in this frame, which ends at `now_s`, and does what was
    /// asked for. `held`: a button of the mouse is down. Tells what was done.
    pub fn end_frame(&mut self, host: &ParamSetter<'_>, now_s: f64, held: bool) -> Done {
        if self.queue.is_empty() && self.asked.get_mut().is_empty() {
            return self.tell(host, now_s, held);
        }
        let params = Arc::clone(&self.params);
        let mut done = Done::default();
        params.outbox.put(|| {
            if !params.loading.is_as_after(self.times_loaded) {
                self.asked.take();
            }
            done = self.tell(host, now_s, held);
        });
        done
    }

    fn tell(&mut self, host: &ParamSetter<'_>, now_s: f64, held: bool) -> Done {
        self.queue
            .forward(host, &self.params, held, self.times_loaded);
        let changed = self.note_changes(now_s);
        let asked = self.asked.take();
        let mut recalled = false;
        for ask in &asked {
            // What is held is let go: it would be set anew against what is done now.
            self.queue.gestures.end_all(host.raw_context);
            self.note_changes(now_s);
            recalled |= self.perform(host, ask, now_s);
        }
        Done {
            anything: changed || !asked.is_empty(),
            recalled,
        }
    }

    /// Remembers what has come to its end; whether anything has, of the chain or not.
    fn note_changes(&mut self, now_s: f64) -> bool {
        let changed = self.queue.gestures.take_changed();
        let changes = changed
            .iter()
            .filter_map(|(param, [before, after])| {
                let (id, _) = self.chain.iter().find(|(_, other)| other == param)?;
                Some(Change {
                    id: id.clone(),
                    before: *before,
                    after: *after,
                })
            })
            .collect();
        self.memory.note(changes, now_s);
        !changed.is_empty()
    }

    /// Whether it has set anything.
    fn perform(&mut self, host: &ParamSetter<'_>, ask: &Ask, now_s: f64) -> bool {
        let values = match ask {
            Ask::Choose(which) => self.memory.choose(*which, self.now()),
            Ask::CopyOver(but) => {
                self.memory.copy_over(self.now_but(but), self.now());
                return false;
            }
            Ask::Undo => self.memory.undo(),
            Ask::Redo => self.memory.redo(),
            Ask::Begin(plain) => {
                let values = self.beginning(plain);
                self.memory.note(self.changes_to(&values), now_s);
                values
            }
        };
        let mut changes = self.changes_to(&values);
        changes.sort_by_key(order);
        for Change { id, after, .. } in &changes {
            if let Some((_, param)) = self.chain.iter().find(|(known, _)| known == id) {
                queue::set(host, &self.params, *param, *after, self.times_loaded);
            }
        }
        !changes.is_empty()
    }

    /// The values in use.
    fn now(&self) -> Values {
        let value = |(id, param): &(String, ParamPtr)| (id.clone(), self.params.last_set(*param));
        self.chain.iter().map(value).collect()
    }

    /// The same but for these, which are plain.
    fn now_but(&self, but: &[(&'static str, f64)]) -> Values {
        let value = |(id, param): &(String, ParamPtr)| {
            let other = but.iter().find(|(named, _)| named == id);
            let value = other.map_or_else(
                || self.params.last_set(*param),
                |(_, plain)| setter::normalised(*param, *plain as f32),
            );
            (id.clone(), value)
        };
        self.chain.iter().map(value).collect()
    }

    /// What `values` would change.
    fn changes_to(&self, values: &Values) -> Vec<Change> {
        let change = |(id, after): &(String, f32)| {
            let (_, param) = self.chain.iter().find(|(known, _)| known == id)?;
            let before = self.params.last_set(*param);
            ((before - after).abs() > f32::EPSILON).then(|| Change {
                id: id.clone(),
                before,
                after: *after,
            })
        };
        values.iter().filter_map(change).collect()
    }

    /// All that a starting point sets: push is left out, so that it makes nothing louder by that,
    /// and so is a limiter behind a push, unless it is named.
    fn beginning(&self, plain: &[(String, f64)]) -> Values {
        let names = |id: &str| plain.iter().find(|(named, _)| named == id);
        let pushed = self.params.last_set(self.params.push.as_ptr()) > 0.0;
        let keeps_limiter = pushed && names(LIMITER[0]).is_none();
        let stays = |id: &str| id == PUSH || keeps_limiter && LIMITER.contains(&id);
        let value = |(id, param): &(String, ParamPtr)| {
            let normalised = names(id).map_or_else(
                || setter::default(*param),
                |(_, plain)| setter::normalised(*param, *plain as f32),
            );
            (id.clone(), normalised.clamp(0.0, 1.0))
        };
        let settings = self.chain.iter().filter(|(id, _)| !stays(id));
        settings.map(value).collect()
    }

    /// Plain values in use by parameter id, for a starting point.
    pub fn plain(&self) -> Vec<(String, f64)> {
        let value = |(id, param): &(String, ParamPtr)| {
            let plain = setter::plain(*param, self.params.last_set(*param));
            (id.clone(), f64::from(plain))
        };
        let settings = self.chain.iter().filter(|(id, _)| id != PUSH);
        settings.map(value).collect()
    }
}

/// What became of a frame.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Done {
    /// Anything was set or asked for.
    pub anything: bool,
    /// Settings were called up that may be louder than those before: by undo and redo, by choosing
    /// one of the two, or by a starting point.
    pub recalled: bool,
}
