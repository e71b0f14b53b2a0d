//! Second stage: the key, what the detector hears. Own signal or external, high-passed; the audio
//! itself is not touched.

use crate::filter::{Highpass, HighpassCoefficients, HighpassDesign};
use crate::frame::{Frames, without_fault};
use crate::input::GLIDE_S;
use crate::ramp::Ramp;
use crate::settings::{Control, KEY_HIGHPASS_MIN_HZ, Settings};

/// Key source and key high-pass.
#[derive(Debug)]
pub(crate) struct Key {
    /// Share of the external key, 0 or 1 at rest.
    external: Ramp,
    /// Share of the high-passed signal, 0 or 1 at rest.
    engaged: Ramp,
    /// Way from `from` to `to`, 1 at rest.
    travel: Ramp,
    from: HighpassDesign,
    to: HighpassDesign,
    corner_hz: f32,
    rate_hz: f64,
    filters: [Highpass; 2],
}

impl Key {
    pub(crate) fn new() -> Self {
        let corner_hz = KEY_HIGHPASS_MIN_HZ;
        let rate_hz = 48_000.0;
        let design = HighpassDesign::butterworth(corner_hz.into(), rate_hz);
        Self {
            external: Ramp::new(0.0),
            engaged: Ramp::new(0.0),
            travel: Ramp::new(1.0),
            from: design,
            to: design,
            corner_hz,
            rate_hz,
            filters: [Highpass::default(); 2],
        }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.rate_hz = rate_hz;
        self.to = HighpassDesign::butterworth(self.corner_hz.into(), rate_hz);
        for ramp in [&mut self.external, &mut self.engaged, &mut self.travel] {
            ramp.prepare(rate_hz, GLIDE_S);
        }
    }

    pub(crate) fn reset(&mut self) {
        for ramp in [&mut self.external, &mut self.engaged, &mut self.travel] {
            ramp.snap();
        }
        self.filters = [Highpass::default(); 2];
    }

    pub(crate) fn set(&mut self, settings: &Settings) {
        self.external.set(settings[Control::KeySource]);
        let corner_hz = settings[Control::KeyHighpass];
        let engaged = corner_hz >= KEY_HIGHPASS_MIN_HZ;
        self.engaged.set(f32::from(u8::from(engaged)));
        if engaged && corner_hz != self.corner_hz {
            self.corner_hz = corner_hz;
            self.from = self.from.towards(&self.to, self.travel.value().into());
            self.to = HighpassDesign::butterworth(corner_hz.into(), self.rate_hz);
            self.travel.restart(0.0, 1.0);
        }
    }

    /// Turns `key`, the bus itself, into what the detector hears; `raw` is the input it came from.
    /// Without an external signal the bus keys itself whatever the source.
    pub(crate) fn process(&mut self, key: &mut Frames, raw: &Frames, external: Option<&Frames>) {
        for (channel, raw) in key.channels_mut().into_iter().zip(raw.channels()) {
            channel.iter_mut().zip(raw).for_each(|(x, &raw)| *x = without_fault(*x, raw));
        }
        self.choose_source(key, external);
        self.high_pass(key);
    }

    fn choose_source(&mut self, key: &mut Frames, external: Option<&Frames>) {
        let len = key.len();
        let mut shares = [0.0; crate::frame::CHUNK];
        self.external.fill(&mut shares[..len]);
        let Some(external) = external else { return };
        for (own, external) in key.channels_mut().into_iter().zip(external.channels()) {
            for ((x, &external), share) in own.iter_mut().zip(external).zip(shares) {
                *x = *x * (1.0 - share) + without_fault(external, external) * share;
            }
        }
    }

    fn high_pass(&mut self, key: &mut Frames) {
        let [left, right] = key.channels_mut();
        let [filter_left, filter_right] = &mut self.filters;
        let mut step = |c: &HighpassCoefficients, engaged: f32, l: &mut f32, r: &mut f32| {
            // The filters run even when they are off, so that switching them on does not thump.
            let high = [filter_left.next(c, (*l).into()), filter_right.next(c, (*r).into())];
            *l = *l * (1.0 - engaged) + high[0] as f32 * engaged;
            *r = *r * (1.0 - engaged) + high[1] as f32 * engaged;
        };
        if let (Some(engaged), Some(_)) = (self.engaged.resting(), self.travel.resting()) {
            let coefficients = self.to.coefficients();
            for (l, r) in left.iter_mut().zip(right) {
                step(&coefficients, engaged, l, r);
            }
        } else {
            for (l, r) in left.iter_mut().zip(right) {
                let design = self.from.towards(&self.to, self.travel.next().into());
                step(&design.coefficients(), self.engaged.next(), l, r);
            }
        }
    }
}
