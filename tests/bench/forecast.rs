//! What a forecast costs: its time, its memory, and what it takes from the audio thread.

#![expect(clippy::expect_used, reason = "there is memory for a first ring")]

use super::figures::{Figures, Wanted, median, seconds};
use super::programme::{RATE_HZ, blocks};
use crestline_core::engine::{Engine, EngineSpec, Settings};
use crestline_core::handover::{RecentReader, recent};
use crestline_core::process::{BandSettings, ChainSettings};
use crestline_core::session::forecast::{Forecaster, Stretch, forecast};
use kit::allocator::held_bytes;
use std::cell::Cell;
use std::hint::black_box;
use std::time::Instant;

const LENGTH_S: usize = 60;
const MAX_PUSH_DB: f64 = 18.0;
/// Points of the even grid, and of the first curve that is worth looking at.
const GRID: usize = 13;
const FIRST: usize = 5;
const PATHS: f64 = 2.0;
const BLOCK: usize = 512;
/// Runs of every side, taken in turn.
const RUNS: usize = 5;
/// Instances of a process that ask for memory.
const INSTANCES: usize = 20;

/// Shelves and bands at work beside saturator and limiter: the dearest forecast.
fn everything_on() -> ChainSettings {
    let mut chain = ChainSettings::default();
    chain.shelves.low_gain_db = 2.0;
    chain.shelves.high_gain_db = 2.0;
    chain.bands.on = true;
    chain.bands.bands = [BandSettings {
        threshold_db: -24.0,
        ..BandSettings::default()
    }; 4];
    chain
}

fn minute(programme: &[Vec<f32>; 2]) -> Vec<Vec<f32>> {
    let frames = LENGTH_S * RATE_HZ as usize;
    programme
        .iter()
        .map(|channel| channel[..frames].to_vec())
        .collect()
}

/// When the first curve and the whole grid of a minute were there, seconds; `watch` is called all
/// the time.
fn times(programme: &[Vec<f32>; 2], settings: &ChainSettings, watch: &dyn Fn()) -> [f64; 2] {
    let stretch = Stretch::new(RATE_HZ.into(), minute(programme));
    let start = Instant::now();
    let mut times = [f64::NAN; 2];
    let points = forecast(
        stretch,
        settings,
        MAX_PUSH_DB,
        &|| {
            watch();
            false
        },
        &mut |_, progress| {
            for (time, points) in times.iter_mut().zip([FIRST, GRID]) {
                if progress.done == points {
                    *time = start.elapsed().as_secs_f64();
                }
            }
        },
    );
    black_box(points);
    times
}

/// How long a forecast of a minute takes, and what it holds meanwhile, beside the rings of as many
/// instances as there may be.
pub fn cost(programme: &[Vec<f32>; 2], figures: &mut Figures) {
    let before = held_bytes();
    let rings: Vec<_> = (0..INSTANCES)
        .filter_map(|_| recent(RATE_HZ.into(), 2))
        .collect();
    let most = Cell::new(0);
    let watch = || most.set(most.get().max(held_bytes()));
    let [first, grid] = times(programme, &ChainSettings::default(), &watch);
    let speed = PATHS * (GRID * LENGTH_S) as f64 / grid;
    // What 8 s for all of them comes to.
    let wanted = PATHS * (GRID * LENGTH_S) as f64 / 8.0;
    figures.add("forecast_speed", speed, 0, "x", Wanted::AtLeast(wanted));
    figures.add("forecast_grid_s", grid, 2, "s", Wanted::AtMost(8.0));
    figures.add("forecast_first_curve_s", first, 2, "s", Wanted::AtMost(3.0));
    let [_, grid] = times(programme, &everything_on(), &|| ());
    figures.add("forecast_grid_bands_s", grid, 2, "s", Wanted::AtMost(8.0));
    let bytes = (most.get() - before) as f64;
    let limit = 64.0 * 1024.0 * 1024.0;
    figures.add("forecast_bytes", bytes, 0, "bytes", Wanted::AtMost(limit));
    let held = rings.len();
    figures.note(&format!(
        "{GRID} pushes, both paths; of {INSTANCES} instances {held} hold music"
    ));
}

/// Plays the programme through an engine; the least time of every block goes to `least`.
fn play(programme: &[Vec<f32>; 2], least: &mut [f64]) {
    let mut engine = Engine::new(EngineSpec {
        sample_rate_hz: RATE_HZ.into(),
        channels: 2,
    });
    let mut settings = Settings {
        chain: everything_on(),
        playing: true,
        ..Settings::default()
    };
    settings.chain.saturator.enabled = true;
    settings.chain.limiter.enabled = true;
    let (mut left, mut right) = ([0.0; BLOCK], [0.0; BLOCK]);
    for ([from_left, from_right], least) in blocks(programme, BLOCK).zip(least) {
        let frames = from_left.len();
        left[..frames].copy_from_slice(from_left);
        right[..frames].copy_from_slice(from_right);
        let took = seconds(|| {
            let mut block = [&mut left[..frames], &mut right[..frames]];
            engine.process(&mut block, &[], &settings);
            black_box(engine.snapshot());
        });
        *least = least.min(took);
    }
}

/// The 99.9th percentile of the audio thread's block time with a forecast beside it over that
/// without.
pub fn beside_audio(programme: &[Vec<f32>; 2], figures: &mut Figures) {
    let count = programme[0].len().div_ceil(BLOCK);
    let mut ratios = Vec::new();
    let (mut writer, reader) = recent(RATE_HZ.into(), 2).expect("the first ring");
    let music = minute(programme);
    writer.write(&[&music[0], &music[1]]);
    for _ in 0..RUNS {
        let p999 = |forecaster: Option<&Forecaster>| {
            let mut took = vec![f64::INFINITY; count];
            if let Some(forecaster) = forecaster {
                forecaster.ask(&everything_on(), Instant::now());
            }
            play(programme, &mut took);
            took.sort_by(f64::total_cmp);
            took[took.len() * 999 / 1000]
        };
        let without = p999(None);
        let forecaster = forecasting(&reader);
        ratios.push(p999(Some(&forecaster)) / without);
    }
    figures.add(
        "audio_block_p999_with_forecast_over_without",
        median(&mut ratios),
        2,
        "x",
        Wanted::AtMost(1.5),
    );
}

fn forecasting(reader: &RecentReader) -> Forecaster {
    let forecaster = Forecaster::default();
    forecaster.set_source(Some(reader.clone()));
    forecaster
}
