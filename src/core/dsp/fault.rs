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

/// Makes silence of the samples beyond ±`largest` or not finite, and counts them.
///
/// # Realtime
/// Yes.
pub fn silence_faults(channel: &mut [f32], largest: f32) -> u32 {
    let mut faults = 0;
    for sample in channel {
        let played = or_silence(*sample, largest);
        // Zero of either sign equals what was made of it; nothing else that is silenced does.
        faults += u32::from(played != *sample);
        *sample = played;
    }
    faults
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_are_counted_and_nothing_else_is() {
        let audio = [0.0, -0.0, 1e-42, -1e4, 1e4];
        let mut channel = audio;
        assert_eq!(silence_faults(&mut channel, LARGEST_INPUT), 0);
        assert_eq!(channel.map(f32::to_bits), audio.map(f32::to_bits));
        let mut channel = [f32::NAN, 0.5, f32::INFINITY, f32::MIN, 1.1e4];
        assert_eq!(silence_faults(&mut channel, LARGEST_INPUT), 4);
        assert_eq!(channel, [0.0, 0.5, 0.0, 0.0, 0.0]);
    }

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
