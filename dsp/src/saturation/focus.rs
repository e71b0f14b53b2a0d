//! Focus: a tilt before the curve, and its exact inverse behind it.
//!
//! The tilt is (g·s + ω)/(s + g·ω): gain g far above its pivot ω, 1/g far below, 1 at the pivot.
//! What it lifts is driven harder, what it lowers is driven less, and what the curve leaves alone
//! comes out as it went in. Bilinear transform with the pivot prewarped.
//!
//! The shaper takes the gain of pink programme back out, so that the focus moves the drive instead
//! of adding to it. Programme with another spectrum is then driven harder or less hard than its level
//! says, by up to the tilt, and what a hard-driven curve does to its loudness changes nearly as much.
//! So the tilt shrinks where the drive is high: 6 dB up to a drive of 8 dB, then half as much for every
//! 4 dB more, 0.4 dB at the end, where everything is bent anyway.

use crate::filter::BIAS;
use crate::frame::CHUNK;
use crate::input::GLIDE_S;
use crate::ramp::Ramp;
use crate::units::gain;
use std::f64::consts::PI;

use wide::f64x2;

/// Where the tilt does nothing, Hz: the middle of the hearing range on a scale of octaves.
const PIVOT_HZ: f64 = 632.0;

/// How far highs are lifted and lows lowered at a focus of 100 %, dB, up to a drive in dB, and the
/// drive beyond it that halves the tilt, dB.
const LARGEST_TILT_DB: f32 = 6.0;
const FULL_TO_DB: f32 = 8.0;
const HALVED_BY_DB: f32 = 4.0;

/// The tilt at a focus of 100 %, dB.
fn largest_tilt_db(drive_db: f32) -> f32 {
    LARGEST_TILT_DB * (-(drive_db - FULL_TO_DB).max(0.0) / HALVED_BY_DB).exp2()
}

/// RMS gain of pink noise, 20 Hz to 20 kHz, in a tilt of gain g: the mean of
/// |H|² = (g²w² + 1)/(w² + g²), w = ω/ω₀, over the logarithm of the frequency, in closed form.
fn pink_gain(g: f64) -> f64 {
    let g2 = g * g;
    let integral = |f_hz: f64| {
        let w = f_hz / PIVOT_HZ;
        w.ln() / g2 + 0.5 * (g2 - 1.0 / g2) * (w * w + g2).ln()
    };
    ((integral(20_000.0) - integral(20.0)) / 1000f64.ln()).sqrt()
}

/// Position of the tilt, gliding.
#[derive(Debug)]
pub(super) struct Focus {
    tilt_db: Ramp,
    /// Prewarped pivot.
    pivot: f64,
    tilts: [Tilt; CHUNK],
    steady: bool,
}

impl Focus {
    pub(super) fn new() -> Self {
        Self { tilt_db: Ramp::new(0.0), pivot: 0.0, tilts: [Tilt::default(); CHUNK], steady: false }
    }

    pub(super) fn prepare(&mut self, rate_hz: f64) {
        self.pivot = (PI * (PIVOT_HZ / rate_hz).min(0.25)).tan();
        self.tilt_db.prepare(rate_hz, GLIDE_S);
    }

    pub(super) fn snap(&mut self) {
        self.tilt_db.snap();
    }

    /// Moves to a focus in per cent, at a drive in dB. Returns the gain of pink programme in the tilt.
    pub(super) fn set(&mut self, focus: f32, drive_db: f32) -> f32 {
        let tilt_db = largest_tilt_db(drive_db) * focus / 100.0;
        self.tilt_db.set(tilt_db);
        pink_gain(gain(tilt_db).into()) as f32
    }

    /// Moves on by the samples of a block.
    #[inline(always)]
    pub(super) fn advance(&mut self, len: usize) {
        self.steady = self.tilt_db.resting().is_some();
        let moving = if self.steady { 1 } else { len };
        for tilt in &mut self.tilts[..moving] {
            *tilt = Tilt::new(self.tilt_db.next(), self.pivot);
        }
    }

    /// Calls for every sample of a block, with its number and its filter.
    #[inline(always)]
    pub(super) fn each(&self, len: usize, mut step: impl FnMut(usize, &Tilt)) {
        if self.steady {
            let tilt = self.tilts[0];
            (0..len).for_each(|i| step(i, &tilt));
        } else {
            self.tilts[..len].iter().enumerate().for_each(|(i, tilt)| step(i, tilt));
        }
    }
}

/// Coefficients of the tilt y = b₀·x + s and its inverse x = (y − s)/b₀, both with the next state
/// s' = b₁·x − a₁·y written in terms of what comes in and of s, so that a recursion waits for one
/// product and one sum.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Tilt {
    b0: f64,
    input: f64,
    keep: f64,
    inverse_b0: f64,
    inverse_input: f64,
    inverse_keep: f64,
}

impl Tilt {
    fn new(tilt_db: f32, pivot: f64) -> Self {
        let g = f64::from(gain(tilt_db));
        let a0 = 1.0 + g * pivot;
        let (b0, b1, a1) = ((g + pivot) / a0, (pivot - g) / a0, (g * pivot - 1.0) / a0);
        Self {
            b0,
            input: b1 - a1 * b0,
            keep: -a1,
            inverse_b0: 1.0 / b0,
            inverse_input: b1 / b0 - a1,
            inverse_keep: -b1 / b0,
        }
    }
}

/// Memories of left and right, side by side so that their recursions overlap.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct TiltState {
    before: f64x2,
    behind: f64x2,
}

impl TiltState {
    /// Tilts a frame.
    #[inline(always)]
    pub(super) fn tilt(&mut self, c: &Tilt, x: f64x2) -> f64x2 {
        let [b0, input, keep, bias] = [c.b0, c.input, c.keep, BIAS].map(f64x2::splat);
        let y = b0 * x + self.before;
        self.before = input * x + bias + keep * self.before;
        y
    }

    /// Undoes the tilt.
    #[inline(always)]
    pub(super) fn untilt(&mut self, c: &Tilt, y: f64x2) -> f64x2 {
        let [b0, input, keep, bias] =
            [c.inverse_b0, c.inverse_input, c.inverse_keep, BIAS].map(f64x2::splat);
        let x = b0 * (y - self.behind);
        self.behind = input * y + bias + keep * self.behind;
        x
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    fn tilt_of(focus: f32, rate_hz: f64) -> Tilt {
        let mut stage = Focus::new();
        stage.prepare(rate_hz);
        stage.set(focus, 8.0);
        stage.snap();
        stage.advance(1);
        stage.tilts[0]
    }

    /// Power gain at a frequency.
    fn power(c: &Tilt, f_hz: f64) -> f64 {
        let (sin, cos) = (2.0 * PI * f_hz / RATE_HZ).sin_cos();
        let b1 = c.input - c.keep * c.b0;
        let above = (c.b0 + b1 * cos).powi(2) + (b1 * sin).powi(2);
        let below = (1.0 - c.keep * cos).powi(2) + (c.keep * sin).powi(2);
        above / below
    }

    #[test]
    fn the_tilt_turns_about_its_pivot() {
        for focus in [-100.0, -40.0, 0.0, 70.0, 100.0] {
            let c = tilt_of(focus, RATE_HZ);
            let db = |f_hz| 10.0 * power(&c, f_hz).log10();
            let expected = 6.0 * f64::from(focus) / 100.0;
            assert!((db(0.0) + expected).abs() < 1e-4, "{focus}: {}", db(0.0));
            assert!(db(PIVOT_HZ).abs() < 1e-4, "{focus}: {}", db(PIVOT_HZ));
            assert!((db(24_000.0) - expected).abs() < 1e-4, "{focus}: {}", db(24_000.0));
        }
    }

    /// Below where the bilinear transform bends, the mean over the octaves is the closed form.
    #[test]
    fn gain_of_pink_programme_is_the_mean_over_the_octaves() {
        for focus in [-100.0, 50.0, 100.0] {
            let c = tilt_of(focus, RATE_HZ);
            let points = 2_000;
            let mean = (0..points)
                .map(|n| power(&c, 20.0 * 1000f64.powf((f64::from(n) + 0.5) / f64::from(points))))
                .sum::<f64>()
                / f64::from(points);
            let stated = Focus::new().set(focus, 8.0);
            let error_db = 20.0 * (mean.sqrt() / f64::from(stated)).log10();
            assert!(error_db.abs() < 0.05, "{focus}: {error_db} dB");
        }
        assert_eq!(Focus::new().set(0.0, 8.0), 1.0);
    }

    #[test]
    fn the_tilt_halves_for_every_4_db_of_high_drive() {
        for (drive_db, tilt_db) in [(0.0, 6.0), (8.0, 6.0), (12.0, 3.0), (16.0, 1.5), (24.0, 0.375)]
        {
            assert!((largest_tilt_db(drive_db) - tilt_db).abs() < 1e-6, "{drive_db} dB");
        }
    }

    #[test]
    fn the_inverse_undoes_the_tilt_at_every_rate() {
        for rate_hz in [1_000.0, 8_000.0, 44_100.0, 768_000.0] {
            for focus in [-100.0, 0.0, 100.0] {
                let c = tilt_of(focus, rate_hz);
                let mut state = TiltState::default();
                let mut noise = 1u32;
                for n in 0..20_000 {
                    noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    let x = f64::from(noise) / 2_147_483_648.0 - 1.0;
                    let frame = [x, 0.5 * x];
                    let tilted = state.tilt(&c, f64x2::new(frame));
                    let back = state.untilt(&c, tilted).to_array();
                    for (back, x) in back.into_iter().zip(frame) {
                        let at = format!("{rate_hz} Hz, {focus} %, {n}");
                        assert!((back - x).abs() < 1e-12, "{at}: {back} for {x}");
                    }
                    assert!(focus != 0.0 || (tilted.to_array()[0] - x).abs() < 1e-12);
                }
            }
        }
    }
}
