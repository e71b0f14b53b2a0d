//! Third stage: the level of the key in dB.
//!
//! A one-pole average of the power, p ← p + a(x² − p), whose window is its time constant (0 follows
//! peaks). The reading is calibrated so that the highest reading over a cycle of a steady 997 Hz
//! sine is the sine's peak level at every window: 0 dB at full scale, the convention of AES17. The
//! average of a sine of peak 1 swings between ½(1 − H) and ½(1 + H) with H = 1/√(1 + (4πfτ)²), so
//! the calibration is 2/(1 + H): 1 for peaks, near 2 from a few milliseconds on.

use crate::frame::{Frames, Lane};
use crate::input::GLIDE_S;
use crate::ramp::Ramp;
use crate::settings::{Control, Settings};
use crate::units::{level_db, one_pole};
use std::f64::consts::PI;

/// The sine both readings agree on, in Hz (AES17).
const REFERENCE_HZ: f64 = 997.0;

/// Least power a level is taken of: −200 dB.
const FLOOR: f32 = 1e-20;

/// Keeps the averages from decaying into subnormal numbers, f32 or f64; far below the floor.
const BIAS: f64 = 1e-30;

/// Peak or power-average level of left and right.
#[derive(Debug)]
pub(crate) struct Detector {
    window_s: f64,
    rate_hz: f64,
    coefficient: f64,
    calibration: Ramp,
    power: [f64; 2],
}

impl Detector {
    pub(crate) const fn new() -> Self {
        Self {
            window_s: 0.0,
            rate_hz: 48_000.0,
            coefficient: 1.0,
            calibration: Ramp::new(1.0),
            power: [0.0; 2],
        }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.rate_hz = rate_hz;
        self.calibration.prepare(rate_hz, GLIDE_S);
        self.update();
    }

    pub(crate) fn reset(&mut self) {
        self.calibration.snap();
        self.power = [0.0; 2];
    }

    pub(crate) fn set(&mut self, settings: &Settings) {
        self.window_s = f64::from(settings[Control::DetectorWindow]) / 1000.0;
        self.update();
    }

    fn update(&mut self) {
        self.coefficient = one_pole(self.window_s, self.rate_hz);
        let swing = 1.0 / (4.0 * PI * REFERENCE_HZ * self.window_s).hypot(1.0);
        self.calibration.set((2.0 / (1.0 + swing)) as f32);
    }

    /// Levels of left and right in dB.
    pub(crate) fn process(&mut self, key: &Frames, levels: &mut [Lane; 2]) {
        let a = self.coefficient;
        let len = key.len();
        // Both recursions in one loop: they do not wait for each other.
        let [left, right] = key.channels();
        let [levels_left, levels_right] = levels;
        let [mut power_left, mut power_right] = self.power;
        for i in 0..len {
            power_left = power_left * (1.0 - a) + a * f64::from(left[i]).powi(2);
            power_right = power_right * (1.0 - a) + a * f64::from(right[i]).powi(2);
            levels_left[i] = power_left as f32;
            levels_right[i] = power_right as f32;
            power_left += BIAS;
            power_right += BIAS;
        }
        self.power = [power_left, power_right];

        let mut calibration = [0.0; crate::frame::CHUNK];
        self.calibration.fill(&mut calibration[..len]);
        for lane in levels {
            for (level, calibration) in lane[..len].iter_mut().zip(calibration) {
                *level = level_db((*level * calibration).max(FLOOR));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::CHUNK;

    /// Highest level in dB over the last stretch of a sine, left channel.
    fn highest_reading(f_hz: f64, amplitude: f64, window_ms: f32, rate_hz: f64) -> f32 {
        let mut detector = Detector::new();
        detector.prepare(rate_hz);
        detector.set(&Settings::default().with(Control::DetectorWindow, window_ms));
        detector.reset();
        let mut frames = Frames::new();
        let mut levels = [[0.0; CHUNK]; 2];
        let mut highest = f32::MIN;
        let settled = (rate_hz * (0.01 + f64::from(window_ms) / 50.0)) as usize / CHUNK;
        for block in 0..settled + 300 {
            let block_of_sine: [f32; CHUNK] = std::array::from_fn(|i| {
                let n = (block * CHUNK + i) as f64;
                (amplitude * (2.0 * PI * f_hz * n / rate_hz).sin()) as f32
            });
            frames.load(&block_of_sine, &block_of_sine);
            detector.process(&frames, &mut levels);
            if block >= settled {
                highest = levels[0].into_iter().fold(highest, f32::max);
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
        let mut frames = Frames::new();
        let mut levels = [[0.0; CHUNK]; 2];
        let mut n = 0;
        let mut check = |until_ms: f64, expected: f64| {
            while (n as f64) < until_ms / 1000.0 * rate {
                // A square wave: its power is 1 in every sample.
                let x = [if n / 24 % 2 == 0 { 1.0 } else { -1.0 }];
                frames.load(&x, &x);
                detector.process(&frames, &mut levels);
                n += 1;
            }
            let calibration = 10.0 * f64::from(detector.calibration.value()).log10();
            let reading = f64::from(levels[0][0]) - calibration;
            assert!((reading - expected).abs() < 0.01, "{until_ms} ms: {reading}");
        };
        for (ms, db) in [(5.0, -13.118), (20.0, -7.416), (50.0, -4.051), (100.0, -1.992)] {
            check(ms, db);
        }
    }
}
