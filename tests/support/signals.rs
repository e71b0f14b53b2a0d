//! Test signals, the same in every run.

use crate::measure::from_db;
use crate::random::Random;
use crate::stereo::Stereo;
use std::f64::consts::TAU;

/// Number of samples in a time.
fn samples(rate_hz: f64, seconds: f64) -> usize {
    (seconds * rate_hz).round() as usize
}

/// A sine that starts at zero phase; `peak_db` is the peak in dB of full scale.
pub fn sine(rate_hz: f64, hz: f64, peak_db: f64, seconds: f64) -> Vec<f32> {
    steps(rate_hz, hz, &[(peak_db, seconds)])
}

/// A sine whose level steps: peak in dB of full scale, and for how many seconds. The phase runs on.
pub fn steps(rate_hz: f64, hz: f64, levels: &[(f64, f64)]) -> Vec<f32> {
    let levels = levels.iter().flat_map(|(peak_db, seconds)| {
        std::iter::repeat_n(from_db(*peak_db), samples(rate_hz, *seconds))
    });
    levels
        .enumerate()
        .map(|(n, peak)| (peak * (TAU * hz * n as f64 / rate_hz).sin()) as f32)
        .collect()
}

/// White noise, evenly distributed; `rms_db` is its level in dB of full scale.
pub fn white_noise(rate_hz: f64, seed: u64, rms_db: f64, seconds: f64) -> Vec<f32> {
    let mut random = Random::new(seed);
    let peak = from_db(rms_db) * 3_f64.sqrt();
    (0..samples(rate_hz, seconds)).map(|_| (peak * random.bipolar()) as f32).collect()
}

/// Pink noise: equal power in every octave from 20 Hz up; `rms_db` is its level in dB of full scale.
pub fn pink_noise(rate_hz: f64, seed: u64, rms_db: f64, seconds: f64) -> Vec<f32> {
    let mut random = Random::new(seed);
    // White noise through one-pole low-passes an octave apart, each as strong as the next: where
    // they overlap, power falls by 3 dB an octave.
    let mut stages: Vec<(f64, f64)> = (0..)
        .map(|octave| 14.0 * 2_f64.powi(octave))
        .take_while(|hz| *hz < 0.5 * rate_hz)
        .map(|hz| (1.0 - (-TAU * hz / rate_hz).exp(), 0.0))
        .collect();
    let mut next = || {
        let mut sum = 0.0;
        for (share, state) in &mut stages {
            *state += *share * (random.bipolar() - *state);
            // Each stage gets noise of its own; divided by the root of its bandwidth, all are as
            // strong.
            sum += *state / share.sqrt();
        }
        sum
    };
    // The slowest stage needs about a tenth of a second to come up to strength.
    for _ in 0..samples(rate_hz, 0.2) {
        next();
    }
    let noise: Vec<f64> = (0..samples(rate_hz, seconds)).map(|_| next()).collect();
    let rms = (noise.iter().map(|x| x * x).sum::<f64>() / noise.len() as f64).sqrt();
    noise.iter().map(|x| (x * from_db(rms_db) / rms) as f32).collect()
}

/// A drum loop with more gaps than hits: one low and one high drum in every 1.2 s (two
/// beats at 100 a minute), silence between.
pub fn sparse_drum_loop(rate_hz: f64, seconds: f64) -> Stereo {
    const LOOP_S: f64 = 1.2;
    let mut random = Random::new(3);
    let mut drums = Stereo::default();
    for n in 0..samples(rate_hz, seconds) {
        let t = n as f64 / rate_hz % LOOP_S;
        let low = (-t / 0.09).exp() * (TAU * (55.0 * t + 1.5 * (1.0 - (-t / 0.02).exp()))).sin();
        let since = t - 0.6;
        let high = if !(0.0..0.5).contains(&since) {
            0.0
        } else {
            (-since / 0.05).exp() * (0.5 * random.bipolar() + 0.5 * (TAU * 190.0 * since).sin())
        };
        // The decays are cut off far below hearing, so that the gaps are truly silent.
        let low = if t < 0.5 { low } else { 0.0 };
        drums.left.push((0.5 * low + 0.35 * high) as f32);
        drums.right.push((0.5 * low + 0.25 * high) as f32);
    }
    drums
}

/// Programme that stops and starts: pink noise in bursts of 0.5 to 4 s at changing levels, with 0.5
/// to 4 s of silence between. Left and right are half alike.
pub fn stops_and_starts(rate_hz: f64, seconds: f64) -> Stereo {
    let mut random = Random::new(4);
    let mut level = Vec::with_capacity(samples(rate_hz, seconds));
    while level.len() < samples(rate_hz, seconds) {
        let mut length = || samples(rate_hz, 2.25 + 1.75 * random.bipolar());
        let (on, off) = (length(), length());
        let burst = from_db(6.0 * random.bipolar());
        // Edges of 5 ms: a burst starts as a note does, without a click.
        let edge = 0.005 * rate_hz;
        level.extend((0..on).map(|n| burst * (n.min(on - 1 - n) as f64 / edge).min(1.0)));
        level.extend(std::iter::repeat_n(0.0, off));
    }
    let noise = |seed| pink_noise(rate_hz, seed, -24.0, seconds);
    let (own_left, own_right, shared) = (noise(5), noise(6), noise(7));
    let side = |own: Vec<f32>| {
        let mixed = own.iter().zip(&shared).zip(&level);
        mixed
            .map(|((own, shared), level)| ((f64::from(*own) + f64::from(*shared)) * level) as f32)
            .collect()
    };
    Stereo { left: side(own_left), right: side(own_right) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::{db, rms};

    const RATE_HZ: f64 = 48_000.0;

    /// Power of a signal at a frequency, averaged over blocks of a fifth of a second.
    fn power_at(signal: &[f32], hz: f64) -> f64 {
        let mut power = 0.0;
        for block in signal.chunks(9600) {
            let (mut re, mut im) = (0.0, 0.0);
            for (n, x) in block.iter().enumerate() {
                let window = 1.0 - (TAU * n as f64 / block.len() as f64).cos();
                let angle = TAU * hz * n as f64 / RATE_HZ;
                re += window * f64::from(*x) * angle.cos();
                im += window * f64::from(*x) * angle.sin();
            }
            power += re * re + im * im;
        }
        power
    }

    /// Density in dB around a frequency, from neighbouring lines a few per cent apart.
    fn density_db(signal: &[f32], hz: f64) -> f64 {
        let lines = (-4..=4).map(|k| power_at(signal, hz * (1.0 + 0.04 * f64::from(k))));
        10.0 * lines.sum::<f64>().log10()
    }

    #[test]
    fn noises_have_their_level_and_slope() {
        let white = white_noise(RATE_HZ, 1, -20.0, 20.0);
        let pink = pink_noise(RATE_HZ, 1, -20.0, 20.0);
        for noise in [&white, &pink] {
            approx::assert_abs_diff_eq!(db(rms(noise)), -20.0, epsilon = 0.05);
        }
        for (low, high) in [(60.0, 600.0), (200.0, 2_000.0), (800.0, 8_000.0)] {
            let fall = |noise: &[f32]| density_db(noise, low) - density_db(noise, high);
            approx::assert_abs_diff_eq!(fall(&white), 0.0, epsilon = 1.0);
            // 3 dB an octave is 10 dB a decade.
            approx::assert_abs_diff_eq!(fall(&pink), 10.0, epsilon = 1.5);
        }
        assert_ne!(pink, pink_noise(RATE_HZ, 2, -20.0, 20.0));
    }

    #[test]
    fn steps_keep_their_phase() {
        let stepped = steps(RATE_HZ, 1_000.0, &[(-6.0, 0.01), (-12.0, 0.01)]);
        let steady = sine(RATE_HZ, 1_000.0, -6.0, 0.02);
        assert_eq!(stepped[..480], steady[..480]);
        for (low, high) in stepped[480..].iter().zip(&steady[480..]) {
            approx::assert_abs_diff_eq!(*low, *high / 1.995_262, epsilon = 1e-6);
        }
    }

    #[test]
    fn what_is_said_to_have_gaps_has_gaps() {
        let silent = |x: &Stereo| {
            let frames = x.left.iter().zip(&x.right);
            let count = frames.filter(|(l, r)| **l == 0.0 && **r == 0.0).count();
            count as f64 / x.left.len() as f64
        };
        let drums = silent(&sparse_drum_loop(RATE_HZ, 8.0));
        assert!((0.1..0.5).contains(&drums), "{drums}");
        let bursts = silent(&stops_and_starts(RATE_HZ, 40.0));
        assert!((0.3..0.7).contains(&bursts), "{bursts}");
    }
}
