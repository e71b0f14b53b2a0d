//! Attack and release two samples at a time, for half the waiting.
//!
//! From one sample to the next the reduction is the higher of two straight lines (or the lower, where
//! release is the shorter time): y₁ = max(u₁ + U·y, d₁ + D·y), where U and D are what is kept on the way up
//! and down, and u and d what the target contributes. Since both rise with y, over two samples it is the
//! highest of four, of which two have one slope:
//!
//!   y₂ = max(u₂ + U·u₁ + U²·y,  max(u₂ + U·d₁, d₂ + D·u₁) + U·D·y,  d₂ + D·d₁ + D²·y).
//!
//! What stands before y is known ahead, so the recursion waits for a product, a sum and two choices in two
//! samples; y₁ is found beside it. (Look-ahead, as in Parhi, *VLSI Digital Signal Processing Systems*,
//! 1999, ch. 10.)
//!
//! Rounding differs from that of single samples. So that no bit depends on how the stream is cut, pairs
//! begin where a hop does, one that a block cuts is finished in the next, and what has to go sample by
//! sample for a moment does so until the hop ends.

use crate::frame::{Beside, CHUNK, Lanes};
use wide::f64x2;

/// Most pairs in a block.
const PAIRS: usize = CHUNK / 2;

/// State of left and right.
#[derive(Debug)]
pub(super) struct Pairs {
    on: bool,
    /// Reductions before the pair that is to come, or to be finished, dB.
    before: [f64; 2],
    /// Targets of the first sample of a pair whose second is to come, dB.
    begun: Option<[f32; 2]>,
    /// In a place of its own, because engines are moved about.
    work: Box<[Work; 2]>,
}

/// A block of one channel, pair by pair.
#[derive(Debug)]
struct Work {
    /// What the first target contributes, on the way up and down.
    first: [[f64; PAIRS]; 2],
    /// What both contribute, both ways up, both down, and one of each.
    both: [[f64; PAIRS]; 3],
    /// Reductions before the first pair, and behind each.
    reductions: [f64; PAIRS + 1],
}

impl Pairs {
    pub(super) fn new() -> Self {
        let work = || Work {
            first: [[0.0; PAIRS]; 2],
            both: [[0.0; PAIRS]; 3],
            reductions: [0.0; PAIRS + 1],
        };
        Self { on: true, before: [0.0; 2], begun: None, work: Box::new([work(), work()]) }
    }

    /// A hop begins at these reductions.
    pub(super) fn begin(&mut self, reductions: f64x2) {
        (self.on, self.before, self.begun) = (true, reductions.to_array(), None);
    }

    /// The hop goes on sample by sample.
    pub(super) fn stop(&mut self) {
        self.on = false;
    }

    /// Whether all of the hop so far went in pairs.
    pub(super) fn on(&self) -> bool {
        self.on
    }

    /// Whether left and right move as one.
    #[inline(always)]
    pub(super) fn is_linked(&self) -> bool {
        let [left, right] = self.before;
        left == right && self.begun.is_none_or(|[left, right]| left == right)
    }

    /// Target reductions become smoothed ones, in place, by the coefficients of attack and release; a step of
    /// `beside` is done with every pair. What is left of it comes back, with the last reductions.
    /// `linked`: left and right are the same but for their targets. `len` is not 0.
    #[inline(always)]
    pub(super) fn process<B: Beside>(
        &mut self,
        (attack, release): (f64, f64),
        reductions: &mut Lanes,
        len: usize,
        linked: bool,
        beside: B,
    ) -> (B, f64x2) {
        if attack >= release {
            let higher = |a, b| if a > b { a } else { b };
            self.go(Step::new([attack, release], higher), reductions, len, linked, beside)
        } else {
            let lower = |a, b| if a < b { a } else { b };
            self.go(Step::new([attack, release], lower), reductions, len, linked, beside)
        }
    }

    #[inline(always)]
    fn go<B: Beside>(
        &mut self,
        step: Step<impl Fn(f64, f64) -> f64 + Copy>,
        reductions: &mut Lanes,
        len: usize,
        linked: bool,
        beside: B,
    ) -> (B, f64x2) {
        if linked && reductions.alike() {
            let (beside, [last]) = self.run(step, [reductions.one(len)], beside);
            self.before[1] = self.before[0];
            self.begun = self.begun.map(|[left, _]| [left; 2]);
            (beside, f64x2::splat(last))
        } else {
            let (beside, last) = self.run(step, reductions.apart(len), beside);
            (beside, f64x2::new(last))
        }
    }

    /// Runs the channels given.
    #[inline(always)]
    fn run<const N: usize, B: Beside>(
        &mut self,
        step: Step<impl Fn(f64, f64) -> f64 + Copy>,
        mut lanes: [&mut [f32]; N],
        mut beside: B,
    ) -> (B, [f64; N]) {
        let mut y: [f64; N] = std::array::from_fn(|n| self.before[n]);
        if let Some(first) = self.begun.take() {
            for (n, lane) in lanes.iter_mut().enumerate() {
                if let Some(second) = lane.split_off_first_mut() {
                    y[n] = step.second(y[n], step.both([first[n], *second]));
                    *second = y[n] as f32;
                }
            }
        }
        let pairs = (lanes[0].len() / 2).min(PAIRS);
        let Self { work: all, begun, before, .. } = self;
        for ((work, lane), &y) in all.iter_mut().zip(&lanes).zip(&y) {
            let ([up, down], [both_up, both_down, turn]) = (&mut work.first, &mut work.both);
            for (i, &pair) in lane.as_chunks().0[..pairs].iter().enumerate() {
                [up[i], down[i]] = step.contribution(pair[0]);
                [both_up[i], both_down[i], turn[i]] = step.both(pair);
            }
            work.reductions[0] = y;
        }
        for i in 0..pairs {
            for (y, work) in y.iter_mut().zip(all.iter_mut()) {
                *y = step.second(*y, work.both.each_ref().map(|lane| lane[i]));
                work.reductions[i + 1] = *y;
            }
            beside.step();
        }
        let mut last = y;
        for (n, (work, lane)) in all.iter().zip(lanes).enumerate() {
            let (whole, rest) = lane.as_chunks_mut();
            for (i, pair) in whole[..pairs].iter_mut().enumerate() {
                let contribution = work.first.each_ref().map(|lane| lane[i]);
                let first = step.first(work.reductions[i], contribution);
                *pair = [first, work.reductions[i + 1]].map(|y| y as f32);
            }
            if let [target] = rest {
                begun.get_or_insert_default()[n] = *target;
                last[n] = step.first(y[n], step.contribution(*target));
                *target = last[n] as f32;
            }
            before[n] = y[n];
        }
        (beside, last)
    }
}

/// From one reduction to those of the next pair. `choose` is the higher or the lower of two.
#[derive(Clone, Copy)]
struct Step<C> {
    /// What is kept of a reduction, on the way up and down.
    keep: [f64; 2],
    /// What is taken of a target.
    new: [f64; 2],
    choose: C,
}

impl<C: Fn(f64, f64) -> f64 + Copy> Step<C> {
    #[inline(always)]
    fn new(shares: [f64; 2], choose: C) -> Self {
        Self { keep: shares.map(|share| 1.0 - share), new: shares, choose }
    }

    /// What a target contributes, on the way up and down.
    #[inline(always)]
    fn contribution(&self, target: f32) -> [f64; 2] {
        self.new.map(|new| new * f64::from(target))
    }

    /// What the targets of a pair contribute, both ways up, both down, and one of each.
    #[inline(always)]
    fn both(&self, pair: [f32; 2]) -> [f64; 3] {
        let [keep_up, keep_down] = self.keep;
        let [[first_up, first_down], [up, down]] = pair.map(|target| self.contribution(target));
        let turn = (self.choose)(up + keep_up * first_down, down + keep_down * first_up);
        [up + keep_up * first_up, down + keep_down * first_down, turn]
    }

    /// The first reduction of a pair, from the one before it.
    #[inline(always)]
    fn first(&self, y: f64, [up, down]: [f64; 2]) -> f64 {
        let [keep_up, keep_down] = self.keep;
        (self.choose)(up + keep_up * y, down + keep_down * y)
    }

    /// The second reduction of a pair, from the one before the first.
    #[inline(always)]
    fn second(&self, y: f64, [up, down, turn]: [f64; 3]) -> f64 {
        let [keep_up, keep_down] = self.keep;
        let straight = (self.choose)(up + keep_up * keep_up * y, down + keep_down * keep_down * y);
        (self.choose)(straight, turn + keep_up * keep_down * y)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// The recursion as JAES 60(6), Eq. 16, prescribes it, in double precision.
        #[test]
        fn a_pair_is_two_steps_of_smooth_branching(
            targets in prop::collection::vec([0f32..24.0, 0f32..24.0], 1..2 * CHUNK),
            (attack, release) in (1e-6f64..1.0, 1e-6f64..1.0),
            cut in 1..CHUNK,
        ) {
            let mut pairs = Pairs::new();
            let mut expected = [0f64; 2];
            for block in targets.chunks(cut) {
                let mut lanes = Lanes::new();
                let [left, right] = lanes.renew(block.len());
                for (i, &[l, r]) in block.iter().enumerate() {
                    (left[i], right[i]) = (l, r);
                }
                pairs.process((attack, release), &mut lanes, block.len(), false, ());
                for (i, targets) in block.iter().enumerate() {
                    for (channel, y) in expected.iter_mut().enumerate() {
                        let target = f64::from(targets[channel]);
                        let share = if target > *y { attack } else { release };
                        *y += share * (target - *y);
                        let got = f64::from(lanes.channels(block.len())[channel][i]);
                        prop_assert!((got - *y).abs() < 2e-6, "{got}, expected {y}");
                    }
                }
            }
        }
    }

    /// Plays a stream in blocks of these lengths, cut where hops of 221 samples end and where the channels
    /// become linked or apart; all bits of what comes out, and of the state where hops end.
    fn play(
        targets: &[[f32; 2]],
        lengths: &[usize],
        is_linked: impl Fn(usize) -> bool,
    ) -> Vec<u64> {
        const HOP: usize = 221;
        let (mut pairs, mut bits, mut start) = (Pairs::new(), Vec::new(), 0);
        let mut lengths = lengths.iter().cycle();
        while start < targets.len() {
            let until = (HOP - start % HOP).min(targets.len() - start);
            let alike = is_linked(start);
            let stretch = (1..until).find(|n| is_linked(start + n) != alike).unwrap_or(until);
            let len = stretch.min(*lengths.next().unwrap());
            let (linked, mut lanes) = (alike && pairs.is_linked(), Lanes::new());
            let block = &targets[start..start + len];
            if alike {
                lanes.one(len).iter_mut().zip(block).for_each(|(to, target)| *to = target[0]);
            } else {
                let [left, right] = lanes.renew(len);
                for ((left, right), target) in left.iter_mut().zip(right).zip(block) {
                    [*left, *right] = *target;
                }
            }
            let (_, last) = pairs.process((0.01, 0.002), &mut lanes, len, linked, ());
            bits.extend(lanes.channels(len)[0].iter().map(|y| u64::from(y.to_bits())));
            start += len;
            if start % HOP == 0 {
                // In f64: rounded to f32, pairs that begin elsewhere are nearly always the same.
                bits.extend(last.to_array().map(f64::to_bits));
                pairs.begin(last);
            }
        }
        bits
    }

    proptest! {
        #[test]
        fn no_bit_depends_on_how_the_stream_is_cut(
            targets in prop::collection::vec([0f32..24.0, 0f32..24.0], 3 * 221),
            lengths in prop::collection::vec(1..CHUNK, 40),
            period in 3usize..200,
        ) {
            let is_linked = |n: usize| (n / period).is_multiple_of(2);
            let long = [CHUNK];
            let [whole, cut] =
                [&long[..], &lengths].map(|lengths| play(&targets, lengths, is_linked));
            prop_assert!(whole == cut);
        }
    }
}
