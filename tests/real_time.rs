//! The audio thread neither allocates nor waits nor calls the system, in the bundles as hosts load
//! them: ten minutes of audio each, with parameters moving while states are saved and restored, and with the
//! editor open, in which presets are switched by the mouse. In VST3 with the editor closed too.
//!
//! What the framework asks of the host all the same stands in `DEVELOPERS.md` (*The threads*). Of that, a
//! quality is not moved here, and a lookahead moves on before it is asked for. How the traps work stands in
//! `hosts/trap.rs`.
#![cfg(all(target_os = "linux", target_arch = "x86_64", target_env = "gnu"))]
#![allow(unsafe_code)] // blocks are made of raw pointers

mod hosts {
    pub(crate) mod open_editor;
    pub(crate) mod raw;
    pub(crate) mod raw_clap;
    pub(crate) mod raw_vst3;
    pub(crate) mod shared;
    pub(crate) mod trap;
}

use std::ptr::null;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use clap_sys::process::CLAP_PROCESS_ERROR;
use hosts::open_editor::Editor;
use hosts::raw::RawHost;
use hosts::raw_clap::{self, Events, RawClap};
use hosts::raw_vst3::{self, Changes, RawVst3};
use hosts::shared::{Layout, key, programme, stored_id};
use hosts::trap::{Caught, Watch, caught};
use tenon_dsp::{Control, Settings, Unit};
use tenon_tests::screen::{Windowed, check_whole};
use vst3::Steinberg::Vst::IEditControllerTrait;
use vst3::Steinberg::kResultOk;

const RATE_HZ: f64 = 48_000.0;
const BLOCK: usize = 128;
/// Ten minutes.
const BLOCKS: usize = 600 * RATE_HZ as usize / BLOCK;

/// The traps count for the whole process: one test at a time.
fn alone() -> MutexGuard<'static, ()> {
    static ONE: Mutex<()> = Mutex::new(());
    ONE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The controls that are moved, with the highest value as CLAP counts it.
fn moved() -> Vec<(Control, f64)> {
    let highest = |control: Control| match control.spec().unit {
        Unit::Choice(names) => names.len() as f64 - 1.0,
        _ => 1.0,
    };
    Control::ALL
        .into_iter()
        .filter(|control| *control != Control::Quality)
        .map(|control| (control, highest(control)))
        .collect()
}

/// Settings as of presets, of one quality.
fn presets() -> [Settings; 3] {
    let fresh = Settings::default();
    let drums = fresh.with(Control::Threshold, -30.0).with(Control::Drive, 9.0);
    let wide = fresh.with(Control::SideShare, 20.0).with(Control::Mix, 40.0);
    [fresh, drums.with(Control::Focus, -40.0), wide.with(Control::KeySource, 1.0)]
}

#[test]
fn the_traps_catch_what_they_are_set_for() {
    let _alone = alone();
    let host = RawClap::load();
    let watch = Watch::new();
    let before = caught();
    watch.over(|| std::hint::black_box(1 + 1));
    assert_eq!(caught(), before, "something was caught where nothing happened");
    // The bundle takes memory to write its state: its allocations count, not only ours.
    watch.over(|| host.value(Control::Threshold));
    assert_eq!(caught(), before, "a value is read without memory");
    let saved = watch.over(|| host.save());
    assert!(!saved.is_empty());
    assert!(caught().allocations > before.allocations);
    let calls = caught().system_calls;
    // SAFETY: asks for the number of the process, and carries it out after all.
    let id = watch.over(|| unsafe { libc::syscall(libc::SYS_getpid) });
    assert_eq!(id, i64::from(std::process::id()));
    assert_eq!(caught().system_calls, calls + 1);
    // A lock that is waited for is a system call.
    let lock = Mutex::new(());
    std::thread::scope(|scope| {
        let held = lock.lock().unwrap();
        let waiter = scope.spawn(|| {
            let watch = Watch::new();
            watch.over(|| drop(lock.lock()));
        });
        std::thread::sleep(Duration::from_millis(50));
        drop(held);
        waiter.join().unwrap();
    });
    assert!(caught().system_calls > calls + 1);
}

/// Runs `audio` on a thread of its own, and `other` here over and over until it is done; gives what
/// the traps caught of the audio thread.
fn play(audio: impl FnOnce(&Watch) + Send, mut other: impl FnMut()) -> Caught {
    let done = AtomicBool::new(false);
    let before = caught();
    std::thread::scope(|scope| {
        let done = &done;
        let thread = scope.spawn(move || {
            audio(&Watch::new());
            done.store(true, Ordering::SeqCst);
        });
        while !thread.is_finished() {
            other();
        }
        if let Err(panic) = thread.join() {
            std::panic::resume_unwind(panic);
        }
    });
    let after = caught();
    Caught {
        allocations: after.allocations - before.allocations,
        system_calls: after.system_calls - before.system_calls,
        last_call: after.last_call,
    }
}

fn assert_nothing(caught: Caught) {
    assert_eq!(
        (caught.allocations, caught.system_calls),
        (0, 0),
        "in {BLOCKS} blocks or more; the last system call is number {}",
        caught.last_call
    );
}

/// Chooses presets in an open editor by the mouse while `audio` runs, which goes on until it has played
/// its blocks and is told that this is done. `edits` counts the hands that the host is told of.
fn play_with_editor(
    editor: &mut Editor<'_>,
    edits: &AtomicUsize,
    audio: impl FnOnce(&Watch, &AtomicBool) + Send,
) -> Caught {
    const SWITCHED: usize = 20;
    let (go_on, mut switched, mut clicks) = (AtomicBool::new(true), 0, 0);
    let caught = play(
        |watch| audio(watch, &go_on),
        || {
            let before = edits.load(Ordering::SeqCst);
            editor.choose_a_preset();
            clicks += 1;
            switched += usize::from(edits.load(Ordering::SeqCst) > before);
            if switched >= SWITCHED || clicks >= 10 * SWITCHED {
                go_on.store(false, Ordering::SeqCst);
            }
        },
    );
    assert!(switched >= SWITCHED, "presets were switched {switched} times by {clicks} clicks");
    check_whole(&editor.picture().unwrap());
    caught
}

#[test]
fn the_clap_bundle_with_its_editor_open() {
    let _alone = alone();
    let states = presets().map(|settings| RawClap::started(&settings, RATE_HZ, BLOCK).save());
    let host = RawClap::started(&presets()[0], RATE_HZ, BLOCK);
    let mut states = states.iter().cycle();
    let mut editor = Editor::of_clap(&host, || {
        assert!(states.next().is_some_and(|state| host.restore(state)));
        assert!(!host.save().is_empty());
    });
    let (blocks, edits) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let caught = play_with_editor(&mut editor, &edits, |watch, go_on| {
        clap_audio(&host, watch, (&blocks, go_on), &edits);
    });
    drop(editor);
    assert!(blocks.into_inner() >= BLOCKS);
    assert_nothing(caught);
}

/// Plays ten minutes, and on for as long as it is told to, and counts the blocks.
fn clap_audio(
    host: &RawClap,
    watch: &Watch,
    (blocks, go_on): (&AtomicUsize, &AtomicBool),
    edits: &AtomicUsize,
) {
    // As the standard has it, on the audio thread.
    host.stop();
    host.start();
    let mut sound = programme(Layout::StereoWithKey, RATE_HZ, 1, 8.0);
    let mut side = key(Layout::StereoWithKey, RATE_HZ, 8.0);
    let mut out = vec![vec![0.0; BLOCK]; 2];
    let moved = moved();
    for block in (0..).take_while(|block| *block < BLOCKS || go_on.load(Ordering::Relaxed)) {
        let start = block * BLOCK % (sound[0].len() - BLOCK);
        let mut mains = sound.each_mut_at(start);
        let mut sides = side.each_mut_at(start);
        let mut outs = out.each_mut_at(0);
        let inputs = [raw_clap::port(&mut mains), raw_clap::port(&mut sides)];
        let mut outputs = [raw_clap::port(&mut outs)];
        let (control, highest) = moved[block % moved.len()];
        let place = (block * 37 % 101) as f64 / 100.0 * highest;
        let at = (block * 13 % BLOCK) as u32;
        let events = Events::new(vec![raw_clap::param_event(
            at,
            stored_id(control),
            place.round_to(highest),
        )]);
        let (list, told) = (events.list(), raw_clap::counts_edits(edits));
        let mut data = raw_clap::block_of(&inputs, &mut outputs, BLOCK);
        (data.in_events, data.out_events, data.transport) = (&list, &told, null());
        // SAFETY: all channels have room for the block.
        let status = watch.over(|| unsafe { host.process(&data) });
        assert_ne!(status, CLAP_PROCESS_ERROR);
        assert!(out.iter().flatten().all(|x| x.is_finite() && !x.is_subnormal()));
        blocks.fetch_add(1, Ordering::Relaxed);
    }
}

#[test]
fn the_vst3_bundle_with_its_editor_open() {
    let _alone = alone();
    let host = RawVst3::started(&presets()[0], RATE_HZ, BLOCK);
    let (states, moved) = (vst3_states(), moved());
    let mut turn = 0;
    let mut editor = Editor::of_vst3(&host, || {
        let (control, _) = moved[turn % moved.len()];
        let place = (turn * 37 % 101) as f64 / 100.0;
        // SAFETY: a function of a live plug-in, on the thread that made it.
        unsafe { host.controller.setParamNormalized(stored_id(control), place) };
        assert!(host.restore(&states[turn % states.len()]));
        assert!(!host.save().is_empty());
        turn += 1;
    });
    let blocks = AtomicUsize::new(0);
    let caught = play_with_editor(&mut editor, &host.edits, |watch, go_on| {
        vst3_audio(&host, watch, (&blocks, go_on));
    });
    drop(editor);
    assert!(blocks.into_inner() >= BLOCKS);
    assert_nothing(caught);
}

/// The framework goes other ways while no editor is open.
#[test]
fn the_vst3_bundle_with_its_editor_closed() {
    let _alone = alone();
    let host = RawVst3::started(&presets()[0], RATE_HZ, BLOCK);
    let states = vst3_states();
    let (blocks, mut states) = (AtomicUsize::new(0), states.iter().cycle());
    let caught = play(
        |watch| vst3_audio(&host, watch, (&blocks, &AtomicBool::new(false))),
        || {
            assert!(states.next().is_some_and(|state| host.restore(state)));
            assert!(!host.save().is_empty());
            std::thread::sleep(Duration::from_millis(2));
        },
    );
    assert_eq!(blocks.into_inner(), BLOCKS);
    assert_nothing(caught);
}

fn vst3_states() -> [Vec<u8>; 3] {
    presets().map(|settings| RawVst3::started(&settings, RATE_HZ, BLOCK).save())
}

/// As [`clap_audio`].
fn vst3_audio(host: &RawVst3, watch: &Watch, (blocks, go_on): (&AtomicUsize, &AtomicBool)) {
    host.stop();
    host.start();
    let mut sound = programme(Layout::StereoWithKey, RATE_HZ, 1, 8.0);
    let mut side = key(Layout::StereoWithKey, RATE_HZ, 8.0);
    let mut out = vec![vec![0.0; BLOCK]; 2];
    let moved = moved();
    for block in (0..).take_while(|block| *block < BLOCKS || go_on.load(Ordering::Relaxed)) {
        let start = block * BLOCK % (sound[0].len() - BLOCK);
        let mut mains = sound.each_mut_at(start);
        let mut sides = side.each_mut_at(start);
        let mut outs = out.each_mut_at(0);
        let mut inputs = [raw_vst3::bus(&mut mains), raw_vst3::bus(&mut sides)];
        let mut outputs = [raw_vst3::bus(&mut outs)];
        let (control, _) = moved[block % moved.len()];
        let place = (block * 37 % 101) as f64 / 100.0;
        let changes = Changes::new(&[(stored_id(control), (block * 13 % BLOCK) as i32, place)]);
        let mut data = raw_vst3::block_of(&mut inputs, &mut outputs, BLOCK);
        data.inputParameterChanges = changes.as_ptr();
        // SAFETY: all channels have room for the block.
        let answer = watch.over(|| unsafe { host.process(&mut data) });
        assert_eq!(answer, kResultOk);
        assert!(out.iter().flatten().all(|x| x.is_finite() && !x.is_subnormal()));
        blocks.fetch_add(1, Ordering::Relaxed);
    }
}

trait At {
    /// The channels from a sample on.
    fn each_mut_at(&mut self, start: usize) -> Vec<*mut f32>;
}

impl At for Vec<Vec<f32>> {
    fn each_mut_at(&mut self, start: usize) -> Vec<*mut f32> {
        self.iter_mut().map(|channel| channel[start..].as_mut_ptr()).collect()
    }
}

trait RoundTo {
    /// A choice for what counts choices.
    fn round_to(self, highest: f64) -> f64;
}

impl RoundTo for f64 {
    fn round_to(self, highest: f64) -> f64 {
        if highest > 1.0 { self.round() } else { self }
    }
}
