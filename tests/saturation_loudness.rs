//! Saturation does not change loudness by itself: a programme of −18 dBFS RMS stays within 1 LU over
//! the whole range of the drive, without the loudness match.
//!
//! Integrated loudness is measured by the `ebur128` crate.

use tenon_dsp::{Channels, Control, Processor, Settings};
use tenon_tests::{Stereo, measure, signals, song};

const RATE: u32 = 48_000;

/// The programme at −18 dBFS RMS, over both channels.
fn levelled(mut programme: Stereo) -> Stereo {
    let [left, right] = [&programme.left, &programme.right].map(|channel| measure::rms(channel));
    let gain = measure::from_db(-18.0) / (0.5 * (left * left + right * right)).sqrt();
    for channel in [&mut programme.left, &mut programme.right] {
        channel.iter_mut().for_each(|x| *x *= gain as f32);
    }
    programme
}

/// By how much a programme gets louder, LU.
fn change(programme: &Stereo, settings: &Settings) -> f64 {
    let mut processor = Processor::new();
    processor.prepare(RATE.into(), Channels::Stereo).expect("a rate it takes");
    processor.set(&settings.with(Control::Ratio, 1.0).with(Control::LoudnessMatch, 0.0));
    processor.reset();
    let mut output = programme.clone();
    processor.process(&mut output.left, &mut output.right, None);
    let loudness = |stereo| measure::integrated_lufs(RATE, stereo).expect("above the gate");
    loudness(&output) - loudness(programme)
}

/// Asserts that the programme stays within `bound` LU up to a drive.
fn assert_stays(name: &str, programme: &Stereo, settings: &Settings, up_to_db: f32, bound: f64) {
    let drives = [3.0, 9.0, 12.0, 18.0, 24.0f32];
    let drives = drives.iter().filter(|drive_db| **drive_db <= up_to_db);
    let changes: Vec<f64> = drives
        .map(|&drive_db| change(programme, &settings.with(Control::Drive, drive_db)))
        .collect();
    let [symmetry, focus] = [Control::Symmetry, Control::Focus].map(|control| settings[control]);
    println!("{name}, symmetry {symmetry} %, focus {focus} %: {changes:.2?} LU");
    assert!(changes.iter().all(|change| change.abs() < bound), "{name}: {changes:.2?}");
}

/// The promise, and how the focus widens it.
fn assert_promise(name: &str, programme: Stereo) {
    let programme = levelled(programme);
    for symmetry in [0.0, 100.0] {
        let settings = Settings::default().with(Control::Symmetry, symmetry);
        assert_stays(name, &programme, &settings, 24.0, 0.5);
    }
    for focus in [-100.0, 100.0] {
        let settings = Settings::default().with(Control::Focus, focus);
        assert_stays(name, &programme, &settings, 12.0, 1.0);
    }
}

#[test]
fn pink_noise_stays_as_loud() {
    let channel = |seed| signals::pink_noise(RATE.into(), seed, -18.0, 5.0);
    assert_promise("pink noise", Stereo { left: channel(1), right: channel(2) });
}

#[test]
fn the_song_stays_as_loud() {
    let whole = song::sum(&song::stems(RATE));
    for (name, from, to) in
        [("quiet section", 4.0, 8.0), ("both sections", 17.0, 23.0), ("dense section", 24.0, 28.0)]
    {
        let range = (from * f64::from(RATE)) as usize..(to * f64::from(RATE)) as usize;
        let [left, right] =
            [&whole.left, &whole.right].map(|channel| channel[range.clone()].to_vec());
        assert_promise(name, Stereo { left, right });
    }
}
