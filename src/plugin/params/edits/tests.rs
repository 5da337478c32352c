//! What becomes of edits while a host plays, and while it does not.

use super::*;
use nice_plug::prelude::Param;

/// Parameters, and the index of push among them.
fn params() -> (CrestlineParams, usize) {
    let params = CrestlineParams::default();
    let push = params.push.as_ptr();
    let index = params.pointers().iter().position(|it| *it == push);
    (params, index.unwrap())
}

fn later(seconds: f64) -> Instant {
    Instant::now() + Duration::from_secs_f64(seconds)
}

#[test]
fn an_edit_waits_for_the_host_while_audio_runs() {
    let (params, push) = params();
    params.edited(push, 0.5, EditBy::Editor);
    params.edits.block();
    assert!(params.settle(later(0.5)));
    assert_eq!(params.awaited(push), Some(0.5));
    assert_eq!(params.push.value(), 0.0);
}

#[test]
fn without_audio_it_takes_effect() {
    for by in [EditBy::Editor, EditBy::Host] {
        let (params, push) = params();
        params.edited(push, 0.5, by);
        assert!(params.settle(later(0.1)));
        assert!(!params.settle(later(0.5)));
        assert_eq!(params.push.value(), 9.0, "{by:?}");
    }
}

#[test]
fn what_the_user_edits_wakes_a_host_that_sleeps() {
    let (params, push) = params();
    let woken = std::sync::Arc::new(AtomicU32::new(0));
    let counts = std::sync::Arc::clone(&woken);
    params.unsaved.set_active(true);
    params.unsaved.wake_with(move || {
        counts.fetch_add(1, Ordering::Relaxed);
    });
    params.edited(push, 0.5, EditBy::Host);
    assert_eq!(woken.load(Ordering::Relaxed), 0);
    params.edited(push, 0.25, EditBy::Editor);
    assert_eq!(woken.load(Ordering::Relaxed), 1);
}

#[test]
fn one_that_a_host_drops_takes_effect_and_what_the_host_follows_does_not() {
    for (by, wanted) in [(EditBy::Editor, 9.0), (EditBy::Host, 0.0)] {
        let (params, push) = params();
        params.edited(push, 0.5, by);
        params.edits.block();
        assert!(!params.settle(later(1.1)));
        assert_eq!(params.push.value(), wanted, "{by:?}");
    }
}

#[test]
#[expect(unsafe_code, reason = "what a host does")]
fn whatever_comes_later_has_the_last_word() {
    let (params, push) = params();
    params.edited(push, 0.5, EditBy::Editor);
    // SAFETY: a parameter that is there.
    unsafe {
        params.push.as_ptr()._internal_set_normalized_value(1.0);
    }
    params.settle_all();
    assert_eq!(params.push.value(), 18.0);
    assert_eq!(params.awaited(push), None);
}

// Automation that rests holds its parameter without moving it.
#[test]
fn what_the_host_brings_has_the_last_word_also_where_it_changes_nothing() {
    let (params, push) = params();
    params.edits.tell_brought(params.pointers().len());
    params.edited(push, 0.5, EditBy::Editor);
    params.edits.block();
    params.edits.bring(push);
    assert!(!params.settle(later(1.1)));
    assert_eq!(params.push.value(), 0.0);
}

#[test]
fn what_is_saved_has_every_edit() {
    let (params, push) = params();
    params.edited(push, 0.25, EditBy::Host);
    params.edited(push, 0.5, EditBy::Host);
    params.edits.block();
    params.settle_all();
    assert_eq!(params.push.value(), 9.0);
    assert!(!params.settle(Instant::now()));
}

/// What a host does with a block: brings the value and says so.
#[expect(unsafe_code, reason = "what a host does")]
fn bring(params: &CrestlineParams, index: usize, normalized: f32) {
    params.edits.block();
    params.edits.bring(index);
    // SAFETY: a parameter that is there.
    unsafe { params.pointers()[index]._internal_set_normalized_value(normalized) };
}

#[test]
fn an_earlier_edit_that_comes_back_leaves_the_later_ones_waiting() {
    let (params, push) = params();
    params.edits.tell_brought(params.pointers().len());
    for value in [0.25, 0.5, 0.75] {
        params.edited(push, value, EditBy::Editor);
    }
    bring(&params, push, 0.25);
    assert_eq!(params.awaited(push), Some(0.75));
    assert_eq!(params.last_set(params.push.as_ptr()), 0.75);
    // The host leaves one out.
    bring(&params, push, 0.75);
    assert_eq!(params.awaited(push), None);
    assert_eq!(params.push.value(), 13.5);
}

// A host may bring an edit at a later frame of a block, and what leads there before.
#[test]
#[expect(unsafe_code, reason = "what a host does")]
fn in_the_midst_of_a_block_no_edit_is_given_up() {
    let (params, push) = params();
    params.edits.tell_brought(params.pointers().len());
    params.edited(push, 0.25, EditBy::Editor);
    params.edited(push, 0.5, EditBy::Editor);
    // SAFETY: a parameter that is there.
    let set = |value| unsafe { params.push.as_ptr()._internal_set_normalized_value(value) };
    params.edits.bringing.during(|| {
        params.edits.block();
        params.edits.bring(push);
        assert_eq!(params.awaited(push), Some(0.5));
        set(0.1);
        assert_eq!(params.awaited(push), Some(0.5));
        params.settle_all();
        assert_eq!(params.push.value(), 9.0, "what is saved has it");
    });
    params.edited(push, 0.25, EditBy::Editor);
    params.edited(push, 0.75, EditBy::Editor);
    params.edits.bringing.during(|| {
        params.edits.bring(push);
        set(0.25);
    });
    assert_eq!(params.awaited(push), Some(0.75));
}

// What a parameter is in the midst of a block is no word of the host's.
#[test]
#[expect(unsafe_code, reason = "what a host does")]
fn an_edit_made_in_the_midst_of_a_block_waits() {
    let (params, push) = params();
    params.edits.tell_brought(params.pointers().len());
    // SAFETY: a parameter that is there.
    let set = |value| unsafe { params.push.as_ptr()._internal_set_normalized_value(value) };
    params.edits.bringing.during(|| {
        params.edits.block();
        params.edits.bring(push);
        set(0.1);
        params.edited(push, 0.5, EditBy::Editor);
        assert!(params.settle(later(2.0)), "nothing is decided meanwhile");
        set(0.2);
    });
    assert_eq!(params.awaited(push), Some(0.5));
    bring(&params, push, 0.5);
    assert_eq!(params.awaited(push), None);
    assert_eq!(params.push.value(), 9.0);
}

#[test]
fn what_is_no_edit_has_the_last_word_over_all_that_wait() {
    let (params, push) = params();
    params.edited(push, 0.25, EditBy::Editor);
    params.edited(push, 0.5, EditBy::Editor);
    bring(&params, push, 1.0);
    assert_eq!(params.awaited(push), None);
    assert!(!params.settle(later(1.1)));
    assert_eq!(params.push.value(), 18.0);
}

// A user who goes on moving must see what it does, also where nothing comes back.
#[test]
fn without_audio_edits_take_effect_while_the_user_goes_on() {
    let (params, push) = params();
    for step in 0..10_u8 {
        params.edited(push, 0.05 * f32::from(step + 1), EditBy::Editor);
        params.settle(later(0.1 * f64::from(step)));
    }
    let push_db = params.push.value();
    assert!(push_db > 8.0, "{push_db}");
}

#[test]
fn edits_that_a_host_drops_take_effect_while_the_user_goes_on() {
    let (params, push) = params();
    for step in 0..15_u8 {
        params.edits.block();
        params.edited(push, 0.05 * f32::from(step + 1), EditBy::Editor);
        params.settle(later(0.1 * f64::from(step)));
    }
    let push_db = params.push.value();
    assert!(push_db > 8.0, "{push_db}");
}

// `ivsteditcontroller.h`: a host tells the controller what it has been told by it.
#[test]
fn what_the_host_repeats_stays_the_users() {
    let (params, push) = params();
    params.edited(push, 0.25, EditBy::Editor);
    params.edited(push, 0.5, EditBy::Editor);
    for echo in [0.25, 0.5] {
        params.edited(push, echo, EditBy::Host);
    }
    assert_eq!(params.awaited(push), Some(0.5));
    params.edits.block();
    assert!(!params.settle(later(1.1)));
    assert_eq!(params.push.value(), 9.0);
}
