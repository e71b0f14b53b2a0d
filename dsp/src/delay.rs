//! A delay of whole samples, so that paths of different latency meet sample-aligned.

use crate::frame::Frames;

/// Delays stereo samples; bit for bit the same samples, later.
#[derive(Debug)]
pub(crate) struct Delay {
    lines: [Box<[f32]>; 2],
    length: usize,
    position: usize,
}

impl Delay {
    /// A delay that can be up to `longest` samples long. It starts with none.
    pub(crate) fn new(longest: usize) -> Self {
        let line = || vec![0.0; longest].into();
        Self { lines: [line(), line()], length: 0, position: 0 }
    }

    /// Lets it be up to `longest` samples long, and starts with none.
    pub(crate) fn prepare(&mut self, longest: usize) {
        *self = Self::new(longest);
    }

    /// Sets the length in samples and fills the delay with silence.
    pub(crate) fn restart(&mut self, length: usize) {
        self.length = length;
        self.position = 0;
        self.lines.iter_mut().for_each(|line| line[..length].fill(0.0));
    }

    /// Replaces the samples by those that came [`restart`](Self::restart)'s length before.
    pub(crate) fn process(&mut self, frames: &mut Frames) {
        if self.length == 0 {
            return;
        }
        let mut position = self.position;
        for (channel, line) in frames.channels_mut().into_iter().zip(&mut self.lines) {
            let mut rest = channel;
            position = self.position;
            while !rest.is_empty() {
                let (now, later) = rest.split_at_mut(rest.len().min(self.length - position));
                now.swap_with_slice(&mut line[position..position + now.len()]);
                position = (position + now.len()) % self.length;
                rest = later;
            }
        }
        self.position = position;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::CHUNK;

    #[test]
    fn samples_come_out_as_they_went_in_and_so_much_later() {
        let input: Vec<f32> = (1..=200).map(|n| n as f32).collect();
        for length in [0, 1, 5, CHUNK, 150] {
            let mut delay = Delay::new(150);
            delay.restart(length);
            let mut frames = Frames::new();
            let mut output = Vec::new();
            let mut rest = input.as_slice();
            for block in [1, 64, 3, 60, 64, 8] {
                let now;
                (now, rest) = rest.split_at(block);
                frames.load(now, now);
                delay.process(&mut frames);
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
