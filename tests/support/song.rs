//! The demo song: our own invention, synthesised from nothing, the same samples every time.
//!
//! A soul sextet plays 16 bars at 96 beats a minute: drums (kick, snare, ride, shaker), congas,
//! bass, electric organ, two horns and marimba. Eight quiet bars (cross-stick, soft organ, marimba)
//! are followed by eight dense ones with the whole band. The stems add up to the finished mix.

mod maths;
mod room;
mod voices;

use crate::random::Random;
use crate::stereo::Stereo;
use maths::note_hz;
use std::ops::Range;
use voices::{Horn, Stroke};

/// Tempo in beats (quarter notes) a minute.
pub const TEMPO_BPM: f64 = 96.0;

/// Length of the song in seconds: 16 bars of four beats.
pub const LENGTH_S: f64 = 40.0;

/// The quiet section, in seconds. Its last two beats lead into the dense one.
pub const QUIET_S: Range<f64> = 0.0..20.0;

/// The dense section, in seconds. Its last bar is a final chord that rings out.
pub const DENSE_S: Range<f64> = 20.0..40.0;

/// One instrument of the song as it lies in the mix.
#[derive(Debug, Clone, PartialEq)]
pub struct Stem {
    /// Name of the instrument, fit for a file name.
    pub name: &'static str,
    /// Whether it belongs on the drum bus: drums and percussion.
    pub on_drum_bus: bool,
    /// Left channel, full scale is 1.
    pub left: Vec<f32>,
    /// Right channel.
    pub right: Vec<f32>,
}

/// All stems, at a sample rate in Hz (8000 or more). Each is [`LENGTH_S`] long.
pub fn stems(rate: u32) -> Vec<Stem> {
    let rate = f64::from(rate);
    vec![
        kick(rate),
        snare(rate),
        ride(rate),
        shaker(rate),
        congas(rate),
        bass(rate),
        organ(rate),
        horn(rate, Horn::Trumpet),
        horn(rate, Horn::Tenor),
        marimba(rate),
    ]
}

/// The sum of some stems, which are of one sample rate.
pub fn sum<'a>(stems: impl IntoIterator<Item = &'a Stem>) -> Stereo {
    let mut sum = Stereo::default();
    for stem in stems {
        for (sum, part) in [(&mut sum.left, &stem.left), (&mut sum.right, &stem.right)] {
            sum.resize(part.len(), 0.0);
            for (sum, part) in sum.iter_mut().zip(part) {
                *sum += part;
            }
        }
    }
    sum
}

const BARS: usize = 16;
const DENSE_FROM_BAR: usize = 8;
const STEP_S: f64 = 60.0 / TEMPO_BPM / 4.0;
/// How much later than straight the second of two sixteenths falls, in sixteenths.
const SWING: f64 = 0.17;

/// The moment of a sixteenth within a bar; fractions lie between.
fn moment_s(bar: usize, step: f64) -> f64 {
    // Straight on even steps, late on odd ones, and in a line between the two.
    let within = step % 2.0;
    let late = SWING * if within <= 1.0 { within } else { 2.0 - within };
    (16.0 * bar as f64 + step + late) * STEP_S
}

/// The chord of each bar: the bass note, then the four notes of the organ.
const CHORDS: [(i32, [i32; 4]); BARS] = {
    const A_MINOR_9: (i32, [i32; 4]) = (33, [55, 59, 60, 64]);
    const D_9: (i32, [i32; 4]) = (38, [54, 57, 60, 64]);
    const F_MAJOR_9: (i32, [i32; 4]) = (29, [55, 57, 60, 64]);
    const E_MINOR_7: (i32, [i32; 4]) = (28, [55, 59, 62, 66]);
    const D_MINOR_9: (i32, [i32; 4]) = (38, [53, 57, 60, 64]);
    const E_SHARP_9: (i32, [i32; 4]) = (28, [56, 59, 62, 67]);
    [
        A_MINOR_9, D_9, A_MINOR_9, D_9, F_MAJOR_9, E_MINOR_7, D_MINOR_9, E_SHARP_9, // quiet
        A_MINOR_9, D_9, F_MAJOR_9, E_SHARP_9, A_MINOR_9, D_9, E_SHARP_9, A_MINOR_9, // dense
    ]
};

/// A bar of a drum part: one character a sixteenth, a digit for the force (1 to 9) or another mark,
/// a dot for rest; blanks only help the eye.
fn strokes(bar: &'static str) -> impl Iterator<Item = (f64, char)> {
    bar.chars()
        .filter(|mark| *mark != ' ')
        .enumerate()
        .filter(|(_, mark)| *mark != '.')
        .map(|(step, mark)| (step as f64, mark))
}

/// The force of a digit, 1/9 to 1.
fn force(mark: char) -> f64 {
    f64::from(mark.to_digit(10).expect("a force is a digit")) / 9.0
}

/// A player: small errors of time and force, from a seed of his own, the same at every sample rate.
struct Player {
    random: Random,
    late_s: f64,
    loose_s: f64,
}

impl Player {
    fn new(seed: u64, late_ms: f64, loose_ms: f64) -> Self {
        Player { random: Random::new(seed), late_s: late_ms / 1000.0, loose_s: loose_ms / 1000.0 }
    }

    /// When a note written for a moment sounds, its force as played, and randomness for its voice.
    fn play(&mut self, moment_s: f64, force: f64) -> (f64, f64, Random) {
        let spread = (self.random.bipolar() + self.random.bipolar()) / 2.0;
        let start_s = (moment_s + self.late_s + self.loose_s * spread).max(0.0);
        let force = (force * (1.0 + 0.13 * self.random.bipolar())).min(1.0);
        (start_s, force, self.random.fork())
    }
}

/// A stem in the making.
struct Track {
    rate: f64,
    left: Vec<f64>,
    right: Vec<f64>,
}

impl Track {
    fn new(rate: f64) -> Self {
        let silence = vec![0.0; (LENGTH_S * rate).round() as usize];
        Track { rate, left: silence.clone(), right: silence }
    }

    /// Adds a voice for a time, at a place from −1 (left) to 1 (right), at constant power.
    fn add(&mut self, start_s: f64, length_s: f64, place: f64, mut voice: impl FnMut() -> f64) {
        const FADE_S: f64 = 0.02;
        let gains = (((1.0 - place) / 2.0).sqrt(), ((1.0 + place) / 2.0).sqrt());
        let start = ((start_s * self.rate).round() as usize).min(self.left.len());
        let length = (length_s * self.rate).round() as usize;
        let fade = FADE_S * self.rate;
        let sides = self.left[start..].iter_mut().zip(&mut self.right[start..]);
        for (n, (left, right)) in sides.take(length).enumerate() {
            let sample = voice() * ((length - n) as f64 / fade).min(1.0);
            *left += gains.0 * sample;
            *right += gains.1 * sample;
        }
    }

    fn room(mut self, send: f64) -> Self {
        room::add_room(self.rate, send, &mut self.left, &mut self.right);
        self
    }

    /// The finished stem at its level in the mix, ending in silence.
    fn stem(self, name: &'static str, on_drum_bus: bool, level_db: f64) -> Stem {
        const LAST_S: f64 = 0.3;
        let level = maths::exp(level_db * std::f64::consts::LN_10 / 20.0);
        let length = self.left.len();
        let last = LAST_S * self.rate;
        let finish = |side: Vec<f64>| {
            side.iter()
                .enumerate()
                .map(|(n, x)| (level * x * ((length - 1 - n) as f64 / last).min(1.0)) as f32)
                .collect()
        };
        Stem { name, on_drum_bus, left: finish(self.left), right: finish(self.right) }
    }
}

fn kick(rate: f64) -> Stem {
    const PART: [&str; BARS] = [
        "6... .... ..5. ....",
        "6... ...3 ..5. ....",
        "6... .... ..5. ..2.",
        "6... ...3 ..5. ....",
        "6... ..3. ..5. ....",
        "6... ...3 ..5. ..2.",
        "6... ..3. ..5. ...3",
        "6... .... 6... 5...",
        "9... ..7. .48. ....",
        "9..4 ..7. ..8. ...5",
        "9... ..7. .48. ....",
        "9..4 ..7. .48. ..6.",
        "9... ..7. .48. ...4",
        "9..4 ..7. ..8. ...5",
        "9... ..7. .48. ..53",
        "8... ..8. .... ....",
    ];
    let mut track = Track::new(rate);
    let mut player = Player::new(11, 0.0, 4.0);
    for (bar, part) in PART.into_iter().enumerate() {
        for (step, mark) in strokes(part) {
            let (start_s, force, random) = player.play(moment_s(bar, step), force(mark));
            track.add(start_s, 0.9, 0.0, voices::kick(rate, force, random));
        }
    }
    track.stem("kick", true, LEVEL_DB.kick)
}

fn snare(rate: f64) -> Stem {
    /// Cross-stick, in the quiet section.
    const RIM: [&str; BARS] = [
        ".... 7... .... 6...",
        ".... 7... .... 7..3",
        ".... 7... .... 6...",
        ".... 7..3 .... 7...",
        ".... 7... .... 6...",
        ".... 7... .... 7..3",
        ".... 7... .... 6..3",
        ".... 7... .... ....",
        "",
        "",
        "",
        "",
        "",
        "",
        "",
        "",
    ];
    const HEAD: [&str; BARS] = [
        "",
        "",
        "..1. .... .... ....",
        ".... .... .1.. ..1.",
        "..1. ...1 .1.. ....",
        "..1. ...1 .... ..1.",
        "..1. ...1 .1.. ..1.",
        "..1. .... ..23 3456",
        "...1 9..1 .2.1 8...",
        "..1. 9..2 .1.. 9.12",
        "...1 9..1 .2.1 8...",
        "..1. 9..2 .1.2 9.45",
        "...1 9..1 .2.1 8...",
        "..1. 9..2 .1.. 9.12",
        "...1 9..2 .2.1 8456",
        "6... ..7. .... ....",
    ];
    let mut track = Track::new(rate);
    let mut player = Player::new(12, 7.0, 5.0);
    for bar in 0..BARS {
        for (step, mark) in strokes(RIM[bar]) {
            let (start_s, force, random) = player.play(moment_s(bar, step), force(mark));
            track.add(start_s, 0.2, -0.06, voices::rim(rate, 0.8 * force, random));
        }
        for (step, mark) in strokes(HEAD[bar]) {
            let (start_s, force, random) = player.play(moment_s(bar, step), force(mark));
            track.add(start_s, 0.8, -0.06, voices::snare(rate, force, random));
        }
    }
    track.room(0.13).stem("snare", true, LEVEL_DB.snare)
}

fn ride(rate: f64) -> Stem {
    /// `b` is a stroke on the bell.
    const PART: [&str; BARS] = [
        "5.3. 4.3. 5.3. 4.3.",
        "5.3. 4.32 5.3. 4.32",
        "5.3. 4.3. 5.3. 4.3.",
        "5.3. 4.32 5.3. 4.3.",
        "5.3. 4.32 5.3. 4.32",
        "5.3. 4.32 5.3. 4.3.",
        "5.3. 4.32 5.3. 4.32",
        "5.3. 4.3. 4... ....",
        "9.5. 7.53 7.5. 7.53",
        "8.b. 7.b3 8.b. 7.b3",
        "8.5. 7.53 7.5. 7.53",
        "8.b. 7.b3 8.b. 7...",
        "9.5. 7.53 7.5. 7.53",
        "8.b. 7.b3 8.b. 7.b3",
        "8.b. 7.b3 8.b. 7...",
        "8... ..7. .... ....",
    ];
    let mut track = Track::new(rate);
    let mut player = Player::new(13, -2.0, 4.0);
    for (bar, part) in PART.into_iter().enumerate() {
        for (step, mark) in strokes(part) {
            let bell = mark == 'b';
            let written = if bell { 0.75 } else { force(mark) };
            let (start_s, force, random) = player.play(moment_s(bar, step), written);
            let voice = voices::ride(rate, force, bell, random);
            track.add(start_s, 2.0, 0.36, voice);
        }
    }
    track.room(0.08).stem("ride", true, LEVEL_DB.ride)
}

fn shaker(rate: f64) -> Stem {
    const QUIET: &str = "4.2. 4.2. 4.2. 4.2.";
    const DENSE: &str = "6253 7253 6253 7263";
    let mut track = Track::new(rate);
    let mut player = Player::new(14, -18.0, 6.0);
    for bar in 2..BARS - 1 {
        let part = if bar < DENSE_FROM_BAR { QUIET } else { DENSE };
        for (step, mark) in strokes(part) {
            let (start_s, force, random) = player.play(moment_s(bar, step), force(mark));
            track.add(start_s, 0.3, -0.42, voices::shaker(rate, force, random));
        }
    }
    track.stem("shaker", true, LEVEL_DB.shaker)
}

fn congas(rate: f64) -> Stem {
    /// `o` and `O` ring on the high and the low drum, `s` slaps, `t` is heel or toe.
    const PART: [&str; 2] = ["t.t. s.t. t.t. o.o.", "t.tt s.t. OOt. o.oo"];
    let mut track = Track::new(rate);
    let mut player = Player::new(15, 3.0, 7.0);
    for bar in 4..BARS {
        let push = if bar < DENSE_FROM_BAR { 0.62 } else { 1.0 };
        let part = if bar == BARS - 1 { "o... ..o. .... ...." } else { PART[bar % 2] };
        for (step, mark) in strokes(part) {
            let (stroke, force) = match mark {
                'o' => (Stroke::Open(208.0), 0.85),
                'O' => (Stroke::Open(156.0), 0.8),
                's' => (Stroke::Slap, 0.8),
                _ => (Stroke::Touch, 0.3),
            };
            let (start_s, force, random) = player.play(moment_s(bar, step), push * force);
            track.add(start_s, 1.0, 0.86, voices::conga(rate, force, stroke, random));
        }
    }
    track.room(0.10).stem("congas", true, LEVEL_DB.congas)
}

fn bass(rate: f64) -> Stem {
    /// Step, semitones above the chord's bass note, length in steps, force of 9; force 0 is a dead
    /// note.
    type Bar = &'static [(f64, i32, f64, i32)];
    const QUIET_A: Bar =
        &[(0.0, 0, 5.5, 6), (7.0, 0, 1.2, 3), (10.0, 7, 3.0, 5), (14.0, 12, 1.8, 4)];
    const QUIET_B: Bar =
        &[(0.0, 0, 4.5, 6), (6.0, 7, 2.0, 4), (10.0, 0, 4.0, 5), (15.0, -1, 0.9, 4)];
    const LEAD_IN: Bar =
        &[(0.0, 0, 6.0, 6), (8.0, 0, 3.0, 6), (12.0, 3, 1.8, 6), (14.0, 4, 1.8, 7)];
    const DENSE_A: Bar = &[
        (0.0, 0, 2.2, 9),
        (3.0, 0, 0.6, 0),
        (4.0, 0, 0.7, 0),
        (6.0, 12, 1.3, 7),
        (7.0, 0, 0.6, 0),
        (9.0, 7, 0.9, 6),
        (10.0, 10, 1.8, 8),
        (13.0, 0, 0.6, 0),
        (14.0, 7, 0.9, 6),
        (15.0, 10, 0.9, 7),
    ];
    const DENSE_B: Bar = &[
        (0.0, 0, 2.6, 9),
        (3.0, 12, 0.8, 6),
        (5.0, 0, 0.6, 0),
        (6.0, 7, 1.6, 7),
        (8.0, 0, 0.6, 0),
        (10.0, 0, 1.9, 8),
        (12.0, 12, 0.9, 7),
        (13.0, 10, 0.9, 6),
        (15.0, 7, 0.8, 6),
    ];
    const LAST: Bar = &[(0.0, 0, 1.6, 9), (6.0, 0, 9.0, 9)];
    let mut track = Track::new(rate);
    let mut player = Player::new(16, 4.0, 4.0);
    for (bar, (root, _)) in CHORDS.into_iter().enumerate() {
        let notes = match bar {
            7 => LEAD_IN,
            15 => LAST,
            _ if bar < DENSE_FROM_BAR => [QUIET_A, QUIET_B][bar % 2],
            _ => [DENSE_A, DENSE_B][bar % 2],
        };
        for (step, above, steps, written) in notes {
            let dead = *written == 0;
            let written = if dead { 0.4 } else { f64::from(*written) / 9.0 };
            let (start_s, force, random) = player.play(moment_s(bar, *step), written);
            let hz = note_hz(f64::from(root + above));
            let length_s = steps * STEP_S;
            let voice = voices::bass(rate, hz, length_s, force, dead, random);
            track.add(start_s, length_s + 0.1, 0.0, voice);
        }
    }
    track.stem("bass", false, LEVEL_DB.bass)
}

fn organ(rate: f64) -> Stem {
    /// Step, length in steps, level.
    type Bar = &'static [(f64, f64, f64)];
    const PAD: Bar = &[(0.0, 15.6, 0.5)];
    const DENSE_A: Bar = &[(0.0, 2.4, 0.9), (3.0, 1.0, 0.8), (7.0, 0.9, 0.9), (10.0, 4.8, 0.85)];
    const DENSE_B: Bar = &[(0.0, 5.2, 0.85), (7.0, 0.9, 0.9), (11.0, 0.9, 0.9), (14.0, 1.6, 0.8)];
    const LAST: Bar = &[(0.0, 1.6, 1.0), (6.0, 9.5, 0.9)];
    let mut track = Track::new(rate);
    let mut player = Player::new(17, 2.0, 5.0);
    for (bar, (_, notes)) in CHORDS.into_iter().enumerate() {
        let chords = match bar {
            15 => LAST,
            _ if bar < DENSE_FROM_BAR => PAD,
            _ => [DENSE_A, DENSE_B][bar % 2],
        };
        for (step, steps, level) in chords {
            for note in notes {
                let (start_s, level, random) = player.play(moment_s(bar, *step), *level);
                let hz = note_hz(f64::from(note));
                let length_s = steps * STEP_S;
                let voice = voices::organ(rate, hz, length_s, 0.3 * level, random);
                track.add(start_s, length_s + 0.05, -1.0, voice);
            }
        }
    }
    // Into the amplifier, then the rotating speaker, which speeds up for the dense section.
    let driven: Vec<f64> = track.left.iter().map(|x| maths::soften(1.3 * x)).collect();
    let lead_s = DENSE_S.start - 2.5;
    (track.left, track.right) =
        room::rotate(rate, &driven, |t| 0.8 + 5.4 * ((t - lead_s) / 2.5).clamp(0.0, 1.0));
    track.room(0.05).stem("organ", false, LEVEL_DB.organ)
}

/// The horns, in two parts: trumpet far left and tenor far right.
fn horn(rate: f64, which: Horn) -> Stem {
    /// Bar, step, length in steps, trumpet, tenor, force of 9; a negative force lets the note fall.
    const RIFFS: &[(usize, f64, f64, i32, i32, i32)] = &[
        (6, 0.0, 14.0, 69, 62, 2),
        (7, 0.0, 7.0, 68, 62, 3),
        (7, 8.0, 7.4, 71, 64, 4),
        (8, 2.0, 0.9, 76, 67, 8),
        (8, 3.0, 0.9, 76, 67, 7),
        (8, 6.0, 1.2, 79, 71, 9),
        (8, 10.0, 0.9, 74, 67, 7),
        (8, 11.0, 4.2, 76, 67, 9),
        (9, 2.0, 0.9, 74, 66, 7),
        (9, 3.0, 0.9, 74, 66, 7),
        (9, 6.0, 1.2, 76, 69, 9),
        (9, 10.0, 5.0, 72, 64, -8),
        (10, 0.0, 7.6, 76, 69, 6),
        (10, 8.0, 1.6, 77, 69, 7),
        (10, 10.0, 1.6, 79, 72, 8),
        (10, 12.0, 3.4, 81, 72, 9),
        (11, 2.0, 0.8, 80, 74, 9),
        (11, 3.0, 0.8, 80, 74, 8),
        (11, 7.0, 0.8, 83, 74, 9),
        (11, 10.0, 5.4, 79, 71, -9),
        (12, 2.0, 0.9, 76, 67, 8),
        (12, 3.0, 0.9, 76, 67, 7),
        (12, 6.0, 1.2, 79, 71, 9),
        (12, 10.0, 0.9, 81, 72, 8),
        (12, 11.0, 4.2, 79, 71, 9),
        (13, 2.0, 0.9, 78, 69, 8),
        (13, 3.0, 0.9, 78, 69, 8),
        (13, 6.0, 1.2, 81, 72, 9),
        (13, 10.0, 5.0, 76, 66, -9),
        (14, 0.0, 3.4, 80, 71, 8),
        (14, 4.0, 3.4, 79, 71, 8),
        (14, 8.0, 3.4, 83, 74, 9),
        (14, 12.0, 0.9, 80, 71, 8),
        (14, 13.0, 0.9, 80, 71, 8),
        (14, 14.0, 1.4, 83, 74, 9),
        (15, 0.0, 1.4, 84, 76, 9),
        (15, 6.0, 8.0, 81, 72, -9),
    ];
    let (name, place, seed, level_db) = match which {
        Horn::Trumpet => ("horn-left", -0.97, 18, LEVEL_DB.trumpet),
        Horn::Tenor => ("horn-right", 0.97, 19, LEVEL_DB.tenor),
    };
    let mut track = Track::new(rate);
    let mut player = Player::new(seed, 5.0, 8.0);
    for (bar, step, steps, trumpet, tenor, written) in RIFFS {
        let note = if which == Horn::Trumpet { trumpet } else { tenor };
        let written_force = f64::from(written.abs()) / 9.0;
        let (start_s, force, random) = player.play(moment_s(*bar, *step), written_force);
        let length_s = steps * STEP_S;
        let hz = note_hz(f64::from(*note));
        let fall = *written < 0;
        let voice = voices::horn(rate, which, hz, length_s, force, fall, random);
        track.add(start_s, length_s + 0.1, place, voice);
    }
    track.room(0.09).stem(name, false, level_db)
}

fn marimba(rate: f64) -> Stem {
    /// Step, which note of the organ's chord an octave up, force of 9.
    type Bar = &'static [(f64, usize, i32)];
    const QUIET_A: Bar = &[
        (0.0, 0, 6),
        (2.0, 2, 4),
        (4.0, 1, 5),
        (6.0, 3, 6),
        (7.0, 2, 3),
        (10.0, 1, 5),
        (12.0, 3, 4),
        (14.0, 2, 5),
    ];
    const QUIET_B: Bar = &[
        (0.0, 1, 6),
        (3.0, 3, 5),
        (4.0, 2, 4),
        (6.0, 0, 5),
        (8.0, 2, 4),
        (10.0, 3, 6),
        (11.0, 1, 3),
        (14.0, 2, 4),
        (15.0, 3, 4),
    ];
    const DENSE: Bar = &[
        (2.0, 1, 7),
        (2.0, 3, 7),
        (4.0, 0, 4),
        (5.0, 2, 5),
        (6.0, 1, 7),
        (6.0, 3, 7),
        (9.0, 0, 5),
        (10.0, 2, 6),
        (11.0, 3, 6),
        (13.0, 1, 5),
        (14.0, 2, 8),
        (14.0, 3, 8),
    ];
    /// Two notes in turn, as fast as the hands go.
    fn roll(bar: usize) -> impl Iterator<Item = (usize, f64, usize, f64)> {
        (0..32).map(move |n| {
            let swell = 0.25 + 0.4 * f64::from(n) / 32.0;
            (bar, 0.5 * f64::from(n), 2 + (n % 2) as usize, swell)
        })
    }
    let written = (0..BARS - 1).filter(|bar| *bar != 10).flat_map(|bar| {
        let notes = match bar {
            _ if bar < DENSE_FROM_BAR => [QUIET_A, QUIET_B][bar % 2],
            _ => DENSE,
        };
        notes.iter().map(move |(step, note, force)| (bar, *step, *note, f64::from(*force) / 9.0))
    });
    let last = [0.0, 6.0]
        .into_iter()
        .flat_map(|step| (0..4).map(move |note| (BARS - 1, step + 0.15 * note as f64, note, 0.6)));
    let mut track = Track::new(rate);
    let mut player = Player::new(20, 2.0, 6.0);
    for (n, (bar, step, note, written)) in written.chain(roll(10)).chain(last).enumerate() {
        let note = CHORDS[bar].1[note] + 12;
        let (start_s, force, random) = player.play(moment_s(bar, step), written);
        // The hands take turns, and the bars lie from low at the left to high at the right.
        let hand = if n % 2 == 0 { -0.75 } else { 0.75 };
        let place = (hand + f64::from(note - 73) * 0.05).clamp(-0.95, 0.95);
        let voice = voices::marimba(rate, note_hz(f64::from(note)), force, random);
        track.add(start_s, 1.8, place, voice);
    }
    track.room(0.12).stem("marimba", false, LEVEL_DB.marimba)
}

/// The mix: the level of each stem in dB.
struct Levels {
    kick: f64,
    snare: f64,
    ride: f64,
    shaker: f64,
    congas: f64,
    bass: f64,
    organ: f64,
    trumpet: f64,
    tenor: f64,
    marimba: f64,
}

const LEVEL_DB: Levels = Levels {
    kick: -10.2,
    snare: -9.0,
    ride: -16.7,
    shaker: -11.2,
    congas: -15.5,
    bass: -10.0,
    organ: -13.5,
    trumpet: -11.7,
    tenor: -13.2,
    marimba: -19.5,
};

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::{db, integrated_lufs, peak, rms, side_mid_db, true_peak_dbtp};

    const RATE: u32 = 48_000;

    fn section(stereo: &Stereo, rate: u32, seconds: Range<f64>) -> Stereo {
        let at = |s: f64| (s * f64::from(rate)) as usize;
        let samples = at(seconds.start)..at(seconds.end);
        Stereo {
            left: stereo.left[samples.clone()].to_vec(),
            right: stereo.right[samples].to_vec(),
        }
    }

    fn bits(stems: &[Stem]) -> Vec<u32> {
        let samples = stems.iter().flat_map(|stem| [&stem.left, &stem.right]);
        samples.flatten().map(|x| x.to_bits()).collect()
    }

    #[test]
    fn every_run_gives_the_same_bits() {
        assert!(bits(&stems(11_025)) == bits(&stems(11_025)));
    }

    #[test]
    fn stems_are_finite_of_equal_length_start_and_end_in_silence() {
        for rate in [8_000, 44_100] {
            for stem in stems(rate) {
                for side in [&stem.left, &stem.right] {
                    assert_eq!(side.len(), (LENGTH_S * f64::from(rate)) as usize);
                    assert!(side.iter().all(|x| x.is_finite()), "{}", stem.name);
                    assert_eq!(side.last(), Some(&0.0), "{}", stem.name);
                    // A stem rests or begins softly: no click at the very start.
                    assert!(side[0].abs() < 1e-3, "{}", stem.name);
                }
            }
        }
    }

    #[test]
    fn the_mix_is_as_loud_as_a_mix_before_mastering_at_every_rate() {
        for rate in [44_100, 48_000, 96_000] {
            let mix = sum(&stems(rate));
            let loudness = integrated_lufs(rate, &mix).expect("the song is loud enough");
            let quiet = integrated_lufs(rate, &section(&mix, rate, QUIET_S)).expect("not silence");
            let dense = integrated_lufs(rate, &section(&mix, rate, DENSE_S)).expect("not silence");
            assert!((-19.0..=-17.0).contains(&loudness), "{loudness} LUFS at {rate} Hz");
            assert!(dense - quiet > 3.5, "{quiet} and {dense} LUFS at {rate} Hz");
            let peak = true_peak_dbtp(rate, &mix);
            assert!((-6.0..-3.0).contains(&peak), "{peak} dBTP at {rate} Hz");
        }
    }

    #[test]
    fn stems_peak_at_sensible_levels() {
        for stem in stems(RATE) {
            let peak = db(peak(&stem.left).max(peak(&stem.right)));
            assert!((-18.0..=-9.0).contains(&peak), "{} peaks at {peak} dB", stem.name);
        }
    }

    #[test]
    fn drums_have_the_crest_of_drums() {
        let drums = sum(stems(RATE).iter().filter(|stem| stem.on_drum_bus));
        let dense = section(&drums, RATE, DENSE_S);
        let crest_db = db(peak(&dense.left)) - db(rms(&dense.left));
        assert!((14.0..=20.0).contains(&crest_db), "{crest_db} dB");
    }

    #[test]
    fn instruments_stand_where_they_are_said_to_stand() {
        let stems = stems(RATE);
        let stem = |name: &str| {
            let found = stems.iter().find(|stem| stem.name == name);
            found.unwrap_or_else(|| panic!("there is no stem {name}"))
        };
        // How much louder the left side is than the right one.
        let lean_db = |name| db(rms(&stem(name).left)) - db(rms(&stem(name).right));
        assert!(lean_db("congas") < -8.0, "{} dB", lean_db("congas"));
        assert!(lean_db("horn-left") > 14.0, "{} dB", lean_db("horn-left"));
        assert!(lean_db("horn-right") < -14.0, "{} dB", lean_db("horn-right"));
        assert!(lean_db("marimba").abs() < 1.5, "{} dB", lean_db("marimba"));
        let width_db = |name: &str| {
            let Stem { left, right, .. } = stem(name).clone();
            side_mid_db(&Stereo { left, right })
        };
        assert!(width_db("marimba") > -6.0, "{} dB", width_db("marimba"));
        assert!(width_db("kick") < -100.0, "{} dB", width_db("kick"));
        assert!(width_db("bass") < -100.0, "{} dB", width_db("bass"));
    }

    #[test]
    fn the_drum_bus_holds_drums_and_percussion() {
        let stems = stems(8_000);
        let names: Vec<_> = stems.iter().map(|stem| (stem.name, stem.on_drum_bus)).collect();
        assert_eq!(
            names,
            [
                ("kick", true),
                ("snare", true),
                ("ride", true),
                ("shaker", true),
                ("congas", true),
                ("bass", false),
                ("organ", false),
                ("horn-left", false),
                ("horn-right", false),
                ("marimba", false),
            ]
        );
    }
}
