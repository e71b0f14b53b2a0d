//! How far each band follows, as a row of cells.

use egui::{Color32, Rect, Response, Sense, Ui, pos2, vec2};

use crate::editor::theme;

/// Space between two cells, in points.
const GAP: f32 = 3.0;

/// A row of cells, each filled from below as far as its band follows; a dash where there is no
/// reading.
pub(crate) struct Bands<'a> {
    /// 0 to 1, from low to high bands.
    pub(crate) follow: &'a [Option<f32>],
    /// Ink of what follows.
    pub(crate) color: Color32,
}

impl Bands<'_> {
    /// The middles of cells in a row as wide as `rect`.
    pub(crate) fn middles(rect: Rect, cells: usize) -> impl Iterator<Item = f32> {
        let pitch = (rect.width() + GAP) / cells.max(1) as f32;
        (0..cells).map(move |cell| rect.left() + pitch * (cell as f32 + 0.5) - GAP / 2.0)
    }

    /// Shows it as wide and high as there is room. Gives the cell under the pointer too.
    pub(crate) fn show(self, ui: &mut Ui) -> (Response, Option<usize>) {
        let (rect, response) = ui.allocate_exact_size(ui.available_size(), Sense::hover());

        let inks = theme::of(ui);
        let painter = ui.painter();
        let cells = self.follow.len();
        let width = (rect.width() + GAP) / cells.max(1) as f32 - GAP;
        let mut under = None;
        for (cell, (middle, follow)) in Self::middles(rect, cells).zip(self.follow).enumerate() {
            let frame =
                Rect::from_center_size(pos2(middle, rect.center().y), vec2(width, rect.height()));
            painter.rect_filled(frame, 1.0, inks.wash);
            match follow {
                Some(follow) => {
                    let top = frame.bottom() - frame.height() * follow.clamp(0.0, 1.0);
                    let part = Rect::from_min_max(pos2(frame.left(), top), frame.max);
                    painter.rect_filled(part, 1.0, self.color);
                }
                None => {
                    let dash = frame.center().x - 3.0..=frame.center().x + 3.0;
                    painter.hline(dash, frame.center().y, egui::Stroke::new(1.0, inks.faint));
                }
            }
            if response.hover_pos().is_some_and(|pointer| frame.contains(pointer)) {
                under = Some(cell);
            }
        }
        (response, under)
    }
}
