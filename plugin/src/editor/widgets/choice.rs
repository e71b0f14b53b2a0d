//! A few named choices side by side, one of them taken.

use egui::{Align2, Response, Role, Sense, StrokeKind, Ui, WidgetInfo, pos2, vec2};

use super::focus::keep_arrows;
use crate::editor::theme;

/// Room left and right of each name, in points.
const PAD: f32 = 9.0;

/// Side by side in one frame; the taken one is filled with ink.
pub(crate) struct Choice<'a> {
    names: &'a [&'a str],
    taken: usize,
}

impl<'a> Choice<'a> {
    /// A choice among `names`; `taken` is an index.
    pub(crate) fn new(names: &'a [&'a str], taken: usize) -> Self {
        Self { names, taken }
    }

    /// Shows it as high as there is room. Gives the response and the choice made, if one was.
    pub(crate) fn show(self, ui: &mut Ui) -> (Response, Option<usize>) {
        let inks = theme::of(ui);
        let names: Vec<_> = self
            .names
            .iter()
            .enumerate()
            .map(|(index, name)| {
                let color = if index == self.taken { inks.paper } else { inks.ink };
                (ui.painter().layout_no_wrap((*name).to_owned(), theme::TEXT, color), color)
            })
            .collect();
        let widths: Vec<f32> =
            names.iter().map(|(name, _)| name.size().x.ceil() + 2.0 * PAD).collect();
        let size = vec2(widths.iter().sum(), ui.available_height());

        let (rect, whole) = ui.allocate_exact_size(size, Sense::hover());
        let mut response = whole.clone();

        let painter = ui.painter().with_clip_rect(rect);
        painter.rect_filled(rect, 3.0, inks.card);
        let mut chosen = None;
        let mut left = rect.left();
        for (index, ((name, color), width)) in names.into_iter().zip(widths).enumerate() {
            let part =
                egui::Rect::from_min_max(pos2(left, rect.top()), pos2(left + width, rect.bottom()));
            left += width;
            let this = ui.interact(part, whole.id.with(index), Sense::click());
            this.widget_info(|| {
                WidgetInfo::selected(
                    Role::RadioButton,
                    ui.is_enabled(),
                    index == self.taken,
                    self.names[index],
                )
            });
            keep_arrows(&this);
            if this.clicked() && index != self.taken {
                chosen = Some(index);
            }
            if index == self.taken {
                painter.rect_filled(part, 3.0, inks.ink);
            } else if this.hovered() || this.has_focus() {
                painter.rect_filled(part.shrink(1.0), 2.0, inks.paper);
            }
            let at = Align2::CENTER_CENTER.align_size_within_rect(name.size(), part);
            painter.galley(at.min, name, color);
            response = response.union(this);
        }
        let stroke = if response.hovered() { inks.hot() } else { inks.hair() };
        painter.rect_stroke(rect, 3.0, stroke, StrokeKind::Inside);
        (response, chosen)
    }
}
