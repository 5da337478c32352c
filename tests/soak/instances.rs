//! Instances that come and go beside the one that stays, each with the state of the one before.

use kit::chance::Chance;
use rig::clap_host::{Change, ClapHost, Result, Run};

const RATE_HZ: f64 = 48_000.0;
const BLOCKS: [usize; 4] = [512, 64, 333, 1];
/// Frames that each plays.
const FRAMES: usize = 96_000;

/// Makes an instance, gives it `state`, plays through it, and returns what it would save.
pub fn come_and_go(chance: &mut Chance, state: Option<&[u8]>) -> Result<Vec<u8>> {
    let mut host = ClapHost::linked(&crestline_plugin::clap_entry)?;
    if let Some(state) = state {
        host.load_state(state)?;
    }
    host.activate(RATE_HZ, BLOCKS[0])?;
    let params = host.params()?;
    let mut changes: Vec<Change> = (0..200)
        .map(|_| {
            let param = chance.one_of(&params);
            let (low, high) = (*param.range.start(), *param.range.end());
            Change {
                frame: chance.below(FRAMES),
                id: param.id,
                value: low + chance.unit() * (high - low),
            }
        })
        .collect();
    changes.sort_by_key(|change| change.frame);
    let noise = |_| {
        (0..FRAMES)
            .map(|_| chance.within(-1.0..1.0) as f32)
            .collect()
    };
    let main: [Vec<f32>; 2] = [0, 1].map(noise);
    let run = Run {
        changes: &changes,
        ..Run::new(&main, &BLOCKS)
    };
    let output = host.run(run)?;
    if output.iter().flatten().any(|sample| !sample.is_finite()) {
        return Err("a sample that is not finite has left an instance".into());
    }
    host.deactivate();
    host.save()
}
