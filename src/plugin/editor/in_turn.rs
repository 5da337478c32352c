//! Events that come together are taken in turn.
//!
//! A window whose thread was held up is handed at once all that happened meanwhile. egui looks only
//! where the pointer is at the end of a frame: what was clicked before it moved on goes to whatever
//! lies there by then, a press that is let go in the same frame is no drag, and a click elsewhere
//! takes the keyboard away from a field before what was typed is in it. So a frame ends with a
//! button of the mouse, and one that has typed something ends before the next key or button.
//!
//! Of a pointer that leaves the window while it holds something nothing is told until it lets go:
//! egui would drop what is held, while the window goes on telling where the pointer is.

use std::collections::VecDeque;

use egui::{Context, Event, Plugin, RawInput};

/// Holds back what comes after the events of a frame until the next.
#[derive(Debug, Default)]
pub struct InTurn {
    waiting: VecDeque<Event>,
    /// The pointer has left while it held something, and has not moved since.
    left: bool,
}

fn is_typed(event: &Event) -> bool {
    matches!(
        event,
        Event::Text(_) | Event::Paste(_) | Event::Ime(_) | Event::Key { pressed: true, .. }
    )
}

impl InTurn {
    /// The events of the next frame, in which `holds` says whether a button is down at first, and
    /// `repeats` whether a key is pressed that was down already.
    fn take(&mut self, holds: bool, repeats: impl Fn(&Event) -> bool) -> Vec<Event> {
        let (mut events, mut has_typed) = (Vec::new(), false);
        while let Some(event) = self.waiting.pop_front() {
            let is_button = matches!(event, Event::PointerButton { .. });
            let is_key = matches!(event, Event::Key { pressed: true, .. }) && !repeats(&event);
            let begins_another = is_button || is_key || matches!(event, Event::ModifiersChanged(_));
            if has_typed && begins_another {
                self.waiting.push_front(event);
                break;
            }
            has_typed |= is_typed(&event);
            match event {
                Event::PointerGone if holds => self.left = true,
                Event::PointerMoved(_) => {
                    self.left = false;
                    events.push(event);
                }
                Event::PointerButton { pressed, .. } => {
                    if !pressed && std::mem::take(&mut self.left) {
                        self.waiting.push_front(Event::PointerGone);
                    }
                    events.push(event);
                    break;
                }
                _ => events.push(event),
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
        let (holds, down) =
            context.input(|input| (input.pointer.any_down(), input.keys_down.clone()));
        let repeats = |event: &Event| matches!(event, Event::Key { key, .. } if down.contains(key));
        input.events = self.take(holds, repeats);
        if !self.waiting.is_empty() {
            context.request_repaint();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui::{Key, Modifiers, PointerButton, Pos2};

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

    /// What comes at once, frame by frame.
    fn frames(events: &[Event], mut holds: bool, down: Option<Key>) -> Vec<Vec<Event>> {
        let mut turn = InTurn {
            waiting: events.iter().cloned().collect(),
            left: false,
        };
        let mut frames = Vec::new();
        while !turn.waiting.is_empty() {
            let repeats =
                |event: &Event| matches!(event, Event::Key { key, .. } if Some(*key) == down);
            frames.push(turn.take(holds, repeats));
            for event in frames.iter().flatten() {
                if let Event::PointerButton { pressed, .. } = event {
                    holds = *pressed;
                }
            }
        }
        frames
    }

    #[test]
    fn a_frame_ends_with_a_button_and_keeps_the_movement_before_it() {
        let [there, on] = [1.0, 2.0].map(|x| Event::PointerMoved(Pos2::new(x, 0.0)));
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
    fn a_pointer_that_holds_something_has_left_once_it_lets_go() {
        let back = Event::PointerMoved(Pos2::ZERO);
        for (events, expected) in [
            (
                vec![Event::PointerGone, button(false)],
                vec![vec![button(false)], vec![Event::PointerGone]],
            ),
            (
                vec![Event::PointerGone, back.clone(), button(false)],
                vec![vec![back, button(false)]],
            ),
        ] {
            assert_eq!(frames(&events, true, None), expected);
        }
        let alone = [Event::PointerGone];
        assert_eq!(frames(&alone, false, None), [alone.to_vec()]);
    }
}
