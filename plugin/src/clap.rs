//! The CLAP export: that of the framework, with one addition.
//!
//! The framework knows of no menus of the host's. So an instance learns here which host it is made
//! for, and asks it for its menu by the extension `clap.context-menu` (CLAP, context-menu.h). Knows
//! nothing of parameters, engine or editor.
#![allow(unsafe_code)] // CLAP is C

use std::ffi::{CStr, c_char, c_void};
use std::ptr::NonNull;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};

use clap_sys::ext::context_menu::{
    CLAP_CONTEXT_MENU_TARGET_KIND_PARAM, CLAP_EXT_CONTEXT_MENU, CLAP_EXT_CONTEXT_MENU_COMPAT,
    clap_context_menu_target, clap_host_context_menu,
};
use clap_sys::factory::plugin_factory::{CLAP_PLUGIN_FACTORY_ID, clap_plugin_factory};
use clap_sys::host::clap_host;
use clap_sys::plugin::{clap_plugin, clap_plugin_descriptor};
use nice_plug::prelude::ClapPlugin;
use nice_plug::wrapper::clap::{PluginDescriptor, Wrapper};

use crate::host_menu::{self, Format};

/// Makes what hosts look for in the library.
macro_rules! export {
    ($plugin:ty) => {
        /// Where CLAP hosts begin.
        #[unsafe(no_mangle)]
        #[used]
        #[allow(unsafe_code)] // only the name is; no other symbol has it
        pub static clap_entry: clap_sys::entry::clap_plugin_entry =
            clap_sys::entry::clap_plugin_entry {
                clap_version: clap_sys::version::CLAP_VERSION,
                init: Some($crate::clap::loaded::<$plugin>),
                deinit: Some($crate::clap::unloads),
                get_factory: Some($crate::clap::factory::<$plugin>),
            };
    };
}
pub(crate) use export;

/// A host has loaded the library.
pub(crate) extern "C" fn loaded<P: ClapPlugin>(_path: *const c_char) -> bool {
    nice_plug::wrapper::setup_logger::<P>();
    true
}

/// A host is about to unload the library.
pub(crate) extern "C" fn unloads() {}

/// What a host asks for by its id: the factory of the one plug-in, or nothing.
pub(crate) extern "C" fn factory<P: ClapPlugin>(id: *const c_char) -> *const c_void {
    // SAFETY: the host passes a string or nothing.
    if id.is_null() || unsafe { CStr::from_ptr(id) } != CLAP_PLUGIN_FACTORY_ID {
        return std::ptr::null();
    }
    let factory: &'static clap_plugin_factory = const {
        &clap_plugin_factory {
            get_plugin_count: Some(count),
            get_plugin_descriptor: Some(describe::<P>),
            create_plugin: Some(create::<P>),
        }
    };
    std::ptr::from_ref(factory).cast()
}

/// The description of the one plug-in that this library exports.
fn descriptor<P: ClapPlugin>() -> &'static PluginDescriptor {
    static DESCRIPTOR: OnceLock<PluginDescriptor> = OnceLock::new();
    DESCRIPTOR.get_or_init(PluginDescriptor::for_plugin::<P>)
}

unsafe extern "C" fn count(_factory: *const clap_plugin_factory) -> u32 {
    1
}

unsafe extern "C" fn describe<P: ClapPlugin>(
    _factory: *const clap_plugin_factory,
    index: u32,
) -> *const clap_plugin_descriptor {
    match index {
        0 => descriptor::<P>().clap_plugin_descriptor(),
        _ => std::ptr::null(),
    }
}

unsafe extern "C" fn create<P: ClapPlugin>(
    _factory: *const clap_plugin_factory,
    host: *const clap_host,
    id: *const c_char,
) -> *const clap_plugin {
    let Some(known) = NonNull::new(host.cast_mut()) else { return std::ptr::null() };
    // SAFETY: the host passes a string or nothing.
    if id.is_null() || unsafe { CStr::from_ptr(id) } != descriptor::<P>().clap_id() {
        return std::ptr::null();
    }
    let menu = Arc::new(Menu { host: known, offered: AtomicBool::new(false) });
    host_menu::of_format(menu, || {
        // SAFETY: the host outlives its instances. The framework takes the reference back when the
        // instance is destroyed.
        unsafe { (*Arc::into_raw(Wrapper::<P>::new(host))).clap_plugin.as_ptr() }
    })
}

/// The menu of the host of one instance.
struct Menu {
    host: NonNull<clap_host>,
    offered: AtomicBool,
}

// SAFETY: the host is only called where `Format` says that it may be.
unsafe impl Send for Menu {}
// SAFETY: as above.
unsafe impl Sync for Menu {}

impl Menu {
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

impl Format for Menu {
    fn offers(&self) -> bool {
        self.offered.load(Ordering::Acquire)
    }

    fn look(&self) {
        let can_open = |functions: clap_host_context_menu| {
            functions.popup?;
            // SAFETY: this is the host's main thread, and the instance lives.
            Some(unsafe { functions.can_popup?(self.host.as_ptr()) })
        };
        let offered = self.functions().and_then(can_open).unwrap_or(false);
        self.offered.store(offered, Ordering::Release);
    }

    fn open(&self, parameter: u32, (x, y): (i32, i32)) -> bool {
        // Means nothing for a window within the host's.
        const SCREEN: i32 = 0;
        let target =
            clap_context_menu_target { kind: CLAP_CONTEXT_MENU_TARGET_KIND_PARAM, id: parameter };
        let popup = self.functions().and_then(|functions| functions.popup);
        // SAFETY: this is the host's main thread, and the instance lives.
        popup.is_some_and(|popup| unsafe { popup(self.host.as_ptr(), &target, SCREEN, x, y) })
    }
}
