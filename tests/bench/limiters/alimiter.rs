//! The yardstick: ffmpeg's look-ahead limiter, run as a program.

use super::judge::Sound;
use std::io::{Read as _, Write as _};
use std::process::{Command, Stdio};

/// One setting of it.
pub struct Alimiter {
    attack_ms: u32,
    release_ms: u32,
}

/// Whether the program can be run.
pub fn is_there() -> bool {
    let silent = Command::new("ffmpeg")
        .arg("-version")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status();
    silent.is_ok_and(|status| status.success())
}

impl Alimiter {
    const fn new(attack_ms: u32, release_ms: u32) -> Self {
        Self {
            attack_ms,
            release_ms,
        }
    }

    /// What is tried.
    pub const SETTINGS: [Self; 6] = [
        Self::new(5, 50),
        Self::new(5, 100),
        Self::new(5, 200),
        Self::new(10, 50),
        Self::new(10, 100),
        Self::new(10, 200),
    ];

    /// The sound pushed by so much into a limit of full scale, its delay taken out; `None` where
    /// the program fails.
    pub fn limited(&self, sound: &Sound, drive_db: f64) -> Option<Sound> {
        let pushed = sound.pushed(drive_db);
        let [left, right] = &pushed.channels;
        let frames = left.iter().zip(right);
        let input: Vec<u8> = frames
            .flat_map(|(left, right)| [left.to_le_bytes(), right.to_le_bytes()])
            .flatten()
            .collect();
        let rate_hz = sound.rate_hz.to_string();
        let raw = ["-f", "f32le", "-ar", &rate_hz, "-ac", "2"];
        let filter = format!(
            "alimiter=level=disabled:limit=1:attack={}:release={}:latency=1",
            self.attack_ms, self.release_ms
        );
        let mut program = Command::new("ffmpeg")
            .args(["-hide_banner", "-loglevel", "error"])
            .args(raw)
            .args(["-i", "pipe:0", "-af", &filter])
            .args(raw)
            .arg("pipe:1")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .ok()?;
        let mut to = program.stdin.take()?;
        let writer = std::thread::Builder::new()
            .name("feed".into())
            .spawn(move || to.write_all(&input))
            .ok()?;
        let mut output = Vec::new();
        program.stdout.take()?.read_to_end(&mut output).ok()?;
        writer.join().ok()?.ok()?;
        program.wait().ok()?;
        let mut channels = [Vec::new(), Vec::new()];
        for (index, sample) in output.as_chunks::<4>().0.iter().enumerate() {
            channels[index % 2].push(f32::from_le_bytes(*sample));
        }
        let whole = channels
            .iter()
            .all(|channel| channel.len() == pushed.channels[0].len());
        whole.then_some(Sound {
            rate_hz: sound.rate_hz,
            channels,
        })
    }
}
