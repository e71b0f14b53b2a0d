//! Each stage by itself, on one block of 64 frames. The engine keeps its stages private, so this
//! file compiles them in.
#![allow(dead_code, unused_imports, missing_docs, unreachable_pub)]

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
    pub mod lookahead;
    pub mod ballistics;
    pub mod gain;
    pub mod saturation;
    pub mod output;
    pub mod loudness;
}
// The stages call each other by their paths from the root of the crate.
use engine::*;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use frame::{CHUNK, Frames};
use settings::{Control, QUALITIES, Settings};
use std::hint::black_box;

const RATE_HZ: f64 = 48_000.0;

/// Benchmarks `process` of a stage prepared and set like the engine's.
macro_rules! stage {
    ($group:expr, $name:literal, $stage:expr, |$s:ident| $process:expr) => {
        $group.bench_function($name, |b| {
            let mut $s = $stage;
            $s.prepare(RATE_HZ);
            $s.set(&Settings::default());
            $s.reset();
            b.iter(|| $process);
        });
    };
}

fn stages(c: &mut Criterion) {
    let block: [f32; CHUNK] = std::array::from_fn(|n| (n as f32 * 0.7).sin() * 0.5);
    let mut source = Frames::new();
    source.load(&block, &block);
    let levels = [[-12.0; CHUNK]; 2];

    let mut group = c.benchmark_group("stages");
    group.throughput(Throughput::Elements(CHUNK as u64));
    let mut audio = source.clone();
    group.bench_function("reference: copy", |b| {
        b.iter(|| black_box(&mut audio).copy_from(black_box(&source)))
    });
    stage!(group, "input", input::Input::new(), |s| s.process(black_box(&mut audio)));
    stage!(group, "key", key::Key::new(), |s| {
        audio.copy_from(&source);
        s.process(black_box(&mut audio), black_box(&source), None)
    });
    let mut lanes = levels;
    stage!(group, "detector", detector::Detector::new(), |s| s
        .process(black_box(&source), black_box(&mut lanes)));
    stage!(group, "link", link::Link::new(), |s| s.process(black_box(&mut lanes), CHUNK));
    stage!(group, "curve", curve::Curve::new(), |s| {
        lanes = levels;
        s.process(black_box(&mut lanes), CHUNK)
    });
    let mut least = [[0.0; CHUNK]; 2];
    group.bench_function("lookahead of 5 ms", |b| {
        let mut stage = lookahead::Lookahead::new();
        stage.prepare(RATE_HZ);
        stage.set(&Settings::default().with(Control::Lookahead, 5.0), None);
        stage.take_up();
        stage.reset();
        b.iter(|| {
            lanes = [std::array::from_fn(|i| (i % 7) as f32); 2];
            stage.process(black_box(&mut lanes), black_box(&mut least), CHUNK);
            stage.delay(black_box(&mut audio), black_box(&mut source.clone()));
        });
    });
    group.bench_function("ballistics", |b| {
        let mut stage = ballistics::Ballistics::new();
        stage.prepare(RATE_HZ);
        stage.set(&Settings::default(), None);
        stage.reset();
        b.iter(|| {
            lanes = [[3.0; CHUNK]; 2];
            stage.process(black_box(&mut lanes), None, CHUNK)
        });
    });
    let reductions = [[3.0; CHUNK]; 2];
    stage!(group, "gain", gain::Gain::new(), |s| {
        audio.copy_from(&source);
        s.process(black_box(&mut audio), black_box(&reductions))
    });
    let mut saturation = |name: &str, settings: Settings| {
        group.bench_function(name, |b| {
            let mut stage = saturation::Saturation::new();
            stage.prepare(RATE_HZ);
            stage.set(&settings);
            stage.reset();
            b.iter(|| {
                audio.copy_from(&source);
                stage.process(black_box(&mut audio), black_box(&source))
            });
        });
    };
    saturation("saturation, no drive", Settings::default());
    let driven = Settings::default().with(Control::Drive, 12.0);
    for (quality, name) in QUALITIES.iter().enumerate() {
        let settings = driven.with(Control::Quality, quality as f32);
        saturation(&format!("saturation at {name}"), settings);
    }
    stage!(group, "output", output::Output::new(), |s| {
        audio.copy_from(&source);
        s.process(black_box(&mut audio), black_box(&source))
    });
    group.bench_function("loudness of dry and processed", |b| {
        // A rate whose hop is one block.
        let mut tap =
            loudness::LoudnessTap::new(CHUNK as f64 / loudness::HOP_S, loudness::Channels::Stereo);
        b.iter(|| tap.process(black_box(&source), black_box(&source)));
    });
    group.finish();
}

criterion_group!(benches, stages);
criterion_main!(benches);
