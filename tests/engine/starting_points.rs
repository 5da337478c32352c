//! Starting points of the user's own as files: read back as they were, never overwritten unasked,
//! and what is damaged is told and left alone.

use crestline_core::session::starting_points::{
    StartingPoint, StartingPointError, keep, load, user_folder,
};
use std::fs;
use std::path::{Path, PathBuf};

/// A folder of this name that does not exist.
fn folder(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR"))
        .join("starting points")
        .join(name);
    let _ = fs::remove_dir_all(&path);
    path
}

fn point(name: &str, shoulder_db: f64) -> StartingPoint {
    StartingPoint {
        name: name.into(),
        values: [("shldr".into(), shoulder_db), ("sat".into(), 1.0)].into(),
    }
}

#[test]
fn what_is_kept_is_read_back() {
    let folder = folder("kept");
    assert!(load(&folder).unwrap().points.is_empty(), "no folder yet");
    for (name, shoulder_db) in [("wide chorus", 3.3), ("bridge: all in / out", 0.1 + 0.2)] {
        keep(&folder, &point(name, shoulder_db), false).unwrap();
    }
    let found = load(&folder).unwrap();
    assert!(found.refused.is_empty());
    assert_eq!(
        found.points,
        [
            point("bridge: all in / out", 0.1 + 0.2),
            point("wide chorus", 3.3)
        ]
    );
    // Nothing but the two files is left behind, under names that every system takes.
    let mut names: Vec<_> = fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(names, ["bridge- all in - out.json", "wide chorus.json"]);
}

#[test]
fn nothing_is_overwritten_unasked() {
    let folder = folder("taken");
    keep(&folder, &point("chorus", 3.0), false).unwrap();
    let refused = keep(&folder, &point("chorus", 6.0), false).unwrap_err();
    assert!(matches!(refused, StartingPointError::Taken { .. }));
    assert!(refused.to_string().contains("choose another name"));
    assert_eq!(load(&folder).unwrap().points, [point("chorus", 3.0)]);
    keep(&folder, &point("chorus", 6.0), true).unwrap();
    assert_eq!(load(&folder).unwrap().points, [point("chorus", 6.0)]);
    let nameless = keep(&folder, &point(" /:*", 3.0), false).unwrap_err();
    assert!(matches!(nameless, StartingPointError::Nameless));
    assert_eq!(fs::read_dir(&folder).unwrap().count(), 1);
}

// Names that no file may have on one of the three systems (its maker's documentation of file
// names).
#[test]
fn names_of_devices_are_evaded() {
    let folder = folder("devices");
    for (name, file) in [
        ("con", "con-.json"),
        ("LPT1", "LPT1-.json"),
        ("console", "console.json"),
        ("com", "com.json"),
    ] {
        let path = keep(&folder, &point(name, 3.0), false).unwrap();
        assert_eq!(path, folder.join(file));
    }
    assert_eq!(load(&folder).unwrap().points.len(), 4);
}

#[test]
fn what_is_damaged_is_told_and_does_not_keep_the_others_away() {
    let folder = folder("damaged");
    keep(&folder, &point("good", 3.0), false).unwrap();
    fs::write(folder.join("bad.json"), "{\"version\": 1").unwrap();
    fs::write(
        folder.join("later.json"),
        "{\"version\": 7, \"name\": \"x\", \"values\": {}}",
    )
    .unwrap();
    fs::write(folder.join("large.json"), " ".repeat(70_000)).unwrap();
    fs::write(folder.join("notes.txt"), "not ours").unwrap();
    let found = load(&folder).unwrap();
    assert_eq!(found.points, [point("good", 3.0)]);
    let told: Vec<String> = found.refused.iter().map(ToString::to_string).collect();
    assert_eq!(told.len(), 3, "{told:?}");
    assert!(told[0].contains("bad.json") && told[0].contains("mend it"));
    assert!(told[1].contains("64 KiB") && told[2].contains("version is 7"));
    assert_eq!(
        fs::read_to_string(folder.join("bad.json")).unwrap(),
        "{\"version\": 1"
    );
    // A file where the folder should be.
    let file = folder.join("notes.txt");
    assert!(matches!(
        load(&file).unwrap_err(),
        StartingPointError::Io { .. }
    ));
}

#[test]
fn they_lie_beside_the_windows() {
    use crestline_core::session::user_targets;
    if let (Some(folder), Some(windows)) = (user_folder(), user_targets::user_file()) {
        assert_eq!(folder.parent(), windows.parent());
    }
}
