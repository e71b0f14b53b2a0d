//! The CLAP export: that of the framework, with repairs of what it takes from a host on trust.
//!
//! It reads the key's port even when the host passes fewer ports than the plug-in has, takes channels
//! that are null for real ones, writes past the block when an event lies behind its end, and leaves
//! the host's constant mask on outputs as it was (CLAP 1.2, `clap/process.h`, `clap/audio-buffer.h`,
//! `clap/events.h`). Here it is handed blocks in which none of that occurs.
//!
//! A host may switch to rendering offline while audio runs (`ext/render.h`). The framework then asks for
//! a restart, and tells the plug-in when it comes; until then a render would go on as live audio does. So
//! each instance is shown where the mode is kept. And as the framework knows of no menus of the host's, an
//! instance learns here which host it is made for, and asks it for its menu (`ext/context-menu.h`). Knows
//! nothing of parameters, engine or editor.
#![allow(unsafe_code)] // the CLAP interfaces are C

use std::cell::UnsafeCell;
use std::ffi::{CStr, c_char, c_void};
use std::marker::PhantomData;
use std::mem::MaybeUninit;
use std::ptr::NonNull;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};

use clap_sys::audio_buffer::clap_audio_buffer;
use clap_sys::entry::clap_plugin_entry;
use clap_sys::events::{
    CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_PARAM_MOD, CLAP_EVENT_PARAM_VALUE, clap_event_header,
    clap_event_param_mod, clap_event_param_value, clap_input_events,
};
use clap_sys::ext::context_menu::{
    CLAP_CONTEXT_MENU_TARGET_KIND_PARAM, CLAP_EXT_CONTEXT_MENU, CLAP_EXT_CONTEXT_MENU_COMPAT,
    clap_context_menu_target, clap_host_context_menu,
};
use clap_sys::factory::plugin_factory::{CLAP_PLUGIN_FACTORY_ID, clap_plugin_factory};
use clap_sys::host::clap_host;
use clap_sys::plugin::{clap_plugin, clap_plugin_descriptor};
use clap_sys::process::{CLAP_PROCESS_ERROR, clap_process, clap_process_status};
use clap_sys::version::CLAP_VERSION;
use nice_plug::prelude::{ClapPlugin, ProcessMode};
use nice_plug::wrapper::clap::{PluginDescriptor, Wrapper};

use crate::format::{self, Format};

/// Makes what hosts look for in the library.
macro_rules! export {
    ($plugin:ty) => {
        /// Where CLAP hosts begin.
        #[unsafe(no_mangle)]
        #[used]
        #[allow(unsafe_code)] // only the name is; no other symbol has it
        pub static clap_entry: clap_sys::entry::clap_plugin_entry =
            $crate::clap::Export::<$plugin>::ENTRY;
    };
}
pub(crate) use export;

/// The export of the one type of plug-in that there is.
pub(crate) struct Export<P>(PhantomData<P>);

impl<P: ClapPlugin> Export<P> {
    /// What the host finds in the library.
    pub(crate) const ENTRY: clap_plugin_entry = clap_plugin_entry {
        clap_version: CLAP_VERSION,
        init: Some(Self::init),
        deinit: Some(Self::deinit),
        get_factory: Some(Self::get_factory),
    };
    const FACTORY: &'static clap_plugin_factory = &clap_plugin_factory {
        get_plugin_count: Some(Self::get_plugin_count),
        get_plugin_descriptor: Some(Self::get_plugin_descriptor),
        create_plugin: Some(Self::create_plugin),
    };

    fn descriptor() -> &'static PluginDescriptor {
        static DESCRIPTOR: OnceLock<PluginDescriptor> = OnceLock::new();
        DESCRIPTOR.get_or_init(PluginDescriptor::for_plugin::<P>)
    }

    unsafe extern "C" fn init(_path: *const c_char) -> bool {
        nice_plug::wrapper::setup_logger::<P>();
        true
    }

    unsafe extern "C" fn deinit() {}

    unsafe extern "C" fn get_factory(id: *const c_char) -> *const c_void {
        // SAFETY: the host passes null or a text.
        let is_ours = !id.is_null() && unsafe { CStr::from_ptr(id) } == CLAP_PLUGIN_FACTORY_ID;
        if is_ours { std::ptr::from_ref(Self::FACTORY).cast() } else { std::ptr::null() }
    }

    unsafe extern "C" fn get_plugin_count(_factory: *const clap_plugin_factory) -> u32 {
        1
    }

    unsafe extern "C" fn get_plugin_descriptor(
        _factory: *const clap_plugin_factory,
        index: u32,
    ) -> *const clap_plugin_descriptor {
        match index {
            0 => Self::descriptor().clap_plugin_descriptor(),
            _ => std::ptr::null(),
        }
    }

    unsafe extern "C" fn create_plugin(
        _factory: *const clap_plugin_factory,
        host: *const clap_host,
        id: *const c_char,
    ) -> *const clap_plugin {
        let Some(known) = NonNull::new(host.cast_mut()) else { return std::ptr::null() };
        // SAFETY: the host passes null or a text.
        let is_ours =
            !id.is_null() && unsafe { CStr::from_ptr(id) } == Self::descriptor().clap_id();
        if !is_ours {
            return std::ptr::null();
        }
        let in_clap = Arc::new(InClap::new(known));
        // SAFETY: the host outlives its plug-ins.
        let wrapper = format::with(in_clap.clone(), || unsafe { Wrapper::<P>::new(host) });
        let weak = Arc::downgrade(&wrapper);
        let mode = move || {
            let wrapper = weak.upgrade();
            wrapper.map_or(ProcessMode::Realtime, |wrapper| wrapper.current_process_mode.load())
        };
        // Cannot be set already: the instance is new.
        let _ = in_clap.mode.set(Box::new(mode));
        // SAFETY: the instance is given back by the framework's `destroy`; until it is handed out here
        // nobody else holds the table that is changed.
        unsafe {
            let plugin = (*Arc::into_raw(wrapper)).clap_plugin.as_ptr();
            if let Some(own) = (*plugin).process {
                OWN_PROCESS.get_or_init(|| own);
                (*plugin).process = Some(process);
            }
            plugin
        }
    }
}

type Process = unsafe extern "C" fn(*const clap_plugin, *const clap_process) -> clap_process_status;

/// The framework's function that [`process`] stands before, the same for every instance.
static OWN_PROCESS: OnceLock<Process> = OnceLock::new();

/// Stands before the framework's function.
unsafe extern "C" fn process(
    plugin: *const clap_plugin,
    process: *const clap_process,
) -> clap_process_status {
    let Some(own) = OWN_PROCESS.get() else { return CLAP_PROCESS_ERROR };
    // SAFETY: as the host passed it.
    unsafe { repaired(process, |block| own(plugin, block)) }
}

/// Hands a block on without what the framework trips over: a port that is missing or lacks channels
/// has none, events lie within the block.
///
/// # Safety
/// `process` is null or what a host passes.
unsafe fn repaired(
    process: *const clap_process,
    hand_on: impl FnOnce(&clap_process) -> clap_process_status,
) -> clap_process_status {
    /// Input ports of the layout that has most: main and key.
    const INPUTS: usize = 2;
    if process.is_null() {
        return CLAP_PROCESS_ERROR;
    }
    // SAFETY: the host passes a whole `clap_process`, as many ports as it says, and for each an array
    // of as many pointers as it has channels. The copies live until the framework returns.
    unsafe {
        let mut block = *process;
        let outputs = match block.audio_outputs.is_null() {
            true => 0,
            false => block.audio_outputs_count as usize,
        };
        for index in 0..outputs {
            // What is written here is no constant, whatever the host left in the mask.
            (*block.audio_outputs.add(index)).constant_mask = 0;
        }
        let main_outputs = match outputs {
            0 => 0,
            _ if has_null(&*block.audio_outputs) => 0,
            _ => (*block.audio_outputs).channel_count,
        };
        if main_outputs == 0 {
            // Without outputs the framework takes up parameters and leaves it at that.
            block.audio_outputs_count = 0;
        }
        let mut inputs = [without_channels(); INPUTS];
        if !block.audio_inputs.is_null() {
            let passed = inputs.iter_mut().take(block.audio_inputs_count as usize);
            for (index, input) in passed.enumerate() {
                let port = *block.audio_inputs.add(index);
                if !has_null(&port) {
                    *input = port;
                }
            }
        }
        // The framework copies each input channel to the output channel of the same number.
        inputs[0].channel_count = inputs[0].channel_count.min(main_outputs);
        block.audio_inputs = inputs.as_ptr();
        block.audio_inputs_count = INPUTS as u32;

        let events = Events {
            host: block.in_events,
            last: block.frames_count.saturating_sub(1),
            moved: UnsafeCell::new(MaybeUninit::uninit()),
        };
        let list = clap_input_events {
            ctx: std::ptr::from_ref(&events).cast_mut().cast(),
            size: Some(Events::size),
            get: Some(Events::get),
        };
        if !block.in_events.is_null() {
            block.in_events = &list;
        }
        hand_on(&block)
    }
}

/// A port without channels. The framework takes it for silence; without the array it would leave in
/// the output what the host had there.
fn without_channels() -> clap_audio_buffer {
    clap_audio_buffer {
        data32: std::ptr::NonNull::dangling().as_ptr(),
        data64: std::ptr::null_mut(),
        channel_count: 0,
        latency: 0,
        constant_mask: 0,
    }
}

/// Whether a port lacks the samples of a channel.
///
/// # Safety
/// The port has an array of as many pointers as channels, or none.
unsafe fn has_null(port: &clap_audio_buffer) -> bool {
    let channels = port.data32;
    // SAFETY: see above.
    channels.is_null()
        || (0..port.channel_count as usize).any(|n| unsafe { (*channels.add(n)).is_null() })
}

/// An event that sets or modulates a parameter.
#[repr(C)]
union Moved {
    value: clap_event_param_value,
    modulation: clap_event_param_mod,
}

/// The events of a block, those behind its end brought to its last frame.
struct Events {
    host: *const clap_input_events,
    /// The last frame of the block.
    last: u32,
    /// Room for the event asked for last.
    moved: UnsafeCell<MaybeUninit<Moved>>,
}

impl Events {
    unsafe extern "C" fn size(list: *const clap_input_events) -> u32 {
        // SAFETY: only `process` makes such a list, over events that outlive it.
        unsafe {
            let events = &*(*list).ctx.cast::<Self>();
            (*events.host).size.map_or(0, |size| size(events.host))
        }
    }

    unsafe extern "C" fn get(
        list: *const clap_input_events,
        index: u32,
    ) -> *const clap_event_header {
        // SAFETY: as above. The framework is done with a parameter's event when it asks for the next
        // one, and it skips null. Events of the core's kinds have the core's layouts.
        unsafe {
            let events = &*(*list).ctx.cast::<Self>();
            let Some(get) = (*events.host).get else { return std::ptr::null() };
            let event = get(events.host, index);
            if event.is_null() || (*event).time <= events.last {
                return event;
            }
            let moved = events.moved.get().cast::<Moved>();
            match ((*event).space_id, (*event).type_) {
                (CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_PARAM_VALUE) => {
                    (*moved).value = *event.cast();
                    (*moved).value.header.time = events.last;
                }
                (CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_PARAM_MOD) => {
                    (*moved).modulation = *event.cast();
                    (*moved).modulation.header.time = events.last;
                }
                _ => return std::ptr::null(),
            }
            moved.cast()
        }
    }
}

/// What one instance knows of its host.
struct InClap {
    host: NonNull<clap_host>,
    /// Whether the host renders offline or plays.
    mode: OnceLock<Box<dyn Fn() -> ProcessMode + Send + Sync>>,
    /// Whether the host has a menu.
    has_menu: AtomicBool,
}

// SAFETY: the host is only called where `Format` says that it may be.
unsafe impl Send for InClap {}
// SAFETY: as above.
unsafe impl Sync for InClap {}

impl InClap {
    fn new(host: NonNull<clap_host>) -> Self {
        Self { host, mode: OnceLock::new(), has_menu: AtomicBool::new(false) }
    }

    /// The host's functions. Only while the instance lives.
    fn functions(&self) -> Option<clap_host_context_menu> {
        let host = self.host.as_ptr();
        // SAFETY: the host lives as long as the instance. It gives the functions of an extension,
        // or null.
        unsafe {
            let extension = (*host).get_extension?;
            [CLAP_EXT_CONTEXT_MENU, CLAP_EXT_CONTEXT_MENU_COMPAT].into_iter().find_map(|id| {
                extension(host, id.as_ptr()).cast::<clap_host_context_menu>().as_ref().copied()
            })
        }
    }
}

impl Format for InClap {
    fn is_offline(&self) -> Option<bool> {
        self.mode.get().map(|mode| mode() == ProcessMode::Offline)
    }

    fn has_menu(&self) -> bool {
        self.has_menu.load(Ordering::Acquire)
    }

    fn look_for_menu(&self) {
        let can_open = |functions: clap_host_context_menu| {
            functions.popup?;
            // SAFETY: this is the host's main thread, and the instance lives.
            Some(unsafe { functions.can_popup?(self.host.as_ptr()) })
        };
        let has_menu = self.functions().and_then(can_open).unwrap_or(false);
        self.has_menu.store(has_menu, Ordering::Release);
    }

    fn open_menu(&self, parameter: u32, (x, y): (i32, i32)) -> bool {
        // Means nothing for a window within the host's.
        const SCREEN: i32 = 0;
        let target =
            clap_context_menu_target { kind: CLAP_CONTEXT_MENU_TARGET_KIND_PARAM, id: parameter };
        let popup = self.functions().and_then(|functions| functions.popup);
        // SAFETY: this is the host's main thread, and the instance lives.
        popup.is_some_and(|popup| unsafe { popup(self.host.as_ptr(), &target, SCREEN, x, y) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap_sys::events::{CLAP_EVENT_NOTE_ON, clap_event_note};
    use clap_sys::process::CLAP_PROCESS_CONTINUE;
    use std::ptr::{from_ref, null, null_mut};
    use std::sync::atomic::AtomicUsize;

    const FRAMES: usize = 64;

    /// What is there, and told to be there, of a port.
    fn port(channels: &mut [*mut f32]) -> clap_audio_buffer {
        let channel_count = channels.len() as u32;
        clap_audio_buffer { data32: channels.as_mut_ptr(), channel_count, ..without_channels() }
    }

    fn block(inputs: &[clap_audio_buffer], outputs: &mut [clap_audio_buffer]) -> clap_process {
        clap_process {
            steady_time: -1,
            frames_count: FRAMES as u32,
            transport: null(),
            audio_inputs: inputs.as_ptr(),
            audio_outputs: outputs.as_mut_ptr(),
            audio_inputs_count: inputs.len() as u32,
            audio_outputs_count: outputs.len() as u32,
            in_events: null(),
            out_events: null(),
        }
    }

    /// Reads and writes all that a block hands on, as the framework does; gives the channels of
    /// inputs and outputs.
    fn touched(block: &clap_process) -> [Vec<u32>; 2] {
        let mut counts = [Vec::new(), Vec::new()];
        // SAFETY: that this is sound is what is tested.
        let handed_on = |block: &clap_process| unsafe {
            for n in 0..block.audio_inputs_count as usize {
                let port = *block.audio_inputs.add(n);
                for channel in 0..port.channel_count as usize {
                    let samples = *port.data32.add(channel);
                    assert!(std::slice::from_raw_parts(samples, FRAMES).iter().all(|x| *x == 1.0));
                }
                counts[0].push(port.channel_count);
            }
            for n in 0..block.audio_outputs_count as usize {
                let port = *block.audio_outputs.add(n);
                assert_eq!(port.constant_mask, 0);
                for channel in 0..port.channel_count as usize {
                    std::slice::from_raw_parts_mut(*port.data32.add(channel), FRAMES).fill(0.5);
                }
                counts[1].push(port.channel_count);
            }
            CLAP_PROCESS_CONTINUE
        };
        // SAFETY: as above.
        assert_eq!(unsafe { repaired(block, handed_on) }, CLAP_PROCESS_CONTINUE);
        counts
    }

    #[test]
    fn a_block_that_is_null_is_refused() {
        // SAFETY: null may be passed.
        let status = unsafe { repaired(null(), |_| unreachable!("there is nothing to hand on")) };
        assert_eq!(status, CLAP_PROCESS_ERROR);
    }

    #[test]
    fn channels_that_are_missing_or_null_are_never_touched() {
        let mut sound = [vec![1.0_f32; FRAMES], vec![1.0_f32; FRAMES]];
        let mut out = [vec![0.0_f32; FRAMES], vec![0.0_f32; FRAMES]];
        let mut stereo = sound.each_mut().map(|channel| channel.as_mut_ptr());
        let mut half = [stereo[0], null_mut()];
        let mut outs = out.each_mut().map(|channel| channel.as_mut_ptr());
        let mut half_out = [outs[0], null_mut()];
        let untold = clap_audio_buffer { data32: null_mut(), channel_count: 2, ..port(&mut []) };
        let constant = clap_audio_buffer { constant_mask: 3, ..port(&mut outs) };

        let main = port(&mut stereo);
        let half = port(&mut half);
        for (inputs, expected) in [
            (&[][..], [0, 0]),
            (&[main], [2, 0]),
            (&[main, main], [2, 2]),
            (&[main, main, main], [2, 2]),
            (&[half, main], [0, 2]),
            (&[main, half], [2, 0]),
            (&[untold, untold], [0, 0]),
        ] {
            assert_eq!(touched(&block(inputs, &mut [constant])), [expected.to_vec(), vec![2]]);
        }
        // Told, and not there.
        let (inputs, mut outputs) = ([main, main], [constant]);
        let told = clap_process { audio_inputs: null(), ..block(&inputs, &mut outputs) };
        assert_eq!(touched(&told)[0], [0, 0]);
        // Without outputs nothing is copied anywhere.
        for outputs in [&mut [][..], &mut [untold], &mut [port(&mut half_out)]] {
            assert_eq!(touched(&block(&[main, main], outputs)), [vec![0, 2], vec![]]);
        }
        let told = clap_process { audio_outputs: null_mut(), ..block(&inputs, &mut outputs) };
        assert_eq!(touched(&told), [vec![0, 2], vec![]]);
        // Into one channel goes one.
        assert_eq!(touched(&block(&[main], &mut [port(&mut outs[..1])])), [vec![1, 0], vec![1]]);
        assert!(out.iter().flatten().all(|x| *x == 0.5));
    }

    fn header(size: usize, time: u32, space_id: u16, type_: u16) -> clap_event_header {
        clap_event_header { size: size as u32, time, space_id, type_, flags: 0 }
    }

    fn value(time: u32, space_id: u16) -> clap_event_param_value {
        let size = size_of::<clap_event_param_value>();
        clap_event_param_value {
            header: header(size, time, space_id, CLAP_EVENT_PARAM_VALUE),
            param_id: 7,
            cookie: null_mut(),
            note_id: -1,
            port_index: -1,
            channel: -1,
            key: -1,
            value: 0.25,
        }
    }

    /// The events of a host, any of them null.
    type List = Vec<*const clap_event_header>;

    unsafe extern "C" fn size(list: *const clap_input_events) -> u32 {
        // SAFETY: made below only.
        unsafe { (&*(*list).ctx.cast::<List>()).len() as u32 }
    }

    unsafe extern "C" fn get(
        list: *const clap_input_events,
        index: u32,
    ) -> *const clap_event_header {
        // SAFETY: made below only.
        unsafe { (&*(*list).ctx.cast::<List>())[index as usize] }
    }

    #[test]
    fn events_that_are_handed_on_lie_within_the_block() {
        let size_of_mod = size_of::<clap_event_param_mod>();
        let (within, late) =
            (value(5, CLAP_CORE_EVENT_SPACE_ID), value(99, CLAP_CORE_EVENT_SPACE_ID));
        let foreign = value(99, 12);
        let modulation = clap_event_param_mod {
            header: header(size_of_mod, 64, CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_PARAM_MOD),
            param_id: 8,
            cookie: null_mut(),
            note_id: -1,
            port_index: -1,
            channel: -1,
            key: -1,
            amount: -0.5,
        };
        let note = clap_event_note {
            header: header(
                size_of::<clap_event_note>(),
                64,
                CLAP_CORE_EVENT_SPACE_ID,
                CLAP_EVENT_NOTE_ON,
            ),
            note_id: -1,
            port_index: 0,
            channel: 0,
            key: 60,
            velocity: 1.0,
        };
        let list: List = vec![
            from_ref(&within).cast(),
            from_ref(&late).cast(),
            from_ref(&foreign).cast(),
            from_ref(&modulation).cast(),
            from_ref(&note).cast(),
            null(),
        ];
        let ctx = from_ref(&list).cast_mut().cast();
        let host = clap_input_events { ctx, size: Some(size), get: Some(get) };
        let mut told = block(&[], &mut []);
        told.in_events = &host;
        let mut seen = Vec::new();
        // SAFETY: that this is sound is what is tested.
        let status = unsafe {
            repaired(&told, |block| {
                let list = block.in_events;
                for index in 0..(*list).size.unwrap()(list) {
                    let event = (*list).get.unwrap()(list, index);
                    if !event.is_null() {
                        let what = match (*event).type_ {
                            CLAP_EVENT_PARAM_VALUE => {
                                (*event.cast::<clap_event_param_value>()).value
                            }
                            _ => (*event.cast::<clap_event_param_mod>()).amount,
                        };
                        seen.push((index, (*event).time, what));
                    }
                }
                CLAP_PROCESS_CONTINUE
            })
        };
        assert_eq!(status, CLAP_PROCESS_CONTINUE);
        assert_eq!(seen, [(0, 5, 0.25), (1, 63, 0.25), (3, 63, -0.5)]);
        // A list without functions is empty.
        let empty = clap_input_events { ctx: null_mut(), size: None, get: None };
        told.in_events = &empty;
        // SAFETY: as above.
        let status = unsafe {
            repaired(&told, |block| {
                let list = block.in_events;
                assert_eq!((*list).size.unwrap()(list), 0);
                assert!((*list).get.unwrap()(list, 0).is_null());
                CLAP_PROCESS_CONTINUE
            })
        };
        assert_eq!(status, CLAP_PROCESS_CONTINUE);
    }

    /// Menus that were opened by [`popup`].
    static OPENED: AtomicUsize = AtomicUsize::new(0);

    unsafe extern "C" fn can_popup(_: *const clap_host) -> bool {
        true
    }

    unsafe extern "C" fn popup(
        _: *const clap_host,
        target: *const clap_context_menu_target,
        _: i32,
        x: i32,
        y: i32,
    ) -> bool {
        // SAFETY: the plug-in passes a target.
        assert_eq!((unsafe { (*target).id }, x, y), (7, 3, 4));
        OPENED.fetch_add(1, Ordering::SeqCst);
        true
    }

    static MENU: clap_host_context_menu = clap_host_context_menu {
        populate: None,
        perform: None,
        can_popup: Some(can_popup),
        popup: Some(popup),
    };
    static UNABLE: clap_host_context_menu = clap_host_context_menu { popup: None, ..MENU };

    unsafe extern "C" fn with_menu(_: *const clap_host, id: *const c_char) -> *const c_void {
        // SAFETY: the plug-in passes a text.
        match unsafe { CStr::from_ptr(id) } == CLAP_EXT_CONTEXT_MENU {
            true => from_ref(&MENU).cast(),
            false => null(),
        }
    }

    unsafe extern "C" fn unable(_: *const clap_host, _: *const c_char) -> *const c_void {
        from_ref(&UNABLE).cast()
    }

    unsafe extern "C" fn without(_: *const clap_host, _: *const c_char) -> *const c_void {
        null()
    }

    #[test]
    fn the_hosts_menu_is_asked_for_where_there_is_one() {
        type Extension = unsafe extern "C" fn(*const clap_host, *const c_char) -> *const c_void;
        for (extension, has_menu) in [
            (None, false),
            (Some(without as Extension), false),
            (Some(unable as Extension), false),
            (Some(with_menu as Extension), true),
        ] {
            let host = clap_host {
                clap_version: CLAP_VERSION,
                host_data: null_mut(),
                name: null(),
                vendor: null(),
                url: null(),
                version: null(),
                get_extension: extension,
                request_restart: None,
                request_process: None,
                request_callback: None,
            };
            let in_clap = InClap::new(NonNull::from(&host));
            assert!(!in_clap.has_menu(), "nobody has looked");
            in_clap.look_for_menu();
            assert_eq!(in_clap.has_menu(), has_menu);
            assert_eq!(in_clap.open_menu(7, (3, 4)), has_menu);
            assert_eq!(in_clap.is_offline(), None);
        }
        assert_eq!(OPENED.load(Ordering::SeqCst), 1);
    }
}
