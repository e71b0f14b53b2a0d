//! The menu: sheet, zoom, and settings as text.

use std::path::PathBuf;

use egui::Ui;

use super::{drop, folder};
use crate::editor::address;
use crate::editor::clipboard;
use crate::editor::hand::Hand;
use crate::editor::help::Help;
use crate::editor::theme;
use crate::editor::widgets::{Button, Menu};
use crate::presets::{from_lines, to_lines};
use crate::state::{BusState, View};

/// Shows the button that opens it.
pub(crate) fn show(ui: &mut Ui, hand: &mut Hand<'_>, state: &BusState, help: &mut Help) {
    let button = Button::new("Menu").menu().show(ui);
    help.over(&button, "Light or dark sheet, zoom, settings as text, your presets folder.");
    Menu::new(220.0).show(&button, |ui| {
        sheets(ui, state, help);
        ui.separator();
        zooms(ui, help);
        ui.separator();
        let copy = ui.button("Copy settings");
        help.over(&copy, "Puts all settings on the clipboard as text, one control a line.");
        if copy.clicked() {
            ui.ctx().copy_text(to_lines(&hand.settings()));
            Help::answer(ui, "Copied the settings as text.".to_owned());
        }
        let paste = ui.button("Paste settings or preset file");
        help.over(
            &paste,
            "Takes settings as text, or the path of a preset file, from the clipboard. A file comes among your presets.",
        );
        if paste.clicked() {
            match clipboard::text() {
                Ok(text) => take_in(ui, &text, hand),
                Err(error) => Help::answer(ui, format!("Nothing to paste: {error}.")),
            }
        }
        let folder = ui.button("Open the presets folder");
        help.over(&folder, "Your presets, one readable file each. Put files there to add presets.");
        if folder.clicked() {
            folder::open(ui, hand.bench.library.folder());
        }
    });
}

fn sheets(ui: &mut Ui, state: &BusState, help: &mut Help) {
    let view = state.view.get();
    for (name, dark) in [("Light sheet", false), ("Dark sheet", true)] {
        let entry = ui.selectable_label(view.dark == dark, name);
        help.over(&entry, "The sheet follows no theme of the host; it is saved with the session.");
        if entry.clicked() {
            state.view.put(View { dark, ..state.view.get() });
            theme::lay(ui.ctx(), dark);
        }
    }
}

fn zooms(ui: &mut Ui, help: &mut Help) {
    let now = (ui.ctx().zoom_factor() * 100.0).round() as u16;
    for zoom in View::ZOOMS {
        let entry = ui.selectable_label(zoom == now, format!("Zoom {zoom} %"));
        help.over(&entry, "Size of everything on the sheet.");
        if entry.clicked() {
            ui.ctx().set_zoom_factor(f32::from(zoom) / 100.0);
        }
    }
}

/// Takes in what was pasted: settings as text, or the path of a preset file.
pub(super) fn take_in(ui: &Ui, text: &str, hand: &mut Hand<'_>) {
    if let Some(file) = path(text) {
        Help::answer(ui, drop::take_in(&[file], hand));
        return;
    }
    match from_lines(text, hand.settings()) {
        Ok(settings) => {
            hand.apply(&settings);
            Help::answer(ui, "Pasted the settings. Undo brings the old ones back.".to_owned());
        }
        Err(error) => Help::answer(ui, format!("Not pasted: {error}.")),
    }
}

/// The file that a text names, by its path or by its address, as file managers put it on the clipboard.
fn path(text: &str) -> Option<PathBuf> {
    let line = text.trim();
    if line.contains('\n') {
        return None;
    }
    address::file(line).or_else(|| Some(PathBuf::from(line)).filter(|file| file.is_absolute()))
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn a_pasted_path_is_taken_as_it_is_and_an_address_is_decoded() {
        for (text, file) in [
            ("/My Songs/50%20 % wet.json", Some("/My Songs/50%20 % wet.json")),
            ("file:///My%20Songs/M%C3%BCller%2520.json\n", Some("/My Songs/Müller%20.json")),
            ("ratio=2", None),
            ("/one\n/two", None),
        ] {
            assert_eq!(path(text), file.map(PathBuf::from), "{text}");
        }
    }
}
