//! Hann-windowed spectra of middle and side, dry and wet, hop by hop.

use crate::frame::is_fault;
use crate::mid_side::mid_side;
use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use std::f64::consts::TAU;
// Counts the owners of the transform's table, which the planner hands out; nothing waits on it.
use std::sync::Arc;

/// Length of the transform at [`BASE_RATE_HZ`], in samples.
const BASE_LENGTH: f64 = 2048.0;
/// The rate the length of the transform is given for, in Hz.
const BASE_RATE_HZ: f64 = 48_000.0;
/// Time from one spectrum to the next, in seconds.
const HOP_S: f64 = 0.01;

/// The signals a spectrum is taken of, in this order.
pub(super) const SIGNALS: usize = 4;
pub(super) const DRY: usize = 0;
pub(super) const WET: usize = 2;

/// One bin of a spectrum.
pub(super) type Bin = Complex<f64>;

/// Length of the transform at a sample rate: a power of two near 43 ms, in samples.
pub(super) fn length(rate_hz: f64) -> usize {
    let octaves = (rate_hz / BASE_RATE_HZ).log2().round();
    (BASE_LENGTH * octaves.exp2()) as usize
}

/// Time from one spectrum to the next, in samples.
pub(super) fn hop(rate_hz: f64) -> usize {
    (rate_hz * HOP_S).round() as usize
}

/// Collects samples and turns each full window into spectra.
pub(super) struct Spectra {
    transform: Arc<dyn RealToComplex<f64>>,
    /// Window, scaled so that the sum of |bin|² over the positive frequencies is the mean square of
    /// the signal.
    window: Vec<f64>,
    /// The last samples of each signal; the first `filled` are there.
    samples: [Vec<f64>; SIGNALS],
    filled: usize,
    hop: usize,
    windowed: Vec<f64>,
    scratch: Vec<Bin>,
    bins: [Vec<Bin>; SIGNALS],
}

impl std::fmt::Debug for Spectra {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Spectra").field("filled", &self.filled).finish_non_exhaustive()
    }
}

impl Spectra {
    pub(super) fn new(rate_hz: f64) -> Self {
        let (length, hop) = (length(rate_hz), hop(rate_hz));
        let transform = RealFftPlanner::new().plan_fft_forward(length);
        let hann = |n: usize| 0.5 - 0.5 * (TAU * n as f64 / length as f64).cos();
        let power: f64 = (0..length).map(|n| hann(n).powi(2)).sum();
        let scale = (2.0 / (length as f64 * power)).sqrt();
        Self {
            window: (0..length).map(|n| scale * hann(n)).collect(),
            samples: std::array::from_fn(|_| vec![0.0; length]),
            filled: 0,
            hop,
            windowed: transform.make_input_vec(),
            scratch: transform.make_scratch_vec(),
            bins: std::array::from_fn(|_| transform.make_output_vec()),
            transform,
        }
    }

    pub(super) fn reset(&mut self) {
        self.filled = 0;
    }

    /// Takes samples of left and right until the window is full; how many it took, and the spectra
    /// if it is. A window with a fault in it has no spectrum: its bins are not numbers.
    pub(super) fn take(
        &mut self,
        dry: [&[f32]; 2],
        wet: [&[f32]; 2],
    ) -> (usize, Option<&[Vec<Bin>; SIGNALS]>) {
        let length = self.window.len();
        let count = dry[0].len().min(length - self.filled);
        let sound = |x: f32| if is_fault(x) { f64::NAN } else { x.into() };
        for (first, [left, right]) in [(DRY, dry), (WET, wet)] {
            for n in 0..count {
                let [mid, side] = mid_side(sound(left[n]), sound(right[n]));
                self.samples[first][self.filled + n] = mid;
                self.samples[first + 1][self.filled + n] = side;
            }
        }
        self.filled += count;
        if self.filled < length {
            return (count, None);
        }
        for (samples, bins) in self.samples.iter_mut().zip(&mut self.bins) {
            let windowed = self.windowed.iter_mut().zip(&self.window);
            windowed.zip(&*samples).for_each(|((to, window), sample)| *to = window * sample);
            self.transform
                .process_with_scratch(&mut self.windowed, bins, &mut self.scratch)
                .expect("the buffers come from the transform itself");
            samples.copy_within(self.hop.., 0);
        }
        self.filled = length - self.hop;
        (count, Some(&self.bins))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Parseval: the bins of a sine of peak 1 hold its mean square, one half.
    #[test]
    fn bins_sum_to_the_mean_square() {
        for rate_hz in [8_000.0, 44_100.0, 48_000.0, 192_000.0] {
            let mut spectra = Spectra::new(rate_hz);
            let sine: Vec<f32> = (0..length(rate_hz))
                .map(|n| (TAU * 1_000.0 * n as f64 / rate_hz).sin() as f32)
                .collect();
            let silence = vec![0.0; sine.len()];
            let (taken, bins) = spectra.take([&sine, &sine], [&sine, &silence]);
            assert_eq!(taken, sine.len());
            let power = bins
                .expect("a full window")
                .each_ref()
                .map(|bins| bins.iter().map(|bin| bin.norm_sqr()).sum::<f64>());
            // A quarter for each of middle and side when only one channel plays at half amplitude.
            for (power, expected) in power.into_iter().zip([0.5, 0.0, 0.125, 0.125]) {
                assert!((power - expected).abs() < 1e-3, "{power} at {rate_hz} Hz");
            }
        }
    }

    #[test]
    fn windows_last_about_as_long_at_every_rate() {
        for (rate_hz, samples) in [
            (8_000.0, 256),
            (44_100.0, 2048),
            (48_000.0, 2048),
            (88_200.0, 4096),
            (96_000.0, 4096),
            (192_000.0, 8192),
        ] {
            assert_eq!(length(rate_hz), samples);
        }
    }
}
