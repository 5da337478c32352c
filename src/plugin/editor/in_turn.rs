//! Events that come together are taken in turn.
//!
//! A window whose thread was held up is handed at once all that happened meanwhile. egui looks only
//! where the pointer is, and what the modifiers are, at the end of a frame: what was clicked or
//! scrolled before it moved on goes to whatever lies there by then, a press that is let go in the
//! same frame is no drag, and a click elsewhere takes the keyboard away from a field before what was
//! typed is in it. So a frame ends with a button of the mouse, and what has been typed, scrolled or
//! dragged so far has one to itself before anything comes that would change what it means.
//!
//! On X11 a key that is held down is let go and pressed anew with every repetition, which the window
//! takes for that many keys. One that is let go and pressed at once, and is down after all, is held,
//! as it is elsewhere.
//!
//! Of a pointer that leaves the window while it holds something nothing is told: egui would drop what
//! is held, while the window goes on telling where the pointer is. A window that is no longer in use
//! may never be told that it is let go: once nothing has been told of a pointer that left for a while,
//! it is.

use std::collections::VecDeque;

use egui::{Context, Event, Modifiers, Plugin, PointerButton, Pos2, RawInput, Ui};

/// A pointer that scrolls may tremble by so much, points: it means the same place.
const TREMOR: f32 = 6.0;
/// After so long, s, a pointer of which nothing is told is taken to be let go elsewhere: longer than
/// a click may take (0.8 s in egui), for that it is not.
const LOST_S: f64 = 1.0;

const BUTTONS: [PointerButton; 5] = [
    PointerButton::Primary,
    PointerButton::Secondary,
    PointerButton::Middle,
    PointerButton::Extra1,
    PointerButton::Extra2,
];

/// Holds back what comes after the events of a frame until the next.
#[derive(Debug, Default)]
pub struct InTurn {
    waiting: VecDeque<Event>,
    /// The window is not in use.
    unused: bool,
    /// When the pointer left, s, holding something, if it has not moved since.
    left_s: Option<f64>,
}

/// How things stand when a frame begins.
struct Before<'a> {
    time_s: f64,
    /// The buttons that are down.
    held: Vec<PointerButton>,
    pointer: Option<Pos2>,
    /// Whether an event is a key that is down already.
    repeats: &'a dyn Fn(&Event) -> bool,
}

/// What a frame has taken so far.
#[derive(Default)]
struct Taken {
    typed: bool,
    dragged: bool,
    pointer: Option<Pos2>,
    scrolled: bool,
    /// Where it was first scrolled.
    scrolled_at: Option<Pos2>,
}

impl Taken {
    fn note(&mut self, event: &Event, holds: bool) {
        match event {
            Event::Text(_) | Event::Paste(_) | Event::Ime(_) | Event::Key { pressed: true, .. } => {
                self.typed = true;
            }
            Event::MouseWheel { .. } if !self.scrolled => {
                (self.scrolled, self.scrolled_at) = (true, self.pointer);
            }
            Event::PointerMoved(to) => {
                self.dragged |= holds;
                self.pointer = Some(*to);
            }
            _ => {}
        }
    }

    /// Whether an event would change what that means.
    fn is_changed_by(&self, event: &Event, repeats: &dyn Fn(&Event) -> bool) -> bool {
        let scrolled = self.scrolled;
        match event {
            Event::PointerButton { .. } => self.typed || scrolled,
            Event::Key { pressed: true, .. } => self.typed && !repeats(event),
            Event::ModifiersChanged(_) | Event::WindowFocused(_) => {
                self.typed || scrolled || self.dragged
            }
            Event::PointerGone => scrolled || self.dragged,
            Event::PointerMoved(to) => {
                let at = self.scrolled_at;
                scrolled && at.is_none_or(|at| at.distance(*to) > TREMOR)
            }
            _ => false,
        }
    }
}

impl InTurn {
    /// More events, without the releases that are none.
    fn wait(&mut self, events: &mut Vec<Event>) {
        let of = |event: &Event| match event {
            Event::Key { key, pressed, .. } => Some((*key, *pressed)),
            _ => None,
        };
        for at in (1..events.len()).rev() {
            if let (Some((released, false)), Some((key, true))) =
                (of(&events[at - 1]), of(&events[at]))
                && released == key
                && events[at..].iter().filter_map(of).rfind(|it| it.0 == key) == Some((key, true))
            {
                events.remove(at - 1);
            }
        }
        self.waiting.extend(events.drain(..));
    }

    /// The events of the next frame.
    fn take(&mut self, before: &Before<'_>) -> Vec<Event> {
        self.let_go_if_lost(before);
        let holds = !before.held.is_empty();
        let mut events = Vec::new();
        let mut taken = Taken {
            pointer: before.pointer,
            ..Taken::default()
        };
        while let Some(event) = self.waiting.pop_front() {
            if matches!(event, Event::PointerGone) && holds {
                self.left_s = Some(before.time_s);
                continue;
            }
            if taken.is_changed_by(&event, before.repeats) {
                self.waiting.push_front(event);
                break;
            }
            taken.note(&event, holds);
            match event {
                Event::PointerMoved(_) => self.left_s = None,
                Event::PointerButton { pressed, .. } => {
                    self.left_s = None;
                    self.unused &= !pressed;
                }
                Event::WindowFocused(focused) => self.unused = !focused,
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

    /// Lets go of what is held by a pointer that was lost.
    fn let_go_if_lost(&mut self, before: &Before<'_>) {
        let lost = self.unused && self.waiting.is_empty();
        let left = self
            .left_s
            .filter(|left_s| before.time_s - left_s >= LOST_S);
        if let (true, Some(_), Some(pos)) = (lost, left, before.pointer) {
            let release = |button| Event::PointerButton {
                pos,
                button,
                pressed: false,
                modifiers: Modifiers::NONE,
            };
            self.waiting
                .extend(before.held.iter().copied().map(release));
            self.waiting.push_back(Event::PointerGone);
        }
    }
}

impl Plugin for InTurn {
    fn debug_name(&self) -> &'static str {
        "events in turn"
    }

    fn input_hook(&mut self, context: &Context, input: &mut RawInput) {
        self.wait(&mut input.events);
        let (mut before, down) = context.input(|input| {
            let pointer = &input.pointer;
            let held = BUTTONS.into_iter().filter(|one| pointer.button_down(*one));
            let before = Before {
                time_s: input.time,
                held: held.collect(),
                pointer: pointer.latest_pos(),
                repeats: &|_| false,
            };
            (before, input.keys_down.clone())
        });
        let repeats = |event: &Event| matches!(event, Event::Key { key, .. } if down.contains(key));
        before.repeats = &repeats;
        before.time_s = input.time.unwrap_or(before.time_s);
        input.events = self.take(&before);
        if !self.waiting.is_empty() {
            context.request_repaint();
        }
    }

    // When a frame begins egui forgets what it was asked to wait for.
    fn on_begin_pass(&mut self, ui: &mut Ui) {
        if self.unused && self.left_s.is_some() {
            ui.ctx().request_repaint_after_secs(LOST_S as f32);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui::{
        Key, Modifiers, MouseWheelSource, MouseWheelUnit, PointerButton, TouchPhase, Vec2,
        ViewportId,
    };

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

    fn wheel() -> Event {
        Event::MouseWheel {
            unit: MouseWheelUnit::Line,
            delta: Vec2::new(0.0, 1.0),
            phase: TouchPhase::Move,
            source: MouseWheelSource::Unknown,
            modifiers: Modifiers::NONE,
        }
    }

    /// What comes at once, frame by frame, to a pointer at 0.
    fn frames(events: &[Event], holds: bool, down: Option<Key>) -> Vec<Vec<Event>> {
        frames_of(&mut InTurn::default(), 0.0, events, holds, down)
    }

    fn frames_of(
        turn: &mut InTurn,
        time_s: f64,
        events: &[Event],
        mut holds: bool,
        down: Option<Key>,
    ) -> Vec<Vec<Event>> {
        turn.wait(&mut events.to_vec());
        let mut pointer = Some(Pos2::ZERO);
        let mut frames = Vec::new();
        while frames.is_empty() || !turn.waiting.is_empty() {
            let events = turn.take(&Before {
                time_s,
                held: holds
                    .then_some(PointerButton::Primary)
                    .into_iter()
                    .collect(),
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
    fn a_key_that_is_let_go_and_pressed_at_once_is_held() {
        let [press, release] = [true, false].map(|pressed| key(Key::M, pressed));
        let other = key(Key::Num1, true);
        let held = [press.clone(), release.clone(), press.clone()];
        assert_eq!(
            frames(&held, false, Some(Key::M)),
            [vec![press.clone(), press.clone()]]
        );
        let two = vec![release.clone(), other];
        assert_eq!(frames(&two, false, Some(Key::M)), [two]);
        // Pressed twice while the window was held up.
        let tap = [press, release];
        let twice = [tap.clone(), tap.clone()].concat();
        assert_eq!(frames(&twice, false, None), [tap.to_vec(), tap.to_vec()]);
    }

    #[test]
    fn what_is_scrolled_or_dragged_means_the_place_and_the_modifiers_it_came_with() {
        let wheel = wheel();
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
    fn a_wheel_is_turned_where_it_was_turned() {
        let wheel = wheel();
        let [there, back] = [40.0, 0.0].map(moved);
        assert_eq!(
            frames(&[there.clone(), wheel.clone(), back.clone()], false, None),
            [vec![there.clone(), wheel.clone()], vec![back]]
        );
        // A hand that trembles while it scrolls holds nothing up, wherever it has come from.
        let trembles = [40.0, 41.0, 42.0].map(moved);
        let trembles: Vec<Event> = trembles
            .into_iter()
            .flat_map(|to| [to, wheel.clone()])
            .collect();
        assert_eq!(frames(&trembles, false, None), [trembles]);
        for after in [
            button(true),
            Event::PointerGone,
            Event::WindowFocused(false),
        ] {
            assert_eq!(
                frames(&[wheel.clone(), after.clone()], false, None),
                [vec![wheel.clone()], vec![after]]
            );
        }
    }

    #[test]
    fn a_pointer_that_holds_something_leaves_the_window_with_it() {
        let back = [moved(2.0), Event::PointerGone, moved(3.0)];
        assert_eq!(frames(&back, true, None), [[moved(2.0), moved(3.0)]]);
        assert_eq!(frames(&back, false, None), [back]);
    }

    #[test]
    fn of_a_window_out_of_use_it_is_let_go_once_nothing_has_been_told_for_a_while() {
        let [gone, unused] = [Event::PointerGone, Event::WindowFocused(false)];
        let let_go = [vec![button(false)], vec![gone.clone()]];
        for events in [
            [gone.clone(), unused.clone()],
            [unused.clone(), gone.clone()],
        ] {
            let later = |then: &[Event], time_s| {
                let mut turn = InTurn::default();
                frames_of(&mut turn, 1.0, &events, true, None);
                frames_of(&mut turn, time_s, then, true, None)
            };
            assert_eq!(later(&[], 1.9), [vec![]]);
            assert_eq!(later(&[], 2.1), let_go);
            // It is still told of, or in use again.
            assert_eq!(later(&[moved(9.0)], 2.1), [[moved(9.0)]]);
            assert_eq!(later(&[Event::WindowFocused(true)], 2.1).len(), 1);
        }
        // In use it is held for as long as it takes.
        let mut turn = InTurn::default();
        frames_of(&mut turn, 1.0, &[gone], true, None);
        assert_eq!(frames_of(&mut turn, 100.0, &[], true, None), [vec![]]);
        // A press is a use, whatever the window was told before.
        let mut turn = InTurn::default();
        frames_of(&mut turn, 1.0, &[unused, button(true)], false, None);
        assert!(!turn.unused);
    }

    /// Whoever draws may draw no frame that was not asked for.
    #[test]
    fn the_frame_in_which_it_is_let_go_is_asked_for() {
        let context = Context::default();
        context.add_plugin(InTurn::default());
        let frame = |time: f64, events: &[Event]| {
            let input = RawInput {
                time: Some(time),
                events: events.to_vec(),
                ..RawInput::default()
            };
            let mut output = context.run_ui(input, |_| ());
            output.textures_delta.clear();
            let asked = output.viewport_output[&ViewportId::ROOT].repaint_delay;
            (
                asked.as_secs_f64(),
                context.input(|input| input.pointer.any_down()),
            )
        };
        frame(0.0, &[moved(1.0), button(true)]);
        frame(0.1, &[Event::PointerGone, Event::WindowFocused(false)]);
        let (mut time, mut held) = (0.2, true);
        while held && time < 3.0 {
            let (asked_s, down) = frame(time, &[]);
            held = down;
            time += asked_s;
        }
        assert!(!held && time < 2.5, "held at {time} s: {held}");
    }
}
