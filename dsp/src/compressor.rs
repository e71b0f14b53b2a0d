//! Orders the stages of the dynamics: key, detector, link, curve, ballistics, gain.

use crate::ballistics::Ballistics;
use crate::curve::Curve;
use crate::detector::Detector;
use crate::frame::{CHUNK, Frames, Lane};
use crate::gain::Gain;
use crate::key::Key;
use crate::link::Link;
use crate::settings::Settings;

/// A feed-forward stereo compressor.
#[derive(Debug)]
pub(crate) struct Compressor {
    key: Key,
    detector: Detector,
    link: Link,
    curve: Curve,
    ballistics: Ballistics,
    gain: Gain,
    key_frames: Frames,
    reductions: [Lane; 2],
}

impl Compressor {
    pub(crate) fn new() -> Self {
        Self {
            key: Key::new(),
            detector: Detector::new(),
            link: Link::new(),
            curve: Curve::new(),
            ballistics: Ballistics::new(),
            gain: Gain::new(),
            key_frames: Frames::new(),
            reductions: [[0.0; CHUNK]; 2],
        }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.key.prepare(rate_hz);
        self.detector.prepare(rate_hz);
        self.link.prepare(rate_hz);
        self.curve.prepare(rate_hz);
        self.ballistics.prepare(rate_hz);
        self.gain.prepare(rate_hz);
    }

    pub(crate) fn reset(&mut self) {
        self.key.reset();
        self.detector.reset();
        self.link.reset();
        self.curve.reset();
        self.ballistics.reset();
        self.gain.reset();
    }

    pub(crate) fn set(&mut self, settings: &Settings) {
        self.key.set(settings);
        self.detector.set(settings);
        self.link.set(settings);
        self.curve.set(settings);
        self.ballistics.set(settings);
        self.gain.set(settings);
    }

    /// Compresses in place; `raw` is the input that the audio came from.
    pub(crate) fn process(
        &mut self,
        audio: &mut Frames,
        raw: &Frames,
        external_key: Option<&Frames>,
    ) {
        let len = audio.len();
        self.key_frames.copy_from(audio);
        let average = self.detector.average();
        self.key.process(&mut self.key_frames, raw, external_key, average, &mut self.reductions);
        self.link.prepare_powers(&mut self.reductions, len);
        self.detector.levels(&mut self.reductions, len);
        self.link.process(&mut self.reductions, len);
        self.curve.process(&mut self.reductions, len);
        self.ballistics.process(&mut self.reductions, len);
        self.gain.process(audio, &self.reductions);
    }

    /// What the detector heard in the last block.
    pub(crate) fn key_frames(&self) -> &Frames {
        &self.key_frames
    }

    /// Gain reduction of left and right in the last block, dB.
    pub(crate) fn reductions(&self) -> [&[f32]; 2] {
        let len = self.key_frames.len();
        let [left, right] = &self.reductions;
        [&left[..len], &right[..len]]
    }
}
