//! Decibels and what they stand for. Everything is `f64`: a meter that rounds cannot certify.
//!
//! Powers of ten are taken as exponentials, which are found sooner: within 150 dB they are as near as
//! 10⁻¹⁴, and 0 dB is 1.

use std::f64::consts::LN_10;

/// Linear gain of a level in dB: `10^(db/20)`.
#[inline]
pub fn gain_from_db(db: f64) -> f64 {
    (db * (LN_10 / 20.0)).exp()
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
    (db * (LN_10 / 10.0)).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_factor_of_two_is_6_02_db_in_amplitude_and_3_01_db_in_power() {
        assert!((db_from_gain(2.0).unwrap() - 6.020599913279624).abs() < 1e-12);
        assert!((db_from_power(2.0).unwrap() - 3.010299956639812).abs() < 1e-12);
        assert!((gain_from_db(-6.020599913279624) - 0.5).abs() < 1e-12);
        assert_eq!([gain_from_db(0.0), power_from_db(0.0)], [1.0; 2]);
        for db in -150..=150 {
            let (gain, power) = (gain_from_db(db.into()), power_from_db(db.into()));
            let [as_gain, as_power] = [20.0, 10.0].map(|of| 10.0_f64.powf(f64::from(db) / of));
            assert!((gain / as_gain - 1.0).abs() < 1e-14, "{db}");
            assert!((power / as_power - 1.0).abs() < 1e-14, "{db}");
        }
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
