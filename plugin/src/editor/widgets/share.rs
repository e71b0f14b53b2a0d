//! A share of a whole, with a mark to compare it with.

use egui::{Color32, Rect, Response, Sense, Ui, pos2};

use crate::editor::theme;

/// A bar filled from the left, and a mark that stands across it.
pub(crate) struct Share {
    /// How far it is filled, 0 to 1; none without a reading.
    pub(crate) filled: Option<f32>,
    /// Place of the mark, 0 to 1.
    pub(crate) mark: Option<f32>,
    /// Ink of the filling.
    pub(crate) color: Color32,
}

impl Share {
    /// Shows it as wide and high as there is room.
    pub(crate) fn show(self, ui: &mut Ui) -> Response {
        let (rect, response) = ui.allocate_exact_size(ui.available_size(), Sense::hover());

        let inks = theme::of(ui);
        let painter = ui.painter();
        let bar = Rect::from_center_size(rect.center(), egui::vec2(rect.width(), 7.0));
        let x = |place: f32| rect.left() + rect.width() * place.clamp(0.0, 1.0);
        painter.rect_filled(bar, 1.0, inks.wash);
        if let Some(filled) = self.filled {
            let part = Rect::from_min_max(bar.min, pos2(x(filled), bar.bottom()));
            painter.rect_filled(part, 1.0, self.color);
        }
        if let Some(mark) = self.mark {
            painter.vline(x(mark), rect.y_range(), egui::Stroke::new(1.5, inks.ink));
        }
        response
    }
}
