//! Measures the engine and its stages, for `cargo xtask bench`.
//!
//! `measure list` names the cases, one a line. `measure programme FILE` writes what they play, left
//! then right, as raw 32-bit floats. `measure count CASE FRAMES` only runs a case, for a tool that
//! counts instructions. `measure answer` takes requests on standard input, so that its runs can
//! alternate with those of another program; each is a line of fields with tabs between them:
//! `run CASE RATE BLOCK` is answered with nanoseconds per stereo frame, `blocks CASE RATE BLOCK`
//! with the median and the 99.9th percentile of nanoseconds per block, undisturbed.
//!
//! The engine keeps its stages private, so this file compiles them in.
#![allow(dead_code, unused_imports, missing_docs, unreachable_pub)]
#![allow(clippy::disallowed_macros)] // this program speaks, the engine does not

mod programme;
#[path = "../src"]
mod engine {
    pub mod settings;
    pub mod units;
    pub mod registers;
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
    pub mod lookahead;
    pub mod ballistics;
    pub mod reduction;
    pub mod gain;
    pub mod compressor;
    pub mod saturation;
    pub mod output;
    pub mod loudness;
    pub mod monitor;
    pub mod recovery;
    pub mod meter;
}
// The stages call each other by their paths from the root of the crate.
use engine::*;

use frame::{CHUNK, Frames, Lanes};
use programme::{FRAMES, programme};
use registers::{Registers, wide};
use settings::{Control, Settings};
use std::hint::black_box;
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
    // What every stage below costs before it does anything.
    ("stage: load and copy", |_| {
        on_frames(
            #[inline(always)]
            |_, _| (),
        )
    }),
    ("stage: input", |rate| {
        let mut stage = input::Input::new();
        stage.prepare(rate);
        stage.set(&Settings::default().with(Control::InputTrim, 3.0));
        stage.reset();
        on_frames(
            #[inline(always)]
            move |audio, _| stage.process(audio),
        )
    }),
    ("stage: key and power", |rate| {
        let mut stage = key::Key::new();
        let mut detector = detector::Detector::new();
        stage.prepare(rate);
        stage.set(&Settings::default());
        stage.reset();
        detector.prepare(rate);
        detector.set(&Settings::default());
        let mut lanes = Lanes::new();
        on_frames(
            #[inline(always)]
            move |audio, source| {
                stage.process(audio, source, None, detector.average(), black_box(&mut lanes), ());
            },
        )
    }),
    ("stage: level", |rate| {
        let mut stage = detector::Detector::new();
        stage.prepare(rate);
        stage.set(&Settings::default());
        stage.reset();
        let mut to = Lanes::new();
        on_lanes(
            0.1,
            #[inline(always)]
            move |lanes, len| stage.levels(lanes, black_box(&mut to), len),
        )
    }),
    ("stage: link", |rate| {
        let mut stage = link::Link::new();
        stage.prepare(rate);
        stage.set(&Settings::default());
        stage.reset();
        on_lanes(
            -12.0,
            #[inline(always)]
            move |lanes, len| {
                stage.prepare_powers(lanes, len);
                stage.process(lanes, len);
            },
        )
    }),
    ("stage: curve", |rate| {
        let mut stage = curve::Curve::new();
        stage.prepare(rate);
        stage.set(&Settings::default());
        stage.reset();
        let mut to = Lanes::new();
        on_lanes(
            -12.0,
            #[inline(always)]
            move |lanes, len| stage.process(lanes, black_box(&mut to), len),
        )
    }),
    ("stage: lookahead of 5 ms", |rate| {
        let mut stage = lookahead::Lookahead::new();
        stage.prepare(rate);
        stage.set(&Settings::default().with(Control::Lookahead, 5.0), None);
        stage.take_up();
        stage.reset();
        let (mut audio, mut raw) = (Frames::new(), Frames::new());
        let mut least = Lanes::new();
        on_lanes(
            3.0,
            #[inline(always)]
            move |lanes, len| {
                let [left, right] = lanes.channels(len);
                audio.load(left, right);
                raw.copy_from(&audio);
                stage.process(lanes, black_box(&mut least), len);
                stage.delay(&mut audio, &mut raw);
            },
        )
    }),
    ("stage: ballistics", |rate| ballistics(rate, 0.0)),
    ("stage: ballistics, adaptive", |rate| ballistics(rate, 50.0)),
    ("stage: gain", |rate| {
        let mut stage = gain::Gain::new();
        stage.prepare(rate);
        stage.set(&Settings::default());
        stage.reset();
        let reductions = lanes(3.0);
        on_frames(
            #[inline(always)]
            move |audio, _| stage.process(audio, black_box(&reductions)),
        )
    }),
    ("stage: saturation, no drive", |rate| saturation(rate, 0.0, 2.0)),
    ("stage: saturation at 1x", |rate| saturation(rate, 6.0, 0.0)),
    ("stage: saturation at 2x", |rate| saturation(rate, 6.0, 1.0)),
    ("stage: saturation at 4x", |rate| saturation(rate, 6.0, 2.0)),
    ("stage: saturation at 8x", |rate| saturation(rate, 6.0, 3.0)),
    ("stage: output", |rate| {
        let mut stage = output::Output::new();
        stage.prepare(rate);
        stage.set(&Settings::default().with(Control::Mix, 50.0));
        stage.reset();
        on_frames(
            #[inline(always)]
            move |audio, source| stage.process(audio, source.channels()),
        )
    }),
    ("stage: loudness of dry and processed", |rate| {
        let mut tap = loudness::LoudnessTap::new(rate, loudness::Channels::Stereo);
        // Blocks here do not end where hops do; for the time it takes that is all the same.
        on_frames(
            #[inline(always)]
            move |audio, source| {
                black_box(tap.process(source.channels(), audio.channels(), false));
            },
        )
    }),
    ("stage: meters", |rate| {
        let mut levels = meter::LevelMeter::new();
        let mut reductions = meter::ReductionMeter::default();
        let mut recovery = recovery::RecoveryMeter::new();
        recovery.prepare(rate);
        on_frames(
            #[inline(always)]
            move |audio, source| {
                levels.process(source.channels(), audio.channels());
                reductions.process(audio.channels());
                recovery.process(audio.channels());
            },
        )
    }),
];

fn ballistics(rate_hz: f64, adaptive: f32) -> Process {
    let mut stage = ballistics::Ballistics::new();
    stage.prepare(rate_hz);
    stage.set(&Settings::default().with(Control::Adaptive, adaptive), None);
    stage.reset();
    on_lanes(
        3.0,
        #[inline(always)]
        move |lanes, len| {
            stage.process(lanes, None, len, ());
        },
    )
}

fn saturation(rate_hz: f64, drive_db: f32, quality: f32) -> Process {
    let mut stage = saturation::Saturation::new();
    stage.prepare(rate_hz);
    let settings = Settings::default().with(Control::Drive, drive_db);
    stage.set(&settings.with(Control::Quality, quality));
    stage.take_up();
    stage.reset();
    on_frames(
        #[inline(always)]
        move |audio, source| stage.process(audio, source),
    )
}

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
    let registers = Registers::widest();
    Box::new(move |left, right| {
        for (left, right) in left.chunks(CHUNK).zip(right.chunks(CHUNK)) {
            wide!(registers, source.load(left, right));
            wide!(registers, audio.copy_from(&source));
            wide!(registers, stage(black_box(&mut audio), black_box(&source)));
        }
    })
}

/// The same value for every frame, left and right.
fn lanes(value: f32) -> Lanes {
    let mut lanes = Lanes::new();
    lanes.one(CHUNK).fill(value);
    lanes
}

/// A stage that works on one value per frame and channel, here always the same.
fn on_lanes(value: f32, mut stage: impl FnMut(&mut Lanes, usize) + 'static) -> Process {
    let registers = Registers::widest();
    Box::new(move |left, _| {
        for left in left.chunks(CHUNK) {
            wide!(registers, stage(black_box(&mut lanes(value)), left.len()));
        }
    })
}

type Failure = Box<dyn std::error::Error>;

/// A case, prepared.
fn prepare(name: &str, rate_hz: f64) -> Result<Process, Failure> {
    let found = CASES.iter().find(|case| case.0 == name);
    Ok(found.ok_or_else(|| format!("there is no case {name:?}"))?.1(rate_hz))
}

/// Plays a programme once, in blocks.
fn play(process: &mut Process, [left, right]: &mut [Vec<f32>; 2], block: usize) {
    for (left, right) in left.chunks_mut(block).zip(right.chunks_mut(block)) {
        process(black_box(left), black_box(right));
    }
}

/// Plays a programme ten times, each time with the case prepared anew; the least nanoseconds of every
/// whole block, ascending. The work of a block is the same each time; what the system puts in between
/// is not.
fn time_blocks(
    prepare: impl Fn() -> Result<Process, Failure>,
    programme: &[Vec<f32>; 2],
    block: usize,
) -> Result<Vec<u64>, Failure> {
    let mut least = vec![u64::MAX; programme[0].len() / block];
    for _ in 0..10 {
        let (mut process, [mut left, mut right]) = (prepare()?, programme.clone());
        let blocks = left.chunks_exact_mut(block).zip(right.chunks_exact_mut(block));
        for (least, (left, right)) in least.iter_mut().zip(blocks) {
            let start = Instant::now();
            process(black_box(left), black_box(right));
            *least = (*least).min(start.elapsed().as_nanos() as u64);
        }
    }
    least.sort_unstable();
    Ok(least)
}

fn answer(programme: &[Vec<f32>; 2], request: &str) -> Result<String, Failure> {
    let [what, name, rate_hz, block] = request.split('\t').collect::<Vec<_>>()[..] else {
        return Err(format!("a request has four fields: {request:?}").into());
    };
    let (rate_hz, block) = (rate_hz.parse()?, block.parse()?);
    match what {
        "run" => {
            let mut process = prepare(name, rate_hz)?;
            // Once for the caches, and so that nothing glides any more.
            let mut beginning = programme.clone().map(|x| x[..FRAMES / 10].to_vec());
            play(&mut process, &mut beginning, block);
            let mut signal = programme.clone();
            let start = Instant::now();
            play(&mut process, &mut signal, block);
            Ok((start.elapsed().as_nanos() as f64 / FRAMES as f64).to_string())
        }
        "blocks" => {
            let times = time_blocks(|| prepare(name, rate_hz), programme, block)?;
            let at = |share: f64| times[(share * (times.len() - 1) as f64) as usize];
            Ok(format!("{}\t{}", at(0.5), at(0.999)))
        }
        _ => Err(format!("unknown request {what:?}").into()),
    }
}

fn main() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let programme = programme();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["list"] => CASES.iter().for_each(|(name, _)| println!("{name}")),
        ["programme", file] => {
            let samples = programme.iter().flatten().flat_map(|x| x.to_le_bytes());
            std::fs::write(file, samples.collect::<Vec<_>>())?;
        }
        ["count", name, frames] => {
            let (mut process, frames) = (prepare(name, 48_000.0)?, frames.parse()?);
            let mut signal = programme;
            signal.iter_mut().for_each(|channel| channel.truncate(frames));
            play(&mut process, &mut signal, 128);
        }
        ["answer"] => {
            for request in std::io::stdin().lines() {
                println!("{}", answer(&programme, &request?)?);
            }
        }
        _ => return Err("usage: measure list | programme FILE | count CASE FRAMES | answer".into()),
    }
    Ok(())
}
