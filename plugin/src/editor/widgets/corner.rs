//! The corner by which the window is pulled larger or smaller.

use egui::{CursorIcon, Pos2, Response, Sense, Ui, Vec2, vec2};

use crate::editor::theme;

/// Three strokes across the corner.
pub(crate) struct Corner;

impl Corner {
    /// Shows it as large as there is room. Gives the size, in points, that the window is pulled to;
    /// `window` is the size it has.
    pub(crate) fn show(self, ui: &mut Ui, window: Vec2) -> (Response, Option<Vec2>) {
        let (rect, response) = ui.allocate_exact_size(ui.available_size(), Sense::DRAG);
        let response = response.on_hover_cursor(CursorIcon::ResizeNwSe);
        let (start, pointer) = (response.id.with("start"), ui.input(|input| input.pointer.clone()));
        if let Some(origin) = pointer.press_origin().filter(|_| response.drag_started()) {
            ui.data_mut(|data| data.insert_temp(start, (window, origin)));
        }
        // By hand, because the response tells nothing of what comes in one frame with letting go.
        let pulled = pointer.latest_pos().filter(|_| response.dragged() || response.drag_stopped());
        let started: Option<(Vec2, Pos2)> = ui.data(|data| data.get_temp(start));
        let size = pulled.zip(started).map(|(to, (from, origin))| (from + (to - origin)).round());

        let inks = theme::of(ui);
        let stroke =
            if response.hovered() || response.dragged() { inks.hot() } else { inks.hair() };
        for way in [3.0, 7.0, 11.0] {
            let corner = rect.right_bottom() - vec2(2.0, 2.0);
            ui.painter().line_segment([corner - vec2(way, 0.0), corner - vec2(0.0, way)], stroke);
        }
        (response, size)
    }
}
