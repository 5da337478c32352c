//! Whether everything that the audio thread wrote down is there, in its order.

use super::player::recorded;
use super::programme::RATE_HZ;
use crestline_core::handover::{Column, Grain, HistoryReader};

/// What lies between two points may differ from their interval by this, seconds: a chunk at either
/// end, and the spacing of single-precision numbers after a day.
const SLACK_S: f64 = 0.03;

/// Points that are not there or not where they should be, of both grains. `measured`: frames since
/// the measurement began.
pub fn missing(history: &HistoryReader, measured: u64) -> u64 {
    [Grain::Fine, Grain::Coarse]
        .map(|grain| missing_of(history, grain, measured))
        .iter()
        .sum()
}

fn missing_of(history: &HistoryReader, grain: Grain, measured: u64) -> u64 {
    let extent = history.extent(grain);
    let elapsed_s = recorded(measured) as f64 / f64::from(RATE_HZ);
    #[expect(clippy::cast_sign_loss, reason = "time does not run backwards")]
    let wanted = (elapsed_s / grain.interval_s() + 1e-6) as u64;
    let counted = (extent.end - extent.first).abs_diff(wanted);
    let positions: Vec<_> = (extent.oldest..extent.end)
        .map(|number| history.point(grain, number)?.get(Column::SongPosition))
        .collect();
    let torn = positions.windows(2).filter(|pair| match pair {
        [Some(before), Some(after)] => {
            let step_s = f64::from(*after) - f64::from(*before);
            (step_s - grain.interval_s()).abs() > SLACK_S
        }
        _ => true,
    });
    counted + torn.count() as u64
}
