//! Every control of the engine: its id, meaning, unit, range and default, and a set of values.
//!
//! The table [`Control::spec`] is the one place where ranges live; the plug-in's parameters, the
//! presets and the command line are built from it.

use std::ops::{Index, RangeInclusive};

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
    Lookahead,
    Attack,
    AttackNote,
    Release,
    ReleaseNote,
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
/// Choices of [`Control::AttackNote`] and [`Control::ReleaseNote`]: the time in ms, or a note value,
/// from short to long; T is a triplet, D dotted.
pub const NOTES: &[&str] = &[
    "ms", "1/64T", "1/64", "1/32T", "1/64D", "1/32", "1/16T", "1/32D", "1/16", "1/8T", "1/16D",
    "1/8", "1/4T", "1/8D", "1/4", "1/2T", "1/4D", "1/2", "1/1T", "1/2D", "1/1", "1/1D",
];
/// Lengths of the note values among [`NOTES`], in quarter notes.
const QUARTERS: [f64; NOTES.len() - 1] = [
    1.0 / 24.0,
    1.0 / 16.0,
    1.0 / 12.0,
    3.0 / 32.0,
    1.0 / 8.0,
    1.0 / 6.0,
    3.0 / 16.0,
    1.0 / 4.0,
    1.0 / 3.0,
    3.0 / 8.0,
    1.0 / 2.0,
    2.0 / 3.0,
    3.0 / 4.0,
    1.0,
    4.0 / 3.0,
    3.0 / 2.0,
    2.0,
    8.0 / 3.0,
    3.0,
    4.0,
    6.0,
];
/// Tempos by which note values are measured, in quarter notes a minute. At any other, and without
/// one, the times in ms stand.
pub const TEMPOS_BPM: RangeInclusive<f64> = 20.0..=400.0;
/// Choices of [`Control::Quality`]: how many times the sample rate the saturation works at.
pub const QUALITIES: &[&str] = &["1x", "2x", "4x", "8x"];
/// Choices of [`Control::Listen`].
pub const LISTENS: &[&str] = &["output", "delta", "key"];

impl Control {
    /// All controls, in signal order.
    pub const ALL: [Control; 29] = [
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
        Control::Lookahead,
        Control::Attack,
        Control::AttackNote,
        Control::Release,
        Control::ReleaseNote,
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
            Control::Lookahead => spec(
                "lookahead",
                "Lookahead",
                Millisecond,
                (0.0, 10.0, 0.0),
                "How far the gain sees ahead; the sound waits as long. As long as the attack, and with a window of 0 to 2 ms, it catches a hit whole. Adds to the latency, so it takes effect when playback restarts.",
            ),
            Control::Attack => spec(
                "attack",
                "Attack",
                Millisecond,
                (0.05, 250.0, 10.0),
                "Time to 63 % of a step down; type 1/32 for a note value. 10 to 30 ms lets the hit through; under 3 ms rounds it.",
            ),
            Control::AttackNote => spec(
                "attack_note",
                "Attack note",
                Choice(NOTES),
                (0.0, NOTES.len() as f32 - 1.0, 0.0),
                "The attack as a note value of the host's tempo, within the range it has in ms; without a tempo the ms stand.",
            ),
            Control::Release => spec(
                "release",
                "Release",
                Millisecond,
                (5.0, 2500.0, 150.0),
                "Time to 63 % of the way back; type 1/8 for a note value. Common practice on a bus: gain nearly at rest by the next hit.",
            ),
            Control::ReleaseNote => spec(
                "release_note",
                "Release note",
                Choice(NOTES),
                (0.0, NOTES.len() as f32 - 1.0, 0.0),
                "The release as a note value of the host's tempo, within the range it has in ms; without a tempo the ms stand.",
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
                "How hard the compressed bus is bent. A dense programme at −18 dBFS RMS stays within 1 LU of its loudness; a louder one gets softer, a softer one louder. 0 leaves it untouched, bit for bit. Full-scale peaks lose about 0.5 dB at 3 dB of drive, 2 dB at 6 dB and 8 dB at 12 dB.",
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

    /// The attack in ms: of its note value at a tempo in quarter notes a minute, brought within the
    /// range of [`Control::Attack`], or else as that control says.
    pub fn attack_ms(&self, tempo_bpm: Option<f64>) -> f64 {
        self.time_ms(Control::Attack, tempo_bpm)
    }

    /// The release in ms, likewise.
    pub fn release_ms(&self, tempo_bpm: Option<f64>) -> f64 {
        self.time_ms(Control::Release, tempo_bpm)
    }

    /// Either of them in ms, likewise, by its control. Any other control has its own value.
    pub fn time_ms(&self, time: Control, tempo_bpm: Option<f64>) -> f64 {
        let note = match time {
            Control::Attack => Control::AttackNote,
            Control::Release => Control::ReleaseNote,
            _ => return self[time].into(),
        };
        let quarters = (self[note] as usize).checked_sub(1).map(|note| QUARTERS[note]);
        match quarters.zip(tempo_bpm.filter(|tempo| TEMPOS_BPM.contains(tempo))) {
            None => self[time].into(),
            Some((quarters, tempo)) => {
                let Spec { min, max, .. } = time.spec();
                (quarters * 60_000.0 / tempo).clamp(min.into(), max.into())
            }
        }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// What the name of a note says: a part of a whole note, two thirds or one and a half of it.
    #[test]
    fn notes_are_as_long_as_their_names_say_and_grow() {
        for (name, quarters) in NOTES[1..].iter().zip(QUARTERS) {
            let plain = name.trim_end_matches(['T', 'D']);
            let parts: f64 = plain.strip_prefix("1/").and_then(|parts| parts.parse().ok()).unwrap();
            let share = match &name[plain.len()..] {
                "T" => 2.0 / 3.0,
                "D" => 1.5,
                _ => 1.0,
            };
            assert!((quarters - 4.0 / parts * share).abs() < 1e-12, "{name}");
        }
        assert!(QUARTERS.is_sorted());
    }

    #[test]
    fn a_note_is_a_time_at_a_tempo_and_else_the_ms_stand() {
        let note = |name: &str| NOTES.iter().position(|note| *note == name).unwrap() as f32;
        let settings = Settings::default()
            .with(Control::AttackNote, note("1/64T"))
            .with(Control::ReleaseNote, note("1/8D"));
        for (tempo_bpm, attack_ms, release_ms) in [
            // A quarter lasts 500 ms.
            (Some(120.0), 500.0 / 24.0, 375.0),
            (Some(60.0), 1000.0 / 24.0, 750.0),
            (Some(20.0), 125.0, 2_250.0),
            (None, 10.0, 150.0),
            (Some(19.9), 10.0, 150.0),
            (Some(401.0), 10.0, 150.0),
            (Some(0.0), 10.0, 150.0),
            (Some(f64::NAN), 10.0, 150.0),
            (Some(f64::INFINITY), 10.0, 150.0),
        ] {
            assert!((settings.attack_ms(tempo_bpm) - attack_ms).abs() < 1e-9, "{tempo_bpm:?}");
            assert!((settings.release_ms(tempo_bpm) - release_ms).abs() < 1e-9, "{tempo_bpm:?}");
        }
        let long = settings
            .with(Control::AttackNote, note("1/1D"))
            .with(Control::ReleaseNote, note("1/1D"));
        assert_eq!((long.attack_ms(Some(60.0)), long.release_ms(Some(60.0))), (250.0, 2_500.0));
        let in_ms = Settings::default();
        assert_eq!(in_ms.attack_ms(Some(120.0)), 10.0);
        assert_eq!(in_ms.time_ms(Control::Lookahead, Some(120.0)), 0.0);
    }
}
