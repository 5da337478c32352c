//! What the commands write besides their result: never over an input, over something else only when
//! told to, whole or not at all.

use std::fs;
use std::path::Path;

use super::sound_files::{Stored, crestline, folder, text, tone, wav};

/// Each command that writes such a file, as it reads `mix.wav` and `other.wav`.
fn writers(out: &str) -> [Vec<&str>; 3] {
    [
        vec!["compare", "mix.wav", "other.wav", "--save-profile", out],
        vec!["forecast", "mix.wav", "--max-push-db", "1.5", "--svg", out],
        vec![
            "report",
            "other.wav",
            "mix.wav",
            "--no-encoders",
            "--html",
            out,
        ],
    ]
}

fn write_inputs(folder: &Path) -> Vec<u8> {
    let bytes = |hz| wav(48_000, Stored::Int24, None, &[tone(48_000, hz, -12.0, 4.0)]);
    fs::write(folder.join("mix.wav"), bytes(440.0)).unwrap();
    fs::write(folder.join("other.wav"), bytes(997.0)).unwrap();
    bytes(440.0)
}

#[test]
fn no_input_is_written_over_even_when_told_to() {
    let folder = folder("outputs_inputs");
    let original = write_inputs(&folder);
    fs::create_dir(folder.join("sub")).unwrap();
    let mut ways = vec!["mix.wav", "./mix.wav", "sub/../mix.wav"];
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink("mix.wav", folder.join("link.wav")).unwrap();
        ways.push("link.wav");
    }
    for way in ways {
        for arguments in writers(way) {
            for force in [&[][..], &["--force"]] {
                let refused = crestline(&folder, &[&arguments[..], force].concat());
                assert_eq!(refused.status.code(), Some(4), "{arguments:?}");
                let line = text(&refused.stderr);
                let told = format!("{way}: is one of the inputs");
                assert!(
                    line.starts_with(&told) && line.contains("; choose"),
                    "{line}"
                );
                assert_eq!(line.lines().count(), 1, "{line}");
                assert!(refused.stdout.is_empty());
                assert_eq!(fs::read(folder.join("mix.wav")).unwrap(), original);
            }
        }
    }
    // The reference of a report is an input, too.
    let mut arguments = writers("other.wav")[2].clone();
    arguments.retain(|argument| *argument != "other.wav");
    arguments.extend(["other.wav", "--reference", "other.wav", "--force"]);
    let refused = crestline(&folder, &arguments);
    assert!(text(&refused.stderr).starts_with("other.wav: is one of the inputs"));
}

#[test]
fn what_is_there_is_replaced_when_told_to_and_nothing_is_left_behind() {
    let folder = folder("outputs_replaced");
    write_inputs(&folder);
    for (arguments, begins) in writers("out")
        .into_iter()
        .zip(["{", "<svg", "<!DOCTYPE html>"])
    {
        fs::write(folder.join("out"), "precious").unwrap();
        let refused = crestline(&folder, &arguments);
        assert_eq!(refused.status.code(), Some(4), "{arguments:?}");
        let line = text(&refused.stderr);
        assert!(
            line.starts_with("out: is there already; ") && line.contains("--force"),
            "{line}"
        );
        assert_eq!(fs::read(folder.join("out")).unwrap(), b"precious");
        let forced = crestline(&folder, &[&arguments[..], &["--force"]].concat());
        assert_eq!(forced.status.code(), Some(0), "{}", text(&forced.stderr));
        let written = fs::read_to_string(folder.join("out")).unwrap();
        assert!(written.starts_with(begins), "{arguments:?}");
        assert_eq!(fs::read_dir(&folder).unwrap().count(), 3, "{arguments:?}");
    }
    fs::create_dir(folder.join("sub")).unwrap();
    for (out, cause) in [
        ("sub", "sub: is a folder"),
        ("none/out", "none/out: could not be written"),
    ] {
        for arguments in writers(out) {
            let refused = crestline(&folder, &[&arguments[..], &["--force"]].concat());
            assert_eq!(refused.status.code(), Some(4), "{arguments:?}");
            let line = text(&refused.stderr);
            assert!(line.starts_with(cause) && line.contains(';'), "{line}");
            // The file that is written first is named in no message.
            assert!(!line.contains(".tmp"), "{line}");
        }
    }
    assert_eq!(fs::read_dir(folder.join("sub")).unwrap().count(), 0);
}

/// What cannot be written is told before anything is read, let alone encoded.
#[test]
fn a_folder_that_is_not_there_costs_no_work() {
    let folder = folder("no_folder_for_outputs");
    for arguments in writers("none/result") {
        let output = crestline(&folder, &arguments);
        assert_eq!(output.status.code(), Some(4), "{arguments:?}");
        let told = text(&output.stderr);
        let named = told.starts_with("none/result: could not be written");
        assert!(named && told.lines().count() == 1, "{told}");
    }
}

/// As any file of the user's: what is written may be read by whoever may read the mix.
#[cfg(unix)]
#[test]
fn others_may_read_what_is_written() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = folder("outputs_mode");
    write_inputs(&folder);
    let mode = |name: &str| {
        fs::metadata(folder.join(name))
            .unwrap()
            .permissions()
            .mode()
    };
    for arguments in writers("out") {
        let written = crestline(&folder, &[&arguments[..], &["--force"]].concat());
        assert_eq!(written.status.code(), Some(0), "{}", text(&written.stderr));
        assert_eq!(mode("out"), mode("mix.wav"), "{arguments:?}");
    }
}

#[test]
fn a_name_that_is_too_long_is_what_is_told() {
    let folder = folder("outputs_long_name");
    write_inputs(&folder);
    let long = "n".repeat(300);
    let mut all = writers(&long).to_vec();
    let wav = format!("{long}.wav");
    all.push(vec!["render", "mix.wav", &wav]);
    for arguments in all {
        let refused = crestline(&folder, &arguments);
        let line = text(&refused.stderr);
        assert_eq!(refused.status.code(), Some(4), "{arguments:?}: {line}");
        assert!(line.contains("choose a shorter name"), "{line}");
    }
}
