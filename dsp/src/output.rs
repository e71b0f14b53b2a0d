//! Ninth stage: makeup and parallel mix. The dry part is the trimmed input, sample-aligned.

use crate::frame::{Frames, Stereo};
use crate::input::GLIDE_S;
use crate::ramp::Ramp;
use crate::settings::{Control, Settings};
use crate::units::db_to_gain;

/// Makeup, −12 to +24 dB, and mix, 0 to 100 %.
#[derive(Debug)]
pub(crate) struct Output {
    makeup: Ramp,
    mix: Ramp,
}

impl Output {
    pub(crate) const fn new() -> Self {
        Self { makeup: Ramp::new(1.0), mix: Ramp::new(1.0) }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.makeup.prepare(rate_hz, GLIDE_S);
        self.mix.prepare(rate_hz, GLIDE_S);
    }

    pub(crate) fn reset(&mut self) {
        self.makeup.snap();
        self.mix.snap();
    }

    pub(crate) fn set(&mut self, settings: &Settings) {
        self.makeup.set(db_to_gain(settings[Control::Makeup].into()) as f32);
        self.mix.set(settings[Control::Mix] / 100.0);
    }

    /// Turns the compressed signal into the mix of compressed and dry.
    #[inline(always)]
    pub(crate) fn process(&mut self, wet: &mut Frames, dry: Stereo<'_>) {
        let [wet_left, wet_right] = wet.channels_mut();
        let [dry_left, dry_right] = dry;
        // Without dry in it the sum is left out: it would turn −0 into 0, here and not where both rest.
        let of = |dry: f32, wet: f32, mix: f32| match mix {
            1.0 => wet,
            _ => dry * (1.0 - mix) + wet * mix,
        };
        let mut blend = |makeup: f32, mix: f32, i: usize| {
            wet_left[i] = of(dry_left[i], wet_left[i] * makeup, mix);
            wet_right[i] = of(dry_right[i], wet_right[i] * makeup, mix);
        };
        if let (Some(makeup), Some(mix)) = (self.makeup.resting(), self.mix.resting()) {
            if [makeup, mix] == [1.0, 1.0] {
                return;
            }
            for i in 0..dry_left.len() {
                blend(makeup, mix, i);
            }
        } else {
            for i in 0..dry_left.len() {
                blend(self.makeup.next(), self.mix.next(), i);
            }
        }
    }
}
