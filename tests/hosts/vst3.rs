//! A VST3 host, of `vst3-host`.
//!
//! What that host does not offer, and so is not tested here: asking the plug-in what value a text
//! stands for, and resetting while processing goes on (VST3 has no such call; hosts stop and start).

use tenon_dsp::Control;
use vst3_host::audio::{BusDirection, MediaType, SpeakerArrangement};
use vst3_host::{Plugin, Vst3Host};

use super::shared::{Audio, Host, Layout, MAX_BLOCK, Parameter, Take, bundle, stored_id, value_of};

/// The input bus of the key.
pub(crate) const KEY: i32 = 1;

/// An instance in the host.
pub(crate) struct Vst3 {
    pub(crate) plugin: Plugin,
    /// Restarts that the plug-in has asked for and that have not been told of.
    restarts: usize,
}

impl Vst3 {
    /// Chooses a layout, with its key connected. Only while stopped.
    pub(crate) fn select(&mut self, layout: Layout) {
        let arrangement = |channels| match channels {
            1 => SpeakerArrangement::MONO,
            _ => SpeakerArrangement::STEREO,
        };
        let main = arrangement(layout.channels());
        let key = arrangement(layout.key_channels());
        let inputs = if layout.key_channels() > 0 { vec![main, key] } else { vec![main] };
        self.plugin.set_bus_arrangements(&inputs, &[main]).expect("the layout is taken");
        if layout.key_channels() > 0 {
            self.switch_bus(KEY, true);
        }
    }

    /// Connects or disconnects an input. Only while stopped.
    pub(crate) fn switch_bus(&mut self, bus: i32, active: bool) {
        let switched =
            self.plugin.set_bus_active(MediaType::Audio, BusDirection::Input, bus, active);
        switched.expect("the bus is switched");
    }

    fn text_at(&self, control: Control, place: f64) -> String {
        self.plugin.format_parameter(stored_id(control), place).expect("a text")
    }

    /// A place, 0 to 1, at which the plug-in shows a value; found by halving, because this host has
    /// no other way.
    fn place_of(&self, control: Control, value: f32) -> f64 {
        let shown = |place| value_of(control, &self.text_at(control, place));
        // Where the texts come to be those of `reached`, which they are from there on.
        let edge = |reached: &dyn Fn(f32) -> bool| {
            let (mut below, mut above) = (0.0, 1.0);
            for _ in 0..40 {
                let middle = 0.5 * (below + above);
                *(if reached(shown(middle)) { &mut above } else { &mut below }) = middle;
            }
            above
        };
        let place = 0.5 * (edge(&|shown| shown >= value) + edge(&|shown| shown > value));
        assert_eq!(shown(place), value, "no place of {control:?} shows it");
        place
    }
}

impl Host for Vst3 {
    fn load() -> Self {
        let mut host = Vst3Host::builder().block_size(MAX_BLOCK).build().expect("a host");
        let plugin = host.load_plugin(bundle("TENON_VST3", "Tenon.vst3"));
        Vst3 { plugin: plugin.expect("the bundle loads"), restarts: 0 }
    }

    fn parameters(&mut self) -> Vec<Parameter> {
        let parameters = self.plugin.get_parameters().expect("parameters");
        assert_eq!(parameters.len(), Control::ALL.len());
        Control::ALL
            .into_iter()
            .zip(parameters)
            .map(|(control, parameter)| Parameter {
                id: parameter.id,
                steps: parameter.is_discrete().then_some(parameter.step_count as usize),
                is_bypass: parameter.is_bypass,
                can_automate: parameter.can_automate,
                lowest: self.text_at(control, 0.0),
                highest: self.text_at(control, 1.0),
                default: self.text_at(control, parameter.default),
                name: parameter.name,
            })
            .collect()
    }

    fn text(&mut self, control: Control) -> String {
        let place = self.plugin.get_parameter(stored_id(control)).expect("a value");
        self.text_at(control, place)
    }

    fn set(&mut self, control: Control, value: f32) {
        let place = self.place_of(control, value);
        self.plugin.set_parameter(stored_id(control), place).expect("the value is taken");
        assert_eq!(value_of(control, &self.text(control)), value, "{control:?}");
    }

    fn start(&mut self, layout: Layout, rate_hz: f64) {
        self.plugin.reconfigure(rate_hz, MAX_BLOCK).expect("the rate is taken");
        self.select(layout);
        self.plugin.start_processing().expect("processing starts");
        // This host reads the latency when it does as the plug-in has asked.
        while self.plugin.service_host_requests().expect("a restart").latency_changed() {
            self.restarts += 1;
        }
    }

    fn stop(&mut self) {
        self.plugin.stop_processing().expect("processing stops");
    }

    fn set_tempo(&mut self, tempo_bpm: f64) {
        self.plugin.set_tempo(tempo_bpm).expect("the tempo is taken");
    }

    fn reset(&mut self) {
        self.stop();
        self.plugin.start_processing().expect("processing starts");
    }

    fn play(&mut self, take: Take<'_>) -> Audio {
        let mut output: Audio = vec![Vec::new(); take.input.len()];
        for range in take.ranges() {
            for change in take.changes.iter().filter(|change| range.contains(&change.at)) {
                let place = self.place_of(change.control, change.value);
                let offset = (change.at - range.start) as i32;
                let queued = self.plugin.set_parameter_at(stored_id(change.control), place, offset);
                queued.expect("the value is taken");
            }
            let layout = self.plugin.audio_bus_layout().expect("buses");
            let rate_hz = self.plugin.sample_rate();
            let mut buffers = vst3_host::audio::BusAudioBuffers::new(&layout, range.len(), rate_hz);
            for (bus, samples) in buffers.inputs.iter_mut().zip([take.input, take.key]) {
                for (channel, samples) in bus.channels.iter_mut().zip(samples) {
                    channel.copy_from_slice(&samples[range.clone()]);
                }
            }
            self.plugin.process_bus_audio(&mut buffers).expect("the plug-in processes");
            for (output, channel) in output.iter_mut().zip(&buffers.outputs[0].channels) {
                output.extend(channel);
            }
            self.restarts += usize::from(self.plugin.take_restart_flags().latency_changed());
        }
        output
    }

    fn latency(&mut self) -> usize {
        self.plugin.latency_samples() as usize
    }

    fn restarts_asked_for(&mut self) -> usize {
        std::mem::take(&mut self.restarts)
    }

    fn save(&mut self) -> Vec<u8> {
        // The host puts a header before what the plug-in wrote: a mark of 16 bytes, a version, and
        // the lengths of processor and controller state. The controller has none of its own here.
        const HEADER: usize = 16 + 4 + 4 + 4;
        let saved = self.plugin.save_state().expect("a state");
        let state = saved[HEADER..].to_vec();
        let length = saved[HEADER - 8..HEADER - 4].try_into().expect("four bytes");
        assert_eq!(u32::from_le_bytes(length) as usize, state.len());
        state
    }

    fn restore(&mut self, state: &[u8]) -> bool {
        // Without the header, the host takes it for the processor's state as it is.
        self.plugin.load_state(state).is_ok()
    }

    fn as_state(json: &[u8]) -> Vec<u8> {
        json.to_vec()
    }
}
