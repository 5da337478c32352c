//! Small files of the user's: a reference's profile, target windows, starting points.

use crate::scratch::{folder, with_file};
use crestline_core::measure::ChannelRole;
use crestline_core::session::reference::{Profile, Profiler};
use crestline_core::session::starting_points::{self, StartingPoint};
use crestline_core::session::{Section, TargetWindow, user_targets};
use crestline_files::saved_or_measured;
use std::fs;

/// It is taken for a profile or refused; one that was taken is the same after it has been written
/// and read again.
pub fn profile(bytes: &[u8]) {
    with_file("profile.json", bytes, |path| {
        let Ok((found, true)) = saved_or_measured(path, Section::Loudest, &mut |_| true) else {
            return;
        };
        let again = Profile::from_json(&found.profile.to_json()).unwrap();
        assert_eq!(found.profile, again);
    });
}

pub fn profile_seeds() -> Vec<Vec<u8>> {
    const RATE_HZ: u32 = 48_000;
    let mut profiler = Profiler::new(RATE_HZ, &[ChannelRole::Front; 2], Section::Loudest);
    let tone: Vec<f32> = (0..5 * RATE_HZ)
        .map(|frame| 0.3 * (frame as f32 * 0.131).sin())
        .collect();
    profiler.process(&[&tone, &tone]);
    let profile = profiler.finish("a tone").unwrap();
    vec![profile.to_json().into_bytes()]
}

/// Windows are read or refused; those that were read are kept, and read again.
pub fn windows(bytes: &[u8]) {
    with_file("windows.json", bytes, |path| {
        let Ok(windows) = user_targets::load(path) else {
            return;
        };
        user_targets::save(path, &windows).unwrap();
        assert_eq!(windows, user_targets::load(path).unwrap());
    });
}

pub fn windows_seeds() -> Vec<Vec<u8>> {
    let folder = folder();
    let path = folder.path().join("windows.json");
    let windows = ["one", "another"].map(|name| TargetWindow {
        name: name.into(),
        ..TargetWindow::default()
    });
    user_targets::save(&path, &windows).unwrap();
    vec![fs::read(path).unwrap()]
}

/// A starting point is read or told as none, and then what it holds is kept under its own name.
pub fn starting_points(bytes: &[u8]) {
    with_file("point.json", bytes, |path| {
        let found = starting_points::load(path.parent().unwrap()).unwrap();
        assert_eq!(found.points.len() + found.refused.len(), 1);
        for point in found.points {
            let elsewhere = path.with_file_name("kept");
            if let Ok(kept) = starting_points::keep(&elsewhere, &point, true) {
                assert_eq!(kept.parent(), Some(&*elsewhere), "outside of its folder");
                fs::remove_file(kept).unwrap();
            }
        }
    });
}

pub fn starting_points_seeds() -> Vec<Vec<u8>> {
    let point = StartingPoint {
        name: "Ours".into(),
        values: [("push", 3.0), ("limit", 1.0)]
            .map(|(id, value)| (id.to_owned(), value))
            .into(),
    };
    let folder = folder();
    let kept = starting_points::keep(folder.path(), &point, true).unwrap();
    vec![fs::read(kept).unwrap()]
}
