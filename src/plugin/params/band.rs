//! The parameters of one band's compressor.

use super::units::{decibels, milliseconds, ratio};
use crestline_core::process::BandSettings;
use nice_plug::prelude::*;

/// One band's compressor.
#[derive(Params)]
pub struct BandParams {
    /// Whether this band is compressed.
    #[id = "on"]
    pub on: BoolParam,
    /// Whether this band is heard, and the others only if they are soloed, too.
    #[id = "solo"]
    pub solo: BoolParam,
    /// Level above which the band is turned down.
    #[id = "thr"]
    pub threshold: FloatParam,
    /// Decibels in for each decibel out, above the threshold.
    #[id = "ratio"]
    pub ratio: FloatParam,
    /// Width of the bend around the threshold.
    #[id = "knee"]
    pub knee: FloatParam,
    /// Time constant of the fall of the gain.
    #[id = "attack"]
    pub attack: FloatParam,
    /// Time constant of its recovery.
    #[id = "releas"]
    pub release: FloatParam,
    /// Gain after compression.
    #[id = "makeup"]
    pub makeup: FloatParam,
}

impl BandParams {
    pub(super) fn new(band: &str) -> Self {
        let stage = BandSettings::default();
        let name = |what: &str| format!("{band} {what}");
        Self {
            on: BoolParam::new(name("compressed"), stage.enabled),
            solo: BoolParam::new(name("solo"), false),
            threshold: decibels(&name("threshold"), BandSettings::THRESHOLD_DB).with_unit(" dBFS"),
            ratio: ratio(&name("ratio"), BandSettings::RATIO),
            knee: decibels(&name("knee"), BandSettings::KNEE_DB),
            attack: milliseconds(&name("attack"), BandSettings::ATTACK_MS),
            release: milliseconds(&name("release"), BandSettings::RELEASE_MS),
            makeup: decibels(&name("make-up"), BandSettings::MAKEUP_DB),
        }
    }

    pub(super) fn settings(&self) -> BandSettings {
        BandSettings {
            enabled: self.on.value(),
            threshold_db: self.threshold.value().into(),
            ratio: self.ratio.value().into(),
            knee_db: self.knee.value().into(),
            attack_ms: self.attack.value().into(),
            release_ms: self.release.value().into(),
            makeup_db: self.makeup.value().into(),
        }
    }
}
