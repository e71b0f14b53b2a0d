//! The line of help, and the corner to pull the window by.

use egui::{Align2, Rect, Ui, ViewportCommand, vec2};

use crate::editor::help::Help;
use crate::editor::layout::{cut_right, within};
use crate::editor::theme;
use crate::editor::widgets::Corner;
use crate::state::View;

/// Height of this part, in points: two lines, for narrow sheets.
pub(crate) const HEIGHT: f32 = 30.0;

/// Side of the corner, in points.
const CORNER: f32 = 16.0;

/// Shows it within `rect`; the corner goes into that of `window`.
pub(crate) fn show(ui: &mut Ui, rect: Rect, window: Rect, mut help: Help) {
    let inks = theme::of(ui);
    let corner = Rect::from_min_max(window.max - vec2(CORNER, CORNER), window.max);
    let (response, size) = within(ui, corner, |ui| Corner.show(ui, window.size()));
    help.over(&response, "Pull to make the window larger or smaller; Menu has zoom.");
    if let Some(size) = size {
        let least = vec2(View::MIN_SIZE.0.into(), View::MIN_SIZE.1.into());
        let most = vec2(View::MAX_SIZE.0.into(), View::MAX_SIZE.1.into());
        ui.send_viewport_cmd(ViewportCommand::InnerSize(size.clamp(least, most)));
    }
    let mut words = rect;
    cut_right(&mut words, CORNER);
    let line = help.line(ui).into_owned();
    let text = ui.painter().layout(line, theme::SMALL, inks.faint, words.width());
    let at = Align2::LEFT_CENTER.align_size_within_rect(text.size(), words);
    ui.painter().galley(at.min, text, inks.faint);
}
