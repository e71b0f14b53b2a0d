//! Whatever is typed: it is a value within range whose text reads back as itself, or it is refused.
//! So for values, assignments, names of presets and settings as text.
#![no_main]

use libfuzzer_sys::fuzz_target;
use tenon::presets::{find, from_lines, sets, to_lines};
use tenon::text::{assignment, from_text, near, quantise, range_text, to_text};
use tenon_dsp::{Control, Settings};

fuzz_target!(|text: &str| {
    for control in Control::ALL {
        if let Ok(value) = from_text(control, text) {
            check(control, value);
        }
    }
    match assignment(text) {
        Ok((control, value)) => check(control, value),
        Err(error) => assert!(!error.to_string().is_empty()),
    }
    match from_lines(text, Settings::default()) {
        Ok(settings) => {
            let lines = to_lines(&settings);
            let again = from_lines(&lines, Settings::default()).unwrap();
            for control in Control::ALL.into_iter().filter(|control| sets(*control)) {
                assert_eq!(again[control], settings[control], "{lines}");
            }
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
    match find(text) {
        Ok(preset) => assert_eq!(find(preset.name).unwrap(), preset),
        Err(error) => assert!(!error.to_string().is_empty()),
    }
    near(text, Control::ALL.map(|control| control.spec().id));
});

fn check(control: Control, value: f32) {
    let spec = control.spec();
    assert!((spec.min..=spec.max).contains(&value), "{value} is not within {}", range_text(control));
    assert_eq!(quantise(control, value), value, "{control:?}");
    let shown = to_text(control, value);
    let read = from_text(control, &shown);
    assert_eq!(read.as_ref().map(|value| value.to_bits()), Ok(value.to_bits()), "{shown}");
    let mut settings = Settings::default();
    settings.set(control, value).unwrap();
}
