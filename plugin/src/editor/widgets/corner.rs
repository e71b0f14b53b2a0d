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
        let start = response.id.with("start");
        if response.drag_started()
            && let Some(origin) = ui.input(|input| input.pointer.press_origin())
        {
            ui.data_mut(|data| data.insert_temp(start, (window, origin)));
        }
        let started: Option<(Vec2, Pos2)> = ui.data(|data| data.get_temp(start));
        let to = ui.input(|input| input.pointer.latest_pos()).filter(|_| response.dragged());
        let size = to.zip(started).map(|(to, (from, origin))| (from + (to - origin)).round());

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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::editor::pointer::OneAtATime;
    use egui::{Context, Event, Modifiers, PointerButton, RawInput, Rect, pos2};

    #[test]
    fn the_corner_pulls_as_far_as_the_pointer_went_however_few_the_frames() {
        let button = |x: f32, pressed: bool| Event::PointerButton {
            pos: pos2(x, 10.0),
            button: PointerButton::Primary,
            pressed,
            modifiers: Modifiers::NONE,
        };
        let at = |x: f32| Event::PointerMoved(pos2(x, 10.0));
        let press = [vec![at(10.0)], vec![button(10.0, true)]];
        let ends = [
            vec![vec![at(40.0)], vec![at(70.0)], vec![button(70.0, false)]],
            vec![vec![at(40.0)], vec![at(70.0), button(70.0, false), at(200.0)]],
            vec![vec![at(70.0), button(70.0, false), Event::PointerGone]],
            vec![vec![at(70.0)], vec![button(70.0, false)]],
        ];
        for end in ends {
            let (ctx, mut pulled) = (Context::default(), None);
            ctx.add_plugin(OneAtATime::default());
            let rest = vec![vec![]; 3];
            for events in [vec![]].into_iter().chain(press.clone()).chain(end).chain(rest) {
                let screen_rect = Some(Rect::from_min_size(pos2(0.0, 0.0), vec2(20.0, 20.0)));
                let input = RawInput { screen_rect, events, ..RawInput::default() };
                let mut output = ctx.run_ui(input, |ui| {
                    pulled = Corner.show(ui, vec2(500.0, 300.0)).1.or(pulled);
                });
                output.textures_delta.clear();
            }
            assert_eq!(pulled, Some(vec2(560.0, 300.0)));
        }
    }
}
