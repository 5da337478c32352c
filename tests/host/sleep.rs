//! When a CLAP host may let the plug-in sleep (`clap/process.h`).

use crate::clap::{PEAK, linked, noise};
use clack_host::prelude::ProcessStatus;
use rig::clap_host::{Change, Run};

// clap/process.h: after CLAP_PROCESS_CONTINUE_IF_NOT_QUIET a host may stop calling while all is
// quiet.
#[test]
fn the_host_may_let_the_plug_in_sleep_only_once_the_latency_has_drained() {
    let mut host = linked();
    host.activate(48_000.0, 16).unwrap();
    let latency = host.latency().unwrap();
    host.run(Run::new(&noise(2, 160, PEAK, 18), &[16])).unwrap();
    assert_eq!(host.last_status, Some(ProcessStatus::Continue));
    if latency > 16 {
        host.run(Run::new(
            &vec![vec![0.0; latency - latency % 16 - 16]; 2],
            &[16],
        ))
        .unwrap();
        assert_eq!(host.last_status, Some(ProcessStatus::Continue));
    }
    host.run(Run::new(&vec![vec![0.0; latency + 64]; 2], &[16]))
        .unwrap();
    assert_eq!(host.last_status, Some(ProcessStatus::ContinueIfNotQuiet));
}

// A mix that is silent does not end a reference that is listened to beside it.
#[test]
fn the_host_may_not_let_the_plug_in_sleep_while_a_reference_is_listened_to() {
    let mut host = linked();
    host.activate(48_000.0, 16).unwrap();
    let listen = host.param("Listen to reference").unwrap();
    let silence = vec![vec![0.0; host.latency().unwrap() + 4_800]; 2];
    for (on, status) in [
        (1.0, ProcessStatus::Continue),
        (0.0, ProcessStatus::ContinueIfNotQuiet),
    ] {
        let changes = [Change {
            frame: 0,
            id: listen.id,
            value: on,
        }];
        host.run(Run {
            changes: &changes,
            ..Run::new(&silence, &[16])
        })
        .unwrap();
        assert_eq!(host.last_status, Some(status));
    }
}

// A mix that is silent does not end what is done with the side-chain.
#[test]
fn the_host_may_not_let_the_plug_in_sleep_while_a_side_chain_is_used() {
    let mut host = linked();
    host.activate(48_000.0, 16).unwrap();
    let frames = host.latency().unwrap() + 4_800;
    let silence = vec![vec![0.0; frames]; 2];
    let sound = noise(2, frames, PEAK, 21);
    let [live, tap] = [
        "Side-chain is the reference",
        "Side-chain carries the signal from before",
    ]
    .map(|name| host.param(name).unwrap().id);
    for (side, live_on, tap_on, status) in [
        (&sound, 0.0, 0.0, ProcessStatus::ContinueIfNotQuiet),
        (&sound, 1.0, 0.0, ProcessStatus::Continue),
        (&silence, 1.0, 0.0, ProcessStatus::ContinueIfNotQuiet),
        (&sound, 0.0, 1.0, ProcessStatus::Continue),
        (&silence, 0.0, 1.0, ProcessStatus::ContinueIfNotQuiet),
    ] {
        let changes = [(live, live_on), (tap, tap_on)].map(|(id, value)| Change {
            frame: 0,
            id,
            value,
        });
        host.run(Run {
            changes: &changes,
            side_chain: Some(side),
            ..Run::new(&silence, &[16])
        })
        .unwrap();
        assert_eq!(host.last_status, Some(status), "{live_on}, {tap_on}");
    }
    // A file that is written is not longer for it: nobody listens or looks.
    host.set_offline(true).unwrap();
    let on = [live, tap].map(|id| Change {
        frame: 0,
        id,
        value: 1.0,
    });
    host.run(Run {
        changes: &on,
        side_chain: Some(&sound),
        ..Run::new(&silence, &[16])
    })
    .unwrap();
    assert_eq!(host.last_status, Some(ProcessStatus::ContinueIfNotQuiet));
}
