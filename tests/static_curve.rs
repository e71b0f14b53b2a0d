//! The whole engine on steady signals, against the published static curve.
//!
//! Sources: Giannoulis, Massberg, Reiss, JAES 60(6), 2012, Eqs 3 and 4 (curve); AES17 (a full-scale
//! sine is 0 dB FS). Expected values are computed from the printed equations in double precision.

use tenon_dsp::{Channels, Control, Processor, Settings};
use tenon_tests::{Stereo, measure, signals};

const RATE_HZ: f64 = 48_000.0;

/// Threshold −20 dB, ratio 4, knee 6 dB: the table's first column.
fn table_settings() -> Settings {
    Settings::default()
        .with(Control::Threshold, -20.0)
        .with(Control::Ratio, 4.0)
        .with(Control::Knee, 6.0)
        .with(Control::KeyHighpass, 0.0)
        .with(Control::LoudnessMatch, 0.0)
}

fn process(settings: &Settings, input: &Stereo) -> (Stereo, Processor) {
    let mut processor = Processor::new();
    processor.prepare(RATE_HZ, Channels::Stereo).expect("a rate it takes");
    processor.set(settings);
    processor.reset();
    let mut output = input.clone();
    processor.process(&mut output.left, &mut output.right, None);
    (output, processor)
}

/// A square wave has the same level in every sample, so that a peak detector sees a steady input.
#[test]
fn a_steady_input_is_reduced_as_the_published_curve_says() {
    let settings = table_settings().with(Control::DetectorWindow, 0.0);
    for (level, reduction) in [
        (-40.0, 0.0),
        (-23.0, 0.0),
        (-22.0, 0.0625),
        (-20.0, 0.5625),
        (-19.0, 1.0),
        (-17.0, 2.25),
        (-10.0, 7.5),
        (-6.0, 10.5),
        (0.0, 15.0),
    ] {
        let amplitude = measure::from_db(level) as f32;
        let square: Vec<f32> =
            (0..96_000).map(|n| if n / 24 % 2 == 0 { amplitude } else { -amplitude }).collect();
        let (output, processor) = process(&settings, &Stereo::both(square));
        let read = f64::from(processor.readings().gain_reduction_db);
        assert!((read - reduction).abs() < 1e-4, "{level} dB: reads {read}, printed {reduction}");
        let heard = level - measure::db(f64::from(output.left[95_999].abs()));
        assert!((heard - reduction).abs() < 1e-4, "{level} dB: heard {heard}, printed {reduction}");
    }
}

/// A 1 kHz sine of −10 dBFS peak lies 10 dB over the threshold whether its peaks or its power are
/// followed, since the average is calibrated by AES17: 7.5 dB of reduction.
#[test]
fn a_calibrated_average_reduces_a_sine_as_its_peak_level_says() {
    for window_ms in [5.0, 10.0, 20.0, 100.0] {
        let settings = table_settings().with(Control::DetectorWindow, window_ms);
        let sine = signals::sine(RATE_HZ, 1_000.0, -10.0, 3.0);
        let (output, _) = process(&settings, &Stereo::both(sine.clone()));
        let last_second = 96_000..144_000;
        let reduction = measure::db(
            measure::rms(&sine[last_second.clone()]) / measure::rms(&output.left[last_second]),
        );
        assert!((reduction - 7.5).abs() < 0.05, "{window_ms} ms: {reduction} dB");
    }
}

/// The same case for the loudness match: the gain that makes up for 7.5 dB on a steady sine.
#[test]
fn the_match_undoes_the_reduction_of_a_steady_sine() {
    let settings =
        table_settings().with(Control::DetectorWindow, 10.0).with(Control::LoudnessMatch, 1.0);
    let sine = Stereo::both(signals::sine(RATE_HZ, 1_000.0, -10.0, 30.0));
    let (_, processor) = process(&settings, &sine);
    let gain = processor.readings().match_gain_db;
    assert!((gain - 7.5).abs() < 0.05, "{gain} dB");
}
