//! What was done: gain reduction, then middle, side and loudness before and after.

use egui::{Align2, Color32, Rect, Ui, pos2};
use tenon_dsp::Readings;

use crate::editor::figures::{self, NO_READING, before_after, level, one_digit};
use crate::editor::help::Help;
use crate::editor::layout::{cut_bottom, cut_left, cut_right, cut_top, within};
use crate::editor::shown::Shown;
use crate::editor::theme;
use crate::editor::widgets::{Reduction, Span};
use crate::feed::FeedOut;

/// Least height of this part, in points.
pub(crate) const HEIGHT: f32 = REDUCTION + AXIS + 3.0 * ROW + AXIS + ROW;

const REDUCTION: f32 = 34.0;
const ROW: f32 = 22.0;
const AXIS: f32 = 15.0;
const NAMES: f32 = 108.0;
const NUMBERS: f32 = 172.0;

/// Largest reduction on the scale, in dB.
const REDUCTION_MAX_DB: f32 = 24.0;
/// Lowest and highest level on the scale, in dB.
const LEVELS_DB: (f32, f32) = (-60.0, 0.0);

const NO_AUDIO: &str = "No reading: no audio is running.";

/// A level before and after.
struct Line {
    name: &'static str,
    unit: &'static str,
    color: Color32,
    help: &'static str,
    read: fn(&Readings) -> (f32, f32),
}

const LINES: [Line; 3] = [
    Line {
        name: "Mid",
        unit: "dB  ",
        color: theme::MID,
        help: "Level of the middle, as loud as it sounds: hollow before, solid after.",
        read: |r| (r.mid_before_db, r.mid_after_db),
    },
    Line {
        name: "Side",
        unit: "dB  ",
        color: theme::SIDE,
        help: "Level of the side. When it keeps up with the middle, the width of the bus is kept.",
        read: |r| (r.side_before_db, r.side_after_db),
    },
    Line {
        name: "Loudness",
        unit: "LUFS",
        color: theme::INK,
        help: "Short-term loudness over 3 s. With the match held, both marks should meet over the song.",
        read: |r| (r.loudness_before_lufs, r.loudness_after_lufs),
    },
];

/// Shows it within `rect`.
pub(crate) fn show(ui: &mut Ui, mut rect: Rect, shown: &Shown, feed: &FeedOut, help: &mut Help) {
    let spare = (rect.height() - HEIGHT).max(0.0);
    let reduction_height = REDUCTION + (spare * 0.25).min(22.0);
    let above = ((spare - (reduction_height - REDUCTION)) * 0.2).min(20.0);
    cut_top(&mut rect, above * 0.5);
    let strip = cut_top(&mut rect, reduction_height);
    reduction(ui, strip, shown, feed, help);
    let axis = cut_top(&mut rect, AXIS);
    reduction_axis(ui, middle(axis));
    cut_top(&mut rect, above);
    together(ui, cut_bottom(&mut rect, ROW), shown, help);
    let axis = cut_bottom(&mut rect, AXIS);
    level_axis(ui, middle(axis), middle(rect));
    let height = rect.height() / LINES.len() as f32;
    for line in LINES {
        let strip = cut_top(&mut rect, height);
        span(ui, strip, &line, shown, help);
    }
}

/// The part of a strip that holds the scale.
fn middle(mut strip: Rect) -> Rect {
    cut_left(&mut strip, NAMES);
    cut_right(&mut strip, NUMBERS);
    strip
}

fn name(ui: &Ui, strip: Rect, name: &str, color: Color32) {
    ui.painter().text(strip.left_center(), Align2::LEFT_CENTER, name, theme::TEXT, color);
}

fn reduction(ui: &mut Ui, strip: Rect, shown: &Shown, feed: &FeedOut, help: &mut Help) {
    name(ui, strip, "Gain reduction", theme::INK);
    let bar = middle(strip).shrink2(egui::vec2(0.0, 5.0));
    let marks = shown.marks();
    let response = within(ui, bar, |ui| {
        Reduction {
            now: marks.map(|r| reduction_place(r.gain_reduction_db)),
            peak: marks.map(|r| reduction_place(r.gain_reduction_peak_db)),
        }
        .show(ui)
    });
    help.over(
        &response,
        if marks.is_some() {
            "Gain reduction now, and the largest so far; click to start peak and mean anew. On a drum subgroup about 2 dB is a usual amount, on a master bus about 1 dB."
        } else {
            NO_AUDIO
        },
    );
    if response.clicked() {
        feed.clear_peaks();
    }

    let figure = |read: fn(&Readings) -> f32| match shown.numbers() {
        Some(readings) => one_digit(read(readings)),
        None => format!("{NO_READING:>5}"),
    };
    let painter = ui.painter();
    painter.text(
        strip.right_center() - egui::vec2(86.0, 0.0),
        Align2::RIGHT_CENTER,
        format!("{} dB", figure(|r| r.gain_reduction_db).trim_start()),
        theme::LARGE_VALUE,
        theme::INK,
    );
    for (text, up) in [
        (format!("peak{} dB", figure(|r| r.gain_reduction_peak_db)), -7.5),
        (format!("mean{} dB", figure(|r| r.gain_reduction_mean_db)), 7.5),
    ] {
        painter.text(
            strip.right_center() + egui::vec2(0.0, up),
            Align2::RIGHT_CENTER,
            text,
            theme::SCALE_VALUE,
            theme::INK,
        );
    }
}

/// Opens up the first few dB, where a bus works.
fn reduction_place(db: f32) -> f32 {
    (db / REDUCTION_MAX_DB).clamp(0.0, 1.0).sqrt()
}

fn reduction_axis(ui: &Ui, axis: Rect) {
    for db in [0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 9.0, 12.0, 18.0, 24.0] {
        let x = axis.left() + axis.width() * reduction_place(db);
        ui.painter().vline(x.round() + 0.5, axis.top() - 3.0..=axis.top(), theme::HAIR);
        let unit = if db == REDUCTION_MAX_DB { " dB" } else { "" };
        scale_value(ui, pos2(x, axis.center().y), &format!("{db}{unit}"));
    }
}

fn span(ui: &mut Ui, strip: Rect, line: &Line, shown: &Shown, help: &mut Help) {
    name(ui, strip, line.name, line.color);
    let place = |readings: &Readings| {
        let (before, after) = (line.read)(readings);
        (level(before).map(level_place), level(after).map(level_place))
    };
    let (before, after) = shown.marks().map(place).unwrap_or_default();
    let response =
        within(ui, middle(strip), |ui| Span { before, after, color: line.color }.show(ui));
    let (before, after) = shown
        .numbers()
        .map(line.read)
        .map(|(before, after)| (level(before), level(after)))
        .unwrap_or_default();
    help.over(
        &response,
        match (shown.numbers(), before) {
            (None, _) => NO_AUDIO,
            (Some(_), None) => "No reading: nothing to measure, the input is silent.",
            (Some(_), Some(_)) => line.help,
        },
    );
    ui.painter().text(
        strip.right_center(),
        Align2::RIGHT_CENTER,
        before_after(before, after, line.unit),
        theme::VALUE,
        line.color,
    );
}

/// Togetherness and its two factors, in one line of text.
fn together(ui: &mut Ui, strip: Rect, shown: &Shown, help: &mut Help) {
    name(ui, strip, "Togetherness", theme::INK);
    let response = ui.interact(strip, ui.scope_id().with("togetherness"), egui::Sense::hover());
    match shown.together() {
        None => help.over(&response, NO_AUDIO),
        Some(Err(reason)) => help.over(&response, format!("No reading: {reason}.")),
        Some(Ok(_)) => help.over(
            &response,
            "How far all parts are moved up and down together: the more movement they share, the higher. It shows the trade against separation; high is not better.",
        ),
    }
    let text = match shown.together() {
        Some(Ok(reading)) => format!(
            "{:.0} %   shared {:.2}   movement {:.2} dB   the programme itself {:.0} %",
            reading.percent, reading.shared, reading.movement_db, reading.programme_percent
        ),
        _ => NO_READING.to_owned(),
    };
    ui.painter().text(
        middle(strip).left_center(),
        Align2::LEFT_CENTER,
        text,
        theme::VALUE,
        theme::INK,
    );
}

fn level_place(db: f32) -> f32 {
    let (low, high) = LEVELS_DB;
    (db - low) / (high - low)
}

/// Lines through all levels, and what they stand for.
fn level_axis(ui: &Ui, axis: Rect, field: Rect) {
    let (low, high) = LEVELS_DB;
    let tens = ((high - low) / 10.0) as usize;
    for ten in 0..=tens {
        let db = low + 10.0 * ten as f32;
        let x = (axis.left() + axis.width() * level_place(db)).round() + 0.5;
        ui.painter().vline(x, field.y_range(), theme::HAIR);
        let unit = if db == high { " dB" } else { "" };
        scale_value(ui, pos2(x, axis.center().y), &format!("{}{unit}", figures::whole(db)));
    }
}

fn scale_value(ui: &Ui, at: egui::Pos2, text: &str) {
    ui.painter().text(at, Align2::CENTER_CENTER, text, theme::SCALE_VALUE, theme::FAINT_INK);
}
