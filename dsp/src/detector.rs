//! Third stage: the level of the key in dB.
//!
//! A one-pole average of the power, p ← p + a(x² − p), whose window is its time constant (0 follows
//! peaks). The reading is calibrated so that the highest reading over a cycle of a steady 997 Hz
//! sine is the sine's peak level at every window: 0 dB at full scale, the convention of AES17. The
//! average of a sine of peak 1 swings between ½(1 − H) and ½(1 + H) with H = 1/√(1 + (4πfτ)²), so
//! the calibration is 2/(1 + H): 1 for peaks, near 2 from a few milliseconds on.

use crate::filter::PowerAverage;
use crate::frame::Lanes;
use crate::input::GLIDE_S;
use crate::ramp::Ramp;
use crate::settings::{Control, Settings};
use crate::units::{level_db, one_pole};
use std::f64::consts::PI;

/// The sine both readings agree on, in Hz (AES17).
const REFERENCE_HZ: f64 = 997.0;

/// Least power a level is taken of: −200 dB.
const FLOOR: f32 = 1e-20;

/// Peak or power-average level of left and right.
#[derive(Debug)]
pub(crate) struct Detector {
    window_s: f64,
    rate_hz: f64,
    calibration: Ramp,
    average: PowerAverage,
}

impl Detector {
    pub(crate) const fn new() -> Self {
        Self {
            window_s: 0.0,
            rate_hz: 48_000.0,
            calibration: Ramp::new(1.0),
            average: PowerAverage::new(),
        }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.rate_hz = rate_hz;
        self.calibration.prepare(rate_hz, GLIDE_S);
        self.update();
    }

    pub(crate) fn reset(&mut self) {
        self.calibration.snap();
        self.average.clear();
    }

    pub(crate) fn set(&mut self, settings: &Settings) {
        self.window_s = f64::from(settings[Control::DetectorWindow]) / 1000.0;
        self.update();
    }

    fn update(&mut self) {
        self.average.set(one_pole(self.window_s, self.rate_hz));
        let swing = 1.0 / (4.0 * PI * REFERENCE_HZ * self.window_s).hypot(1.0);
        self.calibration.set((2.0 / (1.0 + swing)) as f32);
    }

    /// The average, to be fed with the key frame by frame.
    #[inline(always)]
    pub(crate) fn average(&mut self) -> &mut PowerAverage {
        &mut self.average
    }

    /// Turns powers of left and right into levels in dB.
    #[inline(always)]
    pub(crate) fn levels(&mut self, powers: &Lanes, levels: &mut Lanes, len: usize) {
        let level = |power: f32| level_db(if power > FLOOR { power } else { FLOOR });
        if let Some(calibration) = self.calibration.resting() {
            levels.take(powers, len, |power| level(power * calibration));
        } else {
            let ([left, right], powers) = (levels.renew(len), powers.channels(len));
            for i in 0..len {
                let calibration = self.calibration.next();
                left[i] = level(powers[0][i] * calibration);
                right[i] = level(powers[1][i] * calibration);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::CHUNK;
    use crate::units::SILENCE_DB;
    use wide::f64x2;

    /// Levels in dB of a signal that is the same left and right.
    fn levels(detector: &mut Detector, samples: &[f32]) -> Vec<f32> {
        let (mut powers, mut levels) = (Lanes::new(), Lanes::new());
        let [left, right] = powers.renew(samples.len());
        for (i, &x) in samples.iter().enumerate() {
            let powers = detector.average().next(f64x2::splat(x.into()));
            [left[i], right[i]] = powers.to_array().map(PowerAverage::reading);
        }
        detector.levels(&powers, &mut levels, samples.len());
        let [left, right] = levels.channels(samples.len());
        assert_eq!(left, right);
        left.to_vec()
    }

    /// Highest level in dB over the last stretch of a sine, left channel.
    fn highest_reading(f_hz: f64, amplitude: f64, window_ms: f32, rate_hz: f64) -> f32 {
        let mut detector = Detector::new();
        detector.prepare(rate_hz);
        detector.set(&Settings::default().with(Control::DetectorWindow, window_ms));
        detector.reset();
        let mut highest = f32::MIN;
        let settled = (rate_hz * (0.01 + f64::from(window_ms) / 50.0)) as usize / CHUNK;
        for block in 0..settled + 300 {
            let block_of_sine: [f32; CHUNK] = std::array::from_fn(|i| {
                let n = (block * CHUNK + i) as f64;
                (amplitude * (2.0 * PI * f_hz * n / rate_hz).sin()) as f32
            });
            let levels = levels(&mut detector, &block_of_sine);
            if block >= settled {
                highest = levels.into_iter().fold(highest, f32::max);
            }
        }
        highest
    }

    /// AES17: a sine whose peak reaches full scale reads 0 dB FS.
    #[test]
    fn a_steady_sine_reads_its_peak_level_in_every_window() {
        for rate in [44_100.0, 48_000.0, 192_000.0] {
            for window_ms in [0.0, 0.1, 1.0, 5.0, 20.0, 100.0] {
                let reading = highest_reading(997.0, 0.1, window_ms, rate);
                assert!((reading + 20.0).abs() < 0.02, "{window_ms} ms at {rate}: {reading}");
            }
        }
    }

    /// IEC 61672-1 tone bursts by the exponential average they are defined with:
    /// 10·log10(1 − exp(−T/τ)), computed in double precision. Here τ = 100 ms.
    #[test]
    fn a_burst_reads_as_an_exponential_average_of_power_does() {
        let rate = 48_000.0;
        let mut detector = Detector::new();
        detector.prepare(rate);
        detector.set(&Settings::default().with(Control::DetectorWindow, 100.0));
        detector.reset();
        let mut reading = SILENCE_DB;
        let mut n = 0;
        let mut check = |until_ms: f64, expected: f64| {
            while (n as f64) < until_ms / 1000.0 * rate {
                // A square wave: its power is 1 in every sample.
                reading = levels(&mut detector, &[if n / 24 % 2 == 0 { 1.0 } else { -1.0 }])[0];
                n += 1;
            }
            let calibration = 10.0 * f64::from(detector.calibration.value()).log10();
            let reading = f64::from(reading) - calibration;
            assert!((reading - expected).abs() < 0.01, "{until_ms} ms: {reading}");
        };
        for (ms, db) in [(5.0, -13.118), (20.0, -7.416), (50.0, -4.051), (100.0, -1.992)] {
            check(ms, db);
        }
    }
}
