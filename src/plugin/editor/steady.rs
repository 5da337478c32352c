//! Whether all that has been measured was made by one set of settings.

use crestline_core::process::ChainSettings;
use egui::Ui;

use super::scene::Scene;

/// Settings and measurement as of the last frame, and when the settings last changed.
#[derive(Clone, Copy, Debug, Default)]
struct Seen {
    chain: Option<ChainSettings>,
    frames: u64,
    changed_at: Option<u64>,
}

impl Seen {
    /// `frames` measured so far; fewer than before are those of a new measurement.
    fn follow(&mut self, chain: &ChainSettings, frames: u64) {
        if frames == 0 || frames < self.frames {
            self.changed_at = None;
        } else if self.chain.is_some_and(|before| before != *chain) {
            self.changed_at = Some(frames);
        }
        (self.chain, self.frames) = (Some(*chain), frames);
    }
}

/// When the settings of the chain last changed in what is being measured, seconds of it; `None`
/// where they have not been seen to.
pub fn changed_at_s(ui: &Ui, scene: &Scene<'_>) -> Option<f64> {
    let frames = scene.told.output.readings.frames;
    let seen = ui.data_mut(|data| {
        let seen = data.get_temp_mut_or_default::<Seen>(ui.scope_id().with("steady"));
        seen.follow(&scene.params.chain_settings(), frames);
        *seen
    });
    Some(seen.changed_at? as f64 / scene.sample_rate_hz())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crestline_core::process::PushSettings;

    fn pushed(push_db: f64) -> ChainSettings {
        ChainSettings {
            push: PushSettings { push_db },
            ..ChainSettings::default()
        }
    }

    #[test]
    fn a_change_counts_until_measuring_begins_anew() {
        let mut seen = Seen::default();
        // What is set before anything is measured is what is measured.
        for (push_db, frames, changed_at) in [
            (0.0, 0, None),
            (3.0, 0, None),
            (3.0, 100, None),
            (4.0, 200, Some(200)),
            (4.0, 300, Some(200)),
            (5.0, 400, Some(400)),
            (5.0, 10, None),
            (5.0, 90, None),
            (6.0, 0, None),
            (6.0, 50, None),
        ] {
            seen.follow(&pushed(push_db), frames);
            assert_eq!(seen.changed_at, changed_at, "{push_db} dB, {frames}");
        }
    }
}
