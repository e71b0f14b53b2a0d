//! Attack and release as note values of the song's tempo, and the readings in beats.

mod common;
use common::{Stereo, bits, cases, engine, programme, run};
use proptest::prelude::*;
use tenon_dsp::{Beat, Control, NOTES, Processor, Settings};

const RATE_HZ: f64 = 48_000.0;

fn note(name: &str) -> f32 {
    NOTES.iter().position(|note| *note == name).expect("a note") as f32
}

/// 12 dB of reduction while it is loud.
fn pumping() -> Settings {
    Settings::default()
        .with(Control::KeyHighpass, 0.0)
        .with(Control::DetectorWindow, 0.0)
        .with(Control::Knee, 0.0)
        .with(Control::Threshold, -30.0)
        .with(Control::Ratio, 2.0)
        .with(Control::Attack, 1.0)
        .with(Control::LoudnessMatch, 0.0)
}

fn level(db: f32, seconds: f64) -> Stereo {
    let samples = vec![10f32.powf(db / 20.0); (seconds * RATE_HZ) as usize];
    [samples.clone(), samples]
}

/// Time to 63 % of the way down and back, in seconds, as the engine reads the reduction.
fn times(processor: &mut Processor) -> [f64; 2] {
    let mut until = |db: f32, done: &dyn Fn(f32) -> bool| {
        for n in 0..(8.0 * RATE_HZ) as usize {
            run(processor, &level(db, 1.0 / RATE_HZ), 1);
            if done(processor.readings().gain_reduction_db) {
                return n as f64 / RATE_HZ;
            }
        }
        f64::INFINITY
    };
    let part = 12.0 * (-1f32).exp();
    let attack = until(-6.0, &|db| db >= 12.0 - part);
    until(-6.0, &|db| db >= 11.99);
    [attack, until(-60.0, &|db| db <= part)]
}

#[test]
fn note_values_are_times_to_63_percent_at_the_tempo_and_else_the_ms_are() {
    let settings = pumping()
        .with(Control::Attack, 4.0)
        .with(Control::Release, 33.0)
        .with(Control::AttackNote, note("1/64"))
        .with(Control::ReleaseNote, note("1/8T"));
    for (tempo_bpm, attack_s, release_s) in [
        (Some(120.0), 0.5 / 16.0, 0.5 / 3.0),
        (Some(90.0), 2.0 / 3.0 / 16.0, 2.0 / 3.0 / 3.0),
        (None, 0.004, 0.033),
        (Some(f64::NAN), 0.004, 0.033),
        (Some(100_000.0), 0.004, 0.033),
    ] {
        let mut processor = engine(RATE_HZ, &settings);
        processor.set_tempo(tempo_bpm);
        run(&mut processor, &level(-60.0, 0.1), 512);
        let [attack, release] = times(&mut processor);
        assert!((attack / attack_s - 1.0).abs() < 0.01, "{tempo_bpm:?}: {attack} s");
        assert!((release / release_s - 1.0).abs() < 0.01, "{tempo_bpm:?}: {release} s");
    }
}

#[test]
fn a_tempo_leaves_times_in_ms_alone() {
    let input = programme(20_000, 3);
    let mut plain = engine(RATE_HZ, &pumping());
    let mut told = engine(RATE_HZ, &pumping());
    told.set_tempo(Some(97.0));
    assert!(bits(&run(&mut plain, &input, 512)) == bits(&run(&mut told, &input, 512)));
}

/// How fast the reduction falls, as a part of itself a sample, in means over 200 samples.
fn falls(processor: &mut Processor, means: usize) -> Vec<f32> {
    let mut next = || {
        let before = processor.readings().gain_reduction_db;
        run(processor, &level(-60.0, 1.0 / RATE_HZ), 1);
        1.0 - processor.readings().gain_reduction_db / before
    };
    (0..means).map(|_| (0..200).map(|_| next()).sum::<f32>() / 200.0).collect()
}

/// While the tempo rises, the fall of the reduction steepens little by little.
#[test]
fn a_new_tempo_glides_and_makes_no_step() {
    let settings = pumping().with(Control::ReleaseNote, note("1/2"));
    let mut processor = engine(RATE_HZ, &settings);
    processor.set_tempo(Some(60.0));
    run(&mut processor, &level(-6.0, 1.0), 512);
    let before = falls(&mut processor, 1)[0];
    processor.set_tempo(Some(240.0));
    // 50 ms.
    let during = falls(&mut processor, 12);
    let after = falls(&mut processor, 1)[0];
    assert!((after / before - 4.0).abs() < 0.1, "{before} to {after}");
    assert!(during.is_sorted(), "{during:?}");
    assert!(during[0] < before * 1.2 && during[5] < after * 0.55, "{during:?}");
}

#[test]
fn the_match_goes_on_when_the_tempo_changes() {
    let settings =
        pumping().with(Control::LoudnessMatch, 1.0).with(Control::ReleaseNote, note("1/8"));
    let mut processor = engine(RATE_HZ, &settings);
    let memory = tenon_dsp::MatchMemory { gain_db: 2.5, state: tenon_dsp::MatchState::Held };
    processor.restore_match(memory);
    processor.set_tempo(Some(140.0));
    run(&mut processor, &programme(20_000, 3), 512);
    assert_eq!(processor.match_memory(), memory);
}

/// A short hit on every beat at 120 bpm, a release of an eighth: back within half a beat and the
/// attack's tail, and e⁻² of 12 dB left after a beat.
#[test]
fn readings_in_beats_are_those_of_the_gain_that_sounds() {
    for lookahead_ms in [0.0, 10.0] {
        let settings = pumping()
            .with(Control::ReleaseNote, note("1/8"))
            .with(Control::Lookahead, lookahead_ms);
        let mut processor = engine(RATE_HZ, &settings);
        processor.set_tempo(Some(120.0));
        processor.set_beat(Some(Beat { position: 0.0, per_s: 2.0 }));
        let hit = [level(-6.0, 0.01), level(-60.0, 0.49)];
        for _ in 0..8 {
            for part in &hit {
                run(&mut processor, part, 480);
            }
        }
        let readings = processor.readings();
        assert_eq!(readings.tempo_bpm, Some(120.0));
        let recovery = readings.recovery.expect("there were hits");
        assert!(recovery.came_back);
        let beats = recovery.seconds * readings.beats_per_s.expect("the song plays");
        assert!((beats - 0.5).abs() < 0.01, "{beats} beats");
        let left_db = readings.left_at_beat_db.expect("there were beats");
        // The hit ends 0.02 beats into the beat, and with lookahead the next is seen as much before.
        let let_go_s = if lookahead_ms > 0.0 { 0.489 } else { 0.49 };
        let expected_db = 12.0 * (-let_go_s / 0.25f32).exp();
        assert!((left_db - expected_db).abs() < 0.03, "{left_db} dB, not {expected_db}");
        assert!((7..=8).contains(&readings.hits) && readings.hits_recovered == readings.hits);
        processor.clear_peaks();
        assert_eq!(processor.readings().hits, 0);
    }
}

proptest! {
    #![proptest_config(cases(24))]

    /// Tempos that come at any sample, absurd ones too, with and without lookahead.
    #[test]
    fn following_a_tempo_does_not_depend_on_the_blocks(
        tempos in prop::collection::vec((1usize..2_500, prop::option::of(0f64..500.0)), 2..8),
        attack_note in 0..NOTES.len(),
        release_note in 0..NOTES.len(),
        lookahead_ms in 0f32..10.0,
        block in 1usize..700,
    ) {
        let input = programme(20_000, 13);
        let settings = pumping()
            .with(Control::AttackNote, attack_note as f32)
            .with(Control::ReleaseNote, release_note as f32)
            .with(Control::Lookahead, lookahead_ms);
        let play = |block: usize| {
            let mut processor = engine(RATE_HZ, &settings);
            let mut output = input.clone();
            let [mut left, mut right] = output.each_mut().map(|channel| channel.as_mut_slice());
            for &(frames, tempo_bpm) in &tempos {
                processor.set_tempo(tempo_bpm);
                processor.set_beat(tempo_bpm.map(|bpm| Beat { position: bpm, per_s: bpm / 60.0 }));
                let (now_left, now_right);
                (now_left, left) = left.split_at_mut(frames);
                (now_right, right) = right.split_at_mut(frames);
                for (left, right) in now_left.chunks_mut(block).zip(now_right.chunks_mut(block)) {
                    processor.process(left, right, None);
                }
            }
            (bits(&output), processor.readings())
        };
        let (whole, split) = (play(100_000), play(block));
        prop_assert!(whole == split, "bits or readings differ");
        let finite = whole.0.iter().all(|x| f32::from_bits(*x).is_finite());
        prop_assert!(finite);
    }
}
