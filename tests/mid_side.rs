//! The mid, side, correlation and peak readings on signals for which they are known in closed form.
//!
//! Source: for channels of equal level with correlation ρ the power ratio S/M is (1 − ρ)/(1 + ρ); a
//! constant-power pan by θ from the centre gives 20·log10 tan θ. Handbook identities, evaluated in
//! double precision.

use tenon_dsp::{Control, Processor, Readings, SILENCE_DB, Settings};
use tenon_tests::{Stereo, measure, signals};

const RATE_HZ: f64 = 48_000.0;

fn readings(stereo: &Stereo) -> Readings {
    let mut processor = Processor::new();
    // Nothing is changed, so before and after must read alike.
    processor.set(&Settings::default().with(Control::Ratio, 1.0));
    processor.reset();
    processor.process(&mut stereo.left.clone(), &mut stereo.right.clone(), None);
    processor.readings()
}

/// A sine in both channels: left by `left`, right by `right` and ahead by `phase_deg`.
fn sines(left: f64, right: f64, phase_deg: f64) -> Stereo {
    let channel = |gain: f64, phase: f64| {
        (0..96_000)
            .map(|n| {
                let t = f64::from(n) / RATE_HZ;
                (0.25 * gain * (std::f64::consts::TAU * 1_000.0 * t + phase).sin()) as f32
            })
            .collect()
    };
    Stereo { left: channel(left, 0.0), right: channel(right, phase_deg.to_radians()) }
}

#[test]
fn side_against_mid_follows_the_closed_forms() {
    let pan = |degrees: f64| {
        let angle = (45.0 - degrees).to_radians();
        sines(angle.cos(), angle.sin(), 0.0)
    };
    for (name, stereo, side_mid_db) in [
        ("left twice the right", sines(1.0, 0.5, 0.0), -9.5424),
        ("one channel silent", sines(1.0, 0.0, 0.0), 0.0),
        ("a quarter period apart", sines(1.0, 1.0, 90.0), 0.0),
        ("a sixth of a period apart", sines(1.0, 1.0, 60.0), -4.7712),
        ("panned by 15 degrees", pan(15.0), -11.4390),
        ("panned by 30 degrees", pan(30.0), -4.7712),
    ] {
        let r = readings(&stereo);
        for (when, side, mid) in [
            ("before", r.side_before_db, r.mid_before_db),
            ("after", r.side_after_db, r.mid_after_db),
        ] {
            let got = f64::from(side - mid);
            assert!((got - side_mid_db).abs() < 0.001, "{name}, {when}: {got} dB");
        }
    }
}

#[test]
fn independent_noise_has_as_much_side_as_mid() {
    let channel = |seed| signals::white_noise(RATE_HZ, seed, -20.0, 4.0);
    let r = readings(&Stereo { left: channel(1), right: channel(2) });
    assert!((r.side_before_db - r.mid_before_db).abs() < 0.5);
}

#[test]
fn a_mono_programme_has_no_side_and_an_opposed_one_no_middle() {
    let mono = readings(&sines(1.0, 1.0, 0.0));
    assert_eq!(mono.side_before_db, SILENCE_DB);
    let opposed = readings(&sines(1.0, -1.0, 0.0));
    assert_eq!(opposed.mid_before_db, SILENCE_DB);
    assert!((opposed.side_before_db - mono.mid_before_db).abs() < 1e-3);
}

/// L² + R² = 2(M² + S²): the levels of middle and side add up to the loudness.
#[test]
fn mid_and_side_add_up_to_the_loudness() {
    let stereo = sines(1.0, 0.3, 40.0);
    let r = readings(&stereo);
    let sum = 10.0
        * (measure::from_db(r.mid_before_db.into()).powi(2)
            + measure::from_db(r.side_before_db.into()).powi(2))
        .log10();
    let loudness = measure::integrated_lufs(48_000, &stereo).expect("above the gate");
    assert!((sum - loudness).abs() < 0.01, "{sum} against {loudness}");
}

/// Sines apart by a phase correlate as its cosine; a gain between the channels does not matter.
#[test]
fn correlation_follows_the_closed_forms() {
    for (name, stereo, correlation) in [
        ("left twice the right", sines(1.0, 0.5, 0.0), 1.0),
        ("a quarter period apart", sines(1.0, 1.0, 90.0), 0.0),
        ("a sixth of a period apart", sines(1.0, 0.7, 60.0), 0.5),
        ("opposed", sines(1.0, -1.0, 0.0), -1.0),
    ] {
        let r = readings(&stereo);
        for got in [r.correlation_before, r.correlation_after] {
            assert!((got.expect(name) - correlation).abs() < 1e-3, "{name}: {got:?}");
        }
    }
    let one_silent = readings(&sines(1.0, 0.0, 0.0));
    assert_eq!(one_silent.correlation_before, None);
}

/// EBU Tech 3341, case 1: a stereo 1 kHz sine of −23 dBFS peak has −23 LUFS, so no peak above its
/// loudness. Bursts of a tenth of the time have 10 dB.
#[test]
fn peak_to_loudness_is_the_peak_above_the_short_term_loudness() {
    let steady = Stereo::both(signals::sine(RATE_HZ, 1_000.0, -23.0, 4.0));
    let r = readings(&steady);
    assert!(r.peak_to_loudness_before_db.abs() < 0.1, "{}", r.peak_to_loudness_before_db);
    let bursts: Vec<(f64, f64)> = (0..20).flat_map(|_| [(-23.0, 0.03), (-200.0, 0.27)]).collect();
    let r = readings(&Stereo::both(signals::steps(RATE_HZ, 1_000.0, &bursts)));
    for got in [r.peak_to_loudness_before_db, r.peak_to_loudness_after_db] {
        assert!((got - 10.0).abs() < 0.2, "{got}");
    }
}
