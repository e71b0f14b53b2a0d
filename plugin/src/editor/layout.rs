//! Cutting the sheet into pieces.

use egui::{Rect, Ui, UiBuilder};

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
