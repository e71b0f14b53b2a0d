//! Moving a control glides: no step, no zipper.

mod common;
use common::{engine, run};
use tenon_dsp::{Control, Settings};

/// On a constant input every movement at the output is the control's own. A glide of 20 ms moves by
/// at most a few times its average step.
#[test]
fn no_control_steps_the_output() {
    const RATE_HZ: f64 = 48_000.0;
    let glide = (0.01 * RATE_HZ) as f32; // the fastest: the cross-fade of 10 ms
    // Long enough for the slowest attack to arrive.
    const ARRIVED: usize = 120_000;
    let steady = |frames| [vec![0.4; frames], vec![-0.1; frames]];
    // Fast ballistics, so that nothing behind the curve hides a step; every stage at work.
    let base = Settings::default()
        .with(Control::KeyHighpass, 0.0)
        .with(Control::DetectorWindow, 0.0)
        .with(Control::Threshold, -30.0)
        .with(Control::Ratio, 4.0)
        .with(Control::Attack, 0.05)
        .with(Control::Release, 5.0)
        .with(Control::StereoLink, 50.0)
        .with(Control::SideShare, 50.0)
        .with(Control::Drive, 12.0)
        .with(Control::Symmetry, 40.0)
        .with(Control::Focus, -60.0)
        .with(Control::Mix, 60.0)
        .with(Control::MatchHold, 1.0);
    let mut moved = 0;
    for control in Control::ALL {
        for (from, to) in [(0.0, 1.0), (1.0, 0.0)] {
            let spec = control.spec();
            let value = |position: f32| spec.min + position * (spec.max - spec.min);
            let mut processor = engine(RATE_HZ, &base.with(control, value(from)));
            let before = run(&mut processor, &steady(ARRIVED), 480);
            processor.set(&base.with(control, value(to)));
            let after = run(&mut processor, &steady(24_000), 480);
            for channel in 0..2 {
                let start = before[channel][ARRIVED - 1];
                let path = || std::iter::once(start).chain(after[channel].iter().copied());
                let lowest = path().fold(f32::MAX, f32::min);
                let highest = path().fold(f32::MIN, f32::max);
                let steepest =
                    path().zip(path().skip(1)).map(|(a, b)| (b - a).abs()).fold(0.0, f32::max);
                let travel = highest - lowest;
                moved += usize::from(travel > 0.001);
                // The steepest glide is in dB over 60 dB; its slope at the loud end is 7 times the
                // average one.
                assert!(
                    steepest <= 7.0 * travel / glide + 1e-6,
                    "{control:?} {from} to {to}: {steepest} in one sample, {travel} in all"
                );
            }
        }
    }
    assert!(moved > 40, "only {moved} of the movements were audible; the test proves too little");
}
