//! Measurements. Loudness and true peak are the `ebur128` crate's, an implementation of BS.1770 and
//! EBU R 128 that is not ours.

use crate::stereo::Stereo;
use ebur128::{EbuR128, Mode};

/// A ratio of amplitudes in dB; 0 is −∞.
pub fn db(amplitude: f64) -> f64 {
    20.0 * amplitude.log10()
}

/// An amplitude from dB.
pub fn from_db(db: f64) -> f64 {
    10_f64.powf(db / 20.0)
}

/// Largest absolute sample.
pub fn peak(signal: &[f32]) -> f64 {
    signal.iter().map(|x| f64::from(x.abs())).fold(0.0, f64::max)
}

/// Root of the mean square.
pub fn rms(signal: &[f32]) -> f64 {
    let sum: f64 = signal.iter().map(|x| f64::from(*x).powi(2)).sum();
    (sum / signal.len() as f64).sqrt()
}

/// Level of the side, (L − R)/2, against the middle, (L + R)/2, in dB.
pub fn side_mid_db(stereo: &Stereo) -> f64 {
    let (mut side, mut mid) = (0.0, 0.0);
    for (left, right) in stereo.left.iter().zip(&stereo.right) {
        side += (f64::from(*left) - f64::from(*right)).powi(2);
        mid += (f64::from(*left) + f64::from(*right)).powi(2);
    }
    10.0 * (side / mid).log10()
}

/// Largest absolute difference between two signals of one length.
///
/// # Panics
/// When the lengths differ.
pub fn worst_difference(a: &[f32], b: &[f32]) -> f64 {
    assert_eq!(a.len(), b.len(), "signals of different lengths");
    let difference = |(a, b): (&f32, &f32)| (f64::from(*a) - f64::from(*b)).abs();
    // Not `f64::max`, which would pass over a NaN.
    let worse = |worst: f64, x: f64| match worst.is_nan() || worst >= x {
        true => worst,
        false => x,
    };
    a.iter().zip(b).map(difference).fold(0.0, worse)
}

/// Integrated loudness in LUFS; none when nothing lies above the gate.
pub fn integrated_lufs(rate: u32, stereo: &Stereo) -> Option<f64> {
    let mut meter = meter(rate, Mode::I);
    feed(&mut meter, &stereo.left, &stereo.right);
    let loudness = meter.loudness_global().expect("measured in this mode");
    loudness.is_finite().then_some(loudness)
}

/// Short-term loudness in LUFS: the 3 s up to each tenth of a second, from 3 s on. Silence is −∞.
pub fn short_term_lufs(rate: u32, stereo: &Stereo) -> Vec<f64> {
    let mut meter = meter(rate, Mode::S);
    let hop = rate as usize / 10;
    let hops = stereo.left.chunks(hop).zip(stereo.right.chunks(hop));
    let mut series = Vec::new();
    for (left, right) in hops.filter(|(left, _)| left.len() == hop) {
        feed(&mut meter, left, right);
        series.push(meter.loudness_shortterm().expect("measured in this mode"));
    }
    series.drain(..series.len().min(29));
    series
}

/// True peak of both channels in dBTP.
pub fn true_peak_dbtp(rate: u32, stereo: &Stereo) -> f64 {
    let mut meter = meter(rate, Mode::TRUE_PEAK);
    feed(&mut meter, &stereo.left, &stereo.right);
    let peak = |channel| meter.true_peak(channel).expect("measured in this mode");
    db(peak(0).max(peak(1)))
}

fn meter(rate: u32, mode: Mode) -> EbuR128 {
    EbuR128::new(2, rate, mode).expect("ebur128 takes every rate the tests use")
}

fn feed(meter: &mut EbuR128, left: &[f32], right: &[f32]) {
    meter.add_frames_planar_f32(&[left, right]).expect("two channels of one length");
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signals::sine;

    #[test]
    fn a_nan_is_the_worst_difference() {
        assert!(worst_difference(&[0.0, f32::NAN, 0.0], &[0.0; 3]).is_nan());
        assert_eq!(worst_difference(&[0.0, 0.25], &[0.0, -0.5]), 0.75);
    }

    #[test]
    fn loudness_of_the_reference_tone() {
        // EBU Tech 3341, case 1: 1 kHz at −23 dBFS peak in both channels reads −23.0 ±0.1 LUFS.
        let tone = Stereo::both(sine(48_000.0, 1_000.0, -23.0, 20.0));
        let loudness = integrated_lufs(48_000, &tone).expect("the tone is above the gate");
        approx::assert_abs_diff_eq!(loudness, -23.0, epsilon = 0.1);
        let series = short_term_lufs(48_000, &tone);
        assert_eq!(series.len(), 200 - 29);
        for loudness in series {
            approx::assert_abs_diff_eq!(loudness, -23.0, epsilon = 0.1);
        }
        approx::assert_abs_diff_eq!(true_peak_dbtp(48_000, &tone), -23.0, epsilon = 0.1);
        assert_eq!(integrated_lufs(48_000, &Stereo::both(vec![0.0; 48_000])), None);
    }
}
