//! The drum kit. Harder strokes are brighter and longer as well as louder.

use super::filter::{Fall, Gate, OnePole, Svf, soft_clip};
use super::random::Random;
use super::tables::{Oscillator, Waves};

/// What every drum needs to sound.
pub(super) struct Kit<'a> {
    pub(super) waves: &'a Waves,
    pub(super) random: Random,
}

/// Ratios of a struck plate's partials, spread so that none is a multiple of another.
const METAL: [f32; 6] = [1.0, 1.342, 1.557, 1.883, 2.231, 2.618];

impl Kit<'_> {
    /// Bass drum: a falling sine with the beater's slap.
    pub(super) fn kick(&mut self, track: &mut [f32], at: usize, velocity: f32) {
        let gate = Gate::new(0.000_5, 0.26 + 0.06 * velocity, 0.06);
        let mut shell = Swept::new(
            self.waves,
            gate,
            51.0,
            (70.0 + 90.0 * velocity, 0.016),
            0.13,
        );
        let mut slap = Fall::new(0.004);
        let mut dull = Svf::new(1500.0 + 3500.0 * velocity, 0.7);
        let mut rumble = OnePole::new(900.0);
        for out in track.iter_mut().skip(at).take(gate.frames()) {
            let noise = dull.low(self.random.noise());
            let click = (noise - rumble.tick(noise)) * slap.tick() * (0.3 + 0.9 * velocity);
            *out += velocity * soft_clip(1.25 * shell.tick() + 0.6 * click);
        }
    }

    /// Snare drum: two modes of the head and the wires' noise; a ghost stroke is short and dull.
    pub(super) fn snare(&mut self, track: &mut [f32], at: usize, velocity: f32) {
        let gate = Gate::new(0.000_5, 0.12 + 0.2 * velocity, 0.08);
        let mut lower = Swept::new(self.waves, gate, 186.0, (40.0 * velocity, 0.012), 0.075);
        let mut upper = Swept::new(self.waves, gate, 331.0, (50.0 * velocity, 0.010), 0.045);
        let mut wires = Svf::new(2100.0 + 900.0 * velocity, 0.45);
        let mut air = Svf::new(3500.0 + 8000.0 * velocity, 0.7);
        let mut rumble = Svf::new(500.0, 0.7);
        let mut edge = gate;
        let mut crack = Fall::new(0.012);
        let mut rattle = Fall::new(0.035 + 0.06 * velocity);
        for out in track.iter_mut().skip(at).take(gate.frames()) {
            let noise = air.low(rumble.high(wires.band(self.random.noise()) * 2.2));
            let hiss = noise * (0.7 * velocity * crack.tick() + 0.55 * rattle.tick());
            let head = 0.55 * lower.tick() + 0.3 * upper.tick();
            *out += velocity * soft_clip(head + hiss * edge.tick());
        }
    }

    /// Rim and stick laid across the head.
    pub(super) fn stick(&mut self, track: &mut [f32], at: usize, velocity: f32) {
        let gate = Gate::new(0.000_3, 0.07, 0.03);
        let mut wood = Swept::new(self.waves, gate, 455.0, (60.0, 0.004), 0.018);
        let mut knock = Swept::new(self.waves, gate, 1710.0, (0.0, 0.004), 0.011);
        let mut tap = Fall::new(0.003);
        let mut bright = Svf::new(2500.0, 0.8);
        for out in track.iter_mut().skip(at).take(gate.frames()) {
            let click = bright.band(self.random.noise()) * tap.tick();
            *out += velocity * (0.5 * wood.tick() + 0.5 * knock.tick() + 0.9 * click);
        }
    }

    /// Hi-hat. `open_s` is how long it rings until a foot or the next stroke chokes it.
    pub(super) fn hat(&mut self, track: &mut [f32], at: usize, velocity: f32, open_s: f32) {
        let closed = open_s < 0.08;
        let fall_s = if closed {
            0.018 + 0.022 * velocity
        } else {
            0.24
        };
        let gate = Gate::new(0.000_4, open_s, if closed { 0.02 } else { 0.014 });
        let plate = Plate {
            lowest_hz: 3300.0,
            corner_hz: 7200.0,
            fall_s,
            gate,
        };
        self.plate(track, at, velocity, &plate);
    }

    /// Crash cymbal, left to ring.
    pub(super) fn crash(&mut self, track: &mut [f32], at: usize, velocity: f32, ring_s: f32) {
        let plate = Plate {
            lowest_hz: 1900.0,
            corner_hz: 3800.0,
            fall_s: ring_s * 0.34,
            gate: Gate::new(0.003, ring_s, 0.4),
        };
        self.plate(track, at, velocity, &plate);
    }

    /// Tom tuned to `frequency_hz`.
    pub(super) fn tom(&mut self, track: &mut [f32], at: usize, velocity: f32, frequency_hz: f32) {
        let gate = Gate::new(0.000_6, 0.3, 0.1);
        let sweep_hz = frequency_hz * (0.3 + 0.5 * velocity);
        let mut head = Swept::new(self.waves, gate, frequency_hz, (sweep_hz, 0.02), 0.13);
        let mut stroke = Fall::new(0.006);
        let mut dull = Svf::new(1200.0 + 2500.0 * velocity, 0.7);
        for out in track.iter_mut().skip(at).take(gate.frames()) {
            let tap = dull.low(self.random.noise()) * stroke.tick();
            *out += velocity * (0.85 * head.tick() + 0.5 * tap);
        }
    }

    fn plate(&mut self, track: &mut [f32], at: usize, velocity: f32, plate: &Plate) {
        let mut gate = plate.gate;
        let mut partials = METAL.map(|ratio| {
            let frequency_hz = plate.lowest_hz * ratio * (1.0 + 0.004 * self.random.noise());
            Oscillator::new(self.waves.sine(), self.random.unit(), frequency_hz)
        });
        let mut body = Svf::new(plate.corner_hz, 0.8);
        let mut top = Svf::new(9000.0 + 7000.0 * velocity, 0.6);
        let mut fall = Fall::new(plate.fall_s);
        let mut stroke = Fall::new(0.004);
        for out in track.iter_mut().skip(at).take(gate.frames()) {
            let ring: f32 = partials.iter_mut().map(Oscillator::tick).sum();
            let sizzle = body.high(self.random.noise() + 0.12 * ring);
            let level = fall.tick() + 0.5 * velocity * stroke.tick();
            *out += velocity * gate.tick() * level * top.low(sizzle);
        }
    }
}

/// A cymbal: its lowest partial, the corner below which its noise has little, how it dies away.
struct Plate {
    lowest_hz: f32,
    corner_hz: f32,
    fall_s: f32,
    gate: Gate,
}

/// A mode of a drum head.
struct Swept<'a> {
    sine: Oscillator<'a>,
    frequency_hz: f32,
    sweep_hz: f32,
    sweep: Fall,
    fall: Fall,
    gate: Gate,
}

impl<'a> Swept<'a> {
    /// A sine that starts `sweep_hz` high, settles on `frequency_hz` and dies away in `fall_s`.
    fn new(
        waves: &'a Waves,
        gate: Gate,
        frequency_hz: f32,
        sweep: (f32, f32),
        fall_s: f32,
    ) -> Self {
        let (sweep_hz, sweep_s) = sweep;
        Self {
            sine: Oscillator::new(waves.sine(), 0.0, frequency_hz),
            frequency_hz,
            sweep_hz,
            sweep: Fall::new(sweep_s),
            fall: Fall::new(fall_s),
            gate,
        }
    }

    fn tick(&mut self) -> f32 {
        self.sine
            .tune(self.frequency_hz + self.sweep_hz * self.sweep.tick());
        self.sine.tick() * self.fall.tick() * self.gate.tick()
    }
}
