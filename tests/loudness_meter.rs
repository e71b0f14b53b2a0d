//! Our loudness meter against the standards, and against a library that is not ours.
//!
//! Sources: ITU-R BS.1770-5 (11/2023), Annex 1; EBU Tech 3341 v4 (2023), the signals that can be
//! synthesised, tolerance ±0.1 LU. The signals here are ours, not the EBU's files.

use ebur128::{EbuR128, Mode};
use tenon_dsp::{Channels, ProgrammeLoudness, Sides};
use tenon_tests::{Stereo, measure, signals};

fn integrated(rate_hz: f64, channels: Channels, stereo: &Stereo) -> Option<f64> {
    let mut meter = ProgrammeLoudness::new(rate_hz, channels);
    meter.add(&stereo.left, &stereo.right);
    meter.integrated_lufs()
}

/// A 1 kHz sine in both channels at levels (dBFS peak, seconds).
fn tone(levels: &[(f64, f64)]) -> Stereo {
    Stereo::both(signals::steps(48_000.0, 1_000.0, levels))
}

#[test]
fn integrated_loudness_passes_the_cases_of_tech_3341() {
    let cases: [(u32, Stereo, f64); 5] = [
        (1, tone(&[(-23.0, 20.0)]), -23.0),
        (2, tone(&[(-33.0, 20.0)]), -33.0),
        (3, tone(&[(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)]), -23.0),
        (
            4,
            tone(&[(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)]),
            -23.0,
        ),
        (5, tone(&[(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)]), -23.0),
    ];
    for (case, signal, expected) in cases {
        let got = integrated(48_000.0, Channels::Stereo, &signal).expect("above the gate");
        assert!((got - expected).abs() < 0.1, "case {case}: {got} LUFS");
    }
}

/// BS.1770: a full-scale 997 Hz sine in one front channel reads −3.01 LKFS. The shelf warps a little
/// with the rate, hence 0.03 dB.
#[test]
fn a_full_scale_sine_reads_minus_3_at_every_rate() {
    for rate in [44_100.0, 48_000.0, 96_000.0, 192_000.0] {
        let sine = signals::sine(rate, 997.0, 0.0, 2.0);
        let silent = vec![0.0; sine.len()];
        let one = Stereo { left: sine.clone(), right: silent.clone() };
        let other = Stereo { left: silent, right: sine.clone() };
        let both = Stereo::both(sine);
        let [one, other, both, mono] = [
            integrated(rate, Channels::Stereo, &one),
            integrated(rate, Channels::Stereo, &other),
            integrated(rate, Channels::Stereo, &both),
            integrated(rate, Channels::Mono, &both),
        ]
        .map(|loudness| loudness.expect("above the gate"));
        assert!((one + 3.01).abs() < 0.03, "{rate}: {one}");
        assert_eq!(one, other, "left and right weigh the same");
        assert!((both - one - 3.0103).abs() < 1e-4, "{rate}: both channels {both}");
        assert!((mono - one).abs() < 1e-9, "{rate}: one channel played twice counts once, {mono}");
    }
}

/// Section 7 of the same tables: white noise passes the weighting with +3.829 dB (computed from the
/// printed coefficients).
#[test]
fn white_noise_reads_its_power_through_the_weighting() {
    let noise = signals::white_noise(48_000.0, 5, -20.0, 60.0);
    let silent = vec![0.0; noise.len()];
    let got = integrated(48_000.0, Channels::Stereo, &Stereo { left: noise, right: silent });
    assert!((got.expect("above the gate") + 16.862).abs() < 0.02, "{got:?}");
}

#[test]
fn too_short_or_too_quiet_has_no_loudness() {
    assert_eq!(integrated(48_000.0, Channels::Stereo, &tone(&[(-20.0, 0.39)])), None);
    assert_eq!(integrated(48_000.0, Channels::Stereo, &tone(&[(-75.0, 5.0)])), None);
    assert_eq!(integrated(48_000.0, Channels::Stereo, &Stereo::default()), None);
}

#[test]
fn silence_around_the_programme_does_not_count() {
    let alone = integrated(48_000.0, Channels::Stereo, &tone(&[(-23.0, 10.0)]));
    let mut padded = tone(&[(-23.0, 10.0)]);
    for channel in [&mut padded.left, &mut padded.right] {
        channel.resize(channel.len() + 480_000, 0.0);
    }
    let difference = integrated(48_000.0, Channels::Stereo, &padded).unwrap() - alone.unwrap();
    // The blocks that straddle the end are partly silent.
    assert!(difference.abs() < 0.07, "{difference} LU");
}

#[test]
fn agrees_with_the_ebur128_crate_on_programme_at_all_usual_rates() {
    for rate in [44_100, 48_000, 88_200, 96_000, 192_000] {
        let hz = f64::from(rate);
        for stereo in [
            Stereo {
                left: signals::pink_noise(hz, 1, -20.0, 8.0),
                right: signals::pink_noise(hz, 2, -26.0, 8.0),
            },
            signals::sparse_drum_loop(hz, 8.0),
            signals::stops_and_starts(hz, 12.0),
        ] {
            let ours = integrated(hz, Channels::Stereo, &stereo).expect("above the gate");
            let theirs = measure::integrated_lufs(rate, &stereo).expect("above the gate");
            // Our filters run in f32.
            assert!((ours - theirs).abs() < 1e-5, "{rate} Hz: {ours}, the crate {theirs}");
        }
    }
}

/// The meters' short-term loudness is the last 3 s of what is heard, as the crate's is: the input, by
/// the engine's latency later.
#[test]
fn short_term_reading_agrees_with_the_ebur128_crate() {
    let stereo = signals::stops_and_starts(48_000.0, 10.0);
    let mut processor = tenon_dsp::Processor::new();
    let mut crate_meter = EbuR128::new(2, 48_000, Mode::S).expect("a rate it takes");
    let delayed =
        |channel: &Vec<f32>| [&vec![0.0; processor.latency()][..], channel.as_slice()].concat();
    let heard = [delayed(&stereo.left), delayed(&stereo.right)];
    let blocks = stereo.left.chunks(4_800).zip(stereo.right.chunks(4_800));
    let heard = heard[0].chunks(4_800).zip(heard[1].chunks(4_800));
    for ((left, right), (heard_left, heard_right)) in blocks.zip(heard) {
        crate_meter.add_frames_planar_f32(&[heard_left, heard_right]).expect("two channels");
        processor.process(&mut left.to_vec(), &mut right.to_vec(), None);
        let theirs = crate_meter.loudness_shortterm().expect("measured in this mode");
        if theirs > -70.0 {
            let ours = f64::from(processor.readings().loudness_before_lufs);
            assert!((ours - theirs).abs() < 1e-3, "{ours}, the crate {theirs}");
        }
    }
}

/// Integrated loudness of two sides counts blocks in classes of 0.1 LU, so that the relative gate may
/// lie that far off; on programme that moves the figure by far less.
#[test]
fn two_sides_read_what_the_ebur128_crate_reads_of_each() {
    for rate in [44_100, 48_000, 96_000] {
        let hz = f64::from(rate);
        let (a, b) = (signals::sparse_drum_loop(hz, 12.0), signals::stops_and_starts(hz, 12.0));
        let tone = Stereo::both(signals::steps(hz, 1_000.0, &[(-36.0, 6.0), (-23.0, 6.0)]));
        for (first, second) in [(&a, &tone), (&tone, &tone), (&a, &a), (&b, &b)] {
            let mut sides = Sides::new();
            sides.prepare(hz, Channels::Stereo);
            let (mut heard, mut other) = (first.clone(), second.clone());
            sides.process([&mut heard.left, &mut heard.right], [&mut other.left, &mut other.right]);
            let ours = sides.loudness_lufs().expect("above the gate");
            for (ours, stereo) in ours.into_iter().zip([first, second]) {
                let theirs = measure::integrated_lufs(rate, stereo).expect("above the gate");
                let difference = f64::from(ours) - theirs;
                assert!(difference.abs() < 0.05, "{rate} Hz: {ours}, the crate {theirs}");
            }
        }
    }
}
