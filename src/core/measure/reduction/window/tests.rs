use super::*;

/// Slots of a signal in one band with energy `energy(k)` in slot k and the gain `gain(t)`, t in
/// windows from the middle.
fn fit(energy: impl Fn(usize) -> f64, gain: impl Fn(f64) -> f64, added: f64) -> Fit {
    let windows = Windows::new();
    let (mut own, mut pair) = (Slots::new(), Slots::new());
    let third = |value: f64| f64x4::new([0.0, 0.0, value, 0.0]);
    for slot in 0..SLOTS {
        let (x, g) = (energy(slot), gain((slot as f64 + 0.5) / SLOTS as f64 - 0.5));
        own.push(BeforeSlot {
            same: third(x),
            ..BeforeSlot::default()
        });
        let yy = g * g * x + added * x;
        pair.push(PairSlot {
            xy: third(g * x),
            yy: third(yy),
            xs: third(g * x),
            ss: f64x4::splat(yy),
        });
    }
    windows.fit(&windows.before(&own), &pair, 60.0)
}

// Closed form: y = g·x plus something uncorrelated of share s of y's energy leaves the residual
// s.
#[test]
fn a_steady_gain_and_its_residual_come_back() {
    for added in [0.0, 1e-8, 1e-4, 0.5] {
        let fit = fit(|slot| [1.0, 0.1, 3.0][slot % 3], |_| 0.25, added);
        assert!((fit.gain[2] - 0.25).abs() < 1e-12);
        for share in [fit.residual[2] / fit.yy[2], fit.whole_residual / fit.whole] {
            assert!(
                (share - added / (0.0625 + added)).abs() < 1e-13 + 1e-9 * share,
                "{added}: {share}"
            );
        }
        assert_eq!(fit.yy[0], 0.0);
    }
}

#[test]
fn an_even_movement_is_no_distortion_wherever_the_energy_lies() {
    for first in [0, 9, 20] {
        let fit = fit(
            |slot| {
                if slot >= first {
                    1.0 + slot as f64
                } else {
                    1e-9
                }
            },
            |t| 0.8 + 0.3 * t,
            0.0,
        );
        assert!(fit.residual[2] < 1e-13 * fit.yy[2], "{first}");
    }
}

// Closed form: two bands that hold energies a, b and c in common, with gains p and q.
#[test]
fn overlapping_bands_are_told_apart() {
    let (a, b, c, p, q) = (1.0, 2.0, 0.5, 0.5, 1.0);
    let windows = Windows::new();
    let (mut own, mut pair) = (Slots::new(), Slots::new());
    let two = |low: f64, high: f64| f64x4::new([low, high, 0.0, 0.0]);
    for _ in 0..SLOTS {
        own.push(BeforeSlot {
            same: two(a, b),
            near: two(c, 0.0),
            far: f64x4::ZERO,
        });
        let s = p * p * a + 2.0 * p * q * c + q * q * b;
        pair.push(PairSlot {
            xy: two(0.6 * a, 0.9 * b),
            yy: two(p * p * a, q * q * b),
            xs: two(p * a + q * c, p * c + q * b),
            ss: f64x4::splat(s),
        });
    }
    let fit = windows.fit(&windows.before(&own), &pair, 60.0);
    assert!(
        (fit.gain[0] - p).abs() < 0.01 && (fit.gain[1] - q).abs() < 0.01,
        "{:?}",
        fit.gain
    );
    assert!(fit.whole_residual < 1e-4 * fit.whole);
}

#[test]
fn silence_and_a_single_click_are_no_trouble() {
    assert_eq!(fit(|_| 0.0, |_| 1.0, 0.0).residual, [0.0; 4]);
    let click = fit(|slot| if slot == 12 { 1.0 } else { 0.0 }, |_| 0.5, 0.0);
    assert!(click.residual[2] < 1e-13 * click.yy[2]);
    assert!((click.gain[2] - 0.5).abs() < 1e-12);
}

// A signal and itself: the closed forms are what the fit of that pair comes to.
#[test]
fn a_signal_is_alike_to_itself() {
    let windows = Windows::new();
    let (mut own, mut pair) = (Slots::new(), Slots::new());
    for slot in 0..SLOTS {
        let of = |step: usize| 0.2 + (slot * step % 17) as f64;
        let same = f64x4::new([of(3), of(5), 0.0, of(7)]);
        let [a, b, _, d] = same.to_array();
        // Products of neighbours, as far as they overlap.
        let (ab, ad, bd) = (0.3 * (a * b).sqrt(), -0.01 * a.min(d), 0.05 * b.min(d));
        own.push(BeforeSlot {
            same,
            near: f64x4::new([ab, 0.0, 0.0, 0.0]),
            far: f64x4::new([bd, ad, 0.0, 0.0]),
        });
        let xs = f64x4::new([a + ab + ad, ab + b + bd, 0.0, ad + bd + d]);
        pair.push(PairSlot {
            xy: same,
            yy: same,
            xs,
            ss: f64x4::splat(xs.reduce_add()),
        });
    }
    let fitted = windows.fit(&windows.before(&own), &pair, 60.0);
    let alike = windows.alike(&own, 60.0);
    let of = |fit: &Fit| {
        let bands = [
            fit.xx,
            fit.through,
            fit.gain,
            fit.no_lower,
            fit.explained,
            fit.yy,
            fit.residual,
        ];
        let whole = [fit.whole, fit.whole_residual];
        bands.concat().into_iter().chain(whole).collect::<Vec<_>>()
    };
    for (fitted, alike) in of(&fitted).into_iter().zip(of(&alike)) {
        assert!((fitted - alike).abs() < 1e-12, "{fitted} for {alike}");
    }
}
