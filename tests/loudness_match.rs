//! The match: one constant gain, learned while programme plays, then held. Loudness is measured by
//! the `ebur128` crate.

use tenon_dsp::{Channels, Control, MatchState, Processor, Readings, Settings};
use tenon_tests::{Stereo, measure, signals, song};

const RATE: u32 = 48_000;
const STEP: usize = 4_800;

fn compressing() -> Settings {
    Settings::default()
        .with(Control::Threshold, -26.0)
        .with(Control::Ratio, 4.0)
        .with(Control::Makeup, 3.0)
}

fn engine(settings: &Settings) -> Processor {
    let mut processor = Processor::new();
    processor.prepare(RATE.into(), Channels::Stereo).expect("a rate it takes");
    processor.set(settings);
    processor.reset();
    processor
}

/// Plays a signal; the output and the readings every 100 ms.
fn play(processor: &mut Processor, input: &Stereo) -> (Stereo, Vec<Readings>) {
    let mut output = input.clone();
    let mut readings = Vec::new();
    for (left, right) in output.left.chunks_mut(STEP).zip(output.right.chunks_mut(STEP)) {
        processor.process(left, right, None);
        readings.push(processor.readings());
    }
    (output, readings)
}

fn song() -> Stereo {
    song::sum(&song::stems(RATE))
}

fn loudness(stereo: &Stereo) -> f64 {
    measure::integrated_lufs(RATE, stereo).expect("above the gate")
}

#[test]
fn once_held_a_repeat_of_the_same_programme_is_as_loud_as_the_dry_one() {
    let dry = Stereo {
        left: signals::pink_noise(RATE.into(), 1, -18.0, 65.0),
        right: signals::pink_noise(RATE.into(), 2, -18.0, 65.0),
    };
    let mut processor = engine(&compressing());
    let (_, learning) = play(&mut processor, &dry);
    assert_eq!(learning.last().unwrap().match_state, MatchState::Held);
    let (output, _) = play(&mut processor, &dry);
    let error = loudness(&output) - loudness(&dry);
    assert!(error.abs() < 0.05, "{error} LU");
}

#[test]
fn learning_glides_at_no_more_than_half_a_db_per_second_and_holds_still_after() {
    let mut processor = engine(&compressing());
    let (_, mut readings) = play(&mut processor, &song());
    readings.extend(play(&mut processor, &song()).1);
    let mut was_held = false;
    for pair in readings.windows(2) {
        let moved = (pair[1].match_gain_db - pair[0].match_gain_db).abs();
        assert!(moved <= 0.5 * 0.1 + 1e-4, "{moved} dB in 100 ms");
        let held = pair[0].match_state == MatchState::Held;
        if held {
            // One more hop lets the gain arrive at what was found.
            assert!(!was_held || moved == 0.0, "a held match moved by {moved} dB");
            assert_eq!(pair[1].match_state, MatchState::Held);
        }
        was_held = held;
    }
    assert!(was_held, "twice 40 s of programme are enough to hold");
}

#[test]
fn the_match_does_not_move_in_silence_nor_on_hiss_below_the_gate() {
    let mut processor = engine(&compressing());
    let burst = Stereo {
        left: signals::pink_noise(RATE.into(), 1, -18.0, 4.0),
        right: signals::pink_noise(RATE.into(), 2, -18.0, 4.0),
    };
    play(&mut processor, &burst);
    // The first hops after the burst still hear it ring out.
    play(&mut processor, &Stereo::both(vec![0.0; STEP]));
    let gain = processor.readings().match_gain_db;
    assert!(gain != 0.0);
    let hiss = Stereo::both(signals::white_noise(RATE.into(), 3, -85.0, 20.0));
    for quiet in [Stereo::both(vec![0.0; 20 * RATE as usize]), hiss] {
        let (_, readings) = play(&mut processor, &quiet);
        assert!(readings.iter().all(|reading| reading.match_gain_db == gain));
    }
    assert_eq!(processor.readings().match_state, MatchState::Learning);
}

#[test]
fn the_match_is_bounded_to_24_db_either_way() {
    let noise = Stereo::both(signals::pink_noise(RATE.into(), 1, -30.0, 80.0));
    for (trim, makeup, bound) in [(24.0, 24.0, -24.0), (-24.0, -12.0, 24.0)] {
        let settings = Settings::default()
            .with(Control::Threshold, 0.0)
            .with(Control::InputTrim, trim)
            .with(Control::Makeup, makeup);
        let mut processor = engine(&settings);
        let (_, readings) = play(&mut processor, &noise);
        let gain = readings.last().unwrap().match_gain_db;
        assert!((gain - bound).abs() < 1e-3, "{gain} dB");
    }
}

#[test]
fn the_output_trim_comes_after_the_match_and_is_left_alone() {
    let dry = Stereo::both(signals::pink_noise(RATE.into(), 1, -20.0, 65.0));
    let mut processor = engine(&compressing().with(Control::OutputTrim, -3.0));
    play(&mut processor, &dry);
    let (output, _) = play(&mut processor, &dry);
    let difference = loudness(&output) - loudness(&dry);
    assert!((difference + 3.0).abs() < 0.05, "{difference} LU");
}

/// What was heard before a control moved does not count: learning ends where a fresh engine's does.
#[test]
fn a_moved_control_is_learned_as_if_it_had_always_stood_there() {
    let noise = |seconds| Stereo {
        left: signals::pink_noise(RATE.into(), 1, -18.0, seconds),
        right: signals::pink_noise(RATE.into(), 2, -18.0, seconds),
    };
    let base = Settings::default();
    for (from, to) in [
        (base.with(Control::Makeup, 12.0), base),
        (base.with(Control::Ratio, 20.0), base.with(Control::Threshold, -40.0)),
        (base.with(Control::InputTrim, -12.0), base.with(Control::InputTrim, 12.0)),
    ] {
        let mut moved = engine(&from);
        play(&mut moved, &noise(3.05));
        moved.set(&to);
        let mut fresh = engine(&to);
        let mut gains = [&mut moved, &mut fresh].map(|engine| {
            play(engine, &noise(80.0));
            let readings = engine.readings();
            assert_eq!(readings.match_state, MatchState::Held);
            readings.match_gain_db
        });
        gains.sort_by(f32::total_cmp);
        assert!(gains[1] - gains[0] < 0.1, "{gains:?}");
    }
}

/// Loud settings are no fault of the input: +20 dB of trim and of makeup are learned.
#[test]
fn loud_settings_on_a_loud_programme_are_matched() {
    let noise = signals::pink_noise(RATE.into(), 1, -14.0, 80.0);
    let settings = Settings::default()
        .with(Control::Ratio, 1.0)
        .with(Control::InputTrim, 20.0)
        .with(Control::Makeup, 4.0);
    let mut processor = engine(&settings);
    let (_, readings) = play(&mut processor, &Stereo::both(noise));
    let last = readings.last().unwrap();
    assert!((last.match_gain_db + 24.0).abs() < 0.01, "{} dB", last.match_gain_db);
}
