//! Orders the stages of the dynamics: key, detector, link, what makes the gain reduction, gain.

use crate::detector::Detector;
use crate::frame::{Beside, CHUNK, Frames, Lane};
use crate::gain::Gain;
use crate::key::Key;
use crate::link::Link;
use crate::reduction::Reduction;
use crate::settings::Settings;

/// A feed-forward stereo compressor.
#[derive(Debug)]
pub(crate) struct Compressor {
    key: Key,
    detector: Detector,
    link: Link,
    reduction: Reduction,
    gain: Gain,
    key_frames: Frames,
    levels: [Lane; 2],
    reductions: [Lane; 2],
}

impl Compressor {
    pub(crate) fn new() -> Self {
        Self {
            key: Key::new(),
            detector: Detector::new(),
            link: Link::new(),
            reduction: Reduction::new(),
            gain: Gain::new(),
            key_frames: Frames::new(),
            levels: [[0.0; CHUNK]; 2],
            reductions: [[0.0; CHUNK]; 2],
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
    ) -> B {
        let len = audio.len();
        self.key_frames.copy_from(audio);
        let average = self.detector.average();
        self.key.process(&mut self.key_frames, raw, external_key, average, &mut self.levels);
        self.link.prepare_powers(&mut self.levels, len);
        self.detector.levels(&mut self.levels, len);
        self.link.process(&mut self.levels, len);
        for (reductions, levels) in self.reductions.iter_mut().zip(&self.levels) {
            reductions[..len].copy_from_slice(&levels[..len]);
        }
        let beside = self.reduction.process(&mut self.reductions, len, beside);
        self.reduction.delay(audio, raw);
        self.gain.process(audio, &self.reductions);
        beside
    }

    /// What the detector heard in the last block.
    pub(crate) fn key_frames(&self) -> &Frames {
        &self.key_frames
    }

    /// Level of left and right behind the link in the last block, dB; not delayed.
    pub(crate) fn levels(&self) -> [&[f32]; 2] {
        self.levels.each_ref().map(|lane| &lane[..self.key_frames.len()])
    }

    /// Gain reduction of left and right in the last block, in time with the audio, dB.
    pub(crate) fn reductions(&self) -> [&[f32]; 2] {
        let len = self.key_frames.len();
        let [left, right] = &self.reductions;
        [&left[..len], &right[..len]]
    }
}
