//! The plug-in's parameters: ids, ranges, and what is saved with the host's session.
//!
//! Ids are stable for ever: they are what a host's automation and sessions refer to. Never rename
//! one, never use one again.
//!
//! Whatever can be set can be automated, also where nobody would (what is listened to, how the
//! side-chain is taken): some VST3 hosts do not let the editor set anything else. Automation of
//! these does no harm; they change what is heard or shown, and every change of what is heard fades.

mod after_close;
mod band;
mod edits;
mod instance;
mod modulation;
mod outbox;
mod pages;
mod queued;
mod readings;
mod reference;
mod rendering;
mod session_cell;
mod tap_reading;
mod track;
pub mod units;
mod unsaved;
mod whole;

pub use self::after_close::AfterClose;
pub use self::band::BandParams;
pub use self::edits::{EditBy, Edits};
pub use self::modulation::Modulation;
pub use self::outbox::{Held, Outbox};
pub use self::queued::Queued;
pub use self::readings::{READING_COUNT, READING_INTERVAL_S, ReadingParams, Shown};
use self::reference::Measured;
pub use self::rendering::Rendering;
pub use self::session_cell::SessionCell;
pub use self::tap_reading::TapReading;
pub use self::track::TrackName;
use self::units::{decibels, hertz, milliseconds, percent};
pub use self::unsaved::Unsaved;
pub use self::whole::Whole;
use crate::audition::Audition;
use crestline_core::handover::SideChainReader;
use crestline_core::measure::{Readings, RestGain};
use crestline_core::process::{
    BandsSettings, ChainSettings, LimiterSettings, ListenSettings, PushSettings, Release,
    SaturatorSettings, ShelvesSettings, Source,
};
use nice_plug::prelude::*;
use nice_plug_egui::RepaintNotifier;
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex};

/// Everything a host can see, automate and save.
#[derive(Params)]
pub struct CrestlineParams {
    /// Passes the input on, delayed by the latency, bit for bit. Measurement goes on.
    #[id = "bypass"]
    pub bypass: BoolParam,

    /// Forgets everything measured so far whenever it is switched on.
    #[id = "restrt"]
    pub restart: BoolParam,

    /// Restarts the measurement each time the host's transport starts.
    #[id = "rstply"]
    pub restart_on_play: BoolParam,

    /// Which signal is heard.
    #[id = "listen"]
    pub listen: EnumParam<ListenChoice>,

    /// Hear the reference instead, if there is one.
    #[id = "listenrf"]
    pub reference: BoolParam,

    /// The reference is what the side-chain carries.
    #[id = "siderf"]
    pub live_reference: BoolParam,

    /// Turns the louder signals down to the quietest.
    #[id = "match"]
    pub matched: BoolParam,

    /// Gain into the chain.
    #[id = "push"]
    pub push: FloatParam,

    /// The two shelves.
    #[nested(group = "Shelves")]
    pub shelves: ShelvesParams,

    /// Band compression as a whole.
    #[nested(group = "Bands")]
    pub bands: BandsParams,

    /// Each band's compressor, low to high.
    #[nested(array, group = "Band")]
    pub band: [BandParams; 4],

    /// Saturation of the top few decibels.
    #[nested(group = "Saturator")]
    pub saturator: SaturatorParams,

    /// The limiter of both paths.
    #[nested(group = "Limiter")]
    pub limiter: LimiterParams,

    /// What the side-chain is taken for.
    #[nested(group = "Before tap")]
    pub tap: TapParams,

    /// What is measured, for the host to show.
    #[nested(group = "Readings")]
    pub readings: ReadingParams,

    /// What is saved beside the parameters. Never touched by the audio thread.
    #[persist = "session"]
    pub session: SessionCell,

    /// The reference that can be listened to. Never touched by the audio thread.
    pub audition: Audition,

    /// What reads the engine's side-chain, once there is an engine. Never touched by the audio
    /// thread.
    side_chain: Mutex<Option<SideChainReader>>,

    /// What has been measured and is not in the session yet. Never touched by the audio thread.
    measured: Arc<Mutex<Measured>>,

    /// What has been changed and has not come back from the host.
    pub edits: Edits,
    /// What modulation adds, in CLAP.
    pub modulation: Modulation,

    /// What the window has done, on its way to a CLAP host.
    pub outbox: Arc<Outbox>,

    /// What a window that closes has to tell the host.
    pub after_close: AfterClose,

    /// How the host learns that the session has changed.
    pub unsaved: Unsaved,

    /// What the framework has yet to do.
    pub queued: Queued,

    /// What the host renders for.
    pub rendering: Rendering,

    /// Whether the host is loading a state.
    pub loading: Whole,

    /// What the last state that was loaded had the restart at.
    pub restart_loaded: AtomicBool,

    /// Asks the window to be drawn anew, from any thread.
    pub repaint: RepaintNotifier,

    /// What the host calls the track.
    pub track: TrackName,
}

/// What the listen switch offers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Enum)]
pub enum ListenChoice {
    /// What the chain makes.
    #[id = "output"]
    Output,
    /// The same without the saturator.
    #[id = "clean"]
    Clean,
    /// What arrives.
    #[id = "input"]
    Input,
    /// What the chain changed.
    #[id = "residue"]
    Residue,
}

/// Low and high shelf.
#[derive(Params)]
pub struct ShelvesParams {
    /// Gain of the low shelf.
    #[id = "lowdb"]
    pub low_gain: FloatParam,
    /// Corner of the low shelf.
    #[id = "lowhz"]
    pub low_corner: FloatParam,
    /// Gain of the high shelf.
    #[id = "highdb"]
    pub high_gain: FloatParam,
    /// Corner of the high shelf.
    #[id = "highhz"]
    pub high_corner: FloatParam,
}

/// The band compressor's switch and its crossovers.
#[derive(Params)]
pub struct BandsParams {
    /// Whether the bands are compressed at all.
    #[id = "bands"]
    pub on: BoolParam,
    /// Crossover between the low and the low-mid band.
    #[id = "xlow"]
    pub low_crossover: FloatParam,
    /// Crossover between the low-mid and the high-mid band.
    #[id = "xmid"]
    pub mid_crossover: FloatParam,
    /// Crossover between the high-mid and the high band.
    #[id = "xhigh"]
    pub high_crossover: FloatParam,
}

/// The saturator.
#[derive(Params)]
pub struct SaturatorParams {
    /// Whether the top is bent at all.
    #[id = "sat"]
    pub on: BoolParam,
    /// How far below the ceiling bending begins.
    #[id = "shldr"]
    pub shoulder: FloatParam,
    /// How much sooner positive halves are bent.
    #[id = "lean"]
    pub lean: FloatParam,
    /// Share of the bent signal.
    #[id = "blend"]
    pub blend: FloatParam,
}

/// The limiter of both paths.
#[derive(Params)]
pub struct LimiterParams {
    /// Whether peaks are limited.
    #[id = "limit"]
    pub on: BoolParam,
    /// True peak that the output does not pass.
    #[id = "ceil"]
    pub ceiling: FloatParam,
    /// Whether the release follows the programme.
    #[id = "relaut"]
    pub automatic_release: BoolParam,
    /// Release time when set by hand.
    #[id = "reltim"]
    pub release: FloatParam,
    /// Share of the other channel's reduction that a channel takes over.
    #[id = "link"]
    pub link: FloatParam,
}

/// The comparison of the side-chain with the input.
#[derive(Params)]
pub struct TapParams {
    /// Whether the side-chain carries the signal from before what is in front of the plug-in.
    #[id = "tap"]
    pub on: BoolParam,
    /// Whether the gain at rest of what is in front is found by itself.
    #[id = "tapaut"]
    pub automatic_rest: BoolParam,
    /// Gain at rest when set by hand.
    #[id = "taprst"]
    pub rest_gain: FloatParam,
    /// What the comparison says.
    #[id = "taprd"]
    pub reading: FloatParam,
    /// Where [`reading`](Self::reading) is told what to say.
    pub report: TapReading,
}

impl Default for TapParams {
    fn default() -> Self {
        let (reading, report) = TapReading::new("Before tap reading");
        Self {
            on: BoolParam::new("Side-chain carries the signal from before", false),
            automatic_rest: BoolParam::new("Automatic gain at rest", true),
            rest_gain: decibels("Gain at rest", RestGain::KNOWN_DB),
            reading,
            report,
        }
    }
}

impl Default for CrestlineParams {
    fn default() -> Self {
        Self {
            bypass: BoolParam::new("Bypass", false).make_bypass(),
            restart: BoolParam::new("Restart measurement", false),
            restart_on_play: BoolParam::new("Restart when playback starts", false),
            listen: EnumParam::new("Listen", ListenChoice::Output),
            reference: BoolParam::new("Listen to reference", false),
            live_reference: BoolParam::new("Side-chain is the reference", false),
            matched: BoolParam::new("Matched listening", false),
            push: decibels("Push", PushSettings::PUSH_DB),
            shelves: ShelvesParams::default(),
            bands: BandsParams::default(),
            band: ["Low", "Low-mid", "High-mid", "High"].map(BandParams::new),
            saturator: SaturatorParams::default(),
            limiter: LimiterParams::default(),
            tap: TapParams::default(),
            readings: ReadingParams::default(),
            session: SessionCell::default(),
            audition: Audition::default(),
            side_chain: Mutex::default(),
            measured: Arc::default(),
            edits: Edits::default(),
            modulation: Modulation::default(),
            outbox: Arc::default(),
            after_close: AfterClose::default(),
            unsaved: Unsaved::default(),
            queued: Queued::default(),
            rendering: Rendering::default(),
            loading: Whole::default(),
            restart_loaded: AtomicBool::new(false),
            repaint: RepaintNotifier::new(),
            track: TrackName::default(),
        }
    }
}

impl Default for ShelvesParams {
    fn default() -> Self {
        Self {
            low_gain: decibels("Low shelf gain", ShelvesSettings::GAIN_DB),
            low_corner: hertz("Low shelf corner", ShelvesSettings::LOW_HZ),
            high_gain: decibels("High shelf gain", ShelvesSettings::GAIN_DB),
            high_corner: hertz("High shelf corner", ShelvesSettings::HIGH_HZ),
        }
    }
}

impl Default for BandsParams {
    fn default() -> Self {
        let [low, mid, high] = BandsSettings::CROSSOVERS_HZ;
        Self {
            on: BoolParam::new("Bands", false),
            low_crossover: hertz("Low crossover", low),
            mid_crossover: hertz("Mid crossover", mid),
            high_crossover: hertz("High crossover", high),
        }
    }
}

impl Default for SaturatorParams {
    fn default() -> Self {
        let stage = SaturatorSettings::default();
        Self {
            on: BoolParam::new("Saturator", stage.enabled),
            shoulder: decibels("Shoulder", SaturatorSettings::SHOULDER_DB),
            lean: percent("Lean", SaturatorSettings::LEAN_PERCENT),
            blend: percent("Blend", SaturatorSettings::BLEND_PERCENT),
        }
    }
}

impl Default for LimiterParams {
    fn default() -> Self {
        Self {
            on: BoolParam::new("Limiter", false),
            ceiling: decibels("Ceiling", LimiterSettings::CEILING_DBTP).with_unit(" dBTP"),
            automatic_release: BoolParam::new("Automatic release", true),
            release: milliseconds("Release", LimiterSettings::RELEASE_MS),
            link: percent("Channel link", LimiterSettings::LINK_PERCENT),
        }
    }
}

impl CrestlineParams {
    /// Shows the host what has been measured of the output.
    ///
    /// # Realtime
    /// Yes: a few atomic loads and stores.
    pub fn show(&self, readings: &Readings) {
        self.readings.shown.update(readings, &self.session.limits());
    }

    /// What the stages are set to.
    ///
    /// # Realtime
    /// Yes: atomic loads.
    pub fn chain_settings(&self) -> ChainSettings {
        let (shelves, bands, saturator, limiter) =
            (&self.shelves, &self.bands, &self.saturator, &self.limiter);
        ChainSettings {
            push: PushSettings {
                push_db: self.push.value().into(),
            },
            shelves: ShelvesSettings {
                low_hz: shelves.low_corner.value().into(),
                low_gain_db: shelves.low_gain.value().into(),
                high_hz: shelves.high_corner.value().into(),
                high_gain_db: shelves.high_gain.value().into(),
            },
            bands: BandsSettings {
                on: bands.on.value(),
                crossovers_hz: [
                    &bands.low_crossover,
                    &bands.mid_crossover,
                    &bands.high_crossover,
                ]
                .map(|crossover| crossover.value().into()),
                bands: self.band.each_ref().map(BandParams::settings),
            },
            saturator: SaturatorSettings {
                enabled: saturator.on.value(),
                shoulder_db: saturator.shoulder.value().into(),
                lean_percent: saturator.lean.value().into(),
                blend_percent: saturator.blend.value().into(),
            },
            limiter: LimiterSettings {
                enabled: limiter.on.value(),
                ceiling_dbtp: limiter.ceiling.value().into(),
                release: if limiter.automatic_release.value() {
                    Release::Automatic
                } else {
                    Release::Manual(limiter.release.value().into())
                },
                link_percent: limiter.link.value().into(),
            },
        }
    }

    /// Output amplitude of the saturator for the input amplitude `x` as it is set, on or off, once
    /// at rest.
    pub fn saturator_curve(&self, x: f64) -> f64 {
        let settings = self.chain_settings();
        crestline_core::process::curve(x, &settings.saturator, settings.limiter.ceiling_dbtp)
    }

    /// What is to be heard.
    ///
    /// # Realtime
    /// Yes: atomic loads.
    pub fn listen_settings(&self) -> ListenSettings {
        ListenSettings {
            source: match self.listen.value() {
                ListenChoice::Output => Source::Output,
                ListenChoice::Clean => Source::Clean,
                ListenChoice::Input => Source::Input,
                ListenChoice::Residue => Source::Residue,
            },
            reference: self.reference.value(),
            side_chain: self.live_reference.value(),
            matched: self.matched.value(),
            solo: self.band.each_ref().map(|band| band.solo.value()),
            bypass: self.bypass.value(),
            written: false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn ids_are_unique_short_and_plain() {
        let ids: Vec<String> = CrestlineParams::default()
            .param_map()
            .into_iter()
            .map(|(id, ..)| id)
            .collect();
        assert_eq!(ids.iter().collect::<BTreeSet<_>>().len(), ids.len());
        for id in ids {
            assert!(id.len() <= 8 && id.is_ascii(), "{id}");
        }
    }

    #[test]
    fn defaults_change_nothing() {
        assert!(!CrestlineParams::default().chain_settings().limiter.enabled);
        let expected = ChainSettings {
            limiter: ChainSettings::default().limiter,
            ..ChainSettings::default()
        };
        assert_eq!(CrestlineParams::default().chain_settings(), expected);
        assert_eq!(
            CrestlineParams::default().listen_settings(),
            ListenSettings::default()
        );
    }
}
