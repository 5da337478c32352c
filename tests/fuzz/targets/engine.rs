//! The engine under any settings, any audio, any blocks.

use crestline_core::engine::{Engine, EngineSpec, Settings};
use crestline_core::handover::{AudioEnd, Point, Snapshot, handover};
use crestline_core::process::{ChainSettings, ListenSettings, Release, Source};

const RATES_HZ: [f64; 8] = [
    8_000.0,
    11_025.0,
    44_100.0,
    48_000.0,
    1_234.567_8 * 10.0,
    96_000.0,
    192_000.0,
    384_000.0,
];
const LONGEST_BLOCK: usize = 1_500;
/// Frames in all, so that no input takes long.
const MOST_FRAMES: usize = 48_000;
/// Numbers that no control gives.
const ODD: [f64; 7] = [
    f64::NAN,
    f64::INFINITY,
    f64::NEG_INFINITY,
    -0.0,
    f64::MIN_POSITIVE,
    f64::MAX,
    f64::MIN,
];
const SOURCES: [Source; 4] = [
    Source::Output,
    Source::Clean,
    Source::Input,
    Source::Residue,
];

/// Nothing that comes out and nothing that is told is other than a finite number.
pub fn run(bytes: &[u8]) {
    let mut script = Script(bytes);
    let spec = EngineSpec {
        sample_rate_hz: RATES_HZ[usize::from(script.byte()) % RATES_HZ.len()],
        channels: 1 + usize::from(script.byte()) % 2,
    };
    let mut play = Play {
        engine: Engine::new(spec).with_undo(),
        end: handover().0,
        settings: Settings::default(),
        channels: spec.channels,
        frames: 0,
    };
    while !script.0.is_empty() && play.frames < MOST_FRAMES {
        match script.byte() % 8 {
            0 => play.engine.reset(),
            1 => play.engine.restart_recorded(&mut play.end),
            2 => drop(play.engine.undo_restart(&mut play.end)),
            3 => play.engine.cut_listening(),
            4 => play.listen(&mut script),
            5 => play.turn(&mut script),
            _ => play.block(&mut script),
        }
    }
}

struct Play {
    engine: Engine,
    end: AudioEnd,
    settings: Settings,
    channels: usize,
    frames: usize,
}

impl Play {
    fn listen(&mut self, script: &mut Script<'_>) {
        let (bits, solo) = (script.byte(), script.byte());
        let on = |bit: u8| bits & (1 << bit) != 0;
        self.settings.listen = ListenSettings {
            source: SOURCES[usize::from(bits % 4)],
            reference: on(2),
            side_chain: on(7),
            matched: on(3),
            bypass: on(4),
            solo: [0, 1, 2, 3].map(|band| solo.is_multiple_of(3) && solo & (16 << band) != 0),
            written: solo % 5 == 4,
        };
        self.settings.playing = on(5);
        self.settings.tap.on = on(6);
    }

    /// Sets one thing, to anything that fits.
    fn turn(&mut self, script: &mut Script<'_>) {
        let which = usize::from(script.byte());
        let chain = &mut self.settings.chain;
        if script.byte().is_multiple_of(3) {
            let mut switches = switches(chain);
            let count = switches.len();
            *switches[which % count] ^= true;
        } else {
            let value = script.number();
            let mut values = values(chain);
            let count = values.len();
            *values[which % count] = value;
            chain.limiter.release = if which.is_multiple_of(5) {
                Release::Automatic
            } else {
                Release::Manual(value)
            };
        }
    }

    fn block(&mut self, script: &mut Script<'_>) {
        let frames = usize::from(script.byte()) * usize::from(script.byte()) % LONGEST_BLOCK;
        let kind = script.byte();
        let (level, step) = (script.sample(), script.sample());
        let sample = |frame: usize| match kind % 5 {
            1 => level.clamp(-1.0, 1.0) * (frame as f32 * step.clamp(-3.0, 3.0)).sin(),
            2 if frame.is_multiple_of(97) => level,
            3 if frame.is_multiple_of(2) => -level,
            // Anything at all: not a number, infinite, denormal.
            0 | 3 => level,
            _ => 0.0,
        };
        let left: Vec<f32> = (0..frames).map(sample).collect();
        let side = [left.clone(), left.clone()];
        let mut planes = [left.clone(), left];
        let mut main: Vec<&mut [f32]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
        let side = side.each_ref().map(Vec::as_slice);
        // The side-chain may be shorter, or not there.
        let side = &side[..usize::from(kind / 5) % 3];
        let main = &mut main[..self.channels];
        self.engine
            .process_and_record(main, side, &self.settings, None, &mut self.end);
        for sample in main.iter().flat_map(|channel| channel.iter()) {
            assert!(sample.is_finite(), "{sample} comes out");
        }
        let told = self.engine.snapshot();
        check(&told);
        self.end.publish(told);
        self.frames += frames + 1;
    }
}

fn check(told: &Snapshot) {
    for point in [&told.input, &told.clean, &told.output] {
        for value in readings(point).into_iter().flatten() {
            assert!(value.is_finite(), "{value} is told");
        }
    }
    for db in told.activity.match_db {
        assert!(db.is_finite() && db <= 0.0, "matched by {db} dB");
    }
    for reduction in [&told.clean_reduction, &told.output_reduction] {
        let bands = reduction
            .bands
            .iter()
            .flat_map(|band| [band.reduction, band.distortion]);
        for trend in bands.chain([reduction.distortion]) {
            for db in [trend.now_db, trend.mean_3s_db, trend.mean_db, trend.max_db]
                .into_iter()
                .flatten()
            {
                assert!(db.is_finite(), "{db} dB is told");
            }
        }
    }
}

fn readings(point: &Point) -> [Option<f64>; 14] {
    let told = &point.readings;
    [
        told.momentary_lufs,
        told.momentary_max_lufs,
        told.short_term_lufs,
        told.short_term_max_lufs,
        told.integrated_lufs,
        told.gated_10s_lufs,
        told.loudness_range_lu,
        told.true_peak_dbtp,
        told.sample_peak_dbfs,
        told.plr_db,
        told.short_term_plr_db,
        told.ldr_db,
        told.rms_dbfs,
        told.crest_factor_db,
    ]
}

fn switches(chain: &mut ChainSettings) -> Vec<&mut bool> {
    let bands = chain.bands.bands.iter_mut().map(|band| &mut band.enabled);
    let mut all: Vec<_> = bands.collect();
    all.extend([
        &mut chain.bands.on,
        &mut chain.saturator.enabled,
        &mut chain.limiter.enabled,
    ]);
    all
}

fn values(chain: &mut ChainSettings) -> Vec<&mut f64> {
    let mut all = vec![
        &mut chain.push.push_db,
        &mut chain.shelves.low_hz,
        &mut chain.shelves.low_gain_db,
        &mut chain.shelves.high_hz,
        &mut chain.shelves.high_gain_db,
        &mut chain.saturator.shoulder_db,
        &mut chain.saturator.lean_percent,
        &mut chain.saturator.blend_percent,
        &mut chain.limiter.ceiling_dbtp,
        &mut chain.limiter.link_percent,
    ];
    all.extend(&mut chain.bands.crossovers_hz);
    for band in &mut chain.bands.bands {
        all.extend([
            &mut band.threshold_db,
            &mut band.ratio,
            &mut band.knee_db,
            &mut band.attack_ms,
            &mut band.release_ms,
            &mut band.makeup_db,
        ]);
    }
    all
}

/// What the bytes ask for; zeros once they have come to their end.
struct Script<'a>(&'a [u8]);

impl Script<'_> {
    fn take<const N: usize>(&mut self) -> [u8; N] {
        let (taken, rest) = self.0.split_at(N.min(self.0.len()));
        self.0 = rest;
        std::array::from_fn(|index| taken.get(index).copied().unwrap_or_default())
    }

    fn byte(&mut self) -> u8 {
        self.take::<1>()[0]
    }

    /// Any sample that there is.
    fn sample(&mut self) -> f32 {
        f32::from_le_bytes(self.take())
    }

    /// Mostly a value as controls have them, sometimes any number at all.
    fn number(&mut self) -> f64 {
        let bytes: [u8; 8] = self.take();
        if bytes[0].is_multiple_of(16) {
            ODD[usize::from(bytes[1]) % ODD.len()]
        } else if bytes[0].is_multiple_of(4) {
            f64::from_le_bytes(bytes)
        } else {
            let value = u16::from_le_bytes([bytes[1], bytes[2]]);
            let scale = [0.01, 1.0, 0.1, 0.001][usize::from(bytes[0] % 4)];
            (f64::from(value) - 32_768.0) * scale
        }
    }
}

pub fn seeds() -> Vec<Vec<u8>> {
    let mut chance = kit::chance::Chance::new(1);
    (0..12)
        .map(|rate: u8| {
            let mut bytes = vec![rate, rate / 8];
            bytes.extend((0..600).map(|_| chance.bits() as u8));
            bytes
        })
        .collect()
}
