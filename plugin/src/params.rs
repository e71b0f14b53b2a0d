//! The parameters a host sees, built from the engine's one table of controls.
//!
//! Ids, names, ranges, defaults and texts come from [`Control::spec`] and [`crate::text`]; this
//! module adds how far a parameter travels per value. Knows nothing of the editor.

use std::sync::Arc;

use nice_plug::prelude::*;
use tenon_dsp::{Control, KEY_SOURCES, LISTENS, NOTES, QUALITIES, Settings, Spec, Unit};

use crate::text::{from_text, quantise, to_text};

/// Lowest value of the key high-pass as a parameter, in Hz. Like every value below
/// [`tenon_dsp::KEY_HIGHPASS_MIN_HZ`] it means off, so that the travel has no dead stretch
/// between 0 and 20 Hz.
const KEY_HIGHPASS_OFF_HZ: f32 = 19.0;

/// One parameter for each [`Control`].
#[derive(Params)]
pub(crate) struct BusParams {
    #[id = "input_trim"]
    input_trim: FloatParam,
    #[id = "key_source"]
    key_source: EnumParam<KeySource>,
    #[id = "key_highpass"]
    key_highpass: FloatParam,
    #[id = "detector_window"]
    detector_window: FloatParam,
    #[id = "stereo_link"]
    stereo_link: FloatParam,
    #[id = "side_share"]
    side_share: FloatParam,
    #[id = "threshold"]
    threshold: FloatParam,
    #[id = "ratio"]
    ratio: FloatParam,
    #[id = "knee"]
    knee: FloatParam,
    #[id = "range"]
    range: FloatParam,
    #[id = "lookahead"]
    lookahead: FloatParam,
    #[id = "attack"]
    attack: FloatParam,
    #[id = "attack_note"]
    attack_note: EnumParam<Note>,
    #[id = "release"]
    release: FloatParam,
    #[id = "release_note"]
    release_note: EnumParam<Note>,
    #[id = "adaptive"]
    adaptive: FloatParam,
    #[id = "drive"]
    drive: FloatParam,
    #[id = "symmetry"]
    symmetry: FloatParam,
    #[id = "focus"]
    focus: FloatParam,
    #[id = "saturation_mix"]
    saturation_mix: FloatParam,
    #[id = "quality"]
    quality: EnumParam<Quality>,
    #[id = "makeup"]
    makeup: FloatParam,
    #[id = "mix"]
    mix: FloatParam,
    #[id = "output_trim"]
    output_trim: FloatParam,
    #[id = "loudness_match"]
    loudness_match: BoolParam,
    #[id = "match_hold"]
    match_hold: BoolParam,
    #[id = "compare"]
    compare: BoolParam,
    #[id = "listen"]
    listen: EnumParam<Listen>,
    #[id = "bypass"]
    bypass: BoolParam,
}

impl Default for BusParams {
    fn default() -> Self {
        use Control::*;
        Self {
            input_trim: continuous(InputTrim),
            key_source: choice(KeySource),
            key_highpass: continuous(KeyHighpass),
            detector_window: continuous(DetectorWindow),
            stereo_link: continuous(StereoLink),
            side_share: continuous(SideShare),
            threshold: continuous(Threshold),
            ratio: continuous(Ratio),
            knee: continuous(Knee),
            range: continuous(Range),
            // Every move of it asks the host for a restart.
            lookahead: continuous(Lookahead).non_automatable(),
            attack: continuous(Attack),
            attack_note: choice(AttackNote),
            release: continuous(Release),
            release_note: choice(ReleaseNote),
            adaptive: continuous(Adaptive),
            drive: continuous(Drive),
            symmetry: continuous(Symmetry),
            focus: continuous(Focus),
            saturation_mix: continuous(SaturationMix),
            // As the lookahead.
            quality: choice(Quality).non_automatable(),
            makeup: continuous(Makeup),
            mix: continuous(Mix),
            output_trim: continuous(OutputTrim),
            loudness_match: switch(LoudnessMatch),
            match_hold: switch(MatchHold),
            compare: switch(Compare),
            listen: choice(Listen),
            bypass: switch(Bypass).make_bypass(),
        }
    }
}

impl BusParams {
    /// The parameter of a control.
    pub(crate) fn get(&self, control: Control) -> ParamRef<'_> {
        use Control::*;
        use ParamRef as P;
        match control {
            InputTrim => P::Continuous(control, &self.input_trim),
            KeySource => P::KeySource(&self.key_source),
            KeyHighpass => P::Continuous(control, &self.key_highpass),
            DetectorWindow => P::Continuous(control, &self.detector_window),
            StereoLink => P::Continuous(control, &self.stereo_link),
            SideShare => P::Continuous(control, &self.side_share),
            Threshold => P::Continuous(control, &self.threshold),
            Ratio => P::Continuous(control, &self.ratio),
            Knee => P::Continuous(control, &self.knee),
            Range => P::Continuous(control, &self.range),
            Lookahead => P::Continuous(control, &self.lookahead),
            Attack => P::Continuous(control, &self.attack),
            AttackNote => P::Note(&self.attack_note),
            Release => P::Continuous(control, &self.release),
            ReleaseNote => P::Note(&self.release_note),
            Adaptive => P::Continuous(control, &self.adaptive),
            Drive => P::Continuous(control, &self.drive),
            Symmetry => P::Continuous(control, &self.symmetry),
            Focus => P::Continuous(control, &self.focus),
            SaturationMix => P::Continuous(control, &self.saturation_mix),
            Quality => P::Quality(&self.quality),
            Makeup => P::Continuous(control, &self.makeup),
            Mix => P::Continuous(control, &self.mix),
            OutputTrim => P::Continuous(control, &self.output_trim),
            LoudnessMatch => P::Switch(&self.loudness_match),
            MatchHold => P::Switch(&self.match_hold),
            Compare => P::Switch(&self.compare),
            Listen => P::Listen(&self.listen),
            Bypass => P::Switch(&self.bypass),
        }
    }

    /// The values in force now, host modulation included, each as its text says it. Neither
    /// allocates nor waits.
    pub(crate) fn settings(&self) -> Settings {
        let mut settings = Settings::default();
        for control in Control::ALL {
            let accepted = settings.set(control, self.get(control).modulated_value());
            debug_assert_eq!(accepted, Ok(()));
        }
        settings
    }
}

/// A parameter of any kind, spoken to in the values of [`Settings`].
#[derive(Clone, Copy)]
pub(crate) enum ParamRef<'a> {
    /// A value on a range.
    Continuous(Control, &'a FloatParam),
    /// Off or on.
    Switch(&'a BoolParam),
    /// [`Control::KeySource`].
    KeySource(&'a EnumParam<KeySource>),
    /// [`Control::AttackNote`] or [`Control::ReleaseNote`].
    Note(&'a EnumParam<Note>),
    /// [`Control::Quality`].
    Quality(&'a EnumParam<Quality>),
    /// [`Control::Listen`].
    Listen(&'a EnumParam<Listen>),
}

/// Does the same to whichever parameter it is.
macro_rules! with {
    ($param:expr, $bound:ident => $body:expr) => {
        match $param {
            ParamRef::Continuous(_, $bound) => $body,
            ParamRef::Switch($bound) => $body,
            ParamRef::KeySource($bound) => $body,
            ParamRef::Note($bound) => $body,
            ParamRef::Quality($bound) => $body,
            ParamRef::Listen($bound) => $body,
        }
    };
}

impl ParamRef<'_> {
    /// The value set by hand or automation, without modulation.
    pub(crate) fn value(self) -> f32 {
        match self {
            Self::Continuous(control, param) => quantise(control, param.unmodulated_plain_value()),
            Self::Switch(param) => param.unmodulated_plain_value().into(),
            Self::KeySource(param) => param.unmodulated_plain_value().to_index() as f32,
            Self::Note(param) => param.unmodulated_plain_value().to_index() as f32,
            Self::Quality(param) => param.unmodulated_plain_value().to_index() as f32,
            Self::Listen(param) => param.unmodulated_plain_value().to_index() as f32,
        }
    }

    fn modulated_value(self) -> f32 {
        match self {
            Self::Continuous(control, param) => quantise(control, param.value()),
            Self::Switch(param) => param.value().into(),
            Self::KeySource(param) => param.value().to_index() as f32,
            Self::Note(param) => param.value().to_index() as f32,
            Self::Quality(param) => param.value().to_index() as f32,
            Self::Listen(param) => param.value().to_index() as f32,
        }
    }

    /// Where a value lies on the parameter's travel, 0 to 1.
    pub(crate) fn position(self, value: f32) -> f32 {
        match self {
            Self::Continuous(_, param) => param.preview_normalized(value),
            Self::Switch(param) => param.preview_normalized(value != 0.0),
            Self::KeySource(param) => {
                param.preview_normalized(KeySource::from_index(value as usize))
            }
            Self::Note(param) => param.preview_normalized(Note::from_index(value as usize)),
            Self::Quality(param) => param.preview_normalized(Quality::from_index(value as usize)),
            Self::Listen(param) => param.preview_normalized(Listen::from_index(value as usize)),
        }
    }

    /// The value at a place on the parameter's travel, 0 to 1.
    pub(crate) fn value_at(self, position: f32) -> f32 {
        match self {
            Self::Continuous(control, param) => quantise(control, param.preview_plain(position)),
            Self::Switch(param) => param.preview_plain(position).into(),
            Self::KeySource(param) => param.preview_plain(position).to_index() as f32,
            Self::Note(param) => param.preview_plain(position).to_index() as f32,
            Self::Quality(param) => param.preview_plain(position).to_index() as f32,
            Self::Listen(param) => param.preview_plain(position).to_index() as f32,
        }
    }

    /// Tells the host that a hand is on the parameter.
    pub(crate) fn begin(self, setter: &ParamSetter<'_>) {
        with!(self, param => setter.begin_set_parameter(param));
    }

    /// Sets a value; between [`Self::begin`] and [`Self::end`].
    pub(crate) fn set(self, setter: &ParamSetter<'_>, value: f32) {
        let position = self.position(value);
        with!(self, param => setter.set_parameter_normalized(param, position));
    }

    /// Tells the host that the hand is off the parameter.
    pub(crate) fn end(self, setter: &ParamSetter<'_>) {
        with!(self, param => setter.end_set_parameter(param));
    }

    /// What the host calls it, for the tests and for telling parameters apart.
    #[cfg(test)]
    fn as_ptr(self) -> ParamPtr {
        with!(self, param => param.as_ptr())
    }
}

fn continuous(control: Control) -> FloatParam {
    let spec = control.spec();
    let unit = host_unit(spec.unit);
    FloatParam::new(spec.name, spec.default, travel(control))
        .with_unit(unit)
        .with_value_to_string(Arc::new(move |value| {
            let mut text = to_text(control, value);
            // The framework appends the unit, or hands it to the host as a field of its own.
            if let Some(number) = text.strip_suffix(unit) {
                text.truncate(number.len());
            }
            text
        }))
        .with_string_to_value(Arc::new(move |text| from_text(control, text).ok()))
}

/// The unit as it stands after the number. The high-pass has none because "off" has none; its
/// texts say Hz themselves.
fn host_unit(unit: Unit) -> &'static str {
    match unit {
        Unit::Decibel => " dB",
        Unit::Millisecond => " ms",
        Unit::Percent => " %",
        Unit::Ratio => ":1",
        Unit::Hertz | Unit::Choice(_) => "",
    }
}

/// How values spread over a parameter's travel: evenly in dB and per cent, and so that half way
/// is a usual value in ms, Hz and ratio.
fn travel(control: Control) -> FloatRange {
    let Spec { min, max, .. } = control.spec();
    let (min, middle) = match control {
        Control::KeyHighpass => (KEY_HIGHPASS_OFF_HZ, 90.0),
        Control::DetectorWindow => (min, 10.0),
        Control::Ratio => (min, 3.0),
        Control::Attack => (min, 10.0),
        Control::Release => (min, 150.0),
        _ => return FloatRange::Linear { min, max },
    };
    FloatRange::Skewed { min, max, factor: 0.5_f32.log((middle - min) / (max - min)) }
}

fn switch(control: Control) -> BoolParam {
    let spec = control.spec();
    BoolParam::new(spec.name, spec.default != 0.0)
        .with_value_to_string(Arc::new(move |on| to_text(control, on.into())))
        .with_string_to_value(Arc::new(move |text| Some(from_text(control, text).ok()? != 0.0)))
}

fn choice<T: Enum + PartialEq + 'static>(control: Control) -> EnumParam<T> {
    let spec = control.spec();
    EnumParam::new(spec.name, T::from_index(spec.default as usize))
}

/// A choice by index, with names from the table of controls and ids that outlive the names.
macro_rules! choices {
    ($(#[$doc:meta])* $name:ident, $names:expr, $ids:expr) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub(crate) struct $name(usize);

        impl Enum for $name {
            fn variants() -> &'static [&'static str] {
                $names
            }
            fn ids() -> Option<&'static [&'static str]> {
                Some($ids)
            }
            fn to_index(self) -> usize {
                self.0
            }
            fn from_index(index: usize) -> Self {
                Self(if index < $names.len() { index } else { 0 })
            }
        }
    };
}

choices!(
    /// What keys the detector; an index into [`KEY_SOURCES`].
    KeySource,
    KEY_SOURCES,
    &["own_signal", "external"]
);
choices!(
    /// A time in ms, or its note value; an index into [`NOTES`], whose names never change.
    Note,
    NOTES,
    NOTES
);
choices!(
    /// How finely the saturation works; an index into [`QUALITIES`].
    Quality,
    QUALITIES,
    &["1x", "2x", "4x", "8x"]
);
choices!(
    /// What is heard; an index into [`LISTENS`].
    Listen,
    LISTENS,
    &["output", "delta", "key"]
);

#[cfg(test)]
#[allow(unsafe_code)] // parameter pointers are read while the struct they point into is alive
mod tests {
    use super::*;

    /// What a wrapper does with every parameter, through the same pointers.
    fn ptr(params: &BusParams, control: Control) -> ParamPtr {
        params.get(control).as_ptr()
    }

    fn text(ptr: ParamPtr, position: f32) -> String {
        // SAFETY: callers hold the parameters.
        unsafe { ptr.normalized_value_to_string(position, true) }
    }

    fn position(ptr: ParamPtr, text: &str) -> f32 {
        // SAFETY: callers hold the parameters.
        unsafe { ptr.string_to_normalized_value(text) }.expect(text)
    }

    #[test]
    fn parameters_are_the_table_of_controls() {
        let params = BusParams::default();
        let map = params.param_map();
        assert_eq!(map.len(), Control::ALL.len());
        for (control, (id, ptr, _)) in Control::ALL.into_iter().zip(map) {
            let spec = control.spec();
            assert_eq!(id, spec.id);
            assert_eq!(ptr, params.get(control).as_ptr(), "{id}");
            // SAFETY: `params` is alive.
            let (name, steps, default) =
                unsafe { (ptr.name(), ptr.step_count(), ptr.default_normalized_value()) };
            assert_eq!(name, spec.name);
            let steps_in_table = match spec.unit {
                Unit::Choice(names) => Some(names.len() - 1),
                _ => None,
            };
            assert_eq!(steps, steps_in_table, "{id}");
            let param = params.get(control);
            assert_eq!(param.value_at(0.0), spec.min, "{id}");
            assert_eq!(param.value_at(1.0), spec.max, "{id}");
            assert_eq!(param.value_at(default), spec.default, "{id}");
            assert_eq!(param.value(), spec.default, "{id}");
        }
        assert_eq!(params.settings(), Settings::default());
    }

    #[test]
    fn texts_are_those_of_the_table_with_unit() {
        let params = BusParams::default();
        for control in Control::ALL {
            let ptr = ptr(&params, control);
            let default = control.spec().default;
            let shown = text(ptr, params.get(control).position(default));
            assert_eq!(shown, to_text(control, default));
        }
        assert_eq!(text(ptr(&params, Control::KeyHighpass), 0.0), "off");
    }

    #[test]
    fn text_and_value_round_trip_exactly_at_101_points() {
        let params = BusParams::default();
        for control in Control::ALL {
            let ptr = ptr(&params, control);
            for point in 0..=100 {
                let shown = text(ptr, point as f32 / 100.0);
                let read = position(ptr, &shown);
                assert_eq!(text(ptr, read), shown, "{control:?}");
                let again = position(ptr, &text(ptr, read));
                assert_eq!(again.to_bits(), read.to_bits(), "{control:?} {shown}");
                // What is heard is what is shown.
                let heard = params.get(control).value_at(read);
                assert_eq!(from_text(control, &shown), Ok(heard), "{control:?}");
            }
        }
    }

    #[test]
    fn half_way_is_a_usual_value() {
        let params = BusParams::default();
        for (control, value) in [
            (Control::Threshold, -30.0),
            (Control::KeyHighpass, 90.0),
            (Control::DetectorWindow, 10.0),
            (Control::Ratio, 3.0),
            (Control::Attack, 10.0),
            (Control::Release, 150.0),
        ] {
            assert_eq!(params.get(control).value_at(0.5), value, "{control:?}");
        }
    }

    #[test]
    fn bypass_is_the_hosts_bypass_and_all_but_what_moves_latency_can_be_automated() {
        let params = BusParams::default();
        for control in Control::ALL {
            // SAFETY: `params` is alive.
            let flags = unsafe { ptr(&params, control).flags() };
            let expected = match control {
                Control::Bypass => ParamFlags::BYPASS,
                Control::Lookahead | Control::Quality => ParamFlags::NON_AUTOMATABLE,
                _ => ParamFlags::empty(),
            };
            assert_eq!(flags, expected, "{control:?}");
        }
    }

    #[test]
    fn every_position_gives_settings_the_engine_takes() {
        let params = BusParams::default();
        for control in Control::ALL {
            for point in 0..=1000 {
                let position = point as f32 / 1000.0;
                // SAFETY: `params` is alive.
                unsafe { ptr(&params, control)._internal_set_normalized_value(position) };
                let value = params.get(control).value();
                assert_eq!(params.settings()[control], value, "{control:?}");
                assert_eq!(Settings::default().set(control, value), Ok(()));
            }
        }
    }
}
