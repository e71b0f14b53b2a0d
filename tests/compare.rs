//! Compare: the dry signal at the loudness the processed one has had over the last seconds.
//!
//! Integrated and short-term (3 s) loudness are measured by the `ebur128` crate. The bounds are our own:
//! what one slow gain can do on the invented song and the signals below, at 2 and 4 dB of maximum gain
//! reduction.

use tenon_dsp::{Channels, Control, Processor, Settings};
use tenon_tests::{Stereo, measure, signals, song};

const RATE: u32 = 48_000;

fn process(settings: &Settings, input: &Stereo) -> (Stereo, f32) {
    let mut processor = Processor::new();
    processor.prepare(RATE.into(), Channels::Stereo).expect("a rate it takes");
    processor.set(settings);
    processor.reset();
    let mut output = input.clone();
    processor.process(&mut output.left, &mut output.right, None);
    (output, processor.readings().gain_reduction_peak_db)
}

/// Settings whose maximum gain reduction on a signal is `target_db`, found by bisection.
fn reducing_by(target_db: f32, input: &Stereo) -> Settings {
    let at = |threshold: f32| {
        Settings::default()
            .with(Control::Ratio, 4.0)
            .with(Control::LoudnessMatch, 0.0)
            .with(Control::Threshold, threshold)
    };
    let (mut deep, mut shallow) = (-60.0, 0.0);
    for _ in 0..12 {
        let middle = 0.5 * (deep + shallow);
        if process(&at(middle), input).1 > target_db { deep = middle } else { shallow = middle }
    }
    at(deep)
}

/// Loudness of compare against the processed signal: integrated error, and median and 95th
/// percentile of the short-term difference, in LU.
fn errors(settings: &Settings, input: &Stereo) -> [f64; 3] {
    let (processed, _) = process(settings, input);
    let (compared, _) = process(&settings.with(Control::Compare, 1.0), input);
    let integrated =
        |stereo| measure::integrated_lufs(RATE, stereo).expect("programme above the gate");
    let loudness = integrated(&processed);
    // Windows that are mostly silence say nothing: the relative gate of BS.1770.
    let mut differences: Vec<f64> = measure::short_term_lufs(RATE, &compared)
        .into_iter()
        .zip(measure::short_term_lufs(RATE, &processed))
        .filter(|(a, b)| a.min(*b) > loudness - 10.0)
        .map(|(a, b)| (a - b).abs())
        .collect();
    differences.sort_by(f64::total_cmp);
    let at = |share: f64| differences[(share * differences.len() as f64) as usize];
    [(integrated(&compared) - loudness).abs(), at(0.5), at(0.95)]
}

fn assert_compares(name: &str, input: &Stereo) {
    for (target_db, bounds) in [(2.0, [0.06, 0.1, 0.55]), (4.0, [0.12, 0.25, 1.2])] {
        let errors = errors(&reducing_by(target_db, input), input);
        println!(
            "{name}, {target_db} dB: integrated {:.3}, short-term median {:.3}, 95 % {:.3} LU",
            errors[0], errors[1], errors[2]
        );
        for (error, bound) in errors.into_iter().zip(bounds) {
            assert!(error <= bound, "{name} at {target_db} dB: {errors:?}, bounds {bounds:?}");
        }
    }
}

/// A part of the song, times in seconds.
fn part(from: f64, to: f64) -> Stereo {
    let whole = song::sum(&song::stems(RATE));
    let range = (from * f64::from(RATE)) as usize..(to * f64::from(RATE)) as usize;
    Stereo { left: whole.left[range.clone()].to_vec(), right: whole.right[range].to_vec() }
}

#[test]
fn the_quiet_section_compares_at_equal_loudness() {
    assert_compares("quiet section", &part(song::QUIET_S.start, song::QUIET_S.end));
}

#[test]
fn the_dense_section_compares_at_equal_loudness() {
    assert_compares("dense section", &part(song::DENSE_S.start, song::DENSE_S.end));
}

#[test]
fn pink_noise_compares_at_equal_loudness() {
    let channel = |seed| signals::pink_noise(RATE.into(), seed, -20.0, 40.0);
    assert_compares("pink noise", &Stereo { left: channel(1), right: channel(2) });
}

#[test]
fn a_sparse_drum_loop_compares_at_equal_loudness() {
    assert_compares("sparse drum loop", &signals::sparse_drum_loop(RATE.into(), 40.0));
}

/// Four bars of the dense section, played and stopped four times.
#[test]
fn a_loop_that_stops_and_starts_compares_at_equal_loudness() {
    let phrase = part(song::DENSE_S.start + 5.0, song::DENSE_S.start + 15.0);
    let mut programme = Stereo::default();
    let pause = (1.25 * f64::from(RATE)) as usize;
    for _ in 0..4 {
        for (to, from) in
            [(&mut programme.left, &phrase.left), (&mut programme.right, &phrase.right)]
        {
            to.extend(from);
            to.resize(to.len() + pause, 0.0);
        }
    }
    assert_compares("stops and starts", &programme);
}

/// Bursts of very different level are beyond one slow gain; the integrated loudness still agrees.
#[test]
fn bursts_at_changing_levels_compare_at_equal_integrated_loudness() {
    let bursts = signals::stops_and_starts(RATE.into(), 60.0);
    for (target_db, bound) in [(2.0, 0.06), (4.0, 0.12)] {
        let [integrated, ..] = errors(&reducing_by(target_db, &bursts), &bursts);
        assert!(integrated <= bound, "{target_db} dB: {integrated} LU");
    }
}

/// A control that moves the level moves what is compared: within a second the dry has followed.
#[test]
fn compare_follows_a_moved_control() {
    let noise = |seed| signals::pink_noise(RATE.into(), seed, -20.0, 12.0);
    let input = Stereo { left: noise(1), right: noise(2) };
    let base = Settings::default().with(Control::LoudnessMatch, 0.0);
    let (from, to) = (base.with(Control::Makeup, 12.0), base.with(Control::Threshold, -30.0));
    let heard = |compare: f32| {
        let mut processor = Processor::new();
        processor.prepare(RATE.into(), Channels::Stereo).expect("a rate it takes");
        processor.set(&from.with(Control::Compare, compare));
        processor.reset();
        let mut output = input.clone();
        let moved_at = 8 * RATE as usize;
        let (left, later_left) = output.left.split_at_mut(moved_at);
        let (right, later_right) = output.right.split_at_mut(moved_at);
        processor.process(left, right, None);
        processor.set(&to.with(Control::Compare, compare));
        processor.process(later_left, later_right, None);
        let second = |channel: &[f32]| channel[9 * RATE as usize..10 * RATE as usize].to_vec();
        let part = Stereo { left: second(&output.left), right: second(&output.right) };
        measure::integrated_lufs(RATE, &part).expect("programme above the gate")
    };
    let difference = heard(1.0) - heard(0.0);
    assert!(difference.abs() < 0.3, "{difference} LU");
}
