//! The mix beside its reference while it plays.

use std::time::{Duration, Instant};

use crestline_core::handover::recent;
use crestline_core::measure::{BandCrest, mid_band_hz};
use crestline_core::process::{ChainSettings, PushSettings, ShelvesSettings};
use crestline_core::session::Section;
use crestline_core::session::forecast::{Forecaster, Stretch};
use crestline_core::session::reference::{BesideMeter, Profile, Profiler, beside};
use kit::metering::STEREO;
use kit::pause::pause;
use songs::rink_lights;

use crate::memory::alone;

const RATE: u32 = 48_000;
const RATE_HZ: f64 = 48_000.0;
/// What is compared: some of the demo song.
const SECONDS: usize = 30;

fn music() -> [Vec<f32>; 2] {
    rink_lights(RATE)
        .channels
        .map(|channel| channel[10 * RATE as usize..][..SECONDS * RATE as usize].to_vec())
}

fn profile(channels: &[Vec<f32>; 2]) -> Profile {
    let mut profiler = Profiler::new(RATE, &STEREO, Section::Whole);
    let [left, right] = channels;
    for (left, right) in left.chunks(4_800).zip(right.chunks(4_800)) {
        profiler.process(&[left, right]);
    }
    profiler.finish("test").unwrap()
}

/// Sources: the `ebur128` crate for the loudness, our own crest meter over the whole of the audio
/// for the density (held to its sources in `tests/measure`), and for push the gain itself.
#[test]
fn the_mix_is_measured_as_a_reference_is() {
    let music = music();
    let reference = profile(&music);
    let planes: Vec<&[f32]> = music.iter().map(Vec::as_slice).collect();
    let library = kit::reference::reference(RATE_HZ, &STEREO, &planes);
    let mut crest = BandCrest::new(RATE_HZ, &STEREO);
    crest.process(&planes);
    let settings = ChainSettings {
        push: PushSettings { push_db: 3.0 },
        ..ChainSettings::default()
    };
    for (settings, gain_db) in [(ChainSettings::default(), 0.0), (settings, 3.0)] {
        let stretch = Stretch::new(RATE_HZ, music.to_vec());
        let found = beside(stretch, &settings, &reference).unwrap();
        let told = found.output.part.integrated_lufs.unwrap();
        let error = told - gain_db - library.integrated_lufs;
        assert!(error.abs() < 0.05, "{told}");
        let worst = found
            .output
            .part
            .band_crest_db
            .into_iter()
            .zip(crest.crest_db())
            .map(|(told, crest)| (told.unwrap() - crest.unwrap()).abs())
            .fold(0.0, f64::max);
        println!("beside: {gain_db} dB: loudness within {error:.4} LU, crest within {worst:.3} dB");
        assert!(worst < 0.05, "{worst}");
        // The mix is the reference: push is all there is between them.
        let matched = found.comparison.match_gain_db.unwrap();
        assert!((matched - gain_db).abs() < 0.05, "{matched}");
        for difference in found.comparison.difference_db.into_iter().flatten() {
            assert!(difference.abs() < 0.1, "{difference}");
        }
        assert!(!found.shelves.unwrap().helps());
        assert!(found.now_db.unwrap() < 0.1);
    }
}

/// By construction: the reference's balance is the music's as the chain's shelves would make it, by
/// their closed form (Audio EQ Cookbook), so these shelves are what is suggested, whatever is set
/// at the time, and with them set nothing is left to gain.
#[test]
fn what_is_suggested_takes_the_place_of_what_is_set() {
    let music = music();
    let wanted = ShelvesSettings {
        low_hz: 110.0,
        low_gain_db: -3.0,
        high_hz: 4_000.0,
        high_gain_db: 2.5,
    };
    let mut reference = profile(&music);
    let filters = wanted.coefficients(RATE_HZ);
    for (band, level) in reference.part.balance_db.iter_mut().enumerate() {
        let hz = mid_band_hz(band);
        let gains = filters.map(|shelf| shelf.magnitude_db(hz, RATE_HZ));
        *level = level.map(|level| level + gains.iter().sum::<f64>());
    }
    let other = ShelvesSettings {
        low_gain_db: 2.0,
        high_gain_db: -1.0,
        ..ShelvesSettings::default()
    };
    for set in [ShelvesSettings::default(), other, wanted] {
        let settings = ChainSettings {
            shelves: set,
            ..ChainSettings::default()
        };
        let stretch = Stretch::new(RATE_HZ, music.to_vec());
        let found = beside(stretch, &settings, &reference).unwrap();
        let (told, now_db) = (found.shelves.unwrap(), found.now_db.unwrap());
        let shelves = told.shelves;
        println!("beside: {now_db:.2} → {:.2} dB: {shelves:?}", told.after_db);
        for (is, wanted) in [
            (shelves.low_gain_db, wanted.low_gain_db),
            (shelves.high_gain_db, wanted.high_gain_db),
        ] {
            assert!((is - wanted).abs() < 0.5, "{is} for {wanted}");
        }
        for (is, wanted) in [
            (shelves.low_hz, wanted.low_hz),
            (shelves.high_hz, wanted.high_hz),
        ] {
            assert!((is / wanted).log2().abs() < 1.0 / 3.0, "{is} for {wanted}");
        }
        assert!(told.after_db < 0.3, "{}", told.after_db);
        if set == wanted {
            assert!(now_db < 0.3, "{now_db}");
        } else {
            assert!(now_db > 1.0, "{now_db}");
        }
    }
}

/// What has been found once something other than `before` has.
fn until_found(
    meter: &mut BesideMeter,
    settings: &ChainSettings,
    reference: &Profile,
    wanted: impl Fn(&crestline_core::session::reference::Beside) -> bool,
) -> bool {
    let begun = Instant::now();
    while begun.elapsed() < Duration::from_mins(10) {
        meter.ask(settings, reference, Instant::now());
        if meter.found().is_some_and(|found| wanted(&found)) {
            return true;
        }
        pause(Duration::from_millis(10));
    }
    false
}

/// The worker's part: it needs ten seconds of music, follows the settings and the reference, and
/// forgets what was found when the music is taken away.
#[test]
fn it_follows_settings_and_music() {
    let _memory = alone();
    let music = music();
    let reference = profile(&music);
    let forecaster = Forecaster::default();
    let mut meter = BesideMeter::new(forecaster.clone());
    let (mut writer, reader) = recent(RATE_HZ, 2).unwrap();
    forecaster.set_source(Some(reader.clone()));
    let [left, right] = &music;
    let early = 9 * RATE as usize;
    writer.write(&[&left[..early], &right[..early]]);
    let neutral = ChainSettings::default();
    for _ in 0..30 {
        meter.ask(&neutral, &reference, Instant::now());
        pause(Duration::from_millis(10));
    }
    assert_eq!(meter.found(), None);
    // Nobody looks meanwhile: of what is met half written the rest may be too little to be new.
    forecaster.set_source(None);
    writer.write(&[&left[early..], &right[early..]]);
    forecaster.set_source(Some(reader));
    assert!(until_found(&mut meter, &neutral, &reference, |found| {
        (found.music_s - SECONDS as f64).abs() < 0.1
    }));
    let louder = ChainSettings {
        push: PushSettings { push_db: 3.0 },
        ..neutral
    };
    assert!(until_found(&mut meter, &louder, &reference, |found| {
        found
            .comparison
            .match_gain_db
            .is_some_and(|gain_db| (gain_db - 3.0).abs() < 0.1)
    }));
    // Another reference: what was found of the one before is gone at once.
    let mut other = reference.clone();
    other.name = "another".into();
    meter.ask(&louder, &other, Instant::now());
    assert_eq!(meter.found(), None);
    // Back before it could be measured: that one is measured again.
    assert!(until_found(&mut meter, &louder, &reference, |_| true));
    assert!(until_found(&mut meter, &louder, &other, |_| true));
    forecaster.set_source(None);
    let begun = Instant::now();
    while meter.found().is_some() {
        meter.ask(&louder, &other, Instant::now());
        assert!(begun.elapsed() < Duration::from_mins(10));
        pause(Duration::from_millis(10));
    }
}

/// Asks until nothing is found any more.
fn until_forgotten(meter: &mut BesideMeter, settings: &ChainSettings, reference: &Profile) {
    let begun = Instant::now();
    while meter.found().is_some() {
        assert!(begun.elapsed() < Duration::from_mins(10));
        meter.ask(settings, reference, Instant::now());
        pause(Duration::from_millis(10));
    }
}

/// What is marked is what is compared, and nothing from outside the marks; music from another
/// source, as after a change of rate, is other music, however little of it there is.
#[test]
fn only_the_music_that_counts_is_compared() {
    let _memory = alone();
    let music = music();
    let reference = profile(&music);
    let settings = ChainSettings::default();
    let forecaster = Forecaster::default();
    let mut meter = BesideMeter::new(forecaster.clone());
    let (mut writer, reader) = recent(RATE_HZ, 2).unwrap();
    forecaster.set_source(Some(reader));
    let played = |seconds: std::ops::Range<usize>, gain: f32| {
        let range = seconds.start * RATE as usize..seconds.end * RATE as usize;
        music.each_ref().map(|channel| {
            let part = channel[range.clone()].iter();
            part.map(|x| gain * x).collect::<Vec<_>>()
        })
    };
    let [left, right] = played(0..15, 1.0);
    writer.write(&[&left, &right]);
    forecaster.mark();
    let quiet = played(15..27, 0.25);
    let [left, right] = &quiet;
    writer.write(&[left, right]);
    forecaster.mark();
    let planes = [&left[..], &right[..]];
    let library = kit::reference::reference(RATE_HZ, &STEREO, &planes);
    assert!(until_found(&mut meter, &settings, &reference, |found| {
        let told = found.output.part.integrated_lufs.unwrap();
        println!(
            "beside: {:.1} s marked, {told:.2} LUFS for {:.2}",
            found.music_s, library.integrated_lufs
        );
        assert!(found.marked && (found.music_s - 12.0).abs() < 0.1);
        (told - library.integrated_lufs).abs() < 0.05
    }));
    // What follows is not of one piece with what was marked.
    forecaster.mark();
    until_forgotten(&mut meter, &settings, &reference);
    let [left, right] = played(0..11, 1.0);
    writer.write(&[&left, &right]);
    assert!(until_found(&mut meter, &settings, &reference, |found| {
        !found.marked && (found.music_s - 11.0).abs() < 0.1
    }));
    drop(writer);
    forecaster.set_source(None);
    // Each source takes the place of the one before between two looks.
    let source = |seconds: usize| {
        let (mut writer, reader) = recent(RATE_HZ, 2).unwrap();
        let [left, right] = played(0..seconds, 1.0);
        writer.write(&[&left, &right]);
        forecaster.set_source(Some(reader));
    };
    for seconds in [12, 15] {
        source(seconds);
        assert!(until_found(&mut meter, &settings, &reference, |found| {
            (found.music_s - seconds as f64).abs() < 0.1
        }));
    }
    source(5);
    until_forgotten(&mut meter, &settings, &reference);
}

/// What *apply* would do to the loudness, with shelves in use that it takes the place of: the same
/// music with either, measured.
#[test]
fn taking_the_suggestion_is_told_from_what_is_set() {
    let music = music();
    let wanted = ShelvesSettings {
        low_gain_db: -3.0,
        low_hz: 150.0,
        ..ShelvesSettings::default()
    };
    let with = |shelves: ShelvesSettings| ChainSettings {
        shelves,
        ..ChainSettings::default()
    };
    let of = |shelves: ShelvesSettings, reference: &Profile| {
        beside(
            Stretch::new(RATE_HZ, music.to_vec()),
            &with(shelves),
            reference,
        )
        .unwrap()
    };
    // The reference: the music with the shelves that are wanted.
    let neutral = profile(&music);
    let reference = of(wanted, &neutral).output;
    for set_db in [5.0, -5.0] {
        let set = ShelvesSettings {
            low_gain_db: set_db,
            low_hz: 150.0,
            ..ShelvesSettings::default()
        };
        let found = of(set, &reference);
        let taken = of(found.shelves.unwrap().shelves, &reference);
        let change =
            taken.output.part.integrated_lufs.unwrap() - found.output.part.integrated_lufs.unwrap();
        let told = found.taking_lu.unwrap();
        println!("beside: {set_db} dB set: {told:+.2} LU told, {change:+.2} LU measured");
        assert!((told - change).abs() < 0.15, "{told} {change}");
        assert!(change * set_db < 0.0 && change.abs() > 0.2, "{change}");
    }
}

/// By construction: the reference is the music as a file at 8 kHz holds it, of the band that
/// reaches past 4 kHz a part and nothing above (sampling theorem).
#[test]
fn what_a_low_rate_leaves_out_is_nothing_to_come_near_to() {
    let music = music();
    let mut reference = profile(&music);
    reference.sample_rate_hz = 8_000;
    for (band, level) in reference.part.balance_db.iter_mut().enumerate() {
        let part = (mid_band_hz(band) < 4_400.0).then_some(6.0);
        if mid_band_hz(band) > 3_600.0 {
            *level = level.zip(part).map(|(level, part)| level - part);
        }
    }
    let stretch = Stretch::new(RATE_HZ, music.to_vec());
    let found = beside(stretch, &ChainSettings::default(), &reference).unwrap();
    let shelves = found.shelves.unwrap();
    println!("beside 8 kHz: {shelves:.2?}, now {:.2?} dB", found.now_db);
    assert!(!shelves.helps());
    assert!(found.now_db.unwrap() < 0.1);
    assert_eq!(found.comparison.crest_difference_db[2..], [None; 2]);
}
