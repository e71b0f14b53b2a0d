//! The one public engine: the stages in order.

use crate::compressor::Compressor;
use crate::delay::Delay;
use crate::frame::{CHUNK, Frames, Lane};
use crate::input::{GLIDE_S, Input};
use crate::loudness::{Channels, Compare, Hop, LoudnessTap, Match, MatchMemory, hop_length};
use crate::meter::{LevelMeter, Readings, ReductionMeter};
use crate::monitor::{Monitor, Sources};
use crate::output::Output;
use crate::ramp::Ramp;
use crate::saturation::{LONGEST_LATENCY, Saturation};
use crate::settings::{Control, Settings};
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
    reduction_meter: ReductionMeter,
    level_meter: LevelMeter,
    raw: Frames,
    external: Frames,
    trimmed: Frames,
    key: Frames,
    /// Delays of `raw`, `trimmed` and `key` by the latency, so that all that can be heard or measured
    /// side by side is sample-aligned.
    delays: [Delay; 3],
    processed: Frames,
    /// Gains of output and compare, sample by sample.
    gains: [Lane; 2],
    rate_hz: f64,
    channels: Channels,
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
            reduction_meter: ReductionMeter::default(),
            level_meter: LevelMeter::new(),
            raw: Frames::new(),
            external: Frames::new(),
            trimmed: Frames::new(),
            key: Frames::new(),
            delays: std::array::from_fn(|_| Delay::new(LONGEST_LATENCY)),
            processed: Frames::new(),
            gains: [[0.0; CHUNK]; 2],
            rate_hz,
            channels,
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
        self.set_stages();
        self.reset();
    }

    /// Forgets all signal: filters, envelopes, meters, what compare has heard. Settings that still
    /// glide arrive, and the quality set last takes effect, so [`latency`](Self::latency) may change.
    /// Keeps the settings and the match, which belong to the song.
    pub fn reset(&mut self) {
        self.input.reset();
        self.compressor.reset();
        self.saturation.reset();
        self.output.reset();
        let latency = self.latency();
        self.delays.iter_mut().for_each(|delay| delay.restart(latency));
        self.tap = LoudnessTap::new(self.rate_hz, self.channels);
        self.compare.reset();
        self.compare_ratio.restart(1.0, 1.0);
        self.match_gain.snap();
        self.output_trim.snap();
        self.monitor.reset();
        self.reduction_meter.reset();
        self.level_meter.reset();
    }

    /// Samples until the next hop ends. Readings over a hop change only there.
    pub fn until_hop(&self) -> usize {
        self.tap.until_hop()
    }

    /// Samples by which the output lags the input, whatever is being listened to. It depends on the
    /// quality alone, and changes only in [`prepare`](Self::prepare) and [`reset`](Self::reset).
    pub fn latency(&self) -> usize {
        self.saturation.latency()
    }

    /// The [`latency`](Self::latency) after the next [`prepare`](Self::prepare) or
    /// [`reset`](Self::reset), in samples.
    pub fn next_latency(&self) -> usize {
        self.saturation.next_latency()
    }

    /// Whether a quality was set that is not yet in use, because latency is constant while playing.
    /// The next [`prepare`](Self::prepare) or [`reset`](Self::reset) takes it up.
    pub fn needs_restart(&self) -> bool {
        self.saturation.needs_restart()
    }

    /// Moves to new settings; what is audible glides, except for the quality, which waits for a
    /// [restart](Self::needs_restart). When a control that
    /// [affects loudness](Control::affects_loudness) moves, the match learns anew.
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

    fn set_stages(&mut self) {
        let settings = self.settings;
        self.input.set(&settings);
        self.compressor.set(&settings);
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
        self.process_tapped(left, right, key, |_, _| ());
    }

    /// As [`process`](Self::process), and hands every short block of dry and wet, left and right, to
    /// `tap`: the bus after the input trim, and after dynamics and saturation but before makeup, mix,
    /// match and output trim, in time with each other. This is what
    /// [`Togetherness`](crate::Togetherness) listens to.
    pub fn process_tapped(
        &mut self,
        left: &mut [f32],
        right: &mut [f32],
        key: Option<(&[f32], &[f32])>,
        mut tap: impl FnMut([&[f32]; 2], [&[f32]; 2]),
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
        tap: &mut impl FnMut([&[f32]; 2], [&[f32]; 2]),
    ) {
        self.raw.load(left, right);
        let external = key.map(|(left, right)| {
            self.external.load(left, right);
            &self.external
        });
        self.trimmed.copy_from(&self.raw);
        self.input.process(&mut self.trimmed);
        self.processed.copy_from(&self.trimmed);
        self.compressor.process(&mut self.processed, &self.raw, external);
        self.saturation.process(&mut self.processed, &self.raw);
        let [raw, trimmed, key] = &mut self.delays;
        raw.process(&mut self.raw);
        trimmed.process(&mut self.trimmed);
        if self.monitor.hears_key() {
            self.key.copy_from(self.compressor.key_frames());
            key.process(&mut self.key);
        } else {
            key.take_in(self.compressor.key_frames());
        }
        tap(self.trimmed.channels(), self.processed.channels());
        self.output.process(&mut self.processed, &self.trimmed);
        self.reduction_meter.process(self.compressor.reductions());
        let fault = self.level_meter.process(&self.raw, &self.processed);
        let hop = self.tap.process(&self.raw, &self.processed, fault);

        let len = left.len();
        let [output_gain, compare_gain] = &mut self.gains;
        self.match_gain.fill(&mut output_gain[..len]);
        if self.output_trim.resting() != Some(1.0) {
            output_gain[..len].iter_mut().for_each(|gain| *gain *= self.output_trim.next());
        }
        if self.monitor.compares() {
            self.compare_ratio.fill(&mut compare_gain[..len]);
            compare_gain.iter_mut().zip(&*output_gain).for_each(|(ratio, gain)| *ratio *= gain);
        } else {
            self.compare_ratio.skip(len);
        }
        for channel in self.processed.channels_mut() {
            channel.iter_mut().zip(&*output_gain).for_each(|(x, gain)| *x *= gain);
        }
        let sources = Sources {
            bypass: &self.raw,
            processed: &self.processed,
            compare_gain,
            key: self.monitor.hears_key().then_some(&self.key),
        };
        self.monitor.process(&sources, left, right);
        if let Some(hop) = hop {
            self.end_hop(&hop);
        }
    }

    /// What is decided every 20 ms.
    fn end_hop(&mut self, hop: &Hop) {
        if self.settings.is_on(Control::LoudnessMatch) {
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
        self.level_meter.read(&mut readings);
        readings
    }

    /// Starts peak and mean of the gain reduction anew.
    pub fn clear_peaks(&mut self) {
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

    /// Learns the match anew, from the gain it has. A match on hold stays.
    pub fn relearn_match(&mut self) {
        if !self.settings.is_on(Control::MatchHold) {
            self.loudness_match.relearn();
        }
    }
}
