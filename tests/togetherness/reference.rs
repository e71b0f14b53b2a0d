//! Togetherness of a whole signal, written down as it is defined: left and right, double precision,
//! every average a sum over all that came before. Slow, and meant to be checked by reading.

use num_complex::Complex;
use std::f64::consts::TAU;
use tenon_tests::Stereo;

type C = Complex<f64>;
/// A 2×2 matrix of left and right.
type Matrix = [[C; 2]; 2];

const BANDS: usize = 12;
/// Part 2b is the middle of band b, part 2b + 1 its side.
const PARTS: usize = 2 * BANDS;
/// Time constant of the averages, in seconds.
const TAU_S: f64 = 3.0;

/// The figures at the end of the signal.
#[derive(Debug)]
pub(crate) struct Figures {
    pub(crate) percent: f64,
    pub(crate) shared: f64,
    pub(crate) movement_db: f64,
    pub(crate) programme_percent: f64,
    /// Lower slope of each part's gain and the common movement over one another, 0 to 1.
    pub(crate) follow: [f64; PARTS],
}

/// Spectrum of a real signal, by halves: `signal[first + n·step]`, `length` samples of it.
fn fourier(signal: &[f64], first: usize, step: usize, length: usize) -> Vec<C> {
    if length == 1 {
        return vec![C::new(signal[first], 0.0)];
    }
    let even = fourier(signal, first, 2 * step, length / 2);
    let odd = fourier(signal, first + step, 2 * step, length / 2);
    (0..length)
        .map(|k| {
            let half = k % (length / 2);
            even[half] + C::cis(-TAU * k as f64 / length as f64) * odd[half]
        })
        .collect()
}

/// What one band holds in one hop: ⟨a,b⟩ = Σ a*·b over its bins, x dry and y wet.
#[derive(Clone, Copy, Default)]
struct Spectra {
    xx: Matrix,
    xy: Matrix,
    yy: Matrix,
}

/// All bands of all hops; powers are mean squares.
fn analyse(rate_hz: f64, dry: &Stereo, wet: &Stereo) -> Vec<[Spectra; BANDS]> {
    let length = 2048 * (rate_hz / 48_000.0).log2().round().exp2() as usize;
    let hop = (0.01 * rate_hz) as usize;
    let hann: Vec<f64> =
        (0..length).map(|n| 0.5 - 0.5 * (TAU * n as f64 / length as f64).cos()).collect();
    let scale = 2.0 / (length as f64 * hann.iter().map(|w| w * w).sum::<f64>());
    let erb = |hz: f64| 21.4 * (1.0 + 0.00437 * hz).log10();
    let (lowest, highest) = (erb(40.0), erb(16_000.0));
    (0..)
        .map(|number| number * hop)
        .take_while(|start| start + length <= dry.left.len())
        .map(|start| {
            let spectrum = |channel: &[f32]| {
                let windowed: Vec<f64> =
                    hann.iter().zip(&channel[start..]).map(|(w, x)| w * f64::from(*x)).collect();
                fourier(&windowed, 0, 1, length)
            };
            let x = [spectrum(&dry.left), spectrum(&dry.right)];
            let y = [spectrum(&wet.left), spectrum(&wet.right)];
            let mut bands = [Spectra::default(); BANDS];
            for k in 0..length / 2 {
                let place = (erb(k as f64 * rate_hz / length as f64) - lowest) / (highest - lowest);
                if !(0.0..1.0).contains(&place) {
                    continue;
                }
                let band = &mut bands[(place * BANDS as f64) as usize];
                for i in 0..2 {
                    for j in 0..2 {
                        band.xx[i][j] += scale * x[i][k].conj() * x[j][k];
                        band.xy[i][j] += scale * x[i][k].conj() * y[j][k];
                        band.yy[i][j] += scale * y[i][k].conj() * y[j][k];
                    }
                }
            }
            bands
        })
        .collect()
}

/// a*·M·b
fn form(a: [C; 2], m: &Matrix, b: [C; 2]) -> C {
    (0..2).flat_map(|i| (0..2).map(move |j| a[i].conj() * m[i][j] * b[j])).sum()
}

/// (A + 10⁻⁶·tr A·I)⁻¹·C·v
fn best_fixed_mapping(a: &Matrix, c: &Matrix, v: [C; 2]) -> [C; 2] {
    let spare = 1e-6 * (a[0][0] + a[1][1]);
    let (p, q, r, s) = (a[0][0] + spare, a[0][1], a[1][0], a[1][1] + spare);
    let right = [c[0][0] * v[0] + c[0][1] * v[1], c[1][0] * v[0] + c[1][1] * v[1]];
    let determinant = p * s - q * r;
    [(s * right[0] - q * right[1]) / determinant, (p * right[1] - r * right[0]) / determinant]
}

/// What a part says in a hop.
#[derive(Clone, Copy, Default)]
struct Point {
    weight: f64,
    gain_db: f64,
    level_db: f64,
}

fn db(power_ratio: f64) -> f64 {
    10.0 * power_ratio.log10()
}

/// Togetherness at the end of a signal.
pub(crate) fn figures(rate_hz: f64, dry: &Stereo, wet: &Stereo) -> Figures {
    let spectra = analyse(rate_hz, dry, wet);
    let total = |pick: fn(&Spectra) -> &Matrix, bands: &[Spectra; BANDS]| {
        bands.iter().map(|band| (pick(band)[0][0] + pick(band)[1][1]).re).sum::<f64>()
    };
    // A sine of full scale in both channels is 0 dB: a mean square of one half in each.
    let silent = |power: f64| db(power) < -70.0;
    let sound: Vec<usize> = (0..spectra.len())
        .filter(|&n| {
            !silent(total(|s| &s.xx, &spectra[n])) && !silent(total(|s| &s.yy, &spectra[n]))
        })
        .collect();
    let age = |n: usize, k: usize| (-0.01 * (n - k) as f64 / TAU_S).exp();

    let mut points: Vec<[Point; PARTS]> = Vec::new();
    for (position, &n) in sound.iter().enumerate() {
        let past = &sound[..=position];
        // E[Sxx] and E[Sxy]
        let heard: f64 = past.iter().map(|&k| age(n, k)).sum();
        let average = |pick: fn(&Spectra) -> &Matrix, band: usize| -> Matrix {
            std::array::from_fn(|i| {
                std::array::from_fn(|j| {
                    past.iter().map(|&k| age(n, k) * pick(&spectra[k][band])[i][j]).sum::<C>()
                        / heard
                })
            })
        };
        let a: [Matrix; BANDS] = std::array::from_fn(|band| average(|s| &s.xx, band));
        let c: [Matrix; BANDS] = std::array::from_fn(|band| average(|s| &s.xy, band));
        let trace = |m: &Matrix| (m[0][0] + m[1][1]).re;
        let long_term: f64 = a.iter().map(trace).sum();
        let loudest = a.iter().map(trace).fold(0.0, f64::max);

        points.push(std::array::from_fn(|part| {
            let (band, sign) = (part / 2, if part % 2 == 0 { 1.0 } else { -1.0 });
            let v = [C::new(0.5f64.sqrt(), 0.0), C::new(sign * 0.5f64.sqrt(), 0.0)];
            let now = &spectra[n][band];
            let p = form(v, &now.xx, v).re;
            let p_average = form(v, &a[band], v).re;
            let wet = form(v, &now.yy, v).re;
            let ok = p > 1e-5 * loudest
                && p > 1e-3 * trace(&now.xx)
                && p_average > 1e-3 * trace(&a[band])
                && db(p) > -90.0
                && db(wet) > -90.0;
            if !ok {
                return Point::default();
            }
            let q = best_fixed_mapping(&a[band], &c[band], v);
            let estimate = form(q, &now.xx, q).re;
            let shared = form(q, &now.xy, v);
            let gain_db =
                20.0 * (shared.norm() / estimate).log10() + db(form(q, &a[band], q).re / p_average);
            let likeness = shared.norm_sqr() / (estimate * wet);
            let weight = (p / long_term).powf(0.3).min(2.0) * likeness.powi(2);
            // Within 12 dB of the mean of what came before.
            let before = |pick: fn(&Point) -> f64| {
                let past = sound[..position].iter().zip(&points);
                let (sum, weights) = past.fold((0.0, 0.0), |(sum, weights), (&k, point)| {
                    let weight = age(n, k) * point[part].weight;
                    (sum + weight * pick(&point[part]), weights + weight)
                });
                (weights > 0.0).then(|| sum / weights)
            };
            let near = |x: f64, mean: Option<f64>| {
                mean.map_or(x, |mean| x.clamp(mean - 12.0, mean + 12.0))
            };
            Point {
                weight,
                gain_db: near(gain_db, before(|point| point.gain_db)),
                level_db: near(db(p), before(|point| point.level_db)),
            }
        }));
    }

    let last = spectra.len() - 1;
    let ages: Vec<f64> = sound.iter().map(|&k| age(last, k)).collect();
    let (common, total, parts) = variances(&ages, &points, |point| point.gain_db);
    let (level_common, level_total, _) = variances(&ages, &points, |point| point.level_db);
    let floor = 0.02f64.powi(2);
    let shared = (common / (total + floor)).clamp(0.0, 1.0);
    let movement_db = common.max(0.0).sqrt();
    Figures {
        percent: 100.0 * shared.powi(2) * (1.0 - (-movement_db).exp()),
        shared,
        movement_db,
        programme_percent: 100.0 * (level_common / (level_total + floor)).clamp(0.0, 1.0),
        follow: parts
            .map(|(own, with_others)| (with_others / (own.max(common) + floor)).clamp(0.0, 1.0)),
    }
}

/// V_com, V_tot, and for each part its variance and its covariance with the parts different from it.
fn variances(
    ages: &[f64],
    points: &[[Point; PARTS]],
    value: fn(&Point) -> f64,
) -> (f64, f64, [(f64, f64); PARTS]) {
    let mean: [f64; PARTS] = std::array::from_fn(|i| {
        let hops = || ages.iter().zip(points);
        let sum: f64 = hops().map(|(age, p)| age * p[i].weight * value(&p[i])).sum();
        let weight: f64 = hops().map(|(age, p)| age * p[i].weight).sum();
        if weight > 0.0 { sum / weight } else { 0.0 }
    });
    let (mut squares, mut weights) = ([0.0; PARTS], [0.0; PARTS]);
    let (mut products, mut product_weights) = ([0.0; PARTS], [0.0; PARTS]);
    for (age, p) in ages.iter().zip(points) {
        let all: f64 = p.iter().map(|point| point.weight).sum();
        for i in 0..PARTS {
            let g = value(&p[i]) - mean[i];
            squares[i] += age * p[i].weight * g * g;
            weights[i] += age * p[i].weight;
            for j in 0..PARTS {
                let different_channel = i % 2 != j % 2;
                let far = (i / 2).abs_diff(j / 2) > 2;
                if all > 0.0 && (different_channel || far) {
                    let weight = age * p[i].weight * p[j].weight / all;
                    products[i] += weight * g * (value(&p[j]) - mean[j]);
                    product_weights[i] += weight;
                }
            }
        }
    }
    let common = products.iter().sum::<f64>() / product_weights.iter().sum::<f64>();
    let total = squares.iter().sum::<f64>() / weights.iter().sum::<f64>();
    let parts =
        std::array::from_fn(|i| (squares[i] / weights[i], products[i] / product_weights[i]));
    (common, total, parts)
}
