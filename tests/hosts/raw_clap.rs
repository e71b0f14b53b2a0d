//! A CLAP host in the very structures of the standard (CLAP 1.2, `clap/*.h`), with no library between:
//! it can pass what well-behaved hosts never would, and adds nothing of its own on the audio thread.
//!
//! Plays in the layout the plug-in begins with: stereo with a stereo key.
#![allow(unsafe_code)] // the CLAP interfaces are C
#![allow(dead_code)] // each test file uses its own part

use std::ffi::{CStr, c_char, c_void};
use std::ptr::{from_ref, null, null_mut};
use std::sync::atomic::{AtomicUsize, Ordering};

use clack_host::entry::PluginEntry;
use clap_sys::audio_buffer::clap_audio_buffer;
use clap_sys::events::{
    CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_PARAM_GESTURE_BEGIN, CLAP_EVENT_PARAM_VALUE,
    clap_event_header, clap_event_param_value, clap_input_events, clap_output_events,
};
use clap_sys::ext::gui::{CLAP_EXT_GUI, clap_host_gui};
use clap_sys::ext::latency::{CLAP_EXT_LATENCY, clap_plugin_latency};
use clap_sys::ext::params::{CLAP_EXT_PARAMS, clap_host_params, clap_plugin_params};
use clap_sys::ext::state::{CLAP_EXT_STATE, clap_plugin_state};
use clap_sys::ext::tail::{CLAP_EXT_TAIL, clap_plugin_tail};
use clap_sys::factory::plugin_factory::{CLAP_PLUGIN_FACTORY_ID, clap_plugin_factory};
use clap_sys::host::clap_host;
use clap_sys::plugin::clap_plugin;
use clap_sys::process::{CLAP_PROCESS_ERROR, clap_process, clap_process_status};
use clap_sys::stream::{clap_istream, clap_ostream};
use clap_sys::version::CLAP_VERSION;
use tenon_dsp::{Control, Unit};

use super::raw::RawHost;
use super::shared::{Audio, bundle, stored_id};

/// The id under which hosts know the plug-in.
pub(crate) const ID: &CStr = c"audio.tenon.bus";

/// What the plug-in asks of the host, counted.
#[derive(Default)]
pub(crate) struct Asked {
    pub(crate) callbacks: AtomicUsize,
    pub(crate) rescans: AtomicUsize,
    pub(crate) restarts: AtomicUsize,
}

/// An instance in the host.
pub(crate) struct RawClap {
    pub(crate) plugin: *const clap_plugin,
    pub(crate) asked: &'static Asked,
    params: *const clap_plugin_params,
    state: *const clap_plugin_state,
    tail: *const clap_plugin_tail,
    latency: *const clap_plugin_latency,
    // The host is at a fixed place as long as the instance.
    _host: Box<clap_host>,
    _entry: PluginEntry,
}

// SAFETY: CLAP plug-ins may be used from any thread, as long as each of their functions keeps to the
// thread that the standard gives it. The tests see to that.
unsafe impl Send for RawClap {}
// SAFETY: as above.
unsafe impl Sync for RawClap {}

/// Loads the bundle.
pub(crate) fn entry() -> PluginEntry {
    // SAFETY: the bundle is our own and keeps to the CLAP ABI.
    unsafe { PluginEntry::load(bundle("TENON_CLAP", "Tenon.clap")) }.expect("the bundle loads")
}

/// The bundle's factory; null when it has none of that name.
pub(crate) fn factory(entry: &PluginEntry, id: &CStr) -> *const clap_plugin_factory {
    let get = entry.raw_entry().get_factory.expect("a function");
    // SAFETY: the entry is initialised, and the id is a text.
    unsafe { get(id.as_ptr()).cast() }
}

impl RawHost for RawClap {
    fn load() -> Self {
        let entry = entry();
        let asked: &'static Asked = Box::leak(Box::default());
        let host = Box::new(host(asked));
        let factory = factory(&entry, CLAP_PLUGIN_FACTORY_ID);
        // SAFETY: the factory lives as long as the bundle, the host as long as the instance, and
        // extensions as long as the instance that gives them.
        unsafe {
            let create = (*factory).create_plugin.expect("a function");
            let plugin = create(factory, &*host, ID.as_ptr());
            assert!(!plugin.is_null(), "there is no instance");
            assert!((*plugin).init.expect("a function")(plugin));
            let get = (*plugin).get_extension.expect("a function");
            let extension = |id: &CStr| {
                let extension = get(plugin, id.as_ptr());
                assert!(!extension.is_null(), "{id:?} is not offered");
                extension
            };
            Self {
                plugin,
                asked,
                params: extension(CLAP_EXT_PARAMS).cast(),
                state: extension(CLAP_EXT_STATE).cast(),
                tail: extension(CLAP_EXT_TAIL).cast(),
                latency: extension(CLAP_EXT_LATENCY).cast(),
                _host: host,
                _entry: entry,
            }
        }
    }

    fn activate(&self, rate_hz: f64, longest: usize) {
        // SAFETY: functions of a live plug-in, here and below.
        let active =
            unsafe { (*self.plugin).activate.unwrap()(self.plugin, rate_hz, 1, longest as u32) };
        assert!(active, "it does not activate at {rate_hz} Hz");
        self.call_back();
    }

    fn deactivate(&self) {
        // SAFETY: see `activate`.
        unsafe { (*self.plugin).deactivate.unwrap()(self.plugin) };
    }

    fn start(&self) {
        // SAFETY: see `activate`.
        assert!(unsafe { (*self.plugin).start_processing.unwrap()(self.plugin) });
    }

    fn stop(&self) {
        // SAFETY: see `activate`.
        unsafe { (*self.plugin).stop_processing.unwrap()(self.plugin) };
    }

    fn play(&self, input: &[Vec<f32>], key: &[Vec<f32>], block: usize) -> Audio {
        let mut output = vec![vec![f32::NAN; input[0].len()]; 2];
        self.play_into(input, key, &mut output, block);
        output
    }

    fn set(&self, control: Control, value: f32) {
        let events = Events::new(vec![self.event(0, control, value)]);
        self.flush(&events);
    }

    fn save(&self) -> Vec<u8> {
        self.save_in_pieces(usize::MAX)
    }

    fn restore(&self, state: &[u8]) -> bool {
        self.restore_in_pieces(state, usize::MAX)
    }

    fn tail(&self) -> usize {
        // SAFETY: see `activate`.
        unsafe { (*self.tail).get.unwrap()(self.plugin) as usize }
    }

    fn latency(&self) -> usize {
        // SAFETY: see `activate`.
        unsafe { (*self.latency).get.unwrap()(self.plugin) as usize }
    }

    fn forget(&self) {
        self.reset();
    }
}

impl RawClap {
    pub(crate) fn reset(&self) {
        // SAFETY: see `activate`.
        unsafe { (*self.plugin).reset.unwrap()(self.plugin) };
    }

    /// Does on the main thread what the plug-in has put off.
    pub(crate) fn call_back(&self) {
        while self.asked.callbacks.swap(0, Ordering::SeqCst) > 0 {
            // SAFETY: see `activate`.
            unsafe { (*self.plugin).on_main_thread.unwrap()(self.plugin) };
        }
    }

    /// Processes a block as it is.
    ///
    /// # Safety
    /// What the block points to is there, unless it is null.
    pub(crate) unsafe fn process(&self, block: &clap_process) -> clap_process_status {
        // SAFETY: see above.
        unsafe { (*self.plugin).process.unwrap()(self.plugin, block) }
    }

    /// As [`RawClap::play`], into room that is there.
    pub(crate) fn play_into(
        &self,
        input: &[Vec<f32>],
        key: &[Vec<f32>],
        output: &mut [Vec<f32>],
        block: usize,
    ) {
        let mut start = 0;
        while start < input[0].len() {
            let length = block.min(input[0].len() - start);
            let at = |channel: &Vec<f32>| channel[start..].as_ptr().cast_mut();
            let (mut main, mut key) = ([at(&input[0]), at(&input[1])], [at(&key[0]), at(&key[1])]);
            let [left, right] = output else { panic!("the output is stereo") };
            let mut out = [left[start..].as_mut_ptr(), right[start..].as_mut_ptr()];
            let inputs = [port(&mut main), port(&mut key)];
            let mut outputs = [port(&mut out)];
            let block = block_of(&inputs, &mut outputs, length);
            // SAFETY: all channels have `length` samples from `start` on.
            let status = unsafe { self.process(&block) };
            assert_ne!(status, CLAP_PROCESS_ERROR);
            start += length;
        }
    }

    /// The value of a parameter, as CLAP counts it.
    pub(crate) fn value(&self, control: Control) -> f64 {
        let mut value = f64::NAN;
        // SAFETY: see `activate`; the plug-in writes one number.
        let known = unsafe {
            (*self.params).get_value.unwrap()(self.plugin, stored_id(control), &mut value)
        };
        assert!(known, "{control:?}");
        value
    }

    /// Hands over events without audio. Only while stopped.
    pub(crate) fn flush(&self, events: &Events) {
        let (input, output) = (events.list(), no_output());
        // SAFETY: see `activate`; the lists live until the plug-in returns.
        unsafe { (*self.params).flush.unwrap()(self.plugin, &input, &output) };
        self.call_back();
    }

    /// The event that sets a parameter to a value as the engine counts it.
    pub(crate) fn event(&self, time: u32, control: Control, value: f32) -> clap_event_param_value {
        let text = match control.spec().unit {
            Unit::Choice(names) => names[value as usize].to_owned(),
            _ => value.to_string(),
        };
        let text = std::ffi::CString::new(text).expect("no zero");
        let mut place = f64::NAN;
        // SAFETY: see `activate`; the plug-in writes one number.
        let taken = unsafe {
            let read = (*self.params).text_to_value.unwrap();
            read(self.plugin, stored_id(control), text.as_ptr(), &mut place)
        };
        assert!(taken, "{control:?} does not take {text:?}");
        param_event(time, stored_id(control), place)
    }

    /// The state, written in pieces of up to so many bytes.
    pub(crate) fn save_in_pieces(&self, piece: usize) -> Vec<u8> {
        let mut pieces = Pieces { bytes: Vec::new(), at: 0, piece };
        let stream = clap_ostream { ctx: (&raw mut pieces).cast(), write: Some(Pieces::write) };
        // SAFETY: see `activate`; the stream lives until the plug-in returns.
        assert!(unsafe { (*self.state).save.unwrap()(self.plugin, &stream) });
        pieces.bytes
    }

    /// Gives the plug-in a state in pieces of up to so many bytes; whether it took it.
    pub(crate) fn restore_in_pieces(&self, state: &[u8], piece: usize) -> bool {
        let mut pieces = Pieces { bytes: state.to_vec(), at: 0, piece };
        let stream = clap_istream { ctx: (&raw mut pieces).cast(), read: Some(Pieces::read) };
        // SAFETY: see `activate`; the stream lives until the plug-in returns.
        let restored = unsafe { (*self.state).load.unwrap()(self.plugin, &stream) };
        self.call_back();
        restored
    }
}

impl Drop for RawClap {
    fn drop(&mut self) {
        // SAFETY: see `activate`; nobody uses the plug-in any more. Whether it is active, and even
        // processing, is for the tests to choose: hosts do destroy such plug-ins.
        unsafe { (*self.plugin).destroy.unwrap()(self.plugin) };
    }
}

/// A port of these channels.
pub(crate) fn port(channels: &mut [*mut f32]) -> clap_audio_buffer {
    clap_audio_buffer {
        data32: channels.as_mut_ptr(),
        data64: null_mut(),
        channel_count: channels.len() as u32,
        latency: 0,
        constant_mask: 0,
    }
}

/// A block over ports, without events and transport.
pub(crate) fn block_of(
    inputs: &[clap_audio_buffer],
    outputs: &mut [clap_audio_buffer],
    frames: usize,
) -> clap_process {
    clap_process {
        steady_time: -1,
        frames_count: frames as u32,
        transport: null(),
        audio_inputs: inputs.as_ptr(),
        audio_outputs: outputs.as_mut_ptr(),
        audio_inputs_count: inputs.len() as u32,
        audio_outputs_count: outputs.len() as u32,
        in_events: null(),
        out_events: null(),
    }
}

/// An event that sets a parameter to a value as CLAP counts it.
pub(crate) fn param_event(time: u32, id: u32, value: f64) -> clap_event_param_value {
    clap_event_param_value {
        header: clap_event_header {
            size: size_of::<clap_event_param_value>() as u32,
            time,
            space_id: CLAP_CORE_EVENT_SPACE_ID,
            type_: CLAP_EVENT_PARAM_VALUE,
            flags: 0,
        },
        param_id: id,
        cookie: null_mut(),
        note_id: -1,
        port_index: -1,
        channel: -1,
        key: -1,
        value,
    }
}

/// Events in the order in which they are handed over.
#[derive(Default)]
pub(crate) struct Events {
    headers: Vec<*const clap_event_header>,
    /// What the headers are of, unless others keep it.
    _values: Vec<clap_event_param_value>,
}

impl Events {
    pub(crate) fn new(values: Vec<clap_event_param_value>) -> Self {
        let headers = values.iter().map(|value| from_ref(value).cast()).collect();
        Self { headers, _values: values }
    }

    /// Events of any kinds, each told by its header, which it must not outlive.
    pub(crate) fn of(headers: Vec<*const clap_event_header>) -> Self {
        Self { headers, _values: Vec::new() }
    }

    /// The list to pass; it must not outlive the events.
    pub(crate) fn list(&self) -> clap_input_events {
        unsafe extern "C" fn size(list: *const clap_input_events) -> u32 {
            // SAFETY: made below only.
            unsafe { (*(*list).ctx.cast::<Events>()).headers.len() as u32 }
        }
        unsafe extern "C" fn get(
            list: *const clap_input_events,
            index: u32,
        ) -> *const clap_event_header {
            // SAFETY: made below only.
            let headers = unsafe { &(*(*list).ctx.cast::<Events>()).headers };
            headers.get(index as usize).copied().unwrap_or(null())
        }
        clap_input_events {
            ctx: from_ref(self).cast_mut().cast(),
            size: Some(size),
            get: Some(get),
        }
    }
}

/// A list that takes what the plug-in says and forgets it.
pub(crate) fn no_output() -> clap_output_events {
    unsafe extern "C" fn push(_: *const clap_output_events, _: *const clap_event_header) -> bool {
        true
    }
    clap_output_events { ctx: null_mut(), try_push: Some(push) }
}

/// A list that counts how often a hand was laid on a parameter, and forgets the rest. It must not
/// outlive the count.
pub(crate) fn counts_edits(edits: &AtomicUsize) -> clap_output_events {
    unsafe extern "C" fn push(
        list: *const clap_output_events,
        event: *const clap_event_header,
    ) -> bool {
        // SAFETY: made below only; the plug-in passes a whole event.
        unsafe {
            let kind = ((*event).space_id, (*event).type_);
            if kind == (CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_PARAM_GESTURE_BEGIN) {
                (*(*list).ctx.cast::<AtomicUsize>()).fetch_add(1, Ordering::SeqCst);
            }
        }
        true
    }
    clap_output_events { ctx: from_ref(edits).cast_mut().cast(), try_push: Some(push) }
}

struct Pieces {
    bytes: Vec<u8>,
    at: usize,
    piece: usize,
}

impl Pieces {
    unsafe extern "C" fn read(stream: *const clap_istream, buffer: *mut c_void, size: u64) -> i64 {
        // SAFETY: the stream is one of ours, and the plug-in has room for `size` bytes.
        unsafe {
            let pieces = &mut *(*stream).ctx.cast::<Self>();
            let length = pieces.piece.min(size as usize).min(pieces.bytes.len() - pieces.at);
            let from = pieces.bytes[pieces.at..].as_ptr();
            from.copy_to_nonoverlapping(buffer.cast(), length);
            pieces.at += length;
            length as i64
        }
    }

    unsafe extern "C" fn write(
        stream: *const clap_ostream,
        buffer: *const c_void,
        size: u64,
    ) -> i64 {
        // SAFETY: the stream is one of ours, and the plug-in has `size` bytes there.
        unsafe {
            let pieces = &mut *(*stream).ctx.cast::<Self>();
            let length = pieces.piece.min(size as usize);
            pieces.bytes.extend(std::slice::from_raw_parts(buffer.cast::<u8>(), length));
            length as i64
        }
    }
}

/// The host's side, which counts into `asked`.
fn host(asked: &'static Asked) -> clap_host {
    unsafe fn asked_of<'a>(host: *const clap_host) -> &'a Asked {
        // SAFETY: the plug-in passes the host it was given.
        unsafe { &*(*host).host_data.cast() }
    }
    unsafe extern "C" fn request_callback(host: *const clap_host) {
        // SAFETY: as above, here and below.
        unsafe { asked_of(host) }.callbacks.fetch_add(1, Ordering::SeqCst);
    }
    unsafe extern "C" fn request_restart(host: *const clap_host) {
        // SAFETY: as above.
        unsafe { asked_of(host) }.restarts.fetch_add(1, Ordering::SeqCst);
    }
    unsafe extern "C" fn request_process(_: *const clap_host) {}
    unsafe extern "C" fn rescan(host: *const clap_host, _: u32) {
        // SAFETY: as above.
        unsafe { asked_of(host) }.rescans.fetch_add(1, Ordering::SeqCst);
    }
    unsafe extern "C" fn clear(_: *const clap_host, _: u32, _: u32) {}
    unsafe extern "C" fn request_flush(_: *const clap_host) {}
    static PARAMS: clap_host_params = clap_host_params {
        rescan: Some(rescan),
        clear: Some(clear),
        request_flush: Some(request_flush),
    };
    unsafe extern "C" fn say_nothing(_: *const clap_host) {}
    unsafe extern "C" fn resize(_: *const clap_host, _: u32, _: u32) -> bool {
        false
    }
    unsafe extern "C" fn refuse(_: *const clap_host) -> bool {
        false
    }
    unsafe extern "C" fn closed(_: *const clap_host, _: bool) {}
    static GUI: clap_host_gui = clap_host_gui {
        resize_hints_changed: Some(say_nothing),
        request_resize: Some(resize),
        request_show: Some(refuse),
        request_hide: Some(refuse),
        closed: Some(closed),
    };
    unsafe extern "C" fn get_extension(_: *const clap_host, id: *const c_char) -> *const c_void {
        // SAFETY: the plug-in passes a text.
        let id = unsafe { CStr::from_ptr(id) };
        match () {
            () if id == CLAP_EXT_PARAMS => from_ref(&PARAMS).cast(),
            () if id == CLAP_EXT_GUI => from_ref(&GUI).cast(),
            () => null(),
        }
    }
    clap_host {
        clap_version: CLAP_VERSION,
        host_data: from_ref(asked).cast_mut().cast(),
        name: c"Tenon's tests".as_ptr(),
        vendor: c"Tenon".as_ptr(),
        url: c"".as_ptr(),
        version: c"1".as_ptr(),
        get_extension: Some(get_extension),
        request_restart: Some(request_restart),
        request_process: Some(request_process),
        request_callback: Some(request_callback),
    }
}
