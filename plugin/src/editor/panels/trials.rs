//! A listener who conducts blind trials on a sheet that nobody sees, and knows what they must not.

use std::path::Path;

use super::tests::{Window, check_texts};
use super::*;
use crate::blind::{End, Opposite, Stage, Word};
use crate::editor::trial::{Compared, Page, Unkept};
use crate::trial::plan::{Kind, Side};
use crate::trial::record::{Record, keep, read_all};
use egui::{Event, Key, Modifiers, pos2};
use tenon_dsp::{Control, MatchMemory, MatchState, Settings};

/// A window with records in a folder, and its audio running.
fn open(folder: &Path, compared: Compared) -> Window {
    let mut window = Window::new(1120.0, 700.0);
    window.trial = Conductor::new(Some(folder.to_owned()), Unkept::default());
    window.click_on("Blind trial");
    if compared == Compared::Slots {
        window.click_on("A and B");
    }
    window
}

/// The audio thread takes up the order, with so much programme measured; what is chosen is heard.
fn audio(window: &mut Window, measured_s: f32, end: Option<End>) -> Stage {
    says(window, measured_s, end, true)
}

fn says(window: &mut Window, measured_s: f32, end: Option<End>, heard: bool) -> Stage {
    let order = window.blind_in.order();
    let louder = Settings::default().with(Control::Threshold, -31.5);
    window.blind_in.say(Word {
        session: order.session,
        end,
        running: matches!(order.stage, Stage::Running { .. }),
        settings: [Settings::default(), louder],
        loudness_lufs: Some([-16.4, -16.52]),
        measured_s,
        turn: order.turn,
        heard,
    });
    window.frame(vec![]);
    order.stage
}

fn is_opposite(window: &mut Window) -> bool {
    match audio(window, 10.0, None) {
        Stage::Running { opposite } => opposite,
        stage => panic!("{stage:?}"),
    }
}

fn start(window: &mut Window, trials: u32) {
    window.trial.trials = trials;
    audio(window, 10.0, None);
    window.click_on("Start");
    assert!(matches!(window.trial.page, Page::Asking(_)));
}

/// Listens to everything by key, and gives whether each is the opposite.
fn listen(window: &mut Window, keys: &[Key]) -> Vec<bool> {
    let listened = keys.iter().map(|key| {
        window.press(Modifiers::NONE, *key);
        is_opposite(window)
    });
    listened.collect()
}

const ALL: [Key; 3] = [Key::Num1, Key::Num2, Key::X];

fn only_record(folder: &Path) -> Record {
    let (mut records, damaged) = read_all(folder);
    assert_eq!((records.len(), damaged.len()), (1, 0));
    records.remove(0)
}

#[test]
fn who_hears_the_difference_gets_all_right_and_a_record() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = open(folder.path(), Compared::DryProcessed);
    start(&mut window, 8);
    for trial in 0..8 {
        let [dry, processed, x] = listen(&mut window, &ALL)[..] else { panic!() };
        assert!(dry && !processed, "the processed is the setting in force");
        // By mouse and by key in turn.
        match (x, trial % 2) {
            (true, 0) => window.click_on("\u{2190}  X is dry"),
            (false, 0) => window.click_on("X is processed  \u{2192}"),
            (true, _) => window.press(Modifiers::NONE, Key::ArrowLeft),
            (false, _) => window.press(Modifiers::NONE, Key::ArrowRight),
        }
    }
    assert!(window.has("8 of 8: chance alone does this about once in 256 times"));
    assert!(window.has("p = 0.0039, one-sided"));
    assert!(window.has("Processed was 0.12 LU louder than Dry."));
    let record = only_record(folder.path());
    assert_eq!((record.kind(), record.count(), record.planned()), (Kind::Difference, 8, 8));
    assert!(!record.stopped_early());
    let [dry, processed] = record.sides();
    assert!(dry.settings.is_empty());
    assert_eq!(processed.settings["threshold"], "-18.00 dB");
    window.click_on("Back");
    assert_eq!(window.blind_in.order().stage, Stage::Off);
    assert!(window.has("Dry at same loudness"));
}

#[test]
fn a_preference_is_counted_for_the_side_whatever_its_button() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = open(folder.path(), Compared::Slots);
    let memory = MatchMemory { gain_db: 0.0, state: MatchState::Learning };
    let settings = Settings::default();
    let expected = Opposite::Setting { settings, loudness_match: memory };
    assert_eq!(window.blind_in.order().stage, Stage::Ready(expected));
    window.click_on("Which is better?");
    start(&mut window, 12);
    for trial in 0..12 {
        let [one, two] = listen(&mut window, &ALL[..2])[..] else { panic!() };
        assert_ne!(one, two);
        // A is in force, B is the opposite: it is liked better but for three times.
        let wanted = trial >= 3;
        let key = if one == wanted { Key::ArrowLeft } else { Key::ArrowRight };
        window.press(Modifiers::NONE, key);
    }
    let record = only_record(folder.path());
    assert_eq!(record.count(), 9);
    assert_eq!(record.sides()[1].settings["threshold"], "-31.50 dB");
    assert!((record.loudness_difference_lu().unwrap() + 0.12).abs() < 1e-5);
    assert!(window.has("B preferred: 9 of 12"));
    assert!(window.has("Threshold \u{2212}18.00 dB and \u{2212}31.50 dB"));
}

#[test]
fn the_sheet_and_the_host_learn_nothing_of_what_is_heard() {
    for kind in Kind::ALL {
        let folder = tempfile::tempdir().unwrap();
        let mut window = open(folder.path(), Compared::DryProcessed);
        window.trial.kind = kind;
        // What else a sheet would show.
        window.play(&super::tests::long_readings(), None);
        let before = window.outside();
        start(&mut window, 25);
        let mut seen: Vec<(bool, String)> = Vec::new();
        for _ in 0..24 {
            let keys = if kind == Kind::Difference { &ALL[..] } else { &ALL[..2] };
            let heard = listen(&mut window, keys);
            let texts: Vec<String> = window
                .frame(vec![])
                .into_iter()
                .map(|(text, ink)| format!("{text} {ink:?}"))
                .filter(|text| !text.starts_with("Trial "))
                .collect();
            let texts = texts.join("\n");
            for word in ["dB", "LUFS", "LU ", "Match", "Undo"] {
                assert!(!texts.contains(word), "{word} is on the sheet: {texts}");
            }
            seen.push((heard[keys.len() - 1], texts));
            assert_eq!(window.outside(), before);
            window.press(Modifiers::NONE, Key::ArrowLeft);
        }
        assert!(seen.iter().any(|(opposite, _)| *opposite), "always the same");
        assert!(seen.iter().any(|(opposite, _)| !*opposite), "always the same");
        assert!(seen.iter().all(|(_, texts)| *texts == seen[0].1));
    }
}

#[test]
fn an_answer_has_to_wait_until_everything_was_listened_to() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = open(folder.path(), Compared::DryProcessed);
    start(&mut window, 8);
    for key in [Key::ArrowLeft, Key::ArrowRight, Key::Num2, Key::ArrowLeft] {
        window.press(Modifiers::NONE, key);
    }
    window.click_on("X is processed  \u{2192}");
    assert!(window.has("Trial 1 of 8"));
    assert!(window.has("Listen to each before you answer; it counts while the passage plays."));
    window.click_on("X");
    window.click_on("X is processed  \u{2192}");
    assert!(window.has("Trial 1 of 8"), "no audio runs");
    assert_eq!(listened_to(&mut window), 0);
    // Audio runs, and nothing sounds.
    listen_in(&mut window, false);
    assert_eq!(listened_to(&mut window), 0);
    listen_in(&mut window, true);
    assert_eq!(listened_to(&mut window), 3);
    window.click_on("X is processed  \u{2192}");
    assert!(window.has("Trial 2 of 8"));
    window.press(Modifiers::NONE, Key::ArrowLeft);
    assert!(window.has("Trial 2 of 8"), "each trial asks anew");
}

/// Listens to everything, with something to be heard or not.
fn listen_in(window: &mut Window, heard: bool) {
    for key in ALL {
        window.press(Modifiers::NONE, key);
        says(window, 10.0, None, heard);
    }
}

fn listened_to(window: &mut Window) -> usize {
    window.frame(vec![]).iter().filter(|(text, _)| text == "listened to").count()
}

#[test]
fn stopping_early_is_recorded_whoever_stops() {
    type Stops = fn(&mut Window);
    let stops: [(Stops, &str); 3] = [
        (|window| window.click_on("Stop early"), "Stopped after 2 of 16"),
        (
            |window| {
                audio(window, 0.0, Some(End::Restarted));
            },
            "It was stopped because the host started audio anew.",
        ),
        // As when the window closes.
        (|window| window.trial.stop(None, &mut window.blind), "Stopped after 2 of 16"),
    ];
    for (stop, says) in stops {
        let folder = tempfile::tempdir().unwrap();
        let mut window = open(folder.path(), Compared::DryProcessed);
        start(&mut window, 16);
        for _ in 0..2 {
            listen(&mut window, &ALL);
            window.press(Modifiers::NONE, Key::ArrowRight);
        }
        stop(&mut window);
        assert_eq!(window.blind_in.order().stage, Stage::Off);
        assert!(window.has(says));
        let record = only_record(folder.path());
        assert_eq!((record.answered(), record.planned()), (2, 16));
        assert!(record.stopped_early());
        assert!(record.loudness_difference_lu().is_some(), "measured before it was stopped");
    }
    // Without an answer there is nothing to keep.
    let folder = tempfile::tempdir().unwrap();
    let mut window = open(folder.path(), Compared::DryProcessed);
    start(&mut window, 16);
    window.click_on("Stop early");
    assert!(window.trial.is_closed());
    assert!(window.has("The trial was stopped before its first answer; nothing was recorded."));
    assert_eq!(read_all(folder.path()).0.len(), 0);
    window.click_on("Blind trial");
    start(&mut window, 16);
    audio(&mut window, 0.0, Some(End::Restored));
    assert!(window.has("before its first answer because the host restored a state; nothing was"));
}

/// A window with a record that cannot be written, as a file stands where its folder should be.
fn stopped_without_a_folder(folder: &Path, unkept: &Unkept) -> Window {
    std::fs::write(folder, "").unwrap();
    let mut window = Window::new(1120.0, 700.0);
    window.trial = Conductor::new(Some(folder.to_owned()), unkept.clone());
    window.click_on("Blind trial");
    start(&mut window, 8);
    listen(&mut window, &ALL);
    window.press(Modifiers::NONE, Key::ArrowRight);
    window.click_on("Stop early");
    assert!(window.has("Not kept: "));
    window
}

#[test]
fn a_record_that_could_not_be_written_waits_and_is_kept_again() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("trials");
    let mut window = stopped_without_a_folder(&folder, &Unkept::default());
    window.click_on("Copy record");
    let copied = window.copied.clone().expect("a record on the clipboard");
    assert_eq!(Record::from_text(&copied).unwrap().answered(), 1);
    window.click_on("Keep again");
    assert!(window.has("Still not kept: "));
    assert!(window.has("Not kept: "), "nothing has changed");
    std::fs::remove_file(&folder).unwrap();
    window.click_on("Keep again");
    assert!(window.has("Kept as "));
    assert_eq!(only_record(&folder).to_text(), copied);
    // Nothing waits any more, so nothing is kept twice.
    window.click_on("Another trial");
    assert!(!window.has("Keep again"));
    only_record(&folder);
}

#[test]
fn records_that_wait_outlive_the_window_and_are_named() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("trials");
    let unkept = Unkept::default();
    drop(stopped_without_a_folder(&folder, &unkept));
    let mut window = Window::new(1120.0, 700.0);
    window.trial = Conductor::new(Some(folder.clone()), unkept);
    window.click_on("Blind trial");
    assert!(window.has("Not kept ("));
    assert!(window.has("Dry and Processed. Right: "));
    assert!(window.has("Export CSV") && window.has("Open folder"));
    window.click_on("Copy record");
    let copied = window.copied.clone().expect("a record on the clipboard");
    std::fs::remove_file(&folder).unwrap();
    window.click_on("Keep again");
    assert!(!window.has("Not kept ("));
    assert!(window.has("Dry and Processed. Right: "));
    assert_eq!(only_record(&folder).to_text(), copied);
}

#[test]
fn records_that_wait_are_exported_with_the_others_the_oldest_first() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("trials");
    let unkept = Unkept::default();
    let mut window = stopped_without_a_folder(&folder, &unkept);
    window.click_on("Copy record");
    let waiting = window.copied.clone().expect("a record on the clipboard");
    let date = Record::from_text(&waiting).unwrap().date().to_owned();
    let later = waiting.replace(&date, &date.replacen("20", "29", 1));
    std::fs::remove_file(&folder).unwrap();
    keep(&Record::from_text(&later).unwrap(), &folder).unwrap();
    let mut window = Window::new(1120.0, 700.0);
    window.trial = Conductor::new(Some(folder.clone()), unkept);
    window.click_on("Blind trial");
    window.click_on("Export CSV");
    let csv = std::fs::read_to_string(folder.join("trials.csv")).unwrap();
    let years: Vec<&str> = csv.lines().skip(1).map(|line| &line[..2]).collect();
    assert_eq!(years, ["20", "29"], "{csv}");
}

#[test]
fn files_dropped_during_a_trial_wait_until_it_has_ended() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = open(folder.path(), Compared::DryProcessed);
    start(&mut window, 8);
    let file = folder.path().join("Odd.txt");
    std::fs::write(&file, "no preset").unwrap();
    window.drop_file(&file);
    assert!(window.has("Odd.txt waits until you go back to the sheet"));
    window.click_on("Stop early");
    assert!(window.has("Odd.txt was not taken in: "));
    window.frame(vec![]);
    assert!(window.bench.dropped.is_empty());
}

#[test]
fn a_trial_starts_when_both_are_measured_and_says_why_not() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = open(folder.path(), Compared::DryProcessed);
    assert!(window.has("No audio is running."));
    window.click_on("Start");
    audio(&mut window, 1.0, None);
    assert!(window.has("Dry \u{2212}16.5 LUFS, Processed \u{2212}16.4 LUFS over 1 s. Play on."));
    window.click_on("Start");
    assert!(matches!(window.trial.page, Page::SetUp));
    window.set(Control::Bypass, 1.0);
    audio(&mut window, 9.0, Some(End::Bypassed));
    assert!(window.has("Not now: bypass is on; switch it off first."));
    window.click_on("Start");
    assert!(matches!(window.trial.page, Page::SetUp));
    // Off again, both run again.
    let session = window.blind_in.order().session;
    window.set(Control::Bypass, 0.0);
    window.frame(vec![]);
    assert_ne!(window.blind_in.order().session, session);
    // And a host that starts audio anew does not end the preparation.
    audio(&mut window, 9.0, Some(End::Restarted));
    audio(&mut window, 9.0, None);
    window.click_on("Start");
    assert!(matches!(window.trial.page, Page::Asking(_)));
}

#[test]
fn the_keyboard_alone_conducts_a_trial() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = Window::new(720.0, 460.0);
    window.trial = Conductor::new(Some(folder.path().to_owned()), Unkept::default());
    /// Tabs on until a press of Space has done something.
    #[track_caller]
    fn tab_until(window: &mut Window, mut done: impl FnMut(&mut Window) -> bool) {
        for _ in 0..40 {
            window.press(Modifiers::NONE, Key::Tab);
            window.press(Modifiers::NONE, Key::Space);
            if done(window) {
                return;
            }
            if window.ctx.any_popup_open() {
                window.press(Modifiers::NONE, Key::Escape);
            }
        }
        panic!("nothing reached");
    }
    tab_until(&mut window, |window| !window.trial.is_closed());
    tab_until(&mut window, |window| window.trial.compared == Compared::Slots);
    tab_until(&mut window, |window| window.trial.kind == Kind::Preference);
    window.press(Modifiers::NONE, Key::Tab);
    for (key, trials) in [(Key::ArrowRight, 17), (Key::ArrowLeft, 16), (Key::ArrowLeft, 15)] {
        window.press(Modifiers::NONE, key);
        assert_eq!(window.trial.trials, trials);
    }
    window.press(Modifiers::NONE, Key::Enter);
    window.frame(vec![Event::Text("9".to_owned())]);
    assert_eq!(window.trial.trials, 15, "typed values wait for Enter");
    window.press(Modifiers::NONE, Key::Enter);
    assert_eq!(window.trial.trials, 9);
    tab_until(&mut window, |window| {
        audio(window, 10.0, None);
        matches!(window.trial.page, Page::Asking(_))
    });
    listen(&mut window, &ALL[..2]);
    window.press(Modifiers::NONE, Key::ArrowRight);
    assert!(window.has("Trial 2 of "));
    // Nothing can be answered yet: both buttons to listen with, then the one that stops.
    for _ in 0..3 {
        window.press(Modifiers::NONE, Key::Tab);
    }
    window.press(Modifiers::NONE, Key::Space);
    assert!(matches!(window.trial.page, Page::Outcome(_)));
    tab_until(&mut window, |window| window.trial.is_closed());
    assert_eq!(only_record(folder.path()).answered(), 1);
}

#[test]
fn records_are_listed_and_exported_and_what_is_none_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = open(folder.path(), Compared::DryProcessed);
    start(&mut window, 8);
    listen(&mut window, &ALL);
    window.press(Modifiers::NONE, Key::ArrowRight);
    window.click_on("Stop early");
    std::fs::write(folder.path().join("noise.json"), [0xFF, 0x00]).unwrap();
    window.click_on("Another trial");
    assert!(window.has("Skipped noise.json: this is no record of a trial"));
    let date: String = only_date(folder.path());
    assert!(window.has(&format!("{}  Dry and Processed. Right: ", date.replace('T', " "))));
    window.click_on("Export CSV");
    assert!(window.has("trials.csv."));
    let csv = std::fs::read_to_string(folder.path().join("trials.csv")).unwrap();
    assert_eq!(csv.lines().count(), 2, "{csv}");
    // A folder that cannot be written is said to be one.
    let file = folder.path().join("file");
    std::fs::write(&file, "").unwrap();
    let mut window = open(&file, Compared::DryProcessed);
    start(&mut window, 8);
    listen(&mut window, &ALL);
    window.press(Modifiers::NONE, Key::ArrowRight);
    window.click_on("Stop early");
    assert!(window.has("Not kept: "));
}

fn only_date(folder: &Path) -> String {
    read_all(folder).0[0].date().chars().take(16).collect()
}

#[test]
fn no_text_of_a_trial_is_cut_or_lies_on_another_at_any_size_and_zoom() {
    for (width, height) in [(720.0, 460.0), (720.0, 1080.0), (1120.0, 700.0), (3840.0, 2160.0)] {
        for (zoom, kind, compared, writable) in [
            (0.75, Kind::Difference, Compared::DryProcessed, true),
            (1.0, Kind::Difference, Compared::Slots, true),
            (1.0, Kind::Preference, Compared::DryProcessed, true),
            (1.0, Kind::Preference, Compared::Slots, false),
            (2.5, Kind::Preference, Compared::Slots, false),
        ] {
            let place = tempfile::tempdir().unwrap();
            let folder = place.path().join("trials");
            if writable {
                std::fs::create_dir(&folder).unwrap();
                for n in 0..3 {
                    std::fs::write(folder.join(format!("{n}.json")), "{}").unwrap();
                }
            } else {
                std::fs::write(&folder, "in the way").unwrap();
            }
            let mut window = Window::new(width, height);
            window.zoom = zoom;
            window.trial = Conductor::new(Some(folder), Unkept::default());
            (window.trial.kind, window.trial.compared) = (kind, compared);
            let what = format!("{width} by {height} at {zoom}, {kind:?}");
            let check = |window: &mut Window, page: &str| {
                window.frame(vec![]);
                let size = window.size;
                let what = format!("{what}, {page}");
                check_texts(&window.frame(vec![]), size, &what);
                window.frame(vec![Event::PointerMoved(pos2(width * 0.4, height * 0.5))]);
                check_texts(&window.frame(vec![]), size, &what);
            };
            for round in 0..3 {
                window.trial.open(&window.state, &mut window.blind);
                check(&mut window, "no audio");
                audio(&mut window, 123.0, None);
                check(&mut window, "ready");
                let page = format!("start {round}");
                window.trial.trials = 25;
                window.trial.start(&window.state, &mut window.blind).expect(&page);
                check(&mut window, "asking");
                listen(&mut window, &ALL);
                check(&mut window, "listened");
                window.press(Modifiers::NONE, Key::ArrowRight);
                window.trial.stop(Some(End::Restored), &mut window.blind);
                check(&mut window, "outcome");
            }
        }
    }
}

#[test]
fn hidden_sides_are_what_is_played() {
    // Both sides come, and X is heard as the side that it is.
    let folder = tempfile::tempdir().unwrap();
    let mut window = open(folder.path(), Compared::Slots);
    start(&mut window, 25);
    let mut xs = Vec::new();
    for _ in 0..25 {
        let [a, b, x] = listen(&mut window, &ALL)[..] else { panic!() };
        assert!(!a && b);
        xs.push(if x { Side::Second } else { Side::First });
        window.press(Modifiers::NONE, Key::ArrowLeft);
    }
    let record = only_record(folder.path());
    let hidden: Vec<Side> = record.answers().iter().map(|answer| answer.hidden).collect();
    assert_eq!(hidden, xs);
    assert!(record.answers().iter().all(|answer| answer.chosen == Side::First));
}
