//! A reference that comes in by the side-chain is measured as a file of the same audio is.

use crestline_core::engine::{Engine, EngineSpec, Settings, TapSettings};
use crestline_core::handover::{SideChainReader, TapComparison, tap};
use crestline_core::measure::ChannelRole;
use crestline_core::process::ListenSettings;
use crestline_core::session::Section;
use crestline_core::session::reference::{Capture, CaptureError, Profile, ProfileError, Profiler};
use kit::engine_run::noise;
use kit::pause::pause;
use songs::turnstile;
use std::time::{Duration, Instant};

const RATE: u32 = 48_000;
const SECOND: usize = RATE as usize;

struct Played {
    engine: Engine,
    comparison: TapComparison,
    channels: usize,
}

impl Played {
    fn new(channels: usize) -> Self {
        let spec = EngineSpec {
            sample_rate_hz: RATE.into(),
            channels,
        };
        let (writer, comparison) = tap(spec.sample_rate_hz, channels).unwrap();
        Self {
            engine: Engine::new(spec).with_tap(writer),
            comparison,
            channels,
        }
    }

    fn side_chain(&self) -> SideChainReader {
        self.comparison.side_chain()
    }

    /// Plays this beside a mix of noise in blocks of these lengths in turn, not so fast that the
    /// worker cannot follow. Nothing is sent by the side-chain where there are no planes.
    fn play(&mut self, side: &[Vec<f32>], frames: usize, blocks: &[usize], tap_on: bool) {
        let settings = Settings {
            tap: TapSettings {
                on: tap_on,
                ..TapSettings::default()
            },
            ..Settings::default()
        };
        self.play_at(side, frames, blocks, &settings);
    }

    fn play_at(&mut self, side: &[Vec<f32>], frames: usize, blocks: &[usize], settings: &Settings) {
        let mut mix = noise(self.channels, frames, 0.1, 3);
        let mut start = 0;
        for length in blocks.iter().cycle() {
            if start == frames {
                break;
            }
            let end = frames.min(start + length);
            let side: Vec<&[f32]> = side.iter().map(|plane| &plane[start..end]).collect();
            let mut main: Vec<&mut [f32]> =
                mix.iter_mut().map(|plane| &mut plane[start..end]).collect();
            self.engine.process(&mut main, &side, settings);
            start = end;
        }
    }
}

/// Waits until what has been played is measured.
fn follow(capture: &Capture, seconds: f64) {
    let start = Instant::now();
    while capture.captured_s() < seconds - 1e-9 {
        assert!(start.elapsed() < Duration::from_mins(10), "{capture:?}");
        pause(Duration::from_millis(5));
    }
}

fn outcome(capture: &Capture) -> Result<Profile, CaptureError> {
    capture.stop();
    outcome_of(capture)
}

/// What came of it once it has ended.
fn outcome_of(capture: &Capture) -> Result<Profile, CaptureError> {
    let start = Instant::now();
    loop {
        if let Some(outcome) = capture.outcome() {
            return outcome;
        }
        assert!(start.elapsed() < Duration::from_mins(10), "{capture:?}");
        pause(Duration::from_millis(5));
    }
}

/// Source: the profile of the same samples without engine or ring, which
/// `tests/engine/reference.rs` holds to its sources.
#[test]
fn what_comes_in_between_start_and_stop_is_measured_to_the_last_bit() {
    let song = turnstile(RATE).channels;
    for (channels, tap_on, blocks) in [
        (2, false, &[512_usize][..]),
        (1, true, &[1, 300, 64, 4_096]),
    ] {
        let part: Vec<Vec<f32>> = song[..channels]
            .iter()
            .map(|plane| plane[20 * SECOND..56 * SECOND].to_vec())
            .collect();
        let mut played = Played::new(channels);
        // What comes before the start does not count.
        played.play(&noise(channels, SECOND, 0.9, 5), SECOND, blocks, tap_on);
        let capture = Capture::begin(played.side_chain(), Section::Loudest, |_| ()).unwrap();
        for second in 0..36 {
            let now = second * SECOND..(second + 1) * SECOND;
            let now: Vec<Vec<f32>> = part
                .iter()
                .map(|plane| plane[now.clone()].to_vec())
                .collect();
            played.play(&now, SECOND, blocks, tap_on);
            follow(&capture, second as f64 + 1.0);
        }
        let captured = outcome(&capture).unwrap();
        // What comes after the stop does not either.
        played.play(&noise(channels, SECOND, 0.9, 6), SECOND, blocks, tap_on);
        assert_eq!(capture.outcome(), None);
        let roles = vec![ChannelRole::Front; channels];
        let mut profiler = Profiler::new(RATE, &roles, Section::Loudest);
        let planes: Vec<&[f32]> = part.iter().map(Vec::as_slice).collect();
        profiler.process(&planes);
        assert_eq!(captured, profiler.finish("side-chain").unwrap());
    }
}

#[test]
fn what_cannot_be_measured_is_told_with_its_remedy() {
    let mut played = Played::new(2);
    let tone = noise(2, 2 * SECOND, 0.3, 7);
    let silence = vec![vec![0.0; 4 * SECOND]; 2];
    // Below −70 LUFS, the absolute gate of ITU-R BS.1770-5.
    let faint = noise(2, 4 * SECOND, 1e-5, 8);
    for (side, frames, wanted) in [
        (&[][..], SECOND, CaptureError::Nothing),
        (
            &tone,
            2 * SECOND,
            CaptureError::Unusable(ProfileError::TooShort { duration_s: 2.0 }),
        ),
        (
            &faint,
            4 * SECOND - 1_000,
            CaptureError::Unusable(ProfileError::Silent),
        ),
        // What a side-chain sounds like to which nothing is connected.
        (&silence, 4 * SECOND - 1_000, CaptureError::Nothing),
    ] {
        let capture = Capture::begin(played.side_chain(), Section::Loudest, |_| ()).unwrap();
        played.play(side, frames, &[480], false);
        let error = outcome(&capture).unwrap_err();
        assert_eq!(error, wanted);
        assert!(error.to_string().contains("capture"), "{error}");
    }
    // One that is given up leaves nothing running, and the next begins anew.
    drop(Capture::begin(played.side_chain(), Section::Whole, |_| ()).unwrap());
    played.play(&tone, SECOND, &[480], false);
    let capture = Capture::begin(played.side_chain(), Section::Whole, |_| ()).unwrap();
    assert_eq!(outcome(&capture).unwrap_err(), CaptureError::Nothing);
}

/// A host that changes its sample rate gets another engine: the capture ends with what came until
/// then, and nobody waits for more.
#[test]
fn a_capture_ends_where_its_engine_does() {
    let mut played = Played::new(2);
    let capture = Capture::begin(played.side_chain(), Section::Whole, |_| ()).unwrap();
    played.play(&noise(2, 2 * SECOND, 0.3, 7), 2 * SECOND, &[480], false);
    let Played {
        engine, comparison, ..
    } = played;
    drop(engine);
    let two_seconds = ProfileError::TooShort { duration_s: 2.0 };
    let error = outcome_of(&capture).unwrap_err();
    assert_eq!(error, CaptureError::Unusable(two_seconds));
    drop(comparison);
}

/// What a host renders meanwhile comes faster than it could be measured, and is none of it. Source: the
/// profile of the rest.
#[test]
fn a_file_that_is_written_meanwhile_is_left_out() {
    let mut played = Played::new(2);
    let capture = Capture::begin(played.side_chain(), Section::Whole, |_| ()).unwrap();
    let part = noise(2, 6 * SECOND, 0.3, 9);
    let written = Settings {
        listen: ListenSettings {
            written: true,
            ..ListenSettings::default()
        },
        ..Settings::default()
    };
    played.play(&part, 6 * SECOND, &[512], false);
    played.play_at(
        &noise(2, 14 * SECOND, 0.9, 10),
        14 * SECOND,
        &[512],
        &written,
    );
    played.play(&part, 6 * SECOND, &[512], false);
    let captured = outcome(&capture).unwrap();
    let mut profiler = Profiler::new(RATE, &[ChannelRole::Front; 2], Section::Whole);
    for _ in 0..2 {
        let planes: Vec<&[f32]> = part.iter().map(Vec::as_slice).collect();
        profiler.process(&planes);
    }
    assert_eq!(captured, profiler.finish("side-chain").unwrap());
}

/// A worker that is held up for longer than there is room finds that out: nothing is told of a song
/// with a hole in it.
#[test]
fn what_was_written_over_is_not_measured() {
    let mut played = Played::new(2);
    let reader = played.side_chain();
    let first = reader.begin();
    let noise = noise(2, 14 * SECOND, 0.3, 8);
    played.play(&noise, 14 * SECOND, &[512], false);
    let mut planes = Vec::new();
    assert_eq!(reader.read(first, &mut planes), None);
    assert!(
        reader
            .read(first + 3 * u64::from(RATE), &mut planes)
            .unwrap()
            > 1_000
    );
    assert_eq!(planes.len(), 2);
}
