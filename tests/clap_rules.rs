//! What validators look for in a CLAP plug-in and what they leave out, through the bundle: the rules
//! of CLAP 1.2 for buffers, events, states and lifecycle, and hosts that break them.
#![allow(unsafe_code)] // blocks are made of raw pointers

mod hosts {
    pub(crate) mod raw;
    pub(crate) mod raw_clap;
    pub(crate) mod shared;
}

use std::ptr::{from_ref, null, null_mut};
use std::sync::atomic::Ordering;

use clap_sys::events::{
    CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_MIDI, CLAP_EVENT_NOTE_CHOKE, CLAP_EVENT_NOTE_END,
    CLAP_EVENT_NOTE_EXPRESSION, CLAP_EVENT_NOTE_OFF, CLAP_EVENT_NOTE_ON, CLAP_EVENT_TRANSPORT,
    CLAP_TRANSPORT_HAS_BEATS_TIMELINE, CLAP_TRANSPORT_HAS_SECONDS_TIMELINE,
    CLAP_TRANSPORT_HAS_TEMPO, CLAP_TRANSPORT_HAS_TIME_SIGNATURE, CLAP_TRANSPORT_IS_PLAYING,
    clap_event_header, clap_event_transport,
};
use clap_sys::factory::plugin_factory::CLAP_PLUGIN_FACTORY_ID;
use clap_sys::process::{CLAP_PROCESS_ERROR, CLAP_PROCESS_SLEEP};
use hosts::raw::{self, BLOCK, LAYOUT, RATE_HZ, RawHost, keyed, pointers, silence};
use hosts::raw_clap::{Events, ID, RawClap, block_of, entry, factory, param_event, port};
use hosts::shared::{Audio, assert_same, bundle, key, programme, stored_id};
use tenon_dsp::{Control, Settings, Unit};

#[test]
fn only_the_exact_names_are_known() {
    let entry = entry();
    assert!(factory(&entry, c"clap.plugin-factory.0").is_null());
    let factory = factory(&entry, CLAP_PLUGIN_FACTORY_ID);
    for id in [c"", c"audio.tenon", c"audio.tenon.bus2", c"audio.tenon.bus "] {
        // SAFETY: no instance is made, so no host is needed; the factory is alive.
        let plugin = unsafe { (*factory).create_plugin.unwrap()(factory, null(), id.as_ptr()) };
        assert!(plugin.is_null(), "{id:?}");
    }
    // SAFETY: as above; a host that is missing is refused too.
    assert!(unsafe { (*factory).create_plugin.unwrap()(factory, null(), ID.as_ptr()) }.is_null());
}

#[test]
fn in_place_and_out_of_place_are_the_same_and_write_nothing_else() {
    /// What stands behind the end of each channel.
    const FENCE: f32 = 12_345.5;
    let (input, key) = (programme(LAYOUT, RATE_HZ, 1, 0.4), key(LAYOUT, RATE_HZ, 0.4));
    let expected = RawClap::started(&keyed(), RATE_HZ, BLOCK).play(&input, &key, BLOCK);
    for in_place in [true, false] {
        let host = RawClap::started(&keyed(), RATE_HZ, BLOCK);
        let mut output: Audio = silence(0);
        for start in (0..input[0].len()).step_by(BLOCK) {
            let length = BLOCK.min(input[0].len() - start);
            let fenced = |audio: &Audio| -> Audio {
                let fenced =
                    |channel: &Vec<f32>| [&channel[start..start + length], &[FENCE; 8]].concat();
                audio.iter().map(fenced).collect()
            };
            let (mut main, mut side) = (fenced(&input), fenced(&key));
            let (main_before, side_before) = (main.clone(), side.clone());
            let mut out = vec![vec![FENCE; length + 8]; 2];
            let (mut mains, mut sides) = (pointers(&mut main), pointers(&mut side));
            let mut outs = if in_place { mains.clone() } else { pointers(&mut out) };
            let inputs = [port(&mut mains), port(&mut sides)];
            let mut outputs = [port(&mut outs)];
            outputs[0].constant_mask = 3;
            // SAFETY: every channel has room for the block.
            let status = unsafe { host.process(&block_of(&inputs, &mut outputs, length)) };
            assert_ne!(status, CLAP_PROCESS_ERROR);
            assert_eq!(outputs[0].constant_mask, 0, "what is no constant is called one");
            let written = if in_place { &main } else { &out };
            for channel in written {
                assert!(channel[length..].iter().all(|x| *x == FENCE), "written past the block");
            }
            assert_eq!(side, side_before, "the key input was written to");
            if !in_place {
                assert_eq!(main, main_before, "the input was written to");
            }
            for (output, channel) in output.iter_mut().zip(written) {
                output.extend(&channel[..length]);
            }
        }
        assert_same(&output, &expected, if in_place { "in place" } else { "out of place" });
    }
}

#[test]
fn a_block_longer_than_announced_is_processed_whole() {
    raw::a_block_longer_than_announced_is_processed_whole::<RawClap>();
}

/// What is missing, and how it comes about.
type Lack<'a> = (&'a str, &'a dyn Fn(&mut Ports));

#[test]
fn ports_and_channels_that_are_missing_are_silence() {
    let input = programme(LAYOUT, RATE_HZ, 3, 0.1);
    let (length, loud) = (input[0].len(), programme(LAYOUT, RATE_HZ, 4, 0.1));
    let run = |settings: &Settings, change: &dyn Fn(&mut Ports)| -> Audio {
        let host = RawClap::started(settings, RATE_HZ, length);
        let (mut main, mut side, mut out) = (input.clone(), loud.clone(), loud.clone());
        let mut ports = Ports {
            channels: [pointers(&mut main), pointers(&mut side), pointers(&mut out)],
            ..Ports::default()
        };
        change(&mut ports);
        let [mains, sides, outs] = &mut ports.channels;
        let mut inputs = [port(mains), port(sides)];
        for (port, missing) in inputs.iter_mut().zip(ports.arrays_missing) {
            if missing {
                port.data32 = null_mut();
            }
        }
        let mut outputs = [port(outs)];
        let mut block = block_of(&inputs, &mut outputs, length);
        if let Some(count) = ports.inputs {
            block.audio_inputs_count = count;
            if count == 0 {
                block.audio_inputs = null();
            }
        }
        // SAFETY: channels have room for the block, or are null.
        assert_ne!(unsafe { host.process(&block) }, CLAP_PROCESS_ERROR);
        out
    };
    let settings = keyed();
    let alone = |main: &Audio, key: &Audio| {
        RawClap::started(&settings, RATE_HZ, length).play(main, key, length)
    };
    let unkeyed = alone(&input, &silence(length));
    assert_ne!(run(&settings, &|_| ()), unkeyed, "the key does nothing");
    let without_key: [Lack; 4] = [
        ("one port", &|ports| ports.inputs = Some(1)),
        ("no array of key channels", &|ports| ports.arrays_missing[1] = true),
        ("a null key channel", &|ports| ports.channels[1][1] = null_mut()),
        ("no key channels", &|ports| ports.channels[1].clear()),
    ];
    for (what, change) in without_key {
        assert_same(&run(&settings, change), &unkeyed, what);
    }
    let own = settings.with(Control::KeySource, 0.0);
    let silent =
        RawClap::started(&own, RATE_HZ, length).play(&silence(length), &silence(length), length);
    let without_input: [Lack; 4] = [
        ("no ports", &|ports| ports.inputs = Some(0)),
        ("no array of input channels", &|ports| ports.arrays_missing[0] = true),
        ("a null input channel", &|ports| ports.channels[0][0] = null_mut()),
        ("no input channels", &|ports| ports.channels[0].clear()),
    ];
    for (what, change) in without_input {
        assert_same(&run(&own, change), &silent, what);
    }
    // And an output that cannot be written is left alone.
    let untouched = run(&settings, &|ports| ports.channels[2][1] = null_mut());
    assert_same(&untouched, &loud, "a null output channel");
}

#[test]
fn an_output_that_is_wider_or_narrower_than_the_bus_does_no_harm() {
    raw::an_output_that_is_wider_or_narrower_than_the_bus_does_no_harm::<RawClap>(
        |host, [mains, sides, outs], length| {
            let inputs = [port(mains), port(sides)];
            let mut outputs = [port(outs)];
            let block = block_of(&inputs, &mut outputs, length);
            // SAFETY: every channel has room for the block.
            assert_ne!(unsafe { host.process(&block) }, CLAP_PROCESS_ERROR);
        },
    );
}

/// What a host passes: main, key and output channels, how many input ports it says there are, and
/// which of them lack their array of channels.
#[derive(Default)]
struct Ports {
    channels: [Vec<*mut f32>; 3],
    inputs: Option<u32>,
    arrays_missing: [bool; 2],
}

#[test]
fn a_block_without_frames_and_buffers_takes_up_parameters() {
    let host = RawClap::started(&Settings::default(), RATE_HZ, BLOCK);
    let before = host.value(Control::Threshold);
    let events = Events::new(vec![host.event(0, Control::Threshold, -50.0)]);
    let list = events.list();
    let mut block = block_of(&[], &mut [], 0);
    block.in_events = &list;
    (block.audio_inputs, block.audio_outputs) = (null(), null_mut());
    // SAFETY: there is nothing to read or write.
    assert_ne!(unsafe { host.process(&block) }, CLAP_PROCESS_ERROR);
    assert_ne!(host.value(Control::Threshold), before);
}

/// With audio come marks for the editor; without, the host has to call back for it.
#[test]
fn automation_that_comes_with_audio_asks_the_host_for_nothing() {
    let host = RawClap::started(&Settings::default(), RATE_HZ, BLOCK);
    let asked = |threshold_db: f32, outputs: u32| {
        host.call_back();
        std::thread::scope(|scope| {
            scope.spawn(|| {
                let (mut main, mut side, mut out) =
                    (silence(BLOCK), silence(BLOCK), silence(BLOCK));
                let [mut mains, mut sides, mut outs] =
                    [pointers(&mut main), pointers(&mut side), pointers(&mut out)];
                let inputs = [port(&mut mains), port(&mut sides)];
                let mut outputs_passed = [port(&mut outs)];
                let events = Events::new(vec![host.event(0, Control::Threshold, threshold_db)]);
                let list = events.list();
                let mut block = block_of(&inputs, &mut outputs_passed, BLOCK);
                (block.in_events, block.audio_outputs_count) = (&list, outputs);
                // SAFETY: every channel has room for the block.
                assert_ne!(unsafe { host.process(&block) }, CLAP_PROCESS_ERROR);
            });
        });
        host.asked.callbacks.load(Ordering::SeqCst)
    };
    assert_eq!([asked(-50.0, 1), asked(-40.0, 0)], [0, 1]);
}

#[test]
fn events_behind_the_end_of_a_block_act_at_its_end() {
    let input = programme(LAYOUT, RATE_HZ, 5, 0.1);
    let none = silence(input[0].len());
    let settings = Settings::default().with(Control::LoudnessMatch, 0.0);
    let run = |time: u32| {
        let host = RawClap::started(&settings, RATE_HZ, BLOCK);
        let (mut main, mut side) = (input.clone(), none.clone());
        let mut out = vec![vec![7.0; input[0].len()]; 2];
        let [mut mains, mut sides, mut outs] =
            [pointers(&mut main), pointers(&mut side), pointers(&mut out)];
        let inputs = [port(&mut mains), port(&mut sides)];
        let mut outputs = [port(&mut outs)];
        let events = Events::new(vec![
            host.event(time, Control::Bypass, 1.0),
            host.event(time, Control::Threshold, -40.0),
        ]);
        let list = events.list();
        let mut block = block_of(&inputs, &mut outputs, BLOCK);
        block.in_events = &list;
        // SAFETY: every channel has room for far more than the block.
        assert_ne!(unsafe { host.process(&block) }, CLAP_PROCESS_ERROR);
        assert_eq!(host.value(Control::Bypass), 1.0);
        out
    };
    let at_the_end = run(BLOCK as u32 - 1);
    assert!(at_the_end[0][..BLOCK].iter().any(|x| *x != 7.0));
    for time in [BLOCK as u32, BLOCK as u32 + 1_000, u32::MAX] {
        let out = run(time);
        assert_same(&out, &at_the_end, &format!("at {time}"));
        assert!(out.iter().all(|channel| channel[BLOCK..].iter().all(|x| *x == 7.0)), "{time}");
    }
}

#[test]
fn events_of_another_namespace_change_nothing() {
    let host = RawClap::load();
    for space in [1, 0x1234, u16::MAX] {
        for control in Control::ALL {
            let before = host.value(control);
            let highest = match control.spec().unit {
                Unit::Choice(names) => names.len() as f64 - 1.0,
                _ => 1.0,
            };
            let other = if before == highest { 0.0 } else { highest };
            let mut event = param_event(0, stored_id(control), other);
            event.header.space_id = space;
            host.flush(&Events::new(vec![event]));
            assert_eq!(host.value(control), before, "{control:?}, namespace {space}");
            // The same in the standard's own namespace does change it.
            host.flush(&Events::new(vec![param_event(0, stored_id(control), other)]));
            assert_eq!(host.value(control), other, "{control:?}");
            host.flush(&Events::new(vec![param_event(0, stored_id(control), before)]));
        }
    }
}

/// There is no port for notes; hosts send them all the same, in no sound order.
#[test]
fn notes_change_nothing() {
    let (mut main, mut side) = (programme(LAYOUT, RATE_HZ, 11, 0.05), silence(2_400));
    let expected = RawClap::started(&keyed(), RATE_HZ, BLOCK).play(&main, &side, BLOCK);
    let host = RawClap::started(&keyed(), RATE_HZ, BLOCK);
    let kinds = [
        CLAP_EVENT_NOTE_OFF,
        CLAP_EVENT_NOTE_ON,
        CLAP_EVENT_NOTE_ON,
        CLAP_EVENT_NOTE_EXPRESSION,
        CLAP_EVENT_NOTE_CHOKE,
        CLAP_EVENT_NOTE_END,
        CLAP_EVENT_MIDI,
    ];
    // The event of a parameter is longer than any of them.
    let events = kinds.into_iter().zip([5, 5, 9, 30, 31, 100, u32::MAX]).map(|(kind, time)| {
        let mut event = param_event(time, 60, 0.5);
        event.header.type_ = kind;
        event
    });
    let events: Vec<_> = events.collect();
    let sent = Events::of(events.iter().map(|event| from_ref(event).cast()).collect());
    let list = sent.list();
    let mut out = silence(BLOCK);
    let [mut mains, mut sides, mut outs] =
        [pointers(&mut main), pointers(&mut side), pointers(&mut out)];
    let inputs = [port(&mut mains), port(&mut sides)];
    let mut outputs = [port(&mut outs)];
    let mut block = block_of(&inputs, &mut outputs, BLOCK);
    block.in_events = &list;
    // SAFETY: every channel has room for the block.
    assert_ne!(unsafe { host.process(&block) }, CLAP_PROCESS_ERROR);
    let expected: Audio = expected.iter().map(|channel| channel[..BLOCK].to_vec()).collect();
    assert_same(&out, &expected, "with notes");
}

/// Some hosts resolve what a library needs at once, and find then that something is missing.
#[cfg(target_os = "linux")]
#[test]
fn the_bundle_loads_with_all_it_needs_at_once() {
    use libloading::os::unix::{Library, RTLD_LOCAL, RTLD_NOW};
    let file = bundle("TENON_CLAP", "Tenon.clap");
    // SAFETY: the bundle is our own; nothing of it is called.
    let library = unsafe { Library::open(Some(file), RTLD_NOW | RTLD_LOCAL) }.expect("it loads");
    // SAFETY: only looked for.
    unsafe { library.get::<*const ()>(b"clap_entry") }.expect("what hosts look for");
    // SAFETY: as above.
    unsafe { library.get::<*const ()>(b"GetPluginFactory") }.expect("what hosts look for");
}

#[test]
fn values_out_of_range_and_unknown_ids_do_no_harm() {
    let host = RawClap::load();
    for control in Control::ALL {
        for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300, -1.0, 2.0] {
            host.flush(&Events::new(vec![param_event(0, stored_id(control), value)]));
            let highest = match control.spec().unit {
                Unit::Choice(names) => names.len() as f64 - 1.0,
                _ => 1.0,
            };
            let taken = host.value(control);
            assert!((0.0..=highest).contains(&taken), "{control:?} makes {taken} of {value}");
        }
    }
    host.flush(&Events::new(vec![param_event(0, 1, 0.5), param_event(0, u32::MAX, 0.5)]));
    host.activate(RATE_HZ, BLOCK);
    host.start();
    let input = programme(LAYOUT, RATE_HZ, 6, 0.1);
    let output = host.play(&input, &input, BLOCK);
    assert!(output.iter().flatten().all(|x| x.is_finite() && !x.is_subnormal()));
}

#[test]
fn absurd_transports_change_no_sample() {
    let input = programme(LAYOUT, RATE_HZ, 7, 0.1);
    let none = silence(input[0].len());
    let expected =
        RawClap::started(&keyed(), RATE_HZ, input[0].len()).play(&input, &none, input[0].len());
    for (tempo, tsig, position) in [
        (0.0, (4, 4), 0),
        (-120.0, (0, 0), i64::MIN),
        (f64::NAN, (u16::MAX, 1), i64::MAX),
        (f64::INFINITY, (1, u16::MAX), -1),
        (1e-300, (0, 4), 1 << 40),
        (1e300, (7, 0), 1 << 62),
    ] {
        let flags = CLAP_TRANSPORT_HAS_TEMPO
            | CLAP_TRANSPORT_HAS_BEATS_TIMELINE
            | CLAP_TRANSPORT_HAS_SECONDS_TIMELINE
            | CLAP_TRANSPORT_HAS_TIME_SIGNATURE
            | CLAP_TRANSPORT_IS_PLAYING;
        let transport = clap_event_transport {
            header: clap_event_header {
                size: size_of::<clap_event_transport>() as u32,
                time: 0,
                space_id: CLAP_CORE_EVENT_SPACE_ID,
                type_: CLAP_EVENT_TRANSPORT,
                flags: 0,
            },
            flags,
            song_pos_beats: position,
            song_pos_seconds: position,
            tempo,
            tempo_inc: tempo,
            loop_start_beats: position,
            loop_end_beats: 0,
            loop_start_seconds: position,
            loop_end_seconds: 0,
            bar_start: position,
            bar_number: i32::MAX,
            tsig_num: tsig.0,
            tsig_denom: tsig.1,
        };
        let host = RawClap::started(&keyed(), RATE_HZ, input[0].len());
        let (mut main, mut side, mut out) = (input.clone(), none.clone(), none.clone());
        let [mut mains, mut sides, mut outs] =
            [pointers(&mut main), pointers(&mut side), pointers(&mut out)];
        let inputs = [port(&mut mains), port(&mut sides)];
        let mut outputs = [port(&mut outs)];
        let mut block = block_of(&inputs, &mut outputs, input[0].len());
        block.transport = &transport;
        // And in the course of the block.
        let mut later = transport;
        later.header.time = 100;
        let events = Events::of(vec![from_ref(&later).cast()]);
        let list = events.list();
        block.in_events = &list;
        // SAFETY: every channel has room for the block.
        assert_ne!(unsafe { host.process(&block) }, CLAP_PROCESS_ERROR);
        assert_same(&out, &expected, &format!("{tempo} bpm, {tsig:?}"));
    }
}

#[test]
fn activated_twice_and_never_deactivated() {
    raw::activated_twice_and_never_deactivated::<RawClap>(|_| ());
}

#[test]
fn after_the_tail_there_is_silence() {
    raw::after_the_tail_there_is_silence::<RawClap>();
}

#[test]
fn it_never_says_that_it_sleeps_while_there_is_a_tail() {
    let host = RawClap::started(&keyed(), RATE_HZ, BLOCK);
    let (mut main, mut side, mut out) = (silence(BLOCK), silence(BLOCK), silence(BLOCK));
    main[0][0] = 1.0;
    for block in 0..100 {
        let [mut mains, mut sides, mut outs] =
            [pointers(&mut main), pointers(&mut side), pointers(&mut out)];
        let inputs = [port(&mut mains), port(&mut sides)];
        let mut outputs = [port(&mut outs)];
        // SAFETY: every channel has room for the block.
        let status = unsafe { host.process(&block_of(&inputs, &mut outputs, BLOCK)) };
        assert!(host.tail() > 0);
        assert_ne!(status, CLAP_PROCESS_SLEEP, "block {block}");
        main[0][0] = 0.0;
    }
}

#[test]
fn a_state_passes_through_streams_of_any_grain() {
    let host = RawClap::load();
    for (control, value) in Control::ALL.into_iter().map(|control| (control, control.spec().max)) {
        host.set(control, value);
    }
    let state = host.save();
    for piece in [1, 2, 3, 7, 23, 1_009] {
        assert_eq!(host.save_in_pieces(piece), state, "written {piece} bytes at a time");
        let other = RawClap::load();
        assert_ne!(other.save(), state);
        assert!(other.restore_in_pieces(&state, piece), "read {piece} bytes at a time");
        assert_eq!(other.save(), state, "read {piece} bytes at a time");
    }
}

#[test]
fn a_restore_tells_the_host_to_read_all_values_again() {
    let host = RawClap::load();
    let fresh = host.save();
    host.set(Control::Threshold, -44.0);
    assert!(host.restore(&fresh));
    assert!(host.asked.rescans.load(Ordering::SeqCst) > 0);
}

#[test]
fn states_are_saved_and_restored_while_another_thread_processes() {
    raw::states_are_saved_and_restored_while_another_thread_processes::<RawClap>();
}
