//! Second stage: the key, what the detector hears. Own signal or external, high-passed; the audio
//! itself is not touched.

use crate::filter::{Highpass, HighpassCoefficients, HighpassDesign, PowerAverage};
use crate::frame::{Beside, Frames, Lanes, in_pairs, without_fault, without_subnormal};
use crate::input::GLIDE_S;
use crate::ramp::Ramp;
use crate::settings::{Control, KEY_HIGHPASS_MIN_HZ, Settings};
use wide::f64x2;

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
    /// Of the filter as it runs.
    coefficients: HighpassCoefficients,
    corner_hz: f32,
    rate_hz: f64,
    filter: Highpass,
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
            coefficients: design.coefficients(),
            corner_hz,
            rate_hz,
            filter: Highpass::default(),
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
        self.filter = Highpass::default();
        self.coefficients = self.to.coefficients();
    }

    /// Lets go of what has died away. To be called every 20 ms.
    pub(crate) fn settle(&mut self) {
        self.filter.settle();
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
    /// Without an external signal the bus keys itself whatever the source. Each frame goes into
    /// `average` as soon as it is there, so that its recursion runs beside that of the filter; what
    /// comes out of it goes to `powers`.
    #[inline(always)]
    pub(crate) fn process<B: Beside>(
        &mut self,
        key: &mut Frames,
        raw: &Frames,
        external: Option<&Frames>,
        average: &mut PowerAverage,
        powers: &mut Lanes,
        beside: B,
    ) -> B {
        if raw.has_fault() {
            for (channel, raw) in key.channels_mut().into_iter().zip(raw.channels()) {
                channel.iter_mut().zip(raw).for_each(|(x, &raw)| *x = without_fault(*x, raw));
            }
        }
        self.choose_source(key, external);
        self.high_pass(key, average, powers, beside)
    }

    #[inline(always)]
    fn choose_source(&mut self, key: &mut Frames, external: Option<&Frames>) {
        let len = key.len();
        let external = external.filter(|_| self.external.resting() != Some(0.0));
        let Some(external) = external else {
            self.external.skip(len);
            return;
        };
        let mut shares = [0.0; crate::frame::CHUNK];
        self.external.fill(&mut shares[..len]);
        for (own, external) in key.channels_mut().into_iter().zip(external.channels()) {
            for ((x, &external), share) in own.iter_mut().zip(external).zip(shares) {
                // Without a share nothing is added, as where it rests at none: −0 stays −0.
                if share != 0.0 {
                    *x = *x * (1.0 - share) + without_fault(external, external) * share;
                }
            }
        }
    }

    #[inline(always)]
    fn high_pass<B: Beside>(
        &mut self,
        key: &mut Frames,
        average: &mut PowerAverage,
        powers: &mut Lanes,
        beside: B,
    ) -> B {
        let len = key.len();
        let keys = key.channels_mut();
        let powers = powers.renew(len);
        let mut run = Run { filter: self.filter, average: *average, keys, powers };
        let c = self.coefficients;
        let beside = match (self.travel.resting(), self.engaged.resting()) {
            (Some(_), Some(1.0)) => in_pairs(
                len,
                beside,
                #[inline(always)]
                |i| run.step(i, &c, 1.0),
            ),
            (Some(_), Some(0.0)) => in_pairs(
                len,
                beside,
                #[inline(always)]
                |i| run.step(i, &c, 0.0),
            ),
            (Some(_), _) => in_pairs(
                len,
                beside,
                #[inline(always)]
                |i| run.step(i, &c, self.engaged.next().into()),
            ),
            (None, _) => in_pairs(
                len,
                beside,
                #[inline(always)]
                |i| {
                    let design = self.from.towards(&self.to, self.travel.next().into());
                    let c = design.coefficients();
                    run.filter.retune(&self.coefficients, &c);
                    self.coefficients = c;
                    run.step(i, &c, self.engaged.next().into());
                },
            ),
        };
        (self.filter, *average) = (run.filter, run.average);
        // What dies away in the filter is silence before it is subnormal. Without the filter there is
        // nothing to do, but a block may begin with it and end without.
        let samples = key.channels_mut().into_iter().flatten();
        samples.for_each(|x| *x = without_subnormal(*x));
        beside
    }
}

/// A block on its way through filter and average, whose states are in registers meanwhile.
struct Run<'a> {
    filter: Highpass,
    average: PowerAverage,
    keys: [&'a mut [f32]; 2],
    powers: [&'a mut [f32]; 2],
}

impl Run<'_> {
    /// The filter runs even when it is off, so that switching it on does not thump.
    #[inline(always)]
    fn step(&mut self, i: usize, c: &HighpassCoefficients, engaged: f64) {
        let x = f64x2::new([self.keys[0][i].into(), self.keys[1][i].into()]);
        let high = self.filter.next(c, x);
        let heard = match engaged {
            0.0 => x,
            1.0 => high,
            _ => x * f64x2::splat(1.0 - engaged) + high * f64x2::splat(engaged),
        };
        [self.keys[0][i], self.keys[1][i]] = heard.to_array().map(|x| x as f32);
        [self.powers[0][i], self.powers[1][i]] = self.average.next(heard);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::CHUNK;

    #[test]
    fn what_the_key_filter_leaves_behind_is_never_subnormal() {
        let filters = [(20.0, 48_000.0), (500.0, 48_000.0), (500.0, 768_000.0)];
        for (is_switched_off, (corner_hz, rate_hz)) in
            [false, true].into_iter().flat_map(|off| filters.map(|filter| (off, filter)))
        {
            let mut key = Key::new();
            key.prepare(rate_hz);
            key.set(&Settings::default().with(Control::KeyHighpass, corner_hz));
            key.reset();
            let (mut average, mut powers) = (PowerAverage::new(), Lanes::new());
            let (mut frames, mut ended) = (Frames::new(), false);
            for block in 0..(1.2 * rate_hz) as usize / CHUNK {
                if is_switched_off && block == (0.2 * rate_hz) as usize / CHUNK {
                    key.set(&Settings::default().with(Control::KeyHighpass, 0.0));
                }
                let x = if block == 0 { 1.0 } else { 0.0 };
                frames.load(&[x; CHUNK], &[-x; CHUNK]);
                let raw = frames.clone();
                key.process(&mut frames, &raw, None, &mut average, &mut powers, ());
                let heard = frames.channels().concat();
                assert!(!heard.iter().any(|x| x.is_subnormal()), "{corner_hz} Hz at {rate_hz}");
                ended = heard.iter().all(|x| *x == 0.0);
            }
            assert!(ended, "{corner_hz} Hz at {rate_hz}: it goes on");
        }
    }
}
