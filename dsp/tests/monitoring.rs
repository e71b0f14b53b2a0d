//! What is sent to the output: bypass, compare, delta and key, and the way between them.

mod common;
use common::{Stereo, bits, delayed, engine, programme, run};
use tenon_dsp::{Control, MatchMemory, MatchState, Processor, Settings};

/// Settings that change the sound in every stage.
fn busy() -> Settings {
    Settings::default()
        .with(Control::InputTrim, 3.0)
        .with(Control::Threshold, -30.0)
        .with(Control::Ratio, 4.0)
        .with(Control::Drive, 9.0)
        .with(Control::Makeup, 6.0)
        .with(Control::Mix, 70.0)
        .with(Control::SideShare, 40.0)
        .with(Control::OutputTrim, -2.0)
}

fn sine(frames: usize) -> Stereo {
    let channel: Vec<f32> = (0..frames).map(|n| (0.5 * (n as f64 * 0.02).sin()) as f32).collect();
    [channel.clone(), channel]
}

#[test]
fn bypass_is_the_delayed_input_bit_for_bit() {
    let input = programme(20_000, 1);
    for quality in 0..=3 {
        let settings = busy().with(Control::Quality, quality as f32).with(Control::Bypass, 1.0);
        let mut processor = engine(48_000.0, &settings);
        let expected = delayed(&input, processor.latency());
        assert_eq!(bits(&run(&mut processor, &input, 333)), bits(&expected), "quality {quality}");
    }
}

#[test]
fn bypass_is_reached_within_10_ms_and_without_a_click() {
    for rate in [8_000.0, 48_000.0, 192_000.0] {
        let ten_ms = (rate / 100.0) as usize;
        for monitor in [Control::Bypass, Control::Compare] {
            // A constant: any step at the output is the switch's own.
            let input = [vec![0.5; 20 * ten_ms], vec![0.5; 20 * ten_ms]];
            let settings = busy().with(Control::MatchHold, 1.0);
            let mut processor = engine(rate, &settings);
            run(&mut processor, &input, 64);
            let before = run(&mut processor, &[vec![0.5; 1], vec![0.5; 1]], 1)[0][0];
            processor.set(&settings.with(monitor, 1.0));
            let output = run(&mut processor, &input, 64);
            let mut last = before;
            let largest = (output[0][ten_ms] - before).abs();
            for &x in &output[0][..ten_ms] {
                assert!(
                    (x - last).abs() <= 3.0 * largest / ten_ms as f32 + 1e-6,
                    "{rate} {monitor:?}"
                );
                last = x;
            }
            if monitor == Control::Bypass {
                assert!(output[0][ten_ms..].iter().all(|&x| x == 0.5), "not bypassed after 10 ms");
            }
        }
    }
}

#[test]
fn delta_is_processed_minus_compare() {
    let input = programme(60_000, 1);
    let heard = |settings: &Settings| run(&mut engine(48_000.0, settings), &input, 480);
    let processed = heard(&busy());
    let compare = heard(&busy().with(Control::Compare, 1.0));
    let delta = heard(&busy().with(Control::Listen, 1.0));
    for channel in 0..2 {
        for n in 0..input[0].len() {
            let expected = processed[channel][n] - compare[channel][n];
            assert_eq!(delta[channel][n].to_bits(), expected.to_bits());
        }
    }
}

#[test]
fn compare_is_the_input_times_a_gain_and_leaves_the_processed_path_alone() {
    let input = programme(60_000, 1);
    let mut compared = engine(48_000.0, &busy().with(Control::Compare, 1.0));
    let output = run(&mut compared, &input, 480);
    let dry = delayed(&input, compared.latency());
    for channel in 0..2 {
        for n in (1_000..60_000).filter(|&n| dry[channel][n].abs() > 0.01) {
            let gain = output[channel][n] / dry[channel][n];
            let other = output[1 - channel][n] / dry[1 - channel][n];
            assert!(gain > 0.0);
            if dry[1 - channel][n].abs() > 0.01 {
                assert!((gain / other - 1.0).abs() < 1e-5, "not one gain for both channels");
            }
        }
    }
    // Back from compare, the processed path is where it would have been.
    let mut processed = engine(48_000.0, &busy());
    run(&mut processed, &input, 480);
    compared.set(&busy());
    let after_crossfade = 480;
    let [a, b] = [run(&mut compared, &input, 480), run(&mut processed, &input, 480)];
    assert_eq!(a[0][after_crossfade..], b[0][after_crossfade..]);
    assert_eq!(a[1][after_crossfade..], b[1][after_crossfade..]);
}

#[test]
fn key_listen_is_what_the_detector_hears() {
    let settings = busy().with(Control::InputTrim, 0.0).with(Control::KeyHighpass, 0.0);
    let input = sine(5_000);
    let listened = settings.with(Control::Listen, 2.0);
    let mut processor = engine(48_000.0, &listened);
    let latency = processor.latency();
    assert_eq!(bits(&run(&mut processor, &input, 480)), bits(&delayed(&input, latency)));

    let external = settings.with(Control::KeySource, 1.0).with(Control::Listen, 2.0);
    let key = programme(5_000, 8);
    let mut output = input.clone();
    let [left, right] = &mut output;
    engine(48_000.0, &external).process(left, right, Some((&key[0], &key[1])));
    assert_eq!(bits(&output), bits(&delayed(&key, latency)));
}

#[test]
fn an_external_key_moves_the_gain_and_silence_at_the_key_does_not() {
    let settings = busy().with(Control::KeySource, 1.0).with(Control::LoudnessMatch, 0.0);
    let reduction_with = |key: &Stereo| {
        let mut output = sine(20_000);
        let mut processor = engine(48_000.0, &settings);
        let [left, right] = &mut output;
        processor.process(left, right, Some((&key[0], &key[1])));
        processor.readings().gain_reduction_peak_db
    };
    assert!(reduction_with(&programme(20_000, 2)) > 3.0);
    assert!(reduction_with(&[vec![0.0; 20_000], vec![0.0; 20_000]]) < 1e-6);
}

#[test]
fn no_reduction_and_half_mix_null_against_the_delayed_input() {
    let settings = Settings::default()
        .with(Control::Ratio, 1.0)
        .with(Control::Mix, 50.0)
        .with(Control::LoudnessMatch, 0.0);
    let input = programme(20_000, 6);
    for quality in 0..=3 {
        let mut processor = engine(48_000.0, &settings.with(Control::Quality, quality as f32));
        let output = run(&mut processor, &input, 480);
        let dry = delayed(&input, processor.latency());
        for (out, x) in output.iter().flatten().zip(dry.iter().flatten()) {
            // Below −120 dB of every single sample.
            assert!((out - x).abs() <= 1e-6 * x.abs(), "{out} against {x}");
        }
    }
}

/// Parallel mix of a wet share m at gain g: 20·log10(1 − m + m·g); values from that definition.
#[test]
fn parallel_mix_adds_up_sample_aligned() {
    for (mix, reduction, expected) in
        [(50.0, 6.0, -2.4919), (50.0, 12.0, -4.0741), (25.0, 6.0, -1.1569)]
    {
        let settings = Settings::default()
            .with(Control::KeyHighpass, 0.0)
            .with(Control::DetectorWindow, 0.0)
            .with(Control::Threshold, -60.0)
            .with(Control::Ratio, 20.0)
            .with(Control::Range, reduction)
            .with(Control::Mix, mix)
            .with(Control::LoudnessMatch, 0.0);
        let input = [vec![0.5; 48_000], vec![0.5; 48_000]];
        let output = run(&mut engine(48_000.0, &settings), &input, 480);
        let got = 20.0 * (f64::from(output[0][47_999]) / 0.5).log10();
        assert!((got - expected).abs() < 0.001, "{mix} % at {reduction} dB: {got}");
    }
}

#[test]
fn a_restored_match_applies_at_once_and_stays() {
    let settings = busy();
    let mut processor = engine(48_000.0, &settings);
    processor.restore_match(MatchMemory { gain_db: -7.25, state: MatchState::Held });
    run(&mut processor, &programme(200_000, 1), 480);
    let readings = processor.readings();
    assert!((readings.match_gain_db + 7.25).abs() < 1e-4);
    assert_eq!(readings.match_state, MatchState::Held);
    assert_eq!(processor.match_memory().gain_db, -7.25);
    processor.set(&settings.with(Control::Ratio, 2.0));
    assert_eq!(processor.readings().match_state, MatchState::Learning);
}

#[test]
fn a_held_match_ignores_moved_settings_until_let_go() {
    let held = busy().with(Control::MatchHold, 1.0);
    let mut processor = engine(48_000.0, &held);
    processor.set(&held.with(Control::Threshold, -50.0));
    run(&mut processor, &programme(200_000, 1), 480);
    processor.relearn_match();
    assert_eq!(processor.readings().match_gain_db, 0.0);
    assert_eq!(processor.readings().match_state, MatchState::Held);
    processor.set(&busy());
    assert_eq!(processor.readings().match_state, MatchState::Learning);
}

#[test]
fn only_controls_that_change_loudness_make_the_match_learn_anew() {
    for control in Control::ALL {
        let mut processor = Processor::new();
        processor.restore_match(MatchMemory { gain_db: 1.0, state: MatchState::Held });
        let spec = control.spec();
        let other = if spec.default == spec.max { spec.min } else { spec.max };
        processor.set(&Settings::default().with(control, other));
        let expected =
            if control.affects_loudness() { MatchState::Learning } else { MatchState::Held };
        assert_eq!(processor.readings().match_state, expected, "{control:?}");
    }
}

#[test]
fn kept_levels_stand_still_and_go_on_where_they_stood() {
    let input = programme(96_000, 3);
    let settings = busy().with(Control::Compare, 1.0);
    let mut processor = engine(48_000.0, &settings);
    run(&mut processor, &input, 480);
    let before = processor.match_memory();
    assert_eq!(before.state, MatchState::Learning);
    processor.keep_levels(true);
    run(&mut processor, &input, 480);
    assert_eq!(processor.match_memory(), before);

    // A reset does not let the dry start at another level.
    let compare_db = processor.readings().compare_gain_db;
    assert!(compare_db.abs() > 0.5, "{compare_db} dB show nothing");
    processor.reset();
    assert_eq!(processor.match_memory(), before);
    assert!((processor.readings().compare_gain_db - compare_db).abs() < 0.1);

    processor.keep_levels(false);
    run(&mut processor, &input, 480);
    assert_ne!(processor.match_memory().gain_db, before.gain_db);
    processor.reset();
    let readings = processor.readings();
    assert!((readings.compare_gain_db - readings.match_gain_db + 2.0).abs() < 0.01);
}
