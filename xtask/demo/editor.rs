//! The editor's picture: what it shows while the song is pushed into a window.
//!
//! What the built plug-in measures stays inside it. So the same engine runs here beside it, at the
//! same settings; the picture is only drawn if both come to the same figures.

use crate::beside::Pair;
use crate::{BLOCK, print_readings};
use crestline_core::measure::{ChannelRole, Meter, Readings};
use crestline_core::session::forecast::{Forecasted, Stretch};
use crestline_core::session::reference::{LOUDEST_PART_S, Reference, beside};
use crestline_core::session::rink_floor;
use crestline_plugin::params::CrestlineParams;
use egui_kittest::kittest::Queryable;
use nice_plug::prelude::{BoolParam, FloatParam, Param};
use rig::clap_host::{Change, ClapHost, Result, Run};
use rig::editor_stage::{RATE_HZ, SIZE, Stage, open, picture_of};
use songs::Song;
use std::path::{Path, PathBuf};

/// A parameter among all.
type Of<P> = fn(&CrestlineParams) -> &P;

const PUSH_DB: f64 = 6.5;
/// Both measure the same samples with the same meter; two compilations may round differently. dB
/// and LU.
const SAME_DB: f64 = 0.01;
/// So much of the song is played: up to its last chords, before it dies away.
pub const PLAYED_S: usize = 70;
/// Frames drawn before the picture, so that every axis has arrived.
const FRAMES: usize = 150;

/// Plays the song through the plug-in in `file` and through the engine, and draws the editor of the
/// latter with what has been forecast of it, beside the reference. Returns where the pictures are:
/// of the decision, and of the balance.
pub fn draw(
    file: &Path,
    song: &Song,
    pair: &Pair,
    forecast: Forecasted,
    folder: &Path,
) -> Result<[PathBuf; 2]> {
    let mut stage = Stage::default().with_forecast(forecast);
    stage.params.session.update(|session| {
        session.choose_own(rink_floor());
        session.reference = Some(Reference {
            profile: pair.reference.clone(),
            file: None,
        });
    });
    let shelves = pair.shelves();
    let numbers: [(Of<FloatParam>, f64); 5] = [
        (|params| &params.shelves.low_gain, shelves.low_gain_db),
        (|params| &params.shelves.low_corner, shelves.low_hz),
        (|params| &params.shelves.high_gain, shelves.high_gain_db),
        (|params| &params.shelves.high_corner, shelves.high_hz),
        (|params| &params.push, PUSH_DB),
    ];
    let switches: [Of<BoolParam>; 2] = [|params| &params.saturator.on, |params| &params.limiter.on];

    let mut host = ClapHost::open(file)?;
    host.activate(RATE_HZ, BLOCK)?;
    let mut changes = Vec::new();
    let mut change = |name: &str, value: f32| -> Result<()> {
        let (frame, id) = (0, host.param(name)?.id);
        let value = value.into();
        changes.push(Change { frame, id, value });
        Ok(())
    };
    for (of, value) in numbers {
        let (param, value) = (of(&stage.params), value as f32);
        change(param.name(), param.preview_normalized(value))?;
        stage.set_plain(of, value);
    }
    for of in switches {
        change(of(&stage.params).name(), 1.0)?;
        stage.set_plain(of, true);
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

    let settings = stage.params.chain_settings();
    if let Some(found) = beside(latest(song), &settings, &pair.reference) {
        stage = stage.with_beside(found);
    }
    let mut harness = open(stage, SIZE, 1.0);
    harness.state_mut().play(played);
    agree(&received, &harness.state().snapshot().output.readings)?;
    println!("The editor shows the same figures.\n");
    harness.run_steps(FRAMES);
    let decision = folder.join("editor.png");
    picture_of(&mut harness).save(&decision)?;
    harness.get_by_label("Show balance").click();
    harness.run_steps(FRAMES);
    let balance = folder.join("editor-balance.png");
    picture_of(&mut harness).save(&balance)?;
    Ok([decision, balance])
}

/// The music that the editor would compare with the reference.
fn latest(song: &Song) -> Stretch {
    #[expect(clippy::cast_sign_loss, reason = "half a minute of frames")]
    let frames = (LOUDEST_PART_S * RATE_HZ) as usize;
    let end = PLAYED_S * song.sample_rate_hz as usize;
    let part = |channel: &Vec<f32>| channel[end - frames..end].to_vec();
    Stretch::new(RATE_HZ, song.channels.iter().map(part).collect())
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
