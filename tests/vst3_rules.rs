//! What validators look for in a VST3 plug-in and what they leave out, through the bundle: the rules
//! of VST 3.7 for buses, parameters, states and lifecycle, and hosts that break them.
#![allow(clippy::unnecessary_cast)] // C's enumerations have a sign on Windows only
#![allow(unsafe_code)] // blocks are made of raw pointers

mod hosts {
    pub(crate) mod raw;
    pub(crate) mod raw_vst3;
    pub(crate) mod shared;
}

#[cfg(target_os = "linux")]
use std::mem::ManuallyDrop;
use std::ptr::null_mut;

use hosts::raw::{self, BLOCK, LAYOUT, RATE_HZ, RawHost, keyed, pointers, silence};
use hosts::raw_vst3::{Changes, RawVst3, block_of, bus, wait_until};
use hosts::shared::{Audio, assert_same, key, programme, stored_id};
use tenon_dsp::{Control, Settings};
use vst3::Steinberg::Vst::{
    BusDirections_::{kInput, kOutput},
    BusInfo, IAudioProcessorTrait, IComponentTrait, IEditControllerTrait,
    IProcessContextRequirements, IUnitInfo, IUnitInfoTrait,
    MediaTypes_::{kAudio, kEvent},
    ParameterInfo,
    ParameterInfo_::ParameterFlags_::{kCanAutomate, kIsBypass, kIsReadOnly},
    SpeakerArr,
    SymbolicSampleSizes_::{kSample32, kSample64},
    kRootUnitId,
};
use vst3::Steinberg::{IPluginBaseTrait, int32, kResultOk, kResultTrue};

fn text(units: &[vst3::Steinberg::char16]) -> String {
    let units: Vec<u16> = units.iter().map(|unit| *unit as u16).take_while(|u| *u != 0).collect();
    String::from_utf16(&units).expect("UTF-16")
}

#[test]
fn text_and_value_round_trip_at_101_points() {
    let host = RawVst3::load();
    for control in Control::ALL {
        for point in 0..=100 {
            let value = f64::from(point) / 100.0;
            let shown = host.text_of(control, value);
            let read = host.value_of_text(control, &shown);
            let read = read.unwrap_or_else(|| panic!("{control:?} does not read {shown:?}"));
            assert_eq!(host.text_of(control, read), shown, "{control:?}");
            assert_eq!(host.value_of_text(control, &shown), Some(read), "{control:?}, {shown}");
        }
        for nonsense in ["", "loud", "1e99", "-inf", "NaN"] {
            assert_eq!(host.value_of_text(control, nonsense), None, "{control:?}, {nonsense:?}");
        }
    }
}

#[test]
fn plain_and_normalised_values_are_each_others_inverse() {
    let host = RawVst3::load();
    for control in Control::ALL {
        let id = stored_id(control);
        for point in 0..=100 {
            let value = f64::from(point) / 100.0;
            // SAFETY: functions of a live plug-in.
            let back = unsafe {
                let plain = host.controller.normalizedParamToPlain(id, value);
                host.controller.plainParamToNormalized(id, plain)
            };
            assert_eq!(
                host.text_of(control, back),
                host.text_of(control, value),
                "{control:?}, {value}"
            );
        }
    }
}

#[test]
fn parameters_keep_to_the_rules() {
    let host = RawVst3::load();
    // SAFETY: functions of a live plug-in; it writes one description.
    let describe = |index: usize| unsafe {
        let mut info: ParameterInfo = std::mem::zeroed();
        assert_eq!(host.controller.getParameterInfo(index as int32, &mut info), kResultOk);
        info
    };
    // One unit, the root, which is not told.
    let units = host.component.cast::<IUnitInfo>().expect("units");
    // SAFETY: as above.
    assert_eq!(unsafe { units.getUnitCount() }, 0);
    let mut ids = Vec::new();
    let mut bypasses = 0;
    for index in 0..Control::ALL.len() {
        let info = describe(index);
        let is = |flag: u32| info.flags as u32 & flag != 0;
        assert!(!text(&info.title).is_empty());
        assert!((0.0..=1.0).contains(&info.defaultNormalizedValue), "{}", text(&info.title));
        assert!(info.stepCount >= 0);
        assert_eq!(info.unitId, kRootUnitId, "{}", text(&info.title));
        assert!(!(is(kCanAutomate as u32) && is(kIsReadOnly as u32)));
        if is(kIsBypass as u32) {
            bypasses += 1;
            assert_eq!(info.flags as u32, kIsBypass as u32 | kCanAutomate as u32);
            assert_eq!(info.stepCount, 1);
        }
        assert!(!ids.contains(&info.id), "two parameters have the id {}", info.id);
        ids.push(info.id);
    }
    assert_eq!(bypasses, 1);
    // SAFETY: as above.
    unsafe {
        assert_eq!(host.controller.getParameterCount() as usize, ids.len());
        let mut info: ParameterInfo = std::mem::zeroed();
        for index in [-1, ids.len() as int32, int32::MAX] {
            assert_ne!(host.controller.getParameterInfo(index, &mut info), kResultOk, "{index}");
        }
    }
}

#[test]
fn buses_keep_to_the_rules() {
    let host = RawVst3::load();
    let component = &host.component;
    for (direction, names) in [(kInput, &["Input", "Key"][..]), (kOutput, &["Output"])] {
        let direction = direction as int32;
        // SAFETY: functions of a live plug-in; it writes one description.
        unsafe {
            assert_eq!(component.getBusCount(kAudio as int32, direction) as usize, names.len());
            assert_eq!(component.getBusCount(kEvent as int32, direction), 0);
            for (index, expected) in names.iter().enumerate() {
                let mut info: BusInfo = std::mem::zeroed();
                let index = index as int32;
                let told = component.getBusInfo(kAudio as int32, direction, index, &mut info);
                assert_eq!(told, kResultOk);
                assert_eq!(text(&info.name), *expected);
                assert_eq!(info.channelCount, 2);
                let mut arrangement = 0;
                let told = host.processor.getBusArrangement(direction, index, &mut arrangement);
                assert_eq!((told, arrangement), (kResultOk, SpeakerArr::kStereo));
            }
            for index in [-1, names.len() as int32, int32::MAX] {
                let mut info: BusInfo = std::mem::zeroed();
                let mut arrangement = 0;
                let audio = kAudio as int32;
                assert_ne!(component.getBusInfo(audio, direction, index, &mut info), kResultOk);
                assert_ne!(component.activateBus(audio, direction, index, 1), kResultOk);
                let told = host.processor.getBusArrangement(direction, index, &mut arrangement);
                assert_ne!(told, kResultOk, "bus {index}");
            }
        }
    }
}

#[test]
fn arrangements_are_taken_as_told_or_left_as_they_were() {
    let host = RawVst3::load();
    let (mono, stereo, empty) = (SpeakerArr::kMono, SpeakerArr::kStereo, 0);
    let surround = SpeakerArr::k51;
    // SAFETY: functions of a live plug-in, with as many arrangements as said.
    let now = || unsafe {
        let mut all = [0; 3];
        for (at, (direction, index)) in
            [(kInput, 0), (kInput, 1), (kOutput, 0)].into_iter().enumerate()
        {
            let told = host.processor.getBusArrangement(direction as int32, index, &mut all[at]);
            assert_eq!(told, kResultOk);
        }
        all
    };
    for wanted in [
        [mono, mono, mono],
        [stereo, stereo, stereo],
        [surround, stereo, surround],
        [stereo, stereo, mono],
        [mono, mono, stereo],
        [empty, empty, empty],
        [stereo, mono, stereo],
        [mono, stereo, mono],
        [SpeakerArr::kStereoSurround, stereo, stereo],
    ] {
        let before = now();
        let [main, key, mut output] = wanted;
        let mut inputs = [main, key];
        // SAFETY: as above.
        let answer =
            unsafe { host.processor.setBusArrangements(inputs.as_mut_ptr(), 2, &mut output, 1) };
        if wanted == [mono; 3] || wanted == [stereo; 3] {
            assert_eq!(answer, kResultTrue, "{wanted:?}");
        }
        if answer == kResultTrue {
            assert_eq!(now(), wanted, "taken, and not told back");
        } else {
            // A plug-in may then choose what it offers instead; the host asks for it.
            let offers = [[stereo; 3], [mono; 3]];
            assert!(now() == before || offers.contains(&now()), "{wanted:?}");
        }
    }
}

#[test]
fn it_says_what_it_is_and_needs() {
    let host = RawVst3::load();
    assert!(host.component.cast::<IProcessContextRequirements>().is_some());
    // SAFETY: functions of a live plug-in.
    unsafe {
        assert_eq!(host.processor.canProcessSampleSize(kSample32 as int32), kResultTrue);
        assert_ne!(host.processor.canProcessSampleSize(kSample64 as int32), kResultTrue);
        // A host that takes "not implemented" for an answer would put the defaults back.
        assert_eq!(host.controller.setComponentState(null_mut()), kResultOk);
    }
}

#[test]
fn in_place_and_out_of_place_are_the_same_and_claim_no_silence() {
    /// What stands behind the end of each channel.
    const FENCE: f32 = 12_345.5;
    let (input, key) = (programme(LAYOUT, RATE_HZ, 1, 0.4), key(LAYOUT, RATE_HZ, 0.4));
    let expected = RawVst3::started(&keyed(), RATE_HZ, BLOCK).play(&input, &key, BLOCK);
    for in_place in [true, false] {
        let host = RawVst3::started(&keyed(), RATE_HZ, BLOCK);
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
            let (mut inputs, mut outputs) = ([bus(&mut mains), bus(&mut sides)], [bus(&mut outs)]);
            outputs[0].silenceFlags = 3;
            let mut block = block_of(&mut inputs, &mut outputs, length);
            // SAFETY: every channel has room for the block.
            assert_eq!(unsafe { host.process(&mut block) }, kResultOk);
            assert_eq!(outputs[0].silenceFlags, 0, "what sounds is called silent");
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
fn input_that_is_called_silent_is_still_read_as_it_is() {
    // Flags are a hint; what stands in the buffers counts (and is silent, in a sound host).
    let input = programme(LAYOUT, RATE_HZ, 2, 0.1);
    let none = silence(input[0].len());
    let host = RawVst3::started(&keyed(), RATE_HZ, input[0].len());
    let expected =
        RawVst3::started(&keyed(), RATE_HZ, input[0].len()).play(&none, &none, input[0].len());
    let (mut main, mut side, mut out) = (none.clone(), none.clone(), input);
    let length = none[0].len();
    let [mut mains, mut sides, mut outs] =
        [pointers(&mut main), pointers(&mut side), pointers(&mut out)];
    let (mut inputs, mut outputs) = ([bus(&mut mains), bus(&mut sides)], [bus(&mut outs)]);
    inputs[0].silenceFlags = 3;
    inputs[1].silenceFlags = 3;
    // SAFETY: every channel has room for the block.
    unsafe { host.process(&mut block_of(&mut inputs, &mut outputs, length)) };
    assert_same(&out, &expected, "silent input");
}

#[test]
fn a_block_longer_than_announced_is_processed_whole() {
    raw::a_block_longer_than_announced_is_processed_whole::<RawVst3>();
}

#[test]
fn an_output_that_is_wider_or_narrower_than_the_bus_does_no_harm() {
    raw::an_output_that_is_wider_or_narrower_than_the_bus_does_no_harm::<RawVst3>(
        |host, [mains, sides, outs], length| {
            let (mut inputs, mut outputs) = ([bus(mains), bus(sides)], [bus(outs)]);
            let mut block = block_of(&mut inputs, &mut outputs, length);
            // SAFETY: every channel has room for the block.
            assert_eq!(unsafe { host.process(&mut block) }, kResultOk);
        },
    );
}

#[test]
fn what_is_missing_or_of_another_kind_does_no_harm() {
    let input = programme(LAYOUT, RATE_HZ, 3, 0.1);
    let (length, loud) = (input[0].len(), programme(LAYOUT, RATE_HZ, 4, 0.1));
    let own = keyed().with(Control::KeySource, 0.0);
    let silent =
        RawVst3::started(&own, RATE_HZ, length).play(&silence(length), &silence(length), length);
    for case in ["no inputs", "no array of channels", "a null channel"] {
        let host = RawVst3::started(&own, RATE_HZ, length);
        let (mut main, mut side, mut out) = (input.clone(), input.clone(), loud.clone());
        let [mut mains, mut sides, mut outs] =
            [pointers(&mut main), pointers(&mut side), pointers(&mut out)];
        if case == "a null channel" {
            mains[1] = null_mut();
        }
        let (mut inputs, mut outputs) = ([bus(&mut mains), bus(&mut sides)], [bus(&mut outs)]);
        if case == "no array of channels" {
            inputs[0].__field0.channelBuffers32 = null_mut();
        }
        let mut block = block_of(&mut inputs, &mut outputs, length);
        if case == "no inputs" {
            (block.numInputs, block.inputs) = (0, null_mut());
        }
        // SAFETY: channels have room for the block, or are null.
        assert_eq!(unsafe { host.process(&mut block) }, kResultOk, "{case}");
        assert_same(&out, &silent, case);
    }

    // Nothing at all, as when parameters alone are handed over.
    let host = RawVst3::started(&own, RATE_HZ, BLOCK);
    let before = host.value(Control::Threshold);
    let place = host.place_of(Control::Threshold, -50.0);
    let changes = Changes::new(&[(stored_id(Control::Threshold), 0, place)]);
    let mut block = block_of(&mut [], &mut [], 0);
    block.inputParameterChanges = changes.as_ptr();
    // SAFETY: there is nothing to read or write.
    assert_eq!(unsafe { host.process(&mut block) }, kResultOk);
    assert_ne!(host.value(Control::Threshold), before);
    assert_eq!(host.value(Control::Threshold), place);

    // Samples in double precision, which are not offered.
    let mut out = loud.clone();
    let (mut main, mut side) = (input.clone(), input.clone());
    let [mut mains, mut sides, mut outs] =
        [pointers(&mut main), pointers(&mut side), pointers(&mut out)];
    let (mut inputs, mut outputs) = ([bus(&mut mains), bus(&mut sides)], [bus(&mut outs)]);
    let mut block = block_of(&mut inputs, &mut outputs, 64);
    block.symbolicSampleSize = kSample64 as int32;
    // SAFETY: every channel has room for the block, even in double precision.
    assert_ne!(unsafe { host.process(&mut block) }, kResultOk);
    assert_same(&out, &loud, "double precision");
}

#[test]
fn changes_behind_the_end_of_a_block_stay_within_it() {
    let input = programme(LAYOUT, RATE_HZ, 5, 0.1);
    for offset in [-1, BLOCK as i32, 100_000, i32::MAX] {
        let host = RawVst3::started(&Settings::default(), RATE_HZ, BLOCK);
        let place = host.place_of(Control::Threshold, -40.0);
        let changes = Changes::new(&[(stored_id(Control::Threshold), offset, place), (1, 0, 0.5)]);
        let (mut main, mut side) = (input.clone(), silence(input[0].len()));
        let mut out = vec![vec![7.0; input[0].len()]; 2];
        let [mut mains, mut sides, mut outs] =
            [pointers(&mut main), pointers(&mut side), pointers(&mut out)];
        let (mut inputs, mut outputs) = ([bus(&mut mains), bus(&mut sides)], [bus(&mut outs)]);
        let mut block = block_of(&mut inputs, &mut outputs, BLOCK);
        block.inputParameterChanges = changes.as_ptr();
        // SAFETY: every channel has room for far more than the block.
        assert_eq!(unsafe { host.process(&mut block) }, kResultOk);
        assert!(out.iter().all(|channel| channel[BLOCK..].iter().all(|x| *x == 7.0)), "{offset}");
        assert!(out.iter().all(|channel| channel[..BLOCK].iter().all(|x| *x != 7.0)), "{offset}");
        assert_eq!(host.value(Control::Threshold), place, "{offset}");
    }
}

#[test]
fn values_out_of_range_do_no_harm() {
    let host = RawVst3::load();
    for control in Control::ALL {
        for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300, -1.0, 2.0] {
            // SAFETY: a function of a live plug-in.
            unsafe { host.controller.setParamNormalized(stored_id(control), value) };
            let taken = host.value(control);
            assert!((0.0..=1.0).contains(&taken), "{control:?} makes {taken} of {value}");
        }
    }
    host.activate(RATE_HZ, BLOCK);
    host.start();
    let input = programme(LAYOUT, RATE_HZ, 6, 0.1);
    let output = host.play(&input, &input, BLOCK);
    assert!(output.iter().flatten().all(|x| x.is_finite() && !x.is_subnormal()));
}

#[test]
fn activated_twice_and_never_deactivated() {
    // As the SDK's validator does.
    raw::activated_twice_and_never_deactivated::<RawVst3>(|host| {
        // SAFETY: functions of a live plug-in.
        unsafe {
            assert_eq!(host.component.terminate(), kResultOk);
            assert_eq!(host.component.initialize(null_mut()), kResultOk);
        }
    });
}

#[test]
fn after_the_tail_there_is_silence() {
    raw::after_the_tail_there_is_silence::<RawVst3>();
}

#[test]
fn states_are_saved_and_restored_while_another_thread_processes() {
    raw::states_are_saved_and_restored_while_another_thread_processes::<RawVst3>();
}

#[test]
fn restored_from_two_threads_at_once_it_has_one_state_whole() {
    let host = RawVst3::started(&keyed(), RATE_HZ, BLOCK);
    let other = keyed().with(Control::Threshold, -12.5).with(Control::Mix, 45.0);
    let states =
        [keyed(), other].map(|settings| RawVst3::started(&settings, RATE_HZ, BLOCK).save());
    let (input, key) = (programme(LAYOUT, RATE_HZ, 12, 0.1), silence(4_800));
    std::thread::scope(|scope| {
        for state in &states {
            let host = &host;
            scope.spawn(move || (0..200).for_each(|_| assert!(host.restore(state))));
        }
        for _ in 0..20 {
            let output = host.play(&input, &key, 64);
            assert!(output.iter().flatten().all(|x| x.is_finite() && !x.is_subnormal()));
        }
    });
    let saved = host.save();
    assert!(states.contains(&saved), "{}", String::from_utf8_lossy(&saved));
}

/// All instances share a thread for what they have to tell their hosts from other threads.
#[test]
fn an_instance_that_goes_with_tasks_left_takes_nothing_with_it() {
    let started = || RawVst3::started(&keyed(), RATE_HZ, BLOCK);
    let (stays, goes) = (started(), started());
    let gate = stays.gate.lock().unwrap();
    stays.restore_elsewhere(5.0);
    stays.is_told();
    // The thread is with the first host now, so this has to wait, and finds nobody then.
    goes.restore_elsewhere(5.0);
    drop(goes);
    drop(gate);
    stays.restore_elsewhere(0.0);
    stays.is_told();
}

/// The same thread, with more left for it to do than it takes; in a process where no other test has
/// instances.
#[cfg(target_os = "linux")]
#[test]
fn the_last_instance_may_go_on_the_thread_that_all_share() {
    const ALONE: &str = "TENON_TEST_ALONE";
    if std::env::var_os(ALONE).is_none() {
        let mut itself = std::process::Command::new(std::env::current_exe().unwrap());
        itself.args(["--exact", "the_last_instance_may_go_on_the_thread_that_all_share"]);
        let output = itself.env(ALONE, "").output().unwrap();
        let said = String::from_utf8_lossy(&output.stdout);
        assert!(output.status.success() && said.contains("1 passed"), "{said}");
        return;
    }
    let lives = || {
        let threads = std::fs::read_dir("/proc/self/task").unwrap().flatten();
        let mut names =
            threads.flat_map(|thread| std::fs::read_to_string(thread.path().join("comm")));
        names.any(|name| name.trim() == "bg-worker")
    };
    let host = ManuallyDrop::new(RawVst3::started(&keyed(), RATE_HZ, BLOCK));
    let gate = host.gate.lock().unwrap();
    host.restore_elsewhere(5.0);
    host.is_told();
    let state = host.save();
    std::thread::scope(|scope| {
        scope.spawn(|| (0..5_000).for_each(|_| assert!(host.restore(&state))));
    });
    assert!(lives(), "the thread goes by another name");
    // SAFETY: nobody uses them any more. What the thread does for the instance keeps it alive.
    unsafe {
        drop(std::ptr::read(&host.component));
        drop(std::ptr::read(&host.processor));
        drop(std::ptr::read(&host.controller));
    }
    drop(gate);
    wait_until("the thread ends", || !lives());
}
