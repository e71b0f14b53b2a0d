//! Lookahead: what it promises of hits, what it leaves alone, and its latency.

mod common;
use common::{Stereo, bits, cases, delayed, engine, programme, run};
use proptest::prelude::*;
use tenon_dsp::{Channels, Control, Processor, Settings};

/// Nothing but a compressor that follows peaks and lets go of nothing in a hurry.
fn compressing(lookahead_ms: f32, attack_ms: f32) -> Settings {
    Settings::default()
        .with(Control::KeyHighpass, 0.0)
        .with(Control::DetectorWindow, 0.0)
        .with(Control::Knee, 0.0)
        .with(Control::Threshold, -40.0)
        .with(Control::Ratio, 20.0)
        .with(Control::LoudnessMatch, 0.0)
        .with(Control::Quality, 0.0)
        .with(Control::Lookahead, lookahead_ms)
        .with(Control::Attack, attack_ms)
}

/// 40 dB below full scale, where the gain rests; the level at which it comes down by so many dB.
const QUIET: f32 = 0.01;

/// Amplitude at which the static curve of [`compressing`] asks for a reduction (JAES 60(6), Eq. 4
/// without a knee).
fn amplitude(reduction_db: f64) -> f32 {
    let over_db = reduction_db / (1.0 - 1.0 / 20.0);
    (f64::from(QUIET) * 10f64.powf(over_db / 20.0)) as f32
}

fn both(channel: Vec<f32>) -> Stereo {
    [channel.clone(), channel]
}

/// Gain reduction of every sample, dB; the samples have to be other than 0.
fn reductions(settings: &Settings, rate_hz: f64, input: &[f32]) -> Vec<f64> {
    let mut processor = engine(rate_hz, settings);
    let latency = processor.latency();
    let output = run(&mut processor, &both(input.to_vec()), 4_096);
    let gains = output[0][latency..].iter().zip(input).map(|(y, x)| f64::from(y / x));
    gains.map(|gain| -20.0 * gain.log10()).collect()
}

#[test]
fn with_lookahead_as_long_as_the_attack_a_step_does_not_overshoot() {
    for rate_hz in [44_100.0, 48_000.0, 96_000.0, 192_000.0] {
        for (lookahead_ms, attack_ms) in
            [(0.05, 0.05), (10.0, 0.05), (1.0, 1.0), (3.3, 3.0), (10.0, 3.0), (10.0, 10.0)]
        {
            for reduction_db in [0.5, 3.0, 12.0, 24.0] {
                let arrival = (0.03 * rate_hz) as usize;
                let mut input = vec![QUIET; 2 * arrival];
                input[arrival..].fill(amplitude(reduction_db));
                let heard = reductions(&compressing(lookahead_ms, attack_ms), rate_hz, &input);
                for (n, heard_db) in heard[arrival..].iter().enumerate().take(arrival / 2) {
                    assert!(
                        (heard_db - reduction_db).abs() < 0.01,
                        "{lookahead_ms}/{attack_ms} ms at {rate_hz}, {n} after: {heard_db}, not {reduction_db}"
                    );
                }
                // Not earlier than the attack, whatever the lookahead.
                let attack = (f64::from(attack_ms) / 1000.0 * rate_hz).round() as usize;
                assert!(heard[..arrival - attack].iter().all(|db| db.abs() < 1e-3));
            }
        }
    }
}

#[test]
fn a_lone_short_hit_is_caught_whole() {
    let rate_hz = 48_000.0;
    for length in [1, 5, 48, 300] {
        for (lookahead_ms, attack_ms) in [(5.0, 0.05), (5.0, 2.0), (5.0, 5.0), (10.0, 8.0)] {
            let mut input = vec![QUIET; 4_000];
            input[2_000..2_000 + length].fill(amplitude(9.0));
            let settings = compressing(lookahead_ms, attack_ms).with(Control::Release, 5.0);
            let heard = reductions(&settings, rate_hz, &input);
            for (n, heard_db) in heard[2_000..2_000 + length].iter().enumerate() {
                assert!(
                    (heard_db - 9.0).abs() < 0.01,
                    "{length}, {lookahead_ms}: {heard_db} at {n}"
                );
            }
            let after = heard[2_000 + length];
            assert!(after < 9.0, "let go as soon as the hit has sounded: {after}");
        }
    }
}

/// A detector that averages takes time to see a step: four of its windows, so long as the lookahead
/// has room for them.
#[test]
fn the_detector_gets_what_is_left_of_the_lookahead() {
    let settings = compressing(10.0, 2.0).with(Control::DetectorWindow, 2.0);
    let mut input = vec![QUIET; 8_000];
    input[4_000..].fill(amplitude(12.0));
    let heard = reductions(&settings, 48_000.0, &input);
    let settled = *heard.last().unwrap();
    for heard_db in &heard[4_000..] {
        assert!((heard_db - settled).abs() < 0.1, "{heard_db}, settled {settled}");
    }
}

/// The power that an average of time constant τ reads at t after a step is 1 − e^(−t/τ) of it, and the
/// attack takes the mean of the reductions that its line leads through. For a hit without end that is the
/// 0.7 dB of level that the README tells.
#[test]
fn the_usual_window_is_late_by_what_is_told() {
    const ATTACK_MS: f64 = 1.0;
    const LOOKAHEAD_MS: f64 = 10.0;
    const WINDOW_MS: f64 = 5.0;
    let times_ms = (0..1_000).map(|n| LOOKAHEAD_MS - ATTACK_MS * (f64::from(n) + 0.5) / 1_000.0);
    let low_db = |t_ms: f64| -10.0 * (1.0 - (-t_ms / WINDOW_MS).exp()).log10();
    let late_db = times_ms.map(low_db).sum::<f64>() / 1_000.0;
    assert!((late_db - 0.7).abs() < 0.01, "the README tells another figure than {late_db}");
    for ratio in [2.0, 4.0] {
        let short_db = late_db * (1.0 - 1.0 / f64::from(ratio));
        let settings = compressing(LOOKAHEAD_MS as f32, ATTACK_MS as f32)
            .with(Control::DetectorWindow, WINDOW_MS as f32)
            .with(Control::Ratio, ratio);
        let arrival = 4_800;
        let mut input = vec![QUIET; 2 * arrival];
        input[arrival..].fill(amplitude(24.0));
        let heard = reductions(&settings, 48_000.0, &input);
        let missing = heard.last().unwrap() - heard[arrival];
        assert!((missing - short_db).abs() < 0.02, "{ratio}:1: {missing} dB");
    }
}

/// An attack that is moved while a hit is on its way bends the line that leads to it, and no more.
#[test]
fn an_attack_that_moves_makes_no_step() {
    let hit = amplitude(12.0);
    let mut input: Vec<f32> =
        (0..40_000).map(|n| if n % 1_500 < 40 { hit } else { QUIET }).collect();
    input.extend(vec![QUIET; 480]);
    let mut processor = engine(48_000.0, &compressing(10.0, 2.0).with(Control::Release, 5.0));
    let mut output = both(input.clone());
    let [left, right] = &mut output;
    for (block, (left, right)) in left.chunks_mut(311).zip(right.chunks_mut(311)).enumerate() {
        let attack_ms = [2.0, 10.0, 4.0, 250.0, 3.0][block % 5];
        processor.set(&compressing(10.0, attack_ms).with(Control::Release, 5.0));
        processor.process(left, right, None);
    }
    let heard: Vec<f32> =
        output[0][480..].iter().zip(&input).map(|(y, x)| -20.0 * (y / x).log10()).collect();
    let steepest = heard.array_windows().map(|[a, b]| b - a).fold(0.0, f32::max);
    // The line alone rises by 12 dB in 96 samples; one that grows shorter, twice as fast.
    assert!(steepest < 2.5 * 12.0 / 96.0, "{steepest} dB in a sample");
    assert!(heard.iter().fold(0.0, |a: f32, b| a.max(*b)) > 11.9);
}

/// With less lookahead than attack some of a step passes, the less the more lookahead there is.
#[test]
fn any_lookahead_takes_some_of_the_overshoot() {
    let mut input = vec![QUIET; 8_000];
    input[4_000..].fill(amplitude(12.0));
    let arrived =
        |lookahead_ms: f32| reductions(&compressing(lookahead_ms, 10.0), 48_000.0, &input)[4_000];
    let steps: Vec<f64> = (0..=100).map(|tenths| arrived(tenths as f32 / 10.0)).collect();
    for (tenths, pair) in steps.array_windows().enumerate() {
        let [less, more] = pair;
        // By a straight line from none to all.
        assert!((more - less - 0.12).abs() < 0.04, "{less} to {more} dB at {tenths}");
    }
    assert!(steps[0] < 0.1 && (steps[100] - 12.0).abs() < 0.01);
}

#[test]
fn latency_is_the_lookahead_and_what_the_quality_takes_to_the_sample() {
    for rate_hz in [44_100.0, 48_000.0, 192_000.0, 768_000.0] {
        for quality in 0..4 {
            for lookahead_ms in [0.0, 0.05, 1.0, 4.99, 10.0] {
                let settings = compressing(lookahead_ms, 10.0)
                    .with(Control::Ratio, 1.0)
                    .with(Control::Quality, quality as f32);
                let mut processor = engine(rate_hz, &settings);
                let latency = processor.latency();
                let none = engine(rate_hz, &settings.with(Control::Lookahead, 0.0)).latency();
                let lookahead = (f64::from(lookahead_ms) / 1000.0 * rate_hz).round() as usize;
                assert_eq!(latency, none + lookahead);
                let mut impulse = vec![0.0; latency + 100];
                impulse[20] = 0.5;
                let output = run(&mut processor, &both(impulse), 33);
                let heard = output[0].iter().position(|x| *x != 0.0);
                assert_eq!(heard, Some(20 + latency), "{lookahead_ms} ms, {rate_hz} Hz");
                assert_eq!(output[0][20 + latency], 0.5);
            }
        }
    }
}

#[test]
fn a_parallel_mix_of_nothing_done_nulls_at_every_lookahead_and_quality() {
    let input = programme(20_000, 4);
    for quality in 0..4 {
        for lookahead_ms in [0.0, 0.02, 2.5, 10.0] {
            let settings = compressing(lookahead_ms, 1.0)
                .with(Control::Ratio, 1.0)
                .with(Control::Mix, 50.0)
                .with(Control::Quality, quality as f32);
            let mut processor = engine(48_000.0, &settings);
            let expected = delayed(&input, processor.latency());
            let output = run(&mut processor, &input, 512);
            for (y, x) in output.iter().flatten().zip(expected.iter().flatten()) {
                assert!((y - x).abs() < 1e-6, "{quality} {lookahead_ms}");
            }
        }
    }
}

#[test]
fn bypass_dry_and_key_wait_as_long_as_the_processed() {
    let input = programme(9_000, 5);
    let settings = compressing(7.0, 1.0).with(Control::Quality, 2.0);
    for listening in [
        settings.with(Control::Bypass, 1.0),
        settings.with(Control::Mix, 0.0),
        settings.with(Control::Listen, 2.0),
    ] {
        let mut processor = engine(48_000.0, &listening);
        let expected = delayed(&input, processor.latency());
        assert!(bits(&run(&mut processor, &input, 480)) == bits(&expected), "{listening:?}");
    }
    // Before and after reach the tap in time with each other.
    let mut processor = engine(48_000.0, &settings.with(Control::Ratio, 1.0));
    let [mut left, mut right] = input;
    processor.process_tapped(&mut left, &mut right, None, |tap| assert_eq!(tap.dry, tap.wet));
}

/// A sample that is a fault upstream passes, moves no gain, and is not driven, at the moment it sounds.
#[test]
fn a_fault_passes_in_its_own_time() {
    let settings = compressing(3.0, 2.0)
        .with(Control::Drive, 12.0)
        .with(Control::Mix, 70.0)
        .with(Control::Quality, 2.0);
    let mut input = programme(9_000, 5);
    input.iter_mut().for_each(|channel| channel[4_000] = 0.0);
    let expected = run(&mut engine(48_000.0, &settings), &input, 480);
    input.iter_mut().for_each(|channel| channel[4_000] = 1e5);
    let mut processor = engine(48_000.0, &settings);
    let at = 4_000 + processor.latency();
    let mut output = run(&mut processor, &input, 480);
    for (channel, expected) in output.iter_mut().zip(&expected) {
        assert!(channel[at] > 1e4);
        channel[at] = expected[at];
    }
    assert!(bits(&output) == bits(&expected));
}

#[test]
fn a_lookahead_waits_for_a_reset_and_forgetting_keeps_the_one_in_use() {
    let input = programme(9_000, 2);
    let first = compressing(2.0, 5.0);
    let second = first.with(Control::Lookahead, 6.0);
    let mut processor = engine(48_000.0, &first);
    let mut undisturbed = engine(48_000.0, &first);
    processor.set(&second);
    assert_eq!(processor.latency(), 96);
    assert_eq!(processor.next_latency(), 288);
    let outputs = [&mut processor, &mut undisturbed].map(|engine| bits(&run(engine, &input, 300)));
    assert!(outputs[0] == outputs[1], "the lookahead took effect while playing");
    processor.forget();
    assert_eq!(processor.latency(), 96);
    let again = bits(&run(&mut processor, &input, 300));
    assert!(again == bits(&run(&mut engine(48_000.0, &first), &input, 300)));
    let fresh = bits(&run(&mut engine(48_000.0, &second), &input, 300));
    processor.reset();
    assert_eq!(processor.latency(), 288);
    assert!(bits(&run(&mut processor, &input, 300)) == fresh);
    undisturbed.set(&second);
    undisturbed.prepare(48_000.0, Channels::Stereo).expect("a rate it takes");
    assert!(bits(&run(&mut undisturbed, &input, 300)) == fresh);
}

#[test]
fn the_longest_lookahead_fits_at_the_highest_rate() {
    let mut processor = Processor::new();
    processor.prepare(2_000_000.0, Channels::Stereo).expect("a rate it takes");
    processor.set(&compressing(10.0, 250.0).with(Control::Quality, 3.0));
    processor.reset();
    assert_eq!(processor.latency(), 20_072);
    run(&mut processor, &programme(50_000, 1), 4_096);
}

proptest! {
    #![proptest_config(cases(32))]

    /// The one promise behind all others: what sounds never gets less reduction than the curve asks of
    /// it, on any programme.
    #[test]
    fn with_lookahead_as_long_as_the_attack_no_sample_gets_less_than_its_static_reduction(
        lookahead_ms in 0.05f32..10.0,
        share in 0f32..=1.0,
        release_ms in 5f32..500.0,
        rate_hz in prop::sample::select(vec![8_000.0, 44_100.0, 48_000.0, 96_000.0]),
        seed in 1u32..1_000,
    ) {
        let attack_ms = (lookahead_ms * share).max(0.05);
        let settings = compressing(lookahead_ms, attack_ms).with(Control::Release, release_ms);
        let input = programme(6_000, seed)[0].iter().map(|x| x + 1e-4_f32.copysign(*x)).collect::<Vec<_>>();
        let heard = reductions(&settings, rate_hz, &input);
        for (n, (heard_db, x)) in heard.iter().zip(&input).enumerate() {
            let over_db = 20.0 * f64::from(x.abs() / QUIET).log10();
            let static_db = (over_db.max(0.0) * 0.95).min(24.0);
            prop_assert!(*heard_db > static_db - 0.001, "{n}: {heard_db}, static {static_db}");
        }
    }
}
