//! A model of plain gains, one a channel.

use super::{Estimator, Material, Model, Stretch, Transfer};
use crate::dsp::decibel::gain_from_db;
use crate::measure::reduction::MovingGain;

impl Estimator {
    /// That of the mean gains, of which `gains` leave `share`.
    pub(super) fn plain(
        &self,
        material: &Material<'_>,
        mut gains: Vec<MovingGain>,
        share: f64,
    ) -> Model {
        let means_db = MovingGain::means_db(&gains);
        let gains_db = means_db.map(|bands| bands.iter().sum::<f64>() / 4.0);
        let mut factors = gains_db.map(gain_from_db);
        // Of a channel that is silent no gain is told. With none it would count as turned down by
        // as much as it is stronger than the other.
        for (factor, muted) in factors.iter_mut().zip(material.muted()) {
            if muted {
                *factor = 0.0;
            }
        }
        let transfer = Transfer::plain(material.channels, factors, self.taps, material.means);
        let made = |stretch: &Stretch| -> Vec<Vec<f32>> {
            let scaled = |(channel, factor): (&Vec<f32>, &f64)| {
                let scale = |sample: &f32| (factor * f64::from(*sample)) as f32;
                channel.iter().map(scale).collect()
            };
            stretch.before.iter().zip(&factors).map(scaled).collect()
        };
        for gains in &mut gains {
            gains.less(&gains_db.map(|db| [db; 4]));
        }
        Model {
            transfer,
            filtered: material.stretches.iter().map(made).collect(),
            gains,
            share,
            shelving: false,
        }
    }
}
