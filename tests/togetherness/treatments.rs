//! Ways to treat a mix other than the engine's compressor.

use std::f64::consts::{PI, TAU};
use tenon_tests::Stereo;

/// The same done to left and right.
pub(crate) fn each_channel(x: &Stereo, mut treat: impl FnMut(&[f32]) -> Vec<f32>) -> Stereo {
    Stereo { left: treat(&x.left), right: treat(&x.right) }
}

/// Left and right scaled by a gain each.
pub(crate) fn scale(x: &Stereo, left: f64, right: f64) -> Stereo {
    let scaled = |channel: &[f32], gain: f64| {
        channel.iter().map(|x| (gain * f64::from(*x)) as f32).collect()
    };
    Stereo { left: scaled(&x.left, left), right: scaled(&x.right, right) }
}

/// The side scaled by a gain.
pub(crate) fn width(x: &Stereo, gain: f64) -> Stereo {
    let frames = x.left.iter().zip(&x.right).map(|(l, r)| {
        let (l, r) = (f64::from(*l), f64::from(*r));
        let (mid, side) = ((l + r) / 2.0, gain * (l - r) / 2.0);
        ((mid + side) as f32, (mid - side) as f32)
    });
    let (left, right) = frames.unzip();
    Stereo { left, right }
}

/// Sum with a share of each.
pub(crate) fn blend(a: &Stereo, share_a: f64, b: &Stereo, share_b: f64) -> Stereo {
    let (a, b) = (scale(a, share_a, share_a), scale(b, share_b, share_b));
    tenon_tests::mixes::sum(&[a, b])
}

/// Hyperbolic tangent driven so that the largest sample enters it at `peak_db` re 1.
pub(crate) fn saturate(x: &Stereo, peak_db: f64) -> Stereo {
    use tenon_tests::measure::{from_db, peak};
    let drive = from_db(peak_db) / peak(&x.left).max(peak(&x.right));
    each_channel(x, |channel| {
        channel.iter().map(|x| ((drive * f64::from(*x)).tanh() / drive) as f32).collect()
    })
}

/// What a second-order section does (R. Bristow-Johnson's equaliser formulae; Q of the passes is
/// Butterworth's).
#[derive(Clone, Copy)]
pub(crate) enum Section {
    /// Low-pass at a corner in Hz.
    Lowpass(f64),
    /// High-pass at a corner in Hz.
    Highpass(f64),
    /// Bell of Q 1 at a frequency in Hz, with a gain in dB.
    Bell(f64, f64),
}

/// Sections one after the other, on both channels.
pub(crate) fn filter(rate_hz: f64, x: &Stereo, sections: &[Section]) -> Stereo {
    sections.iter().fold(x.clone(), |x, section| {
        let (hz, q) = match *section {
            Section::Lowpass(hz) | Section::Highpass(hz) => (hz, 0.5f64.sqrt()),
            Section::Bell(hz, _) => (hz, 1.0),
        };
        let (sin, cos) = (TAU * hz / rate_hz).sin_cos();
        let alpha = sin / (2.0 * q);
        let (b, a) = match *section {
            Section::Lowpass(_) => {
                ([(1.0 - cos) / 2.0, 1.0 - cos, (1.0 - cos) / 2.0], [1.0 + alpha, 1.0 - alpha])
            }
            Section::Highpass(_) => {
                ([(1.0 + cos) / 2.0, -1.0 - cos, (1.0 + cos) / 2.0], [1.0 + alpha, 1.0 - alpha])
            }
            Section::Bell(_, db) => {
                let gain = 10f64.powf(db / 40.0);
                (
                    [1.0 + alpha * gain, -2.0 * cos, 1.0 - alpha * gain],
                    [1.0 + alpha / gain, 1.0 - alpha / gain],
                )
            }
        };
        each_channel(&x, |channel| {
            let (mut s1, mut s2) = (0.0, 0.0);
            channel
                .iter()
                .map(|x| {
                    let x = f64::from(*x);
                    let y = (b[0] * x + s1) / a[0];
                    s1 = b[1] * x + 2.0 * cos * y + s2;
                    s2 = b[2] * x - a[1] * y;
                    y as f32
                })
                .collect()
        })
    })
}

/// Three bands that sum to the signal but for phase: crossovers of fourth order (Linkwitz and
/// Riley) at 200 Hz and 2 kHz.
pub(crate) fn three_bands(rate_hz: f64, x: &Stereo) -> [Stereo; 3] {
    use Section::{Highpass, Lowpass};
    let low = filter(rate_hz, x, &[Lowpass(200.0); 2]);
    let rest = filter(rate_hz, x, &[Highpass(200.0); 2]);
    let mid = filter(rate_hz, &rest, &[Lowpass(2_000.0); 2]);
    let high = filter(rate_hz, &rest, &[Highpass(2_000.0); 2]);
    [low, mid, high]
}

/// The signal and a hall around it: combs that ring for 1.5 s, different at both sides
/// (Schroeder 1962).
pub(crate) fn reverberate(rate_hz: f64, x: &Stereo, level: f64) -> Stereo {
    const DELAYS_S: [[f64; 4]; 2] =
        [[0.0297, 0.0371, 0.0411, 0.0437], [0.0313, 0.0353, 0.0397, 0.0451]];
    let mut sides = DELAYS_S.iter();
    each_channel(x, |channel| {
        let delays_s = sides.next().expect("two sides");
        let mut wet: Vec<f64> = channel.iter().map(|x| f64::from(*x)).collect();
        for delay_s in delays_s {
            let delay = (delay_s * rate_hz) as usize;
            let keep = 10f64.powf(-3.0 * delay_s / 1.5);
            let mut line = vec![0.0; delay];
            for (n, x) in channel.iter().enumerate() {
                let echo = line[n % delay];
                line[n % delay] = f64::from(*x) + keep * echo;
                wet[n] += level * echo;
            }
        }
        wet.into_iter().map(|x| x as f32).collect()
    })
}

/// Loud hits hard to one side, left and right in turn, every half second.
pub(crate) fn panned_hits(rate_hz: f64, frames: usize, peak: f64) -> Stereo {
    let every = (0.5 * rate_hz) as usize;
    let hit = |n: usize| {
        let t = (n % every) as f64 / rate_hz;
        let body = (TAU * 240.0 * t).sin() + 0.5 * (TAU * 777.0 * t).sin();
        (peak * body * (-t / 0.08).exp() * (PI * (t / 0.004).min(1.0) / 2.0).sin()) as f32
    };
    let side =
        |odd: usize| (0..frames).map(|n| if n / every % 2 == odd { hit(n) } else { 0.0 }).collect();
    Stereo { left: side(0), right: side(1) }
}
