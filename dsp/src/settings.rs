//! Every control of the engine: its id, meaning, unit, range and default, and a set of values.
//!
//! The table [`Control::spec`] is the one place where ranges live; the plug-in's parameters, the
//! presets and the command line are built from it.

use std::ops::Index;

/// A control of the engine. The order is the order in which the signal meets them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[allow(missing_docs)] // each is described by its `Spec`
pub enum Control {
    InputTrim,
    KeySource,
    KeyHighpass,
    DetectorWindow,
    StereoLink,
    SideShare,
    Threshold,
    Ratio,
    Knee,
    Range,
    Attack,
    Release,
    Adaptive,
    Drive,
    Symmetry,
    Focus,
    SaturationMix,
    Quality,
    Makeup,
    Mix,
    OutputTrim,
    LoudnessMatch,
    MatchHold,
    Compare,
    Listen,
    Bypass,
}

/// The unit in which a control's value is given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Decibels. Levels are relative to full scale (a full-scale sine reads 0 dB).
    Decibel,
    /// Hertz.
    Hertz,
    /// Milliseconds.
    Millisecond,
    /// Per cent.
    Percent,
    /// Decibels in for one decibel out.
    Ratio,
    /// Index into the named choices.
    Choice(&'static [&'static str]),
}

/// What a control means and which values it takes.
#[derive(Debug, Clone, Copy)]
pub struct Spec {
    /// Stable id, the same in the plug-in, in presets and on the command line.
    pub id: &'static str,
    /// Name shown to people.
    pub name: &'static str,
    /// Unit of the value.
    pub unit: Unit,
    /// Smallest value.
    pub min: f32,
    /// Largest value.
    pub max: f32,
    /// Value of a fresh instance.
    pub default: f32,
    /// One sentence for someone mid-session, with usual values where there are any.
    pub help: &'static str,
}

/// Below this frequency the key high-pass is off; its value is then 0.
pub const KEY_HIGHPASS_MIN_HZ: f32 = 20.0;

/// Choices of [`Control::KeySource`].
pub const KEY_SOURCES: &[&str] = &["own signal", "external"];
/// Choices of every switch.
pub const OFF_ON: &[&str] = &["off", "on"];
/// Choices of [`Control::Quality`]: how many times the sample rate the saturation works at.
pub const QUALITIES: &[&str] = &["1x", "2x", "4x", "8x"];
/// Choices of [`Control::Listen`].
pub const LISTENS: &[&str] = &["output", "delta", "key"];

impl Control {
    /// All controls, in signal order.
    pub const ALL: [Control; 26] = [
        Control::InputTrim,
        Control::KeySource,
        Control::KeyHighpass,
        Control::DetectorWindow,
        Control::StereoLink,
        Control::SideShare,
        Control::Threshold,
        Control::Ratio,
        Control::Knee,
        Control::Range,
        Control::Attack,
        Control::Release,
        Control::Adaptive,
        Control::Drive,
        Control::Symmetry,
        Control::Focus,
        Control::SaturationMix,
        Control::Quality,
        Control::Makeup,
        Control::Mix,
        Control::OutputTrim,
        Control::LoudnessMatch,
        Control::MatchHold,
        Control::Compare,
        Control::Listen,
        Control::Bypass,
    ];

    /// Looks a control up by its id.
    pub fn from_id(id: &str) -> Option<Control> {
        Control::ALL.into_iter().find(|c| c.spec().id == id)
    }

    /// Whether moving this control can change the loudness of the processed path, so that a
    /// learned match no longer holds. The output trim does not: it comes after the match. Nor does the
    /// quality, which moves aliases far below the programme.
    pub fn affects_loudness(self) -> bool {
        use Control::*;
        !matches!(
            self,
            Quality | OutputTrim | LoudnessMatch | MatchHold | Compare | Listen | Bypass
        )
    }

    /// Meaning, unit, range and default.
    pub const fn spec(self) -> Spec {
        use Unit::*;
        const fn spec(
            id: &'static str,
            name: &'static str,
            unit: Unit,
            (min, max, default): (f32, f32, f32),
            help: &'static str,
        ) -> Spec {
            Spec { id, name, unit, min, max, default, help }
        }
        match self {
            Control::InputTrim => spec(
                "input_trim",
                "Input trim",
                Decibel,
                (-24.0, 24.0, 0.0),
                "Level into the compressor. The match takes it back out again, so it sets how hard the bus is driven, not how loud it is.",
            ),
            Control::KeySource => spec(
                "key_source",
                "Key source",
                Choice(KEY_SOURCES),
                (0.0, 1.0, 0.0),
                "What the detector listens to: the bus itself, or the signal at the key input.",
            ),
            Control::KeyHighpass => spec(
                "key_highpass",
                "Key high-pass",
                Hertz,
                (0.0, 500.0, 80.0),
                "Takes lows out of what the detector hears, not out of the sound. Usual: 60 to 120 Hz on drums, 30 to 90 Hz on a master bus; 0 is off.",
            ),
            Control::DetectorWindow => spec(
                "detector_window",
                "Window",
                Millisecond,
                (0.0, 100.0, 5.0),
                "How long the detector averages. 0 follows peaks; 5 to 20 ms follows how loud it sounds.",
            ),
            Control::StereoLink => spec(
                "stereo_link",
                "Stereo link",
                Percent,
                (0.0, 100.0, 100.0),
                "100 % moves left and right by the same gain and keeps the image still; less lets each side breathe for itself.",
            ),
            Control::SideShare => spec(
                "side_share",
                "Side share",
                Percent,
                (0.0, 100.0, 100.0),
                "How much of the gain reduction the side channel receives. 100 % is an ordinary linked bus; at 0 % only the middle moves.",
            ),
            Control::Threshold => spec(
                "threshold",
                "Threshold",
                Decibel,
                (-60.0, 0.0, -18.0),
                "Level above which gain comes down. Lower it until the gain reduction shows what you want: about 2 dB on a drum subgroup, about 1 dB on a master bus.",
            ),
            Control::Ratio => spec(
                "ratio",
                "Ratio",
                Ratio,
                (1.0, 20.0, 2.0),
                "How many dB in make one dB out above the threshold. Usual: 2 to 4 on a drum subgroup, 1.2 to 2 on a master bus.",
            ),
            Control::Knee => spec(
                "knee",
                "Knee",
                Decibel,
                (0.0, 24.0, 6.0),
                "Width of the bend around the threshold. Wider starts earlier and more gently.",
            ),
            Control::Range => spec(
                "range",
                "Range",
                Decibel,
                (0.0, 24.0, 24.0),
                "The largest gain reduction allowed, however loud it gets.",
            ),
            Control::Attack => spec(
                "attack",
                "Attack",
                Millisecond,
                (0.05, 250.0, 10.0),
                "Time to 63 % of a step down. 10 to 30 ms lets the hit through; under 3 ms rounds it.",
            ),
            Control::Release => spec(
                "release",
                "Release",
                Millisecond,
                (5.0, 2500.0, 150.0),
                "Time to 63 % of the way back. Common practice on a bus: gain nearly at rest by the next hit.",
            ),
            Control::Adaptive => spec(
                "adaptive",
                "Adaptive",
                Percent,
                (0.0, 100.0, 0.0),
                "How far release follows the programme: longer under sustained reduction, short after a lone hit.",
            ),
            Control::Drive => spec(
                "drive",
                "Drive",
                Decibel,
                (0.0, 24.0, 0.0),
                "How hard the compressed bus is bent, without getting louder; 0 leaves it untouched, bit for bit. Full-scale peaks lose about 0.5 dB at 3 dB of drive, 2 dB at 6 dB and 8 dB at 12 dB.",
            ),
            Control::Symmetry => spec(
                "symmetry",
                "Symmetry",
                Percent,
                (-100.0, 100.0, 0.0),
                "0 % bends both halves of the wave alike and adds odd harmonics only; either way, even ones grow.",
            ),
            Control::Focus => spec(
                "focus",
                "Focus",
                Percent,
                (-100.0, 100.0, 0.0),
                "Which part of the spectrum is driven: towards -100 % the lows, at 0 % the whole band, towards 100 % the highs.",
            ),
            Control::SaturationMix => spec(
                "saturation_mix",
                "Saturation mix",
                Percent,
                (0.0, 100.0, 100.0),
                "How much of what the saturation changes is kept; 0 % is the compressor alone.",
            ),
            Control::Quality => spec(
                "quality",
                "Quality",
                Choice(QUALITIES),
                (0.0, 3.0, 2.0),
                "How many times the sample rate the saturation works at: more keeps hard-driven highs cleaner and costs latency and load. Takes effect when playback restarts.",
            ),
            Control::Makeup => spec(
                "makeup",
                "Makeup",
                Decibel,
                (-12.0, 24.0, 0.0),
                "Gain after the compressor, before the mix. Under the loudness match it changes only the balance of a parallel mix.",
            ),
            Control::Mix => spec(
                "mix",
                "Mix",
                Percent,
                (0.0, 100.0, 100.0),
                "100 % is all compressed; less mixes in the dry signal, sample-aligned.",
            ),
            Control::OutputTrim => spec(
                "output_trim",
                "Output trim",
                Decibel,
                (-24.0, 24.0, 0.0),
                "Level after the match, for the next device in the chain. The one level control the match leaves alone.",
            ),
            Control::LoudnessMatch => spec(
                "loudness_match",
                "Loudness match",
                Choice(OFF_ON),
                (0.0, 1.0, 1.0),
                "One constant gain that makes the processed path as loud as the dry one. It learns while signal plays, then holds.",
            ),
            Control::MatchHold => spec(
                "match_hold",
                "Match hold",
                Choice(OFF_ON),
                (0.0, 1.0, 0.0),
                "Keeps the match gain where it is, whatever is moved. Switching it off learns anew.",
            ),
            Control::Compare => spec(
                "compare",
                "Compare",
                Choice(OFF_ON),
                (0.0, 1.0, 0.0),
                "Plays the dry signal at the loudness the processed one has had over the last seconds.",
            ),
            Control::Listen => spec(
                "listen",
                "Listen",
                Choice(LISTENS),
                (0.0, 2.0, 0.0),
                "Output; delta, what the processing changed at matched loudness; or key, what the detector hears.",
            ),
            Control::Bypass => spec(
                "bypass",
                "Bypass",
                Choice(OFF_ON),
                (0.0, 1.0, 0.0),
                "Passes the input through untouched, at its own level.",
            ),
        }
    }
}

/// What [`Control::Listen`] sends to the output.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Listen {
    /// The processed signal, or the dry one while comparing.
    Output,
    /// Processed minus dry, at matched loudness.
    Delta,
    /// What the detector hears.
    Key,
}

/// A value that a control does not take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SettingsError {
    /// The control that was to be set.
    pub control: Control,
    /// The value that came.
    pub value: f32,
}

impl std::fmt::Display for SettingsError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Spec { id, min, max, .. } = self.control.spec();
        write!(f, "{id} takes {min} to {max}, not {}", self.value)?;
        if self.control == Control::KeyHighpass {
            write!(f, " (0 is off, otherwise {KEY_HIGHPASS_MIN_HZ} Hz or more)")?;
        }
        Ok(())
    }
}

impl std::error::Error for SettingsError {}

/// A value for every control; always within range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settings([f32; Control::ALL.len()]);

impl Default for Settings {
    fn default() -> Self {
        Settings(Control::ALL.map(|control| control.spec().default))
    }
}

impl Index<Control> for Settings {
    type Output = f32;

    fn index(&self, control: Control) -> &f32 {
        &self.0[control as usize]
    }
}

impl Settings {
    /// Sets one control.
    ///
    /// # Errors
    /// [`SettingsError`] when the value is not a number, outside the range, or between two choices;
    /// nothing is changed then.
    pub fn set(&mut self, control: Control, value: f32) -> Result<(), SettingsError> {
        let spec = control.spec();
        let whole = !matches!(spec.unit, Unit::Choice(_)) || value.fract() == 0.0;
        let off_gap = control == Control::KeyHighpass && value > 0.0 && value < KEY_HIGHPASS_MIN_HZ;
        if !(spec.min..=spec.max).contains(&value) || !whole || off_gap {
            return Err(SettingsError { control, value });
        }
        self.0[control as usize] = value;
        Ok(())
    }

    /// The same settings with one control set; for presets and tests written as constants.
    ///
    /// # Panics
    /// When the control does not take the value.
    #[must_use]
    pub fn with(mut self, control: Control, value: f32) -> Self {
        if let Err(error) = self.set(control, value) {
            panic!("{error}");
        }
        self
    }

    /// Whether a switch is on.
    pub fn is_on(&self, switch: Control) -> bool {
        self[switch] != 0.0
    }

    /// What is sent to the output.
    pub fn listen(&self) -> Listen {
        match self[Control::Listen] as usize {
            0 => Listen::Output,
            1 => Listen::Delta,
            _ => Listen::Key,
        }
    }
}
