//! Second stage: the key, what the detector hears. Own signal or external, high-passed; the audio
//! itself is not touched.

use crate::filter::{Highpass, HighpassCoefficients, HighpassDesign, PowerAverage};
use crate::frame::{Beside, CHUNK, Frames, Lanes, Stereo, in_pairs, without_fault};
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
    heard: Frames,
    /// In a place of its own, because engines are moved about.
    interleaved: Box<Interleaved>,
}

/// What comes out of the recursions, left and right side by side as they work on them.
#[derive(Debug)]
struct Interleaved {
    heard: [[f64; 2]; CHUNK],
    powers: [[f64; 2]; CHUNK],
    /// One of the two on its way to lanes.
    narrowed: [[f32; 2]; CHUNK],
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
            heard: Frames::new(),
            interleaved: Box::new(Interleaved {
                heard: [[0.0; 2]; CHUNK],
                powers: [[0.0; 2]; CHUNK],
                narrowed: [[0.0; 2]; CHUNK],
            }),
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

    /// What the detector heard in the last block.
    #[inline(always)]
    pub(crate) fn heard(&self) -> &Frames {
        &self.heard
    }

    /// Makes of `audio`, the bus, what the detector [hears](Self::heard); `raw` is the input it came from.
    /// Without an external signal the bus keys itself whatever the source. Each frame goes into
    /// `average` as soon as it is there, so that its recursion runs beside that of the filter; what
    /// comes out of it goes to `powers`.
    #[inline(always)]
    pub(crate) fn process<B: Beside>(
        &mut self,
        audio: &Frames,
        raw: &Frames,
        external: Option<&Frames>,
        average: &mut PowerAverage,
        powers: &mut Lanes,
        beside: B,
    ) -> B {
        let len = audio.len();
        let external = external.filter(|_| self.external.resting() != Some(0.0));
        let as_it_is = external.is_none() && !raw.came_with_fault();
        if !as_it_is {
            self.heard.copy_from(audio);
            for (channel, raw) in self.heard.channels_mut().into_iter().zip(raw.channels()) {
                channel.iter_mut().zip(raw).for_each(|(x, &raw)| *x = without_fault(*x, raw));
            }
        }
        match external {
            Some(external) => self.mix_in(external),
            None => self.external.skip(len),
        }
        let beside = self.high_pass(as_it_is.then_some(audio), average, beside);
        let Interleaved { heard, powers: averaged, narrowed } = &mut *self.interleaved;
        spread(heard, narrowed, self.heard.renew(len), audible);
        spread(averaged, narrowed, powers.renew(len), PowerAverage::reading);
        beside
    }

    /// Mixes an external key into what is to be heard.
    #[inline(always)]
    fn mix_in(&mut self, external: &Frames) {
        let mut shares = [0.0; CHUNK];
        self.external.fill(&mut shares[..external.len()]);
        for (own, external) in self.heard.channels_mut().into_iter().zip(external.channels()) {
            for ((x, &external), share) in own.iter_mut().zip(external).zip(shares) {
                // Without a share nothing is added, as where it rests at none: −0 stays −0.
                if share != 0.0 {
                    *x = *x * (1.0 - share) + without_fault(external, external) * share;
                }
            }
        }
    }

    /// Filters `key`, or what is to be heard.
    #[inline(always)]
    fn high_pass<B: Beside>(
        &mut self,
        key: Option<&Frames>,
        average: &mut PowerAverage,
        beside: B,
    ) -> B {
        let key = key.unwrap_or(&self.heard);
        let (len, key) = (key.len(), key.channels());
        let (filter, out) = (self.filter, &mut self.interleaved);
        let mut run = Run { filter, average: *average, key, out };
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
        beside
    }
}

/// Parts pairs into left and right.
#[inline(always)]
fn spread(
    pairs: &[[f64; 2]; CHUNK],
    narrowed: &mut [[f32; 2]; CHUNK],
    [left, right]: [&mut [f32]; 2],
    narrow: impl Fn(f64) -> f32,
) {
    // Narrowed before they are parted, when there is half as much to be moved about.
    let narrowed = &mut narrowed[..left.len()];
    for (to, &x) in narrowed.as_flattened_mut().iter_mut().zip(pairs.as_flattened()) {
        *to = narrow(x);
    }
    for ((left, right), pair) in left.iter_mut().zip(right).zip(narrowed) {
        [*left, *right] = *pair;
    }
}

/// `x` in f32, where what dies away in the filter is silence before it is subnormal.
#[inline(always)]
fn audible(x: f64) -> f32 {
    const SIGN: u64 = 1 << 63;
    let kept = if x.abs() >= f64::from(f32::MIN_POSITIVE) { u64::MAX } else { SIGN };
    f64::from_bits(x.to_bits() & kept) as f32
}

/// A block on its way through filter and average, whose states are in registers meanwhile.
struct Run<'a> {
    filter: Highpass,
    average: PowerAverage,
    key: Stereo<'a>,
    out: &'a mut Interleaved,
}

impl Run<'_> {
    /// The filter runs even when it is off, so that switching it on does not thump.
    #[inline(always)]
    fn step(&mut self, i: usize, c: &HighpassCoefficients, engaged: f64) {
        let x = f64x2::new(self.key.map(|channel| channel[i].into()));
        let high = self.filter.next(c, x);
        let heard = match engaged {
            0.0 => x,
            1.0 => high,
            _ => x * f64x2::splat(1.0 - engaged) + high * f64x2::splat(engaged),
        };
        self.out.heard[i] = heard.to_array();
        self.out.powers[i] = self.average.next(heard).to_array();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
                // The glide ends while what is left of the higher corner is subnormal in f32.
                if is_switched_off && block == (0.022 * rate_hz) as usize / CHUNK {
                    key.set(&Settings::default().with(Control::KeyHighpass, 0.0));
                }
                let x = if block == 0 { 1.0 } else { 0.0 };
                frames.load(&[x; CHUNK], &[-x; CHUNK]);
                key.process(&frames, &frames, None, &mut average, &mut powers, ());
                let heard = key.heard().channels().concat();
                assert!(!heard.iter().any(|x| x.is_subnormal()), "{corner_hz} Hz at {rate_hz}");
                ended = heard.iter().all(|x| *x == 0.0);
            }
            assert!(ended, "{corner_hz} Hz at {rate_hz}: it goes on");
        }
    }
}
