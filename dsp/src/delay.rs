//! A delay of whole samples, so that paths of different latency meet sample-aligned.

use crate::frame::{CHUNK, Frames, Stereo};

/// Blocks that fit behind each other before the line is moved back to its start.
const BLOCKS: usize = 8;

/// Delays stereo samples; bit for bit the same samples, later.
///
/// What is still to come lies in one piece in each line, from `position` on: blocks are written behind
/// it and read from its front, and nothing wraps around.
#[derive(Debug)]
pub(crate) struct Delay {
    lines: [Box<[f32]>; 2],
    length: usize,
    position: usize,
    /// Samples taken in last.
    block: usize,
}

impl Delay {
    /// A delay that can be up to `longest` samples long. It starts with none.
    pub(crate) fn new(longest: usize) -> Self {
        let line = || vec![0.0; longest + BLOCKS * CHUNK].into();
        Self { lines: [line(), line()], length: 0, position: 0, block: 0 }
    }

    /// Lets it be up to `longest` samples long, and starts with none.
    pub(crate) fn prepare(&mut self, longest: usize) {
        *self = Self::new(longest);
    }

    /// Sets the length in samples and fills the delay with silence.
    pub(crate) fn restart(&mut self, length: usize) {
        self.length = length;
        (self.position, self.block) = (0, 0);
        self.lines.iter_mut().for_each(|line| line[..length].fill(0.0));
    }

    /// Replaces the samples by those that came [`restart`](Self::restart)'s length before.
    #[inline(always)]
    pub(crate) fn process(&mut self, frames: &mut Frames) {
        if self.length == 0 {
            return;
        }
        self.take_in(frames);
        for (samples, delayed) in frames.channels_mut().into_iter().zip(self.delayed()) {
            samples.copy_from_slice(delayed);
        }
    }

    /// Takes in samples as [`process`](Self::process) does, but leaves them as they are.
    #[inline(always)]
    pub(crate) fn take_in(&mut self, frames: &Frames) {
        let len = frames.len();
        if self.position + self.length + len > self.lines[0].len() {
            for line in &mut self.lines {
                line.copy_within(self.position..self.position + self.length, 0);
            }
            self.position = 0;
        }
        for (samples, line) in frames.channels().into_iter().zip(&mut self.lines) {
            line[self.position + self.length..][..len].copy_from_slice(samples);
        }
        self.position += len;
        self.block = len;
    }

    /// The samples that came [`restart`](Self::restart)'s length before those that were taken in last.
    #[inline(always)]
    pub(crate) fn delayed(&self) -> Stereo<'_> {
        self.lines.each_ref().map(|line| &line[self.position - self.block..self.position])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_come_out_as_they_went_in_and_so_much_later() {
        let input: Vec<f32> = (1..=200).map(|n| n as f32).collect();
        for length in [0, 1, 5, 64, 150] {
            let (mut delay, mut unheard) = (Delay::new(150), Delay::new(150));
            delay.restart(length);
            unheard.restart(length);
            let mut frames = Frames::new();
            let mut output = Vec::new();
            let mut rest = input.as_slice();
            for block in [1, 64, 3, 60, 64, 8] {
                let now;
                (now, rest) = rest.split_at(block);
                frames.load(now, now);
                unheard.take_in(&frames);
                delay.process(&mut frames);
                let next = |delay: &Delay| delay.lines[0][delay.position..][..length].to_vec();
                assert_eq!(next(&delay), next(&unheard));
                let [left, right] = frames.channels();
                assert_eq!(left, right);
                output.extend_from_slice(left);
            }
            assert_eq!(output[..length], vec![0.0; length]);
            assert_eq!(output[length..], input[..200 - length]);
            delay.restart(length);
            frames.load(&[7.0; 2], &[7.0; 2]);
            delay.process(&mut frames);
            let fresh =
                if length == 0 { [7.0; 2] } else { [0.0, if length == 1 { 7.0 } else { 0.0 }] };
            assert_eq!(frames.channels()[0], fresh, "what was played before {length} is forgotten");
        }
    }
}
