//! The four bands and the balance.

use crate::editor::number::{NONE, fixed, frequency, with_unit};
use crate::editor::theme::Signal;
use crestline_core::handover::{Column, Point, Snapshot, TapState};
use crestline_core::measure::Reduction;
use crestline_core::measure::{BAND_COUNT, mid_band_hz};

/// The history's columns of the four bands' reductions, low to high.
pub const COLUMNS: [Column; 4] = [
    Column::ReductionLow,
    Column::ReductionLowMid,
    Column::ReductionHighMid,
    Column::ReductionHigh,
];

/// Distortion below this is written as none, dB.
const LEAST_DISTORTION_DB: f64 = -90.0;

/// Shifts of balance and width smaller than this are not mentioned, dB.
const LEAST_SHIFT_DB: f32 = 0.1;

/// What a band pays now; `None` while not known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Paid {
    /// How far it is turned down, dB, positive.
    pub reduction_db: Option<f64>,
    /// Distortion added, dB re the band's level.
    pub distortion_db: Option<f64>,
}

impl Paid {
    /// Both as written: how far it is turned down, without a sign, and the distortion.
    pub fn written(&self) -> [String; 2] {
        [
            with_unit(self.reduction_db, 1, "dB"),
            distortion_in_words(self.distortion_db, 0),
        ]
    }
}

/// Distortion as it is written, with so many decimals.
pub fn distortion_in_words(distortion_db: Option<f64>, decimals: usize) -> String {
    match distortion_db {
        // Rounding of samples lies about there.
        Some(db) if db < LEAST_DISTORTION_DB => "none".into(),
        distortion_db => with_unit(distortion_db, decimals, "dB"),
    }
}

/// What the four bands pay, low to high, as means of the last 3 s, and who pays: in each band clean
/// and then output, where `driven` makes them two; or what lies before the input, where a tap
/// tells.
pub fn costs(snapshot: &Snapshot, tap: bool, driven: bool) -> [Vec<(Option<Signal>, Paid)>; 4] {
    let of = |reduction: &Reduction, index: usize| {
        let band = &reduction.bands[index];
        Paid {
            reduction_db: band.reduction.mean_3s_db.map(f64::from),
            distortion_db: band.distortion.mean_3s_db.map(f64::from),
        }
    };
    std::array::from_fn(|index| {
        if tap {
            return vec![(None, of(&snapshot.tap.reduction, index))];
        }
        let output = (Some(Signal::Output), of(&snapshot.output_reduction, index));
        let clean = (Some(Signal::Clean), of(&snapshot.clean_reduction, index));
        if driven {
            vec![clean, output]
        } else {
            vec![output]
        }
    })
}

/// How the before tap fares, in words; where it is aligned, by how much the side-chain is earlier.
pub fn tap_in_words(snapshot: &Snapshot) -> String {
    let tap = &snapshot.tap;
    match tap.state {
        TapState::Off => "before tap: off".into(),
        TapState::NoSideChain => "before tap: no side-chain".into(),
        TapState::Listening => "before tap: listening".into(),
        TapState::Settling => "before tap: settling".into(),
        TapState::NotFixed => "before tap: not a fixed device".into(),
        TapState::NotRelated => "before tap: not related".into(),
        TapState::Failed => "before tap: stopped by a fault".into(),
        TapState::Aligned => {
            let ms = f64::from(tap.delay_frames) * 1000.0 / snapshot.sample_rate_hz.max(1.0);
            let whole = tap.inverted && !tap.linear.opposed;
            let name = if whole { "inverted" } else { "before" };
            let ms = with_unit(Some(ms), 1, "ms");
            format!("{name} tap: {} samples, {ms}", tap.delay_frames)
        }
    }
}

/// What stays between the tap and the input, in words; `None` while that is not known.
pub fn linear_in_words(snapshot: &Snapshot) -> Option<String> {
    let tap = &snapshot.tap;
    let linear = (tap.state == TapState::Aligned).then_some(&tap.linear)?;
    let signed = |db: f32| with_sign(f64::from(db));
    let tone = match linear.tone() {
        Some((hz, db)) => format!("tone {} at {}", signed(db), frequency(hz)),
        None => "tone unchanged".into(),
    };
    let moved = |name: &str, db: Option<f32>| {
        let db = db.filter(|db| db.abs() >= LEAST_SHIFT_DB)?;
        Some(format!("{name} {}", signed(db)))
    };
    let parts = [
        Some(tone),
        linear
            .exchanged
            .then(|| "left and right exchanged".to_owned()),
        linear.opposed.then(|| {
            let name = if tap.inverted { "left" } else { "right" };
            format!("{name} inverted")
        }),
        linear.right_late_frames.map(|frames| {
            let name = if frames > 0.0 { "right" } else { "left" };
            let samples = fixed(Some(frames.abs()), 1);
            format!("{name} later by {samples} samples")
        }),
        moved("right", linear.balance_db),
        moved("side", linear.width_db),
        linear.muted_channel().map(|name| format!("{name} muted")),
    ];
    Some(parts.into_iter().flatten().collect::<Vec<_>>().join(", "))
}

fn with_sign(db: f64) -> String {
    let sign = if db > 0.0 { "+" } else { "" };
    format!("{sign}{}", with_unit(Some(db), 1, "dB"))
}

/// The tone that stays between the tap and the input, against its level: runs of points, share of
/// the way across and dB.
pub fn linear_curve(snapshot: &Snapshot) -> Vec<Vec<(f32, f32)>> {
    let linear = &snapshot.tap.linear;
    let level_db = linear
        .level_db()
        .filter(|_| snapshot.tap.state == TapState::Aligned);
    let Some(level_db) = level_db else {
        return Vec::new();
    };
    runs(linear.gain_db.map(|gain| gain.map(|gain| gain - level_db)))
}

/// What the bands are called, low to high.
pub const BAND_NAMES: [&str; 4] = ["low", "low-mid", "high-mid", "high"];

/// What the bands are called where their crossovers tell more.
pub fn names(crossovers_hz: [f64; 3]) -> [String; 4] {
    let [low, mid, high] = crossovers_hz.map(short);
    [
        format!("below {low}"),
        format!("{low} – {mid}"),
        format!("{mid} – {high}"),
        format!("above {high}"),
    ]
}

/// A frequency where there is little room: `120`, `1 k`, `6.3 k`.
fn short(hz: f64) -> String {
    if hz < 999.5 {
        fixed(Some(hz), 0)
    } else {
        format!(
            "{}\u{a0}k",
            fixed(Some(hz / 1000.0), 1).trim_end_matches(".0")
        )
    }
}

/// How far along the audible range a frequency lies, octave by octave.
pub fn share_of(hz: f64) -> f32 {
    let [low, high] = [mid_band_hz(0), mid_band_hz(BAND_COUNT - 1)];
    ((hz / low).log2() / (high / low).log2()) as f32
}

/// Levels fall back at this rate, dB/s, so that they can be read.
const FALL_DB_PER_S: f32 = 24.0;
/// What cannot be seen anyway, dBFS.
const UNSEEN_DB: f32 = -200.0;

/// Peak levels that rise at once and fall slowly, along with the audio and not with the clock.
#[derive(Clone, Copy, Debug, Default)]
pub struct Held {
    levels_db: [Option<f32>; 4],
    /// Frames measured when they were last brought up to date.
    frames: u64,
}

impl Held {
    /// Takes in what was told last; returns what is to be shown.
    pub fn follow(&mut self, snapshot: &Snapshot) -> [Option<f32>; 4] {
        let frames = snapshot.input.readings.frames;
        if frames != self.frames {
            let passed = frames.saturating_sub(self.frames) as f64;
            let fall = FALL_DB_PER_S * (passed / snapshot.sample_rate_hz.max(1.0)) as f32;
            for (held, level) in self
                .levels_db
                .iter_mut()
                .zip(snapshot.activity.band_level_db)
            {
                let fallen = held.unwrap_or(UNSEEN_DB) - fall;
                *held = Some(level.unwrap_or(UNSEEN_DB).max(fallen)).filter(|db| *db > UNSEEN_DB);
            }
            self.frames = frames;
        }
        self.levels_db
    }
}

/// The balance of the output less that of the input, each against its own loudness, as curves of
/// (share across, dB), broken where a band is not known.
pub fn change_curve(snapshot: &Snapshot) -> Vec<Vec<(f32, f32)>> {
    let loudness = |point: &Point| point.readings.integrated_lufs;
    let (Some(input), Some(output)) = (loudness(&snapshot.input), loudness(&snapshot.output))
    else {
        return Vec::new();
    };
    let louder = (output - input) as f32;
    let mut bands = snapshot.output.balance.long_term_db;
    for (band, input) in bands.iter_mut().zip(&snapshot.input.balance.long_term_db) {
        *band = band
            .zip(*input)
            .map(|(output, input)| output - input - louder);
    }
    runs(bands)
}

/// Third octaves as runs of points: share of the way across and dB.
pub fn runs(bands: [Option<f32>; BAND_COUNT]) -> Vec<Vec<(f32, f32)>> {
    let mut runs = vec![Vec::new()];
    for (index, band) in bands.into_iter().enumerate() {
        match (band, runs.last_mut()) {
            (Some(db), Some(run)) => run.push((share_of(mid_band_hz(index)), db)),
            _ => runs.push(Vec::new()),
        }
    }
    runs.retain(|run| run.len() > 1);
    runs
}

/// The balance of the third octave at a share of the audible range, in words.
pub fn balance_in_words(snapshot: &Snapshot, share: f32) -> String {
    #[expect(clippy::cast_sign_loss, reason = "a share is not negative")]
    let index = (share.clamp(0.0, 1.0) * (BAND_COUNT - 1) as f32).round() as usize;
    let of = |point: &Point| {
        let band = point.balance.long_term_db.get(index).copied().flatten();
        let loudness = point.readings.integrated_lufs;
        band.zip(loudness)
            .map(|(db, loudness)| f64::from(db) - loudness)
    };
    let change_db = of(&snapshot.output)
        .zip(of(&snapshot.input))
        .map(|(output, input)| output - input);
    let change = change_db.map_or_else(|| NONE.to_owned(), with_sign);
    let hz = frequency(mid_band_hz(index));
    format!("{hz}: {change}, output less input at equal loudness.")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_stays_before_the_input_is_told_in_words() {
        let mut snapshot = Snapshot::default();
        assert_eq!(linear_in_words(&snapshot), None);
        snapshot.tap.state = TapState::Aligned;
        snapshot.tap.linear.gain_db = [Some(-6.0); BAND_COUNT];
        assert_eq!(linear_in_words(&snapshot).unwrap(), "tone unchanged");
        // The 23rd third octave from 20 Hz on is that of 3.15 kHz.
        snapshot.tap.linear.gain_db[22] = Some(-3.0);
        snapshot.tap.linear.width_db = Some(2.0);
        assert_eq!(
            linear_in_words(&snapshot).unwrap(),
            "tone +3.0\u{a0}dB at 3.2\u{a0}kHz, side +2.0\u{a0}dB"
        );
        assert_eq!(linear_curve(&snapshot)[0][22].1, 3.0);
        snapshot.tap.linear.muted = [false, true];
        assert!(
            linear_in_words(&snapshot)
                .unwrap()
                .ends_with(", right muted")
        );
        (snapshot.tap.linear.exchanged, snapshot.tap.linear.opposed) = (true, true);
        for (inverted, name) in [(true, "left"), (false, "right")] {
            snapshot.tap.inverted = inverted;
            let words = linear_in_words(&snapshot).unwrap();
            let told = format!(", left and right exchanged, {name} inverted, side");
            assert!(words.contains(&told), "{words}");
            assert!(tap_in_words(&snapshot).starts_with("before tap"));
        }
        snapshot.tap.state = TapState::NotFixed;
        assert_eq!(linear_in_words(&snapshot), None);
    }

    #[test]
    fn bands_are_named_by_their_crossovers() {
        let names = names([120.0, 1_000.0, 6_000.0]);
        assert_eq!(names[0], "below 120");
        assert_eq!(names[1], "120 – 1\u{a0}k");
        assert_eq!(names[3], "above 6\u{a0}k");
    }

    #[test]
    fn what_is_not_known_is_a_dash() {
        assert_eq!(Paid::default().written(), ["—", "—"]);
        let paid = Paid {
            reduction_db: Some(2.94),
            distortion_db: Some(-31.2),
        };
        let pure = Paid {
            distortion_db: Some(-123.4),
            ..Paid::default()
        };
        assert_eq!(pure.written()[1], "none");
        assert_eq!(paid.written(), ["2.9\u{a0}dB", "−31\u{a0}dB"]);
    }

    #[test]
    fn the_tap_is_told_in_words() {
        let mut snapshot = Snapshot {
            sample_rate_hz: 48_000.0,
            ..Snapshot::default()
        };
        assert_eq!(tap_in_words(&snapshot), "before tap: off");
        snapshot.tap.state = TapState::Aligned;
        snapshot.tap.delay_frames = 480;
        snapshot.tap.inverted = true;
        assert_eq!(
            tap_in_words(&snapshot),
            "inverted tap: 480 samples, 10.0\u{a0}ms"
        );
    }

    #[test]
    fn who_pays_is_told_beside_it() {
        let mut snapshot = Snapshot::default();
        snapshot.tap.reduction.bands[1].reduction.mean_3s_db = Some(2.0);
        snapshot.output_reduction.bands[1].reduction.mean_3s_db = Some(1.0);
        let [_, tap, ..] = costs(&snapshot, true, true);
        assert_eq!((tap.len(), tap[0].0), (1, None));
        assert_eq!(tap[0].1.reduction_db, Some(2.0));
        let [_, both, ..] = costs(&snapshot, false, true);
        let signals: Vec<_> = both.iter().map(|(signal, _)| *signal).collect();
        assert_eq!(signals, [Some(Signal::Clean), Some(Signal::Output)]);
        assert_eq!(both[0].1, Paid::default());
        assert_eq!(both[1].1.reduction_db, Some(1.0));
        let [_, one, ..] = costs(&snapshot, false, false);
        assert_eq!((one.len(), one[0].0), (1, Some(Signal::Output)));
    }

    #[test]
    fn a_level_rises_at_once_and_falls_with_the_audio() {
        let mut held = Held::default();
        let mut snapshot = Snapshot {
            sample_rate_hz: 48_000.0,
            ..Snapshot::default()
        };
        snapshot.input.readings.frames = 480;
        snapshot.activity.band_level_db[1] = Some(-10.0);
        assert_eq!(held.follow(&snapshot), [None, Some(-10.0), None, None]);
        snapshot.activity.band_level_db[1] = Some(-50.0);
        assert_eq!(
            held.follow(&snapshot)[1],
            Some(-10.0),
            "no audio has passed"
        );
        snapshot.input.readings.frames += 24_000;
        assert_eq!(held.follow(&snapshot)[1], Some(-22.0));
        snapshot.activity.band_level_db[1] = None;
        snapshot.input.readings.frames += 480_000;
        assert_eq!(held.follow(&snapshot), [None; 4]);
    }

    #[test]
    fn the_change_is_broken_where_it_is_not_known() {
        let mut snapshot = Snapshot::default();
        for (point, db) in [(&mut snapshot.input, -20.0), (&mut snapshot.output, -12.0)] {
            point.balance.long_term_db[3..6].fill(Some(db));
            point.balance.long_term_db[10..14].fill(Some(db));
        }
        assert!(change_curve(&snapshot).is_empty());
        snapshot.input.readings.integrated_lufs = Some(-16.0);
        snapshot.output.readings.integrated_lufs = Some(-10.0);
        let runs = change_curve(&snapshot);
        assert_eq!(runs.iter().map(Vec::len).collect::<Vec<_>>(), [3, 4]);
        assert!((runs[0][0].1 - 2.0).abs() < 1e-4);
        let words = balance_in_words(&snapshot, share_of(mid_band_hz(4)));
        assert_eq!(
            words,
            "50\u{a0}Hz: +2.0\u{a0}dB, output less input at equal loudness."
        );
    }
}
