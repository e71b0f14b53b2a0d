//! Cutting the sheet into pieces.

use egui::{Align, Layout, Rect, Ui, UiBuilder};

/// Cuts a strip off the top of `rect`.
pub(crate) fn cut_top(rect: &mut Rect, height: f32) -> Rect {
    let (strip, rest) = rect.split_top_bottom_at_y(rect.top() + height);
    *rect = rest;
    strip
}

/// Cuts a strip off the bottom of `rect`.
pub(crate) fn cut_bottom(rect: &mut Rect, height: f32) -> Rect {
    let (rest, strip) = rect.split_top_bottom_at_y(rect.bottom() - height);
    *rect = rest;
    strip
}

/// Cuts a strip off the left of `rect`.
pub(crate) fn cut_left(rect: &mut Rect, width: f32) -> Rect {
    let (strip, rest) = rect.split_left_right_at_x(rect.left() + width);
    *rect = rest;
    strip
}

/// Cuts a strip off the right of `rect`.
pub(crate) fn cut_right(rect: &mut Rect, width: f32) -> Rect {
    let (rest, strip) = rect.split_left_right_at_x(rect.right() - width);
    *rect = rest;
    strip
}

/// Lays out within `rect` only.
pub(crate) fn within<R>(ui: &mut Ui, rect: Rect, add: impl FnOnce(&mut Ui) -> R) -> R {
    ui.scope_builder(UiBuilder::new().max_rect(rect), add).inner
}

/// Space between two things in a row, in points.
pub(crate) const SPACE: f32 = 8.0;

/// Adds things side by side within `rect`, from its left or, with [`Align::Max`], from its right.
pub(crate) fn row(ui: &mut Ui, rect: Rect, from: Align, add: impl FnOnce(&mut Ui)) {
    let layout = if from == Align::Min {
        Layout::left_to_right(Align::Center)
    } else {
        Layout::right_to_left(Align::Center)
    };
    ui.scope_builder(UiBuilder::new().max_rect(rect).layout(layout), |ui| {
        ui.spacing_mut().item_spacing.x = SPACE;
        add(ui);
    });
}
