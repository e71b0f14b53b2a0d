//! What is heard: processed or dry, at which match gain, and what else can be listened to.

use egui::{Align, Align2, Layout, Popup, Rect, Ui, UiBuilder};
use tenon_dsp::{Control, LISTENS, MatchState};

use crate::editor::figures;
use crate::editor::hand::Hand;
use crate::editor::help::Help;
use crate::editor::layout::cut_top;
use crate::editor::shown::Shown;
use crate::editor::theme;
use crate::editor::widgets::{Button, Choice};
use crate::feed::FeedOut;
use crate::presets;

/// Height of this part, in points.
pub(crate) const HEIGHT: f32 = 2.0 * ROW + GAP;

const ROW: f32 = 28.0;
const GAP: f32 = 10.0;
/// Space between two things in a row.
const SPACE: f32 = 8.0;

/// Shows it within `rect`.
pub(crate) fn show(
    ui: &mut Ui,
    mut rect: Rect,
    hand: &mut Hand<'_>,
    shown: &Shown,
    feed: &FeedOut,
    help: &mut Help,
) {
    let first = cut_top(&mut rect, ROW);
    cut_top(&mut rect, GAP);
    row(ui, first, Align::Min, |ui| {
        title(ui);
        preset_menu(ui, hand, help);
    });
    row(ui, first, Align::Max, |ui| {
        bypass(ui, hand, help);
        ui.add_space(SPACE);
        listen(ui, hand, help);
    });
    row(ui, rect, Align::Min, |ui| {
        compare(ui, hand, help);
        ui.add_space(2.0 * SPACE);
        match_state(ui, hand, shown, help);
    });
    row(ui, rect, Align::Max, |ui| match_buttons(ui, hand, feed, help));
}

fn row(ui: &mut Ui, rect: Rect, from: Align, add: impl FnOnce(&mut Ui)) {
    let layout = if from == Align::Min {
        Layout::left_to_right(Align::Center)
    } else {
        Layout::right_to_left(Align::Center)
    };
    ui.scope_builder(UiBuilder::new().max_rect(rect).layout(layout), |ui| {
        ui.spacing_mut().item_spacing.x = SPACE;
        add(ui);
    });
}

fn title(ui: &mut Ui) {
    let text = ui.painter().layout_no_wrap("Tenon".to_owned(), theme::TITLE, theme::INK);
    let (rect, _) = ui.allocate_exact_size(text.size(), egui::Sense::hover());
    ui.painter().galley(rect.min, text, theme::INK);
    ui.add_space(SPACE);
}

fn preset_menu(ui: &mut Ui, hand: &mut Hand<'_>, help: &mut Help) {
    let presets = presets::factory();
    let current = presets.iter().find(|preset| hand.has(&preset.settings));
    let name = current.map_or("Choose a preset", |preset| preset.name);
    let button = Button::new(name).menu().width(232.0).show(ui);
    help.over(
        &button,
        current.map_or(
            "Starting points. One sets every control that makes the sound; what you listen to stays.",
            |preset| preset.about,
        ),
    );
    Popup::menu(&button).show(|ui| {
        for preset in &presets {
            let entry = ui.selectable_label(Some(preset) == current, preset.name);
            help.over(&entry, preset.about);
            if entry.clicked() {
                hand.apply(&preset.settings);
            }
        }
    });
}

fn listen(ui: &mut Ui, hand: &mut Hand<'_>, help: &mut Help) {
    let taken = hand.value(Control::Listen) as usize;
    let (response, chosen) = Choice::new(LISTENS, taken).show(ui);
    help.control(&response, Control::Listen);
    if let Some(chosen) = chosen {
        hand.set(Control::Listen, chosen as f32);
    }
    word(ui, "Listen");
}

fn bypass(ui: &mut Ui, hand: &mut Hand<'_>, help: &mut Help) {
    switch(ui, "Bypass", Control::Bypass, hand, help);
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

fn match_state(ui: &mut Ui, hand: &Hand<'_>, shown: &Shown, help: &mut Help) {
    let on = hand.is_on(Control::LoudnessMatch);
    let (gain, state) = match (on, shown.numbers()) {
        (false, _) => (figures::NO_READING.to_owned(), "off"),
        (true, None) => (figures::NO_READING.to_owned(), "no audio"),
        (true, Some(readings)) => (
            figures::one_digit(readings.match_gain_db),
            match readings.match_state {
                MatchState::Learning => "learning",
                MatchState::Held => "held",
            },
        ),
    };
    word(ui, "Match gain");
    let (rect, response) = ui.allocate_exact_size(egui::vec2(136.0, ROW), egui::Sense::hover());
    let painter = ui.painter();
    let number = Rect::from_min_max(rect.min, egui::pos2(rect.left() + 62.0, rect.bottom()));
    painter.text(
        number.right_center(),
        Align2::RIGHT_CENTER,
        format!("{gain} dB"),
        theme::VALUE,
        theme::INK,
    );
    painter.text(
        number.right_center() + egui::vec2(SPACE, 0.0),
        Align2::LEFT_CENTER,
        state,
        theme::TEXT,
        theme::FAINT_INK,
    );
    help.over(
        &response,
        match state {
            "off" => "No match gain: the loudness match is off, so processed and dry may differ in level.",
            "no audio" => "No reading: no audio is running.",
            "learning" => "Learning: the gain still glides to where both paths are equally loud.",
            _ => "Held: one constant gain; it does not ride the music.",
        },
    );
}

fn match_buttons(ui: &mut Ui, hand: &mut Hand<'_>, feed: &FeedOut, help: &mut Help) {
    let on = hand.is_on(Control::LoudnessMatch);
    ui.add_enabled_ui(on, |ui| {
        let response = Button::new("Learn anew").show(ui);
        help.over(
            &response,
            "Learns the match gain again from what plays now. Play the loudest part of the song.",
        );
        if response.clicked() {
            if hand.is_on(Control::MatchHold) {
                hand.set(Control::MatchHold, 0.0);
            }
            feed.learn_anew();
        }
        switch(ui, "Hold", Control::MatchHold, hand, help);
    });
    switch(ui, "Match", Control::LoudnessMatch, hand, help);
}

fn switch(ui: &mut Ui, name: &str, control: Control, hand: &mut Hand<'_>, help: &mut Help) {
    let on = hand.is_on(control);
    let response = Button::new(name).on(on).show(ui);
    help.control(&response, control);
    if response.clicked() {
        hand.set(control, if on { 0.0 } else { 1.0 });
    }
}

fn word(ui: &mut Ui, word: &str) {
    let text = ui.painter().layout_no_wrap(word.to_owned(), theme::TEXT, theme::FAINT_INK);
    let (rect, _) = ui.allocate_exact_size(text.size(), egui::Sense::hover());
    ui.painter().galley(rect.min, text, theme::FAINT_INK);
}
