//! The user's hand on the parameters: every change is a gesture the host hears begin and end, and a
//! step that can be undone.

use nice_plug::prelude::ParamSetter;
use tenon_dsp::{Control, Settings};

use super::bench::{Arriving, Bench, Grip, Step, Turn};
use crate::host_menu::HostMenu;
use crate::library::LibraryError;
use crate::presets::sets;
use crate::state::{BusState, Slot};

/// How long the host may take to pass settings on, in seconds.
const ARRIVAL_S: f64 = 2.0;

/// Sets parameters on behalf of the user.
pub(crate) struct Hand<'a> {
    state: &'a BusState,
    setter: ParamSetter<'a>,
    /// What is remembered.
    pub(crate) bench: &'a mut Bench,
    now: f64,
    host_menu: Option<&'a HostMenu>,
}

impl<'a> Hand<'a> {
    /// A hand at a time, in seconds, that keeps in `bench` what it does.
    pub(crate) fn new(
        state: &'a BusState,
        setter: ParamSetter<'a>,
        bench: &'a mut Bench,
        now: f64,
    ) -> Self {
        Self { state, setter, bench, now, host_menu: None }
    }

    /// Lets it open the host's menu.
    pub(crate) fn with_host_menu(mut self, menu: &'a HostMenu) -> Self {
        self.host_menu = Some(menu);
        self
    }

    /// Whether the host has a menu of its own.
    pub(crate) fn has_host_menu(&self) -> bool {
        self.host_menu.is_some_and(HostMenu::is_offered)
    }

    /// Opens the host's menu of a control at a place in the window, in the pixels of the window
    /// system.
    pub(crate) fn open_host_menu(&mut self, control: Control, place: (i32, i32)) {
        // What is held is let go of first: the host takes pointer and keyboard away.
        self.let_go();
        if let Some(menu) = self.host_menu {
            menu.ask(control, place);
        }
    }

    /// The value of a control.
    pub(crate) fn value(&self, control: Control) -> f32 {
        self.state.params.get(control).value()
    }

    /// Whether a switch is on.
    pub(crate) fn is_on(&self, control: Control) -> bool {
        self.value(control) != 0.0
    }

    /// Where a value lies on the control's travel, 0 to 1.
    pub(crate) fn position(&self, control: Control, value: f32) -> f32 {
        self.state.params.get(control).position(value)
    }

    /// The value at a place on the control's travel.
    pub(crate) fn value_at(&self, control: Control, position: f32) -> f32 {
        self.state.params.get(control).value_at(position)
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

    /// Every control as it is.
    pub(crate) fn settings(&self) -> Settings {
        let mut settings = Settings::default();
        for control in Control::ALL {
            let accepted = settings.set(control, self.value(control));
            debug_assert_eq!(accepted, Ok(()));
        }
        settings
    }

    /// Takes hold of a control.
    pub(crate) fn take(&mut self, control: Control) {
        self.let_go();
        let before = self.value(control);
        self.state.params.get(control).begin(&self.setter);
        self.bench.grip = Some(Grip { control, before, now: before });
        // The setting is no longer the one that was switched to.
        if sets(control) {
            self.bench.arriving = None;
        }
    }

    /// Moves the control that is held.
    pub(crate) fn turn(&mut self, value: f32) {
        if let Some(grip) = &mut self.bench.grip
            && value != grip.now
        {
            grip.now = value;
            self.state.params.get(grip.control).set(&self.setter, value);
        }
    }

    /// Lets go of whatever is held.
    pub(crate) fn let_go(&mut self) {
        if let Some(turn) = self.release() {
            self.bench.record(self.slot(), Step::Turned(vec![turn]));
        }
    }

    /// Ends the gesture; what it did, if it did anything that can be undone.
    fn release(&mut self) -> Option<Turn> {
        let Grip { control, before, now } = self.bench.grip.take()?;
        self.state.params.get(control).end(&self.setter);
        (before != now && sets(control)).then_some(Turn { control, before, after: now })
    }

    /// Sets a control in one gesture.
    pub(crate) fn set(&mut self, control: Control, value: f32) {
        if let Some(turn) = self.put(control, value) {
            self.bench.record(self.slot(), Step::Turned(vec![turn]));
        }
    }

    /// Sets several controls as one step.
    pub(crate) fn set_all(&mut self, values: &[(Control, f32)]) {
        let turns: Vec<Turn> =
            values.iter().filter_map(|&(control, value)| self.put(control, value)).collect();
        if !turns.is_empty() {
            self.bench.record(self.slot(), Step::Turned(turns));
        }
    }

    /// Moves a control a little; little moves that follow each other are undone as one.
    pub(crate) fn nudge(&mut self, control: Control, step: f32) {
        if let Some(turn) = self.put(control, self.stepped(control, step)) {
            self.bench.record_small(self.slot(), turn, self.now);
        }
    }

    fn put(&mut self, control: Control, value: f32) -> Option<Turn> {
        self.let_go();
        if value == self.value(control) {
            return None;
        }
        self.take(control);
        self.turn(value);
        self.release()
    }

    /// Sets every control that makes the sound, as one step. What is being listened to stays.
    pub(crate) fn apply(&mut self, settings: &Settings) {
        let turns = self.put_all(settings);
        if !turns.is_empty() {
            self.bench.record(self.slot(), Step::Turned(turns));
        }
    }

    fn put_all(&mut self, settings: &Settings) -> Vec<Turn> {
        let controls = Control::ALL.into_iter().filter(|control| sets(*control));
        controls.filter_map(|control| self.put(control, settings[control])).collect()
    }

    /// Whether every control that makes the sound has the value it has in `settings`.
    pub(crate) fn has(&self, settings: &Settings) -> bool {
        let mut controls = Control::ALL.into_iter().filter(|control| sets(*control));
        controls.all(|control| self.value(control) == settings[control])
    }

    /// The setting that is heard.
    pub(crate) fn slot(&self) -> Slot {
        self.state.slots.lock().heard
    }

    /// Switches to the other setting, and to its loudness match as soon as the host has passed the
    /// setting on.
    pub(crate) fn switch(&mut self) {
        let mine = self.settings();
        let (my_match, _) = self.state.loudness_match.get();
        let (settings, loudness_match) = {
            let mut slots = self.state.slots.lock();
            slots.heard = slots.heard.other();
            let settings = std::mem::replace(&mut slots.other, mine);
            (settings, std::mem::replace(&mut slots.other_match, my_match))
        };
        self.put_all(&settings);
        let until = self.now + ARRIVAL_S;
        self.bench.arriving = Some(Arriving { settings, loudness_match, until });
    }

    /// Copies the setting that is heard, and its match, over the other.
    pub(crate) fn copy_across(&mut self) {
        let mine = self.settings();
        let (my_match, _) = self.state.loudness_match.get();
        let mut slots = self.state.slots.lock();
        let theirs = std::mem::replace(&mut slots.other, mine);
        slots.other_match = my_match;
        let slot = slots.heard.other();
        drop(slots);
        let turns: Vec<Turn> = Control::ALL
            .into_iter()
            .filter(|control| sets(*control) && theirs[*control] != mine[*control])
            .map(|control| Turn { control, before: theirs[control], after: mine[control] })
            .collect();
        if !turns.is_empty() {
            self.bench.record(slot, Step::Turned(turns));
        }
    }

    /// Puts the match in place that came with a setting, once the setting is there. True while it
    /// is awaited.
    pub(crate) fn settle(&mut self) -> bool {
        match self.bench.arriving {
            Some(arriving) if self.has(&arriving.settings) => {
                self.state.loudness_match.restore(arriving.loudness_match);
                self.bench.arriving = None;
            }
            Some(arriving) if self.now > arriving.until => self.bench.arriving = None,
            _ => (),
        }
        self.bench.arriving.is_some()
    }

    /// Takes the last step back. Says which, or why not.
    pub(crate) fn undo(&mut self) -> String {
        self.let_go();
        let step = self.bench.undo(self.slot());
        self.answer("Undone", step)
    }

    /// Does the step again that was undone last. Says which, or why not.
    pub(crate) fn redo(&mut self) -> String {
        self.let_go();
        let step = self.bench.redo(self.slot());
        self.answer("Done again", step)
    }

    fn answer(&mut self, done: &str, step: Option<Step>) -> String {
        let Some(step) = step else { return "There is nothing to take back.".to_owned() };
        let text = format!("{done}: {}.", step.name());
        match self.make(step) {
            Ok(()) => text,
            Err(error) => format!("Not possible: {error}."),
        }
    }

    fn make(&mut self, step: Step) -> Result<(), LibraryError> {
        match step {
            Step::Turned(turns) => {
                for turn in turns {
                    self.put(turn.control, turn.after);
                }
                Ok(())
            }
            Step::Files(changes) => self.bench.library.make(changes).map(|_| ()),
        }
    }
}
