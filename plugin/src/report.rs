//! What a render did, in figures: measured, as a table for people and as JSON for programs.
//!
//! Loudness, true peak and side against mid come from the `ebur128` crate, so that they check the
//! engine's own meters. Knows nothing of files.

use ebur128::{EbuR128, Mode};
use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};
use tenon_dsp::{
    Channels, Control, NoReading, Readings, Settings, TogetherReading, Togetherness, Unit,
};

use crate::files::channel_count;
use crate::text::{fixed, to_text};

/// Measures a programme block by block.
pub struct Meter {
    channels: Channels,
    programme: EbuR128,
    mid: Energy,
    side: Energy,
    /// Sums of L², R² and L·R.
    products: [f64; 3],
}

/// What a [`Meter`] found. A value is none where there is nothing to measure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Integrated loudness by BS.1770 with gating, LUFS.
    pub loudness_lufs: Option<f64>,
    /// True peak by BS.1770, the larger of left and right, dBTP. From 192 kHz on it is the sample
    /// peak, as samples lie densely enough there.
    pub true_peak_dbtp: Option<f64>,
    /// K-weighted energy of the side against that of the mid over the whole programme, without
    /// gating, dB. Mid is half the sum of left and right, side half the difference. Mono has no side.
    pub side_mid_db: Option<f64>,
    /// Correlation of left and right over the whole programme, −1 to 1; none when one is silent, and of
    /// mono.
    pub correlation: Option<f64>,
}

impl Measured {
    /// True peak above integrated loudness, dB.
    pub fn peak_to_loudness_db(&self) -> Option<f64> {
        self.true_peak_dbtp.zip(self.loudness_lufs).map(|(peak, loudness)| peak - loudness)
    }
}

impl Meter {
    /// A meter that has heard nothing.
    ///
    /// # Panics
    /// When the sample rate lies outside 16 Hz to 2 822 400 Hz.
    pub fn new(rate_hz: u32, channels: Channels) -> Self {
        Self {
            channels,
            programme: EbuR128::new(
                channel_count(channels).into(),
                rate_hz,
                Mode::I | Mode::TRUE_PEAK,
            )
            .expect(RATE),
            mid: Energy::new(rate_hz),
            side: Energy::new(rate_hz),
            products: [0.0; 3],
        }
    }

    /// Adds frames, of mono the left ones.
    ///
    /// # Panics
    /// When the slices differ in length.
    pub fn add(&mut self, left: &[f32], right: &[f32]) {
        let added = match self.channels {
            Channels::Mono => self.programme.add_frames_f32(left),
            Channels::Stereo => self.programme.add_frames_planar_f32(&[left, right]),
        };
        added.expect("left and right have one length");
        if self.channels == Channels::Mono {
            return;
        }
        let pairs = || left.iter().zip(right);
        self.mid.add(pairs().map(|(l, r)| 0.5 * (l + r)));
        self.side.add(pairs().map(|(l, r)| 0.5 * (l - r)));
        for (&l, &r) in pairs() {
            let (l, r) = (f64::from(l), f64::from(r));
            for (sum, product) in self.products.iter_mut().zip([l * l, r * r, l * r]) {
                *sum += product;
            }
        }
    }

    /// The figures of what was added.
    pub fn finish(mut self) -> Measured {
        let loudness = self.programme.loudness_global().expect(MODE);
        let peak = |channel| self.programme.true_peak(channel).expect(MODE);
        let peak = match self.channels {
            Channels::Mono => peak(0),
            Channels::Stereo => peak(0).max(peak(1)),
        };
        let peak_db = 20.0 * peak.log10();
        let (mid_db, side_db) = (self.mid.level_db(), self.side.level_db());
        let [left, right, both] = self.products;
        let correlation = both / (left * right).sqrt();
        Measured {
            loudness_lufs: Some(loudness).filter(|l| l.is_finite()),
            true_peak_dbtp: Some(peak_db).filter(|p| p.is_finite()),
            side_mid_db: side_db.zip(mid_db).map(|(side, mid)| side - mid),
            correlation: Some(correlation).filter(|c| c.is_finite()),
        }
    }
}

const RATE: &str = "the sample rate lies within what can be measured";
const MODE: &str = "the meter was made for this figure";

/// K-weighted energy of one channel over the whole programme.
struct Energy {
    weighted: EbuR128,
    /// Samples of one window; the crate reads out the last 400 ms, so windows of just that length
    /// side by side make up the whole.
    window: usize,
    waiting: Vec<f32>,
    sum: f64,
    windows: u64,
}

impl Energy {
    fn new(rate_hz: u32) -> Self {
        // The crate's own rounding of 100 ms.
        let window = (rate_hz as usize + 5) / 10 * 4;
        Self {
            weighted: EbuR128::new(1, rate_hz, Mode::M).expect(RATE),
            window,
            waiting: Vec::with_capacity(window),
            sum: 0.0,
            windows: 0,
        }
    }

    fn add(&mut self, samples: impl Iterator<Item = f32>) {
        for sample in samples {
            self.waiting.push(sample);
            if self.waiting.len() == self.window {
                self.close_window();
            }
        }
    }

    fn close_window(&mut self) {
        self.weighted.add_frames_f32(&self.waiting).expect(MODE);
        self.waiting.clear();
        let loudness = self.weighted.loudness_momentary().expect(MODE);
        self.sum += 10f64.powf(loudness / 10.0);
        self.windows += 1;
    }

    /// Mean level in dB; none below what counts as silence.
    fn level_db(&mut self) -> Option<f64> {
        if !self.waiting.is_empty() {
            self.waiting.resize(self.window, 0.0);
            self.close_window();
        }
        let level = 10.0 * (self.sum / self.windows as f64).log10();
        Some(level).filter(|&level| level > f64::from(tenon_dsp::SILENCE_DB))
    }
}

/// What a render did. The JSON has these names and nests as the structs do; figures without a
/// value are null.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    /// Version of the program.
    pub version: &'static str,
    /// Files that were summed.
    pub inputs: Vec<String>,
    /// File of the external key.
    pub key: Option<String>,
    /// File that was written.
    pub output: String,
    /// Preset that the settings started from.
    pub preset: Option<&'static str>,
    /// A value for every control: numbers in the control's unit, choices by name.
    #[serde(serialize_with = "settings_by_id")]
    pub settings: Settings,
    /// Gain reduction.
    pub gain_reduction: GainReduction,
    /// How the gain comes back after hits.
    pub recovery: RecoveryReport,
    /// Loudness match.
    #[serde(rename = "match")]
    pub loudness_match: Match,
    /// Before and after.
    #[serde(flatten)]
    pub figures: Figures,
}

/// How two files compare. The JSON as in [`Report`].
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Version of the program.
    pub version: &'static str,
    /// The file from before.
    pub before: String,
    /// The file from after.
    pub after: String,
    /// Before and after.
    #[serde(flatten)]
    pub figures: Figures,
}

/// What changed between two signals.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Figures {
    /// Integrated loudness.
    pub loudness: Loudness,
    /// True peak.
    pub true_peak: TruePeak,
    /// Peak to loudness.
    pub peak_to_loudness: PeakToLoudness,
    /// Side against mid.
    pub side_mid: SideMid,
    /// Correlation of left and right.
    pub correlation: Correlation,
    /// Togetherness.
    pub togetherness: TogetherReport,
}

impl Figures {
    /// From what was measured.
    pub fn new(before: &Measured, after: &Measured, togetherness: TogetherReport) -> Self {
        Self {
            loudness: Loudness {
                before_lufs: before.loudness_lufs,
                after_lufs: after.loudness_lufs,
            },
            true_peak: TruePeak {
                before_dbtp: before.true_peak_dbtp,
                after_dbtp: after.true_peak_dbtp,
            },
            peak_to_loudness: PeakToLoudness {
                before_db: before.peak_to_loudness_db(),
                after_db: after.peak_to_loudness_db(),
            },
            side_mid: SideMid { before_db: before.side_mid_db, after_db: after.side_mid_db },
            correlation: Correlation { before: before.correlation, after: after.correlation },
            togetherness,
        }
    }

    /// Rows of a table: what has a value before and one after, under a heading.
    fn pairs(&self) -> String {
        let row = |name, before: &str, after: &str| format!("{name:<16}{before:>13}{after:>13}\n");
        let pair =
            |name, unit, before, after| row(name, &figure(before, unit), &figure(after, unit));
        [
            row("", "before", "after"),
            pair("Loudness", "LUFS", self.loudness.before_lufs, self.loudness.after_lufs),
            pair("True peak", "dBTP", self.true_peak.before_dbtp, self.true_peak.after_dbtp),
            pair(
                "Peak/loudness",
                "dB",
                self.peak_to_loudness.before_db,
                self.peak_to_loudness.after_db,
            ),
            pair("Side/mid", "dB", self.side_mid.before_db, self.side_mid.after_db),
            pair("Correlation", "", self.correlation.before, self.correlation.after),
        ]
        .concat()
    }
}

/// Gain reduction, dB ≥ 0.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct GainReduction {
    /// The largest.
    pub max_db: f64,
    /// The mean over the time it exceeded 0.1 dB; none when it never did.
    pub mean_db: Option<f64>,
    /// The typical maximum: the largest within a second, averaged over the middle half of the seconds;
    /// none with less than 2 s of signal. See [`TypicalReduction`](tenon_dsp::TypicalReduction).
    pub typical_max_db: Option<f64>,
    /// The typical maximum that the threshold was found for; none when it was set.
    pub target_db: Option<f32>,
}

/// How the gain came back after hits, from the reductions as they were; see
/// [`Recovery`](tenon_dsp::Recovery).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RecoveryReport {
    /// Tempo, quarter notes a minute; none when nobody named one.
    pub tempo_bpm: Option<f64>,
    /// Hits of the gain reduction.
    pub hits: u32,
    /// Hits after which it came back 63 % before the next one, and within 10 s.
    pub hits_recovered: u32,
    /// Mean time that took, seconds; none without such a hit.
    pub mean_s: Option<f64>,
    /// The same in beats; none without a tempo.
    pub mean_beats: Option<f64>,
    /// Mean gain reduction left at the first beat after a hit, dB ≥ 0; none without a tempo.
    pub left_at_beat_db: Option<f64>,
}

impl RecoveryReport {
    /// From the engine's readings.
    pub fn new(readings: &Readings) -> Self {
        let mean_s = readings.recovery_mean_s.map(f64::from);
        let beats_per_s = readings.beats_per_s.map(f64::from);
        Self {
            tempo_bpm: readings.tempo_bpm,
            hits: readings.hits,
            hits_recovered: readings.hits_recovered,
            mean_s,
            mean_beats: mean_s.zip(beats_per_s).map(|(s, per_s)| s * per_s),
            left_at_beat_db: readings.left_at_beat_mean_db.map(f64::from),
        }
    }

    fn line(&self) -> String {
        let Self { hits, hits_recovered, mean_s, mean_beats, left_at_beat_db, .. } = *self;
        let value = match mean_beats {
            Some(beats) => figure(Some(beats), "beats"),
            None => figure(mean_s, "s"),
        };
        let first = match (hits, hits_recovered) {
            (0, _) => "no hit that came to an end".to_owned(),
            (hits, 0) => format!(
                "until 63 % were back: after none of {}; they ended with the next or after 10 s",
                hits_in_words(hits)
            ),
            _ if hits_recovered < hits => format!(
                "until 63 % were back, on average after {hits_recovered} of {hits} hits; the other {} ended with the next or after 10 s",
                hits - hits_recovered
            ),
            _ => format!("until 63 % were back, on average after {}", hits_in_words(hits)),
        };
        let left = left_at_beat_db.map_or_else(String::new, |left_db| {
            format!("; {} left at the next beat", figure(Some(left_db), "dB"))
        });
        line("Recovery", &value, &(first + &left))
    }
}

/// So many hits, in words.
fn hits_in_words(hits: u32) -> String {
    format!("{hits} {}", if hits == 1 { "hit" } else { "hits" })
}

/// Integrated loudness; see [`Measured::loudness_lufs`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Loudness {
    /// Of the summed inputs.
    pub before_lufs: Option<f64>,
    /// Of the output.
    pub after_lufs: Option<f64>,
}

/// True peak; see [`Measured::true_peak_dbtp`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TruePeak {
    /// Of the summed inputs.
    pub before_dbtp: Option<f64>,
    /// Of the output.
    pub after_dbtp: Option<f64>,
}

/// Loudness match.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Match {
    /// Its constant gain, dB; none while it is off.
    pub gain_db: Option<f64>,
    /// Loudness after, less the output trim, minus loudness before, LU; none when the output is
    /// not the matched signal.
    pub error_lu: Option<f64>,
}

/// Side against mid; see [`Measured::side_mid_db`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SideMid {
    /// Of the summed inputs.
    pub before_db: Option<f64>,
    /// Of the output.
    pub after_db: Option<f64>,
}

/// True peak above integrated loudness, dB.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PeakToLoudness {
    /// Of the summed inputs.
    pub before_db: Option<f64>,
    /// Of the output.
    pub after_db: Option<f64>,
}

/// Correlation of left and right; see [`Measured::correlation`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Correlation {
    /// Of the summed inputs.
    pub before: Option<f64>,
    /// Of the output.
    pub after: Option<f64>,
}

/// How far the processing moved all parts together, as means of the readings every half second; see
/// [`TogetherReading`]. High is not better.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TogetherReport {
    /// Togetherness, 0 to 100 %; none when there was never a reading.
    pub percent: Option<f64>,
    /// How far the parts got the same movement, 0 to 1.
    pub shared: Option<f64>,
    /// Size of the movement in common, dB.
    pub movement_db: Option<f64>,
    /// How far the parts of the dry programme move together by themselves, 0 to 100 %.
    pub programme_percent: Option<f64>,
    /// Why there was never a reading.
    pub no_reading: Option<String>,
    /// The reading over time.
    pub series: Vec<TogetherPoint>,
}

/// Togetherness at a moment.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TogetherPoint {
    /// Time from the start of the programme, seconds.
    pub time_s: f64,
    /// Togetherness, 0 to 100 %; none when there is no reading.
    pub percent: Option<f64>,
}

/// Follows togetherness through a programme.
pub struct TogetherMeter {
    togetherness: Togetherness,
    rate_hz: f64,
    frames: u64,
    readings: Vec<Result<TogetherReading, NoReading>>,
}

impl TogetherMeter {
    /// Seconds between readings.
    const EVERY_S: f64 = 0.5;

    /// A meter that has heard nothing.
    ///
    /// # Panics
    /// When the engine does not run at the rate.
    pub fn new(rate_hz: u32) -> Self {
        let rate_hz = f64::from(rate_hz);
        let togetherness = Togetherness::new(rate_hz).expect(RATE);
        Self { togetherness, rate_hz, frames: 0, readings: Vec::new() }
    }

    /// Adds frames, left and right, of the bus before and after dynamics and saturation; all of one
    /// length.
    pub fn add(&mut self, dry: [&[f32]; 2], wet: [&[f32]; 2]) {
        let len = dry[0].len();
        let mut start = 0;
        while start < len {
            let next = (self.time_s(self.readings.len()) * self.rate_hz).ceil() as u64;
            let end = len.min(start + (next - self.frames) as usize);
            let [dry, wet] = [dry, wet].map(|signal| signal.map(|channel| &channel[start..end]));
            self.togetherness.add(dry, wet);
            self.frames += (end - start) as u64;
            if self.frames == next {
                self.readings.push(self.togetherness.reading());
            }
            start = end;
        }
    }

    fn time_s(&self, point: usize) -> f64 {
        (point + 1) as f64 * Self::EVERY_S
    }

    /// The report of what was added.
    pub fn finish(self) -> TogetherReport {
        let found = || self.readings.iter().flatten();
        let count = found().count() as f64;
        let mean = |of: fn(&TogetherReading) -> f32| {
            (count > 0.0)
                .then(|| found().map(|reading| f64::from(of(reading))).sum::<f64>() / count)
        };
        // The one that was met most often.
        let reasons = || self.readings.iter().filter_map(|reading| reading.as_ref().err());
        let met = |reason: &NoReading| reasons().filter(|met| *met == reason).count();
        let reason = || reasons().max_by_key(|reason| met(reason)).copied();
        TogetherReport {
            percent: mean(|reading| reading.percent),
            shared: mean(|reading| reading.shared),
            movement_db: mean(|reading| reading.movement_db),
            programme_percent: mean(|reading| reading.programme_percent),
            no_reading: (count == 0.0).then(|| reason().unwrap_or(NoReading::TooShort).to_string()),
            series: (self.readings.iter().enumerate())
                .map(|(point, reading)| TogetherPoint {
                    time_s: self.time_s(point),
                    percent: reading.ok().map(|reading| reading.percent.into()),
                })
                .collect(),
        }
    }
}

fn settings_by_id<S: Serializer>(settings: &Settings, serializer: S) -> Result<S::Ok, S::Error> {
    let mut map = serializer.serialize_map(Some(Control::ALL.len()))?;
    for control in Control::ALL {
        let value = settings[control];
        let spec = control.spec();
        match spec.unit {
            Unit::Choice(_) => map.serialize_entry(spec.id, &to_text(control, value))?,
            _ => map.serialize_entry(spec.id, &value)?,
        }
    }
    map.end()
}

impl Report {
    /// The figures as a table with units.
    pub fn table(&self) -> String {
        let reduction = &self.gain_reduction;
        let [typical, mean] =
            [reduction.typical_max_db, reduction.mean_db].map(|value| figure(value, "dB"));
        let threshold_db = f64::from(self.settings[Control::Threshold]);
        let error = figure(self.loudness_match.error_lu, "LU");
        [
            self.figures.pairs(),
            line(
                "Gain reduction",
                &figure(Some(reduction.max_db), "dB"),
                &format!("at most, {typical} typical maximum, {mean} on average while it worked"),
            ),
            match reduction.target_db {
                Some(target) => line(
                    "Threshold",
                    &figure(Some(threshold_db), "dB"),
                    &format!(
                        "found for {} of typical maximum reduction",
                        figure(Some(target.into()), "dB")
                    ),
                ),
                None => String::new(),
            },
            self.recovery.line(),
            match self.loudness_match.gain_db {
                Some(gain) => line(
                    "Loudness match",
                    &figure(Some(gain), "dB"),
                    &format!("throughout, error {error}"),
                ),
                None => line("Loudness match", "off", ""),
            },
            self.figures.togetherness.line(),
        ]
        .concat()
    }

    /// The report as JSON, with a line end.
    pub fn json(&self) -> String {
        json(self)
    }
}

impl Comparison {
    /// The figures as a table with units.
    pub fn table(&self) -> String {
        self.figures.pairs() + &self.figures.togetherness.line()
    }

    /// The comparison as JSON, with a line end.
    pub fn json(&self) -> String {
        json(self)
    }
}

fn json(report: &impl Serialize) -> String {
    serde_json::to_string_pretty(report).expect("every key is a string") + "\n"
}

impl TogetherReport {
    fn line(&self) -> String {
        match &self.no_reading {
            None => line(
                "Togetherness",
                &percent(self.percent),
                &format!(
                    "on average: shared {}, movement {}; the programme itself {}",
                    figure(self.shared, ""),
                    figure(self.movement_db, "dB"),
                    percent(self.programme_percent),
                ),
            ),
            Some(reason) => line("Togetherness", "-", &format!("no reading: {reason}")),
        }
    }
}

/// A row of a table that has one value.
fn line(name: &str, value: &str, more: &str) -> String {
    format!("{name:<16}{value:>13} {more}").trim_end().to_owned() + "\n"
}

/// A figure with two digits and its unit, if it has one, or a dash.
fn figure(value: Option<f64>, unit: &str) -> String {
    let number = value.map_or_else(|| "-".to_owned(), |value| fixed(value, 2));
    format!("{number} {unit}").trim_end().to_owned()
}

/// A share with one digit, as much as it is good for.
fn percent(value: Option<f64>) -> String {
    format!("{} %", value.map_or_else(|| "-".to_owned(), |value| fixed(value, 1)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    const RATE_HZ: u32 = 48_000;

    fn sine(hz: f64, amplitude: f64, seconds: f64) -> Vec<f32> {
        (0..(seconds * f64::from(RATE_HZ)) as usize)
            .map(|i| (amplitude * (TAU * hz * i as f64 / f64::from(RATE_HZ)).sin()) as f32)
            .collect()
    }

    fn measure(left: &[f32], right: &[f32]) -> Measured {
        let mut meter = Meter::new(RATE_HZ, Channels::Stereo);
        // Uneven blocks, as they must not matter.
        for (left, right) in left.chunks(1001).zip(right.chunks(1001)) {
            meter.add(left, right);
        }
        meter.finish()
    }

    fn close(value: Option<f64>, expected: f64, tolerance: f64) {
        let value = value.expect("there is a value");
        assert!((value - expected).abs() <= tolerance, "{value} instead of {expected}");
    }

    /// EBU Tech 3341, minimum requirements test signals 1 (loudness) and 15 (true peak).
    #[test]
    fn loudness_and_true_peak_of_standard_signals() {
        let tone = sine(1000.0, 10f64.powf(-23.0 / 20.0), 20.0);
        close(measure(&tone, &tone).loudness_lufs, -23.0, 0.1);
        let quarter_rate = sine(f64::from(RATE_HZ) / 4.0, 0.5, 1.0);
        let peak = measure(&quarter_rate, &quarter_rate).true_peak_dbtp;
        assert!((-6.4..=-5.8).contains(&peak.unwrap()), "{peak:?}");
    }

    /// BS.1770 sums channel powers, so one channel is 3.01 LU softer than the same on two.
    #[test]
    fn mono_counts_one_channel_and_has_no_side() {
        let tone = sine(1000.0, 0.2, 5.0);
        let mut meter = Meter::new(RATE_HZ, Channels::Mono);
        meter.add(&tone, &tone);
        let (mono, stereo) = (meter.finish(), measure(&tone, &tone));
        let softer_lu = stereo.loudness_lufs.zip(mono.loudness_lufs).map(|(two, one)| two - one);
        close(softer_lu, 10.0 * 2f64.log10(), 1e-6);
        assert_eq!(mono.true_peak_dbtp, stereo.true_peak_dbtp);
        assert_eq!((mono.side_mid_db, mono.correlation), (None, None));
    }

    #[test]
    fn side_against_mid_is_their_ratio_in_db() {
        let tone = sine(1000.0, 0.2, 1.3);
        let silent = vec![0.0; tone.len()];
        close(measure(&tone, &silent).side_mid_db, 0.0, 1e-6);
        // Mid 0.1, side 0.025 of the tone.
        let scaled = |gain: f32| tone.iter().map(|s| s * gain).collect::<Vec<_>>();
        let side_mid = measure(&scaled(0.125), &scaled(0.075)).side_mid_db;
        close(side_mid, 20.0 * 0.25f64.log10(), 1e-4);
        // A part that plays half of the time counts half, for there is no gate.
        let half = [&tone[..tone.len() / 2], &silent[tone.len() / 2..]].concat();
        let left: Vec<f32> = tone.iter().zip(&half).map(|(m, s)| m + s).collect();
        let right: Vec<f32> = tone.iter().zip(&half).map(|(m, s)| m - s).collect();
        close(measure(&left, &right).side_mid_db, 10.0 * 0.5f64.log10(), 0.01);
    }

    /// Equal sines a third of a right angle apart correlate as the cosine of their phase.
    #[test]
    fn correlation_is_that_of_the_whole_programme() {
        let tone = |phase: f64| -> Vec<f32> {
            (0..48_000).map(|n| (TAU * n as f64 / 48.0 + phase).sin() as f32).collect()
        };
        let (left, right) = (tone(0.0), tone(TAU / 6.0));
        close(measure(&left, &right).correlation, 0.5, 1e-6);
    }

    #[test]
    fn togetherness_without_a_reading_says_why() {
        let mut meter = TogetherMeter::new(RATE_HZ);
        let silent = vec![0.0; 60];
        for _ in 0..4_000 {
            meter.add([&silent, &silent], [&silent, &silent]);
        }
        let report = meter.finish();
        assert_eq!(report.percent, None);
        assert_eq!(report.no_reading, Some(NoReading::DrySilent.to_string()));
        assert_eq!(report.series.len(), 10);
        assert_eq!(report.series[9], TogetherPoint { time_s: 5.0, percent: None });
        let report = TogetherMeter::new(RATE_HZ).finish();
        assert_eq!(report.no_reading, Some(NoReading::TooShort.to_string()));
    }

    #[test]
    fn nothing_to_measure_is_no_value() {
        let silent = vec![0.0; 30_000];
        let nothing = Measured {
            loudness_lufs: None,
            true_peak_dbtp: None,
            side_mid_db: None,
            correlation: None,
        };
        assert_eq!(measure(&silent, &silent), nothing);
        assert_eq!(measure(&[], &[]), nothing);
        let tone = sine(1000.0, 0.2, 1.0);
        assert_eq!(measure(&tone, &tone).side_mid_db, None);
    }

    fn example() -> Report {
        Report {
            version: "1.2.3",
            inputs: vec!["a.wav".to_owned(), "b.flac".to_owned()],
            key: None,
            output: "out.wav".to_owned(),
            preset: Some("Mid only"),
            settings: Settings::default().with(Control::Threshold, -18.5),
            gain_reduction: GainReduction {
                max_db: 3.256,
                mean_db: Some(1.5),
                typical_max_db: Some(2.004),
                target_db: Some(2.0),
            },
            recovery: RecoveryReport {
                tempo_bpm: Some(90.0),
                hits: 8,
                hits_recovered: 6,
                mean_s: Some(0.25),
                mean_beats: Some(0.375),
                left_at_beat_db: Some(0.5),
            },
            loudness_match: Match { gain_db: Some(1.25), error_lu: Some(-0.004) },
            figures: Figures {
                loudness: Loudness { before_lufs: Some(-18.0), after_lufs: Some(-18.004) },
                true_peak: TruePeak { before_dbtp: Some(-5.25), after_dbtp: Some(-0.001) },
                peak_to_loudness: PeakToLoudness { before_db: Some(12.75), after_db: Some(17.997) },
                side_mid: SideMid { before_db: None, after_db: Some(-12.5) },
                correlation: Correlation { before: None, after: Some(0.5) },
                togetherness: TogetherReport {
                    percent: Some(17.25),
                    shared: Some(0.625),
                    movement_db: Some(0.5),
                    programme_percent: Some(20.0),
                    no_reading: None,
                    series: vec![
                        TogetherPoint { time_s: 0.5, percent: None },
                        TogetherPoint { time_s: 1.0, percent: Some(17.25) },
                    ],
                },
            },
        }
    }

    #[test]
    fn the_table_has_a_unit_on_every_figure() {
        assert_eq!(
            example().table(),
            "                       before        after
Loudness          -18.00 LUFS  -18.00 LUFS
True peak          -5.25 dBTP    0.00 dBTP
Peak/loudness        12.75 dB     18.00 dB
Side/mid                 - dB    -12.50 dB
Correlation                 -         0.50
Gain reduction        3.26 dB at most, 2.00 dB typical maximum, 1.50 dB on average while it worked
Threshold           -18.50 dB found for 2.00 dB of typical maximum reduction
Recovery           0.38 beats until 63 % were back, on average after 6 of 8 hits; the other 2 ended with the next or after 10 s; 0.50 dB left at the next beat
Loudness match        1.25 dB throughout, error 0.00 LU
Togetherness           17.3 % on average: shared 0.63, movement 0.50 dB; the programme itself 20.0 %
"
        );
        let mut off = example();
        off.loudness_match = Match { gain_db: None, error_lu: None };
        off.recovery = RecoveryReport::new(&Readings { hits: 3, ..Readings::default() });
        off.figures.togetherness.no_reading = Some(NoReading::TooShort.to_string());
        off.gain_reduction.target_db = None;
        let table = off.table();
        assert!(!table.contains("Threshold"), "{table}");
        assert!(table.contains("\nLoudness match            off\n"), "{table}");
        let cut_short = "- s until 63 % were back: after none of 3 hits; they ended with the next or after 10 s\n";
        assert!(table.contains(cut_short), "{table}");
        assert!(table.contains("\nTogetherness                - no reading: "), "{table}");
    }

    #[test]
    fn the_json_has_these_names() {
        let json: serde_json::Value = serde_json::from_str(&example().json()).unwrap();
        let figures = serde_json::json!({
            "gain_reduction": {
                "max_db": 3.256, "mean_db": 1.5, "typical_max_db": 2.004, "target_db": 2.0,
            },
            "recovery": {
                "tempo_bpm": 90.0,
                "hits": 8,
                "hits_recovered": 6,
                "mean_s": 0.25,
                "mean_beats": 0.375,
                "left_at_beat_db": 0.5,
            },
            "loudness": { "before_lufs": -18.0, "after_lufs": -18.004 },
            "true_peak": { "before_dbtp": -5.25, "after_dbtp": -0.001 },
            "match": { "gain_db": 1.25, "error_lu": -0.004 },
            "side_mid": { "before_db": null, "after_db": -12.5 },
            "peak_to_loudness": { "before_db": 12.75, "after_db": 17.997 },
            "correlation": { "before": null, "after": 0.5 },
            "togetherness": {
                "percent": 17.25,
                "shared": 0.625,
                "movement_db": 0.5,
                "programme_percent": 20.0,
                "no_reading": null,
                "series": [
                    { "time_s": 0.5, "percent": null },
                    { "time_s": 1.0, "percent": 17.25 },
                ],
            },
        });
        for (name, value) in figures.as_object().unwrap() {
            assert_eq!(&json[name], value);
        }
        assert_eq!(json["inputs"], serde_json::json!(["a.wav", "b.flac"]));
        assert_eq!(json["output"], "out.wav");
        assert_eq!(json["key"], serde_json::Value::Null);
        assert_eq!(json["preset"], "Mid only");
        assert_eq!(json["version"], "1.2.3");
        let settings = json["settings"].as_object().unwrap();
        assert_eq!(settings.len(), Control::ALL.len());
        assert_eq!(settings["threshold"], -18.5);
        assert_eq!(settings["key_source"], "own signal");
    }
}
