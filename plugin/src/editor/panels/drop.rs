//! Preset files dropped on the sheet from elsewhere.

use std::path::{Path, PathBuf};

use egui::{Align2, Id, Rect, Ui};

use crate::editor::bench::Step;
use crate::editor::hand::Hand;
use crate::editor::help::Help;
use crate::editor::theme;
use crate::library::Change;

/// Takes in what is dropped, and says what dropping would do while files are held over the sheet.
pub(super) fn show(ui: &Ui, window: Rect, hand: &mut Hand<'_>) {
    let (held, dropped) = ui.input(|input| {
        let dropped: Vec<PathBuf> =
            input.raw.dropped_files.iter().map(|file| file.path().to_owned()).collect();
        (input.raw.hovered_files.len(), dropped)
    });
    if !dropped.is_empty() {
        Help::answer(ui, take_in(&dropped, hand));
    }
    if held > 0 {
        let inks = theme::of(ui);
        let text = match held {
            1 => "Drop the file to add it to your presets".to_owned(),
            _ => format!("Drop the {held} files to add them to your presets"),
        };
        let painter =
            ui.ctx().layer_painter(egui::LayerId::new(egui::Order::Foreground, Id::unique("drop")));
        painter.rect_filled(window, 0.0, inks.paper);
        painter.text(window.center(), Align2::CENTER_CENTER, text, theme::TITLE, inks.ink);
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
