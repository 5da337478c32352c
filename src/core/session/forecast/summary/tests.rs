use super::*;

/// Points every 1.5 dB whose loudness, PLR, microdynamics and distortion are those of `at`, for
/// the clean and then for the saturated path.
fn points(at: impl Fn(f64) -> [[f64; 4]; 2]) -> Vec<Point> {
    let figures = |[lufs, plr, ldr, distortion]: [f64; 4]| PathFigures {
        integrated_lufs: Some(lufs),
        true_peak_dbtp: Some(lufs + plr),
        plr_db: Some(plr),
        short_term_plr_min_db: Some(plr - 2.0),
        ldr_db: Some(ldr),
        distortion_db: Some(distortion),
        ..PathFigures::default()
    };
    (0..=12_u8)
        .map(|step| {
            let push_db = 1.5 * f64::from(step);
            let [clean, saturated] = at(push_db).map(figures);
            Point {
                push_db,
                clean,
                saturated,
            }
        })
        .collect()
}

/// One for one up to the corner, then a slope of `rest`.
fn knee(push_db: f64, corner_db: f64, rest: f64) -> f64 {
    push_db.min(corner_db) + rest * (push_db - corner_db).max(0.0)
}

// Closed form: with a corner at c the decibel after p holds c - p of slope 1 and the rest of
// slope r, half an LU where (c - p) + r(1 - c + p) = 1/2. On points 1.5 dB apart, of which one
// is the corner.
#[test]
fn the_potential_is_where_a_decibel_brings_half_an_lu() {
    for (corner_db, rest) in [(6.0, 0.0), (3.0, 0.25), (12.0, 0.4), (16.5, 0.1)] {
        let points = points(|push_db| {
            let lufs = -20.0 + knee(push_db, corner_db, rest);
            [[lufs, 10.0, 4.0, -30.0]; 2]
        });
        let found = potential(&points, Path::Clean).unwrap();
        let short = (0.5 - rest) / (1.0 - rest);
        assert!((found.push_db - (corner_db - short)).abs() < 1e-9);
        assert!((found.loudness_lufs - (-20.0 + corner_db - short)).abs() < 1e-9);
        assert!((found.next.loudness_lu - 0.5).abs() < 1e-9);
        assert!(!found.beyond);
    }
}

#[test]
fn what_always_pays_bends_beyond_the_range_and_what_never_does_at_its_start() {
    let always = points(|push_db| [[-20.0 + 0.5 * push_db, 10.0, 4.0, -30.0]; 2]);
    let found = potential(&always, Path::Saturated).unwrap();
    assert!(found.beyond);
    assert_eq!((found.push_db, found.loudness_lufs), (17.0, -11.5));
    let never = points(|push_db| [[-20.0 + 0.49 * push_db, 10.0, 4.0, -30.0]; 2]);
    let found = potential(&never, Path::Saturated).unwrap();
    assert!(!found.beyond);
    assert_eq!((found.push_db, found.loudness_lufs), (0.0, -20.0));
}

#[test]
fn after_the_bend_no_decibel_pays_however_the_curve_came_there() {
    // A flat stretch, then a steep one: the bend comes after both.
    let points = points(|push_db| {
        let lufs = -20.0 + (push_db - 4.5).clamp(0.0, 6.0);
        [[lufs, 10.0, 4.0, -30.0]; 2]
    });
    let found = potential(&points, Path::Clean).unwrap();
    assert!((found.push_db - 10.0).abs() < 1e-9);
}

#[test]
fn silence_has_no_potential() {
    let silent = vec![Point::default(); 3];
    assert_eq!(potential(&silent, Path::Clean), None);
    assert_eq!(potential(&[], Path::Clean), None);
    assert_eq!(next_decibel(&silent, 0.0), NextDecibel::default());
    let at = at_one_loudness(&silent, -14.0, -14.0).paths;
    assert_eq!((at.clean, at.saturated), (Reach::Unknown, Reach::Unknown));
    assert_eq!(as_loud_as(&silent, Path::Clean, 0.0, -14.0), None);
}

#[test]
fn the_next_decibel_has_the_signs_of_what_changes() {
    let points = points(|push_db| {
        [
            [-20.0 + push_db, 15.0 - push_db, 6.0, -60.0 + 2.0 * push_db],
            [-20.0, 15.0, 6.0 - 0.1 * push_db, -60.0],
        ]
    });
    let NextDecibel { clean, saturated } = next_decibel(&points, 4.0);
    let near = |value: Option<f64>, wanted: f64| (value.unwrap() - wanted).abs() < 1e-9;
    let (clean, saturated) = (clean.unwrap(), saturated.unwrap());
    assert!(near(Some(clean.loudness_lu), 1.0) && near(Some(saturated.loudness_lu), 0.0));
    assert!(near(clean.plr_db, -1.0) && near(saturated.plr_db, 0.0));
    assert!(near(clean.ldr_db, 0.0) && near(saturated.ldr_db, -0.1));
    assert!(near(clean.distortion_db, 2.0) && near(saturated.distortion_db, 0.0));
    // Past the last decibel of the range there is no next one.
    assert_eq!(next_decibel(&points, 17.5), NextDecibel::default());
}

#[test]
fn at_one_loudness_each_path_has_its_own_push() {
    let points = points(|push_db| {
        let [clean, saturated] = [-20.0 + 0.5 * push_db, -20.0 + push_db];
        [
            [clean, -1.0 - clean, 4.0, -30.0],
            [saturated, -1.0 - saturated, 4.0 - 0.1 * push_db, -30.0],
        ]
    });
    let at = at_one_loudness(&points, -14.0, -16.0);
    let [clean, saturated] =
        [at.paths.clean, at.paths.saturated].map(|reach| reach.choice().unwrap());
    assert!((clean.push_db - 12.0).abs() < 1e-9);
    assert!((saturated.push_db - 6.0).abs() < 1e-9);
    assert!((saturated.ldr_db.unwrap() - 3.4).abs() < 1e-9);
    // Both peaks stand at -1 dBTP and go down with the 2 LU that playback takes away.
    for choice in [clean, saturated] {
        let played = choice.turn_down.unwrap();
        assert!((played.gain_db + 2.0).abs() < 1e-9);
        assert!((played.plr_db - 13.0).abs() < 1e-9);
        assert!((choice.short_term_plr_min_db.unwrap() - 11.0).abs() < 1e-9);
    }
    // The clean path ends at -11 LUFS.
    let loud = at_one_loudness(&points, -9.0, -14.0).paths;
    assert_eq!(loud.clean, Reach::Never);
    assert!((loud.saturated.choice().unwrap().push_db - 11.0).abs() < 1e-9);
    let quiet = at_one_loudness(&points, -21.0, -14.0).paths;
    assert_eq!(
        (quiet.clean, quiet.saturated),
        (Reach::Louder, Reach::Louder)
    );
    // A hair below where both begin is where both begin.
    let start = at_one_loudness(&points, -20.01, -14.0).paths;
    assert_eq!(start.clean.choice().unwrap().push_db, 0.0);
}

// A curve that rises by 6 LU up to 9 dB of push and falls by 3 after it has the loudness of its
// end at 4.5 dB, too; one that only falls has it nowhere else.
#[test]
fn the_path_that_is_compared_with_stays_where_it_is() {
    let points = points(|push_db| {
        let arch = -20.0 + (push_db / 1.5).min(6.0) - ((push_db - 9.0) / 3.0).max(0.0);
        [
            [-21.0 + push_db, 10.0, 5.0 - 0.1 * push_db, -40.0 + push_db],
            [arch, 10.0, 4.0 - 0.1 * push_db, -30.0 + push_db],
        ]
    });
    let at = as_loud_as(&points, Path::Saturated, 18.0, -14.0).unwrap();
    assert!((at.loudness_lufs + 17.0).abs() < 1e-9);
    let [clean, saturated] =
        [at.paths.clean, at.paths.saturated].map(|reach| reach.choice().unwrap());
    assert!((clean.push_db - 4.0).abs() < 1e-9);
    assert_eq!(saturated.push_db, 18.0);
    assert!((saturated.distortion_db.unwrap() + 12.0).abs() < 1e-9);
    // Asked for by its loudness alone, it is had for less.
    let asked = at_one_loudness(&points, -17.0, -14.0).paths;
    assert!((asked.saturated.choice().unwrap().push_db - 4.5).abs() < 1e-9);
}

#[test]
fn what_pumping_adds_is_not_kept() {
    let points = points(|push_db| {
        let lufs = -20.0 + push_db;
        [
            [lufs, 10.0, 0.6 + 0.1 * push_db, -30.0],
            [lufs, 10.0, 0.6 - 0.05 * push_db, -30.0],
        ]
    });
    let at = at_one_loudness(&points, -16.0, -14.0);
    let [clean, saturated] = [at.paths.clean, at.paths.saturated].map(|path| path.choice());
    let (clean, saturated) = (clean.unwrap(), saturated.unwrap());
    assert!((clean.ldr_db.unwrap() - 1.0).abs() < 1e-9);
    assert!((clean.kept_ldr_db.unwrap() - 0.6).abs() < 1e-9);
    assert!((saturated.kept_ldr_db.unwrap() - 0.4).abs() < 1e-9);
}
