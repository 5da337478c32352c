//! What a user sets takes effect, is told and is saved, whatever a host does with it on the way.

use crate::clap::{linked, noise};
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{IAudioProcessorTrait, IComponentTrait};
use rig::clap_host::{Change, Run};
use rig::vst3_host::{CAN_AUTOMATE, HIDDEN, Param, Vst3Host};

/// A value that is not the default: another step, or elsewhere in the range.
fn other_value(param: &Param) -> f64 {
    if param.default < 0.5 { 1.0 } else { 0.0 }
}

fn free(host: &Vst3Host) -> Vec<Param> {
    host.params().into_iter().filter(Param::is_free).collect()
}

#[track_caller]
fn assert_is(value: f64, wanted: f64, param: &Param) {
    // Values pass through f32 and the parameter's range.
    assert!(
        (value - wanted).abs() < 1e-5,
        "{}: {value}, not {wanted}",
        param.name
    );
}

// `ivsteditcontroller.h`: a host shows what can be automated; some list nothing else, and drop the
// edits of what they do not list.
#[test]
fn a_vst3_host_that_drops_edits_of_what_cannot_be_automated_drops_none() {
    let mut host = Vst3Host::new(2, 64);
    let params = free(&host);
    assert!(params.len() > 50, "{}", params.len());
    for param in &params {
        assert_ne!(param.flags & CAN_AUTOMATE, 0, "{}", param.name);
        assert_eq!(param.flags & HIDDEN, 0, "{}", param.name);
        let wanted = other_value(param);
        host.edit(param.id, wanted);
        host.run(&noise(2, 64, 0.1, 1), &[64], &[]);
        assert_is(host.value(param.id), wanted, param);
    }
}

// The source that is listened to, by what is heard: the chain turns everything up, the input is as
// it was.
#[test]
fn the_listen_switch_is_heard_in_that_host_while_audio_runs() {
    let mut host = Vst3Host::new(2, 512);
    let main = noise(2, 96_000, 0.1, 2);
    let [push, listen] = ["Push", "Listen"].map(|name| host.param(name));
    host.edit(push.id, 0.5);
    host.run(&main, &[512], &[]);
    // The third of four.
    host.edit(listen.id, 2.0 / 3.0);
    assert_eq!(host.text(listen.id, 2.0 / 3.0), "Input");
    let heard = host.run(&main, &[512], &[]);
    let peak = |of: &[f32]| of.iter().fold(0.0_f32, |peak, x| peak.max(x.abs()));
    let ratio = peak(&heard[0][48_000..]) / peak(&main[0]);
    assert!((0.98..1.001).contains(&ratio), "{ratio}");
}

#[test]
fn a_vst3_state_holds_what_was_set_in_the_same_cycle() {
    for stopped in [false, true] {
        let mut host = Vst3Host::new(2, 64);
        host.run(&noise(2, 256, 0.1, 3), &[64], &[]);
        if stopped {
            // SAFETY: calls in the order that VST3 asks for.
            #[expect(unsafe_code, reason = "a host calls through tables of C functions")]
            unsafe {
                host.raw.processor.setProcessing(0);
                host.raw.component.setActive(0);
            }
        }
        let params = free(&host);
        for param in &params {
            host.set(param.id, other_value(param));
            // What is set is what is told.
            assert_is(host.value(param.id), other_value(param), param);
        }
        let state = host.save();
        let mut other = Vst3Host::new(2, 64);
        other.load(&state);
        for param in &params {
            assert_is(other.value(param.id), other_value(param), param);
        }
    }
}

#[test]
fn a_vst3_state_that_is_loaded_undoes_what_was_set_before() {
    let mut host = Vst3Host::new(2, 64);
    let defaults = host.save();
    let push = host.param("Push");
    host.set_controller(push.id, 0.5);
    host.load(&defaults);
    assert_is(host.value(push.id), 0.0, &push);
    let saved = host.save();
    assert_eq!(saved, defaults);
}

// A host tells the controller what it plays, late and on another thread: what is heard is not to
// hang on that.
#[test]
fn what_a_vst3_host_tells_the_controller_alone_is_not_heard() {
    let main = noise(2, 4_096, 0.1, 4);
    let mut told = Vst3Host::new(2, 64);
    let push = told.param("Push");
    told.set_controller(push.id, 0.5);
    let mut untold = Vst3Host::new(2, 64);
    let wanted = untold.run(&main, &[64], &[]);
    assert_eq!(told.run(&main, &[64], &[]), wanted);
}

// clap/ext/params.h: `flush` brings changes where no block does.
#[test]
fn a_clap_host_sets_parameters_without_audio_and_saves_them() {
    let mut host = linked();
    let params = crate::clap::free(&mut host);
    let changes: Vec<_> = params
        .iter()
        .map(|param| Change {
            frame: 0,
            id: param.id,
            value: crate::clap::other_value(param, 3),
        })
        .collect();
    host.flush(&changes).unwrap();
    let state = host.save().unwrap();
    let mut other = linked();
    other.load_state(&state).unwrap();
    for (change, param) in changes.iter().zip(&params) {
        for host in [&mut host, &mut other] {
            let value = host.value(change.id).unwrap();
            let (shown, wanted) = (
                host.text(change.id, value).unwrap(),
                host.text(change.id, change.value).unwrap(),
            );
            assert_eq!(shown, wanted, "{}", param.name);
        }
    }
}

#[test]
fn a_clap_state_holds_what_the_last_block_brought() {
    let mut host = linked();
    host.activate(48_000.0, 64).unwrap();
    let push = host.param("Push").unwrap();
    let change = Change {
        frame: 63,
        id: push.id,
        value: 0.5,
    };
    host.run(Run {
        changes: &[change],
        ..Run::new(&noise(2, 64, 0.1, 5), &[64])
    })
    .unwrap();
    let mut other = linked();
    other.load_state(&host.save().unwrap()).unwrap();
    assert!((other.value(push.id).unwrap() - 0.5).abs() < 1e-6);
}
