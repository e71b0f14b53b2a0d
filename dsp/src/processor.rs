//! The one public engine: the stages in order.

use crate::compressor::Compressor;
use crate::delay::Delay;
use crate::frame::{CHUNK, Frames, Lane, hop_length};
use crate::input::{GLIDE_S, Input};
use crate::lookahead;
use crate::loudness::{Channels, Compare, Hop, LoudnessTap, Match, MatchMemory};
use crate::meter::{LevelMeter, Readings, ReductionMeter};
use crate::monitor::{Monitor, Sources};
use crate::output::Output;
use crate::ramp::Ramp;
use crate::recovery::{Beat, RecoveryMeter};
use crate::registers::{Registers, wide};
use crate::saturation::{LONGEST_LATENCY, Saturation};
use crate::settings::{Control, Settings, TEMPOS_BPM};
use crate::units::db_to_gain;

/// Sample rates the engine can be prepared for, in Hz. Its figures hold from 8 kHz to 768 kHz.
pub const SAMPLE_RATES_HZ: std::ops::RangeInclusive<f64> = 1_000.0..=2_000_000.0;

/// A sample rate the engine cannot run at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateError {
    /// The rate that came, in Hz.
    pub rate_hz: f64,
}

impl std::fmt::Display for RateError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "a sample rate of {} Hz cannot be processed; it must lie between {} and {} Hz",
            self.rate_hz,
            SAMPLE_RATES_HZ.start(),
            SAMPLE_RATES_HZ.end()
        )
    }
}

impl std::error::Error for RateError {}

/// A short block of what goes on inside the engine; all slices are of one length. Left comes first.
#[derive(Debug, Clone, Copy)]
pub struct Tapped<'a> {
    /// The bus after the input trim.
    pub dry: [&'a [f32]; 2],
    /// The bus after dynamics and saturation but before makeup, mix, match and output trim, in time
    /// with `dry`. The two are what [`Togetherness`](crate::Togetherness) listens to.
    pub wet: [&'a [f32]; 2],
    /// Level that the gain computer sees, behind detector and link, in dB (full-scale sine: 0 dB). It
    /// does not wait for the [latency](Processor::latency), as `dry` and `wet` do. From it
    /// [`Levels`](crate::Levels) finds a threshold.
    pub levels: [&'a [f32]; 2],
    /// Gain reduction, dB ≥ 0, in time with the audio behind the lookahead: sample by sample that of
    /// `levels`, seen so far ahead.
    pub reductions: [&'a [f32]; 2],
}

/// The engine: a stereo bus compressor with saturation, loudness match, compare, bypass and meters.
///
/// ```
/// use tenon_dsp::{Channels, Control, Processor, Settings};
///
/// let mut processor = Processor::new();
/// processor.prepare(48_000.0, Channels::Stereo)?;
/// processor.set(&Settings::default().with(Control::Threshold, -24.0));
/// processor.reset(); // start at the new settings instead of gliding there
///
/// let (mut left, mut right) = (vec![0.5; 480], vec![0.5; 480]);
/// processor.process(&mut left, &mut right, None);
/// assert!(processor.readings().gain_reduction_db > 0.0);
/// # Ok::<(), tenon_dsp::RateError>(())
/// ```
#[derive(Debug)]
pub struct Processor {
    settings: Settings,
    /// Quarter notes a minute, when there is a sound tempo.
    tempo_bpm: Option<f64>,
    input: Input,
    compressor: Compressor,
    saturation: Saturation,
    output: Output,
    tap: LoudnessTap,
    loudness_match: Match,
    /// Linear gain of the match.
    match_gain: Ramp,
    output_trim: Ramp,
    compare: Compare,
    /// Linear gain of compare, before match and output trim.
    compare_ratio: Ramp,
    monitor: Monitor,
    /// The match stands still, and compare outlives a reset.
    levels_kept: bool,
    reduction_meter: ReductionMeter,
    recovery_meter: RecoveryMeter,
    level_meter: LevelMeter,
    raw: Frames,
    external: Frames,
    /// Delays of `raw`, of the input behind its trim, and of the key, so that all that can be heard or
    /// measured side by side is sample-aligned: by the latency, of which `raw` has waited the lookahead
    /// already.
    delays: [Delay; 3],
    processed: Frames,
    /// Gains of output and compare, sample by sample.
    gains: [Lane; 2],
    rate_hz: f64,
    channels: Channels,
    registers: Registers,
}

impl Default for Processor {
    fn default() -> Self {
        Self::new()
    }
}

impl Processor {
    /// A processor at 48 kHz, stereo, with default settings.
    pub fn new() -> Self {
        let (rate_hz, channels) = (48_000.0, Channels::Stereo);
        let mut processor = Self {
            settings: Settings::default(),
            tempo_bpm: None,
            input: Input::new(),
            compressor: Compressor::new(),
            saturation: Saturation::new(),
            output: Output::new(),
            tap: LoudnessTap::new(rate_hz, channels),
            loudness_match: Match::new(),
            match_gain: Ramp::new(1.0),
            output_trim: Ramp::new(1.0),
            compare: Compare::new(),
            compare_ratio: Ramp::new(1.0),
            monitor: Monitor::new(),
            levels_kept: false,
            reduction_meter: ReductionMeter::default(),
            recovery_meter: RecoveryMeter::new(),
            level_meter: LevelMeter::new(),
            raw: Frames::new(),
            external: Frames::new(),
            delays: std::array::from_fn(|_| Delay::new(0)),
            processed: Frames::new(),
            gains: [[0.0; CHUNK]; 2],
            rate_hz,
            channels,
            registers: Registers::widest(),
        };
        processor.prepare_stages();
        processor
    }

    /// Sets sample rate and channels, and resets.
    ///
    /// # Errors
    /// [`RateError`] when the rate is not a number within [`SAMPLE_RATES_HZ`]; nothing is changed
    /// then.
    pub fn prepare(&mut self, rate_hz: f64, channels: Channels) -> Result<(), RateError> {
        if !SAMPLE_RATES_HZ.contains(&rate_hz) {
            return Err(RateError { rate_hz });
        }
        (self.rate_hz, self.channels) = (rate_hz, channels);
        self.prepare_stages();
        Ok(())
    }

    fn prepare_stages(&mut self) {
        let rate_hz = self.rate_hz;
        self.input.prepare(rate_hz);
        self.compressor.prepare(rate_hz);
        self.saturation.prepare(rate_hz);
        self.output.prepare(rate_hz);
        self.output_trim.prepare(rate_hz, GLIDE_S);
        // A hop long, so that gains found at the end of one hop are reached at the end of the next.
        self.match_gain.set_length(hop_length(rate_hz));
        self.compare_ratio.set_length(hop_length(rate_hz));
        self.monitor.prepare(rate_hz);
        self.recovery_meter.prepare(rate_hz);
        let longest = LONGEST_LATENCY + lookahead::longest(rate_hz);
        self.delays.iter_mut().for_each(|delay| delay.prepare(longest));
        self.set_stages();
        self.reset();
    }

    /// Takes up the quality and the lookahead set last, so [`latency`](Self::latency) may change, and
    /// [forgets](Self::forget) all signal.
    pub fn reset(&mut self) {
        self.compressor.take_up();
        self.saturation.take_up();
        self.forget();
    }

    /// Forgets all signal: filters, envelopes, meters, what compare has heard. Settings that still
    /// glide arrive; quality and lookahead in use stay, and with them the latency. Keeps the settings
    /// and the match, which belong to the song.
    pub fn forget(&mut self) {
        self.input.reset();
        self.compressor.reset();
        self.saturation.reset();
        self.output.reset();
        let (saturation, all) = (self.saturation.latency(), self.latency());
        for (delay, length) in self.delays.iter_mut().zip([saturation, all, all]) {
            delay.restart(length);
        }
        self.tap = LoudnessTap::new(self.rate_hz, self.channels);
        if self.levels_kept {
            self.compare_ratio.snap();
        } else {
            self.compare.reset();
            self.compare_ratio.restart(1.0, 1.0);
        }
        self.match_gain.snap();
        self.output_trim.snap();
        self.monitor.reset();
        self.reduction_meter.reset();
        self.recovery_meter.reset();
        self.level_meter.reset();
    }

    /// Samples until the next hop ends. Readings over a hop change only there.
    pub fn until_hop(&self) -> usize {
        self.tap.until_hop()
    }

    /// Samples by which the output lags the input, whatever is being listened to: the lookahead and
    /// what the quality takes. It changes only in [`prepare`](Self::prepare) and
    /// [`reset`](Self::reset).
    pub fn latency(&self) -> usize {
        self.compressor.latency() + self.saturation.latency()
    }

    /// The [`latency`](Self::latency) after the next [`prepare`](Self::prepare) or
    /// [`reset`](Self::reset), in samples. It differs from the one now while a quality or a lookahead
    /// waits for that.
    pub fn next_latency(&self) -> usize {
        self.compressor.next_latency() + self.saturation.next_latency()
    }

    /// Moves to new settings; what is audible glides, except for quality and lookahead, which wait for
    /// a [`prepare`](Self::prepare) or [`reset`](Self::reset) because latency is constant while
    /// playing. When a control that [affects loudness](Control::affects_loudness) moves, the match
    /// learns anew.
    pub fn set(&mut self, settings: &Settings) {
        if *settings == self.settings {
            return;
        }
        let before = std::mem::replace(&mut self.settings, *settings);
        let moved = Control::ALL
            .into_iter()
            .any(|control| control.affects_loudness() && before[control] != settings[control]);
        if moved {
            self.compare.settings_moved();
        }
        let let_go = before.is_on(Control::MatchHold) && !settings.is_on(Control::MatchHold);
        if settings.is_on(Control::MatchHold) {
            self.loudness_match.hold();
        } else if moved || let_go {
            self.loudness_match.relearn();
        }
        self.set_stages();
    }

    /// The tempo of the song, in quarter notes a minute. Attack and release that are note values glide
    /// to it within 50 ms; without a tempo, or with one outside [`TEMPOS_BPM`], their times in ms
    /// stand. The match goes on: a tempo belongs to the song.
    pub fn set_tempo(&mut self, tempo_bpm: Option<f64>) {
        let tempo_bpm = tempo_bpm.filter(|tempo| TEMPOS_BPM.contains(tempo));
        if tempo_bpm != self.tempo_bpm {
            self.tempo_bpm = tempo_bpm;
            self.compressor.set_times(&self.settings, tempo_bpm);
        }
    }

    /// Where in the song the next sample of the input is, for the [`Readings`] that speak of beats; none
    /// while the song stands still. From there it goes on by itself.
    pub fn set_beat(&mut self, beat: Option<Beat>) {
        // The reductions are in time with the audio that waited for the lookahead.
        let lag_s = self.compressor.latency() as f64 / self.rate_hz;
        let sounding = |beat: Beat| Beat { position: beat.position - lag_s * beat.per_s, ..beat };
        self.recovery_meter.set_beat(beat.map(sounding));
    }

    fn set_stages(&mut self) {
        let settings = self.settings;
        self.input.set(&settings);
        self.compressor.set(&settings, self.tempo_bpm);
        self.saturation.set(&settings);
        self.output.set(&settings);
        self.output_trim.set(db_to_gain(settings[Control::OutputTrim].into()) as f32);
        self.set_match_gain();
        self.monitor.set(&settings);
    }

    fn set_match_gain(&mut self) {
        self.match_gain.set(db_to_gain(self.match_gain_db()) as f32);
    }

    fn match_gain_db(&self) -> f64 {
        let on = self.settings.is_on(Control::LoudnessMatch);
        if on { self.loudness_match.gain_db() } else { 0.0 }
    }

    /// Processes left and right in place. `key` is the external key; without one the own signal
    /// keys whatever the settings say. Samples that are not finite count as silence. Should the slices
    /// differ in length, what lies beyond the shortest stays as it is.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32], key: Option<(&[f32], &[f32])>) {
        self.process_tapped(left, right, key, |_| ());
    }

    /// As [`process`](Self::process), and hands every short block of what goes on inside to `tap`.
    pub fn process_tapped(
        &mut self,
        left: &mut [f32],
        right: &mut [f32],
        key: Option<(&[f32], &[f32])>,
        mut tap: impl FnMut(Tapped<'_>),
    ) {
        let key_len = key.map_or(usize::MAX, |(left, right)| left.len().min(right.len()));
        let len = left.len().min(right.len()).min(key_len);
        let mut start = 0;
        while start < len {
            let end = len.min(start + CHUNK.min(self.tap.until_hop()));
            let key = key.map(|(left, right)| (&left[start..end], &right[start..end]));
            self.process_chunk(&mut left[start..end], &mut right[start..end], key, &mut tap);
            start = end;
        }
    }

    /// One block that does not cross the end of a hop.
    fn process_chunk(
        &mut self,
        left: &mut [f32],
        right: &mut [f32],
        key: Option<(&[f32], &[f32])>,
        tap: &mut impl FnMut(Tapped<'_>),
    ) {
        let registers = self.registers;
        wide!(registers, {
            self.raw.load(left, right);
            self.processed.copy_from(&self.raw);
            self.input.process(&mut self.processed);
            self.delays[1].take_in(&self.processed);
        });
        let external = key.map(|(left, right)| {
            wide!(registers, self.external.load(left, right));
            &self.external
        });
        let (processed, raw) = (&mut self.processed, &mut self.raw);
        let behind = self.tap.behind();
        let behind = self.compressor.process(processed, raw, external, behind, registers).done();
        self.tap.put_back(behind);
        wide!(registers, self.saturation.process(&mut self.processed, &self.raw));
        let [raw, trimmed, key] = &mut self.delays;
        wide!(registers, {
            raw.take_in(&self.raw);
            key.take_in(self.compressor.key_frames());
        });
        let (raw, trimmed) = (raw.delayed(), trimmed.delayed());
        let reductions = self.compressor.reductions();
        tap(Tapped {
            dry: trimmed,
            wet: self.processed.channels(),
            levels: self.compressor.levels(),
            reductions,
        });
        wide!(registers, self.output.process(&mut self.processed, trimmed));
        wide!(registers, self.reduction_meter.process(reductions));
        wide!(registers, self.recovery_meter.process(reductions));
        let processed = self.processed.channels();
        let fault = wide!(registers, self.level_meter.process(raw, processed));
        let hop = wide!(registers, self.tap.process(raw, processed, fault));
        wide!(registers, self.bring_out(left, right));
        if let Some(hop) = hop {
            self.end_hop(&hop);
        }
    }

    /// Match, output trim, and what is listened to.
    #[inline(always)]
    fn bring_out(&mut self, left: &mut [f32], right: &mut [f32]) {
        let len = left.len();
        let [output_gain, compare_gain] = &mut self.gains;
        let resting = self.match_gain.resting().zip(self.output_trim.resting());
        let resting = resting.map(|(gain, trim)| gain * trim);
        if resting.is_none() || self.monitor.compares() {
            self.match_gain.fill(&mut output_gain[..len]);
            let gains = &mut output_gain[..len];
            match self.output_trim.resting() {
                Some(1.0) => {}
                Some(trim) => gains.iter_mut().for_each(|gain| *gain *= trim),
                None => gains.iter_mut().for_each(|gain| *gain *= self.output_trim.next()),
            }
        }
        if self.monitor.compares() {
            self.compare_ratio.fill(&mut compare_gain[..len]);
            let lanes = compare_gain[..len].iter_mut().zip(&*output_gain);
            lanes.for_each(|(ratio, gain)| *ratio *= gain);
        } else {
            self.compare_ratio.skip(len);
        }
        for channel in self.processed.channels_mut() {
            match resting {
                Some(1.0) => {}
                Some(gain) => channel.iter_mut().for_each(|x| *x *= gain),
                None => channel.iter_mut().zip(&*output_gain).for_each(|(x, gain)| *x *= gain),
            }
        }
        let sources = Sources {
            bypass: self.delays[0].delayed(),
            processed: self.processed.channels(),
            compare_gain,
            key: self.delays[2].delayed(),
        };
        self.monitor.process(&sources, left, right);
    }

    /// What is decided every 20 ms.
    fn end_hop(&mut self, hop: &Hop) {
        self.compressor.settle();
        if self.settings.is_on(Control::LoudnessMatch) && !self.levels_kept {
            self.loudness_match.listen(hop);
            self.set_match_gain();
        }
        self.compare.listen(hop);
        self.compare_ratio.set(db_to_gain(self.compare.gain_db()) as f32);
        let gain = f64::from(self.match_gain.value()) * f64::from(self.output_trim.value());
        self.level_meter.listen(hop, gain);
        self.reduction_meter.end_hop();
    }

    /// The meters, as of the last processed sample.
    pub fn readings(&self) -> Readings {
        let to_db = |gain: f32| 20.0 * gain.log10();
        let mut readings = Readings {
            match_gain_db: to_db(self.match_gain.value()),
            match_state: self.loudness_match.state(),
            compare_gain_db: to_db(
                self.compare_ratio.value() * self.match_gain.value() * self.output_trim.value(),
            ),
            ..Readings::default()
        };
        self.reduction_meter.read(&mut readings);
        let recovery = &self.recovery_meter;
        readings.tempo_bpm = self.tempo_bpm;
        readings.beats_per_s = recovery.beats_per_s().map(|beats| beats as f32);
        readings.recovery = recovery.last();
        readings.left_at_beat_db = recovery.left_db();
        let totals = recovery.totals();
        (readings.hits, readings.hits_recovered) = (totals.hits, totals.came_back);
        readings.recovery_mean_s = totals.mean_s();
        readings.left_at_beat_mean_db = totals.left_db();
        self.level_meter.read(&mut readings);
        readings
    }

    /// Starts peak and mean of the gain reduction anew, and the count of hits.
    pub fn clear_peaks(&mut self) {
        self.recovery_meter.clear();
        self.reduction_meter.clear();
    }

    /// What to save of the match.
    pub fn match_memory(&self) -> MatchMemory {
        self.loudness_match.memory()
    }

    /// Takes up a saved match, its gain at once. Call it after [`set`](Self::set), which would
    /// otherwise make it learn anew.
    pub fn restore_match(&mut self, memory: MatchMemory) {
        self.glide_match(memory);
        self.match_gain.snap();
    }

    /// Takes up a saved match while audio runs: its gain glides there within 20 ms. Call it after
    /// [`set`](Self::set), as [`restore_match`](Self::restore_match).
    pub fn glide_match(&mut self, memory: MatchMemory) {
        self.loudness_match.restore(memory);
        if self.settings.is_on(Control::MatchHold) {
            self.loudness_match.hold();
        }
        self.set_match_gain();
    }

    /// Keeps the levels while sides are compared, or lets them go on: while they are kept, the match
    /// stands still without being held, and a [`reset`](Self::reset) does not make compare start
    /// anew. Afterwards the match goes on where it stood.
    pub fn keep_levels(&mut self, keep: bool) {
        self.levels_kept = keep;
    }

    /// Learns the match anew, from the gain it has. A match on hold stays.
    pub fn relearn_match(&mut self) {
        if !self.settings.is_on(Control::MatchHold) {
            self.loudness_match.relearn();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Hits of noise that let go, not the same left and right.
    fn programme() -> [Vec<f32>; 2] {
        let mut state = 1u32;
        let mut noise = move || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (f64::from(state) / f64::from(u32::MAX) * 2.0 - 1.0) as f32
        };
        let frame = |n: usize| {
            let level = (-((n % 9_000) as f32) / 2_000.0).exp();
            [level * noise(), 0.5 * level * noise()]
        };
        let (left, right) = (0..40_000).map(frame).map(|[l, r]| (l, r)).unzip();
        [left, right]
    }

    /// On a machine without wide registers there is only one kind.
    #[test]
    fn the_bits_do_not_depend_on_the_registers() {
        use Control::{Adaptive, Drive, Focus, Lookahead, Quality, SideShare, StereoLink};
        for moved in [
            [(StereoLink, 100.0), (Drive, 0.0), (Adaptive, 0.0)],
            [(StereoLink, 100.0), (Drive, 9.0), (Quality, 2.0)],
            [(StereoLink, 40.0), (SideShare, 50.0), (Adaptive, 70.0)],
            [(Lookahead, 3.0), (Focus, 50.0), (Drive, 3.0)],
        ] {
            let settings = moved
                .into_iter()
                .fold(Settings::default(), |settings, (control, x)| settings.with(control, x))
                .with(Control::Threshold, -30.0);
            let play = |registers| {
                let mut processor = Processor { registers, ..Processor::new() };
                processor.set(&settings);
                processor.reset();
                let [mut left, mut right] = programme();
                processor.process(&mut left, &mut right, None);
                [left, right]
                    .map(|channel| channel.into_iter().map(f32::to_bits).collect::<Vec<_>>())
            };
            let common = play(Registers::Common);
            for registers in Registers::all() {
                assert!(play(registers) == common, "{registers:?}: {moved:?}");
            }
        }
    }
}
