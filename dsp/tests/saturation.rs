//! Saturation: harmonics, aliases, silence about itself, and latency.
//!
//! Published figures are the Fourier coefficients of tanh(A·sin θ), computed in extended precision,
//! and the worst alias they leave below 20 kHz when tanh is applied at a multiple of 48 kHz and
//! decimated by an ideal filter.
#![allow(clippy::disallowed_macros)] // prints the table of aliases

mod common;
use common::{Stereo, bits, cases, delayed, engine, programme, run};
use proptest::prelude::*;
use std::f64::consts::TAU;
use tenon_dsp::{Channels, Control, Processor, QUALITIES, Settings};

const RATE_HZ: f64 = 48_000.0;

/// Nothing but saturation.
fn saturating(drive_db: f32, quality: usize) -> Settings {
    Settings::default()
        .with(Control::Ratio, 1.0)
        .with(Control::LoudnessMatch, 0.0)
        .with(Control::Drive, drive_db)
        .with(Control::Quality, quality as f32)
}

/// How hard the curve is driven: the factor in tanh(k·u).
fn k(drive_db: f32) -> f64 {
    10f64.powf(f64::from(drive_db) / 20.0) - 1.0
}

fn sine(f_hz: f64, amplitude: f64, frames: usize) -> Stereo {
    let step = TAU * f_hz / RATE_HZ;
    let channel: Vec<f32> =
        (0..frames).map(|n| (amplitude * (step * n as f64).sin()) as f32).collect();
    [channel.clone(), channel]
}

/// Amplitudes at 0, 1, 2 … 23 kHz of the last tenth of a second, into which all of them fit whole.
fn lines(signal: &[f32]) -> Vec<f64> {
    let window = &signal[signal.len() - 4_800..];
    (0..24)
        .map(|khz| {
            // In f64, and each line from phases that repeat exactly.
            let (re, im) = window.iter().enumerate().fold((0.0, 0.0), |(re, im), (n, &x)| {
                let (sin, cos) = (TAU * ((khz * n) % 48) as f64 / 48.0).sin_cos();
                (re + f64::from(x) * cos, im + f64::from(x) * sin)
            });
            let scale = if khz == 0 { 1.0 } else { 2.0 } / window.len() as f64;
            scale * f64::hypot(re, im)
        })
        .collect()
}

fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// The lines of a tone behind the engine, settled.
fn spectrum(settings: &Settings, khz: usize, amplitude: f64) -> Vec<f64> {
    let input = sine(khz as f64 * 1_000.0, amplitude, 19_200);
    lines(&run(&mut engine(RATE_HZ, settings), &input, 4_096)[0])
}

/// Strongest line below 20 kHz that is no multiple of the tone, dB from the tone.
fn worst_alias_db(lines: &[f64], khz: usize) -> f64 {
    let aliases = (1..20).filter(|line| line % khz != 0).map(|line| lines[line]);
    db(aliases.fold(0.0, f64::max) / lines[khz])
}

const TONES_KHZ: [usize; 4] = [5, 10, 15, 19];

#[test]
fn aliases_stay_below_what_the_default_quality_promises() {
    println!("worst alias below 20 kHz of a full-scale tone, dBc");
    println!("| quality | drive | 5 kHz | 10 kHz | 15 kHz | 19 kHz |");
    let mut table = [[[0.0; 4]; 4]; 4];
    for (quality, rows) in table.iter_mut().enumerate() {
        for (drive_db, row) in [6.0, 12.0, 18.0, 24.0].into_iter().zip(rows) {
            *row = TONES_KHZ.map(|khz| {
                worst_alias_db(&spectrum(&saturating(drive_db, quality), khz, 1.0), khz)
            });
            let row = row.map(|alias_db| format!("{alias_db:.1}")).join(" | ");
            println!("| {} | {drive_db} dB | {row} |", QUALITIES[quality]);
        }
    }
    let default = Control::Quality.spec().default as usize;
    let (at_12_db, at_10_khz) = (1, 1);
    assert!(table[default][at_12_db][at_10_khz] <= -80.0);
    assert!(
        table[default - 1][at_12_db][at_10_khz] > -80.0,
        "a lower quality, with less latency, would do"
    );
    // Each step up pays, until the noise of 32-bit samples is reached.
    for [lower, higher] in table.array_windows() {
        for (lower, higher) in lower.as_flattened().iter().zip(higher.as_flattened()) {
            assert!(*higher <= (lower - 4.0).max(-110.0), "{lower} dBc, then {higher} dBc");
        }
    }
}

/// Worst alias below 20 kHz, dB from the tone, of tanh on a full-scale tone at a multiple of 48 kHz
/// under ideal filters: as it is, and with first-order antiderivative antialiasing
/// (F(b) − F(a))/(b − a), F = ln cosh (Parker, Zavalishin and Le Bivic, DAFx-16).
fn ideal_alias_db(k: f64, khz: usize, factor: usize) -> [f64; 2] {
    // A period of 1 ms.
    let points = 48 * factor;
    let tone = |n: f64| k * (TAU * khz as f64 * n / points as f64 + 0.3).sin();
    let antiderivative = |x: f64| x.abs() + (-2.0 * x.abs()).exp().ln_1p() - std::f64::consts::LN_2;
    let shaped = |n: usize| tone(n as f64).tanh();
    let averaged = |n: usize| {
        let (a, b) = (tone(n as f64 - 1.0), tone(n as f64));
        if (b - a).abs() < 1e-6 {
            (0.5 * (a + b)).tanh()
        } else {
            (antiderivative(b) - antiderivative(a)) / (b - a)
        }
    };
    [&shaped as &dyn Fn(usize) -> f64, &averaged].map(|curve| {
        let lines: Vec<f64> = (0..24)
            .map(|line| {
                let (re, im) = (0..points).fold((0.0, 0.0), |(re, im), n| {
                    let (sin, cos) = (TAU * ((line * n) % points) as f64 / points as f64).sin_cos();
                    (re + curve(n) * cos, im + curve(n) * sin)
                });
                f64::hypot(re, im)
            })
            .collect();
        worst_alias_db(&lines, khz)
    })
}

/// Why there is no antiderivative antialiasing: at the drive the default is chosen by, one more
/// doubling does more.
#[test]
fn a_doubling_does_more_than_antiderivatives_would() {
    println!("worst alias below 20 kHz, ideal filters, dBc: 4x; 4x with antiderivatives; 8x");
    for drive_db in [6.0, 12.0, 18.0, 24.0] {
        for khz in TONES_KHZ {
            let [plain, averaged] = ideal_alias_db(k(drive_db), khz, 4);
            let [doubled, _] = ideal_alias_db(k(drive_db), khz, 8);
            println!("{drive_db} dB, {khz} kHz: {plain:.1}; {averaged:.1}; {doubled:.1}");
            // Further down nothing counts: 32-bit samples have more noise.
            if drive_db <= 12.0 && averaged > -150.0 {
                assert!(doubled < averaged, "{drive_db} dB, {khz} kHz: {averaged}, {doubled} dBc");
            }
        }
    }
}

/// The oversampling filters add nothing to what ideal ones leave.
#[test]
fn aliases_are_those_of_ideal_filters() {
    let drive_db = 18.0;
    for (a, khz, published) in [
        (1.0, 5, [Some(-66.5), None, None, None]),
        (1.0, 10, [Some(-23.5), Some(-88.0), None, None]),
        (2.0, 5, [Some(-40.9), Some(-103.5), None, None]),
        (2.0, 10, [Some(-15.5), Some(-53.4), None, None]),
        (4.0, 5, [Some(-25.7), Some(-59.1), None, None]),
        (4.0, 10, [Some(-11.3), Some(-32.4), Some(-65.7), None]),
        (1.0, 19, [Some(-23.5), Some(-45.1), None, None]),
        (2.0, 19, [Some(-15.5), Some(-28.3), Some(-65.9), None]),
        (4.0, 19, [Some(-11.3), Some(-18.8), Some(-39.1), Some(-72.4)]),
    ] {
        for (quality, published) in published.into_iter().enumerate() {
            let lines = spectrum(&saturating(drive_db, quality), khz, a / k(drive_db));
            let alias_db = worst_alias_db(&lines, khz);
            // Where ideal filters leave less than this, ours leave no more.
            let expected = published.unwrap_or(-103.0);
            let close =
                (alias_db - expected).abs() < 0.2 || (published.is_none() || expected < -95.0);
            assert!(
                close && alias_db < expected + 0.2,
                "tanh {a}, {khz} kHz at {}: {alias_db} dBc, {expected} expected",
                QUALITIES[quality]
            );
        }
    }
}

/// b₁, b₃, b₅, b₇ of tanh(A·sin θ).
const TANH: [(f64, [f64; 4]); 6] = [
    (0.1, [0.099_750_830_393, 8.291_843_0e-5, 8.2746e-8, 8.4e-11]),
    (0.25, [0.246_173_368_953, 0.001_262_447_351, 7.789_144e-6, 4.8645e-8]),
    (0.5, [0.471_142_827_848, 0.009_240_183_471, 0.000_219_679_677, 5.291_412e-6]),
    (1.0, [0.811_675_685_132, 0.054_245_810_326, 0.004_516_821_993, 0.000_382_447_171]),
    (2.0, [1.117_941_837_340, 0.188_742_324_771, 0.043_004_675_968, 0.010_106_966_091]),
    (4.0, [1.238_112_250, 0.336_530_546, 0.141_736_503, 0.064_249_652]),
];

#[test]
fn harmonics_of_a_sine_are_the_published_ones_and_odd() {
    for quality in 0..QUALITIES.len() {
        for drive_db in [6.0, 18.0] {
            for (a, published) in TANH {
                let lines = spectrum(&saturating(drive_db, quality), 1, a / k(drive_db));
                for (order, b) in [1, 3, 5, 7].into_iter().zip(published) {
                    let (got, expected) = (db(lines[order] / lines[1]), db(b / published[0]));
                    // Below that lies the noise of 32-bit samples.
                    if expected > -110.0 {
                        let error = (got - expected).abs();
                        assert!(error < 0.1, "{quality}, tanh {a}, {order}: {got} for {expected}");
                    }
                }
                for order in [2, 4, 6, 8] {
                    let even = db(lines[order] / lines[1]);
                    assert!(even < -120.0, "{quality}, tanh {a}, {order}: {even} dBc");
                }
            }
        }
    }
}

/// Harmonics of the curve by its definition, the Fourier integral as a sum over 4096 points.
fn defined_harmonics(k: f64, bias: f64, amplitude: f64) -> Vec<f64> {
    let curve = |u: f64| ((k * u + bias).tanh() - bias.tanh()) * bias.cosh().powi(2) / k;
    let points = 4_096;
    (0..8)
        .map(|order| {
            let (re, im) = (0..points).fold((0.0, 0.0), |(re, im), n| {
                let angle = TAU * f64::from(n) / f64::from(points);
                let (sin, cos) = (angle * f64::from(order)).sin_cos();
                let y = curve(amplitude * angle.sin());
                (re + y * cos, im + y * sin)
            });
            f64::hypot(re, im)
        })
        .collect()
}

#[test]
fn asymmetry_grows_even_harmonics_either_way_and_leaves_no_direct_current() {
    let (drive_db, amplitude) = (9.0, 0.4);
    for quality in 0..QUALITIES.len() {
        let mut last_second_db = [f64::MIN; 2];
        for symmetry in [25.0f32, 50.0, 75.0, 100.0] {
            for (side, sign) in [1.0f32, -1.0].into_iter().enumerate() {
                let settings =
                    saturating(drive_db, quality).with(Control::Symmetry, sign * symmetry);
                let input = sine(1_000.0, amplitude, 96_000);
                let lines = lines(&run(&mut engine(RATE_HZ, &settings), &input, 4_096)[0]);
                let bias = 0.75 * f64::from(sign * symmetry) / 100.0;
                let defined = defined_harmonics(k(drive_db), bias, amplitude);
                for order in 2..8 {
                    let got = db(lines[order] / lines[1]);
                    let expected = db(defined[order] / defined[1]);
                    assert!(
                        (got - expected).abs() < 0.1,
                        "{symmetry} %, {order}: {got}, {expected}"
                    );
                }
                let second_db = db(lines[2] / lines[1]);
                assert!(second_db > last_second_db[side] + 0.5, "{symmetry} %: {second_db}");
                last_second_db[side] = second_db;
                assert!(lines[0] < 1e-6, "{symmetry} %: {} of direct current", lines[0]);
            }
        }
        assert!((last_second_db[0] - last_second_db[1]).abs() < 0.01, "{last_second_db:?}");
    }
}

/// The definition of the focus: a tilt of up to 6 dB (3 dB at 12 dB of drive) about 632 Hz before the
/// curve, undone behind it,
/// with the drive of pink programme (20 Hz to 20 kHz) kept. At small levels the third harmonic is
/// (k·u)²/12 of the fundamental.
#[test]
fn focus_moves_drive_from_one_part_of_the_spectrum_to_another() {
    let power = |g: f64, f_hz: f64| {
        let w2 = (f_hz / 632.0).powi(2);
        (g * g * w2 + 1.0) / (w2 + g * g)
    };
    for (drive_db, tilt_db) in [(6.0, 6.0), (12.0, 3.0)] {
        for focus in [-100.0f32, -50.0, 50.0, 100.0] {
            let g = 10f64.powf(tilt_db * f64::from(focus) / 100.0 / 20.0);
            let octaves = (0..1_000).map(|n| 20.0 * 1_000f64.powf((f64::from(n) + 0.5) / 1_000.0));
            let pink = octaves.map(|f_hz| power(g, f_hz)).sum::<f64>() / 1_000.0;
            for khz in [1, 2, 4] {
                let third = |focus: f32| {
                    let settings = saturating(drive_db, 3).with(Control::Focus, focus);
                    let lines = spectrum(&settings, khz, 0.12 / k(drive_db) / 4.0);
                    db(lines[3 * khz] / lines[khz])
                };
                let f_hz = 1_000.0 * khz as f64;
                let driven = power(g, f_hz) / pink;
                let behind = power(g, f_hz) / power(g, 3.0 * f_hz);
                let expected = db(driven) + 0.5 * db(behind);
                let got = third(focus) - third(0.0);
                let error = (got - expected).abs();
                assert!(error < 0.1, "{drive_db} dB, {focus} %, {khz} kHz: {got} for {expected}");
            }
        }
    }
}

#[test]
fn no_drive_is_the_delayed_input_bit_for_bit() {
    let mut input = programme(20_000, 6);
    input[0][500] = -0.0;
    for quality in 0..QUALITIES.len() {
        let still = saturating(0.0, quality)
            .with(Control::Symmetry, 80.0)
            .with(Control::Focus, -70.0)
            .with(Control::SaturationMix, 60.0);
        let mut processor = engine(RATE_HZ, &still);
        let expected = bits(&delayed(&input, processor.latency()));
        assert!(bits(&run(&mut processor, &input, 480)) == expected, "quality {quality}");
        // Also after there has been drive, once the glide of 20 ms is over.
        processor.set(&still.with(Control::Drive, 20.0));
        run(&mut processor, &input, 480);
        processor.set(&still);
        run(&mut processor, &[vec![0.1; 2_000], vec![0.2; 2_000]], 480);
        run(&mut processor, &[vec![0.0; 2_000], vec![0.0; 2_000]], 480);
        assert!(bits(&run(&mut processor, &input, 480)) == expected, "quality {quality}, again");
    }
}

#[test]
fn an_impulse_comes_out_exactly_by_the_latency_later() {
    let mut latencies = Vec::new();
    for quality in 0..QUALITIES.len() {
        for rate_hz in [8_000.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0] {
            for drive_db in [0.0, 12.0] {
                let mut processor = engine(rate_hz, &saturating(drive_db, quality));
                let mut input = [vec![0.0; 400], vec![0.0; 400]];
                input[0][100] = 0.9;
                let output = run(&mut processor, &input, 37);
                let peak = output[0].iter().map(|x| x.abs()).fold(0.0, f32::max);
                let at = output[0].iter().position(|x| x.abs() == peak).expect("an impulse");
                assert_eq!(at - 100, processor.latency(), "quality {quality} at {rate_hz} Hz");
                latencies.push(processor.latency());
            }
        }
    }
    latencies.dedup();
    assert_eq!(latencies.len(), 4, "one for each quality, whatever the rate and the drive");
    assert_eq!(latencies[0], 0);
}

#[test]
fn latency_is_constant_while_playing_and_quality_waits_for_a_restart() {
    let input = programme(9_000, 2);
    let first = saturating(12.0, 1);
    let mut processor = engine(RATE_HZ, &first);
    let mut undisturbed = engine(RATE_HZ, &first);
    let latency = processor.latency();
    assert_eq!(processor.next_latency(), latency);
    processor.set(&first.with(Control::Quality, 3.0));
    assert_ne!(processor.next_latency(), latency);
    let next_latency = processor.next_latency();
    let outputs = [&mut processor, &mut undisturbed].map(|engine| bits(&run(engine, &input, 300)));
    assert!(outputs[0] == outputs[1], "the quality took effect while playing");
    assert_eq!(processor.latency(), latency);
    processor.set(&first);
    assert_eq!(processor.next_latency(), latency);
    processor.set(&first.with(Control::Quality, 3.0));

    let fresh = bits(&run(&mut engine(RATE_HZ, &first.with(Control::Quality, 3.0)), &input, 300));
    processor.reset();
    assert!(processor.latency() > latency);
    assert_eq!(processor.latency(), next_latency);
    assert!(bits(&run(&mut processor, &input, 300)) == fresh);
    undisturbed.set(&first.with(Control::Quality, 3.0));
    undisturbed.prepare(RATE_HZ, Channels::Stereo).expect("a rate it takes");
    assert!(bits(&run(&mut undisturbed, &input, 300)) == fresh);
}

/// Output is input plus a share of what saturation changes.
#[test]
fn mix_is_a_share_of_the_change() {
    let input = programme(12_000, 3);
    let heard = |mix: f32| {
        let settings = saturating(15.0, 2).with(Control::SaturationMix, mix);
        run(&mut engine(RATE_HZ, &settings), &input, 512)
    };
    let [none, quarter, all] = [0.0, 25.0, 100.0].map(heard);
    let latency = Processor::new().latency();
    assert!(bits(&none) == bits(&delayed(&input, latency)));
    for channel in 0..2 {
        for n in 0..12_000 {
            let expected = none[channel][n] + 0.25 * (all[channel][n] - none[channel][n]);
            assert!((quarter[channel][n] - expected).abs() < 1e-6, "{n}");
        }
    }
}

/// Silence after signal is reached within a second, without subnormal numbers on the way.
#[test]
fn saturation_falls_silent() {
    let settings = saturating(24.0, 2).with(Control::Symmetry, 100.0).with(Control::Focus, 100.0);
    let mut processor = engine(RATE_HZ, &settings);
    run(&mut processor, &programme(20_000, 3), 480);
    let tail = run(&mut processor, &[vec![0.0; 480_000], vec![0.0; 480_000]], 480);
    assert!(tail.iter().flatten().all(|x| !x.is_subnormal()));
    assert!(tail.iter().all(|channel| channel[48_000..].iter().all(|x| x.abs() < 1e-7)));
}

proptest! {
    #![proptest_config(cases(32))]

    /// Drive going and coming back, at any moment: the stage stops and starts between samples, not
    /// between blocks.
    #[test]
    fn stopping_and_starting_does_not_depend_on_the_blocks(
        moves in prop::collection::vec((1usize..2_500, 0f32..24.0, -100f32..=100.0), 2..8),
        quality in 0usize..4,
        block in 1usize..700,
    ) {
        let input = programme(24_000, 13);
        let play = |block: usize| {
            let mut processor = engine(RATE_HZ, &saturating(0.0, quality));
            let mut output = input.clone();
            let [mut left, mut right] = output.each_mut().map(|channel| channel.as_mut_slice());
            for &(frames, drive_db, percent) in &moves {
                // Every other drive is none.
                let drive_db = if drive_db < 12.0 { 0.0 } else { drive_db };
                processor.set(
                    &saturating(drive_db, quality)
                        .with(Control::Focus, percent)
                        .with(Control::Symmetry, -percent)
                        .with(Control::SaturationMix, percent.abs()),
                );
                let (now_left, now_right);
                (now_left, left) = left.split_at_mut(frames);
                (now_right, right) = right.split_at_mut(frames);
                for (left, right) in now_left.chunks_mut(block).zip(now_right.chunks_mut(block)) {
                    processor.process(left, right, None);
                }
            }
            bits(&output)
        };
        prop_assert!(play(block) == play(100_000));
    }
}
