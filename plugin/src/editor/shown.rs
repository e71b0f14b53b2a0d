//! Readings at the pace of a reader: marks follow at once, numbers ten times a second.

use egui::Context;
use tenon_dsp::Readings;

use crate::feed::FeedOut;
use crate::listener::{Heard, Listener};

/// Shortest time between two numbers, in seconds.
const NUMBERS_S: f64 = 0.1;
/// Audio that has not run for this long, in seconds, has stopped.
const STOPPED_S: f64 = 1.0;

/// What the sheet shows of the readings.
#[derive(Default)]
pub(crate) struct Shown {
    marks: Option<Readings>,
    numbers: Option<Readings>,
    together: Option<Heard>,
    numbers_at: f64,
    /// Largest gain reduction since the last number, so that a number misses no hit.
    largest_db: f32,
    blocks: u32,
    running_at: f64,
}

impl Shown {
    /// Takes in what has come, and asks to be called again when that will change the sheet.
    pub(crate) fn update(&mut self, ctx: &Context, feed: &mut FeedOut, listener: &Listener) {
        let now = ctx.input(|input| input.time);
        let blocks = feed.blocks();
        if blocks != self.blocks {
            self.blocks = blocks;
            self.running_at = now;
        }
        let runs = blocks != 0 && now - self.running_at < STOPPED_S;
        if !runs {
            self.marks = None;
            self.numbers = None;
            self.together = None;
            feed.want();
            return;
        }
        let readings = feed.read();
        self.marks = Some(readings);
        self.largest_db = self.largest_db.max(readings.gain_reduction_db);
        if self.numbers.is_none() || now - self.numbers_at >= NUMBERS_S {
            self.numbers = Some(Readings { gain_reduction_db: self.largest_db, ..readings });
            self.together = Some(listener.heard());
            self.numbers_at = now;
            self.largest_db = 0.0;
        }
        let fresh = self.numbers == self.marks;
        let wait = if fresh { STOPPED_S } else { NUMBERS_S };
        ctx.request_repaint_after_secs(wait as f32);
    }

    /// For marks on scales. None while no audio runs.
    pub(crate) fn marks(&self) -> Option<&Readings> {
        self.marks.as_ref()
    }

    /// Togetherness, or why there is none. None while no audio runs.
    pub(crate) fn together(&self) -> Option<&Heard> {
        self.together.as_ref()
    }

    /// For numbers. None while no audio runs.
    pub(crate) fn numbers(&self) -> Option<&Readings> {
        self.numbers.as_ref()
    }
}
