//! A day of programme through everything at once, faster than it sounds: the engine under
//! automation, the editor opened and closed, forecasts, references, instances that come and go.
//!
//! `soak [HOURS] [SEED]`: 24 hours of programme and a seed from the clock, unless told otherwise.
//! Automation and programme follow from the seed alone; what the editor is asked for also depends
//! on how fast the machine is. Prints its figures; ends with 1 and a reason for each that does not
//! hold.

#![allow(
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a test stops at the first thing that goes wrong, and its figures are its output"
)]

mod automation;
mod continuity;
mod drift;
mod instances;
mod memory;
mod player;
mod programme;
mod verdict;
mod window;

use crestline_core::handover::{
    AuditionLoop, AuditionSender, EditorEnd, HistoryReader, audition, handover,
};
use crestline_core::session::forecast::Forecaster;
use crestline_plugin::params::CrestlineParams;
use kit::allocator::held_bytes;
use kit::chance::Chance;
use kit::growth::growth;
use player::{Part, Player};
use programme::RATE_HZ;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use verdict::Counts;
use window::Window;

#[cfg(not(debug_assertions))]
#[global_allocator]
static ALLOCATOR: kit::allocator::Counting = kit::allocator::Counting;

const FRAME: Duration = Duration::from_millis(40);
/// What is held must not have changed for so long before it is counted.
const STILL: Duration = Duration::from_millis(400);
const LONGEST_WAIT: Duration = Duration::from_secs(20);
/// A forecast that is begun while the audio thread waits has been completed by then.
const LONGEST_FORECAST: Duration = Duration::from_mins(3);
/// The usual length of a part, seconds of programme.
const PART_S: f64 = 3_600.0;
/// Parts are whole multiples of this many frames: of the steps of meters (240), and of the spectra
/// of the balance (65 536). So the new engine of the last part counts them as the old one does.
const STEP_FRAMES: f64 = 983_040.0;

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let hours = arguments
        .next()
        .map_or(Ok(24.0), |hours| hours.parse::<f64>());
    let now = SystemTime::now().duration_since(UNIX_EPOCH);
    let now = now.map_or(0, |since| since.as_secs());
    let seed = arguments.next().map_or(Ok(now), |seed| seed.parse::<u64>());
    match (hours, seed, arguments.next()) {
        (Ok(hours), Ok(seed), None) if (0.1..=1_000.0).contains(&hours) => soak(hours, seed),
        _ => {
            eprintln!(
                "soak: wanted are hours of programme from 0.1 to 1000, and a seed that is a whole number"
            );
            ExitCode::from(2)
        }
    }
}

fn soak(hours: f64, seed: u64) -> ExitCode {
    #[expect(clippy::cast_sign_loss, reason = "hours are positive")]
    let parts = (hours * 3_600.0 / PART_S).ceil().max(2.0) as u64;
    let steps = hours * 3_600.0 * f64::from(RATE_HZ) / parts as f64 / STEP_FRAMES;
    #[expect(clippy::cast_sign_loss, reason = "hours are positive")]
    let frames = (steps.round().max(5.0) * STEP_FRAMES) as u64;
    let hours = parts as f64 * frames as f64 / f64::from(RATE_HZ) / 3_600.0;
    println!("{hours:.2} h of programme in {parts} parts, seed {seed}");
    let began = Instant::now();
    let params = Arc::new(CrestlineParams::default());
    let (to_editor, editor_end) = handover();
    let (to_watcher, watcher) = handover();
    let (references, receiver) = audition();
    let (mut player, music) = Player::new(&params, seed, [to_editor, to_watcher], receiver);
    println!("{} parameters are automated", player.automated());
    let forecaster = Forecaster::default();
    forecaster.set_source(music);
    let reference = player.programme().reference();
    let mut house = House {
        history: editor_end.history(),
        window: Window::new(params, editor_end, forecaster.clone(), seed ^ 3),
        watcher,
        forecaster,
        forecasts_seen: 0,
        references,
        reference,
        chance: Chance::new(seed ^ 4),
        instance: None,
        counts: Counts::default(),
        newest: 0,
        commands: 0,
        reference_is_there: false,
    };
    let (done, parts_done) = sync_channel(0);
    let (go, may_go_on) = sync_channel(0);
    let audio = std::thread::Builder::new()
        .name("audio".into())
        .spawn(move || {
            for part in 0..parts {
                if part + 1 == parts {
                    player.set_beside();
                }
                // An error means that the other side has given up.
                if done.send(player.play(frames)).is_err() || may_go_on.recv().is_err() {
                    break;
                }
            }
            player.drift()
        });
    let audio = audio.expect("a thread");
    let finished = house.watch_over(&parts_done, &go, parts, began);
    drop((parts_done, go));
    let drift = audio.join().ok().flatten();
    let Ok([whole, last]) = finished else {
        eprintln!("soak: failed, the audio thread has ended");
        return ExitCode::FAILURE;
    };
    house.print(&whole, &last, drift.as_ref(), began.elapsed());
    let failures = verdict::failures(&house.counts, &whole, &last, drift.as_ref());
    for failure in &failures {
        eprintln!("soak: failed, {failure} (seed {seed})");
    }
    if failures.is_empty() {
        println!("soak: all of it holds");
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

/// Everything but the audio thread.
struct House {
    history: HistoryReader,
    window: Window,
    /// Sees every snapshot that the editor sees, and gives commands.
    watcher: EditorEnd,
    forecaster: Forecaster,
    forecasts_seen: u64,
    references: AuditionSender,
    reference: Vec<Vec<f32>>,
    chance: Chance,
    /// State of the instance that was here last.
    instance: Option<Vec<u8>>,
    counts: Counts,
    /// Frames measured as of the newest snapshot.
    newest: u64,
    commands: u64,
    reference_is_there: bool,
}

impl House {
    /// Goes on until all parts are played; returns the last but one and the last.
    fn watch_over(
        &mut self,
        parts_done: &Receiver<Part>,
        go: &SyncSender<()>,
        parts: u64,
        began: Instant,
    ) -> Result<[Part; 2], RecvTimeoutError> {
        let mut before = None;
        for number in 1..=parts {
            self.prepare();
            let part = self.watch_until_done(parts_done)?;
            self.take_stock(&part);
            let (held, resident) = (self.counts.held.last(), self.counts.resident.last());
            let mib =
                |bytes: Option<&usize>| bytes.map_or(0.0, |bytes| *bytes as f64 / 1_048_576.0);
            println!(
                "part {number:3}: {:6.2} h played in {:7.1} s, {:6.2} MiB held, {:6.1} MiB resident, {} frames drawn, {} forecasts",
                part.played as f64 / f64::from(RATE_HZ) / 3_600.0,
                began.elapsed().as_secs_f64(),
                mib(held),
                mib(resident),
                self.window.frames,
                self.counts.forecasts,
            );
            // An error shows with the next part.
            let _ = go.send(());
            self.newest = 0;
            before = match before {
                Some(before) if number == parts => return Ok([before, part]),
                _ => Some(part),
            };
        }
        Err(RecvTimeoutError::Disconnected)
    }

    /// What is begun together with a part.
    fn prepare(&mut self) {
        self.reference_is_there = !self.reference_is_there;
        if self.reference_is_there {
            let made = AuditionLoop::new(RATE_HZ.into(), 2, self.reference.clone());
            let sent = made.ok().and_then(|made| self.references.send(made).ok());
            self.counts.references_missed += u64::from(sent.is_none());
        } else {
            self.references.clear();
        }
        self.watcher.clear_overs();
        self.commands += 1;
    }

    fn watch_until_done(&mut self, parts_done: &Receiver<Part>) -> Result<Part, RecvTimeoutError> {
        loop {
            match parts_done.recv_timeout(FRAME) {
                Err(RecvTimeoutError::Timeout) => {}
                other => return other,
            }
            self.window.step();
            self.follow_forecasts();
            let measured = self.watcher.latest().input.readings.frames;
            // In the last part the measurement begins anew.
            if measured < self.newest && measured > self.newest / 2 {
                self.counts.snapshots_missed += 1;
            }
            self.newest = measured;
        }
    }

    fn follow_forecasts(&mut self) {
        let Some(found) = self.forecaster.newer_than(&mut self.forecasts_seen) else {
            return;
        };
        if found.done {
            self.counts.forecasts += 1;
            let paths = found
                .points
                .iter()
                .flat_map(|point| [point.clean, point.saturated]);
            let broken = found.points.is_empty()
                || paths
                    .into_iter()
                    .any(|path| path.integrated_lufs.is_some_and(|lufs| !lufs.is_finite()));
            self.counts.forecasts_broken += u64::from(broken);
        }
    }

    /// With settings at rest and the window open, one must come.
    fn wait_for_a_forecast(&mut self) {
        let (began, before) = (Instant::now(), self.counts.forecasts);
        let (_never, wait) = sync_channel::<()>(0);
        while self.counts.forecasts == before && began.elapsed() < LONGEST_FORECAST {
            self.window.keep_open();
            self.follow_forecasts();
            let _ = wait.recv_timeout(FRAME);
        }
        self.counts.forecasts_missed += u64::from(self.counts.forecasts == before);
    }

    /// While the audio thread waits: all that was told must be there, and nothing else be held.
    fn take_stock(&mut self, part: &Part) {
        self.wait_for_a_forecast();
        self.window.close();
        self.forecaster.cancel();
        let newest = *self.watcher.latest();
        self.counts.snapshots_missed += u64::from(newest != part.told);
        let reference_is_there = newest.activity.reference.is_some();
        self.counts.references_missed += u64::from(reference_is_there != self.reference_is_there);
        self.counts.commands_missed += self.commands.abs_diff(part.commands_seen);
        self.counts.points_missing += continuity::missing(&self.history, part.measured);
        match instances::come_and_go(&mut self.chance, self.instance.as_deref()) {
            Ok(state) => self.instance = Some(state),
            Err(error) => panic!("an instance beside it: {error}"),
        }
        self.counts.held.push(held_when_still());
        self.counts.resident.extend(memory::resident());
    }

    fn print(&self, whole: &Part, last: &Part, drift: Option<&drift::Drift>, took: Duration) {
        let counts = &self.counts;
        let hours = last.played as f64 / f64::from(RATE_HZ) / 3_600.0;
        let took_s = took.as_secs_f64();
        println!(
            "played            {hours:.2} h in {took_s:.0} s, {:.0} times as fast as it sounds",
            3_600.0 * hours / took_s
        );
        println!("automation        {} values set", last.changes);
        println!("went in           {} samples that are none", last.faults);
        println!(
            "came out          {} samples that are none",
            last.non_finite
        );
        println!(
            "editor            opened {} times, {} frames",
            self.window.opened, self.window.frames
        );
        println!(
            "forecasts         {} complete, {} broken, {} did not come",
            counts.forecasts, counts.forecasts_broken, counts.forecasts_missed
        );
        println!(
            "hand-over         {} points, {} snapshots, {} commands, {} references missed",
            counts.points_missing,
            counts.snapshots_missed,
            counts.commands_missed,
            counts.references_missed
        );
        let kib = |bytes: Option<usize>| {
            bytes.map_or("not known".into(), |bytes| {
                format!("{:.1} KiB", bytes as f64 / 1024.0)
            })
        };
        println!(
            "memory growth     {} held, {} resident",
            kib(counts.growth_held()),
            kib(growth(&counts.resident))
        );
        let told = |value: Option<f64>| value.map_or("–".into(), |value| format!("{value:.3}"));
        let input = &whole.told.input.readings;
        let [loudness, range] = whole.library;
        println!(
            "whole, input      {} LUFS (library {}), range {} LU (library {})",
            told(input.integrated_lufs),
            told(loudness),
            told(input.loudness_range_lu),
            told(range)
        );
        if let Some(drift) = drift {
            println!(
                "last part         {} figures, {} comparisons with a fresh measurement; furthest off:",
                drift.figures(),
                drift.compared
            );
            for (name, off) in drift.worst().into_iter().take(3) {
                println!("                  {name}, {off:.2e}");
            }
        }
    }
}

/// Bytes held once nothing moves any more.
fn held_when_still() -> usize {
    let (_never, wait) = sync_channel::<()>(0);
    let began = Instant::now();
    let mut held = held_bytes();
    loop {
        let _ = wait.recv_timeout(STILL);
        let now = held_bytes();
        if now == held || began.elapsed() > LONGEST_WAIT {
            return now;
        }
        held = now;
    }
}
