//! The before tap's reading as a text that any host can show: a parameter that nobody sets.

use crestline_core::handover::{Tap, TapState};
use nice_plug::prelude::*;
use std::fmt::Write as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, AtomicU64, Ordering};

/// A value that is not known.
const UNTOLD: u32 = f32::NAN.to_bits();

/// What the text says.
#[derive(Debug)]
pub struct TapReading {
    shown: Arc<Shown>,
}

/// The last reading. Each value by itself is whole; that they belong to the same block does not
/// matter to a reader.
#[derive(Debug)]
struct Shown {
    /// State in the lowest byte, polarity in the next, delay in the upper half.
    way: AtomicU64,
    reduction_db: [AtomicU32; 4],
    distortion_db: AtomicU32,
}

impl TapReading {
    /// A hidden, read-only parameter, and what sets its text.
    ///
    /// The framework has no way for a plug-in to set a parameter's value, so the value stays 0 and
    /// the text tells everything.
    pub fn new(name: &str) -> (FloatParam, Self) {
        let untold = || AtomicU32::new(UNTOLD);
        let shown = Arc::new(Shown {
            way: AtomicU64::new(0),
            reduction_db: std::array::from_fn(|_| untold()),
            distortion_db: untold(),
        });
        let text = Arc::clone(&shown);
        let param = FloatParam::new(name, 0.0, FloatRange::Linear { min: 0.0, max: 1.0 })
            .with_value_to_string(Arc::new(move |_| text.text()))
            .with_string_to_value(Arc::new(|_| Some(0.0)))
            .hide()
            .non_automatable();
        (param, Self { shown })
    }

    /// Takes a new reading: the mean reduction and distortion of the last 3 s.
    ///
    /// # Realtime
    /// Yes: a few atomic stores.
    pub fn update(&self, tap: &Tap) {
        let state = match tap.state {
            TapState::Off => 0,
            TapState::NoSideChain => 1,
            TapState::Listening => 2,
            TapState::Aligned => 3,
            TapState::NotRelated => 4,
            TapState::Settling => 5,
            TapState::NotFixed => 6,
            TapState::Failed => 7,
        };
        let way = state
            | u64::from(tap.inverted && !tap.linear.opposed) << 8
            | u64::from(tap.delay_frames.cast_unsigned()) << 32;
        // Relaxed throughout: these values order nothing but themselves.
        self.shown.way.store(way, Ordering::Relaxed);
        let bits = |db: Option<f32>| db.map_or(UNTOLD, f32::to_bits);
        for (cell, band) in self.shown.reduction_db.iter().zip(&tap.reduction.bands) {
            cell.store(bits(band.reduction.mean_3s_db), Ordering::Relaxed);
        }
        self.shown
            .distortion_db
            .store(bits(tap.reduction.distortion.mean_3s_db), Ordering::Relaxed);
    }
}

impl Shown {
    fn text(&self) -> String {
        let way = self.way.load(Ordering::Relaxed);
        match way & 0xff {
            0 => return "off".to_owned(),
            1 => return "no side-chain".to_owned(),
            2 => return "listening".to_owned(),
            4 => return "not related".to_owned(),
            5 => return "settling".to_owned(),
            6 => return "not a fixed device".to_owned(),
            7 => return "stopped by a fault of Crestline's own".to_owned(),
            _ => {}
        }
        let delay_frames = ((way >> 32) as u32).cast_signed();
        let polarity = if way & 0x100 == 0 {
            ""
        } else {
            ", polarity inverted"
        };
        let mut text = format!("aligned, delay {delay_frames} samples{polarity}; reduction");
        for band in &self.reduction_db {
            push_decibels(&mut text, band);
        }
        text.push_str(" dB; distortion");
        push_decibels(&mut text, &self.distortion_db);
        text.push_str(" dB");
        text
    }
}

fn push_decibels(text: &mut String, cell: &AtomicU32) {
    let db = f32::from_bits(cell.load(Ordering::Relaxed));
    if db.is_nan() {
        text.push_str(" —");
    } else {
        // Writing to a text cannot fail.
        let _ = write!(text, " {db:.2}");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_text_says_what_was_told() {
        let (param, reading) = TapReading::new("reading");
        let text = || param.normalized_value_to_string(0.0, true);
        assert_eq!(text(), "off");
        let mut tap = Tap {
            state: TapState::Aligned,
            delay_frames: -480,
            inverted: true,
            ..Tap::default()
        };
        tap.reduction.bands[2].reduction.mean_3s_db = Some(3.25);
        tap.reduction.distortion.mean_3s_db = Some(-41.5);
        reading.update(&tap);
        let expected = "aligned, delay -480 samples, polarity inverted; reduction — — 3.25 — dB; distortion -41.50 dB";
        assert_eq!(text(), expected);
        reading.update(&Tap {
            state: TapState::NotRelated,
            ..Tap::default()
        });
        assert_eq!(text(), "not related");
    }
}
