//! A strip of the chart: a scale, and curves over it.

use egui::{Align2, Color32, Painter, Rect, Shape, Stroke, pos2};

use crate::editor::figures;
use crate::editor::theme::{self, Inks};

/// A curve over the strip.
pub(crate) struct Curve<'a> {
    /// A value for each place; pieces are not joined.
    pub(crate) pieces: &'a [Vec<(f32, f32)>],
    /// Width of the line, in points.
    pub(crate) width: f32,
    /// Ink of the line.
    pub(crate) color: Color32,
    /// Wash between the line and the top of the scale.
    pub(crate) wash: Option<Color32>,
}

/// A strip with a scale from top to bottom.
pub(crate) struct Strip {
    /// Where it lies.
    pub(crate) rect: Rect,
    /// Value at its top.
    pub(crate) top: f32,
    /// Value at its bottom, below that at its top.
    pub(crate) bottom: f32,
    /// Values between two lines of the scale.
    pub(crate) step: f32,
}

impl Strip {
    /// The height at which a value lies, within the strip.
    pub(crate) fn y(&self, value: f32) -> f32 {
        let share = (self.top - value) / (self.top - self.bottom);
        self.rect.top() + self.rect.height() * share.clamp(0.0, 1.0)
    }

    /// Paints the ground, and the scale with its values left of it.
    pub(crate) fn paint_scale(&self, painter: &Painter, inks: &Inks) {
        painter.rect_filled(self.rect, 0.0, inks.card);
        let lines = ((self.top - self.bottom) / self.step).round() as i32;
        let height =
            painter.layout_no_wrap("0".to_owned(), theme::SCALE_VALUE, inks.faint).size().y;
        // Where lines are close, not all have their value.
        let pitch = self.rect.height() / lines.max(1) as f32;
        let each = ((height + 1.0) / pitch).ceil().max(1.0) as i32;
        for line in 0..=lines {
            let value = self.top - self.step * line as f32;
            let y = self.y(value).round() + 0.5;
            painter.hline(self.rect.x_range(), y, inks.hair());
            if line != lines && (line % each != 0 || line > lines - each) {
                continue;
            }
            // At the ends the values stay beside the strip.
            let half = height / 2.0 - 3.0;
            let at = y.clamp(self.rect.top() + half, self.rect.bottom() - half);
            painter.text(
                pos2(self.rect.left() - 6.0, at),
                Align2::RIGHT_CENTER,
                figures::fixed(value, 0),
                theme::SCALE_VALUE,
                inks.faint,
            );
        }
    }

    /// Paints a curve. Its places are x.
    pub(crate) fn paint_curve(&self, painter: &Painter, curve: &Curve<'_>) {
        let painter = painter.with_clip_rect(self.rect.expand2(egui::vec2(0.0, 1.0)));
        for piece in curve.pieces {
            let line: Vec<_> = piece.iter().map(|&(x, value)| pos2(x, self.y(value))).collect();
            if let Some(wash) = curve.wash {
                let mut mesh = egui::Mesh::default();
                for (index, &at) in line.iter().enumerate() {
                    mesh.colored_vertex(pos2(at.x, self.rect.top()), wash);
                    mesh.colored_vertex(at, wash);
                    if index > 0 {
                        let last = 2 * index as u32;
                        mesh.add_triangle(last - 2, last - 1, last);
                        mesh.add_triangle(last - 1, last, last + 1);
                    }
                }
                painter.add(mesh);
            }
            painter.add(Shape::line(line, Stroke::new(curve.width, curve.color)));
        }
    }
}
