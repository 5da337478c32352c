//! Whatever is automated, and whenever: nothing but finite samples, the ceiling where it is
//! promised, and no sudden jump up.

#![allow(
    clippy::cast_possible_wrap,
    clippy::cast_sign_loss,
    clippy::large_types_passed_by_value,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test fails by panicking and prints its figures, in its helpers too"
)]

use std::f64::consts::TAU;
use std::sync::LazyLock;

use crestline_core::engine::Settings;
use crestline_core::process::{ListenSettings, Source};
use kit::automation::{automation, chain, listen};
use kit::engine_run::{
    Planes, cut, engine, low_passed, noise, peak_16x_dbtp, play, true_peak_8x_dbtp,
};
use proptest::prelude::*;
use songs::turnstile;

/// The densest stretch of the denser demo song with noise laid over it, up to 0.45 of the sample
/// rate, as far as the detector of the limiter reaches. The last tenth of a second is silent, for
/// an end in full swing would be a peak of its own.
static PROGRAMME: LazyLock<Planes> = LazyLock::new(|| {
    let song = cut(&turnstile(48_000).channels, 20 * 48_000..23 * 48_000);
    let noise = noise(2, song[0].len(), 0.2, 11);
    let mixed = |(song, noise): (&Vec<f32>, &Vec<f32>)| {
        let left = |n: usize| (song.len() - n).saturating_sub(4_800) as f32 / 2_400.0;
        let sum = song
            .iter()
            .zip(noise)
            .enumerate()
            .map(|(n, (a, b))| (a + b) * left(n).min(1.0));
        low_passed(&sum.collect::<Vec<f32>>())
    };
    song.iter().zip(&noise).map(mixed).collect()
});

/// Plays the programme in blocks of these sizes, cut where the settings change; they begin again
/// when they have ended.
fn automated(
    input: &[Vec<f32>],
    automation: &[(usize, Settings)],
    sizes: &[usize],
    mut change: impl FnMut(usize, &mut Settings),
) -> Planes {
    let mut steps = automation.iter().cycle();
    let (mut left, mut settings) = *steps.next().unwrap();
    let mut sizes = sizes.iter().cycle();
    let mut cuts = Vec::new();
    let total = input[0].len();
    let mut start = 0;
    while start < total {
        if left == 0 {
            (left, settings) = *steps.next().unwrap();
        }
        let size = sizes.next().unwrap().min(&left).to_owned();
        let mut now = settings;
        change(start, &mut now);
        cuts.push((size, now));
        left -= size;
        start += size;
    }
    let (mut of_size, mut of_settings) = (cuts.iter(), cuts.iter());
    play(
        &mut engine(48_000.0, 2),
        input,
        || of_size.next().unwrap().0,
        |_| of_settings.next().unwrap().1,
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, max_shrink_iters: 40, ..ProptestConfig::default() })]

    // The true peak by the `ebur128` crate at eight times the rate and by interpolation through the
    // spectrum at sixteen.
    #[test]
    fn the_ceiling_holds_whatever_else_is_automated(
        automation in automation(),
        sizes in prop::collection::vec(1_usize..1_500, 1..12),
        held in (-12.0..0.0_f64, 2_000_usize..40_000, any::<bool>()),
    ) {
        let (ceiling_dbtp, from, written) = held;
        let heard = automated(&PROGRAMME, &automation, &sizes, |start, settings| {
            // From here on the limiter stays on, at one ceiling; what is heard is one of the paths
            // behind it.
            if start >= from {
                settings.chain.limiter.enabled = true;
                settings.chain.limiter.ceiling_dbtp = ceiling_dbtp;
                settings.listen.bypass = false;
                settings.listen.matched = false;
                // What was written nobody has heard: it does not fade into what is played.
                settings.listen.written = written;
                // A band alone can peak higher than the whole.
                settings.listen.solo = [false; 4];
                if matches!(settings.listen.source, Source::Input | Source::Residue) {
                    settings.listen.source = Source::Clean;
                }
            }
        });
        prop_assert!(heard.iter().flatten().all(|sample| sample.is_finite()));
        // The block in which it starts, a quantum, ramps of 20 ms for ceiling, switch and source,
        // and the latency.
        let settled = from + 1_500 + 32 + 960 + engine(48_000.0, 2).latency_frames();
        let (by_crate, by_spectrum) = (true_peak_8x_dbtp(&heard, settled), peak_16x_dbtp(&heard, settled));
        prop_assert!(by_crate <= ceiling_dbtp + 0.05, "{by_crate} dBTP at a ceiling of {ceiling_dbtp} dBTP");
        prop_assert!(by_spectrum <= ceiling_dbtp + 0.05, "{by_spectrum} dBTP at a ceiling of {ceiling_dbtp} dBTP");
    }

    #[test]
    fn everything_that_is_automated_leaves_finite_samples_and_readings(
        automation in automation(),
        sizes in prop::collection::vec(1_usize..1_500, 1..12),
    ) {
        let loud: Planes = PROGRAMME.iter().map(|channel| channel.iter().map(|sample| sample * 30.0).collect()).collect();
        let heard = automated(&loud, &automation, &sizes, |_, _| ());
        prop_assert!(heard.iter().flatten().all(|sample| sample.is_finite()));
    }

    // A signal that repeats every 10 ms has the same level in every 10 ms: what changes is the gain
    // at which it is heard.
    #[test]
    fn no_listen_switch_jumps_up_by_more_than_three_decibels(
        chain in chain(),
        switches in prop::collection::vec((200_usize..20_000, listen()), 10..30),
    ) {
        const PERIOD: usize = 480;
        let period: Vec<f32> = (0..PERIOD)
            .map(|n| (4..9).map(|k| 0.06 * (TAU * f64::from(k * n as i32) / PERIOD as f64 + f64::from(k * k)).sin()).sum::<f64>() as f32)
            .collect();
        let input: Planes = vec![period.iter().copied().cycle().take(4 * 48_000).collect(); 2];
        let steps: Vec<_> = [(48_000, ListenSettings::default())].iter().chain(&switches)
            .map(|(frames, listen)| (*frames, Settings { chain, listen: *listen, ..Settings::default() }))
            .collect();
        let level_db = |heard: &[Vec<f32>], start: usize| {
            let squares = heard.iter().flat_map(|channel| &channel[start..start + PERIOD]).map(|x| f64::from(*x).powi(2));
            10.0 * squares.sum::<f64>().log10()
        };
        // More than 40 dB below the loudest source counts as silence, out of which a source starts
        // 40 dB below its own level.
        let full_db = |source: Source| {
            let settings = Settings { chain, listen: ListenSettings { source, ..ListenSettings::default() }, ..Settings::default() };
            level_db(&play(&mut engine(48_000.0, 2), &cut(&input, 0..48_000), || PERIOD, |_| settings), 48_000 - PERIOD)
        };
        let loudest_db = [Source::Output, Source::Clean, Source::Input].map(full_db).into_iter().fold(f64::MIN, f64::max);
        for solo in [false, true] {
            let heard = automated(&input, &steps, &[PERIOD], |_, settings| {
                // Nobody listens to a file.
                settings.listen.written = false;
                // The level of a residue is not known when it is left: it is taken to be 20 dB below.
                if settings.listen.source == Source::Residue {
                    settings.listen.source = Source::Input;
                }
                // Sources are told by the loudness of the whole, bands by what is heard of a source.
                if solo {
                    settings.listen = ListenSettings { source: Source::Input, solo: settings.listen.solo, ..ListenSettings::default() };
                } else {
                    settings.listen.solo = [false; 4];
                }
            });
            let levels: Vec<f64> = (0..heard[0].len() / PERIOD).map(|n| level_db(&heard, n * PERIOD)).collect();
            // After the settings have come to rest; against the loudest of the last 60 ms, as going
            // back at once is no surprise.
            for now in 100..levels.len() - 2 {
                let before = levels[now - 6..now].iter().copied().fold(f64::MIN, f64::max);
                if before < loudest_db - 40.0 {
                    continue;
                }
                let rise_db = levels[now + 1] - before;
                // Three decibels are measured as loudness: at 400 to 800 Hz up to half a decibel from
                // plain level (BS.1770-5's weighting).
                prop_assert!(rise_db <= 3.5, "{rise_db} dB at {} ms", now * 10);
            }
        }
    }
}
