//! Two settings to compare, and what can be undone in each: over lists of parameter ids and
//! normalised values, whatever they stand for.

/// Values by parameter id, normalised.
pub type Values = Vec<(String, f32)>;

/// Steps that are remembered.
const MOST_STEPS: usize = 200;
/// Changes of the same parameters that follow each other within this are one step, seconds: a turn
/// of the wheel is undone as one.
const ONE_STEP_S: f64 = 0.8;

/// One of the two settings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Which {
    /// The one that everything begins with.
    #[default]
    First,
    /// The other.
    Second,
}

impl Which {
    /// The one that is not this.
    pub const fn other(self) -> Self {
        match self {
            Self::First => Self::Second,
            Self::Second => Self::First,
        }
    }
}

/// What became of one parameter, normalised.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// Its id.
    pub id: String,
    /// Its value before.
    pub before: f32,
    /// Its value after.
    pub after: f32,
}

/// What was changed at once.
#[derive(Clone, Debug, Default)]
struct Step {
    changes: Vec<Change>,
    at_s: f64,
}

impl Step {
    fn follows(&self, before: &Self) -> bool {
        let ids = |step: &Self| {
            let mut ids: Vec<_> = step.changes.iter().map(|one| one.id.clone()).collect();
            ids.sort();
            ids
        };
        (0.0..=ONE_STEP_S).contains(&(self.at_s - before.at_s)) && ids(self) == ids(before)
    }

    fn befores(&self) -> Values {
        let before = |change: &Change| (change.id.clone(), change.before);
        self.changes.iter().map(before).collect()
    }

    fn afters(&self) -> Values {
        let after = |change: &Change| (change.id.clone(), change.after);
        self.changes.iter().map(after).collect()
    }
}

/// What can be undone and done again in one of the settings.
#[derive(Clone, Debug, Default)]
struct Steps {
    done: Vec<Step>,
    undone: Vec<Step>,
}

impl Steps {
    /// What comes next is a step of its own.
    fn rest(&mut self) {
        if let Some(last) = self.done.last_mut() {
            last.at_s = f64::NEG_INFINITY;
        }
    }

    fn note(&mut self, changes: Vec<Change>, now_s: f64) {
        if changes.is_empty() {
            return;
        }
        let step = Step {
            changes,
            at_s: now_s,
        };
        self.undone.clear();
        if let Some(last) = self.done.last_mut()
            && step.follows(last)
        {
            for change in step.changes {
                if let Some(same) = last.changes.iter_mut().find(|one| one.id == change.id) {
                    same.after = change.after;
                }
            }
            last.at_s = now_s;
            return;
        }
        self.done.push(step);
        let too_many = self.done.len().saturating_sub(MOST_STEPS);
        self.done.drain(..too_many);
    }
}

/// The two settings.
#[derive(Clone, Debug, Default)]
pub struct SettingsMemory {
    chosen: Which,
    /// Values of the one that is not chosen; `None`: as they were when it was first gone to.
    other: Option<Values>,
    steps: [Steps; 2],
}

impl SettingsMemory {
    /// Which of the two is in use.
    pub fn chosen(&self) -> Which {
        self.chosen
    }

    fn steps(&self) -> &Steps {
        &self.steps[self.chosen as usize]
    }

    fn steps_mut(&mut self) -> &mut Steps {
        &mut self.steps[self.chosen as usize]
    }

    /// Whether there is something to undo.
    pub fn can_undo(&self) -> bool {
        !self.steps().done.is_empty()
    }

    /// Whether there is something to do again.
    pub fn can_redo(&self) -> bool {
        !self.steps().undone.is_empty()
    }

    /// Takes in what was changed at `now_s`, as one step. What was undone before is lost.
    pub fn note(&mut self, changes: Vec<Change>, now_s: f64) {
        self.steps_mut().note(changes, now_s);
    }

    /// The window has been opened, and counts its time anew.
    pub fn opened(&mut self) {
        self.steps.iter_mut().for_each(Steps::rest);
    }

    /// Takes the last step back; returns the values to be set.
    pub fn undo(&mut self) -> Values {
        let steps = self.steps_mut();
        let Some(mut step) = steps.done.pop() else {
            return Values::new();
        };
        steps.rest();
        step.at_s = f64::NEG_INFINITY;
        let values = step.befores();
        steps.undone.push(step);
        values
    }

    /// Does again what was undone last; returns the values to be set.
    pub fn redo(&mut self) -> Values {
        let steps = self.steps_mut();
        let Some(step) = steps.undone.pop() else {
            return Values::new();
        };
        let values = step.afters();
        steps.done.push(step);
        values
    }

    /// Goes to one of the two from the values in use; returns the values to be set: none the first
    /// time, when the other begins as a copy.
    pub fn choose(&mut self, which: Which, now: Values) -> Values {
        if which == self.chosen {
            return Values::new();
        }
        self.chosen = which;
        self.other.replace(now).unwrap_or_default()
    }

    /// Makes `values` the other one while `now` is in use, as which it begins: a step of its own, to be
    /// undone over there.
    pub fn copy_over(&mut self, values: Values, now: Values) {
        let before = self.other.replace(values.clone()).unwrap_or(now);
        let changes = values.into_iter().filter_map(|(id, after)| {
            let (_, before) = *before.iter().find(|(known, _)| *known == id)?;
            (before != after).then_some(Change { id, before, after })
        });
        // What is changed over there next is none of it.
        let steps = &mut self.steps[self.chosen.other() as usize];
        steps.note(changes.collect(), f64::NEG_INFINITY);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn change(id: &str, before: f32, after: f32) -> Change {
        Change {
            id: id.into(),
            before,
            after,
        }
    }

    fn values(of: &[(&str, f32)]) -> Values {
        of.iter()
            .map(|(id, value)| ((*id).into(), *value))
            .collect()
    }

    #[test]
    fn steps_are_undone_and_done_again_in_their_order() {
        let mut memory = SettingsMemory::default();
        assert!(!memory.can_undo() && !memory.can_redo());
        assert!(memory.undo().is_empty() && memory.redo().is_empty());
        memory.note(vec![change("push", 0.0, 0.2)], 0.0);
        memory.note(
            vec![change("lowdb", 0.5, 0.6), change("lowhz", 0.3, 0.4)],
            5.0,
        );
        assert_eq!(memory.undo(), values(&[("lowdb", 0.5), ("lowhz", 0.3)]));
        assert_eq!(memory.undo(), values(&[("push", 0.0)]));
        assert!(!memory.can_undo());
        assert_eq!(memory.redo(), values(&[("push", 0.2)]));
        assert_eq!(memory.redo(), values(&[("lowdb", 0.6), ("lowhz", 0.4)]));
        assert!(!memory.can_redo());
        assert_eq!(memory.undo().len(), 2);
        memory.note(vec![change("push", 0.2, 0.3)], 9.0);
        assert!(
            !memory.can_redo(),
            "a new step takes the place of the old ones"
        );
    }

    #[test]
    fn turns_of_the_wheel_are_one_step_until_it_rests() {
        let mut memory = SettingsMemory::default();
        for turn in 0..5_u8 {
            let from = f32::from(turn) / 10.0;
            memory.note(
                vec![change("push", from, from + 0.1)],
                0.3 * f64::from(turn),
            );
        }
        memory.note(vec![change("ceil", 0.9, 0.8)], 1.5);
        memory.note(vec![change("ceil", 0.8, 0.7)], 9.0);
        assert_eq!(memory.undo(), values(&[("ceil", 0.8)]));
        assert_eq!(memory.undo(), values(&[("ceil", 0.9)]));
        assert_eq!(memory.undo(), values(&[("push", 0.0)]));
        assert!(!memory.can_undo());
    }

    // A window counts its time from its opening.
    #[test]
    fn what_is_changed_in_another_window_is_a_step_of_its_own() {
        let mut memory = SettingsMemory::default();
        memory.note(vec![change("push", 0.0, 0.1)], 4.0);
        memory.opened();
        memory.note(vec![change("push", 0.1, 0.2)], 4.5);
        assert_eq!(memory.undo(), values(&[("push", 0.1)]));
        assert_eq!(memory.undo(), values(&[("push", 0.0)]));
    }

    #[test]
    fn what_follows_an_undone_step_at_once_is_a_step_of_its_own() {
        let mut memory = SettingsMemory::default();
        memory.note(vec![change("push", 0.0, 0.1)], 0.0);
        memory.note(vec![change("push", 0.1, 0.2)], 5.0);
        memory.undo();
        memory.note(vec![change("push", 0.1, 0.4)], 5.1);
        assert_eq!(memory.undo(), values(&[("push", 0.1)]));
    }

    #[test]
    fn what_is_changed_in_a_window_opened_again_is_a_step_of_its_own() {
        let mut memory = SettingsMemory::default();
        memory.note(vec![change("push", 0.0, 0.1)], 500.0);
        memory.note(vec![change("push", 0.1, 0.2)], 1.0);
        assert_eq!(memory.undo(), values(&[("push", 0.1)]));
        assert_eq!(memory.undo(), values(&[("push", 0.0)]));
    }

    #[test]
    fn the_other_setting_begins_as_a_copy_and_keeps_its_values() {
        let mut memory = SettingsMemory::default();
        memory.note(vec![change("push", 0.0, 0.2)], 0.0);
        let first = values(&[("push", 0.2)]);
        let second = values(&[("push", 0.5)]);
        assert!(memory.choose(Which::First, first.clone()).is_empty());
        assert!(memory.choose(Which::Second, first.clone()).is_empty());
        assert_eq!(memory.chosen(), Which::Second);
        assert!(!memory.can_undo(), "each has its own steps");
        memory.note(vec![change("push", 0.2, 0.5)], 3.0);
        assert_eq!(memory.choose(Which::First, second.clone()), first);
        assert_eq!(memory.undo(), values(&[("push", 0.0)]));
        assert_eq!(memory.choose(Which::Second, first), second);
        assert_eq!(memory.undo(), values(&[("push", 0.2)]));
    }

    #[test]
    fn one_is_copied_over_the_other() {
        let mut memory = SettingsMemory::default();
        let one = values(&[("push", 0.2)]);
        memory.choose(Which::Second, one.clone());
        memory.note(vec![change("push", 0.2, 0.7)], 0.0);
        let other = values(&[("push", 0.7)]);
        memory.copy_over(other.clone(), other.clone());
        assert_eq!(memory.choose(Which::First, other.clone()), other);
        memory.note(vec![change("push", 0.7, 0.8)], 0.1);
        // What it was is not lost by a slip.
        assert_eq!(memory.undo(), other);
        assert_eq!(memory.undo(), one);
        assert!(!memory.can_undo());
        assert_eq!(memory.redo(), other);
    }

    #[test]
    fn only_so_many_steps_are_remembered() {
        let mut memory = SettingsMemory::default();
        for step in 0..1_000_u16 {
            memory.note(vec![change("push", 0.0, 1.0)], 10.0 * f64::from(step));
        }
        let undone = std::iter::from_fn(|| memory.can_undo().then(|| memory.undo())).count();
        assert_eq!(undone, MOST_STEPS);
    }
}
