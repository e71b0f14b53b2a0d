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
    /// Parts that the scale is marked into.
    pub(crate) steps: usize,
    /// Ink of the marks.
    pub(crate) color: Color32,
}

impl Span {
    /// Shows it as wide and high as there is room.
    pub(crate) fn show(self, ui: &mut Ui) -> Response {
        let (rect, response) = ui.allocate_exact_size(ui.available_size(), Sense::hover());

        let inks = theme::of(ui);
        let painter = ui.painter();
        let y = rect.center().y.round() + 0.5;
        painter.hline(rect.x_range(), y, Stroke::new(1.0, inks.faint));
        for step in 0..=self.steps {
            let x = rect.left() + 0.5 + (rect.width() - 1.0) * step as f32 / self.steps as f32;
            painter.vline(x, y - 4.0..=y, Stroke::new(1.0, inks.wash));
        }
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
