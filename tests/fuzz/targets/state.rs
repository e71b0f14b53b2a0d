//! Whatever bytes a session holds: they are refused and nothing changes, or they are taken up whole.
//!
//! The first byte says what the rest is: JSON, to be framed as the plug-in frames its own, or bytes
//! to be handed over as they are.
#![no_main]

use std::io::Cursor;

use clack_extensions::params::{ParamInfoBuffer, PluginParams};
use clack_extensions::state::PluginState;
use clack_host::prelude::*;
use libfuzzer_sys::fuzz_target;

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

struct Instance {
    plugin: PluginInstance<Host>,
    state: PluginState,
    params: PluginParams,
}

impl Instance {
    fn new() -> Self {
        // SAFETY: the entry is a static of the plug-in and complies with CLAP.
        let entry = unsafe { PluginEntry::load_from_raw(&tenon::clap_entry, c"tenon.clap") }.unwrap();
        let info = HostInfo::new("Fuzz", "Fuzz", "", "1").unwrap();
        let new = PluginInstance::new(|_| Deaf, |_| (), &entry, c"audio.tenon.bus", &info);
        let mut plugin = new.unwrap();
        let handle = plugin.plugin_handle();
        let state = handle.get_extension().unwrap();
        let params = handle.get_extension().unwrap();
        Self { plugin, state, params }
    }

    fn save(&mut self) -> Vec<u8> {
        let mut bytes = Vec::new();
        self.state.save(&self.plugin.plugin_handle(), &mut bytes).unwrap();
        bytes
    }

    fn load(&mut self, bytes: &[u8]) -> bool {
        self.state.load(&self.plugin.plugin_handle(), &mut Cursor::new(bytes)).is_ok()
    }

    fn check_values(&mut self) {
        let plugin = self.plugin.plugin_handle();
        let mut buffer = ParamInfoBuffer::new();
        for index in 0..self.params.count(&plugin) {
            let info = self.params.get_info(&plugin, index, &mut buffer).unwrap();
            let (min, max) = (info.min_value, info.max_value);
            let value = self.params.get_value(&plugin, info.id).unwrap();
            assert!((min..=max).contains(&value), "{value} is not from {min} to {max}");
        }
    }
}

thread_local! {
    static PAIR: std::cell::RefCell<[Instance; 2]> =
        std::cell::RefCell::new([Instance::new(), Instance::new()]);
}

fuzz_target!(|data: &[u8]| {
    let Some((kind, data)) = data.split_first() else { return };
    let state = match kind % 2 {
        0 => [&(data.len() as u64).to_le_bytes(), data].concat(),
        _ => data.to_vec(),
    };
    PAIR.with_borrow_mut(|[one, other]| {
        let before = one.save();
        if !one.load(&state) {
            assert_eq!(one.save(), before, "refused, and changed");
            return;
        }
        one.check_values();
        // What was taken up can be saved, and comes back whole.
        let saved = one.save();
        assert!(other.load(&saved), "what it saves it does not read");
        assert_eq!(other.save(), saved, "saved again, the state is another");
    });
});
