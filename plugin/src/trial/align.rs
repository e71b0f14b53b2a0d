//! How late one recording is against another of the same programme.
//!
//! Generalised cross-correlation (Knapp and Carter, IEEE Trans. ASSP 24(4), 1976) of both channels,
//! nearly whitened, so that a bass note does not blur the peak over many samples. Knows nothing of
//! files.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

/// Largest delay that is looked for, in seconds.
pub(crate) const WITHIN_S: f64 = 0.2;

/// Frames that are looked at, at most.
const MOST_FRAMES: usize = 1 << 19;
/// Below this the two have too little in common: whole, delayed copies reach 1, unrelated recordings
/// of a second about 0.01.
const CLEAR: f64 = 0.06;
/// A second peak as high as this share of the first makes the first one doubtful.
const RIVAL: f64 = 0.5;
/// Neighbourhood of a peak that belongs to it, in seconds.
const WIDTH_S: f64 = 0.001;
/// What is weaker than this share of the mean counts by its strength, so that noise between the
/// partials of a tone has no say.
const FLOOR: f64 = 0.1;

/// Why two recordings cannot be aligned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AlignError {
    /// They have too little in common at every delay.
    Unlike,
    /// They fit about as well at two delays, in samples.
    Doubtful(i64, i64),
}

/// How a recording is turned over against another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Turned {
    /// The other way up.
    Polarity,
    /// Left for right.
    Sides,
    /// Both of it.
    Both,
}

impl std::fmt::Display for Turned {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Polarity => "inverted in polarity",
            Self::Sides => "left for right",
            Self::Both => "inverted in polarity and left for right",
        })
    }
}

/// How `after` is turned over against `before`, against which it is so many samples late, by the first ten
/// seconds or so. With its polarity middle and side are, with its sides the side alone. None where the two are
/// too unlike to tell.
pub(crate) fn turned(before: [&[f32]; 2], after: [&[f32]; 2], late: i64) -> Option<Turned> {
    /// A fit this far from 0 tells: far from that of unlike recordings.
    const TELLS: f64 = 0.25;
    let frames = before[0].len().min(after[0].len()).min(MOST_FRAMES);
    let within = late.unsigned_abs() as usize;
    let (skip_before, skip_after) = if late > 0 { (0, within) } else { (within, 0) };
    // Nearly whitened every frequency has its say, as they are the loudest ones have. A filter can turn
    // either over; a polarity turns both.
    let fit = |sign: f32| {
        let [before, after] = [before, after].map(|channels| added(channels, sign, frames));
        let in_time = before.iter().skip(skip_before).zip(after.iter().skip(skip_after));
        let power: f64 = in_time.map(|(x, y)| f64::from(*x) * f64::from(*y)).sum();
        Correlation::new(&[(&before, &after)], within)
            .map(|all| all.at(late))
            .filter(|fit| fit.is_sign_negative() == power.is_sign_negative())
            .unwrap_or(0.0)
    };
    match (fit(1.0), fit(-1.0)) {
        (middle, side) if middle < -TELLS && side > TELLS => Some(Turned::Both),
        (middle, _) if middle < -TELLS => Some(Turned::Polarity),
        (middle, side) if middle > TELLS && side < -TELLS => Some(Turned::Sides),
        _ => None,
    }
}

/// How late something is, by samples, in words: "3 samples (0.063 ms) early".
pub(crate) fn in_words(late: i64, rate_hz: u32) -> String {
    if late == 0 {
        return "in time".to_owned();
    }
    let samples = late.unsigned_abs();
    let ms = samples as f64 * 1000.0 / f64::from(rate_hz);
    format!(
        "{} ({ms:.3} ms) {}",
        samples_in_words(samples),
        if late > 0 { "late" } else { "early" }
    )
}

/// So many samples, in words.
pub(crate) fn samples_in_words(samples: u64) -> String {
    format!("{samples} {}", if samples == 1 { "sample" } else { "samples" })
}

/// By how many samples `after` is late against `before`, negative when it is early. Both are left and
/// right, from the same moment on.
pub(crate) fn late(
    before: [&[f32]; 2],
    after: [&[f32]; 2],
    rate_hz: u32,
) -> Result<i64, AlignError> {
    let within = (WITHIN_S * f64::from(rate_hz)) as usize;
    let frames = before[0].len().min(after[0].len()).min(MOST_FRAMES);
    let [left, right] = [0, 1].map(|side| (&before[side][..frames], &after[side][..frames]));
    // The middle too, which is the same left for right.
    let [before, after] = [before, after].map(|channels| added(channels, 1.0, frames));
    let Some(correlation) = Correlation::new(&[left, right, (&before, &after)], within) else {
        return Err(AlignError::Unlike);
    };
    // In polarity a copy may be turned over.
    let fit = |lag: i64| correlation.at(lag).abs();
    let within = within as i64;
    let best_of = |lags: &mut dyn Iterator<Item = i64>| {
        lags.map(|lag| (lag, fit(lag))).max_by(|a, b| a.1.total_cmp(&b.1))
    };
    let Some((best, height)) = best_of(&mut (-within..=within)) else {
        return Err(AlignError::Unlike);
    };
    // What is in time already, say a tone that fits every so many samples, stays where it is.
    if fit(0) >= 0.98 * height && height >= CLEAR {
        return Ok(0);
    }
    if height < CLEAR || best.abs() == within {
        return Err(AlignError::Unlike);
    }
    let width = (WIDTH_S * f64::from(rate_hz)) as i64;
    let rival = best_of(&mut (-within..=within).filter(|lag| (lag - best).abs() > width));
    match rival {
        Some((rival, other)) if other > RIVAL * height => Err(AlignError::Doubtful(best, rival)),
        _ => Ok(best),
    }
}

/// The first frames of left, and of right with a sign, added.
fn added([left, right]: [&[f32]; 2], sign: f32, frames: usize) -> Vec<f32> {
    left[..frames].iter().zip(right).map(|(left, right)| left + sign * right).collect()
}

/// Cross-correlation of pairs of signals, nearly whitened, summed over the pairs.
struct Correlation {
    lags: Vec<f32>,
    /// That of a copy.
    whole: f64,
}

impl Correlation {
    /// Of pairs of one length, for lags within so many samples. None of silence.
    fn new(pairs: &[(&[f32], &[f32])], within: usize) -> Option<Self> {
        let frames = pairs.first()?.0.len();
        // Long enough that no lag looked for wraps around.
        let size = (frames + within + 1).next_power_of_two();
        let mut planner = RealFftPlanner::<f32>::new();
        let forward = planner.plan_fft_forward(size);
        let spectrum = |samples: &[f32]| {
            let mut padded = forward.make_input_vec();
            padded[..frames].copy_from_slice(samples);
            let mut bins = forward.make_output_vec();
            // Cannot fail: both buffers have the lengths of the plan.
            let _ = forward.process(&mut padded, &mut bins);
            bins
        };
        let mut cross = vec![Complex::new(0.0, 0.0); size / 2 + 1];
        for (before, after) in pairs {
            let (before, after) = (spectrum(before), spectrum(after));
            for ((cross, before), after) in cross.iter_mut().zip(before).zip(after) {
                *cross += before.conj() * after;
            }
        }
        // Neither a constant nor the highest frequency tells a delay.
        cross[0] = Complex::new(0.0, 0.0);
        cross[size / 2] = Complex::new(0.0, 0.0);
        let mean = cross.iter().map(|bin| f64::from(bin.norm())).sum::<f64>() / cross.len() as f64;
        if mean <= 0.0 {
            return None;
        }
        let floor = (FLOOR * mean) as f32;
        let mut whole = 0.0;
        for bin in &mut cross {
            *bin /= bin.norm() + floor;
            whole += 2.0 * f64::from(bin.norm());
        }
        let inverse = planner.plan_fft_inverse(size);
        let mut lags = inverse.make_output_vec();
        let _ = inverse.process(&mut cross, &mut lags);
        Some(Self { lags, whole })
    }

    /// How well the two fit when the second is so many samples late: 1 for a copy, −1 for one that is
    /// turned over.
    fn at(&self, lag: i64) -> f64 {
        f64::from(self.lags[lag.rem_euclid(self.lags.len() as i64) as usize]) / self.whole
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};

    const RATE_HZ: u32 = 48_000;

    /// Noise that falls towards the highs, as programme does, in two channels.
    fn programme(seed: u64) -> [Vec<f32>; 2] {
        let mut random = StdRng::seed_from_u64(seed);
        let mut held = [0.0; 2];
        let mut out = [vec![], vec![]];
        for n in 0..2 * RATE_HZ {
            let beat = (-f64::from(n % 12_000) / 3000.0).exp() as f32;
            for (held, out) in held.iter_mut().zip(&mut out) {
                *held += 0.1 * (random.random::<f32>() - 0.5 - *held);
                out.push(beat * *held);
            }
        }
        out
    }

    fn shifted(signal: &[Vec<f32>; 2], by: i64) -> [Vec<f32>; 2] {
        signal.clone().map(|samples| {
            let len = samples.len() as i64;
            let from = |n: i64| samples.get(usize::try_from(n - by).ok()?).copied();
            (0..len).map(|n| from(n).unwrap_or(0.0)).collect()
        })
    }

    fn lag(a: &[Vec<f32>; 2], b: &[Vec<f32>; 2]) -> Result<i64, AlignError> {
        late([&a[0], &a[1]], [&b[0], &b[1]], RATE_HZ)
    }

    #[test]
    fn a_delay_is_found_to_the_sample_whatever_the_processing() {
        let dry = programme(1);
        for by in [0, 1, -1, 70, -333, 4800, 9599] {
            let moved = shifted(&dry, by);
            assert_eq!(lag(&dry, &moved), Ok(by));
            // Bent, softer, turned over in polarity.
            let bent = moved.clone().map(|s| s.iter().map(|s| -(2.0 * s).tanh() / 9.0).collect());
            assert_eq!(lag(&dry, &bent), Ok(by));
            // Darker: a one-pole low-pass at about 2.4 kHz, which delays the lows by three samples.
            let dark = moved.map(|samples| {
                let mut held = 0.0;
                let smooth = |s: &f32| {
                    held += 0.27 * (s - held);
                    held
                };
                samples.iter().map(smooth).collect()
            });
            let found = lag(&dry, &dark).unwrap();
            assert!((by..=by + 3).contains(&found), "{by}: {found}");
        }
    }

    #[test]
    fn what_is_turned_over_is_told_whatever_the_processing() {
        let dry = programme(5);
        let bend = |signal: &[Vec<f32>; 2], sign: f32| -> [Vec<f32>; 2] {
            signal.clone().map(|s| s.iter().map(|s| sign * (2.0 * s).tanh() / 9.0).collect())
        };
        for by in [0, 17, -333] {
            let told = |signal: &[Vec<f32>; 2]| {
                let late = shifted(signal, by);
                turned([&dry[0], &dry[1]], [&late[0], &late[1]], by)
            };
            let [left, right] = bend(&dry, 1.0);
            assert_eq!(told(&[left.clone(), right.clone()]), None);
            // The sides have nothing in common but the middle, and line up all the same.
            let swapped = [right, left];
            assert_eq!(told(&swapped), Some(Turned::Sides));
            assert_eq!(lag(&dry, &shifted(&swapped, by)), Ok(by));
            assert_eq!(told(&bend(&dry, -1.0)), Some(Turned::Polarity));
            let [left, right] = bend(&dry, -1.0);
            assert_eq!(told(&[right, left]), Some(Turned::Both));
            assert_eq!(told(&programme(6)), None);
        }
        // In mono there are no sides.
        let mono = [dry[0].clone(), dry[0].clone()];
        assert_eq!(turned([&mono[0], &mono[1]], [&mono[0], &mono[1]], 0), None);
    }

    /// The two parts of a crossover of 24 dB per octave, summed again, are an all-pass that turns over what
    /// lies at its frequency: here the loudest of all.
    #[test]
    fn lows_whose_phase_is_turned_are_not_taken_for_another_polarity() {
        let (crossover_hz, rate_hz) = (100.0, f64::from(RATE_HZ));
        let mut dry = programme(7);
        for (n, frame) in (0..dry[0].len()).map(|n| (n, n % 24_000)) {
            let seconds = frame as f64 / rate_hz;
            let kick =
                (-8.0 * seconds).exp() * (std::f64::consts::TAU * crossover_hz * seconds).sin();
            dry.iter_mut().for_each(|channel| channel[n] += kick as f32);
        }
        // (s² − √2·s + 1)/(s² + √2·s + 1) by the bilinear transform: the denominator turned round.
        let k = (std::f64::consts::PI * crossover_hz / rate_hz).tan();
        let a0 = 1.0 + std::f64::consts::SQRT_2 * k + k * k;
        let a1 = 2.0 * (k * k - 1.0) / a0;
        let a2 = (1.0 - std::f64::consts::SQRT_2 * k + k * k) / a0;
        let crossed = dry.clone().map(|channel| {
            let [mut once, mut twice] = [0.0; 2];
            let pass = |x: f32| {
                let x = f64::from(x);
                let y = a2 * x + once;
                (once, twice) = (a1 * x - a1 * y + twice, x - a2 * y);
                y as f32
            };
            channel.into_iter().map(pass).collect::<Vec<_>>()
        });
        let power: f32 = dry[0].iter().zip(&crossed[0]).map(|(dry, crossed)| dry * crossed).sum();
        assert!(power < 0.0, "the lows are not turned over: {power}");
        let told = |after: &[Vec<f32>; 2]| turned([&dry[0], &dry[1]], [&after[0], &after[1]], 0);
        assert_eq!(told(&crossed), None);
    }

    #[test]
    fn what_has_nothing_in_common_is_refused() {
        assert_eq!(lag(&programme(1), &programme(2)), Err(AlignError::Unlike));
        let silence = [(); 2].map(|()| vec![0.0; 48_000]);
        assert_eq!(lag(&programme(1), &silence), Err(AlignError::Unlike));
        // Further than is looked for.
        let far = shifted(&programme(1), 12_345);
        assert_eq!(lag(&programme(1), &far), Err(AlignError::Unlike));
    }

    #[test]
    fn what_repeats_is_left_in_time_or_refused() {
        let short = programme(3);
        let repeated = short.each_ref().map(|s| s[..4000].repeat(24));
        assert_eq!(lag(&repeated, &repeated), Ok(0));
        // Out of the middle of what goes on repeating.
        let late = short.map(|s| [&s[3300..4000], &s[..3300]].concat().repeat(24));
        let result = lag(&repeated, &late);
        assert!(matches!(result, Err(AlignError::Doubtful(..))), "{result:?}");
    }

    #[test]
    fn what_is_early_is_not_negatively_late() {
        let words = [-240, -1, 0, 48].map(|late| in_words(late, 48_000));
        assert_eq!(
            words,
            [
                "240 samples (5.000 ms) early",
                "1 sample (0.021 ms) early",
                "in time",
                "48 samples (1.000 ms) late"
            ]
        );
    }
}
