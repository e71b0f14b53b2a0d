//! The whole engine, beside the loudness meter of the `ebur128` crate on the same signal: read the
//! figures as a ratio to that reference, since machines differ and are noisy.

mod programme;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use programme::{FRAMES, programme};
use std::hint::black_box;
use tenon_dsp::{Channels, Control, Processor, Settings};

fn engine(c: &mut Criterion) {
    let [left, right] = programme();
    let mut group = c.benchmark_group("engine");
    group.throughput(Throughput::Elements(FRAMES as u64));
    group.bench_function("reference: ebur128 meter", |b| {
        let mut meter =
            ebur128::EbuR128::new(2, 48_000, ebur128::Mode::I).expect("a rate it takes");
        b.iter(|| {
            for (left, right) in left.chunks(128).zip(right.chunks(128)) {
                meter.add_frames_planar_f32(black_box(&[left, right])).expect("two channels");
            }
        });
    });
    let variants = [
        ("default", Settings::default()),
        ("adaptive release", Settings::default().with(Control::Adaptive, 50.0)),
        (
            "unlinked, half side share",
            Settings::default().with(Control::StereoLink, 0.0).with(Control::SideShare, 50.0),
        ),
        ("lookahead of 5 ms", Settings::default().with(Control::Lookahead, 5.0)),
        (
            "saturation at 4x",
            Settings::default().with(Control::Drive, 6.0).with(Control::Quality, 2.0),
        ),
    ];
    for (name, settings) in variants {
        for block in [16, 128, 4_096] {
            group.bench_function(format!("{name}, blocks of {block}"), |b| {
                let mut processor = Processor::new();
                processor.prepare(48_000.0, Channels::Stereo).expect("a rate it takes");
                processor.set(&settings);
                processor.reset();
                let (mut out_left, mut out_right) = (left.clone(), right.clone());
                b.iter(|| {
                    out_left.copy_from_slice(&left);
                    out_right.copy_from_slice(&right);
                    for (l, r) in out_left.chunks_mut(block).zip(out_right.chunks_mut(block)) {
                        processor.process(black_box(l), black_box(r), None);
                    }
                });
            });
        }
    }
    group.finish();
}

criterion_group!(benches, engine);
criterion_main!(benches);
