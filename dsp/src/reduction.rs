//! From level to gain reduction: orders curve, lookahead and ballistics. The compressor runs it, and
//! find threshold replays it.

use crate::ballistics::Ballistics;
use crate::curve::Curve;
use crate::frame::{Beside, Frames, Lanes};
use crate::lookahead::Lookahead;
use crate::registers::{Registers, wide};
use crate::settings::Settings;

/// Curve, lookahead and ballistics of left and right.
#[derive(Debug)]
pub(crate) struct Reduction {
    curve: Curve,
    lookahead: Lookahead,
    ballistics: Ballistics,
    /// Least reductions that lead to what is seen ahead, dB.
    least: Lanes,
}

impl Reduction {
    pub(crate) fn new() -> Self {
        Self {
            curve: Curve::new(),
            lookahead: Lookahead::new(),
            ballistics: Ballistics::new(),
            least: Lanes::new(),
        }
    }

    pub(crate) fn prepare(&mut self, rate_hz: f64) {
        self.curve.prepare(rate_hz);
        self.lookahead.prepare(rate_hz);
        self.ballistics.prepare(rate_hz);
    }

    /// Uses the lookahead asked for. The signal has to be forgotten with it.
    pub(crate) fn take_up(&mut self) {
        self.lookahead.take_up();
    }

    pub(crate) fn reset(&mut self) {
        self.curve.reset();
        self.lookahead.reset();
        self.ballistics.reset();
    }

    /// `tempo_bpm` is in quarter notes a minute.
    pub(crate) fn set(&mut self, settings: &Settings, tempo_bpm: Option<f64>) {
        self.curve.set(settings);
        self.set_times(settings, tempo_bpm);
    }

    /// Follows the tempo.
    pub(crate) fn set_times(&mut self, settings: &Settings, tempo_bpm: Option<f64>) {
        self.lookahead.set(settings, tempo_bpm);
        self.ballistics.set(settings, tempo_bpm);
    }

    /// Samples by which the reduction is ahead of the audio it was found from.
    #[inline(always)]
    pub(crate) fn latency(&self) -> usize {
        self.lookahead.latency()
    }

    /// The latency once the lookahead asked for is in use.
    pub(crate) fn next_latency(&self) -> usize {
        self.lookahead.next_latency()
    }

    /// Turns levels into gain reductions, both in dB. The work `beside` is done while the ballistics wait
    /// for themselves; what is left of it comes back.
    pub(crate) fn process<B: Beside>(
        &mut self,
        levels: &Lanes,
        reductions: &mut Lanes,
        len: usize,
        beside: B,
        registers: Registers,
    ) -> B {
        wide!(registers, self.curve.process(levels, reductions, len));
        let mut least = None;
        if self.latency() > 0 {
            wide!(registers, self.lookahead.process(reductions, &mut self.least, len));
            least = Some(&self.least);
        }
        wide!(registers, self.ballistics.process(reductions, least, len, beside))
    }

    /// Lets go of what has died away. To be called where hops end.
    pub(crate) fn settle(&mut self) {
        self.ballistics.settle();
    }

    /// Lets the audio, and the input that it came from, wait for their reduction.
    pub(crate) fn delay(&mut self, audio: &mut Frames, raw: &mut Frames, registers: Registers) {
        if self.latency() > 0 {
            wide!(registers, self.lookahead.delay(audio, raw));
        }
    }
}
