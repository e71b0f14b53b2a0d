//! The togetherness analyser beside the engine on the same signal: read its figure as a
//! ratio to the engine's, or as a share of the two seconds it takes in.

mod programme;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use programme::{FRAMES, programme};
use std::hint::black_box;
use tenon_dsp::{Channels, Control, Processor, Settings, Togetherness};

const RATE_HZ: f64 = 48_000.0;
const BLOCK: usize = 512;

fn engine() -> Processor {
    let mut processor = Processor::new();
    processor.prepare(RATE_HZ, Channels::Stereo).expect("a rate it takes");
    processor.set(&Settings::default().with(Control::LoudnessMatch, 0.0));
    processor.reset();
    processor
}

fn process(processor: &mut Processor, signal: &mut [Vec<f32>; 2]) {
    let [left, right] = signal;
    for (left, right) in left.chunks_mut(BLOCK).zip(right.chunks_mut(BLOCK)) {
        processor.process(black_box(left), black_box(right), None);
    }
}

fn togetherness(c: &mut Criterion) {
    let dry = programme();
    let mut wet = dry.clone();
    process(&mut engine(), &mut wet);
    let mut group = c.benchmark_group("two seconds at 48 kHz");
    group.throughput(Throughput::Elements(FRAMES as u64));
    group.bench_function("reference: engine", |b| {
        let mut processor = engine();
        let mut signal = dry.clone();
        b.iter(|| {
            signal.clone_from(&dry);
            process(&mut processor, &mut signal);
        });
    });
    group.bench_function("togetherness, a reading every 0.1 s", |b| {
        let mut togetherness = Togetherness::new(RATE_HZ).expect("a rate it takes");
        b.iter(|| {
            for start in (0..FRAMES).step_by(4_800) {
                let block = start..start + 4_800;
                togetherness.add(
                    black_box([&dry[0][block.clone()], &dry[1][block.clone()]]),
                    black_box([&wet[0][block.clone()], &wet[1][block]]),
                );
                black_box(togetherness.reading()).ok();
            }
        });
    });
    group.finish();
}

criterion_group!(benches, togetherness);
criterion_main!(benches);
