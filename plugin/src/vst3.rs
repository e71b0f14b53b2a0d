//! The VST3 export: that of the framework, with repairs.
//!
//! While an input is switched off, as hosts do with a key that nothing is connected to, a host may
//! hand over null for its channels (VST 3, `AudioBusBuffers` in ivstaudioprocessor.h). The
//! framework would read from there and take the host down, so it is given a bus without channels
//! instead, which it takes for silence. Samples of a kind that the plug-in does not offer are refused,
//! and outputs are never called silent because the host left the flags of an earlier block. Numbers of
//! parameters and buses that do not exist are refused, and so are arrangements that the framework
//! takes in part only. What the host sets up is handed on twice, because the framework activates the
//! plug-in with the mode, live or offline, of the set-up before.
//!
//! The framework knows of no menus of the host's. So an instance learns here which handler and view
//! it has, and asks for the menu by `IComponentHandler3` (VST 3, ivstcontextmenu.h). Knows nothing of
//! parameters, engine or editor.
#![allow(unsafe_code)] // the VST3 interfaces are C
#![allow(non_snake_case)] // the standard's names

use std::ffi::c_void;
use std::marker::PhantomData;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};

use nice_plug::prelude::Vst3Plugin;
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    AudioBusBuffers, BusDirection,
    BusDirections_::{kInput, kOutput},
    BusInfo, IAudioProcessor, IAudioProcessorVtbl, IComponent, IComponentHandler,
    IComponentHandler3, IComponentHandler3Trait, IComponentVtbl, IContextMenuTrait,
    IEditController, IEditControllerVtbl, MediaType, ParameterInfo, ProcessData, ProcessSetup,
    SpeakerArrangement,
    SymbolicSampleSizes_::kSample32,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    FIDString, FUnknown, IPlugView, IPluginFactory, IPluginFactory2, IPluginFactory2Trait,
    IPluginFactory3, IPluginFactory3Trait, IPluginFactoryTrait, PClassInfo, PClassInfo2,
    PClassInfoW, PFactoryInfo, TUID, int32, kInvalidArgument, kResultFalse, kResultOk, tresult,
};
use nice_plug::wrapper::vst3::vst3::{Class, ComPtr, ComRef, ComWrapper};
use nice_plug::wrapper::vst3::{PluginInfo, Wrapper};

use crate::format::{self, Format};

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
        let wrapper = format::with(menu.clone(), || ComWrapper::new(Wrapper::<P>::new()));
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

/// A table of functions of the framework's with some of ours in it.
#[repr(C)] // the host knows the beginning only
struct Guarded<T: 'static> {
    table: T,
    /// The framework's table.
    own: &'static T,
}

/// One for each type of plug-in; there are as many as the framework has tables.
type Tables<T> = Mutex<Vec<&'static Guarded<T>>>;

static PROCESSORS: Tables<IAudioProcessorVtbl> = Mutex::new(Vec::new());
static COMPONENTS: Tables<IComponentVtbl> = Mutex::new(Vec::new());
static CONTROLLERS: Tables<IEditControllerVtbl> = Mutex::new(Vec::new());

/// Puts the functions below before the framework's.
fn guard<P: Vst3Plugin>(wrapper: &ComWrapper<Wrapper<P>>) {
    // SAFETY: the framework's tables are constants, and nobody else knows the new wrapper.
    unsafe {
        if let Some(processor) = wrapper.as_com_ref::<IAudioProcessor>() {
            guard_table(&PROCESSORS, &raw mut (*processor.as_ptr()).vtbl, |own| {
                IAudioProcessorVtbl {
                    process,
                    setupProcessing,
                    setBusArrangements,
                    getBusArrangement,
                    ..*own
                }
            });
        }
        if let Some(component) = wrapper.as_com_ref::<IComponent>() {
            guard_table(&COMPONENTS, &raw mut (*component.as_ptr()).vtbl, |own| IComponentVtbl {
                getBusInfo,
                ..*own
            });
        }
        if let Some(controller) = wrapper.as_com_ref::<IEditController>() {
            guard_table(&CONTROLLERS, &raw mut (*controller.as_ptr()).vtbl, |own| {
                IEditControllerVtbl { getParameterInfo, setComponentHandler, createView, ..*own }
            });
        }
    }
}

/// Exchanges a table for one with other functions in it.
///
/// # Safety
/// `table` points to a pointer to a table that never changes or goes away.
unsafe fn guard_table<T>(all: &Tables<T>, table: *mut *const T, with: impl FnOnce(&T) -> T) {
    // SAFETY: see above.
    let own: &'static T = unsafe { &**table };
    let mut all = lock(all);
    let known = all.iter().copied().find(|guarded| std::ptr::eq(guarded.own, own));
    let guarded = known.unwrap_or_else(|| {
        all.push(Box::leak(Box::new(Guarded { table: with(own), own })));
        all[all.len() - 1]
    });
    // SAFETY: as above.
    unsafe { *table = std::ptr::from_ref(guarded).cast() };
}

/// What is guarded here is whole whatever happens to its holder.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The framework's table behind one of ours.
///
/// # Safety
/// `table` is the table of a [`Guarded`].
unsafe fn own<T>(table: *const T) -> &'static T {
    // SAFETY: see above.
    unsafe { (*table.cast::<Guarded<T>>()).own }
}

/// Describes a parameter. The framework panics at the number behind the last.
unsafe extern "system" fn getParameterInfo(
    this: *mut IEditController,
    index: int32,
    info: *mut ParameterInfo,
) -> tresult {
    // SAFETY: this function stands in `Guarded` only; the rest is as the host passed it.
    unsafe {
        let own = own((*this).vtbl);
        if index < 0 || index >= (own.getParameterCount)(this) {
            return kInvalidArgument;
        }
        (own.getParameterInfo)(this, index, info)
    }
}

/// Describes a bus. The framework takes numbers below 0 for the key.
unsafe extern "system" fn getBusInfo(
    this: *mut IComponent,
    media: MediaType,
    direction: BusDirection,
    index: int32,
    info: *mut BusInfo,
) -> tresult {
    if index < 0 {
        return kInvalidArgument;
    }
    // SAFETY: as above.
    unsafe { (own((*this).vtbl).getBusInfo)(this, media, direction, index, info) }
}

/// Tells the channels of a bus. The framework takes numbers below 0 for the key.
unsafe extern "system" fn getBusArrangement(
    this: *mut IAudioProcessor,
    direction: BusDirection,
    index: int32,
    arrangement: *mut SpeakerArrangement,
) -> tresult {
    if index < 0 {
        return kInvalidArgument;
    }
    // SAFETY: as above.
    unsafe { (own((*this).vtbl).getBusArrangement)(this, direction, index, arrangement) }
}

/// Hands a set-up on, until the framework knows the mode in it.
unsafe extern "system" fn setupProcessing(
    this: *mut IAudioProcessor,
    setup: *mut ProcessSetup,
) -> tresult {
    if setup.is_null() {
        return kInvalidArgument;
    }
    // SAFETY: as above, and the host passes a whole `ProcessSetup`.
    unsafe {
        let own = own((*this).vtbl);
        let first = (own.setupProcessing)(this, setup);
        if first == kResultOk { (own.setupProcessing)(this, setup) } else { first }
    }
}

/// Takes up the channels of all buses. What the framework does not take as it was told, above all a
/// key of another width than the bus, it says it has taken; the host is told that it has not.
unsafe extern "system" fn setBusArrangements(
    this: *mut IAudioProcessor,
    inputs: *mut SpeakerArrangement,
    input_count: int32,
    outputs: *mut SpeakerArrangement,
    output_count: int32,
) -> tresult {
    // SAFETY: as above; the host passes as many arrangements as it says.
    unsafe {
        let own = own((*this).vtbl);
        let answer = (own.setBusArrangements)(this, inputs, input_count, outputs, output_count);
        if answer != kResultOk {
            return answer;
        }
        let is_taken = |direction: BusDirection, index: usize, wanted: SpeakerArrangement| {
            let mut taken = 0;
            let told = (own.getBusArrangement)(this, direction, index as int32, &mut taken);
            told == kResultOk && taken == wanted
        };
        let all = (0..count(input_count))
            .all(|n| is_taken(kInput as BusDirection, n, *inputs.add(n)))
            && (0..count(output_count))
                .all(|n| is_taken(kOutput as BusDirection, n, *outputs.add(n)));
        if all { kResultOk } else { kResultFalse }
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
        let own = own((*this).vtbl);
        let mut data = *data;
        if data.symbolicSampleSize != kSample32 as int32 {
            return kInvalidArgument;
        }
        // Without channels a bus is silence; without the array of them, what the host left in the
        // output would pass for input.
        let mut silent: AudioBusBuffers = std::mem::zeroed();
        silent.__field0.channelBuffers32 = std::ptr::NonNull::dangling().as_ptr();
        let mut inputs = [silent; INPUTS];
        if !data.inputs.is_null() {
            for (index, input) in inputs.iter_mut().enumerate().take(count(data.numInputs)) {
                let bus = *data.inputs.add(index);
                if has_samples(&bus) {
                    *input = bus;
                }
            }
        }
        if data.numOutputs > 0 && !data.outputs.is_null() {
            (*data.outputs).silenceFlags = 0;
            if has_samples(&*data.outputs) {
                // The framework copies each input channel to the output channel of the same number.
                inputs[0].numChannels = inputs[0].numChannels.min((*data.outputs).numChannels);
            } else {
                // Without outputs the framework takes up parameters, tells the editor, and leaves it at
                // that.
                data.numOutputs = 0;
            }
        }
        // The framework looks at the key's bus even when the host passes the main one only.
        data.inputs = inputs.as_mut_ptr();
        data.numInputs = INPUTS as int32;
        (own.process)(this, &mut data)
    }
}

fn count(number: int32) -> usize {
    usize::try_from(number).unwrap_or(0)
}

/// Whether a bus has channels, and the samples of each.
///
/// # Safety
/// The bus has an array of as many pointers as channels, or none.
unsafe fn has_samples(bus: &AudioBusBuffers) -> bool {
    // SAFETY: see above; both kinds of samples have the same array of pointers.
    unsafe {
        let channels = bus.__field0.channelBuffers32;
        let mut all = 0..count(bus.numChannels);
        !channels.is_null() && !all.is_empty() && all.all(|n| !(*channels.add(n)).is_null())
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
    fn has_menu(&self) -> bool {
        lock(&self.handler).is_some()
    }

    // The host has told when it handed its handler over.
    fn look_for_menu(&self) {}

    fn open_menu(&self, parameter: u32, (x, y): (i32, i32)) -> bool {
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
    let Some(controller) = wrapper.as_com_ref::<IEditController>() else { return };
    let address = controller.as_ptr().addr();
    let mut menus = lock(&MENUS);
    // An instance that is gone may have been at the same address, and its menu still be held.
    menus.retain(|(other, menu)| *other != address && menu.strong_count() > 0);
    menus.push((address, Arc::downgrade(menu)));
}

fn menu_of(controller: *mut IEditController) -> Option<Arc<Menu>> {
    let menus = lock(&MENUS);
    menus.iter().find(|(address, _)| *address == controller.addr())?.1.upgrade()
}

unsafe extern "system" fn setComponentHandler(
    this: *mut IEditController,
    handler: *mut IComponentHandler,
) -> tresult {
    // SAFETY: this function stands in `Guarded` only. The host passes its handler or null.
    unsafe {
        if let Some(menu) = menu_of(this) {
            let new = ComRef::from_raw(handler).and_then(|handler| handler.cast());
            let old = std::mem::replace(&mut *lock(&menu.handler), new);
            // Not while it is locked: the host may do anything when it is let go of.
            drop(old);
        }
        let own = own((*this).vtbl);
        (own.setComponentHandler)(this, handler)
    }
}

unsafe extern "system" fn createView(
    this: *mut IEditController,
    name: FIDString,
) -> *mut IPlugView {
    // SAFETY: this function stands in `Guarded` only. The framework gives a view or null.
    unsafe {
        let own = own((*this).vtbl);
        let view = (own.createView)(this, name);
        if let Some(menu) = menu_of(this) {
            let new = ComRef::from_raw(view).map(|view| view.to_com_ptr());
            let old = std::mem::replace(&mut *lock(&menu.view), new);
            drop(old);
        }
        view
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nice_plug::prelude::*;
    use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
        AudioBusBuffers__type0, IAudioProcessorTrait, IComponentHandlerTrait, IComponentTrait,
        IContextMenu, IEditControllerTrait, MediaTypes_, ProcessModes_, SymbolicSampleSizes_,
    };
    use std::ptr::null_mut;

    /// The modes in which [`Probe`] was activated.
    static MODES: Mutex<Vec<ProcessMode>> = Mutex::new(Vec::new());

    #[derive(Default, Params)]
    struct Nothing {}

    /// Remembers how it was activated, and leaves the sound as it is.
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

    /// [`MODES`] is of all instances: one test activates at a time.
    static ALONE: Mutex<()> = Mutex::new(());

    fn probe() -> ComWrapper<Wrapper<Probe>> {
        let wrapper = ComWrapper::new(Wrapper::<Probe>::new());
        guard(&wrapper);
        wrapper
    }

    const FRAMES: usize = 16;

    fn bus(channels: &mut [*mut f32]) -> AudioBusBuffers {
        AudioBusBuffers {
            numChannels: channels.len() as int32,
            silenceFlags: 3,
            __field0: AudioBusBuffers__type0 { channelBuffers32: channels.as_mut_ptr() },
        }
    }

    fn block(inputs: &mut [AudioBusBuffers], outputs: &mut [AudioBusBuffers]) -> ProcessData {
        ProcessData {
            processMode: ProcessModes_::kRealtime as int32,
            symbolicSampleSize: SymbolicSampleSizes_::kSample32 as int32,
            numSamples: FRAMES as int32,
            numInputs: inputs.len() as int32,
            numOutputs: outputs.len() as int32,
            inputs: inputs.as_mut_ptr(),
            outputs: outputs.as_mut_ptr(),
            inputParameterChanges: null_mut(),
            outputParameterChanges: null_mut(),
            inputEvents: null_mut(),
            outputEvents: null_mut(),
            processContext: null_mut(),
        }
    }

    #[test]
    fn channels_that_are_missing_or_null_are_never_touched() {
        let _alone = lock(&ALONE);
        let wrapper = probe();
        let processor = wrapper.as_com_ref::<IAudioProcessor>().unwrap();
        let component = wrapper.as_com_ref::<IComponent>().unwrap();
        let mut setup = ProcessSetup {
            processMode: ProcessModes_::kRealtime as int32,
            symbolicSampleSize: SymbolicSampleSizes_::kSample32 as int32,
            maxSamplesPerBlock: FRAMES as int32,
            sampleRate: 48_000.0,
        };
        // SAFETY: as a host does, in its order.
        unsafe {
            assert_eq!(processor.setupProcessing(&raw mut setup), kResultOk);
            assert_eq!(component.setActive(1), kResultOk);
            assert_eq!(processor.setProcessing(1), kResultOk);
        }
        let mut sound = [vec![1.0_f32; FRAMES], vec![1.0_f32; FRAMES]];
        let mut stereo = sound.each_mut().map(|channel| channel.as_mut_ptr());
        let mut half = [stereo[0], null_mut()];
        let mut untold = bus(&mut [null_mut(), null_mut()]);
        untold.__field0.channelBuffers32 = null_mut();
        let (main, half) = (bus(&mut stereo), bus(&mut half));
        for (inputs, expected) in [
            (&mut [][..], 0.0),
            (&mut [main], 1.0),
            (&mut [main, main, main], 1.0),
            (&mut [main, half], 1.0),
            (&mut [half, main], 0.0),
            (&mut [untold, untold], 0.0),
        ] {
            let mut out = [vec![9.0_f32; FRAMES], vec![9.0_f32; FRAMES]];
            let mut outs = out.each_mut().map(|channel| channel.as_mut_ptr());
            let mut outputs = [bus(&mut outs)];
            let mut data = block(inputs, &mut outputs);
            // SAFETY: what is told to be there is, or null.
            assert_eq!(unsafe { processor.process(&raw mut data) }, kResultOk);
            assert_eq!(outputs[0].silenceFlags, 0);
            assert!(out.iter().flatten().all(|x| *x == expected), "{out:?}, not {expected}");
        }
        // Told, and not there; without outputs; and nothing at all.
        let mut out = [vec![9.0_f32; FRAMES], vec![9.0_f32; FRAMES]];
        let mut outs = out.each_mut().map(|channel| channel.as_mut_ptr());
        let mut half_out = [outs[0], null_mut()];
        for outputs in [&mut [][..], &mut [untold], &mut [bus(&mut half_out)]] {
            let mut inputs = [main, main];
            let mut data = block(&mut inputs, outputs);
            // SAFETY: as above.
            assert_eq!(unsafe { processor.process(&raw mut data) }, kResultOk);
        }
        assert!(out.iter().flatten().all(|x| *x == 9.0));
        let mut inputs = [main, main];
        let mut outputs = [bus(&mut outs)];
        let mut data = ProcessData { inputs: null_mut(), ..block(&mut inputs, &mut outputs) };
        // SAFETY: as above.
        unsafe {
            assert_eq!(processor.process(&raw mut data), kResultOk);
            data.symbolicSampleSize = SymbolicSampleSizes_::kSample64 as int32;
            assert_eq!(processor.process(&raw mut data), kInvalidArgument);
            assert_eq!(processor.process(null_mut()), kInvalidArgument);
            assert_eq!(processor.setupProcessing(null_mut()), kInvalidArgument);
        }
        assert!(out.iter().flatten().all(|x| *x == 0.0), "silence");
    }

    #[test]
    fn numbers_that_do_not_exist_are_refused() {
        let wrapper = probe();
        let processor = wrapper.as_com_ref::<IAudioProcessor>().unwrap();
        let component = wrapper.as_com_ref::<IComponent>().unwrap();
        let controller = wrapper.as_com_ref::<IEditController>().unwrap();
        let (audio, input) = (MediaTypes_::kAudio as int32, kInput as int32);
        // SAFETY: there is room for what is asked for, which is filled whatever its bits.
        unsafe {
            let mut bus: BusInfo = std::mem::zeroed();
            let mut parameter: ParameterInfo = std::mem::zeroed();
            let mut speakers = 0;
            assert_eq!(component.getBusInfo(audio, input, 0, &raw mut bus), kResultOk);
            assert_eq!(processor.getBusArrangement(input, 0, &raw mut speakers), kResultOk);
            for number in [-1, 99] {
                let told = component.getBusInfo(audio, input, number, &raw mut bus);
                assert_eq!(told, kInvalidArgument);
                let told = processor.getBusArrangement(input, number, &raw mut speakers);
                assert_eq!(told, kInvalidArgument);
            }
            let count = controller.getParameterCount();
            for number in [-1, count] {
                let told = controller.getParameterInfo(number, &raw mut parameter);
                assert_eq!(told, kInvalidArgument);
            }
        }
    }

    /// A host that opens menus.
    struct Willing;

    impl Class for Willing {
        type Interfaces = (IComponentHandler, IComponentHandler3);
    }

    impl IComponentHandlerTrait for Willing {
        unsafe fn beginEdit(&self, _: u32) -> tresult {
            kResultOk
        }
        unsafe fn performEdit(&self, _: u32, _: f64) -> tresult {
            kResultOk
        }
        unsafe fn endEdit(&self, _: u32) -> tresult {
            kResultOk
        }
        unsafe fn restartComponent(&self, _: int32) -> tresult {
            kResultOk
        }
    }

    impl IComponentHandler3Trait for Willing {
        unsafe fn createContextMenu(&self, _: *mut IPlugView, _: *const u32) -> *mut IContextMenu {
            null_mut()
        }
    }

    #[test]
    fn an_instance_has_the_menu_of_its_own_host() {
        let wrapper = probe();
        let controller = wrapper.as_com_ref::<IEditController>().unwrap();
        let host = ComWrapper::new(Willing);
        let handler = host.as_com_ref::<IComponentHandler>().unwrap();
        // One that was at the same address, and is held still.
        let (gone, menu) = (Arc::new(Menu::default()), Arc::new(Menu::default()));
        follow(&wrapper, &gone);
        follow(&wrapper, &menu);
        // SAFETY: the handler lives until it is taken back; the plug-in has no editor.
        unsafe {
            assert_eq!(controller.setComponentHandler(handler.as_ptr()), kResultOk);
            assert!(menu.has_menu() && !gone.has_menu());
            assert!(!menu.open_menu(7, (3, 4)), "there is no window");
            assert!(controller.createView(c"editor".as_ptr()).is_null());
            assert_eq!(controller.setComponentHandler(null_mut()), kResultOk);
        }
        assert!(!menu.has_menu());
    }

    #[test]
    fn a_plug_in_knows_whether_it_renders_offline() {
        let _alone = lock(&ALONE);
        lock(&MODES).clear();
        let wrapper = probe();
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
