//! Meters: what the processing did, as plain data.

use crate::frame::{HOP_S, Stereo, is_fault, is_one_lane, larger, largest, without_fault};
use crate::loudness::{Energy, Hop, MatchState, lufs};
use crate::recovery::Recovery;
use crate::units::{SILENCE_DB, power_to_db};

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
    /// Largest gain reduction within the last complete hop of 20 ms, dB ≥ 0.
    pub gain_reduction_hop_db: f32,
    /// Tempo by which note values are measured, quarter notes a minute; none without one, or when it
    /// is absurd, and then the times in ms stand.
    pub tempo_bpm: Option<f64>,
    /// Beats of the song in a second; none while its place is not known.
    pub beats_per_s: Option<f32>,
    /// How long the gain needed to come back after the last hit; none before there was one.
    pub recovery: Option<Recovery>,
    /// Gain reduction that was left at the first beat after the last hit, dB ≥ 0; none before there
    /// was one. It is the least of the quarter of a beat before, so that what comes on the beat does
    /// not count.
    pub left_at_beat_db: Option<f32>,
    /// Hits since the peaks were cleared.
    pub hits: u32,
    /// Hits since then after which the gain came back 63 % before the next one, and within 10 s.
    pub hits_recovered: u32,
    /// Mean time to come back after those, in seconds; none without any.
    pub recovery_mean_s: Option<f32>,
    /// Mean of what was left at beats since then, dB ≥ 0; none without any.
    pub left_at_beat_mean_db: Option<f32>,
    /// Level of the middle before, averaged over 0.3 s, LUFS.
    pub mid_before_db: f32,
    /// Level of the middle after, likewise.
    pub mid_after_db: f32,
    /// Level of the side before, likewise.
    pub side_before_db: f32,
    /// Level of the side after, likewise.
    pub side_after_db: f32,
    /// Level of the middle before, over the last complete hop of 20 ms, LUFS.
    pub mid_before_hop_db: f32,
    /// Level of the middle after, likewise.
    pub mid_after_hop_db: f32,
    /// Level of the side before, likewise.
    pub side_before_hop_db: f32,
    /// Level of the side after, likewise.
    pub side_after_hop_db: f32,
    /// Short-term loudness (3 s) of the input, LUFS.
    pub loudness_before_lufs: f32,
    /// Short-term loudness (3 s) of the processed output, LUFS.
    pub loudness_after_lufs: f32,
    /// Sample peak of the last 3 s against the short-term loudness of the input, dB; 0 while there
    /// is nothing to measure.
    pub peak_to_loudness_before_db: f32,
    /// The same of the processed output.
    pub peak_to_loudness_after_db: f32,
    /// Correlation of left and right of the input, K-weighted, averaged over 0.3 s, −1 to 1; none
    /// when a channel is silent.
    pub correlation_before: Option<f32>,
    /// The same of the processed output.
    pub correlation_after: Option<f32>,
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
            gain_reduction_hop_db: 0.0,
            tempo_bpm: None,
            beats_per_s: None,
            recovery: None,
            left_at_beat_db: None,
            hits: 0,
            hits_recovered: 0,
            recovery_mean_s: None,
            left_at_beat_mean_db: None,
            mid_before_db: SILENCE_DB,
            mid_after_db: SILENCE_DB,
            side_before_db: SILENCE_DB,
            side_after_db: SILENCE_DB,
            mid_before_hop_db: SILENCE_DB,
            mid_after_hop_db: SILENCE_DB,
            side_before_hop_db: SILENCE_DB,
            side_after_hop_db: SILENCE_DB,
            loudness_before_lufs: SILENCE_DB,
            loudness_after_lufs: SILENCE_DB,
            peak_to_loudness_before_db: 0.0,
            peak_to_loudness_after_db: 0.0,
            correlation_before: None,
            correlation_after: None,
            match_gain_db: 0.0,
            match_state: MatchState::Learning,
            compare_gain_db: 0.0,
        }
    }
}

/// Gain reduction that counts as working, dB.
const WORKING_DB: f32 = 0.1;

/// Reductions are averaged in steps of 1/2¹⁸ dB: the largest, 24 dB, is then less than 2²³ steps, and
/// a block of them less than 2³².
const STEPS_PER_DB: f32 = 262_144.0;
const TO_INTEGER: f32 = 8_388_608.0;

/// Gain reduction now, at most, and on average while working.
#[derive(Debug, Default)]
pub(crate) struct ReductionMeter {
    now_db: f32,
    peak_db: f32,
    /// In steps of 1/[`STEPS_PER_DB`]: sums of integers are the same in any order.
    sum_steps: u64,
    working: u64,
    /// Largest since the hop began.
    into_hop_db: f32,
    /// Largest of the last complete hop.
    hop_db: f32,
}

impl ReductionMeter {
    pub(crate) fn clear(&mut self) {
        (self.peak_db, self.sum_steps, self.working) = (0.0, 0, 0);
    }

    pub(crate) fn reset(&mut self) {
        *self = Self::default();
    }

    #[inline(always)]
    pub(crate) fn process(&mut self, [left, right]: Stereo<'_>) {
        let mut reductions = left.iter().zip(right).map(|(&l, &r)| larger(l, r));
        let (mut sum, mut working) = (0, 0);
        for reduction in reductions.clone() {
            let works = reduction > WORKING_DB;
            // Adding 2²³ leaves the nearest integer in the low bits of the mantissa.
            let steps = (reduction * STEPS_PER_DB + TO_INTEGER).to_bits() - TO_INTEGER.to_bits();
            sum += if works { steps } else { 0 };
            working += u32::from(works);
        }
        self.sum_steps += u64::from(sum);
        self.working += u64::from(working);
        let of_right = if is_one_lane([left, right]) { 0.0 } else { largest(right) };
        let peak = largest(left).max(of_right);
        self.peak_db = self.peak_db.max(peak);
        self.into_hop_db = self.into_hop_db.max(peak);
        self.now_db = reductions.next_back().unwrap_or(self.now_db);
    }

    pub(crate) fn end_hop(&mut self) {
        self.hop_db = std::mem::take(&mut self.into_hop_db);
    }

    pub(crate) fn read(&self, readings: &mut Readings) {
        readings.gain_reduction_db = self.now_db;
        readings.gain_reduction_hop_db = self.hop_db;
        readings.gain_reduction_peak_db = self.peak_db;
        let sum_db = self.sum_steps as f64 / f64::from(STEPS_PER_DB);
        readings.gain_reduction_mean_db =
            if self.working > 0 { (sum_db / self.working as f64) as f32 } else { 0.0 };
    }
}

/// Averaging of mid and side levels, seconds.
const LEVEL_S: f64 = 0.3;
/// Steps of 100 ms in the short-term window of 3 s.
const SHORT_TERM_STEPS: usize = 30;

/// Energy and sample peak of 100 ms.
#[derive(Debug, Clone, Copy, Default)]
struct Step {
    energy: f64,
    peak: f64,
}

/// Mid and side levels, correlation, short-term loudness and peaks, before (0) and after (1).
#[derive(Debug)]
pub(crate) struct LevelMeter {
    levels: [Energy; 2],
    /// Of the last hop alone.
    hops: [Energy; 2],
    steps: [[Step; 2]; SHORT_TERM_STEPS],
    next: usize,
    /// Sample peaks since the last step.
    peaks: [f32; 2],
}

impl LevelMeter {
    pub(crate) fn new() -> Self {
        Self {
            levels: [Energy::default(); 2],
            hops: [Energy::default(); 2],
            steps: [[Step::default(); 2]; SHORT_TERM_STEPS],
            next: 0,
            peaks: [0.0; 2],
        }
    }

    pub(crate) fn reset(&mut self) {
        *self = Self::new();
    }

    /// Follows the peaks, block by block. Tells whether the dry block holds a fault.
    #[inline(always)]
    pub(crate) fn process(&mut self, dry: Stereo<'_>, processed: Stereo<'_>) -> bool {
        let [left, right] = dry;
        let dry_peak = largest(left).max(largest(right));
        if !is_fault(dry_peak) {
            let [left, right] = processed;
            let processed_peak = largest(left).max(largest(right));
            self.peaks = [self.peaks[0].max(dry_peak), self.peaks[1].max(processed_peak)];
            return false;
        }
        for (peak, frames) in self.peaks.iter_mut().zip([dry, processed]) {
            for (channel, dry) in frames.into_iter().zip(dry) {
                let samples = channel.iter().zip(dry).map(|(&x, &dry)| without_fault(x, dry));
                *peak = samples.fold(*peak, |peak, x| peak.max(x.abs()));
            }
        }
        true
    }

    /// `gain` is the linear gain of the processed signal behind the tap.
    pub(crate) fn listen(&mut self, hop: &Hop, gain: f64) {
        let share = 1.0 - (-HOP_S / LEVEL_S).exp();
        let gains = [1.0, gain];
        for ((level, hop), gain) in self.levels.iter_mut().zip([hop.dry, hop.processed]).zip(gains)
        {
            let power = gain * gain;
            level.mid += share * (hop.mid * power - level.mid);
            level.side += share * (hop.side * power - level.side);
            level.cross += share * (hop.cross * power - level.cross);
        }
        let power = gain * gain;
        let after = Energy {
            mid: hop.processed.mid * power,
            side: hop.processed.side * power,
            cross: hop.processed.cross * power,
        };
        self.hops = [hop.dry, after];
        if let Some(energies) = hop.step {
            self.steps[self.next] = std::array::from_fn(|i| Step {
                energy: energies[i] * gains[i] * gains[i],
                peak: f64::from(self.peaks[i]) * gains[i],
            });
            self.next = (self.next + 1) % SHORT_TERM_STEPS;
            self.peaks = [0.0; 2];
        }
    }

    pub(crate) fn read(&self, readings: &mut Readings) {
        let [before, after] = self.levels;
        readings.mid_before_db = lufs(before.mid);
        readings.side_before_db = lufs(before.side);
        readings.mid_after_db = lufs(after.mid);
        readings.side_after_db = lufs(after.side);
        let [before_hop, after_hop] = self.hops;
        readings.mid_before_hop_db = lufs(before_hop.mid);
        readings.side_before_hop_db = lufs(before_hop.side);
        readings.mid_after_hop_db = lufs(after_hop.mid);
        readings.side_after_hop_db = lufs(after_hop.side);
        readings.correlation_before = before.correlation().map(|x| x as f32);
        readings.correlation_after = after.correlation().map(|x| x as f32);
        let [before, after] = [0, 1].map(|i| {
            let steps = || self.steps.iter().map(|step| step[i]);
            let energy = steps().map(|step| step.energy).sum::<f64>() / SHORT_TERM_STEPS as f64;
            let peak = steps().fold(0.0, |peak: f64, step| peak.max(step.peak));
            let peak_to_loudness = if energy > 0.0 && peak > 0.0 {
                power_to_db(peak * peak) as f32 - lufs(energy)
            } else {
                0.0
            };
            (lufs(energy), peak_to_loudness)
        });
        (readings.loudness_before_lufs, readings.peak_to_loudness_before_db) = before;
        (readings.loudness_after_lufs, readings.peak_to_loudness_after_db) = after;
    }
}
