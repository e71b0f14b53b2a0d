//! The VST3 export: that of the framework, with two repairs.
//!
//! While an input is switched off, as hosts do with a key that nothing is connected to, a host may
//! hand over null for its channels (VST 3, `AudioBusBuffers` in ivstaudioprocessor.h). The
//! framework would read from there and take the host down, so it is given a bus without channels
//! instead, which it takes for silence. And what the host sets up is handed on twice, because the
//! framework activates the plug-in with the mode, live or offline, of the set-up before. Knows nothing of parameters, engine or editor.
#![allow(unsafe_code)] // the VST3 interfaces are C

use std::ffi::c_void;
use std::marker::PhantomData;
use std::sync::{Mutex, PoisonError};

use nice_plug::prelude::Vst3Plugin;
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    AudioBusBuffers, IAudioProcessor, IAudioProcessorVtbl, ProcessData, ProcessSetup,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    FIDString, FUnknown, IPluginFactory, IPluginFactory2, IPluginFactory2Trait, IPluginFactory3,
    IPluginFactory3Trait, IPluginFactoryTrait, PClassInfo, PClassInfo2, PClassInfoW, PFactoryInfo,
    TUID, int32, kInvalidArgument, kResultOk, tresult,
};
use nice_plug::wrapper::vst3::vst3::{Class, ComWrapper};
use nice_plug::wrapper::vst3::{PluginInfo, Wrapper};

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
        let wrapper = ComWrapper::new(Wrapper::<P>::new());
        guard(&wrapper);
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

/// The framework's table of functions with [`process`] and [`set_up`] in it.
#[repr(C)] // the host knows the beginning only
struct Guarded {
    table: IAudioProcessorVtbl,
    /// The framework's table.
    own: &'static IAudioProcessorVtbl,
}

/// One for each type of plug-in; there are as many as the framework has tables.
static GUARDED: Mutex<Vec<&'static Guarded>> = Mutex::new(Vec::new());

/// Puts [`process`] and [`set_up`] before the framework's.
fn guard<P: Vst3Plugin>(wrapper: &ComWrapper<Wrapper<P>>) {
    let Some(processor) = wrapper.as_com_ref::<IAudioProcessor>() else { return };
    let processor = processor.as_ptr();
    // SAFETY: the framework's tables are constants, and nobody else knows the new wrapper.
    unsafe {
        let own: &'static IAudioProcessorVtbl = &*(*processor).vtbl;
        let mut all = GUARDED.lock().unwrap_or_else(PoisonError::into_inner);
        let known = all.iter().copied().find(|guarded| std::ptr::eq(guarded.own, own));
        let guarded = known.unwrap_or_else(|| {
            let table = IAudioProcessorVtbl { process, setupProcessing: set_up, ..*own };
            all.push(Box::leak(Box::new(Guarded { table, own })));
            all[all.len() - 1]
        });
        (*processor).vtbl = std::ptr::from_ref(guarded).cast();
    }
}

/// Hands a set-up on, until the framework knows the mode in it.
unsafe extern "system" fn set_up(this: *mut IAudioProcessor, setup: *mut ProcessSetup) -> tresult {
    if setup.is_null() {
        return kInvalidArgument;
    }
    // SAFETY: this function stands in `Guarded` only, and the host passes a whole `ProcessSetup`.
    unsafe {
        let own = (*(*this).vtbl.cast::<Guarded>()).own;
        let first = (own.setupProcessing)(this, setup);
        if first == kResultOk { (own.setupProcessing)(this, setup) } else { first }
    }
}

/// Hands a block on, with every bus whose channels are null as one without channels.
unsafe extern "system" fn process(this: *mut IAudioProcessor, data: *mut ProcessData) -> tresult {
    /// Input buses of the layout that has most: main and key.
    const INPUTS: usize = 2;
    if data.is_null() {
        return kInvalidArgument;
    }
    // SAFETY: this function stands in `Guarded` only. The host passes a whole `ProcessData`, as
    // many buses as it says, and for each an array of as many pointers as it has channels. The
    // copies live until the framework returns.
    unsafe {
        let own = (*(*this).vtbl.cast::<Guarded>()).own;
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

#[cfg(test)]
mod tests {
    use super::*;
    use nice_plug::prelude::*;
    use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
        IAudioProcessorTrait, IComponent, IComponentTrait, ProcessModes_, SymbolicSampleSizes_,
    };
    use std::sync::Arc;

    /// The modes in which [`Probe`] was activated.
    static MODES: Mutex<Vec<ProcessMode>> = Mutex::new(Vec::new());

    #[derive(Default, Params)]
    struct Nothing {}

    /// Remembers how it was activated.
    #[derive(Default)]
    struct Probe;

    impl Plugin for Probe {
        const NAME: &'static str = "Probe";
        const VENDOR: &'static str = "";
        const URL: &'static str = "";
        const EMAIL: &'static str = "";
        const VERSION: &'static str = "1";
        const AUDIO_IO_LAYOUTS: &'static [AudioIOLayout] = crate::audio::LAYOUTS;
        type Editor = ();
        type SysExMessage = ();
        type BackgroundTask = ();

        fn params(&self) -> Arc<dyn Params> {
            Arc::new(Nothing {})
        }

        fn activate(
            &mut self,
            _: &AudioIOLayout,
            config: &BufferConfig,
            _: &mut impl ActivateContext<Self>,
        ) -> bool {
            MODES.lock().unwrap().push(config.process_mode);
            true
        }

        fn process(
            &mut self,
            _: &mut Buffer,
            _: &mut AuxiliaryBuffers,
            _: &mut impl ProcessContext<Self>,
        ) -> ProcessStatus {
            ProcessStatus::Normal
        }
    }

    impl Vst3Plugin for Probe {
        const VST3_CLASS_ID: [u8; 16] = *b"ProbeOfProcessMo";
        const VST3_SUBCATEGORIES: &'static [Vst3SubCategory] = &[Vst3SubCategory::Fx];
    }

    #[test]
    fn a_plug_in_knows_whether_it_renders_offline() {
        let wrapper = ComWrapper::new(Wrapper::<Probe>::new());
        guard(&wrapper);
        let processor = wrapper.as_com_ref::<IAudioProcessor>().unwrap();
        let component = wrapper.as_com_ref::<IComponent>().unwrap();
        let modes = [ProcessModes_::kOffline, ProcessModes_::kRealtime, ProcessModes_::kOffline];
        for mode in modes {
            let mut setup = ProcessSetup {
                processMode: mode as int32,
                symbolicSampleSize: SymbolicSampleSizes_::kSample32 as int32,
                maxSamplesPerBlock: 512,
                sampleRate: 48_000.0,
            };
            // SAFETY: as a host does, in its order.
            unsafe {
                assert_eq!(processor.setupProcessing(&raw mut setup), kResultOk);
                assert_eq!(component.setActive(1), kResultOk);
                assert_eq!(component.setActive(0), kResultOk);
            }
        }
        let expected = [ProcessMode::Offline, ProcessMode::Realtime, ProcessMode::Offline];
        assert_eq!(*MODES.lock().unwrap(), expected);
    }
}
