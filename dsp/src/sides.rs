//! Two versions of one programme side by side, of which one is heard: for comparisons in which nobody
//! may see which. Each is measured as it would be heard, whichever is.

use crate::frame::CHUNK;
use crate::input::GLIDE_S;
use crate::loudness::{Channels, LoudnessPair, MATCH_LIMIT_DB};
use crate::monitor::CROSSFADE_S;
use crate::ramp::Ramp;
use crate::units::db_to_gain;

/// Cross-fades between two signals in 10 ms, the second at a constant level of its own, and measures
/// the loudness of both. The signals have to be sample-aligned.
///
/// ```
/// use tenon_dsp::{Channels, Sides};
///
/// let mut sides = Sides::new();
/// sides.prepare(48_000.0, Channels::Stereo);
/// sides.hear_second(true);
/// let (mut left, mut right) = (vec![0.5; 960], vec![0.5; 960]);
/// sides.process([&mut left, &mut right], [&mut [0.25; 960], &mut [0.25; 960]]);
/// assert_eq!(left[959], 0.25);
/// ```
#[derive(Debug)]
pub struct Sides {
    /// Linear gain of the second.
    level: Ramp,
    /// Share of the second in what is heard, 0 to 1.
    second: Ramp,
    loudness: LoudnessPair,
}

impl Default for Sides {
    fn default() -> Self {
        Self::new()
    }
}

impl Sides {
    /// Two sides at 48 kHz, stereo; the first is heard.
    pub fn new() -> Self {
        let mut sides = Self {
            level: Ramp::new(1.0),
            second: Ramp::new(0.0),
            loudness: LoudnessPair::new(48_000.0, Channels::Stereo),
        };
        sides.prepare(48_000.0, Channels::Stereo);
        sides
    }

    /// Sets sample rate, in Hz, and channels, and forgets everything: the first is heard, and the
    /// second at its own level. Allocates.
    pub fn prepare(&mut self, rate_hz: f64, channels: Channels) {
        self.loudness = LoudnessPair::new(rate_hz, channels);
        self.level.prepare(rate_hz, GLIDE_S);
        self.second.prepare(rate_hz, CROSSFADE_S);
        self.hear_second(false);
        self.set_level(0.0);
        self.level.snap();
        self.second.snap();
    }

    /// Ends fades and glides, and forgets the signal. Keeps what was measured.
    pub fn reset(&mut self) {
        self.level.snap();
        self.second.snap();
        self.loudness.reset();
    }

    /// Begins a new measurement.
    pub fn measure_anew(&mut self) {
        self.loudness.clear();
    }

    /// Chooses what is heard: the second or the first.
    pub fn hear_second(&mut self, second: bool) {
        self.second.set(f32::from(u8::from(second)));
    }

    /// Whether the first alone is heard, with no fade under way.
    pub fn is_first_alone(&self) -> bool {
        self.second.resting() == Some(0.0)
    }

    /// Sets the level of the second, in dB, −24 to +24. What lies outside is brought within, what is
    /// no number counts as 0 dB.
    pub fn set_level(&mut self, level_db: f32) {
        let level_db = if level_db.is_finite() { level_db } else { 0.0 };
        let level_db = level_db.clamp(-MATCH_LIMIT_DB, MATCH_LIMIT_DB);
        self.level.set(db_to_gain(level_db.into()) as f32);
    }

    /// Integrated loudness of both, in LUFS, by BS.1770-5, over the blocks in which both have
    /// programme since the measurement began. None before there was any.
    pub fn loudness_lufs(&self) -> Option<[f32; 2]> {
        self.loudness.lufs()
    }

    /// How much programme was measured, in seconds.
    pub fn measured_s(&self) -> f32 {
        self.loudness.heard_s()
    }

    /// Takes left and right of both and leaves in `first` what is heard. Should the slices differ in
    /// length, what lies beyond the shortest stays as it is.
    pub fn process(&mut self, first: [&mut [f32]; 2], second: [&mut [f32]; 2]) {
        let [left, right] = first;
        let [other_left, other_right] = second;
        let lengths = [left.len(), right.len(), other_left.len(), other_right.len()];
        let len = lengths.into_iter().min().unwrap_or(0);
        let (mut levels, mut shares) = ([0.0; CHUNK], [0.0; CHUNK]);
        for start in (0..len).step_by(CHUNK) {
            let range = start..len.min(start + CHUNK);
            let (levels, shares) = (&mut levels[..range.len()], &mut shares[..range.len()]);
            self.level.fill(levels);
            self.second.fill(shares);
            for other in [&mut other_left[range.clone()], &mut other_right[range.clone()]] {
                other.iter_mut().zip(&*levels).for_each(|(x, level)| *x *= level);
            }
            self.loudness.add(
                [&left[range.clone()], &right[range.clone()]],
                [&other_left[range.clone()], &other_right[range.clone()]],
            );
            let channels = [
                (&mut left[range.clone()], &other_left[range.clone()]),
                (&mut right[range.clone()], &other_right[range]),
            ];
            for (heard, other) in channels {
                for ((x, &y), &share) in heard.iter_mut().zip(other).zip(&*shares) {
                    // Each alone is passed on as it is.
                    if share == 1.0 {
                        *x = y;
                    } else if share > 0.0 {
                        *x += share * (y - *x);
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(db: f64, frames: usize) -> Vec<f32> {
        let peak = db_to_gain(db);
        (0..frames).map(|n| (peak * (n as f64 * 0.1305).sin()) as f32).collect()
    }

    fn play(sides: &mut Sides, first: &[f32], second: &[f32], block: usize) -> Vec<f32> {
        let (mut left, mut right) = (first.to_vec(), first.to_vec());
        let (mut other_left, mut other_right) = (second.to_vec(), second.to_vec());
        for start in (0..first.len()).step_by(block) {
            let range = start..first.len().min(start + block);
            sides.process(
                [&mut left[range.clone()], &mut right[range.clone()]],
                [&mut other_left[range.clone()], &mut other_right[range]],
            );
        }
        assert_eq!(left, right);
        left
    }

    #[test]
    fn each_side_alone_is_itself_bit_for_bit() {
        let (first, second) = (sine(-6.0, 4_800), sine(-20.0, 4_800));
        let mut sides = Sides::new();
        assert_eq!(play(&mut sides, &first, &second, 777), first);
        sides.hear_second(true);
        sides.reset();
        assert_eq!(play(&mut sides, &first, &second, 777), second);
    }

    #[test]
    fn a_switch_takes_10_ms_and_makes_no_step() {
        let (first, second) = (vec![0.5; 2_000], vec![-0.5; 2_000]);
        let mut sides = Sides::new();
        play(&mut sides, &first, &second, 64);
        for (to, end) in [(true, -0.5), (false, 0.5)] {
            sides.hear_second(to);
            let heard = play(&mut sides, &first, &second, 100);
            let steps = heard.windows(2).map(|pair| (pair[1] - pair[0]).abs());
            assert!(steps.fold(0.0, f32::max) <= 1.0 / 480.0 + 1e-6);
            assert!(heard[479..].iter().all(|x| *x == end));
            assert!(heard[478] != end);
        }
    }

    #[test]
    fn blocks_may_be_cut_anywhere() {
        let (first, second) = (sine(-6.0, 30_000), sine(-12.0, 30_000));
        let cut = |block| {
            let mut sides = Sides::new();
            sides.set_level(3.0);
            sides.hear_second(true);
            (play(&mut sides, &first, &second, block), sides.loudness_lufs())
        };
        let whole = cut(30_000);
        assert!(whole.1.is_some());
        for block in [1, 63, 64, 1_001] {
            assert_eq!(cut(block), whole);
        }
    }

    #[test]
    fn both_are_measured_as_they_would_be_heard_whichever_is() {
        for second in [false, true] {
            let mut sides = Sides::new();
            sides.hear_second(second);
            sides.set_level(2.5);
            sides.reset();
            play(&mut sides, &sine(-20.0, 96_000), &sine(-24.0, 96_000), 512);
            let [a, b] = sides.loudness_lufs().expect("programme");
            assert!((b - a + 1.5).abs() < 1e-3, "{a} {b}");
            // The first block ends after 400 ms, the others follow every 100 ms.
            assert!((sides.measured_s() - 1.7).abs() < 1e-3, "{}", sides.measured_s());
            sides.measure_anew();
            assert_eq!(sides.loudness_lufs(), None);
        }
    }
}
