//! Numbers as the sheet shows them: a fixed number of digits, a proper minus sign, a unit.

use tenon_dsp::{Control, SILENCE_DB};

use crate::text::to_text;

/// What stands where there is no reading.
pub(crate) const NO_READING: &str = "\u{2014}";

/// Levels at or below this are silence to a reader.
const FLOOR_DB: f32 = -90.0;

/// One digit after the point, right-aligned to the width of "−99.9".
pub(crate) fn one_digit(value: f32) -> String {
    // Adding zero turns −0.0 into 0.0.
    let rounded = (value * 10.0).round() / 10.0 + 0.0;
    format!("{:>5}", minus(&format!("{rounded:.1}")))
}

/// No digit after the point, as wide as it is.
pub(crate) fn whole(value: f32) -> String {
    minus(&format!("{:.0}", value + 0.0))
}

/// The value of a control with its unit.
pub(crate) fn value(control: Control, value: f32) -> String {
    minus(&to_text(control, value))
}

/// A level, or none when it is silence.
pub(crate) fn level(db: f32) -> Option<f32> {
    (db > FLOOR_DB.max(SILENCE_DB)).then_some(db)
}

/// "before → after unit", with a dash for what has no reading.
pub(crate) fn before_after(before: Option<f32>, after: Option<f32>, unit: &str) -> String {
    let figure = |value: Option<f32>| match value {
        Some(value) => one_digit(value),
        None => format!("{NO_READING:>5}"),
    };
    format!("{} \u{2192} {} {unit}", figure(before), figure(after))
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
        for (value, text) in
            [(-9.84, " \u{2212}9.8"), (-0.04, "  0.0"), (12.0, " 12.0"), (-60.0, "\u{2212}60.0")]
        {
            assert_eq!(one_digit(value), text);
        }
        assert_eq!(value(Control::Threshold, -18.0), "\u{2212}18.00 dB", "no hyphen on screen");
    }

    #[test]
    fn silence_is_a_dash() {
        assert_eq!(level(SILENCE_DB), None);
        assert_eq!(
            before_after(level(SILENCE_DB), Some(-20.0), "dB"),
            "    \u{2014} \u{2192} \u{2212}20.0 dB"
        );
    }
}
