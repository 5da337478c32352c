//! What push and ceiling do to the loudness of a song, foretold from what was heard of the song.
//!
//! Right after a change of push there are only a few moments to tell how much louder the paths have
//! become, and they may be loud ones, which a limiter holds down more than the song as a whole. So
//! the last ten seconds of the song are kept as histograms: how much energy came in with which
//! peak. The clean path lets pass what stays under the ceiling and turns the rest down to it, for
//! as long as a limiter does; the saturated one bends only what is above. That makes a rough gain
//! for each bin, and with it the loudness of the ten seconds at any push. What the moments since
//! the change brought against what was foretold of these very moments tells how rough it is, and is
//! added.
//!
//! The times and the half decibel were chosen by trying both demo songs at 20 moments with six
//! changes each: at worst 0.8 LU off after half a second and after a whole one, 0.4 after five,
//! where the moments alone are 1.6, 1.8 and 1.0 off.

#![expect(
    clippy::cast_sign_loss,
    reason = "lengths, and bins from the lowest on"
)]

use super::since::{LONGEST_S, Since};
use super::{GATE, PATHS, PEAKS, push_db};
use crate::dsp::decibel::{db_from_gain, db_from_power, gain_from_db, power_from_db};
use crate::process::{ChainSettings, LimiterSettings, Release, SaturatorSettings};

/// A limiter turns down for about so long, s.
const LIMITED_S: f64 = 512.0 / 48_000.0;
/// A release by hand lets go of so much in its time constant, about: what a limiter mostly turns
/// down, dB.
const RELEASED_DB: f64 = 4.0;
/// What is bent at its tip loses less than its tip does, dB.
const BENT_DB: f64 = 0.5;
/// Histograms are of blocks as long as those of ITU-R BS.1770-5, s, and as many as make up
/// [`LONGEST_S`]; the one that is being filled comes on top.
const BLOCK_S: f64 = 0.4;
const BLOCKS: usize = (LONGEST_S / BLOCK_S) as usize + 1;
/// So many whole ones, seven seconds, stand for the song: with four, half a second after a change
/// was 3 LU off at worst.
const ENOUGH_BLOCKS: usize = 17;
/// Bins of half a decibel from here on up, dBFS.
const LOWEST_DBFS: f64 = -36.0;
const BINS_PER_DB: f64 = 2.0;
const BINS: usize = 120;
/// Of reductions below the first one there is no telling that anything is a share, dB: they are
/// rounding; of those below the second how much more there would be of it.
const LEAST_REDUCTION_DB: f64 = 1e-6;
const LEAST_SHARE_DB: f64 = 0.1;
/// How far off it was is kept of so long in a change, and forgotten within so much of the new, s.
const KEPT_S: f64 = 0.3;
const FORGOTTEN_S: f64 = 1.0;
/// Taken for so much louder than is foretold as long as all of it rests on that, dB: what errs is then
/// rather too quiet.
const CAUTION_DB: f64 = 0.1;
/// Moments that are all turned down by more than this, dB, and are all as far off within this, dB,
/// tell more than what is kept once they are so long together, s.
const TURNED_DOWN_DB: f64 = 0.5;
const ALIKE_DB: f64 = 0.5;
const ALIKE_S: f64 = 0.05;

/// Foretells loudness after changes of push and of the ceiling.
#[derive(Debug)]
pub(super) struct Prediction {
    moments_per_block: usize,
    /// Bins of the highest peaks of the last moments, [`LIMITED_S`] long, a ring.
    recent: Box<[usize]>,
    next: usize,
    moment_s: f64,
    /// The bin to which the limiter still turns down, and by how much it falls in a moment.
    held: f64,
    fall: f64,
    /// Stretches of the song, a ring: the one that is being filled, and so many whole ones.
    blocks: Box<[Block]>,
    at: usize,
    filled: usize,
    push_gain: f64,
    /// What brings the power of each bin's peak to that of full scale.
    full_scale: [f64; BINS],
    passed: Passed,
    /// What came out of both paths, and what was foretold of both.
    since: Since<{ 2 * PATHS }>,
    alike: Alike,
}

/// The last moments that were turned down, while they are as far off as one another: of a signal that
/// hardly changes. Of music one is, and the next is not.
#[derive(Debug, Default)]
struct Alike {
    moments: usize,
    /// By how much what came out was over what was foretold, dB: least and most of each path.
    off_db: [[f64; 2]; PATHS],
}

/// A stretch of the song.
#[derive(Debug, Clone)]
struct Block {
    moments: usize,
    /// Energy that came in.
    input: f64,
    /// The same by the peak, without push, that it came with, for each path.
    by_peak: [[f64; BINS]; PATHS],
    /// Energy that comes out with the settings as they are, foretold.
    output: [f64; PATHS],
}

/// What settings let pass: a rough idea of limiter and saturator.
#[derive(Debug)]
struct Passed {
    /// The output's path bends peaks by itself, where it would be turned down around them.
    bends: bool,
    /// Power gain of each path for energy with a peak of each bin.
    power: [[f64; BINS]; PATHS],
}

impl Prediction {
    /// For moments of this length, s. Allocates.
    pub fn new(moment_s: f64) -> Self {
        let moments = |length_s: f64| ((length_s / moment_s).round() as usize).max(1);
        let full_scale = std::array::from_fn(|bin| {
            let peak_dbfs = LOWEST_DBFS + (bin as f64 + 0.5) / BINS_PER_DB;
            power_from_db(-peak_dbfs)
        });
        Self {
            moments_per_block: moments(BLOCK_S),
            recent: vec![0; moments(LIMITED_S)].into(),
            next: 0,
            moment_s,
            held: 0.0,
            fall: f64::INFINITY,
            blocks: vec![Block::NONE; BLOCKS].into(),
            filled: 0,
            at: 0,
            push_gain: 1.0,
            full_scale,
            passed: Passed::by(&ChainSettings::default(), &full_scale),
            since: Since::new(moment_s, FORGOTTEN_S),
            alike: Alike::default(),
        }
    }

    /// What is heard from here on is made with other settings; `foretold`: but for push, the
    /// limiter's switch and its ceiling with the same. Of other changes nothing is.
    pub fn change(&mut self, after: &ChainSettings, foretold: bool) {
        let before_db = self.foretold_reduction_db();
        self.alike = Alike::default();
        if foretold {
            self.since.begin(KEPT_S);
        } else {
            self.since.forget();
            self.filled = 0;
            self.blocks.fill(Block::NONE);
        }
        self.push_gain = gain_from_db(push_db(after));
        self.fall = match after.limiter.release {
            Release::Automatic => f64::INFINITY,
            Release::Manual(ms) => {
                let release_s = LimiterSettings::RELEASE_MS.held(ms) / 1_000.0;
                BINS_PER_DB * RELEASED_DB * self.moment_s / release_s
            }
        };
        self.passed = Passed::by(after, &self.full_scale);
        for block in &mut self.blocks {
            block.foretell(&self.passed);
        }
        if limits_alone(after) {
            self.be_as_far_off(before_db);
        }
    }

    /// By how much less than push makes of it each path is foretold to put out, dB.
    fn foretold_reduction_db(&self) -> [Option<f64>; PATHS] {
        let sum = |of: &dyn Fn(&Block) -> f64| self.blocks.iter().map(of).sum::<f64>();
        let pushed = self.push_gain.powi(2) * sum(&|block| block.input);
        std::array::from_fn(|path| {
            let put_out = sum(&|block| block.output[path]);
            (put_out > 0.0)
                .then(|| db_from_power(pushed / put_out))
                .flatten()
        })
    }

    /// How far off it was is a share of what was turned down: where less is, it is off by less. Where
    /// more is, nobody knows; what was louder than foretold is then by as much more, to be on the safe
    /// side.
    fn be_as_far_off(&mut self, before_db: [Option<f64>; PATHS]) {
        let after_db = self.foretold_reduction_db();
        for (path, reductions_db) in before_db.into_iter().zip(after_db).enumerate() {
            let (Some(before_db), Some(after_db)) = reductions_db else {
                continue;
            };
            let (known, foretold) = (self.since.kept[path], self.since.kept[PATHS + path]);
            let less = before_db > after_db && before_db > LEAST_REDUCTION_DB;
            let louder = known > foretold && before_db > LEAST_SHARE_DB;
            if (less || louder) && known > 0.0 && foretold > 0.0 {
                let off = (known / foretold).powf((after_db / before_db).max(0.0));
                self.since.kept[path] = off * foretold;
            }
        }
    }

    /// A moment has been heard that brought these energies of output, clean path and input and came
    /// to the limiters with these peaks: a saturator bends no longer than one lasts. `settled`: made
    /// with the settings as they are.
    pub fn heard(&mut self, energies: [f64; 3], peaks: [f32; PEAKS], settled: bool) {
        let bent = peaks.map(|peak| bin(f64::from(peak) / self.push_gain));
        if let Some(recent) = self.recent.get_mut(self.next) {
            *recent = bent.iter().copied().max().unwrap_or_default();
        }
        self.next = (self.next + 1) % self.recent.len().max(1);
        let highest = self.recent.iter().copied().max().unwrap_or_default();
        self.held = (self.held - self.fall).max(highest as f64);
        let limited = [self.held as usize];
        let Some(block) = self.blocks.get_mut(self.at).filter(|_| settled) else {
            return;
        };
        let [output, clean, input] = energies;
        let output_bins = if self.passed.bends {
            &bent[..]
        } else {
            &limited
        };
        let bins = [output_bins, &limited];
        let foretold = block.add(input, bins, &self.passed);
        self.since.add([output, clean, foretold[0], foretold[1]]);
        let pushed = self.push_gain.powi(2) * input;
        self.alike.add([output, clean], foretold, pushed);
        if self.alike.moments as f64 * self.moment_s >= ALIKE_S {
            self.since.keep([0.0; 2 * PATHS], 0.0);
        }
        if block.moments == self.moments_per_block {
            self.filled = (self.filled + 1).min(BLOCKS);
            self.at = (self.at + 1) % BLOCKS;
            if let Some(oldest) = self.blocks.get_mut(self.at) {
                *oldest = Block::NONE;
            }
        }
    }

    /// Loudness of output and clean path over that of the input, LU, of the last ten seconds as if
    /// all of it had been made with the settings as they are; `None` while too little is known.
    pub fn over_input_lu(&self) -> Option<[f64; PATHS]> {
        if self.filled < ENOUGH_BLOCKS {
            return None;
        }
        let sum = |of: &dyn Fn(&Block) -> f64| self.blocks.iter().map(of).sum::<f64>();
        let gate = GATE * sum(&|block| block.input) / sum(&|block| block.moments as f64);
        let gated = |of: &dyn Fn(&Block) -> f64| {
            sum(&|block| {
                let counts = block.input >= gate * block.moments as f64;
                if counts { of(block) } else { 0.0 }
            })
        };
        let input = gated(&|block| block.input);
        let [output, clean, foretold @ ..] = self.since.known();
        let caution_db = CAUTION_DB * self.since.weight_of_kept();
        let mut over = [0.0; PATHS];
        for (path, (over, known)) in over.iter_mut().zip([output, clean]).enumerate() {
            let song = gated(&|block| block.output[path]) / input;
            let off = known / foretold[path];
            *over = db_from_power(song)? + db_from_power(off).unwrap_or(0.0) + caution_db;
        }
        Some(over)
    }
}

impl Alike {
    /// Another moment: what came out, what was foretold, and what push alone would have made of it.
    fn add(&mut self, energies: [f64; PATHS], foretold: [f64; PATHS], pushed: f64) {
        let turned_down = power_from_db(TURNED_DOWN_DB);
        if energies.iter().any(|energy| *energy * turned_down > pushed) {
            self.moments = 0;
            return;
        }
        let offs_db = [0, 1].map(|path| 10.0 * (energies[path] / foretold[path]).log10());
        let mut alike = self.moments > 0;
        for ([least, most], off_db) in self.off_db.iter_mut().zip(offs_db) {
            (*least, *most) = (least.min(off_db), most.max(off_db));
            alike &= *most - *least < ALIKE_DB;
        }
        if alike {
            self.moments += 1;
        } else {
            (self.moments, self.off_db) = (1, offs_db.map(|off_db| [off_db; 2]));
        }
    }
}

impl Block {
    const NONE: Self = Self {
        moments: 0,
        input: 0.0,
        by_peak: [[0.0; BINS]; PATHS],
        output: [0.0; PATHS],
    };

    /// Enters a moment, whose energy is spread over these bins of each path, and returns what is
    /// foretold to come out of each.
    fn add(&mut self, input: f64, bins: [&[usize]; PATHS], passed: &Passed) -> [f64; PATHS] {
        self.moments += 1;
        self.input += input;
        let mut foretold = [0.0; PATHS];
        for (path, bins) in bins.into_iter().enumerate() {
            for bin in bins {
                let share = input / bins.len() as f64;
                self.by_peak[path][*bin] += share;
                foretold[path] += share * passed.power[path][*bin];
            }
            self.output[path] += foretold[path];
        }
        foretold
    }

    fn foretell(&mut self, passed: &Passed) {
        for (path, output) in self.output.iter_mut().enumerate() {
            // Four sums that do not wait for each other: push may be in motion all the time.
            let mut sums = [0.0; 4];
            let energies = self.by_peak[path].as_chunks::<4>().0;
            for (energies, passed) in energies.iter().zip(passed.power[path].as_chunks::<4>().0) {
                for (sum, (energy, passed)) in sums.iter_mut().zip(energies.iter().zip(passed)) {
                    *sum += energy * passed;
                }
            }
            *output = sums.iter().sum();
        }
    }
}

/// Whether nothing but limiter and saturator changes how loud push makes it.
fn limits_alone(chain: &ChainSettings) -> bool {
    let shelves = &chain.shelves;
    !chain.bands.on && shelves.low_gain_db == 0.0 && shelves.high_gain_db == 0.0
}

/// The bin of an amplitude.
fn bin(amplitude: f64) -> usize {
    let over_db = db_from_gain(amplitude).map_or(0.0, |dbfs| dbfs - LOWEST_DBFS);
    ((BINS_PER_DB * over_db).max(0.0) as usize).min(BINS - 1)
}

impl Passed {
    fn by(chain: &ChainSettings, full_scale: &[f64; BINS]) -> Self {
        let (limiter, saturator) = (&chain.limiter, &chain.saturator);
        let most = |on: bool, ceiling_dbtp: f64, more_db: f64| {
            let ceiling_dbfs = LimiterSettings::CEILING_DBTP.held(ceiling_dbtp) + more_db;
            if on {
                power_from_db(ceiling_dbfs)
            } else {
                f64::INFINITY
            }
        };
        let bent = most(true, limiter.ceiling_dbtp, BENT_DB);
        let limited = most(limiter.enabled, limiter.ceiling_dbtp, 0.0);
        let blend = SaturatorSettings::BLEND_PERCENT.held(saturator.blend_percent) / 100.0;
        let bends = saturator.enabled && blend > 0.0;
        // Where only a part is bent a limiter turns the rest down as far, and without one it passes.
        let straight = if limiter.enabled { 0.0 } else { 1.0 - blend };
        let push = power_from_db(push_db(chain));
        let by = |most: f64| full_scale.map(|full_scale| push.min(most * full_scale));
        let blended = |bent: f64| (bent.sqrt() * (1.0 - straight) + push.sqrt() * straight).powi(2);
        Self {
            bends,
            power: [
                if bends {
                    by(bent).map(blended)
                } else {
                    by(limited)
                },
                by(limited),
            ],
        }
    }
}
