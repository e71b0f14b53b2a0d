//! A menu under a button.

use egui::{Popup, PopupCloseBehavior, Response, Ui};

/// What opens when a button is clicked.
pub(crate) struct Menu {
    width: f32,
    stays: bool,
}

impl Menu {
    /// A menu at least so many points wide.
    pub(crate) fn new(width: f32) -> Self {
        Self { width, stays: false }
    }

    /// Stays open until something else is clicked.
    pub(crate) fn stays(mut self) -> Self {
        self.stays = true;
        self
    }

    /// Shows it while it is open. When it closes, the keyboard goes back to the button.
    pub(crate) fn show(self, button: &Response, add: impl FnOnce(&mut Ui)) {
        let close = if self.stays {
            PopupCloseBehavior::CloseOnClickOutside
        } else {
            PopupCloseBehavior::CloseOnClick
        };
        Popup::menu(button).close_behavior(close).width(self.width).show(add);
        give_back_keyboard(button);
    }
}

/// When the menu of a widget has closed, the keyboard goes back to the widget. To be called in every
/// frame.
pub(crate) fn give_back_keyboard(button: &Response) {
    let (ctx, was_open) = (&button.ctx, button.id.with("open"));
    let menu = Popup::default_response_id(button);
    let open = Popup::is_id_open(ctx, menu);
    let before = ctx.data_mut(|data| {
        let before = data.get_temp(was_open).unwrap_or(false);
        data.insert_temp(was_open, open);
        before
    });
    // The entry that was chosen by key keeps the keyboard and is gone with the menu.
    let was_in_menu = |id| ctx.read_response(id).is_some_and(|entry| entry.layer_id.id == menu);
    if before && !open && ctx.memory(|memory| memory.focused()).is_none_or(was_in_menu) {
        button.request_focus();
    }
}
