//! A button, or a switch that stays down.

use egui::{Align2, Response, Role, Sense, StrokeKind, Ui, WidgetInfo, vec2};

use super::focus::keep_arrows;
use crate::editor::theme;

/// Room left and right of the text, in points.
const PAD: f32 = 9.0;

/// Text in a frame; filled with ink while on.
pub(crate) struct Button<'a> {
    text: &'a str,
    on: bool,
    menu: bool,
    width: Option<f32>,
}

impl<'a> Button<'a> {
    /// A button that says `text`.
    pub(crate) fn new(text: &'a str) -> Self {
        Self { text, on: false, menu: false, width: None }
    }

    /// Whether it is down.
    pub(crate) fn on(mut self, on: bool) -> Self {
        self.on = on;
        self
    }

    /// Marks it as opening a menu.
    pub(crate) fn menu(mut self) -> Self {
        self.menu = true;
        self
    }

    /// Width in points; that of its text otherwise.
    pub(crate) fn width(mut self, width: f32) -> Self {
        self.width = Some(width);
        self
    }

    /// Shows it as high as there is room.
    pub(crate) fn show(self, ui: &mut Ui) -> Response {
        let inks = theme::of(ui);
        let color = if self.on { inks.paper } else { inks.ink };
        let mark = if self.menu { 14.0 } else { 0.0 };
        let text = ui.painter().layout_no_wrap(self.text.to_owned(), theme::TEXT, color);
        let width = self.width.unwrap_or(text.size().x.ceil() + 2.0 * PAD + mark);
        let size = vec2(width, ui.available_height());

        let (rect, response) = ui.allocate_exact_size(size, Sense::click());
        response.widget_info(|| {
            WidgetInfo::selected(Role::Button, ui.is_enabled(), self.on, self.text)
        });

        keep_arrows(&response);
        let painter = ui.painter().with_clip_rect(rect);
        let hot = response.hovered() || response.has_focus();
        let ground = match (self.on, hot) {
            (true, _) => inks.ink,
            (false, true) => inks.paper,
            (false, false) => inks.card,
        };
        painter.rect(
            rect,
            3.0,
            ground,
            if hot { inks.hot() } else { inks.hair() },
            StrokeKind::Inside,
        );
        let at = if self.menu {
            Align2::LEFT_CENTER.align_size_within_rect(text.size(), rect.shrink2(vec2(PAD, 0.0)))
        } else {
            Align2::CENTER_CENTER.align_size_within_rect(text.size(), rect)
        };
        painter.galley(at.min, text, color);
        if self.menu {
            let tip = rect.right_center() + vec2(-PAD - 4.0, 2.5);
            painter.add(egui::Shape::convex_polygon(
                vec![tip, tip + vec2(-4.0, -5.0), tip + vec2(4.0, -5.0)],
                color,
                egui::Stroke::NONE,
            ));
        }
        response
    }
}
