//! The search for a threshold: one at a time, while the sheet goes on.

use tenon_dsp::{Control, Found, LEVEL_CONTROLS, REDUCTION_CONTROLS, Settings};

use super::figures::{fixed, minus};
use crate::listener::{Finding, Listener};

/// A search under way.
struct Search {
    target_db: f32,
    /// What it was started for: what it finds is for these settings, whatever their threshold.
    settings: Settings,
    finding: Finding,
}

/// Starts searches and takes in what they find.
pub(crate) struct Finder {
    listener: Listener,
    /// The typical maximum reduction to find a threshold for next, dB.
    pub(crate) target_db: f32,
    search: Option<Search>,
}

/// Usual on a drum subgroup.
const FIRST_TARGET_DB: f32 = 2.0;

impl Finder {
    /// A finder in what a listener has heard.
    pub(crate) fn new(listener: Listener) -> Self {
        Self { listener, target_db: FIRST_TARGET_DB, search: None }
    }

    /// Starts a search in what was played last, at the tempo of the song in quarter notes a minute. A
    /// search under way goes on instead.
    ///
    /// # Errors
    /// What to tell the user when it cannot be started.
    pub(crate) fn start(
        &mut self,
        settings: &Settings,
        tempo_bpm: Option<f64>,
        target_db: f32,
    ) -> Result<(), String> {
        if self.search.is_none() {
            self.target_db = target_db;
            let finding = self
                .listener
                .find(settings, tempo_bpm, target_db)
                .map_err(|why| not_found(&why.to_string()))?;
            self.search = Some(Search { target_db, settings: *settings, finding });
        }
        Ok(())
    }

    /// Whether a search is under way.
    pub(crate) fn is_searching(&self) -> bool {
        self.search.is_some()
    }

    /// What a search has found since this was last asked, and what to tell the user of it. Nothing is
    /// found for other settings than `now`, which may have another threshold.
    pub(crate) fn settle(&mut self, now: &Settings) -> Option<(Option<Found>, String)> {
        let search = self.search.as_mut()?;
        let (target_db, done) = (search.target_db, search.finding.done()?);
        let moved = |control: &Control| {
            *control != Control::Threshold && search.settings[*control] != now[*control]
        };
        let moved = LEVEL_CONTROLS.iter().chain(&REDUCTION_CONTROLS).any(moved);
        self.search = None;
        Some(match done {
            Ok(_) if moved => {
                (None, "Not set: controls moved during the search; find again.".to_owned())
            }
            Ok(found) => {
                let answer = format!(
                    "Threshold {} dB for {} dB of typical maximum reduction in what was played last. Undo brings the old one back.",
                    fixed(found.threshold_db, 2),
                    fixed(target_db, 1)
                );
                (Some(found), answer)
            }
            Err(why) => (None, not_found(&why.to_string())),
        })
    }
}

fn not_found(why: &str) -> String {
    minus(&format!("No threshold found: {why}."))
}
