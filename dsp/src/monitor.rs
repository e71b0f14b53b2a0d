//! Last stage: what is sent to the output, with a cross-fade of 10 ms between sources.

use crate::frame::{CHUNK, Lane, Stereo, without_subnormal};
use crate::ramp::Ramp;
use crate::settings::{Control, Listen, Settings};

/// Length of the cross-fade in seconds.
pub(crate) const CROSSFADE_S: f64 = 0.01;

/// The signals that can be heard.
pub(crate) struct Sources<'a> {
    /// The input as it came.
    pub(crate) bypass: Stereo<'a>,
    /// The processed signal at its final level.
    pub(crate) processed: Stereo<'a>,
    /// The gain that makes the input as loud as `processed`.
    pub(crate) compare_gain: &'a Lane,
    /// What the detector hears.
    pub(crate) key: Stereo<'a>,
}

/// Chooses and cross-fades. Weights of processed, compare, delta, key and bypass add up to 1.
#[derive(Debug)]
pub(crate) struct Monitor {
    weights: [Ramp; 5],
}

impl Monitor {
    pub(crate) const fn new() -> Self {
        const SILENT: Ramp = Ramp::new(0.0);
        Self { weights: [Ramp::new(1.0), SILENT, SILENT, SILENT, SILENT] }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.weights.iter_mut().for_each(|weight| weight.prepare(rate_hz, CROSSFADE_S));
    }

    pub(crate) fn reset(&mut self) {
        self.weights.iter_mut().for_each(Ramp::snap);
    }

    pub(crate) fn set(&mut self, settings: &Settings) {
        let chosen = if settings.is_on(Control::Bypass) {
            4
        } else {
            match settings.listen() {
                Listen::Output => usize::from(settings.is_on(Control::Compare)),
                Listen::Delta => 2,
                Listen::Key => 3,
            }
        };
        for (i, weight) in self.weights.iter_mut().enumerate() {
            weight.set(f32::from(u8::from(i == chosen)));
        }
    }

    /// Whether what is heard now is, or contains, the input at the level of the processed signal.
    #[inline(always)]
    pub(crate) fn compares(&self) -> bool {
        let [_, compare, delta, ..] = &self.weights;
        [compare, delta].iter().any(|weight| weight.resting() != Some(0.0))
    }

    /// Writes the chosen source to the host's samples.
    #[inline(always)]
    pub(crate) fn process(&mut self, sources: &Sources<'_>, left: &mut [f32], right: &mut [f32]) {
        let resting = self.weights.iter().position(|weight| weight.resting() == Some(1.0));
        let alone = match resting {
            Some(0) => Some(sources.processed),
            Some(3) => Some(sources.key),
            Some(4) => Some(sources.bypass),
            _ => None,
        };
        if let Some(alone) = alone {
            for (samples, out) in alone.into_iter().zip([left, right]) {
                out.iter_mut().zip(samples).for_each(|(out, &y)| *out = without_subnormal(y));
            }
            return;
        }
        let mut weights = [[0.0; CHUNK]; 5];
        for (weight, lane) in self.weights.iter_mut().zip(&mut weights) {
            weight.fill(&mut lane[..left.len()]);
        }
        for (channel, out) in [left, right].into_iter().enumerate() {
            let bypass = sources.bypass[channel];
            let (processed, key) = (sources.processed[channel], sources.key[channel]);
            for (i, out) in out.iter_mut().enumerate() {
                let compare = bypass[i] * sources.compare_gain[i];
                let heard = [processed[i], compare, processed[i] - compare, key[i], bypass[i]];
                // A source alone is passed on as it is, so that bypass is the input bit for bit.
                let alone = resting.or_else(|| weights.iter().position(|weight| weight[i] == 1.0));
                let y = match alone {
                    Some(alone) => heard[alone],
                    // What has no weight may be anything.
                    None => {
                        let parts = heard.iter().zip(&weights).map(|(x, weight)| (x, weight[i]));
                        parts
                            .filter(|(_, weight)| *weight != 0.0)
                            .map(|(x, weight)| x * weight)
                            .sum()
                    }
                };
                // Gains can push tiny samples below the normal range.
                *out = without_subnormal(y);
            }
        }
    }
}
