//! A level before and after on one scale: hollow before, solid after.

use egui::{Color32, Response, Sense, Stroke, Ui};

use crate::editor::theme;

/// Radius of the marks, in points.
const RADIUS: f32 = 4.5;

/// A line with a hollow and a solid mark, and what lies between them.
pub(crate) struct Span {
    /// Place before, 0 to 1; none without a reading.
    pub(crate) before: Option<f32>,
    /// Place after.
    pub(crate) after: Option<f32>,
    /// Ink of the marks.
    pub(crate) color: Color32,
}

impl Span {
    /// Shows it as wide and high as there is room.
    pub(crate) fn show(self, ui: &mut Ui) -> Response {
        let (rect, response) = ui.allocate_exact_size(ui.available_size(), Sense::hover());

        let painter = ui.painter();
        let y = rect.center().y.round() + 0.5;
        painter.hline(rect.x_range(), y, Stroke::new(1.0, theme::FAINT_INK));
        let at = |place: f32| egui::pos2(rect.left() + rect.width() * place.clamp(0.0, 1.0), y);
        if let (Some(before), Some(after)) = (self.before, self.after) {
            painter.line_segment([at(before), at(after)], Stroke::new(2.5, self.color));
        }
        if let Some(after) = self.after {
            painter.circle_filled(at(after), RADIUS + 0.5, self.color);
        }
        if let Some(before) = self.before {
            // Larger than the solid one, so that both show when they meet.
            painter.circle(
                at(before),
                RADIUS + 1.5,
                Color32::TRANSPARENT,
                Stroke::new(1.6, self.color),
            );
        }
        response
    }
}
