//! Gain reduction: how much now, and the most so far.

use egui::{Rect, Response, Sense, Shape, Stroke, StrokeKind, Ui, pos2, vec2};

use crate::editor::theme;

/// A bar from no reduction at the left, with a mark where the most was.
pub(crate) struct Reduction {
    /// Place of the reduction now, 0 to 1; none without a reading.
    pub(crate) now: Option<f32>,
    /// Place of the largest since it was cleared.
    pub(crate) peak: Option<f32>,
}

impl Reduction {
    /// Shows it as wide and high as there is room. A click is a wish to clear the peak.
    pub(crate) fn show(self, ui: &mut Ui) -> Response {
        let (rect, response) = ui.allocate_exact_size(ui.available_size(), Sense::click());

        let painter = ui.painter();
        painter.rect_filled(rect, 0.0, theme::CARD);
        let x = |place: f32| rect.left() + rect.width() * place.clamp(0.0, 1.0);
        if let Some(now) = self.now {
            let bar = Rect::from_min_max(rect.min, pos2(x(now), rect.bottom()));
            painter.rect_filled(bar, 0.0, theme::WASH);
            painter.vline(x(now), rect.y_range(), Stroke::new(2.0, theme::INK));
        }
        let stroke = if response.hovered() { theme::SCALE } else { theme::HAIR };
        painter.rect_stroke(rect, 0.0, stroke, StrokeKind::Outside);
        if let Some(peak) = self.peak {
            let foot = pos2(x(peak), rect.top() + 7.0);
            painter.add(Shape::convex_polygon(
                vec![foot, foot + vec2(-4.5, -8.0), foot + vec2(4.5, -8.0)],
                theme::INK,
                Stroke::NONE,
            ));
            painter.vline(foot.x, rect.y_range(), theme::SCALE);
        }
        response
    }
}
