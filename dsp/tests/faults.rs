//! Whatever comes in, what goes out is finite and normal, and good input is processed correctly
//! within 100 ms.

mod common;
use common::{Stereo, any_settings, bits, cases, engine, programme, run};
use proptest::prelude::*;
use tenon_dsp::{Channels, Control, RateError, Settings, SettingsError};

fn finite_and_normal(output: &Stereo) -> bool {
    output.iter().flatten().all(|x| x.is_finite() && !x.is_subnormal())
}

/// The same frames with a stretch replaced.
fn with_fault(input: &Stereo, fault: impl Fn(usize) -> f32) -> Stereo {
    input.clone().map(|mut channel| {
        channel[2_000..4_000].iter_mut().enumerate().for_each(|(n, x)| *x = fault(n));
        channel
    })
}

proptest! {
    #![proptest_config(cases(64))]

    #[test]
    fn output_is_finite_and_normal_for_any_samples_and_settings(
        settings in any_settings(),
        samples in prop::collection::vec(any::<u32>().prop_map(f32::from_bits), 500),
        rate in 1_000f64..800_000.0,
    ) {
        let mut processor = engine(rate, &settings);
        let input = [samples.clone(), samples];
        prop_assert!(finite_and_normal(&run(&mut processor, &input, 64)));
        let tail = run(&mut processor, &programme(2_000, 9), 64);
        prop_assert!(finite_and_normal(&tail));
    }

    #[test]
    fn readings_are_finite_for_any_samples(
        settings in any_settings(),
        samples in prop::collection::vec(any::<u32>().prop_map(f32::from_bits), 3_000),
    ) {
        let mut processor = engine(8_000.0, &settings);
        run(&mut processor, &[samples.clone(), samples], 256);
        let r = processor.readings();
        let all = [r.gain_reduction_db, r.gain_reduction_peak_db, r.gain_reduction_mean_db,
            r.mid_before_db, r.mid_after_db, r.side_before_db, r.side_after_db,
            r.loudness_before_lufs, r.loudness_after_lufs, r.match_gain_db, r.compare_gain_db,
            r.peak_to_loudness_before_db, r.peak_to_loudness_after_db,
            r.correlation_before.unwrap_or(0.0), r.correlation_after.unwrap_or(0.0)];
        prop_assert!(all.iter().all(|x| x.is_finite()), "{r:?}");
    }
}

#[test]
fn samples_that_are_not_finite_or_subnormal_count_as_silence() {
    let good = programme(20_000, 2);
    let silent = with_fault(&good, |_| 0.0);
    let expected = run(&mut engine(48_000.0, &Settings::default()), &silent, 480);
    for fault in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e-40] {
        let output =
            run(&mut engine(48_000.0, &Settings::default()), &with_fault(&good, |_| fault), 480);
        assert_eq!(bits(&output), bits(&expected), "{fault}");
    }
}

/// A burst of ±1000 is not programme: it neither ducks what follows nor enters the loudness.
#[test]
fn absurd_levels_leave_no_trace_after_100_ms() {
    let good = programme(96_000, 2);
    for (listen, drive_db) in
        [(Control::MatchHold, 0.0), (Control::MatchHold, 24.0), (Control::Compare, 12.0)]
    {
        let settings = Settings::default()
            .with(Control::Threshold, -30.0)
            .with(Control::Ratio, 4.0)
            .with(Control::Drive, drive_db)
            .with(Control::Symmetry, 50.0)
            .with(listen, 1.0);
        let mut processor = engine(48_000.0, &settings);
        let expected = run(&mut processor, &with_fault(&good, |_| 0.0), 480);
        let output = run(
            &mut engine(48_000.0, &settings),
            &with_fault(&good, |n| if n % 20 < 10 { 1e3 } else { -1e3 }),
            480,
        );
        assert!(finite_and_normal(&output));
        let settled = 4_000 + processor.latency() + 4_800;
        for (out, expected) in output.iter().zip(&expected) {
            for n in settled..out.len() {
                let error = (out[n] - expected[n]).abs();
                assert!(error <= 0.01 * expected[n].abs() + 1e-6, "{listen:?}: {error} at {n}");
            }
        }
    }
}

#[test]
fn a_constant_offset_is_processed_as_any_level() {
    let input = [vec![0.5; 48_000], vec![0.5; 48_000]];
    let settings = Settings::default()
        .with(Control::KeyHighpass, 0.0)
        .with(Control::DetectorWindow, 0.0)
        .with(Control::LoudnessMatch, 0.0)
        .with(Control::Threshold, -20.0)
        .with(Control::Ratio, 4.0)
        .with(Control::Knee, 0.0);
    let output = run(&mut engine(48_000.0, &settings), &input, 480);
    let level = 20.0 * 0.5f64.log10();
    let expected = -20.0 + (level + 20.0) / 4.0;
    let got = 20.0 * f64::from(output[0][47_999]).log10();
    assert!((got - expected).abs() < 1e-4, "{got} dB, static curve {expected} dB");
}

#[test]
fn silence_stays_silence_and_lets_the_gain_return() {
    let mut processor = engine(48_000.0, &Settings::default().with(Control::Threshold, -40.0));
    run(&mut processor, &programme(48_000, 4), 480);
    let output = run(&mut processor, &[vec![0.0; 480_000], vec![0.0; 480_000]], 480);
    let latency = processor.latency();
    assert!(output.iter().all(|channel| channel[latency..].iter().all(|&x| x == 0.0)));
    assert!(processor.readings().gain_reduction_db < 1e-6);
}

#[test]
fn rates_outside_the_range_are_refused_and_change_nothing() {
    let mut processor = engine(44_100.0, &Settings::default());
    for rate_hz in [f64::NAN, f64::INFINITY, -48_000.0, 0.0, 999.0, 3e6] {
        let Err(RateError { rate_hz: named }) = processor.prepare(rate_hz, Channels::Stereo) else {
            panic!("{rate_hz} Hz was accepted");
        };
        assert!(named == rate_hz || rate_hz.is_nan());
    }
    let input = programme(3_000, 1);
    let expected = run(&mut engine(44_100.0, &Settings::default()), &input, 128);
    assert_eq!(bits(&run(&mut processor, &input, 128)), bits(&expected));
}

#[test]
fn values_a_control_does_not_take_are_refused_by_name() {
    let mut settings = Settings::default();
    for (control, value) in [
        (Control::Ratio, 0.5),
        (Control::Threshold, f32::NAN),
        (Control::Attack, 251.0),
        (Control::KeyHighpass, 7.0),
        (Control::Listen, 1.5),
        (Control::Bypass, 2.0),
    ] {
        let Err(SettingsError { control: named, .. }) = settings.set(control, value) else {
            panic!("{control:?} took {value}");
        };
        assert_eq!(named, control);
        let message = SettingsError { control, value }.to_string();
        assert!(message.contains(control.spec().id), "{message}");
    }
    assert_eq!(settings, Settings::default());
}

/// What the trims make of the input is no fault: reduction does not vanish when it gets loud.
#[test]
fn a_trim_does_not_turn_programme_into_a_fault() {
    for level in [3.0f32, 5.0, 10.0] {
        let settings = Settings::default()
            .with(Control::InputTrim, 24.0)
            .with(Control::KeyHighpass, 0.0)
            .with(Control::Ratio, 20.0);
        let mut processor = engine(48_000.0, &settings);
        run(&mut processor, &[vec![level; 48_000], vec![level; 48_000]], 480);
        assert!((processor.readings().gain_reduction_db - 24.0).abs() < 0.01, "{level}");
    }
}

#[test]
fn slices_of_different_length_are_processed_as_far_as_they_go() {
    let mut processor = engine(48_000.0, &Settings::default());
    let [mut left, mut right] = programme(1_000, 5);
    let input = [left.clone(), right.clone()];
    let key = programme(700, 6);
    processor.process(&mut left, &mut right[..900], Some((&key[0], &key[1][..600])));
    assert_ne!(left[..600], input[0][..600]);
    assert_eq!(left[600..], input[0][600..]);
    assert_eq!(right[600..], input[1][600..]);
}
