//! Profiles of references, and the shelves and findings that come from them.

use crestline_core::measure::ChannelRole::Front;
use crestline_core::measure::{BAND_COUNT, ChannelRole, Meter, mid_band_hz};
use crestline_core::process::{Shelves, ShelvesSettings};
use crestline_core::session::Section;
use crestline_core::session::reference::{
    Comparison, Figures, LARGEST_GAIN_DB, PROFILE_VERSION, Profile, ProfileError, ProfileFileError,
    Profiler, Suggestion, findings, suggest,
};
use kit::metering::{STEREO, readings_of};
use kit::signals::{Random, pink_noise, tone_steps};
use songs::rink_lights;
use std::f64::consts::PI;
use std::f64::consts::TAU;

const RATE: u32 = 48_000;
const RATE_HZ: f64 = 48_000.0;

fn profile(roles: &[ChannelRole], channels: &[&[f32]], section: Section) -> Profile {
    try_profile(RATE, roles, channels, section, 4_800).unwrap()
}

fn try_profile(
    rate: u32,
    roles: &[ChannelRole],
    channels: &[&[f32]],
    section: Section,
    block: usize,
) -> Result<Profile, ProfileError> {
    let mut profiler = Profiler::new(rate, roles, section);
    for start in (0..channels[0].len()).step_by(block) {
        let end = channels[0].len().min(start + block);
        let planes: Vec<&[f32]> = channels.iter().map(|plane| &plane[start..end]).collect();
        profiler.process(&planes);
    }
    profiler.finish("test")
}

fn rink() -> [Vec<f32>; 2] {
    rink_lights(RATE).channels
}

/// Source: the `ebur128` crate for loudness, which it computes from the same standard; our own
/// meter over the same stretch for the rest, which is held to its sources in `tests/measure`.
#[test]
fn the_whole_and_a_part_read_as_the_meter_reads_them() {
    let song = rink();
    let planes: Vec<&[f32]> = song.iter().map(Vec::as_slice).collect();
    let (start_s, end_s) = (20.0, 41.5);
    let told = profile(&STEREO, &planes, Section::Between(start_s, end_s));
    let range = (start_s * RATE_HZ) as usize..(end_s * RATE_HZ) as usize;
    let part: Vec<&[f32]> = planes.iter().map(|plane| &plane[range.clone()]).collect();
    let mut worst = 0.0_f64;
    for (figures, audio) in [(&told.whole, &planes), (&told.part, &part)] {
        let meter = readings_of(RATE_HZ, &STEREO, audio);
        let library = kit::reference::reference(RATE_HZ, &STEREO, audio);
        for (ours, theirs, within) in [
            (figures.integrated_lufs, Some(library.integrated_lufs), 0.05),
            (figures.integrated_lufs, meter.integrated_lufs, 0.01),
            (figures.short_term_max_lufs, meter.short_term_max_lufs, 0.01),
            (figures.true_peak_dbtp, meter.true_peak_dbtp, 0.01),
            (figures.plr_db, meter.plr_db, 0.02),
            (
                figures.short_term_plr_min_db,
                meter.short_term_plr_min_db,
                0.05,
            ),
            (figures.ldr_db, meter.ldr_db, 0.05),
        ] {
            let error = ours.unwrap() - theirs.unwrap();
            worst = worst.max(error.abs());
            assert!(error.abs() <= within, "{ours:?} for {theirs:?}");
        }
    }
    // EBU Tech 3342 says of a minute and less that the range of it is not to be relied on.
    let meter = readings_of(RATE_HZ, &STEREO, &planes);
    let range = |figures: &Figures| figures.loudness_range_lu;
    let (whole, meter) = (
        range(&told.whole).unwrap(),
        meter.loudness_range_lu.unwrap(),
    );
    assert!((whole - meter).abs() < 0.05, "{whole} for {meter}");
    assert_eq!(range(&told.part), None);
    println!("reference: profile against meter and library: at most {worst:.4}");
    assert_eq!((told.part.start_s, told.part.end_s), (start_s, end_s));
}

/// A tone has the same peak wherever it is cut: behind the cut it goes on.
#[test]
fn a_part_that_is_cut_at_a_crest_has_no_peak_of_its_own() {
    let tone: Vec<f32> = (0..20 * 48_000_u32)
        .map(|n| (0.5 * (TAU * 100.0 / RATE_HZ * f64::from(n)).sin()) as f32)
        .collect();
    // A quarter of a period past a whole one.
    let told = profile(&STEREO, &[&tone, &tone], Section::Between(5.0, 15.0025));
    let [whole, part] = [&told.whole, &told.part].map(|figures| figures.true_peak_dbtp.unwrap());
    assert!((part - whole).abs() < 0.01, "{part} for {whole}");
}

/// By construction: one sample at full scale, 2 ms before the end of a part that is no whole number of
/// 10 ms.
#[test]
fn a_peak_at_the_very_end_of_a_part_belongs_to_it() {
    let mut signal: Vec<f32> = (0..20 * 48_000_u32)
        .map(|n| (0.25 * (TAU * 100.0 / RATE_HZ * f64::from(n)).sin()) as f32)
        .collect();
    signal[15 * 48_000 + 48] = 1.0;
    let told = profile(&STEREO, &[&signal, &signal], Section::Between(5.0, 15.003));
    let peak_dbtp = told.part.true_peak_dbtp.unwrap();
    assert!((-0.01..1.0).contains(&peak_dbtp), "{peak_dbtp} dBTP");
}

/// By construction: 30 s of tone stand 12 dB above what is around them, from a tenth of a second
/// that is known.
#[test]
fn the_loudest_part_is_where_it_was_put() {
    let steps = [(41.3, -30.0), (30.0, -18.0), (20.0, -30.0)];
    let signal = tone_steps(RATE_HZ, 1_000.0, &steps);
    let told = profile(&STEREO, &[&signal, &signal], Section::Loudest);
    assert_eq!((told.part.start_s, told.part.end_s), (41.3, 71.3));
    let lufs = told.part.integrated_lufs.unwrap();
    // 1 kHz at −18 dBFS peak in both channels reads −18 LUFS (EBU Tech 3341, 2.9).
    assert!((lufs + 18.0).abs() < 0.05, "{lufs}");
    // Its true peak is that of the tone: no filter took the part's beginning for a click.
    let peak = told.part.true_peak_dbtp.unwrap();
    assert!((peak + 18.0).abs() < 0.05, "{peak}");
    let crest = told.part.band_crest_db[2].unwrap();
    assert!((crest - 3.01).abs() < 0.05, "{crest}");
    // What is shorter is its own loudest part.
    let short = &signal[..RATE as usize * 20];
    let told = profile(&STEREO, &[short, short], Section::Loudest);
    assert_eq!(told.part, told.whole);
    assert_eq!((told.part.start_s, told.part.end_s), (0.0, 20.0));
}

#[test]
fn blocks_do_not_matter_to_the_last_bit() {
    let song = rink();
    let planes: Vec<&[f32]> = song
        .iter()
        .map(|plane| &plane[..RATE as usize * 40])
        .collect();
    for section in [
        Section::Loudest,
        Section::Whole,
        Section::Between(10.03, 17.77),
    ] {
        let told = |block| try_profile(RATE, &STEREO, &planes, section, block).unwrap();
        assert_eq!(told(4_800), told(4_801));
        assert_eq!(told(4_800), told(333));
    }
}

#[test]
fn what_cannot_be_measured_is_refused_by_name() {
    let tone = tone_steps(RATE_HZ, 1_000.0, &[(10.0, -20.0)]);
    let ask = |seconds: usize, section| {
        try_profile(
            RATE,
            &[Front],
            &[&tone[..RATE as usize * seconds]],
            section,
            999,
        )
    };
    let short = ask(2, Section::Whole).unwrap_err();
    assert_eq!(short, ProfileError::TooShort { duration_s: 2.0 });
    for section in [Section::Between(9.0, 20.0), Section::Between(30.0, 60.0)] {
        let outside = ask(10, section).unwrap_err();
        assert_eq!(outside, ProfileError::Outside { duration_s: 10.0 });
    }
    assert!(ask(3, Section::Loudest).is_ok());
    let silence = vec![0.0; RATE as usize * 5];
    let silent = try_profile(RATE, &[Front], &[&silence], Section::Loudest, 999);
    assert_eq!(silent.unwrap_err(), ProfileError::Silent);
    let mut half = vec![0.0; RATE as usize * 20];
    half[..tone.len()].copy_from_slice(&tone);
    let silent = try_profile(RATE, &[Front], &[&half], Section::Between(12.0, 18.0), 999);
    assert_eq!(silent.unwrap_err(), ProfileError::Silent);
}

#[test]
fn a_profile_survives_its_file() {
    let song = rink();
    let planes: Vec<&[f32]> = song
        .iter()
        .map(|plane| &plane[..RATE as usize * 40])
        .collect();
    for section in [Section::Loudest, Section::Between(3.2, 17.0)] {
        let told = profile(&STEREO, &planes, section);
        assert_eq!(Profile::from_json(&told.to_json()), Ok(told));
    }
    let told = profile(&STEREO, &planes, Section::Whole);
    // A field of a later minor change does not matter; a later version does.
    let more = told.to_json().replacen('{', "{\"colour\": 3,", 1);
    assert_eq!(Profile::from_json(&more), Ok(told.clone()));
    let later = told
        .to_json()
        .replacen("\"version\": 5", "\"version\": 6", 1);
    let error = Profile::from_json(&later).unwrap_err();
    assert_eq!(error, ProfileFileError::Later { version: 6 });
    // Crest factors of version 4 were of another definition. What else was measured is the same.
    let earlier = told
        .to_json()
        .replacen("\"version\": 5", "\"version\": 4", 1);
    let earlier = Profile::from_json(&earlier).unwrap();
    assert_eq!(earlier.whole.band_crest_db, [None; 4]);
    let comparison = Comparison::new(&told, &earlier);
    assert!(comparison.same);
    assert_eq!(comparison.crest_difference_db, [None; 4]);
    for wrong in ["", "[]", "{}", "{\"version\": 1}", "RIFF"] {
        let error = Profile::from_json(wrong).unwrap_err();
        assert_eq!(error, ProfileFileError::NotAProfile, "{wrong}");
    }
}

/// A shelf of the *Audio EQ Cookbook* (R. Bristow-Johnson), slope S = 1, in double precision,
/// written from its text: `A = 10^(dB/40)`, `α = sin ω0/2 · √2`.
fn cookbook_shelf(signal: &[f32], high: bool, hz: f64, gain_db: f64) -> Vec<f32> {
    let a = 10_f64.powf(gain_db / 40.0);
    let w0 = 2.0 * PI * hz / RATE_HZ;
    let alpha = w0.sin() / 2.0 * 2.0_f64.sqrt();
    let beta = 2.0 * a.sqrt() * alpha;
    // The high shelf is the low one with the cosine's sign turned.
    let turn = if high { -1.0 } else { 1.0 };
    let cos = turn * w0.cos();
    let b = [
        a * ((a + 1.0) - (a - 1.0) * cos + beta),
        2.0 * turn * a * ((a - 1.0) - (a + 1.0) * cos),
        a * ((a + 1.0) - (a - 1.0) * cos - beta),
    ];
    let den = [
        (a + 1.0) + (a - 1.0) * cos + beta,
        -2.0 * turn * ((a - 1.0) + (a + 1.0) * cos),
        (a + 1.0) + (a - 1.0) * cos - beta,
    ];
    biquad(signal, b, den)
}

/// The cookbook's peaking filter.
fn cookbook_bell(signal: &[f32], hz: f64, q: f64, gain_db: f64) -> Vec<f32> {
    let a = 10_f64.powf(gain_db / 40.0);
    let w0 = 2.0 * PI * hz / RATE_HZ;
    let alpha = w0.sin() / (2.0 * q);
    let cos = -2.0 * w0.cos();
    biquad(
        signal,
        [1.0 + alpha * a, cos, 1.0 - alpha * a],
        [1.0 + alpha / a, cos, 1.0 - alpha / a],
    )
}

fn biquad(signal: &[f32], b: [f64; 3], a: [f64; 3]) -> Vec<f32> {
    let (mut x1, mut x2, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0);
    let filtered = signal.iter().map(|sample| {
        let x = f64::from(*sample);
        let y = (b[0] * x + b[1] * x1 + b[2] * x2 - a[1] * y1 - a[2] * y2) / a[0];
        (x2, x1, y2, y1) = (x1, x, y1, y);
        y as f32
    });
    filtered.collect()
}

fn balance(planes: &[Vec<f32>; 2]) -> [Option<f64>; BAND_COUNT] {
    let mut meter = Meter::new(RATE_HZ, &STEREO, 4_096).with_balance([0.0; 2]);
    let planes: Vec<&[f32]> = planes.iter().map(Vec::as_slice).collect();
    kit::metering::feed(&mut meter, &planes);
    meter.balance().long_term_db.map(|band| band.map(f64::from))
}

/// The song's full band, which is what the plug-in's balance is asked of.
fn programme() -> [Vec<f32>; 2] {
    rink().map(|plane| plane[RATE as usize * 28..RATE as usize * 60].to_vec())
}

/// Source: the *Audio EQ Cookbook*. A mix filtered by a pair of its shelves is brought back by the
/// pair with the opposite gains: the cookbook's shelf of −g is the inverse of that of +g. A corner
/// can be told where the shelf is some decibels high: from 2 dB on.
#[test]
fn the_shelves_that_made_the_difference_are_found() {
    let original = programme();
    let reference = balance(&original);
    let mut random = Random::new(17);
    let (mut worst_db, mut worst_octaves) = (0.0_f64, 0.0_f64);
    for pair in 0..20 {
        let mut draw = |low: f64, high: f64| low + (high - low) * random.draw();
        let (low_hz, high_hz) = (
            draw(50_f64.ln(), 350_f64.ln()).exp(),
            draw(1_800_f64.ln(), 10_000_f64.ln()).exp(),
        );
        let mut gain = || {
            let gain = draw(1.0, LARGEST_GAIN_DB);
            if draw(0.0, 1.0) < 0.5 { -gain } else { gain }
        };
        let (low_db, high_db) = (gain(), gain());
        let mix = original.each_ref().map(|plane| {
            let low = cookbook_shelf(plane, false, low_hz, low_db);
            cookbook_shelf(&low, true, high_hz, high_db)
        });
        let told = suggest(RATE_HZ, &balance(&mix), &reference).unwrap();
        let ShelvesSettings {
            low_hz: low_told,
            low_gain_db,
            high_hz: high_told,
            high_gain_db,
        } = told.shelves;
        for (hz, db, hz_told, db_told) in [
            (low_hz, low_db, low_told, low_gain_db),
            (high_hz, high_db, high_told, high_gain_db),
        ] {
            let what =
                format!("pair {pair}: {db:.2} dB at {hz:.0} Hz: {db_told:.2} at {hz_told:.0}");
            let error = (db + db_told).abs();
            worst_db = worst_db.max(error);
            assert!(error <= 0.5, "{what}");
            if db.abs() >= 2.0 {
                let octaves = (hz_told / hz).log2().abs();
                worst_octaves = worst_octaves.max(octaves);
                assert!(octaves <= 1.0 / 3.0, "{what}");
            }
        }
        assert!(
            told.after_db < 0.35,
            "pair {pair}: {} dB left",
            told.after_db
        );
        assert!(told.after_db < told.before_db);
    }
    println!(
        "reference: 20 pairs of shelves: gains within {worst_db:.2} dB, corners within {worst_octaves:.2} octaves"
    );
}

fn no_shelf(told: &Suggestion) -> bool {
    !told.helps() && told.before_db == told.after_db && told.gain_db == [0.0; BAND_COUNT]
}

#[test]
fn a_balanced_pair_needs_no_shelf_and_a_notch_gets_none() {
    let original = programme();
    let reference = balance(&original);
    assert!(no_shelf(&suggest(RATE_HZ, &reference, &reference).unwrap()));
    // Elsewhere in the level: the comparison is one at equal loudness.
    let louder = reference.map(|band| band.map(|db| db + 7.0));
    assert!(no_shelf(&suggest(RATE_HZ, &louder, &reference).unwrap()));
    // Two minutes of pink noise from different seeds: as balanced as two signals get.
    let noise = |seed| {
        let pink = pink_noise(seed, RATE_HZ, 10.0, -20.0, 60.0).samples;
        balance(&[pink.clone(), pink])
    };
    assert!(no_shelf(&suggest(RATE_HZ, &noise(1), &noise(2)).unwrap()));
    for hz in [
        100.0, 300.0, 500.0, 700.0, 1_000.0, 2_000.0, 3_000.0, 6_000.0,
    ] {
        // A broad bell near either end is all but a shelf.
        let broad = (500.0..=1_000.0).contains(&hz).then_some((1.4, -5.0));
        let narrow = [(4.0, -12.0), (2.0, -6.0), (4.0, 8.0)];
        // Nor one of an octave, which two shelves that lean on the ends of their ranges come near.
        let octave = (300.0..=2_000.0).contains(&hz);
        let octave = octave.then_some([(1.0, -4.0), (1.0, 4.0)]);
        let broad = broad.into_iter().chain(octave.into_iter().flatten());
        for (q, gain_db) in narrow.into_iter().chain(broad) {
            let mix = original
                .each_ref()
                .map(|plane| cookbook_bell(plane, hz, q, gain_db));
            let told = suggest(RATE_HZ, &balance(&mix), &reference).unwrap();
            assert!(
                no_shelf(&told),
                "{gain_db} dB at {hz} Hz, Q {q}: {:?}, {:.2} and {:.2} dB",
                told.shelves,
                told.before_db,
                told.after_db
            );
        }
    }
}

/// What is not there of either says nothing, and with too little left nothing is said.
#[test]
fn bands_that_hold_nothing_say_nothing() {
    let flat = [Some(-30.0); BAND_COUNT];
    let mut bare = flat;
    for band in &mut bare[25..] {
        *band = Some(-120.0);
    }
    let told = suggest(RATE_HZ, &flat, &bare).unwrap();
    assert!(no_shelf(&told), "{told:?}");
    let few = std::array::from_fn(|band| (band < 9).then_some(-30.0));
    assert_eq!(suggest(RATE_HZ, &flat, &few), None);
    // Never more than is allowed, whatever the difference.
    let tilted = std::array::from_fn(|band| Some(-30.0 - 4.0 * (mid_band_hz(band) / 1e3).log2()));
    let told = suggest(RATE_HZ, &tilted, &flat).unwrap();
    assert!(told.shelves.low_gain_db.abs() <= LARGEST_GAIN_DB);
    assert!(told.shelves.high_gain_db.abs() <= LARGEST_GAIN_DB);
    assert!(told.after_db < told.before_db);
}

fn figures(of: impl Fn(&mut Figures)) -> Profile {
    let mut part = Figures {
        integrated_lufs: Some(-14.0),
        ldr_db: Some(4.0),
        plr_db: Some(13.0),
        band_crest_db: [Some(12.0); 4],
        balance_db: [Some(-30.0); BAND_COUNT],
        ..Figures::default()
    };
    of(&mut part);
    Profile {
        version: PROFILE_VERSION,
        name: String::new(),
        sample_rate_hz: RATE,
        channels: 2,
        lossy: false,
        section: Section::Whole,
        whole: part,
        part,
    }
}

/// By construction: the reference is the mix, whose bass is 10 dB stronger than the rest, with
/// these gains in its bands.
fn told_of_gains(gain_db: impl Fn(f64) -> f64) -> Vec<String> {
    let level_db = |band: usize| {
        if mid_band_hz(band) < 300.0 {
            -20.0
        } else {
            -30.0
        }
    };
    let mix = figures(|part| {
        part.balance_db = std::array::from_fn(|band| Some(level_db(band)));
    });
    let reference = figures(|part| {
        part.balance_db =
            std::array::from_fn(|band| Some(level_db(band) - gain_db(mid_band_hz(band))));
    });
    let comparison = Comparison::new(&mix, &reference);
    let told = findings(&mix, &reference, &comparison);
    told.into_iter().map(|finding| finding.sentence).collect()
}

/// Gain of a bell, dB: R. Bristow-Johnson, *Audio EQ Cookbook*, the analogue prototype of its peaking
/// filter.
fn bell_at(centre_hz: f64, gain_db: f64) -> impl Fn(f64) -> f64 {
    let (a, q) = (10_f64.powf(gain_db / 40.0), 1.4);
    move |hz: f64| {
        let x = hz / centre_hz;
        let power = |width: f64| (1.0 - x * x).powi(2) + (x * width / q).powi(2);
        10.0 * (power(a) / power(1.0 / a)).log10()
    }
}

/// The same of its low shelf of slope 1 at `x` times the corner; a high shelf's is that at `1/x`.
fn shelf_db(x: f64, gain_db: f64) -> f64 {
    let a = 10_f64.powf(gain_db / 40.0);
    let across = 2.0 * a * x * x;
    let power = |p: f64, q: f64| (p - q * x * x).powi(2) + across;
    10.0 * (a * a * power(a, 1.0) / power(1.0, a)).log10()
}

/// A bell in the middle of a region hardly moves its level, where the bass of the region is
/// stronger; and a region that is higher as a whole has no bell.
#[test]
fn an_octave_that_stands_out_is_told() {
    let bell = |gain_db| bell_at(500.0, gain_db);
    // At the border of two regions, of which the one moves less than the other.
    for gain_db in [6.0, -6.0] {
        let told = told_of_gains(bell_at(1_000.0, gain_db)).concat();
        assert!(
            told.contains(" than the reference around 1000 Hz."),
            "{told}"
        );
    }
    for (gain_db, more) in [(5.0, "more"), (-5.0, "less")] {
        let told = told_of_gains(bell(gain_db));
        assert_eq!(told.len(), 1, "{told:?}");
        let words = format!(" dB {more} than the reference around 500 Hz.");
        assert!(told[0].ends_with(&words), "{told:?}");
    }
    assert_eq!(told_of_gains(bell(1.5)), [""; 0]);
    let told = told_of_gains(|hz| {
        if (125.0..1_000.0).contains(&hz) {
            4.0
        } else {
            0.0
        }
    });
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].ends_with(" dB more than the reference from 120 Hz to 1 kHz."));
    // What one of them does not hold is not told of as an octave.
    let told = told_of_gains(|hz| if hz > 15_000.0 { 60.0 } else { 0.0 });
    assert!(
        told.iter().all(|sentence| !sentence.contains("around")),
        "{told:?}"
    );
}

/// Source: the *Audio EQ Cookbook*. The reference is the mix through one of its bells: the first thing
/// said of their balance is where that is, and nothing is said of all that has less for it at equal
/// loudness, which takes up to 1.7 dB of it away.
#[test]
fn a_bell_of_four_decibels_in_music_is_told_where_it_is() {
    let mix = programme();
    let of = |planes: &[Vec<f32>; 2]| {
        let planes: Vec<&[f32]> = planes.iter().map(Vec::as_slice).collect();
        profile(&STEREO, &planes, Section::Whole)
    };
    let ours = of(&mix);
    for (hz, q, gain_db) in [
        (160.0, 2.0, 5.0),
        (250.0, 1.0, 4.0),
        (400.0, 1.4, 5.0),
        (500.0, 1.0, -4.0),
        (2_500.0, 1.4, 4.0),
        (2_500.0, 2.0, -4.0),
        (250.0, 3.0, 6.0),
        (500.0, 3.0, 6.0),
        (2_000.0, 3.0, 6.0),
        (4_000.0, 3.0, -6.0),
    ] {
        let theirs = of(&mix
            .each_ref()
            .map(|plane| cookbook_bell(plane, hz, q, gain_db)));
        let told = findings(&ours, &theirs, &Comparison::new(&ours, &theirs));
        let first = told.iter().find(|finding| finding.about == "balance");
        let sentence = first.map_or("", |finding| &finding.sentence);
        println!("{gain_db} dB at {hz} Hz: {sentence}");
        assert!(
            sentence.ends_with(&format!("around {hz:.0} Hz.")),
            "{gain_db} dB at {hz} Hz: {told:?}"
        );
        assert!(first.unwrap().difference * gain_db < 0.0);
        let balance = told.iter().filter(|finding| finding.about == "balance");
        assert_eq!(balance.count(), 1, "{gain_db} dB at {hz} Hz: {told:?}");
    }
}

#[test]
fn a_shelf_is_a_region_s_difference_and_no_octave() {
    for (low, high) in [
        ([300.0, -4.0], [2_000.0, 4.0]),
        ([120.0, 9.0], [8_000.0, 0.0]),
        ([60.0, 9.0], [8_000.0, 0.0]),
        ([80.0, 0.0], [8_000.0, 9.0]),
    ] {
        let shelves = |hz: f64| shelf_db(hz / low[0], low[1]) + shelf_db(high[0] / hz, high[1]);
        let told = told_of_gains(shelves);
        assert!(!told.is_empty());
        for sentence in told {
            assert!(
                !sentence.contains("around"),
                "{low:?}, {high:?}: {sentence}"
            );
        }
    }
}

#[test]
fn a_shelf_hides_no_bell() {
    for (shelf, bell) in [
        ([60.0, 9.0], [400.0, 6.0]),
        ([60.0, 9.0], [500.0, -5.0]),
        ([150.0, -9.0], [1_600.0, 6.0]),
        ([150.0, -9.0], [4_000.0, 5.0]),
        ([150.0, 9.0], [2_000.0, 7.0]),
    ] {
        let bell_db = bell_at(bell[0], bell[1]);
        let told = told_of_gains(|hz| shelf_db(hz / shelf[0], shelf[1]) + bell_db(hz)).concat();
        let words = format!(" around {} Hz.", bell[0]);
        assert!(told.contains(&words), "{shelf:?}, {bell:?}: {told}");
        let shelf_words = [" below 120 Hz.", " above 120 Hz.", "(below 120 Hz against"];
        let shelf_told = shelf_words.iter().any(|words| told.contains(words));
        assert!(shelf_told, "{shelf:?}, {bell:?}: {told}");
    }
}

/// 60 dB below the rest both hold nothing but noise, of which one has 15 dB more.
#[test]
fn what_is_faint_in_both_is_not_told() {
    let with_low = |low_db: f64| figures(|part| part.balance_db[..8].fill(Some(low_db)));
    let [mix, reference, bass] = [-90.0, -75.0, -40.0].map(with_low);
    let comparison = Comparison::new(&mix, &reference);
    assert_eq!(comparison.region_difference_db[0], None);
    assert_eq!(findings(&mix, &reference, &comparison), []);
    let comparison = Comparison::new(&mix, &bass);
    assert_eq!(
        comparison.region_difference_db[0].map(f64::round),
        Some(-50.0)
    );
}

/// A channel of silence has a part in the mean over six.
#[test]
fn stereo_is_no_denser_than_surround() {
    let stereo = figures(|_| {});
    let surround = Profile {
        channels: 6,
        ..figures(|part| part.band_crest_db = [Some(16.0); 4])
    };
    let comparison = Comparison::new(&stereo, &surround);
    assert_eq!(comparison.crest_difference_db, [None; 4]);
    assert_eq!(findings(&stereo, &surround, &comparison), []);
}

/// A compressor's slow attack leaves peaks in one band as it makes the others denser: that says nothing
/// of the whole.
#[test]
fn density_is_not_told_of_bands_that_contradict_each_other() {
    let told = |apart_db: [f64; 4]| {
        let mix = figures(|part| part.band_crest_db = apart_db.map(|db| Some(12.0 + db)));
        let reference = figures(|_| {});
        let comparison = Comparison::new(&mix, &reference);
        findings(&mix, &reference, &comparison).len()
    };
    assert_eq!(told([-1.4, -1.4, 1.7, 0.2]), 0);
    assert_eq!(told([-0.9, 0.0, 1.7, 0.2]), 1);
    assert_eq!(told([-1.7, -1.2, -0.5, 0.9]), 1);
    // Far less of the opposite takes nothing away.
    assert_eq!(told([-8.0, -3.0, 0.0, 1.2]), 1);
}

/// Where one region differs, all others differ the other way at equal loudness: that is two
/// sentences, of which none is left out.
#[test]
fn regions_in_a_row_that_differ_alike_are_told_as_one() {
    let shelf = |corner_hz: f64, low_db: f64, high_db: f64| {
        move |hz: f64| if hz < corner_hz { low_db } else { high_db }
    };
    let places = |gain_db: &dyn Fn(f64) -> f64| -> Vec<String> {
        let told = told_of_gains(gain_db);
        let place = |sentence: &String| sentence.split("reference ").nth(1).map(str::to_owned);
        told.iter().filter_map(place).collect()
    };
    let told = places(&shelf(112.0, -1.5, 1.9));
    assert_eq!(told, ["above 120 Hz.", "below 120 Hz."]);
    let told = places(&shelf(5_700.0, 1.2, -3.0));
    assert_eq!(told, ["above 6 kHz.", "below 6 kHz."]);
    // All of them alike are a matter of loudness, and stay by themselves.
    assert_eq!(places(&|_| 2.0).len(), 2);
}

/// A straight tilt over ten octaves, of which no region holds enough to be told by itself.
#[test]
fn a_tilt_is_told_by_its_ends() {
    for (tilt_db, end) in [(0.2, "treble"), (-0.2, "bass")] {
        let told = told_of_gains(|hz| tilt_db * (hz / 640.0).log2());
        assert_eq!(told.len(), 1, "{told:?}");
        let words = format!(" dB to the {end} (below 120 Hz against above 6 kHz).");
        assert!(told[0].ends_with(&words), "{told:?}");
    }
    assert_eq!(told_of_gains(|hz| 0.1 * (hz / 640.0).log2()), [""; 0]);
    // Where one end is told by itself and the other not, both are told as one.
    let told = told_of_gains(|hz| 0.2 * (hz / 640.0).log2() + if hz > 6_000.0 { 0.6 } else { 0.0 });
    assert!(told.len() == 1 && told[0].contains(" tilts "), "{told:?}");
}

/// By construction: profiles made by hand that differ in known ways.
#[test]
fn findings_tell_what_differs_most_and_by_how_much() {
    let mix = figures(|_| {});
    let told = |reference: &Profile| {
        let comparison = Comparison::new(&mix, reference);
        let told = findings(&mix, reference, &comparison);
        told.iter()
            .map(|told| told.sentence.clone())
            .collect::<Vec<_>>()
    };
    assert!(Comparison::new(&mix, &mix).same);
    assert!(told(&mix).is_empty());
    // 6 LU louder, and 4 dB more above 6 kHz once as loud: 6 + 4 dB up there.
    let reference = figures(|part| {
        part.integrated_lufs = Some(-8.0);
        part.band_crest_db = [Some(11.5), Some(11.0), Some(7.5), Some(11.0)];
        for (band, level) in part.balance_db.iter_mut().enumerate() {
            *level = Some(if band >= 25 { -20.0 } else { -24.0 });
        }
    });
    let comparison = Comparison::new(&mix, &reference);
    assert!(!comparison.same);
    assert_eq!(comparison.match_gain_db, Some(-6.0));
    assert!((comparison.difference_db[28].unwrap() + 4.0).abs() < 1e-9);
    assert!((comparison.region_difference_db[3].unwrap() + 4.0).abs() < 1e-9);
    assert!(comparison.region_difference_db[0].unwrap().abs() < 1e-9);
    assert_eq!(comparison.crest_difference_db[2], Some(4.5));
    assert_eq!(
        told(&reference),
        [
            "At equal loudness the mix has 4.0 dB less than the reference above 6 kHz.",
            "The reference is denser from 1 to 6 kHz: the crest factor there is 12.0 dB in the mix \
             and 7.5 dB in the reference.",
            "The reference is 6.0 LU louder (\u{2212}8.0 LUFS against \u{2212}14.0): compare with the \
             reference turned down by that much.",
        ]
    );
    let brief: Vec<String> = findings(&mix, &reference, &comparison)
        .into_iter()
        .map(|finding| finding.brief)
        .collect();
    assert_eq!(
        brief,
        [
            "4.0 dB less above 6 kHz",
            "crest factor 4.5 dB higher from 1 to 6 kHz",
            "6.0 LU quieter",
        ]
    );
    // And the other way round, with a beat that stands out less far.
    let denser = figures(|part| {
        part.ldr_db = part.ldr_db.map(|db| db - 2.0);
        part.plr_db = part.plr_db.map(|db| db - 5.0);
    });
    let comparison = Comparison::new(&denser, &mix);
    let brief: Vec<_> = findings(&denser, &mix, &comparison)
        .into_iter()
        .map(|finding| (finding.about, finding.brief))
        .collect();
    assert_eq!(
        brief,
        [
            ("microdynamics", "2.0 dB less".to_owned()),
            ("plr", "5.0 dB lower".to_owned()),
        ]
    );
    // Density says where peaks stand out; PLR, which outweighs it here, the same without the place.
    let denser = figures(|part| {
        part.band_crest_db[0] = part.band_crest_db[0].map(|db| db - 2.0);
        part.plr_db = part.plr_db.map(|db| db - 5.0);
    });
    let comparison = Comparison::new(&denser, &mix);
    let told = findings(&denser, &mix, &comparison);
    let about: Vec<_> = told.iter().map(|finding| finding.about).collect();
    assert_eq!(about, ["density"]);
    // Where PLR says the opposite, as of clipping that adds bursts to an empty band, it is told alone.
    let bursts = figures(|part| {
        part.band_crest_db[3] = part.band_crest_db[3].map(|db| db + 2.2);
        part.plr_db = part.plr_db.map(|db| db - 2.2);
    });
    let told = findings(&bursts, &mix, &Comparison::new(&bursts, &mix));
    let about: Vec<_> = told.iter().map(|finding| finding.about).collect();
    assert_eq!(about, ["plr"]);
}

/// By construction: balance that differs by far more does not hide that peaks stand out further.
#[test]
fn dynamics_have_a_place_beside_a_balance_that_differs_more() {
    let mix = figures(|_| {});
    let reference = figures(|part| {
        part.plr_db = part.plr_db.map(|db| db - 5.0);
        for (band, level) in part.balance_db.iter_mut().enumerate() {
            *level = level.map(|db| match band {
                0..8 => db - 12.0,
                13..16 => db - 14.0,
                25.. => db + 12.0,
                _ => db,
            });
        }
    });
    let told = findings(&mix, &reference, &Comparison::new(&mix, &reference));
    let about: Vec<_> = told.iter().map(|finding| finding.about).collect();
    assert_eq!(about, ["balance", "balance", "plr"], "{told:?}");
}

/// By construction: where bending sets both apart it comes last, whatever else does.
#[test]
fn flat_tops_are_told_last_and_always() {
    let mix = figures(|part| {
        part.integrated_lufs = Some(-20.0);
        part.plr_db = Some(18.0);
        part.ldr_db = Some(8.0);
        part.flat_tops_percent = Some(0.1);
    });
    let told = |flat_tops: Option<f64>| {
        let reference = figures(|part| part.flat_tops_percent = flat_tops);
        let told = findings(&mix, &reference, &Comparison::new(&mix, &reference));
        told.into_iter()
            .map(|told| (told.about, told.brief, told.sentence))
            .collect::<Vec<_>>()
    };
    let without = told(None);
    assert_eq!(without.len(), 3);
    assert_eq!(told(Some(0.9)), without);
    let with = told(Some(1.2));
    assert_eq!(with[..3], without);
    assert_eq!(
        with[3],
        (
            "flat tops",
            "0.1 %, of the reference 1.2 %".to_owned(),
            "The highest tops of the reference are flatter, as clipping or hard saturation leaves \
             them: 1.2 % of them are flat, 0.1 % of the mix's."
                .to_owned()
        )
    );
    let (bent, open) = (
        figures(|part| part.flat_tops_percent = Some(7.5)),
        figures(|part| part.flat_tops_percent = Some(0.0)),
    );
    let told = findings(&bent, &open, &Comparison::new(&bent, &open));
    assert_eq!(told.len(), 1);
    // An older profile of the same recording is the same for all that it was measured for.
    let older = figures(|_| {});
    assert!(Comparison::new(&bent, &older).same && !Comparison::new(&bent, &open).same);
    assert!(told[0].sentence.starts_with("The highest tops of the mix "));
    assert!((told[0].difference - 7.5).abs() < 1e-9);
}

/// By construction: an encoder rounds tops, so that those of a lossy file may have been as many as the
/// other's.
#[test]
fn flat_tops_of_a_lossy_file_are_the_least_there_were() {
    let bent = figures(|part| part.flat_tops_percent = Some(7.5));
    let told = |mix: &Profile, reference: &Profile| {
        let told = findings(mix, reference, &Comparison::new(mix, reference));
        told.last()
            .map(|told| (told.brief.clone(), told.sentence.clone()))
    };
    let lossy = |percent: f64| figures(|part| part.flat_tops_percent = Some(percent)).from_lossy();
    let (brief, sentence) = told(&bent, &lossy(2.4)).unwrap();
    assert_eq!(brief, "7.5 %, of the reference ≥ 2.4 %");
    assert_eq!(
        sentence,
        "Of the highest tops of the mix 7.5 % are flat, as clipping or hard saturation leaves them; \
         of the reference's, which is lossy, at least 2.4 %."
    );
    assert_eq!(told(&bent, &lossy(5.0)), None);
    // Where the flatter one is the lossy one, it is.
    let (brief, sentence) = told(&bent, &lossy(9.0)).unwrap();
    assert_eq!(brief, "7.5 %, of the reference ≥ 9.0 %");
    assert!(sentence.starts_with("The highest tops of the reference are flatter"));
}

/// Source: ITU-R BS.1770-5, Annex 1: the powers of the channels add up, so that the same signal on
/// two of them is what one of them is beside two; measured on two, for every measure.
#[test]
fn one_channel_beside_two_is_heard_from_both() {
    let [left, right] = rink();
    let mono: Vec<f32> = left
        .iter()
        .zip(&right)
        .map(|(l, r)| 0.5 * (l + r))
        .collect();
    let section = Section::Between(20.0, 60.0);
    let one = profile(&[Front], &[&mono], section);
    let two = profile(&STEREO, &[&mono, &mono], section);
    let heard = one.beside(2);
    assert_eq!(heard.channels, 2);
    let mut worst = 0.0_f64;
    for (heard, two) in [(&heard.part, &two.part), (&heard.whole, &two.whole)] {
        for of in [
            (|f| f.integrated_lufs) as fn(&Figures) -> Option<f64>,
            |f| f.short_term_max_lufs,
            |f| f.loudness_range_lu,
            |f| f.true_peak_dbtp,
            |f| f.plr_db,
            |f| f.short_term_plr_min_db,
            |f| f.ldr_db,
            |f| f.band_crest_db[1],
            |f| f.flat_tops_percent,
            |f| f.balance_db[10],
        ] {
            let (heard, two) = (of(heard), of(two));
            assert_eq!(heard.is_some(), two.is_some());
            worst = worst.max((heard.unwrap_or(0.0) - two.unwrap_or(0.0)).abs());
        }
    }
    println!("reference: one channel beside two is {worst:.4} dB off two channels");
    assert!(worst <= 0.002, "{worst}");
    // Nothing sets them apart, whichever is the reference.
    let song = profile(&STEREO, &[&left, &right], section);
    for (mix, reference) in [(&one, &two), (&two, &one)] {
        let comparison = Comparison::new(mix, reference);
        assert!(comparison.match_gain_db.unwrap().abs() <= 0.002);
        assert!(findings(mix, reference, &comparison).is_empty());
    }
    // Beside a song of two channels it is what two of it are.
    let told = |mono: &Profile| findings(&song, mono, &Comparison::new(&song, mono));
    assert_eq!(told(&one), told(&two));
    // One beside one, and two beside whatever, are as measured.
    for (profile, channels) in [(&one, 1), (&two, 1), (&two, 2), (&one, 6)] {
        assert_eq!(*profile.beside(channels), *profile);
    }
}

/// Source: the shelves of the *Audio EQ Cookbook*, which `tests/process` holds the chain's to. What
/// is told of the loudness with the suggested shelves is what they make of it, at 44.1 kHz too, of
/// whose highest band only a part is there.
#[test]
fn shelves_change_the_loudness_by_what_is_told() {
    for rate in [44_100, 48_000] {
        let rate_hz = f64::from(rate);
        let noise = pink_noise(9, rate_hz, 20.0, -25.0, 12.0).samples;
        let wanted = ShelvesSettings {
            high_gain_db: 4.0,
            high_hz: 5_000.0,
            ..ShelvesSettings::default()
        };
        let shelved = |settings: &ShelvesSettings| {
            let mut planes = [noise.clone(), noise.clone()];
            let [left, right] = &mut planes;
            Shelves::new(rate_hz).process(&mut [left, right], settings);
            planes
        };
        let of = |planes: &[Vec<f32>; 2]| {
            let planes: Vec<&[f32]> = planes.iter().map(Vec::as_slice).collect();
            try_profile(rate, &STEREO, &planes, Section::Whole, 4_800).unwrap()
        };
        let mix = of(&shelved(&ShelvesSettings::default()));
        let comparison = Comparison::new(&mix, &of(&shelved(&wanted)));
        let suggestion = comparison.suggestion.unwrap();
        let after = of(&shelved(&suggestion.shelves))
            .whole
            .integrated_lufs
            .unwrap();
        let change = after - mix.whole.integrated_lufs.unwrap();
        let told = suggestion.loudness_change_lu;
        println!("shelves at {rate} Hz: {told:.3} LU told, {change:.3} measured");
        assert!((told - change).abs() < 0.07, "{rate}: {told} for {change}");
    }
}

// One sound at 16 and at 48 kHz, drawn as a sum of tones up to 15 kHz of which the low rate holds
// those up to half of it (sampling theorem). Nothing is told of what one of the files cannot hold,
// whichever is the mix.
#[test]
fn what_a_low_rate_leaves_out_is_no_difference() {
    let at = |rate: u32| -> Profile {
        let tones: Vec<(f64, f64)> = (0..150)
            .map(|k| (100.0 * f64::from(k + 1), 2.399 * f64::from(k * k)))
            .filter(|(hz, _)| *hz < 0.49 * f64::from(rate))
            .collect();
        let signal: Vec<f32> = (0..8 * rate)
            .map(|n| {
                let turn = TAU * f64::from(n) / f64::from(rate);
                let tones = tones
                    .iter()
                    .map(|(hz, phase)| (turn * hz + phase).sin() / hz.sqrt());
                (0.1 * tones.sum::<f64>()) as f32
            })
            .collect();
        let mut profiler = Profiler::new(rate, &[Front], Section::Whole);
        for part in signal.chunks(1_024) {
            profiler.process(&[part]);
        }
        profiler.finish("tones").unwrap()
    };
    let (low, high) = (at(16_000), at(48_000));
    for (mix, reference) in [(&low, &high), (&high, &low)] {
        let comparison = Comparison::new(mix, reference);
        let told = findings(mix, reference, &comparison);
        // What lies above half the low rate is a part of the loudness, and rightly so: what is
        // there of both differs by no more than that.
        assert!(
            told.iter()
                .all(|finding| !finding.sentence.contains("6 kHz.")),
            "{told:?}"
        );
        let regions = comparison.region_difference_db.map(Option::unwrap);
        let spread = regions.map(|db| db - regions[1]);
        println!(
            "16 beside 48 kHz: {spread:.2?} dB, {:.2?}",
            comparison.suggestion
        );
        assert!(spread.iter().all(|db| db.abs() < 0.5), "{spread:?}");
        assert_eq!(comparison.crest_difference_db[3], None);
        for side in [mix, reference] {
            assert_eq!(comparison.crest_db(side, 3), None);
            assert_eq!(comparison.crest_db(side, 1), side.part.band_crest_db[1]);
        }
        assert!(!comparison.suggestion.unwrap().helps());
        assert!(comparison.difference_db[28..].iter().all(Option::is_none));
    }
    // A mix that is brighter is to get a shelf, whose loudness is that of all that it moves.
    let mut bright = high.clone();
    for (band, db) in bright.part.balance_db.iter_mut().enumerate() {
        *db = db.map(|db| db + if band >= 21 { 4.0 } else { 0.0 });
    }
    let mut cut = bright.clone();
    cut.part.balance_db[26..].fill(None);
    let [whole, cut] = [&bright, &cut].map(|mix| Comparison::new(mix, &low).suggestion.unwrap());
    println!(
        "loudness of the shelf: {:.2} LU, of its lower part {:.2}",
        whole.loudness_change_lu, cut.loudness_change_lu
    );
    assert!(whole.shelves.high_gain_db < -2.0);
    assert!(whole.loudness_change_lu < cut.loudness_change_lu - 0.1);
}
