//! Blocks of any length in portions of stereo lanes, in `f64`.

use wide::f64x2;

/// Most frames in one portion of [`for_each_run`].
pub const MAX_RUN: usize = 64;
/// As far as this a portion counts as short.
const SHORT_RUN: usize = 4;

/// Hands one or two channels of equal length to `f` in portions of stereo lanes, to be changed in
/// place.
///
/// Mono uses the first lane and finds 0 in the second. Non-finite samples go in as 0, and none come
/// out as long as `f` leaves numbers. Any other number of channels is left alone. Where the
/// portions begin must not matter to `f`.
#[inline]
pub fn for_each_run(channels: &mut [&mut [f32]], f: impl FnMut(&mut [f64x2])) {
    // Not even zeroing what is not needed is for nothing where a host hands over single frames.
    if channels
        .first()
        .is_some_and(|first| first.len() <= SHORT_RUN)
    {
        for_each_run_in(&mut [f64x2::ZERO; SHORT_RUN], channels, f);
    } else {
        for_each_run_in(&mut [f64x2::ZERO; MAX_RUN], channels, f);
    }
}

#[inline]
fn for_each_run_in(
    lanes: &mut [f64x2],
    channels: &mut [&mut [f32]],
    mut f: impl FnMut(&mut [f64x2]),
) {
    let most = lanes.len();
    match channels {
        [mono] => {
            for samples in mono.chunks_mut(most) {
                let frames = &mut lanes[..samples.len()];
                for (frame, sample) in frames.iter_mut().zip(&*samples) {
                    *frame = load(*sample, 0.0);
                }
                f(frames);
                for (frame, sample) in frames.iter().zip(samples) {
                    [*sample, _] = store(*frame);
                }
            }
        }
        [left, right] => {
            for (left, right) in left.chunks_mut(most).zip(right.chunks_mut(most)) {
                let frames = &mut lanes[..left.len().min(right.len())];
                for ((frame, l), r) in frames.iter_mut().zip(&*left).zip(&*right) {
                    *frame = load(*l, *r);
                }
                f(frames);
                for ((frame, l), r) in frames.iter().zip(left).zip(right) {
                    [*l, *r] = store(*frame);
                }
            }
        }
        _ => {}
    }
}

#[inline]
fn load(left: f32, right: f32) -> f64x2 {
    let frame = f64x2::new([f64::from(left), f64::from(right)]);
    frame & frame.abs().simd_le(f64x2::splat(f64::from(f32::MAX)))
}

#[inline]
fn store(frame: f64x2) -> [f32; 2] {
    let limit = f64x2::splat(f64::from(f32::MAX));
    frame
        .fast_min(limit)
        .fast_max(-limit)
        .to_array()
        .map(|sample| sample as f32)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn portions_cover_every_frame_of_one_or_two_channels_once() {
        for frames in [
            0,
            1,
            SHORT_RUN,
            SHORT_RUN + 1,
            MAX_RUN - 1,
            MAX_RUN,
            2 * MAX_RUN + 5,
        ] {
            let mut left: Vec<f32> = (0..frames).map(|n| n as f32).collect();
            let mut right = vec![1.0; frames];
            for_each_run(&mut [&mut left, &mut right], |portion| {
                for frame in portion {
                    *frame += f64x2::new([0.5, 1.0]);
                }
            });
            for_each_run(&mut [&mut left], |portion| {
                for frame in portion {
                    *frame += f64x2::new([0.5, 1.0]);
                }
            });
            assert!(
                left.iter()
                    .enumerate()
                    .all(|(n, sample)| sample.to_bits() == (n as f32 + 1.0).to_bits())
            );
            assert!(
                right
                    .iter()
                    .all(|sample| sample.to_bits() == 2.0_f32.to_bits())
            );
        }
    }

    #[test]
    fn nothing_that_is_not_a_number_goes_in_or_comes_out() {
        let mut samples = [
            f32::NAN,
            f32::INFINITY,
            f32::NEG_INFINITY,
            f32::MAX,
            -0.0,
            1.0,
        ];
        for_each_run(&mut [&mut samples], |portion| {
            for frame in portion {
                *frame *= f64x2::splat(4.0);
            }
        });
        assert_eq!(
            samples.map(f32::to_bits),
            [0.0, 0.0, 0.0, f32::MAX, -0.0, 4.0].map(f32::to_bits)
        );
    }
}
