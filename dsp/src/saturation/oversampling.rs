//! Runs the shaper at one, two, four or eight times the sample rate.
//!
//! Three doublings in cascade. Edges as shares of the sample rate fs, measured with the taps as they
//! are stored:
//!
//! | doubling | taps (non-zero) | passes to, within | stops from, by | up and down delay by |
//! |---|---|---|---|---|
//! | 1 to 2 | 127 (65) | 0.448 fs, 0.0001 dB | 0.552 fs, 100 dB | 63 samples |
//! | 2 to 4 | 27 (15) | 0.500 fs, 0.0001 dB | 1.500 fs, 100 dB | 6.5 |
//! | 4 to 8 | 19 (11) | 0.500 fs, 0.0001 dB | 3.500 fs, 100 dB | 2.25 |
//!
//! 0.448 fs are 19.8 kHz at 44.1 kHz and 21.5 kHz at 48 kHz. The innermost of several doublings
//! gets one sample of its lower rate more, which makes every total whole: 0, 63, 70 and 72 samples.

use super::half_band::Doubling;
use crate::frame::CHUNK;

const FIRST: usize = 32;
const SECOND: usize = 7;
const THIRD: usize = 5;

/// Longest latency of any quality, in samples.
pub(crate) const LONGEST_LATENCY: usize = latency(3);

/// Samples by which a signal comes back later after so many doublings.
pub(super) const fn latency(doublings: usize) -> usize {
    match doublings {
        0 => 0,
        1 => 2 * FIRST - 1,
        2 => 2 * FIRST - 1 + SECOND,
        _ => 2 * FIRST - 1 + SECOND + (THIRD - 1) / 2,
    }
}

/// One channel of the oversampler.
#[derive(Debug)]
pub(super) struct Oversampling {
    first: Doubling<FIRST>,
    second: Doubling<SECOND>,
    third: Doubling<THIRD>,
}

impl Oversampling {
    pub(super) fn new() -> Self {
        Self {
            first: Doubling::new(CHUNK),
            second: Doubling::new(2 * CHUNK),
            third: Doubling::new(4 * CHUNK),
        }
    }

    pub(super) fn clear(&mut self) {
        self.first.clear();
        self.second.clear();
        self.third.clear();
    }

    /// Lets `shape` work on the samples at a rate 2^`doublings` times higher.
    #[inline(always)]
    pub(super) fn process(
        &mut self,
        doublings: usize,
        samples: &mut [f32],
        shape: impl FnOnce(&mut [f32]),
    ) {
        let Self { first, second, third } = self;
        match doublings {
            0 => shape(samples),
            1 => first.around(samples, 0, shape),
            2 => first.around(
                samples,
                0,
                #[inline(always)]
                |x| second.around(x, 1, shape),
            ),
            _ => first.around(
                samples,
                0,
                #[inline(always)]
                |x| {
                    second.around(
                        x,
                        0,
                        #[inline(always)]
                        |x| third.around(x, 1, shape),
                    )
                },
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::half_band::tests::check;
    use super::*;

    #[test]
    fn filters_have_the_stated_edges() {
        for (name, edge, [ripple_db, stop_db]) in [
            ("1 to 2", 0.448, check::<FIRST>(0.448 / 2.0)),
            ("2 to 4", 0.500, check::<SECOND>(0.500 / 4.0)),
            ("4 to 8", 0.500, check::<THIRD>(0.500 / 8.0)),
        ] {
            assert!(ripple_db < 1e-4, "{name}: {ripple_db} dB to {edge} fs");
            assert!(stop_db < -100.0, "{name}: {stop_db} dB beyond the mirror of {edge} fs");
        }
    }

    #[test]
    fn an_impulse_comes_back_by_the_stated_latency_later() {
        for doublings in 0..=3 {
            let mut oversampling = Oversampling::new();
            let mut samples = [0.0; CHUNK * 3];
            samples[0] = 1.0;
            for block in samples.chunks_mut(CHUNK) {
                oversampling.process(doublings, block, |_| ());
            }
            let late = latency(doublings);
            assert!(samples[late] > 0.85, "{doublings} doublings: {}", samples[late]);
            // Linear phase: symmetric about its centre, so the delay is whole at every frequency.
            for n in 0..late.min(60) {
                let (before, after) = (samples[late - n], samples[late + n]);
                assert!((before - after).abs() < 1e-7, "{doublings} doublings: {before} {after}");
            }
        }
    }
}
