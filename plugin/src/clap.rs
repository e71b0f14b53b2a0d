//! The CLAP export: that of the framework, with one repair.
//!
//! A host may switch to rendering offline while audio runs (CLAP 1.2, `ext/render.h`). The framework
//! then asks for a restart, and tells the plug-in when it comes; until then a render would go on as
//! live audio does. So each instance is shown, when it is made, where the mode is kept. Knows nothing
//! of parameters, engine or editor.
#![allow(unsafe_code)] // the CLAP interfaces are C

use std::cell::RefCell;
use std::ffi::{CStr, c_char, c_void};
use std::marker::PhantomData;
use std::sync::{Arc, OnceLock};

use nice_plug::prelude::{ClapPlugin, ProcessMode};
use nice_plug::wrapper::clap::{
    CLAP_PLUGIN_FACTORY_ID, PluginDescriptor, Wrapper, clap_host, clap_plugin,
    clap_plugin_descriptor, clap_plugin_factory,
};

/// Makes what hosts look for in the library.
macro_rules! export {
    ($plugin:ty) => {
        /// Where CLAP hosts begin.
        #[unsafe(no_mangle)]
        #[used]
        #[allow(unsafe_code)] // only the name is; nothing else has it
        pub static clap_entry: nice_plug::wrapper::clap::clap_plugin_entry =
            nice_plug::wrapper::clap::clap_plugin_entry {
                clap_version: nice_plug::wrapper::clap::CLAP_VERSION,
                init: Some($crate::clap::loaded::<$plugin>),
                deinit: Some($crate::clap::unloads),
                get_factory: Some($crate::clap::factory::<$plugin>),
            };
    };
}
pub(crate) use export;

/// What the host does at this moment, if it can be asked. Asking neither waits nor allocates.
#[derive(Clone, Default)]
pub(crate) struct Mode(Arc<OnceLock<Box<dyn Fn() -> ProcessMode + Send + Sync>>>);

thread_local! {
    /// The mode of the instance that is being made.
    static MAKING: RefCell<Option<Mode>> = const { RefCell::new(None) };
}

impl Mode {
    /// For an instance that is being made, on the thread that makes it.
    pub(crate) fn of_new_instance() -> Self {
        let mode = Self::default();
        MAKING.set(Some(mode.clone()));
        mode
    }

    /// Whether the host renders offline; none where it cannot be asked.
    pub(crate) fn is_offline(&self) -> Option<bool> {
        self.0.get().map(|mode| mode() == ProcessMode::Offline)
    }
}

pub(crate) extern "C" fn loaded<P: ClapPlugin>(_path: *const c_char) -> bool {
    nice_plug::wrapper::setup_logger::<P>();
    true
}

pub(crate) extern "C" fn unloads() {}

pub(crate) extern "C" fn factory<P: ClapPlugin>(id: *const c_char) -> *const c_void {
    // SAFETY: hosts pass a string that ends with a zero.
    if id.is_null() || unsafe { CStr::from_ptr(id) } != CLAP_PLUGIN_FACTORY_ID {
        return std::ptr::null();
    }
    std::ptr::from_ref(&Factory::<P>::TABLE).cast()
}

/// The factory of the one plug-in there is.
struct Factory<P>(PhantomData<P>);

static DESCRIPTOR: OnceLock<PluginDescriptor> = OnceLock::new();

impl<P: ClapPlugin> Factory<P> {
    const TABLE: clap_plugin_factory = clap_plugin_factory {
        get_plugin_count: Some(Self::count),
        get_plugin_descriptor: Some(Self::describe),
        create_plugin: Some(Self::create),
    };

    fn descriptor() -> &'static PluginDescriptor {
        DESCRIPTOR.get_or_init(PluginDescriptor::for_plugin::<P>)
    }

    unsafe extern "C" fn count(_factory: *const clap_plugin_factory) -> u32 {
        1
    }

    unsafe extern "C" fn describe(
        _factory: *const clap_plugin_factory,
        index: u32,
    ) -> *const clap_plugin_descriptor {
        match index {
            0 => Self::descriptor().clap_plugin_descriptor(),
            _ => std::ptr::null(),
        }
    }

    unsafe extern "C" fn create(
        _factory: *const clap_plugin_factory,
        host: *const clap_host,
        id: *const c_char,
    ) -> *const clap_plugin {
        // SAFETY: hosts pass a string that ends with a zero.
        if id.is_null() || unsafe { CStr::from_ptr(id) } != Self::descriptor().clap_id() {
            return std::ptr::null();
        }
        // SAFETY: hosts pass themselves, and outlive the instance.
        let wrapper = unsafe { Wrapper::<P>::new(host) };
        if let Some(mode) = MAKING.take() {
            let wrapper = Arc::downgrade(&wrapper);
            let now = move || {
                let wrapper = wrapper.upgrade();
                wrapper.map_or(ProcessMode::Realtime, |wrapper| wrapper.current_process_mode.load())
            };
            // Cannot be set already: the instance is new.
            let _ = mode.0.set(Box::new(now));
        }
        // SAFETY: the framework takes the reference back when the host destroys the plug-in.
        unsafe { (*Arc::into_raw(wrapper)).clap_plugin.as_ptr() }
    }
}
