//! Samples that are no audio.

/// A sample beyond this (+80 dBFS) is taken for a fault where audio enters, and is silence from
/// there on: filters would remember it for seconds.
pub const LARGEST_INPUT: f32 = 1e4;

/// A sample beyond this is silence wherever a stage or a meter stands alone: its square, summed up,
/// would leave no digits for the audio after it. No chain makes as much of [`LARGEST_INPUT`].
pub const LARGEST_SAMPLE: f32 = 1e9;

/// The sample, or silence for one beyond ±`largest` or not finite.
///
/// # Realtime
/// Yes.
pub fn or_silence(sample: f32, largest: f32) -> f32 {
    if sample.abs() <= largest { sample } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_audio_is_silence() {
        for fault in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::MAX, -2e9] {
            assert_eq!(or_silence(fault, LARGEST_SAMPLE).to_bits(), 0);
        }
        assert_eq!(
            or_silence(-1e9, LARGEST_SAMPLE).to_bits(),
            (-1e9_f32).to_bits()
        );
    }
}
