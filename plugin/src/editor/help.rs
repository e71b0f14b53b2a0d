//! The line of help: what is under the pointer, in words.

use std::borrow::Cow;

use egui::{Id, Response, Ui};
use tenon_dsp::Control;

/// Shown when the pointer is on nothing.
pub(crate) const CAUTION: &str = "Before you switch the match off, bypass, or listen to delta or key, turn the monitors down: the level can jump.";

/// The same while the sheet of blind trials is open.
pub(crate) const TRIAL_CAUTION: &str =
    "Keep the monitoring level moderate, and leave it where it is until the trial has ended.";

/// How long an answer to something typed stays, in seconds.
const ANSWER_S: f64 = 6.0;

/// Collects the help for whatever is under the pointer in this frame.
pub(crate) struct Help {
    text: Option<Cow<'static, str>>,
    caution: &'static str,
}

impl Help {
    /// Help that shows `caution` when the pointer is on nothing.
    pub(crate) fn new(caution: &'static str) -> Self {
        Self { text: None, caution }
    }

    /// Explains a control when the pointer or the keyboard is on `response`.
    pub(crate) fn control(&mut self, response: &Response, control: Control) {
        let help = control.spec().help;
        match control {
            Control::LoudnessMatch | Control::Bypass | Control::Listen => {
                self.over(response, format!("{help} {LEVEL_JUMPS}"));
            }
            _ => self.over(response, help),
        }
    }

    /// Explains something else.
    pub(crate) fn over(&mut self, response: &Response, text: impl Into<Cow<'static, str>>) {
        if response.hovered() || response.has_focus() || response.dragged() {
            self.text = Some(text.into());
        }
    }

    /// The line to show: an answer that is still fresh, the help, or the caution.
    pub(crate) fn line(self, ui: &Ui) -> Cow<'static, str> {
        let now = ui.input(|input| input.time);
        let answer: Option<(f64, String)> = ui.data(|data| data.get_temp(answer_id()));
        match answer {
            Some((until, text)) if now < until => {
                ui.ctx().request_repaint_after_secs((until - now) as f32);
                text.into()
            }
            _ => self.text.unwrap_or(Cow::Borrowed(self.caution)),
        }
    }

    /// Answers something typed; stays for a while whatever the pointer does.
    pub(crate) fn answer(ui: &Ui, text: String) {
        let until = ui.input(|input| input.time) + ANSWER_S;
        ui.data_mut(|data| data.insert_temp(answer_id(), (until, text)));
    }

    /// Takes the last answer back.
    pub(crate) fn take_back(ui: &Ui) {
        ui.data_mut(|data| data.remove::<(f64, String)>(answer_id()));
    }
}

const LEVEL_JUMPS: &str = "The level can jump: monitors down first.";

fn answer_id() -> Id {
    Id::unique("answer")
}
