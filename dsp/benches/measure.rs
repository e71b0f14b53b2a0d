//! Measures the engine and its stages, for `cargo xtask bench`.
//!
//! `measure list` names the cases. `measure count CASE FRAMES` only runs one, for a tool that counts
//! instructions. `measure` answers requests on standard input, one a line, so that its runs can
//! alternate with those of another program: `run CASE RATE BLOCK` with nanoseconds per stereo frame,
//! `blocks CASE RATE BLOCK` with the nanoseconds of every block.
//!
//! The engine keeps its stages private, so this file compiles them in.
#![allow(dead_code, unused_imports, missing_docs, unreachable_pub)]

mod programme;
#[path = "../src"]
mod engine {
    pub mod settings;
    pub mod units;
    pub mod frame;
    pub mod ramp;
    pub mod delay;
    pub mod mid_side;
    pub mod filter;
    pub mod input;
    pub mod key;
    pub mod detector;
    pub mod link;
    pub mod curve;
    pub mod ballistics;
    pub mod gain;
    pub mod compressor;
    pub mod saturation;
    pub mod output;
    pub mod loudness;
    pub mod monitor;
    pub mod meter;
}
// The stages call each other by their paths from the root of the crate.
use engine::*;

use frame::{CHUNK, Frames};
use programme::programme;
use settings::{Control, Settings};
use std::error::Error;
use std::hint::black_box;
use std::io::Write as _;
use std::time::Instant;

/// Processes a block of left and right in place.
type Process = Box<dyn FnMut(&mut [f32], &mut [f32])>;

/// What can be measured: a name, and how it is prepared for a rate in Hz.
type Case = (&'static str, fn(f64) -> Process);

const CASES: &[Case] = &[
    ("engine", |rate| engine(rate, &[])),
    ("engine, adaptive release", |rate| engine(rate, &[(tenon_dsp::Control::Adaptive, 50.0)])),
    ("engine, unlinked, half side share", |rate| {
        let settings =
            [(tenon_dsp::Control::StereoLink, 0.0), (tenon_dsp::Control::SideShare, 50.0)];
        engine(rate, &settings)
    }),
    ("engine, saturation at 1x", |rate| saturated(rate, 0.0)),
    ("engine, saturation at 2x", |rate| saturated(rate, 1.0)),
    ("engine, saturation at 4x", |rate| saturated(rate, 2.0)),
    ("engine, saturation at 8x", |rate| saturated(rate, 3.0)),
    ("engine, mono", |rate| {
        let mut process = processor(rate, tenon_dsp::Channels::Mono, &[]);
        Box::new(move |left, right| {
            right.copy_from_slice(left);
            process(left, right);
        })
    }),
    ("ebur128 meter", |rate| {
        let mut meter =
            ebur128::EbuR128::new(2, rate as u32, ebur128::Mode::I).expect("a rate it takes");
        Box::new(move |left, right| {
            meter.add_frames_planar_f32(&[&*left, &*right]).expect("two channels");
        })
    }),
    ("copy", |_| on_frames(|_, _| ())),
    ("input", |rate| {
        let mut stage = input::Input::new();
        stage.prepare(rate);
        stage.set(&Settings::default());
        stage.reset();
        on_frames(move |audio, _| stage.process(audio))
    }),
];

fn engine(rate_hz: f64, moved: &[(tenon_dsp::Control, f32)]) -> Process {
    processor(rate_hz, tenon_dsp::Channels::Stereo, moved)
}

fn saturated(rate_hz: f64, quality: f32) -> Process {
    use tenon_dsp::Control::{Drive, Quality};
    engine(rate_hz, &[(Drive, 6.0), (Quality, quality)])
}

fn processor(
    rate_hz: f64,
    channels: tenon_dsp::Channels,
    moved: &[(tenon_dsp::Control, f32)],
) -> Process {
    let mut settings = tenon_dsp::Settings::default();
    for &(control, value) in moved {
        settings = settings.with(control, value);
    }
    let mut processor = tenon_dsp::Processor::new();
    processor.prepare(rate_hz, channels).expect("a rate it takes");
    processor.set(&settings);
    processor.reset();
    Box::new(move |left, right| processor.process(left, right, None))
}

/// A stage that works on frames: they are loaded, handed over with what was loaded, and kept.
fn on_frames(mut stage: impl FnMut(&mut Frames, &Frames) + 'static) -> Process {
    let (mut source, mut audio) = (Frames::new(), Frames::new());
    Box::new(move |left, right| {
        for (left, right) in left.chunks(CHUNK).zip(right.chunks(CHUNK)) {
            source.load(left, right);
            audio.copy_from(&source);
            stage(black_box(&mut audio), black_box(&source));
        }
    })
}

fn case(name: &str) -> Result<Case, Box<dyn Error>> {
    let found = CASES.iter().find(|case| case.0 == name);
    found.copied().ok_or_else(|| format!("there is no case {name:?}").into())
}

/// Plays the programme once, in blocks.
fn play(process: &mut Process, [left, right]: &mut [Vec<f32>; 2], block: usize) {
    for (left, right) in left.chunks_mut(block).zip(right.chunks_mut(block)) {
        process(black_box(left), black_box(right));
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let programme = programme();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["list"] => CASES.iter().for_each(|(name, _)| println!("{name}")),
        ["count", name, frames] => {
            let mut process = case(name)?.1(48_000.0);
            let frames = frames.parse()?;
            let mut signal = programme;
            signal.iter_mut().for_each(|channel| channel.truncate(frames));
            play(&mut process, &mut signal, 128);
        }
        ["loop", name, times] => {
            let mut process = case(name)?.1(48_000.0);
            let mut signal = programme.clone().map(|mut c| {
                c.truncate(48_000);
                c
            });
            for _ in 0..times.parse()? {
                signal[0].copy_from_slice(&programme[0][..48_000]);
                signal[1].copy_from_slice(&programme[1][..48_000]);
                let start = Instant::now();
                play(&mut process, &mut signal, 128);
                println!("{}", start.elapsed().as_nanos() as f64 / 48_000.0);
            }
        }
        _ => return Err("usage: measure [list | count CASE FRAMES]".into()),
    }
    Ok(())
}
