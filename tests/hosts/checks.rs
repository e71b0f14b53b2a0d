//! The promises that hold in every host.

use tenon_dsp::{Control, MatchState, NOTES, QUALITIES, Settings, Unit};
use tenon_tests::measure::worst_difference;
use tenon_tests::signals::white_noise;

use super::shared::{
    Audio, Change, Engine, Host, Layout, Take, assert_same, key, programme, started, stored_id,
    value_of,
};

const RATE_HZ: f64 = 48_000.0;

/// Settings that between them take every stage out of its default.
fn settings() -> Vec<(&'static str, Settings)> {
    use Control::*;
    let fresh = Settings::default();
    let hard = fresh
        .with(InputTrim, 6.0)
        .with(Threshold, -36.5)
        .with(Ratio, 8.0)
        .with(Knee, 0.0)
        .with(Attack, 0.05)
        .with(Release, 40.0)
        .with(DetectorWindow, 0.0)
        .with(KeyHighpass, 0.0)
        .with(Drive, 12.0)
        .with(Symmetry, 40.0)
        .with(OutputTrim, -3.25);
    let wide = fresh
        .with(Threshold, -30.0)
        .with(StereoLink, 40.0)
        .with(SideShare, 25.5)
        .with(Range, 6.0)
        .with(Adaptive, 80.0)
        .with(Drive, 6.0)
        .with(Focus, -55.5)
        .with(SaturationMix, 70.0)
        .with(Quality, 3.0)
        .with(Makeup, 3.0)
        .with(Mix, 60.0)
        .with(KeyHighpass, 250.0);
    vec![
        ("fresh", fresh),
        ("hard", hard),
        ("wide", wide),
        ("ahead", hard.with(Lookahead, 2.5).with(Attack, 1.5)),
        ("keyed", hard.with(KeySource, 1.0).with(LoudnessMatch, 0.0)),
        ("compared", hard.with(Compare, 1.0)),
        ("delta", wide.with(Listen, 1.0).with(MatchHold, 1.0)),
        ("key heard", wide.with(Listen, 2.0)),
        ("bypassed", hard.with(Bypass, 1.0)),
    ]
}

pub(crate) fn parameters_are_the_table_of_controls<H: Host>() {
    let mut host = H::load();
    for (control, parameter) in Control::ALL.into_iter().zip(host.parameters()) {
        let spec = control.spec();
        let value = |text: &str| value_of(control, text);
        let steps = match spec.unit {
            Unit::Choice(names) => Some(names.len() - 1),
            _ => None,
        };
        assert_eq!(parameter.id, stored_id(control), "{parameter:?}");
        assert_eq!(parameter.name, spec.name);
        assert_eq!(parameter.steps, steps, "{parameter:?}");
        assert_eq!(value(&parameter.lowest), spec.min, "{parameter:?}");
        assert_eq!(value(&parameter.highest), spec.max, "{parameter:?}");
        assert_eq!(value(&parameter.default), spec.default, "{parameter:?}");
        assert_eq!(value(&host.text(control)), spec.default, "{parameter:?}");
        let moves_latency = matches!(control, Control::Lookahead | Control::Quality);
        assert_eq!(parameter.can_automate, !moves_latency, "{parameter:?}");
        assert_eq!(parameter.is_bypass, control == Control::Bypass, "{parameter:?}");
    }
}

pub(crate) fn output_is_the_engines_bit_for_bit<H: Host>() {
    const BLOCKS: [&[usize]; 5] =
        [&[4096], &[512], &[1, 2, 3, 64], &[31, 1024, 7], &[10, 17, 2027, 256, 1536]];
    let settings = settings();
    for layout in Layout::ALL {
        let input = programme(layout, RATE_HZ, 1, 0.6);
        let key = key(layout, RATE_HZ, 0.6);
        for (name, settings) in &settings {
            let take = Take { key: &key, ..Take::of(&input) };
            let expected = Engine::start(layout, RATE_HZ, settings).play(take);
            for blocks in BLOCKS {
                let mut host: H = started(layout, RATE_HZ, settings);
                let output = host.play(Take { blocks, ..take });
                assert_same(&output, &expected, &format!("{layout:?}, {name}, {blocks:?}"));
            }
        }
    }
}

pub(crate) fn automation_lands_on_its_sample<H: Host>() {
    use Control::*;
    let change = |at, control, value| Change { at, control, value };
    // On the first sample of a block, within one, on its last, and two at once.
    let changes = [
        change(1_000, Threshold, -42.0),
        change(1_536, Ratio, 6.0),
        change(4_095, Mix, 50.0),
        change(4_095, Makeup, 4.5),
        change(4_096, KeyHighpass, 200.0),
        change(9_001, SideShare, 0.0),
        change(10_240, Drive, 9.0),
        change(11_111, Focus, 30.0),
        change(11_500, Symmetry, -60.0),
        change(12_000, SaturationMix, 80.0),
        change(12_345, Listen, 1.0),
        change(14_000, Bypass, 1.0),
        change(20_000, Bypass, 0.0),
    ];
    let settings = Settings::default();
    for layout in Layout::ALL {
        let input = programme(layout, RATE_HZ, 2, 0.5);
        let key = key(layout, RATE_HZ, 0.5);
        let still = Take { key: &key, ..Take::of(&input) };
        let plain = started::<H>(layout, RATE_HZ, &settings).play(still);
        for blocks in [&[512][..], &[1], &[333, 4_096]] {
            let moving = Take { changes: &changes, blocks, ..still };
            let output = started::<H>(layout, RATE_HZ, &settings).play(moving);
            let first = |audio: &Audio| -> Audio {
                audio.iter().map(|channel| channel[..changes[0].at].to_vec()).collect()
            };
            assert_same(&first(&output), &first(&plain), "before the first change");
            let expected = Engine::start(layout, RATE_HZ, &settings).play(moving);
            assert_same(&output, &expected, &format!("{layout:?}, {blocks:?}"));
            assert_ne!(output, plain, "nothing moved");
        }
    }
}

pub(crate) fn a_saved_state_comes_back_whole<H: Host>() {
    use Control::*;
    const LAYOUT: Layout = Layout::Stereo;
    // Slow enough that more than a minute, which the match needs to hold, is soon played.
    const SLOW_HZ: f64 = 8_000.0;
    let settings = Settings::default()
        .with(InputTrim, -1.5)
        .with(KeySource, 1.0)
        .with(KeyHighpass, 123.4)
        .with(DetectorWindow, 12.34)
        .with(StereoLink, 67.8)
        .with(SideShare, 98.7)
        .with(Threshold, -31.23)
        .with(Ratio, 3.21)
        .with(Knee, 4.56)
        .with(Range, 11.11)
        .with(Lookahead, 3.45)
        .with(Attack, 7.89)
        .with(Release, 234.5)
        .with(Adaptive, 33.3)
        .with(Drive, 4.32)
        .with(Symmetry, -12.3)
        .with(Focus, 45.6)
        .with(SaturationMix, 76.5)
        .with(Quality, 3.0)
        .with(Makeup, 1.23)
        .with(Mix, 88.8)
        .with(OutputTrim, -0.77);
    let mut first: H = started(LAYOUT, SLOW_HZ, &settings);
    let long = programme(LAYOUT, SLOW_HZ, 3, 75.0);
    let mut engine = Engine::start(LAYOUT, SLOW_HZ, &settings);
    let learned = engine.play(Take::of(&long));
    assert_same(&first.play(Take::of(&long)), &learned, "while the match is learned");
    let memory = engine.processor.match_memory();
    assert_eq!(memory.state, MatchState::Held);
    assert!(memory.gain_db.abs() > 0.5, "a match of {} dB shows nothing", memory.gain_db);
    let saved = first.save();

    let input = programme(LAYOUT, SLOW_HZ, 4, 2.0);
    let take = Take::of(&input);
    let expected = Engine::restored(LAYOUT, SLOW_HZ, &settings, memory).play(take);
    let mut second = H::load();
    assert!(second.restore(&saved), "the state is refused");
    for control in Control::ALL {
        assert_eq!(second.text(control), first.text(control));
        assert_eq!(value_of(control, &second.text(control)), settings[control]);
    }
    assert_eq!(second.save(), saved, "saved again, the state is another");
    second.start(LAYOUT, SLOW_HZ);
    assert_same(&second.play(take), &expected, "from a restored state");
    assert_eq!(second.save(), saved, "a held match has moved");

    // A host may also restore while sound runs; quality and lookahead then wait for a
    // restart.
    let mut third: H = started(LAYOUT, SLOW_HZ, &Settings::default());
    third.play(take);
    assert!(third.restore(&saved), "the state is refused");
    third.play(take);
    third.stop();
    third.start(LAYOUT, SLOW_HZ);
    assert_same(&third.play(take), &expected, "from a state restored while playing");

    // The gain is saved in single precision, hence not bit for bit.
    first.reset();
    for (saved, restored) in first.play(take).iter().zip(&expected) {
        assert!(worst_difference(saved, restored) < 1e-6);
    }
}

pub(crate) fn an_unsound_state_changes_nothing<H: Host>() {
    let mut host = H::load();
    host.set(Control::Threshold, -33.0);
    host.set(Control::Listen, 1.0);
    let mine = host.save();
    let mut other = H::load();
    other.set(Control::Threshold, -3.0);
    let sound = other.save();

    // What is no state at all is refused, and the host told so.
    let mut refused = vec![Vec::new()];
    refused.extend((1..sound.len()).step_by(7).map(|length| sound[..length].to_vec()));
    let noise = white_noise(8_000.0, 9, -6.0, 0.1);
    let bytes: Vec<u8> = noise.iter().flat_map(|x| x.to_bits().to_le_bytes()).collect();
    refused.extend([1, 8, 9, 100, 3_000].map(|length| bytes[..length].to_vec()));
    refused.push(H::as_state(&bytes));
    for state in [&b"null"[..], b"[]", b"0.5", b"\"Tenon\"", b"{\"params\": 1}"] {
        refused.push(H::as_state(state));
    }
    for state in refused {
        assert!(!host.restore(&state), "took {:?}", String::from_utf8_lossy(&state));
        assert_eq!(host.save(), mine, "after {:?}", String::from_utf8_lossy(&state));
    }

    // What is a state, but not ours or not whole, is left alone. The framework has no way to tell
    // the host.
    let text = String::from_utf8_lossy(&sound).into_owned();
    let own = &text[text.find('{').expect("JSON")..];
    let without_mark = own.replace("\"format\"", "\"shape\"");
    let of_another = own.replace("audio.tenon.bus", "org.example.organ");
    let of_tomorrow = own.replace(r#"\"version\":2"#, r#"\"version\":3"#);
    let with_unknown = own.replace("\"mix\"", "\"blend\"");
    let out_of_range = own.replace("\"ratio\":{\"f32\":2.0}", "\"ratio\":{\"f32\":99.0}");
    let foreign = r#"{"version":"2.1.0","params":{"threshold":{"f32":-12.0}},"fields":{}}"#;
    let spoilt = [&without_mark, &of_another, &of_tomorrow, &with_unknown, &out_of_range];
    for state in spoilt {
        assert_ne!(state, own, "not spoilt");
    }
    for state in spoilt.into_iter().map(String::as_str).chain([foreign]) {
        host.restore(&H::as_state(state.as_bytes()));
        assert_eq!(host.save(), mine, "after {state}");
    }
    assert_eq!(value_of(Control::Threshold, &host.text(Control::Threshold)), -33.0);

    // And after all that a sound one is still taken.
    assert!(host.restore(&sound));
    assert_eq!(host.save(), sound);
}

pub(crate) fn latency_is_the_delay_of_an_impulse<H: Host>() {
    const AT: usize = 3_000;
    let fresh = Settings::default();
    for layout in Layout::ALL {
        let mut cases = vec![fresh, fresh.with(Control::Bypass, 1.0)];
        for quality in 0..QUALITIES.len() {
            let driven = fresh.with(Control::Drive, 12.0).with(Control::Focus, 50.0);
            let driven = driven.with(Control::Quality, quality as f32);
            cases.push(driven);
            cases.push(driven.with(Control::Lookahead, 2.5 * (quality + 1) as f32));
        }
        cases.push(fresh.with(Control::Bypass, 1.0).with(Control::Lookahead, 0.05));
        for settings in cases {
            let mut host: H = started(layout, RATE_HZ, &settings);
            let latency = Engine::start(layout, RATE_HZ, &settings).processor.latency();
            assert_eq!(host.latency(), latency, "{layout:?}, {settings:?}");
            let mut input = vec![vec![0.0; 6_000]; layout.channels()];
            input.iter_mut().for_each(|channel| channel[AT] = 0.01);
            let key = vec![vec![0.0; 6_000]; layout.key_channels()];
            for channel in host.play(Take { key: &key, ..Take::of(&input) }) {
                let loudest =
                    |a: &usize, b: &usize| channel[*a].abs().total_cmp(&channel[*b].abs());
                let arrived = (0..channel.len()).max_by(loudest).expect("samples");
                assert_eq!(arrived - AT, latency, "{layout:?}, {settings:?}");
            }
        }
    }
}

pub(crate) fn only_the_first_start_asks_for_a_restart<H: Host>() {
    let mut host: H = started(Layout::StereoWithKey, RATE_HZ, &settings().swap_remove(2).1);
    assert_eq!(host.restarts_asked_for(), 1, "the framework begins with no latency");
    for (layout, rate_hz) in [(Layout::Mono, 96_000.0), (Layout::StereoWithKey, 1_234.567_8)] {
        host.stop();
        host.start(layout, rate_hz);
        let input = programme(layout, rate_hz, 13, 0.2);
        host.play(Take { key: &key(layout, rate_hz, 0.2), ..Take::of(&input) });
        host.reset();
        assert_eq!(host.restarts_asked_for(), 0, "{layout:?}, {rate_hz} Hz");
    }
}

pub(crate) fn quality_and_lookahead_wait_for_the_restart_they_ask_for<H: Host>() {
    let before = settings().swap_remove(1).1.with(Control::LoudnessMatch, 0.0);
    for layout in Layout::ALL {
        let input = programme(layout, RATE_HZ, 14, 0.4);
        let key = key(layout, RATE_HZ, 0.4);
        let take = Take { key: &key, ..Take::of(&input) };
        for (control, value) in
            [(Control::Quality, 0.0), (Control::Quality, 3.0), (Control::Lookahead, 5.0)]
        {
            let after = before.with(control, value);
            // A hand that drags it makes one request.
            let changes =
                [Change { at: 3_000, control, value: 1.0 }, Change { at: 5_000, control, value }];
            let mut host: H = started(layout, RATE_HZ, &before);
            host.restarts_asked_for();

            let mut engine = Engine::start(layout, RATE_HZ, &before);
            let output = host.play(Take { changes: &changes, ..take });
            assert_same(&output, &engine.play(take), "while it changes");
            assert_eq!(host.restarts_asked_for(), 1);
            assert_same(&host.play(take), &engine.play(take), "until the restart");
            assert_eq!(host.restarts_asked_for(), 0, "it asks again");

            host.stop();
            host.start(layout, RATE_HZ);
            let mut engine = Engine::start(layout, RATE_HZ, &after);
            assert_eq!(host.latency(), engine.processor.latency());
            assert_same(&host.play(take), &engine.play(take), "after the restart");
            host.restarts_asked_for();
            host.stop();
            host.start(layout, RATE_HZ);
            assert_eq!(host.restarts_asked_for(), 0, "restarts without end");
        }
    }
}

pub(crate) fn bypass_nulls_against_the_delayed_input<H: Host>() {
    const LONGEST_FADE_S: f64 = 0.01;
    const AT: usize = 5_000;
    let hard = settings().swap_remove(1).1;
    let changes = [Change { at: AT, control: Control::Bypass, value: 1.0 }];
    for layout in Layout::ALL {
        let input = programme(layout, RATE_HZ, 5, 0.5);
        let key = key(layout, RATE_HZ, 0.5);
        let take = Take { key: &key, ..Take::of(&input) };
        let from = |audio: &Audio, start: usize, end: usize| -> Audio {
            audio.iter().map(|channel| channel[start..end].to_vec()).collect()
        };
        let length = input[0].len();

        let mut host: H = started(layout, RATE_HZ, &hard.with(Control::Bypass, 1.0));
        let output = host.play(take);
        let late = host.latency();
        let dry = from(&input, 0, length - late);
        assert_same(&from(&output, late, length), &dry, "bypassed throughout");

        let mut host: H = started(layout, RATE_HZ, &hard);
        let output = host.play(Take { changes: &changes, ..take });
        let start = AT + (LONGEST_FADE_S * RATE_HZ) as usize;
        let dry = from(&input, start, length - late);
        assert_same(&from(&output, start + late, length), &dry, "bypassed while playing");
        assert_ne!(from(&output, late, AT), from(&input, 0, AT - late), "nothing to bypass");
    }
}

pub(crate) fn the_key_input_moves_the_gain<H: Host>() {
    use Control::*;
    let noise = |channels: usize, db| -> Audio {
        (0..channels).map(|n| white_noise(RATE_HZ, 20 + n as u64, db, 1.0)).collect()
    };
    let own = Settings::default().with(LoudnessMatch, 0.0).with(Threshold, -40.0).with(Ratio, 4.0);
    let keyed = own.with(KeySource, 1.0);
    for layout in [Layout::StereoWithKey, Layout::MonoWithKey] {
        let quiet = noise(layout.channels(), -50.0);
        let half = quiet[0].len() / 2;
        // Silent at first, then loud.
        let mut key = noise(layout.key_channels(), -12.0);
        key.iter_mut().for_each(|channel| channel[..half].fill(0.0));
        let take = Take { key: &key, ..Take::of(&quiet) };

        let mut host: H = started(layout, RATE_HZ, &keyed);
        let output = host.play(take);
        let late = host.latency();
        let expected = Engine::start(layout, RATE_HZ, &keyed).play(take);
        assert_same(&output, &expected, &format!("{layout:?}, keyed"));
        let settled = half + RATE_HZ as usize / 4;
        for (output, input) in output.iter().zip(&quiet) {
            let output = &output[late..];
            let worst = worst_difference(&output[..half], &input[..half]);
            assert!(worst < 1e-7, "a silent key acts");
            let loud = output[settled..].iter().zip(&input[settled..]);
            let worst = loud.map(|(y, x)| y.abs() / x.abs()).fold(0.0, f32::max);
            // 28 dB over the threshold at 4:1 is 21 dB; half of it already proves the key.
            assert!(worst < 0.3, "a loud key leaves a gain of {worst}");
        }

        let silence = vec![vec![0.0; quiet[0].len()]; layout.key_channels()];
        let unkeyed = Take { key: &silence, ..take };
        let deaf = started::<H>(layout, RATE_HZ, &own).play(take);
        let alone = started::<H>(layout, RATE_HZ, &own).play(unkeyed);
        assert_same(&deaf, &alone, "a key that is not listened to");
    }
}

pub(crate) fn two_instances_do_not_disturb_each_other<H: Host>() {
    const LAYOUT: Layout = Layout::Stereo;
    const TURN: usize = 700;
    let cases = settings();
    let pair = [(&cases[1].1, RATE_HZ, 6), (&cases[2].1, 44_100.0, 7)];
    let inputs = pair.map(|(_, rate_hz, seed)| programme(LAYOUT, rate_hz, seed, 0.4));
    let mut hosts: [H; 2] = pair.map(|(settings, rate_hz, _)| started(LAYOUT, rate_hz, settings));
    let mut outputs = [vec![Vec::new(); 2], vec![Vec::new(); 2]];
    let longest = inputs.iter().map(|input| input[0].len()).max().expect("two");
    for start in (0..longest).step_by(TURN) {
        for ((host, input), output) in hosts.iter_mut().zip(&inputs).zip(&mut outputs) {
            let end = input[0].len().min(start + TURN);
            if start < end {
                let turn: Audio = input.iter().map(|x| x[start..end].to_vec()).collect();
                for (output, turn) in output.iter_mut().zip(host.play(Take::of(&turn))) {
                    output.extend(turn);
                }
            }
        }
    }
    for (((settings, rate_hz, seed), input), output) in pair.iter().zip(&inputs).zip(&outputs) {
        let expected = Engine::start(LAYOUT, *rate_hz, settings).play(Take::of(input));
        assert_same(output, &expected, &format!("instance {seed}"));
    }
}

pub(crate) fn every_rate_gives_the_engines_finite_output<H: Host>() {
    const RATES_HZ: [f64; 14] = [
        1_234.567_8,
        8_000.0,
        11_025.0,
        12_345.678,
        44_100.0,
        45_678.901,
        88_200.0,
        96_000.0,
        123_456.78,
        176_400.0,
        192_000.0,
        384_000.0,
        768_000.0,
        1_234_567.8,
    ];
    let hard = settings().swap_remove(1).1;
    for layout in [Layout::Stereo, Layout::Mono] {
        for rate_hz in RATES_HZ {
            let mut host: H = started(layout, rate_hz, &hard);
            let input = programme(layout, rate_hz, 8, 0.5);
            let output = host.play(Take::of(&input));
            assert!(output.iter().flatten().all(|x| x.is_finite()), "{layout:?}, {rate_hz} Hz");
            let expected = Engine::start(layout, rate_hz, &hard).play(Take::of(&input));
            assert_same(&output, &expected, &format!("{layout:?}, {rate_hz} Hz"));
        }
    }
}

pub(crate) fn a_host_may_change_rate_and_layout<H: Host>() {
    let hard = settings().swap_remove(1).1;
    let mut host = H::load();
    host.set_all(&hard.with(Control::LoudnessMatch, 0.0));
    for (layout, rate_hz) in [
        (Layout::Stereo, 48_000.0),
        (Layout::Mono, 96_000.0),
        (Layout::StereoWithKey, 22_050.0),
        (Layout::Stereo, 48_000.0),
    ] {
        host.start(layout, rate_hz);
        let input = programme(layout, rate_hz, 9, 0.2);
        let key = key(layout, rate_hz, 0.2);
        let take = Take { key: &key, ..Take::of(&input) };
        let settings = hard.with(Control::LoudnessMatch, 0.0);
        let expected = Engine::start(layout, rate_hz, &settings).play(take);
        assert_same(&host.play(take), &expected, &format!("{layout:?}, {rate_hz} Hz"));
        host.stop();
    }
}

pub(crate) fn empty_blocks_change_nothing<H: Host>() {
    for layout in Layout::ALL {
        let (input, key) = (programme(layout, RATE_HZ, 10, 0.2), key(layout, RATE_HZ, 0.2));
        let take = Take { key: &key, blocks: &[0, 64, 0, 0, 333], ..Take::of(&input) };
        let settings = Settings::default();
        let expected = Engine::start(layout, RATE_HZ, &settings).play(take);
        let output = started::<H>(layout, RATE_HZ, &settings).play(take);
        assert_same(&output, &expected, &format!("{layout:?}"));
    }
}

pub(crate) fn a_reset_instance_is_a_new_one<H: Host>() {
    const LAYOUT: Layout = Layout::Stereo;
    // The match belongs to the song and outlives a reset.
    let settings = settings().swap_remove(2).1.with(Control::LoudnessMatch, 0.0);
    let before = programme(LAYOUT, RATE_HZ, 11, 0.5);
    let after = programme(LAYOUT, RATE_HZ, 12, 0.5);
    let new = started::<H>(LAYOUT, RATE_HZ, &settings).play(Take::of(&after));
    let mut host: H = started(LAYOUT, RATE_HZ, &settings);
    host.play(Take::of(&before));
    host.reset();
    assert_same(&host.play(Take::of(&after)), &new, "after a reset");
    assert_ne!(host.play(Take::of(&after)), new, "nothing to forget");
}

pub(crate) fn the_hosts_tempo_moves_a_release_in_notes<H: Host>() {
    let note = |name: &str| NOTES.iter().position(|note| *note == name).expect("a note") as f32;
    let settings = settings()
        .swap_remove(1)
        .1
        .with(Control::AttackNote, note("1/64T"))
        .with(Control::ReleaseNote, note("1/8D"));
    for layout in Layout::ALL {
        let input = programme(layout, RATE_HZ, 15, 0.6);
        let take = |blocks| Take { blocks, ..Take::of(&input) };
        let mut host: H = started(layout, RATE_HZ, &settings);
        // The first tempo comes with the first block, so nothing glides there.
        let started_at = |tempo_bpm| {
            let mut engine = Engine::start(layout, RATE_HZ, &settings);
            engine.processor.set_tempo(Some(tempo_bpm));
            engine.processor.forget();
            engine
        };
        let mut engine = started_at(80.0);
        let mut outputs = Vec::new();
        for tempo_bpm in [80.0, 200.0, 5.0] {
            host.set_tempo(tempo_bpm);
            engine.processor.set_tempo(Some(tempo_bpm));
            let output = host.play(take(&[512, 33]));
            let what = format!("{layout:?} at {tempo_bpm} bpm");
            assert_same(&output, &engine.play(take(&[512])), &what);
            outputs.push(output);
        }
        // The tempo alone makes the difference.
        let mut steady = started_at(80.0);
        assert_eq!(steady.play(take(&[512])), outputs[0]);
        assert_ne!(steady.play(take(&[512])), outputs[1]);

        let mut restored = H::load();
        assert!(restored.restore(&host.save()), "the state is refused");
        for control in [Control::AttackNote, Control::ReleaseNote] {
            assert_eq!(value_of(control, &restored.text(control)), settings[control]);
        }
    }
}
