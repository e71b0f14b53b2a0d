//! The editor of an instance, open in a window of an X screen, in either format: what the host's main
//! thread does while another thread plays. Needs an X screen.
#![allow(unsafe_code)] // both interfaces are C
#![allow(dead_code)] // each test file uses its own part
#![allow(non_snake_case)] // the standard's names

use std::cell::RefCell;
use std::ffi::c_void;
use std::ptr::null_mut;
use std::time::{Duration, Instant};

use clap_sys::ext::gui::{
    CLAP_EXT_GUI, CLAP_WINDOW_API_X11, clap_plugin_gui, clap_window, clap_window_handle,
};
use tenon_tests::screen::{Result, Screen, Windowed};
use vst3::Steinberg::Linux::{
    FileDescriptor, IEventHandler, IEventHandlerTrait, IRunLoop, IRunLoopTrait, ITimerHandler,
    TimerInterval,
};
use vst3::Steinberg::Vst::IEditControllerTrait;
use vst3::Steinberg::Vst::ViewType::kEditor;
use vst3::Steinberg::{
    IPlugFrame, IPlugFrameTrait, IPlugView, IPlugViewTrait, ViewRect, kNotImplemented,
    kPlatformTypeX11EmbedWindowID, kResultFalse, kResultOk, tresult,
};
use vst3::{Class, ComPtr, ComRef, ComWrapper};

use super::raw_clap::RawClap;
use super::raw_vst3::RawVst3;

/// Size of a fresh window, in pixels.
const SIZE: (u32, u32) = (1120, 700);
/// Where the menu of presets opens, and where its entries lie.
const PRESETS: (i16, i16) = (212, 20);
const ENTRIES: [(i16, i16); 3] = [(180, 70), (180, 92), (180, 115)];

/// An editor in its window.
pub(crate) struct Editor<'a> {
    screen: Screen,
    /// What the main thread does, over and over.
    turn: Box<dyn FnMut() + 'a>,
    close: Box<dyn FnMut() + 'a>,
    next: usize,
}

impl<'a> Editor<'a> {
    /// Opens the editor of a CLAP instance. `turn` is done over and over while it is driven.
    pub(crate) fn of_clap(host: &'a RawClap, mut turn: impl FnMut() + 'a) -> Self {
        let (screen, window) = screen();
        // SAFETY: functions of a live plug-in, on one thread; the window is closed after the editor.
        let gui = unsafe {
            let plugin = host.plugin;
            let gui: *const clap_plugin_gui =
                (*plugin).get_extension.unwrap()(plugin, CLAP_EXT_GUI.as_ptr()).cast();
            assert!(!gui.is_null(), "there is no editor");
            assert!((*gui).create.unwrap()(plugin, CLAP_WINDOW_API_X11.as_ptr(), false));
            let specific = clap_window_handle { x11: window.into() };
            let parent = clap_window { api: CLAP_WINDOW_API_X11.as_ptr(), specific };
            assert!((*gui).set_parent.unwrap()(plugin, &parent));
            (*gui).show.unwrap()(plugin);
            gui
        };
        // SAFETY: as above.
        let close = move || unsafe { (*gui).destroy.unwrap()(host.plugin) };
        let turn = move || {
            turn();
            host.call_back();
        };
        Self::new(screen, turn, close)
    }

    /// Opens the editor of a VST3 instance. `turn` is done over and over while it is driven.
    pub(crate) fn of_vst3(host: &'a RawVst3, mut turn: impl FnMut() + 'a) -> Self {
        let (screen, window) = screen();
        let frame = ComWrapper::new(Frame::default());
        // SAFETY: as for CLAP. The frame lives until the view has let go of it.
        let view = unsafe {
            let view = host.controller.createView(kEditor);
            let view = ComPtr::<IPlugView>::from_raw(view).expect("there is an editor");
            let pointer = frame.as_com_ref::<IPlugFrame>().expect("a frame");
            assert_eq!(view.setFrame(pointer.as_ptr()), kResultOk);
            let parent = window as usize as *mut c_void;
            assert_eq!(view.attached(parent, kPlatformTypeX11EmbedWindowID), kResultOk);
            view
        };
        // SAFETY: as above.
        let close = move || unsafe {
            view.removed();
            view.setFrame(null_mut());
        };
        let turn = move || {
            turn();
            frame.serve();
        };
        Self::new(screen, turn, close)
    }

    fn new(screen: Screen, turn: impl FnMut() + 'a, close: impl FnMut() + 'a) -> Self {
        let (turn, close) = (Box::new(turn), Box::new(close));
        let mut editor = Self { screen, turn, close, next: 0 };
        editor.run(Duration::from_secs(1)).unwrap();
        editor.click(1, PRESETS.0, PRESETS.1).unwrap();
        editor.run(Duration::from_millis(500)).unwrap();
        editor
    }

    /// Chooses the next preset in the menu, which stays open, by the mouse.
    pub(crate) fn choose_a_preset(&mut self) {
        let (x, y) = ENTRIES[self.next % ENTRIES.len()];
        self.next += 1;
        self.click(1, x, y).unwrap();
    }
}

impl Windowed for Editor<'_> {
    fn screen(&self) -> &Screen {
        &self.screen
    }

    fn run(&mut self, time: Duration) -> Result<()> {
        let start = Instant::now();
        while start.elapsed() < time {
            (self.turn)();
            std::thread::sleep(Duration::from_millis(2));
        }
        Ok(())
    }
}

impl Drop for Editor<'_> {
    fn drop(&mut self) {
        (self.close)();
        // A screen that is gone has closed the window by itself.
        let _ = self.screen.close();
    }
}

fn screen() -> (Screen, u32) {
    assert!(
        std::env::var_os("DISPLAY").is_some(),
        "there is no X screen; run this under `xvfb-run`, as `cargo xtask test` does"
    );
    let mut screen = Screen::connect((0, 0)).expect("an X screen");
    let window = screen.open(SIZE).expect("a window");
    (screen, window)
}

/// The frame of a view, with the run loop that hosts have on Linux (`iplugview.h`).
#[derive(Default)]
struct Frame {
    waiting: RefCell<Vec<(ComPtr<IEventHandler>, FileDescriptor)>>,
}

impl Frame {
    /// Calls the handlers of all files that can be read.
    fn serve(&self) {
        let waiting = self.waiting.borrow().clone();
        for (handler, file) in waiting {
            let mut poll = libc::pollfd { fd: file, events: libc::POLLIN, revents: 0 };
            // SAFETY: one entry, as told; the handler is alive.
            unsafe {
                if libc::poll(&mut poll, 1, 0) == 1 {
                    handler.onFDIsSet(file);
                }
            }
        }
    }
}

impl Class for Frame {
    type Interfaces = (IPlugFrame, IRunLoop);
}

impl IPlugFrameTrait for Frame {
    unsafe fn resizeView(&self, _: *mut IPlugView, _: *mut ViewRect) -> tresult {
        kResultFalse
    }
}

impl IRunLoopTrait for Frame {
    unsafe fn registerEventHandler(
        &self,
        handler: *mut IEventHandler,
        file: FileDescriptor,
    ) -> tresult {
        // SAFETY: the plug-in passes a handler of its own.
        let Some(handler) = (unsafe { ComRef::from_raw(handler) }) else { return kResultFalse };
        self.waiting.borrow_mut().push((handler.to_com_ptr(), file));
        kResultOk
    }

    unsafe fn unregisterEventHandler(&self, handler: *mut IEventHandler) -> tresult {
        let mut waiting = self.waiting.borrow_mut();
        let place = waiting.iter().position(|(known, _)| known.as_ptr() == handler);
        let gone = place.map(|place| waiting.swap_remove(place));
        // Letting go of it may come back here.
        drop(waiting);
        if gone.is_some() { kResultOk } else { kResultFalse }
    }

    unsafe fn registerTimer(&self, _: *mut ITimerHandler, _: TimerInterval) -> tresult {
        kNotImplemented
    }

    unsafe fn unregisterTimer(&self, _: *mut ITimerHandler) -> tresult {
        kNotImplemented
    }
}
