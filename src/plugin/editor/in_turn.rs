//! Events that come together are taken in turn.
//!
//! A window whose thread was held up is handed at once all that happened meanwhile. egui looks only
//! where the pointer is, and what the modifiers are, at the end of a frame: what was clicked or
//! scrolled before it moved on goes to whatever lies there by then, a press that is let go in the
//! same frame is no drag, and a click elsewhere takes the keyboard away from a field before what was
//! typed is in it. So a frame ends with a button of the mouse, and what has been typed, scrolled or
//! dragged so far has one to itself before anything comes that would change what it means.
//!
//! Of a pointer that leaves the window while it holds something nothing is told: egui would drop what
//! is held, while the window goes on telling where the pointer is. A window that is no longer in use
//! may not be told where it is let go, so there it is.

use std::collections::VecDeque;

use egui::{Context, Event, Plugin, Pos2, RawInput};

/// A pointer that scrolls may tremble by so much, points: it means the same place.
const TREMOR: f32 = 6.0;

/// Holds back what comes after the events of a frame until the next.
#[derive(Debug, Default)]
pub struct InTurn {
    waiting: VecDeque<Event>,
    /// The window is not in use.
    unused: bool,
    /// The pointer has left while it held something, and has not moved since.
    left: bool,
}

/// How things stand when a frame begins.
struct Before<'a> {
    /// A button is down.
    holds: bool,
    pointer: Option<Pos2>,
    /// Whether an event is a key that is down already.
    repeats: &'a dyn Fn(&Event) -> bool,
}

/// What a frame has taken so far.
#[derive(Default)]
struct Taken {
    typed: bool,
    scrolled: bool,
    dragged: bool,
}

impl Taken {
    fn note(&mut self, event: &Event, holds: bool) {
        match event {
            Event::Text(_) | Event::Paste(_) | Event::Ime(_) | Event::Key { pressed: true, .. } => {
                self.typed = true;
            }
            Event::MouseWheel { .. } => self.scrolled = true,
            Event::PointerMoved(_) => self.dragged |= holds,
            _ => {}
        }
    }

    /// Whether an event would change what that means.
    fn is_changed_by(&self, event: &Event, before: &Before<'_>) -> bool {
        match event {
            Event::PointerButton { .. } => self.typed,
            Event::Key { pressed: true, .. } => self.typed && !(before.repeats)(event),
            Event::ModifiersChanged(_) => self.typed || self.scrolled || self.dragged,
            Event::PointerMoved(to) => {
                let far = before
                    .pointer
                    .is_none_or(|from| from.distance(*to) > TREMOR);
                self.scrolled && far
            }
            _ => false,
        }
    }
}

impl InTurn {
    /// The events of the next frame.
    fn take(&mut self, before: &Before<'_>) -> Vec<Event> {
        let (mut events, mut taken) = (Vec::new(), Taken::default());
        while let Some(event) = self.waiting.pop_front() {
            if taken.is_changed_by(&event, before) {
                self.waiting.push_front(event);
                break;
            }
            taken.note(&event, before.holds);
            match event {
                Event::PointerGone if before.holds && !self.unused => {
                    self.left = true;
                    continue;
                }
                Event::PointerMoved(_) => self.left = false,
                Event::WindowFocused(focused) => {
                    self.unused = !focused;
                    if self.unused && std::mem::take(&mut self.left) {
                        events.push(Event::PointerGone);
                    }
                }
                _ => {}
            }
            let ends = matches!(event, Event::PointerButton { .. });
            events.push(event);
            if ends {
                break;
            }
        }
        events
    }
}

impl Plugin for InTurn {
    fn debug_name(&self) -> &'static str {
        "events in turn"
    }

    fn input_hook(&mut self, context: &Context, input: &mut RawInput) {
        self.waiting.extend(input.events.drain(..));
        let (holds, pointer, down) = context.input(|input| {
            let pointer = &input.pointer;
            (
                pointer.any_down(),
                pointer.latest_pos(),
                input.keys_down.clone(),
            )
        });
        let repeats = |event: &Event| matches!(event, Event::Key { key, .. } if down.contains(key));
        input.events = self.take(&Before {
            holds,
            pointer,
            repeats: &repeats,
        });
        if !self.waiting.is_empty() {
            context.request_repaint();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui::{Key, Modifiers, MouseWheelSource, MouseWheelUnit, PointerButton, TouchPhase, Vec2};

    fn button(pressed: bool) -> Event {
        Event::PointerButton {
            pos: Pos2::ZERO,
            button: PointerButton::Primary,
            pressed,
            modifiers: Modifiers::NONE,
        }
    }

    fn key(key: Key, pressed: bool) -> Event {
        Event::Key {
            key,
            physical_key: None,
            pressed,
            repeat: false,
            modifiers: Modifiers::NONE,
        }
    }

    fn moved(x: f32) -> Event {
        Event::PointerMoved(Pos2::new(x, 0.0))
    }

    /// What comes at once, frame by frame, to a pointer at 0.
    fn frames(events: &[Event], mut holds: bool, down: Option<Key>) -> Vec<Vec<Event>> {
        let mut turn = InTurn {
            waiting: events.iter().cloned().collect(),
            ..InTurn::default()
        };
        let mut pointer = Some(Pos2::ZERO);
        let mut frames = Vec::new();
        while !turn.waiting.is_empty() {
            let events = turn.take(&Before {
                holds,
                pointer,
                repeats: &|event| matches!(event, Event::Key { key, .. } if Some(*key) == down),
            });
            for event in &events {
                match event {
                    Event::PointerButton { pressed, .. } => holds = *pressed,
                    Event::PointerMoved(to) => pointer = Some(*to),
                    _ => {}
                }
            }
            frames.push(events);
        }
        frames
    }

    #[test]
    fn a_frame_ends_with_a_button_and_keeps_the_movement_before_it() {
        let [there, on] = [1.0, 2.0].map(moved);
        let click = [there.clone(), button(true), button(false), on.clone()];
        assert_eq!(
            frames(&click, false, None),
            [
                vec![there.clone(), button(true)],
                vec![button(false)],
                vec![on.clone()]
            ]
        );
        let drag = [button(true), there.clone(), on.clone(), button(false)];
        assert_eq!(
            frames(&drag, false, None),
            [vec![button(true)], vec![there, on, button(false)]]
        );
    }

    #[test]
    fn what_is_typed_is_in_its_field_before_the_next_key_or_button() {
        let text = Event::Text("2".into());
        let ends = [key(Key::Num2, true), text.clone(), key(Key::Enter, true)];
        assert_eq!(
            frames(&ends, false, None),
            [
                vec![key(Key::Num2, true), text.clone()],
                vec![key(Key::Enter, true)]
            ]
        );
        let clicks = [text.clone(), button(true)];
        assert_eq!(
            frames(&clicks, false, None),
            [vec![text], vec![button(true)]]
        );
        // One that is held down would come faster than it is taken.
        let repeated = vec![key(Key::ArrowUp, true); 5];
        assert_eq!(frames(&repeated, false, Some(Key::ArrowUp)), [repeated]);
    }

    #[test]
    fn what_is_scrolled_or_dragged_means_the_place_and_the_modifiers_it_came_with() {
        let wheel = Event::MouseWheel {
            unit: MouseWheelUnit::Line,
            delta: Vec2::new(0.0, 1.0),
            phase: TouchPhase::Move,
            source: MouseWheelSource::Unknown,
            modifiers: Modifiers::NONE,
        };
        let shift = Event::ModifiersChanged(Modifiers::SHIFT);
        for after in [moved(40.0), shift.clone()] {
            assert_eq!(
                frames(&[wheel.clone(), after.clone()], false, None),
                [vec![wheel.clone()], vec![after]]
            );
        }
        // A finger that scrolls trembles.
        let trembles = vec![wheel.clone(), moved(1.0), wheel, moved(2.0)];
        assert_eq!(frames(&trembles, false, None), [trembles]);
        let drag = [moved(5.0), shift.clone(), moved(9.0)];
        let [first, _, last] = drag.clone();
        assert_eq!(frames(&drag, true, None), [vec![first], vec![shift, last]]);
        // Without a button nothing is dragged.
        assert_eq!(frames(&drag, false, None), [drag.to_vec()]);
    }

    #[test]
    fn a_pointer_that_holds_something_leaves_only_a_window_that_is_no_longer_in_use() {
        let [gone, left] = [Event::PointerGone, Event::WindowFocused(false)];
        let back = [gone.clone(), moved(3.0)];
        assert_eq!(frames(&back, true, None), [[moved(3.0)]]);
        assert_eq!(frames(&back, false, None), [back]);
        let away = [gone.clone(), left.clone()];
        assert_eq!(frames(&away, true, None), [[gone.clone(), left.clone()]]);
        let away = [left, gone];
        assert_eq!(frames(&away, true, None), [away]);
    }
}
