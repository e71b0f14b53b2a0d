//! A VST3 host in the very interfaces of the standard (VST 3.7, `pluginterfaces/vst/*.h`), with no
//! library between: it can pass what well-behaved hosts never would, and adds nothing of its own on
//! the audio thread.
//!
//! Plays in the layout the plug-in begins with: stereo with a stereo key.
#![allow(clippy::unnecessary_cast)] // C's enumerations have a sign on Windows only
#![allow(unsafe_code)] // the VST3 interfaces are C
#![allow(dead_code)] // each test file uses its own part
#![allow(non_snake_case)] // the standard's names

use std::cell::{Cell, RefCell};
use std::ffi::c_void;
use std::ptr::null_mut;
use std::sync::atomic::{AtomicI32, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use libloading::Library;
use tenon_dsp::Control;
use vst3::Steinberg::Vst::{
    AudioBusBuffers, AudioBusBuffers__type0, BusDirections_::kInput, BusDirections_::kOutput,
    IAudioProcessor, IAudioProcessorTrait, IComponent, IComponentHandler, IComponentHandlerTrait,
    IComponentTrait, IEditController, IEditControllerTrait, IParamValueQueue,
    IParamValueQueueTrait, IParameterChanges, IParameterChangesTrait, MediaTypes_::kAudio, ParamID,
    ParamValue, ProcessData, ProcessModes_::kRealtime, ProcessSetup, String128,
    SymbolicSampleSizes_::kSample32,
};
use vst3::Steinberg::{
    IBStream, IBStream_::IStreamSeekMode_, IBStreamTrait, IPluginBaseTrait, IPluginFactory,
    IPluginFactoryTrait, int32, int64, kInvalidArgument, kNotImplemented, kResultFalse, kResultOk,
    tresult,
};
use vst3::{Class, ComPtr, ComWrapper, Interface};

use super::raw::{BLOCK, LAYOUT, RATE_HZ, RawHost, keyed, silence};
use super::shared::{Audio, bundle, programme, stored_id, value_of};

pub(crate) fn wait_until(what: &str, is_so: impl Fn() -> bool) {
    let deadline = Instant::now() + Duration::from_secs(30);
    while !is_so() {
        assert!(Instant::now() < deadline, "in vain: {what}");
        std::thread::yield_now();
    }
}

/// The class under which sessions know the plug-in.
pub(crate) const CLASS: [u8; 16] = *b"TenonBusCompress";

/// An instance in the host.
pub(crate) struct RawVst3 {
    pub(crate) component: ComPtr<IComponent>,
    pub(crate) processor: ComPtr<IAudioProcessor>,
    pub(crate) controller: ComPtr<IEditController>,
    /// All flags with which the plug-in has asked for a restart.
    pub(crate) restarts: Arc<AtomicI32>,
    /// While it is held, this host takes its time for a restart it is asked for.
    pub(crate) gate: Arc<Mutex<()>>,
    /// How often a hand was laid on a parameter in the editor.
    pub(crate) edits: Arc<AtomicUsize>,
    _handler: ComPtr<IComponentHandler>,
    _library: Library,
}

// SAFETY: VST3 plug-ins may be used from any thread, as long as each of their functions keeps to the
// thread that the standard gives it. The tests see to that.
unsafe impl Send for RawVst3 {}
// SAFETY: as above.
unsafe impl Sync for RawVst3 {}

/// The library inside the bundle.
fn library() -> std::path::PathBuf {
    let bundle = bundle("TENON_VST3", "Tenon.vst3").join("Contents");
    let inside = match (std::env::consts::OS, std::env::consts::ARCH) {
        ("linux", arch) => format!("{arch}-linux/Tenon.so"),
        ("macos", _) => "MacOS/Tenon".to_owned(),
        (_, "aarch64") => "arm64-win/Tenon.vst3".to_owned(),
        (_, arch) => format!("{arch}-win/Tenon.vst3"),
    };
    bundle.join(inside)
}

impl RawHost for RawVst3 {
    fn load() -> Self {
        // SAFETY: the bundle is our own and keeps to the VST3 ABI; objects live no longer than the
        // library, which is dropped last.
        unsafe {
            let library = Library::new(library()).expect("the bundle loads");
            if let Ok(enter) =
                library.get::<unsafe extern "system" fn(*mut c_void) -> bool>(b"ModuleEntry")
            {
                assert!(enter(null_mut()));
            }
            let get = library
                .get::<unsafe extern "system" fn() -> *mut IPluginFactory>(b"GetPluginFactory")
                .expect("a factory");
            let factory = ComPtr::from_raw(get()).expect("a factory");
            let mut component: *mut c_void = null_mut();
            let made = factory.createInstance(
                CLASS.as_ptr().cast(),
                IComponent::IID.as_ptr().cast(),
                &mut component,
            );
            assert_eq!(made, kResultOk);
            let component = ComPtr::<IComponent>::from_raw(component.cast()).expect("an instance");
            assert_eq!(component.initialize(null_mut()), kResultOk);
            let processor = component.cast().expect("it processes");
            let controller: ComPtr<IEditController> = component.cast().expect("it is controlled");
            let restarts = Arc::new(AtomicI32::new(0));
            let edits = Arc::new(AtomicUsize::new(0));
            let gate = Arc::new(Mutex::new(()));
            let handler = ComWrapper::new(Handler {
                restarts: restarts.clone(),
                gate: gate.clone(),
                edits: edits.clone(),
            });
            let handler = handler.to_com_ptr::<IComponentHandler>().expect("a handler");
            assert_eq!(controller.setComponentHandler(handler.as_ptr()), kResultOk);
            Self {
                component,
                processor,
                controller,
                restarts,
                gate,
                edits,
                _handler: handler,
                _library: library,
            }
        }
    }

    fn activate(&self, rate_hz: f64, longest: usize) {
        let mut setup = ProcessSetup {
            processMode: kRealtime as int32,
            symbolicSampleSize: kSample32 as int32,
            maxSamplesPerBlock: longest as int32,
            sampleRate: rate_hz,
        };
        // SAFETY: functions of a live plug-in, here and below.
        unsafe {
            assert_eq!(self.processor.setupProcessing(&mut setup), kResultOk);
            for (direction, buses) in [(kInput, 2), (kOutput, 1)] {
                for bus in 0..buses {
                    let (audio, direction) = (kAudio as int32, direction as int32);
                    let switched = self.component.activateBus(audio, direction, bus, 1);
                    assert_eq!(switched, kResultOk);
                }
            }
            assert_eq!(self.component.setActive(1), kResultOk);
        }
    }

    fn deactivate(&self) {
        // SAFETY: see `activate`.
        unsafe { assert_eq!(self.component.setActive(0), kResultOk) };
    }

    fn start(&self) {
        // SAFETY: see `activate`.
        unsafe { assert_eq!(self.processor.setProcessing(1), kResultOk) };
    }

    fn stop(&self) {
        // SAFETY: see `activate`.
        unsafe { assert_eq!(self.processor.setProcessing(0), kResultOk) };
    }

    fn play(&self, input: &[Vec<f32>], key: &[Vec<f32>], block: usize) -> Audio {
        let mut output = vec![vec![f32::NAN; input[0].len()]; 2];
        let mut start = 0;
        while start < input[0].len() {
            let length = block.min(input[0].len() - start);
            let at = |channel: &Vec<f32>| channel[start..].as_ptr().cast_mut();
            let mut main: Vec<*mut f32> = input.iter().map(at).collect();
            let mut key: Vec<*mut f32> = key.iter().map(at).collect();
            let mut out: Vec<*mut f32> =
                output.iter_mut().map(|channel| channel[start..].as_mut_ptr()).collect();
            let mut inputs = [bus(&mut main), bus(&mut key)];
            let mut outputs = [bus(&mut out)];
            let mut block = block_of(&mut inputs, &mut outputs, length);
            // SAFETY: all channels have `length` samples from `start` on.
            assert_eq!(unsafe { self.process(&mut block) }, kResultOk);
            start += length;
        }
        output
    }

    fn set(&self, control: Control, value: f32) {
        let place = self.place_of(control, value);
        // SAFETY: see `activate`.
        unsafe {
            assert_eq!(self.controller.setParamNormalized(stored_id(control), place), kResultOk);
        }
        assert_eq!(value_of(control, &self.text_of(control, self.value(control))), value);
    }

    fn save(&self) -> Vec<u8> {
        let stream = ComWrapper::new(Stream::default());
        let pointer = stream.to_com_ptr::<IBStream>().expect("a stream");
        // SAFETY: see `activate`.
        assert_eq!(unsafe { self.component.getState(pointer.as_ptr()) }, kResultOk);
        stream.bytes.borrow().clone()
    }

    fn restore(&self, state: &[u8]) -> bool {
        let stream = Stream { bytes: RefCell::new(state.to_vec()), at: Cell::new(0) };
        let pointer = ComWrapper::new(stream).to_com_ptr::<IBStream>().expect("a stream");
        // SAFETY: see `activate`.
        unsafe { self.component.setState(pointer.as_ptr()) == kResultOk }
    }

    fn tail(&self) -> usize {
        // SAFETY: see `activate`.
        unsafe { self.processor.getTailSamples() as usize }
    }

    fn latency(&self) -> usize {
        // SAFETY: see `activate`.
        unsafe { self.processor.getLatencySamples() as usize }
    }

    fn forget(&self) {
        self.stop();
        self.start();
    }
}

impl RawVst3 {
    /// Restores a state with another latency and plays, on a thread of its own: the plug-in tells the
    /// host when it has stood still for a while.
    pub(crate) fn restore_elsewhere(&self, lookahead_ms: f32) {
        let settings = keyed().with(Control::Lookahead, lookahead_ms);
        let state = Self::started(&settings, RATE_HZ, BLOCK).save();
        let (input, key) = (programme(LAYOUT, RATE_HZ, 13, 0.5), silence(24_000));
        self.restarts.store(0, Ordering::SeqCst);
        std::thread::scope(|scope| {
            scope.spawn(|| {
                assert!(self.restore(&state));
                self.play(&input, &key, BLOCK);
            });
        });
    }

    /// Waits until the host has been told of it.
    pub(crate) fn is_told(&self) {
        wait_until("the host is told of the latency", || self.restarts.load(Ordering::SeqCst) != 0);
    }

    /// Processes a block as it is.
    ///
    /// # Safety
    /// What the block points to is there, unless it is null.
    pub(crate) unsafe fn process(&self, block: &mut ProcessData) -> tresult {
        // SAFETY: see above.
        unsafe { self.processor.process(block) }
    }

    /// The value of a parameter, 0 to 1.
    pub(crate) fn value(&self, control: Control) -> f64 {
        // SAFETY: see `activate`.
        unsafe { self.controller.getParamNormalized(stored_id(control)) }
    }

    /// The text of a value from 0 to 1.
    pub(crate) fn text_of(&self, control: Control, value: f64) -> String {
        let mut text: String128 = [0; 128];
        // SAFETY: see `activate`; the plug-in has room for 128 characters.
        let told =
            unsafe { self.controller.getParamStringByValue(stored_id(control), value, &mut text) };
        assert_eq!(told, kResultOk, "{control:?}, {value}");
        let units: Vec<u16> =
            text.iter().map(|unit| *unit as u16).take_while(|unit| *unit != 0).collect();
        String::from_utf16(&units).expect("UTF-16")
    }

    /// The value from 0 to 1 of a text.
    pub(crate) fn value_of_text(&self, control: Control, text: &str) -> Option<f64> {
        let mut units: Vec<_> = text.encode_utf16().chain([0]).map(|unit| unit as _).collect();
        let mut value = f64::NAN;
        // SAFETY: see `activate`; the text ends with zero.
        let read = unsafe {
            let controller = &self.controller;
            controller.getParamValueByString(stored_id(control), units.as_mut_ptr(), &mut value)
        };
        (read == kResultOk).then_some(value)
    }

    /// Where from 0 to 1 a control has a value as the engine counts it.
    pub(crate) fn place_of(&self, control: Control, value: f32) -> f64 {
        let text = match control.spec().unit {
            tenon_dsp::Unit::Choice(names) => names[value as usize].to_owned(),
            _ => value.to_string(),
        };
        let place = self.value_of_text(control, &text);
        place.unwrap_or_else(|| panic!("{control:?} does not take {text:?}"))
    }
}

impl Drop for RawVst3 {
    fn drop(&mut self) {
        // SAFETY: nobody uses the plug-in any more.
        unsafe {
            self.controller.setComponentHandler(null_mut());
            self.component.terminate();
        }
    }
}

/// A bus of these channels.
pub(crate) fn bus(channels: &mut [*mut f32]) -> AudioBusBuffers {
    AudioBusBuffers {
        numChannels: channels.len() as int32,
        silenceFlags: 0,
        __field0: AudioBusBuffers__type0 { channelBuffers32: channels.as_mut_ptr() },
    }
}

/// A block over buses, without parameters and context.
pub(crate) fn block_of(
    inputs: &mut [AudioBusBuffers],
    outputs: &mut [AudioBusBuffers],
    samples: usize,
) -> ProcessData {
    ProcessData {
        processMode: kRealtime as int32,
        symbolicSampleSize: kSample32 as int32,
        numSamples: samples as int32,
        numInputs: inputs.len() as int32,
        numOutputs: outputs.len() as int32,
        inputs: if inputs.is_empty() { null_mut() } else { inputs.as_mut_ptr() },
        outputs: if outputs.is_empty() { null_mut() } else { outputs.as_mut_ptr() },
        inputParameterChanges: null_mut(),
        outputParameterChanges: null_mut(),
        inputEvents: null_mut(),
        outputEvents: null_mut(),
        processContext: null_mut(),
    }
}

/// Values of parameters for a block, one point each.
pub(crate) struct Changes(ComPtr<IParameterChanges>);

impl Changes {
    /// Id, sample and value from 0 to 1 of each.
    pub(crate) fn new(points: &[(u32, i32, f64)]) -> Self {
        let queue = |(id, offset, value): &(u32, i32, f64)| {
            let queue = ComWrapper::new(Queue { id: *id, offset: *offset, value: *value });
            queue.to_com_ptr().expect("a queue")
        };
        let list = ComWrapper::new(List(points.iter().map(queue).collect()));
        Self(list.to_com_ptr().expect("a list"))
    }

    /// The list to pass; it must not outlive the changes.
    pub(crate) fn as_ptr(&self) -> *mut IParameterChanges {
        self.0.as_ptr()
    }
}

struct List(Vec<ComPtr<IParamValueQueue>>);

impl Class for List {
    type Interfaces = (IParameterChanges,);
}

impl IParameterChangesTrait for List {
    unsafe fn getParameterCount(&self) -> int32 {
        self.0.len() as int32
    }

    unsafe fn getParameterData(&self, index: int32) -> *mut IParamValueQueue {
        self.0.get(index as usize).map_or(null_mut(), ComPtr::as_ptr)
    }

    unsafe fn addParameterData(&self, _: *const ParamID, _: *mut int32) -> *mut IParamValueQueue {
        null_mut()
    }
}

struct Queue {
    id: u32,
    offset: i32,
    value: f64,
}

impl Class for Queue {
    type Interfaces = (IParamValueQueue,);
}

impl IParamValueQueueTrait for Queue {
    unsafe fn getParameterId(&self) -> ParamID {
        self.id
    }

    unsafe fn getPointCount(&self) -> int32 {
        1
    }

    unsafe fn getPoint(&self, index: int32, at: *mut int32, value: *mut ParamValue) -> tresult {
        if index != 0 {
            return kInvalidArgument;
        }
        // SAFETY: the plug-in has room for both.
        unsafe {
            *at = self.offset;
            *value = self.value;
        }
        kResultOk
    }

    unsafe fn addPoint(&self, _: int32, _: ParamValue, _: *mut int32) -> tresult {
        kNotImplemented
    }
}

struct Handler {
    restarts: Arc<AtomicI32>,
    gate: Arc<Mutex<()>>,
    edits: Arc<AtomicUsize>,
}

impl Class for Handler {
    type Interfaces = (IComponentHandler,);
}

impl IComponentHandlerTrait for Handler {
    unsafe fn beginEdit(&self, _: ParamID) -> tresult {
        self.edits.fetch_add(1, Ordering::SeqCst);
        kResultOk
    }

    unsafe fn performEdit(&self, _: ParamID, _: ParamValue) -> tresult {
        kResultOk
    }

    unsafe fn endEdit(&self, _: ParamID) -> tresult {
        kResultOk
    }

    unsafe fn restartComponent(&self, flags: int32) -> tresult {
        self.restarts.fetch_or(flags, Ordering::SeqCst);
        drop(self.gate.lock().expect("no test panics while it holds the gate"));
        kResultOk
    }
}

/// Bytes in memory.
#[derive(Default)]
struct Stream {
    bytes: RefCell<Vec<u8>>,
    at: Cell<usize>,
}

impl Class for Stream {
    type Interfaces = (IBStream,);
}

impl IBStreamTrait for Stream {
    unsafe fn read(&self, buffer: *mut c_void, size: int32, read: *mut int32) -> tresult {
        let bytes = self.bytes.borrow();
        let (at, size) = (self.at.get(), size.max(0) as usize);
        let length = size.min(bytes.len().saturating_sub(at));
        // SAFETY: the plug-in has room for `size` bytes, and for the count or none.
        unsafe {
            bytes[at..].as_ptr().copy_to_nonoverlapping(buffer.cast(), length);
            if !read.is_null() {
                *read = length as int32;
            }
        }
        self.at.set(at + length);
        kResultOk
    }

    unsafe fn write(&self, buffer: *mut c_void, size: int32, written: *mut int32) -> tresult {
        // SAFETY: the plug-in has `size` bytes there, and room for the count or none.
        unsafe {
            let new = std::slice::from_raw_parts(buffer.cast::<u8>(), size.max(0) as usize);
            self.bytes.borrow_mut().extend(new);
            if !written.is_null() {
                *written = size;
            }
        }
        self.at.set(self.bytes.borrow().len());
        kResultOk
    }

    unsafe fn seek(&self, to: int64, mode: int32, result: *mut int64) -> tresult {
        let from = match mode as u32 {
            mode if mode == IStreamSeekMode_::kIBSeekSet as u32 => 0,
            mode if mode == IStreamSeekMode_::kIBSeekCur as u32 => self.at.get(),
            _ => self.bytes.borrow().len(),
        };
        let place = from as int64 + to;
        if place < 0 || place > self.bytes.borrow().len() as int64 {
            return kResultFalse;
        }
        self.at.set(place as usize);
        if !result.is_null() {
            // SAFETY: the plug-in has room for it.
            unsafe { *result = place };
        }
        kResultOk
    }

    unsafe fn tell(&self, place: *mut int64) -> tresult {
        // SAFETY: the plug-in has room for it.
        unsafe { *place = self.at.get() as int64 };
        kResultOk
    }
}
