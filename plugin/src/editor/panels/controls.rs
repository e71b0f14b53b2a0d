//! The controls, in groups in signal order.

use egui::{Align2, Pos2, Rect, Ui, vec2};
use tenon_dsp::{Control, NOTES, Spec, Unit};

use super::find;
use crate::editor::clipboard;
use crate::editor::figures;
use crate::editor::finder::Finder;
use crate::editor::hand::Hand;
use crate::editor::help::Help;
use crate::editor::layout::{cut_left, cut_top, within};
use crate::editor::shown::Shown;
use crate::editor::theme;
use crate::editor::widgets::{Ruler, Touch};
use crate::text::{note_of, quantise, typed};

/// Least height of this part, in points.
pub(crate) const HEIGHT: f32 = HEADING.0 + ROWS as f32 * ROW.0;
/// Height beyond which more room is of no use.
pub(crate) const ENOUGH: f32 = HEADING.1 + ROWS as f32 * ROW.1;

const HEADING: (f32, f32) = (20.0, 28.0);
/// Most controls in a group.
const ROWS: usize = 5;
/// Height of a row, at least and at most.
const ROW: (f32, f32) = (27.0, 46.0);
/// Space between two groups, at least and as a part of the width.
const GUTTER: (f32, f32) = (16.0, 0.028);
/// The widest a ruler gets.
const WIDEST: f32 = 340.0;

/// Where a threshold can be found.
const GAIN: &str = "Gain";

/// A heading, and controls with their names under it.
pub(crate) type Group = (&'static str, &'static [(Control, &'static str)]);

/// All groups, as the signal meets them.
pub(crate) const GROUPS: &[Group] = &[
    (
        "Key",
        &[
            (Control::InputTrim, "Input trim"),
            (Control::KeySource, "Source"),
            (Control::KeyHighpass, "High-pass"),
            (Control::StereoLink, "Stereo link"),
            (Control::SideShare, "Side share"),
        ],
    ),
    (
        "Detector",
        &[
            (Control::DetectorWindow, "Window"),
            (Control::Lookahead, "Lookahead"),
            (Control::Attack, "Attack"),
            (Control::Release, "Release"),
            (Control::Adaptive, "Adaptive"),
        ],
    ),
    (
        GAIN,
        &[
            (Control::Threshold, "Threshold"),
            (Control::Ratio, "Ratio"),
            (Control::Knee, "Knee"),
            (Control::Range, "Range"),
        ],
    ),
    (
        "Saturation",
        &[
            (Control::Drive, "Drive"),
            (Control::Symmetry, "Symmetry"),
            (Control::Focus, "Focus"),
            (Control::SaturationMix, "Sat. mix"),
            (Control::Quality, "Quality"),
        ],
    ),
    (
        "Output",
        &[
            (Control::Makeup, "Makeup"),
            (Control::Mix, "Mix"),
            (Control::LoudnessMatch, "Match"),
            (Control::MatchHold, "Hold"),
            (Control::OutputTrim, "Trim"),
        ],
    ),
];

/// Shows groups within `rect`.
pub(crate) fn show(
    ui: &mut Ui,
    mut rect: Rect,
    groups: &[Group],
    hand: &mut Hand<'_>,
    (finder, shown): (&mut Finder, &Shown),
    help: &mut Help,
) {
    let inks = theme::of(ui);
    let columns = groups.len() as f32;
    let gutter = (rect.width() * GUTTER.1).max(GUTTER.0);
    let room = (rect.width() - gutter * (columns - 1.0)) / columns;
    let width = room.min(WIDEST);
    // What is too wide for rulers goes between them.
    let gutter = (rect.width() - width * columns) / (columns - 1.0).max(1.0);
    let share = ((rect.height() - HEIGHT) / (ENOUGH - HEIGHT)).clamp(0.0, 1.0);
    let height = HEADING.0 + (HEADING.1 - HEADING.0) * share;
    for (heading, controls) in groups {
        let mut column = cut_left(&mut rect, width);
        let between = gutter.min(rect.width());
        cut_left(&mut rect, between);
        let top = cut_top(&mut column, height);
        ui.painter().text(top.left_top(), Align2::LEFT_TOP, heading, theme::HEADING, inks.faint);
        ui.painter().hline(top.x_range(), (top.top() + 17.0).round() + 0.5, inks.hair());
        if *heading == GAIN {
            find::show(ui, top, hand, finder, shown, help);
        }
        let row_height = (column.height() / ROWS as f32).min(ROW.1);
        for (control, name) in *controls {
            let row = cut_top(&mut column, row_height);
            let cell = Rect::from_min_size(row.min, vec2(row.width(), row.height() - 2.0));
            let note = note_of(*control).filter(|note| hand.is_on(*note));
            within(ui, cell, |ui| {
                ui.push_id(control, |ui| match note {
                    Some(note) => note_ruler(ui, *control, note, name, hand, shown, help),
                    None => ruler(ui, *control, name, hand, shown, help),
                });
            });
        }
    }
}

fn ruler(
    ui: &mut Ui,
    control: Control,
    name: &str,
    hand: &mut Hand<'_>,
    shown: &Shown,
    help: &mut Help,
) {
    let spec = control.spec();
    let value = hand.value(control);
    let text = figures::value(control, value);
    let ticks: Vec<(f32, bool)> =
        ticks(&spec).map(|(value, long)| (hand.position(control, value), long)).collect();
    let stops = matches!(spec.unit, Unit::Choice(_));
    let (response, touches) = Ruler::new(name, &text, hand.position(control, value))
        .origin(hand.position(control, origin(&spec)))
        .ticks(&ticks)
        .stops(stops)
        .other_unit(note_of(control).map(|_| "In note values"))
        .host_menu(hand.has_host_menu())
        .show(ui);
    for touch in touches {
        match touch {
            Touch::Take => hand.take(control),
            Touch::Turn(place) => hand.turn(hand.value_at(control, place)),
            Touch::LetGo => hand.let_go(),
            Touch::Step(step) => hand.nudge(control, step),
            Touch::Reset => hand.set(control, spec.default),
            Touch::Next => {
                let next = if value >= spec.max { spec.min } else { value + 1.0 };
                hand.set(control, next);
            }
            Touch::OtherUnit => {
                if let Some(note) = note_of(control) {
                    hand.set(note, nearest_note(control, note, hand, shown));
                }
            }
            Touch::Copy => ui.ctx().copy_text(text.clone()),
            Touch::Paste => paste(ui, control, hand),
            Touch::Type(text) => type_in(ui, control, &text, hand),
            Touch::HostMenu(place) => hand.open_host_menu(control, pixels(ui, place)),
        }
    }
    help.control(&response, control);
}

/// Attack or release while it is a note value: the ruler goes by notes, the ms stand beside.
fn note_ruler(
    ui: &mut Ui,
    control: Control,
    note: Control,
    name: &str,
    hand: &mut Hand<'_>,
    shown: &Shown,
    help: &mut Help,
) {
    let value = hand.value(note);
    // Without audio nothing is known of the song.
    let tempo_bpm = shown.numbers().map(|readings| readings.tempo_bpm);
    let now_ms = hand.settings().time_ms(control, tempo_bpm.flatten()) as f32;
    let ms = figures::value(control, now_ms);
    let named = figures::value(note, value);
    let long = match tempo_bpm {
        None => named.clone(),
        Some(None) => format!("({named}) {ms}"),
        Some(Some(_)) => format!("{named}  {ms}"),
    };
    let fits = Ruler::least_width(ui, name, &long) <= ui.available_width();
    let text = if fits { &long } else { &named };
    let ticks: Vec<(f32, bool)> = (1..NOTES.len())
        .map(|index| (hand.position(note, index as f32), NOTES[index].ends_with(char::is_numeric)))
        .collect();
    let (response, touches) = Ruler::new(name, text, hand.position(note, value))
        .ticks(&ticks)
        .other_unit(Some("In ms"))
        .host_menu(hand.has_host_menu())
        .show(ui);
    for touch in touches {
        match touch {
            Touch::Take => hand.take(note),
            Touch::Turn(place) => hand.turn(hand.value_at(note, place).max(1.0)),
            Touch::LetGo => hand.let_go(),
            // The shortest note is the end of this ruler.
            Touch::Step(step) if hand.stepped(note, step) >= 1.0 => hand.nudge(note, step),
            Touch::Step(_) | Touch::Next => (),
            Touch::Reset => {
                hand.set_all(&[note, control].map(|control| (control, control.spec().default)));
            }
            Touch::OtherUnit => {
                hand.set_all(&[(note, 0.0), (control, quantise(control, now_ms))]);
            }
            Touch::Copy => ui.ctx().copy_text(named.clone()),
            Touch::Paste => paste(ui, control, hand),
            Touch::Type(text) => type_in(ui, control, &text, hand),
            Touch::HostMenu(place) => hand.open_host_menu(note, pixels(ui, place)),
        }
    }
    match tempo_bpm {
        Some(None) => help.over(
            &response,
            format!("The host gives no tempo, or one below 20 or above 400, so {ms} stand."),
        ),
        Some(Some(tempo_bpm)) => help.over(
            &response,
            format!(
                "{named} at {} bpm. {}",
                figures::fixed(tempo_bpm as f32, 1),
                control.spec().help
            ),
        ),
        None => help.control(&response, control),
    }
}

/// The note nearest in length to the time now, at the tempo or else at 120 bpm.
fn nearest_note(control: Control, note: Control, hand: &Hand<'_>, shown: &Shown) -> f32 {
    let tempo_bpm = shown.numbers().and_then(|readings| readings.tempo_bpm).unwrap_or(120.0);
    let settings = hand.settings();
    let distance = |index: &f32| {
        let ms = settings.with(note, *index).time_ms(control, Some(tempo_bpm)) as f32;
        (ms / settings[control]).ln().abs()
    };
    let notes = (1..NOTES.len()).map(|index| index as f32);
    notes.min_by(|a, b| distance(a).total_cmp(&distance(b))).unwrap_or(1.0)
}

fn paste(ui: &Ui, control: Control, hand: &mut Hand<'_>) {
    match clipboard::text() {
        Ok(text) => type_in(ui, control, &text, hand),
        Err(error) => Help::answer(ui, format!("Nothing to paste: {error}.")),
    }
}

/// A place in the pixels of the window system; on macOS those know no scale but the zoom.
fn pixels(ui: &Ui, place: Pos2) -> (i32, i32) {
    let ctx = ui.ctx();
    let scale = if cfg!(target_os = "macos") { ctx.zoom_factor() } else { ctx.pixels_per_point() };
    ((place.x * scale).round() as i32, (place.y * scale).round() as i32)
}

fn type_in(ui: &Ui, control: Control, text: &str, hand: &mut Hand<'_>) {
    match typed(control, text) {
        Ok(values) => {
            Help::take_back(ui);
            hand.set_all(&values);
        }
        Err(error) => Help::answer(ui, figures::minus(&error.to_string())),
    }
}

/// The value at which a control does nothing, or the end where it does least.
fn origin(spec: &Spec) -> f32 {
    match spec.unit {
        Unit::Decibel if spec.max == 0.0 => spec.max,
        Unit::Decibel => 0.0,
        _ => spec.min,
    }
}

/// Round values along the ruler; the long ones are rounder.
fn ticks(spec: &Spec) -> impl Iterator<Item = (f32, bool)> + use<> {
    let (min, max) = (spec.min, spec.max);
    let values: Vec<(f32, bool)> = match spec.unit {
        Unit::Percent => evenly(10.0, 5),
        Unit::Decibel if max - min > 40.0 => evenly(6.0, 2),
        Unit::Decibel if max - min > 30.0 => evenly(3.0, 4),
        Unit::Decibel => evenly(2.0, 3),
        Unit::Ratio => vec![
            (1.0, true),
            (1.5, false),
            (2.0, true),
            (3.0, false),
            (4.0, true),
            (6.0, false),
            (10.0, true),
            (20.0, true),
        ],
        Unit::Millisecond if max <= 10.0 => evenly(1.0, 5),
        // Decades, and 2 and 5 within them.
        Unit::Hertz | Unit::Millisecond => (-2..4)
            .flat_map(|decade| {
                let ten = 10_f32.powi(decade);
                [(ten, true), (2.0 * ten, false), (5.0 * ten, false)]
            })
            .collect(),
        Unit::Choice(names) => (0..names.len()).map(|index| (index as f32, true)).collect(),
    };
    values.into_iter().filter(move |(value, _)| (min..=max).contains(value))
}

/// Multiples of `step` up to ±100, every `long`th of them long.
fn evenly(step: f32, long: i32) -> Vec<(f32, bool)> {
    let most = (100.0 / step) as i32;
    (-most..=most).map(|multiple| (multiple as f32 * step, multiple % long == 0)).collect()
}
