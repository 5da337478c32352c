use super::*;
use crate::dsp::quad::dispatch;
use crate::dsp::ramp::frames_from_ms;

const HARD: BandSettings = BandSettings {
    enabled: true,
    threshold_db: -20.0,
    ratio: 4.0,
    knee_db: 0.0,
    attack_ms: 10.0,
    release_ms: 100.0,
    makeup_db: 0.0,
};

#[test]
fn logarithm_and_power_are_as_exact_as_they_say() {
    let (mut log_error, mut power_error) = (0.0_f64, 0.0_f64);
    for step in 0..40_000 {
        let octaves = -40.0 + f64::from(step) * 0.00123;
        let x = octaves.exp2() as f32;
        log_error = log_error
            .max((f64::from(log2(f32x4::splat(x)).to_array()[2]) - f64::from(x).log2()).abs());
        let octaves = octaves as f32;
        let power = f64::from(exp2(f32x4::splat(octaves)).to_array()[3]);
        power_error = power_error.max((power.log2() - f64::from(octaves)).abs());
    }
    for level in crate::dsp::quad::levels() {
        for step in -1200..1200_i16 {
            let octaves = f32::from(step) * 0.1;
            let expected = exp2(f32x4::splat(octaves)).to_array()[0].to_bits();
            let lanes: [f32; 8] =
                dispatch!(level, simd => exp2_on(simd, simd.splat_f32x8(octaves)).into());
            assert_eq!(lanes.map(f32::to_bits), [expected; 8], "{octaves}");
        }
    }
    assert!(log_error < 1.1e-4, "{log_error}");
    assert!(power_error / LOG2_PER_DB < 1e-4, "{power_error}");
    assert_eq!(exp2(f32x4::ZERO), f32x4::ONE);
    for level in log2(f32x4::new([
        0.0,
        f32::MIN_POSITIVE,
        f32::MAX,
        f32::INFINITY,
    ]))
    .to_array()
    {
        assert!(level.abs() < 130.0);
    }
    assert!(exp2(f32x4::splat(-1e9)).to_array()[0] > 0.0);
}

/// Values of eq. 4 of Giannoulis, Massberg, Reiss, JAES 60(6) 2012, computed: threshold −20,
/// ratio 4, knee 10; and of the other branch with a hard knee.
#[test]
fn reduction_follows_the_papers_static_curve() {
    let soft = BandSettings {
        knee_db: 10.0,
        ..HARD
    };
    let off = BandSettings {
        enabled: false,
        ..soft
    };
    let curves = Curves::new(&[soft, HARD, off, BandSettings { ratio: 1.0, ..soft }]);
    let table = [
        (-25.0, -25.0),
        (-23.0, -23.15),
        (-22.0, -22.3375),
        (-20.0, -20.9375),
        (-18.0, -19.8375),
        (-17.0, -19.4),
        (-15.0, -18.75),
        (0.0, -15.0),
    ];
    for (input_db, output_db) in table {
        let level = log2(f32x4::splat(10.0_f32.powf(input_db / 20.0)));
        let reduction = curves
            .reduction(level)
            .to_array()
            .map(|reduction| f64::from(reduction) / LOG2_PER_DB);
        assert!(
            (f64::from(input_db) - reduction[0] - output_db).abs() < 0.002,
            "{input_db}: {reduction:?}"
        );
        assert!((soft.output_db(f64::from(input_db)) - output_db).abs() < 1e-9);
        let hard = 0.75 * f64::max(f64::from(input_db) + 20.0, 0.0);
        assert!((reduction[1] - hard).abs() < 0.002);
        assert!((f64::from(input_db) - hard - HARD.output_db(f64::from(input_db))).abs() < 1e-9);
        assert!(reduction[3] == 0.0);
        assert_eq!(curves.wanted(level).heard.to_array(), [1.0, 1.0, 0.0, 1.0]);
    }
}

/// A one-pole's time constant by definition: 1 − 1/e = 63.212 % of the way after τ.
#[test]
fn attack_and_release_go_63_2_percent_of_the_way_in_their_time() {
    for rate in [8000.0, 48_000.0, 384_000.0] {
        let band = |attack_ms, release_ms| BandSettings {
            attack_ms,
            release_ms,
            ..HARD
        };
        let bands = [
            band(10.0, 100.0),
            band(0.1, 5.0),
            band(200.0, 2000.0),
            band(1.0, 50.0),
        ];
        let ballistics = Ballistics::new(&bands, rate);
        let part = 1.0 - (-1.0_f64).exp();
        for (lane, settings) in bands.iter().enumerate() {
            let mut envelopes = Envelopes::AT_REST;
            let frames = settings.attack_ms * rate / 1000.0;
            let mut after = 0.0;
            for _ in 0..frames_from_ms(rate, settings.attack_ms) {
                after = f64::from(envelopes.step(&ballistics, f32x4::splat(2.0)).to_array()[lane]);
            }
            // Where the time is no whole number of frames, the closed form at the frame that
            // was reached.
            let expected = if frames.fract() == 0.0 {
                part
            } else {
                -(-frames.round() / frames).exp_m1()
            };
            assert!(
                (after / 2.0 - expected).abs() < 1e-5,
                "{rate} {settings:?}: {after}"
            );
            // Held at 2, the release alone: what is held falls by itself.
            let mut envelopes = Envelopes {
                held: [f64x2::splat(2.0); 2],
                smooth: [f64x2::splat(2.0); 2],
                ..Envelopes::AT_REST
            };
            for _ in 0..frames_from_ms(rate, settings.release_ms) {
                envelopes.step(&ballistics, f32x4::ZERO);
            }
            let held = [envelopes.held[0].to_array(), envelopes.held[1].to_array()].concat()[lane];
            assert!(
                (1.0 - held / 2.0 - part).abs() < 1e-5,
                "{rate} {settings:?}: {held}"
            );
        }
    }
}

#[test]
fn envelopes_die_away_to_exactly_zero() {
    let ballistics = Ballistics::new(
        &[BandSettings {
            release_ms: 5.0,
            ..HARD
        }; 4],
        48_000.0,
    );
    let mut envelopes = Envelopes::AT_REST;
    envelopes.step(&ballistics, f32x4::splat(3.0));
    for _ in 0..48_000 {
        envelopes.step(&ballistics, f32x4::ZERO);
        envelopes.snap_to_zero();
    }
    assert_eq!(envelopes.held, [f64x2::ZERO; 2]);
    assert_eq!(envelopes.smooth, [f64x2::ZERO; 2]);
}
