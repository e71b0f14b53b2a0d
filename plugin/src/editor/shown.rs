//! Readings at the pace of a reader: the chart follows at once, marks and numbers ten times a second.

use egui::Context;
use tenon_dsp::Readings;

use super::demo;
use super::figures;
use super::together::{Listened, Together};
use super::trace::Trace;
use crate::feed::FeedOut;

/// Shortest time between two numbers, in seconds.
const NUMBERS_S: f64 = 0.1;
/// Audio that has not run for this long, in seconds, has stopped.
const STOPPED_S: f64 = 1.0;

/// What the sheet shows of the readings.
#[derive(Default)]
pub(crate) struct Shown {
    /// Nothing changes any more.
    still: bool,
    trace: Trace,
    /// What the numbers were made of.
    marks: Option<Readings>,
    numbers: Option<Readings>,
    numbers_at: f64,
    /// Largest gain reduction since the last number, so that a number misses no hit.
    largest_db: f32,
    listened: Option<Listened>,
    blocks: u32,
    running_at: f64,
}

impl Shown {
    /// The state for pictures.
    pub(crate) fn picture() -> Self {
        Self {
            still: true,
            trace: Trace::of(demo::points()),
            marks: Some(demo::readings()),
            numbers: Some(demo::readings()),
            listened: Some(demo::listened()),
            ..Self::default()
        }
    }

    /// Takes in what has come, and asks to be called again when that will change the sheet.
    /// `listened` is asked when numbers are due.
    pub(crate) fn update(
        &mut self,
        ctx: &Context,
        feed: &mut FeedOut,
        listened: impl FnOnce() -> Listened,
    ) {
        if self.still {
            return;
        }
        self.trace.update(feed);
        let now = ctx.input(|input| input.time);
        let blocks = feed.blocks();
        if blocks != self.blocks {
            self.blocks = blocks;
            self.running_at = now;
        }
        let runs = blocks != 0 && now - self.running_at < STOPPED_S;
        if !runs {
            (self.marks, self.numbers, self.listened) = (None, None, None);
            feed.want();
            return;
        }
        let readings = feed.read();
        self.largest_db = self.largest_db.max(readings.gain_reduction_hop_db);
        if self.numbers.is_none() || now - self.numbers_at >= NUMBERS_S {
            self.numbers = Some(Readings { gain_reduction_db: self.largest_db, ..readings });
            self.marks = Some(readings);
            self.numbers_at = now;
            self.largest_db = 0.0;
            self.listened = Some(listened());
        }
        let shown_db = self.numbers.map(|numbers| numbers.gain_reduction_db);
        if self.marks != Some(readings) || shown_db != Some(readings.gain_reduction_hop_db) {
            ctx.request_repaint_after_secs(NUMBERS_S as f32);
        } else if figures::level(readings.loudness_after_lufs).is_some() {
            // To see that it has stopped; silence looks the same when it stops.
            ctx.request_repaint_after_secs(STOPPED_S as f32);
        }
    }

    /// For marks on scales. None while no audio runs.
    pub(crate) fn marks(&self) -> Option<&Readings> {
        self.marks.as_ref()
    }

    /// For numbers. None while no audio runs.
    pub(crate) fn numbers(&self) -> Option<&Readings> {
        self.numbers.as_ref()
    }

    /// Togetherness, or why there is no reading. None while no audio runs.
    pub(crate) fn together(&self) -> Option<&Result<Together, String>> {
        self.listened.as_ref().map(|listened| &listened.together)
    }

    /// Typical maximum of the gain reduction, dB. None without a reading.
    pub(crate) fn typical_db(&self) -> Option<f32> {
        self.listened.as_ref()?.typical_db
    }

    /// What the chart shows.
    pub(crate) fn trace(&self) -> &Trace {
        &self.trace
    }

    /// Holds the chart still, or lets it go on.
    pub(crate) fn hold(&mut self, still: bool) {
        self.trace.hold(still);
    }
}
