//! Filters: coefficients and state, kept apart. State is f64, because low corners at high rates
//! vanish in f32.

use std::f64::consts::PI;

use wide::{f32x4, f64x2};

/// Keeps filter memories from decaying into subnormal numbers; 500 dB below full scale.
pub(crate) const BIAS: f64 = 1e-25;

/// Below this a memory counts as empty: far under any signal, and so far above the subnormal range that
/// no filter of ours gets there within 20 ms.
const EMPTY: f64 = 1e-100;

/// `memory`, or nothing where its magnitude is less than `empty`.
pub(crate) fn settled(memory: f64x2, empty: f64) -> f64x2 {
    memory.abs().simd_lt(f64x2::splat(empty)).select(f64x2::ZERO, memory)
}

/// A 12 dB/octave Butterworth high-pass whose magnitude follows the analogue
/// prototype |H|² = f⁴/(f⁴ + fc⁴), not its bilinear image.
///
/// With x = πf/fs and p = sin²x, a section with a double zero at 0 Hz has |H|² = p²/D(p), D
/// quadratic. The prototype asks for D = p²(1 + (xc/x)⁴). Since
/// (p/x²)² = 1 − 2p/3 − p²/45 + O(p³), the quadratic
/// D = xc⁴ + (−2xc⁴/3)·p + (1 − xc⁴/45)·p² follows it to third order in p. The poles come from D by
/// spectral factorisation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct HighpassDesign {
    /// Integrator gain of the state-variable form.
    g: f64,
    /// Damping.
    k: f64,
    /// Gain of the high-pass output.
    scale: f64,
}

impl HighpassDesign {
    /// For a corner `fc_hz`; corners above a tenth of the rate are moved down to it.
    pub(crate) fn butterworth(fc_hz: f64, rate_hz: f64) -> Self {
        let xc4 = (PI * (fc_hz / rate_hz).min(0.1)).powi(4);
        let d0 = xc4;
        let d2 = 1.0 - xc4 / 45.0;
        let at_nyquist = d0 - 2.0 / 3.0 * xc4 + d2;
        // D(0) and D(1) are squares of the denominator at 0 Hz and at Nyquist, up to the scale b0.
        let q = d0.sqrt() + at_nyquist.sqrt();
        let b0 = (q - (q * q - d2).sqrt()) / d2;
        let a2 = b0 * b0 * d2;
        let denominator_at_nyquist = 4.0 * b0 * at_nyquist.sqrt();
        let g = (d0 / at_nyquist).powf(0.25);
        Self {
            g,
            k: 2.0 * (1.0 - a2) / (g * denominator_at_nyquist),
            scale: 1.0 / at_nyquist.sqrt(),
        }
    }

    /// The design a fraction `t` of the way to `other`; stable all the way.
    pub(crate) fn towards(&self, other: &Self, t: f64) -> Self {
        // Exact at both ends.
        let mix = |a: f64, b: f64| a * (1.0 - t) + b * t;
        Self {
            g: mix(self.g, other.g),
            k: mix(self.k, other.k),
            scale: mix(self.scale, other.scale),
        }
    }

    /// The same filter in powers of δ = z − 1, whose coefficients stay exact however low the corner
    /// lies: scale·δ²/(δ² + c₁δ + c₂).
    pub(crate) fn coefficients(&self) -> HighpassCoefficients {
        let Self { g, k, scale } = *self;
        let input = 1.0 / (1.0 + g * (g + k));
        let once = 2.0 * g * (k + 2.0 * g) * input;
        HighpassCoefficients {
            once,
            keep: 1.0 - once,
            twice: 4.0 * g * g * input,
            scale: scale * input,
        }
    }
}

/// Coefficients of a high-pass in powers of δ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct HighpassCoefficients {
    once: f64,
    /// 1 − `once`.
    keep: f64,
    twice: f64,
    scale: f64,
}

/// State of a high-pass on left and right: the once and the twice summed h, where h is the input less
/// what comes back, h = x − c₁·h/δ − c₂·h/δ². No recursion waits for more than a product and a sum.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Highpass {
    once: f64x2,
    twice: f64x2,
}

impl Highpass {
    #[inline(always)]
    pub(crate) fn next(&mut self, c: &HighpassCoefficients, x: f64x2) -> f64x2 {
        let rest = x - f64x2::splat(c.twice) * self.twice;
        let h = rest - f64x2::splat(c.once) * self.once;
        self.twice += self.once;
        self.once = rest + f64x2::splat(c.keep) * self.once;
        f64x2::splat(c.scale) * h
    }

    /// Empties memories in which a signal has died away. To be called every 20 ms.
    pub(crate) fn settle(&mut self) {
        self.once = settled(self.once, EMPTY);
        self.twice = settled(self.twice, EMPTY);
    }

    /// Goes on with other coefficients. The sums are scaled so that what comes back stays what it is:
    /// a moving corner neither thumps nor lets the filter grow.
    pub(crate) fn retune(&mut self, from: &HighpassCoefficients, to: &HighpassCoefficients) {
        let ratio = from.twice / to.twice;
        self.twice *= f64x2::splat(ratio);
        self.once *= f64x2::splat(ratio.sqrt());
    }
}

/// Least power that comes out of an average, so that in f32 none is subnormal; far below any level that
/// is read.
const LEAST_POWER: f64 = 1e-30;

/// A one-pole average of the power of left and right.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PowerAverage {
    power: f64x2,
    new: f64x2,
    keep: f64x2,
}

impl PowerAverage {
    /// An average over nothing: it follows every sample.
    pub(crate) const fn new() -> Self {
        Self { power: f64x2::ZERO, new: f64x2::ONE, keep: f64x2::ZERO }
    }

    /// Sets the share that a new sample gets.
    pub(crate) fn set(&mut self, share: f64) {
        [self.new, self.keep] = [share, 1.0 - share].map(f64x2::splat);
    }

    pub(crate) fn clear(&mut self) {
        self.power = f64x2::ZERO;
    }

    /// Empties a memory in which a signal has died away. To be called every 20 ms. (Windows below about
    /// 0.03 ms get from there into the subnormal range and through it sooner, within some tens of
    /// samples.)
    pub(crate) fn settle(&mut self) {
        self.power = settled(self.power, EMPTY);
    }

    /// The average after a frame. It goes on as [`reading`](Self::reading).
    #[inline(always)]
    pub(crate) fn next(&mut self, x: f64x2) -> f64x2 {
        self.power = self.new * (x * x) + self.keep * self.power;
        self.power
    }

    /// A power that came out of an average, as all behind it take it.
    #[inline(always)]
    pub(crate) fn reading(power: f64) -> f32 {
        (if power > LEAST_POWER { power } else { LEAST_POWER }) as f32
    }
}

/// Coefficients of the K-weighting of ITU-R BS.1770-5, Annex 1: a high shelf and a high-pass.
///
/// The Recommendation tabulates 48 kHz only and asks for the same response at other rates. The
/// analogue parameters here are the widely used back-calculation; at 48 kHz they give the table to
/// 9·10⁻¹⁶. Corners are held below 0.45 of the rate, which matters under 4 kHz only.
#[derive(Debug, Clone, Copy)]
pub(crate) struct KWeightingCoefficients {
    shelf_b: [f64; 3],
    shelf_a: [f64; 2],
    highpass_a: [f64; 2],
}

impl KWeightingCoefficients {
    pub(crate) fn new(rate_hz: f64) -> Self {
        let tan = |f0: f64| (PI * (f0 / rate_hz).min(0.45)).tan();

        let k = tan(1_681.974_450_955_533);
        let q = 0.707_175_236_955_419_6;
        let vh = 10f64.powf(3.999_843_853_973_347 / 20.0);
        let vb = vh.powf(0.499_666_774_154_541_6);
        let a0 = 1.0 + k / q + k * k;
        let shelf_b = [
            (vh + vb * k / q + k * k) / a0,
            2.0 * (k * k - vh) / a0,
            (vh - vb * k / q + k * k) / a0,
        ];
        let shelf_a = [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0];

        let k = tan(38.135_470_876_024_44);
        let q = 0.500_327_037_323_877_3;
        let a0 = 1.0 + k / q + k * k;
        let highpass_a = [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0];
        Self { shelf_b, shelf_a, highpass_a }
    }

    /// The same filter in powers of δ = z − 1. Differences that are small against 1 at high rates are
    /// taken here, in f64; what remains is as exact in f32 as any gain.
    pub(crate) fn in_steps(&self) -> KWeightingSteps {
        let splat = |x: f64| f32x4::splat(x as f32);
        let ([b0, b1, b2], [a1, a2]) = (self.shelf_b, self.shelf_a);
        let shelf = [2.0 + a1, 1.0 + a1 + a2];
        let [h1, h2] = self.highpass_a;
        KWeightingSteps {
            shelf_keep: splat(1.0 - shelf[0]),
            shelf_twice: splat(shelf[1]),
            direct: splat(b0),
            excess_once: splat(2.0 * b0 + b1 - b0 * shelf[0]),
            excess_twice: splat(b0 + b1 + b2 - b0 * shelf[1]),
            highpass_once: splat(2.0 + h1),
            highpass_twice: splat(1.0 + h1 + h2),
        }
    }
}

/// [`KWeightingCoefficients`] in powers of δ.
#[derive(Debug, Clone, Copy)]
pub(crate) struct KWeightingSteps {
    shelf_keep: f32x4,
    shelf_twice: f32x4,
    direct: f32x4,
    excess_once: f32x4,
    excess_twice: f32x4,
    highpass_once: f32x4,
    highpass_twice: f32x4,
}

/// [`EMPTY`] for the high-pass of the K-weighting, which remembers in f32.
const EMPTY_F32: f32 = 1e-30;

/// K-weighting of four signals side by side.
///
/// Both sections keep the once and the twice summed h, where h is their input less what comes back:
/// h = x − d₁·h/δ − d₂·h/δ². (The high-pass has the numerator δ²: the Recommendation's −0.691 dB
/// counts on it not being normalised.) In this form rounding in f32 stays 130 dB below the lows of
/// the signal at any rate, and no recursion waits for more than a product and a sum.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct KWeighting {
    shelf: [f32x4; 2],
    highpass: [f32x4; 2],
}

impl KWeighting {
    #[inline(always)]
    pub(crate) fn next(&mut self, c: &KWeightingSteps, x: f32x4) -> f32x4 {
        let [once, twice] = self.shelf;
        let y = c.direct * x + c.excess_twice * twice + c.excess_once * once;
        let rest = x - c.shelf_twice * twice;
        let bias = f32x4::splat(BIAS as f32);
        self.shelf = [rest + c.shelf_keep * once, twice + bias + once];
        let [once, twice] = self.highpass;
        let rest = y - c.highpass_twice * twice;
        let h = rest - c.highpass_once * once;
        self.highpass = [once + h, twice + once];
        h
    }

    /// Empties memories of the high-pass in which a signal has died away. To be called every 20 ms.
    pub(crate) fn settle(&mut self) {
        for memory in &mut self.highpass {
            *memory = memory.abs().simd_lt(f32x4::splat(EMPTY_F32)).select(f32x4::ZERO, *memory);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gain in dB at `f_hz` of an impulse response.
    fn response_db(impulse: &[f64], f_hz: f64, rate_hz: f64) -> f64 {
        let w = 2.0 * PI * f_hz / rate_hz;
        let (re, im) = impulse.iter().enumerate().fold((0.0, 0.0), |(re, im), (n, h)| {
            let phase = w * n as f64;
            (re + h * phase.cos(), im - h * phase.sin())
        });
        10.0 * (re * re + im * im).log10()
    }

    fn highpass_impulse(fc_hz: f64, rate_hz: f64) -> Vec<f64> {
        let c = HighpassDesign::butterworth(fc_hz, rate_hz).coefficients();
        let mut filter = Highpass::default();
        let length = (rate_hz / fc_hz * 8.0) as usize;
        (0..length)
            .map(|n| filter.next(&c, f64x2::splat(if n == 0 { 1.0 } else { 0.0 })).to_array()[0])
            .collect()
    }

    /// Second-order Butterworth high-pass, |H|² = 1/(1 + (fc/f)⁴): the handbook definition.
    #[test]
    fn key_highpass_follows_the_analogue_prototype_below_an_eighth_of_the_rate() {
        let rates = [
            8_000.0, 11_025.0, 22_050.0, 44_100.0, 48_000.0, 96_000.0, 123_456.78, 192_000.0,
            768_000.0,
        ];
        let mut worst = 0f64;
        for rate in rates {
            for fc in [20.0, 60.0, 150.0, 500.0] {
                let impulse = highpass_impulse(fc, rate);
                for ratio in [0.25, 0.5, 1.0, 2.0, 4.0, 8.0] {
                    let f = (fc * ratio).min(rate / 8.0);
                    let prototype = -10.0 * (1.0 + (fc / f).powi(4)).log10();
                    let error = (response_db(&impulse, f, rate) - prototype).abs();
                    worst = worst.max(error);
                    assert!(error < 0.05, "{fc} Hz at {rate}: {error} dB off at {f} Hz");
                }
            }
        }
        assert!(worst < 0.002, "the design promises more than it must: {worst}");
    }

    /// The same definition at the corner's multiples, as printed in handbooks.
    #[test]
    fn key_highpass_passes_through_the_printed_points() {
        for (ratio, printed) in
            [(0.25, -24.0993), (0.5, -12.3045), (1.0, -3.0103), (2.0, -0.2633), (4.0, -0.0169)]
        {
            let impulse = highpass_impulse(100.0, 48_000.0);
            let got = response_db(&impulse, 100.0 * ratio, 48_000.0);
            assert!((got - printed).abs() < 0.001, "{ratio}: {got}");
        }
    }

    #[test]
    fn key_highpass_stays_bounded_while_its_corner_jumps() {
        let low = HighpassDesign::butterworth(20.0, 8_000.0);
        let high = HighpassDesign::butterworth(500.0, 8_000.0);
        let mut filter = Highpass::default();
        let mut before = low.coefficients();
        for n in 0..100_000 {
            let c = low.towards(&high, f64::from(n % 7) / 6.0).coefficients();
            filter.retune(&before, &c);
            before = c;
            let x = if n % 50 < 25 { 1.0 } else { -1.0 };
            let [y, _] = filter.next(&c, f64x2::splat(x)).to_array();
            assert!(y.abs() < 8.0, "{n}: {y}");
        }
    }

    #[test]
    fn memories_never_become_subnormal_in_silence() {
        for rate_hz in [1_000.0, 8_000.0, 48_000.0, 768_000.0] {
            let c = HighpassDesign::butterworth(500.0, rate_hz).coefficients();
            let k = KWeightingCoefficients::new(rate_hz).in_steps();
            let mut highpass = Highpass::default();
            let mut weighting = KWeighting::default();
            let hop = (0.02 * rate_hz) as usize;
            for n in 0..100 * hop {
                let x = if n < 10 { 1.0 } else { 0.0 };
                highpass.next(&c, f64x2::splat(x.into()));
                weighting.next(&k, f32x4::splat(x));
                if n % hop == 0 {
                    highpass.settle();
                    weighting.settle();
                }
                let memories = [highpass.once, highpass.twice].map(|memory| memory.to_array()[0]);
                assert!(!memories.iter().any(|x| x.is_subnormal()), "{rate_hz} {n}: {memories:?}");
                let memories = [weighting.shelf, weighting.highpass]
                    .map(|memories| memories.map(|memory| memory.to_array()[0]));
                let subnormal = memories.iter().flatten().any(|memory| memory.is_subnormal());
                assert!(!subnormal, "{rate_hz} {n}: {memories:?}");
            }
        }
    }

    /// ITU-R BS.1770-5 (11/2023), Annex 1, Tables 1 and 2.
    #[test]
    fn k_weighting_at_48_khz_is_the_printed_table() {
        let c = KWeightingCoefficients::new(48_000.0);
        let printed = [
            (c.shelf_b[0], 1.535_124_859_586_97),
            (c.shelf_b[1], -2.691_696_189_406_38),
            (c.shelf_b[2], 1.198_392_810_852_85),
            (c.shelf_a[0], -1.690_659_293_182_41),
            (c.shelf_a[1], 0.732_480_774_215_85),
            (c.highpass_a[0], -1.990_047_454_833_98),
            (c.highpass_a[1], 0.990_072_250_366_21),
        ];
        for (ours, table) in printed {
            assert!((ours - table).abs() < 1e-14, "{ours} against {table}");
        }
    }

    /// Response of the two printed tables in cascade, computed from them in double precision.
    #[test]
    fn k_weighting_has_the_response_of_the_standard() {
        let c = KWeightingCoefficients::new(48_000.0).in_steps();
        let mut filter = KWeighting::default();
        let mut next = |x: f32| f64::from(filter.next(&c, f32x4::splat(x)).to_array()[0]);
        let impulse: Vec<f64> = (0..48_000).map(|n| next(if n == 0 { 1.0 } else { 0.0 })).collect();
        for (f, db) in [
            (20.0, -13.2754),
            (50.0, -3.9341),
            (100.0, -1.1335),
            (500.0, 0.0425),
            (997.0, 0.6910),
            (2_000.0, 3.0713),
            (10_000.0, 4.0419),
        ] {
            let got = response_db(&impulse, f, 48_000.0);
            assert!((got - db).abs() < 0.0005, "{f} Hz: {got}");
        }
    }

    /// Quality factor of the Butterworth prototype, 1/√2, is reached when the corner is far below
    /// the rate.
    #[test]
    fn damping_tends_to_the_prototype_at_high_rates() {
        let c = HighpassDesign::butterworth(20.0, 768_000.0);
        assert!((c.k - std::f64::consts::SQRT_2).abs() < 1e-6, "{}", c.k);
    }
}
