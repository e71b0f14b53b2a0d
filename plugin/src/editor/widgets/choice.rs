//! A few named choices side by side, one of them taken.

use egui::{Align2, Response, Role, Sense, StrokeKind, Ui, WidgetInfo, pos2, vec2};

use crate::editor::theme;

/// Room left and right of each name, in points.
const PAD: f32 = 10.0;

/// Side by side in one frame; the taken one is filled with ink.
pub(crate) struct Choice<'a> {
    names: &'a [&'a str],
    taken: usize,
    even_width: Option<f32>,
}

impl<'a> Choice<'a> {
    /// A choice among `names`; `taken` is an index.
    pub(crate) fn new(names: &'a [&'a str], taken: usize) -> Self {
        Self { names, taken, even_width: None }
    }

    /// Shares this width, in points, evenly; as wide as the names otherwise.
    pub(crate) fn even_width(mut self, width: f32) -> Self {
        self.even_width = Some(width);
        self
    }

    /// Shows it as high as there is room. Gives the response and the choice made, if one was.
    pub(crate) fn show(self, ui: &mut Ui) -> (Response, Option<usize>) {
        let font = self.even_width.map_or(theme::TEXT, |width| theme::fonts_for(width).0);
        let names: Vec<_> = self
            .names
            .iter()
            .enumerate()
            .map(|(index, name)| {
                let color = if index == self.taken { theme::PAPER } else { theme::INK };
                (ui.painter().layout_no_wrap((*name).to_owned(), font.clone(), color), color)
            })
            .collect();
        let widths: Vec<f32> = match self.even_width {
            Some(width) => vec![width / names.len() as f32; names.len()],
            None => names.iter().map(|(name, _)| name.size().x.ceil() + 2.0 * PAD).collect(),
        };
        let size = vec2(widths.iter().sum(), ui.available_height());

        let (rect, whole) = ui.allocate_exact_size(size, Sense::hover());
        let mut response = whole.clone();

        let painter = ui.painter().with_clip_rect(rect);
        painter.rect_filled(rect, 3.0, theme::CARD);
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
            if this.clicked() && index != self.taken {
                chosen = Some(index);
            }
            if index == self.taken {
                painter.rect_filled(part, 3.0, theme::INK);
            } else if this.hovered() || this.has_focus() {
                painter.rect_filled(part.shrink(1.0), 2.0, theme::PAPER);
            }
            let at = Align2::CENTER_CENTER.align_size_within_rect(name.size(), part);
            painter.galley(at.min, name, color);
            response = response.union(this);
        }
        let stroke = if response.hovered() { theme::SCALE } else { theme::HAIR };
        painter.rect_stroke(rect, 3.0, stroke, StrokeKind::Inside);
        (response, chosen)
    }
}
