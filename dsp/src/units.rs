//! Decibels, linear gain, power and time, and the two functions everything else leans on:
//! logarithm and exponential to base 2 in a form that vectorises and gives the same bits on every
//! platform.

use std::f32::consts::{LN_2, LOG2_10};

/// Level of nothing, in dB. Also what readings show when there is nothing to measure.
pub const SILENCE_DB: f32 = -120.0;

/// Decibels of gain per octave of amplitude, 20·log10(2).
const DB_PER_OCTAVE: f32 = 20.0 / LOG2_10;

/// Linear amplitude of a gain in dB.
pub(crate) fn db_to_gain(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// Gain in dB of a linear power.
pub(crate) fn power_to_db(power: f64) -> f64 {
    10.0 * power.log10()
}

/// Coefficient of a one-pole smoother, 1 − exp(−1/(τ·fs)): after τ it has done 63.2 % of a step
/// (JAES 60(6), Eq. 7). 1 for τ = 0.
pub(crate) fn one_pole(tau_s: f64, rate_hz: f64) -> f64 {
    -(-1.0 / (tau_s * rate_hz)).exp_m1()
}

/// Level in dB of a positive, normal power, within 10⁻⁵ dB above −60 dB.
#[inline(always)]
pub(crate) fn level_db(power: f32) -> f32 {
    log2(power) * (0.5 * DB_PER_OCTAVE)
}

/// Linear amplitude of a gain in dB between −700 and +700; exactly 1 at 0 dB.
#[inline(always)]
pub(crate) fn gain(db: f32) -> f32 {
    exp2(db * (1.0 / DB_PER_OCTAVE))
}

/// Logarithm to base 2 of a positive, normal number: exponent plus the inverse hyperbolic tangent
/// series of the mantissa, whose next term is below 10⁻⁹.
#[inline(always)]
fn log2(x: f32) -> f32 {
    const SQRT_HALF_BITS: u32 = 0x3f35_04f3;
    const SCALE: f32 = 2.0 / LN_2;
    let bits = x.to_bits();
    let exponent = bits.wrapping_sub(SQRT_HALF_BITS).cast_signed() >> 23;
    // Between √½ and √2, so that the series runs over a symmetric interval.
    let mantissa = f32::from_bits(bits.wrapping_sub((exponent << 23).cast_unsigned()));
    let s = (mantissa - 1.0) / (mantissa + 1.0);
    let s2 = s * s;
    // In pairs instead of one after the other, so that less has to wait.
    let s4 = s2 * s2;
    let high = (SCALE / 5.0 + s2 * (SCALE / 7.0)) + s4 * (SCALE / 9.0);
    let series = (SCALE + s2 * (SCALE / 3.0)) + s4 * high;
    exponent as f32 + s * series
}

/// 2 to the power of `x`, |x| < 126: whole octaves in the exponent, the rest by Taylor series, whose
/// next term is below 10⁻⁸.
#[inline(always)]
fn exp2(x: f32) -> f32 {
    let (octaves, rest) = exp2_parts(x);
    octaves * (1.0 + rest)
}

/// 2 to the power of `x` less 1, |x| < 126, within 4·10⁻⁷ of its value also where that is small.
#[inline(always)]
pub(crate) fn exp2_m1(x: f32) -> f32 {
    let (octaves, rest) = exp2_parts(x);
    octaves * rest + (octaves - 1.0)
}

/// The power of 2 nearest to 2 to the power of `x`, and by how much of it the result exceeds it.
#[inline(always)]
fn exp2_parts(x: f32) -> (f32, f32) {
    // Adding 1.5·2²³ leaves the nearest integer in the low bits of the mantissa.
    const ROUND: f32 = 12_582_912.0;
    const L1: f32 = LN_2;
    const L2: f32 = L1 * LN_2 / 2.0;
    const L3: f32 = L2 * LN_2 / 3.0;
    const L4: f32 = L3 * LN_2 / 4.0;
    const L5: f32 = L4 * LN_2 / 5.0;
    const L6: f32 = L5 * LN_2 / 6.0;
    const L7: f32 = L6 * LN_2 / 7.0;
    let rounded = x + ROUND;
    let r = x - (rounded - ROUND);
    let octaves = f32::from_bits((rounded.to_bits() << 23).wrapping_add(1f32.to_bits()));
    // In pairs instead of one after the other, so that less has to wait.
    let r2 = r * r;
    let high = (L5 + r * L6) + r2 * L7;
    (octaves, r * ((L1 + r * L2) + r2 * ((L3 + r * L4) + r2 * high)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn level_agrees_with_the_standard_library() {
        let mut power = 1e-20f32;
        while power < 1e8 {
            let exact = 10.0 * f64::from(power).log10();
            // Three units in the last place of 200 dB, one and a half of 60 dB.
            let allowed = if power < 1e-6 { 5e-5 } else { 1e-5 };
            assert!((f64::from(level_db(power)) - exact).abs() < allowed, "{power}");
            power *= 1.000_37;
        }
    }

    #[test]
    fn gain_agrees_with_the_standard_library_and_is_exact_at_zero() {
        for step in -30_000..=30_000 {
            let db = step as f32 / 1000.0;
            let exact = 10f64.powf(f64::from(db) / 20.0);
            assert!((f64::from(gain(db)) / exact - 1.0).abs() < 1e-6, "{db}");
        }
        assert_eq!(gain(0.0), 1.0);
        assert_eq!(gain(-1e-30), 1.0);
    }

    #[test]
    fn exponential_less_one_agrees_with_the_standard_library_near_zero_and_far() {
        for magnitude in -300..=50 {
            for sign in [-1.0, 1.0] {
                let x = sign * 10f32.powf(magnitude as f32 / 30.0);
                let exact = (f64::from(x) * std::f64::consts::LN_2).exp_m1();
                assert!((f64::from(exp2_m1(x)) / exact - 1.0).abs() < 4e-7, "{x}");
            }
        }
        assert_eq!(exp2_m1(0.0), 0.0);
    }

    /// JAES 60(6) 2012, Eq. 7: α = exp(−1/(τ·fs)); values at 48 kHz computed from it in double
    /// precision.
    #[test]
    fn one_pole_coefficients_follow_the_published_definition() {
        for (tau_ms, one_minus_alpha) in [
            (0.1, 1.880_637e-1),
            (1.0, 2.061_782e-2),
            (10.0, 2.081_165e-3),
            (100.0, 2.083_116e-4),
            (1200.0, 1.736_096e-5),
        ] {
            let a = one_pole(tau_ms / 1000.0, 48_000.0);
            assert!((a / one_minus_alpha - 1.0).abs() < 1e-6, "{tau_ms} ms: {a}");
        }
        assert_eq!(one_pole(0.0, 48_000.0), 1.0);
    }
}
