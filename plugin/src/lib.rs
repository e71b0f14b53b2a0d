//! Tenon as a plug-in: ties the audio thread, the host and the editor together and exports the
//! formats. Knows nothing of how sound is processed or how the editor draws.

pub mod text;

pub mod presets;

pub mod files;

mod library;

pub mod trial;

mod params;
mod state;

mod feed;
mod listener;
mod blind;

mod pair;
mod audio;

mod format;
mod host_menu;

mod editor;

mod clap;
mod vst3;

pub mod render;
pub mod report;

use std::sync::{Arc, Mutex};

use nice_plug::prelude::*;
use nice_plug_egui::RepaintNotifier;
use tenon_dsp::Processor;

use audio::Audio;
use blind::Blind;
use editor::BusEditor;
use feed::FeedOut;
use format::Format;
use host_menu::{HostMenu, MenuTask};
use listener::Listener;
use state::BusState;

/// The bus compressor.
pub struct Bus {
    state: Arc<BusState>,
    audio: Audio,
    feed: Arc<Mutex<FeedOut>>,
    listener: Listener,
    blind: Arc<Mutex<Blind>>,
    /// None outside hosts.
    format: Option<Arc<dyn Format>>,
    repaint: RepaintNotifier,
    host_menu: HostMenu,
}

impl Default for Bus {
    fn default() -> Self {
        let processor = Processor::new();
        let (feed_in, feed_out) = feed::feed(processor.readings());
        let (listener_in, listener) = listener::listener();
        let (blind_in, blind) = blind::blind();
        let format = format::of_new_instance();
        Self {
            state: Arc::default(),
            audio: Audio::new(processor, feed_in, listener_in, blind_in),
            feed: Arc::new(Mutex::new(feed_out)),
            listener,
            blind: Arc::new(Mutex::new(blind)),
            repaint: RepaintNotifier::new(),
            host_menu: HostMenu::new(format.clone()),
            format,
        }
    }
}

impl Plugin for Bus {
    const NAME: &'static str = "Tenon";
    const VENDOR: &'static str = "Tenon";
    const URL: &'static str = "";
    const EMAIL: &'static str = "";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");

    const AUDIO_IO_LAYOUTS: &'static [AudioIOLayout] = audio::LAYOUTS;
    const SAMPLE_ACCURATE_AUTOMATION: bool = true;

    type Editor = BusEditor;
    type SysExMessage = ();
    type BackgroundTask = MenuTask;

    fn params(&self) -> Arc<dyn Params> {
        self.state.clone()
    }

    fn task_executor(&mut self) -> TaskExecutor<Self> {
        let (menu, repaint) = (self.host_menu.clone(), self.repaint.clone());
        Box::new(move |task| {
            if !menu.perform(task) {
                // The editor says so.
                repaint.request_repaint();
            }
        })
    }

    fn editor(&mut self, executor: AsyncExecutor<Self>) -> Option<BusEditor> {
        self.host_menu.post_by(move |task| executor.execute_gui(task));
        let sources = (self.feed.clone(), self.listener.clone());
        let (blind, menu) = (self.blind.clone(), self.host_menu.clone());
        Some(BusEditor::new(self.state.clone(), sources, blind, menu, self.repaint.clone()))
    }

    fn filter_state(state: &mut PluginState) {
        state::refuse_foreign(state);
    }

    fn activate(
        &mut self,
        layout: &AudioIOLayout,
        config: &BufferConfig,
        context: &mut impl ActivateContext<Self>,
    ) -> bool {
        let config = (f64::from(config.sample_rate), config.process_mode);
        match self.audio.activate(layout, config, &self.state) {
            Ok(latency) => {
                // The framework passes this on only when it has changed.
                context.set_latency_samples(latency);
                true
            }
            Err(error) => {
                nice_error!("Cannot start: {error}");
                false
            }
        }
    }

    fn reset(&mut self) {
        // Where a thread's own variables are made room for when it first touches them, that is done
        // now rather than in its first block: hosts start processing on the audio thread.
        let _ = std::thread::current().id();
        self.audio.reset();
    }

    fn process(
        &mut self,
        buffer: &mut Buffer,
        aux: &mut AuxiliaryBuffers,
        context: &mut impl ProcessContext<Self>,
    ) -> ProcessStatus {
        let key = aux.inputs.first().map(Buffer::as_slice_immutable);
        if let Some(offline) = self.format.as_ref().and_then(|format| format.is_offline()) {
            self.audio.set_offline(offline);
        }
        self.audio.set_tempo(context.transport().tempo);
        let place = audio::place(context.transport());
        let processed = self.audio.process(buffer.as_slice(), key, place, &self.state);
        if processed.news {
            self.repaint.request_repaint();
        }
        if let Some(latency) = processed.next_latency {
            match context.plugin_api() {
                // Asks for a restart, in the course of which the host is told to read the latency.
                PluginApi::Clap => context.set_latency_samples(latency),
                // There the host may read the latency at once and restart whenever it likes; the new
                // one is passed on when it activates.
                PluginApi::Vst3 | PluginApi::Standalone => context.request_restart(),
            }
        }
        processed.status
    }
}

impl ClapPlugin for Bus {
    const CLAP_ID: &'static str = "audio.tenon.bus";
    const CLAP_DESCRIPTION: Option<&'static str> =
        Some("Compresses a subgroup or a master bus, and compares at the same loudness");
    const CLAP_MANUAL_URL: Option<&'static str> = None;
    const CLAP_SUPPORT_URL: Option<&'static str> = None;
    const CLAP_FEATURES: &'static [ClapFeature] = &[
        ClapFeature::AudioEffect,
        ClapFeature::Compressor,
        ClapFeature::Mastering,
        ClapFeature::Mixing,
        ClapFeature::Stereo,
        ClapFeature::Mono,
    ];
}

impl Vst3Plugin for Bus {
    // Never changes: sessions find the plug-in by it.
    const VST3_CLASS_ID: [u8; 16] = *b"TenonBusCompress";
    const VST3_SUBCATEGORIES: &'static [Vst3SubCategory] =
        &[Vst3SubCategory::Fx, Vst3SubCategory::Dynamics, Vst3SubCategory::Mastering];
}

self::clap::export!(Bus);
vst3::export!(Bus);

#[cfg(test)]
mod tests {
    use super::*;
    use clack_extensions::params::{ParamInfoBuffer, PluginParams};
    use clack_extensions::state::PluginState;
    use clack_host::prelude::*;

    /// Does nothing that it is asked for.
    struct Deaf;

    impl SharedHandler<'_> for Deaf {
        fn request_restart(&self) {}
        fn request_process(&self) {}
        fn request_callback(&self) {}
    }

    struct Host;

    impl HostHandlers for Host {
        type Shared<'a> = Deaf;
        type MainThread<'a> = ();
        type AudioProcessor<'a> = ();
    }

    fn instance() -> PluginInstance<Host> {
        // SAFETY: the entry is a static of this crate and complies with CLAP.
        #[allow(unsafe_code)]
        let entry = unsafe { PluginEntry::load_from_raw(&clap_entry, c"tenon.clap") }.unwrap();
        let info = HostInfo::new("Test", "Test", "", "1").unwrap();
        PluginInstance::new(|_| Deaf, |_| (), &entry, c"audio.tenon.bus", &info).unwrap()
    }

    fn save(instance: &mut PluginInstance<Host>) -> Vec<u8> {
        let plugin = instance.plugin_handle();
        let state: PluginState = plugin.get_extension().unwrap();
        let mut bytes = Vec::new();
        state.save(&plugin, &mut bytes).unwrap();
        bytes
    }

    fn load(instance: &mut PluginInstance<Host>, mut bytes: &[u8]) -> bool {
        let plugin = instance.plugin_handle();
        let state: PluginState = plugin.get_extension().unwrap();
        state.load(&plugin, &mut bytes).is_ok()
    }

    /// A state as the framework frames it in CLAP: the length, then JSON.
    fn framed(json: &str) -> Vec<u8> {
        let mut bytes = (json.len() as u64).to_le_bytes().to_vec();
        bytes.extend(json.as_bytes());
        bytes
    }

    fn json(bytes: &[u8]) -> String {
        String::from_utf8(bytes[8..].to_vec()).unwrap()
    }

    fn moved(bytes: &[u8]) -> Vec<u8> {
        let changed = json(bytes)
            .replace(r#""threshold":{"f32":-18.0}"#, r#""threshold":{"f32":-23.45}"#)
            .replace(r#""bypass":{"bool":false}"#, r#""bypass":{"bool":true}"#)
            .replace(r#"\"gain_db\":0.0,\"held\":false"#, r#"\"gain_db\":-1.625,\"held\":true"#);
        assert_ne!(changed, json(bytes));
        framed(&changed)
    }

    #[test]
    fn a_state_comes_back_in_a_fresh_instance_byte_for_byte() {
        let saved = moved(&save(&mut instance()));
        let mut fresh = instance();
        assert!(load(&mut fresh, &saved));
        assert_eq!(json(&save(&mut fresh)), json(&saved));

        let plugin = fresh.plugin_handle();
        let params: PluginParams = plugin.get_extension().unwrap();
        let mut buffer = ParamInfoBuffer::new();
        let values: Vec<(String, f64)> = (0..params.count(&plugin))
            .map(|index| {
                let info = params.get_info(&plugin, index, &mut buffer).unwrap();
                let name = String::from_utf8_lossy(info.name).into_owned();
                (name, params.get_value(&plugin, info.id).unwrap())
            })
            .collect();
        assert!(values.contains(&("Bypass".to_owned(), 1.0)), "{values:?}");
    }

    #[test]
    fn what_is_no_state_is_refused_and_the_settings_stay() {
        let mut running = instance();
        let mine = moved(&save(&mut running));
        assert!(load(&mut running, &mine));
        let noise: Vec<u8> = (0..500_u32).map(|n| (n * n * 31 + 7) as u8).collect();
        let cut_short = &mine[..mine.len() - 40];
        for bytes in [&[][..], &[1, 2, 3], cut_short, &noise, &framed("null"), &framed("{}")] {
            assert!(!load(&mut running, bytes));
            assert_eq!(json(&save(&mut running)), json(&mine));
        }
    }

    #[test]
    fn foreign_and_damaged_states_leave_the_settings_untouched() {
        let mut running = instance();
        let mine = moved(&save(&mut running));
        assert!(load(&mut running, &mine));
        let newer = json(&mine).replace(r#"\"version\":2"#, r#"\"version\":99"#);
        let beyond = json(&mine).replace(r#"{"f32":-23.45}"#, r#"{"f32":1e39}"#);
        let outside = json(&mine).replace(r#"{"f32":-23.45}"#, r#"{"f32":6.0}"#);
        let foreign = r#"{"version":"1","params":{"threshold":{"f32":-3.0}},"fields":{}}"#;
        for state in [newer.as_str(), &beyond, &outside, foreign] {
            assert_ne!(state, json(&mine));
            // The framework offers no way to refuse these; nothing may come of them.
            load(&mut running, &framed(state));
            assert_eq!(json(&save(&mut running)), json(&mine));
        }
    }
}
