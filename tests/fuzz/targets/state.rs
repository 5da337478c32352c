//! What a host hands to the plug-in as its saved state, in whichever form.

use rig::clap_host::{ClapHost, Run};
use std::cell::RefCell;

/// Bytes of the length that a host's state begins with.
const PREFIX: usize = size_of::<u64>();
/// Frames played after each state that was taken.
const FRAMES: usize = 600;

thread_local! {
    static HOST: RefCell<Option<ClapHost>> = const { RefCell::new(None) };
}

/// It is loaded or refused, audio goes on, every value is in its range, and what is saved then is
/// loaded again and saved the same.
pub fn run(bytes: &[u8]) {
    HOST.with_borrow_mut(|host| {
        let host = host.get_or_insert_with(active);
        // Once as it is, and once with a length that is right: few changed bytes have one.
        let _ = host.load_state(bytes);
        let rest = bytes.get(PREFIX..).unwrap_or_default();
        let length = (rest.len() as u64).to_le_bytes();
        if host.load_state(&[&length, rest].concat()).is_err() {
            return;
        }
        let noise: Vec<f32> = (0..FRAMES)
            .map(|frame| (frame as f32 * 0.7).sin())
            .collect();
        let played = host.run(Run::new(&[noise.clone(), noise], &[256, 1, 343]));
        let finite = |channel: &Vec<f32>| channel.iter().all(|sample| sample.is_finite());
        assert!(played.unwrap().iter().all(finite));
        for param in host.params().unwrap() {
            let value = host.value(param.id).unwrap();
            assert!(param.range.contains(&value), "{}: {value}", param.name);
        }
        let saved = host.save().unwrap();
        host.load_state(&saved).unwrap();
        assert_eq!(saved, host.save().unwrap(), "saved again");
    });
}

fn active() -> ClapHost {
    let mut host = ClapHost::linked(&crestline_plugin::clap_entry).unwrap();
    host.activate(48_000.0, 512).unwrap();
    host
}

pub fn seeds() -> Vec<Vec<u8>> {
    let mut host = ClapHost::linked(&crestline_plugin::clap_entry).unwrap();
    let fresh = host.save().unwrap();
    let params: Vec<_> = host.params().unwrap();
    let changes: Vec<_> = params
        .iter()
        .map(|param| rig::clap_host::Change {
            frame: 0,
            id: param.id,
            value: *param.range.end(),
        })
        .collect();
    host.flush(&changes).unwrap();
    vec![fresh, host.save().unwrap()]
}
