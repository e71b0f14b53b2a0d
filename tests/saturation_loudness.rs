//! Saturation does not change loudness by itself: a programme of −18 dBFS RMS stays within 1 LU over
//! the whole range of drive, symmetry and focus, without the loudness match. The exceptions are sparse
//! hits and lone tones, which have bounds of their own.
//!
//! Integrated loudness is measured by the `ebur128` crate.

use tenon_dsp::{Channels, Control, Processor, Settings};
use tenon_tests::{Stereo, measure, mixes, signals, song};

const RATE: u32 = 48_000;

/// The programme at an RMS over both channels, dBFS.
fn levelled(mut programme: Stereo, rms_db: f64) -> Stereo {
    let [left, right] = [&programme.left, &programme.right].map(|channel| measure::rms(channel));
    let gain = measure::from_db(rms_db) / (0.5 * (left * left + right * right)).sqrt();
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

/// By how much a programme gets louder over the whole range of drive, symmetry and focus: least and
/// most.
fn changes(name: &str, programme: Stereo) -> (f64, f64) {
    let programme = levelled(programme, -18.0);
    let mut extremes = (f64::INFINITY, f64::NEG_INFINITY);
    for symmetry in [-100.0, 0.0, 100.0] {
        for focus in [-100.0, 0.0, 100.0] {
            let settings =
                Settings::default().with(Control::Symmetry, symmetry).with(Control::Focus, focus);
            let changes = [3.0, 6.0, 9.0, 13.0, 17.0, 21.0, 24.0]
                .map(|drive_db| change(&programme, &settings.with(Control::Drive, drive_db)));
            println!("{name}, symmetry {symmetry} %, focus {focus} %: {changes:.2?} LU");
            extremes = changes
                .iter()
                .fold(extremes, |(least, most), change| (change.min(least), change.max(most)));
        }
    }
    extremes
}

fn assert_promise(name: &str, programme: Stereo) {
    let (least, most) = changes(name, programme);
    assert!(least > -1.0 && most < 1.0, "{name}: {least:.2} to {most:.2} LU");
}

fn excerpt(whole: &Stereo, from_s: f64, to_s: f64) -> Stereo {
    let range = (from_s * f64::from(RATE)) as usize..(to_s * f64::from(RATE)) as usize;
    let [left, right] = [&whole.left, &whole.right].map(|channel| channel[range.clone()].to_vec());
    Stereo { left, right }
}

#[test]
fn pink_noise_stays_as_loud() {
    let channel = |seed| signals::pink_noise(RATE.into(), seed, -18.0, 3.0);
    assert_promise("pink noise", Stereo { left: channel(1), right: channel(2) });
}

#[test]
fn the_song_stays_as_loud() {
    let whole = song::sum(&song::stems(RATE));
    for (name, from_s, to_s) in
        [("quiet section", 4.0, 8.0), ("both sections", 17.0, 23.0), ("dense section", 24.0, 28.0)]
    {
        assert_promise(name, excerpt(&whole, from_s, to_s));
    }
}

#[test]
fn sparse_and_dense_mixes_stay_as_loud() {
    for density in mixes::Density::ALL {
        let whole = mixes::sum(&mixes::parts(RATE.into(), 1, density));
        assert_promise(&format!("{density:?} mix"), excerpt(&whole, 4.0, 9.0));
    }
}

#[test]
fn a_drum_bus_stays_as_loud() {
    let stems = song::stems(RATE);
    let bus = song::sum(stems.iter().filter(|stem| stem.on_drum_bus));
    for (name, from_s, to_s) in [("drums", 15.0, 27.0), ("dense drums", 24.0, 28.0)] {
        assert_promise(name, excerpt(&bus, from_s, to_s));
    }
}

#[test]
fn a_louder_programme_gets_softer_and_a_softer_one_louder() {
    let dense = excerpt(&song::sum(&song::stems(RATE)), 24.0, 28.0);
    let change_at = |rms_db: f64| {
        let settings = Settings::default().with(Control::Drive, 24.0);
        change(&levelled(dense.clone(), rms_db), &settings)
    };
    let [louder, softer] = [-10.0, -30.0].map(change_at);
    println!("at -10 dBFS {louder:+.2} LU, at -30 dBFS {softer:+.2} LU");
    assert!(louder < -3.0 && softer > 3.0, "{louder:+.2} and {softer:+.2} LU");
}

/// A tone has no peaks above its crest for the curve to take.
#[test]
fn a_steady_tone_gains_by_a_bounded_amount() {
    for frequency_hz in [60.0, 400.0, 2_500.0] {
        let tone = signals::sine(RATE.into(), frequency_hz, -15.0, 2.0);
        let (least, most) =
            changes(&format!("{frequency_hz} Hz"), Stereo { left: tone.clone(), right: tone });
        assert!(least > -1.0 && most < 2.0, "{frequency_hz} Hz: {least:.2} to {most:.2} LU");
    }
}

/// What no constant gain can keep as loud as steady programme (`saturation/shaper.rs` shows why): a
/// few strokes, and a loop with more gaps than hits. They fall, but by no more than this.
#[test]
fn hits_with_silence_between_fall_by_a_bounded_amount() {
    let stems = song::stems(RATE);
    let bus = song::sum(stems.iter().filter(|stem| stem.on_drum_bus));
    let (least, most) = changes("quiet drums", excerpt(&bus, 4.0, 8.0));
    assert!(least > -2.0 && most < 1.0, "{least:.2} to {most:.2} LU");
    let (least, most) = changes("sparse loop", signals::sparse_drum_loop(RATE.into(), 3.6));
    assert!(least > -5.0 && most < 1.0, "{least:.2} to {most:.2} LU");
}
