//! Between curve and ballistics: the gain sees ahead. The audio waits by the lookahead L, the key does
//! not, so that the reduction can be there when a hit sounds.
//!
//! A one-pole attack started earlier would pass its 63 % and go on, and a short hit would be let go
//! before it sounds. So the target reduction r, in dB, becomes
//!
//! ```text
//! M(n) = max r(n−L … n−L+P)           held until it has sounded: the target of the ballistics
//! F(n) = mean M(n−W … n)              a straight line in dB: the least reduction, k·F
//! W = min(L, attack)   P = min(L, W + 4 windows of the detector)   k = min(1, L/attack)
//! ```
//!
//! Every window behind the mean reaches back to what sounds now, so F(n) ≥ r(n−L): with L no shorter
//! than the attack the reduction is never less than the curve asks of the sample that sounds. A hit
//! moves the gain no earlier than P before it sounds, however long L. The detector averages, and
//! comes within 0.1 dB of a step after 4 of its windows; what is left of L gives it that time. As
//! L goes to 0 all of this goes to nothing, and at 0 the ballistics are alone.
//!
//! Sums are integers, so that no rounding gathers in them, however long the stream.

use crate::delay::Delay;
use crate::frame::{Frames, Lanes};
use crate::input::GLIDE_S;
use crate::ramp::Ramp;
use crate::settings::{Control, Settings};

/// Windows of the detector after which its level of a step is within 0.1 dB: 10·log10(1 − e⁻⁴).
const DETECTOR_WINDOWS: f64 = 4.0;

/// Steps of a whole dB in the integers: no f32 above 10⁻⁵ dB is rounded, and a sum of 24 dB over more
/// than 20 000 samples fits.
const STEPS_PER_DB: f64 = (1u64 << 40) as f64;

/// The lookahead in samples, at most, at a rate.
pub(crate) fn longest(rate_hz: f64) -> usize {
    samples(Control::Lookahead.spec().max.into(), rate_hz)
}

fn samples(ms: f64, rate_hz: f64) -> usize {
    (ms / 1000.0 * rate_hz).round() as usize
}

/// Delay of the audio, and the reductions ahead of it.
#[derive(Debug)]
pub(crate) struct Lookahead {
    rate_hz: f64,
    /// Lookahead in samples: in use, and asked for.
    length: usize,
    wanted: usize,
    /// Attack, and the time the detector needs to see a step, in samples.
    attack: usize,
    lag: usize,
    /// P and W in samples.
    ahead: Sliding,
    rise: Sliding,
    /// k.
    share: Ramp,
    /// Number of the next sample, counted so that none before it has a number below 0.
    next: u64,
    channels: [Ahead; 2],
    /// Samples for which left and right have been alike.
    alike_for: usize,
    audio: Delay,
    raw: Delay,
}

/// A number of samples that moves by at most one a sample, so that a window grows and shrinks at its
/// ends.
#[derive(Debug, Clone, Copy, Default)]
struct Sliding {
    now: usize,
    target: usize,
}

impl Sliding {
    #[inline(always)]
    fn step(&mut self) {
        self.now = match self.now.cmp(&self.target) {
            std::cmp::Ordering::Less => self.now + 1,
            std::cmp::Ordering::Equal => self.now,
            std::cmp::Ordering::Greater => self.now - 1,
        };
    }
}

impl Lookahead {
    pub(crate) fn new() -> Self {
        Self {
            rate_hz: 48_000.0,
            length: 0,
            wanted: 0,
            ahead: Sliding::default(),
            rise: Sliding::default(),
            attack: 0,
            share: Ramp::new(0.0),
            lag: 0,
            next: 0,
            channels: std::array::from_fn(|_| Ahead::new(0)),
            alike_for: 0,
            audio: Delay::new(0),
            raw: Delay::new(0),
        }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.rate_hz = rate_hz;
        self.share.prepare(rate_hz, GLIDE_S);
        let longest = longest(rate_hz);
        self.channels = std::array::from_fn(|_| Ahead::new(longest));
        self.audio.prepare(longest);
        self.raw.prepare(longest);
    }

    /// Uses the lookahead asked for. The signal has to be forgotten with it.
    pub(crate) fn take_up(&mut self) {
        self.length = self.wanted;
        self.aim();
    }

    pub(crate) fn reset(&mut self) {
        self.ahead.now = self.ahead.target;
        self.rise.now = self.rise.target;
        self.share.snap();
        // All of the first windows is silence.
        self.next = self.length as u64 + 1;
        let last_seen = self.next - 1 - self.length as u64 + self.ahead.now as u64;
        self.channels.iter_mut().for_each(|channel| channel.clear(last_seen));
        self.alike_for = usize::MAX;
        self.audio.restart(self.length);
        self.raw.restart(self.length);
    }

    /// The lookahead is only noted: it waits to be [taken up](Self::take_up).
    pub(crate) fn set(&mut self, settings: &Settings, tempo_bpm: Option<f64>) {
        self.wanted = samples(settings[Control::Lookahead].into(), self.rate_hz);
        self.attack = samples(settings.attack_ms(tempo_bpm), self.rate_hz);
        let lag_ms = DETECTOR_WINDOWS * f64::from(settings[Control::DetectorWindow]);
        self.lag = samples(lag_ms, self.rate_hz);
        self.aim();
    }

    fn aim(&mut self) {
        self.rise.target = self.length.min(self.attack);
        self.ahead.target = self.length.min(self.rise.target + self.lag);
        // Of the same whole samples, so that a lookahead set to the attack is as long at any rate.
        let share = self.length as f64 / self.attack.max(1) as f64;
        self.share.set(share.min(1.0) as f32);
    }

    /// The lookahead in use, in samples.
    #[inline(always)]
    pub(crate) fn latency(&self) -> usize {
        self.length
    }

    /// The lookahead asked for, in samples.
    pub(crate) fn next_latency(&self) -> usize {
        self.wanted
    }

    /// Delays the audio, and the input that it came from.
    #[inline(always)]
    pub(crate) fn delay(&mut self, audio: &mut Frames, raw: &mut Frames) {
        self.audio.process(audio);
        self.raw.process(raw);
    }

    /// Targets become those that are held, in place; `least` becomes the least reductions, dB.
    /// Nothing is to be done without a lookahead.
    #[inline(always)]
    pub(crate) fn process(&mut self, targets: &mut Lanes, least: &mut Lanes, len: usize) {
        let one = self.is_one();
        self.alike_for = if targets.alike() { self.alike_for.saturating_add(len) } else { 0 };
        if one && targets.alike() {
            let (targets, least) = (targets.one(len), least.one(len));
            for (target, least) in targets.iter_mut().zip(least) {
                let window = self.advance();
                [*target, *least] = self.channels[0].next(&window, *target);
            }
            return;
        }
        if one {
            let [left, right] = &mut self.channels;
            right.copy_from(left);
        }
        let (targets, least) = (targets.apart(len), least.renew(len));
        for i in 0..len {
            let window = self.advance();
            for (channel, ahead) in self.channels.iter_mut().enumerate() {
                let (target, least) = (&mut targets[channel][i], &mut least[channel][i]);
                [*target, *least] = ahead.next(&window, *target);
            }
        }
    }

    /// Whether left and right remember the same, so that only left is kept. What is held was found from
    /// targets a lookahead before, so it takes twice the length of a ring.
    fn is_one(&self) -> bool {
        self.alike_for >= 2 * self.channels[0].targets.0.len()
    }

    /// Goes on by a sample.
    #[inline(always)]
    fn advance(&mut self) -> Window {
        let before = [self.ahead.now, self.rise.now];
        self.ahead.step();
        self.rise.step();
        // The mean reaches back over no more than what is held.
        self.rise.now = self.rise.now.min(self.ahead.now);
        self.next += 1;
        Window {
            now: self.next - 1,
            sounding: self.next - 1 - self.length as u64,
            ahead: [before[0], self.ahead.now],
            rise: [before[1], self.rise.now],
            per_step: f64::from(self.share.next()) / ((self.rise.now + 1) as f64 * STEPS_PER_DB),
        }
    }
}

/// Where the windows lie, in numbers of samples; P and W before and now.
struct Window {
    now: u64,
    sounding: u64,
    ahead: [usize; 2],
    rise: [usize; 2],
    /// Turns a sum into the least reduction.
    per_step: f64,
}

/// State of one channel. The rings are a power of two long and go by the number of a sample.
#[derive(Debug)]
struct Ahead {
    /// r.
    targets: Ring<u64>,
    /// Samples of the window over r that are larger than all after them, with their numbers: the
    /// first is the maximum (Lemire, "Streaming maximum-minimum filter", 2006).
    maxima: Ring<(u64, u64)>,
    first: u64,
    end: u64,
    /// M.
    held: Ring<u64>,
    /// Of M over the window of the mean.
    sum: u64,
}

impl Ahead {
    fn new(longest: usize) -> Self {
        Self {
            targets: Ring::new(longest),
            maxima: Ring::new(longest),
            first: 0,
            end: 0,
            held: Ring::new(longest),
            sum: 0,
        }
    }

    /// Forgets all; `last` is the number of the last sample within the window over r.
    fn clear(&mut self, last: u64) {
        self.targets.0.fill(0);
        self.held.0.fill(0);
        self.sum = 0;
        (self.first, self.end) = (0, 1);
        *self.maxima.at(0) = (last, 0);
    }

    /// Forgets all, and remembers what another does.
    fn copy_from(&mut self, other: &Self) {
        self.targets.0.copy_from_slice(&other.targets.0);
        self.maxima.0.copy_from_slice(&other.maxima.0);
        self.held.0.copy_from_slice(&other.held.0);
        (self.first, self.end, self.sum) = (other.first, other.end, other.sum);
    }

    /// Takes in r and gives M and the least reduction, all in dB.
    #[inline(always)]
    fn next(&mut self, window: &Window, target_db: f32) -> [f32; 2] {
        let &Window { now, sounding, ahead, rise, per_step } = window;
        let target = (f64::from(target_db) * STEPS_PER_DB) as u64;
        *self.targets.at(now) = target;
        for number in sounding + ahead[0] as u64..=sounding + ahead[1] as u64 {
            let target = *self.targets.at(number);
            while self.end > self.first && self.maxima.at(self.end - 1).1 <= target {
                self.end -= 1;
            }
            *self.maxima.at(self.end) = (number, target);
            self.end += 1;
        }
        while self.maxima.at(self.first).0 < sounding {
            self.first += 1;
        }
        let held = self.maxima.at(self.first).1;
        self.sum += held;
        for number in now - 1 - rise[0] as u64..now - rise[1] as u64 {
            self.sum -= *self.held.at(number);
        }
        *self.held.at(now) = held;
        [(held as f64 / STEPS_PER_DB) as f32, (self.sum as f64 * per_step) as f32]
    }
}

#[derive(Debug)]
struct Ring<T>(Box<[T]>);

impl<T: Copy + Default> Ring<T> {
    /// Room for more than a window of `longest` samples and the one that sounds.
    fn new(longest: usize) -> Self {
        Self(vec![T::default(); (longest + 3).next_power_of_two()].into())
    }

    #[inline(always)]
    fn at(&mut self, number: u64) -> &mut T {
        let index = number as usize & (self.0.len() - 1);
        &mut self.0[index]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::CHUNK;

    const RATE_HZ: f64 = 10_000.0;

    fn lookahead(settings: &Settings) -> Lookahead {
        let mut lookahead = Lookahead::new();
        lookahead.prepare(RATE_HZ);
        lookahead.set(settings, None);
        lookahead.take_up();
        lookahead.reset();
        lookahead
    }

    fn settings(lookahead_ms: f32, attack_ms: f32, window_ms: f32) -> Settings {
        Settings::default()
            .with(Control::Lookahead, lookahead_ms)
            .with(Control::Attack, attack_ms)
            .with(Control::DetectorWindow, window_ms)
    }

    /// Targets, one a sample, through both channels: what is held and the least.
    fn run(lookahead: &mut Lookahead, targets: &[f32]) -> Vec<[f32; 2]> {
        let mut out = Vec::new();
        for block in targets.chunks(CHUNK) {
            let (mut held, mut least) = (Lanes::new(), Lanes::new());
            held.one(block.len()).copy_from_slice(block);
            lookahead.process(&mut held, &mut least, block.len());
            let [held, least] = [held, least].map(|lanes| {
                let [left, right] = lanes.channels(block.len());
                assert_eq!(left, right);
                left.to_vec()
            });
            out.extend(held.into_iter().zip(least).map(|(held, least)| [held, least]));
        }
        out
    }

    /// Reproducible targets with hits of any height and length.
    fn hits(seed: u32, len: usize) -> Vec<f32> {
        let mut state = seed;
        let mut next = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            state >> 8
        };
        let mut targets = Vec::new();
        while targets.len() < len {
            let (height, run) = (next() % 240, next() as usize % 40 + 1);
            let height = if next() % 2 == 0 { 0.0 } else { height as f32 / 10.0 };
            targets.extend(std::iter::repeat_n(height, run));
        }
        targets.truncate(len);
        targets
    }

    /// The definitions at the head of this file, looked up sample by sample.
    #[test]
    fn what_is_held_and_the_least_are_as_defined() {
        let targets = hits(1, 2_000);
        for (length, rise, ahead, settings) in [
            (100, 100, 100, settings(10.0, 10.0, 0.0)),
            (100, 30, 30, settings(10.0, 3.0, 0.0)),
            (100, 30, 70, settings(10.0, 3.0, 1.0)),
            (100, 30, 100, settings(10.0, 3.0, 5.0)),
            (20, 20, 20, settings(2.0, 5.0, 5.0)),
            (1, 1, 1, settings(0.1, 5.0, 5.0)),
            (10, 1, 1, settings(1.0, 0.05, 0.0)),
        ] {
            let at = |n: isize| if n < 0 { 0.0 } else { targets[n as usize] };
            let max = |n: isize| (n - length..=n - length + ahead).map(at).fold(0.0, f32::max);
            let share = (length as f64 / (f64::from(settings[Control::Attack]) * 10.0)).min(1.0);
            for (n, [held, least]) in run(&mut lookahead(&settings), &targets).iter().enumerate() {
                let n = n as isize;
                assert_eq!(*held, max(n), "{length} {rise} {ahead} at {n}");
                let mean = (n - rise..=n).map(|m| f64::from(max(m))).sum::<f64>()
                    / (rise + 1) as f64
                    * share;
                assert!((f64::from(*least) - mean).abs() < 1e-5, "{length} {rise} {ahead} at {n}");
            }
        }
    }

    /// While the windows move, sums and maxima stay those of the windows: after any moves, the same
    /// signal gives the same again.
    #[test]
    fn windows_that_moved_leave_nothing_behind() {
        let targets = hits(2, 600);
        let settings = settings(10.0, 3.0, 0.5);
        let mut moved = lookahead(&settings);
        for (attack_ms, window_ms) in
            [(10.0, 0.0), (0.05, 5.0), (2.0, 0.0), (250.0, 1.0), (0.05, 0.0), (5.0, 0.3)]
        {
            let to =
                settings.with(Control::Attack, attack_ms).with(Control::DetectorWindow, window_ms);
            moved.set(&to, None);
            run(&mut moved, &hits(attack_ms as u32, 47));
        }
        moved.set(&settings, None);
        run(&mut moved, &[0.0; 400]);
        assert_eq!(run(&mut moved, &targets), run(&mut lookahead(&settings), &targets));
    }

    #[test]
    fn channels_that_part_and_meet_again_are_what_they_are_apart() {
        // The longest, whose mean reaches back the furthest.
        let settings = settings(10.0, 10.0, 0.0);
        let (mut lookahead, mut apart) = (lookahead(&settings), lookahead(&settings));
        let [left, right] = [1, 2].map(|seed| hits(seed, 20_000));
        let (mut lanes, mut least) = (Lanes::new(), Lanes::new());
        for (i, (left, right)) in left.chunks(7).zip(right.chunks(7)).enumerate() {
            let len = left.len();
            // Alike for longer than anything is remembered, then not for a while, and so on.
            let alike = i % 100 > 40;
            let mut run = |lookahead: &mut Lookahead, as_one: bool| {
                if as_one {
                    lanes.one(len).copy_from_slice(left);
                } else {
                    let [to_left, to_right] = lanes.renew(len);
                    to_left.copy_from_slice(left);
                    to_right.copy_from_slice(if alike { left } else { right });
                }
                lookahead.process(&mut lanes, &mut least, len);
                [&lanes, &least].map(|lanes| lanes.channels(len).map(<[f32]>::to_vec))
            };
            assert_eq!(run(&mut lookahead, alike), run(&mut apart, false), "block {i}");
        }
    }
}
