//! The editor keeps its promises in a real window: that of a host, on an X screen.
#![cfg(target_os = "linux")]

use std::ffi::CStr;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tenon_tests::screen::{Picture, Windowed, check_whole};
use tenon_tests::window::{EditorHost, Play, Told, processor_s};

const ID: &CStr = c"audio.tenon.bus";
/// Size of a fresh window, in pixels.
const SIZE: (u32, u32) = (1120, 700);
/// Where the first control lies in it.
const INPUT_TRIM: (i16, i16) = (60, 490);
/// Where the threshold lies in it: its ruler, and its value.
const THRESHOLD: (i16, i16) = (540, 490);
const THRESHOLD_VALUE: (i16, i16) = (632, 480);
/// From the pointer down to the last of five entries of the menu that it opened.
const LAST_OF_FIVE: i16 = 110;
/// Where the menu of the threshold opens by key: from where, and how large.
const UNDER_THRESHOLD: ((i16, i16), (u32, u32)) = ((464, 504), (190, 130));
const MENU: (i16, i16) = (1069, 20);
const DARK_SHEET: (i16, i16) = (960, 72);

const RETURN: u32 = 0xFF0D;
const CONTROL: u32 = 0xFFE3;
const SHIFT: u32 = 0xFFE1;
const UP: u32 = 0xFF52;
const MENU_KEY: u32 = 0xFF67;
const F10: u32 = 0xFFC7;
const TAB: u32 = 0xFF09;
const PAGE_UP: u32 = 0xFF55;
const PAGE_DOWN: u32 = 0xFF56;

/// There is one screen with one pointer: one test at a time.
fn alone() -> MutexGuard<'static, ()> {
    static SCREEN: Mutex<()> = Mutex::new(());
    SCREEN.lock().unwrap_or_else(PoisonError::into_inner)
}

fn bundle() -> PathBuf {
    let made = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/bundled/Tenon.clap");
    let bundle = std::env::var_os("TENON_CLAP").map_or(made, PathBuf::from);
    assert!(
        bundle.exists(),
        "{} is not there; make it with `cargo xtask bundle`, or name another in TENON_CLAP",
        bundle.display()
    );
    bundle
}

fn load(place: (i16, i16)) -> EditorHost {
    assert!(
        std::env::var_os("DISPLAY").is_some(),
        "there is no X screen; run this under `xvfb-run`, as `cargo xtask test` does"
    );
    EditorHost::load(&bundle(), ID, place).unwrap()
}

/// A host with its editor open and a beat playing.
fn open() -> EditorHost {
    let mut host = load((0, 0));
    host.play(Play::Beat);
    host.open().unwrap();
    host.run(Duration::from_millis(800)).unwrap();
    host.told();
    host
}

/// Lets the editor draw, and the host pass on what it did.
fn settle(host: &mut EditorHost) {
    host.run(Duration::from_millis(300)).unwrap();
}

/// Opens the demo state, and gives it when it is at rest.
#[allow(unsafe_code)]
fn demo(sheet: &str) -> Picture {
    // SAFETY: one test runs at a time, and no host with its threads is alive yet.
    unsafe { std::env::set_var("TENON_PICTURE", sheet) };
    let mut host = load((0, 0));
    let picture = host.pose(100).unwrap();
    drop(host);
    // SAFETY: as above; the host and its threads are gone.
    unsafe { std::env::remove_var("TENON_PICTURE") };
    picture
}

fn kept_picture(name: &str) -> Picture {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../plugin/docs").join(name);
    let reader = std::io::BufReader::new(std::fs::File::open(&file).unwrap());
    let mut reader = png::Decoder::new(reader).read_info().unwrap();
    let mut rgb = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut rgb).unwrap();
    assert_eq!(info.color_type, png::ColorType::Rgb);
    Picture { width: info.width, height: info.height, rgb }
}

/// Share of pixels of any small part that may differ from a kept picture: lines and type are smoothed
/// differently here and there.
const TOLERANCE: f64 = 0.2;

#[test]
fn the_demo_looks_as_in_the_docs_and_the_same_each_time() {
    let _alone = alone();
    for (sheet, name) in
        [("light", "editor-light.png"), ("dark", "editor-dark.png"), ("trial", "editor-trial.png")]
    {
        let picture = demo(sheet);
        let difference = picture.worst_difference(&kept_picture(name));
        println!("{name}: {:.1} % at the worst", 100.0 * difference);
        assert!(
            difference < TOLERANCE,
            "{:.1} % of a part of {name} differ; if that is meant, run `cargo xtask screenshot`",
            100.0 * difference
        );
        assert!(picture == demo(sheet), "the {sheet} picture differs from itself");
    }
    // The tolerance tells the sheets apart by far.
    let light = kept_picture("editor-light.png");
    assert!(light.difference(&kept_picture("editor-dark.png")) > 0.5);
}

#[test]
fn a_drag_is_a_gesture_and_ctrl_z_takes_it_back() {
    let _alone = alone();
    let mut host = open();
    let before = host.value("Threshold").unwrap();
    host.drag(THRESHOLD, (THRESHOLD.0 + 60, THRESHOLD.1)).unwrap();
    settle(&mut host);
    let after = host.value("Threshold").unwrap();
    assert!(after > before + 0.1, "{before} {after}");
    let told = host.told();
    let name = "Threshold".to_owned();
    assert_eq!(told.first(), Some(&Told::Begin(name.clone())), "{told:?}");
    assert_eq!(told.last(), Some(&Told::End(name.clone())), "{told:?}");
    let is_value = |told: &Told| matches!(told, Told::Value(of, _) if *of == name);
    assert!(told[1..told.len() - 1].iter().all(is_value), "{told:?}");

    host.click(1, THRESHOLD.0, THRESHOLD.1).unwrap();
    host.key(&[CONTROL], u32::from('z')).unwrap();
    settle(&mut host);
    assert_eq!(host.value("Threshold").unwrap(), before);
}

#[test]
fn the_wheel_turns_and_a_double_click_goes_to_the_default() {
    let _alone = alone();
    let mut host = open();
    let before = host.value("Threshold").unwrap();
    host.click(4, THRESHOLD.0, THRESHOLD.1).unwrap();
    host.click(4, THRESHOLD.0, THRESHOLD.1).unwrap();
    settle(&mut host);
    let turned = host.value("Threshold").unwrap();
    assert!((turned - before - 0.02).abs() < 0.002, "{before} {turned}");
    for pressed in [true, false, true, false] {
        host.button(1, pressed).unwrap();
    }
    settle(&mut host);
    assert_eq!(host.value("Threshold").unwrap(), before);
}

/// Runs until a parameter has the value that a text means.
fn becomes(host: &mut EditorHost, name: &str, text: &str) {
    let expected = host.value_of(name, text).unwrap();
    let start = Instant::now();
    while host.value(name).unwrap() != expected {
        assert!(start.elapsed() < Duration::from_secs(10), "{name} does not become {text}");
        host.run(Duration::from_millis(50)).unwrap();
    }
}

#[test]
fn a_value_can_be_typed_as_people_do() {
    let _alone = alone();
    let mut host = open();
    for (place, name, typed, meant) in [
        (THRESHOLD_VALUE, "Threshold", "-30", "-30 dB"),
        ((632, 516), "Ratio", "3:1", "3:1"),
        ((190, 552), "Key high-pass", "0.1k", "100 Hz"),
        ((410, 588), "Release", "0.2 s", "200 ms"),
        ((410, 588), "Release note", "1/8", "1/8"),
        ((410, 624), "Adaptive", "25%", "25 %"),
    ] {
        let field = ((place.0 - 30, place.1 - 8), (40, 16));
        host.point(place.0, place.1 + 60).unwrap();
        settle(&mut host);
        let before = host.screen().part(field.0, field.1).unwrap();
        host.click(1, place.0, place.1).unwrap();
        host.part_settles(field.0, field.1, &before).unwrap();
        host.type_text(typed).unwrap();
        host.key(&[], RETURN).unwrap();
        becomes(&mut host, name, meant);
    }
}

#[test]
fn tab_goes_through_the_controls_as_the_signal_does() {
    let _alone = alone();
    let mut host = open();
    let mut left: Vec<String> = host.names().map(str::to_owned).collect();
    // These are buttons at the top, and the notes are reached where their times are.
    let elsewhere = ["Compare", "Listen", "Bypass", "Attack note", "Release note"];
    left.retain(|name| !elsewhere.contains(&name.as_str()));
    host.click(1, INPUT_TRIM.0, INPUT_TRIM.1).unwrap();
    host.told();
    let mut order = Vec::new();
    for _ in 0..left.len() + 4 {
        // At the end of its travel a control moves one way only.
        for key in [PAGE_UP, PAGE_DOWN] {
            host.key(&[], key).unwrap();
            settle(&mut host);
            if let Some(Told::Begin(name)) = host.told().into_iter().next() {
                order.push(name);
                break;
            }
        }
        host.key(&[], TAB).unwrap();
    }
    left.retain(|name| !order.contains(name));
    assert_eq!(left, Vec::<String>::new(), "not reached by keys; reached: {order:?}");
    let place = |name: &str| order.iter().position(|other| other == name).unwrap();
    let path =
        ["Input trim", "Key high-pass", "Attack", "Threshold", "Drive", "Makeup", "Output trim"];
    assert!(path.is_sorted_by_key(|name| place(name)), "{order:?}");
}

#[test]
fn the_host_resizes_the_window_within_its_limits() {
    let _alone = alone();
    let mut host = open();
    assert_eq!(host.size().unwrap(), SIZE);
    for (wanted, expected) in
        [((900, 560), (900, 560)), ((100, 100), (720, 460)), ((1600, 1100), (1600, 1100))]
    {
        assert_eq!(host.resize(wanted.0, wanted.1).unwrap(), expected);
        settle(&mut host);
        check_whole(&host.picture().unwrap());
    }
    // Remembered with the session.
    host.resize(1000, 650).unwrap();
    settle(&mut host);
    let state = host.save().unwrap();
    drop(host);
    let mut other = load((0, 0));
    other.restore(&state).unwrap();
    other.open().unwrap();
    assert_eq!(other.size().unwrap(), (1000, 650));
}

#[test]
fn the_corner_pulls_the_window() {
    let _alone = alone();
    let mut host = open();
    host.drag((1114, 694), (1174, 724)).unwrap();
    settle(&mut host);
    let (width, height) = host.size().unwrap();
    assert!(width.abs_diff(1180) <= 2 && height.abs_diff(730) <= 2, "{width} {height}");
    check_whole(&host.picture().unwrap());
}

#[test]
fn the_dark_sheet_is_chosen_and_remembered() {
    let _alone = alone();
    let mut host = open();
    let paper = |host: &EditorHost| host.picture().unwrap().pixel(2, 2);
    let light = paper(&host);
    host.click(1, MENU.0, MENU.1).unwrap();
    settle(&mut host);
    host.click(1, DARK_SHEET.0, DARK_SHEET.1).unwrap();
    settle(&mut host);
    let dark = paper(&host);
    assert!(dark.iter().zip(light).all(|(dark, light)| *dark < 64 && light > 192), "{dark:?}");
    host.close().unwrap();
    host.open().unwrap();
    settle(&mut host);
    settle(&mut host);
    assert_eq!(paper(&host), dark);
}

#[test]
fn a_zoomed_window_is_larger_and_whole() {
    let _alone = alone();
    let mut host = load((0, 0));
    let state = host.save().unwrap();
    let text = String::from_utf8(state[8..].to_vec()).unwrap();
    for (percent, size) in [(75, (840, 525)), (150, (1680, 1050))] {
        let zoomed =
            text.replace(r#"\"zoom_percent\":100"#, &format!(r#"\"zoom_percent\":{percent}"#));
        assert_ne!(zoomed, text);
        let framed = [&(zoomed.len() as u64).to_le_bytes()[..], zoomed.as_bytes()].concat();
        host.restore(&framed).unwrap();
        host.play(Play::Beat);
        host.open().unwrap();
        host.run(Duration::from_secs(1)).unwrap();
        assert_eq!(host.size().unwrap(), size);
        check_whole(&host.picture().unwrap());
        host.close().unwrap();
    }
}

fn threads() -> usize {
    std::fs::read_dir("/proc/self/task").unwrap().count()
}

#[test]
fn it_opens_a_hundred_times_and_leaves_nothing_behind() {
    let _alone = alone();
    let mut host = open();
    host.close().unwrap();
    let before = threads();
    for round in 0..100 {
        host.open().unwrap();
        // Sometimes before it has drawn, sometimes after.
        host.run(Duration::from_millis(round % 5 * 20)).unwrap();
        host.close().unwrap();
    }
    host.run(Duration::from_millis(500)).unwrap();
    assert!(threads() <= before + 1, "{before} threads before, {} after", threads());
    host.open().unwrap();
    host.run(Duration::from_secs(1)).unwrap();
    check_whole(&host.picture().unwrap());
}

#[test]
fn two_instances_close_in_either_order() {
    let _alone = alone();
    for first_closes_first in [true, false] {
        let (mut first, mut second) = (load((0, 0)), load((400, 300)));
        for host in [&mut first, &mut second] {
            host.play(Play::Beat);
            host.open().unwrap();
        }
        for _ in 0..8 {
            first.run(Duration::from_millis(50)).unwrap();
            second.run(Duration::from_millis(50)).unwrap();
        }
        let (mut closes, mut stays) =
            if first_closes_first { (first, second) } else { (second, first) };
        closes.close().unwrap();
        drop(closes);
        stays.run(Duration::from_millis(500)).unwrap();
        check_whole(&stays.picture().unwrap());
    }
}

/// Without a graphics card only what changed is drawn.
#[test]
fn what_was_drawn_in_parts_looks_as_if_drawn_at_once() {
    let _alone = alone();
    let mut host = open();
    for place in [THRESHOLD, THRESHOLD_VALUE, MENU, (300, 200), (900, 300), (800, 600)] {
        host.point(place.0, place.1).unwrap();
        settle(&mut host);
    }
    host.click(1, MENU.0, MENU.1).unwrap();
    settle(&mut host);
    host.click(1, MENU.0, MENU.1).unwrap();
    host.drag(THRESHOLD, (THRESHOLD.0 + 60, THRESHOLD.1)).unwrap();
    // To the far corner of the screen: under the pointer things look different.
    host.point(i16::MAX / 2, i16::MAX / 2).unwrap();
    host.play(Play::Nothing);
    host.run(Duration::from_secs(2)).unwrap();
    let in_parts = host.picture_at_rest().unwrap();
    // Another size is drawn at once.
    host.resize(SIZE.0 + 40, SIZE.1).unwrap();
    settle(&mut host);
    host.resize(SIZE.0, SIZE.1).unwrap();
    assert!(host.picture_at_rest().unwrap() == in_parts);
}

#[test]
#[allow(unsafe_code)]
fn a_dropped_preset_is_kept_and_a_damaged_one_named() {
    let _alone = alone();
    let home = tempfile::tempdir().unwrap();
    // SAFETY: one test runs at a time, and no host with its threads is alive yet.
    unsafe { std::env::set_var("XDG_CONFIG_HOME", home.path()) };
    let mut host = open();
    let whole = home.path().join("from elsewhere.json");
    let text = r#"{"format":"tenon preset","version":1,"name":"Found","settings":{"mix":25}}"#;
    std::fs::write(&whole, text).unwrap();
    let damaged = home.path().join("damaged.json");
    std::fs::write(&damaged, &text[..40]).unwrap();
    let before = host.picture().unwrap();
    for file in [&whole, &damaged] {
        let held = host.drop_file(file, (300, 300)).unwrap().expect("files are taken");
        // The sheet says what letting go would do.
        assert!(held.difference(&before) > 0.02);
        settle(&mut host);
    }
    let kept = home.path().join("Tenon/presets");
    let kept: Vec<_> = std::fs::read_dir(kept).unwrap().map(|file| file.unwrap().path()).collect();
    assert_eq!(kept.len(), 1, "{kept:?}");
    assert!(std::fs::read_to_string(&kept[0]).unwrap().contains("\"Found\""));
    host.key(&[CONTROL], u32::from('z')).unwrap();
    settle(&mut host);
    assert!(!kept[0].exists(), "undo takes it back");
    drop(host);
    // SAFETY: as above; the host and its threads are gone.
    unsafe { std::env::remove_var("XDG_CONFIG_HOME") };
}

/// Chooses the last entry of a ruler's menu by keys alone.
fn choose_last(host: &mut EditorHost, held: &[u32], key: u32) {
    host.key_seen(held, key, UNDER_THRESHOLD).unwrap();
    host.key_seen(&[], UP, UNDER_THRESHOLD).unwrap();
    host.key_seen(&[], RETURN, UNDER_THRESHOLD).unwrap();
}

#[test]
fn the_hosts_menu_opens_for_the_ruler_on_the_hosts_main_thread() {
    let _alone = alone();
    let mut host = EditorHost::load_offering_menu(&bundle(), ID, (0, 0)).unwrap();
    host.open().unwrap();
    host.run(Duration::from_millis(800)).unwrap();
    // A click gives the keyboard to the ruler.
    host.click(1, THRESHOLD.0, THRESHOLD.1).unwrap();
    for (held, key) in [(&[][..], MENU_KEY), (&[SHIFT], F10)] {
        choose_last(&mut host, held, key);
        settle(&mut host);
        let asked = host.menus_asked();
        assert_eq!(asked.len(), 1, "{asked:?}");
        assert_eq!(asked[0].parameter, "Threshold");
        assert_eq!(asked[0].thread, std::thread::current().id());
        // Where the sheet's own menu was, under the ruler.
        let (x, y) = asked[0].place;
        let (across, down) = (x - i32::from(THRESHOLD.0), y - i32::from(THRESHOLD.1));
        assert!(across.abs() < 150 && (0..40).contains(&down), "{x} {y}");
    }

    // With the pointer, at its place: the last of the five entries.
    host.click(3, THRESHOLD.0, THRESHOLD.1).unwrap();
    settle(&mut host);
    host.click(1, THRESHOLD.0 + 30, THRESHOLD.1 + LAST_OF_FIVE).unwrap();
    settle(&mut host);
    let asked = host.menus_asked();
    assert_eq!(asked.len(), 1, "{asked:?}");
    let (x, y) = asked[0].place;
    assert!((x - i32::from(THRESHOLD.0)).abs() < 12 && (y - i32::from(THRESHOLD.1)).abs() < 12);
}

#[test]
fn a_host_without_a_menu_is_not_asked_for_one() {
    let _alone = alone();
    let mut host = open();
    host.set("Threshold", "-30").unwrap();
    becomes(&mut host, "Threshold", "-30 dB");
    host.click(1, THRESHOLD.0, THRESHOLD.1).unwrap();
    // The last entry is the default then.
    choose_last(&mut host, &[], MENU_KEY);
    becomes(&mut host, "Threshold", "-18 dB");
    assert!(host.menus_asked().is_empty());
}

#[test]
fn without_audio_nothing_is_drawn() {
    let _alone = alone();
    let mut host = open();
    for play in [Play::Silence, Play::Nothing] {
        host.play(play);
        // Averages fall silent first.
        host.run(Duration::from_secs(8)).unwrap();
        let last = host.picture().unwrap();
        let (start, before) = (Instant::now(), processor_s());
        std::thread::sleep(Duration::from_secs(3));
        let share = (processor_s() - before) / start.elapsed().as_secs_f64();
        assert!(host.picture().unwrap() == last, "something moves in {play:?}");
        assert!(share < 0.03, "{:.1} % of a core in {play:?}", 100.0 * share);
    }
}

/// Where a fresh window has the button that opens blind trials, the one that starts one, and the one
/// at the upper right end of the sheet that goes back or stops.
const BLIND_TRIAL: (i16, i16) = (990, 20);
const START: (i16, i16) = (72, 262);
const BACK: (i16, i16) = (1070, 20);

const RIGHT: u32 = 0xFF53;

/// Keeps records of trials in a folder of the test's own.
struct Records(PathBuf);

impl Records {
    #[allow(unsafe_code)]
    fn new(name: &str) -> Self {
        let folder = std::env::temp_dir().join(format!("tenon-{name}-{}", std::process::id()));
        // SAFETY: one test runs at a time, and no host with its threads is alive yet.
        unsafe { std::env::set_var("XDG_CONFIG_HOME", &folder) };
        Self(folder)
    }

    /// The texts of all records.
    fn read(&self) -> Vec<String> {
        let files = std::fs::read_dir(self.0.join("Tenon/trials")).into_iter().flatten().flatten();
        files.map(|file| std::fs::read_to_string(file.path()).unwrap()).collect()
    }
}

impl Drop for Records {
    fn drop(&mut self) {
        // Nothing is there when nothing was kept.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// A host at settings that are heard, with a trial of processed and dry under way.
fn in_a_trial() -> EditorHost {
    let mut host = load((0, 0));
    host.play(Play::Beat);
    host.set("Threshold", "-36").unwrap();
    host.set("Ratio", "6").unwrap();
    host.open().unwrap();
    host.run(Duration::from_millis(800)).unwrap();
    host.told();
    host.click(1, BLIND_TRIAL.0, BLIND_TRIAL.1).unwrap();
    host.run(Duration::from_secs(6)).unwrap();
    host.click(1, START.0, START.1).unwrap();
    settle(&mut host);
    host
}

/// Everything a host can read, but for the sound.
fn outside(host: &mut EditorHost) -> (Vec<u8>, Vec<f64>, usize, Vec<Told>) {
    let values = ["Threshold", "Ratio", "Compare", "Listen", "Bypass", "Output trim"]
        .map(|name| host.value(name).unwrap());
    (host.save().unwrap(), values.to_vec(), host.latency(), host.told())
}

/// Whether the last half second was the dry at one gain. Under such a compressor a beat is far from
/// that.
fn is_dry(host: &mut EditorHost) -> bool {
    host.run(Duration::from_millis(1_200)).unwrap();
    let (heard, late) = (host.heard(), host.latency());
    let start = heard.output.len() - 24_000;
    let gains: Vec<f32> = (start..heard.output.len())
        .filter(|n| heard.input[n - late].abs() > 0.02)
        .map(|n| 20.0 * (heard.output[n] / heard.input[n - late]).abs().log10())
        .collect();
    assert!(gains.len() > 1_000, "nothing plays");
    let (least, most) =
        gains.iter().fold((f32::MAX, f32::MIN), |(a, b), gain| (a.min(*gain), b.max(*gain)));
    let spread = most - least;
    // Compare may ride by a little within half a second.
    assert!(!(1.0..=3.0).contains(&spread), "neither dry nor processed: {spread} dB");
    spread < 1.0
}

#[test]
fn a_blind_trial_shows_in_nothing_but_the_sound() {
    let _alone = alone();
    let records = Records::new("blind");
    let mut host = in_a_trial();
    let before = outside(&mut host);
    assert!(before.3.is_empty(), "the host was told {:?}", before.3);
    let mut xs = Vec::new();
    for trial in 0..6 {
        for (key, dry) in [("1", Some(true)), ("2", Some(false)), ("x", None)] {
            host.type_text(key).unwrap();
            let heard = is_dry(&mut host);
            match dry {
                Some(dry) => assert_eq!(heard, dry, "trial {trial}, key {key}"),
                None => xs.push(heard),
            }
            assert!(outside(&mut host) == before, "trial {trial}, key {key}");
        }
        host.key(&[], RIGHT).unwrap();
    }
    host.click(1, BACK.0, BACK.1).unwrap();
    settle(&mut host);
    let kept = records.read();
    assert_eq!(kept.len(), 1);
    assert!(kept[0].contains("\"answered\": 6,"), "{}", kept[0]);
    // What the record says of X is what was heard.
    let hidden: Vec<bool> = kept[0]
        .lines()
        .filter_map(|line| line.trim().strip_prefix("\"hidden\": "))
        .map(|side| side.starts_with("\"first\""))
        .collect();
    assert_eq!(hidden, xs);

    // The match goes on learning once the trial is over; nothing else differs.
    host.click(1, BACK.0, BACK.1).unwrap();
    let after = outside(&mut host);
    assert_eq!((&after.1, after.2, &after.3), (&before.1, before.2, &before.3));
    assert!(!is_dry(&mut host));
}

#[test]
fn a_held_match_is_saved_as_before_when_a_trial_is_over() {
    let _alone = alone();
    let _records = Records::new("held");
    let mut host = load((0, 0));
    host.play(Play::Beat);
    host.set("Threshold", "-36").unwrap();
    host.run(Duration::from_secs(2)).unwrap();
    host.set("Match hold", "on").unwrap();
    host.set("Compare", "on").unwrap();
    host.open().unwrap();
    host.run(Duration::from_millis(800)).unwrap();
    let before = host.save().unwrap();
    for leave in [true, false] {
        host.click(1, BLIND_TRIAL.0, BLIND_TRIAL.1).unwrap();
        host.run(Duration::from_secs(6)).unwrap();
        host.click(1, START.0, START.1).unwrap();
        settle(&mut host);
        host.type_text("2").unwrap();
        assert!(!is_dry(&mut host));
        assert!(host.save().unwrap() == before, "while it runs");
        if leave {
            host.click(1, BACK.0, BACK.1).unwrap();
        } else {
            host.close().unwrap();
        }
        // Compare was on, and is again.
        assert!(is_dry(&mut host));
        assert!(host.save().unwrap() == before, "afterwards");
    }
}

#[test]
fn a_trial_ends_with_the_window_and_with_the_hosts_audio() {
    let _alone = alone();
    type Ends = fn(&mut EditorHost);
    let ends: [(&str, Ends); 3] = [
        ("the window closes", |host| host.close().unwrap()),
        ("audio starts anew", |host| host.restart(false).unwrap()),
        ("a state is restored", |host| {
            let state = host.save().unwrap();
            host.restore(&state).unwrap();
        }),
    ];
    for (what, end) in ends {
        let records = Records::new("ends");
        let mut host = in_a_trial();
        for key in ["2", "x", "1"] {
            host.type_text(key).unwrap();
            // Long enough to have been listened to.
            is_dry(&mut host);
        }
        host.key(&[], RIGHT).unwrap();
        host.type_text("1").unwrap();
        assert!(is_dry(&mut host));
        end(&mut host);
        host.run(Duration::from_millis(500)).unwrap();
        assert!(!is_dry(&mut host), "{what}");
        let kept = records.read();
        assert_eq!(kept.len(), 1, "{what}");
        assert!(kept[0].contains("\"stopped_early\": true"), "{what}: {}", kept[0]);
    }
}

#[test]
fn an_offline_render_never_hears_a_trial() {
    let _alone = alone();
    let _records = Records::new("offline");
    let mut host = in_a_trial();
    host.type_text("1").unwrap();
    assert!(is_dry(&mut host));
    // Even in a host that does not start audio anew for it.
    host.set_offline(true).unwrap();
    assert!(!is_dry(&mut host));
    host.set_offline(false).unwrap();
    assert!(!is_dry(&mut host), "what has ended stays ended");
    drop(host);

    let mut host = in_a_trial();
    host.type_text("1").unwrap();
    host.restart(true).unwrap();
    assert!(!is_dry(&mut host));
    // Nor does one that is ordered while it renders: nothing can be started.
    host.click(1, BLIND_TRIAL.0, BLIND_TRIAL.1).unwrap();
    host.run(Duration::from_secs(6)).unwrap();
    host.click(1, START.0, START.1).unwrap();
    host.type_text("1").unwrap();
    assert!(!is_dry(&mut host));
    // Back at playing it can.
    host.restart(false).unwrap();
    host.run(Duration::from_secs(6)).unwrap();
    host.click(1, START.0, START.1).unwrap();
    host.type_text("1").unwrap();
    assert!(is_dry(&mut host));
}
