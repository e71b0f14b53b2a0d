//! Signals and runs shared by the engine's own tests.
#![allow(dead_code)] // each test file uses its own part

use proptest::prelude::*;
use tenon_dsp::{Channels, Control, Processor, Settings, Unit};

/// Left and right.
pub(crate) type Stereo = [Vec<f32>; 2];

/// Reproducible noise bursts: something for every stage to do.
pub(crate) fn programme(frames: usize, seed: u32) -> Stereo {
    let mut state = seed | 1;
    let mut noise = move || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        state as f32 / 2_147_483_648.0 - 1.0
    };
    let mut stereo = [Vec::with_capacity(frames), Vec::with_capacity(frames)];
    for n in 0..frames {
        let envelope = (-((n % 5_000) as f32) / 1_200.0).exp() + 0.02;
        let common = noise();
        stereo[0].push(0.7 * envelope * (common + 0.3 * noise()));
        stereo[1].push(0.5 * envelope * (common + 0.6 * noise()));
    }
    stereo
}

/// A processor that starts at `settings`.
pub(crate) fn engine(rate_hz: f64, settings: &Settings) -> Processor {
    let mut processor = Processor::new();
    processor.prepare(rate_hz, Channels::Stereo).expect("rate within range");
    processor.set(settings);
    processor.reset();
    processor
}

/// Processes all of `input` in blocks of `block` frames.
pub(crate) fn run(processor: &mut Processor, input: &Stereo, block: usize) -> Stereo {
    let mut output = input.clone();
    let [left, right] = &mut output;
    for (left, right) in left.chunks_mut(block).zip(right.chunks_mut(block)) {
        processor.process(left, right, None);
    }
    output
}

/// The signal so many samples later, cut to its length.
pub(crate) fn delayed(input: &Stereo, latency: usize) -> Stereo {
    input.clone().map(|channel| {
        let kept = channel.len() - latency;
        [vec![0.0; latency], channel[..kept].to_vec()].concat()
    })
}

/// The bits of all samples, for comparisons that must be exact.
pub(crate) fn bits(stereo: &Stereo) -> Vec<u32> {
    stereo.iter().flatten().map(|x| x.to_bits()).collect()
}

/// So many random cases; a failure is printed, not stored.
pub(crate) fn cases(cases: u32) -> ProptestConfig {
    ProptestConfig { cases, failure_persistence: None, ..ProptestConfig::default() }
}

/// Any settings.
pub(crate) fn any_settings() -> impl Strategy<Value = Settings> {
    let positions = prop::array::uniform29(0f32..=1.0);
    (positions, any::<[bool; 2]>()).prop_map(|(positions, [is_adaptive, looks_ahead])| {
        let mut settings = Settings::default();
        for (control, position) in Control::ALL.into_iter().zip(positions) {
            let spec = control.spec();
            // Mostly the processed signal is heard, which is what most promises are about.
            let position = match control {
                Control::Bypass | Control::Compare | Control::Listen => position.powi(4),
                // By default they are not there.
                Control::Adaptive if !is_adaptive => 0.0,
                Control::Lookahead if !looks_ahead => 0.0,
                _ => position,
            };
            let mut value = spec.min + position * (spec.max - spec.min);
            if matches!(spec.unit, Unit::Choice(_)) {
                value = value.round();
            } else if control == Control::KeyHighpass && value < tenon_dsp::KEY_HIGHPASS_MIN_HZ {
                value = 0.0;
            }
            settings.set(control, value.min(spec.max)).expect("within the range");
        }
        settings
    })
}
