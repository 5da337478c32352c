//! What is asked of the bands, and the static curve that each follows.

use crate::dsp::crossover::DEFAULT_CORNERS_HZ;
use crate::dsp::setting::Setting;

/// Settings of one band of [`Bands`](super::Bands). Values outside their range are held to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BandSettings {
    /// Whether the band is compressed and made up; if not it passes at 0 dB.
    pub enabled: bool,
    /// Level above which the band is turned down, −60…0 dBFS (peak level of the louder channel).
    pub threshold_db: f64,
    /// Change of level in for each dB of level out above the threshold, 1…10.
    pub ratio: f64,
    /// Width of the bend around the threshold, 0…24 dB.
    pub knee_db: f64,
    /// Time constant of the fall of the gain, 0.1…200 ms: 63.2 % of the way.
    pub attack_ms: f64,
    /// Time constant of its recovery, 5…2000 ms: 63.2 % of the way.
    pub release_ms: f64,
    /// Gain after compression, −12…12 dB.
    pub makeup_db: f64,
}

impl Default for BandSettings {
    /// Threshold 0 dB, ratio 2, knee 6 dB, attack 20 ms, release 200 ms, no make-up.
    fn default() -> Self {
        Self {
            enabled: true,
            threshold_db: Self::THRESHOLD_DB.default,
            ratio: Self::RATIO.default,
            knee_db: Self::KNEE_DB.default,
            attack_ms: Self::ATTACK_MS.default,
            release_ms: Self::RELEASE_MS.default,
            makeup_db: Self::MAKEUP_DB.default,
        }
    }
}

impl BandSettings {
    /// Level above which a band is turned down, dBFS.
    pub const THRESHOLD_DB: Setting = Setting::new(-60.0, 0.0, 0.0);
    /// Change of level in for each dB of level out above the threshold.
    pub const RATIO: Setting = Setting::new(1.0, 10.0, 2.0);
    /// Width of the bend around the threshold, dB.
    pub const KNEE_DB: Setting = Setting::new(0.0, 24.0, 6.0);
    /// Time constant of the fall of the gain, ms.
    pub const ATTACK_MS: Setting = Setting::new(0.1, 200.0, 20.0);
    /// Time constant of its recovery, ms.
    pub const RELEASE_MS: Setting = Setting::new(5.0, 2_000.0, 200.0);
    /// Gain after compression, dB.
    pub const MAKEUP_DB: Setting = Setting::new(-12.0, 12.0, 0.0);

    pub(super) fn held(self) -> Self {
        Self {
            threshold_db: Self::THRESHOLD_DB.held(self.threshold_db),
            ratio: Self::RATIO.held(self.ratio),
            knee_db: Self::KNEE_DB.held(self.knee_db),
            attack_ms: Self::ATTACK_MS.held(self.attack_ms),
            release_ms: Self::RELEASE_MS.held(self.release_ms),
            makeup_db: Self::MAKEUP_DB.held(self.makeup_db),
            ..self
        }
    }

    /// Level out of the band for a steady level in, both in dBFS, with make-up and without the
    /// ballistics.
    ///
    /// Giannoulis, Massberg, Reiss, "Digital Dynamic Range Compressor Design", JAES 60(6) 2012, eq.
    /// 4.
    pub fn output_db(&self, input_db: f64) -> f64 {
        let s = self.held();
        if !s.enabled {
            return input_db;
        }
        let over_db = input_db - s.threshold_db;
        let reduced_db = if 2.0 * over_db < -s.knee_db {
            input_db
        } else if 2.0 * over_db.abs() <= s.knee_db && s.knee_db > 0.0 {
            let into_db = over_db + s.knee_db / 2.0;
            input_db + (1.0 / s.ratio - 1.0) * into_db * into_db / (2.0 * s.knee_db)
        } else {
            s.threshold_db + over_db / s.ratio
        };
        reduced_db + s.makeup_db
    }
}

/// Settings of [`Bands`](super::Bands).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BandsSettings {
    /// Off, the default, passes every sample bit for bit.
    pub on: bool,
    /// Corners between the bands in Hz, low to high; held to 20 Hz … 0.45 of the sample rate and to
    /// ascending order.
    pub crossovers_hz: [f64; 3],
    /// The bands, low to high.
    pub bands: [BandSettings; 4],
}

impl BandsSettings {
    /// Corners between the bands, Hz, low to high.
    pub const CROSSOVERS_HZ: [Setting; 3] = [
        Setting::new(40.0, 400.0, DEFAULT_CORNERS_HZ[0]),
        Setting::new(400.0, 3_000.0, DEFAULT_CORNERS_HZ[1]),
        Setting::new(3_000.0, 12_000.0, DEFAULT_CORNERS_HZ[2]),
    ];
}

impl Default for BandsSettings {
    /// Off, corners 120 Hz, 1 kHz and 6 kHz.
    fn default() -> Self {
        Self {
            on: false,
            crossovers_hz: DEFAULT_CORNERS_HZ,
            bands: [BandSettings::default(); 4],
        }
    }
}
