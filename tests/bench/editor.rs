//! What one frame of the editor costs.

use std::hint::black_box;

use super::figures::{Figures, Wanted, median, seconds};
use super::programme::RATE_HZ;
use crestline_core::handover::{AudioEnd, Moment};
use crestline_core::measure::Readings;
use crestline_plugin::editor::install;
use egui::{Event, RawInput, Rect, pos2, vec2};
use rig::editor_stage::Stage;

const SIZE: [f32; 2] = [1_100.0, 760.0];
/// Frames a second that the window draws at most.
const FRAMES_PER_SECOND: u32 = 40;
/// Frames drawn before the first that counts: fonts are being rasterised, axes are on their way.
const WARM_UP: usize = 40;
/// Seconds of programme played in front of the window.
const SHOWN_S: u32 = 30;
/// The same frames are drawn so often, each counting with its least: what else the machine does is
/// not the editor's cost.
const RUNS: usize = 5;
const DAY_S: u32 = 24 * 3_600;

/// CPU time from a new snapshot to triangles, the longest history behind it and everything moving:
/// each frame has another 25 ms of programme, and the mouse goes across.
pub fn frame(programme: &[Vec<f32>; 2], figures: &mut Figures) {
    let mut least_ms = vec![f64::INFINITY; (SHOWN_S * FRAMES_PER_SECOND) as usize];
    for _ in 0..RUNS {
        run(programme, &mut least_ms);
    }
    let counted = &mut least_ms[WARM_UP..];
    let middle = median(counted);
    let high = counted[counted.len() * 99 / 100];
    figures.add("editor_frame_ms", middle, 2, "ms", Wanted::AtMost(3.0));
    figures.add("editor_frame_p99_ms", high, 2, "ms", Wanted::AtMost(6.0));
    let frames = counted.len();
    figures.note(&format!(
        "{frames} frames of {} × {} points, each at its least of {RUNS} runs",
        SIZE[0], SIZE[1]
    ));
}

/// Draws all frames with a new editor.
fn run(programme: &[Vec<f32>; 2], least_ms: &mut [f64]) {
    let mut stage = busy();
    live_through_a_day(&mut stage.audio);
    let ctx = egui::Context::default();
    install(&ctx);
    let step = (RATE_HZ / FRAMES_PER_SECOND) as usize;
    let steps = programme[0]
        .chunks_exact(step)
        .zip(programme[1].chunks_exact(step));
    for (index, ((left, right), least_ms)) in steps.zip(least_ms).enumerate() {
        stage.play([left, right]);
        let across = (index as f32 * 0.01).fract();
        let input = RawInput {
            screen_rect: Some(Rect::from_min_size(pos2(0.0, 0.0), SIZE.into())),
            time: Some(index as f64 / f64::from(FRAMES_PER_SECOND)),
            events: vec![Event::PointerMoved(
                (across * vec2(SIZE[0], SIZE[1])).to_pos2(),
            )],
            ..RawInput::default()
        };
        let took_s = seconds(|| {
            let mut output = ctx.run_ui(input, |ui| stage.draw(ui));
            // What changed in the textures would go to the graphics card.
            output.textures_delta.clear();
            black_box(ctx.tessellate(output.shapes, output.pixels_per_point));
        });
        *least_ms = least_ms.min(1e3 * took_s);
    }
}

/// Every stage at work.
fn busy() -> Stage {
    let stage = Stage::default();
    stage.set_plain(|params| &params.push, 6.0);
    stage.set_plain(|params| &params.shelves.low_gain, 2.0);
    stage.set_plain(|params| &params.bands.on, true);
    for band in 0..4 {
        stage.set_plain(|params| &params.band[band].threshold, -24.0);
    }
    stage.set_plain(|params| &params.saturator.on, true);
    stage.set_plain(|params| &params.limiter.on, true);
    stage.set_plain(|params| &params.matched, true);
    stage
}

/// Enters a day in which every value goes up and down all the time.
fn live_through_a_day(audio: &mut AudioEnd) {
    for tenth in 0..10 * DAY_S {
        let wave = 4.0 * (f64::from(tenth) * 0.7).sin() + 3.0 * (f64::from(tenth) * 0.0003).sin();
        let [input, clean, output] = [-20.0, -14.0, -13.0].map(|lufs| Readings {
            momentary_lufs: Some(lufs + 1.5 * wave),
            short_term_lufs: Some(lufs + wave),
            short_term_plr_db: Some(-lufs - wave),
            ldr_10s_db: Some(4.0 + 0.3 * wave),
            ..Readings::default()
        });
        let gain_db = -wave.abs() as f32;
        let moment = Moment {
            input: &input,
            clean: &clean,
            output: &output,
            true_peak_dbtp: Some(-3.0 + wave),
            clean_limiter_db: gain_db,
            output_limiter_db: 0.5 * gain_db,
            band_reduction_db: [Some(gain_db); 4],
            distortion_db: Some(-40.0 + wave as f32),
            song_position_s: Some(f64::from(tenth) / 10.0),
            playing: tenth % 6_000 > 50,
        };
        audio.record(&moment, (RATE_HZ / 10) as usize, RATE_HZ.into());
    }
}
