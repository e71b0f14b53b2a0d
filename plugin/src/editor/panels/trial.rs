//! Blind trials: what to compare, the trial itself and its result. While one is under way nothing else
//! is on the sheet: any reading could tell what is heard.

use egui::{Align, Align2, Key, Modifiers, Rect, Response, Ui, pos2, vec2};
use tenon_dsp::Control;

use super::folder;
use crate::blind::Blind;
use crate::editor::clipboard;
use crate::editor::figures::{self, fixed};
use crate::editor::help::Help;
use crate::editor::layout::{SPACE, cut_left, cut_right, cut_top, row, within};
use crate::editor::theme;
use crate::editor::trial::{Asking, Compared, Conductor, LEAST_S, Outcome, Page, Source};
use crate::editor::widgets::{Button, Choice, Ruler, Touch};
use crate::state::BusState;
use crate::trial::chance;
use crate::trial::plan::{Kind, TRIALS, USUAL_TRIALS};
use crate::trial::record::{Record, Tested};

/// Height of a row of buttons, in points.
const ROW: f32 = 25.0;
/// Space between two rows, at least and at most.
const GAP: (f32, f32) = (7.0, 18.0);
/// Heights of the sheet between which the space grows.
const HEIGHTS: (f32, f32) = (400.0, 700.0);
/// Width of the words left of a choice.
const WORDS: f32 = 70.0;
/// Width of what is to be set up: a part of the sheet's, at least and at most so much.
const SET_UP: (f32, f32, f32) = (0.46, 332.0, 520.0);
/// Space between that and the records.
const GUTTER: f32 = 28.0;
/// Height of the buttons to listen with, at least and at most.
const LISTEN: (f32, f32) = (44.0, 96.0);
/// The widest a trial gets.
const WIDEST: f32 = 760.0;

/// The button that opens it.
pub(crate) fn show_entry(
    ui: &mut Ui,
    roomy: bool,
    trial: &mut Conductor,
    state: &BusState,
    blind: &mut Blind,
    help: &mut Help,
) {
    let button = Button::new(if roomy { "Blind trial" } else { "Trial" }).show(ui);
    help.over(
        &button,
        "Compare processed and dry, or A and B, without seeing which you hear; with a result that says how far it could be chance.",
    );
    if trial.take_return() {
        button.request_focus();
    }
    if button.clicked() {
        trial.open(state, blind);
    }
}

/// Shows whatever page of a trial is open, within `rect`.
pub(crate) fn show(
    ui: &mut Ui,
    rect: Rect,
    trial: &mut Conductor,
    state: &BusState,
    blind: &mut Blind,
    help: &mut Help,
) {
    match &trial.page {
        Page::Closed => (),
        Page::SetUp => set_up(ui, rect, trial, state, blind, help),
        Page::Asking(asking) => {
            let done = ask(ui, rect, asking, help);
            match done {
                Some(Done::Listen(source)) => trial.listen(source, blind),
                Some(Done::Answer(button)) => trial.answer(button, blind),
                Some(Done::Stop) => trial.stop(None, blind),
                None => (),
            }
        }
        Page::Outcome(outcome) => match show_outcome(ui, rect, outcome, help) {
            Some(Next::Another) => trial.open(state, blind),
            Some(Next::Back) => trial.close(blind),
            Some(Next::Keep) => try_again(ui, trial),
            None => (),
        },
    }
}

/// A heading. Gives its line, for the buttons at its right end: they come last, so that the keyboard
/// meets them last.
fn head(ui: &Ui, rect: &mut Rect, text: &str) -> Rect {
    let gap = gap(rect.height());
    let line = cut_top(rect, ROW);
    cut_top(rect, gap);
    let ink = theme::of(ui).ink;
    ui.painter().text(line.left_center(), Align2::LEFT_CENTER, text, theme::TITLE, ink);
    line
}

/// Space between two rows on a sheet so high.
fn gap(height: f32) -> f32 {
    let share = (height - HEIGHTS.0) / (HEIGHTS.1 - HEIGHTS.0);
    (GAP.0 + (GAP.1 - GAP.0) * share.clamp(0.0, 1.0)).round()
}

/// Lays text out over as many lines as it takes, at the top of what is left.
fn words(ui: &Ui, rest: &mut Rect, text: String, font: egui::FontId, faint: bool) {
    let inks = theme::of(ui);
    let color = if faint { inks.faint } else { inks.ink };
    let text = ui.painter().layout(text, font, color, rest.width());
    let place = cut_top(rest, text.size().y);
    cut_top(rest, GAP.0);
    ui.painter().galley(place.min, text, color);
}

fn set_up(
    ui: &mut Ui,
    mut rect: Rect,
    trial: &mut Conductor,
    state: &BusState,
    blind: &mut Blind,
    help: &mut Help,
) {
    let line = head(ui, &mut rect, "Blind trial");
    let (part, least, most) = SET_UP;
    let width = (rect.width() * part).clamp(least, most);
    let mut left = cut_left(&mut rect, width);
    cut_left(&mut rect, GUTTER);
    what(ui, &mut left, trial, state, blind, help);
    start(ui, left, trial, state, blind, help);
    records(ui, rect, trial, help);
    row(ui, line, Align::Max, |ui| {
        if back(ui, help) {
            trial.close(blind);
        }
    });
}

fn back(ui: &mut Ui, help: &mut Help) -> bool {
    let button = Button::new("Back").show(ui);
    help.over(&button, "Back to the sheet; nothing has changed there.");
    button.clicked()
}

/// What is compared, what is asked, and how often.
fn what(
    ui: &mut Ui,
    rest: &mut Rect,
    trial: &mut Conductor,
    state: &BusState,
    blind: &mut Blind,
    help: &mut Help,
) {
    let compared = Compared::ALL.iter().position(|one| *one == trial.compared).unwrap_or(0);
    let names = &["Processed and dry", "A and B"];
    let (response, chosen) = choice(ui, rest, "Compare", names, compared);
    help.over(
        &response,
        "The dry plays at the loudness of the processed, A and B each at its own match; what that leaves between them on the passage is taken off. Both run at the quality and lookahead in use.",
    );
    if let Some(chosen) = chosen {
        trial.compare(Compared::ALL[chosen], state, blind);
    }

    let kind = Kind::ALL.iter().position(|one| *one == trial.kind).unwrap_or(0);
    let names = &Kind::ALL.map(|kind| match kind {
        Kind::Difference => "Do I hear it?",
        Kind::Preference => "Which is better?",
    });
    let (response, chosen) = choice(ui, rest, "Question", names, kind);
    help.over(
        &response,
        "Hearing a difference: X is one of the two, and you say which. Preference: both have no name, and you say which you like better.",
    );
    if let Some(chosen) = chosen {
        trial.kind = Kind::ALL[chosen];
    }

    let ruler = cut_top(rest, 36.0);
    cut_top(rest, GAP.0);
    number(ui, ruler, trial, help);
    words(ui, rest, what_it_takes(trial.kind, trial.trials), theme::SMALL, true);
}

fn choice(
    ui: &mut Ui,
    rest: &mut Rect,
    word: &str,
    names: &[&str],
    taken: usize,
) -> (Response, Option<usize>) {
    let gap = gap(rest.height() + 2.0 * ROW);
    let mut line = cut_top(rest, ROW);
    cut_top(rest, gap);
    let faint = theme::of(ui).faint;
    let left = cut_left(&mut line, WORDS).left_center();
    ui.painter().text(left, Align2::LEFT_CENTER, word, theme::TEXT, faint);
    within(ui, line, |ui| ui.push_id(word, |ui| Choice::new(names, taken).show(ui)).inner)
}

/// How many trials there will be.
fn number(ui: &mut Ui, rect: Rect, trial: &mut Conductor, help: &mut Help) {
    let (least, most) = (*TRIALS.start(), *TRIALS.end());
    let travel = (most - least) as f32;
    let place = |trials: u32| (trials - least) as f32 / travel;
    let ticks: Vec<(f32, bool)> = TRIALS.map(|trials| (place(trials), trials % 4 == 0)).collect();
    let text = trial.trials.to_string();
    let (response, touches) = within(ui, rect, |ui| {
        Ruler::new("Trials", &text, place(trial.trials)).ticks(&ticks).show(ui)
    });
    help.over(
        &response,
        "8 to 25, fixed before the first one: who stops when the count pleases makes it look better than it is. Fewer prove little, more tire the ears.",
    );
    for touch in touches {
        match touch {
            Touch::Turn(place) => trial.trials = least + (place * travel).round() as u32,
            Touch::Step(step) if step > 0.0 => trial.trials += 1,
            Touch::Step(_) => trial.trials = trial.trials.saturating_sub(1),
            Touch::Reset => trial.trials = USUAL_TRIALS,
            Touch::Type(text) => typed(ui, &text, trial),
            Touch::Paste => match clipboard::text() {
                Ok(text) => typed(ui, &text, trial),
                Err(error) => Help::answer(ui, format!("Nothing to paste: {error}.")),
            },
            Touch::Copy => ui.ctx().copy_text(text.clone()),
            // It is no parameter: nobody has to be told of a hand on it.
            Touch::Take | Touch::LetGo | Touch::Next | Touch::OtherUnit | Touch::HostMenu(_) => (),
        }
        trial.trials = trial.trials.clamp(least, most);
    }
}

fn typed(ui: &Ui, text: &str, trial: &mut Conductor) {
    match text.trim().parse() {
        Ok(trials) if TRIALS.contains(&trials) => {
            Help::take_back(ui);
            trial.trials = trials;
        }
        _ => {
            let (least, most) = (TRIALS.start(), TRIALS.end());
            Help::answer(ui, format!("Trials takes a whole number from {least} to {most}."));
        }
    }
}

/// What a result would have to be to mean something.
fn what_it_takes(kind: Kind, trials: u32) -> String {
    match kind {
        Kind::Difference => {
            let hits = chance::needed(trials, 0.05).unwrap_or(trials);
            format!(
                "X is one of the two: which? By guessing alone, {hits} or more of {trials} are right less than once in 20 times."
            )
        }
        Kind::Preference => {
            let count = chance::needed(trials, 0.025).unwrap_or(trials);
            format!(
                "Two buttons without a name: which do you like better? By chance alone, one side gets {count} or more of {trials} less than once in 20 times."
            )
        }
    }
}

/// How loud both are, and the button that begins.
fn start(
    ui: &mut Ui,
    mut rect: Rect,
    trial: &mut Conductor,
    state: &BusState,
    blind: &mut Blind,
    help: &mut Help,
) {
    let gap = gap(rect.height() + 6.0 * ROW);
    cut_top(&mut rect, gap - GAP.0);
    words(ui, &mut rect, standing(trial, state), theme::TEXT, false);
    cut_top(&mut rect, gap - GAP.0);
    let line = cut_top(&mut rect, ROW);
    cut_top(&mut rect, gap);
    let can_start = trial.can_start();
    row(ui, line, Align::Min, |ui| {
        let button = ui.add_enabled_ui(can_start, |ui| Button::new("Start").width(110.0).show(ui));
        let button = button.inner;
        help.over(
            &button,
            "Draws an order that nobody knows and begins. The number of trials is fixed from then on.",
        );
        if button.clicked()
            && let Err(error) = trial.start(state, blind)
        {
            Help::answer(ui, format!("Not started: {error}."));
        }
    });
    words(ui, &mut rect, STANDS_STILL.to_owned(), theme::SMALL, true);
}

const STANDS_STILL: &str = "Set a moderate monitoring level and leave it there. While the trial runs, settings and levels stand still, whatever is automated, and the sheet shows no reading. Turn away from the meters of the host: they show what is heard.";

/// What still stands in the way, or how loud both are.
fn standing(trial: &Conductor, state: &BusState) -> String {
    let Some(word) = trial.word() else {
        return "No audio is running. Play the passage you want to judge.".to_owned();
    };
    if let Some(end) = word.end {
        return format!("Not now: {end}.");
    }
    let Some(([first, second], measured_s)) = trial.measured(state) else {
        return "Play the passage you want to judge; both are being measured.".to_owned();
    };
    let names = trial.compared.names();
    let lufs = |value: f32| format!("{} LUFS", figures::one_digit(value).trim());
    let heard = format!(
        "{} {}, {} {} over {} s.",
        names[0],
        lufs(first),
        names[1],
        lufs(second),
        fixed(measured_s, 0)
    );
    let next = if measured_s < LEAST_S {
        "Play on.".to_owned()
    } else {
        let left = (first - second).abs();
        format!("The {} dB between them will be taken off.", fixed(left, 1))
    };
    format!("{heard} {next}")
}

/// Earlier trials, as many as there is room for.
fn records(ui: &mut Ui, mut rect: Rect, trial: &mut Conductor, help: &mut Help) {
    let inks = theme::of(ui);
    let gap = gap(rect.height() + 2.0 * ROW);
    let heading = cut_top(&mut rect, ROW);
    cut_top(&mut rect, gap);
    let waiting = trial.waiting();
    row(ui, heading, Align::Max, |ui| {
        let button = Button::new("Export CSV").show(ui);
        help.over(&button, "Writes all records to trials.csv in the folder of the trials.");
        if button.clicked() {
            Help::answer(
                ui,
                match trial.export() {
                    Ok(file) => format!("Wrote {}.", file.display()),
                    Err(error) => format!("Not written: {error}."),
                },
            );
        }
        let button = Button::new("Open folder").show(ui);
        help.over(&button, "The records, one readable file each. They stay on this machine.");
        if button.clicked() {
            folder::open(ui, trial.folder());
        }
    });

    if !waiting.is_empty() {
        let line = cut_top(&mut rect, ROW);
        cut_top(&mut rect, gap);
        row(ui, line, Align::Min, |ui| {
            if keep_again(ui, help) {
                try_again(ui, trial);
            }
            copy_records(ui, &waiting, help);
        });
    }

    let painter = ui.painter();
    let at = heading.left_center();
    painter.text(at, Align2::LEFT_CENTER, "Earlier trials", theme::HEADING, inks.ink);
    let why = trial.unkept_why.as_deref().unwrap_or_default();
    let waiting = waiting.iter().map(|record| format!("Not kept ({why}): {}", line(record)));
    let damaged = trial.damaged.iter().map(|why| format!("Skipped {why}"));
    let kept = trial.records.iter().map(line);
    let lines: Vec<String> = waiting.chain(damaged).chain(kept).collect();
    if lines.is_empty() {
        painter.text(rect.left_top(), Align2::LEFT_TOP, "None yet.", theme::SMALL, inks.faint);
    }
    let more = |left: usize| format!("{left} more in the folder.");
    let room = painter.layout_no_wrap(more(999), theme::SMALL, inks.faint).size().y;
    for (index, line) in lines.iter().enumerate() {
        let text = painter.layout(line.clone(), theme::SMALL, inks.ink, rect.width());
        let is_last = index + 1 == lines.len();
        let needed = text.size().y + if is_last { 0.0 } else { room };
        if needed > rect.height() {
            let left = lines.len() - index;
            painter.text(rect.left_top(), Align2::LEFT_TOP, more(left), theme::SMALL, inks.faint);
            break;
        }
        let place = cut_top(&mut rect, text.size().y + 5.0);
        painter.galley(place.min, text, inks.ink);
    }
}

/// Tries again to keep what could not be written, and says what came of it.
fn try_again(ui: &Ui, trial: &mut Conductor) {
    trial.keep_again();
    let answer = match &trial.unkept_why {
        Some(why) => format!("Still not kept: {why}."),
        None => "Kept.".to_owned(),
    };
    Help::answer(ui, answer);
}

fn keep_again(ui: &mut Ui, help: &mut Help) -> bool {
    let button = Button::new("Keep again").show(ui);
    help.over(
        &button,
        "Tries again to write what could not be written. It waits in memory, as long as this instance of the plug-in is loaded.",
    );
    button.clicked()
}

/// Offers records that could not be kept as text.
fn copy_records(ui: &mut Ui, waiting: &[Record], help: &mut Help) {
    let one = waiting.len() == 1;
    let button = Button::new(if one { "Copy record" } else { "Copy records" }).show(ui);
    help.over(
        &button,
        if one {
            "Puts the record on the clipboard, as the text its file would have."
        } else {
            "Puts the records on the clipboard, one after the other, each as the text its file would have."
        },
    );
    if button.clicked() {
        let texts: Vec<String> = waiting.iter().map(Record::to_text).collect();
        ui.ctx().copy_text(texts.join("\n"));
        let what = if one {
            "the record as text"
        } else {
            "the records as text, each for a file of its own"
        };
        Help::answer(ui, format!("Copied {what}."));
    }
}

/// A record in a line or two.
fn line(record: &Record) -> String {
    let [first, second] = record.sides();
    let date: String = record.date().chars().take(16).collect();
    let (names, words) = (format!("{} and {}", first.name, second.name), record.words());
    format!("{}  {names}. {words}", date.replace('T', " "))
}

/// What the listener did.
enum Done {
    Listen(Source),
    Answer(Source),
    Stop,
}

/// The trial itself. What it shows does not depend on what is heard.
fn ask(ui: &mut Ui, mut rect: Rect, asking: &Asking, help: &mut Help) -> Option<Done> {
    let mut done = None;
    let (number, of) = asking.number();
    let line = head(ui, &mut rect, &format!("Trial {number} of {of}"));
    if rect.width() > WIDEST {
        rect = Rect::from_center_size(rect.center(), vec2(WIDEST, rect.height()));
    }
    let inks = theme::of(ui);
    progress(ui, cut_top(&mut rect, 10.0), number, of);
    let spare = (rect.height() - 210.0).max(0.0);
    cut_top(&mut rect, 14.0 + spare * 0.16);

    let [first, second] = asking.compared().names();
    let question = match asking.kind() {
        Kind::Difference => {
            format!("X is either {} or {}. Which?", in_text(first), in_text(second))
        }
        Kind::Preference => "Which do you like better?".to_owned(),
    };
    let at = cut_top(&mut rect, 24.0).left_top();
    ui.painter().text(at, Align2::LEFT_TOP, question, theme::large(17.0), inks.ink);
    cut_top(&mut rect, 6.0);

    let buttons = cut_top(&mut rect, (LISTEN.0 + spare * 0.2).min(LISTEN.1));
    let notes = cut_top(&mut rect, 20.0);
    let names: Vec<String> = asking
        .sources()
        .iter()
        .map(|source| match (asking.kind(), source) {
            (Kind::Difference, Source::One) => format!("1   {first}"),
            (Kind::Difference, Source::Two) => format!("2   {second}"),
            (_, Source::X) => "X".to_owned(),
            (Kind::Preference, Source::One) => "1".to_owned(),
            (Kind::Preference, Source::Two) => "2".to_owned(),
        })
        .collect();
    for (cell, (source, name)) in
        cells(buttons, names.len()).zip(asking.sources().iter().zip(&names))
    {
        let button = Button::new(name).on(*source == asking.playing()).width(cell.width());
        let response = within(ui, cell, |ui| ui.push_id(name, |ui| button.show(ui)).inner);
        help.over(&response, "Listens to this, at once and as often as you like. Keys: 1, 2, X.");
        if response.clicked() {
            done = Some(Done::Listen(*source));
        }
        if asking.has_heard(*source) {
            let at = pos2(cell.center().x, notes.top() + 3.0);
            ui.painter().text(at, Align2::CENTER_TOP, "listened to", theme::SMALL, inks.faint);
        }
    }

    cut_top(&mut rect, GAP.0 + spare * 0.1);
    let answers = cut_top(&mut rect, ROW + 8.0);
    let texts = match asking.kind() {
        Kind::Difference => [first, second].map(|name| format!("X is {}", in_text(name))),
        Kind::Preference => ["I prefer 1".to_owned(), "I prefer 2".to_owned()],
    };
    let texts = [format!("\u{2190}  {}", texts[0]), format!("{}  \u{2192}", texts[1])];
    for ((cell, text), button) in cells(answers, 2).zip(&texts).zip([Source::One, Source::Two]) {
        let response = within(ui, cell, |ui| {
            let enabled = asking.can_answer();
            let width = cell.width();
            ui.add_enabled_ui(enabled, |ui| Button::new(text).width(width).show(ui)).inner
        });
        help.over(&response, "Answers and goes on to the next one. It cannot be taken back.");
        if response.clicked() {
            done = Some(Done::Answer(button));
        }
    }
    cut_top(&mut rect, 6.0);
    let note = if asking.can_answer() {
        "Keys: 1, 2 and X listen, the arrows left and right answer."
    } else {
        "Listen to each before you answer; it counts while the passage plays. Keys: 1, 2 and X listen, the arrows answer."
    };
    words(ui, &mut rect, note.to_owned(), theme::SMALL, true);
    row(ui, line, Align::Max, |ui| {
        let button = Button::new("Stop early").show(ui);
        help.over(
            &button,
            "Ends here. What was answered is kept, with a note that it was stopped.",
        );
        if button.clicked() {
            done = Some(Done::Stop);
        }
    });
    done.or_else(|| keys(ui))
}

/// A name as it stands within a sentence.
fn in_text(name: &str) -> String {
    if name.chars().count() > 1 { name.to_lowercase() } else { name.to_owned() }
}

/// Cells side by side.
fn cells(rect: Rect, count: usize) -> impl Iterator<Item = Rect> {
    let pitch = (rect.width() + SPACE) / count as f32;
    (0..count).map(move |cell| {
        let left = rect.left() + pitch * cell as f32;
        Rect::from_min_size(pos2(left, rect.top()), vec2(pitch - SPACE, rect.height()))
    })
}

/// A field for each trial; those that were answered are filled.
fn progress(ui: &Ui, rect: Rect, number: u32, of: u32) {
    let inks = theme::of(ui);
    let pitch = (rect.width() / of as f32).min(22.0);
    for trial in 0..of {
        let left = rect.left() + pitch * trial as f32;
        let field = Rect::from_min_size(pos2(left, rect.top()), vec2(pitch - 4.0, 6.0));
        let fill = if trial + 1 < number { inks.ink } else { inks.wash };
        ui.painter().rect_filled(field, 1.0, fill);
    }
}

fn keys(ui: &Ui) -> Option<Done> {
    let pressed = |key| ui.input_mut(|input| input.consume_key(Modifiers::NONE, key));
    [
        (Key::Num1, Done::Listen(Source::One)),
        (Key::Num2, Done::Listen(Source::Two)),
        (Key::X, Done::Listen(Source::X)),
        (Key::ArrowLeft, Done::Answer(Source::One)),
        (Key::ArrowRight, Done::Answer(Source::Two)),
    ]
    .into_iter()
    .find_map(|(key, done)| pressed(key).then_some(done))
}

/// What comes after a result.
enum Next {
    /// The sheet.
    Back,
    /// Another trial.
    Another,
    /// A second try to write the record.
    Keep,
}

fn show_outcome(ui: &mut Ui, mut rect: Rect, outcome: &Outcome, help: &mut Help) -> Option<Next> {
    let record = &outcome.record;
    let mut done = None;
    let line = head(ui, &mut rect, "Result");
    let spare = (rect.width() - WIDEST).max(0.0);
    cut_right(&mut rect, spare);
    let gap = gap(rect.height()) - GAP.0;
    words(ui, &mut rect, record.words().to_owned(), theme::large(17.0), false);
    cut_top(&mut rect, gap);
    let tail = match record.kind() {
        Kind::Difference => "one-sided",
        Kind::Preference => "two-sided",
    };
    let p = format!("p = {:.4}, {tail}, exact binomial.", record.p());
    words(ui, &mut rect, p, theme::TEXT, false);
    if let Some(end) = outcome.end {
        words(ui, &mut rect, format!("It was stopped because {end}."), theme::TEXT, false);
    }
    words(ui, &mut rect, loudness(record), theme::TEXT, false);
    cut_top(&mut rect, gap);
    words(ui, &mut rect, tested(record.sides()), theme::SMALL, true);
    let kept = match &outcome.kept {
        Ok(file) => format!("Kept as {}.", file.display()),
        Err(error) => format!(
            "Not kept: {error}. It waits in memory as long as this instance of the plug-in is loaded: mend that and press Keep again, or copy the record and paste it into a file of your own."
        ),
    };
    words(ui, &mut rect, kept, theme::SMALL, true);
    row(ui, line, Align::Max, |ui| {
        if back(ui, help) {
            done = Some(Next::Back);
        }
        let button = Button::new("Another trial").show(ui);
        help.over(&button, "Sets up another one.");
        if button.clicked() {
            done = Some(Next::Another);
        }
        if outcome.kept.is_err() {
            if keep_again(ui, help) {
                done = Some(Next::Keep);
            }
            copy_records(ui, std::slice::from_ref(record), help);
        }
    });
    done
}

/// The loudness difference that remained.
fn loudness(record: &Record) -> String {
    let [first, second] = record.sides();
    match record.loudness_difference_lu() {
        Some(lu) => format!(
            "While it ran, {} was {} LU louder than {}.",
            if lu < 0.0 { &first.name } else { &second.name },
            fixed(lu.abs() as f32, 2),
            if lu < 0.0 { &second.name } else { &first.name },
        ),
        None => "Too little was played to say how loud both were.".to_owned(),
    }
}

/// The settings of both sides, as far as they differ from each other or from a fresh instance.
fn tested([first, second]: [&Tested; 2]) -> String {
    let of = |side: &Tested, control: Control| {
        side.settings.get(control.spec().id).map(|value| figures::minus(value))
    };
    let fresh = Tested::with_settings("", &tenon_dsp::Settings::default());
    let controls = Control::ALL.into_iter().filter_map(|control| {
        let name = control.spec().name;
        match (of(first, control), of(second, control)) {
            (Some(a), Some(b)) if a == b => None,
            (Some(a), Some(b)) => Some(format!("{name} {a} and {b}")),
            (None, None) => None,
            (a, b) => a
                .or(b)
                .filter(|x| Some(x) != of(&fresh, control).as_ref())
                .map(|value| format!("{name} {value}")),
        }
    });
    let all: Vec<String> = controls.collect();
    match (first.settings.is_empty(), all.is_empty()) {
        (true, true) => format!("{}: all controls at their defaults.", second.name),
        (true, false) => format!("{}: {}.", second.name, all.join(", ")),
        (false, true) => format!("{} and {} are set alike.", first.name, second.name),
        (false, false) => format!("{} and {}: {}.", first.name, second.name, all.join("; ")),
    }
}
