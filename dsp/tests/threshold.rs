//! Finding a threshold: what is replayed is what the engine does.

mod common;
use common::{Stereo, any_settings, cases, engine, programme};
use proptest::prelude::*;
use tenon_dsp::{
    Control, FindError, LEVEL_CONTROLS, Levels, REDUCTION_CONTROLS, Settings, TypicalReduction,
};

/// Of the song in every run.
const TEMPO_BPM: f64 = 120.0;

/// Levels and gain reductions of a run, and the typical maximum of the latter.
fn play(
    rate_hz: f64,
    settings: &Settings,
    input: &Stereo,
    block: usize,
) -> ([Stereo; 2], Option<f32>) {
    let mut processor = engine(rate_hz, settings);
    processor.set_tempo(Some(TEMPO_BPM));
    processor.reset();
    let mut typical = TypicalReduction::of_all(rate_hz);
    let mut tapped: [Stereo; 2] = Default::default();
    let [left, right] = &mut input.clone();
    for (left, right) in left.chunks_mut(block).zip(right.chunks_mut(block)) {
        processor.process_tapped(left, right, None, |tap| {
            typical.add(tap.levels, tap.reductions);
            for (kept, lanes) in tapped.iter_mut().zip([tap.levels, tap.reductions]) {
                for (kept, lane) in kept.iter_mut().zip(lanes) {
                    kept.extend(lane);
                }
            }
        });
    }
    (tapped, typical.reading_db())
}

proptest! {
    #![proptest_config(cases(24))]

    #[test]
    fn levels_and_reductions_do_not_depend_on_the_split(
        settings in any_settings(), block in 1usize..2_000,
    ) {
        let input = programme(9_000, 7);
        let (whole, _) = play(8_000.0, &settings, &input, 9_000);
        prop_assert!(play(8_000.0, &settings, &input, block).0 == whole);
    }

    /// Through the curve and the ballistics of the engine, whatever the settings: the threshold that
    /// was found gives exactly the typical maximum that was said, which is near the target.
    #[test]
    fn the_engine_does_at_the_threshold_what_was_found(
        settings in any_settings(), target_db in 0.5f32..=12.0,
    ) {
        let (rate_hz, input) = (8_000.0, programme(48_000, 9));
        let ([[left, right], _], _) = play(rate_hz, &settings, &input, 512);
        let mut levels = Levels::of_all(rate_hz);
        levels.add([&left, &right]);
        match levels.find(&settings, Some(TEMPO_BPM), target_db) {
            Ok(found) => {
                prop_assert!((found.typical_db - target_db).abs() < 0.02, "{found:?}");
                let settings = settings.with(Control::Threshold, found.threshold_db);
                prop_assert_eq!(play(rate_hz, &settings, &input, 512).1, Some(found.typical_db));
            }
            // And where nothing was found, nothing is: the lowest threshold gives less, or the highest
            // more.
            Err(FindError::TooMuch { .. }) => {
                let highest = settings.with(Control::Threshold, 0.0);
                prop_assert!(play(rate_hz, &highest, &input, 512).1 > Some(target_db));
            }
            Err(_) => {
                let lowest = settings.with(Control::Threshold, -60.0);
                prop_assert!(play(rate_hz, &lowest, &input, 512).1 < Some(target_db));
            }
        }
    }
}

/// What the plug-in goes by when it forgets levels and reductions.
#[test]
fn only_the_stated_controls_move_levels_and_reductions() {
    let input = programme(9_000, 7);
    let base = Settings::default().with(Control::Threshold, -40.0);
    for control in Control::ALL {
        let spec = control.spec();
        let [low, high] = [spec.min, spec.max]
            .map(|value| play(8_000.0, &base.with(control, value), &input, 512).0);
        let (level, reduction) = (low[0] != high[0], low[1] != high[1]);
        assert!(!level || LEVEL_CONTROLS.contains(&control), "{control:?} moves the level");
        let listed = LEVEL_CONTROLS.contains(&control) || REDUCTION_CONTROLS.contains(&control);
        // Without a key there is only the own signal.
        assert!(reduction == listed || control == Control::KeySource, "{control:?}");
    }
}
