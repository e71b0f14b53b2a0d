//! A CLAP host, of `clack-host`.

use std::cell::Cell;
use std::ffi::{CStr, CString};
use std::io::Cursor;
use std::ops::Range;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use clack_extensions::audio_ports::{AudioPortFlags, AudioPortInfoBuffer, PluginAudioPorts};
use clack_extensions::audio_ports_config::{AudioPortsConfigBuffer, PluginAudioPortsConfig};
use clack_extensions::latency::{HostLatency, HostLatencyImpl, PluginLatency};
use clack_extensions::params::{
    HostParams, HostParamsImplMainThread, HostParamsImplShared, ParamClearFlags, ParamInfoBuffer,
    ParamInfoFlags, ParamRescanFlags, PluginParams,
};
use clack_extensions::state::PluginState;
use clack_host::events::EventFlags;
use clack_host::events::event_types::{
    ParamModEvent, ParamValueEvent, TransportEvent, TransportFlags,
};
use clack_host::prelude::*;
use tenon_dsp::{Control, Unit};

use super::shared::{Audio, Host, Layout, MAX_BLOCK, Parameter, Take, bundle, stored_id, value_of};

/// The id under which hosts know the plug-in.
pub(crate) const ID: &CStr = c"audio.tenon.bus";

/// Loads the bundle.
#[allow(unsafe_code)]
pub(crate) fn entry() -> PluginEntry {
    let bundle = bundle("TENON_CLAP", "Tenon.clap");
    // SAFETY: the bundle is our own and keeps to the CLAP ABI.
    unsafe { PluginEntry::load(&bundle) }.expect("the bundle loads")
}

/// An instance in the host.
pub(crate) struct Clap {
    // Before the instance: it must be gone when the instance is deactivated.
    processor: Option<StartedPluginAudioProcessor<Callbacks>>,
    instance: PluginInstance<Callbacks>,
    params: PluginParams,
    state: PluginState,
    /// Offset by which the next take is modulated from its beginning.
    modulation: Option<ParamModEvent>,
    /// Quarter notes a minute.
    tempo_bpm: Option<f64>,
}

/// What the plug-in may ask of the host.
struct Callbacks;

impl HostHandlers for Callbacks {
    type Shared<'a> = Asked;
    type MainThread<'a> = MainThread;
    type AudioProcessor<'a> = ();

    fn declare_extensions(builder: &mut HostExtensions<Self>, _: &Asked) {
        builder.register::<HostParams>().register::<HostLatency>();
    }
}

/// What the plug-in has asked for, from any thread.
#[derive(Default)]
struct Asked {
    restarts: AtomicUsize,
    callback: AtomicBool,
}

impl SharedHandler<'_> for Asked {
    fn request_restart(&self) {
        self.restarts.fetch_add(1, Ordering::SeqCst);
    }

    fn request_process(&self) {}

    fn request_callback(&self) {
        self.callback.store(true, Ordering::SeqCst);
    }
}

impl HostParamsImplShared for Asked {
    fn request_flush(&self) {}
}

/// What the plug-in has said on the main thread.
#[derive(Default)]
struct MainThread {
    /// Whether the plug-in is being activated, which is when its latency may change.
    activating: Cell<bool>,
    latency_changes: Cell<usize>,
}

impl MainThreadHandler<'_> for MainThread {}

impl HostParamsImplMainThread for MainThread {
    fn rescan(&self, _: ParamRescanFlags) {}
    fn clear(&self, _: ClapId, _: ParamClearFlags) {}
}

impl HostLatencyImpl for MainThread {
    fn changed(&self) {
        assert!(self.activating.get(), "the latency changes while the plug-in is active");
        self.latency_changes.update(|changes| changes + 1);
    }
}

/// An audio port as the host sees it.
#[derive(Debug, PartialEq)]
pub(crate) struct Port {
    pub(crate) name: String,
    pub(crate) channels: u32,
    pub(crate) is_main: bool,
    /// Takes samples in double precision.
    pub(crate) is_double: bool,
}

impl Clap {
    /// Names of the layouts on offer.
    pub(crate) fn layouts(&mut self) -> Vec<String> {
        let plugin = self.instance.plugin_handle();
        let configs: PluginAudioPortsConfig = plugin.get_extension().expect("audio ports config");
        let mut buffer = AudioPortsConfigBuffer::new();
        (0..configs.count(&plugin))
            .map(|index| {
                let config = configs.get(&plugin, index, &mut buffer).expect("a layout");
                assert_eq!(config.id, ClapId::new(index));
                String::from_utf8_lossy(config.name).into_owned()
            })
            .collect()
    }

    /// Chooses a layout. Only while stopped.
    pub(crate) fn select(&mut self, layout: Layout) {
        let plugin = self.instance.plugin_handle();
        let configs: PluginAudioPortsConfig = plugin.get_extension().expect("audio ports config");
        let index = Layout::ALL.iter().position(|other| *other == layout).expect("one of all");
        configs.select(&plugin, ClapId::new(index as u32)).expect("the layout is taken");
    }

    /// The ports of the chosen layout.
    pub(crate) fn ports(&mut self, is_input: bool) -> Vec<Port> {
        let plugin = self.instance.plugin_handle();
        let ports: PluginAudioPorts = plugin.get_extension().expect("audio ports");
        let mut buffer = AudioPortInfoBuffer::new();
        (0..ports.count(&plugin, is_input))
            .map(|index| {
                let port = ports.get(&plugin, index, is_input, &mut buffer).expect("a port");
                Port {
                    name: String::from_utf8_lossy(port.name).into_owned(),
                    channels: port.channel_count,
                    is_main: port.flags.contains(AudioPortFlags::IS_MAIN),
                    is_double: port.flags.contains(AudioPortFlags::SUPPORTS_64BITS),
                }
            })
            .collect()
    }

    /// How often the plug-in has said that its latency has changed.
    pub(crate) fn latency_changes(&self) -> usize {
        self.instance.access_handler(|main| main.latency_changes.get())
    }

    /// The text of a value as CLAP counts it: 0 to 1, or the index of a choice.
    pub(crate) fn text_of(&mut self, control: Control, value: f64) -> String {
        let mut buffer = [0; 256];
        let text = self.params.value_to_text(
            &self.instance.plugin_handle(),
            id(control),
            value,
            &mut buffer,
        );
        String::from_utf8(text.expect("a text").to_vec()).expect("UTF-8")
    }

    /// The value of a text, as CLAP counts it.
    pub(crate) fn value_of_text(&mut self, control: Control, text: &str) -> Option<f64> {
        let text = CString::new(text).expect("no zero");
        self.params.text_to_value(&self.instance.plugin_handle(), id(control), &text)
    }

    /// The highest value, as CLAP counts it.
    pub(crate) fn highest(control: Control) -> f64 {
        match control.spec().unit {
            Unit::Choice(names) => names.len() as f64 - 1.0,
            _ => 1.0,
        }
    }

    /// Modulates a parameter by an offset, as CLAP counts it, from the next take on.
    pub(crate) fn modulate(&mut self, control: Control, offset: f64) {
        self.modulation = Some(ParamModEvent::new(0, id(control), Pckn::match_all(), offset));
    }

    /// The event that sets a parameter to what one would type.
    fn change(&mut self, control: Control, value: f32) -> ParamValueEvent {
        let text = match control.spec().unit {
            Unit::Choice(names) => names[value as usize].to_owned(),
            _ => value.to_string(),
        };
        let value = self.value_of_text(control, &text);
        let value = value.unwrap_or_else(|| panic!("{control:?} does not take {text:?}"));
        ParamValueEvent::new(0, id(control), Pckn::match_all(), value)
    }

    /// Does on the main thread what the plug-in has put off.
    fn call_back(&mut self) {
        let asked = |asked: &Asked| asked.callback.swap(false, Ordering::SeqCst);
        if self.instance.access_shared_handler(asked) {
            self.instance.call_on_main_thread_callback();
        }
    }
}

fn id(control: Control) -> ClapId {
    ClapId::new(stored_id(control))
}

impl Host for Clap {
    fn load() -> Self {
        let host = HostInfo::new("Tenon's tests", "Tenon", "", "1").expect("no zeros");
        let new = PluginInstance::new(
            |_| Asked::default(),
            |_| MainThread::default(),
            &entry(),
            ID,
            &host,
        );
        let mut instance = new.expect("the plug-in instantiates");
        let plugin = instance.plugin_handle();
        let params = plugin.get_extension().expect("parameters");
        let state = plugin.get_extension().expect("state");
        Clap { processor: None, instance, params, state, modulation: None, tempo_bpm: None }
    }

    fn parameters(&mut self) -> Vec<Parameter> {
        let count = self.params.count(&self.instance.plugin_handle());
        assert_eq!(count as usize, Control::ALL.len());
        let mut parameters = Vec::new();
        for (index, control) in Control::ALL.into_iter().enumerate() {
            let mut buffer = ParamInfoBuffer::new();
            let plugin = self.instance.plugin_handle();
            let info = self.params.get_info(&plugin, index as u32, &mut buffer);
            let info = info.expect("a parameter");
            assert_eq!((info.min_value, info.max_value), (0.0, Self::highest(control)));
            let is = |flag| info.flags.contains(flag);
            let steps = is(ParamInfoFlags::IS_STEPPED).then_some(info.max_value as usize);
            parameters.push(Parameter {
                id: info.id.get(),
                name: String::from_utf8_lossy(info.name).into_owned(),
                steps,
                is_bypass: is(ParamInfoFlags::IS_BYPASS),
                can_automate: is(ParamInfoFlags::IS_AUTOMATABLE),
                lowest: self.text_of(control, info.min_value),
                highest: self.text_of(control, info.max_value),
                default: self.text_of(control, info.default_value),
            });
        }
        parameters
    }

    fn text(&mut self, control: Control) -> String {
        let value = self.params.get_value(&self.instance.plugin_handle(), id(control));
        self.text_of(control, value.expect("a value"))
    }

    fn set(&mut self, control: Control, value: f32) {
        let change = self.change(control, value);
        let (mut input, mut output) = (EventBuffer::new(), EventBuffer::new());
        input.push(&change);
        let mut plugin = self.instance.inactive_plugin_handle().expect("stopped");
        self.params.flush(&mut plugin, &input.as_input(), &mut output.as_output());
        self.call_back();
        assert_eq!(value_of(control, &self.text(control)), value, "{control:?}");
    }

    fn start(&mut self, layout: Layout, rate_hz: f64) {
        self.select(layout);
        let config = PluginAudioConfiguration {
            sample_rate: rate_hz,
            min_frames_count: 1,
            max_frames_count: MAX_BLOCK as u32,
        };
        self.instance.access_handler(|main| main.activating.set(true));
        let processor = self.instance.activate(|_, _| (), config).expect("the plug-in activates");
        self.instance.access_handler(|main| main.activating.set(false));
        self.call_back();
        self.processor = Some(processor.start_processing().expect("processing starts"));
    }

    fn stop(&mut self) {
        let processor = self.processor.take().expect("started");
        self.instance.deactivate(processor.stop_processing());
    }

    fn set_tempo(&mut self, tempo_bpm: f64) {
        self.tempo_bpm = Some(tempo_bpm);
    }

    fn reset(&mut self) {
        self.processor.as_mut().expect("started").reset();
    }

    fn play(&mut self, take: Take<'_>) -> Audio {
        let changes: Vec<(usize, ParamValueEvent)> = take
            .changes
            .iter()
            .map(|change| (change.at, self.change(change.control, change.value)))
            .collect();
        let modulation = self.modulation.take();
        let transport = self.tempo_bpm.map(transport);
        let processor = self.processor.as_mut().expect("started");
        // As hosts do, on a thread that is not the one of the instance.
        let output = std::thread::scope(|scope| {
            scope.spawn(|| play(processor, take, &changes, modulation, transport)).join()
        });
        self.call_back();
        output.unwrap_or_else(|panic| std::panic::resume_unwind(panic))
    }

    fn latency(&mut self) -> usize {
        let plugin = self.instance.plugin_handle();
        let latency: PluginLatency = plugin.get_extension().expect("latency");
        latency.get(&plugin) as usize
    }

    fn restarts_asked_for(&mut self) -> usize {
        self.instance.access_shared_handler(|asked| asked.restarts.swap(0, Ordering::SeqCst))
    }

    fn save(&mut self) -> Vec<u8> {
        let mut state = Vec::new();
        self.state.save(&self.instance.plugin_handle(), &mut state).expect("a state");
        state
    }

    fn restore(&mut self, state: &[u8]) -> bool {
        let plugin = self.instance.plugin_handle();
        let restored = self.state.load(&plugin, &mut Cursor::new(state));
        self.call_back();
        restored.is_ok()
    }

    fn as_state(json: &[u8]) -> Vec<u8> {
        // CLAP's streams do not tell their length, so it comes first.
        [&(json.len() as u64).to_le_bytes(), json].concat()
    }
}

/// A song that stands still and has a tempo.
fn transport(tempo_bpm: f64) -> TransportEvent {
    TransportEvent {
        header: EventHeader::new_core(0, EventFlags::empty()),
        flags: TransportFlags::HAS_TEMPO,
        song_pos_beats: 0.0.into(),
        song_pos_seconds: 0.0.into(),
        tempo: tempo_bpm,
        tempo_inc: 0.0,
        loop_start_beats: 0.0.into(),
        loop_end_beats: 0.0.into(),
        loop_start_seconds: 0.0.into(),
        loop_end_seconds: 0.0.into(),
        bar_start: 0.0.into(),
        bar_number: 0,
        time_signature_numerator: 0,
        time_signature_denominator: 0,
    }
}

/// What runs on the audio thread.
fn play(
    processor: &mut StartedPluginAudioProcessor<Callbacks>,
    take: Take<'_>,
    changes: &[(usize, ParamValueEvent)],
    mut modulation: Option<ParamModEvent>,
    transport: Option<TransportEvent>,
) -> Audio {
    let (main, key) = (take.input.len(), take.key.len());
    let mut output: Audio = vec![vec![0.0; take.input[0].len()]; main];
    let mut input_ports = AudioPorts::with_capacity(main + key, 2);
    let mut output_ports = AudioPorts::with_capacity(main, 1);
    for range in take.ranges() {
        let mut inputs = vec![part(take.input, &range)];
        if key > 0 {
            inputs.push(part(take.key, &range));
        }
        let inputs = input_ports.with_input_buffers(inputs.iter_mut().map(|port| {
            let channels = port.iter_mut().map(InputChannel::variable);
            AudioPortBuffer { latency: 0, channels: AudioPortBufferType::f32_input_only(channels) }
        }));
        let channels = output.iter_mut().map(|channel| &mut channel[range.clone()]);
        let mut outputs = output_ports.with_output_buffers([AudioPortBuffer {
            latency: 0,
            channels: AudioPortBufferType::f32_output_only(channels),
        }]);
        let (mut events, mut feedback) = (EventBuffer::new(), EventBuffer::new());
        if let Some(event) = modulation.take() {
            events.push(&event);
        }
        for (at, event) in changes.iter().filter(|(at, _)| range.contains(at)) {
            events.push(&event.with_time((at - range.start) as u32));
        }
        let status = processor.process(
            &inputs,
            &mut outputs,
            &events.as_input(),
            &mut feedback.as_output(),
            Some(range.start as u64),
            transport.as_ref(),
        );
        status.expect("the plug-in processes");
    }
    output
}

fn part(channels: &[Vec<f32>], range: &Range<usize>) -> Audio {
    channels.iter().map(|channel| channel[range.clone()].to_vec()).collect()
}
