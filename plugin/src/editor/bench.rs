//! What the editor remembers while its window is closed: what can be undone, which preset was
//! chosen, and the user's library. Knows nothing of the host.

use std::path::PathBuf;

use tenon_dsp::{Control, MatchMemory, Settings};

use crate::library::{Change, Library};
use crate::state::Slot;

/// Steps that can be undone, for each setting.
const STEPS: usize = 200;
/// Turns of the wheel and arrow keys that follow each other within this time, in seconds, are one
/// step.
const RUN_S: f64 = 0.8;

/// A control and the values it went from and to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Turn {
    pub(crate) control: Control,
    pub(crate) before: f32,
    pub(crate) after: f32,
}

/// Something done that can be undone.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Step {
    /// Controls were moved.
    Turned(Vec<Turn>),
    /// Preset files were changed.
    Files(Vec<Change>),
}

impl Step {
    /// The step that takes this one back.
    pub(crate) fn back(&self) -> Self {
        match self {
            Self::Turned(turns) => Self::Turned(
                turns
                    .iter()
                    .rev()
                    .map(|turn| Turn { before: turn.after, after: turn.before, ..*turn })
                    .collect(),
            ),
            Self::Files(changes) => Self::Files(changes.iter().rev().map(Change::back).collect()),
        }
    }

    /// What it was, for people.
    pub(crate) fn name(&self) -> &'static str {
        match self {
            Self::Turned(turns) => match turns.as_slice() {
                [turn] => turn.control.spec().name,
                _ => "several controls",
            },
            Self::Files(_) => "change of a preset file",
        }
    }
}

/// What was done and what was undone.
#[derive(Default)]
struct History {
    done: Vec<Step>,
    undone: Vec<Step>,
    /// The control and time of the last single step of a run.
    run: Option<(Control, f64)>,
}

/// The control that is held, and where it came from and got to.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Grip {
    pub(crate) control: Control,
    pub(crate) before: f32,
    pub(crate) now: f32,
}

/// A match that comes with settings which the host has yet to pass on.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Arriving {
    pub(crate) settings: Settings,
    pub(crate) loudness_match: MatchMemory,
    /// When to give up waiting, in seconds of the editor's time.
    pub(crate) until: f64,
}

/// What the editor remembers.
pub(crate) struct Bench {
    histories: [History; 2],
    /// The control whose gesture is under way.
    pub(crate) grip: Option<Grip>,
    /// The match of the setting that was switched to.
    pub(crate) arriving: Option<Arriving>,
    /// The user's presets.
    pub(crate) library: Library,
    /// Name of the preset that was chosen last.
    pub(crate) chosen: Option<String>,
    /// Files that were dropped during a blind trial, and wait for its end.
    pub(crate) dropped: Vec<PathBuf>,
}

impl Bench {
    /// A bench with a library.
    pub(crate) fn new(library: Library) -> Self {
        Self {
            histories: Default::default(),
            grip: None,
            arriving: None,
            library,
            chosen: None,
            dropped: Vec::new(),
        }
    }

    /// Remembers a step of a setting.
    pub(crate) fn record(&mut self, slot: Slot, step: Step) {
        let history = &mut self.histories[slot as usize];
        history.run = None;
        history.undone.clear();
        history.done.push(step);
        if history.done.len() > STEPS {
            history.done.remove(0);
        }
    }

    /// Remembers a small turn at a time; one that soon follows another of the same control makes
    /// one step with it.
    pub(crate) fn record_small(&mut self, slot: Slot, turn: Turn, now: f64) {
        let history = &mut self.histories[slot as usize];
        let goes_on =
            history.run.is_some_and(|(control, at)| control == turn.control && now - at < RUN_S);
        match history.done.last_mut() {
            Some(Step::Turned(turns)) if goes_on => turns[0].after = turn.after,
            _ => self.record(slot, Step::Turned(vec![turn])),
        }
        self.histories[slot as usize].run = Some((turn.control, now));
    }

    /// The step that undoes the last one, which is then undone.
    pub(crate) fn undo(&mut self, slot: Slot) -> Option<Step> {
        let history = &mut self.histories[slot as usize];
        history.run = None;
        let step = history.done.pop()?;
        let back = step.back();
        history.undone.push(step);
        Some(back)
    }

    /// The last step that was undone, which is then done again.
    pub(crate) fn redo(&mut self, slot: Slot) -> Option<Step> {
        let history = &mut self.histories[slot as usize];
        let step = history.undone.pop()?;
        history.done.push(step.clone());
        Some(step)
    }

    /// What undo and redo would take back and do again.
    pub(crate) fn next(&self, slot: Slot) -> (Option<&Step>, Option<&Step>) {
        let history = &self.histories[slot as usize];
        (history.done.last(), history.undone.last())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn turn(before: f32, after: f32) -> Turn {
        Turn { control: Control::Mix, before, after }
    }

    fn bench() -> Bench {
        Bench::new(Library::default())
    }

    #[test]
    fn undo_takes_back_and_redo_does_again_for_each_setting() {
        let mut bench = bench();
        bench.record(Slot::A, Step::Turned(vec![turn(1.0, 2.0)]));
        bench.record(Slot::A, Step::Turned(vec![turn(2.0, 3.0)]));
        bench.record(Slot::B, Step::Turned(vec![turn(7.0, 8.0)]));
        assert_eq!(bench.undo(Slot::A), Some(Step::Turned(vec![turn(3.0, 2.0)])));
        assert_eq!(bench.undo(Slot::A), Some(Step::Turned(vec![turn(2.0, 1.0)])));
        assert_eq!(bench.undo(Slot::A), None);
        assert_eq!(bench.redo(Slot::A), Some(Step::Turned(vec![turn(1.0, 2.0)])));
        bench.record(Slot::A, Step::Turned(vec![turn(2.0, 9.0)]));
        assert_eq!(bench.redo(Slot::A), None, "a new step ends what was undone");
        assert_eq!(bench.undo(Slot::B), Some(Step::Turned(vec![turn(8.0, 7.0)])));
    }

    #[test]
    fn a_run_of_small_turns_is_one_step() {
        let mut bench = bench();
        bench.record_small(Slot::A, turn(1.0, 2.0), 0.0);
        bench.record_small(Slot::A, turn(2.0, 3.0), 0.5);
        bench.record_small(Slot::A, turn(3.0, 4.0), 1.0);
        bench.record_small(Slot::A, turn(4.0, 5.0), 3.0);
        let knee = Turn { control: Control::Knee, ..turn(4.0, 6.0) };
        bench.record_small(Slot::A, knee, 3.1);
        assert_eq!(
            bench.undo(Slot::A),
            Some(Step::Turned(vec![Turn { before: 6.0, after: 4.0, ..knee }]))
        );
        assert_eq!(bench.undo(Slot::A), Some(Step::Turned(vec![turn(5.0, 4.0)])));
        assert_eq!(bench.undo(Slot::A), Some(Step::Turned(vec![turn(4.0, 1.0)])));
        bench.record_small(Slot::A, turn(1.0, 2.0), 3.2);
        assert_eq!(bench.undo(Slot::A), Some(Step::Turned(vec![turn(2.0, 1.0)])));
    }

    #[test]
    fn old_steps_are_forgotten() {
        let mut bench = bench();
        for step in 0..STEPS + 50 {
            bench.record(Slot::A, Step::Turned(vec![turn(step as f32, step as f32 + 1.0)]));
        }
        assert_eq!(std::iter::from_fn(|| bench.undo(Slot::A)).count(), STEPS);
    }
}
