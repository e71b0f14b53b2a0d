//! What is heard: which setting, processed or dry, at which match gain, and what else can be
//! listened to.

use egui::{Align, Key, Modifiers, Rect, Ui};
use tenon_dsp::{Control, LISTENS, MatchState};

use super::{main_menu, preset_menu, trial as trial_panel};
use crate::blind::Blind;
use crate::editor::figures::{self, one_digit};
use crate::editor::hand::Hand;
use crate::editor::help::Help;
use crate::editor::layout::{SPACE, cut_top, row};
use crate::editor::shown::Shown;
use crate::editor::theme;
use crate::editor::trial::Conductor;
use crate::editor::widgets::{Button, Choice, Menu};
use crate::feed::FeedOut;
use crate::state::{BusState, Slot};

/// Height of this part, in points.
pub(crate) const HEIGHT: f32 = 2.0 * ROW + GAP;

const ROW: f32 = 25.0;
const GAP: f32 = 7.0;
/// Widths at which there is room for more words.
const ROOMY: f32 = 860.0;

/// Shows it within `rect`.
pub(crate) fn show(
    ui: &mut Ui,
    mut rect: Rect,
    hand: &mut Hand<'_>,
    (shown, feed): (&Shown, &FeedOut),
    state: &BusState,
    (trial, blind): (&mut Conductor, &mut Blind),
    help: &mut Help,
) {
    let first = cut_top(&mut rect, ROW);
    cut_top(&mut rect, GAP);
    let roomy = rect.width() >= ROOMY;
    row(ui, first, Align::Min, |ui| {
        title(ui);
        preset_menu::show(ui, if roomy { 250.0 } else { 190.0 }, hand, help);
        ui.add_space(SPACE);
        slots(ui, hand, help);
        ui.add_space(SPACE);
        history(ui, hand, help);
    });
    row(ui, first, Align::Max, |ui| {
        main_menu::show(ui, hand, state, help);
        trial_panel::show_entry(ui, roomy, trial, state, blind, help);
    });
    row(ui, rect, Align::Min, |ui| {
        compare(ui, hand, help);
        match_gain(ui, hand, shown, feed, help);
    });
    row(ui, rect, Align::Max, |ui| {
        bypass(ui, hand, help);
        listen(ui, hand, roomy, help);
    });
}

fn title(ui: &mut Ui) {
    let inks = theme::of(ui);
    let text = ui.painter().layout_no_wrap("Tenon".to_owned(), theme::TITLE, inks.ink);
    let (rect, _) = ui.allocate_exact_size(text.size(), egui::Sense::hover());
    ui.painter().galley(rect.min, text, inks.ink);
    ui.add_space(SPACE);
}

fn slots(ui: &mut Ui, hand: &mut Hand<'_>, help: &mut Help) {
    let heard = hand.slot();
    let (response, chosen) = Choice::new(&["A", "B"], heard as usize).show(ui);
    help.over(
        &response,
        "Two full settings, each with its own match gain. What is heard glides from one to the other.",
    );
    if chosen.is_some() {
        hand.switch();
    }
    let copy = match heard {
        Slot::A => "A to B",
        Slot::B => "B to A",
    };
    let response = Button::new(copy).show(ui);
    help.over(&response, "Copies the setting that is heard, with its match gain, over the other.");
    if response.clicked() {
        hand.copy_across();
        Help::answer(ui, format!("Copied {copy}. Undo brings it back there."));
    }
}

fn history(ui: &mut Ui, hand: &mut Hand<'_>, help: &mut Help) {
    let (done, undone) = hand.bench.next(hand.slot());
    let entry = |name: &str, step: Option<&crate::editor::bench::Step>| match step {
        Some(step) => (true, format!("{name}: {}.", step.name())),
        None => (false, format!("There is nothing to {}.", name.to_lowercase())),
    };
    let (can_undo, undo_help) = entry("Undo", done);
    let (can_redo, redo_help) = entry("Redo", undone);
    let typing = ui.ctx().text_edit_focused();
    let keys = |ui: &Ui, modifiers, key| {
        !typing && ui.input_mut(|input| input.consume_key(modifiers, key))
    };
    let redo_key = keys(ui, Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    let undo_key = keys(ui, Modifiers::COMMAND, Key::Z);
    let mut asked = |name, enabled, text, key| {
        let response = ui.add_enabled_ui(enabled, |ui| Button::new(name).show(ui)).inner;
        help.over(&response, text);
        response.clicked() || key && enabled
    };
    let undo = asked("Undo", can_undo, undo_help, undo_key);
    let redo = asked("Redo", can_redo, redo_help, redo_key);
    if undo {
        Help::answer(ui, hand.undo());
    } else if redo {
        Help::answer(ui, hand.redo());
    }
}

fn listen(ui: &mut Ui, hand: &mut Hand<'_>, named: bool, help: &mut Help) {
    let taken = hand.value(Control::Listen) as usize;
    let (response, chosen) = Choice::new(LISTENS, taken).show(ui);
    help.control(&response, Control::Listen);
    if let Some(chosen) = chosen {
        hand.set(Control::Listen, chosen as f32);
    }
    if named {
        word(ui, "Listen");
    }
}

fn bypass(ui: &mut Ui, hand: &mut Hand<'_>, help: &mut Help) {
    let on = hand.is_on(Control::Bypass);
    let response = Button::new("Bypass").on(on).show(ui);
    help.control(&response, Control::Bypass);
    if response.clicked() {
        hand.set(Control::Bypass, if on { 0.0 } else { 1.0 });
    }
}

fn compare(ui: &mut Ui, hand: &mut Hand<'_>, help: &mut Help) {
    let taken = usize::from(hand.is_on(Control::Compare));
    let names = &["Processed", "Dry at same loudness"];
    let (response, chosen) = Choice::new(names, taken).show(ui);
    help.control(&response, Control::Compare);
    if let Some(chosen) = chosen {
        hand.set(Control::Compare, chosen as f32);
    }
}

/// The match gain and its state, as a button that opens what can be done about it.
fn match_gain(ui: &mut Ui, hand: &mut Hand<'_>, shown: &Shown, feed: &FeedOut, help: &mut Help) {
    let on = hand.is_on(Control::LoudnessMatch);
    let (gain, state, text) = match (on, shown.numbers()) {
        (false, _) => (
            figures::pad(figures::NO_READING, 5),
            "off",
            "No match gain: the loudness match is off, so processed and dry may differ in level.",
        ),
        (true, None) => {
            (figures::pad(figures::NO_READING, 5), "no audio", "No reading: no audio is running.")
        }
        (true, Some(readings)) => match readings.match_state {
            MatchState::Learning => (
                one_digit(readings.match_gain_db),
                "learning",
                "Match gain, learning: it still glides to where both paths are equally loud. Click to hold it or to learn anew.",
            ),
            MatchState::Held if hand.is_on(Control::MatchHold) => (
                one_digit(readings.match_gain_db),
                "held",
                "Match gain, held: one constant gain, whatever you move, until you let it go. Click to let it go.",
            ),
            MatchState::Held => (
                one_digit(readings.match_gain_db),
                "settled",
                "Match gain, settled: one constant gain that does not ride the music. Click to hold it or to learn anew.",
            ),
        },
    };
    let button = Button::new(&format!("Match {gain} dB, {state}")).menu().width(176.0).show(ui);
    help.over(&button, text);
    Menu::new(190.0).show(&button, |ui| {
        let can_learn = on && !hand.is_on(Control::MatchHold);
        let learn = ui.add_enabled(can_learn, egui::Button::new("Learn anew"));
        help.over(
            &learn,
            "Learns the match gain again from what plays now. Play the loudest part.",
        );
        if learn.clicked() {
            feed.learn_anew();
        }
        for (name, control) in [
            ("Hold the match gain", Control::MatchHold),
            ("Match the loudness", Control::LoudnessMatch),
        ] {
            let is_on = hand.is_on(control);
            let entry = ui.selectable_label(is_on, name);
            help.control(&entry, control);
            if entry.clicked() {
                hand.set(control, if is_on { 0.0 } else { 1.0 });
            }
        }
    });
}

fn word(ui: &mut Ui, word: &str) {
    let inks = theme::of(ui);
    let text = ui.painter().layout_no_wrap(word.to_owned(), theme::TEXT, inks.faint);
    let (rect, _) = ui.allocate_exact_size(text.size(), egui::Sense::hover());
    ui.painter().galley(rect.min, text, inks.faint);
}
