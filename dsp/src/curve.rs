//! Fifth stage: the gain computer, level in dB to gain reduction in dB. It has no memory of the
//! signal.
//!
//! Giannoulis, Massberg, Reiss, "Digital Dynamic Range Compressor Design", JAES 60(6), 2012, Eq. 4,
//! limited to the range.

use crate::frame::Lanes;
use crate::input::GLIDE_S;
use crate::ramp::Ramp;
use crate::settings::{Control, Settings};

/// The static curve at one moment.
#[derive(Debug, Clone, Copy)]
struct Shape {
    threshold: f32,
    /// 1 − 1/ratio.
    slope: f32,
    knee: f32,
    range: f32,
}

impl Shape {
    /// Gain reduction in dB, ≥ 0, at a level in dB.
    #[inline(always)]
    fn reduction(&self, level: f32) -> f32 {
        let Shape { threshold, slope, knee, range } = *self;
        let half = 0.5 * knee;
        let over = level - threshold;
        let into_knee = (over + half).clamp(0.0, knee);
        let past_knee = (over - half).max(0.0);
        // The quadratic reaches knee/2 at the upper end of the knee, where the line takes over.
        let bend = if knee > 0.0 { into_knee * into_knee / (2.0 * knee) } else { 0.0 };
        (slope * (bend + past_knee)).min(range)
    }
}

/// Threshold, ratio, knee and range.
#[derive(Debug)]
pub(crate) struct Curve {
    threshold: Ramp,
    slope: Ramp,
    knee: Ramp,
    range: Ramp,
}

impl Curve {
    pub(crate) const fn new() -> Self {
        Self {
            threshold: Ramp::new(0.0),
            slope: Ramp::new(0.0),
            knee: Ramp::new(0.0),
            range: Ramp::new(0.0),
        }
    }

    fn ramps(&mut self) -> [&mut Ramp; 4] {
        [&mut self.threshold, &mut self.slope, &mut self.knee, &mut self.range]
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.ramps().into_iter().for_each(|ramp| ramp.prepare(rate_hz, GLIDE_S));
    }

    pub(crate) fn reset(&mut self) {
        self.ramps().into_iter().for_each(Ramp::snap);
    }

    pub(crate) fn set(&mut self, settings: &Settings) {
        self.threshold.set(settings[Control::Threshold]);
        self.slope.set(1.0 - 1.0 / settings[Control::Ratio]);
        self.knee.set(settings[Control::Knee]);
        self.range.set(settings[Control::Range]);
    }

    /// Turns levels into gain reductions.
    #[inline(always)]
    pub(crate) fn process(&mut self, levels: &Lanes, reductions: &mut Lanes, len: usize) {
        if let [Some(threshold), Some(slope), Some(knee), Some(range)] =
            self.ramps().map(|ramp| ramp.resting())
        {
            let shape = Shape { threshold, slope, knee, range };
            reductions.take(levels, len, |level| shape.reduction(level));
        } else {
            let ([left, right], levels) = (reductions.renew(len), levels.channels(len));
            for i in 0..len {
                let [threshold, slope, knee, range] = self.ramps().map(Ramp::next);
                let shape = Shape { threshold, slope, knee, range };
                left[i] = shape.reduction(levels[0][i]);
                right[i] = shape.reduction(levels[1][i]);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn shape(threshold: f32, ratio: f32, knee: f32) -> Shape {
        Shape { threshold, slope: 1.0 - 1.0 / ratio, knee, range: 24.0 }
    }

    /// JAES 60(6) 2012, Eqs 3 and 4: output levels computed from the printed equations in double
    /// precision; threshold −20 dB. Columns: level, then ratio 4 with knee 6, 0 and 12, and ratio 2
    /// with knee 6.
    const PUBLISHED: [(f32, [f32; 4]); 13] = [
        (-40.0, [-40.0, -40.0, -40.0, -40.0]),
        (-30.0, [-30.0, -30.0, -30.0, -30.0]),
        (-23.0, [-23.0, -23.0, -23.28125, -23.0]),
        (-22.0, [-22.0625, -22.0, -22.5, -22.041_67]),
        (-21.0, [-21.25, -21.0, -21.78125, -21.166_67]),
        (-20.0, [-20.5625, -20.0, -21.125, -20.375]),
        (-19.0, [-20.0, -19.75, -20.53125, -19.666_67]),
        (-18.0, [-19.5625, -19.5, -20.0, -19.041_67]),
        (-17.0, [-19.25, -19.25, -19.53125, -18.5]),
        (-14.0, [-18.5, -18.5, -18.5, -17.0]),
        (-10.0, [-17.5, -17.5, -17.5, -15.0]),
        (-6.0, [-16.5, -16.5, -16.5, -13.0]),
        (0.0, [-15.0, -15.0, -15.0, -10.0]),
    ];

    #[test]
    fn static_curve_is_the_published_table() {
        let shapes = [
            shape(-20.0, 4.0, 6.0),
            shape(-20.0, 4.0, 0.0),
            shape(-20.0, 4.0, 12.0),
            shape(-20.0, 2.0, 6.0),
        ];
        for (level, outputs) in PUBLISHED {
            for (shape, output) in shapes.iter().zip(outputs) {
                let got = level - shape.reduction(level);
                assert!(
                    (got - output).abs() < 1e-4,
                    "{shape:?} at {level}: {got}, printed {output}"
                );
            }
        }
    }

    proptest! {
        /// At the threshold the reduction is (1 − 1/R)·W/8, from the same equation.
        #[test]
        fn reduction_at_the_threshold_is_an_eighth_of_the_knee(
            threshold in -60f32..0.0, ratio in 1f32..20.0, knee in 0f32..24.0,
        ) {
            let expected = (1.0 - 1.0 / ratio) * knee / 8.0;
            prop_assert!((shape(threshold, ratio, knee).reduction(threshold) - expected).abs() < 1e-5);
        }

        #[test]
        fn louder_in_is_never_quieter_out(
            threshold in -60f32..0.0, ratio in 1f32..20.0, knee in 0f32..24.0,
            level in -200f32..40.0, step in 0f32..20.0,
        ) {
            let mut shape = shape(threshold, ratio, knee);
            shape.range = f32::INFINITY;
            let out = |x: f32| x - shape.reduction(x);
            prop_assert!(out(level + step) >= out(level) - 2e-5);
        }

        #[test]
        fn reduction_stays_within_zero_and_the_range(
            threshold in -60f32..0.0, ratio in 1f32..20.0, knee in 0f32..24.0, range in 0f32..24.0,
            level in -200f32..60.0,
        ) {
            let shape = Shape { range, ..shape(threshold, ratio, knee) };
            prop_assert!((0.0..=range).contains(&shape.reduction(level)));
        }

        #[test]
        fn ratio_one_never_reduces(threshold in -60f32..0.0, knee in 0f32..24.0, level in -200f32..60.0) {
            prop_assert_eq!(shape(threshold, 1.0, knee).reduction(level), 0.0);
        }
    }
}
