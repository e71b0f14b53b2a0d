//! Meters: what the processing did, as plain data.

use crate::loudness::{Energy, HOP_S, Hop, MatchState, lufs};
use crate::units::SILENCE_DB;

/// What the meters show, as plain data.
///
/// Mid and side levels are K-weighted (BS.1770) and on the LUFS scale, so that they speak of what is
/// heard and their power sum is the loudness of the programme. "After" is the processed path at its
/// final level, whatever is being listened to. Silence reads [`SILENCE_DB`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Readings {
    /// Gain reduction now, the larger of left and right, dB ≥ 0.
    pub gain_reduction_db: f32,
    /// Largest gain reduction since the peaks were cleared, dB ≥ 0.
    pub gain_reduction_peak_db: f32,
    /// Mean gain reduction since the peaks were cleared, over the time it exceeded 0.1 dB; dB ≥ 0.
    pub gain_reduction_mean_db: f32,
    /// Level of the middle before, averaged over 0.3 s, LUFS.
    pub mid_before_db: f32,
    /// Level of the middle after, likewise.
    pub mid_after_db: f32,
    /// Level of the side before, likewise.
    pub side_before_db: f32,
    /// Level of the side after, likewise.
    pub side_after_db: f32,
    /// Short-term loudness (3 s) of the input, LUFS.
    pub loudness_before_lufs: f32,
    /// Short-term loudness (3 s) of the processed output, LUFS.
    pub loudness_after_lufs: f32,
    /// Gain the loudness match applies now, dB; 0 while it is off.
    pub match_gain_db: f32,
    /// What the match is doing.
    pub match_state: MatchState,
    /// Gain the compare path applies to the dry signal now, dB.
    pub compare_gain_db: f32,
}

impl Default for Readings {
    fn default() -> Self {
        Self {
            gain_reduction_db: 0.0,
            gain_reduction_peak_db: 0.0,
            gain_reduction_mean_db: 0.0,
            mid_before_db: SILENCE_DB,
            mid_after_db: SILENCE_DB,
            side_before_db: SILENCE_DB,
            side_after_db: SILENCE_DB,
            loudness_before_lufs: SILENCE_DB,
            loudness_after_lufs: SILENCE_DB,
            match_gain_db: 0.0,
            match_state: MatchState::Learning,
            compare_gain_db: 0.0,
        }
    }
}

/// Gain reduction that counts as working, dB.
const WORKING_DB: f32 = 0.1;

/// Gain reduction now, at most, and on average while working.
#[derive(Debug, Default)]
pub(crate) struct ReductionMeter {
    now_db: f32,
    peak_db: f32,
    sum_db: f64,
    working: u64,
}

impl ReductionMeter {
    pub(crate) fn clear(&mut self) {
        *self = Self { now_db: self.now_db, ..Self::default() };
    }

    pub(crate) fn reset(&mut self) {
        *self = Self::default();
    }

    pub(crate) fn process(&mut self, [left, right]: [&[f32]; 2]) {
        for (&l, &r) in left.iter().zip(right) {
            self.now_db = l.max(r);
            self.peak_db = self.peak_db.max(self.now_db);
            if self.now_db > WORKING_DB {
                self.sum_db += f64::from(self.now_db);
                self.working += 1;
            }
        }
    }

    pub(crate) fn read(&self, readings: &mut Readings) {
        readings.gain_reduction_db = self.now_db;
        readings.gain_reduction_peak_db = self.peak_db;
        readings.gain_reduction_mean_db =
            if self.working > 0 { (self.sum_db / self.working as f64) as f32 } else { 0.0 };
    }
}

/// Averaging of mid and side levels, seconds.
const LEVEL_S: f64 = 0.3;
/// Steps of 100 ms in the short-term window of 3 s.
const SHORT_TERM_STEPS: usize = 30;

/// Mid and side levels and short-term loudness, before and after.
#[derive(Debug)]
pub(crate) struct LevelMeter {
    before: Energy,
    after: Energy,
    steps: [[f64; 2]; SHORT_TERM_STEPS],
    next: usize,
}

impl LevelMeter {
    pub(crate) const fn new() -> Self {
        const NOTHING: Energy = Energy { mid: 0.0, side: 0.0 };
        Self { before: NOTHING, after: NOTHING, steps: [[0.0; 2]; SHORT_TERM_STEPS], next: 0 }
    }

    pub(crate) fn reset(&mut self) {
        *self = Self::new();
    }

    /// `gain` is the linear gain of the processed signal behind the tap.
    pub(crate) fn listen(&mut self, hop: &Hop, gain: f64) {
        let share = 1.0 - (-HOP_S / LEVEL_S).exp();
        let power = gain * gain;
        for (level, hop, power) in
            [(&mut self.before, hop.dry, 1.0), (&mut self.after, hop.processed, power)]
        {
            level.mid += share * (hop.mid * power - level.mid);
            level.side += share * (hop.side * power - level.side);
        }
        if let Some([dry, processed]) = hop.step {
            self.steps[self.next] = [dry, processed * power];
            self.next = (self.next + 1) % SHORT_TERM_STEPS;
        }
    }

    pub(crate) fn read(&self, readings: &mut Readings) {
        readings.mid_before_db = lufs(self.before.mid);
        readings.side_before_db = lufs(self.before.side);
        readings.mid_after_db = lufs(self.after.mid);
        readings.side_after_db = lufs(self.after.side);
        let short_term = |i: usize| {
            lufs(self.steps.iter().map(|step| step[i]).sum::<f64>() / SHORT_TERM_STEPS as f64)
        };
        readings.loudness_before_lufs = short_term(0);
        readings.loudness_after_lufs = short_term(1);
    }
}
