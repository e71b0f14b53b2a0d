//! The parts of the sheet, from top to bottom.

mod chart;
mod controls;
mod drop;
mod find;
mod folder;
mod foot;
mod heard;
mod main_menu;
mod preset_menu;
mod readings;
mod trial;

use std::time::Duration;

use egui::{Rect, Ui, vec2};
use tenon_dsp::Control;

use super::finder::Finder;
use super::hand::Hand;
use super::help::{self, Help};
use super::layout::{cut_bottom, cut_right, cut_top};
use super::shown::Shown;
use super::theme;
use super::trial::Conductor;
use crate::blind::Blind;
use crate::feed::FeedOut;
use crate::state::BusState;

/// Margin of the sheet, in points.
const MARGIN: egui::Vec2 = vec2(18.0, 8.0);
/// Width of the readings: a part of the sheet's, at least and at most so much.
const READINGS: (f32, f32, f32) = (0.34, 236.0, 560.0);
/// Space between the chart and the readings, in points.
const GUTTER: f32 = 26.0;

/// What the sheet shows and changes.
pub(crate) struct Sheet<'a, 'h> {
    pub(crate) hand: &'a mut Hand<'h>,
    pub(crate) shown: &'a Shown,
    pub(crate) feed: &'a FeedOut,
    pub(crate) finder: &'a mut Finder,
    pub(crate) state: &'a BusState,
    /// Blind trials.
    pub(crate) trial: &'a mut Conductor,
    pub(crate) blind: &'a mut Blind,
    /// The controls.
    pub(crate) groups: &'a [controls::Group],
}

pub(crate) use controls::GROUPS;

/// Draws the whole sheet within `window`. True while the pointer holds the chart still.
pub(crate) fn sheet(ui: &mut Ui, window: Rect, sheet: Sheet<'_, '_>) -> bool {
    let Sheet { hand, shown, feed, finder, state, trial, blind, groups } = sheet;
    let mut rest = window.shrink2(MARGIN);
    let foot = cut_bottom(&mut rest, foot::HEIGHT);
    trial.follow(hand, state, blind);
    let caution = if trial.is_closed() { help::CAUTION } else { help::TRIAL_CAUTION };
    let mut help = Help::new(caution);
    if !trial.is_closed() {
        divide(ui, &mut rest, false);
        trial::show(ui, rest, trial, state, blind, &mut help);
        drop::wait(ui, window, hand);
        tell(ui, trial);
        foot::show(ui, foot, window, help);
        return false;
    }
    tell(ui, trial);
    take_in_found(ui, hand, finder);
    let heard = cut_top(&mut rest, heard::HEIGHT);
    divide(ui, &mut rest, true);
    divide(ui, &mut rest, false);
    // The chart gets most of what is to spare.
    let spare = (rest.height() - readings::HEIGHT - controls::HEIGHT - 2.0 * LINE).max(0.0);
    let height = (controls::HEIGHT + spare * 0.22).min(controls::ENOUGH);
    let controls = cut_bottom(&mut rest, height);
    divide(ui, &mut rest, false);

    let (part, least, most) = READINGS;
    let readings = cut_right(&mut rest, (window.width() * part).clamp(least, most));
    cut_right(&mut rest, GUTTER);
    heard::show(ui, heard, hand, (shown, feed), state, (trial, blind), &mut help);
    controls::show(ui, controls, groups, hand, (finder, shown), &mut help);
    let held = chart::show(ui, rest, shown, feed, &mut help);
    readings::show(ui, readings, shown, &mut help);
    drop::show(ui, window, hand);
    foot::show(ui, foot, window, help);
    held
}

/// Tells what became of a trial that has no page for it.
fn tell(ui: &Ui, trial: &mut Conductor) {
    if let Some(notice) = trial.take_notice() {
        Help::answer(ui, notice);
    }
}

/// Sets a threshold that was found.
fn take_in_found(ui: &Ui, hand: &mut Hand<'_>, finder: &mut Finder) {
    if let Some((found, answer)) = finder.settle(&hand.settings()) {
        if let Some(found) = found {
            hand.set(Control::Threshold, found.threshold_db);
        }
        Help::answer(ui, answer);
    }
    if finder.is_searching() {
        ui.ctx().request_repaint_after(SEARCH_POLL);
    }
}

/// How often a search is asked whether it is done.
const SEARCH_POLL: Duration = Duration::from_millis(40);

/// Height of a line that divides, with the space around it.
const LINE: f32 = 10.0;

/// Draws a line across the top or the bottom of what is left.
fn divide(ui: &Ui, rest: &mut Rect, top: bool) {
    let strip = if top { cut_top(rest, LINE) } else { cut_bottom(rest, LINE) };
    let y = strip.center().y.round() + 0.5;
    ui.painter().hline(strip.x_range(), y, theme::of(ui).hair());
}

#[cfg(test)]
mod trials;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::{Audio, LAYOUTS};
    use crate::blind::{BlindIn, blind};
    use crate::editor::bench::Bench;
    use crate::editor::figures;
    use crate::editor::pointer::OneAtATime;
    use crate::editor::together::{Listened, Together};
    use crate::editor::trial::Unkept;
    use crate::feed::{FeedIn, FeedOut, Place, Point, feed};
    use crate::library::Library;
    use crate::listener::{Pump, listener};
    use crate::presets::factory;
    use crate::state::Slot;
    use egui::{
        Context, DroppedFileHandle, Event, Key, Modifiers, PointerButton, RawInput, Shape, pos2,
    };
    use nice_plug::context::PluginApi;
    use nice_plug::context::gui::GuiContextInner;
    use nice_plug::params::internals::ParamPtr;
    use nice_plug::prelude::{ParamSetter, PluginState};
    use std::path::{Path, PathBuf};
    use std::sync::{Arc, Mutex};
    use tenon_dsp::{MatchMemory, MatchState, NOTES, Processor, Readings, Recovery};

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
    pub(super) struct Window {
        pub(super) ctx: Context,
        pub(super) size: egui::Vec2,
        pub(super) zoom: f32,
        host: Host,
        pub(super) state: BusState,
        pub(super) bench: Bench,
        groups: &'static [controls::Group],
        shown: Shown,
        listened: Listened,
        finder: Finder,
        audio: FeedIn,
        feed: FeedOut,
        pub(super) trial: Conductor,
        pub(super) blind: Blind,
        /// The audio thread's end of blind trials.
        pub(super) blind_in: BlindIn,
        frames: u32,
        /// What was put on the clipboard last.
        pub(super) copied: Option<String>,
        /// Files that fall on the sheet in the next frame.
        dropped: Vec<DroppedFileHandle>,
    }

    #[derive(Debug)]
    struct Dropped(PathBuf);

    impl egui::DroppedFile for Dropped {
        fn path(&self) -> &Path {
            &self.0
        }

        fn bytes(&self) -> Result<Vec<u8>, String> {
            std::fs::read(&self.0).map_err(|error| error.to_string())
        }
    }

    impl Window {
        pub(super) fn new(width: f32, height: f32) -> Self {
            let ctx = Context::default();
            theme::apply(&ctx);
            ctx.add_plugin(OneAtATime::default());
            let (audio, feed) = feed(Processor::new().readings());
            let (blind_in, blind) = blind();
            Self {
                ctx,
                size: vec2(width, height),
                zoom: 1.0,
                host: Host::default(),
                state: BusState::default(),
                bench: Bench::new(Library::default()),
                groups: controls::GROUPS,
                shown: Shown::default(),
                listened: Listened { together: Err("nobody listens".to_owned()), typical_db: None },
                finder: Finder::new(listener().1),
                audio,
                feed,
                trial: Conductor::new(None, Unkept::default()),
                blind,
                blind_in,
                frames: 0,
                copied: None,
                dropped: Vec::new(),
            }
        }

        /// Draws a frame and gives every text with the place of its ink.
        pub(super) fn frame(&mut self, events: Vec<Event>) -> Vec<(String, Rect)> {
            self.frames += 1;
            self.ctx.set_zoom_factor(self.zoom);
            let modifiers = events.iter().find_map(|event| match event {
                Event::Key { modifiers, .. } | Event::PointerButton { modifiers, .. } => {
                    Some(*modifiers)
                }
                _ => None,
            });
            let modifiers = modifiers.map(Event::ModifiersChanged);
            let input = RawInput {
                screen_rect: Some(Rect::from_min_size(pos2(0.0, 0.0), self.size)),
                time: Some(f64::from(self.frames) * 0.05),
                events: modifiers.into_iter().chain(events).collect(),
                dropped_files: std::mem::take(&mut self.dropped),
                ..RawInput::default()
            };
            let mut output = self.ctx.run_ui(input, |ui| {
                let listened = self.listened.clone();
                self.shown.update(ui.ctx(), &mut self.feed, || listened);
                let setter = ParamSetter::new(&self.host);
                let now = f64::from(self.frames) * 0.05;
                let mut hand = Hand::new(&self.state, setter, &mut self.bench, now);
                hand.settle();
                let held = sheet(
                    ui,
                    ui.max_rect(),
                    Sheet {
                        hand: &mut hand,
                        shown: &self.shown,
                        feed: &self.feed,
                        finder: &mut self.finder,
                        state: &self.state,
                        trial: &mut self.trial,
                        blind: &mut self.blind,
                        groups: self.groups,
                    },
                );
                self.shown.hold(held);
            });
            output.textures_delta.clear();
            for command in output.platform_output.commands {
                if let egui::OutputCommand::CopyText(text) = command {
                    self.copied = Some(text);
                }
            }
            let texts = output.shapes.iter().filter_map(|clipped| match &clipped.shape {
                Shape::Text(text) if !text.galley.text().trim().is_empty() => {
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

        pub(super) fn place(&mut self, text: &str) -> egui::Pos2 {
            let texts = self.frame(vec![]);
            texts.iter().find(|(t, _)| t == text).expect(text).1.center()
        }

        pub(super) fn has(&mut self, wanted: &str) -> bool {
            self.frame(vec![]).iter().any(|(text, _)| text.contains(wanted))
        }

        pub(super) fn click(&mut self, at: egui::Pos2) {
            self.frame(vec![Event::PointerMoved(at)]);
            for pressed in [true, false] {
                self.frame(vec![button(at, pressed)]);
            }
            self.frame(vec![]);
        }

        fn click_right(&mut self, at: egui::Pos2) {
            for pressed in [true, false] {
                self.frame(vec![Event::PointerButton {
                    pos: at,
                    button: PointerButton::Secondary,
                    pressed,
                    modifiers: Modifiers::NONE,
                }]);
            }
            self.frame(vec![]);
        }

        pub(super) fn click_on(&mut self, text: &str) {
            let at = self.place(text);
            self.click(at);
        }

        pub(super) fn drop_file(&mut self, file: &Path) {
            self.dropped = vec![Arc::new(Dropped(file.to_owned()))];
            self.frame(vec![]);
        }

        pub(super) fn press(&mut self, modifiers: Modifiers, key: Key) {
            for pressed in [true, false] {
                self.frame(vec![Event::Key {
                    key,
                    physical_key: None,
                    pressed,
                    repeat: false,
                    modifiers,
                }]);
            }
            self.frame(vec![]);
        }

        pub(super) fn set(&mut self, control: Control, value: f32) {
            self.state.params.get(control).set(&ParamSetter::new(&self.host), value);
        }

        fn value(&self, control: Control) -> f32 {
            self.state.params.get(control).value()
        }

        /// What the host has been told and can save.
        pub(super) fn outside(&self) -> String {
            use nice_plug::params::Params;
            let (settings, fields) = (self.state.params.settings(), self.state.serialize_fields());
            format!("{:?} {settings:?} {fields:?}", self.host.0.lock().unwrap())
        }

        /// Lets audio run, with readings as long as they get and a point at this place of the song.
        pub(super) fn play(&mut self, readings: &Readings, place: Option<Place>) {
            self.audio.tick();
            self.audio.publish(*readings);
            self.audio.trace(Point::new(readings, place));
        }
    }

    pub(super) fn long_readings() -> Readings {
        Readings {
            gain_reduction_db: 24.0,
            gain_reduction_hop_db: 24.0,
            gain_reduction_peak_db: 24.0,
            gain_reduction_mean_db: 22.2,
            tempo_bpm: Some(120.0),
            beats_per_s: Some(4.0),
            recovery: Some(Recovery { seconds: 9.99, came_back: false }),
            left_at_beat_db: Some(24.0),
            mid_before_db: -60.2,
            mid_after_db: -60.3,
            side_before_db: -88.8,
            side_after_db: -77.7,
            mid_before_hop_db: -44.4,
            mid_after_hop_db: -44.5,
            side_before_hop_db: -60.0,
            side_after_hop_db: -61.0,
            loudness_before_lufs: -59.9,
            loudness_after_lufs: -58.8,
            peak_to_loudness_before_db: 28.8,
            peak_to_loudness_after_db: 20.0,
            correlation_before: Some(-0.88),
            correlation_after: Some(-0.99),
            match_gain_db: -24.0,
            match_state: MatchState::Learning,
            ..Readings::default()
        }
    }

    fn long_together() -> Together {
        Together {
            percent: 100.0,
            shared: 1.0,
            movement_db: 10.0,
            programme_percent: 100.0,
            ..crate::editor::demo::together()
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

    /// Fails when a text leaves the sheet or lies on another.
    pub(super) fn check_texts(texts: &[(String, Rect)], size: egui::Vec2, what: &str) {
        let sheet = Rect::from_min_size(pos2(0.0, 0.0), size);
        for (index, (text, ink)) in texts.iter().enumerate() {
            assert!(sheet.contains_rect(*ink), "{text:?} leaves the sheet: {what}");
            for (other, on) in &texts[..index] {
                assert!(!ink.intersects(*on), "{text:?} on {other:?}: {what}");
            }
        }
    }

    /// Five groups of five, with the longest values there are.
    const FULL: &[controls::Group] = &[FULL_GROUP, FULL_GROUP, FULL_GROUP, FULL_GROUP, FULL_GROUP];
    const FULL_GROUP: controls::Group = (
        "Saturation",
        &[
            (Control::InputTrim, "Input trim"),
            (Control::KeySource, "Source"),
            (Control::Threshold, "Threshold"),
            (Control::Release, "Release"),
            (Control::KeyHighpass, "High-pass"),
        ],
    );

    #[test]
    fn no_text_is_cut_or_lies_on_another_at_any_size_and_zoom() {
        for (width, height) in
            [(720.0, 460.0), (720.0, 1080.0), (960.0, 600.0), (1120.0, 700.0), (3840.0, 2160.0)]
        {
            for (zoom, groups, note) in [
                (0.75, controls::GROUPS, 0.0),
                (1.0, FULL, 0.0),
                (1.0, controls::GROUPS, NOTES.len() as f32 - 1.0),
                (2.5, FULL, 12.0),
            ] {
                for running in [false, true] {
                    let mut window = Window::new(width, height);
                    (window.zoom, window.groups) = (zoom, groups);
                    for (control, value) in [
                        (Control::InputTrim, -24.0),
                        (Control::Threshold, -60.0),
                        (Control::Release, 2500.0),
                        (Control::DetectorWindow, 100.0),
                        (Control::Attack, 250.0),
                        (Control::Makeup, -12.0),
                        (Control::OutputTrim, -24.0),
                        (Control::KeyHighpass, 500.0),
                        (Control::Ratio, 20.0),
                    ] {
                        window.set(control, value);
                    }
                    window.set(Control::AttackNote, note);
                    window.set(Control::ReleaseNote, note);
                    let what = format!("{width} by {height} at {zoom}, running {running}");
                    if running {
                        window.listened =
                            Listened { together: Ok(long_together()), typical_db: Some(24.0) };
                        let place = Place { bar: 998, beat: 3.99, beats: 4.0, beats_per_s: 2.0 };
                        for hop in 0..100 {
                            let place = place.after(f64::from(hop) * 0.02);
                            window.play(&long_readings(), Some(place));
                        }
                    }
                    window.frame(vec![]);
                    let size = window.size;
                    check_texts(&window.frame(vec![]), size, &what);
                    // And with the values under the pointer.
                    window.frame(vec![Event::PointerMoved(pos2(width * 0.5, height * 0.3))]);
                    check_texts(&window.frame(vec![]), size, &what);
                }
            }
        }
    }

    #[test]
    fn every_control_is_on_the_sheet() {
        let texts = Window::new(720.0, 460.0).frame(vec![]);
        let has = |wanted: &str| texts.iter().any(|(text, _)| text == wanted);
        let rulers: Vec<_> = controls::GROUPS.iter().flat_map(|(_, controls)| *controls).collect();
        for control in Control::ALL {
            let shown = match control {
                Control::Compare => "Dry at same loudness",
                Control::Listen => "delta",
                Control::Bypass => "Bypass",
                // In the place of the time.
                Control::AttackNote => "Attack",
                Control::ReleaseNote => "Release",
                _ => rulers.iter().find(|(ruler, _)| *ruler == control).expect("a place").1,
            };
            assert!(has(shown), "{control:?}");
        }
    }

    #[test]
    fn every_control_has_a_name_of_its_own_on_the_sheet() {
        let rulers = controls::GROUPS.iter().flat_map(|(_, controls)| *controls);
        let mut names: Vec<_> = rulers.map(|(_, name)| *name).collect();
        let count = names.len();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), count, "{names:?}");
    }

    #[test]
    fn numbers_have_units_and_a_dash_stands_for_no_reading() {
        let mut window = Window::new(1120.0, 700.0);
        let stopped = window.frame(vec![]);
        let dashes = stopped.iter().filter(|(text, _)| text.contains('\u{2014}')).count();
        // Togetherness, shared, movement, programme; four readings; gain reduction now, its groove, and
        // peak with mean; the match gain.
        assert_eq!(dashes, 12);
        for (text, _) in stopped {
            assert!(!text.contains('-') || !text.contains("dB"), "hyphen for minus in {text:?}");
        }
    }

    #[test]
    fn every_scale_has_its_unit_beside_it() {
        for (width, height) in [(720.0, 460.0), (1120.0, 700.0)] {
            let mut window = Window::new(width, height);
            let texts = window.frame(vec![]);
            let places = |wanted: &str| -> Vec<egui::Pos2> {
                let texts = texts.iter().filter(|(text, _)| text == wanted);
                texts.map(|(_, ink)| ink.center()).collect()
            };
            // Under the name of each strip.
            for (name, unit) in [("Mid", "LUFS"), ("Side", "LUFS"), ("red.", "dB")] {
                let name = places(name)[0];
                let beside = |unit: &egui::Pos2| (4.0..20.0).contains(&(unit.y - name.y));
                assert!(places(unit).iter().any(beside), "{unit} at {width} by {height}");
            }
        }
        let mut window = Window::new(1120.0, 700.0);
        window.listened.together = Ok(long_together());
        for _ in 0..200 {
            window.play(&long_readings(), None);
        }
        window.frame(vec![]);
        let texts = window.frame(vec![]);
        let seconds =
            |text: &str| text.strip_suffix(" s").is_some_and(|s| s.parse::<u32>().is_ok());
        assert!(texts.iter().any(|(text, _)| text == "Hz"), "under the bands");
        assert!(texts.iter().any(|(text, _)| seconds(text)), "above the strips");
    }

    #[test]
    fn a_reading_that_is_missing_says_why() {
        let mut window = Window::new(1120.0, 700.0);
        window.listened.together =
            Err("the sound fills too few bands; it takes a fuller mix".to_owned());
        window.play(&long_readings(), None);
        let at = window.place("Togetherness");
        window.frame(vec![Event::PointerMoved(at)]);
        window.play(&long_readings(), None);
        assert!(window.has("No reading: the sound fills too few bands; it takes a fuller mix."));
        let at = window.place("Loudness, 3 s");
        let mut silent = long_readings();
        silent.loudness_before_lufs = -200.0;
        window.frame(vec![Event::PointerMoved(at)]);
        for _ in 0..4 {
            window.play(&silent, None);
            window.frame(vec![]);
        }
        assert!(window.has("No reading: nothing to measure"));
    }

    #[test]
    fn a_drag_is_one_gesture_of_the_host_and_one_step() {
        let mut window = Window::new(960.0, 600.0);
        let at = window.place("Threshold") + vec2(30.0, 16.0);
        window.frame(vec![Event::PointerMoved(at)]);
        window.frame(vec![button(at, true)]);
        for x in [10.0, 20.0, 30.0] {
            window.frame(vec![Event::PointerMoved(at + vec2(x, 0.0))]);
        }
        window.frame(vec![button(at + vec2(30.0, 0.0), false)]);
        {
            let calls = window.host.0.lock().unwrap();
            assert_eq!(calls.first().unwrap(), "begin Threshold");
            assert_eq!(calls.last().unwrap(), "end Threshold");
            assert!(calls[1..calls.len() - 1].iter().all(|call| call == "set"), "{calls:?}");
        }
        let dragged = window.value(Control::Threshold);
        assert!(dragged > -18.0);
        window.click_on("Undo");
        assert_eq!(window.value(Control::Threshold), -18.0);
        assert!(window.has("Undone: Threshold."));
        window.click_on("Redo");
        assert_eq!(window.value(Control::Threshold), dragged);
        window.press(Modifiers::COMMAND, Key::Z);
        assert_eq!(window.value(Control::Threshold), -18.0);
        window.press(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
        assert_eq!(window.value(Control::Threshold), dragged);
    }

    fn note(name: &str) -> f32 {
        NOTES.iter().position(|note| *note == name).expect("a note") as f32
    }

    #[test]
    fn a_release_is_typed_as_a_note_or_in_ms_and_shows_both() {
        let mut window = Window::new(1120.0, 700.0);
        let at = window.place("Release") + vec2(0.0, 18.0);
        let type_in = |window: &mut Window, text: &str| {
            window.click(at);
            // What is pasted is typed.
            window.frame(vec![Event::Text(text.to_owned())]);
            [Control::Release, Control::ReleaseNote].map(|control| window.value(control))
        };
        assert_eq!(type_in(&mut window, "1/8D"), [150.0, note("1/8D")]);
        assert!(window.has("1/8D"));
        let mut readings = long_readings();
        window.play(&readings, None);
        assert!(window.has("1/8D  375.0 ms"), "three eighths of a second at 120 bpm");
        readings.tempo_bpm = None;
        for _ in 0..4 {
            window.play(&readings, None);
            window.frame(vec![]);
        }
        assert!(window.has("(1/8D) 150.0 ms"));
        window.frame(vec![Event::PointerMoved(at)]);
        assert!(window.has("gives no tempo"));
        assert_eq!(type_in(&mut window, "30 ms"), [30.0, 0.0]);
        window.click_on("Undo");
        assert_eq!(window.value(Control::ReleaseNote), note("1/8D"), "one step");
        assert_eq!(window.value(Control::Release), 150.0);
        assert_eq!(type_in(&mut window, "1/7"), [150.0, note("1/8D")]);
        assert!(window.has("release_note takes"));
    }

    #[test]
    fn a_note_is_dragged_among_notes_and_its_menu_leads_back_to_ms() {
        let mut window = Window::new(1120.0, 700.0);
        window.set(Control::ReleaseNote, note("1/8"));
        let at = window.place("Release") + vec2(30.0, 16.0);
        window.frame(vec![Event::PointerMoved(at)]);
        window.frame(vec![button(at, true)]);
        for x in [-20.0, -200.0, -400.0] {
            window.frame(vec![Event::PointerMoved(at + vec2(x, 0.0))]);
        }
        window.frame(vec![button(at - vec2(400.0, 0.0), false)]);
        assert_eq!(window.value(Control::ReleaseNote), note("1/64T"), "not in ms");
        window.press(Modifiers::NONE, Key::ArrowLeft);
        assert_eq!(window.value(Control::ReleaseNote), note("1/64T"));
        window.play(&long_readings(), None);
        for (offered, expected) in [("In ms", 0.0), ("In note values", note("1/64T"))] {
            window.click_right(at);
            window.click_on(offered);
            assert_eq!(window.value(Control::ReleaseNote), expected, "{offered}");
        }
        assert_eq!(window.value(Control::Release), 20.8, "a third of a sixteenth of a second");
    }

    #[test]
    fn the_groove_is_read_in_beats_or_says_why_not() {
        let mut window = Window::new(1120.0, 700.0);
        let mut readings = Readings {
            recovery: Some(Recovery { seconds: 0.21, came_back: true }),
            beats_per_s: Some(2.0),
            left_at_beat_db: Some(0.34),
            ..long_readings()
        };
        let show = |window: &mut Window, readings: &Readings| {
            for _ in 0..4 {
                window.play(readings, None);
                window.frame(vec![]);
            }
            let texts = window.frame(vec![]);
            let (text, ink) = texts.iter().find(|(text, _)| text.contains("back")).unwrap();
            let text = text.replace(crate::editor::figures::FIGURE_SPACE, "");
            window.frame(vec![Event::PointerMoved(ink.center())]);
            text
        };
        assert_eq!(
            show(&mut window, &readings),
            "63 % back in 0.42 beats   left at the beat \u{2212}0.3 dB"
        );
        assert!(window.has("63 % of the gain were back in 0.42 beats; \u{2212}0.3 dB were left"));
        readings.recovery = Some(Recovery { seconds: 0.3, came_back: false });
        (readings.beats_per_s, readings.left_at_beat_db) = (None, None);
        assert_eq!(
            show(&mut window, &readings),
            "63 % back in >0.30 s   left at the beat \u{2014} dB"
        );
        assert!(window.has("The next hit came 0.30 s after the last"));
        assert!(window.has("no beats: the song stands still"));
        readings.recovery = Some(Recovery { seconds: 10.0, came_back: false });
        show(&mut window, &readings);
        assert!(window.has("63 % of the gain were not back 10.00 s after the last hit"));
        readings.recovery = None;
        assert_eq!(
            show(&mut window, &readings),
            "63 % back in \u{2014} s   left at the beat \u{2014} dB"
        );
        assert!(window.has("No reading: the gain reduction has not risen"));
    }

    /// Ten seconds of hits of our own, not all alike, with noise between.
    fn passage(rate_hz: f64) -> [Vec<f32>; 2] {
        let mut state = 1u32;
        let mut noise = move || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            state as f32 / 2_147_483_648.0 - 1.0
        };
        let mut lanes = [Vec::new(), Vec::new()];
        for n in 0..(10.0 * rate_hz) as usize {
            let t = n as f64 / rate_hz;
            let hit = (t / 0.4) as u32;
            let since = (t % 0.4) as f32;
            let strength = [0.8, 0.3, 0.5, 0.4, 0.7][hit as usize % 5];
            let low = (since * 70.0 * std::f32::consts::TAU).sin() * (-since * 12.0).exp();
            let (body, own) = (noise(), noise());
            let high = body * (-since * 25.0).exp() + 0.02 * own;
            lanes[0].push(strength * (0.6 * low + 0.4 * high));
            lanes[1]
                .push(strength * (0.6 * low + 0.2 * high + 0.1 * noise() * (-since * 9.0).exp()));
        }
        lanes
    }

    /// Through the engine, the hand-over and the sheet: what a repeat of the passage reads afterwards
    /// is what was asked for.
    #[test]
    fn a_threshold_is_found_in_what_was_played_as_one_step() {
        const RATE_HZ: f64 = 16_000.0;
        let [left, right] = passage(RATE_HZ);
        for (layout, target, settings) in [
            (1, "2 dB", &[][..]),
            (1, "1 dB", &[(Control::Attack, 0.1), (Control::Release, 40.0)]),
            (1, "3 dB", &[(Control::Attack, 60.0), (Control::Ratio, 6.0), (Control::Knee, 0.0)]),
            (1, "2 dB", &[(Control::Adaptive, 100.0), (Control::Release, 400.0)]),
            (1, "2 dB", &[(Control::KeyHighpass, 250.0), (Control::DetectorWindow, 0.0)]),
            (1, "3 dB", &[(Control::StereoLink, 20.0), (Control::InputTrim, 6.0)]),
            (2, "2 dB", &[(Control::Ratio, 4.0)]),
        ] {
            let what = format!("layout {layout}, {target}, {settings:?}");
            let (listener_in, listener) = listener();
            let processor = Processor::new();
            let (feed_in, _feed_out) = feed(processor.readings());
            let mut audio = Audio::new(processor, feed_in, listener_in, blind().0);
            let mut pump = Pump::new(&listener);
            let mut window = Window::new(1120.0, 700.0);
            window.finder = Finder::new(listener.clone());
            for &(control, value) in settings {
                window.set(control, value);
            }
            let live = (RATE_HZ, nice_plug::prelude::ProcessMode::Realtime);
            audio.activate(&LAYOUTS[layout], live, &window.state).unwrap();
            audio.reset();
            let mut play = |state: &BusState, frames: usize| {
                let (mut left, mut right) = (left[..frames].to_vec(), right[..frames].to_vec());
                for (left, right) in left.chunks_mut(480).zip(right.chunks_mut(480)) {
                    match layout {
                        2 => audio.process(&mut [left], None, None, state),
                        _ => audio.process(&mut [left, right], None, None, state),
                    };
                    pump.pump();
                }
            };
            let find = |window: &mut Window| {
                window.click_on("Find threshold");
                window.click_on(target);
                let start = std::time::Instant::now();
                while window.finder.is_searching() {
                    assert!(start.elapsed().as_secs() < 60, "{what}: nothing came of it");
                    window.frame(vec![]);
                    std::thread::sleep(std::time::Duration::from_millis(2));
                }
            };
            play(&window.state, 8_000);
            find(&mut window);
            assert!(window.has("s with signal, and 2 s are needed"), "{what}");
            assert_eq!(window.value(Control::Threshold), -18.0);
            play(&window.state, left.len());
            window.host.0.lock().unwrap().clear();
            find(&mut window);
            let found_db = window.value(Control::Threshold);
            assert!(
                window.has(&figures::minus(&format!("Threshold {found_db:.2} dB for "))),
                "{what}"
            );
            let gesture = ["begin Threshold", "set", "end Threshold"];
            assert_eq!(*window.host.0.lock().unwrap(), gesture, "{what}");
            play(&window.state, left.len());
            let typical_db = listener.typical_db().expect("ten seconds have been played");
            let target_db: f32 = target[..1].parse().unwrap();
            println!("{what}: {found_db:.2} dB gives {typical_db:.2} dB");
            assert!((typical_db - target_db).abs() < 0.2, "{what}: {typical_db} dB");
            assert_eq!(window.value(Control::Threshold), found_db, "it stays where it is");
            window.click_on("Undo");
            assert_eq!(window.value(Control::Threshold), -18.0, "{what}");
            assert!(window.has("Undone: Threshold."));
        }
    }

    #[test]
    fn any_target_can_be_typed() {
        let mut window = Window::new(720.0, 460.0);
        window.click_on("Find threshold");
        window.click_on("2.0");
        window.frame(vec![Event::Text("4.5".to_owned())]);
        window.press(Modifiers::NONE, Key::Enter);
        assert_eq!(window.finder.target_db, 4.5);
    }

    #[test]
    fn switches_and_choices_reach_the_host() {
        for (text, control, value) in [
            ("Dry at same loudness", Control::Compare, 1.0),
            ("delta", Control::Listen, 1.0),
            ("Bypass", Control::Bypass, 1.0),
            ("own signal", Control::KeySource, 1.0),
        ] {
            let mut window = Window::new(1120.0, 700.0);
            window.click_on(text);
            assert_eq!(window.value(control), value, "{text}");
            let name = control.spec().name;
            let calls = window.host.0.lock().unwrap();
            let gesture = [format!("begin {name}"), "set".to_owned(), format!("end {name}")];
            assert_eq!(*calls, gesture);
        }
    }

    #[test]
    fn learn_anew_and_clear_reach_the_engine() {
        let mut window = Window::new(1120.0, 700.0);
        window.play(&long_readings(), None);
        let texts = window.frame(vec![]);
        let the =
            |word: &str| texts.iter().find(|(text, _)| text.contains(word)).expect(word).1.center();
        let (button, peaks) = (the("learning"), the("peak"));
        window.click(button);
        window.click_on("Learn anew");
        assert!(window.audio.take_learn_anew());
        window.click(peaks);
        assert!(window.audio.take_clear_peaks());
    }

    #[test]
    fn a_preset_sets_what_makes_the_sound_and_is_named_afterwards() {
        let mut window = Window::new(960.0, 600.0);
        window.click_on("Choose a preset");
        window.frame(vec![]);
        let preset = &factory()[0];
        window.click_on(preset.name);
        assert_eq!(window.state.params.settings(), preset.settings);
        window.press(Modifiers::NONE, Key::Escape);
        window.place(preset.name);
        window.set(Control::Knee, 1.0);
        assert!(window.has(&format!("{}, changed", preset.name)));
        window.click_on("Undo");
        assert!(window.has("Undone: several controls."));
    }

    #[test]
    fn a_and_b_are_two_settings_with_a_match_each() {
        let mut window = Window::new(1120.0, 700.0);
        let memory = |gain_db| MatchMemory { gain_db, state: MatchState::Held };
        window.set(Control::Ratio, 4.0);
        window.state.loudness_match.restore(memory(-3.0));
        window.click_on("A to B");
        assert_eq!(window.state.slots.lock().other[Control::Ratio], 4.0);
        window.click_on("B");
        assert_eq!(window.state.slots.lock().heard, Slot::B);
        window.set(Control::Ratio, 2.0);
        window.state.loudness_match.restore(memory(-1.0));
        window.click_on("A");
        assert_eq!(window.value(Control::Ratio), 4.0);
        window.frame(vec![]);
        assert_eq!(window.state.loudness_match.get().0, memory(-3.0));
        window.click_on("B");
        window.frame(vec![]);
        assert_eq!(window.value(Control::Ratio), 2.0);
        assert_eq!(window.state.loudness_match.get().0, memory(-1.0));
        // What was copied over B can be taken back there.
        window.click_on("Undo");
        assert_eq!(window.value(Control::Ratio), Control::Ratio.spec().default);
    }

    #[test]
    fn the_keyboard_alone_reaches_and_changes_everything() {
        let mut window = Window::new(1120.0, 700.0);
        let mut changed = Vec::new();
        // Tab to each thing; what is a ruler answers to arrows.
        for _ in 0..60 {
            window.press(Modifiers::NONE, Key::Tab);
            for key in [Key::ArrowLeft, Key::ArrowRight, Key::ArrowRight, Key::ArrowLeft] {
                let before = window.state.params.settings();
                window.press(Modifiers::NONE, key);
                let after = window.state.params.settings();
                for control in Control::ALL {
                    if before[control] != after[control] && !changed.contains(&control) {
                        changed.push(control);
                    }
                }
            }
        }
        let rulers = controls::GROUPS.iter().flat_map(|(_, controls)| *controls);
        let in_order: Vec<Control> = rulers.map(|(control, _)| *control).collect();
        assert_eq!(changed, in_order, "in signal order");
    }

    #[test]
    fn buttons_and_menus_answer_to_the_keyboard() {
        let mut window = Window::new(1120.0, 700.0);
        let mut seen = Vec::new();
        for _ in 0..40 {
            window.press(Modifiers::NONE, Key::Tab);
            let before = window.state.params.settings();
            let dark = window.state.view.get().dark;
            window.press(Modifiers::NONE, Key::Space);
            for (what, there) in [
                ("starting points", window.has("Starting points")),
                ("zoom", window.has("Zoom 250 %")),
                ("learn", window.has("Learn anew")),
            ] {
                if there {
                    seen.push(what);
                }
            }
            if window.has("Zoom 250 %") {
                // Into the menu, to the dark sheet.
                window.press(Modifiers::NONE, Key::Tab);
                window.press(Modifiers::NONE, Key::Tab);
                window.press(Modifiers::NONE, Key::Space);
                if window.state.view.get().dark != dark {
                    seen.push("dark");
                }
            }
            if window.ctx.any_popup_open() {
                window.press(Modifiers::NONE, Key::Escape);
            }
            if !window.trial.is_closed() {
                seen.push("trial");
                window.trial.close(&mut window.blind);
                window.frame(vec![]);
            }
            let after = window.state.params.settings();
            for (control, what) in [
                (Control::Compare, "compare"),
                (Control::Listen, "listen"),
                (Control::Bypass, "bypass"),
            ] {
                if before[control] != after[control] {
                    seen.push(what);
                }
            }
            if window.state.slots.lock().heard == Slot::B {
                seen.push("b");
            }
        }
        for what in [
            "starting points",
            "b",
            "zoom",
            "dark",
            "trial",
            "compare",
            "learn",
            "listen",
            "bypass",
        ] {
            assert!(seen.contains(&what), "{what} not reached: {seen:?}");
        }
    }

    #[test]
    fn a_value_is_copied_and_pasted_by_key_and_from_the_menu() {
        let mut window = Window::new(1120.0, 700.0);
        let at = window.place("Threshold") + vec2(0.0, 18.0);
        window.click(at);
        window.frame(vec![Event::Copy]);
        assert_eq!(window.copied.take().as_deref(), Some("\u{2212}18.00 dB"));
        window.frame(vec![Event::Text("-23".to_owned())]);
        assert_eq!(window.value(Control::Threshold), -23.0);
        window.frame(vec![Event::Text("loud".to_owned())]);
        assert_eq!(window.value(Control::Threshold), -23.0);
        assert!(window.has("threshold takes"));
        window.click_right(at);
        window.click_on("Default");
        assert_eq!(window.value(Control::Threshold), -18.0);
    }

    #[test]
    fn the_chart_stands_still_under_the_pointer_and_reads_off_values() {
        let mut window = Window::new(1120.0, 700.0);
        let place = Place { bar: 11, beat: 0.0, beats: 4.0, beats_per_s: 2.0 };
        let mut readings = long_readings();
        for hop in 0..20 {
            window.play(&readings, Some(place.after(f64::from(hop) * 0.02)));
        }
        let right = pos2(694.5, window.place("Mid").y + 20.0);
        window.frame(vec![Event::PointerMoved(right)]);
        window.frame(vec![]);
        assert!(window.has("bar 12, beat 1.7"));
        assert!(window.has("\u{2212}24.0 dB"));
        readings.gain_reduction_hop_db = 1.0;
        for hop in 20..40 {
            window.play(&readings, Some(place.after(f64::from(hop) * 0.02)));
        }
        assert!(window.has("bar 12, beat 1.7"), "it stands still");
        window.frame(vec![Event::PointerMoved(pos2(5.0, 5.0))]);
        window.frame(vec![Event::PointerMoved(right)]);
        window.frame(vec![]);
        assert!(window.has("bar 12, beat 2.5"), "it goes on");
    }

    #[test]
    fn the_sheet_turns_dark_and_zoom_is_in_the_menu() {
        let mut window = Window::new(1120.0, 700.0);
        window.click_on("Menu");
        window.click_on("Dark sheet");
        assert!(window.state.view.get().dark);
        assert_eq!(window.ctx.theme(), egui::Theme::Dark);
        window.click_on("Menu");
        window.click_on("Copy settings");
        let copied = window.copied.take().unwrap();
        assert!(copied.contains("threshold=-18.00 dB\n"), "{copied}");
    }

    #[test]
    fn help_follows_the_pointer_and_caution_stands_when_there_is_none() {
        let mut window = Window::new(1400.0, 820.0);
        assert!(window.has("turn the monitors down"));
        let at = window.place("Ratio");
        window.frame(vec![Event::PointerMoved(at)]);
        assert!(window.has(Control::Ratio.spec().help));
        let at = window.place("Match");
        window.frame(vec![Event::PointerMoved(at)]);
        assert!(window.has("The level can jump"));
        window.click_on("Blind trial");
        window.frame(vec![Event::PointerMoved(pos2(1.0, 1.0))]);
        assert!(window.has("leave it where it is") && !window.has("turn the monitors down"));
    }
}
