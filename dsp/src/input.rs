//! First stage: the input trim.

use crate::frame::Frames;
use crate::ramp::Ramp;
use crate::settings::{Control, Settings};
use crate::units::db_to_gain;

/// How long audible gains take to reach a new value, in seconds.
pub(crate) const GLIDE_S: f64 = 0.02;

/// Input trim, −24 to +24 dB.
#[derive(Debug)]
pub(crate) struct Input {
    trim: Ramp,
}

impl Input {
    pub(crate) const fn new() -> Self {
        Self { trim: Ramp::new(1.0) }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.trim.prepare(rate_hz, GLIDE_S);
    }

    pub(crate) fn reset(&mut self) {
        self.trim.snap();
    }

    pub(crate) fn set(&mut self, settings: &Settings) {
        self.trim.set(db_to_gain(settings[Control::InputTrim].into()) as f32);
    }

    #[inline(always)]
    pub(crate) fn process(&mut self, frames: &mut Frames) {
        let [left, right] = frames.channels_mut();
        if let Some(trim) = self.trim.resting() {
            if trim == 1.0 {
                return;
            }
            left.iter_mut().chain(right).for_each(|x| *x *= trim);
        } else {
            for (l, r) in left.iter_mut().zip(right) {
                let trim = self.trim.next();
                *l *= trim;
                *r *= trim;
            }
        }
    }
}
