//! Band-limited waves, read from tables built by adding up harmonics.

use super::RATE_HZ;

const SIZE: usize = 4096;
/// One period.
type Table = [f32; SIZE];
/// No harmonic is ever placed above this.
const HIGHEST_HZ: f32 = 20_000.0;
/// Tables step by half an octave, from one harmonic to 1024.
const LEVELS: usize = 21;

/// A sine, and saws with fewer and fewer harmonics for higher and higher notes.
pub(super) struct Waves {
    sine: Vec<Table>,
    saws: Vec<Table>,
}

impl Waves {
    pub(super) fn new() -> Self {
        let sine = sine_table();
        let mut saws = Vec::with_capacity(LEVELS);
        let mut saw = [0.0; SIZE];
        let mut harmonic = 1;
        for level in 0..LEVELS {
            let highest = (level as f32 * 0.5).exp2();
            while harmonic as f32 <= highest + 1e-3 {
                let gain = std::f32::consts::FRAC_2_PI / harmonic as f32;
                for (index, value) in saw.iter_mut().enumerate() {
                    *value += gain * sine[index * harmonic % SIZE];
                }
                harmonic += 1;
            }
            saws.push(saw);
        }
        Self {
            sine: vec![sine],
            saws,
        }
    }

    /// A sine of peak 1.
    pub(super) fn sine(&self) -> Wave<'_> {
        Wave(&self.sine[0])
    }

    /// A falling saw of peak about 1 that may be played up to `highest_hz` without folding back.
    pub(super) fn saw(&self, highest_hz: f32) -> Wave<'_> {
        let harmonics = (HIGHEST_HZ / highest_hz).max(1.0);
        let level = index(harmonics.log2() * 2.0).min(LEVELS - 1);
        Wave(&self.saws[level])
    }
}

fn sine_table() -> Table {
    std::array::from_fn(|index| (std::f64::consts::TAU * index as f64 / SIZE as f64).sin() as f32)
}

/// The whole part of a position that is known not to be negative.
fn index(position: f32) -> usize {
    (position as i32).cast_unsigned() as usize
}

/// One period of a wave.
#[derive(Clone, Copy)]
pub(super) struct Wave<'a>(&'a Table);

impl Wave<'_> {
    /// The wave at `phase`, counted in periods, 0 ≤ phase < 1.
    pub(super) fn at(self, phase: f32) -> f32 {
        let position = phase * SIZE as f32;
        let whole = index(position);
        let between = position - whole as f32;
        let left = whole & (SIZE - 1);
        let right = (left + 1) & (SIZE - 1);
        self.0[left] + between * (self.0[right] - self.0[left])
    }
}

/// A wave that runs.
pub(super) struct Oscillator<'a> {
    wave: Wave<'a>,
    phase: f32,
    step: f32,
}

impl<'a> Oscillator<'a> {
    /// Starts at `phase` (periods, 0…1) at `frequency_hz`.
    pub(super) fn new(wave: Wave<'a>, phase: f32, frequency_hz: f32) -> Self {
        Self {
            wave,
            phase: phase.fract(),
            step: frequency_hz / RATE_HZ,
        }
    }

    pub(super) fn tune(&mut self, frequency_hz: f32) {
        self.step = frequency_hz / RATE_HZ;
    }

    pub(super) fn tick(&mut self) -> f32 {
        let value = self.wave.at(self.phase);
        self.advance();
        value
    }

    /// The wave less itself a part of a period later: a pulse of that width when the wave is a saw.
    pub(super) fn tick_pulse(&mut self, width: f32) -> f32 {
        let mut later = self.phase + width;
        if later >= 1.0 {
            later -= 1.0;
        }
        let value = self.wave.at(self.phase) - self.wave.at(later);
        self.advance();
        value
    }

    fn advance(&mut self) {
        self.phase += self.step;
        if self.phase >= 1.0 {
            self.phase -= 1.0;
        }
    }
}

/// Frequency of a note number (69 = 440 Hz), equal temperament.
pub(super) fn note_hz(note: f32) -> f32 {
    440.0 * ((note - 69.0) / 12.0).exp2()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_saw_holds_its_harmonics_and_nothing_that_folded_back() {
        // A whole number of periods in the stretch, so that every harmonic is a bin of its own;
        // what Parseval's theorem leaves over is what does not belong there. A plain saw at this
        // pitch leaves −19 dB.
        const FRAMES: usize = 4096;
        const PERIODS: usize = 113;
        let frequency_hz = PERIODS as f32 * RATE_HZ / FRAMES as f32;
        let waves = Waves::new();
        let mut saw = Oscillator::new(waves.saw(frequency_hz), 0.0, frequency_hz);
        let sound: Vec<f64> = (0..FRAMES).map(|_| f64::from(saw.tick())).collect();
        let total: f64 = sound.iter().map(|sample| sample * sample).sum();
        let harmonics: f64 = (1..=FRAMES / 2 / PERIODS)
            .map(|harmonic| {
                let step = std::f64::consts::TAU * (harmonic * PERIODS) as f64 / FRAMES as f64;
                let (mut real, mut imaginary) = (0.0, 0.0);
                for (frame, sample) in sound.iter().enumerate() {
                    real += sample * (step * frame as f64).cos();
                    imaginary += sample * (step * frame as f64).sin();
                }
                (real * real + imaginary * imaginary) * 2.0 / FRAMES as f64
            })
            .sum();
        let left_db = 10.0 * ((total - harmonics).abs() / total).log10();
        assert!(left_db < -60.0, "{left_db} dB");
    }
}
