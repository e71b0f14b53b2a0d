//! Fourth stage: stereo link. Each channel's level moves towards the louder of the two.

use crate::frame::Lane;
use crate::input::GLIDE_S;
use crate::ramp::Ramp;
use crate::settings::{Control, Settings};

/// Stereo link, 0 to 100 %. At 100 % both channels get the level of the louder one.
#[derive(Debug)]
pub(crate) struct Link {
    share: Ramp,
}

impl Link {
    pub(crate) const fn new() -> Self {
        Self { share: Ramp::new(1.0) }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.share.prepare(rate_hz, GLIDE_S);
    }

    pub(crate) fn reset(&mut self) {
        self.share.snap();
    }

    pub(crate) fn set(&mut self, settings: &Settings) {
        self.share.set(settings[Control::StereoLink] / 100.0);
    }

    /// Levels in dB, in place.
    pub(crate) fn process(&mut self, levels: &mut [Lane; 2], len: usize) {
        let mut shares = [0.0; crate::frame::CHUNK];
        self.share.fill(&mut shares[..len]);
        let [left, right] = levels;
        for ((l, r), share) in left[..len].iter_mut().zip(&mut right[..len]).zip(shares) {
            let louder = l.max(*r);
            // Exact at both ends, and the same for left and right.
            *l = *l * (1.0 - share) + louder * share;
            *r = *r * (1.0 - share) + louder * share;
        }
    }
}
