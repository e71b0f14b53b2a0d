//! The bands, and the second-order sums of middle and side within each.

use super::spectrum::{Bin, DRY, SIGNALS, WET};
use realfft::num_complex::Complex;
use std::ops::Range;

/// Number of bands.
pub const TOGETHERNESS_BANDS: usize = 12;

/// Lower end of the lowest band, in Hz.
const LOWEST_HZ: f64 = 40.0;
/// Upper end of the highest band, in Hz.
const HIGHEST_HZ: f64 = 16_000.0;
/// Upper end of the highest band where the rate is too low for that, as a share of the rate.
const HIGHEST_SHARE: f64 = 0.45;

/// Position on the ERB-number scale (Glasberg and Moore 1990).
fn erb_number(hz: f64) -> f64 {
    21.4 * (1.0 + 0.00437 * hz).log10()
}

/// Frequency in Hz at a position on the ERB-number scale.
fn erb_hz(number: f64) -> f64 {
    (10f64.powf(number / 21.4) - 1.0) / 0.00437
}

/// Where the bands lie: equally wide on the ERB-number scale.
#[derive(Debug)]
pub(super) struct Layout {
    /// Centres on the ERB-number scale, in Hz.
    pub(super) centres_hz: [f64; TOGETHERNESS_BANDS],
    bins: [Range<usize>; TOGETHERNESS_BANDS],
}

impl Layout {
    /// Bands of spectra of `length` samples.
    pub(super) fn new(rate_hz: f64, length: usize) -> Self {
        let lowest = erb_number(LOWEST_HZ);
        let highest = erb_number(HIGHEST_HZ.min(HIGHEST_SHARE * rate_hz));
        let hz = |band: f64| erb_hz(lowest + (highest - lowest) * band / TOGETHERNESS_BANDS as f64);
        // First bin at or above the lower end of a band.
        let bin = |band: usize| (hz(band as f64) * length as f64 / rate_hz).ceil() as usize;
        Self {
            centres_hz: std::array::from_fn(|band| hz(band as f64 + 0.5)),
            bins: std::array::from_fn(|band| bin(band)..bin(band + 1)),
        }
    }

    /// Sums over the bins of every band.
    pub(super) fn sums(&self, bins: &[Vec<Bin>; SIGNALS]) -> [Sums; TOGETHERNESS_BANDS] {
        std::array::from_fn(|band| {
            let mut sums = Sums::default();
            let band = self.bins[band].clone();
            let [dry_mid, dry_side] = [&bins[DRY][band.clone()], &bins[DRY + 1][band.clone()]];
            let [wet_mid, wet_side] = [&bins[WET][band.clone()], &bins[WET + 1][band]];
            let dry = dry_mid.iter().zip(dry_side);
            for ((xm, xs), (ym, ys)) in dry.zip(wet_mid.iter().zip(wet_side)) {
                sums.dry[0] += xm.norm_sqr();
                sums.dry[1] += xs.norm_sqr();
                sums.dry_cross += xm.conj() * xs;
                sums.wet[0] += ym.norm_sqr();
                sums.wet[1] += ys.norm_sqr();
                sums.between[0][0] += xm.conj() * ym;
                sums.between[0][1] += xm.conj() * ys;
                sums.between[1][0] += xs.conj() * ym;
                sums.between[1][1] += xs.conj() * ys;
            }
            sums
        })
    }
}

/// Sums of a\*·b over the bins of a band, for middle and side of dry and wet: the definition's Sxx,
/// Sxy and the diagonal of Syy. Index 0 is the middle, 1 the side; powers are mean squares.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sums {
    /// Power of the dry signal.
    pub(super) dry: [f64; 2],
    /// Dry middle\* · dry side.
    pub(super) dry_cross: Complex<f64>,
    /// Power of the wet signal.
    pub(super) wet: [f64; 2],
    /// `between[i][j]` is dry i\* · wet j.
    pub(super) between: [[Complex<f64>; 2]; 2],
}

impl Sums {
    /// Moves towards `new` by a share.
    pub(super) fn approach(&mut self, new: &Sums, share: f64) {
        let real = |old: &mut f64, new: f64| *old += share * (new - *old);
        let complex = |old: &mut Complex<f64>, new: Complex<f64>| *old += (new - *old) * share;
        for i in 0..2 {
            real(&mut self.dry[i], new.dry[i]);
            real(&mut self.wet[i], new.wet[i]);
            for j in 0..2 {
                complex(&mut self.between[i][j], new.between[i][j]);
            }
        }
        complex(&mut self.dry_cross, new.dry_cross);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_adjoin_and_are_equally_wide_in_erb() {
        for rate_hz in [8_000.0, 44_100.0, 48_000.0, 96_000.0] {
            let layout = Layout::new(rate_hz, super::super::spectrum::length(rate_hz));
            let numbers = layout.centres_hz.map(erb_number);
            for pair in numbers.windows(2) {
                let step = numbers[1] - numbers[0];
                assert!((pair[1] - pair[0] - step).abs() < 1e-9);
            }
            for pair in layout.bins.windows(2) {
                assert_eq!(pair[0].end, pair[1].start);
                assert!(!pair[0].is_empty());
            }
            let top_hz = erb_hz(numbers[11] + 0.5 * (numbers[1] - numbers[0]));
            assert!((top_hz - 16_000f64.min(0.45 * rate_hz)).abs() < 1e-6, "{top_hz}");
        }
    }
}
