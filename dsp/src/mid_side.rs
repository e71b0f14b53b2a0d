//! Left/right to mid/side: M = (L + R)/2, S = (L − R)/2, so that L = M + S and R = M − S.

/// Middle and side of a frame. Swapping left and right changes the sign of the side, nothing else.
#[inline(always)]
pub(crate) fn mid_side(left: f64, right: f64) -> [f64; 2] {
    [0.5 * (left + right), 0.5 * (left - right)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// L² + R² = 2(M² + S²), an identity.
        #[test]
        fn energy_is_shared_between_mid_and_side(l in -1e3f32..1e3, r in -1e3f32..1e3) {
            let (l, r) = (f64::from(l), f64::from(r));
            let [m, s] = mid_side(l, r);
            prop_assert!((l * l + r * r - 2.0 * (m * m + s * s)).abs() <= 1e-12 * (l * l + r * r));
            prop_assert!((m + s - l).abs() <= 1e-12 && (m - s - r).abs() <= 1e-12);
            prop_assert_eq!(mid_side(r, l), [m, -s]);
        }
    }
}
