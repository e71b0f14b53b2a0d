//! What was done: how far the parts move together, and side, loudness and peaks before and after.

use egui::{Align2, Color32, Id, Rect, Ui, pos2, vec2};
use tenon_dsp::Readings;

use crate::editor::figures::{self, NO_READING, before_after, fixed, level, pad};
use crate::editor::help::Help;
use crate::editor::layout::{cut_left, cut_top, within};
use crate::editor::shown::Shown;
use crate::editor::theme::{self, Inks};
use crate::editor::together::Together;
use crate::editor::widgets::{Bands, Share, Span};

/// Least height of this part, in points.
pub(crate) const HEIGHT: f32 =
    HEADING + FIGURE.0 + BAR + GRID.0 + LINES.len() as f32 * (SPAN.0 + GAP.0) + GAP.0;

const HEADING: f32 = 16.0;
/// The large figure and its factors, at least and at most.
const FIGURE: (f32, f32) = (28.0, 52.0);
/// The bar under it, and what the mark on it means.
const BAR: f32 = 26.0;
/// The grid of bands with its heading and scale.
const GRID: (f32, f32) = (48.0, 92.0);
/// A reading before and after, with its scale.
const SPAN: (f32, f32) = (16.0, 46.0);
/// Height of a span at which its scale has room.
const SCALED_SPAN: f32 = 29.0;
/// Space between the parts.
const GAP: (f32, f32) = (0.0, 22.0);
/// Height of a span at which its ends are named.
const NAMED_SPAN: f32 = 39.0;
/// Height of the grid at which its scale has room.
const SCALED_GRID: f32 = 58.0;
/// Most that grid and spaces get beyond their most on very large sheets.
const MORE: (f32, f32) = (90.0, 44.0);
/// Left of the grid.
const CHANNELS: f32 = 34.0;

const NO_AUDIO: &str = "No reading: no audio is running.";

/// Shows it within `rect`.
pub(crate) fn show(ui: &mut Ui, mut rect: Rect, shown: &Shown, help: &mut Help) {
    // What is to spare goes to all parts alike, to the space between them and to that below.
    let room = |(least, most): (f32, f32)| most - least;
    let lines = LINES.len() as f32;
    let growth = room(FIGURE) + room(GRID) + lines * room(SPAN) + (lines + 1.5) * room(GAP);
    let share = ((rect.height() - HEIGHT).max(0.0) / growth).min(1.0);
    let of = |(least, most): (f32, f32)| least + (most - least) * share;
    let more = (rect.height() - HEIGHT - growth).max(0.0);
    let more_gap = (more * 0.6 / (lines + 1.0)).min(MORE.1);
    let more_grid = (more * 0.4).min(MORE.0);
    let gap = of(GAP) + more_gap;

    let heading = cut_top(&mut rect, HEADING);
    let figure = cut_top(&mut rect, of(FIGURE));
    let bar = cut_top(&mut rect, BAR);
    cut_top(&mut rect, gap);
    let grid = cut_top(&mut rect, of(GRID) + more_grid);
    together(ui, [heading, figure, bar, grid], shown, help);
    for line in LINES {
        cut_top(&mut rect, gap);
        let strip = cut_top(&mut rect, of(SPAN));
        span(ui, strip, &line, shown, help);
    }
}

const TOGETHER: &str = "How strongly the processing moves all parts of the mix up and down together. Shared: do they get the same movement? Movement: how much of it? More is not better; it trades separation for cohesion.";
const PROGRAMME: &str = "The mark is how far the parts rise and fall together by themselves, whatever the processing does.";

fn together(ui: &mut Ui, [heading, figure, bar, grid]: [Rect; 4], shown: &Shown, help: &mut Help) {
    let inks = theme::of(ui);
    let (reading, reason) = match shown.together() {
        None => (None, NO_AUDIO.to_owned()),
        Some(Err(reason)) => (None, format!("No reading: {reason}.")),
        Some(Ok(together)) => (Some(together), String::new()),
    };
    let explain = |text: &str| if reading.is_some() { text.to_owned() } else { reason.clone() };

    ui.painter().text(
        heading.left_top(),
        Align2::LEFT_TOP,
        "Togetherness",
        theme::HEADING,
        inks.together,
    );
    let hover = ui.allocate_rect(heading.union(figure), egui::Sense::hover());
    help.over(&hover, explain(TOGETHER));
    large_figure(ui, inks, figure, reading);

    let line = Rect::from_min_size(bar.min, vec2(bar.width(), 11.0));
    let response = within(ui, line, |ui| {
        Share {
            filled: reading.map(|t| t.percent / 100.0),
            mark: reading.map(|t| t.programme_percent / 100.0),
            color: inks.together,
        }
        .show(ui)
    });
    help.over(&response, explain(PROGRAMME));
    let percent = reading.map_or_else(|| NO_READING.to_owned(), |t| fixed(t.programme_percent, 0));
    let text = format!("programme itself {} %", pad(&percent, 3));
    let text = ui.painter().layout_no_wrap(text, theme::SMALL, inks.faint);
    let mark = reading.map_or(0.0, |t| t.programme_percent / 100.0);
    let left = bar.left() + bar.width() * mark - text.size().x / 2.0;
    let left = left.clamp(bar.left(), bar.right() - text.size().x);
    ui.painter().galley(pos2(left, line.bottom()), text, inks.faint);

    bands(ui, inks, grid, reading, &explain, help);
}

fn large_figure(ui: &Ui, inks: &Inks, rect: Rect, reading: Option<&Together>) {
    let painter = ui.painter();
    let percent = reading.map_or_else(|| NO_READING.to_owned(), |t| fixed(t.percent, 0));
    // The factors stand beside it.
    let font = theme::large((rect.height() * 0.86).min(rect.width() * 0.135).round());
    let widest = painter.layout_no_wrap("100 %".to_owned(), font.clone(), inks.ink);
    let at = pos2(rect.left(), rect.center().y);
    painter.text(at, Align2::LEFT_CENTER, format!("{percent} %"), font, inks.ink);
    let factor = |value: Option<String>| value.unwrap_or_else(|| pad(NO_READING, 4));
    let left = rect.left() + widest.size().x + 16.0;
    for (up, name, value, unit) in [
        (-8.0, "shared", factor(reading.map(|t| fixed(t.shared, 2))), ""),
        (8.0, "movement", factor(reading.map(|t| fixed(t.movement_db, 2))), " dB"),
    ] {
        let y = rect.center().y + up;
        painter.text(pos2(left, y), Align2::LEFT_CENTER, name, theme::SMALL, inks.faint);
        let at = pos2(left + 68.0, y);
        painter.text(at, Align2::LEFT_CENTER, format!("{value}{unit}"), theme::VALUE, inks.ink);
    }
}

/// The grid: which parts follow the common movement.
fn bands(
    ui: &mut Ui,
    inks: &Inks,
    mut rect: Rect,
    reading: Option<&Together>,
    explain: &impl Fn(&str) -> String,
    help: &mut Help,
) {
    let scaled = rect.height() >= SCALED_GRID;
    let heading = cut_top(&mut rect, 16.0);
    ui.painter().text(
        heading.left_top(),
        Align2::LEFT_TOP,
        "Which parts follow",
        theme::HEADING,
        inks.ink,
    );
    let row = (rect.height() - if scaled { 16.0 } else { 0.0 }) / 2.0;
    let mut cells = rect;
    cut_left(&mut cells, CHANNELS);
    let bands = reading.map_or(&[][..], |together| &together.bands);
    let none = [None; 12];
    for (name, color, follow) in [
        ("mid", inks.mid, bands.iter().map(|band| band.mid).collect::<Vec<_>>()),
        ("side", inks.side, bands.iter().map(|band| band.side).collect()),
    ] {
        let strip = cut_top(&mut cells, row);
        let at = pos2(rect.left(), strip.center().y);
        ui.painter().text(at, Align2::LEFT_CENTER, name, theme::SMALL, color);
        let follow = if follow.is_empty() { &none[..] } else { &follow };
        let cell = strip.shrink2(vec2(0.0, 2.0));
        let (response, under) =
            within(ui, cell, |ui| Bands { follow, color: inks.together }.show(ui));
        help.over(
            &response,
            match under.and_then(|index| Some((bands.get(index)?.centre_hz, follow[index]))) {
                None => explain(FOLLOW),
                Some((hz, Some(follow))) => format!(
                    "The {name} around {} Hz follows the common movement to {} %. {FOLLOW}",
                    figures::short_hz(hz),
                    fixed(follow * 100.0, 0)
                ),
                Some((hz, None)) => format!(
                    "No reading for the {name} around {} Hz: too little sound there.",
                    figures::short_hz(hz)
                ),
            },
        );
    }
    if !scaled {
        return;
    }
    let at = pos2(rect.left(), cells.top());
    ui.painter().text(at, Align2::LEFT_TOP, "Hz", theme::SCALE_VALUE, inks.faint);
    let mut free_from = cells.left();
    for (x, band) in Bands::middles(cells, bands.len()).zip(bands) {
        let text = figures::short_hz(band.centre_hz);
        let text = ui.painter().layout_no_wrap(text, theme::SCALE_VALUE, inks.faint);
        let left = x - text.size().x / 2.0;
        if left >= free_from && left + text.size().x <= rect.right() {
            free_from = left + text.size().x + 12.0;
            ui.painter().galley(pos2(left, cells.top()), text, inks.faint);
        }
    }
}

const FOLLOW: &str = "A cell is as full as its band follows what all parts do together; an empty one stands still or moves on its own.";

/// A reading before and after.
struct Line {
    name: &'static str,
    unit: &'static str,
    /// Digits after the point.
    digits: usize,
    /// Lowest and highest value on the scale.
    scale: (f32, f32),
    /// Distance of the marks on the scale.
    step: f32,
    /// What the ends mean.
    ends: (&'static str, &'static str),
    color: fn(&Inks) -> Color32,
    help: &'static str,
    read: fn(&Readings) -> (Option<f32>, Option<f32>),
}

const LINES: [Line; 4] = [
    Line {
        name: "Side against mid",
        unit: " dB",
        digits: 1,
        scale: (-30.0, 6.0),
        step: 6.0,
        ends: ("narrower", "wider"),
        color: |inks| inks.side,
        help: "Level of the side against the middle, hollow before, solid after. When the marks stay together, the width of the bus is kept.",
        read: |r| {
            let against = |side: f32, mid: f32| Some(level(side)? - level(mid)?);
            (against(r.side_before_db, r.mid_before_db), against(r.side_after_db, r.mid_after_db))
        },
    },
    Line {
        name: "Loudness, 3 s",
        unit: " LUFS",
        digits: 1,
        scale: (-36.0, 0.0),
        step: 6.0,
        ends: ("quieter", "louder"),
        color: |inks| inks.ink,
        help: "Short-term loudness over 3 s, hollow before, solid after. With the match held, both marks should meet over the song.",
        read: |r| (level(r.loudness_before_lufs), level(r.loudness_after_lufs)),
    },
    Line {
        name: "Peak to loudness",
        unit: " dB",
        digits: 1,
        scale: (0.0, 24.0),
        step: 4.0,
        ends: ("flatter", "livelier"),
        color: |inks| inks.ink,
        help: "How far the peaks of the last 3 s stand above their loudness, hollow before, solid after. Compression lowers it; when it falls by more than 2 or 3 dB, hits lose their edge.",
        read: |r| {
            let there = |peak: f32, loudness: f32| level(loudness).map(|_| peak);
            (
                there(r.peak_to_loudness_before_db, r.loudness_before_lufs),
                there(r.peak_to_loudness_after_db, r.loudness_after_lufs),
            )
        },
    },
    Line {
        name: "Correlation",
        unit: "",
        digits: 2,
        scale: (-1.0, 1.0),
        step: 0.5,
        ends: ("opposed", "alike"),
        color: |inks| inks.ink,
        help: "How far left and right are the same signal, hollow before, solid after: 1 is mono, 0 unrelated, below 0 they cancel in mono. It has no unit.",
        read: |r| (r.correlation_before, r.correlation_after),
    },
];

fn span(ui: &mut Ui, strip: Rect, line: &Line, shown: &Shown, help: &mut Help) {
    let inks = theme::of(ui);
    let mut rest = strip;
    let words = cut_top(&mut rest, 16.0);
    let named = strip.height() >= NAMED_SPAN;
    let scale = cut_top(&mut rest, 14.0);
    let (low, high) = line.scale;
    let place = |value: Option<f32>| value.map(|value| (value - low) / (high - low));
    let (before, after) = shown.marks().map(line.read).unwrap_or_default();
    let steps = ((high - low) / line.step).round() as usize;
    if strip.height() >= SCALED_SPAN {
        within(ui, scale, |ui| {
            Span { before: place(before), after: place(after), steps, color: (line.color)(inks) }
                .show(ui)
        });
    }
    let (before, after) = shown.numbers().map(line.read).unwrap_or_default();
    let whole = ui.interact(strip, Id::unique(line.name), egui::Sense::hover());
    help.over(
        &whole,
        match (shown.numbers(), before) {
            (None, _) => NO_AUDIO,
            (Some(_), None) => "No reading: nothing to measure, the input is silent.",
            (Some(_), Some(_)) => line.help,
        },
    );
    let painter = ui.painter();
    painter.text(words.left_center(), Align2::LEFT_CENTER, line.name, theme::TEXT, inks.ink);
    let numbers = before_after(before, after, line.digits, line.unit);
    painter.text(words.right_center(), Align2::RIGHT_CENTER, numbers, theme::VALUE, inks.ink);
    if named {
        let (left, right) = line.ends;
        painter.text(rest.left_top(), Align2::LEFT_TOP, left, theme::SCALE_VALUE, inks.faint);
        painter.text(rest.right_top(), Align2::RIGHT_TOP, right, theme::SCALE_VALUE, inks.faint);
    }
}
