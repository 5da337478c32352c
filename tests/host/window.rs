//! The plug-in's real window in a host, on a screen without a monitor. Linux only: there a screen
//! can be had anywhere.
//!
//! What the window shows is compared with what the project's own painter draws on the processor
//! from another engine that has heard the same.
#![cfg(target_os = "linux")]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test stops at the first thing that goes wrong, and says what it has measured"
)]

use crestline_core::handover::recent;
use crestline_core::session::forecast::Forecaster;
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use image::RgbaImage;
use kit::pause::pause;
use nice_plug::prelude::Param;
use rig::clap_host::{Change, ClapHost, Result, Run};
use rig::editor_stage::{RATE_HZ, SIZE, Stage, open, picture_of};
use rig::held::in_use_kib;
use rig::screen::HostWindow;
use songs::{Song, rink_lights};
use std::collections::HashSet;
use std::ops::Range;
use std::path::Path;
use std::sync::LazyLock;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

static SONG: LazyLock<Song> = LazyLock::new(|| rink_lights(48_000));

/// Frames in a block: 10 ms.
const BLOCK: usize = 480;
/// A picture that has not changed for so long has come to rest.
const REST: Duration = Duration::from_millis(250);
/// A machine that does other things besides may take so long over anything.
const PATIENCE: Duration = Duration::from_mins(1);

/// Runs a test of this file.
fn on_a_screen(test: &str, work: fn() -> Result<()>) {
    rig::screen::on_a_screen(&format!("window::{test}"), work);
}

/// Lets time pass on the main thread, as a host does between two rounds of its event loop.
pub fn idle(host: &mut ClapHost) -> Result<()> {
    host.idle()?;
    pause(Duration::from_millis(10));
    Ok(())
}

/// What the window shows once it has come to rest, and how long it took until then.
pub fn at_rest(host: &mut ClapHost, window: &HostWindow) -> Result<(RgbaImage, Duration)> {
    let start = Instant::now();
    let mut last = None;
    let mut changed = start;
    while start.elapsed() < PATIENCE {
        let picture = window.picture()?;
        if picture != last {
            changed = Instant::now();
            last = picture;
        } else if changed.elapsed() > REST
            && let Some(picture) = last.take_if(|picture| is_drawn(picture))
        {
            return Ok((picture, changed - start));
        }
        idle(host)?;
    }
    Err("the window does not come to rest".into())
}

/// Whether something has been drawn: letters have soft edges, so there are many colours.
fn is_drawn(picture: &RgbaImage) -> bool {
    colours(picture) > 50
}

/// How many colours are found at a tenth of the places.
fn colours(picture: &RgbaImage) -> usize {
    let places = picture.pixels().step_by(11);
    places.collect::<HashSet<_>>().len()
}

/// Pixels of either picture that differ from their counterparts by more than rounding does.
fn differing(one: &RgbaImage, other: &RgbaImage) -> usize {
    /// Of 255.
    const ROUNDING: u8 = 3;
    assert_eq!(one.dimensions(), other.dimensions());
    let pairs = one.pixels().zip(other.pixels());
    pairs
        .filter(|(one, other)| {
            let channels = one.0.iter().zip(&other.0);
            channels
                .map(|(one, other)| one.abs_diff(*other))
                .any(|difference| difference > ROUNDING)
        })
        .count()
}

/// A new instance with somebody to ask for forecasts, as in a host; there is no music yet.
fn first_opened() -> Stage {
    let forecaster = Forecaster::default();
    let music = recent(RATE_HZ, 2);
    forecaster.set_source(music.map(|(_, reader)| reader));
    Stage::first_opened().with_forecaster(forecaster)
}

/// The rows of the table of numbers alone.
fn numbers(harness: &Harness<'_, Stage>, picture: &RgbaImage) -> RgbaImage {
    let rows = harness.query_all_by_label_contains(", clean ");
    let area = rows.map(|row| row.rect()).reduce(egui::Rect::union);
    let area = area.unwrap();
    #[expect(clippy::cast_sign_loss, reason = "the table lies within the window")]
    let [left, top, width, height] =
        [area.left(), area.top(), area.width(), area.height()].map(|value| value as u32);
    image::imageops::crop_imm(picture, left, top, width, height).to_image()
}

/// Compares the window with what it ought to show: the numbers to the last pixel, the rest but for
/// a few.
fn assert_shows(shown: &RgbaImage, harness: &mut Harness<'_, Stage>, what: &str) {
    // The bands' trails begin at a pixel that hangs on the rounding of times, and so on which
    // frames were drawn before.
    const FEW: usize = 400;
    let ought = expected(harness);
    let off = differing(shown, &ought);
    let rows = [shown, &ought].map(|picture| numbers(harness, picture));
    let rows_off = differing(&rows[0], &rows[1]);
    println!("window: {what}: {off} pixels of the whole and {rows_off} of the numbers are off");
    if off > FEW || rows_off > 0 {
        for (picture, name) in [(shown, "shown"), (&ought, "expected")] {
            let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("window_{name}.png"));
            picture.save(path).unwrap();
        }
        panic!("{what}: see {}", env!("CARGO_TARGET_TMPDIR"));
    }
}

/// Draws what the window ought to show, its axes arrived.
fn expected(harness: &mut Harness<'_, Stage>) -> RgbaImage {
    harness.run_steps(150);
    picture_of(harness)
}

/// A part of the song.
fn part(seconds: Range<usize>) -> [&'static [f32]; 2] {
    #[expect(clippy::cast_sign_loss, reason = "a rate is positive")]
    let rate = RATE_HZ as usize;
    let frames = seconds.start * rate..seconds.end * rate;
    SONG.channels
        .each_ref()
        .map(|channel| &channel[frames.clone()])
}

fn owned(channels: [&[f32]; 2]) -> Vec<Vec<f32>> {
    channels.map(<[f32]>::to_vec).into()
}

/// A host whose plug-in pushes, saturates and limits from the first block on, and a stage that does
/// the same.
fn pushed(stage: &Stage, host: &mut ClapHost) -> Result<Vec<Change>> {
    const PUSH_DB: f32 = 6.5;
    let params = &stage.params;
    stage.set_plain(|params| &params.push, PUSH_DB);
    stage.set_plain(|params| &params.limiter.on, true);
    stage.set_plain(|params| &params.saturator.on, true);
    let settings = [
        (params.push.name(), params.push.preview_normalized(PUSH_DB)),
        (params.limiter.on.name(), 1.0),
        (params.saturator.on.name(), 1.0),
    ];
    let change = |(name, value): (&str, f32)| {
        let id = host.param(name)?.id;
        Ok(Change {
            frame: 0,
            id,
            value: value.into(),
        })
    };
    settings.into_iter().map(change).collect()
}

/// About five times as fast as in a room.
fn paced(process: &mut dyn FnMut()) {
    pause(Duration::from_millis(2));
    process();
}

/// A block takes as long as it lasts.
fn in_real_time(process: &mut dyn FnMut()) {
    pause(Duration::from_millis(10));
    process();
}

#[test]
fn it_shows_the_numbers_of_the_audio_being_played() {
    on_a_screen("it_shows_the_numbers_of_the_audio_being_played", || {
        // After the last block, until the last change of the picture.
        const SETTLED: Duration = Duration::from_secs(3);
        let mut host = ClapHost::linked(&crestline_plugin::clap_entry)?;
        host.activate(RATE_HZ, BLOCK)?;
        let size = host.window_size()?;
        assert_eq!(size.map(|points| points as f32), SIZE);
        let mut harness = open(first_opened(), SIZE, 1.0);

        let window = HostWindow::show(size)?;
        host.open_window(window.id())?;
        let (silent, took) = at_rest(&mut host, &window)?;
        println!(
            "window: drawn {took:?} after opening, {} colours",
            colours(&silent)
        );

        assert_shows(&silent, &mut harness, "before any audio");

        // The mouse reaches what it points at: the plane's other measure, and back.
        for measure in ["Plane shows microdynamics", "Plane shows PLR"] {
            let at = harness.get_by_label(measure).rect().center();
            window.point_at([at.x as i16, at.y as i16])?;
            at_rest(&mut host, &window)?;
            window.click()?;
            at_rest(&mut host, &window)?;
            window.point_at([0, 0])?;
            let (clicked, _) = at_rest(&mut host, &window)?;
            harness.get_by_label(measure).click();
            harness.run_steps(3);
            harness.event(egui::Event::PointerMoved(egui::Pos2::ZERO));
            assert_shows(&clicked, &mut harness, measure);
        }

        // In all less than a forecast is made of, which would come whenever it is done.
        let mut heard = vec![Vec::new(); 2];
        let changes = pushed(harness.state(), &mut host)?;
        let input = owned(part(0..6));
        let run = Run {
            changes: &changes,
            around: paced,
            ..Run::new(&input, &[BLOCK])
        };
        let mut states = Vec::new();
        append(
            &mut heard,
            &host.run_during(run, |host| {
                let start = Instant::now();
                while start.elapsed() < Duration::from_millis(1_800) {
                    if let Some(picture) = window.picture()? {
                        let rows = numbers(&harness, &picture);
                        if states.last() != Some(&rows) {
                            states.push(rows);
                        }
                    }
                    idle(host)?;
                }
                Ok(())
            })?,
        );
        println!(
            "window: {} states of the numbers while audio ran",
            states.len()
        );
        assert!(states.len() >= 5, "the numbers hardly move");
        let (loud, took) = at_rest(&mut host, &window)?;
        println!("window: at rest {took:?} after the last block");
        assert!(took < SETTLED);
        harness.state_mut().play(part(0..6));
        assert_shows(&loud, &mut harness, "after six seconds");
        // What makes the comparisons worth something: other numbers are told apart.
        let rows = [&silent, &loud].map(|picture| numbers(&harness, picture));
        assert!(differing(&rows[0], &rows[1]) > 1_000);

        // What is measured while the window is closed is there when it is opened again, and goes
        // on.
        host.close_window()?;
        let input = owned(part(6..8));
        append(&mut heard, &host.run(Run::new(&input, &[BLOCK]))?);
        host.open_window(window.id())?;
        let (reopened, _) = at_rest(&mut host, &window)?;
        harness.state_mut().play(part(6..8));
        assert_shows(&reopened, &mut harness, "opened again");
        let input = owned(part(8..9));
        append(&mut heard, &host.run(Run::new(&input, &[BLOCK]))?);
        let (last, _) = at_rest(&mut host, &window)?;
        harness.state_mut().play(part(8..9));
        assert_shows(&last, &mut harness, "and a second on");
        host.close_window()?;

        // A host without a window hears the same, to the last bit.
        let mut plain = ClapHost::linked(&crestline_plugin::clap_entry)?;
        plain.activate(RATE_HZ, BLOCK)?;
        let input = owned(part(0..9));
        let run = Run {
            changes: &changes,
            ..Run::new(&input, &[BLOCK])
        };
        assert!(plain.run(run)? == heard, "the window disturbs the audio");
        Ok(())
    });
}

fn append(to: &mut [Vec<f32>], channels: &[Vec<f32>]) {
    for (to, channel) in to.iter_mut().zip(channels) {
        to.extend_from_slice(channel);
    }
}

/// What a process holds.
#[derive(Clone, Copy, Debug)]
struct Held {
    in_use_kib: usize,
    files: usize,
    threads: usize,
}

/// What the process holds once what was going on has come to its end: a forecast that nobody looks
/// at any more is given up, but a copy of its music (23 MB a minute) may be on its way.
fn held_at_rest(host: &mut ClapHost) -> Result<Held> {
    let mut least = held()?;
    for _ in 0..200 {
        idle(host)?;
        let now = held()?;
        least = Held {
            in_use_kib: least.in_use_kib.min(now.in_use_kib),
            ..now
        };
    }
    Ok(least)
}

/// Asks the system, see proc(5).
fn held() -> Result<Held> {
    Ok(Held {
        in_use_kib: in_use_kib()?,
        files: std::fs::read_dir("/proc/self/fd")?.count(),
        threads: threads()?,
    })
}

fn threads() -> Result<usize> {
    Ok(std::fs::read_dir("/proc/self/task")?.count())
}

/// Opens the window and closes it again: every fifth time once it is drawn, else while it is on the
/// way there.
fn open_and_close(host: &mut ClapHost, window: &HostWindow, turn: u64) -> Result<()> {
    let before = threads()?;
    host.open_window(window.id())?;
    let start = Instant::now();
    let until = Duration::from_millis(turn * 37 % 300);
    let mut drawn = false;
    while !drawn && (turn.is_multiple_of(5) || start.elapsed() < until) {
        idle(host)?;
        drawn = window.picture()?.as_ref().is_some_and(is_drawn);
        if start.elapsed() > PATIENCE {
            return Err("nothing is drawn".into());
        }
    }
    host.close_window()?;
    // A host may now unload the plug-in: whoever draws must have ended. The thread that keeps the
    // clipboard, and one at its very end, may be left.
    let left = threads()?.saturating_sub(before);
    if left > 2 {
        return Err(format!("{left} threads go on after the window is closed").into());
    }
    let start = Instant::now();
    while threads()? > before || !window.is_empty()? {
        idle(host)?;
        if start.elapsed() > PATIENCE {
            return Err("the window is closed, and something of it goes on".into());
        }
    }
    Ok(())
}

#[test]
fn fifty_openings_leave_nothing_behind() {
    on_a_screen("fifty_openings_leave_nothing_behind", || {
        let mut host = ClapHost::linked(&crestline_plugin::clap_entry)?;
        host.activate(RATE_HZ, BLOCK)?;
        let window = HostWindow::show(host.window_size()?)?;
        // A minute of music is kept for the forecast: what that takes is there before it counts,
        // however long the machine takes over the openings.
        host.run(Run::new(&owned(part(0..60)), &[BLOCK]))?;
        let openings = |host: &mut ClapHost, turns: Range<u64>, with_audio: bool| {
            if !with_audio {
                return turns
                    .into_iter()
                    .try_for_each(|turn| open_and_close(host, &window, turn));
            }
            let stop = AtomicBool::new(false);
            let input = owned(part(0..60));
            let run = Run {
                stop: Some(&stop),
                around: in_real_time,
                ..Run::new(&input, &[BLOCK])
            };
            let heard = host.run_during(run, |host| {
                let done = turns
                    .into_iter()
                    .try_for_each(|turn| open_and_close(host, &window, turn));
                stop.store(true, Ordering::Relaxed);
                done
            })?;
            assert!(heard[0].len() < input[0].len(), "audio ran all the time");
            Ok(())
        };
        openings(&mut host, 0..5, false)?;
        openings(&mut host, 5..10, true)?;
        let mut counted = vec![held_at_rest(&mut host)?];
        for start in [10, 30] {
            openings(&mut host, start..start + 10, false)?;
            openings(&mut host, start + 10..start + 20, true)?;
            counted.push(held_at_rest(&mut host)?);
        }
        println!("window: after 10, 30 and 50 openings {counted:?}");
        let [before, half, after] = counted[..] else {
            return Err("three counts".into());
        };
        // One picture alone takes 3.7 MiB, fonts and buffers more. What is lost is the keyboard's
        // map, some 60 KiB, which the windowing library does not give back, and a little in the
        // libraries that draw: 90 to 103 KiB an opening have been seen.
        let grown_kib = [(before, half), (half, after)]
            .map(|(from, to)| to.in_use_kib.saturating_sub(from.in_use_kib));
        assert!(
            grown_kib.iter().max() < Some(&(20 * 160)),
            "{grown_kib:?} KiB in 20 openings each"
        );
        assert!(after.files <= before.files);
        assert!(after.threads <= before.threads);
        Ok(())
    });
}

/// Waits until the window has a size and has drawn it.
pub fn at_rest_in(
    host: &mut ClapHost,
    window: &HostWindow,
    [width, height]: [u32; 2],
) -> Result<RgbaImage> {
    let start = Instant::now();
    while start.elapsed() < PATIENCE {
        let (picture, _) = at_rest(host, window)?;
        if picture.dimensions() == (width, height) {
            return Ok(picture);
        }
    }
    Err(format!("the window does not become {width} × {height}").into())
}

#[test]
fn the_host_can_resize_it_and_it_comes_back_in_the_size_it_had() {
    on_a_screen(
        "the_host_can_resize_it_and_it_comes_back_in_the_size_it_had",
        || {
            const LARGER: [u32; 2] = [1_300, 900];
            let mut host = ClapHost::linked(&crestline_plugin::clap_entry)?;
            host.activate(RATE_HZ, BLOCK)?;
            let window = HostWindow::show(host.window_size()?)?;
            host.open_window(window.id())?;
            assert!(host.window_can_be_resized()?);
            at_rest(&mut host, &window)?;

            window.resize(LARGER)?;
            assert_eq!(host.resize_window(LARGER)?, LARGER);
            let shown = at_rest_in(&mut host, &window, LARGER)?;
            assert_eq!(host.window_size()?, LARGER);
            let size = LARGER.map(|points| points as f32);
            let mut harness = open(first_opened(), size, 1.0);
            assert_shows(&shown, &mut harness, "larger");

            // As small as its contents allow.
            let least = host.resize_window([300, 200])?;
            println!("window: at least {least:?}");
            at_rest_in(&mut host, &window, least)?;
            let size = least.map(|points| points as f32);
            assert!(size[0] > 300.0 && size[0] < SIZE[0] && size[1] > 200.0 && size[1] < SIZE[1]);
            host.resize_window(LARGER)?;
            at_rest_in(&mut host, &window, LARGER)?;
            host.close_window()?;
            let session = host.save()?;

            // Closed and opened, and in a new instance that has loaded the session: there the
            // plug-in asks the host for the room.
            host.open_window(window.id())?;
            at_rest_in(&mut host, &window, LARGER)?;
            host.close_window()?;
            let mut other = ClapHost::linked(&crestline_plugin::clap_entry)?;
            other.load_state(&session)?;
            other.open_window(window.id())?;
            at_rest_in(&mut other, &window, LARGER)?;
            assert_eq!(other.wanted_window_size(), Some(LARGER));
            other.close_window()
        },
    );
}
