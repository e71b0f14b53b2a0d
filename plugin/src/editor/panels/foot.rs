//! The line of help, the quality and the zoom.

use egui::{Align2, Popup, Rect, Ui, vec2};
use tenon_dsp::{Control, QUALITIES};

use crate::editor::hand::Hand;
use crate::editor::help::Help;
use crate::editor::layout::{cut_right, within};
use crate::editor::theme;
use crate::editor::widgets::Button;
use crate::state::View;

/// Height of this part, in points: two lines, for narrow sheets.
pub(crate) const HEIGHT: f32 = 30.0;

/// Shows it within `rect`.
pub(crate) fn show(ui: &mut Ui, mut rect: Rect, hand: &mut Hand<'_>, mut help: Help) {
    let mut button = |width| cut_right(&mut rect, width).shrink2(vec2(0.0, 3.0));
    let (zoom, _, quality) = (button(74.0), button(8.0), button(100.0));
    within(ui, zoom, |ui| zoom_menu(ui, &mut help));
    within(ui, quality, |ui| quality_menu(ui, hand, &mut help));
    let line = help.line(ui);
    let text =
        ui.painter().layout(line.into_owned(), theme::SMALL, theme::FAINT_INK, rect.width() - 12.0);
    let at = Align2::LEFT_CENTER.align_size_within_rect(text.size(), rect);
    ui.painter().galley(at.min, text, theme::FAINT_INK);
}

fn quality_menu(ui: &mut Ui, hand: &mut Hand<'_>, help: &mut Help) {
    let taken = hand.value(Control::Quality) as usize;
    let name = format!("{} {}", Control::Quality.spec().name, QUALITIES[taken]);
    let button = Button::new(&name).menu().width(ui.available_width()).show(ui);
    help.control(&button, Control::Quality);
    Popup::menu(&button).show(|ui| {
        for (index, quality) in QUALITIES.iter().enumerate() {
            if ui.selectable_label(index == taken, *quality).clicked() {
                hand.set(Control::Quality, index as f32);
            }
        }
    });
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
