//! How much a band is turned up or down at a moment, against the best mapping of dry to wet that
//! stays the same.

use super::bands::{Sums, TOGETHERNESS_BANDS};
use realfft::num_complex::Complex;

/// Bands times middle and side: band b's middle is part 2b, its side 2b + 1.
pub(super) const PARTS: usize = 2 * TOGETHERNESS_BANDS;

/// Keeps the mapping defined where middle and side are one signal, as a share of the band's power.
const REGULARISATION: f64 = 1e-6;
/// A part further below the loudest band's average does not count, as a ratio of powers: −50 dB.
const BELOW_LOUDEST: f64 = 1e-5;
/// A part further below its own band's middle and side does not count: −30 dB.
const BELOW_BAND: f64 = 1e-3;
/// A part counts from here on, dry and wet, as a mean square: −90 dB re a full-scale sine.
const AUDIBLE: f64 = 0.5e-9;
/// Exponent that turns power into something like loudness (Stevens' law).
const LOUDNESS_EXPONENT: f64 = 0.3;
/// Largest such weight.
const LOUDNESS_MOST: f64 = 2.0;

/// A hop, part by part. A part that does not count has no loudness and no weight.
#[derive(Debug, Clone, Copy)]
pub(super) struct Moment {
    /// Weight by loudness alone.
    pub(super) loudness: [f64; PARTS],
    /// How far wet is a scaled copy of dry, γ², 0 to 1.
    pub(super) likeness: [f64; PARTS],
    /// Weight: loudness times γ⁴.
    pub(super) weight: [f64; PARTS],
    /// Gain from dry to wet in dB.
    pub(super) gain_db: [f64; PARTS],
    /// Level of the dry signal in dB.
    pub(super) level_db: [f64; PARTS],
}

impl Moment {
    /// What `now` says where `average` is the average up to and including it.
    pub(super) fn new(
        now: &[Sums; TOGETHERNESS_BANDS],
        average: &[Sums; TOGETHERNESS_BANDS],
    ) -> Self {
        let mut moment = Self {
            loudness: [0.0; PARTS],
            likeness: [0.0; PARTS],
            weight: [0.0; PARTS],
            gain_db: [0.0; PARTS],
            level_db: [0.0; PARTS],
        };
        let powers = average.each_ref().map(|sums| sums.dry[0] + sums.dry[1]);
        let (loudest, total) =
            powers.iter().fold((0f64, 0.0), |(loudest, total), &p| (loudest.max(p), total + p));
        for (band, (now, average)) in now.iter().zip(average).enumerate() {
            let [power_now, power] = [now, average].map(|sums| sums.dry[0] + sums.dry[1]);
            for c in 0..2 {
                let counts = now.dry[c] > BELOW_LOUDEST * loudest
                    && now.dry[c] > BELOW_BAND * power_now
                    && average.dry[c] > BELOW_BAND * power
                    && now.dry[c] > AUDIBLE
                    && now.wet[c] > AUDIBLE;
                let Some(fit) = counts.then(|| Fit::new(now, average, c)).flatten() else {
                    continue;
                };
                let part = 2 * band + c;
                moment.loudness[part] =
                    (now.dry[c] / total).powf(LOUDNESS_EXPONENT).min(LOUDNESS_MOST);
                moment.likeness[part] = fit.likeness;
                moment.weight[part] = moment.loudness[part] * fit.likeness.powi(2);
                moment.gain_db[part] = fit.gain_db;
                moment.level_db[part] = 10.0 * now.dry[c].log10();
            }
        }
        moment
    }
}

/// The wet signal of a part against what the steady mapping makes of the dry one.
struct Fit {
    likeness: f64,
    gain_db: f64,
}

impl Fit {
    /// None when nothing of the wet signal can be had from the dry one.
    fn new(now: &Sums, average: &Sums, channel: usize) -> Option<Self> {
        let steady = steady_mapping(average, channel);
        let expected = power(now, steady);
        let shared: Complex<f64> = (0..2).map(|i| steady[i].conj() * now.between[i][channel]).sum();
        let likeness = shared.norm_sqr() / (expected * now.wet[channel]);
        let steady_gain = power(average, steady) / average.dry[channel];
        let gain_db = 20.0 * (shared.norm() / expected).log10() + 10.0 * steady_gain.log10();
        // Nothing in common is 0/0 or the logarithm of 0.
        (likeness.is_finite() && gain_db.is_finite())
            .then(|| Self { likeness: likeness.min(1.0), gain_db })
    }
}

/// q with q·X the best estimate of the wet signal from the dry ones: (A + ε·tr A·I)⁻¹ C, one column.
fn steady_mapping(average: &Sums, channel: usize) -> [Complex<f64>; 2] {
    let spare = REGULARISATION * (average.dry[0] + average.dry[1]);
    let [a, d] = average.dry.map(|power| power + spare);
    let b = average.dry_cross;
    let determinant = a * d - b.norm_sqr();
    let [first, second] = [average.between[0][channel], average.between[1][channel]];
    [(first * d - b * second) / determinant, (second * a - b.conj() * first) / determinant]
}

/// Power of q·X.
fn power(sums: &Sums, q: [Complex<f64>; 2]) -> f64 {
    q[0].norm_sqr() * sums.dry[0]
        + q[1].norm_sqr() * sums.dry[1]
        + 2.0 * (q[0].conj() * q[1] * sums.dry_cross).re
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Sums over a few bins, from the bins themselves.
    fn sums(dry: &[[Complex<f64>; 2]], wet: &[[Complex<f64>; 2]]) -> Sums {
        let mut sums = Sums::default();
        for (x, y) in dry.iter().zip(wet) {
            for i in 0..2 {
                sums.dry[i] += x[i].norm_sqr();
                sums.wet[i] += y[i].norm_sqr();
                for (between, y) in sums.between[i].iter_mut().zip(y) {
                    *between += x[i].conj() * y;
                }
            }
            sums.dry_cross += x[0].conj() * x[1];
        }
        sums
    }

    fn bins() -> impl Strategy<Value = Vec<[Complex<f64>; 2]>> {
        let part = -1.0..1.0f64;
        let bin = (part.clone(), part.clone(), part.clone(), part)
            .prop_map(|(a, b, c, d)| [Complex::new(a, b), Complex::new(c, d)]);
        prop::collection::vec(bin, 3..40)
    }

    proptest! {
        /// A wet signal that is any fixed mapping of the dry one is met exactly, whatever the moment
        /// holds: then there is no movement.
        #[test]
        fn a_fixed_mapping_is_no_movement(
            before in bins(),
            now in bins(),
            mapping in prop::array::uniform4(-2.0..2.0f64),
        ) {
            let map = |x: &[Complex<f64>; 2]| {
                [x[0] * mapping[0] + x[1] * mapping[1], x[0] * mapping[2] + x[1] * mapping[3]]
            };
            let wet_before: Vec<_> = before.iter().map(map).collect();
            let wet_now: Vec<_> = now.iter().map(map).collect();
            let average = sums(&before, &wet_before);
            let now = sums(&now, &wet_now);
            for channel in 0..2 {
                let row = 2 * channel;
                prop_assume!(mapping[row].abs() + mapping[row + 1].abs() > 0.1);
                let fit = Fit::new(&now, &average, channel).expect("a fit");
                let steady_db = 10.0 * (average.wet[channel] / average.dry[channel]).log10();
                prop_assert!((fit.likeness - 1.0).abs() < 1e-3, "{}", fit.likeness);
                prop_assert!((fit.gain_db - steady_db).abs() < 0.01, "{}", fit.gain_db);
            }
        }

        /// A gain on everything, only now, is read as that gain.
        #[test]
        fn a_momentary_gain_is_read_in_db(before in bins(), now in bins(), gain_db in -12.0..12.0f64) {
            let gain = 10f64.powf(gain_db / 20.0);
            let wet: Vec<_> = now.iter().map(|x| x.map(|x| x * gain)).collect();
            for channel in 0..2 {
                let fit = Fit::new(&sums(&now, &wet), &sums(&before, &before), channel).expect("a fit");
                prop_assert!((fit.gain_db - gain_db).abs() < 0.01, "{}", fit.gain_db);
            }
        }
    }
}
