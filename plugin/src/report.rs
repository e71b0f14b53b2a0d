//! What a render did, in figures: measured, as a table for people and as JSON for programs.
//!
//! Loudness, true peak and side against mid come from the `ebur128` crate, so that they check the
//! engine's own meters. Knows nothing of files.

use ebur128::{EbuR128, Mode};
use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};
use tenon_dsp::{Control, Settings, Unit};

use crate::text::to_text;

/// Measures a stereo programme block by block.
pub struct Meter {
    programme: EbuR128,
    mid: Energy,
    side: Energy,
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
    /// gating, dB. Mid is half the sum of left and right, side half the difference.
    pub side_mid_db: Option<f64>,
}

impl Meter {
    /// A meter that has heard nothing.
    ///
    /// # Panics
    /// When the sample rate lies outside 16 Hz to 2 822 400 Hz.
    pub fn new(rate_hz: u32) -> Self {
        Self {
            programme: EbuR128::new(2, rate_hz, Mode::I | Mode::TRUE_PEAK).expect(RATE),
            mid: Energy::new(rate_hz),
            side: Energy::new(rate_hz),
        }
    }

    /// Adds frames.
    ///
    /// # Panics
    /// When the slices differ in length.
    pub fn add(&mut self, left: &[f32], right: &[f32]) {
        self.programme
            .add_frames_planar_f32(&[left, right])
            .expect("left and right have one length");
        let pairs = || left.iter().zip(right);
        self.mid.add(pairs().map(|(l, r)| 0.5 * (l + r)));
        self.side.add(pairs().map(|(l, r)| 0.5 * (l - r)));
    }

    /// The figures of what was added.
    pub fn finish(mut self) -> Measured {
        let loudness = self.programme.loudness_global().expect(MODE);
        let peak = |channel| self.programme.true_peak(channel).expect(MODE);
        let peak_db = 20.0 * peak(0).max(peak(1)).log10();
        let (mid_db, side_db) = (self.mid.level_db(), self.side.level_db());
        Measured {
            loudness_lufs: Some(loudness).filter(|l| l.is_finite()),
            true_peak_dbtp: Some(peak_db).filter(|p| p.is_finite()),
            side_mid_db: side_db.zip(mid_db).map(|(side, mid)| side - mid),
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
    /// Integrated loudness.
    pub loudness: Loudness,
    /// True peak.
    pub true_peak: TruePeak,
    /// Loudness match.
    #[serde(rename = "match")]
    pub loudness_match: Match,
    /// Side against mid.
    pub side_mid: SideMid,
}

/// Gain reduction, dB ≥ 0.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct GainReduction {
    /// The largest.
    pub max_db: f64,
    /// The mean over the time it exceeded 0.1 dB; none when it never did.
    pub mean_db: Option<f64>,
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
        let row = |name, before: &str, after: &str| format!("{name:<16}{before:>13}{after:>13}");
        let pair =
            |name, unit, before, after| row(name, &figure(before, unit), &figure(after, unit));
        let line = |name, value: &str, more: &str| format!("{name:<16}{value:>13} {more}");
        let (loudness, peak, side_mid) = (&self.loudness, &self.true_peak, &self.side_mid);
        let reduction = &self.gain_reduction;
        let mean = figure(reduction.mean_db, "dB");
        let error = figure(self.loudness_match.error_lu, "LU");
        [
            row("", "before", "after"),
            pair("Loudness", "LUFS", loudness.before_lufs, loudness.after_lufs),
            pair("True peak", "dBTP", peak.before_dbtp, peak.after_dbtp),
            pair("Side/mid", "dB", side_mid.before_db, side_mid.after_db),
            line(
                "Gain reduction",
                &figure(Some(reduction.max_db), "dB"),
                &format!("at most, {mean} on average while it worked"),
            ),
            match self.loudness_match.gain_db {
                Some(gain) => line(
                    "Loudness match",
                    &figure(Some(gain), "dB"),
                    &format!("throughout, error {error}"),
                ),
                None => line("Loudness match", "off", ""),
            },
        ]
        .map(|line| line.trim_end().to_owned() + "\n")
        .concat()
    }

    /// The report as JSON, with a line end.
    pub fn json(&self) -> String {
        serde_json::to_string_pretty(self).expect("every key is a string") + "\n"
    }
}

/// A figure with two digits and its unit, or a dash.
fn figure(value: Option<f64>, unit: &str) -> String {
    match value {
        // Adding zero turns −0 into 0.
        Some(value) => format!("{:.2} {unit}", (value * 100.0).round() / 100.0 + 0.0),
        None => format!("- {unit}"),
    }
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
        let mut meter = Meter::new(RATE_HZ);
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

    #[test]
    fn nothing_to_measure_is_no_value() {
        let silent = vec![0.0; 30_000];
        let nothing = Measured { loudness_lufs: None, true_peak_dbtp: None, side_mid_db: None };
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
            gain_reduction: GainReduction { max_db: 3.256, mean_db: Some(1.5) },
            loudness: Loudness { before_lufs: Some(-18.0), after_lufs: Some(-18.004) },
            true_peak: TruePeak { before_dbtp: Some(-5.25), after_dbtp: Some(-0.001) },
            loudness_match: Match { gain_db: Some(1.25), error_lu: Some(-0.004) },
            side_mid: SideMid { before_db: None, after_db: Some(-12.5) },
        }
    }

    #[test]
    fn the_table_has_a_unit_on_every_figure() {
        assert_eq!(
            example().table(),
            "                       before        after
Loudness          -18.00 LUFS  -18.00 LUFS
True peak          -5.25 dBTP    0.00 dBTP
Side/mid                 - dB    -12.50 dB
Gain reduction        3.26 dB at most, 1.50 dB on average while it worked
Loudness match        1.25 dB throughout, error 0.00 LU
"
        );
        let mut off = example();
        off.loudness_match = Match { gain_db: None, error_lu: None };
        assert!(off.table().ends_with("\nLoudness match            off\n"));
    }

    #[test]
    fn the_json_has_these_names() {
        let json: serde_json::Value = serde_json::from_str(&example().json()).unwrap();
        let figures = serde_json::json!({
            "gain_reduction": { "max_db": 3.256, "mean_db": 1.5 },
            "loudness": { "before_lufs": -18.0, "after_lufs": -18.004 },
            "true_peak": { "before_dbtp": -5.25, "after_dbtp": -0.001 },
            "match": { "gain_db": 1.25, "error_lu": -0.004 },
            "side_mid": { "before_db": null, "after_db": -12.5 },
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
