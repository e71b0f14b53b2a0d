//! Presets: ours, and the user's own.

use egui::{Id, TextEdit, Ui};

use crate::editor::bench::Step;
use crate::editor::hand::Hand;
use crate::editor::help::Help;
use crate::editor::theme;
use crate::editor::widgets::{Button, Menu};
use crate::library::{Change, LibraryError};
use crate::presets;

const WIDTH: f32 = 300.0;
const ABOUT: &str = "Starting points and your own settings. One sets every control that makes the sound; what you listen to stays.";
const OWN: &str = "A setting of your own.";

/// Shows the button that opens the menu.
pub(crate) fn show(ui: &mut Ui, width: f32, hand: &mut Hand<'_>, help: &mut Help) {
    let factory = presets::factory();
    let current = current(hand, &factory);
    let name = match (&current, &hand.bench.chosen) {
        (Some(name), _) => name.clone(),
        (None, Some(name)) => format!("{name}, changed"),
        (None, None) => "Choose a preset".to_owned(),
    };
    let button = Button::new(&name).menu().width(width).show(ui);
    let about = factory.iter().find(|preset| current.as_deref() == Some(preset.name));
    help.over(&button, about.map_or(ABOUT, |preset| preset.about));
    if button.clicked() {
        hand.bench.library.read();
        let own = hand.bench.chosen.clone().filter(|name| is_own(hand, name));
        ui.data_mut(|data| data.insert_temp(field(), own.unwrap_or_default()));
    }
    Menu::new(WIDTH).stays().show(&button, |ui| menu(ui, &factory, current.as_deref(), hand, help));
}

/// Name of the preset that is set, if one is. Of several the chosen one.
fn current(hand: &Hand<'_>, factory: &[presets::Preset]) -> Option<String> {
    let ours = factory.iter().map(|preset| (preset.name, &preset.settings));
    let own = hand.bench.library.presets().iter();
    let own = own.map(|preset| (preset.name.as_str(), &preset.settings));
    let mut set: Vec<&str> =
        ours.chain(own).filter(|(_, settings)| hand.has(settings)).map(|(name, _)| name).collect();
    set.sort_by_key(|name| hand.bench.chosen.as_deref() != Some(name));
    set.first().map(|name| (*name).to_owned())
}

fn is_own(hand: &Hand<'_>, name: &str) -> bool {
    hand.bench.library.presets().iter().any(|preset| preset.name == name)
}

fn field() -> Id {
    Id::unique("preset name")
}

fn menu(
    ui: &mut Ui,
    factory: &[presets::Preset],
    current: Option<&str>,
    hand: &mut Hand<'_>,
    help: &mut Help,
) {
    let own = hand.bench.library.presets().to_vec();
    let entries = factory
        .iter()
        .map(|preset| (preset.name, preset.about, &preset.settings))
        .chain(own.iter().map(|preset| (preset.name.as_str(), OWN, &preset.settings)));
    let mut name: String = ui.data(|data| data.get_temp(field())).unwrap_or_default();
    heading(ui, "Starting points");
    egui::ScrollArea::vertical().max_height(260.0).show(ui, |ui| {
        for (index, (entry, about, settings)) in entries.enumerate() {
            if index == factory.len() {
                heading(ui, "Yours");
            }
            let response = ui.selectable_label(current == Some(entry), entry);
            help.over(&response, about.to_owned());
            if response.clicked() {
                hand.apply(settings);
                hand.bench.chosen = Some(entry.to_owned());
                name = if index < factory.len() { String::new() } else { entry.to_owned() };
            }
        }
        let inks = theme::of(ui);
        for damaged in hand.bench.library.damaged() {
            let text = egui::RichText::new(format!("Skipped {damaged}"));
            ui.label(text.font(theme::SMALL).color(inks.faint));
        }
    });
    ui.separator();
    let edit = TextEdit::singleline(&mut name).hint_text("Name of your preset").char_limit(60);
    let edit = ui.add(edit.desired_width(f32::INFINITY));
    help.over(&edit, "A name for the setting as it is now; the name of one of yours replaces it.");
    let by_key = edit.lost_focus() && ui.input(|input| input.key_pressed(egui::Key::Enter));
    keep_entries(ui, &name, by_key, hand, help);
    ui.data_mut(|data| data.insert_temp(field(), name));
}

fn keep_entries(ui: &mut Ui, name: &str, by_key: bool, hand: &mut Hand<'_>, help: &mut Help) {
    let chosen = hand.bench.chosen.clone().filter(|chosen| is_own(hand, chosen));
    let named = !name.trim().is_empty();
    let other = chosen.as_deref().is_some_and(|chosen| chosen != name.trim());
    ui.horizontal(|ui| {
        let save = ui.add_enabled(named, egui::Button::new("Save"));
        help.over(&save, "Saves the setting as it is now under the name above.");
        if save.clicked() || by_key && named {
            let saved = hand.bench.library.save(name, &hand.settings());
            keep(ui, saved, format!("Saved {:?}.", name.trim()), Some(name.trim()), hand);
        }
        let rename = ui.add_enabled(named && other, egui::Button::new("Rename"));
        help.over(&rename, "Gives your chosen preset the name above.");
        if let (true, Some(chosen)) = (rename.clicked(), &chosen) {
            let renamed = hand.bench.library.rename(chosen, name);
            keep(ui, renamed, format!("Renamed {chosen:?}."), Some(name.trim()), hand);
        }
        let delete = ui.add_enabled(chosen.is_some(), egui::Button::new("Delete"));
        help.over(&delete, "Deletes your chosen preset; undo brings it back.");
        if let (true, Some(chosen)) = (delete.clicked(), &chosen) {
            let deleted = hand.bench.library.delete(chosen);
            keep(ui, deleted, format!("Deleted {chosen:?}. Undo brings it back."), None, hand);
        }
    });
}

/// Remembers what became of the files, and says so.
fn keep(
    ui: &Ui,
    changes: Result<Vec<Change>, LibraryError>,
    done: String,
    chosen: Option<&str>,
    hand: &mut Hand<'_>,
) {
    match changes {
        Ok(changes) => {
            let slot = hand.slot();
            hand.bench.record(slot, Step::Files(changes));
            hand.bench.chosen = chosen.map(str::to_owned);
            Help::answer(ui, done);
        }
        Err(error) => Help::answer(ui, format!("Not possible: {error}.")),
    }
}

fn heading(ui: &mut Ui, text: &str) {
    let color = theme::of(ui).faint;
    ui.label(egui::RichText::new(text).font(theme::SMALL).color(color));
}
