//! The editor's picture: what it shows while the song is pushed into a window.
//!
//! What the built plug-in measures stays inside it. So the same engine runs here beside it, at the
//! same settings; the picture is only drawn if both come to the same figures.

use crate::{BLOCK, print_readings};
use crestline_core::measure::{ChannelRole, Meter, Readings};
use crestline_core::session::forecast::Forecasted;
use crestline_core::session::rink_floor;
use nice_plug::prelude::Param;
use rig::clap_host::{Change, ClapHost, Result, Run};
use rig::editor_stage::{RATE_HZ, SIZE, Stage, open, picture_of};
use songs::Song;
use std::path::{Path, PathBuf};

const PUSH_DB: f32 = 6.5;
/// Both measure the same samples with the same meter; two compilations may round differently. dB
/// and LU.
const SAME_DB: f64 = 0.01;
/// So much of the song is played: up to its last chords, before it dies away.
pub const PLAYED_S: usize = 70;
/// Frames drawn before the picture, so that every axis has arrived.
const FRAMES: usize = 150;

/// Plays the song through the plug-in in `file` and through the engine, and draws the editor of the
/// latter with what has been forecast of it. Returns the picture's place.
pub fn draw(file: &Path, song: &Song, forecast: Forecasted, folder: &Path) -> Result<PathBuf> {
    let stage = Stage::default().with_forecast(forecast);
    stage
        .params
        .session
        .update(|session| session.choose_own(rink_floor()));
    stage.set_plain(|params| &params.push, PUSH_DB);
    stage.set_plain(|params| &params.saturator.on, true);
    stage.set_plain(|params| &params.limiter.on, true);

    let mut host = ClapHost::open(file)?;
    host.activate(RATE_HZ, BLOCK)?;
    let params = &stage.params;
    let mut changes = Vec::new();
    for (name, value) in [
        (params.push.name(), params.push.preview_normalized(PUSH_DB)),
        (params.saturator.on.name(), 1.0),
        (params.limiter.on.name(), 1.0),
    ] {
        changes.push(Change {
            frame: 0,
            id: host.param(name)?.id,
            value: value.into(),
        });
    }
    let frames = PLAYED_S * song.sample_rate_hz as usize;
    let played = song.channels.each_ref().map(|channel| &channel[..frames]);
    let input = played.map(<[f32]>::to_vec);
    let output = host.run(Run {
        changes: &changes,
        ..Run::new(&input, &[BLOCK])
    })?;
    let mut meter = Meter::new(RATE_HZ, &[ChannelRole::Front; 2], input[0].len());
    meter.process(&output.iter().map(Vec::as_slice).collect::<Vec<_>>());
    let received = meter.readings();
    println!(
        "Pushed by {PUSH_DB} dB, saturated and limited, {PLAYED_S} s of the song came back as:"
    );
    print_readings(&received);

    let mut harness = open(stage, SIZE, 1.0);
    harness.state_mut().play(played);
    agree(&received, &harness.state().snapshot().output.readings)?;
    println!("The editor shows the same figures.\n");
    harness.run_steps(FRAMES);
    let path = folder.join("editor.png");
    picture_of(&mut harness).save(&path)?;
    Ok(path)
}

/// An error unless both sides have measured the same.
fn agree(received: &Readings, shown: &Readings) -> Result<()> {
    let figures = |readings: &Readings| {
        [
            readings.integrated_lufs,
            readings.short_term_max_lufs,
            readings.momentary_max_lufs,
            readings.loudness_range_lu,
            readings.true_peak_dbtp,
            readings.plr_db,
            readings.ldr_db,
        ]
    };
    for pair in figures(received).into_iter().zip(figures(shown)) {
        match pair {
            (Some(received), Some(shown)) if (received - shown).abs() <= SAME_DB => {}
            _ => return Err(format!("the editor shows other figures: {pair:?}").into()),
        }
    }
    Ok(())
}
