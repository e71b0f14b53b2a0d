//! Orders the stages of the dynamics: key, detector, link, what makes the gain reduction, gain.

use crate::detector::Detector;
use crate::frame::{Beside, Frames, Lanes, Stereo};
use crate::gain::Gain;
use crate::key::Key;
use crate::link::Link;
use crate::reduction::Reduction;
use crate::registers::{Registers, wide};
use crate::settings::Settings;

/// A feed-forward stereo compressor.
#[derive(Debug)]
pub(crate) struct Compressor {
    key: Key,
    detector: Detector,
    link: Link,
    reduction: Reduction,
    gain: Gain,
    powers: Lanes,
    levels: Lanes,
    reductions: Lanes,
}

impl Compressor {
    pub(crate) fn new() -> Self {
        Self {
            key: Key::new(),
            detector: Detector::new(),
            link: Link::new(),
            reduction: Reduction::new(),
            gain: Gain::new(),
            powers: Lanes::new(),
            levels: Lanes::new(),
            reductions: Lanes::new(),
        }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.key.prepare(rate_hz);
        self.detector.prepare(rate_hz);
        self.link.prepare(rate_hz);
        self.reduction.prepare(rate_hz);
        self.gain.prepare(rate_hz);
    }

    /// Uses the lookahead asked for. The signal has to be forgotten with it.
    pub(crate) fn take_up(&mut self) {
        self.reduction.take_up();
    }

    pub(crate) fn reset(&mut self) {
        self.key.reset();
        self.detector.reset();
        self.link.reset();
        self.reduction.reset();
        self.gain.reset();
    }

    /// `tempo_bpm` is in quarter notes a minute.
    pub(crate) fn set(&mut self, settings: &Settings, tempo_bpm: Option<f64>) {
        self.key.set(settings);
        self.detector.set(settings);
        self.link.set(settings);
        self.reduction.set(settings, tempo_bpm);
        self.gain.set(settings);
    }

    /// Follows the tempo.
    pub(crate) fn set_times(&mut self, settings: &Settings, tempo_bpm: Option<f64>) {
        self.reduction.set_times(settings, tempo_bpm);
    }

    /// Samples by which the output lags the input.
    #[inline(always)]
    pub(crate) fn latency(&self) -> usize {
        self.reduction.latency()
    }

    /// The latency once the lookahead asked for is in use.
    pub(crate) fn next_latency(&self) -> usize {
        self.reduction.next_latency()
    }

    /// Compresses in place, and delays; `raw` is the input that the audio came from, and is delayed
    /// with it. The work `beside` is done while the ballistics wait for themselves; what is left of it
    /// comes back.
    pub(crate) fn process<B: Beside>(
        &mut self,
        audio: &mut Frames,
        raw: &mut Frames,
        external_key: Option<&Frames>,
        beside: B,
        registers: Registers,
    ) -> B {
        let len = audio.len();
        let Self { key, detector, link, reduction, gain, powers, levels, reductions } = self;
        let average = detector.average();
        let beside =
            wide!(registers, key.process(audio, raw, external_key, average, powers, beside));
        wide!(registers, link.prepare_powers(powers, len));
        wide!(registers, detector.levels(powers, levels, len));
        wide!(registers, link.process(levels, len));
        let beside = reduction.process(levels, reductions, len, beside, registers);
        reduction.delay(audio, raw, registers);
        wide!(registers, gain.process(audio, reductions));
        beside
    }

    /// Lets go of what has died away, before it becomes subnormal. To be called where hops end.
    pub(crate) fn settle(&mut self) {
        self.key.settle();
        self.detector.average().settle();
        self.reduction.settle();
    }

    /// What the detector heard in the last block.
    #[inline(always)]
    pub(crate) fn key_frames(&self) -> &Frames {
        self.key.heard()
    }

    /// Level of left and right behind the link in the last block, dB; not delayed.
    #[inline(always)]
    pub(crate) fn levels(&self) -> Stereo<'_> {
        self.levels.channels(self.key_frames().len())
    }

    /// Gain reduction of left and right in the last block, in time with the audio, dB.
    #[inline(always)]
    pub(crate) fn reductions(&self) -> Stereo<'_> {
        self.reductions.channels(self.key_frames().len())
    }
}
