//! Where a drag has come to.

use egui::{Event, PointerButton, Pos2, Response, Ui};

/// Where the pointer is while `response` is dragged, and in the frame in which it is let go, where that
/// was. A response tells nothing of the way in that frame, in which a slow window sees a good part of a
/// drag; and the pointer may have gone on since, or left.
pub(crate) fn dragged_to(ui: &Ui, response: &Response) -> Option<Pos2> {
    if response.dragged() {
        return ui.input(|input| input.pointer.latest_pos());
    }
    let released = |event: &Event| match event {
        Event::PointerButton { pos, button: PointerButton::Primary, pressed: false, .. } => {
            Some(*pos)
        }
        _ => None,
    };
    let released = || ui.input(|input| input.events.iter().find_map(released));
    response.drag_stopped().then(released).flatten()
}
