//! The strip chart: the middle, the side and the gain reduction over the bars and beats of the song.

use egui::{Align2, Color32, Id, Painter, Rect, Sense, Shape, Stroke, Ui, pos2, vec2};
use tenon_dsp::{Readings, Recovery};

use crate::editor::figures::{self, FIGURE_SPACE, NO_READING, one_digit, one_digit_or_dash};
use crate::editor::help::Help;
use crate::editor::layout::{cut_bottom, cut_left, cut_top};
use crate::editor::shown::Shown;
use crate::editor::theme::{self, Inks};
use crate::editor::trace::{Mark, STEP_S, marks};
use crate::editor::widgets::{Curve, Strip};
use crate::feed::{FeedOut, Point};

/// Width of a second, in points: a beat at 120 bpm is wide enough to see its release.
const SECOND: f32 = 68.0;
/// Left of the strips: names and scales.
const NAMES: f32 = 66.0;
/// Above the strips: bars.
const BARS: f32 = 16.0;
/// Below the strips: what the pen lines mean, and peak and mean.
const NOTES: f32 = 19.0;
/// Width of what stands below from which there is room for the typical maximum too.
const TYPICAL_FROM: f32 = 760.0;
/// Between two strips.
const GAP: f32 = 6.0;

/// Height of a level strip, in dB.
const LEVELS_DB: f32 = 36.0;
/// Lowest and highest top of a level strip, in dB.
const LEVEL_TOPS_DB: (f32, f32) = (-36.0, 12.0);
/// Between two lines of a level scale, in dB.
const LEVEL_STEP_DB: f32 = 12.0;
/// Heights of the gain reduction strip, in dB, each with the distance of its lines.
const REDUCTIONS_DB: [(f32, f32); 4] = [(3.0, 1.0), (6.0, 2.0), (12.0, 4.0), (24.0, 8.0)];

/// Shows it within `rect`. True while the pointer holds the chart still.
pub(crate) fn show(
    ui: &mut Ui,
    mut rect: Rect,
    shown: &Shown,
    feed: &FeedOut,
    help: &mut Help,
) -> bool {
    let inks = theme::of(ui);
    let notes = cut_bottom(&mut rect, NOTES);
    cut_left(&mut rect, NAMES);
    let bars = cut_top(&mut rect, BARS);
    let count = (f64::from(rect.width() / SECOND) / STEP_S) as usize + 2;
    let points = shown.trace().last(count);
    let view = View { points, rect };

    let strips = strips(rect, points);
    let response = ui.interact(rect, Id::unique("chart"), Sense::hover());
    help.over(&response, if points.is_empty() { NO_TRACE } else { TRACE });
    let pointer = response.hover_pos().filter(|_| !points.is_empty());
    let read = pointer.and_then(|pointer| view.index(pointer.x));

    let painter = ui.painter();
    for strip in &strips {
        strip.paint_scale(painter, inks);
    }
    let [mid, side, reduction] = &strips;
    name(painter, inks, mid, (&["Mid"], "LUFS"), inks.mid);
    name(painter, inks, side, (&["Side"], "LUFS"), inks.side);
    name(painter, inks, reduction, (&["Gain", "red."], "dB"), inks.ink);
    paint_marks(painter, inks, &view, bars, &strips);
    paint_levels(painter, mid, &view, |point| point.mid_db, inks.mid);
    paint_levels(painter, side, &view, |point| point.side_db, inks.side);
    let curve = Curve {
        pieces: &view.pieces(|point| -point.reduction_db),
        width: 1.5,
        color: inks.ink,
        wash: Some(inks.wash.gamma_multiply(0.75)),
    };
    reduction.paint_curve(painter, &curve);
    match (read, pointer) {
        (Some(index), Some(_)) => paint_reading(painter, inks, &view, index, &strips),
        _ => paint_now(painter, inks, shown, reduction),
    }
    show_notes(ui, notes, shown, feed, help);
    pointer.is_some()
}

const TRACE: &str = "Levels of the middle and the side, thin before and bold after, at the same loudness; and the gain reduction below. The chart stands still while the pointer is on it.";
const NO_TRACE: &str = "Nothing to show: no audio has run since the window was opened.";

/// The points that are shown, and where.
struct View<'a> {
    points: &'a [Point],
    rect: Rect,
}

impl View<'_> {
    const STEP: f32 = SECOND * STEP_S as f32;

    /// Where a place among the points lies; the newest is at the right.
    fn x(&self, place: f64) -> f32 {
        let back = self.points.len() as f64 - 1.0 - place;
        self.rect.right() - (back * f64::from(Self::STEP)) as f32
    }

    /// The point at an x.
    fn index(&self, x: f32) -> Option<usize> {
        let back = ((self.rect.right() - x) / Self::STEP).round() as usize;
        (self.points.len() - 1).checked_sub(back)
    }

    /// The pieces of a curve, cut where points are missing.
    fn pieces(&self, value: impl Fn(&Point) -> f32) -> Vec<Vec<(f32, f32)>> {
        let place = |(index, point)| (self.x(index as f64), value(point));
        let mut from = 0;
        self.points
            .chunk_by(|a, b| b.number == a.number + 1)
            .map(|piece| {
                let places = (from..).zip(piece).map(place).collect();
                from += piece.len();
                places
            })
            .collect()
    }
}

/// The three strips, each with a scale that holds what it shows.
fn strips(mut rect: Rect, points: &[Point]) -> [Strip; 3] {
    let height = rect.height() - 2.0 * GAP;
    let mut strip = |share: f32, top: f32, bottom: f32, step: f32| {
        let strip = cut_top(&mut rect, (height * share).round());
        cut_top(&mut rect, GAP);
        Strip { rect: strip, top, bottom, step }
    };
    let level_top = |levels: fn(&Point) -> [f32; 2]| {
        let highest = points.iter().flat_map(levels).fold(f32::NEG_INFINITY, f32::max);
        let (low, high) = LEVEL_TOPS_DB;
        if points.is_empty() { 0.0 } else { (highest / LEVEL_STEP_DB).ceil() * LEVEL_STEP_DB }
            .clamp(low, high)
    };
    let largest = points.iter().map(|point| point.reduction_db).fold(0.0, f32::max);
    let (reduction, step) = REDUCTIONS_DB
        .into_iter()
        .find(|(most, _)| largest <= *most)
        .unwrap_or(REDUCTIONS_DB[REDUCTIONS_DB.len() - 1]);
    let (mid, side) = (level_top(|point| point.mid_db), level_top(|point| point.side_db));
    [
        strip(0.33, mid, mid - LEVELS_DB, LEVEL_STEP_DB),
        strip(0.27, side, side - LEVELS_DB, LEVEL_STEP_DB),
        strip(0.4, 0.0, -reduction, step),
    ]
}

/// What a strip shows, and under that the unit of its scale.
fn name(
    painter: &Painter,
    inks: &Inks,
    strip: &Strip,
    (words, unit): (&[&str], &str),
    color: Color32,
) {
    let mut at = strip.rect.left_top() - vec2(NAMES, 4.0);
    for word in words {
        painter.text(at, Align2::LEFT_TOP, word, theme::HEADING, color);
        at.y += 15.0;
    }
    painter.text(at, Align2::LEFT_TOP, unit, theme::SCALE_VALUE, inks.faint);
}

/// Bars, beats and what else lies across; bars and seconds with their names above.
fn paint_marks(painter: &Painter, inks: &Inks, view: &View<'_>, bars: Rect, strips: &[Strip; 3]) {
    let mut free_from = bars.left();
    for (place, mark) in marks(view.points) {
        let x = view.x(place).round() + 0.5;
        if x < view.rect.left() {
            continue;
        }
        let (stroke, text) = match mark {
            Mark::Bar(bar) => (Stroke::new(1.0, inks.faint), Some(format!("bar {bar}"))),
            Mark::Second(second) => (Stroke::new(1.0, inks.wash), Some(format!("{second} s"))),
            Mark::Beat => (Stroke::new(1.0, inks.wash), None),
            Mark::Jump | Mark::Gap => (Stroke::new(1.5, inks.faint), None),
        };
        for strip in strips {
            let line = [pos2(x, strip.rect.top()), pos2(x, strip.rect.bottom())];
            match mark {
                Mark::Jump | Mark::Gap => {
                    painter.extend(Shape::dashed_line(&line, stroke, 6.0, 3.0));
                }
                _ => {
                    painter.line_segment(line, stroke);
                }
            }
        }
        if let Some(text) = text {
            let text = painter.layout_no_wrap(text, theme::SCALE_VALUE, inks.faint);
            let left = x - 0.5;
            if left >= free_from && left + text.size().x <= bars.right() {
                free_from = left + text.size().x + 8.0;
                painter.galley(pos2(left, bars.top()), text, inks.faint);
            }
        }
    }
}

fn paint_levels(
    painter: &Painter,
    strip: &Strip,
    view: &View<'_>,
    levels: fn(&Point) -> [f32; 2],
    color: Color32,
) {
    for (index, width) in [(0, 0.9), (1, 1.7)] {
        let pieces = &view.pieces(|point| levels(point)[index]);
        strip.paint_curve(painter, &Curve { pieces, width, color, wash: None });
    }
}

/// The values under the pointer, on a line through all strips.
fn paint_reading(
    painter: &Painter,
    inks: &Inks,
    view: &View<'_>,
    index: usize,
    strips: &[Strip; 3],
) {
    let point = &view.points[index];
    let x = view.x(index as f64).round() + 0.5;
    let levels = |[before, after]: [f32; 2]| {
        figures::before_after(figures::level(before), figures::level(after), 1, " LUFS")
    };
    let [mid, side, reduction] = strips;
    for (strip, text) in [
        (mid, levels(point.mid_db)),
        (side, levels(point.side_db)),
        (reduction, format!("{} dB", one_digit(-point.reduction_db))),
    ] {
        painter.vline(x, strip.rect.y_range(), Stroke::new(1.0, inks.ink));
        note(painter, inks, strip.rect.right_top() + vec2(-6.0, 5.0), Align2::RIGHT_TOP, &text);
    }
    if let Some(place) = point.place {
        let text =
            format!("bar {}, beat {}", place.bar + 1, figures::fixed(place.beat as f32 + 1.0, 2));
        note(
            painter,
            inks,
            reduction.rect.right_bottom() + vec2(-6.0, -5.0),
            Align2::RIGHT_BOTTOM,
            &text,
        );
    }
}

/// The gain reduction now.
fn paint_now(painter: &Painter, inks: &Inks, shown: &Shown, reduction: &Strip) {
    let now = one_digit_or_dash(shown.numbers().map(|r| -r.gain_reduction_db));
    let at = reduction.rect.right_bottom() + vec2(-6.0, -5.0);
    note(painter, inks, at, Align2::RIGHT_BOTTOM, &format!("now {now} dB"));
}

/// A text on a plate, so that no curve runs through it.
fn note(painter: &Painter, inks: &Inks, at: egui::Pos2, align: Align2, text: &str) {
    let text = painter.layout_no_wrap(text.to_owned(), theme::VALUE, inks.ink);
    let rect = align.anchor_size(at, text.size());
    painter.rect_filled(rect.expand2(vec2(4.0, 1.0)), 2.0, inks.card.gamma_multiply(0.9));
    painter.galley(rect.min, text, inks.ink);
}

/// What the lines mean, the groove, and peak and mean of the gain reduction; a click starts these
/// anew.
fn show_notes(ui: &mut Ui, mut rect: Rect, shown: &Shown, feed: &FeedOut, help: &mut Help) {
    let inks = theme::of(ui);
    cut_left(&mut rect, NAMES);
    let figure = |read: fn(&Readings) -> f32| {
        one_digit_or_dash(shown.numbers().map(|readings| -read(readings)))
    };
    let typical = match rect.width() {
        width if width < TYPICAL_FROM => String::new(),
        _ => format!("typical {} dB   ", one_digit_or_dash(shown.typical_db().map(|db| -db))),
    };
    let text = format!(
        "{typical}mean {} dB   peak {} dB",
        figure(|r| r.gain_reduction_mean_db),
        figure(|r| r.gain_reduction_peak_db)
    );
    let text = ui.painter().layout_no_wrap(text, theme::SMALL, inks.ink);
    let place = Rect::from_min_max(pos2(rect.right() - text.size().x, rect.top() + 3.0), rect.max);
    let response = ui.interact(place.expand2(vec2(4.0, 0.0)), Id::unique("peaks"), Sense::click());
    help.over(
        &response,
        if shown.numbers().is_some() {
            "Mean and largest gain reduction since a click here started them anew. Typical is the largest within a second, averaged over the middle half of the last 10 s. On a drum subgroup about 2 dB is usual, on a master bus about 1 dB."
        } else {
            "No reading: no audio is running."
        },
    );
    if response.clicked() {
        feed.clear_peaks();
    }
    if response.has_focus() || response.hovered() {
        ui.painter().hline(place.x_range(), place.bottom() - 1.0, inks.hair());
    }
    ui.painter().galley(place.min, text, inks.ink);
    show_groove(
        ui,
        Rect::from_min_max(rect.min, pos2(place.left() - 16.0, rect.max.y)),
        shown,
        help,
    );
}

/// How the gain came back after the last hit, and left of it a key to the lines: what has room, the
/// figures first.
fn show_groove(ui: &mut Ui, rect: Rect, shown: &Shown, help: &mut Help) {
    let inks = theme::of(ui);
    let groove = Groove::new(shown.numbers());
    let painter = ui.painter();
    let layout = |text: String, ink| painter.layout_no_wrap(text, theme::SMALL, ink);
    let key = ["before", "after"].map(|word| layout(word.to_owned(), inks.faint));
    let key_width: f32 = key.iter().map(|word| KEY_LINE + word.size().x + KEY_GAP).sum();

    let Groove { back, left, .. } = &groove;
    let texts = [
        format!("63 % back in {back}   left at the beat {left}"),
        format!("back {back}   left {left}"),
        format!("back {back}"),
    ];
    let [long, short, least] = texts.map(|text| layout(text, inks.ink));
    let has_key = key_width + short.size().x <= rect.width();
    let room = rect.width() - if has_key { key_width } else { 0.0 };
    let fitting = [long, short].into_iter().find(|text| text.size().x <= room);
    let text = fitting.unwrap_or(least);
    let at = pos2(rect.right() - text.size().x, rect.top() + 3.0);
    let place = Rect::from_min_size(at, text.size());
    painter.galley(at, text, inks.ink);
    if has_key {
        // As the lines are drawn.
        let mut x = rect.left();
        for (width, word) in [0.9, 1.7].into_iter().zip(key) {
            let y = place.center().y.round();
            painter.hline(x..=x + 16.0, y, Stroke::new(width, inks.ink));
            let at = pos2(x + KEY_LINE, at.y);
            x = at.x + word.size().x + KEY_GAP;
            painter.galley(at, word, inks.faint);
        }
    }
    let response = ui.interact(place, Id::unique("groove"), Sense::hover());
    help.over(&response, groove.help);
}

/// From the line in the key to its word, and from there to the next.
const KEY_LINE: f32 = 21.0;
const KEY_GAP: f32 = 14.0;

/// The groove of the release, in words.
struct Groove {
    /// Time until 63 % were back.
    back: String,
    /// Gain reduction left at the next beat.
    left: String,
    help: String,
}

impl Groove {
    fn new(readings: Option<&Readings>) -> Self {
        let beats_per_s = readings.and_then(|readings| readings.beats_per_s);
        let recovery = readings.and_then(|readings| readings.recovery);
        let left_db = readings.and_then(|readings| readings.left_at_beat_db);
        let time = |digits: String| match beats_per_s {
            Some(_) => format!("{digits} beats"),
            None => format!("{digits} s"),
        };
        let back = time(match recovery {
            None => figures::pad(NO_READING, 5),
            Some(Recovery { seconds, came_back }) => {
                let value = figures::fixed(seconds * beats_per_s.unwrap_or(1.0), 2);
                figures::pad(&if came_back { value } else { format!(">{value}") }, 5)
            }
        });
        let left = format!("{} dB", one_digit_or_dash(left_db.map(|db| -db)));
        let help = match (readings, recovery) {
            (None, _) => "No reading: no audio is running.".to_owned(),
            (_, None) => "No reading: the gain reduction has not risen by 0.2 dB and a tenth of itself, which makes a hit.".to_owned(),
            (_, Some(recovery)) => {
                let back = back.trim_start_matches(FIGURE_SPACE).trim_start_matches('>');
                let first = if recovery.came_back {
                    format!("After the last hit 63 % of the gain were back in {back}")
                } else if f64::from(recovery.seconds) >= Recovery::LONGEST_S {
                    format!("63 % of the gain were not back {back} after the last hit, and it is followed no longer")
                } else {
                    format!("The next hit came {back} after the last, before 63 % of the gain were back")
                };
                let then = match (left_db, beats_per_s) {
                    (Some(left_db), _) => {
                        format!("{} dB were left at the next beat", figures::fixed(-left_db, 1))
                    }
                    (None, Some(_)) => "no beat has followed it yet".to_owned(),
                    (None, None) => "no beats: the song stands still or has no tempo".to_owned(),
                };
                format!("{first}; {then}. Near rest by the next hit is common practice on a bus, not a law.")
            }
        };
        Self { back, left, help }
    }
}
