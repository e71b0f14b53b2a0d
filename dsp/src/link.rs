//! Fourth stage: stereo link. Each channel's level moves towards the louder of the two.

use crate::frame::{Lanes, larger};
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

    /// Powers, before their logarithm is taken: linked in full, both channels get the louder one's,
    /// and one logarithm does.
    #[inline(always)]
    pub(crate) fn prepare_powers(&self, powers: &mut Lanes, len: usize) {
        if self.share.resting() == Some(1.0) {
            let [left, right] = powers.apart(len);
            for (l, &mut r) in left.iter_mut().zip(right) {
                *l = larger(*l, r);
            }
            powers.one(len);
        }
    }

    /// Levels in dB, in place.
    #[inline(always)]
    pub(crate) fn process(&mut self, levels: &mut Lanes, len: usize) {
        if levels.alike() {
            self.share.skip(len);
            return;
        }
        let [left, right] = levels.apart(len);
        for (l, r) in left.iter_mut().zip(right) {
            let share = self.share.next();
            // Exact at both ends. The louder one stays as it is to the bit, as both do above.
            if *l < *r {
                *l = *l * (1.0 - share) + *r * share;
            } else if *r < *l {
                *r = *r * (1.0 - share) + *l * share;
            }
        }
    }
}
