//! The VST3 bundle keeps its promises in a host.

mod hosts {
    pub(crate) mod checks;
    pub(crate) mod shared;
    pub(crate) mod vst3;
}

use hosts::checks;
use hosts::shared::{Engine, Host, Layout, Take, assert_same, bundle, key, programme};
use hosts::vst3::{KEY, Vst3};
use tenon_dsp::{Control, Settings};
use vst3_host::audio::{BusDirection, MediaType};

/// Rate at which the host here loads plug-ins.
const RATE_HZ: f64 = 44_100.0;

#[test]
fn the_bundle_describes_itself() {
    let host = Vst3::load();
    let info = host.plugin.info();
    assert_eq!(info.name, "Tenon");
    assert_eq!(info.vendor, "Tenon");
    assert_eq!(info.version, env!("CARGO_PKG_VERSION"));
    assert!(info.category.contains("Fx"), "{}", info.category);
    assert!(info.has_gui);
    // Sessions find the plug-in by its class id.
    assert_eq!(info.uid, hex(b"TenonBusCompress"));
    assert_eq!((info.audio_inputs, info.audio_outputs), (2, 1));
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect()
}

#[test]
fn the_bundle_brings_its_licences() {
    let folder = bundle("TENON_VST3", "Tenon.vst3").join("Contents/Resources/Tenon-licences");
    let read = |name: &str| std::fs::read_to_string(folder.join(name)).expect(name);
    assert_eq!(read("LICENSE-MIT"), include_str!("../LICENSE-MIT"));
    assert_eq!(read("LICENSE-APACHE"), include_str!("../LICENSE-APACHE"));
    assert_eq!(read("LICENSE-FONTS.txt"), include_str!("../plugin/fonts/LICENSE.txt"));
    assert!(read("THIRD-PARTY.txt").contains("Mozilla Public License Version 2.0"));
}

#[test]
fn parameters_are_the_table_of_controls() {
    checks::parameters_are_the_table_of_controls::<Vst3>();
}

#[test]
fn output_is_the_engines_bit_for_bit() {
    checks::output_is_the_engines_bit_for_bit::<Vst3>();
}

#[test]
fn automation_lands_on_its_sample() {
    checks::automation_lands_on_its_sample::<Vst3>();
}

#[test]
fn a_saved_state_comes_back_whole() {
    checks::a_saved_state_comes_back_whole::<Vst3>();
}

#[test]
fn an_unsound_state_changes_nothing() {
    checks::an_unsound_state_changes_nothing::<Vst3>();
}

#[test]
fn latency_is_the_delay_of_an_impulse() {
    checks::latency_is_the_delay_of_an_impulse::<Vst3>();
}

#[test]
fn only_the_first_start_asks_for_a_restart() {
    checks::only_the_first_start_asks_for_a_restart::<Vst3>();
}

#[test]
fn quality_and_lookahead_wait_for_the_restart_they_ask_for() {
    checks::quality_and_lookahead_wait_for_the_restart_they_ask_for::<Vst3>();
}

#[test]
fn the_hosts_tempo_moves_a_release_in_notes() {
    checks::the_hosts_tempo_moves_a_release_in_notes::<Vst3>();
}

#[test]
fn bypass_nulls_against_the_delayed_input() {
    checks::bypass_nulls_against_the_delayed_input::<Vst3>();
}

#[test]
fn the_key_input_moves_the_gain() {
    checks::the_key_input_moves_the_gain::<Vst3>();
}

#[test]
fn two_instances_do_not_disturb_each_other() {
    checks::two_instances_do_not_disturb_each_other::<Vst3>();
}

#[test]
fn every_rate_gives_the_engines_finite_output() {
    checks::every_rate_gives_the_engines_finite_output::<Vst3>();
}

#[test]
fn a_host_may_change_rate_and_layout() {
    checks::a_host_may_change_rate_and_layout::<Vst3>();
}

#[test]
fn empty_blocks_change_nothing() {
    checks::empty_blocks_change_nothing::<Vst3>();
}

#[test]
fn a_reset_instance_is_a_new_one() {
    checks::a_reset_instance_is_a_new_one::<Vst3>();
}

#[test]
fn a_key_input_that_is_not_connected_is_silent() {
    let settings = Settings::default().with(Control::KeySource, 1.0);
    for layout in [Layout::StereoWithKey, Layout::MonoWithKey] {
        let input = programme(layout, RATE_HZ, 1, 0.3);
        let key = key(layout, RATE_HZ, 0.3);
        let mut host = Vst3::load();
        host.set_all(&settings);
        host.select(layout);
        // From now on this host hands over null for the key's channels.
        host.switch_bus(KEY, false);
        host.plugin.start_processing().expect("processing starts");
        let output = host.play(Take { key: &key, ..Take::of(&input) });
        let silence = vec![vec![0.0; input[0].len()]; layout.key_channels()];
        let take = Take { key: &silence, ..Take::of(&input) };
        let expected = Engine::start(layout, RATE_HZ, &settings).play(take);
        assert_same(&output, &expected, &format!("{layout:?}"));
    }
}

#[test]
fn a_bus_that_is_switched_off_does_no_harm() {
    let settings = Settings::default();
    for (direction, name) in [(BusDirection::Input, "input"), (BusDirection::Output, "output")] {
        let input = programme(Layout::StereoWithKey, RATE_HZ, 1, 0.1);
        let mut host = Vst3::load();
        host.set_all(&settings);
        host.plugin.set_bus_active(MediaType::Audio, direction, 0, false).expect("switched off");
        host.plugin.start_processing().expect("processing starts");
        let output = host.play(Take { key: &input, ..Take::of(&input) });
        assert!(output.iter().flatten().all(|x| *x == 0.0), "{name}");
    }
}
