//! The controls, in groups in signal order.

use egui::{Align2, Rect, Response, Ui, vec2};
use tenon_dsp::{Control, KEY_SOURCES, Spec, Unit};

use crate::editor::figures;
use crate::editor::hand::Hand;
use crate::editor::help::Help;
use crate::editor::layout::{cut_left, cut_top, within};
use crate::editor::theme;
use crate::editor::widgets::{Choice, Ruler, Touch};
use crate::text::from_text;

/// Least height of this part, in points.
pub(crate) const HEIGHT: f32 = HEADING + 4.0 * ROW;

const HEADING: f32 = 20.0;
const ROW: f32 = 38.0;
/// Height of what stands in a row.
const CELL: f32 = 37.0;
/// Space between two groups.
const GUTTER: f32 = 14.0;

const GROUPS: [(&str, [Control; 4]); 5] = [
    ("Key", [Control::InputTrim, Control::KeySource, Control::KeyHighpass, Control::StereoLink]),
    ("Detector", [Control::DetectorWindow, Control::Attack, Control::Release, Control::Adaptive]),
    ("Gain", [Control::Threshold, Control::Ratio, Control::Knee, Control::Range]),
    ("Saturation", [Control::Drive, Control::Symmetry, Control::Focus, Control::SaturationMix]),
    ("Output", [Control::SideShare, Control::Makeup, Control::Mix, Control::OutputTrim]),
];

/// Shows it within `rect`.
pub(crate) fn show(ui: &mut Ui, mut rect: Rect, hand: &mut Hand<'_>, help: &mut Help) {
    let columns = GROUPS.len() as f32;
    let width = (rect.width() - GUTTER * (columns - 1.0)) / columns;
    for (heading, controls) in GROUPS {
        let mut column = cut_left(&mut rect, width);
        if rect.width() > GUTTER {
            cut_left(&mut rect, GUTTER);
        }
        let top = cut_top(&mut column, HEADING);
        ui.painter().text(
            top.left_top(),
            Align2::LEFT_TOP,
            heading,
            theme::SMALL,
            theme::FAINT_INK,
        );
        let height = column.height() / controls.len() as f32;
        for control in controls {
            let row = cut_top(&mut column, height);
            let cell = Rect::from_center_size(row.center(), vec2(row.width(), CELL));
            let response = within(ui, cell, |ui| {
                ui.push_id(control, |ui| match control.spec().unit {
                    Unit::Choice(_) => key_source(ui, hand),
                    _ => ruler(ui, control, hand),
                })
                .inner
            });
            help.control(&response, control);
        }
    }
}

fn key_source(ui: &mut Ui, hand: &mut Hand<'_>) -> Response {
    let mut rect = ui.max_rect();
    let words = cut_top(&mut rect, 17.0);
    ui.painter().text(
        words.left_center(),
        Align2::LEFT_CENTER,
        Control::KeySource.spec().name,
        theme::fonts_for(words.width()).0,
        theme::INK,
    );
    let frame = Rect::from_min_size(rect.min, vec2(rect.width(), 20.0));
    let taken = hand.value(Control::KeySource) as usize;
    let (response, chosen) =
        within(ui, frame, |ui| Choice::new(KEY_SOURCES, taken).even_width(frame.width()).show(ui));
    if let Some(chosen) = chosen {
        hand.set(Control::KeySource, chosen as f32);
    }
    response
}

fn ruler(ui: &mut Ui, control: Control, hand: &mut Hand<'_>) -> Response {
    let spec = control.spec();
    let value = hand.value(control);
    let ticks: Vec<(f32, bool)> =
        ticks(&spec).map(|(value, long)| (hand.position(control, value), long)).collect();
    let (response, touches) =
        Ruler::new(spec.name, &figures::value(control, value), hand.position(control, value))
            .origin(hand.position(control, origin(&spec)))
            .ticks(&ticks)
            .show(ui);
    for touch in touches {
        match touch {
            Touch::Take => hand.take(control),
            Touch::Turn(place) => hand.turn(hand.value_at(control, place)),
            Touch::LetGo => hand.let_go(),
            Touch::Step(step) => hand.set(control, hand.stepped(control, step)),
            Touch::Reset => hand.set(control, spec.default),
            Touch::Type(text) => match from_text(control, &text) {
                Ok(value) => {
                    Help::take_back(ui);
                    hand.set(control, value);
                }
                Err(error) => Help::answer(ui, figures::minus(&error.to_string())),
            },
        }
    }
    response
}

/// The value at which a control does nothing, or the end where it does least.
fn origin(spec: &Spec) -> f32 {
    match spec.unit {
        Unit::Decibel if spec.max == 0.0 => spec.max,
        Unit::Decibel | Unit::Percent => 0.0,
        _ => spec.min,
    }
}

/// Round values along the ruler; the long ones are rounder.
fn ticks(spec: &Spec) -> impl Iterator<Item = (f32, bool)> + use<> {
    let (min, max) = (spec.min, spec.max);
    let values: Vec<(f32, bool)> = match spec.unit {
        Unit::Percent if min < 0.0 => evenly(20.0, 5),
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
        // Decades, and 2 and 5 within them.
        Unit::Hertz | Unit::Millisecond => (-2..4)
            .flat_map(|decade| {
                let ten = 10_f32.powi(decade);
                [(ten, true), (2.0 * ten, false), (5.0 * ten, false)]
            })
            .collect(),
        Unit::Choice(_) => Vec::new(),
    };
    values.into_iter().filter(move |(value, _)| (min..=max).contains(value))
}

/// Multiples of `step` up to ±100, every `long`th of them long.
fn evenly(step: f32, long: i32) -> Vec<(f32, bool)> {
    let most = (100.0 / step) as i32;
    (-most..=most).map(|multiple| (multiple as f32 * step, multiple % long == 0)).collect()
}
