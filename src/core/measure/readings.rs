//! What a measuring point reports.

use super::lufs::ABSOLUTE_GATE_LUFS;

/// Third-octave bands of IEC 61260-1 from 20 Hz to 20 kHz.
pub const BAND_COUNT: usize = 31;

/// How a channel counts towards loudness (ITU-R BS.1770-5, Annex 1, table 3).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChannelRole {
    /// Left, right or centre: weight 1.0.
    Front,
    /// Left or right surround: weight 1.41, on the mean square.
    Surround,
    /// Low-frequency effects: left out of loudness; its peaks still count as peaks.
    Lfe,
}

impl ChannelRole {
    /// Weight of the channel's mean square in the loudness sum.
    pub fn weight(self) -> f64 {
        match self {
            Self::Front => 1.0,
            Self::Surround => 1.41,
            Self::Lfe => 0.0,
        }
    }
}

/// Everything one measuring point knows, as of the last whole 10 ms; `frames` counts at once.
///
/// `None` means that the value cannot be measured (yet): too little signal, silence, or below the
/// gate. It is shown as a dash.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Readings {
    /// Frames measured since the last restart.
    pub frames: u64,
    /// Loudness of the last 400 ms, LUFS (EBU Tech 3341).
    pub momentary_lufs: Option<f64>,
    /// Highest momentary loudness so far, LUFS.
    pub momentary_max_lufs: Option<f64>,
    /// Loudness of the last 3 s, LUFS (EBU Tech 3341).
    pub short_term_lufs: Option<f64>,
    /// Highest short-term loudness so far, LUFS.
    pub short_term_max_lufs: Option<f64>,
    /// Gated loudness of everything so far, LUFS (ITU-R BS.1770-5, Annex 1).
    pub integrated_lufs: Option<f64>,
    /// Gated loudness of the last 10 s, LUFS: what matched listening compares.
    pub gated_10s_lufs: Option<f64>,
    /// Loudness range, LU (EBU Tech 3342), of windows between the first and the last sound: silence
    /// before and after does not change it.
    pub loudness_range_lu: Option<f64>,
    /// False in the first 60 s, while the loudness range cannot be relied on (EBU R 128).
    pub loudness_range_settled: bool,
    /// Highest true peak so far over all channels, dBTP (ITU-R BS.1770-5, Annex 2).
    pub true_peak_dbtp: Option<f64>,
    /// Highest absolute sample so far, dBFS.
    pub sample_peak_dbfs: Option<f64>,
    /// Peak-to-loudness ratio: highest true peak less integrated loudness, dB.
    pub plr_db: Option<f64>,
    /// Short-term PLR: highest true peak of the last 3 s less short-term loudness, dB.
    pub short_term_plr_db: Option<f64>,
    /// Lowest short-term PLR of the programme so far, dB: of 3 s whose loudness passes the relative
    /// gate of the integrated loudness, so that tails, hiss and pauses do not set it.
    pub short_term_plr_min_db: Option<f64>,
    /// Microdynamics: loudness dynamic ratio of everything so far, dB (Skovenborg, AES 137, 2014);
    /// it lags by half a second. `None` also where [`ldr_sparse`](Self::ldr_sparse).
    pub ldr_db: Option<f64>,
    /// What was measured is too sparse for its microdynamics to be told: most of its energy falls
    /// into less than a twentieth of the time.
    pub ldr_sparse: bool,
    /// Microdynamics of the last 10 s, dB; `None` also where these are too sparse.
    pub ldr_10s_db: Option<f64>,
    /// RMS of the last 3 s, mean over the channels but low-frequency effects, dBFS (a full-scale
    /// square wave reads 0).
    pub rms_3s_dbfs: Option<f64>,
    /// RMS of everything so far, of the same channels, dBFS.
    pub rms_dbfs: Option<f64>,
    /// Crest factor of everything so far: highest sample of those channels less their RMS, dB.
    pub crest_factor_db: Option<f64>,
    /// Crest factor of the last 3 s: their highest sample less [`rms_3s_dbfs`](Self::rms_3s_dbfs),
    /// dB.
    pub crest_factor_3s_db: Option<f64>,
    /// Clipped runs so far: three or more consecutive samples of one channel at full scale, or
    /// equal ones at its own peak within 0.1 dB of full scale, that break off rather than round
    /// off. A higher peak takes back the runs below it.
    pub clipped_runs: u64,
}

/// Those readings of the last seconds that are placed on a plane, drawn over time and exported:
/// only while something is heard.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Placed {
    /// Loudness of the last 400 ms, LUFS.
    pub momentary_lufs: Option<f64>,
    /// Loudness of the last 3 s, LUFS.
    pub short_term_lufs: Option<f64>,
    /// True peak of the last 3 s less short-term loudness, dB.
    pub short_term_plr_db: Option<f64>,
    /// Microdynamics of the last 10 s, dB.
    pub ldr_10s_db: Option<f64>,
}

impl Readings {
    /// What may be placed: nothing at or below the absolute gate of −70 LUFS (ITU-R BS.1770-5,
    /// Annex 1), and nothing at all while the last 400 ms lie there. A window of 3 s would then
    /// still tell of the sound before the pause, lower and lower.
    pub fn placed(&self) -> Placed {
        let heard = |lufs: &f64| *lufs > ABSOLUTE_GATE_LUFS;
        let momentary_lufs = self.momentary_lufs.filter(heard);
        if momentary_lufs.is_none() {
            return Placed::default();
        }
        let short_term_lufs = self.short_term_lufs.filter(heard);
        Placed {
            momentary_lufs,
            short_term_lufs,
            short_term_plr_db: self.short_term_plr_db.filter(|_| short_term_lufs.is_some()),
            ldr_10s_db: self.ldr_10s_db,
        }
    }
}

/// Offset from plain RMS to the AES17 reference, in which a full-scale sine reads 0 dBFS RMS:
/// `20·log10(√2)`.
pub const AES17_OFFSET_DB: f64 = 3.010299956639812;

/// Spectral balance in third-octave bands: power summed over the channels, dB re a full-scale
/// square wave in one channel.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Balance {
    /// Over everything that passed the gate so far.
    pub long_term_db: [Option<f32>; BAND_COUNT],
}
