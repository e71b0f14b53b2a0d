//! A state that never changes, for pictures and for tests that compare them: a bar of drums of our
//! own invention, and readings to go with it.

use std::f32::consts::TAU;

use tenon_dsp::{MatchState, Readings, Recovery};

use super::together::{Band, Listened, Together};
use super::trace::STEP_S;
use crate::feed::{Place, Point};

/// The environment variable that shows it, whatever plays: `light` or `dark` names the sheet, `trial`
/// shows a blind trial on the light one.
const VARIABLE: &str = "TENON_PICTURE";

/// Points of the trace: 60 s, as much as the widest picture shows.
const POINTS: u64 = 3_000;
const BEATS_PER_S: f64 = 104.0 / 60.0;

/// Whether a picture is to be taken, and whether of the dark sheet.
pub(crate) fn dark_picture() -> Option<bool> {
    match std::env::var(VARIABLE).as_deref() {
        Ok("light" | "trial") => Some(false),
        Ok("dark") => Some(true),
        _ => None,
    }
}

/// Whether it is a picture of a blind trial.
pub(crate) fn is_trial_picture() -> bool {
    std::env::var(VARIABLE).is_ok_and(|picture| picture == "trial")
}

/// The readings.
pub(crate) fn readings() -> Readings {
    Readings {
        gain_reduction_db: 1.4,
        gain_reduction_peak_db: 2.1,
        gain_reduction_mean_db: 1.2,
        tempo_bpm: Some(104.0),
        beats_per_s: Some(BEATS_PER_S as f32),
        recovery: Some(Recovery { seconds: 0.18, came_back: true }),
        left_at_beat_db: Some(0.1),
        mid_before_db: -16.9,
        mid_after_db: -17.0,
        side_before_db: -26.3,
        side_after_db: -26.1,
        loudness_before_lufs: -16.4,
        loudness_after_lufs: -16.4,
        peak_to_loudness_before_db: 13.1,
        peak_to_loudness_after_db: 12.2,
        correlation_before: Some(0.72),
        correlation_after: Some(0.71),
        match_gain_db: 0.8,
        match_state: MatchState::Held,
        ..Readings::default()
    }
}

/// What a listener hears.
pub(crate) fn listened() -> Listened {
    Listened { together: Ok(together()), typical_db: Some(2.0) }
}

/// Togetherness.
pub(crate) fn together() -> Together {
    // Centres of twelve bands equally wide on the ERB-number scale from 40 Hz to 16 kHz.
    const BANDS: [(f32, Option<f32>, Option<f32>); 12] = [
        (90.0, Some(0.86), None),
        (220.0, Some(0.95), None),
        (403.0, Some(0.91), Some(0.34)),
        (660.0, Some(0.84), Some(0.52)),
        (1_022.0, Some(0.79), Some(0.61)),
        (1_532.0, Some(0.77), Some(0.66)),
        (2_249.0, Some(0.81), Some(0.72)),
        (3_258.0, Some(0.88), Some(0.78)),
        (4_679.0, Some(0.74), Some(0.70)),
        (6_678.0, Some(0.66), Some(0.58)),
        (9_492.0, Some(0.57), Some(0.45)),
        (13_451.0, Some(0.49), Some(0.37)),
    ];
    Together {
        percent: 23.5,
        shared: 0.95,
        movement_db: 0.3,
        programme_percent: 26.4,
        bands: BANDS.map(|(centre_hz, mid, side)| Band { centre_hz, mid, side }).to_vec(),
    }
}

/// The trace: kick, snare and hats in the middle, a room at the sides, and a gain that comes down
/// with them and goes back.
pub(crate) fn points() -> Vec<Point> {
    let start = Place { bar: 9, beat: 0.6, beats: 4.0, beats_per_s: BEATS_PER_S };
    let mut reduction_db = 0.0_f32;
    (0..POINTS)
        .map(|number| {
            let place = start.after(number as f64 * STEP_S);
            // Time since a hit at any of these beats of the bar, in seconds.
            let since = |hits: &[f64]| {
                hits.iter()
                    .map(|hit| (place.beat - hit).rem_euclid(place.beats) / BEATS_PER_S)
                    .fold(f64::INFINITY, f64::min) as f32
            };
            let power = |db: f32| 10_f32.powf(db / 10.0);
            let decay = |peak_db: f32, fall_db_per_s: f32, since_s: f32| {
                power(peak_db - fall_db_per_s * since_s)
            };
            let kick = since(&[0.0, 1.75, 2.5]);
            let snare = since(&[1.0, 3.0]);
            let hat = since(&[0.5, 1.5, 2.5, 3.5]);
            let wobble = |slow: f32, depth: f32| {
                depth * (TAU * slow * number as f32 * STEP_S as f32).sin()
                    + 0.7 * depth * (TAU * 2.37 * slow * number as f32 * STEP_S as f32).sin()
            };
            let mid = decay(-9.0, 68.0, kick)
                + decay(-7.5, 52.0, snare)
                + decay(-19.0, 60.0, hat)
                + power(-26.0 + wobble(3.1, 0.8));
            let side = decay(-17.5, 30.0, snare)
                + decay(-21.0, 46.0, hat)
                + power(-31.0 + wobble(4.3, 0.7));
            let (mid, side) = (10.0 * mid.log10(), 10.0 * side.log10());

            let wanted = ((mid + 17.5) * 0.25).max(0.0);
            let share = if wanted > reduction_db { 0.62 } else { 0.105 };
            reduction_db += share * (wanted - reduction_db);
            let mean_db = 0.9;
            Point {
                number,
                reduction_db,
                mid_db: [mid, mid - reduction_db + mean_db],
                side_db: [side, side - reduction_db + mean_db],
                place: Some(place),
            }
        })
        .collect()
}
