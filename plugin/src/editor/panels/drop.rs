//! Preset files dropped on the sheet from elsewhere.

use std::path::{Path, PathBuf};

use egui::{Align2, Id, Rect, Ui};

use crate::editor::bench::Step;
use crate::editor::hand::Hand;
use crate::editor::help::Help;
use crate::editor::theme;
use crate::library::Change;

/// Takes in what is dropped, now or while a blind trial ran, and says what dropping would do while files
/// are held over the sheet.
pub(super) fn show(ui: &Ui, window: Rect, hand: &mut Hand<'_>) {
    let mut files = std::mem::take(&mut hand.bench.dropped);
    files.append(&mut dropped(ui));
    if !files.is_empty() {
        Help::answer(ui, take_in(&files, hand));
    }
    say(ui, window, |held| match held {
        1 => "Drop the file to add it to your presets".to_owned(),
        _ => format!("Drop the {held} files to add them to your presets"),
    });
}

/// Keeps what is dropped until a blind trial has ended: nothing but the trial is on the sheet, and
/// settings stand still.
pub(super) fn wait(ui: &Ui, window: Rect, hand: &mut Hand<'_>) {
    let mut files = dropped(ui);
    if !files.is_empty() {
        hand.bench.dropped.append(&mut files);
        let waits = match hand.bench.dropped.as_slice() {
            [file] => format!("{} waits", named(file)),
            files => format!("{} files wait", files.len()),
        };
        let text = format!("{waits} until you go back to the sheet, to come among your presets.");
        Help::answer(ui, text);
    }
    say(ui, window, |held| match held {
        1 => "Drop the file to add it to your presets after the trial".to_owned(),
        _ => format!("Drop the {held} files to add them to your presets after the trial"),
    });
}

fn dropped(ui: &Ui) -> Vec<PathBuf> {
    ui.input(|input| input.raw.dropped_files.iter().map(|file| file.path().to_owned()).collect())
}

/// Covers the sheet with words for so many files while they are held over it.
fn say(ui: &Ui, window: Rect, words: impl Fn(usize) -> String) {
    let held = ui.input(|input| input.raw.hovered_files.len());
    if held > 0 {
        let inks = theme::of(ui);
        let painter =
            ui.ctx().layer_painter(egui::LayerId::new(egui::Order::Foreground, Id::unique("drop")));
        painter.rect_filled(window, 0.0, inks.paper);
        let at = window.center();
        painter.text(at, Align2::CENTER_CENTER, words(held), theme::TITLE, inks.ink);
    }
}

/// Imports preset files as one step that can be undone. Gives what became of them, for people.
pub(super) fn take_in(files: &[PathBuf], hand: &mut Hand<'_>) -> String {
    let mut names = Vec::new();
    let mut changes: Vec<Change> = Vec::new();
    let mut refused = Vec::new();
    for file in files {
        match hand.bench.library.import(file) {
            Ok((name, made)) => {
                names.push(format!("{name:?}"));
                changes.extend(made);
            }
            Err(error) => refused.push(format!("{} was not taken in: {error}.", named(file))),
        }
    }
    if !changes.is_empty() {
        let slot = hand.slot();
        hand.bench.record(slot, Step::Files(changes));
    }
    let taken = match names.len() {
        0 => None,
        1 => Some(format!("{} is among your presets now.", names[0])),
        _ => Some(format!("{} are among your presets now.", names.join(", "))),
    };
    taken.into_iter().chain(refused).collect::<Vec<_>>().join(" ")
}

fn named(file: &Path) -> String {
    file.file_name().unwrap_or(file.as_os_str()).to_string_lossy().into_owned()
}
