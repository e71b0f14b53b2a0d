//! Experiments on togetherness: mixes processed in known ways, and what the analyser reads of them.

use tenon_dsp::{Channels, Control, Processor, Settings, TogetherReading, Togetherness};
use tenon_tests::{Stereo, measure, mixes};

pub(crate) const RATE_HZ: f64 = 48_000.0;

/// The compressor of the experiments, all wet: 4:1, knee 6 dB, window 5 ms, 10 and 150 ms, key
/// high-pass 80 Hz.
pub(crate) fn compressor() -> Settings {
    Settings::default()
        .with(Control::Ratio, 4.0)
        .with(Control::Knee, 6.0)
        .with(Control::DetectorWindow, 5.0)
        .with(Control::Attack, 10.0)
        .with(Control::Release, 150.0)
        .with(Control::KeyHighpass, 80.0)
        .with(Control::Makeup, 0.0)
        .with(Control::Mix, 100.0)
        .with(Control::LoudnessMatch, 0.0)
}

/// What comes out of the compressor, in time with what goes in, and its largest gain reduction in dB.
pub(crate) fn compress(rate_hz: f64, dry: &Stereo, settings: &Settings) -> (Stereo, f64) {
    let mut processor = Processor::new();
    processor.prepare(rate_hz, Channels::Stereo).expect("a rate it takes");
    processor.set(settings);
    processor.reset();
    let mut wet = dry.clone();
    let latency = processor.latency();
    let channels = [&mut wet.left, &mut wet.right];
    let [left, right] = channels.map(|channel| {
        channel.resize(channel.len() + latency, 0.0);
        channel
    });
    processor.process(left, right, None);
    for channel in [left, right] {
        channel.drain(..latency);
    }
    (wet, processor.readings().gain_reduction_peak_db.into())
}

/// What comes out at a largest gain reduction of `db`, within 0.02 dB, by moving the threshold.
pub(crate) fn compress_by(db: f64, rate_hz: f64, dry: &Stereo, settings: &Settings) -> Stereo {
    if db == 0.0 {
        return compress(rate_hz, dry, &settings.with(Control::Threshold, 0.0)).0;
    }
    // Reduction grows by at most 1 − 1/4 dB for each dB the threshold falls, so that steps of that
    // slope close in from one side.
    const SLOPE: f64 = 0.75;
    let peak = measure::peak(&dry.left).max(measure::peak(&dry.right));
    let mut threshold_db = measure::db(peak).min(0.0);
    loop {
        let settings = settings.with(Control::Threshold, threshold_db as f32);
        let (wet, reduction_db) = compress(rate_hz, dry, &settings);
        let missing_db = db - reduction_db;
        if missing_db.abs() < 0.02 {
            return wet;
        }
        threshold_db = (threshold_db - missing_db / SLOPE).min(0.0);
    }
}

/// The sum of the parts, each compressed alone by `db`.
pub(crate) fn compress_each_by(db: f64, rate_hz: f64, parts: &[Stereo]) -> Stereo {
    let each: Vec<Stereo> =
        parts.iter().map(|part| compress_by(db, rate_hz, part, &compressor())).collect();
    mixes::sum(&each)
}

/// The readings every half second, from when there is one.
pub(crate) fn readings(rate_hz: f64, dry: &Stereo, wet: &Stereo) -> Vec<TogetherReading> {
    let mut togetherness = Togetherness::new(rate_hz).expect("a rate it takes");
    let block = (rate_hz / 2.0) as usize;
    let mut readings = Vec::new();
    for start in (0..dry.left.len()).step_by(block) {
        let part = start..dry.left.len().min(start + block);
        togetherness.add(
            [&dry.left[part.clone()], &dry.right[part.clone()]],
            [&wet.left[part.clone()], &wet.right[part]],
        );
        readings.extend(togetherness.reading());
    }
    readings
}

/// Mean of the readings in per cent.
///
/// # Panics
/// When there is none.
pub(crate) fn percent(rate_hz: f64, dry: &Stereo, wet: &Stereo) -> f64 {
    let readings = readings(rate_hz, dry, wet);
    assert!(!readings.is_empty(), "no reading at all");
    let sum: f64 = readings.iter().map(|reading| f64::from(reading.percent)).sum();
    sum / readings.len() as f64
}
