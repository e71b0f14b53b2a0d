//! The togetherness analyser by itself: when it reads and when it says why not, and what it must not
//! depend on.

mod common;

use common::{Stereo, cases, programme};
use proptest::prelude::*;
use std::f64::consts::TAU;
use tenon_dsp::{NoReading, TogetherReading, Togetherness};

const RATE_HZ: f64 = 48_000.0;

fn analyser() -> Togetherness {
    Togetherness::new(RATE_HZ).expect("rate within range")
}

fn add(togetherness: &mut Togetherness, dry: &Stereo, wet: &Stereo) {
    togetherness.add([&dry[0], &dry[1]], [&wet[0], &wet[1]]);
}

fn read(dry: &Stereo, wet: &Stereo) -> Result<TogetherReading, NoReading> {
    let mut togetherness = analyser();
    add(&mut togetherness, dry, wet);
    togetherness.reading()
}

fn frames(seconds: f64) -> usize {
    (seconds * RATE_HZ) as usize
}

/// Each sample by its number and its time in seconds, in both channels.
fn both(seconds: f64, sample: impl Fn(usize, f64) -> f64) -> Stereo {
    let channel: Vec<f32> =
        (0..frames(seconds)).map(|n| sample(n, n as f64 / RATE_HZ) as f32).collect();
    [channel.clone(), channel]
}

fn silence(seconds: f64) -> Stereo {
    both(seconds, |_, _| 0.0)
}

/// The signal under a gain that swings by ±3 dB at 2 Hz.
fn swinging(dry: &Stereo) -> Stereo {
    let gain = |n: usize| 10f64.powf(0.15 * (TAU * 2.0 * n as f64 / RATE_HZ).sin());
    dry.each_ref().map(|channel| {
        channel.iter().enumerate().map(|(n, x)| (gain(n) * f64::from(*x)) as f32).collect()
    })
}

fn joined(parts: &[&Stereo]) -> Stereo {
    [0, 1].map(|side| parts.iter().flat_map(|part| part[side].iter().copied()).collect())
}

#[test]
fn a_gain_that_moves_everything_reads_high() {
    let dry = programme(frames(6.0), 1);
    let reading = read(&dry, &swinging(&dry)).expect("a full programme");
    assert!(reading.shared > 0.95 && reading.percent > 70.0, "{reading:?}");
    // ±3 dB of a sine is 2.1 dB of standard deviation.
    assert!((reading.movement_db - 2.1).abs() < 0.2, "{reading:?}");
}

#[test]
fn signals_that_do_not_allow_a_reading_say_why() {
    let music = programme(frames(6.0), 1);
    let sine = both(6.0, |_, t| 0.3 * (TAU * 1_000.0 * t).sin());
    let tremolo = both(6.0, |_, t| 0.3 * (TAU * 440.0 * t).sin() * (1.2 + (TAU * 3.0 * t).sin()));
    let clicks = both(20.0, |n, _| if n % 48_000 == 0 { 0.9 } else { 0.0 });
    let faulty = both(6.0, |n, _| if n % 100 == 0 { f64::NAN } else { 0.1 });
    let endless = both(6.0, |n, _| if n % 100 == 0 { f64::INFINITY } else { 0.1 });
    let absurd = both(6.0, |n, _| if n % 100 == 0 { 1e9 } else { 0.1 });
    let short = programme(frames(0.1), 1);
    for (what, dry, wet, reason) in [
        ("silence", &silence(6.0), &silence(6.0), NoReading::DrySilent),
        ("no input", &silence(6.0), &music, NoReading::DrySilent),
        ("a muted output", &music, &silence(6.0), NoReading::WetSilent),
        ("a sine", &sine, &sine, NoReading::TooNarrow),
        ("a sine turned up and down", &sine, &swinging(&sine), NoReading::TooNarrow),
        ("a tremolo", &tremolo, &swinging(&tremolo), NoReading::TooNarrow),
        ("another programme", &music, &programme(frames(6.0), 2), NoReading::Unlike),
        ("clicks", &clicks, &swinging(&clicks), NoReading::TooShort),
        ("not a number", &faulty, &music, NoReading::Faulty),
        ("infinite output", &music, &endless, NoReading::Faulty),
        ("absurd samples", &absurd, &absurd, NoReading::Faulty),
        ("a tenth of a second", &short, &short, NoReading::TooShort),
        ("nothing", &silence(0.0), &silence(0.0), NoReading::TooShort),
    ] {
        assert_eq!(read(dry, wet), Err(reason), "{what}");
    }
}

#[test]
fn silence_ends_the_reading_after_two_seconds_and_sound_brings_it_back() {
    let dry = programme(frames(6.0), 1);
    let mut togetherness = analyser();
    add(&mut togetherness, &dry, &swinging(&dry));
    let before = togetherness.reading().expect("a full programme");
    add(&mut togetherness, &silence(1.9), &silence(1.9));
    let held = togetherness.reading().expect("a short rest");
    assert!((held.percent - before.percent).abs() < 2.0, "{held:?}");
    add(&mut togetherness, &silence(0.2), &silence(0.2));
    assert_eq!(togetherness.reading(), Err(NoReading::DrySilent));
    add(&mut togetherness, &silence(60.0), &silence(60.0));
    assert_eq!(togetherness.reading(), Err(NoReading::DrySilent));
    let again = programme(frames(3.0), 5);
    add(&mut togetherness, &again, &again);
    // What was before the silence is forgotten.
    assert!(togetherness.reading().expect("sound again").percent < 0.1);
}

#[test]
fn a_moment_of_nonsense_is_passed_over() {
    let dry = programme(frames(6.0), 1);
    let wet = swinging(&dry);
    let clean = read(&dry, &wet).expect("a full programme");
    for nonsense in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::MAX, 65.0] {
        let mut spoilt = wet.clone();
        spoilt[1][200_000] = nonsense;
        let reading = read(&dry, &spoilt).expect("most of it is sound");
        assert!((reading.percent - clean.percent).abs() < 2.0, "{nonsense}: {reading:?}");
    }
}

#[test]
fn polarity_and_swapped_channels_change_no_bit() {
    let dry = programme(frames(4.0), 3);
    let wet = swinging(&dry);
    let reading = read(&dry, &wet);
    assert!(reading.is_ok());
    let swapped = |[left, right]: &Stereo| [right.clone(), left.clone()];
    assert_eq!(read(&swapped(&dry), &swapped(&wet)), reading);
    let inverted = wet.each_ref().map(|channel| channel.iter().map(|x| -x).collect());
    assert_eq!(read(&dry, &inverted), reading);
}

proptest! {
    #![proptest_config(cases(12))]

    #[test]
    fn the_reading_does_not_depend_on_how_the_stream_is_cut(
        cuts in prop::collection::vec(0usize..5_000, 1..40),
    ) {
        let dry = programme(frames(3.0), 4);
        let wet = swinging(&dry);
        let mut togetherness = analyser();
        let mut start = 0;
        for cut in cuts.iter().cycle().map(|cut| cut + 1) {
            let block = start..frames(3.0).min(start + cut);
            start = block.end;
            if block.is_empty() {
                break;
            }
            let part = |signal: &Stereo| signal.each_ref().map(|side| side[block.clone()].to_vec());
            add(&mut togetherness, &part(&dry), &part(&wet));
        }
        prop_assert_eq!(togetherness.reading(), read(&dry, &wet));
    }
}

#[test]
fn a_reset_analyser_reads_as_a_fresh_one() {
    let dry = programme(frames(4.0), 1);
    let wet = swinging(&dry);
    let mut togetherness = analyser();
    add(&mut togetherness, &programme(frames(5.0), 2), &programme(frames(5.0), 3));
    togetherness.reset();
    assert_eq!(togetherness.reading(), Err(NoReading::TooShort));
    add(&mut togetherness, &dry, &wet);
    assert_eq!(togetherness.reading(), read(&dry, &wet));
}

#[test]
fn measuring_never_allocates() {
    let dry = programme(frames(4.0), 1);
    let wet = swinging(&dry);
    let quiet = silence(8.0);
    let mut togetherness = analyser();
    let count = allocation_counter::measure(|| {
        add(&mut togetherness, &dry, &wet);
        assert!(togetherness.reading().is_ok());
        add(&mut togetherness, &quiet, &quiet);
        togetherness.reset();
        add(&mut togetherness, &dry, &wet);
    });
    assert_eq!(count.count_total, 0);
}

#[test]
fn every_rate_the_engine_takes_is_taken() {
    for rate_hz in
        [1_000.0, 8_000.0, 11_025.0, 22_050.0, 44_100.0, 88_200.0, 192_000.0, 2_000_000.0]
    {
        let mut togetherness = Togetherness::new(rate_hz).expect("rate within range");
        let dry = programme((4.0 * rate_hz) as usize, 1);
        add(&mut togetherness, &dry, &dry);
        let reading = togetherness.reading().expect("a full programme");
        assert!(reading.percent < 0.1, "{rate_hz} Hz: {reading:?}");
        let centres = reading.bands.map(|band| band.centre_hz);
        assert!(centres.is_sorted() && centres[0] > 40.0, "{centres:?}");
        assert!(f64::from(centres[11]) < (0.45 * rate_hz).min(16_000.0), "{centres:?}");
    }
    for rate_hz in [f64::NAN, 0.0, 999.0, f64::INFINITY] {
        assert!(Togetherness::new(rate_hz).is_err());
    }
}

#[test]
fn joined_signals_are_read_by_what_came_last() {
    let (first, second) = (programme(frames(8.0), 1), programme(frames(30.0), 2));
    let dry = joined(&[&first, &second]);
    let wet = joined(&[&swinging(&first), &second]);
    let reading = read(&dry, &wet).expect("a full programme");
    assert!(reading.percent < 1.0, "ten time constants later: {reading:?}");
}
