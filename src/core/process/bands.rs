//! Four-band compressor: gentle control of each part of the spectrum before the mix is pushed.
//!
//! A Linkwitz-Riley split only listens. The gains act on the signal itself, as shelves at the
//! crossovers: what is not turned up or down is not touched, not even in its phase.

mod gain;
mod settings;
mod settled;

use wide::{f32x4, f64x2};

use self::gain::{
    Ballistics, BallisticsGlide, Curves, CurvesRamp, Envelopes, FrameGains, LOG2_PER_DB, levels,
    weigh,
};
pub use self::settings::{BandSettings, BandsSettings};
use self::settled::Settled;
use crate::dsp::crossover::{BandLanes, Crossover, ShelfWeights, Shelves};
use crate::dsp::quad::{Level, Quad, dispatch};
use crate::dsp::ramp::{SWITCH_MS, Switch, frames_from_ms, smooth};
use crate::dsp::run::{MAX_RUN, for_each_run};

/// How long bands that are switched on amid a signal listen before anything is heard of them: until
/// the split has come to rest, and then until the gains have arrived, which an attack slower than
/// this does not hold up.
const SETTLING_MS: f64 = 30.0;
const ARRIVING_MS: f64 = 30.0;
const ARRIVING_ATTACK_MS: f64 = 5.0;
/// Levels of bands that have not been heard, and the least that is told, log₂ units.
const SILENT: f32x4 = f32x4::splat(-1_000.0);
const LEAST_LEVEL: f32 = -40.0;

/// The compressor. Both channels of a band share one gain, taken from the louder. No latency.
///
/// While no band is turned up or down every sample passes bit for bit. Settings are smoothed over
/// 20 ms, on and off and the times too, the corners over 50 ms. Switched on amid a signal it listens
/// for 60 ms first, so that it comes in with the gains that the signal asks for. Off and settled it
/// costs nothing.
#[derive(Clone, Debug)]
pub struct Bands {
    level: Level,
    sample_rate_hz: f64,
    /// What was asked for last.
    asked: BandsSettings,
    /// The settings that the state below is heading for.
    settings: [BandSettings; 4],
    switch: Switch,
    crossover: Crossover,
    curves: CurvesRamp,
    ballistics: BallisticsGlide,
    /// Frames that are listened to before anything is heard, and the ballistics meanwhile.
    listening: u32,
    arriving: Ballistics,
    envelopes: Envelopes,
    shelves: Shelves,
    settled: Settled,
    /// Scratch: the bands of a run, their levels, and what is done to them.
    split: [BandLanes; MAX_RUN],
    levels: [f32x4; MAX_RUN],
    frames: [FrameGains; MAX_RUN],
    /// Scratch: gains of the bands of both signals, log₂ units, and what makes shelves of them.
    gains: [[f32x4; 2]; MAX_RUN],
    weights: [[ShelfWeights; 2]; MAX_RUN],
    /// Largest reduction and highest level since they were last taken, log₂ units.
    most: f32x4,
    loudest: f32x4,
}

/// What the bands did since it was last asked.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BandsActivity {
    /// Gain of each band in dB, without make-up, at its lowest; 0 when off.
    pub gain_db: [f32; 4],
    /// Level of each band before its gain, at its highest: dBFS of the louder channel, `None` while
    /// off or below −240 dBFS.
    pub level_db: [Option<f32>; 4],
}

impl Bands {
    /// A compressor whose first settings are taken at once.
    pub fn new(sample_rate_hz: f64) -> Self {
        Self {
            level: Level::new(),
            sample_rate_hz,
            asked: BandsSettings::default(),
            settings: [BandSettings::default(); 4],
            switch: Switch::new(sample_rate_hz),
            crossover: Crossover::new(sample_rate_hz),
            curves: CurvesRamp::new(sample_rate_hz),
            ballistics: BallisticsGlide::default(),
            listening: 0,
            arriving: Ballistics::default(),
            envelopes: Envelopes::AT_REST,
            shelves: Shelves::new(sample_rate_hz),
            settled: Settled::new(sample_rate_hz),
            split: [[Quad::ZERO; 2]; MAX_RUN],
            levels: [f32x4::ZERO; MAX_RUN],
            frames: [FrameGains::default(); MAX_RUN],
            gains: [[f32x4::ZERO; 2]; MAX_RUN],
            weights: [[[1.0; 4]; 2]; MAX_RUN],
            most: f32x4::ZERO,
            loudest: SILENT,
        }
    }

    /// The same, with what is [beside](Self::process) the signal so many frames late. Allocates.
    #[must_use]
    pub(super) fn with_beside_late(self, frames: usize) -> Self {
        Self {
            settled: self.settled.late_by(frames, self.sample_rate_hz),
            ..self
        }
    }

    /// Forgets the signal; the next settings are taken at once.
    ///
    /// # Realtime
    /// Yes.
    pub fn reset(&mut self) {
        self.switch.reset();
        self.listening = 0;
        self.settled.reset();
        self.take_activity();
    }

    /// Whether they are switched on and only listen yet.
    pub fn is_arriving(&self) -> bool {
        self.listening > 0 && !self.switch.is_off()
    }

    /// What happened since this was last asked: it misses nothing, wherever the blocks end.
    ///
    /// # Realtime
    /// Yes.
    pub fn take_activity(&mut self) -> BandsActivity {
        let most = std::mem::replace(&mut self.most, f32x4::ZERO).to_array();
        let loudest = std::mem::replace(&mut self.loudest, SILENT).to_array();
        let db = |log2: f32| log2 / LOG2_PER_DB as f32;
        BandsActivity {
            gain_db: most.map(|most| 0.0 - db(most)),
            level_db: loudest.map(|level| (level > LEAST_LEVEL).then_some(db(level))),
        }
    }

    /// Compresses one or two channels of equal length in place, and makes of `beside` what they are
    /// to be compared with.
    ///
    /// `beside` holds channels of the same length, the input of this moment or as much earlier as
    /// was said. They come out with the make-up and with the gains of their moment as they are on
    /// an average of some 20 ms, and `turned_down` holds the factor by which each band of each frame
    /// was turned down in that. Split into bands at the same corners and divided by it, they are
    /// what bands at rest would let through, in the phase of what is compressed. Returns false where
    /// all of it is as it was and every factor is 1: `turned_down`, as long as a channel, is then
    /// left alone.
    ///
    /// # Realtime
    /// Yes: its work is bounded by the number of frames.
    pub fn process(
        &mut self,
        channels: &mut [&mut [f32]],
        beside: &mut [&mut [f32]],
        turned_down: &mut [[f32; 4]],
        settings: &BandsSettings,
    ) -> bool {
        self.take(settings);
        let was_idle = self.settled.is_idle();
        if self.switch.is_off() {
            if was_idle {
                return false;
            }
            self.frames = [FrameGains::default(); MAX_RUN];
            let mut turned_down = turned_down.chunks_mut(MAX_RUN);
            for_each_run(beside, |beside| {
                let mut frames = [f64x2::ZERO; MAX_RUN];
                let turned_down = turned_down.next().unwrap_or_default();
                self.apply(&mut frames[..beside.len()], beside, turned_down);
            });
            return true;
        }
        let mut start = 0;
        for_each_run(channels, |frames| {
            self.gains(frames);
            let range = start..start + frames.len();
            start = range.end;
            let mut part = beside
                .iter_mut()
                .map(|channel| channel.get_mut(range.clone()).unwrap_or_default());
            let turned_down = turned_down.get_mut(range.clone()).unwrap_or_default();
            let apply = |beside: &mut [f64x2]| self.apply(frames, beside, turned_down);
            match (part.next(), part.next()) {
                (Some(left), Some(right)) => for_each_run(&mut [left, right], apply),
                (Some(mono), None) => for_each_run(&mut [mono], apply),
                _ => {}
            }
        });
        !(was_idle && self.settled.is_idle())
    }

    /// Works out the gains of up to [`MAX_RUN`] frames.
    ///
    /// One step after the other over all of them, not all steps frame by frame: the steps of one
    /// frame wait for each other, and a processor can only look so far ahead for work of the next.
    fn gains(&mut self, frames: &[f64x2]) {
        self.crossover.split_run([frames], [&mut self.split]);
        let moving = !(self.switch.is_on() && self.curves.is_settled());
        let count = frames.len().min(MAX_RUN);
        let (split, run_levels) = (&self.split[..count], &mut self.levels[..count]);
        dispatch!(self.level, simd => levels(simd, split, run_levels));
        let gains = &mut self.frames[..count];
        let wanted = run_levels.iter().zip(&mut *gains);
        if moving {
            wanted.for_each(|(levels, gains)| *gains = self.curves.advance(*levels));
        } else {
            let still = *self.curves.target();
            wanted.for_each(|(levels, gains)| *gains = still.wanted(*levels));
        }
        let (unheard, heard) = gains.split_at_mut(count.min(self.listening as usize));
        if !unheard.is_empty() {
            let arriving = frames_from_ms(self.sample_rate_hz, ARRIVING_MS);
            let settling = self.listening.saturating_sub(arriving);
            for gains in unheard.iter_mut().take(settling as usize) {
                gains.reduction = f32x4::ZERO;
            }
            self.envelopes.follow(unheard, &self.arriving);
        }
        self.ballistics.follow(&mut self.envelopes, heard);
        // What is done counts, and only while it is on.
        let (mut loudest, mut most) = (self.loudest, self.most);
        for (gains, levels) in gains.iter_mut().zip(&*run_levels) {
            if moving {
                let share = if self.listening > 0 {
                    self.listening -= 1;
                    0.0
                } else {
                    smooth(self.switch.advance()) as f32
                };
                gains.makeup *= f32x4::splat(share);
                gains.reduction *= f32x4::splat(share);
                if share == 0.0 {
                    continue;
                }
            }
            loudest = loudest.fast_max(*levels);
            most = most.fast_max(gains.reduction);
        }
        (self.loudest, self.most) = (loudest, most);
    }

    /// Gives frames the gains, and those `beside` them the averages of the gains.
    fn apply(&mut self, frames: &mut [f64x2], beside: &mut [f64x2], turned_down: &mut [[f32; 4]]) {
        let mut start = 0;
        while start < frames.len() {
            let (count, is_time) = self.shelves.advance(frames.len() - start);
            let range = start..start + count;
            start += count;
            let bands = self.frames.get(range.clone()).unwrap_or_default();
            let gains = &mut self.gains[..count];
            for ([gains, _], bands) in gains.iter_mut().zip(bands) {
                *gains = bands.makeup - bands.reduction;
            }
            self.settled
                .average(bands, gains, &mut turned_down[range.clone()]);
            let weights = &mut self.weights[..count];
            dispatch!(self.level, simd => weigh(simd, gains, weights));
            let beside = &mut beside[range.clone()];
            self.shelves.filter(&mut frames[range], beside, weights);
            if is_time {
                self.settled.look();
            }
        }
    }

    /// Heads for `settings`: at once if nothing is being heard of the old ones, smoothly otherwise.
    fn take(&mut self, settings: &BandsSettings) {
        let was_off = self.switch.is_off();
        self.switch.set(settings.on);
        // Asked again with every block, however short.
        if *settings == self.asked && !was_off && !self.switch.is_off() {
            return;
        }
        self.asked = *settings;
        self.shelves.set_corners(settings.crossovers_hz);
        if self.switch.is_off() {
            return;
        }
        let bands = settings.bands.map(BandSettings::held);
        if was_off {
            self.crossover.reset(settings.crossovers_hz);
            if self.settled.is_idle() {
                self.shelves.reset(settings.crossovers_hz);
            } else {
                self.shelves.reset_first();
            }
            self.envelopes = Envelopes::AT_REST;
            // The first settings find silence before them.
            if !self.switch.is_on() {
                let ms = SETTLING_MS + ARRIVING_MS;
                self.listening = frames_from_ms(self.sample_rate_hz, ms);
            }
            self.curves.jump(Curves::new(&bands));
        } else {
            self.crossover.set_corners(settings.crossovers_hz);
            if bands != self.settings {
                self.curves.set_target(Curves::new(&bands));
            }
        }
        if was_off || bands != self.settings {
            let ballistics = Ballistics::new(&bands, self.sample_rate_hz);
            if was_off {
                self.ballistics.jump(ballistics);
            } else {
                let frames = frames_from_ms(self.sample_rate_hz, SWITCH_MS);
                self.ballistics.set_target(ballistics, frames);
            }
            let arriving = bands.map(|band| BandSettings {
                attack_ms: band.attack_ms.min(ARRIVING_ATTACK_MS),
                ..band
            });
            self.arriving = Ballistics::new(&arriving, self.sample_rate_hz);
            self.settings = bands;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Linkwitz-Riley of fourth order: the low-pass has the magnitude `1/(1 + (f/fc)⁴)`.
    #[test]
    fn the_level_of_a_band_is_that_of_the_louder_channel() {
        let mut bands = Bands::new(48_000.0);
        let settings = BandsSettings {
            on: true,
            ..BandsSettings::default()
        };
        assert_eq!(bands.take_activity().level_db, [None; 4]);
        let tone: Vec<f32> = (0..48_000_u32)
            .map(|frame| {
                let phase = std::f64::consts::TAU * 50.0 / 48_000.0 * f64::from(frame);
                (0.5 * phase.sin()) as f32
            })
            .collect();
        let mut right = vec![0.0; 4_800];
        for block in tone.chunks(4_800) {
            let mut left = block.to_vec();
            right.fill(0.0);
            bands.take_activity();
            let mut turned_down = vec![[1.0; 4]; 4_800];
            bands.process(
                &mut [&mut left, &mut right],
                &mut [&mut vec![0.0; 4_800]],
                &mut turned_down,
                &settings,
            );
        }
        let through = 1.0 / (1.0 + (50.0_f64 / 120.0).powi(4));
        let expected = 20.0 * (0.5 * through).log10();
        let level_db = bands.take_activity().level_db;
        let found = level_db[0].map(f64::from).unwrap();
        assert!((found - expected).abs() < 0.02, "{found} for {expected}");
        assert!(level_db[3].unwrap() < -80.0);
    }

    /// By definition: what is off does nothing and hears nothing, however a block holds the end of
    /// its fade.
    #[test]
    fn what_comes_once_they_are_off_is_not_told() {
        for frames in [1, 64, 2_000] {
            let mut bands = Bands::new(48_000.0);
            let hard = BandSettings {
                threshold_db: -40.0,
                ratio: 10.0,
                attack_ms: 0.1,
                ..BandSettings::default()
            };
            let settings = |on| BandsSettings {
                on,
                bands: [hard; 4],
                ..BandsSettings::default()
            };
            let mut signal: Vec<f32> = (0..4_000)
                .map(|n| {
                    if n < 2_000 + 962 {
                        0.0
                    } else {
                        (n as f32 * 0.2).sin()
                    }
                })
                .collect();
            let (silence, later) = signal.split_at_mut(2_000);
            for (part, on) in [(silence, true), (later, false)] {
                for block in part.chunks_mut(frames) {
                    let mut beside = vec![0.0; block.len()];
                    let mut turned_down = vec![[1.0; 4]; block.len()];
                    bands.process(
                        &mut [block],
                        &mut [&mut beside],
                        &mut turned_down,
                        &settings(on),
                    );
                }
            }
            assert_eq!(bands.take_activity(), BandsActivity::default(), "{frames}");
        }
    }
}
