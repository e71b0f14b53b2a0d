//! Values as people read and type them.
//!
//! Every value has one text, with its unit and a fixed number of digits, and every text stands for
//! one value: the value that `quantise` returns. Knows nothing of the plug-in format, the editor
//! or the command line, all of which use it.

use tenon_dsp::{Control, KEY_HIGHPASS_MIN_HZ, Unit};

/// The text of a value: "-18.50 dB", "2.00:1", "80.0 Hz", "off", "12.00 ms", "100.0 %", or the
/// name of a choice. Values between two texts are shown as the nearer one, values out of range as
/// the nearest bound.
pub fn to_text(control: Control, value: f32) -> String {
    let value = quantise(control, value);
    let digits = digits(control);
    match control.spec().unit {
        Unit::Choice(names) => names[value as usize].to_owned(),
        Unit::Hertz if value < KEY_HIGHPASS_MIN_HZ => OFF.to_owned(),
        Unit::Decibel => format!("{value:.digits$} dB"),
        Unit::Hertz => format!("{value:.digits$} Hz"),
        Unit::Millisecond => format!("{value:.digits$} ms"),
        Unit::Percent => format!("{value:.digits$} %"),
        Unit::Ratio => format!("{value:.digits$}:1"),
    }
}

/// The value of a text, as `quantise` would return it. Units may be left out, and case does not
/// matter; "1k" and "1 kHz" are 1000 Hz, "0.5 s" is 500 ms, "2" and "2:1" are a ratio of 2. Choices
/// go by name or index, counted from 0; "2" and "2x" are a quality of 2x, "1/8d" and "1/8." a dotted
/// eighth. A comma serves as a decimal point.
///
/// # Errors
/// [`TextError`] when the text is no value of this control, or lies outside its range.
pub fn from_text(control: Control, text: &str) -> Result<f32, TextError> {
    let plain = plain(text);
    let parsed = match control.spec().unit {
        // "2" is 2x, not the third choice.
        Unit::Choice(names) if control == Control::Quality => {
            let times = plain.strip_suffix('x').unwrap_or(&plain);
            let same = |name: &&str| name.strip_suffix('x') == Some(times);
            names.iter().position(same).map(|index| index as f64)
        }
        // A dot or the letter D makes a note longer by half.
        Unit::Choice(names) if is_note(control) => {
            choice(names, &plain.replace(' ', "").replace('.', "d"))
        }
        Unit::Choice(names) => choice(names, &plain),
        Unit::Decibel => scaled(&plain, &[("dbfs", 1.0), ("db", 1.0)]),
        Unit::Hertz if plain == OFF => Some(0.0),
        Unit::Hertz => scaled(&plain, &[("khz", 1e3), ("hz", 1.0), ("k", 1e3)]),
        Unit::Millisecond => scaled(&plain, &[("ms", 1.0), ("s", 1e3)]),
        Unit::Percent => scaled(&plain, &[("%", 1.0)]),
        Unit::Ratio => match plain.split_once(':') {
            Some((over, under)) => number(over).zip(number(under)).map(|(o, u)| o / u),
            None => number(&plain),
        },
    };
    parsed
        .map(|value| round(control, value))
        .filter(|&value| takes(control, value))
        .ok_or_else(|| TextError { control, text: text.to_owned() })
}

/// A number with one of the units, in lower case and each with its scale, or with none; typed as loosely
/// as a control's value.
pub fn quantity(text: &str, units: &[(&str, f64)]) -> Option<f64> {
    scaled(&plain(text), units)
}

/// A text as it is compared: what people type for a minus or a point is one.
fn plain(text: &str) -> String {
    text.trim().to_lowercase().replace(['\u{2212}', '\u{2013}'], "-").replace(',', ".")
}

/// The control that gives a time as a note value.
pub fn note_of(time: Control) -> Option<Control> {
    match time {
        Control::Attack => Some(Control::AttackNote),
        Control::Release => Some(Control::ReleaseNote),
        _ => None,
    }
}

fn is_note(control: Control) -> bool {
    matches!(control, Control::AttackNote | Control::ReleaseNote)
}

/// What a text sets that is typed in place of a control's value: the control itself; for attack and
/// release either a note value ("1/8", "1/8D", "1/8.", "1/8T"), or a time, which then counts in ms.
/// What is shown of a note, "1/8D 187.5 ms", stands for the note.
///
/// # Errors
/// [`TextError`] when the text is no value of the control, nor of its note.
pub fn typed(control: Control, text: &str) -> Result<Vec<(Control, f32)>, TextError> {
    let Some(note) = note_of(control) else {
        return Ok(vec![(control, from_text(control, text)?)]);
    };
    let plain = text.trim().trim_start_matches('(');
    if !plain.contains('/') {
        return Ok(vec![(note, 0.0), (control, from_text(control, text)?)]);
    }
    let shown = plain.strip_suffix("ms").map_or(plain, |shown| {
        let number = |sign: char| sign.is_ascii_digit() || ".,".contains(sign);
        shown.trim_end().trim_end_matches(number).trim_end().trim_end_matches(')')
    });
    from_text(note, shown).map(|value| vec![(note, value)])
}

/// The value that the text of `value` stands for: rounded to the digits shown and brought within
/// range. A high-pass below [`KEY_HIGHPASS_MIN_HZ`] is off, and what is not a number becomes the
/// default. Does not allocate.
pub fn quantise(control: Control, value: f32) -> f32 {
    let spec = control.spec();
    if value.is_nan() {
        return spec.default;
    }
    let value = round(control, f64::from(value.clamp(spec.min, spec.max)));
    if takes(control, value) { value } else { 0.0 }
}

/// A text that is no value of a control.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TextError {
    /// The control that was to be set.
    pub control: Control,
    /// What came.
    pub text: String,
}

impl std::fmt::Display for TextError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Long enough for any value, short enough for one line.
        const SHOWN: usize = 40;
        let shown: String = self.text.chars().take(SHOWN).collect();
        let dots = if shown.len() < self.text.len() { "…" } else { "" };
        write!(
            f,
            "{} takes {}, not {shown:?}{dots}",
            self.control.spec().id,
            range_text(self.control)
        )
    }
}

impl std::error::Error for TextError {}

/// What a control takes, in words: "-60.00 dB to 0.00 dB", "off, or 20.0 Hz to 500.0 Hz",
/// "output, delta or key", "ms, or 1/64T to 1/1D".
pub fn range_text(control: Control) -> String {
    let spec = control.spec();
    match spec.unit {
        Unit::Choice([ms, shortest, .., longest]) if is_note(control) => {
            format!("{ms}, or {shortest} to {longest}")
        }
        Unit::Choice([first @ .., last]) => format!("{} or {last}", first.join(", ")),
        Unit::Hertz => format!(
            "{OFF}, or {} to {}",
            to_text(control, KEY_HIGHPASS_MIN_HZ),
            to_text(control, spec.max)
        ),
        _ => format!("{} to {}", to_text(control, spec.min), to_text(control, spec.max)),
    }
}

/// The control and value of a setting written `id=value`.
///
/// # Errors
/// [`AssignmentError`] when there is no value, no such id, or the control does not take the value.
pub fn assignment(text: &str) -> Result<(Control, f32), AssignmentError> {
    let (id, value) = text.split_once('=').ok_or(AssignmentError::NoValue)?;
    pair(id, value)
}

/// The control and value of an id and a text.
///
/// # Errors
/// [`AssignmentError`] when there is no such id, or the control does not take the value.
pub fn pair(id: &str, value: &str) -> Result<(Control, f32), AssignmentError> {
    let id = id.trim();
    let control = Control::from_id(id).ok_or_else(|| AssignmentError::UnknownId {
        id: id.to_owned(),
        near: near(id, Control::ALL.map(|control| control.spec().id)),
    })?;
    from_text(control, value).map(|value| (control, value)).map_err(AssignmentError::Value)
}

/// A text that sets no control.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AssignmentError {
    /// There is no `=`.
    NoValue,
    /// No control has this id.
    UnknownId {
        /// The id that came.
        id: String,
        /// Ids that may have been meant.
        near: Vec<&'static str>,
    },
    /// The control does not take the value.
    Value(TextError),
}

impl std::fmt::Display for AssignmentError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NoValue => write!(f, "write it as id=value, for example threshold=-18"),
            Self::UnknownId { id, near } => {
                write!(f, "there is no control {id:?}{}; `tenon params` lists them", meant(near))
            }
            Self::Value(error) => error.fmt(f),
        }
    }
}

impl std::error::Error for AssignmentError {}

/// Names that share a word with `wanted`, give or take a typing error.
pub fn near(wanted: &str, names: impl IntoIterator<Item = &'static str>) -> Vec<&'static str> {
    let wanted = words(wanted);
    names
        .into_iter()
        .filter(|name| {
            let name = words(name);
            wanted.iter().any(|wanted| name.iter().any(|word| alike(wanted, word)))
        })
        .collect()
}

/// ", did you mean …?" for a message, or nothing when there is nothing near.
pub fn meant(near: &[&str]) -> String {
    if near.is_empty() {
        return String::new();
    }
    format!(" (did you mean {}?)", either(near))
}

/// Names in quotes, one or the other.
pub fn either(names: &[&str]) -> String {
    let quoted: Vec<String> = names.iter().map(|name| format!("{name:?}")).collect();
    quoted.join(" or ")
}

/// The words of a name in lower case, without punctuation.
pub fn words(name: &str) -> Vec<String> {
    name.split(|c: char| !c.is_alphanumeric())
        .filter(|word| !word.is_empty())
        .map(str::to_lowercase)
        .collect()
}

/// Whether two words differ by no more than a slip: one letter in short words, two in long ones.
fn alike(a: &str, b: &str) -> bool {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let slips = match a.len().min(b.len()) {
        0..=3 => 0,
        4..=6 => 1,
        _ => 2,
    };
    if a.len().abs_diff(b.len()) > slips {
        return false;
    }
    // Edit distance, row by row (Wagner and Fischer, 1974).
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.iter().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let substituted = diagonal + usize::from(x != y);
            diagonal = row[j + 1];
            row[j + 1] = substituted.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()] <= slips
}

/// What a high-pass reads when it does nothing.
const OFF: &str = "off";

/// Digits after the point: fine enough that one step is not heard, coarse enough to be read.
fn digits(control: Control) -> usize {
    match (control, control.spec().unit) {
        (_, Unit::Choice(_)) => 0,
        (Control::Release, _) | (_, Unit::Hertz | Unit::Percent) => 1,
        (_, Unit::Decibel | Unit::Ratio | Unit::Millisecond) => 2,
    }
}

/// The one way from any number to a value that can be shown, so that all paths agree to the bit.
fn round(control: Control, value: f64) -> f32 {
    let steps = 10f64.powi(digits(control) as i32);
    // Adding zero turns −0 into 0.
    ((value * steps).round() / steps + 0.0) as f32
}

/// So many digits after the point.
pub(crate) fn fixed(value: f64, digits: usize) -> String {
    let steps = 10f64.powi(digits as i32);
    // Adding zero turns −0 into 0.
    format!("{:.digits$}", (value * steps).round() / steps + 0.0)
}

/// Whether a rounded value is one that the control takes.
fn takes(control: Control, value: f32) -> bool {
    let spec = control.spec();
    let gap = control == Control::KeyHighpass && value > 0.0 && value < KEY_HIGHPASS_MIN_HZ;
    (spec.min..=spec.max).contains(&value) && !gap
}

fn number(text: &str) -> Option<f64> {
    // Rust reads "inf" and "nan" as numbers; people do not set controls to them.
    text.trim().parse().ok().filter(|n: &f64| n.is_finite())
}

/// A number with one of the units, or with none.
fn scaled(text: &str, units: &[(&str, f64)]) -> Option<f64> {
    units
        .iter()
        .find_map(|(unit, scale)| Some(number(text.strip_suffix(unit)?)? * scale))
        .or_else(|| number(text))
}

fn choice(names: &[&str], text: &str) -> Option<f64> {
    // A shell is easier with own_signal than with quotes.
    let spaced = text.replace(['_', '-'], " ");
    let index = names
        .iter()
        .position(|name| name.eq_ignore_ascii_case(&spaced))
        .or_else(|| text.parse().ok().filter(|&index| index < names.len()))?;
    Some(index as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use Control::*;
    use proptest::prelude::*;

    /// 101 points of the range, its bounds among them.
    fn points(control: Control) -> impl Iterator<Item = f32> {
        let spec = control.spec();
        (0..=100).map(move |i| spec.min + (spec.max - spec.min) * i as f32 / 100.0)
    }

    #[test]
    fn text_and_value_round_trip_exactly() {
        for control in Control::ALL {
            for point in points(control) {
                let value = quantise(control, point);
                let text = to_text(control, value);
                let back = from_text(control, &text).unwrap();
                assert_eq!(back.to_bits(), value.to_bits(), "{control:?} {text}");
                assert_eq!(to_text(control, back), text);
                assert_eq!(quantise(control, value).to_bits(), value.to_bits());
                assert_eq!(to_text(control, point), text, "{point}");
                tenon_dsp::Settings::default().set(control, value).unwrap();
            }
        }
    }

    #[test]
    fn bounds_and_defaults_are_values_that_can_be_shown() {
        for control in Control::ALL {
            let spec = control.spec();
            for value in [spec.min, spec.max, spec.default] {
                assert_eq!(quantise(control, value), value, "{control:?}");
            }
        }
    }

    #[test]
    fn texts_have_unit_and_fixed_digits() {
        for (control, value, text) in [
            (Threshold, -18.5, "-18.50 dB"),
            (Threshold, -0.004, "0.00 dB"),
            (InputTrim, 3.0, "3.00 dB"),
            (Ratio, 2.0, "2.00:1"),
            (KeyHighpass, 80.0, "80.0 Hz"),
            (KeyHighpass, 0.0, "off"),
            (KeyHighpass, 12.0, "off"),
            (KeyHighpass, 19.97, "20.0 Hz"),
            (Attack, 12.0, "12.00 ms"),
            (Attack, 0.05, "0.05 ms"),
            (DetectorWindow, 5.0, "5.00 ms"),
            (Release, 150.0, "150.0 ms"),
            (Release, 2500.0, "2500.0 ms"),
            (Mix, 100.0, "100.0 %"),
            (KeySource, 1.0, "external"),
            (KeySource, 0.4, "own signal"),
            (Drive, 4.5, "4.50 dB"),
            (Symmetry, -12.34, "-12.3 %"),
            (SaturationMix, 100.0, "100.0 %"),
            (Quality, 2.0, "4x"),
            (Lookahead, 2.5, "2.50 ms"),
            (AttackNote, 0.0, "ms"),
            (ReleaseNote, 13.0, "1/8D"),
            (Listen, 2.0, "key"),
            (Bypass, 1.0, "on"),
        ] {
            assert_eq!(to_text(control, value), text);
        }
    }

    #[test]
    fn people_may_type_loosely() {
        for (control, text, value) in [
            (Threshold, "-18", -18.0),
            (Threshold, "\u{2212}18 dB", -18.0),
            (Threshold, " -18.5DB ", -18.5),
            (Threshold, "-18.5 dBFS", -18.5),
            (Threshold, "-12,5", -12.5),
            (InputTrim, "+3 db", 3.0),
            (InputTrim, "-0.001", 0.0),
            (Ratio, "2:1", 2.0),
            (Ratio, "2", 2.0),
            (Ratio, "3 : 2", 1.5),
            (KeyHighpass, "0.1k", 100.0),
            (KeyHighpass, "0.25 kHz", 250.0),
            (KeyHighpass, "OFF", 0.0),
            (KeyHighpass, "0", 0.0),
            (Mix, "50%", 50.0),
            (Mix, "50 %", 50.0),
            (Release, "0.5 s", 500.0),
            (Release, "2.5s", 2500.0),
            (Attack, "3ms", 3.0),
            (LoudnessMatch, "On", 1.0),
            (LoudnessMatch, "0", 0.0),
            (KeySource, "own_signal", 0.0),
            (KeySource, "External", 1.0),
            (Listen, "delta", 1.0),
            (Listen, "2", 2.0),
            (Focus, "+30", 30.0),
            (Quality, "4x", 2.0),
            (Quality, "2", 1.0),
            (Quality, "8X", 3.0),
            (ReleaseNote, "1/8d", 13.0),
            (ReleaseNote, "1/8.", 13.0),
            (ReleaseNote, "1/8 D", 13.0),
            (AttackNote, "1/64t", 1.0),
            (AttackNote, "MS", 0.0),
        ] {
            assert_eq!(from_text(control, text).as_ref(), Ok(&value), "{text}");
        }
    }

    #[test]
    fn refusals_name_the_control_what_came_and_what_it_takes() {
        for (control, text, message) in [
            (Threshold, "6", "threshold takes -60.00 dB to 0.00 dB, not \"6\""),
            (Threshold, "5 Hz", "threshold takes -60.00 dB to 0.00 dB, not \"5 Hz\""),
            (Ratio, "2:0", "ratio takes 1.00:1 to 20.00:1, not \"2:0\""),
            (Ratio, "inf", "ratio takes 1.00:1 to 20.00:1, not \"inf\""),
            (Mix, "", "mix takes 0.0 % to 100.0 %, not \"\""),
            (KeyHighpass, "12", "key_highpass takes off, or 20.0 Hz to 500.0 Hz, not \"12\""),
            (Bypass, "2", "bypass takes off or on, not \"2\""),
            (Quality, "3", "quality takes 1x, 2x, 4x or 8x, not \"3\""),
            (ReleaseNote, "1/7", "release_note takes ms, or 1/64T to 1/1D, not \"1/7\""),
            (Listen, "dry", "listen takes output, delta or key, not \"dry\""),
        ] {
            assert_eq!(from_text(control, text).unwrap_err().to_string(), message);
        }
        let long = from_text(Mix, &"9".repeat(5000)).unwrap_err().to_string();
        assert!(long.len() < 100, "{long}");
    }

    #[test]
    fn a_time_is_typed_in_ms_or_as_a_note() {
        for (text, sets) in [
            ("1/8", vec![(ReleaseNote, 11.0)]),
            (" 1/8D ", vec![(ReleaseNote, 13.0)]),
            ("1/8.", vec![(ReleaseNote, 13.0)]),
            ("1/8t", vec![(ReleaseNote, 9.0)]),
            ("1/8D  187.5 ms", vec![(ReleaseNote, 13.0)]),
            ("(1/4) 150.0 ms", vec![(ReleaseNote, 14.0)]),
            ("30", vec![(ReleaseNote, 0.0), (Release, 30.0)]),
            ("30 ms", vec![(ReleaseNote, 0.0), (Release, 30.0)]),
            ("0.5 s", vec![(ReleaseNote, 0.0), (Release, 500.0)]),
        ] {
            assert_eq!(typed(Release, text), Ok(sets), "{text}");
        }
        assert_eq!(typed(Attack, "1/32"), Ok(vec![(AttackNote, 5.0)]));
        assert_eq!(typed(Ratio, "3:1"), Ok(vec![(Ratio, 3.0)]));
        for text in ["1/7", "1/", "/", "1/8 300 Hz", "3 beats", "ms"] {
            assert!(typed(Release, text).is_err(), "{text}");
        }
    }

    #[test]
    fn settings_may_be_written_as_id_and_value() {
        assert_eq!(assignment("threshold=-20"), Ok((Threshold, -20.0)));
        assert_eq!(assignment(" ratio = 3:1 "), Ok((Ratio, 3.0)));
        for (text, message) in [
            ("threshold", "write it as id=value, for example threshold=-18"),
            (
                "treshold=-20",
                "there is no control \"treshold\" (did you mean \"threshold\"?); `tenon params` lists them",
            ),
            (
                "key_hp=1",
                "there is no control \"key_hp\" (did you mean \"key_source\" or \"key_highpass\"?); `tenon params` lists them",
            ),
            ("wow=1", "there is no control \"wow\"; `tenon params` lists them"),
            ("mix=101", "mix takes 0.0 % to 100.0 %, not \"101\""),
        ] {
            assert_eq!(assignment(text).unwrap_err().to_string(), message);
        }
    }

    #[test]
    fn slips_are_forgiven_and_other_words_are_not() {
        for (a, b, expected) in [
            ("release", "relase", true),
            ("release", "rleease", true),
            ("mix", "mic", false),
            ("drums", "drum", true),
            ("attack", "range", false),
        ] {
            assert_eq!(alike(a, b), expected, "{a} {b}");
        }
    }

    #[test]
    fn any_float_becomes_a_value() {
        for control in Control::ALL {
            for value in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, -0.0, 1e30] {
                let value = quantise(control, value);
                tenon_dsp::Settings::default().set(control, value).unwrap();
            }
        }
    }

    proptest! {
        #[test]
        fn any_text_is_a_value_within_range_or_an_error(text in ".*", near in "[-−+]?[0-9.,:]{0,6} ?(k|hz|db|s|ms|%|on|off)?") {
            for control in Control::ALL {
                for text in [&text, &near] {
                    match from_text(control, text) {
                        Ok(value) => tenon_dsp::Settings::default().set(control, value).unwrap(),
                        Err(error) => prop_assert!(error.to_string().contains(control.spec().id)),
                    }
                }
            }
        }

        #[test]
        fn any_value_round_trips(index in 0..Control::ALL.len(), share in 0f32..=1.0) {
            let control = Control::ALL[index];
            let spec = control.spec();
            let value = quantise(control, spec.min + (spec.max - spec.min) * share);
            let text = to_text(control, value);
            prop_assert_eq!(from_text(control, &text).unwrap().to_bits(), value.to_bits());
        }
    }
}
