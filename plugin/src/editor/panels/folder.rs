//! Shows a folder of the user's in the system's file manager.

use std::fmt::Display;
use std::path::Path;

use egui::{OpenUrl, Ui};

use crate::editor::address;
use crate::editor::help::Help;

/// Opens a folder, or says why there is none.
pub(super) fn open(ui: &Ui, folder: Result<impl AsRef<Path>, impl Display>) {
    match folder {
        Ok(folder) => {
            ui.ctx().open_url(OpenUrl::new_tab(address::of(folder.as_ref())));
        }
        Err(error) => Help::answer(ui, format!("Not possible: {error}.")),
    }
}
