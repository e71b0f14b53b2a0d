//! Readings at the pace of a reader: marks follow at once, numbers ten times a second.

use egui::Context;
use tenon_dsp::{BandFollow, Readings};

use super::demo;
use super::trace::Trace;
use crate::feed::FeedOut;
use crate::listener::Listener;

/// Shortest time between two numbers, in seconds.
const NUMBERS_S: f64 = 0.1;
/// Audio that has not run for this long, in seconds, has stopped.
const STOPPED_S: f64 = 1.0;

/// How strongly the processing moves all parts together, and which of them follow.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Together {
    /// The figure, in per cent.
    pub(crate) percent: f32,
    /// How far the parts get the same movement, 0 to 1.
    pub(crate) shared: f32,
    /// How large the movement is, in dB.
    pub(crate) movement_db: f32,
    /// The same figure of the programme itself, in per cent.
    pub(crate) programme_percent: f32,
    /// The bands, from low to high.
    pub(crate) bands: Vec<Band>,
}

/// How far a band follows the common movement, 0 to 1; none where it says nothing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Band {
    /// Middle of the band, in Hz.
    pub(crate) centre_hz: f32,
    /// Its middle channel.
    pub(crate) mid: Option<f32>,
    /// Its side channel.
    pub(crate) side: Option<f32>,
}

/// Togetherness as a listener has it, or why there is no reading.
pub(crate) fn together(listener: &Listener) -> Result<Together, String> {
    let reading = listener.heard().map_err(|reason| reason.to_string())?;
    let band =
        |band: BandFollow| Band { centre_hz: band.centre_hz, mid: band.mid, side: band.side };
    Ok(Together {
        percent: reading.percent,
        shared: reading.shared,
        movement_db: reading.movement_db,
        programme_percent: reading.programme_percent,
        bands: reading.bands.map(band).to_vec(),
    })
}

/// What the sheet shows of the readings.
#[derive(Default)]
pub(crate) struct Shown {
    /// Nothing changes any more.
    still: bool,
    trace: Trace,
    marks: Option<Readings>,
    numbers: Option<Readings>,
    numbers_at: f64,
    /// Largest gain reduction since the last number, so that a number misses no hit.
    largest_db: f32,
    together: Option<Result<Together, String>>,
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
            together: Some(Ok(demo::together())),
            ..Self::default()
        }
    }

    /// Takes in what has come, and asks to be called again when that will change the sheet.
    /// `together` is asked when numbers are due.
    pub(crate) fn update(
        &mut self,
        ctx: &Context,
        feed: &mut FeedOut,
        together: impl FnOnce() -> Result<Together, String>,
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
            (self.marks, self.numbers, self.together) = (None, None, None);
            feed.want();
            return;
        }
        let readings = feed.read();
        self.marks = Some(readings);
        self.largest_db = self.largest_db.max(readings.gain_reduction_hop_db);
        if self.numbers.is_none() || now - self.numbers_at >= NUMBERS_S {
            self.numbers = Some(Readings { gain_reduction_db: self.largest_db, ..readings });
            self.numbers_at = now;
            self.largest_db = 0.0;
            self.together = Some(together());
        }
        let fresh = self.numbers == self.marks;
        let wait = if fresh { STOPPED_S } else { NUMBERS_S };
        ctx.request_repaint_after_secs(wait as f32);
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
        self.together.as_ref()
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
