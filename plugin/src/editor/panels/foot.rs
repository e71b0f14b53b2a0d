//! The line of help, and the zoom.

use egui::{Align2, Popup, Rect, Ui, vec2};

use crate::editor::help::Help;
use crate::editor::layout::{cut_right, within};
use crate::editor::theme;
use crate::editor::widgets::Button;
use crate::state::View;

/// Height of this part, in points: two lines, for narrow sheets.
pub(crate) const HEIGHT: f32 = 30.0;

/// Shows it within `rect`.
pub(crate) fn show(ui: &mut Ui, mut rect: Rect, mut help: Help) {
    let zoom = cut_right(&mut rect, 74.0).shrink2(vec2(0.0, 3.0));
    within(ui, zoom, |ui| zoom_menu(ui, &mut help));
    let line = help.line(ui);
    let text =
        ui.painter().layout(line.into_owned(), theme::SMALL, theme::FAINT_INK, rect.width() - 12.0);
    let at = Align2::LEFT_CENTER.align_size_within_rect(text.size(), rect);
    ui.painter().galley(at.min, text, theme::FAINT_INK);
}

fn zoom_menu(ui: &mut Ui, help: &mut Help) {
    let now = (ui.ctx().zoom_factor() * 100.0).round() as u16;
    let button = Button::new(&format!("{now} %")).menu().width(ui.available_width()).show(ui);
    help.over(&button, "Size of everything on the sheet.");
    Popup::menu(&button).show(|ui| {
        for zoom in View::ZOOMS {
            if ui.selectable_label(zoom == now, format!("{zoom} %")).clicked() {
                ui.ctx().set_zoom_factor(f32::from(zoom) / 100.0);
            }
        }
    });
}
