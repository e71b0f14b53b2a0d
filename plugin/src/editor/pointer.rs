//! What the pointer does, heard by widgets one thing after the other.

use egui::{Context, Event, Plugin, RawInput, Ui};

/// Ends a frame's events behind a button that is pressed or released, and before a release that something
/// of the pointer precedes; what is left is heard in the frames that follow. A press right behind a release
/// is heard with it: two clicks are a double click by the time between the frames of their releases, which is
/// then one frame and not two.
///
/// A window that draws slowly is told in one frame that the pointer went on, let go, and went on again.
/// egui tells widgets where it is at last and that a button was released: they would lose the way before
/// the release, and the whole of a drag that began with it.
#[derive(Debug, Default)]
pub(crate) struct OneAtATime {
    waiting: Vec<Event>,
}

impl Plugin for OneAtATime {
    fn debug_name(&self) -> &'static str {
        "one at a time"
    }

    fn input_hook(&mut self, _: &Context, input: &mut RawInput) {
        self.waiting.append(&mut input.events);
        #[derive(Clone, Copy, PartialEq)]
        enum Pointer {
            Press,
            Release,
            Other,
        }
        use Pointer::{Other, Press, Release};
        let mut before = None;
        let end = self.waiting.iter().position(|event| {
            let now = match event {
                Event::PointerButton { pressed: true, .. } => Press,
                Event::PointerButton { pressed: false, .. } => Release,
                Event::PointerMoved(_) | Event::PointerGone => Other,
                _ => return false,
            };
            let ends = match (before, now) {
                (None, _) | (Some(Release), Press) => false,
                (Some(before), now) => before != Other || now == Release,
            };
            before = Some(now);
            ends
        });
        input.events = self.waiting.drain(..end.unwrap_or(self.waiting.len())).collect();
    }

    fn on_end_pass(&mut self, ui: &mut Ui) {
        if !self.waiting.is_empty() {
            ui.ctx().request_repaint();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui::{Modifiers, PointerButton, pos2};

    fn button(pressed: bool) -> Event {
        let (pos, button, modifiers) = (pos2(1.0, 1.0), PointerButton::Primary, Modifiers::NONE);
        Event::PointerButton { pos, button, pressed, modifiers }
    }

    /// The events of frames in which so many have come.
    fn heard(events: &[Event], frames: &[usize]) -> Vec<Vec<Event>> {
        let (ctx, mut plugin) = (Context::default(), OneAtATime::default());
        let mut events = events.iter().cloned();
        let mut hear = |come: usize| {
            let events = events.by_ref().take(come).collect();
            let mut input = RawInput { events, ..RawInput::default() };
            plugin.input_hook(&ctx, &mut input);
            input.events
        };
        frames.iter().map(|come| hear(*come)).collect()
    }

    #[test]
    fn a_release_and_what_follows_it_have_frames_of_their_own() {
        let at = |x: f32| Event::PointerMoved(pos2(x, 0.0));
        let key = Event::Text("a".to_owned());
        let drag = [at(1.0), button(true), at(2.0), key.clone(), button(false), at(3.0)];
        let one_by_one = [
            vec![at(1.0), button(true)],
            vec![at(2.0), key.clone()],
            vec![button(false)],
            vec![at(3.0)],
            vec![],
        ];
        assert_eq!(heard(&drag, &[6, 0, 0, 0, 0]), one_by_one);
        // What comes meanwhile waits for its turn.
        assert_eq!(heard(&drag, &[5, 1, 0, 0, 0]), one_by_one);
        let clicks = [true, false, true, false].map(button);
        assert_eq!(heard(&clicks, &[4, 0, 0]), [&clicks[..1], &clicks[1..3], &clicks[3..]]);
        // What has a frame of its own already is heard at once, and keys wait for no pointer.
        assert_eq!(heard(&drag, &[2, 2, 1, 1, 0]), one_by_one);
        let keys = [key.clone(), key.clone(), button(true), key];
        assert_eq!(heard(&keys, &[4]), [keys.to_vec()]);
    }
}
