//! Decibels and what they stand for. Everything is `f64`: a meter that rounds cannot certify.

/// Linear gain of a level in dB: `10^(db/20)`.
#[inline]
pub fn gain_from_db(db: f64) -> f64 {
    10.0_f64.powf(db / 20.0)
}

/// Level in dB of a linear gain or amplitude (sign ignored), or `None` for zero and for what is not
/// finite.
#[inline]
pub fn db_from_gain(gain: f64) -> Option<f64> {
    let magnitude = gain.abs();
    (magnitude > 0.0 && magnitude.is_finite()).then(|| 20.0 * magnitude.log10())
}

/// Level in dB of a power (mean square), or `None` for zero, negative and non-finite powers.
#[inline]
pub fn db_from_power(power: f64) -> Option<f64> {
    (power > 0.0 && power.is_finite()).then(|| 10.0 * power.log10())
}

/// Power ratio of a level in dB: `10^(db/10)`.
#[inline]
pub fn power_from_db(db: f64) -> f64 {
    10.0_f64.powf(db / 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_factor_of_two_is_6_02_db_in_amplitude_and_3_01_db_in_power() {
        assert!((db_from_gain(2.0).unwrap() - 6.020599913279624).abs() < 1e-12);
        assert!((db_from_power(2.0).unwrap() - 3.010299956639812).abs() < 1e-12);
        assert!((gain_from_db(-6.020599913279624) - 0.5).abs() < 1e-12);
        assert!((power_from_db(3.010299956639812) - 2.0).abs() < 1e-12);
    }

    #[test]
    fn silence_and_non_finite_values_have_no_level() {
        for value in [0.0, f64::NAN, f64::INFINITY] {
            assert_eq!(db_from_gain(value), None);
            assert_eq!(db_from_power(value), None);
        }
        assert_eq!(db_from_power(-1.0), None);
    }
}
