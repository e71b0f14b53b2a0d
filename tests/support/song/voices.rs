//! The instruments, one note or stroke each. A voice knows nothing of the score or of its place in
//! the room.

use super::maths::{Decay, Filter, Mode, cosine, exp, sine, soften};
use crate::random::Random;

/// Rise from 0 to 1 over `rise_s` with a soft start, held until `end_s`, then down to 0 over `fall_s`.
fn gate(t: f64, rise_s: f64, end_s: f64, fall_s: f64) -> f64 {
    let rise = (t / rise_s).min(1.0);
    let fall = ((end_s + fall_s - t) / fall_s).clamp(0.0, 1.0);
    rise * rise * (3.0 - 2.0 * rise) * fall * fall
}

/// Seconds since the start, counted in samples.
struct Clock {
    samples: u64,
    rate: f64,
}

impl Clock {
    fn new(rate: f64) -> Self {
        Clock { samples: 0, rate }
    }

    fn next(&mut self) -> f64 {
        let t = self.samples as f64 / self.rate;
        self.samples += 1;
        t
    }
}

/// Bass drum: a falling sine with a felt click.
pub(super) fn kick(rate: f64, velocity: f64, mut noise: Random) -> impl FnMut() -> f64 {
    let mut clock = Clock::new(rate);
    let mut turns = 0.0;
    let mut drop = Decay::new(rate, 0.018);
    let mut knock = Decay::new(rate, 0.055);
    let mut body = Decay::new(rate, 0.10 + 0.05 * velocity);
    let mut click = Decay::new(rate, 0.0035);
    let mut felt = Filter::new(rate, 1500.0 + 2500.0 * velocity, 0.8);
    move || {
        let t = clock.next();
        turns += (51.0 + 24.0 * knock.next() + 130.0 * velocity * drop.next()) / rate;
        let shell = sine(turns) * body.next() * gate(t, 0.0012, 1.0, 1.0);
        let beater = felt.next(noise.bipolar()).low * click.next();
        0.9 * soften(1.5 * velocity * (shell + 0.5 * velocity * beater))
    }
}

/// Snare drum, struck in the middle: two heads, wires, stick. Soft strokes are mostly wires.
pub(super) fn snare(rate: f64, velocity: f64, mut noise: Random) -> impl FnMut() -> f64 {
    let tune = 1.0 + 0.012 * noise.bipolar();
    let mut modes = [
        Mode::new(rate, 187.0 * tune, 0.060, 0.75),
        Mode::new(rate, 338.0 * tune, 0.042, 0.45),
        Mode::new(rate, 491.0 * tune, 0.026, 0.25),
        Mode::new(rate, 812.0 * tune, 0.018, 0.15),
    ];
    let mut rattle = Decay::new(rate, 0.05 + 0.06 * velocity);
    let mut tail = Decay::new(rate, 0.18);
    let mut stick = Decay::new(rate, 0.0022);
    let mut above = Filter::new(rate, 1300.0 + 500.0 * velocity, 0.7);
    let mut below = Filter::new(rate, 5000.0 + 5000.0 * velocity, 0.6);
    let mut ring = Filter::new(rate, 3600.0, 2.0);
    move || {
        let shell: f64 = modes.iter_mut().map(Mode::next).sum();
        let hiss = above.next(noise.bipolar()).high;
        let wires = below.next(hiss).low + 0.35 * ring.next(hiss).band;
        let wires = wires * (0.85 * rattle.next() + 0.2 * velocity * tail.next());
        let hit = hiss * stick.next();
        0.8 * soften(
            1.6 * velocity * (0.85 * velocity * shell + 0.7 * wires + 0.7 * velocity * hit),
        )
    }
}

/// Cross-stick: the stick laid on the head and struck on the rim.
pub(super) fn rim(rate: f64, velocity: f64, mut noise: Random) -> impl FnMut() -> f64 {
    let mut modes = [
        Mode::new(rate, 462.0, 0.020, 0.35),
        Mode::new(rate, 1124.0, 0.014, 0.60),
        Mode::new(rate, 1817.0, 0.010, 0.35),
        Mode::new(rate, 3390.0, 0.005, 0.22),
    ];
    let mut tick = Decay::new(rate, 0.0012);
    move || {
        let wood: f64 = modes.iter_mut().map(Mode::next).sum();
        velocity * (wood + 0.3 * noise.bipolar() * tick.next())
    }
}

/// Ride cymbal: stick ping over a wash that opens with force; `bell` brings out the cup.
pub(super) fn ride(rate: f64, velocity: f64, bell: bool, mut noise: Random) -> impl FnMut() -> f64 {
    const PARTIALS: usize = 36;
    let mut shape = Random::new(77); // the cymbal is the same at every stroke
    let mut partials = std::array::from_fn::<_, PARTIALS, _>(|n| {
        let place = (n as f64 + 0.4 * shape.bipolar()) / PARTIALS as f64;
        let hz = 310.0 * exp(3.5 * place);
        let cup = match hz {
            700.0..3200.0 if bell => 2.4,
            _ => 1.0,
        };
        let level = cup * (0.05 + 0.10 * place) * (1.0 + 0.5 * shape.bipolar());
        let seconds = (0.62 - 0.38 * place) * (1.0 + 0.3 * shape.bipolar());
        // The stick lands elsewhere each time: every partial is a little off in pitch and force.
        let hz = hz * (1.0 + 0.002 * noise.bipolar());
        Mode::new(rate, hz, seconds, level * (1.0 + 0.5 * noise.bipolar()))
    });
    let mut clock = Clock::new(rate);
    let mut ping = Decay::new(rate, 0.010);
    let mut wash = Decay::new(rate, 0.16 + 0.16 * velocity);
    let mut air = Filter::new(rate, 4800.0, 0.7);
    let mut sizzle = Filter::new(rate, 12500.0, 0.6);
    move || {
        let t = clock.next();
        let metal: f64 = partials.iter_mut().map(Mode::next).sum();
        let hiss = sizzle.next(air.next(noise.bipolar()).high).low;
        let opening = 1.0 - exp(-t / 0.012);
        let bloom = 0.26 * velocity * opening * wash.next();
        velocity * (0.42 * metal + hiss * (0.35 * ping.next() + bloom))
    }
}

/// Shaker: beads that gather, then hit.
pub(super) fn shaker(rate: f64, velocity: f64, mut noise: Random) -> impl FnMut() -> f64 {
    let gather_s = 0.026 - 0.010 * velocity;
    let mut clock = Clock::new(rate);
    let mut fall = Decay::new(rate, 0.018 + 0.012 * velocity);
    let mut above = Filter::new(rate, 4200.0, 1.1);
    let mut below = Filter::new(rate, 8000.0 + 3000.0 * velocity, 0.8);
    move || {
        let t = clock.next();
        let level = if t < gather_s {
            let share = t / gather_s;
            share * share * share
        } else {
            fall.next()
        };
        // Single beads: the noise comes in grains.
        let grain = noise.bipolar();
        let beads = grain * grain.abs();
        below.next(above.next(beads).high).low * level * velocity
    }
}

/// How a conga is struck.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Stroke {
    /// Ringing, on the drum tuned to the given Hz.
    Open(f64),
    /// Sharp, with the fingertips.
    Slap,
    /// Heel or toe of the resting hand.
    Touch,
}

/// Conga.
pub(super) fn conga(
    rate: f64,
    velocity: f64,
    stroke: Stroke,
    mut noise: Random,
) -> impl FnMut() -> f64 {
    let tune = 1.0 + 0.006 * noise.bipolar();
    let (modes, skin_hz, skin_s, skin) = match stroke {
        Stroke::Open(hz) => (
            [
                (hz * tune, 0.17, 0.95),
                (hz * 1.593 * tune, 0.06, 0.22),
                (hz * 2.295 * tune, 0.045, 0.16),
                (hz * 3.5 * tune, 0.02, 0.10),
            ],
            1400.0,
            0.005,
            0.5,
        ),
        Stroke::Slap => (
            [
                (262.0 * tune, 0.040, 0.35),
                (587.0 * tune, 0.032, 0.30),
                (1163.0 * tune, 0.026, 0.35),
                (1986.0 * tune, 0.018, 0.25),
            ],
            2700.0,
            0.009,
            1.3,
        ),
        Stroke::Touch => (
            [
                (171.0 * tune, 0.030, 0.45),
                (305.0 * tune, 0.020, 0.22),
                (640.0 * tune, 0.012, 0.12),
                (1010.0 * tune, 0.008, 0.08),
            ],
            900.0,
            0.007,
            0.7,
        ),
    };
    let mut modes = modes.map(|(hz, seconds, level)| Mode::new(rate, hz, seconds, level));
    let mut hand = Decay::new(rate, skin_s);
    let mut colour = Filter::new(rate, skin_hz, 0.9);
    move || {
        let drum: f64 = modes.iter_mut().map(Mode::next).sum();
        let slap = skin * colour.next(noise.bipolar()).band * hand.next();
        velocity * (drum + velocity * slap)
    }
}

/// All harmonics of a pitch, each `r` times the one below it: the sum of r^k·sin(kθ) in closed form.
fn harmonics(turns: f64, r: f64) -> f64 {
    sine(turns) / (1.0 - 2.0 * r * cosine(turns) + r * r)
}

/// Electric bass, plucked with the fingers; `dead` is a muted ghost note.
pub(super) fn bass(
    rate: f64,
    hz: f64,
    length_s: f64,
    velocity: f64,
    dead: bool,
    mut noise: Random,
) -> impl FnMut() -> f64 {
    let mut clock = Clock::new(rate);
    let mut turns = 0.0;
    let mut string = Decay::new(rate, if dead { 0.03 } else { 1.3 });
    let mut bright = Decay::new(rate, 0.16);
    let mut finger = Decay::new(rate, 0.006);
    let mut skin = Filter::new(rate, 900.0, 0.8);
    let mut tone = Filter::new(rate, 2200.0, 0.65);
    move || {
        let t = clock.next();
        // A pluck starts a few cents sharp.
        turns += hz * (1.0 + 0.004 * velocity * bright.value()) / rate;
        let r = 0.34 + 0.36 * velocity * bright.next();
        let wave = (1.0 - r) * harmonics(turns, r) * string.next();
        let pluck = skin.next(noise.bipolar()).low * finger.next();
        let note = velocity * (1.35 * wave + 0.35 * pluck) * gate(t, 0.004, length_s, 0.045);
        tone.next(soften(note)).low
    }
}

/// One note of the organ: nine drawbars and a key click.
pub(super) fn organ(
    rate: f64,
    hz: f64,
    length_s: f64,
    level: f64,
    mut noise: Random,
) -> impl FnMut() -> f64 {
    // Ratio to the fundamental, level.
    const DRAWBARS: [(f64, f64); 9] = [
        (0.5, 0.75),
        (1.5, 0.35),
        (1.0, 1.0),
        (2.0, 0.55),
        (3.0, 0.32),
        (4.0, 0.16),
        (5.0, 0.05),
        (6.0, 0.07),
        (8.0, 0.10),
    ];
    let mut clock = Clock::new(rate);
    let mut bars = DRAWBARS.map(|(ratio, level)| {
        // Gear ratios are never quite the tempered pitch.
        Mode::new(rate, hz * ratio * (1.0 + 0.0006 * noise.bipolar()), 1e6, level)
    });
    let mut click = Decay::new(rate, 0.004);
    let mut contact = Filter::new(rate, 2600.0, 0.8);
    move || {
        let t = clock.next();
        let tone: f64 = bars.iter_mut().map(Mode::next).sum();
        let tick = contact.next(noise.bipolar()).band * click.next();
        level * gate(t, 0.006, length_s, 0.03) * (0.35 * tone + 0.5 * tick)
    }
}

/// Which horn plays.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Horn {
    Trumpet,
    Tenor,
}

/// A horn note; `fall` lets the pitch drop away at the end.
pub(super) fn horn(
    rate: f64,
    which: Horn,
    hz: f64,
    length_s: f64,
    velocity: f64,
    fall: bool,
    mut noise: Random,
) -> impl FnMut() -> f64 {
    let (rise_s, bright, formants, breath) = match which {
        Horn::Trumpet => (0.028, 0.86, [(1180.0, 1.6, 0.9), (2450.0, 2.0, 0.5)], 0.02),
        Horn::Tenor => (0.036, 0.80, [(560.0, 1.4, 0.7), (1420.0, 1.8, 0.6)], 0.05),
    };
    let scoop = 0.022 + 0.010 * noise.bipolar();
    let lift = 1.0 + 0.002 * noise.bipolar();
    let vibrato_hz = 5.1 + 0.4 * noise.bipolar();
    let mut clock = Clock::new(rate);
    let mut turns = 0.0;
    let mut reach = Decay::new(rate, 0.024);
    let mut bite = Decay::new(rate, 0.07);
    let mut peaks = formants.map(|(hz, q, level)| (Filter::new(rate, hz, q), level));
    let mut reed = Filter::new(rate, 2.0 * hz, 1.2);
    let mut top = Filter::new(rate, 7500.0, 0.6);
    let mut bottom = Filter::new(rate, 0.7 * hz, 0.7);
    move || {
        let t = clock.next();
        let shake = 0.0045 * ((t - 0.25) / 0.4).clamp(0.0, 1.0);
        let drop = if fall { ((t - 0.45 * length_s) / length_s).max(0.0) } else { 0.0 };
        let bend = 1.0 - scoop * reach.next() + shake * sine(vibrato_hz * t) - 0.5 * drop * drop;
        turns += hz * lift * bend / rate;
        let level = gate(t, rise_s, length_s, 0.06)
            * (0.82 + 0.18 * bite.next())
            * if fall { 1.0 - 0.7 * (t / length_s).min(1.0) } else { 1.0 };
        // Louder is brighter: the upper harmonics follow the blowing.
        let r = (0.30 + (bright - 0.30) * (0.45 + 0.55 * velocity) * level).min(0.9);
        let mut wave = (1.0 - r) * harmonics(turns, r);
        if which == Horn::Tenor {
            wave += 0.35 * (1.0 - r) * harmonics(2.0 * turns + 0.1, r);
        }
        let air = reed.next(noise.bipolar()).band * breath;
        let coloured = wave
            + peaks.iter_mut().map(|(filter, share)| *share * filter.next(wave).band).sum::<f64>();
        let blown = soften(1.1 * velocity * level * top.next(coloured + air).low);
        0.8 * bottom.next(blown).high
    }
}

/// Marimba bar under a soft mallet.
pub(super) fn marimba(rate: f64, hz: f64, velocity: f64, mut noise: Random) -> impl FnMut() -> f64 {
    let pitch = (220.0 / hz).sqrt();
    let mut modes = [
        Mode::new(rate, hz, 0.50 * pitch, 1.0),
        Mode::new(rate, hz * 1.0012, 0.38 * pitch, 0.25),
        Mode::new(rate, hz * 3.94, 0.10 * pitch, 0.30 * velocity),
        Mode::new(rate, hz * 9.5, 0.028 * pitch, 0.18 * velocity),
    ];
    let mut mallet = Decay::new(rate, 0.004);
    let mut wool = Filter::new(rate, 700.0 + 900.0 * velocity, 0.7);
    let mut clock = Clock::new(rate);
    move || {
        let t = clock.next();
        let bar: f64 = modes.iter_mut().map(Mode::next).sum();
        let thump = wool.next(noise.bipolar()).low * mallet.next();
        velocity * (bar * gate(t, 0.0015, 10.0, 1.0) + 0.55 * thump)
    }
}
