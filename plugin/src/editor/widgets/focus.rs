//! What the keyboard does to a thing that has it.

use egui::{EventFilter, Response};

/// Keeps the keyboard on a thing when an arrow key is pressed: Tab moves on, arrows have meanings of
/// their own.
pub(crate) fn keep_arrows(response: &Response) {
    if response.has_focus() {
        let arrows = EventFilter {
            horizontal_arrows: true,
            vertical_arrows: true,
            ..EventFilter::default()
        };
        response.ctx.memory_mut(|memory| memory.set_focus_lock_filter(response.id, arrows));
    }
}
