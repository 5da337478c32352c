//! A short room: eight delays that feed each other through a Hadamard matrix (Jot and Chaigne,
//! "Digital delay networks for designing artificial reverberators", AES 90, 1991).

use super::RATE_HZ;
use super::filter::OnePole;
use super::mix::Stereo;

/// Primes, 14…38 ms.
const LENGTHS: [usize; 8] = [683, 827, 997, 1163, 1327, 1481, 1667, 1811];
const MASK: usize = 2047;

/// The room's answer to `send`: it falls by 60 dB in `ring_s`, its top end faster.
pub(super) fn reverberate(send: &Stereo, ring_s: f32, dull_hz: f32) -> Stereo {
    let frames = send.channels[0].len();
    let mut answer = Stereo::silent(frames);
    let mut lines: Vec<[f32; MASK + 1]> = vec![[0.0; MASK + 1]; LENGTHS.len()];
    let mut losses = [OnePole::new(dull_hz); 8];
    // One over the root of eight keeps the matrix lossless.
    let gains =
        LENGTHS.map(|length| 0.353_553_4 * (-6.9078 * length as f32 / (ring_s * RATE_HZ)).exp());
    let [left_send, right_send] = &send.channels;
    let [left_answer, right_answer] = &mut answer.channels;
    let inputs = left_send.iter().zip(right_send);
    let outputs = left_answer.iter_mut().zip(right_answer);
    for (frame, ((left_in, right_in), (left, right))) in inputs.zip(outputs).enumerate() {
        let mut taps = [0.0_f32; 8];
        for (index, tap) in taps.iter_mut().enumerate() {
            let heard = lines[index][(frame + MASK + 1 - LENGTHS[index]) & MASK];
            *tap = losses[index].tick(heard);
        }
        *left = taps[0] - taps[2] + taps[4] - taps[6];
        *right = taps[1] - taps[3] + taps[5] - taps[7];
        hadamard(&mut taps);
        for (index, tap) in taps.iter().enumerate() {
            let fed = if index % 2 == 0 { left_in } else { right_in };
            lines[index][frame & MASK] = fed + gains[index] * tap;
        }
    }
    answer
}

fn hadamard(values: &mut [f32; 8]) {
    for stride in [1, 2, 4] {
        for index in 0..8 {
            if index & stride == 0 {
                let (first, second) = (values[index], values[index | stride]);
                values[index] = first + second;
                values[index | stride] = first - second;
            }
        }
    }
}
