//! One doubling of the sample rate and back, by linear-phase half-band filters.
//!
//! A half-band filter of 4M − 1 taps has the centre tap ½ and zeros at every other even distance from
//! it, so its amplitude satisfies A(ω) + A(π − ω) = 1. Split into its two phases it is a pure delay
//! beside a symmetric branch of 2M taps, and only the branch costs anything (Vaidyanathan,
//! *Multirate Systems and Filter Banks*, ch. 4.6). Going up and coming down together delay by
//! exactly 2M − 1 samples at the lower rate.

use std::f64::consts::PI;

/// Samples filtered together, so that the loop over the taps keeps its sums in registers.
const WIDTH: usize = 32;

/// Attenuation of the stop-band the windows are designed for, dB.
const STOP_BAND_DB: f64 = 102.0;

/// Modified Bessel function of the first kind and order zero, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let (mut term, mut sum) = (1.0, 1.0);
    let mut n = 1.0;
    while term > 1e-17 * sum {
        term *= (0.5 * x / n).powi(2);
        sum += term;
        n += 1.0;
    }
    sum
}

/// The first half of the symmetric branch, outermost tap first: a sinc under a Kaiser window, whose
/// shape follows from the attenuation (Kaiser 1974; Oppenheim and Schafer, *Discrete-Time Signal
/// Processing*, eq. 7.75). Scaled so that the whole branch sums to 1.
fn branch_taps<const M: usize>() -> [f32; M] {
    let beta = 0.1102 * (STOP_BAND_DB - 8.7);
    let half_width = 2.0 * M as f64;
    std::array::from_fn(|l| {
        // Distance from the centre: 2M − 1 outermost, 1 innermost.
        let distance = (2 * (M - l) - 1) as f64;
        let window = bessel_i0(beta * (1.0 - (distance / half_width).powi(2)).sqrt());
        let angle = 0.5 * PI * distance;
        (window / bessel_i0(beta) * angle.sin() / angle) as f32
    })
}

/// The branch: `out[i]` = `Σ taps[l]·(x[i + l] + x[i + 2M − 1 − l])`. `x` reaches 2M − 1 samples further
/// than `out`, whose length is a multiple of [`WIDTH`].
#[inline(always)]
fn branch<const M: usize>(taps: &[f32; M], x: &[f32], out: &mut [f32]) {
    for (i, out) in out.chunks_exact_mut(WIDTH).enumerate() {
        let x = &x[i * WIDTH..i * WIDTH + WIDTH + 2 * M - 1];
        let mut sums = [0.0f32; WIDTH];
        // From the outside in, so that small terms are added before large ones.
        for (l, &tap) in taps.iter().enumerate() {
            let early = &x[l..l + WIDTH];
            let late = &x[2 * M - 1 - l..2 * M - 1 - l + WIDTH];
            for ((sum, &a), &b) in sums.iter_mut().zip(early).zip(late) {
                *sum += tap * (a + b);
            }
        }
        out.copy_from_slice(&sums);
    }
}

/// Samples behind, and room for a block.
#[derive(Debug)]
struct History {
    samples: Box<[f32]>,
    behind: usize,
}

impl History {
    fn new(behind: usize, longest_block: usize) -> Self {
        Self { samples: vec![0.0; behind + longest_block].into(), behind }
    }

    fn clear(&mut self) {
        self.samples.fill(0.0);
    }

    /// Where the next block goes.
    #[inline(always)]
    fn block(&mut self, len: usize) -> &mut [f32] {
        &mut self.samples[self.behind..self.behind + len]
    }

    /// The samples from `age` before the block on.
    #[inline(always)]
    fn from(&self, age: usize) -> &[f32] {
        &self.samples[self.behind - age..]
    }

    /// The block has been used.
    #[inline(always)]
    fn advance(&mut self, len: usize) {
        self.samples.copy_within(len..len + self.behind, 0);
    }
}

/// Twice the rate and back, for one channel.
#[derive(Debug)]
pub(super) struct Doubling<const M: usize> {
    taps: [f32; M],
    below: History,
    even: History,
    odd: History,
    filtered: Box<[f32]>,
    above: Box<[f32]>,
}

impl<const M: usize> Doubling<M> {
    /// For blocks of up to `longest_block` samples at the lower rate.
    pub(super) fn new(longest_block: usize) -> Self {
        let longest_block = longest_block.next_multiple_of(WIDTH);
        Self {
            taps: branch_taps(),
            below: History::new(2 * M - 1, longest_block),
            even: History::new(2 * M, longest_block),
            odd: History::new(M + 1, longest_block),
            filtered: vec![0.0; longest_block].into(),
            above: vec![0.0; 2 * longest_block].into(),
        }
    }

    pub(super) fn clear(&mut self) {
        self.below.clear();
        self.even.clear();
        self.odd.clear();
    }

    /// Lets `inside` work on the samples at twice the rate. They come back 2M − 1 + `extra` samples
    /// later, `extra` being 0 or 1.
    #[inline(always)]
    pub(super) fn around(
        &mut self,
        samples: &mut [f32],
        extra: usize,
        inside: impl FnOnce(&mut [f32]),
    ) {
        let len = samples.len();
        self.up(samples);
        inside(&mut self.above[..2 * len]);
        self.down(samples, extra);
    }

    #[inline(always)]
    fn up(&mut self, samples: &[f32]) {
        let len = samples.len();
        self.below.block(len).copy_from_slice(samples);
        let filtered = &mut self.filtered[..len.next_multiple_of(WIDTH)];
        branch(&self.taps, self.below.from(2 * M - 1), filtered);
        let delayed = self.below.from(M - 1);
        for ((pair, &even), &odd) in self.above.chunks_exact_mut(2).zip(&*filtered).zip(delayed) {
            pair.copy_from_slice(&[even, odd]);
        }
        self.below.advance(len);
    }

    #[inline(always)]
    fn down(&mut self, samples: &mut [f32], extra: usize) {
        let len = samples.len();
        let (even, odd) = (self.even.block(len), self.odd.block(len));
        for ((pair, even), odd) in self.above.chunks_exact(2).zip(even).zip(odd) {
            (*even, *odd) = (pair[0], pair[1]);
        }
        let filtered = &mut self.filtered[..len.next_multiple_of(WIDTH)];
        branch(&self.taps, self.even.from(2 * M - 1 + extra), filtered);
        for ((y, &even), &odd) in samples.iter_mut().zip(&*filtered).zip(self.odd.from(M + extra)) {
            *y = 0.5 * (even + odd);
        }
        self.even.advance(len);
        self.odd.advance(len);
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Impulse response of the half-band filter, all 4M − 1 taps.
    fn taps<const M: usize>() -> Vec<f64> {
        let half = branch_taps::<M>();
        let mut taps = vec![0.0; 4 * M - 1];
        for (l, &tap) in half.iter().enumerate() {
            taps[2 * l] = 0.5 * f64::from(tap);
            taps[4 * M - 2 - 2 * l] = 0.5 * f64::from(tap);
        }
        taps[2 * M - 1] = 0.5;
        taps
    }

    /// Zero-phase amplitude at `f`, as a share of the higher rate.
    fn amplitude(taps: &[f64], f: f64) -> f64 {
        let centre = (taps.len() / 2) as f64;
        taps.iter().enumerate().map(|(n, h)| h * (2.0 * PI * f * (n as f64 - centre)).cos()).sum()
    }

    /// Passes to `edge` and stops from its mirror image, both as a share of the higher rate.
    pub(in super::super) fn check<const M: usize>(edge: f64) -> [f64; 2] {
        let taps = taps::<M>();
        let steps = 4_000;
        let (mut ripple_db, mut stop_db) = (0f64, f64::MIN);
        for step in 0..=steps {
            let f = 0.25 * f64::from(step) / f64::from(steps);
            let (below, above) = (amplitude(&taps, f), amplitude(&taps, 0.5 - f));
            assert!((below + above - 1.0).abs() < 1e-6, "half-band identity at {f}");
            if f <= edge {
                ripple_db = ripple_db.max((20.0 * below.log10()).abs());
                stop_db = stop_db.max(20.0 * above.abs().log10());
            }
        }
        let crossover_db = 20.0 * amplitude(&taps, 0.25).log10();
        assert!((crossover_db + 6.0206).abs() < 1e-4, "{crossover_db} dB at a quarter of the rate");
        [ripple_db, stop_db]
    }

    /// What is coded as branch and delay is the filter, up and down: an impulse comes back as the
    /// filter convolved with itself, every other sample of it, 2M − 1 samples late at its centre.
    #[test]
    fn up_and_down_again_is_the_filter_twice() {
        const M: usize = 5;
        let taps = taps::<M>();
        let twice = |n: usize| -> f64 {
            (0..taps.len())
                .filter(|&k| k <= n && n - k < taps.len())
                .map(|k| taps[k] * taps[n - k])
                .sum()
        };
        for extra in [0, 1] {
            let mut doubling = Doubling::<M>::new(64);
            let mut samples = [0.0; 40];
            samples[0] = 1.0;
            let (first, rest) = samples.split_at_mut(7);
            doubling.around(first, extra, |_| ());
            doubling.around(rest, extra, |_| ());
            for (n, &y) in samples.iter().enumerate() {
                let expected = if n < extra { 0.0 } else { 2.0 * twice(2 * (n - extra)) };
                assert!((f64::from(y) - expected).abs() < 1e-7, "{n}: {y}, expected {expected}");
            }
            let latest = samples.iter().map(|y| y.abs()).fold(0.0, f32::max);
            assert_eq!(samples[2 * M - 1 + extra], latest);
        }
    }

    /// Abramowitz and Stegun, *Handbook of Mathematical Functions*, table 9.8 (e⁻ˣ I₀(x)).
    #[test]
    fn bessel_function_has_tabulated_values() {
        for (x, scaled) in [(0.0f64, 1.0), (1.0, 0.465_759_607_6), (5.0, 0.183_540_812_6)] {
            assert!((bessel_i0(x) * (-x).exp() - scaled).abs() < 1e-9, "{x}");
        }
    }
}
