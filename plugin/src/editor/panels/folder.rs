//! Shows a folder of the user's in the system's file manager.

use std::fmt::Display;
use std::path::Path;

use egui::{OpenUrl, Ui};

use crate::editor::help::Help;

/// Opens a folder, or says why there is none.
pub(super) fn open(ui: &Ui, folder: Result<impl AsRef<Path>, impl Display>) {
    match folder {
        Ok(folder) => {
            let url = format!("file://{}", folder.as_ref().display());
            ui.ctx().open_url(OpenUrl::new_tab(url));
        }
        Err(error) => Help::answer(ui, format!("Not possible: {error}.")),
    }
}
