use super::analyser::{powers, weigh};
use super::*;
use rustfft::num_complex::Complex32;

// IEC 61260-1:2014, annex E (from memory).
#[test]
fn bands_have_their_nominal_names() {
    let names: Vec<f64> = (0..BAND_COUNT).map(nominal_hz).collect();
    assert_eq!(names[..6], [20.0, 25.0, 31.5, 40.0, 50.0, 63.0]);
    assert_eq!([names[8], names[17], names[30]], [125.0, 1_000.0, 20_000.0]);
    for (band, name) in names.iter().enumerate() {
        assert!((name / mid_band_hz(band) - 1.0).abs() < 0.02, "{name}");
        assert!(name.to_string().len() <= 5, "{name}");
    }
}

/// All but the library's transform, whose rounding is its own. Lengths are no whole numbers of
/// registers.
#[test]
fn every_level_weighs_alike() {
    let wave = |step: usize| move |n: usize| (n * step % 1009) as f32 / 1009.0 - 0.47;
    let signal: Vec<_> = (0..1006)
        .map(|n| Complex32::new(wave(7)(n), wave(31)(n)))
        .collect();
    let mut told = Vec::new();
    for level in crate::dsp::quad::levels() {
        let mut weighed = vec![Complex32::default(); signal.len()];
        dispatch!(level, _ => weigh(&signal, &signal[3..], &mut weighed));
        let mut power = vec![0.0; signal.len() / 2];
        dispatch!(level, _ => powers(&weighed, &mut power));
        let mut decimator = Decimator::new(48_000.0, 1_000);
        decimator.level = level;
        let mut slow = vec![dot(level, &power, &power)];
        for start in (0..8_000).step_by(500) {
            let [left, right] = [5, 13].map(|step| (start..start + 500).map(wave(step)));
            let block: [Vec<f32>; 2] = [left.collect(), right.collect()];
            decimator.process([&block[0], &block[1]], |frame| slow.extend(frame));
        }
        told.push((weighed, power, slow));
    }
    assert!(told.windows(2).all(|pair| pair[0] == pair[1]));
    assert!(told[0].2.len() > 900);
}
