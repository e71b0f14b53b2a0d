//! Factory presets, in plain words.
//!
//! They are starting points for material around −16 to −20 LUFS; the threshold is the one control
//! that always needs setting by ear. Knows nothing of where presets are shown or how they are
//! stored.

use crate::text::{assignment, either, meant, near, to_text, words};
use tenon_dsp::{Control, Control::*, Settings};

/// A named set of values.
#[derive(Debug, Clone, PartialEq)]
pub struct Preset {
    /// What people call it.
    pub name: &'static str,
    /// One or two sentences: what it does and what to do next.
    pub about: &'static str,
    /// A value for every control.
    pub settings: Settings,
}

/// Whether a preset sets this control: all that make the sound do, and not what one listens to. The
/// quality is a matter of the machine, and moving it would ask the host for a restart. A match on hold
/// stays, whatever is moved.
pub fn sets(control: Control) -> bool {
    !matches!(control, Quality | MatchHold | Compare | Listen | Bypass)
}

/// Settings as text, one control a line, for people and for the clipboard.
pub fn to_lines(settings: &Settings) -> String {
    let line = |control: Control| {
        format!("{}={}\n", control.spec().id, to_text(control, settings[control]))
    };
    Control::ALL.into_iter().filter(|control| sets(*control)).map(line).collect()
}

/// `base` with what the lines set: one `id=value` each; empty lines are skipped.
///
/// # Errors
/// [`LineError`] at the first line that sets no control, or one that is for listening.
pub fn from_lines(text: &str, base: Settings) -> Result<Settings, LineError> {
    let mut settings = base;
    for (index, line) in text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
        let failed = |why: String| LineError { line: index + 1, why };
        let (control, value) = assignment(line).map_err(|error| failed(error.to_string()))?;
        if !sets(control) {
            return Err(failed(format!("{} is for listening", control.spec().id)));
        }
        settings.set(control, value).map_err(|error| failed(error.to_string()))?;
    }
    Ok(settings)
}

/// A line that sets no control.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LineError {
    /// Its number, from 1.
    pub line: usize,
    /// What is wrong with it.
    pub why: String,
}

impl std::fmt::Display for LineError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "line {}: {}", self.line, self.why)
    }
}

impl std::error::Error for LineError {}

/// All factory presets. The first is the one to try first.
pub fn factory() -> Vec<Preset> {
    let base = Settings::default;
    let drum_subgroup = base()
        .with(KeyHighpass, 80.0)
        .with(DetectorWindow, 5.0)
        .with(Threshold, -17.0)
        .with(Ratio, 2.5)
        .with(Knee, 6.0)
        .with(Attack, 15.0)
        .with(Release, 120.0)
        .with(Adaptive, 20.0);
    vec![
        Preset {
            name: "Drum subgroup, about 2 dB",
            about: "Lets each hit through and pulls the kit together behind it. Set the threshold for about 2 dB on the loudest bars.",
            settings: drum_subgroup,
        },
        Preset {
            name: "Warm drums, about 2 dB",
            about: "Holds the kit together and rounds its peaks a little, the low ones most. Set the threshold for about 2 dB, then raise the drive until you hear it and go back a step.",
            settings: drum_subgroup.with(Drive, 4.0).with(Symmetry, 15.0).with(Focus, -25.0),
        },
        Preset {
            name: "Master bus, barely touching",
            about: "A gentle ratio over a wide knee, about 1 dB. Meant to be missed when it is gone rather than noticed while it is there.",
            settings: base()
                .with(KeyHighpass, 60.0)
                .with(DetectorWindow, 15.0)
                .with(Threshold, -14.0)
                .with(Ratio, 1.5)
                .with(Knee, 12.0)
                .with(Range, 4.0)
                .with(Attack, 30.0)
                .with(Release, 220.0)
                .with(Adaptive, 50.0),
        },
        Preset {
            name: "Percussion bus",
            about: "Quick and light, for shakers, congas and bells. The sides move a little less than the middle, so the width stays.",
            settings: base()
                .with(KeyHighpass, 120.0)
                .with(DetectorWindow, 3.0)
                .with(SideShare, 70.0)
                .with(Threshold, -21.0)
                .with(Ratio, 2.0)
                .with(Knee, 8.0)
                .with(Attack, 8.0)
                .with(Release, 90.0),
        },
        Preset {
            name: "Parallel drums",
            about: "Dense drums mixed in under the untouched ones. Makeup sets how much body they add; the loudness match keeps the sum level.",
            settings: base()
                .with(KeyHighpass, 60.0)
                .with(DetectorWindow, 5.0)
                .with(Threshold, -34.0)
                .with(Ratio, 6.0)
                .with(Knee, 6.0)
                .with(Range, 18.0)
                .with(Attack, 3.0)
                .with(Release, 140.0)
                .with(Makeup, 8.0)
                .with(Mix, 35.0),
        },
        Preset {
            name: "Mid only",
            about: "Steadies what sits in the middle and leaves the sides alone, so wide parts step forward as the centre is held.",
            settings: base()
                .with(KeyHighpass, 80.0)
                .with(DetectorWindow, 10.0)
                .with(SideShare, 0.0)
                .with(Threshold, -20.0)
                .with(Ratio, 2.0)
                .with(Knee, 6.0)
                .with(Attack, 20.0)
                .with(Release, 160.0)
                .with(Adaptive, 30.0),
        },
    ]
}

/// Finds a factory preset by its name or by the beginning of it. Case and punctuation do not
/// matter.
///
/// # Errors
/// [`PresetError`] when no preset, or more than one, goes by that name.
pub fn find(name: &str) -> Result<Preset, PresetError> {
    let wanted = words(name);
    let all = factory();
    let begun: Vec<&Preset> =
        all.iter().filter(|preset| !wanted.is_empty() && begins(preset.name, &wanted)).collect();
    match begun.as_slice() {
        [preset] => Ok((*preset).clone()),
        [_, _, ..] => Err(PresetError::Several {
            name: name.to_owned(),
            begun: begun.iter().map(|preset| preset.name).collect(),
        }),
        [] => Err(PresetError::Unknown {
            name: name.to_owned(),
            near: near(name, all.iter().map(|preset| preset.name)),
        }),
    }
}

/// Whether a name begins with these words, the last of which may be cut short.
fn begins(name: &str, wanted: &[String]) -> bool {
    words(name).join(" ").starts_with(&wanted.join(" "))
}

/// A name that stands for no preset, or for more than one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PresetError {
    /// No preset begins like that.
    Unknown {
        /// The name that came.
        name: String,
        /// Presets that may have been meant.
        near: Vec<&'static str>,
    },
    /// Several presets begin like that.
    Several {
        /// The name that came.
        name: String,
        /// The presets.
        begun: Vec<&'static str>,
    },
}

impl std::fmt::Display for PresetError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Unknown { name, near } => {
                write!(f, "there is no preset {name:?}{}; `tenon presets` lists them", meant(near))
            }
            Self::Several { name, begun } => write!(
                f,
                "several presets begin with {name:?}: {}; write more of the name",
                either(begun)
            ),
        }
    }
}

impl std::error::Error for PresetError {}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::text::quantise;

    #[test]
    fn every_preset_is_found_by_its_name_and_has_values_that_can_be_shown() {
        for preset in factory() {
            assert_eq!(find(preset.name).unwrap(), preset);
            for control in Control::ALL {
                let value = preset.settings[control];
                assert_eq!(quantise(control, value), value, "{} {control:?}", preset.name);
            }
        }
    }

    #[test]
    fn presets_differ_and_leave_listening_alone() {
        let all = factory();
        for (i, preset) in all.iter().enumerate() {
            for other in &all[..i] {
                assert_ne!(preset.settings, other.settings);
            }
            let fresh = Settings::default();
            for control in
                [InputTrim, Quality, OutputTrim, LoudnessMatch, MatchHold, Compare, Listen, Bypass]
            {
                assert_eq!(preset.settings[control], fresh[control], "{}", preset.name);
            }
            // Choosing one of ours never adds latency, nor needs a tempo.
            for control in [Lookahead, AttackNote, ReleaseNote] {
                assert_eq!(preset.settings[control], 0.0, "{}", preset.name);
            }
        }
    }

    #[test]
    fn settings_come_back_from_their_lines() {
        for preset in factory() {
            let lines = to_lines(&preset.settings);
            assert_eq!(from_lines(&lines, Settings::default()), Ok(preset.settings));
        }
        let base = Settings::default().with(Mix, 50.0).with(Bypass, 1.0);
        assert_eq!(from_lines("\nratio = 3:1\n", base), Ok(base.with(Ratio, 3.0)));
        for (text, why) in [
            ("mix=20\nknee", "line 2: write it as"),
            ("mix=200", "line 1: mix takes 0.0 % to 100.0 %"),
            ("listen=key", "line 1: listen is for listening"),
        ] {
            let message = from_lines(text, base).unwrap_err().to_string();
            assert!(message.starts_with(why), "{message}");
        }
    }

    #[test]
    fn names_are_forgiving() {
        for name in
            ["drum subgroup, about 2 dB", "DRUM SUBGROUP ABOUT 2 DB", "drum-subgroup", "Drum"]
        {
            assert_eq!(find(name).unwrap().name, "Drum subgroup, about 2 dB");
        }
    }

    #[test]
    fn a_wrong_name_is_told_what_is_near() {
        let near = |name: &str| match find(name) {
            Err(PresetError::Unknown { near, .. }) => near,
            found => panic!("{found:?}"),
        };
        assert_eq!(
            near("drumz"),
            ["Drum subgroup, about 2 dB", "Warm drums, about 2 dB", "Parallel drums"]
        );
        assert_eq!(
            find("master buss").unwrap_err().to_string(),
            "there is no preset \"master buss\" (did you mean \"Master bus, barely touching\"?); `tenon presets` lists them"
        );
        assert_eq!(near(""), [""; 0]);
        assert_eq!(near("zither"), [""; 0]);
    }

    #[test]
    fn a_beginning_of_several_names_is_told_which() {
        assert_eq!(
            find("p").unwrap_err().to_string(),
            "several presets begin with \"p\": \"Percussion bus\" or \"Parallel drums\"; write more of the name"
        );
        assert_eq!(find("pa").unwrap().name, "Parallel drums");
    }
}
