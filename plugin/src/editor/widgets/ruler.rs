//! A value on a ruler: drag, wheel, arrow keys, or type it.

use egui::text::{CCursor, CCursorRange};
use egui::{
    Align2, Event, EventFilter, Id, InputState, Key, MouseWheelUnit, Popup, Pos2, Rect, Response,
    Sense, Shape, Stroke, StrokeKind, TextEdit, Ui, WidgetInfo, pos2, vec2,
};

use super::menu::give_back_keyboard;
use crate::editor::theme;

/// Height of the line that holds name and value, in points.
const WORDS: f32 = 15.0;
/// From there to the line of the ruler, at least and at most.
const DROP: (f32, f32) = (3.5, 9.0);
/// Room for the mark under the line.
const MARK: f32 = 6.5;
/// How much slower a fine drag is.
const FINE: f32 = 0.1;
/// One step of the wheel or an arrow key, as a part of the travel.
const STEP: f32 = 0.01;
/// Longest text that can be typed.
const TYPED_CHARS: usize = 24;

/// What the user did to a ruler.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Touch {
    /// Took hold of it.
    Take,
    /// Moved it to a place on the travel, while holding it.
    Turn(f32),
    /// Let go of it.
    LetGo,
    /// Moved it by a part of the travel.
    Step(f32),
    /// Asked for the default.
    Reset,
    /// Typed or pasted a value.
    Type(String),
    /// Asked for the next choice.
    Next,
    /// Asked for the other unit.
    OtherUnit,
    /// Asked to copy the value.
    Copy,
    /// Asked to set it to what the clipboard holds.
    Paste,
    /// Asked for the host's menu at a place.
    HostMenu(Pos2),
}

/// A name, a value and the ruler under them.
pub(crate) struct Ruler<'a> {
    name: &'a str,
    value: &'a str,
    position: f32,
    origin: f32,
    ticks: &'a [(f32, bool)],
    stops: bool,
    other_unit: Option<&'a str>,
    host_menu: bool,
}

impl<'a> Ruler<'a> {
    /// A ruler named `name` that shows `value` at `position`, 0 to 1.
    pub(crate) fn new(name: &'a str, value: &'a str, position: f32) -> Self {
        Self {
            name,
            value,
            position,
            origin: 0.0,
            ticks: &[],
            stops: false,
            other_unit: None,
            host_menu: false,
        }
    }

    /// Where nothing is done; the line is bold from there to the value.
    pub(crate) fn origin(mut self, origin: f32) -> Self {
        self.origin = origin;
        self
    }

    /// Marks on the ruler: place, and whether it is a long one.
    pub(crate) fn ticks(mut self, ticks: &'a [(f32, bool)]) -> Self {
        self.ticks = ticks;
        self
    }

    /// Only the marks are values: a click on the ruler goes to the nearest, one on the value to the
    /// next.
    pub(crate) fn stops(mut self, stops: bool) -> Self {
        self.stops = stops;
        self
    }

    /// What its menu offers beside this unit.
    pub(crate) fn other_unit(mut self, name: Option<&'a str>) -> Self {
        self.other_unit = name;
        self
    }

    /// Width in which name and value have room side by side.
    pub(crate) fn least_width(ui: &Ui, name: &str, value: &str) -> f32 {
        let width = |text: &str, font| {
            ui.painter().layout_no_wrap(text.to_owned(), font, egui::Color32::BLACK).size().x
        };
        width(name, theme::TEXT) + width(value, theme::VALUE) + 8.0
    }

    /// Whether the host has a menu of its own.
    pub(crate) fn host_menu(mut self, host_menu: bool) -> Self {
        self.host_menu = host_menu;
        self
    }

    /// Shows it as wide and high as there is room.
    pub(crate) fn show(self, ui: &mut Ui) -> (Response, Vec<Touch>) {
        let size = ui.available_size();
        let inks = theme::of(ui);

        let (rect, response) = ui.allocate_exact_size(size, Sense::click_and_drag());
        let font = theme::VALUE;
        let value_width =
            ui.painter().layout_no_wrap(self.value.to_owned(), font.clone(), inks.ink).size().x;
        let words = Rect::from_min_size(rect.min, vec2(rect.width(), WORDS));
        let value_rect =
            Rect::from_min_max(pos2(words.right() - value_width - 6.0, words.top()), words.max);

        let mut touches = Vec::new();
        let typing = response.id.with("typing");
        // Read first: the field appears in the frame after the click, which would else take the
        // keyboard away from it again.
        let typed = ui.data(|data| data.get_temp::<Typing>(typing));
        self.interact(ui, &response, &mut touches);
        let value = ui.interact(value_rect, response.id.with("value"), Sense::CLICK);
        let to_default = !self.stops && value.double_clicked()
            || value.clicked() && ui.input(|input| input.modifiers.alt);
        let by_key = response.has_focus() && ui.input(|input| input.key_pressed(Key::Enter));
        if self.stops {
            if to_default {
                touches.push(Touch::Reset);
            } else if value.clicked() || by_key {
                touches.push(Touch::Next);
            }
        } else if to_default {
            ui.data_mut(|data| data.remove::<Typing>(typing));
            touches.push(Touch::Reset);
        } else if typed.is_none() && (value.clicked() || by_key) {
            ui.data_mut(|data| data.insert_temp(typing, Typing::over(self.value)));
            ui.ctx().request_repaint();
        }
        let response = response.union(value.clone());
        response
            .widget_info(|| WidgetInfo::slider(ui.is_enabled(), self.position.into(), self.name));
        self.menu(&response, &mut touches, || {
            ui.data_mut(|data| data.insert_temp(typing, Typing::over(self.value)));
        });

        let painter = ui.painter();
        let hot = response.hovered() || response.dragged();
        painter.text(words.left_center(), Align2::LEFT_CENTER, self.name, theme::TEXT, inks.ink);
        self.paint_line(ui, rect, hot, response.has_focus());
        match typed {
            Some(typed) => {
                if let Some(text) = typed.show(ui, typing, words) {
                    touches.push(Touch::Type(text));
                }
            }
            None => {
                if value.hovered() {
                    painter.hline(
                        value_rect.left() + 6.0..=value_rect.right(),
                        words.bottom() - 0.5,
                        inks.hair(),
                    );
                }
                painter.text(
                    words.right_center(),
                    Align2::RIGHT_CENTER,
                    self.value,
                    font,
                    inks.ink,
                );
            }
        }
        (response, touches)
    }

    fn interact(&self, ui: &Ui, response: &Response, touches: &mut Vec<Touch>) {
        let id = response.id;
        let modifiers = ui.input(|input| input.modifiers);
        let fine = if modifiers.shift || modifiers.ctrl || modifiers.command { FINE } else { 1.0 };
        if response.double_clicked() || response.clicked() && modifiers.alt {
            touches.push(Touch::Reset);
        } else if response.clicked() {
            response.request_focus();
            if let Some(pointer) = response.interact_pointer_pos().filter(|_| self.stops) {
                let place = (pointer.x - response.rect.left()) / response.rect.width().max(1.0);
                touches.extend([Touch::Take, Touch::Turn(place.clamp(0.0, 1.0)), Touch::LetGo]);
            }
        }

        // The place between two values that a fine drag has come to is kept here, and how far the pointer
        // has been followed.
        if response.drag_started() {
            let origin = ui.input(|input| input.pointer.press_origin());
            let from = origin.map_or(response.rect.left(), |origin| origin.x);
            ui.data_mut(|data| data.insert_temp(id, (self.position, from)));
            touches.push(Touch::Take);
        }
        if response.dragged()
            && let Some(to) = ui.input(|input| input.pointer.latest_pos())
        {
            let before = ui.data(|data| data.get_temp(id));
            let (start, from) = before.unwrap_or((self.position, to.x));
            let travel = response.rect.width().max(1.0);
            let place = (start + (to.x - from) / travel * fine).clamp(0.0, 1.0);
            ui.data_mut(|data| data.insert_temp(id, (place, to.x)));
            touches.push(Touch::Turn(place));
        }
        if response.drag_stopped() {
            ui.data_mut(|data| data.remove::<(f32, f32)>(id));
            touches.push(Touch::LetGo);
        }

        let mut steps = 0.0;
        if response.contains_pointer() && !response.dragged() {
            steps += wheel_lines(ui);
        }
        if response.has_focus() {
            let arrows = EventFilter {
                horizontal_arrows: true,
                vertical_arrows: true,
                ..EventFilter::default()
            };
            ui.memory_mut(|memory| memory.set_focus_lock_filter(id, arrows));
            ui.input(|input| {
                let pressed = |key| input.num_presses(key) as f32;
                steps += pressed(Key::ArrowRight) + pressed(Key::ArrowUp);
                steps -= pressed(Key::ArrowLeft) + pressed(Key::ArrowDown);
                steps += 10.0 * (pressed(Key::PageUp) - pressed(Key::PageDown));
                if input.key_pressed(Key::Delete) || input.key_pressed(Key::Backspace) {
                    touches.push(Touch::Reset);
                }
                for event in &input.events {
                    match event {
                        Event::Copy => touches.push(Touch::Copy),
                        // The window hands a paste over as text; one sign is one typed.
                        Event::Text(text) if text.chars().count() > 1 => {
                            touches.push(Touch::Type(text.clone()));
                        }
                        _ => (),
                    }
                }
            });
        }
        if steps != 0.0 {
            touches.push(Touch::Step(steps * STEP * fine));
        }
    }

    /// What a right click offers, or the key that stands for one.
    fn menu(&self, response: &Response, touches: &mut Vec<Touch>, type_it: impl FnOnce()) {
        let (ctx, id) = (&response.ctx, Popup::default_response_id(response));
        let key = |input: &InputState| input.modifiers.shift_only() && input.key_pressed(Key::F10);
        let by_key =
            response.has_focus() && ctx.input(|input| input.key_pressed(Key::Menu) || key(input));
        if by_key {
            Popup::open_id(ctx, id);
        }
        let mut popup = Popup::context_menu(response).width(120.0);
        if Popup::is_id_open(ctx, id) && Popup::position_of_id(ctx, id).is_none() {
            // No pointer has opened it.
            popup = popup.anchor(response);
        }
        popup.show(|ui| {
            let place = ui.min_rect().left_top();
            let entry = |ui: &mut Ui, text: &str| {
                let entry = ui.button(text);
                if entry.clicked() {
                    ui.close();
                }
                entry
            };
            let copy = entry(ui, "Copy value");
            if by_key {
                copy.request_focus();
            }
            if copy.clicked() {
                touches.push(Touch::Copy);
            }
            if entry(ui, "Paste value").clicked() {
                touches.push(Touch::Paste);
            }
            if !self.stops && entry(ui, "Type value").clicked() {
                type_it();
            }
            if self.other_unit.is_some_and(|name| entry(ui, name).clicked()) {
                touches.push(Touch::OtherUnit);
            }
            if entry(ui, "Default").clicked() {
                touches.push(Touch::Reset);
            }
            if self.host_menu && entry(ui, "Host's menu").clicked() {
                touches.push(Touch::HostMenu(place));
            }
        });
        give_back_keyboard(response);
    }

    fn paint_line(&self, ui: &Ui, rect: Rect, hot: bool, focused: bool) {
        let inks = theme::of(ui);
        let painter = ui.painter();
        let drop = (rect.height() - WORDS - MARK - 1.0).clamp(DROP.0, DROP.1);
        let y = (rect.top() + WORDS + drop).round() + 0.5;
        let (left, right) = (rect.left() + 0.5, rect.right() - 0.5);
        let x = |position: f32| left + (right - left) * position;
        for &(position, long) in self.ticks {
            let length = if long { drop.min(6.0) } else { drop.min(6.0) * 0.6 };
            let color = if long { inks.faint } else { inks.wash };
            painter.vline(x(position), y - length..=y, Stroke::new(1.0, color));
        }
        painter.hline(left..=right, y, Stroke::new(1.0, inks.faint));
        let to = x(self.position);
        if !self.stops {
            let from = x(self.origin);
            painter.hline(from.min(to)..=from.max(to), y, Stroke::new(2.5, inks.ink));
        }
        let tip = pos2(to, y + 1.0);
        let half = if hot { 5.5 } else { 4.5 };
        painter.add(Shape::convex_polygon(
            vec![tip, tip + vec2(half, MARK), tip + vec2(-half, MARK)],
            inks.ink,
            Stroke::NONE,
        ));
        if focused {
            let frame = rect.expand2(vec2(5.0, 1.0));
            painter.rect_stroke(frame, 3.0, Stroke::new(1.0, inks.faint), StrokeKind::Inside);
        }
    }
}

/// Lines the wheel was turned in this frame; up is positive.
fn wheel_lines(ui: &Ui) -> f32 {
    ui.input(|input| {
        input
            .events
            .iter()
            .map(|event| match event {
                Event::MouseWheel { unit, delta, .. } => match unit {
                    MouseWheelUnit::Line => delta.y,
                    MouseWheelUnit::Point => delta.y / 40.0,
                    MouseWheelUnit::Page => delta.y * 10.0,
                },
                _ => 0.0,
            })
            .sum()
    })
}

/// A text being typed in place of the value.
#[derive(Clone)]
struct Typing {
    text: String,
    /// Frames the field has been on screen.
    age: u32,
}

impl Typing {
    fn over(value: &str) -> Self {
        Self { text: value.to_owned(), age: 0 }
    }

    /// Shows the field. Gives the text once typing is done, and nothing when it was given up.
    fn show(mut self, ui: &mut Ui, id: Id, words: Rect) -> Option<String> {
        let inks = theme::of(ui);
        let field = Rect::from_min_max(pos2(words.center().x, words.top()), words.max);
        ui.painter().rect_filled(field, 2.0, inks.card);
        let response = ui.put(
            field,
            TextEdit::singleline(&mut self.text)
                .id(id)
                .font(theme::VALUE)
                .char_limit(TYPED_CHARS)
                .frame(egui::Frame::NONE)
                .margin(egui::Margin::ZERO)
                .align(Align2::RIGHT_CENTER)
                .desired_width(field.width()),
        );
        ui.painter().hline(field.x_range(), field.bottom() - 1.0, inks.hot());
        match (self.age, response.has_focus()) {
            (0, _) => response.request_focus(),
            // Egui puts the cursor at the end when the keyboard comes; all is selected after that,
            // so that what is typed replaces the value.
            (1, true) => select_all(ui, id, &self.text),
            (_, true) => (),
            (_, false) => {
                ui.data_mut(|data| data.remove::<Self>(id));
                let given_up = ui.input(|input| input.key_pressed(Key::Escape));
                return (!given_up).then_some(self.text);
            }
        }
        self.age += 1;
        ui.data_mut(|data| data.insert_temp(id, self));
        None
    }
}

fn select_all(ui: &Ui, id: Id, text: &str) {
    let mut state = TextEdit::load_state(ui.ctx(), id).unwrap_or_default();
    let end = CCursor::new(text.chars().count());
    state.cursor.set_char_range(Some(CCursorRange::two(CCursor::new(0), end)));
    TextEdit::store_state(ui.ctx(), id, state);
    ui.ctx().request_repaint();
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::editor::pointer::OneAtATime;
    use egui::{Context, Modifiers, PointerButton, RawInput};

    const SIZE: egui::Vec2 = vec2(200.0, 40.0);

    /// A ruler at a half, through frames of events. Gives all touches.
    fn touches(frames: Vec<Vec<Event>>) -> Vec<Touch> {
        let ctx = Context::default();
        ctx.add_plugin(OneAtATime::default());
        let mut touches = Vec::new();
        for (frame, mut events) in [vec![]].into_iter().chain(frames).enumerate() {
            let modifiers = events.iter().find_map(|event| match event {
                Event::PointerButton { modifiers, .. } => Some(*modifiers),
                _ => None,
            });
            if let Some(modifiers) = modifiers {
                events.insert(0, Event::ModifiersChanged(modifiers));
            }
            let input = RawInput {
                screen_rect: Some(Rect::from_min_size(pos2(0.0, 0.0), SIZE)),
                time: Some(frame as f64 * 0.05),
                events,
                ..RawInput::default()
            };
            let mut output = ctx.run_ui(input, |ui| {
                let (_, now) = Ruler::new("Name", "0.0 dB", 0.5).show(ui);
                touches.extend(now);
            });
            output.textures_delta.clear();
        }
        touches
    }

    fn at(x: f32, y: f32) -> Event {
        Event::PointerMoved(pos2(x, y))
    }

    fn button(x: f32, y: f32, pressed: bool, modifiers: Modifiers) -> Event {
        Event::PointerButton { pos: pos2(x, y), button: PointerButton::Primary, pressed, modifiers }
    }

    fn click(x: f32, y: f32, modifiers: Modifiers) -> Vec<Vec<Event>> {
        vec![
            vec![at(x, y)],
            vec![button(x, y, true, modifiers)],
            vec![button(x, y, false, modifiers)],
        ]
    }

    fn drag(modifiers: Modifiers) -> Vec<Touch> {
        touches(vec![
            vec![at(100.0, 30.0)],
            vec![button(100.0, 30.0, true, modifiers)],
            vec![at(120.0, 30.0)],
            vec![at(140.0, 30.0)],
            vec![button(140.0, 30.0, false, modifiers)],
        ])
    }

    fn key(key: Key) -> Vec<Event> {
        vec![Event::Key {
            key,
            physical_key: None,
            pressed: true,
            repeat: false,
            modifiers: Modifiers::NONE,
        }]
    }

    fn last_place(touches: &[Touch]) -> f32 {
        let place = |touch: &Touch| match touch {
            Touch::Turn(place) => Some(*place),
            _ => None,
        };
        touches.iter().rev().find_map(place).unwrap()
    }

    #[test]
    fn a_drag_takes_turns_and_lets_go() {
        let touches = drag(Modifiers::NONE);
        assert_eq!(touches.first(), Some(&Touch::Take));
        assert_eq!(touches.last(), Some(&Touch::LetGo));
        // 40 of 200 points.
        assert!((last_place(&touches) - 0.7).abs() < 0.01, "{touches:?}");
    }

    #[test]
    fn a_slow_window_loses_nothing_of_a_drag() {
        let [press, release] =
            [(100.0, true), (140.0, false)].map(|(x, down)| button(x, 30.0, down, Modifiers::NONE));
        for after in [at(180.0, 30.0), Event::PointerGone] {
            // Press and release may come in any frames.
            let way = [at(100.0, 30.0), press.clone(), at(120.0, 30.0), at(140.0, 30.0)];
            let way = way.into_iter().chain([release.clone(), after]).collect::<Vec<_>>();
            for first in 0..way.len() {
                for second in first..way.len() {
                    let frames = [&way[..first], &way[first..second], &way[second..]];
                    let rest = vec![vec![]; 4];
                    let frames = frames.map(<[Event]>::to_vec).into_iter().chain(rest);
                    let touches = touches(frames.collect());
                    assert_eq!(touches.first(), Some(&Touch::Take), "{first}, {second}");
                    assert_eq!(touches.last(), Some(&Touch::LetGo), "{first}, {second}");
                    assert!((last_place(&touches) - 0.7).abs() < 0.001, "{touches:?}");
                }
            }
        }
    }

    #[test]
    fn a_fine_drag_is_ten_times_finer() {
        for fine in [Modifiers::SHIFT, Modifiers::COMMAND, Modifiers::CTRL] {
            let place = last_place(&drag(fine));
            assert!((place - 0.52).abs() < 0.001, "{place}");
        }
    }

    #[test]
    fn double_click_and_alt_click_ask_for_the_default() {
        let twice = [click(50.0, 30.0, Modifiers::NONE), click(50.0, 30.0, Modifiers::NONE)];
        assert!(touches(twice.concat()).contains(&Touch::Reset));
        assert!(touches(click(50.0, 30.0, Modifiers::ALT)).contains(&Touch::Reset));
        assert_eq!(touches(click(50.0, 30.0, Modifiers::NONE)), []);
    }

    #[test]
    fn wheel_and_arrow_keys_step() {
        let wheel = Event::MouseWheel {
            unit: MouseWheelUnit::Line,
            delta: vec2(0.0, 1.0),
            phase: egui::TouchPhase::Move,
            source: egui::MouseWheelSource::Unknown,
            modifiers: Modifiers::NONE,
        };
        assert_eq!(touches(vec![vec![at(50.0, 30.0)], vec![wheel]]), [Touch::Step(STEP)]);
        let mut keys = click(50.0, 30.0, Modifiers::NONE);
        keys.extend([key(Key::ArrowRight), key(Key::ArrowDown)]);
        assert_eq!(touches(keys), [Touch::Step(STEP), Touch::Step(-STEP)]);
    }

    #[test]
    fn the_menu_is_reached_by_key_and_the_keyboard_comes_back() {
        let mut frames = click(50.0, 30.0, Modifiers::NONE);
        frames.extend([key(Key::Menu), vec![], vec![], key(Key::Enter), vec![]]);
        frames.extend([key(Key::ArrowRight), vec![]]);
        assert_eq!(touches(frames), [Touch::Copy, Touch::Step(STEP)]);
    }

    #[test]
    fn what_is_typed_replaces_the_value_until_it_is_given_up() {
        let typing = |end: Key| {
            let mut frames = click(190.0, 8.0, Modifiers::NONE);
            frames.extend([vec![], vec![], vec![]]);
            frames.extend([vec![Event::Text("-18".to_owned())], key(end), vec![]]);
            touches(frames)
        };
        assert_eq!(typing(Key::Enter), [Touch::Type("-18".to_owned())]);
        assert_eq!(typing(Key::Escape), []);
    }
}
