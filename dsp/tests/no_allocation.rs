//! After `prepare` the engine never touches the allocator.

mod common;
use common::{engine, programme};
use tenon_dsp::{Beat, Control, Settings};

#[test]
fn processing_and_moving_settings_never_allocates() {
    let [mut left, mut right] = programme(200_000, 3);
    let key = programme(200_000, 4);
    let mut processor = engine(48_000.0, &Settings::default());
    let count = allocation_counter::measure(|| {
        for (i, control) in Control::ALL.into_iter().cycle().take(390).enumerate() {
            let spec = control.spec();
            let value = if i % 2 == 0 { spec.min } else { spec.max };
            processor.set(&Settings::default().with(Control::Drive, 12.0).with(control, value));
            processor.set_tempo(Some(60.0 + i as f64));
            processor.set_beat(Some(Beat { position: i as f64 * 0.01, per_s: 2.0 }));
            let frames = i * 512..(i + 1) * 512;
            processor.process(
                &mut left[frames.clone()],
                &mut right[frames.clone()],
                Some((&key[0][frames.clone()], &key[1][frames])),
            );
            processor.readings();
            if i % 100 == 0 || matches!(control, Control::Quality | Control::Lookahead) {
                processor.restore_match(processor.match_memory());
                processor.relearn_match();
                processor.clear_peaks();
                processor.reset();
            }
        }
    });
    assert_eq!(count.count_total, 0);
}
