//! The VST3 export: that of the framework, with one repair and one addition.
//!
//! While an input is switched off, as hosts do with a key that nothing is connected to, a host may
//! hand over null for its channels (VST 3, `AudioBusBuffers` in ivstaudioprocessor.h). The
//! framework would read from there and take the host down, so it is given a bus without channels
//! instead, which it takes for silence.
//!
//! The framework knows of no menus of the host's. So an instance learns here which handler and view
//! it has, and asks for the menu by `IComponentHandler3` (VST 3, ivstcontextmenu.h). Knows nothing of
//! parameters, engine or editor.
#![allow(unsafe_code)] // the VST3 interfaces are C

use std::ffi::c_void;
use std::marker::PhantomData;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};

use nice_plug::prelude::Vst3Plugin;
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    AudioBusBuffers, IAudioProcessor, IAudioProcessorVtbl, IComponentHandler, IComponentHandler3,
    IComponentHandler3Trait, IContextMenuTrait, IEditController, IEditControllerVtbl, ProcessData,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    FIDString, FUnknown, IPlugView, IPluginFactory, IPluginFactory2, IPluginFactory2Trait,
    IPluginFactory3, IPluginFactory3Trait, IPluginFactoryTrait, PClassInfo, PClassInfo2,
    PClassInfoW, PFactoryInfo, TUID, int32, kInvalidArgument, kResultOk, tresult,
};
use nice_plug::wrapper::vst3::vst3::{Class, ComPtr, ComRef, ComWrapper};
use nice_plug::wrapper::vst3::{PluginInfo, Wrapper};

use crate::host_menu::{self, Format};

/// Makes the functions that hosts look for in the library.
macro_rules! export {
    ($plugin:ty) => {
        /// Where VST3 hosts begin.
        #[unsafe(no_mangle)]
        #[allow(unsafe_code)] // only the name is; no other function has it
        pub extern "system" fn GetPluginFactory() -> *mut std::ffi::c_void {
            $crate::vst3::factory::<$plugin>()
        }

        /// A VST3 host has loaded the library.
        #[cfg_attr(target_os = "windows", unsafe(export_name = "InitDll"))]
        #[cfg_attr(target_os = "macos", unsafe(export_name = "bundleEntry"))]
        #[cfg_attr(
            not(any(target_os = "windows", target_os = "macos")),
            unsafe(export_name = "ModuleEntry")
        )]
        #[allow(unsafe_code)]
        pub extern "system" fn vst3_loaded(
            #[cfg(not(target_os = "windows"))] _library: *mut std::ffi::c_void,
        ) -> bool {
            nice_plug::wrapper::setup_logger::<$plugin>();
            true
        }

        /// A VST3 host is about to unload the library.
        #[cfg_attr(target_os = "windows", unsafe(export_name = "ExitDll"))]
        #[cfg_attr(target_os = "macos", unsafe(export_name = "bundleExit"))]
        #[cfg_attr(
            not(any(target_os = "windows", target_os = "macos")),
            unsafe(export_name = "ModuleExit")
        )]
        #[allow(unsafe_code)]
        pub extern "system" fn vst3_unloads() -> bool {
            true
        }
    };
}
pub(crate) use export;

/// The factory that makes instances of a plug-in; the host releases it.
pub(crate) fn factory<P: Vst3Plugin>() -> *mut c_void {
    let factory = Factory { info: PluginInfo::for_plugin::<P>(), plugin: PhantomData::<P> };
    ComWrapper::new(factory)
        .to_com_ptr::<IPluginFactory>()
        .map_or(std::ptr::null_mut(), |factory| factory.into_raw().cast())
}

struct Factory<P> {
    info: PluginInfo,
    plugin: PhantomData<P>,
}

impl<P: Vst3Plugin> Class for Factory<P> {
    type Interfaces = (IPluginFactory, IPluginFactory2, IPluginFactory3);
}

impl<P> Factory<P> {
    /// Writes what a host asks about class `index`.
    ///
    /// # Safety
    /// `info` is null or may be written to.
    unsafe fn describe<T>(&self, index: int32, info: *mut T, of: fn(&PluginInfo) -> T) -> tresult {
        if index != 0 || info.is_null() {
            return kInvalidArgument;
        }
        // SAFETY: see above.
        unsafe { info.write(of(&self.info)) };
        kResultOk
    }
}

impl<P: Vst3Plugin> IPluginFactoryTrait for Factory<P> {
    unsafe fn getFactoryInfo(&self, info: *mut PFactoryInfo) -> tresult {
        // SAFETY: the host passes room for what it asks for.
        unsafe { self.describe(0, info, PluginInfo::create_factory_info) }
    }

    unsafe fn countClasses(&self) -> int32 {
        1
    }

    unsafe fn getClassInfo(&self, index: int32, info: *mut PClassInfo) -> tresult {
        // SAFETY: as above.
        unsafe { self.describe(index, info, PluginInfo::create_class_info) }
    }

    unsafe fn createInstance(
        &self,
        class: FIDString,
        interface: FIDString,
        instance: *mut *mut c_void,
    ) -> tresult {
        if class.is_null() || interface.is_null() || instance.is_null() {
            return kInvalidArgument;
        }
        // SAFETY: ids are 16 bytes long, by the standard.
        if unsafe { *class.cast::<[u8; 16]>() } != *self.info.cid {
            return kInvalidArgument;
        }
        let menu = Arc::new(Menu::default());
        let wrapper = host_menu::of_format(menu.clone(), || ComWrapper::new(Wrapper::<P>::new()));
        guard(&wrapper);
        follow(&wrapper, &menu);
        let Some(unknown) = wrapper.as_com_ref::<FUnknown>() else { return kInvalidArgument };
        let unknown = unknown.as_ptr();
        // SAFETY: the wrapper is alive, and the host passes an id and room for a pointer.
        unsafe { ((*(*unknown).vtbl).queryInterface)(unknown, interface.cast::<TUID>(), instance) }
    }
}

impl<P: Vst3Plugin> IPluginFactory2Trait for Factory<P> {
    unsafe fn getClassInfo2(&self, index: int32, info: *mut PClassInfo2) -> tresult {
        // SAFETY: as above.
        unsafe { self.describe(index, info, PluginInfo::create_class_info_2) }
    }
}

impl<P: Vst3Plugin> IPluginFactory3Trait for Factory<P> {
    unsafe fn getClassInfoUnicode(&self, index: int32, info: *mut PClassInfoW) -> tresult {
        // SAFETY: as above.
        unsafe { self.describe(index, info, PluginInfo::create_class_info_unicode) }
    }

    unsafe fn setHostContext(&self, _context: *mut FUnknown) -> tresult {
        kResultOk
    }
}

/// A table of functions of the framework's with some of our own in it.
#[repr(C)] // the host knows the beginning only
struct Changed<T: 'static> {
    table: T,
    /// The framework's table.
    own: &'static T,
}

/// One for each type of plug-in; there are as many as the framework has tables.
type AllChanged<T> = Mutex<Vec<&'static Changed<T>>>;

/// The changed table for one of the framework's, made when it is first asked for.
fn changed<T>(all: &AllChanged<T>, own: &'static T, change: fn(&T) -> T) -> &'static Changed<T> {
    let mut all = lock(all);
    let known = all.iter().copied().find(|changed| std::ptr::eq(changed.own, own));
    known.unwrap_or_else(|| {
        all.push(Box::leak(Box::new(Changed { table: change(own), own })));
        all[all.len() - 1]
    })
}

/// What is guarded here is whole whatever happens to its holder.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Puts [`process`] before the framework's.
fn guard<P: Vst3Plugin>(wrapper: &ComWrapper<Wrapper<P>>) {
    static GUARDED: AllChanged<IAudioProcessorVtbl> = Mutex::new(Vec::new());
    let Some(processor) = wrapper.as_com_ref::<IAudioProcessor>() else { return };
    let processor = processor.as_ptr();
    // SAFETY: the framework's tables are constants, and nobody else knows the new wrapper.
    unsafe {
        let guarded =
            changed(&GUARDED, &*(*processor).vtbl, |own| IAudioProcessorVtbl { process, ..*own });
        (*processor).vtbl = std::ptr::from_ref(guarded).cast();
    }
}

/// Hands a block on, with every bus whose channels are null as one without channels.
unsafe extern "system" fn process(this: *mut IAudioProcessor, data: *mut ProcessData) -> tresult {
    /// Input buses of the layout that has most: main and key.
    const INPUTS: usize = 2;
    if data.is_null() {
        return kInvalidArgument;
    }
    // SAFETY: this function stands in a changed table only. The host passes a whole `ProcessData`, as
    // many buses as it says, and for each an array of as many pointers as it has channels. The
    // copies live until the framework returns.
    unsafe {
        let own = (*(*this).vtbl.cast::<Changed<IAudioProcessorVtbl>>()).own;
        let mut data = *data;
        let mut inputs: [AudioBusBuffers; INPUTS] = std::mem::zeroed();
        if !data.inputs.is_null() {
            for (index, input) in inputs.iter_mut().enumerate().take(count(data.numInputs)) {
                *input = *data.inputs.add(index);
                if has_null(input) {
                    input.numChannels = 0;
                }
            }
            // The framework looks at the key's bus even when the host passes the main one only.
            data.inputs = inputs.as_mut_ptr();
        }
        if data.numOutputs > 0 && !data.outputs.is_null() && has_null(&*data.outputs) {
            // Without outputs the framework takes up parameters and leaves it at that.
            data.numOutputs = 0;
        }
        (own.process)(this, &mut data)
    }
}

fn count(number: int32) -> usize {
    usize::try_from(number).unwrap_or(0)
}

/// Whether a bus lacks the samples of a channel.
///
/// # Safety
/// The bus has an array of as many pointers as channels, or none.
unsafe fn has_null(bus: &AudioBusBuffers) -> bool {
    // SAFETY: see above; both kinds of samples have the same array of pointers.
    unsafe {
        let channels = bus.__field0.channelBuffers32;
        channels.is_null() || (0..count(bus.numChannels)).any(|n| (*channels.add(n)).is_null())
    }
}

/// What opens the menu of the host of one instance.
#[derive(Default)]
struct Menu {
    handler: Mutex<Option<ComPtr<IComponentHandler3>>>,
    /// The view that was made last.
    view: Mutex<Option<ComPtr<IPlugView>>>,
}

impl Format for Menu {
    fn offers(&self) -> bool {
        lock(&self.handler).is_some()
    }

    // The host has told when it handed its handler over.
    fn look(&self) {}

    fn open(&self, parameter: u32, (x, y): (i32, i32)) -> bool {
        // The menu may stay until the user has chosen, and the host may do anything meanwhile.
        let (handler, view) = (lock(&self.handler).clone(), lock(&self.view).clone());
        let (Some(handler), Some(view)) = (handler, view) else { return false };
        // SAFETY: this is the host's main thread. The host gives a menu that is ours to release, or
        // null.
        unsafe {
            let menu = ComPtr::from_raw(handler.createContextMenu(view.as_ptr(), &parameter));
            menu.is_some_and(|menu| menu.popup(x, y) == kResultOk)
        }
    }
}

/// The menus of instances, by the address of their controllers.
static MENUS: Mutex<Vec<(usize, Weak<Menu>)>> = Mutex::new(Vec::new());

/// Keeps the menu of a new instance told of its handler and its view.
fn follow<P: Vst3Plugin>(wrapper: &ComWrapper<Wrapper<P>>, menu: &Arc<Menu>) {
    static FOLLOWED: AllChanged<IEditControllerVtbl> = Mutex::new(Vec::new());
    let Some(controller) = wrapper.as_com_ref::<IEditController>() else { return };
    let controller = controller.as_ptr();
    let mut menus = lock(&MENUS);
    menus.retain(|(_, menu)| menu.strong_count() > 0);
    menus.push((controller.addr(), Arc::downgrade(menu)));
    // SAFETY: as in `guard`.
    unsafe {
        let followed = changed(&FOLLOWED, &*(*controller).vtbl, |own| IEditControllerVtbl {
            setComponentHandler: set_component_handler,
            createView: create_view,
            ..*own
        });
        (*controller).vtbl = std::ptr::from_ref(followed).cast();
    }
}

fn menu_of(controller: *mut IEditController) -> Option<Arc<Menu>> {
    let menus = lock(&MENUS);
    menus.iter().find(|(address, _)| *address == controller.addr())?.1.upgrade()
}

unsafe extern "system" fn set_component_handler(
    this: *mut IEditController,
    handler: *mut IComponentHandler,
) -> tresult {
    // SAFETY: this function stands in a changed table only. The host passes its handler or null.
    unsafe {
        if let Some(menu) = menu_of(this) {
            let new = ComRef::from_raw(handler).and_then(|handler| handler.cast());
            let old = std::mem::replace(&mut *lock(&menu.handler), new);
            // Not while it is locked: the host may do anything when it is let go of.
            drop(old);
        }
        let own = (*(*this).vtbl.cast::<Changed<IEditControllerVtbl>>()).own;
        (own.setComponentHandler)(this, handler)
    }
}

unsafe extern "system" fn create_view(
    this: *mut IEditController,
    name: FIDString,
) -> *mut IPlugView {
    // SAFETY: this function stands in a changed table only. The framework gives a view or null.
    unsafe {
        let own = (*(*this).vtbl.cast::<Changed<IEditControllerVtbl>>()).own;
        let view = (own.createView)(this, name);
        if let Some(menu) = menu_of(this) {
            let new = ComRef::from_raw(view).map(|view| view.to_com_ptr());
            let old = std::mem::replace(&mut *lock(&menu.view), new);
            drop(old);
        }
        view
    }
}
