//! Numbers as the sheet shows them: a fixed number of digits, a proper minus sign, a unit.

use tenon_dsp::{Control, SILENCE_DB};

use crate::text::{self, to_text};

/// What stands where there is no reading.
pub(crate) const NO_READING: &str = "\u{2014}";

/// As wide as a digit.
pub(crate) const FIGURE_SPACE: char = '\u{2007}';
/// Levels at or below this are silence to a reader.
const FLOOR_DB: f32 = -90.0;

/// One digit after the point, padded to the width of "−99.9".
pub(crate) fn one_digit(value: f32) -> String {
    pad(&fixed(value, 1), 5)
}

/// So many digits after the point.
pub(crate) fn fixed(value: f32, digits: usize) -> String {
    minus(&text::fixed(value.into(), digits))
}

/// Pads on the left so that the text is as wide as `signs` of them; the point counts as one.
pub(crate) fn pad(text: &str, signs: usize) -> String {
    let missing = signs.saturating_sub(text.chars().count());
    std::iter::repeat_n(FIGURE_SPACE, missing).chain(text.chars()).collect()
}

/// The value of a control with its unit.
pub(crate) fn value(control: Control, value: f32) -> String {
    minus(&to_text(control, value))
}

/// A level, or none when it is silence.
pub(crate) fn level(db: f32) -> Option<f32> {
    (db > FLOOR_DB.max(SILENCE_DB)).then_some(db)
}

/// One digit after the point, or a dash where there is no reading.
pub(crate) fn one_digit_or_dash(value: Option<f32>) -> String {
    value.map_or_else(|| pad(NO_READING, 5), one_digit)
}

/// "before → after" and the unit, with a dash for what has no reading.
pub(crate) fn before_after(
    before: Option<f32>,
    after: Option<f32>,
    digits: usize,
    unit: &str,
) -> String {
    let [before, after] = [before, after].map(|value| {
        let text = value.map_or_else(|| NO_READING.to_owned(), |value| fixed(value, digits));
        pad(&text, 5)
    });
    format!("{before} \u{2192} {after}{unit}")
}

/// A frequency as scales have it: "250", "1.2k".
pub(crate) fn short_hz(hz: f32) -> String {
    if hz < 1_000.0 {
        // Two digits are enough to find one's way.
        let step = if hz < 100.0 { 1.0 } else { 10.0 };
        format!("{:.0}", (hz / step).round() * step)
    } else {
        let thousands = format!("{:.1}", hz / 1_000.0);
        format!("{}k", thousands.strip_suffix(".0").unwrap_or(&thousands))
    }
}

/// A text with proper minus signs.
pub(crate) fn minus(text: &str) -> String {
    text.replace('-', "\u{2212}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_have_one_width_and_a_proper_minus() {
        for (value, text) in [
            (-9.84, "\u{2007}\u{2212}9.8"),
            (-0.04, "\u{2007}\u{2007}0.0"),
            (12.0, "\u{2007}12.0"),
            (-60.0, "\u{2212}60.0"),
        ] {
            assert_eq!(one_digit(value), text);
        }
        assert_eq!(value(Control::Threshold, -18.0), "\u{2212}18.00 dB", "no hyphen on screen");
    }

    #[test]
    fn silence_is_a_dash() {
        assert_eq!(level(SILENCE_DB), None);
        assert_eq!(
            before_after(level(SILENCE_DB), Some(-20.0), 1, " dB"),
            "\u{2007}\u{2007}\u{2007}\u{2007}\u{2014} \u{2192} \u{2212}20.0 dB"
        );
    }

    #[test]
    fn frequencies_are_short() {
        for (hz, text) in
            [(63.2, "63"), (253.0, "250"), (999.0, "1000"), (1_240.0, "1.2k"), (12_030.0, "12k")]
        {
            assert_eq!(short_hz(hz), text);
        }
    }
}
