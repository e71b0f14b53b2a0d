//! The search for a threshold: one at a time, while the sheet goes on.

use tenon_dsp::{Found, Settings};

use super::figures::{fixed, minus};
use crate::listener::{Finding, Listener};

/// Starts searches and takes in what they find.
pub(crate) struct Finder {
    listener: Listener,
    /// The typical maximum reduction to find a threshold for next, dB.
    pub(crate) target_db: f32,
    search: Option<(f32, Finding)>,
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
            self.search = Some((target_db, finding));
        }
        Ok(())
    }

    /// Whether a search is under way.
    pub(crate) fn is_searching(&self) -> bool {
        self.search.is_some()
    }

    /// What a search has found since this was last asked, and what to tell the user of it.
    pub(crate) fn settle(&mut self) -> Option<(Option<Found>, String)> {
        let (target_db, finding) = self.search.as_mut()?;
        let (target_db, done) = (*target_db, finding.done()?);
        self.search = None;
        Some(match done {
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
