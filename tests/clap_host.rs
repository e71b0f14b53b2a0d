//! The CLAP bundle keeps its promises in a host.

mod hosts {
    pub(crate) mod checks;
    pub(crate) mod clap;
    pub(crate) mod shared;
}

use hosts::checks;
use hosts::clap::{Clap, ID, Port, entry};
use hosts::shared::{Change, Engine, Host, Layout, Take, assert_same, programme, started};
use tenon_dsp::{Control, Settings};

#[test]
fn the_bundle_describes_itself() {
    let entry = entry();
    let factory = entry.get_plugin_factory().expect("a factory");
    let plugins: Vec<_> = factory.plugin_descriptors().collect();
    assert_eq!(plugins.len(), 1);
    let text =
        |text: Option<&std::ffi::CStr>| text.expect("given").to_str().expect("UTF-8").to_owned();
    assert_eq!(plugins[0].id(), Some(ID));
    assert_eq!(text(plugins[0].name()), "Tenon");
    assert_eq!(text(plugins[0].vendor()), "Tenon");
    assert_eq!(text(plugins[0].version()), env!("CARGO_PKG_VERSION"));
    assert!(!text(plugins[0].description()).is_empty());
    let features: Vec<_> = plugins[0].features().map(|feature| text(Some(feature))).collect();
    for feature in ["audio-effect", "compressor", "mastering", "stereo", "mono"] {
        let count = features.iter().filter(|other| *other == feature).count();
        assert_eq!(count, 1, "{feature} in {features:?}");
    }
}

#[test]
fn the_layouts_have_their_ports() {
    let mut host = Clap::load();
    let names = host.layouts();
    assert_eq!(names.len(), Layout::ALL.len());
    assert_eq!((&*names[0], &*names[3]), ("Stereo with key", "Mono with key"));
    for layout in Layout::ALL {
        host.select(layout);
        let main = |ports: &[Port]| {
            assert!(ports[0].is_main, "{ports:?}");
            // Hosts may then pass those alone.
            assert!(ports.iter().all(|port| !port.is_double), "{ports:?}");
            assert_eq!(ports[0].channels as usize, layout.channels(), "{ports:?}");
        };
        let (inputs, outputs) = (host.ports(true), host.ports(false));
        main(&inputs);
        main(&outputs);
        assert_eq!(outputs.len(), 1);
        let channels = layout.key_channels() as u32;
        let key = Port { name: "Key".to_owned(), channels, is_main: false, is_double: false };
        let keys: &[Port] = if channels > 0 { &[key] } else { &[] };
        assert_eq!(&inputs[1..], keys);
    }
}

#[test]
fn parameters_are_the_table_of_controls() {
    checks::parameters_are_the_table_of_controls::<Clap>();
}

#[test]
fn text_and_value_round_trip_at_101_points() {
    let mut host = Clap::load();
    for control in Control::ALL {
        for point in 0..=100 {
            let value = Clap::highest(control) * f64::from(point) / 100.0;
            let shown = host.text_of(control, value);
            let read = host.value_of_text(control, &shown);
            let read = read.unwrap_or_else(|| panic!("{control:?} does not read {shown:?}"));
            assert_eq!(host.text_of(control, read), shown, "{control:?}");
            let again = host.text_of(control, read);
            assert_eq!(host.value_of_text(control, &again), Some(read), "{control:?}, {shown}");
        }
        for nonsense in ["", "loud", "1e99", "-inf", "NaN"] {
            assert_eq!(host.value_of_text(control, nonsense), None, "{control:?}, {nonsense:?}");
        }
    }
}

#[test]
fn output_is_the_engines_bit_for_bit() {
    checks::output_is_the_engines_bit_for_bit::<Clap>();
}

#[test]
fn automation_lands_on_its_sample() {
    checks::automation_lands_on_its_sample::<Clap>();
}

#[test]
fn modulation_is_heard_but_not_saved() {
    const LAYOUT: Layout = Layout::Stereo;
    let settings = Settings::default();
    let input = programme(LAYOUT, 48_000.0, 1, 0.5);
    let mut host: Clap = started(LAYOUT, 48_000.0, &settings);
    let saved = host.save();
    // A quarter of the 60 dB that the threshold travels.
    host.modulate(Control::Threshold, -0.25);
    let output = host.play(Take::of(&input));
    // It comes with the first block, so nothing glides there.
    let moved = settings.with(Control::Threshold, -33.0);
    let mut engine = Engine::start(LAYOUT, 48_000.0, &moved);
    assert_same(&output, &engine.play(Take::of(&input)), "modulated");
    assert_eq!(host.save(), saved);
}

#[test]
fn a_saved_state_comes_back_whole() {
    checks::a_saved_state_comes_back_whole::<Clap>();
}

#[test]
fn an_unsound_state_changes_nothing() {
    checks::an_unsound_state_changes_nothing::<Clap>();
}

#[test]
fn latency_is_the_delay_of_an_impulse() {
    checks::latency_is_the_delay_of_an_impulse::<Clap>();
}

#[test]
fn only_the_first_start_asks_for_a_restart() {
    checks::only_the_first_start_asks_for_a_restart::<Clap>();
}

#[test]
fn quality_and_lookahead_wait_for_the_restart_they_ask_for() {
    checks::quality_and_lookahead_wait_for_the_restart_they_ask_for::<Clap>();
}

#[test]
fn the_hosts_tempo_moves_a_release_in_notes() {
    checks::the_hosts_tempo_moves_a_release_in_notes::<Clap>();
}

#[test]
fn bypass_nulls_against_the_delayed_input() {
    checks::bypass_nulls_against_the_delayed_input::<Clap>();
}

#[test]
fn the_key_input_moves_the_gain() {
    checks::the_key_input_moves_the_gain::<Clap>();
}

#[test]
fn two_instances_do_not_disturb_each_other() {
    checks::two_instances_do_not_disturb_each_other::<Clap>();
}

#[test]
fn every_rate_gives_the_engines_finite_output() {
    checks::every_rate_gives_the_engines_finite_output::<Clap>();
}

#[test]
fn a_host_may_change_rate_and_layout() {
    checks::a_host_may_change_rate_and_layout::<Clap>();
}

#[test]
fn empty_blocks_change_nothing() {
    checks::empty_blocks_change_nothing::<Clap>();
}

#[test]
fn a_reset_instance_is_a_new_one() {
    checks::a_reset_instance_is_a_new_one::<Clap>();
}

#[test]
fn a_reset_without_a_restart_leaves_the_latency_alone() {
    let settings = Settings::default().with(Control::LoudnessMatch, 0.0).with(Control::Drive, 9.0);
    let input = programme(Layout::Stereo, 48_000.0, 1, 0.3);
    let changes = [Change { at: 1_000, control: Control::Quality, value: 0.0 }];
    let mut host: Clap = started(Layout::Stereo, 48_000.0, &settings);
    host.play(Take { changes: &changes, ..Take::of(&input) });
    host.restarts_asked_for();
    host.reset();
    let expected = Engine::start(Layout::Stereo, 48_000.0, &settings).play(Take::of(&input));
    assert_same(&host.play(Take::of(&input)), &expected, "after a reset");
    assert_eq!(host.restarts_asked_for(), 0, "it asks again");
}

#[test]
fn a_latency_changes_while_the_plug_in_activates() {
    let settings = Settings::default();
    let mut host: Clap = started(Layout::Stereo, 48_000.0, &settings);
    host.stop();
    host.start(Layout::Stereo, 48_000.0);
    assert_eq!(host.latency_changes(), 1, "the framework begins with no latency");
    let input = programme(Layout::Stereo, 48_000.0, 1, 0.4);
    let changes = [Change { at: 1_000, control: Control::Quality, value: 0.0 }];
    host.play(Take { changes: &changes, ..Take::of(&input) });
    assert_eq!(host.latency_changes(), 1);
    host.stop();
    host.restarts_asked_for();
    host.start(Layout::Stereo, 48_000.0);
    assert_eq!(host.latency_changes(), 2);
    assert_eq!(host.latency(), 0);
    assert_eq!(host.restarts_asked_for(), 0, "one restart is enough");
}
