//! Readings over a hop of 20 ms, and a match that is taken up while audio runs.

use tenon_dsp::{Channels, Control, MatchMemory, MatchState, Processor, Settings};

const RATE_HZ: f64 = 48_000.0;

fn processor(settings: &Settings) -> Processor {
    let mut processor = Processor::new();
    processor.prepare(RATE_HZ, Channels::Stereo).unwrap();
    processor.set(settings);
    processor.reset();
    processor
}

fn sine(samples: usize, gain: f32) -> Vec<f32> {
    let step = std::f64::consts::TAU * 1_000.0 / RATE_HZ;
    (0..samples).map(|n| gain * (step * n as f64).sin() as f32).collect()
}

#[test]
fn a_hop_ends_every_20_ms_wherever_blocks_are_cut() {
    let mut processor = processor(&Settings::default());
    let mut ends = Vec::new();
    let mut at = 0;
    while at < 5_000 {
        let length = processor.until_hop().min(701);
        let ends_here = length == processor.until_hop();
        processor.process(&mut vec![0.1; length], &mut vec![0.1; length], None);
        at += length;
        if ends_here {
            ends.push(at);
        }
    }
    assert_eq!(ends, [960, 1_920, 2_880, 3_840, 4_800]);
}

#[test]
fn levels_of_a_steady_tone_are_those_of_the_slow_reading() {
    let settings = Settings::default().with(Control::Threshold, 0.0);
    let mut processor = processor(&settings);
    let (mut left, mut right) = (sine(96_000, 0.25), sine(96_000, 0.05));
    processor.process(&mut left, &mut right, None);
    let r = processor.readings();
    for (hop, slow) in [
        (r.mid_before_hop_db, r.mid_before_db),
        (r.side_before_hop_db, r.side_before_db),
        (r.mid_after_hop_db, r.mid_after_db),
        (r.side_after_hop_db, r.side_after_db),
    ] {
        assert!((hop - slow).abs() < 0.05, "{hop} {slow}");
    }
}

#[test]
fn a_hop_keeps_its_largest_gain_reduction() {
    let settings = Settings::default()
        .with(Control::Threshold, -40.0)
        .with(Control::Attack, 0.05)
        .with(Control::Release, 5.0)
        .with(Control::DetectorWindow, 0.0);
    let mut processor = processor(&settings);
    // A click in the middle of a hop; by its end the gain is back.
    let (mut left, mut right) = (vec![0.0; 1_920], vec![0.0; 1_920]);
    left[1_000..1_010].fill(0.9);
    right[1_000..1_010].fill(0.9);
    processor.process(&mut left[..960], &mut right[..960], None);
    assert!(processor.readings().gain_reduction_hop_db < 1e-6);
    processor.process(&mut left[960..], &mut right[960..], None);
    let readings = processor.readings();
    assert_eq!(readings.gain_reduction_hop_db, readings.gain_reduction_peak_db);
    assert!(readings.gain_reduction_hop_db > readings.gain_reduction_db + 1.0, "{readings:?}");
}

#[test]
fn a_match_taken_up_while_audio_runs_glides() {
    let settings = Settings::default().with(Control::Threshold, 0.0);
    let loudest_step = |take_up: fn(&mut Processor, MatchMemory)| {
        let mut processor = processor(&settings);
        let memory = MatchMemory { gain_db: -12.0, state: MatchState::Held };
        let mut output = sine(9_600, 0.5);
        let mut right = output.clone();
        processor.process(&mut output[..4_788], &mut right[..4_788], None);
        take_up(&mut processor, memory);
        processor.process(&mut output[4_788..], &mut right[4_788..], None);
        let last = output[9_000..].iter().fold(0.0, |peak: f32, x| peak.max(x.abs()));
        assert!((last - 0.5 * 10_f32.powf(-12.0 / 20.0)).abs() < 0.005, "{last}");
        output[4_700..].windows(2).fold(0.0, |step: f32, pair| step.max((pair[1] - pair[0]).abs()))
    };
    // The steepest step of the tone itself is 0.5·2π·1000/48000 = 0.0654.
    assert!(loudest_step(Processor::glide_match) < 0.07);
    assert!(loudest_step(Processor::restore_match) > 0.1);
}
