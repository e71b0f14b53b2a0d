//! A host with a window on an X screen: opens the editor of a CLAP bundle in it, plays audio into the
//! plug-in, moves pointer and keys, and takes pictures.

use std::collections::{BTreeMap, VecDeque};
use std::error::Error;
use std::f64::consts::TAU;
use std::ffi::CStr;
use std::io::Cursor;
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU8, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use clack_extensions::gui::{
    GuiApiType, GuiConfiguration, GuiSize, HostGui, HostGuiImpl, PluginGui, Window,
};
use clack_extensions::latency::PluginLatency;
use clack_extensions::params::{
    HostParams, HostParamsImplMainThread, HostParamsImplShared, ParamClearFlags, ParamInfoBuffer,
    ParamRescanFlags, PluginParams,
};
use clack_extensions::render::{PluginRender, RenderMode};
use clack_extensions::state::PluginState;
use clack_host::events::event_types::{ParamValueEvent, TransportEvent, TransportFlags};
use clack_host::events::spaces::CoreEventSpace;
use clack_host::events::{EventFlags, EventHeader};
use clack_host::prelude::*;
use clack_host::utils::{BeatTime, SecondsTime};
use x11rb::connection::Connection;
use x11rb::protocol::Event;
use x11rb::protocol::xproto::{
    self, ConfigureWindowAux, ConnectionExt as _, CreateWindowAux, ImageFormat, PropMode,
    WindowClass,
};
use x11rb::protocol::xtest::ConnectionExt as _;
use x11rb::rust_connection::RustConnection;
use x11rb::wrapper::ConnectionExt as _;

/// What goes wrong here is for people to read.
pub type Result<T> = std::result::Result<T, Box<dyn Error + Send + Sync>>;

const RATE_HZ: f64 = 48_000.0;
const BLOCK: usize = 512;
/// Name of the thread that plays audio, to tell it from those of the editor.
pub const AUDIO_THREAD: &str = "audio";
const TEMPO_BPM: f64 = 104.0;
/// How much is kept of what was played, in samples: a second.
const KEPT: usize = 48_000;

/// What is played into the plug-in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Play {
    /// Nothing: no block is processed.
    Nothing,
    /// Blocks of silence while the song stands still.
    Silence,
    /// A beat of tones and noise, while the song goes on at 104 bpm.
    Beat,
}

/// What the plug-in told its host.
#[derive(Debug, Clone, PartialEq)]
pub enum Told {
    /// A hand is on a parameter.
    Begin(String),
    /// A parameter has a value, as CLAP counts it.
    Value(String, f64),
    /// The hand is off a parameter.
    End(String),
}

/// What went in and came out last, at most a second of it: samples of the left channel.
#[derive(Debug, Clone, Default)]
pub struct Heard {
    /// What was played into the plug-in.
    pub input: VecDeque<f32>,
    /// What came out of it at the same time.
    pub output: VecDeque<f32>,
}

/// A picture of the window.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    /// Width in pixels.
    pub width: u32,
    /// Height in pixels.
    pub height: u32,
    /// Red, green and blue of each pixel, row by row from the top.
    pub rgb: Vec<u8>,
}

impl Picture {
    /// Red, green and blue of a pixel.
    pub fn pixel(&self, x: u32, y: u32) -> [u8; 3] {
        let at = 3 * (y * self.width + x) as usize;
        [self.rgb[at], self.rgb[at + 1], self.rgb[at + 2]]
    }

    /// Share of the pixels, 0 to 1, that differ from another picture of the same size by more than
    /// a shade.
    pub fn difference(&self, other: &Self) -> f64 {
        /// Largest difference of a channel that is but a shade.
        const SHADE: u8 = 12;
        assert_eq!((self.width, self.height), (other.width, other.height));
        let differs = |(a, b): (&[u8], &[u8])| a.iter().zip(b).any(|(a, b)| a.abs_diff(*b) > SHADE);
        let pixels = self.rgb.chunks(3).zip(other.rgb.chunks(3));
        pixels.filter(|pair| differs(*pair)).count() as f64 / (self.rgb.len() / 3) as f64
    }
}

struct Callbacks;

impl HostHandlers for Callbacks {
    type Shared<'a> = Asked;
    type MainThread<'a> = MainThread;
    type AudioProcessor<'a> = ();

    fn declare_extensions(builder: &mut HostExtensions<Self>, _: &Asked) {
        builder.register::<HostParams>().register::<HostGui>();
    }
}

/// What the plug-in has asked for, from any thread.
#[derive(Default)]
struct Asked {
    callback: AtomicBool,
    size: Mutex<Option<GuiSize>>,
}

impl SharedHandler<'_> for Asked {
    fn request_restart(&self) {}

    fn request_process(&self) {}

    fn request_callback(&self) {
        self.callback.store(true, Ordering::SeqCst);
    }
}

impl HostParamsImplShared for Asked {
    // Blocks take up what is new; while none are played, nobody waits for it.
    fn request_flush(&self) {}
}

impl HostGuiImpl for Asked {
    fn resize_hints_changed(&self) {}

    fn request_resize(&self, size: GuiSize) -> std::result::Result<(), HostError> {
        *lock(&self.size) = Some(size);
        Ok(())
    }

    fn request_show(&self) -> std::result::Result<(), HostError> {
        Ok(())
    }

    fn request_hide(&self) -> std::result::Result<(), HostError> {
        Ok(())
    }

    fn closed(&self, _: bool) {}
}

struct MainThread;

impl MainThreadHandler<'_> for MainThread {}

impl HostParamsImplMainThread for MainThread {
    fn rescan(&self, _: ParamRescanFlags) {}
    fn clear(&self, _: ClapId, _: ParamClearFlags) {}
}

/// The audio thread, which runs until told to stop.
struct AudioThread {
    stop: Arc<AtomicBool>,
    thread: JoinHandle<StoppedPluginAudioProcessor<Callbacks>>,
}

/// An instance of a plug-in, with its editor open or closed.
pub struct EditorHost {
    screen: RustConnection,
    root: xproto::Window,
    depth: u8,
    window: Option<xproto::Window>,
    place: (i16, i16),
    play: Arc<AtomicU8>,
    told: Arc<Mutex<Vec<Told>>>,
    heard: Arc<Mutex<Heard>>,
    changes: Arc<Mutex<Vec<ParamValueEvent>>>,
    names: Arc<BTreeMap<u32, String>>,
    audio: Option<AudioThread>,
    gui: PluginGui,
    params: PluginParams,
    state: PluginState,
    latency: PluginLatency,
    render: PluginRender,
    instance: PluginInstance<Callbacks>,
    // The bundle stays loaded as long as the instance.
    _entry: PluginEntry,
}

impl EditorHost {
    /// Loads a plug-in of a bundle and runs it, with its editor closed. The window will lie at
    /// `place` on the screen, in pixels.
    ///
    /// # Errors
    /// When there is no screen, or the bundle is not such a plug-in.
    #[allow(unsafe_code)]
    pub fn load(bundle: &Path, id: &CStr, place: (i16, i16)) -> Result<Self> {
        let (screen, number) = x11rb::connect(None)?;
        let setup = &screen.setup().roots[number];
        let (root, depth) = (setup.root, setup.root_depth);

        // SAFETY: the bundle is our own and keeps to the CLAP ABI.
        let entry = unsafe { PluginEntry::load(bundle) }?;
        let host = HostInfo::new("Window", "Tenon", "", "1")?;
        let new = PluginInstance::new(|_| Asked::default(), |_| MainThread, &entry, id, &host);
        let mut instance = new?;
        let plugin = instance.plugin_handle();
        let gui: PluginGui = plugin.get_extension().ok_or("no editor")?;
        let params: PluginParams = plugin.get_extension().ok_or("no parameters")?;
        let state: PluginState = plugin.get_extension().ok_or("no state")?;
        let latency: PluginLatency = plugin.get_extension().ok_or("no latency")?;
        let render: PluginRender = plugin.get_extension().ok_or("no render modes")?;
        let mut buffer = ParamInfoBuffer::new();
        let names = (0..params.count(&plugin))
            .filter_map(|index| {
                let info = params.get_info(&plugin, index, &mut buffer)?;
                Some((info.id.get(), String::from_utf8_lossy(info.name).into_owned()))
            })
            .collect();

        let mut host = Self {
            screen,
            root,
            depth,
            window: None,
            place,
            play: Arc::new(AtomicU8::new(Play::Nothing as u8)),
            told: Arc::default(),
            heard: Arc::default(),
            changes: Arc::default(),
            names: Arc::new(names),
            audio: None,
            gui,
            params,
            state,
            latency,
            render,
            instance,
            _entry: entry,
        };
        host.start()?;
        Ok(host)
    }

    fn start(&mut self) -> Result<()> {
        let config = PluginAudioConfiguration {
            sample_rate: RATE_HZ,
            min_frames_count: 1,
            max_frames_count: BLOCK as u32,
        };
        let stopped = self.instance.activate(|_, _| (), config)?;
        let stop = Arc::new(AtomicBool::new(false));
        let (play, told, names) = (self.play.clone(), self.told.clone(), self.names.clone());
        let (changes, heard) = (self.changes.clone(), self.heard.clone());
        let stopping = stop.clone();
        let thread =
            std::thread::Builder::new().name(AUDIO_THREAD.to_owned()).spawn(move || {
                let mut processor = stopped.start_processing().expect("processing starts");
                let mut beat = Beat::default();
                let start = Instant::now();
                let mut due = Duration::ZERO;
                while !stopping.load(Ordering::Relaxed) {
                    let play = play.load(Ordering::Relaxed);
                    if play != Play::Nothing as u8 {
                        let changes = std::mem::take(&mut *lock(&changes));
                        let sounds = play == Play::Beat as u8;
                        let (events, [input, output]) =
                            beat.block(&mut processor, &changes, sounds);
                        lock(&told).extend(read(&events, &names));
                        let mut heard = lock(&heard);
                        keep(&mut heard.input, input);
                        keep(&mut heard.output, output);
                    }
                    due += Duration::from_secs_f64(BLOCK as f64 / RATE_HZ);
                    std::thread::sleep(due.saturating_sub(start.elapsed()));
                }
                processor.stop_processing()
            })?;
        self.audio = Some(AudioThread { stop, thread });
        Ok(())
    }

    /// What went in and came out in the last second.
    pub fn heard(&self) -> Heard {
        lock(&self.heard).clone()
    }

    /// Samples by which the plug-in says that its output lags.
    pub fn latency(&mut self) -> usize {
        self.latency.get(&self.instance.plugin_handle()) as usize
    }

    /// Stops audio and starts it anew, to play or to render offline.
    ///
    /// # Errors
    /// When the plug-in refuses.
    pub fn restart(&mut self, offline: bool) -> Result<()> {
        self.stop();
        self.set_offline(offline)?;
        *lock(&self.heard) = Heard::default();
        self.start()
    }

    /// Renders offline from now on, or plays, while audio goes on. Whether the plug-in asks for a
    /// restart is not looked at.
    ///
    /// # Errors
    /// When the plug-in refuses.
    pub fn set_offline(&mut self, offline: bool) -> Result<()> {
        let mode = if offline { RenderMode::Offline } else { RenderMode::Realtime };
        Ok(self.render.set(&self.instance.plugin_handle(), mode)?)
    }

    fn stop(&mut self) {
        if let Some(audio) = self.audio.take() {
            audio.stop.store(true, Ordering::Relaxed);
            if let Ok(stopped) = audio.thread.join() {
                self.instance.deactivate(stopped);
            }
        }
    }

    /// Plays something else from now on.
    pub fn play(&self, play: Play) {
        self.play.store(play as u8, Ordering::Relaxed);
    }

    /// Opens the editor for a picture: with settings of a drum bus, at a zoom in per cent.
    ///
    /// # Errors
    /// When the plug-in or the screen refuses, or the editor never comes to rest.
    pub fn pose(&mut self, zoom_percent: u32) -> Result<Picture> {
        for (name, text) in [
            ("Threshold", "-17"),
            ("Ratio", "2.5"),
            ("Attack", "15"),
            ("Release", "120"),
            ("Adaptive", "20"),
        ] {
            self.set(name, text)?;
        }
        // To the far corner of the screen: under the pointer things look different.
        self.point(i16::MAX / 2, i16::MAX / 2)?;
        self.play(Play::Silence);
        self.run(Duration::from_millis(100))?;
        self.play(Play::Nothing);
        let state = String::from_utf8(self.save()?.split_off(8))?;
        let zoom = |percent: u32| format!(r#"\"zoom_percent\":{percent}"#);
        let zoomed = state.replace(&zoom(100), &zoom(zoom_percent));
        self.restore(&[&(zoomed.len() as u64).to_le_bytes()[..], zoomed.as_bytes()].concat())?;
        self.open()?;
        self.run(Duration::from_millis(500))?;
        self.picture_at_rest()
    }

    /// Opens the editor.
    ///
    /// # Errors
    /// When the plug-in or the screen refuses.
    #[allow(unsafe_code)]
    pub fn open(&mut self) -> Result<()> {
        let plugin = self.instance.plugin_handle();
        let configuration = GuiConfiguration { api_type: GuiApiType::X11, is_floating: false };
        self.gui.create(&plugin, configuration)?;
        let size = self.gui.get_size(&plugin).ok_or("the editor has no size")?;
        let window = self.screen.generate_id()?;
        let aux = CreateWindowAux::new().background_pixel(0x80_80_80).override_redirect(1);
        self.screen.create_window(
            self.depth,
            window,
            self.root,
            self.place.0,
            self.place.1,
            size.width as u16,
            size.height as u16,
            0,
            WindowClass::INPUT_OUTPUT,
            0,
            &aux,
        )?;
        self.screen.map_window(window)?;
        self.screen.sync()?;
        self.window = Some(window);
        // SAFETY: the window is destroyed after the editor, in `close`.
        unsafe { self.gui.set_parent(&plugin, Window::from_x11_handle(window.into())) }?;
        self.gui.show(&plugin)?;
        Ok(())
    }

    /// Closes the editor, if it is open.
    ///
    /// # Errors
    /// When the screen refuses.
    pub fn close(&mut self) -> Result<()> {
        if let Some(window) = self.window.take() {
            self.gui.destroy(&self.instance.plugin_handle());
            self.screen.destroy_window(window)?;
            self.screen.sync()?;
        }
        Ok(())
    }

    /// Does for a while what a host does beside audio: callbacks, flushes, sizes the plug-in asked
    /// for.
    ///
    /// # Errors
    /// When the screen refuses.
    pub fn run(&mut self, time: Duration) -> Result<()> {
        let start = Instant::now();
        while start.elapsed() < time {
            self.turn()?;
            std::thread::sleep(Duration::from_millis(4));
        }
        Ok(())
    }

    fn turn(&mut self) -> Result<()> {
        let asked = |asked: &Asked| {
            let size = lock(&asked.size).take();
            (asked.callback.swap(false, Ordering::SeqCst), size)
        };
        let (callback, size) = self.instance.access_shared_handler(asked);
        if callback {
            self.instance.call_on_main_thread_callback();
        }
        if let (Some(size), Some(_)) = (size, self.window) {
            self.put_size(size)?;
        }
        Ok(())
    }

    /// Makes the window a size, as a host does whose user pulls at the frame. Gives the size that
    /// the plug-in agreed to.
    ///
    /// # Errors
    /// When plug-in or screen refuses.
    pub fn resize(&mut self, width: u32, height: u32) -> Result<(u32, u32)> {
        let plugin = self.instance.plugin_handle();
        let wanted = GuiSize { width, height };
        let size = self.gui.adjust_size(&plugin, wanted).ok_or("no size suits the editor")?;
        self.put_size(size)?;
        Ok((size.width, size.height))
    }

    fn put_size(&mut self, size: GuiSize) -> Result<()> {
        let window = self.window.ok_or("the editor is closed")?;
        let aux = ConfigureWindowAux::new().width(size.width).height(size.height);
        self.screen.configure_window(window, &aux)?;
        self.screen.sync()?;
        self.gui.set_size(&self.instance.plugin_handle(), size)?;
        Ok(())
    }

    /// Size of the window, in pixels.
    ///
    /// # Errors
    /// When the editor is closed or the screen refuses.
    pub fn size(&self) -> Result<(u32, u32)> {
        let window = self.window.ok_or("the editor is closed")?;
        let geometry = self.screen.get_geometry(window)?.reply()?;
        Ok((geometry.width.into(), geometry.height.into()))
    }

    /// A picture of the window as it is on the screen.
    ///
    /// # Errors
    /// When the editor is closed or the screen refuses.
    pub fn picture(&self) -> Result<Picture> {
        let (width, height) = self.size()?;
        let (x, y) = self.place;
        let image = self
            .screen
            .get_image(
                ImageFormat::Z_PIXMAP,
                self.root,
                x,
                y,
                width as u16,
                height as u16,
                u32::MAX,
            )?
            .reply()?;
        // 24 bits deep: blue, green, red and a byte of padding.
        let rgb = image.data.chunks(4).flat_map(|pixel| [pixel[2], pixel[1], pixel[0]]).collect();
        Ok(Picture { width, height, rgb })
    }

    /// Runs until the window has looked the same for a while, and gives what it looks like.
    ///
    /// # Errors
    /// When it never comes to rest, or the screen refuses.
    pub fn picture_at_rest(&mut self) -> Result<Picture> {
        let mut last = self.picture()?;
        let mut same = 0;
        for _ in 0..100 {
            self.run(Duration::from_millis(100))?;
            let picture = self.picture()?;
            same = if picture == last && !is_blank(&picture) { same + 1 } else { 0 };
            if same == 3 {
                return Ok(picture);
            }
            last = picture;
        }
        Err("the window does not come to rest".into())
    }

    /// Moves the pointer to a place of the window, in pixels.
    ///
    /// # Errors
    /// When the screen refuses.
    pub fn point(&mut self, x: i16, y: i16) -> Result<()> {
        let (left, top) = self.place;
        self.fake(xproto::MOTION_NOTIFY_EVENT, 0, left + x, top + y)
    }

    /// Presses or releases a button of the pointer: 1 is the left one, 3 the right one, 4 and 5 are
    /// the wheel up and down.
    ///
    /// # Errors
    /// When the screen refuses.
    pub fn button(&mut self, button: u8, pressed: bool) -> Result<()> {
        let kind = if pressed { xproto::BUTTON_PRESS_EVENT } else { xproto::BUTTON_RELEASE_EVENT };
        self.fake(kind, button, 0, 0)
    }

    /// Presses and releases a button at a place.
    ///
    /// # Errors
    /// When the screen refuses.
    pub fn click(&mut self, button: u8, x: i16, y: i16) -> Result<()> {
        self.point(x, y)?;
        self.button(button, true)?;
        self.button(button, false)
    }

    /// Drags from one place to another, by the left button.
    ///
    /// # Errors
    /// When the screen refuses.
    pub fn drag(&mut self, from: (i16, i16), to: (i16, i16)) -> Result<()> {
        const STEPS: i32 = 10;
        self.point(from.0, from.1)?;
        self.button(1, true)?;
        for step in 1..=STEPS {
            let way = |from: i16, to: i16| {
                let (from, to) = (i32::from(from), i32::from(to));
                (from + (to - from) * step / STEPS) as i16
            };
            self.point(way(from.0, to.0), way(from.1, to.1))?;
        }
        self.button(1, false)
    }

    /// Holds a file over a place of the editor and drops it there, as a file manager does (XDND,
    /// version 5). Gives what the window looked like before it was let go, or nothing when the editor
    /// does not take it.
    ///
    /// # Errors
    /// When the editor is closed, does not answer, or the screen refuses.
    pub fn drop_file(&mut self, file: &Path, at: (i16, i16)) -> Result<Option<Picture>> {
        let window = self.window.ok_or("the editor is closed")?;
        let tree = self.screen.query_tree(window)?.reply()?;
        let target = *tree.children.first().ok_or("the editor has no window")?;
        let at = (self.place.0 + at.0, self.place.1 + at.1);
        let mut source = DragSource::new(target, self.root, file)?;
        source.enter(at)?;
        let mut picture = None;
        for _ in 0..100 {
            self.run(Duration::from_millis(20))?;
            match source.answer()? {
                Some(DragAnswer::Willing) if picture.is_none() => {
                    self.run(Duration::from_millis(600))?;
                    picture = Some(self.picture()?);
                    source.let_go()?;
                }
                Some(DragAnswer::Willing) | None => (),
                Some(DragAnswer::Refused) => return Ok(None),
                Some(DragAnswer::Taken) => return Ok(picture),
            }
        }
        Err("the editor does not answer to a file held over it".into())
    }

    /// Presses and releases a key, by its X keysym, with others held down.
    ///
    /// # Errors
    /// When the keyboard has no such key or the screen refuses.
    pub fn key(&mut self, held: &[u32], keysym: u32) -> Result<()> {
        let codes = held.iter().map(|keysym| self.code(*keysym)).collect::<Result<Vec<_>>>()?;
        let code = self.code(keysym)?;
        for code in &codes {
            self.fake(xproto::KEY_PRESS_EVENT, *code, 0, 0)?;
        }
        self.fake(xproto::KEY_PRESS_EVENT, code, 0, 0)?;
        self.fake(xproto::KEY_RELEASE_EVENT, code, 0, 0)?;
        for code in codes.iter().rev() {
            self.fake(xproto::KEY_RELEASE_EVENT, *code, 0, 0)?;
        }
        Ok(())
    }

    /// Types digits, small letters and what else needs no other key held down.
    ///
    /// # Errors
    /// When the keyboard has no such key or the screen refuses.
    pub fn type_text(&mut self, text: &str) -> Result<()> {
        // Keysyms of Latin 1 are its codes.
        text.chars().try_for_each(|sign| self.key(&[], u32::from(sign)))
    }

    fn code(&self, keysym: u32) -> Result<u8> {
        let setup = self.screen.setup();
        let (first, last) = (setup.min_keycode, setup.max_keycode);
        let map = self.screen.get_keyboard_mapping(first, last - first + 1)?.reply()?;
        let each = usize::from(map.keysyms_per_keycode);
        let found = map.keysyms.chunks(each).position(|keysyms| keysyms[0] == keysym);
        let found = found.ok_or_else(|| format!("no key has the keysym {keysym:#x}"))?;
        Ok(first + found as u8)
    }

    /// Does something with pointer or keyboard, and gives the editor time for a frame.
    fn fake(&mut self, kind: u8, detail: u8, x: i16, y: i16) -> Result<()> {
        self.screen.xtest_fake_input(kind, detail, 0, self.root, x, y, 0)?;
        self.screen.sync()?;
        self.run(Duration::from_millis(40))
    }

    /// What the plug-in told since this was last asked.
    pub fn told(&self) -> Vec<Told> {
        std::mem::take(&mut lock(&self.told))
    }

    /// Sets a parameter by its name to what one would type. It has the value with the next block.
    ///
    /// # Errors
    /// When there is no such parameter, or it does not take the value.
    pub fn set(&mut self, name: &str, text: &str) -> Result<()> {
        let id = self.id(name)?;
        let text = std::ffi::CString::new(text)?;
        let value = self.params.text_to_value(&self.instance.plugin_handle(), id, &text);
        let value = value.ok_or_else(|| format!("{name} does not take {text:?}"))?;
        lock(&self.changes).push(ParamValueEvent::new(0, id, Pckn::match_all(), value));
        Ok(())
    }

    fn id(&self, name: &str) -> Result<ClapId> {
        let found = self.names.iter().find(|(_, other)| *other == name);
        let (id, _) = found.ok_or_else(|| format!("there is no parameter {name:?}"))?;
        Ok(ClapId::new(*id))
    }

    /// Value of a parameter by its name, as CLAP counts it: 0 to 1, or the index of a choice.
    ///
    /// # Errors
    /// When there is no such parameter.
    pub fn value(&mut self, name: &str) -> Result<f64> {
        let id = self.id(name)?;
        let value = self.params.get_value(&self.instance.plugin_handle(), id);
        value.ok_or_else(|| "no value".into())
    }

    /// The state of the plug-in.
    ///
    /// # Errors
    /// When the plug-in refuses.
    pub fn save(&mut self) -> Result<Vec<u8>> {
        let mut state = Vec::new();
        self.state.save(&self.instance.plugin_handle(), &mut state)?;
        Ok(state)
    }

    /// Restores a state of the plug-in.
    ///
    /// # Errors
    /// When the plug-in refuses.
    pub fn restore(&mut self, state: &[u8]) -> Result<()> {
        self.state.load(&self.instance.plugin_handle(), &mut Cursor::new(state))?;
        Ok(())
    }
}

impl Drop for EditorHost {
    fn drop(&mut self) {
        // A screen that is gone has closed the window by itself.
        let _ = self.close();
        self.stop();
    }
}

x11rb::atom_manager! {
    /// What the protocol of dragged things speaks of.
    DragAtoms: DragAtomsCookie {
        XdndEnter,
        XdndPosition,
        XdndStatus,
        XdndDrop,
        XdndFinished,
        XdndSelection,
        XdndActionCopy,
        URI_LIST: b"text/uri-list",
    }
}

/// What the window under a dragged file says.
enum DragAnswer {
    /// It would take the file.
    Willing,
    /// It has the file.
    Taken,
    /// It does not want the file.
    Refused,
}

/// A window that a file is dragged from.
struct DragSource {
    screen: RustConnection,
    atoms: DragAtoms,
    window: xproto::Window,
    target: xproto::Window,
    uri: String,
}

impl DragSource {
    fn new(target: xproto::Window, root: xproto::Window, file: &Path) -> Result<Self> {
        let (screen, _) = x11rb::connect(None)?;
        let atoms = DragAtoms::new(&screen)?.reply()?;
        let window = screen.generate_id()?;
        let aux = CreateWindowAux::new();
        let class = WindowClass::INPUT_OUTPUT;
        screen.create_window(0, window, root, 0, 0, 1, 1, 0, class, 0, &aux)?;
        screen.set_selection_owner(window, atoms.XdndSelection, x11rb::CURRENT_TIME)?;
        screen.sync()?;
        let uri = format!("file://{}\r\n", file.display());
        Ok(Self { screen, atoms, window, target, uri })
    }

    fn tell(&self, kind: xproto::Atom, data: [u32; 4]) -> Result<()> {
        let data = [self.window, data[0], data[1], data[2], data[3]];
        let event = xproto::ClientMessageEvent::new(32, self.target, kind, data);
        self.screen.send_event(false, self.target, xproto::EventMask::NO_EVENT, event)?;
        self.screen.sync()?;
        Ok(())
    }

    fn enter(&self, (x, y): (i16, i16)) -> Result<()> {
        const VERSION: u32 = 5;
        self.tell(self.atoms.XdndEnter, [VERSION << 24, self.atoms.URI_LIST, 0, 0])?;
        let place = (x as u32) << 16 | y as u32;
        let now = x11rb::CURRENT_TIME;
        self.tell(self.atoms.XdndPosition, [0, place, now, self.atoms.XdndActionCopy])
    }

    fn let_go(&self) -> Result<()> {
        self.tell(self.atoms.XdndDrop, [0, x11rb::CURRENT_TIME, 0, 0])
    }

    /// Hands the file over when asked to, and gives what the target says, once it says something.
    fn answer(&mut self) -> Result<Option<DragAnswer>> {
        while let Some(event) = self.screen.poll_for_event()? {
            match event {
                Event::SelectionRequest(request) => {
                    self.screen.change_property8(
                        PropMode::REPLACE,
                        request.requestor,
                        request.property,
                        request.target,
                        self.uri.as_bytes(),
                    )?;
                    let notify = xproto::SelectionNotifyEvent {
                        response_type: xproto::SELECTION_NOTIFY_EVENT,
                        sequence: 0,
                        time: request.time,
                        requestor: request.requestor,
                        selection: request.selection,
                        target: request.target,
                        property: request.property,
                    };
                    let mask = xproto::EventMask::NO_EVENT;
                    self.screen.send_event(false, request.requestor, mask, notify)?;
                    self.screen.sync()?;
                }
                Event::ClientMessage(message) => {
                    let accepted = message.data.as_data32()[1] & 1 == 1;
                    if !accepted {
                        return Ok(Some(DragAnswer::Refused));
                    }
                    if message.type_ == self.atoms.XdndStatus {
                        return Ok(Some(DragAnswer::Willing));
                    }
                    if message.type_ == self.atoms.XdndFinished {
                        return Ok(Some(DragAnswer::Taken));
                    }
                }
                _ => (),
            }
        }
        Ok(None)
    }
}

/// Adds samples and forgets old ones.
fn keep(kept: &mut VecDeque<f32>, samples: Vec<f32>) {
    kept.extend(samples);
    kept.drain(..kept.len().saturating_sub(KEPT));
}

/// What is guarded here is whole whatever happens to its holder.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Whether all pixels are alike.
pub fn is_blank(picture: &Picture) -> bool {
    picture.rgb.chunks(3).all(|pixel| pixel == &picture.rgb[..3])
}

fn read(events: &EventBuffer, names: &BTreeMap<u32, String>) -> Vec<Told> {
    let name =
        |id: Option<ClapId>| id.and_then(|id| names.get(&id.get())).cloned().unwrap_or_default();
    events
        .iter()
        .filter_map(|event| match event.as_core_event()? {
            CoreEventSpace::ParamGestureBegin(begin) => Some(Told::Begin(name(begin.param_id()))),
            CoreEventSpace::ParamGestureEnd(end) => Some(Told::End(name(end.param_id()))),
            CoreEventSpace::ParamValue(value) => {
                Some(Told::Value(name(value.param_id()), value.value()))
            }
            _ => None,
        })
        .collect()
}

/// A kick on every beat, noise on every second one, and a room.
#[derive(Default)]
struct Beat {
    samples: u64,
    random: u32,
}

impl Beat {
    fn noise(&mut self) -> f64 {
        self.random = self.random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(self.random) / f64::from(u32::MAX) * 2.0 - 1.0
    }

    fn frame(&mut self) -> [f32; 2] {
        let beat_s = 60.0 / TEMPO_BPM;
        let time = self.samples as f64 / RATE_HZ;
        self.samples += 1;
        let since = |every: f64, at: f64| (time + every - at) % every;
        let kick = since(beat_s, 0.0);
        let snare = since(2.0 * beat_s, beat_s);
        let mid = 0.5 * (-kick * 9.0).exp() * (TAU * 60.0 * kick).sin();
        let snare = (-snare * 14.0).exp();
        let (left, right) = (self.noise(), self.noise());
        let room = 0.02 + 0.35 * snare;
        [(mid + room * left) as f32, (mid + room * (0.7 * left + 0.3 * right)) as f32]
    }

    /// Plays a block into the plug-in and gives what it told, and left of what went in and came out.
    fn block(
        &mut self,
        processor: &mut StartedPluginAudioProcessor<Callbacks>,
        changes: &[ParamValueEvent],
        sounds: bool,
    ) -> (EventBuffer, [Vec<f32>; 2]) {
        let transport = self.transport(sounds);
        let mut input = [vec![0.0; BLOCK], vec![0.0; BLOCK]];
        if sounds {
            let [left, right] = &mut input;
            for (left, right) in left.iter_mut().zip(right) {
                [*left, *right] = self.frame();
            }
        }
        let played = input[0].clone();
        let mut key = [vec![0.0; BLOCK], vec![0.0; BLOCK]];
        let mut output = [vec![0.0; BLOCK], vec![0.0; BLOCK]];
        let mut inputs = AudioPorts::with_capacity(4, 2);
        let mut outputs = AudioPorts::with_capacity(2, 1);
        let inputs = inputs.with_input_buffers([&mut input, &mut key].map(|port| {
            let channels = port.iter_mut().map(InputChannel::variable);
            AudioPortBuffer { latency: 0, channels: AudioPortBufferType::f32_input_only(channels) }
        }));
        let channels = output.iter_mut().map(|channel| &mut channel[..]);
        let mut outputs = outputs.with_output_buffers([AudioPortBuffer {
            latency: 0,
            channels: AudioPortBufferType::f32_output_only(channels),
        }]);
        let (mut events, mut told) = (EventBuffer::new(), EventBuffer::new());
        changes.iter().for_each(|change| events.push(change));
        let processed = processor.process(
            &inputs,
            &mut outputs,
            &events.as_input(),
            &mut told.as_output(),
            None,
            Some(&transport),
        );
        processed.expect("the plug-in processes");
        let [heard, _] = output;
        (told, [played, heard])
    }

    fn transport(&self, playing: bool) -> TransportEvent {
        let seconds = self.samples as f64 / RATE_HZ;
        let beats = seconds * TEMPO_BPM / 60.0;
        let bar = (beats / 4.0).floor();
        let mut flags = TransportFlags::HAS_TEMPO
            | TransportFlags::HAS_BEATS_TIMELINE
            | TransportFlags::HAS_TIME_SIGNATURE;
        flags.set(TransportFlags::IS_PLAYING, playing);
        TransportEvent {
            header: EventHeader::new_core(0, EventFlags::empty()),
            flags,
            song_pos_beats: BeatTime::from_float(beats),
            song_pos_seconds: SecondsTime::from_float(seconds),
            tempo: TEMPO_BPM,
            tempo_inc: 0.0,
            loop_start_beats: BeatTime::from_int(0),
            loop_end_beats: BeatTime::from_int(0),
            loop_start_seconds: SecondsTime::from_int(0),
            loop_end_seconds: SecondsTime::from_int(0),
            bar_start: BeatTime::from_float(bar * 4.0),
            bar_number: bar as i32,
            time_signature_numerator: 4,
            time_signature_denominator: 4,
        }
    }
}
