//! Togetherness on our own mixes: what is done to the mix as one reads high, what is done to each
//! part alone reads low, what stays the same reads nothing.

#[path = "togetherness/experiments.rs"]
mod experiments;
#[path = "togetherness/reference.rs"]
mod reference;
#[path = "togetherness/treatments.rs"]
mod treatments;

use experiments::{RATE_HZ, compress_by, compress_each_by, compressor, percent, readings};
use std::sync::OnceLock;
use tenon_dsp::{BandFollow, Control, NoReading, TogetherReading, Togetherness};
use tenon_tests::mixes::{self, Density};
use tenon_tests::{Stereo, measure, signals};
use treatments::{Section, blend, filter, saturate, scale, width};

/// A mix and what the tests ask of it more than once.
struct Mix {
    name: String,
    parts: Vec<Stereo>,
    dry: Stereo,
    /// Bus compression at 4 dB.
    bus: Stereo,
}

/// Every seed at both densities.
fn all() -> &'static [Mix] {
    static MIXES: OnceLock<Vec<Mix>> = OnceLock::new();
    MIXES.get_or_init(|| {
        let kinds = mixes::SEEDS.iter().flat_map(|&s| Density::ALL.map(|density| (s, density)));
        kinds
            .map(|(seed, density)| {
                let parts = mixes::parts(RATE_HZ, seed, density);
                let dry = mixes::sum(&parts);
                let bus = compress_by(4.0, RATE_HZ, &dry, &compressor());
                Mix { name: format!("seed {seed}, {density:?}"), parts, dry, bus }
            })
            .collect()
    })
}

impl Mix {
    fn percent(&self, wet: &Stereo) -> f64 {
        percent(RATE_HZ, &self.dry, wet)
    }

    /// Bus compression by so many dB.
    fn bus_percent(&self, db: f64) -> f64 {
        if db == 4.0 {
            return self.percent(&self.bus);
        }
        self.percent(&compress_by(db, RATE_HZ, &self.dry, &compressor()))
    }
}

/// Mean over the mixes.
fn mean(figure: impl Fn(&Mix) -> f64) -> f64 {
    all().iter().map(figure).sum::<f64>() / all().len() as f64
}

/// An experiment, what it reads here on average, and what it read on other mixes of the same make-up
/// when togetherness was defined, both in per cent.
type Row = (String, f64, f64);

/// Programmes differ, so that the readings agree within 8 points on average.
fn assert_near_on_average(rows: &[Row]) {
    for (what, here, elsewhere) in rows {
        println!("{what}: {here:.1} %, elsewhere {elsewhere} %");
    }
    let sum: f64 = rows.iter().map(|(_, here, elsewhere)| (here - elsewhere).abs()).sum();
    let mean = sum / rows.len() as f64;
    assert!(mean <= 8.0, "{mean:.1} points apart on average: {rows:.1?}");
}

#[test]
fn rises_strictly_with_the_gain_reduction_of_the_bus() {
    const STEPS: [(f64, f64); 5] = [(0.0, 0.0), (1.0, 7.1), (2.0, 17.7), (4.0, 40.4), (6.0, 60.2)];
    let mut sums = [0.0; STEPS.len()];
    for mix in all() {
        let figures = STEPS.map(|(db, _)| mix.bus_percent(db));
        println!("{}: {figures:.1?}", mix.name);
        assert!(figures[0] <= 0.1, "{}: {figures:.2?}", mix.name);
        assert!(figures.windows(2).all(|pair| pair[0] < pair[1]), "{}: {figures:.2?}", mix.name);
        sums.iter_mut().zip(figures).for_each(|(sum, figure)| *sum += figure);
    }
    for ((db, elsewhere), sum) in STEPS.into_iter().zip(sums) {
        assert_near_on_average(&[(format!("bus, {db} dB"), sum / all().len() as f64, elsewhere)]);
    }
}

#[test]
fn each_track_alone_reads_under_half_of_the_bus() {
    let (mut alone, mut ratio) = (0.0, 0.0);
    for mix in all() {
        let each = mix.percent(&compress_each_by(4.0, RATE_HZ, &mix.parts));
        let bus = mix.bus_percent(4.0);
        println!("{}: each {each:.1} %, bus {bus:.1} %", mix.name);
        assert!(each < bus / 2.0, "{}: each {each:.1} %, bus {bus:.1} %", mix.name);
        alone += each / all().len() as f64;
        ratio += each / bus / all().len() as f64;
    }
    assert!(ratio < 0.25, "each track alone reads {ratio:.2} of the bus on average");
    assert_near_on_average(&[("each track alone, 4 dB".to_owned(), alone, 8.0)]);
}

#[test]
fn what_stays_the_same_is_no_movement() {
    for mix in all() {
        let dry = &mix.dry;
        let swapped = Stereo { left: dry.right.clone(), right: dry.left.clone() };
        let equalised =
            filter(RATE_HZ, dry, &[Section::Bell(100.0, 6.0), Section::Bell(3_000.0, -6.0)]);
        for (what, wet) in [
            ("nothing done", dry.clone()),
            ("gain", scale(dry, 0.3, 0.3)),
            ("equaliser", equalised),
            ("low cut", filter(RATE_HZ, dry, &[Section::Highpass(120.0)])),
            ("wider", width(dry, 1.5)),
            ("narrower", width(dry, 0.5)),
            ("polarity", scale(dry, -1.0, -1.0)),
            ("channels swapped", swapped),
        ] {
            let figure = mix.percent(&wet);
            assert!(figure <= 0.1, "{}, {what}: {figure:.3} %", mix.name);
        }
    }
    // A balance reads a little, where middle and side are nearly one signal.
    let balance = mean(|mix| mix.percent(&scale(&mix.dry, 1.41, 1.0)));
    assert!(balance < 0.5, "{balance}");
}

#[test]
fn a_link_reads_higher_than_none_for_loud_panned_hits() {
    for mix in all() {
        let peak = measure::peak(&mix.dry.left).max(measure::peak(&mix.dry.right));
        let hits = treatments::panned_hits(RATE_HZ, mix.dry.left.len(), peak);
        let dry = mixes::sum(&[mix.dry.clone(), hits]);
        let at_link = |link| {
            let settings = compressor().with(Control::StereoLink, link);
            percent(RATE_HZ, &dry, &compress_by(4.0, RATE_HZ, &dry, &settings))
        };
        let (linked, unlinked) = (at_link(100.0), at_link(0.0));
        println!("{}: linked {linked:.1} %, unlinked {unlinked:.1} %", mix.name);
        assert!(linked > unlinked + 5.0, "{}: {linked:.1} %, {unlinked:.1} %", mix.name);
    }
}

#[test]
fn other_ways_to_move_a_mix_read_as_elsewhere() {
    let mut rows: Vec<Row> = Vec::new();
    let mut row = |what: &str, elsewhere: f64, figure: &dyn Fn(&Mix) -> f64| {
        rows.push((what.to_owned(), mean(figure), elsewhere));
    };
    for (peak_db, elsewhere) in [(-6.0, 2.6), (0.0, 11.4), (6.0, 30.1)] {
        let what = format!("saturation of the bus, peaks at {peak_db} dB");
        row(&what, elsewhere, &|mix| mix.percent(&saturate(&mix.dry, peak_db)));
    }
    row("saturation of each track, peaks at 0 dB", 0.9, &|mix| {
        let parts: Vec<_> = mix.parts.iter().map(|part| saturate(part, 0.0)).collect();
        mix.percent(&mixes::sum(&parts))
    });
    row("only the middle, 4 dB", 5.3, &|mix| {
        let settings = compressor().with(Control::SideShare, 0.0);
        mix.percent(&compress_by(4.0, RATE_HZ, &mix.dry, &settings))
    });
    row("three bands, 4 dB each", 8.3, &|mix| {
        let settings = compressor().with(Control::KeyHighpass, 0.0);
        let bands = treatments::three_bands(RATE_HZ, &mix.dry);
        mix.percent(&mixes::sum(&bands.map(|band| compress_by(4.0, RATE_HZ, &band, &settings))))
    });
    row("half dry, half compressed by 6 dB", 34.7, &|mix| {
        let wet = compress_by(6.0, RATE_HZ, &mix.dry, &compressor());
        mix.percent(&blend(&mix.dry, 0.5, &wet, 0.5))
    });
    row("reverb", 0.0, &|mix| mix.percent(&treatments::reverberate(RATE_HZ, &mix.dry, 0.1)));
    row("mono, 4 dB", 22.5, &|mix| {
        let mono = width(&mix.dry, 0.0);
        percent(RATE_HZ, &mono, &compress_by(4.0, RATE_HZ, &mono, &compressor()))
    });
    assert_near_on_average(&rows);
}

#[test]
fn fast_and_slow_compression_read_as_elsewhere() {
    let rows = [(0.5, 50.0, 32.0), (30.0, 300.0, 45.0), (30.0, 1_200.0, 44.0)].map(
        |(attack_ms, release_ms, elsewhere)| {
            let settings =
                compressor().with(Control::Attack, attack_ms).with(Control::Release, release_ms);
            let here = mean(|mix| mix.percent(&compress_by(4.0, RATE_HZ, &mix.dry, &settings)));
            (format!("{attack_ms} and {release_ms} ms"), here, elsewhere)
        },
    );
    assert_near_on_average(&rows);
}

#[test]
fn noise_left_alone_reads_nothing() {
    let white = |seed| signals::white_noise(RATE_HZ, seed, -20.0, 20.0);
    let noise = Stereo { left: white(1), right: white(2) };
    let still = percent(RATE_HZ, &noise, &noise);
    assert!(still < 1e-6, "{still}");
    let bus = percent(RATE_HZ, &noise, &compress_by(4.0, RATE_HZ, &noise, &compressor()));
    assert_near_on_average(&[("noise, 4 dB".to_owned(), bus, 6.9)]);
}

#[test]
fn mono_and_hard_panned_programme_have_a_reading() {
    let mix = &all()[0];
    let mono = width(&mix.dry, 0.0);
    let left = Stereo { left: mono.left.clone(), right: vec![0.0; mono.left.len()] };
    for dry in [mono, left] {
        let still = percent(RATE_HZ, &dry, &dry);
        assert!(still <= 0.1, "{still}");
        let bus = percent(RATE_HZ, &dry, &compress_by(4.0, RATE_HZ, &dry, &compressor()));
        assert!(bus > 20.0, "{bus}");
    }
}

/// Middle and side move with a linked bus. The side stands still while only the middle moves, and
/// tracks that move alone follow less.
#[test]
fn bands_follow_what_moves_them() {
    let mix = &all()[1];
    let follow = |wet: &Stereo, part: fn(&BandFollow) -> Option<f32>| {
        let last = *readings(RATE_HZ, &mix.dry, wet).last().expect("a reading");
        let bands: Vec<f32> = last.bands.iter().filter_map(part).collect();
        bands.iter().sum::<f32>() / bands.len() as f32
    };
    let (mid, side) = (follow(&mix.bus, |band| band.mid), follow(&mix.bus, |band| band.side));
    assert!(mid > 0.8 && side > 0.8, "bus: {mid} and {side}");
    let middle = compressor().with(Control::SideShare, 0.0);
    let wet = compress_by(4.0, RATE_HZ, &mix.dry, &middle);
    let (mid, side) = (follow(&wet, |band| band.mid), follow(&wet, |band| band.side));
    assert!(mid > 0.4 && side < 0.1, "only the middle: {mid} and {side}");
    let wet = compress_each_by(4.0, RATE_HZ, &mix.parts);
    let (mid, side) = (follow(&wet, |band| band.mid), follow(&wet, |band| band.side));
    assert!(mid < 0.6 && side < 0.6, "each track alone: {mid} and {side}");
}

#[test]
fn sample_rates_agree() {
    for (seed, density) in [(1, Density::Sparse), (2, Density::Dense)] {
        let at = |rate_hz: f64| {
            let dry = mixes::sum(&mixes::parts(rate_hz, seed, density));
            percent(rate_hz, &dry, &compress_by(4.0, rate_hz, &dry, &compressor()))
        };
        let at_48 = at(48_000.0);
        for rate_hz in [44_100.0, 96_000.0, 192_000.0] {
            let found = at(rate_hz);
            println!("{rate_hz} Hz: {found:.2} %, 48 kHz: {at_48:.2} %");
            assert!((found - at_48).abs() < 2.0, "{rate_hz} Hz: {found:.2} %, {at_48:.2} %");
        }
    }
}

/// The end of a signal, by the analyser.
fn last(rate_hz: f64, dry: &Stereo, wet: &Stereo) -> Result<TogetherReading, NoReading> {
    let mut togetherness = Togetherness::new(rate_hz).expect("a rate it takes");
    togetherness.add([&dry.left, &dry.right], [&wet.left, &wet.right]);
    togetherness.reading()
}

#[test]
fn agrees_with_the_definition_written_out() {
    let excerpt = |x: &Stereo| {
        let part = |side: &[f32]| side[96_000..96_000 + 384_000].to_vec();
        Stereo { left: part(&x.left), right: part(&x.right) }
    };
    let mix = &all()[2];
    let each = mixes::sum(&mix.parts.iter().map(|part| saturate(part, 6.0)).collect::<Vec<_>>());
    let equalised = filter(RATE_HZ, &mix.bus, &[Section::Bell(1_000.0, 9.0)]);
    let gaps = signals::stops_and_starts(RATE_HZ, 12.0);
    let gaps_bus = compress_by(4.0, RATE_HZ, &gaps, &compressor());
    let other_rate = mixes::sum(&mixes::parts(44_100.0, 3, Density::Sparse));
    let other_bus = compress_by(6.0, 44_100.0, &other_rate, &compressor());
    for (what, rate_hz, dry, wet) in [
        ("bus", RATE_HZ, &mix.dry, &mix.bus),
        ("bus and equaliser", RATE_HZ, &mix.dry, &equalised),
        ("each part", RATE_HZ, &mix.dry, &each),
        ("gaps", RATE_HZ, &gaps, &gaps_bus),
        ("44.1 kHz", 44_100.0, &other_rate, &other_bus),
    ] {
        let (dry, wet) = (excerpt(dry), excerpt(wet));
        let found = last(rate_hz, &dry, &wet).expect(what);
        let defined = reference::figures(rate_hz, &dry, &wet);
        println!("{what}: {} and {}", found.percent, defined.percent);
        for (found, defined) in [
            (found.percent, defined.percent),
            (100.0 * found.shared, 100.0 * defined.shared),
            (100.0 * found.movement_db, 100.0 * defined.movement_db),
            (found.programme_percent, defined.programme_percent),
        ] {
            assert!((f64::from(found) - defined).abs() < 0.5, "{what}: {found} and {defined}");
        }
        for (part, defined) in defined.follow.into_iter().enumerate() {
            let band = found.bands[part / 2];
            if let Some(found) = if part % 2 == 0 { band.mid } else { band.side } {
                assert!((f64::from(found) - defined).abs() < 0.005, "{what}, part {part}");
            }
        }
    }
}
