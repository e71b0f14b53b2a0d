//! A host with a window on an X screen: opens the editor of a CLAP bundle in it, plays audio into the
//! plug-in, moves pointer and keys, and takes pictures.

use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::ffi::CStr;
use std::io::Cursor;
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU8, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::{JoinHandle, ThreadId};
use std::time::{Duration, Instant};

use crate::screen::{Picture, Result, Screen, Windowed};
use clack_extensions::context_menu::{
    ContextMenuBuilder, ContextMenuTarget, HostContextMenu, HostContextMenuImpl,
};
use clack_extensions::gui::{
    GuiApiType, GuiConfiguration, GuiSize, HostGui, HostGuiImpl, PluginGui, Window,
};
use clack_extensions::params::{
    HostParams, HostParamsImplMainThread, HostParamsImplShared, ParamClearFlags, ParamInfoBuffer,
    ParamRescanFlags, PluginParams,
};
use clack_extensions::state::PluginState;
use clack_host::events::event_types::{ParamValueEvent, TransportEvent, TransportFlags};
use clack_host::events::spaces::CoreEventSpace;
use clack_host::events::{EventFlags, EventHeader};
use clack_host::prelude::*;
use clack_host::utils::{BeatTime, SecondsTime};

const RATE_HZ: f64 = 48_000.0;
const BLOCK: usize = 512;
/// Name of the thread that plays audio, to tell it from those of the editor.
const AUDIO_THREAD: &str = "audio";
const TEMPO_BPM: f64 = 104.0;

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

/// A menu that the host was asked to open.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MenuAsked {
    /// The parameter it is for.
    pub parameter: String,
    /// Left and top within the window, in pixels.
    pub place: (i32, i32),
    /// The thread it was asked for on.
    pub thread: ThreadId,
}

struct Callbacks;

impl HostHandlers for Callbacks {
    type Shared<'a> = Asked;
    type MainThread<'a> = MainThread;
    type AudioProcessor<'a> = ();

    fn declare_extensions(builder: &mut HostExtensions<Self>, asked: &Asked) {
        builder.register::<HostParams>().register::<HostGui>();
        if asked.offers_menu {
            builder.register::<HostContextMenu>();
        }
    }
}

/// What the plug-in has asked for, from any thread.
#[derive(Default)]
struct Asked {
    /// The host has a menu of its own.
    offers_menu: bool,
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

/// Target, place and thread of a menu.
type RawMenuAsked = (ContextMenuTarget, (i32, i32), ThreadId);

/// What the plug-in has asked for on the main thread.
#[derive(Default)]
struct MainThread {
    menus: Arc<Mutex<Vec<RawMenuAsked>>>,
}

impl MainThreadHandler<'_> for MainThread {}

impl HostContextMenuImpl for MainThread {
    fn populate(
        &self,
        _: ContextMenuTarget,
        _: &mut ContextMenuBuilder<'_>,
    ) -> std::result::Result<(), HostError> {
        Ok(())
    }

    fn perform(&self, _: ContextMenuTarget, _: ClapId) -> std::result::Result<(), HostError> {
        Ok(())
    }

    fn can_popup(&self) -> bool {
        true
    }

    fn popup(
        &self,
        target: ContextMenuTarget,
        _: i32,
        x: i32,
        y: i32,
    ) -> std::result::Result<(), HostError> {
        lock(&self.menus).push((target, (x, y), std::thread::current().id()));
        Ok(())
    }
}

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
    screen: Screen,
    play: Arc<AtomicU8>,
    told: Arc<Mutex<Vec<Told>>>,
    changes: Arc<Mutex<Vec<ParamValueEvent>>>,
    menus: Arc<Mutex<Vec<RawMenuAsked>>>,
    names: Arc<BTreeMap<u32, String>>,
    audio: Option<AudioThread>,
    gui: PluginGui,
    params: PluginParams,
    state: PluginState,
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
    pub fn load(bundle: &Path, id: &CStr, place: (i16, i16)) -> Result<Self> {
        Self::load_into(Asked::default(), bundle, id, place)
    }

    /// As [`Self::load`], into a host that has a menu of its own for parameters.
    ///
    /// # Errors
    /// As there.
    pub fn load_offering_menu(bundle: &Path, id: &CStr, place: (i16, i16)) -> Result<Self> {
        Self::load_into(Asked { offers_menu: true, ..Asked::default() }, bundle, id, place)
    }

    #[allow(unsafe_code)]
    fn load_into(asked: Asked, bundle: &Path, id: &CStr, place: (i16, i16)) -> Result<Self> {
        let screen = Screen::connect(place)?;
        // SAFETY: the bundle is our own and keeps to the CLAP ABI.
        let entry = unsafe { PluginEntry::load(bundle) }?;
        let host = HostInfo::new("Window", "Tenon", "", "1")?;
        let main = MainThread::default();
        let menus = main.menus.clone();
        let mut instance = PluginInstance::new(|_| asked, |_| main, &entry, id, &host)?;
        let plugin = instance.plugin_handle();
        let gui: PluginGui = plugin.get_extension().ok_or("no editor")?;
        let params: PluginParams = plugin.get_extension().ok_or("no parameters")?;
        let state: PluginState = plugin.get_extension().ok_or("no state")?;
        let mut buffer = ParamInfoBuffer::new();
        let names = (0..params.count(&plugin))
            .filter_map(|index| {
                let info = params.get_info(&plugin, index, &mut buffer)?;
                Some((info.id.get(), String::from_utf8_lossy(info.name).into_owned()))
            })
            .collect();

        let mut host = Self {
            screen,
            play: Arc::new(AtomicU8::new(Play::Nothing as u8)),
            told: Arc::default(),
            changes: Arc::default(),
            menus,
            names: Arc::new(names),
            audio: None,
            gui,
            params,
            state,
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
        let changes = self.changes.clone();
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
                        let events = beat.block(&mut processor, &changes, play == Play::Beat as u8);
                        lock(&told).extend(read(&events, &names));
                    }
                    due += Duration::from_secs_f64(BLOCK as f64 / RATE_HZ);
                    std::thread::sleep(due.saturating_sub(start.elapsed()));
                }
                processor.stop_processing()
            })?;
        self.audio = Some(AudioThread { stop, thread });
        Ok(())
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
        let window = self.screen.open((size.width, size.height))?;
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
        if self.screen.is_open() {
            self.gui.destroy(&self.instance.plugin_handle());
            self.screen.close()?;
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
        if let (Some(size), true) = (size, self.screen.is_open()) {
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
        self.screen.resize((size.width, size.height))?;
        self.gui.set_size(&self.instance.plugin_handle(), size)?;
        Ok(())
    }

    /// What the plug-in told since this was last asked.
    pub fn told(&self) -> Vec<Told> {
        std::mem::take(&mut lock(&self.told))
    }

    /// The menus the plug-in asked for since this was last asked.
    pub fn menus_asked(&self) -> Vec<MenuAsked> {
        let asked = std::mem::take(&mut *lock(&self.menus));
        let read = |(target, place, thread)| {
            let parameter = match target {
                ContextMenuTarget::Param(id) => self.names.get(&id.get()).cloned(),
                _ => None,
            };
            MenuAsked { parameter: parameter.unwrap_or_default(), place, thread }
        };
        asked.into_iter().map(read).collect()
    }

    /// Sets a parameter by its name to what one would type. It has the value with the next block.
    ///
    /// # Errors
    /// When there is no such parameter, or it does not take the value.
    pub fn set(&mut self, name: &str, text: &str) -> Result<()> {
        let id = self.id(name)?;
        let value = self.value_of(name, text)?;
        lock(&self.changes).push(ParamValueEvent::new(0, id, Pckn::match_all(), value));
        Ok(())
    }

    /// What a text means for a parameter by its name, as CLAP counts it.
    ///
    /// # Errors
    /// When there is no such parameter, or it does not take the text.
    pub fn value_of(&mut self, name: &str, text: &str) -> Result<f64> {
        let id = self.id(name)?;
        let text = std::ffi::CString::new(text)?;
        let value = self.params.text_to_value(&self.instance.plugin_handle(), id, &text);
        value.ok_or_else(|| format!("{name} does not take {text:?}").into())
    }

    /// The names of all parameters.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.names.values().map(String::as_str)
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

impl Windowed for EditorHost {
    fn screen(&self) -> &Screen {
        &self.screen
    }

    /// Does for a while what a host does beside audio: callbacks, flushes, sizes the plug-in asked
    /// for.
    fn run(&mut self, time: Duration) -> Result<()> {
        let start = Instant::now();
        while start.elapsed() < time {
            self.turn()?;
            std::thread::sleep(Duration::from_millis(4));
        }
        Ok(())
    }
}

impl Drop for EditorHost {
    fn drop(&mut self) {
        // A screen that is gone has closed the window by itself.
        let _ = self.close();
        if let Some(audio) = self.audio.take() {
            audio.stop.store(true, Ordering::Relaxed);
            if let Ok(stopped) = audio.thread.join() {
                self.instance.deactivate(stopped);
            }
        }
    }
}

/// What is guarded here is whole whatever happens to its holder.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
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

    /// Plays a block into the plug-in and gives what it told.
    fn block(
        &mut self,
        processor: &mut StartedPluginAudioProcessor<Callbacks>,
        changes: &[ParamValueEvent],
        sounds: bool,
    ) -> EventBuffer {
        let transport = self.transport(sounds);
        let mut input = [vec![0.0; BLOCK], vec![0.0; BLOCK]];
        if sounds {
            let [left, right] = &mut input;
            for (left, right) in left.iter_mut().zip(right) {
                [*left, *right] = self.frame();
            }
        }
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
        told
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

/// Processor time of this process in seconds, but for what plays audio.
pub fn processor_s() -> f64 {
    let tasks = std::fs::read_dir("/proc/self/task").into_iter().flatten();
    let ticks = tasks.filter_map(|task| {
        let task = task.ok()?.path();
        if std::fs::read_to_string(task.join("comm")).ok()?.trim() == AUDIO_THREAD {
            return None;
        }
        let stat = std::fs::read_to_string(task.join("stat")).ok()?;
        // After the name in brackets; user and system time (proc_pid_stat(5)).
        let fields: Vec<&str> = stat.rsplit(')').next()?.split_whitespace().collect();
        Some(fields.get(11)?.parse::<f64>().ok()? + fields.get(12)?.parse::<f64>().ok()?)
    });
    ticks.sum::<f64>() / 100.0
}
