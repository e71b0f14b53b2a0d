//! Left and right are treated alike.

mod common;
use common::{any_settings, bits, cases, delayed, engine, programme, run};
use proptest::prelude::*;
use tenon_dsp::{Control, Settings};

proptest! {
    #![proptest_config(cases(48))]

    #[test]
    fn swapping_the_inputs_swaps_the_outputs_bit_for_bit(settings in any_settings()) {
        let [left, right] = programme(8_000, 11);
        let straight = run(&mut engine(48_000.0, &settings), &[left.clone(), right.clone()], 512);
        let [swapped_right, swapped_left] = run(&mut engine(48_000.0, &settings), &[right, left], 512);
        prop_assert!(bits(&straight) == bits(&[swapped_left, swapped_right]));
    }

    #[test]
    fn identical_channels_stay_identical_whatever_the_link(settings in any_settings()) {
        let [left, _] = programme(8_000, 12);
        let [out_left, out_right] = run(&mut engine(48_000.0, &settings), &[left.clone(), left], 512);
        prop_assert_eq!(out_left, out_right);
    }
}

fn compressing() -> Settings {
    Settings::default()
        .with(Control::Threshold, -35.0)
        .with(Control::Ratio, 4.0)
        .with(Control::LoudnessMatch, 0.0)
}

/// A common gain leaves the ratio of the channels as it was.
#[test]
fn full_link_keeps_the_image() {
    let input = programme(20_000, 2);
    let mut processor = engine(48_000.0, &compressing());
    let output = run(&mut processor, &input, 512);
    let input = delayed(&input, processor.latency());
    for n in processor.latency()..20_000 {
        let [gain_left, gain_right] = [output[0][n] / input[0][n], output[1][n] / input[1][n]];
        assert!((gain_left / gain_right - 1.0).abs() < 1e-5, "at {n}");
    }
}

/// With one channel silent, a link to the louder channel reduces as the channel alone would.
#[test]
fn a_silent_channel_does_not_weaken_the_link() {
    let [left, _] = programme(20_000, 2);
    let silent = vec![0.0; left.len()];
    let one = run(&mut engine(48_000.0, &compressing()), &[left.clone(), silent], 512);
    let both = run(&mut engine(48_000.0, &compressing()), &[left.clone(), left], 512);
    assert_eq!(one[0], both[0]);
}

#[test]
fn without_link_a_channel_does_not_hear_the_other() {
    let [left, right] = programme(20_000, 2);
    let settings = compressing().with(Control::StereoLink, 0.0);
    let one = run(&mut engine(48_000.0, &settings), &[left.clone(), right], 512);
    let alone = run(&mut engine(48_000.0, &settings), &[left.clone(), left], 512);
    assert_eq!(one[0], alone[0]);
}

#[test]
fn at_no_side_share_only_the_middle_moves() {
    let input = programme(20_000, 2);
    let settings = compressing().with(Control::SideShare, 0.0);
    let mut processor = engine(48_000.0, &settings);
    let output = run(&mut processor, &input, 512);
    assert!(processor.readings().gain_reduction_peak_db > 6.0);
    let input = delayed(&input, processor.latency());
    for n in 0..20_000 {
        let side = |stereo: &common::Stereo| stereo[0][n] - stereo[1][n];
        assert!((side(&output) - side(&input)).abs() < 1e-6, "at {n}");
    }
}

/// Half the reduction in dB for the side at half the share.
#[test]
fn side_share_is_a_share_of_the_decibels() {
    let settings = compressing()
        .with(Control::DetectorWindow, 0.0)
        .with(Control::KeyHighpass, 0.0)
        .with(Control::Ratio, 20.0)
        .with(Control::Range, 12.0)
        .with(Control::SideShare, 50.0);
    let input = [vec![0.6; 48_000], vec![0.2; 48_000]];
    let output = run(&mut engine(48_000.0, &settings), &input, 512);
    let (l, r) = (f64::from(output[0][47_999]), f64::from(output[1][47_999]));
    let mid_db = 20.0 * ((l + r) / 0.8).log10();
    let side_db = 20.0 * ((l - r) / 0.4).log10();
    assert!((mid_db + 12.0).abs() < 1e-3, "{mid_db}");
    assert!((side_db + 6.0).abs() < 1e-3, "{side_db}");
}
