//! Seventh stage: the gain reduction applied, with the side channel's share of it.
//!
//! With gain g and side gain h, both per channel, L' = g·M + h·S = g·L + (h − g)·S, likewise for R
//! with −S. At a side share of 100 % h = g and this is plain multiplication, bit for bit.

use crate::frame::{Frames, Lanes};
use crate::input::GLIDE_S;
use crate::mid_side::mid_side;
use crate::ramp::Ramp;
use crate::settings::{Control, Settings};
use crate::units::gain;

/// Gain reduction with side share.
#[derive(Debug)]
pub(crate) struct Gain {
    side_share: Ramp,
    /// Linear, of the last block.
    gains: Lanes,
}

impl Gain {
    pub(crate) const fn new() -> Self {
        Self { side_share: Ramp::new(1.0), gains: Lanes::new() }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.side_share.prepare(rate_hz, GLIDE_S);
    }

    pub(crate) fn reset(&mut self) {
        self.side_share.snap();
    }

    pub(crate) fn set(&mut self, settings: &Settings) {
        self.side_share.set(settings[Control::SideShare] / 100.0);
    }

    /// Applies gain reductions, in dB, to the audio.
    #[inline(always)]
    pub(crate) fn process(&mut self, frames: &mut Frames, reductions: &Lanes) {
        let len = frames.len();
        self.gains.take(reductions, len, |reduction| gain(-reduction));
        let (gains, reductions) = (self.gains.channels(len), reductions.channels(len));
        let [left, right] = frames.channels_mut();
        if self.side_share.resting() == Some(1.0) {
            for (channel, gains) in [left, right].into_iter().zip(gains) {
                channel.iter_mut().zip(gains).for_each(|(x, g)| *x *= g);
            }
            return;
        }
        for i in 0..len {
            let share = self.side_share.next();
            if share == 1.0 {
                // As where it rests there, to the sign of nothing.
                left[i] *= gains[0][i];
                right[i] *= gains[1][i];
                continue;
            }
            let [_, side] = mid_side(left[i].into(), right[i].into());
            let side = side as f32;
            let excess = |channel: usize| gain(-reductions[channel][i] * share) - gains[channel][i];
            left[i] = gains[0][i] * left[i] + excess(0) * side;
            right[i] = gains[1][i] * right[i] - excess(1) * side;
        }
    }
}
