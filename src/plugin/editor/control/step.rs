//! How far one step goes, by the unit of the parameter.

use nice_plug::prelude::{FloatParam, Param};

/// Steps up or, negative, down.
#[derive(Clone, Copy, Debug)]
pub struct Step {
    /// How many.
    pub count: f32,
    /// Whether they are to be small ones.
    pub fine: bool,
}

/// Step and fine step of a unit; `None` where steps are shares of the range.
fn plain_step(param: &FloatParam) -> Option<[f32; 2]> {
    match param.unit() {
        " dB" | " dBTP" => Some([0.5, 0.1]),
        " %" => Some([5.0, 1.0]),
        _ => None,
    }
}

/// Step and fine step where they are shares of the range.
const SHARE_STEP: [f32; 2] = [0.02, 0.002];

/// The normalized value after a step from `normalized`. Decibels and percents land on whole steps.
pub fn moved(param: &FloatParam, normalized: f32, step: Step) -> f32 {
    let of = |[coarse, fine]: [f32; 2]| if step.fine { fine } else { coarse };
    let Some(plain_step) = plain_step(param).map(of) else {
        return (normalized + step.count * of(SHARE_STEP)).clamp(0.0, 1.0);
    };
    let position = param.preview_plain(normalized) / plain_step;
    // From between two steps, the next one in the direction of travel.
    let whole = if step.count > 0.0 {
        (position + 1e-3).floor()
    } else {
        (position - 1e-3).ceil()
    };
    param
        .preview_normalized((whole + step.count) * plain_step)
        .clamp(0.0, 1.0)
}

/// The nearest value that is written out in full: a drag lands on what is read.
pub fn rounded(param: &FloatParam, normalized: f32) -> f32 {
    let Some([_, fine]) = plain_step(param) else {
        return normalized;
    };
    let plain = (param.preview_plain(normalized) / fine).round() * fine;
    param.preview_normalized(plain).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::params::CrestlineParams;

    fn plain_after(param: &FloatParam, plain: f32, step: Step) -> f32 {
        param.preview_plain(moved(param, param.preview_normalized(plain), step))
    }

    #[test]
    fn decibels_step_by_halves_and_tenths_and_land_on_them() {
        let params = CrestlineParams::default();
        let up = Step {
            count: 1.0,
            fine: false,
        };
        assert!((plain_after(&params.push, 3.0, up) - 3.5).abs() < 1e-4);
        assert!((plain_after(&params.push, 3.2, up) - 3.5).abs() < 1e-4);
        assert!((plain_after(&params.push, 3.2, Step { count: -1.0, ..up }) - 3.0).abs() < 1e-4);
        assert!((plain_after(&params.push, 3.2, Step { fine: true, ..up }) - 3.3).abs() < 1e-4);
        assert!((plain_after(&params.push, 18.0, up) - 18.0).abs() < 1e-4);
    }

    #[test]
    fn frequencies_step_by_a_share_of_the_range() {
        let params = CrestlineParams::default();
        let corner = &params.shelves.low_corner;
        assert!(
            plain_after(
                corner,
                120.0,
                Step {
                    count: 1.0,
                    fine: false
                }
            ) > 122.0
        );
        assert!(
            plain_after(
                corner,
                120.0,
                Step {
                    count: -1.0,
                    fine: true
                }
            ) < 120.0
        );
    }

    #[test]
    fn a_drag_lands_on_what_is_written() {
        let push = &CrestlineParams::default().push;
        let landed = push.preview_plain(rounded(push, push.preview_normalized(6.4321)));
        assert!((landed - 6.4).abs() < 1e-4);
    }
}
