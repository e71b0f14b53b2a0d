//! One small room that several stems share, and the rotating speaker of the organ.

use super::maths::{Filter, exp, sine};

/// Adds a small live room to a stereo signal: eight delays feeding back through a Householder
/// mixer, left into the even ones and right into the odd ones. The send and the room are linear, so
/// stems that went in apart sum to the same room.
pub(super) fn add_room(rate: f64, send: f64, left: &mut [f64], right: &mut [f64]) {
    const DELAYS_MS: [f64; 8] = [13.1, 14.9, 19.3, 20.9, 25.7, 27.1, 33.1, 35.3];
    const DECAY_TO_60_DB_S: f64 = 0.48;
    const DAMPING_HZ: f64 = 5200.0;
    let mut lines: Vec<Vec<f64>> =
        DELAYS_MS.iter().map(|ms| vec![0.0; (ms * rate / 1000.0).round() as usize]).collect();
    let gains: Vec<f64> = lines
        .iter()
        .map(|line| exp(-6.907_755 * line.len() as f64 / rate / DECAY_TO_60_DB_S))
        .collect();
    let damp = 1.0 - exp(-std::f64::consts::TAU * DAMPING_HZ / rate);
    let mut damped = [0.0; 8];
    let mut places = [0; 8];
    // No lows in the room: it stays clear under the bass and kick.
    let mut cuts = [Filter::new(rate, 180.0, 0.7), Filter::new(rate, 180.0, 0.7)];
    for (l, r) in left.iter_mut().zip(right) {
        let sends = [send * cuts[0].next(*l).high, send * cuts[1].next(*r).high];
        let mut sum = 0.0;
        let mut outs = [0.0; 8];
        for i in 0..8 {
            damped[i] += damp * (lines[i][places[i]] - damped[i]);
            outs[i] = damped[i] * gains[i];
            sum += outs[i];
        }
        for i in 0..8 {
            lines[i][places[i]] = sends[i % 2] + outs[i] - sum / 4.0;
            places[i] = (places[i] + 1) % lines[i].len();
        }
        *l += outs[0] - outs[2] + outs[4] - outs[6];
        *r += outs[1] - outs[3] + outs[5] - outs[7];
    }
}

/// A horn that turns: what comes towards the left ear goes away from the right one. `speed_hz` gives
/// the speed at a time in seconds.
pub(super) fn rotate(
    rate: f64,
    mono: &[f64],
    speed_hz: impl Fn(f64) -> f64,
) -> (Vec<f64>, Vec<f64>) {
    const SWING_S: f64 = 0.00028;
    const TREMOLO: f64 = 0.22;
    let mut turns = 0.0;
    let mut sides = (Vec::with_capacity(mono.len()), Vec::with_capacity(mono.len()));
    let at = |position: f64| {
        let whole = position.floor();
        let share = position - whole;
        let sample = |i: f64| if i < 0.0 { 0.0 } else { mono[i as usize] };
        sample(whole) * (1.0 - share) + sample(whole + 1.0) * share
    };
    for n in 0..mono.len() {
        turns += speed_hz(n as f64 / rate) / rate;
        let ear = |angle: f64| {
            let facing = sine(turns + angle);
            let delay = SWING_S * rate * (1.0 + facing) + 1.0;
            (1.0 + TREMOLO * facing) * at(n as f64 - delay)
        };
        sides.0.push(ear(0.0));
        sides.1.push(ear(0.37));
    }
    sides
}
