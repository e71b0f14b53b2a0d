//! The parts of the sheet, from top to bottom.

mod controls;
mod foot;
mod heard;
mod readings;

use egui::{Rect, Ui, vec2};

use super::hand::Hand;
use super::help::Help;
use super::layout::{cut_bottom, cut_top};
use super::shown::Shown;
use super::theme;
use crate::feed::FeedOut;

/// Margin of the sheet, in points.
const MARGIN: f32 = 18.0;
/// The largest a sheet gets, in points. Rulers as wide as a wall are no easier to read; zoom makes
/// everything larger instead.
const LARGEST: egui::Vec2 = vec2(1400.0, 820.0);

/// Draws the whole sheet within `window`.
pub(crate) fn sheet(
    ui: &mut Ui,
    window: Rect,
    hand: &mut Hand<'_>,
    shown: &Shown,
    feed: &FeedOut,
    help: &mut Help,
) {
    let paper = Rect::from_center_size(window.center(), window.size().min(LARGEST));
    ui.painter().rect_filled(window, 0.0, theme::DESK);
    ui.painter().rect_filled(paper, 0.0, theme::PAPER);
    let mut rest = paper.shrink2(vec2(MARGIN, 12.0));

    let heard = cut_top(&mut rest, heard::HEIGHT);
    let foot = cut_bottom(&mut rest, foot::HEIGHT);
    divide(ui, &mut rest, true);
    divide(ui, &mut rest, false);
    // Room is shared so that the rows of both parts grow alike.
    let spare = (rest.height() - readings::HEIGHT - controls::HEIGHT).max(0.0);
    let controls = cut_bottom(&mut rest, controls::HEIGHT + spare * 0.45);
    divide(ui, &mut rest, false);

    heard::show(ui, heard, hand, shown, feed, help);
    readings::show(ui, rest, shown, feed, help);
    controls::show(ui, controls, hand, help);
    foot::show(ui, foot, hand, std::mem::take(help));
}

/// Draws a line across the top or the bottom of what is left.
fn divide(ui: &Ui, rest: &mut Rect, top: bool) {
    const GAP: f32 = 12.0;
    let strip = if top { cut_top(rest, GAP) } else { cut_bottom(rest, GAP) };
    ui.painter().hline(strip.x_range(), strip.center().y.round() + 0.5, theme::HAIR);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::editor::shown::Shown;
    use crate::feed::{FeedIn, FeedOut, feed};
    use crate::listener::{Listener, listener};
    use crate::params::BusParams;
    use egui::{Context, Event, PointerButton, RawInput, Shape, pos2};
    use nice_plug::context::PluginApi;
    use nice_plug::context::gui::GuiContextInner;
    use nice_plug::params::internals::ParamPtr;
    use nice_plug::prelude::{ParamSetter, PluginState};
    use std::sync::Mutex;
    use tenon_dsp::{Control, Processor};

    /// A host that does what it is told and remembers it.
    #[derive(Default)]
    struct Host(Mutex<Vec<String>>);

    #[allow(unsafe_code)] // the trait asks for it; every pointer comes from parameters kept alive
    impl GuiContextInner for Host {
        fn plugin_api(&self) -> PluginApi {
            PluginApi::Clap
        }
        unsafe fn raw_begin_set_parameter(&self, param: ParamPtr) {
            // SAFETY: see above.
            let name = unsafe { param.name() };
            self.0.lock().unwrap().push(format!("begin {name}"));
        }
        unsafe fn raw_set_parameter_normalized(&self, param: ParamPtr, normalized: f32) {
            // SAFETY: see above.
            unsafe { param._internal_set_normalized_value(normalized) };
            self.0.lock().unwrap().push("set".to_owned());
        }
        unsafe fn raw_end_set_parameter(&self, param: ParamPtr) {
            // SAFETY: see above.
            let name = unsafe { param.name() };
            self.0.lock().unwrap().push(format!("end {name}"));
        }
        fn get_state(&self) -> PluginState {
            unreachable!("the editor keeps no states")
        }
        fn set_state(&self, _state: PluginState) {
            unreachable!("the editor keeps no states")
        }
        fn request_restart(&self) {
            unreachable!("nothing on the sheet needs a restart")
        }
    }

    /// A sheet in a window that nobody sees.
    struct Window {
        ctx: Context,
        size: egui::Vec2,
        host: Host,
        params: BusParams,
        on: Option<Control>,
        shown: Shown,
        audio: FeedIn,
        feed: FeedOut,
        listener: Listener,
        frames: u32,
    }

    impl Window {
        fn new(width: f32, height: f32) -> Self {
            let ctx = Context::default();
            theme::apply(&ctx);
            let (audio, feed) = feed(Processor::new().readings());
            Self {
                ctx,
                size: vec2(width, height),
                host: Host::default(),
                params: BusParams::default(),
                on: None,
                shown: Shown::default(),
                audio,
                feed,
                listener: listener().1,
                frames: 0,
            }
        }

        /// Draws a frame and gives every text with the place of its ink.
        fn frame(&mut self, events: Vec<Event>) -> Vec<(String, Rect)> {
            self.frames += 1;
            let input = RawInput {
                screen_rect: Some(Rect::from_min_size(pos2(0.0, 0.0), self.size)),
                time: Some(f64::from(self.frames) * 0.05),
                events,
                ..RawInput::default()
            };
            let mut output = self.ctx.run_ui(input, |ui| {
                self.shown.update(ui.ctx(), &mut self.feed, &self.listener);
                let setter = ParamSetter::new(&self.host);
                let mut hand = Hand::new(&self.params, setter, &mut self.on);
                let mut help = Help::default();
                sheet(ui, ui.max_rect(), &mut hand, &self.shown, &self.feed, &mut help);
            });
            output.textures_delta.clear();
            let texts = output.shapes.iter().filter_map(|clipped| match &clipped.shape {
                Shape::Text(text) => {
                    let ink = text.galley.mesh_bounds.translate(text.pos.to_vec2());
                    assert!(
                        clipped.clip_rect.contains_rect(ink),
                        "{:?} is cut",
                        text.galley.text()
                    );
                    Some((text.galley.text().to_owned(), ink))
                }
                _ => None,
            });
            texts.collect()
        }

        /// Moves every control to one end of its travel.
        fn move_all_to(&mut self, end: f32) {
            let setter = ParamSetter::new(&self.host);
            for control in Control::ALL {
                let param = self.params.get(control);
                param.begin(&setter);
                param.set(&setter, param.value_at(end));
                param.end(&setter);
            }
        }

        fn place(&mut self, text: &str) -> egui::Pos2 {
            let texts = self.frame(vec![]);
            texts.iter().find(|(t, _)| t == text).expect(text).1.center()
        }

        fn click(&mut self, at: egui::Pos2) {
            self.frame(vec![Event::PointerMoved(at)]);
            for pressed in [true, false] {
                self.frame(vec![button(at, pressed)]);
            }
            self.frame(vec![]);
        }
    }

    fn button(pos: egui::Pos2, pressed: bool) -> Event {
        Event::PointerButton {
            pos,
            button: PointerButton::Primary,
            pressed,
            modifiers: egui::Modifiers::NONE,
        }
    }

    #[test]
    fn no_text_is_cut_or_lies_on_another_at_any_size() {
        for (width, height) in [(720.0, 460.0), (960.0, 600.0), (1400.0, 820.0), (3840.0, 2160.0)] {
            for (running, end) in
                [(false, None), (true, None), (true, Some(0.0)), (true, Some(1.0))]
            {
                let mut window = Window::new(width, height);
                if let Some(end) = end {
                    window.move_all_to(end);
                }
                if running {
                    let mut readings = Processor::new().readings();
                    readings.gain_reduction_db = 24.0;
                    readings.mid_before_db = -60.2;
                    readings.mid_after_db = -60.3;
                    readings.loudness_before_lufs = -59.9;
                    readings.match_gain_db = -24.0;
                    window.audio.tick();
                    window.audio.publish(readings);
                }
                window.frame(vec![]);
                let texts = window.frame(vec![]);
                let sheet = Rect::from_min_size(pos2(0.0, 0.0), window.size);
                for (index, (text, ink)) in texts.iter().enumerate() {
                    assert!(sheet.contains_rect(*ink), "{text:?} leaves the sheet");
                    for (other, on) in &texts[..index] {
                        let apart = !ink.intersects(*on);
                        assert!(apart, "{text:?} on {other:?} at {width} by {height}");
                    }
                }
            }
        }
    }

    #[test]
    fn every_control_is_on_the_sheet() {
        let texts = Window::new(720.0, 460.0).frame(vec![]);
        let has = |wanted: &str| texts.iter().any(|(text, _)| text == wanted);
        for control in Control::ALL {
            let shown = match control {
                Control::LoudnessMatch => "Match",
                Control::MatchHold => "Hold",
                Control::Compare => "Dry at same loudness",
                Control::Quality => "Quality 4x",
                other => other.spec().name,
            };
            assert!(has(shown), "{control:?}");
        }
    }

    #[test]
    fn numbers_have_units_and_a_dash_stands_for_no_reading() {
        let mut window = Window::new(960.0, 600.0);
        let stopped = window.frame(vec![]);
        let dashes = stopped.iter().filter(|(text, _)| text.contains('\u{2014}')).count();
        // Gain reduction now, peak and mean; three levels; togetherness; the match gain.
        assert_eq!(dashes, 8);
        for (text, _) in stopped {
            assert!(!text.contains('-') || !text.contains("dB"), "hyphen for minus in {text:?}");
        }
    }

    #[test]
    fn a_drag_is_one_gesture_of_the_host() {
        let mut window = Window::new(960.0, 600.0);
        let at = window.place("Threshold") + vec2(40.0, 18.0);
        window.frame(vec![Event::PointerMoved(at)]);
        window.frame(vec![button(at, true)]);
        for x in [10.0, 20.0, 30.0] {
            window.frame(vec![Event::PointerMoved(at + vec2(x, 0.0))]);
        }
        window.frame(vec![button(at + vec2(30.0, 0.0), false)]);
        let calls = window.host.0.lock().unwrap();
        assert_eq!(calls.first().unwrap(), "begin Threshold");
        assert_eq!(calls.last().unwrap(), "end Threshold");
        assert!(calls[1..calls.len() - 1].iter().all(|call| call == "set"), "{calls:?}");
        assert!(window.params.get(Control::Threshold).value() > -18.0);
    }

    #[test]
    fn switches_and_choices_reach_the_host() {
        for (text, control, value) in [
            ("Dry at same loudness", Control::Compare, 1.0),
            ("delta", Control::Listen, 1.0),
            ("Bypass", Control::Bypass, 1.0),
            ("Match", Control::LoudnessMatch, 0.0),
            ("Hold", Control::MatchHold, 1.0),
            ("external", Control::KeySource, 1.0),
        ] {
            let mut window = Window::new(960.0, 600.0);
            let at = window.place(text);
            window.click(at);
            assert_eq!(window.params.get(control).value(), value, "{text}");
            let name = control.spec().name;
            let calls = window.host.0.lock().unwrap();
            let gesture = [format!("begin {name}"), "set".to_owned(), format!("end {name}")];
            assert_eq!(*calls, gesture);
        }
    }

    #[test]
    fn the_quality_is_chosen_from_its_menu() {
        let mut window = Window::new(960.0, 600.0);
        let at = window.place("Quality 4x");
        window.click(at);
        window.frame(vec![]);
        let at = window.place("8x");
        window.click(at);
        assert_eq!(window.params.get(Control::Quality).value(), 3.0);
        window.place("Quality 8x");
    }

    #[test]
    fn learn_anew_and_clear_reach_the_engine() {
        let mut window = Window::new(960.0, 600.0);
        let at = window.place("Learn anew");
        window.click(at);
        assert!(window.audio.take_learn_anew());
        let at = window.place("Gain reduction") + vec2(200.0, 0.0);
        window.click(at);
        assert!(window.audio.take_clear_peaks());
    }

    #[test]
    fn a_preset_sets_what_makes_the_sound_and_is_named_afterwards() {
        let mut window = Window::new(960.0, 600.0);
        let at = window.place("Choose a preset");
        window.click(at);
        window.frame(vec![]);
        let preset = &crate::presets::factory()[0];
        let at = window.place(preset.name);
        window.click(at);
        assert_eq!(window.params.settings(), preset.settings);
        window.place(preset.name);
    }

    #[test]
    fn help_follows_the_pointer_and_caution_stands_when_there_is_none() {
        let mut window = Window::new(1400.0, 820.0);
        let has = |texts: Vec<(String, Rect)>, wanted: &str| {
            texts.iter().any(|(text, _)| text.contains(wanted))
        };
        assert!(has(window.frame(vec![]), "turn the monitors down"));
        let at = window.place("Ratio");
        window.frame(vec![Event::PointerMoved(at)]);
        assert!(has(window.frame(vec![]), Control::Ratio.spec().help));
        let at = window.place("Match");
        window.frame(vec![Event::PointerMoved(at)]);
        assert!(has(window.frame(vec![]), "The level can jump"));
    }
}
