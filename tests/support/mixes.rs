//! Multitracks for experiments on mixes: our own invention, six at will, each of eight parts that
//! fill the spectrum and the stereo field as a band does. Plainer than the song, and random: a seed
//! draws tuning, chords, rhythms, levels and decays.

use crate::measure::from_db;
use crate::random::Random;
use crate::stereo::Stereo;
use std::f64::consts::{PI, TAU};

/// Seeds the experiments use.
pub const SEEDS: [u64; 3] = [1, 2, 3];

/// Tempo in beats (quarter notes) a minute.
pub const TEMPO_BPM: f64 = 104.0;

/// Number of bars, of four beats.
pub const BARS: usize = 10;

/// How much is played.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Density {
    /// Long notes and rests.
    Sparse,
    /// Nearly every sixteenth is played by someone.
    Dense,
}

impl Density {
    /// Both.
    pub const ALL: [Density; 2] = [Density::Sparse, Density::Dense];
}

/// The parts of a mix: kick, snare, hats to one side, bass, a guitar hard left, another hard right,
/// a wide arpeggio, percussion. The same notes at every sample rate.
pub fn parts(rate_hz: f64, seed: u64, density: Density) -> Vec<Stereo> {
    let band = Band::new(rate_hz, seed, density);
    vec![
        band.kick(),
        band.snare(),
        band.hats(),
        band.bass(),
        band.guitar(-1.0),
        band.guitar(1.0),
        band.arpeggio(),
        band.percussion(),
    ]
}

/// The sum of signals of one length.
pub fn sum(parts: &[Stereo]) -> Stereo {
    let mut sum = parts[0].clone();
    for part in &parts[1..] {
        for (sum, part) in [(&mut sum.left, &part.left), (&mut sum.right, &part.right)] {
            sum.iter_mut().zip(part).for_each(|(sum, x)| *sum += x);
        }
    }
    sum
}

/// Sixteenths in a bar.
const STEPS: usize = 16;
/// Length of a sixteenth in seconds.
const STEP_S: f64 = 60.0 / TEMPO_BPM / 4.0;

/// Roots of four bars, in semitones above the key, and whether the chord is minor.
const PROGRESSIONS: [[(i32, bool); 4]; 3] = [
    [(0, true), (8, false), (3, false), (10, false)],
    [(0, false), (9, true), (5, false), (7, false)],
    [(0, true), (5, true), (10, false), (3, false)],
];

/// What all players agree on.
struct Band {
    rate_hz: f64,
    seed: u64,
    dense: bool,
    /// Lowest root, in Hz.
    key_hz: f64,
    progression: [(i32, bool); 4],
}

impl Band {
    fn new(rate_hz: f64, seed: u64, density: Density) -> Self {
        let mut random = Random::new(1_000 + seed);
        let key_hz = 41.2 * semitones(6.0 + 5.0 * random.bipolar());
        let progression = PROGRESSIONS[seed as usize % PROGRESSIONS.len()];
        Band { rate_hz, seed, dense: density == Density::Dense, key_hz, progression }
    }

    /// A player with a part of his own; `level_db` is the peak of his loudest single note, give or
    /// take 2 dB.
    fn player(&self, number: u64, level_db: f64) -> Player {
        let mut random = Random::new(100 * self.seed + 10 * u64::from(self.dense) + number);
        let level = from_db(level_db + 2.0 * random.bipolar());
        let length = (BARS as f64 * STEPS as f64 * STEP_S * self.rate_hz).round() as usize;
        let silence = vec![0.0; length];
        Player { rate_hz: self.rate_hz, random, level, left: silence.clone(), right: silence }
    }

    /// How likely a note is, by density.
    fn chance(&self, sparse: f64, dense: f64) -> f64 {
        if self.dense { dense } else { sparse }
    }

    /// Root of a bar's chord and its third, in semitones above the root.
    fn chord(&self, bar: usize) -> (f64, f64) {
        let (root, minor) = self.progression[bar % 4];
        (self.key_hz * semitones(root.into()), if minor { 3.0 } else { 4.0 })
    }

    fn kick(&self) -> Stereo {
        let mut player = self.player(1, -9.0);
        let tune = 1.0 + 0.1 * player.random.bipolar();
        let decay_s = 0.13 + 0.04 * player.random.bipolar();
        for step in 0..BARS * STEPS {
            let written = step % 8 == 0;
            let extra = step % 2 == 0 && player.happens(self.chance(0.05, 0.25));
            if written || extra {
                let mut noise = Noise::new(player.random.fork());
                player.note(step, if written { 1.0 } else { 0.7 }, 0.5, 0.0, |t| {
                    let turns = tune * (48.0 * t + 4.0 * (1.0 - (-t / 0.03).exp()));
                    let beater = 0.3 * noise.at(t) * (-t / 0.004).exp();
                    (-t / decay_s).exp() * (TAU * turns).sin() + beater
                });
            }
        }
        player.stereo()
    }

    fn snare(&self) -> Stereo {
        let mut player = self.player(2, -10.0);
        let hz = 190.0 + 25.0 * player.random.bipolar();
        let decay_s = 0.11 + 0.04 * player.random.bipolar();
        for step in 0..BARS * STEPS {
            let written = step % 8 == 4;
            let ghost = !written && player.happens(self.chance(0.0, 0.12));
            if written || ghost {
                let mut noise = Noise::new(player.random.fork());
                player.note(step, if written { 1.0 } else { 0.25 }, 0.6, 0.05, |t| {
                    let heads = (TAU * hz * t).sin() + 0.5 * (TAU * 1.73 * hz * t).sin();
                    0.5 * heads * (-t / 0.05).exp() + 0.7 * noise.at(t) * (-t / decay_s).exp()
                });
            }
        }
        player.stereo()
    }

    fn hats(&self) -> Stereo {
        let mut player = self.player(3, -22.0);
        for step in 0..BARS * STEPS {
            let written = step % 2 == 0 || player.happens(self.chance(0.05, 0.8));
            if written {
                let open = step % 8 == 6 && player.happens(0.4);
                let decay_s = if open { 0.16 } else { 0.035 };
                let force = if step % 4 == 0 { 1.0 } else { 0.6 };
                let mut noise = Noise::new(player.random.fork());
                let mut echo = noise.clone();
                player.note(step, force, 0.6, 0.55, |t| {
                    // Noise less itself a little later is bright: highest at 8 kHz.
                    let bright = noise.at(t + 1.0 / 16_000.0) - echo.at(t);
                    0.6 * bright * (-t / decay_s).exp()
                });
            }
        }
        player.stereo()
    }

    fn bass(&self) -> Stereo {
        let mut player = self.player(4, -13.0);
        let bright = 0.45 + 0.15 * player.random.bipolar();
        let mut step = 0;
        while step < BARS * STEPS {
            let longest = if self.dense { 2 } else { 6 };
            let steps = if player.happens(0.6) { longest } else { 2 };
            let (root_hz, third) = self.chord(step / STEPS);
            let above = [0.0, 0.0, 7.0, 12.0, third][player.choose(5)];
            let hz = root_hz * semitones(above);
            let sounding_s = 0.9 * steps as f64 * STEP_S;
            if player.happens(self.chance(0.8, 0.95)) {
                player.note(step, 1.0, sounding_s + 0.05, 0.0, |t| {
                    let r = bright * (0.5 + 0.5 * (-t / 0.2).exp());
                    plucked(hz, t, r, 0.9, sounding_s)
                });
            }
            step += steps;
        }
        player.stereo()
    }

    /// Strummed chords at one side; each side has its own rhythm and voicing.
    fn guitar(&self, place: f64) -> Stereo {
        let mut player = self.player(if place < 0.0 { 5 } else { 6 }, -16.0);
        let muted = player.happens(0.5);
        let mut step = player.choose(2);
        while step < BARS * STEPS {
            let steps = if self.dense { 1 + player.choose(3) } else { 3 + player.choose(6) };
            let (root_hz, third) = self.chord(step / STEPS);
            let sounding_s = steps as f64 * STEP_S * if muted { 0.6 } else { 0.95 };
            let mut strings = [0.0, 7.0, 12.0, 12.0 + third, 19.0];
            if place > 0.0 {
                strings = strings.map(|above| above + 12.0);
            }
            if player.happens(self.chance(0.75, 0.9)) {
                let force = 0.6 + 0.4 * player.unit();
                player.note(step, force, sounding_s + 0.05, place, |t| {
                    let strum = strings.iter().zip(0..).map(|(above, n)| {
                        let t = t - 0.008 * f64::from(n);
                        let hz = 2.0 * root_hz * semitones(*above);
                        if t < 0.0 { 0.0 } else { plucked(hz, t, 0.72, 0.5, sounding_s) }
                    });
                    0.4 * strum.sum::<f64>()
                });
            }
            step += steps;
        }
        player.stereo()
    }

    /// Single notes that wander between the sides.
    fn arpeggio(&self) -> Stereo {
        let mut player = self.player(7, -19.0);
        let every = if self.dense { 1 } else { 2 };
        for step in (0..BARS * STEPS).step_by(every) {
            let (root_hz, third) = self.chord(step / STEPS);
            let above = [0.0, third, 7.0, 12.0, 12.0 + third, 7.0][step / every % 6];
            let hz = 8.0 * root_hz * semitones(above);
            let place = 0.9 * (TAU * step as f64 / 7.0).sin();
            let force = 0.6 + 0.4 * player.unit();
            if player.happens(self.chance(0.7, 0.9)) {
                player.note(step, force, 0.5, place, |t| plucked(hz, t, 0.35, 0.15, 0.4));
            }
        }
        player.stereo()
    }

    fn percussion(&self) -> Stereo {
        let mut player = self.player(8, -18.0);
        let tune = 1.0 + 0.2 * player.random.bipolar();
        for step in 0..BARS * STEPS {
            if player.happens(if step % 4 == 0 { 0.1 } else { self.chance(0.15, 0.4) }) {
                let hz = tune * [310.0, 420.0, 900.0][player.choose(3)];
                let force = 0.5 + 0.5 * player.unit();
                let mut noise = Noise::new(player.random.fork());
                player.note(step, force, 0.3, -0.5, |t| {
                    let skin = (TAU * hz * t).sin() * (-t / 0.05).exp();
                    skin + 0.4 * noise.at(t) * (-t / 0.008).exp()
                });
            }
        }
        player.stereo()
    }
}

/// A string: harmonics that fall by `r` each, in closed form, dying away over `decay_s` and damped at
/// `end_s`.
fn plucked(hz: f64, t: f64, r: f64, decay_s: f64, end_s: f64) -> f64 {
    let angle = TAU * hz * t;
    let wave = (1.0 - r) * angle.sin() / (1.0 - 2.0 * r * angle.cos() + r * r);
    let damping = if t > end_s { (-(t - end_s) / 0.01).exp() } else { 1.0 };
    wave * (t / 0.002).min(1.0) * (-t / decay_s).exp() * damping
}

/// Ratio of frequencies of an interval.
fn semitones(interval: f64) -> f64 {
    (interval / 12.0).exp2()
}

/// Noise that is the same signal at every sample rate: random points, smoothly joined.
#[derive(Clone)]
struct Noise {
    random: Random,
    points: [f64; 4],
    /// Number of the second point.
    at: f64,
}

impl Noise {
    /// Points in a second.
    const POINTS: f64 = 36_000.0;

    fn new(mut random: Random) -> Self {
        let points = std::array::from_fn(|_| random.bipolar());
        Noise { random, points, at: 0.0 }
    }

    /// The noise at a time in seconds, not before the last one asked for.
    fn at(&mut self, t: f64) -> f64 {
        let position = t * Self::POINTS;
        while position >= self.at + 1.0 {
            self.points.rotate_left(1);
            self.points[3] = self.random.bipolar();
            self.at += 1.0;
        }
        // Catmull and Rom's cubic.
        let [a, b, c, d] = self.points;
        let x = position - self.at;
        b + 0.5 * x * (c - a + x * (2.0 * a - 5.0 * b + 4.0 * c - d + x * (3.0 * (b - c) + d - a)))
    }
}

/// A part in the making.
struct Player {
    rate_hz: f64,
    random: Random,
    level: f64,
    left: Vec<f64>,
    right: Vec<f64>,
}

impl Player {
    /// Evenly spread over 0 to 1.
    fn unit(&mut self) -> f64 {
        0.5 + 0.5 * self.random.bipolar()
    }

    fn happens(&mut self, chance: f64) -> bool {
        self.unit() < chance
    }

    /// One of the numbers below `count`.
    fn choose(&mut self, count: usize) -> usize {
        (self.unit() * count as f64) as usize % count
    }

    /// Plays a note at a sixteenth, a few milliseconds early or late, at a place from −1 (left) to 1
    /// (right), at constant power.
    fn note(
        &mut self,
        step: usize,
        force: f64,
        length_s: f64,
        place: f64,
        mut voice: impl FnMut(f64) -> f64,
    ) {
        let start_s = (step as f64 * STEP_S + 0.004 * self.random.bipolar()).max(0.0);
        let force = self.level * force * (1.0 + 0.1 * self.random.bipolar());
        let angle = PI / 4.0 * (1.0 + place);
        let (sin, cos) = angle.sin_cos();
        let first = (start_s * self.rate_hz).ceil() as usize;
        let count = (length_s * self.rate_hz) as usize;
        let end = self.left.len().min(first + count);
        for n in first..end {
            let t = n as f64 / self.rate_hz - start_s;
            let fade = ((length_s - t) / 0.01).clamp(0.0, 1.0);
            let sample = force * fade * voice(t);
            self.left[n] += cos * sample;
            self.right[n] += sin * sample;
        }
    }

    fn stereo(self) -> Stereo {
        let finish = |side: Vec<f64>| side.into_iter().map(|x| x as f32).collect();
        Stereo { left: finish(self.left), right: finish(self.right) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::{db, peak, rms};

    #[test]
    fn every_mix_is_its_own_and_stays_below_full_scale() {
        let mut seen: Vec<Stereo> = Vec::new();
        for seed in SEEDS {
            for density in Density::ALL {
                let parts = parts(48_000.0, seed, density);
                assert!(parts.iter().all(|part| rms(&part.left).max(rms(&part.right)) > 1e-3));
                let mix = sum(&parts);
                let highest = peak(&mix.left).max(peak(&mix.right));
                assert!((0.3..1.0).contains(&highest), "{seed} {density:?}: {highest}");
                assert!(!seen.contains(&mix));
                seen.push(mix);
            }
        }
    }

    /// The same music at another rate: levels agree.
    #[test]
    fn a_mix_is_the_same_at_every_rate() {
        let level = |rate_hz| {
            let mix = sum(&parts(rate_hz, 1, Density::Dense));
            db(rms(&mix.left))
        };
        let at_48 = level(48_000.0);
        for rate_hz in [44_100.0, 96_000.0] {
            approx::assert_abs_diff_eq!(level(rate_hz), at_48, epsilon = 0.05);
        }
    }
}
