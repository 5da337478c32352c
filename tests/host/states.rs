//! States as hosts hand them over, whole or not, and bytes that are none, in both formats.
//!
//! `clap/stream.h` has a host read and write as few bytes of those asked for as it likes. What
//! comes back from a disk may be anything.

use kit::signals::white_noise;
use rig::raw_host::{Block, Port, Ports, RawHost, both};

const FRAMES: usize = 256;

/// A generator of numbers that needs no seed but one: Knuth's, of 64 bits (*The Art of Computer
/// Programming*, volume 2, section 3.3.4, MMIX).
struct Random(u64);

impl Random {
    fn next(&mut self, below: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % below
    }
}

/// Sets these parameters by a block, normalised, and returns what comes out.
fn play(host: &mut dyn RawHost, changes: Vec<(u32, f64)>) -> Vec<Vec<f32>> {
    let main: Vec<_> = (0..2).map(|n| white_noise(70 + n, 0.5, FRAMES)).collect();
    let mut block = Block {
        frames: FRAMES,
        inputs: Ports::Passed(vec![Port::of(&main)]),
        outputs: Ports::Passed(vec![Port::of(&main)]),
        changes,
    };
    assert!(host.process(&mut block));
    block.outputs.channels().cloned().collect()
}

/// A host whose plug-in has been set up, some parameters of it by name, and their values.
const SET: [(&str, f64); 4] = [
    ("Push", 0.4),
    ("Limiter", 1.0),
    ("Saturator", 1.0),
    ("Low shelf gain", 0.7),
];

fn set_up() -> [(&'static str, Box<dyn RawHost>); 2] {
    let mut hosts = both(2, FRAMES);
    for (_, host) in &mut hosts {
        let change = |(name, value)| (host.param(name).unwrap().0, value);
        let changes = SET.map(change).to_vec();
        play(&mut **host, changes);
    }
    hosts
}

fn values(host: &dyn RawHost) -> Vec<f64> {
    SET.map(|(name, _)| host.param(name).unwrap().1).to_vec()
}

fn assert_close(is: &[f64], wanted: &[f64], what: &str) {
    for (is, wanted) in is.iter().zip(wanted) {
        // Values pass through the parameter's range.
        assert!((is - wanted).abs() < 1e-5, "{what}: {is}, not {wanted}");
    }
}

#[test]
fn a_state_passes_in_pieces_of_any_size_in_clap() {
    let [(_, host), _] = set_up();
    let whole = host.save_in_pieces(usize::MAX);
    assert_close(&values(&*host), &SET.map(|(_, value)| value), "as set");
    for at_most in [1, 2, 3, 7, 64, 1_000] {
        let what = format!("pieces of {at_most}");
        assert!(host.save_in_pieces(at_most) == whole, "{what}");
        let [(_, fresh), _] = both(2, FRAMES);
        assert!(fresh.load_in_pieces(&whole, at_most), "{what}");
        assert_close(&values(&*fresh), &values(&*host), &what);
    }
}

// The framework reads a VST3 stream at once, as every stream of a host's known to us lets it.
#[test]
fn a_state_that_comes_in_pieces_in_vst3_is_refused_and_changes_nothing() {
    let [_, (_, host)] = set_up();
    let whole = host.save_in_pieces(usize::MAX);
    let [_, (_, other)] = both(2, FRAMES);
    let before = other.normalized();
    assert!(!other.load_in_pieces(&whole, 7));
    assert_eq!(other.normalized(), before);
    assert!(other.load_in_pieces(&whole, usize::MAX));
    assert_close(&values(&*other), &values(&*host), "whole");
}

/// What is done to a state: bits turned over, an end missing, a stretch doubled, bytes at random,
/// nothing but bytes at random.
fn damaged(state: &[u8], random: &mut Random) -> Vec<u8> {
    let mut bytes = state.to_vec();
    match random.next(5) {
        0 => {
            for _ in 0..=random.next(8) {
                let at = random.next(bytes.len());
                bytes[at] ^= 1 << random.next(8);
            }
        }
        1 => bytes.truncate(random.next(state.len())),
        2 => {
            let from = random.next(state.len());
            let to = from + random.next(state.len() - from);
            bytes.splice(from..from, state[from..to].iter().copied());
        }
        3 => {
            for _ in 0..=random.next(20) {
                let at = random.next(bytes.len());
                bytes[at] = random.next(256) as u8;
            }
        }
        _ => {
            let length = random.next(2_000);
            bytes = (0..length).map(|_| random.next(256) as u8).collect();
        }
    }
    // CLAP's begins with its length, which most damage would give away.
    if random.next(2) == 0 && state.first() != Some(&b'{') && bytes.len() > 8 {
        let length = (bytes.len() - 8) as u64;
        bytes[..8].copy_from_slice(&length.to_le_bytes());
    }
    bytes
}

#[test]
fn no_bytes_do_harm_as_a_state() {
    const TRIES: usize = 400;
    for (format, mut host) in set_up() {
        let whole = host.save_in_pieces(usize::MAX);
        let wanted = values(&*host);
        let count = host.param_count();
        let mut random = Random(7);
        let mut refused = 0;
        for number in 0..TRIES {
            let bytes = damaged(&whole, &mut random);
            let what = || format!("{format}, {number}: {}", String::from_utf8_lossy(&bytes));
            if host.load_in_pieces(&bytes, usize::MAX) {
                for value in host.normalized() {
                    assert!((0.0..=1.0).contains(&value), "{value}: {}", what());
                }
            } else {
                refused += 1;
                assert_close(&values(&*host), &wanted, &what());
            }
            let heard = play(&mut *host, Vec::new());
            assert!(heard.iter().flatten().all(|x| x.is_finite()), "{}", what());
            // What it makes of it can be kept, and read again.
            let again = host.save_in_pieces(usize::MAX);
            assert!(host.load_in_pieces(&again, usize::MAX), "{}", what());
            assert!(host.load_in_pieces(&whole, usize::MAX), "{}", what());
            assert_close(&values(&*host), &wanted, &what());
        }
        println!("{format}: {refused} of {TRIES} refused, {count} parameters");
        assert!((TRIES / 4..TRIES).contains(&refused), "{format}: {refused}");
    }
}
