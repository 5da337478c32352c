//! Recorded music, decoded as the command decodes it, against the `ebur128` crate.

use crestline_files::decode_all;
use kit::metering::{Group, readings_of};
use kit::reference::{Loudness, library_excess_lu, reference};
use kit::skip::skip;
use std::path::Path;

/// Recorded music, where the set-up has fetched some.
#[test]
fn recorded_music_reads_as_with_the_library() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name("fixtures");
    let files: Vec<_> = std::fs::read_dir(folder)
        .into_iter()
        .flatten()
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|extension| extension == "ogg"))
        .collect();
    if files.is_empty() {
        return skip(
            "recorded music",
            "no fixture; `cargo xtask setup` fetches it",
        );
    }
    let mut loudness = Loudness::new([
        "recordings against ebur128, I",
        "recordings against ebur128, max M",
        "recordings against ebur128, max S",
    ]);
    let mut range = Group::new("recordings against ebur128 every 100 ms, LRA", 0.1, "LU");
    let mut true_peak = Group::new("recordings against ebur128, true peak", 0.1, "dB");
    for file in files {
        let name = file.file_name().unwrap().to_string_lossy();
        let audio = decode_all(&file).unwrap();
        let rate = f64::from(audio.sample_rate_hz);
        // From the first to the last tenth of a second with sound in it: the library's range takes
        // in the silence around it, ours does not.
        let tenth = audio.sample_rate_hz as usize / 10;
        let sounding = |frame: &usize| audio.channels.iter().any(|x| x[*frame].abs() > 1e-3);
        let frames = 0..audio.channels[0].len();
        let start = frames.clone().find(sounding).unwrap() / tenth * tenth;
        let end = frames.rev().find(sounding).unwrap() / tenth * tenth;
        let channels: Vec<&[f32]> = audio.channels.iter().map(|x| &x[start..end]).collect();
        let theirs = reference(rate, &audio.roles, &channels);
        let ours = readings_of(rate, &audio.roles, &channels);
        loudness.check(&name, &ours, &theirs, library_excess_lu(rate));
        range.check(
            &name,
            ours.loudness_range_lu,
            theirs.loudness_range_100ms_lu,
        );
        true_peak.check(&name, ours.true_peak_dbtp, theirs.true_peak_dbtp);
    }
}
