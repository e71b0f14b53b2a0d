//! The curve: a hyperbolic tangent with a bias, its slope at rest made 1, its level made good.
//!
//! f(u) = (tanh(k·u + b) − tanh b) / (k·sech² b) = tanh(k·u) / (k·(1 + β·tanh(k·u))), β = tanh b,
//! by the addition theorem of tanh; the second form neither subtracts nearly equal numbers nor
//! divides by a small one. With the drive d in dB, k = 10^(d/20) − 1: no curve at all at 0 dB, and
//! towards high drives the gain into the tanh. What is computed is the residual c·f(u) − u.
//!
//! The harmonics of A·sin θ at β = 0 are those of tanh(k·A·sin θ), times c/k. With β the even ones
//! appear; of −β they have the opposite sign, and the odd ones are the same.
//!
//! # Loudness
//!
//! c makes a programme of −18 dBFS RMS as strong behind the curve as before, its mean left out. The
//! programme is Gaussian noise that half of the time is 7.5 dB louder than the other half: peakier than
//! steady noise, less so than drums by themselves. Pink noise, dense and sparse mixes and a drum bus
//! of that level then keep their loudness within 1 LU at every drive, symmetry and focus; noise gets
//! up to 1 LU louder, the drum bus up to 1 LU softer.
//!
//! No constant c does better for all, because two programmes of one RMS may differ in how it is
//! spread over time. Noise that sounds for a share p of the time is stronger by 1/p while it does.
//! Far into the curve the output is ±c/k wherever there is sound, so its power is c²/k² for p = 1
//! and p·c²/k² for p: between the two lie 10·lg(1/p) dB, 10 dB for hits that fill a tenth, and
//! the better placed c is between them, the more it is off for both. The loudness gate of BS.1770
//! leaves out the silent blocks on both sides of the curve, so it does not help. Hits with silence
//! between fall, by up to 5 LU in a loop with more gaps than hits, and by more the rarer they are; a steady
//! tone, which is less peaky than noise, gains up to 2 LU. The loudness match makes up for both.

use crate::frame::CHUNK;
use crate::input::GLIDE_S;
use crate::ramp::Ramp;
use crate::units::{db_to_gain, exp2_m1};
use std::f32::consts::LOG2_E;

/// Level of the programme the curve is compensated for, dBFS RMS.
const PROGRAMME_DB: f64 = -18.0;

/// Between the halves of the programme, dB.
const UNEVENNESS_DB: f64 = 7.5;

/// Bias of the curve at a symmetry of 100 %: the two ends of the curve are then 13 dB apart.
const LARGEST_BIAS: f64 = 0.75;

/// Least k. The curve of a full-scale sample is then straight within 4·10⁻⁷.
const LEAST_K: f64 = 1e-3;

/// What the curve is made of; all of it glides.
#[derive(Debug)]
pub(super) struct Shaper {
    k: Ramp,
    beta: Ramp,
    compensation: Ramp,
    from: [f32; 3],
    curves: [Curve; CHUNK],
    steady: bool,
}

impl Shaper {
    pub(super) fn new() -> Self {
        Self {
            k: Ramp::new(LEAST_K as f32),
            beta: Ramp::new(0.0),
            compensation: Ramp::new(1.0),
            from: [0.0; 3],
            curves: [Curve::default(); CHUNK],
            steady: true,
        }
    }

    pub(super) fn prepare(&mut self, rate_hz: f64) {
        for ramp in [&mut self.k, &mut self.beta, &mut self.compensation] {
            ramp.prepare(rate_hz, GLIDE_S);
        }
    }

    pub(super) fn snap(&mut self) {
        for ramp in [&mut self.k, &mut self.beta, &mut self.compensation] {
            ramp.snap();
        }
    }

    /// Drive in dB, symmetry in per cent, and the gain the programme has got before it comes here.
    pub(super) fn set(&mut self, drive_db: f32, symmetry: f32, programme_gain: f32) {
        let from = [drive_db, symmetry, programme_gain];
        if from == self.from {
            return;
        }
        self.from = from;
        // The programme meets the same curve whatever it went through before.
        let k = ((db_to_gain(drive_db.into()) - 1.0) / f64::from(programme_gain)).max(LEAST_K);
        let beta = (LARGEST_BIAS * f64::from(symmetry) / 100.0).tanh();
        self.k.set(k as f32);
        self.beta.set(beta as f32);
        let programme = db_to_gain(PROGRAMME_DB) * f64::from(programme_gain);
        self.compensation.set(compensation(k, beta, programme) as f32);
    }

    /// Moves on by the samples of a block at the base rate.
    #[inline(always)]
    pub(super) fn advance(&mut self, len: usize) {
        let ramps = [&self.k, &self.beta, &self.compensation];
        self.steady = ramps.iter().all(|ramp| ramp.resting().is_some());
        let moving = if self.steady { 1 } else { len };
        for curve in &mut self.curves[..moving] {
            *curve = Curve::new(self.k.next(), self.beta.next(), self.compensation.next());
        }
    }

    /// Turns the samples of the block, at a rate `factor` times higher, into their residual.
    #[inline(always)]
    pub(super) fn process(&self, samples: &mut [f32], factor: usize) {
        if self.steady {
            self.curves[0].process(samples);
        } else {
            for (samples, curve) in samples.chunks_exact_mut(factor).zip(&self.curves) {
                curve.process(samples);
            }
        }
    }
}

/// The curve of one moment.
#[derive(Debug, Clone, Copy, Default)]
struct Curve {
    /// 2k/ln 2: turns a sample into the exponent of 2 in e^(2k·u).
    exponent: f32,
    beta: f32,
    /// c/k.
    level: f32,
}

impl Curve {
    fn new(k: f32, beta: f32, compensation: f32) -> Self {
        Self { exponent: 2.0 * LOG2_E * k, beta, level: compensation / k }
    }

    /// tanh x = e/(e + 2) with e = e^2x − 1, on the magnitude of x; within 4·10⁻⁷ of its value.
    #[inline(always)]
    fn process(&self, samples: &mut [f32]) {
        // From here on tanh is 1 to the last bit.
        const FAR: f32 = 40.0;
        for u in samples {
            let exponent = self.exponent * u.abs();
            let e = exp2_m1(if exponent < FAR { exponent } else { FAR });
            let signed = e.copysign(*u);
            *u = self.level * signed / (e + 2.0 + self.beta * signed) - *u;
        }
    }
}

/// The gain c for a programme of RMS `sigma`, Gaussian noise at one of two levels. Its moments behind
/// the curve are integrals over the bells, which the trapezoidal rule finds to 10⁻⁷ here, because the
/// integrand is smooth and vanishes at both ends (Trefethen and Weideman, SIAM Review 56(3), 2014,
/// theorem 5.1).
fn compensation(k: f64, beta: f64, sigma: f64) -> f64 {
    const STEP: f64 = 0.2;
    let [mut weights, mut mean, mut square] = [0.0; 3];
    let louder = db_to_gain(UNEVENNESS_DB);
    let softer_sigma = sigma * (2.0 / (1.0 + louder * louder)).sqrt();
    for sigma in [softer_sigma, louder * softer_sigma] {
        for i in -40..=40 {
            let z = STEP * f64::from(i);
            let weight = (-0.5 * z * z).exp();
            let tanh = (k * sigma * z).tanh();
            let y = tanh / (k * (1.0 + beta * tanh));
            weights += weight;
            mean += weight * y;
            square += weight * y * y;
        }
    }
    sigma / (square / weights - (mean / weights).powi(2)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the definition, computed in f64 with the standard library.
    #[test]
    fn the_curve_is_the_biased_hyperbolic_tangent() {
        for drive_db in [0.1, 1.0, 6.0, 12.0, 24.0] {
            for symmetry in [-100.0, -30.0, 0.0, 50.0, 100.0] {
                let mut shaper = Shaper::new();
                shaper.set(drive_db, symmetry, 1.0);
                shaper.snap();
                let c = f64::from(shaper.compensation.value());
                let k = 10f64.powf(f64::from(drive_db) / 20.0) - 1.0;
                let b = 0.75 * f64::from(symmetry) / 100.0;
                for step in -1_000..=1_000 {
                    let u = step as f32 / 250.0;
                    let mut y = [u];
                    shaper.advance(1);
                    shaper.process(&mut y, 1);
                    let curve = ((k * f64::from(u) + b).tanh() - b.tanh()) * b.cosh().powi(2) / k;
                    let expected = c * curve - f64::from(u);
                    let error = (f64::from(y[0]) - expected).abs();
                    let scale = f64::from(u).abs().max(c * curve.abs());
                    assert!(error <= 1e-6 * scale, "{drive_db} dB, {symmetry} %, {u}: {error}");
                }
            }
        }
    }

    /// A far finer rule gives the same, so the integral has been found.
    #[test]
    fn compensation_is_the_integral_it_stands_for() {
        for k in [0.01, 1.0, 5.0, 15.0] {
            for beta in [0.0f64, 0.635] {
                let sigma = 10f64.powf(PROGRAMME_DB / 20.0);
                let (mut mean, mut square) = (0.0, 0.0);
                let step = 0.01;
                // 7.5 dB apart, and σ² together.
                let softer = (2.0 / (1.0 + 10f64.powf(0.75))).sqrt();
                for level in [softer, softer * 10f64.powf(0.375)] {
                    for i in -900..=900 {
                        let z = step * f64::from(i);
                        let bell = (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt();
                        let density = 0.5 * step * bell;
                        let t = (k * sigma * level * z).tanh();
                        let y = t / (k * (1.0 + beta * t));
                        mean += density * y;
                        square += density * y * y;
                    }
                }
                let fine = sigma / (square - mean * mean).sqrt();
                let error = compensation(k, beta, sigma) / fine - 1.0;
                assert!(error.abs() < 1e-6, "{k}, {beta}: {error}");
            }
        }
        assert!((compensation(LEAST_K, 0.0, 0.126) - 1.0).abs() < 1e-7);
    }
}
