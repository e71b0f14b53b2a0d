//! The user's hand on the parameters: every change is a gesture the host hears begin and end.

use nice_plug::prelude::ParamSetter;
use tenon_dsp::{Control, Settings};

use crate::params::BusParams;

/// Sets parameters on behalf of the user.
pub(crate) struct Hand<'a> {
    params: &'a BusParams,
    setter: ParamSetter<'a>,
    /// The control whose gesture is under way.
    on: &'a mut Option<Control>,
}

impl<'a> Hand<'a> {
    /// A hand that keeps in `on` what it has hold of.
    pub(crate) fn new(
        params: &'a BusParams,
        setter: ParamSetter<'a>,
        on: &'a mut Option<Control>,
    ) -> Self {
        Self { params, setter, on }
    }

    /// The value of a control.
    pub(crate) fn value(&self, control: Control) -> f32 {
        self.params.get(control).value()
    }

    /// Whether a switch is on.
    pub(crate) fn is_on(&self, control: Control) -> bool {
        self.value(control) != 0.0
    }

    /// Where a value lies on the control's travel, 0 to 1.
    pub(crate) fn position(&self, control: Control, value: f32) -> f32 {
        self.params.get(control).position(value)
    }

    /// The value at a place on the control's travel.
    pub(crate) fn value_at(&self, control: Control, position: f32) -> f32 {
        self.params.get(control).value_at(position)
    }

    /// The next value that differs, at least `step` of the travel away; the same at the end.
    pub(crate) fn stepped(&self, control: Control, step: f32) -> f32 {
        let value = self.value(control);
        let mut position = self.position(control, value);
        loop {
            position += step;
            let next = self.value_at(control, position.clamp(0.0, 1.0));
            if next != value || step == 0.0 || !(0.0..=1.0).contains(&position) {
                return next;
            }
        }
    }

    /// Takes hold of a control.
    pub(crate) fn take(&mut self, control: Control) {
        self.let_go();
        self.params.get(control).begin(&self.setter);
        *self.on = Some(control);
    }

    /// Moves the control that is held.
    pub(crate) fn turn(&mut self, value: f32) {
        if let Some(control) = *self.on
            && value != self.value(control)
        {
            self.params.get(control).set(&self.setter, value);
        }
    }

    /// Lets go of whatever is held.
    pub(crate) fn let_go(&mut self) {
        if let Some(control) = self.on.take() {
            self.params.get(control).end(&self.setter);
        }
    }

    /// Sets a control in one gesture.
    pub(crate) fn set(&mut self, control: Control, value: f32) {
        if value != self.value(control) {
            self.take(control);
            self.turn(value);
            self.let_go();
        }
    }

    /// Sets every control that makes the sound. What is being listened to stays.
    pub(crate) fn apply(&mut self, settings: &Settings) {
        for control in Control::ALL.into_iter().filter(|c| is_sound(*c)) {
            self.set(control, settings[control]);
        }
    }

    /// Whether every control that makes the sound has the value it has in `settings`.
    pub(crate) fn has(&self, settings: &Settings) -> bool {
        Control::ALL
            .into_iter()
            .filter(|control| is_sound(*control))
            .all(|control| self.value(control) == settings[control])
    }
}

fn is_sound(control: Control) -> bool {
    use Control::*;
    // The quality is a matter of the machine; a preset that moved it would ask for a restart.
    !matches!(control, Quality | Compare | Listen | Bypass)
}
