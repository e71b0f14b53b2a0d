//! The editor in a window of a VST3 host: it resizes from either side, scales, and opens and closes.
//! Everything else of it is the same code as in CLAP and driven in `editor_window.rs`. Needs an X
//! screen.
#![cfg(target_os = "linux")]
#![allow(unsafe_code)] // blocks are made of raw pointers

mod hosts {
    pub(crate) mod open_editor;
    pub(crate) mod raw;
    pub(crate) mod raw_clap;
    pub(crate) mod raw_vst3;
    pub(crate) mod shared;
    pub(crate) mod vst3_window;
}

use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use hosts::open_editor::Editor;
use hosts::raw::{BLOCK, RATE_HZ, RawHost, pointers, silence};
use hosts::raw_vst3::{Changes, RawVst3, block_of, bus};
use hosts::shared::stored_id;
use hosts::vst3_window::Vst3Window;
use tenon_dsp::{Control, Settings};
use tenon_tests::screen::{Windowed, check_whole};
use vst3::Steinberg::kResultOk;
use vst3_host::HostNotification;

/// Size of a fresh window, in pixels.
const SIZE: (u32, u32) = (1120, 700);
/// Where the threshold lies in it.
const THRESHOLD: (i16, i16) = (540, 490);

/// Where its ruler shows the value, and how large.
const RULER: ((i16, i16), (u32, u32)) = ((464, 470), (190, 40));

/// Where its menu opens by key: from where, and how large.
const UNDER_THRESHOLD: ((i16, i16), (u32, u32)) = ((464, 504), (190, 130));

const UP: u32 = 0xFF52;
const RETURN: u32 = 0xFF0D;
const MENU_KEY: u32 = 0xFF67;

/// There is one screen with one pointer: one test at a time.
fn alone() -> MutexGuard<'static, ()> {
    static SCREEN: Mutex<()> = Mutex::new(());
    SCREEN.lock().unwrap_or_else(PoisonError::into_inner)
}

fn load() -> Vst3Window {
    assert!(
        std::env::var_os("DISPLAY").is_some(),
        "there is no X screen; run this under `xvfb-run`, as `cargo xtask test` does"
    );
    let made = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/bundled/Tenon.vst3");
    let bundle = std::env::var_os("TENON_VST3").map_or(made, PathBuf::from);
    assert!(
        bundle.exists(),
        "{} is not there; make it with `cargo xtask bundle`, or name another in TENON_VST3",
        bundle.display()
    );
    Vst3Window::load(&bundle).unwrap()
}

fn open() -> Vst3Window {
    let mut host = load();
    host.open().unwrap();
    host
}

fn settle(host: &mut Vst3Window) {
    host.run(Duration::from_millis(400)).unwrap();
}

#[test]
fn the_host_resizes_the_window_within_its_limits() {
    let _alone = alone();
    let mut host = open();
    assert_eq!(host.size().unwrap(), SIZE);
    assert_eq!(host.plugin.attached_editor_can_resize(), Some(true));
    check_whole(&host.picture().unwrap());
    for (wanted, expected) in
        [((900, 560), (900, 560)), ((100, 100), (720, 460)), ((1600, 1100), (1600, 1100))]
    {
        assert_eq!(host.resize(wanted.0, wanted.1).unwrap(), expected);
        settle(&mut host);
        check_whole(&host.picture().unwrap());
        let told = host.plugin.attached_editor_size().unwrap().unwrap();
        assert_eq!((told.0 as u32, told.1 as u32), expected);
    }
    assert_eq!(host.asked, [], "the host pulled, not the plug-in");
}

#[test]
fn the_corner_asks_the_frame_for_a_size_and_gets_it() {
    let _alone = alone();
    let mut host = open();
    host.drag((1114, 694), (1174, 724)).unwrap();
    settle(&mut host);
    settle(&mut host);
    let (width, height) = *host.asked.last().expect("the frame is asked");
    assert!(width.abs_diff(1180) <= 2 && height.abs_diff(730) <= 2, "{width} {height}");
    assert_eq!(host.size().unwrap(), (width, height));
    check_whole(&host.picture().unwrap());
}

#[test]
fn the_size_is_remembered_with_the_session() {
    let _alone = alone();
    let mut host = open();
    host.resize(1000, 650).unwrap();
    settle(&mut host);
    let state = host.plugin.save_state().unwrap();
    drop(host);
    let mut other = load();
    other.plugin.load_state(&state).unwrap();
    other.open().unwrap();
    assert_eq!(other.size().unwrap(), (1000, 650));
    check_whole(&other.picture().unwrap());
}

/// On X11 a scale set for the whole screen comes first; this screen has none.
#[test]
fn a_scale_of_the_hosts_makes_the_window_larger_and_leaves_it_whole() {
    let _alone = alone();
    let mut host = open();
    assert!(host.scale(1.5).unwrap());
    settle(&mut host);
    assert_eq!(host.size().unwrap(), (1680, 1050));
    check_whole(&host.picture().unwrap());
    assert_eq!(host.resize(1500, 940).unwrap(), (1500, 940));
    settle(&mut host);
    check_whole(&host.picture().unwrap());
}

#[test]
fn it_opens_many_times() {
    let _alone = alone();
    let mut host = open();
    for round in 0..20 {
        host.close().unwrap();
        host.open_for(Duration::from_millis(round % 5 * 20)).unwrap();
    }
    settle(&mut host);
    settle(&mut host);
    check_whole(&host.picture().unwrap());
}

#[test]
fn the_hosts_menu_opens_for_the_ruler() {
    let _alone = alone();
    let mut host = open();
    // A click gives the keyboard to the ruler.
    host.click(1, THRESHOLD.0, THRESHOLD.1).unwrap();
    host.notifications();
    for key in [MENU_KEY, UP, RETURN] {
        host.key_seen(&[], key, UNDER_THRESHOLD).unwrap();
    }
    settle(&mut host);
    let asked = host.notifications();
    let [HostNotification::ContextMenuRequested { parameter_id: Some(id), x, y, .. }] = asked[..]
    else {
        panic!("{asked:?}")
    };
    let parameters = host.plugin.get_parameters().unwrap();
    let named = parameters.iter().find(|parameter| parameter.id == id).unwrap();
    assert_eq!(named.name, "Threshold");
    let (across, down) = (x - i32::from(THRESHOLD.0), y - i32::from(THRESHOLD.1));
    assert!(across.abs() < 150 && (0..40).contains(&down), "{x} {y}");
}

#[test]
fn an_editor_that_is_closed_leaves_no_files_open() {
    let _alone = alone();
    let host = RawVst3::started(&Settings::default(), RATE_HZ, BLOCK);
    let open_files = || std::fs::read_dir("/proc/self/fd").unwrap().count();
    let show = || drop(Editor::of_vst3(&host, || ()));
    // What is opened once for the process, as fonts are.
    show();
    let before = open_files();
    show();
    show();
    assert_eq!(open_files(), before);
}

/// Plays a block of silence that brings a place of the threshold, 0 to 1, with channels to play into or
/// without.
fn automate(host: &RawVst3, place: f64, has_channels: bool) {
    let (mut main, mut key, mut out) = (silence(BLOCK), silence(BLOCK), silence(BLOCK));
    let (mut main, mut key) = (pointers(&mut main), pointers(&mut key));
    let (mut inputs, mut outputs) = ([bus(&mut main), bus(&mut key)], pointers(&mut out));
    let mut outputs = [bus(&mut outputs)];
    if !has_channels {
        outputs[0].numChannels = 0;
    }
    let changes = Changes::new(&[(stored_id(Control::Threshold), 0, place)]);
    let mut block = block_of(&mut inputs, &mut outputs, BLOCK);
    block.inputParameterChanges = changes.as_ptr();
    // SAFETY: all channels have room for the block.
    assert_eq!(unsafe { host.process(&mut block) }, kResultOk);
}

/// Silence, so that no reading gives the editor a reason of its own to draw.
#[test]
fn the_editor_follows_automation_to_its_last_value() {
    let _alone = alone();
    let host = RawVst3::started(&Settings::default(), RATE_HZ, BLOCK);
    let mut editor = Editor::of_vst3(&host, || ());
    let mut shown = |to: f64, has_channels: bool| {
        let ways = (0..200).map(|step| f64::from(step) / 200.0).chain([to]);
        let play = || ways.for_each(|place| automate(&host, place, has_channels));
        std::thread::scope(|scope| scope.spawn(play).join().unwrap());
        editor.run(Duration::from_secs(2)).unwrap();
        editor.screen().part(RULER.0, RULER.1).unwrap()
    };
    let (low, high) = (shown(0.2, true), shown(0.8, true));
    assert!(low != high, "the ruler has not moved");
    // As some hosts do who only want to hand values over.
    assert!(shown(0.2, false) == low && shown(0.8, false) == high, "without channels");
    assert!(shown(0.2, true) == low && shown(0.8, true) == high, "the ruler stands elsewhere");
}

/// Opens the editor again and again while another thread does `work` over and over.
fn open_while(host: &RawVst3, mut work: impl FnMut() + Send) {
    let open = AtomicBool::new(true);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while open.load(Ordering::Relaxed) {
                work();
            }
        });
        // Whatever comes of it, the work has to end.
        let pictures = catch_unwind(AssertUnwindSafe(|| {
            for _ in 0..3 {
                let editor = Editor::of_vst3(host, || ());
                check_whole(&editor.picture().unwrap());
            }
        }));
        open.store(false, Ordering::Relaxed);
        pictures.unwrap_or_else(|panic| resume_unwind(panic));
    });
}

#[test]
fn the_editor_opens_while_values_are_automated() {
    let _alone = alone();
    let host = RawVst3::started(&Settings::default(), RATE_HZ, BLOCK);
    let mut places = (0..100).cycle().map(|place| f64::from(place) / 100.0);
    open_while(&host, || automate(&host, places.next().unwrap(), true));
}

/// And the thread that all instances share outlives it.
#[test]
fn the_editor_opens_while_states_are_restored() {
    let _alone = alone();
    let host = RawVst3::started(&Settings::default(), RATE_HZ, BLOCK);
    let state = host.save();
    open_while(&host, || assert!(host.restore(&state)));
    host.restore_elsewhere(5.0);
    host.is_told();
}
