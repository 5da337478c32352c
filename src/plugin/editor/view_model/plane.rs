//! The plane: loudness across, PLR or microdynamics up.

use super::heard::Heard;
use crate::editor::theme::Signal;
use crestline_core::handover::{Column, Snapshot};
use crestline_core::session::reference::{Figures, Profile};
use crestline_core::session::{Pixel, PlaneMode, TargetWindow, Trace};

/// How long the trail is, seconds.
pub const TRAIL_S: f64 = 60.0;
/// Points of the trail: two a second.
pub const TRAIL_POINTS: usize = 120;

/// What is steered for is in sight as long as it is not hopelessly far away, LU and dB.
const LOUDNESS_REACH: f64 = 14.0;
const UP_REACH: f64 = 8.0;

/// A place on the plane, in loudness and decibels up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Short-term loudness, LUFS.
    pub lufs: f64,
    /// Short-term PLR or microdynamics, dB.
    pub up_db: f64,
}

/// Where a signal is now; nowhere in a pause.
pub fn now(snapshot: &Snapshot, signal: Signal, mode: PlaneMode) -> Option<Place> {
    let readings = match signal {
        Signal::Input => &snapshot.input.readings,
        Signal::Clean => &snapshot.clean.readings,
        Signal::Output => &snapshot.output.readings,
    };
    let placed = readings.placed();
    let (plr_db, ldr_db) = (placed.short_term_plr_db, placed.ldr_10s_db);
    Place::new(mode, placed.short_term_lufs, plr_db, ldr_db)
}

/// Whether anything sounds, rather than a pause.
pub fn is_heard(snapshot: &Snapshot) -> bool {
    let points = [&snapshot.input, &snapshot.clean, &snapshot.output];
    points
        .iter()
        .any(|point| point.readings.placed().momentary_lufs.is_some())
}

impl Place {
    /// Where this loudness, LUFS, lies with what `mode` has upwards of the two, dB.
    pub fn new(
        mode: PlaneMode,
        lufs: Option<f64>,
        plr_db: Option<f64>,
        ldr_db: Option<f64>,
    ) -> Option<Self> {
        let up_db = match mode {
            PlaneMode::Plr => plr_db,
            PlaneMode::Microdynamics => ldr_db,
        };
        Some(Self {
            lufs: lufs?,
            up_db: up_db?,
        })
    }
}

/// Where the output lies as measured from the last restart on.
pub fn song(snapshot: &Snapshot, mode: PlaneMode) -> Option<Place> {
    let of = &snapshot.output.readings;
    Place::new(mode, of.integrated_lufs, of.plr_db, of.ldr_db)
}

/// Where the reference lies: its part, and all of it where that is something else.
pub fn reference(profile: &Profile, mode: PlaneMode) -> [Option<Place>; 2] {
    let place = |of: &Figures| Place::new(mode, of.integrated_lufs, of.plr_db, of.ldr_db);
    let whole = (profile.whole != profile.part).then_some(&profile.whole);
    [place(&profile.part), whole.and_then(place)]
}

/// Whether a place lies near enough to what is shown to be kept in sight, as the target is.
pub fn is_in_reach(place: Place, [across, up]: [[f64; 2]; 2]) -> bool {
    is_near(place.lufs, across, LOUDNESS_REACH) && is_near(place.up_db, up, UP_REACH)
}

fn is_near(value: f64, [low, high]: [f64; 2], reach: f64) -> bool {
    (low - reach..=high + reach).contains(&value)
}

/// The columns of the history that a signal's trail is made of: across, and up.
pub fn columns(signal: Signal, mode: PlaneMode) -> [Column; 2] {
    match (signal, mode) {
        (Signal::Input, PlaneMode::Plr) => [Column::ShortTermInput, Column::PlrInput],
        (Signal::Input, PlaneMode::Microdynamics) => [Column::ShortTermInput, Column::LdrInput],
        (Signal::Clean, PlaneMode::Plr) => [Column::ShortTermClean, Column::PlrClean],
        (Signal::Clean, PlaneMode::Microdynamics) => [Column::ShortTermClean, Column::LdrClean],
        (Signal::Output, PlaneMode::Plr) => [Column::ShortTermOutput, Column::PlrOutput],
        (Signal::Output, PlaneMode::Microdynamics) => [Column::ShortTermOutput, Column::LdrOutput],
    }
}

/// The trail: each place with its age, 1 for a minute ago and 0 for now; without what still holds
/// something of a pause.
pub fn trail<'a>(
    across: &'a Trace,
    up: &'a Trace,
    heard: &'a Heard,
) -> impl Iterator<Item = (Place, f32)> + 'a {
    let last = |pixel: &Pixel| match *pixel {
        Pixel::Values { last, .. } => Some(f64::from(last)),
        _ => None,
    };
    let count = across.pixels.len().max(1) as f32;
    across
        .pixels
        .iter()
        .zip(&up.pixels)
        .enumerate()
        .filter(|(index, _)| heard.is_settled(*index))
        .filter_map(move |(index, (across, up))| {
            let place = Place {
                lufs: last(across)?,
                up_db: last(up)?,
            };
            Some((place, 1.0 - (index + 1) as f32 / count))
        })
}

/// What the plane has to show: the range of `places` with some room, and the window.
pub fn extent(
    places: impl Iterator<Item = Place>,
    window: &TargetWindow,
    mode: PlaneMode,
) -> Option<[[f64; 2]; 2]> {
    let all = places.fold(None, |range: Option<[[f64; 2]; 2]>, place| {
        let [across, up] = range.unwrap_or([[place.lufs; 2], [place.up_db; 2]]);
        let widened = |[low, high]: [f64; 2], value: f64| [low.min(value), high.max(value)];
        Some([widened(across, place.lufs), widened(up, place.up_db)])
    });
    let [mut across, mut up] = all?;
    for limit in [window.loudness_lufs.low, window.loudness_lufs.high]
        .into_iter()
        .flatten()
    {
        if is_near(limit, across, LOUDNESS_REACH) {
            across = [across[0].min(limit - 0.8), across[1].max(limit + 0.8)];
        }
    }
    if mode == PlaneMode::Plr {
        for limit in [window.plr_db.low, window.plr_db.high]
            .into_iter()
            .flatten()
        {
            if is_near(limit, up, UP_REACH) {
                up = [up[0].min(limit - 0.5), up[1].max(limit + 0.5)];
            }
        }
    }
    let room = if mode == PlaneMode::Plr { 1.0 } else { 0.4 };
    Some([
        [across[0] - 1.0, across[1] + 1.0],
        [(up[0] - room).max(0.0), up[1] + room],
    ])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crestline_core::session::rink_floor;

    #[test]
    fn a_signal_without_a_place_is_not_shown() {
        let mut snapshot = Snapshot::default();
        assert_eq!(now(&snapshot, Signal::Output, PlaneMode::Plr), None);
        snapshot.output.readings.momentary_lufs = Some(-9.0);
        snapshot.output.readings.short_term_lufs = Some(-10.0);
        assert_eq!(now(&snapshot, Signal::Output, PlaneMode::Plr), None);
        snapshot.output.readings.short_term_plr_db = Some(9.0);
        snapshot.output.readings.ldr_10s_db = Some(2.5);
        let at = |up_db| Some(Place { lufs: -10.0, up_db });
        assert_eq!(now(&snapshot, Signal::Output, PlaneMode::Plr), at(9.0));
        assert_eq!(
            now(&snapshot, Signal::Output, PlaneMode::Microdynamics),
            at(2.5)
        );
        // A pause, of which the window of 3 s does not know yet.
        snapshot.output.readings.momentary_lufs = Some(-71.0);
        assert_eq!(now(&snapshot, Signal::Output, PlaneMode::Plr), None);
    }

    #[test]
    fn the_trail_fades_with_age_and_has_gaps() {
        let value = |last| Pixel::Values {
            min: last,
            max: last,
            last,
        };
        let pixels = vec![value(-12.0), Pixel::Unknown, Pixel::Stopped, value(-10.0)];
        let across = Trace {
            pixels,
            ..Trace::default()
        };
        let up = Trace {
            pixels: vec![value(9.0); 4],
            ..Trace::default()
        };
        let trail: Vec<_> = trail(&across, &up, &Heard::default()).collect();
        assert_eq!(trail.len(), 2);
        assert!((trail[0].1 - 0.75).abs() < 1e-6);
        assert!(trail[1].1.abs() < 1e-6);
    }

    #[test]
    fn the_window_is_kept_in_sight() {
        let window = rink_floor();
        let quiet = Place {
            lufs: -16.0,
            up_db: 13.0,
        };
        let [across, up] = extent([quiet].into_iter(), &window, PlaneMode::Plr).unwrap();
        assert!(across[0] < -16.0 && across[1] > -9.0);
        assert!(up[0] < 8.0 && up[1] > 13.0);
        assert_eq!(extent([].into_iter(), &window, PlaneMode::Plr), None);
        let far = Place {
            lufs: -50.0,
            up_db: 13.0,
        };
        let [across, _] = extent([far].into_iter(), &window, PlaneMode::Plr).unwrap();
        assert!(across[1] < -40.0);
    }
}
