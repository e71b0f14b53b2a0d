//! What hosts in the very structures of a standard do alike, and the rules that both formats share.
#![allow(dead_code)] // each test file uses its own part

use std::sync::atomic::{AtomicBool, Ordering};

use tenon_dsp::{Control, Settings};

use super::shared::{Audio, Layout, assert_same, key, programme};

pub(crate) const LAYOUT: Layout = Layout::StereoWithKey;
pub(crate) const RATE_HZ: f64 = 48_000.0;
pub(crate) const BLOCK: usize = 512;

/// An instance in such a host, which may be used from any thread.
pub(crate) trait RawHost: Sized + Sync {
    /// Loads the bundle and makes a fresh instance.
    fn load() -> Self;

    /// Activates for blocks of up to so many samples.
    fn activate(&self, rate_hz: f64, longest: usize);

    fn deactivate(&self);

    /// Starts processing.
    fn start(&self);

    /// Stops processing.
    fn stop(&self);

    /// Has all signal forgotten, while active.
    fn forget(&self);

    /// Processes main and key input in blocks of one length.
    fn play(&self, input: &[Vec<f32>], key: &[Vec<f32>], block: usize) -> Audio;

    /// Sets a parameter. Only while stopped.
    fn set(&self, control: Control, value: f32);

    fn save(&self) -> Vec<u8>;

    /// Restores a state; false when it is refused.
    fn restore(&self, state: &[u8]) -> bool;

    /// Samples for which something is heard after the input has fallen silent.
    fn tail(&self) -> usize;

    /// Samples by which the output lags.
    fn latency(&self) -> usize;

    /// A started instance with settings.
    fn started(settings: &Settings, rate_hz: f64, longest: usize) -> Self {
        let host = Self::load();
        for control in Control::ALL {
            host.set(control, settings[control]);
        }
        host.activate(rate_hz, longest);
        host.start();
        host
    }
}

/// Settings at which every stage works, with the key input heard by the detector.
pub(crate) fn keyed() -> Settings {
    Settings::default()
        .with(Control::KeySource, 1.0)
        .with(Control::Threshold, -36.0)
        .with(Control::Ratio, 6.0)
        .with(Control::Drive, 9.0)
        .with(Control::LoudnessMatch, 0.0)
}

pub(crate) fn silence(length: usize) -> Audio {
    vec![vec![0.0; length]; 2]
}

pub(crate) fn pointers(audio: &mut Audio) -> Vec<*mut f32> {
    audio.iter_mut().map(|channel| channel.as_mut_ptr()).collect()
}

pub(crate) fn a_block_longer_than_announced_is_processed_whole<H: RawHost>() {
    let (input, key) = (programme(LAYOUT, RATE_HZ, 2, 0.4), key(LAYOUT, RATE_HZ, 0.4));
    let expected = H::started(&keyed(), RATE_HZ, 16_384).play(&input, &key, 16_384);
    let output = H::started(&keyed(), RATE_HZ, 32).play(&input, &key, 16_384);
    assert_same(&output, &expected, "announced 32, came 16384");
}

/// `process` hands over a block of so many samples: main, key and output channels.
pub(crate) fn an_output_that_is_wider_or_narrower_than_the_bus_does_no_harm<H: RawHost>(
    process: impl Fn(&H, [&mut [*mut f32]; 3], usize),
) {
    let input = programme(LAYOUT, RATE_HZ, 3, 0.1);
    let (length, loud) = (input[0].len(), vec![vec![0.5; input[0].len()]; 4]);
    let own = keyed().with(Control::KeySource, 0.0);
    let whole = H::started(&own, RATE_HZ, length).play(&input, &input, length);
    for channels in [1, 2, 3] {
        let (mut main, mut side, mut out) = (input.clone(), input.clone(), loud.clone());
        let [mut mains, mut sides, mut outs] =
            [pointers(&mut main), pointers(&mut side), pointers(&mut out)];
        let host = H::started(&own, RATE_HZ, length);
        process(&host, [&mut mains, &mut sides, &mut outs[..channels]], length);
        let silence = vec![0.0; length];
        let expected = match channels {
            1 => vec![silence],
            2 => whole.clone(),
            _ => [whole.clone(), vec![silence]].concat(),
        };
        assert_same(&out[..channels], &expected, "the output");
        assert_same(&out[channels..], &loud[channels..], "beside the output");
    }
}

/// `initialise` is what a format does beyond activation to begin anew, on an instance that is neither
/// active nor processing.
pub(crate) fn activated_twice_and_never_deactivated<H: RawHost>(initialise: impl FnOnce(&H)) {
    let (input, key) = (programme(LAYOUT, RATE_HZ, 8, 0.2), key(LAYOUT, RATE_HZ, 0.2));
    let expected = H::started(&keyed(), RATE_HZ, BLOCK).play(&input, &key, BLOCK);
    let host = H::started(&keyed(), 96_000.0, 64);
    host.play(&input, &key, 64);
    // No stop, no deactivation between.
    host.activate(RATE_HZ, BLOCK);
    host.start();
    host.start();
    assert_same(&host.play(&input, &key, BLOCK), &expected, "activated again");
    host.stop();
    host.stop();
    host.deactivate();
    host.deactivate();
    host.activate(RATE_HZ, BLOCK);
    host.start();
    assert_same(&host.play(&input, &key, BLOCK), &expected, "deactivated twice");
    host.stop();
    host.deactivate();
    initialise(&host);
    host.activate(RATE_HZ, BLOCK);
    host.start();
    assert_same(&host.play(&input, &key, BLOCK), &expected, "initialised again");
    // Gone while it processes: the next instance is none the worse.
    drop(host);
    let next = H::started(&keyed(), RATE_HZ, BLOCK);
    assert_same(&next.play(&input, &key, BLOCK), &expected, "after one that was never stopped");
}

pub(crate) fn after_the_tail_there_is_silence<H: RawHost>() {
    /// What counts as silent: the bar of the VST3 SDK's own tail test, which its validator leaves out.
    const SILENT: f32 = 1e-7;
    let loud = Settings::default().with(Control::Threshold, -40.0).with(Control::Ratio, 8.0);
    let driven = keyed().with(Control::KeySource, 0.0).with(Control::Drive, 24.0);
    for (name, settings) in [
        ("default", Settings::default()),
        ("compressed", loud),
        ("driven", loud.with(Control::Drive, 24.0).with(Control::Symmetry, 80.0)),
        ("driven at 1x", loud.with(Control::Drive, 24.0).with(Control::Quality, 0.0)),
        ("driven without match", driven.with(Control::Symmetry, 80.0)),
        ("driven without match at 1x", driven.with(Control::Quality, 0.0)),
        ("focused", loud.with(Control::Drive, 24.0).with(Control::Focus, -100.0)),
        ("delta", loud.with(Control::Drive, 12.0).with(Control::Listen, 1.0)),
        ("key heard", loud.with(Control::KeyHighpass, 20.0).with(Control::Listen, 2.0)),
        ("key input heard", keyed().with(Control::KeyHighpass, 20.0).with(Control::Listen, 2.0)),
        ("compared", loud.with(Control::Compare, 1.0)),
        ("bypassed", loud.with(Control::Bypass, 1.0)),
    ] {
        let host = H::started(&settings, RATE_HZ, BLOCK);
        let input = programme(LAYOUT, RATE_HZ, 9, 0.35);
        let sounding = host.play(&input, &input, BLOCK);
        assert!(sounding.iter().flatten().any(|x| x.abs() > 1e-3), "{name} is silent anyway");
        let tail = host.tail();
        assert!(tail >= host.latency(), "{name}: a tail shorter than the latency");
        let none = silence(tail + 48_000);
        let after = host.play(&none, &none, BLOCK);
        let worst =
            after.iter().flat_map(|channel| &channel[tail..]).fold(0.0f32, |a, x| a.max(x.abs()));
        assert!(worst < SILENT, "{name}: {worst:e} after a tail of {tail} samples");
        assert!(after.iter().flatten().all(|x| !x.is_subnormal()), "{name}");
    }
}

pub(crate) fn states_are_saved_and_restored_while_another_thread_processes<H: RawHost>() {
    let slow = keyed();
    let fast = slow.with(Control::Release, 20.0).with(Control::Mix, 45.0);
    let fast = fast.with(Control::Threshold, -12.5).with(Control::SideShare, 30.0);
    let [slow_state, fast_state] =
        [slow, fast].map(|settings| H::started(&settings, RATE_HZ, BLOCK).save());
    let host = H::started(&slow, RATE_HZ, BLOCK);
    let (input, key) = (programme(LAYOUT, RATE_HZ, 10, 0.5), key(LAYOUT, RATE_HZ, 0.5));
    let done = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let (host, input, key, done) = (&host, &input, &key, &done);
        let audio = scope.spawn(move || {
            let mut sound = true;
            while !done.load(Ordering::Relaxed) {
                let output = host.play(input, key, 64);
                sound &= output.iter().flatten().all(|x| x.is_finite() && !x.is_subnormal());
            }
            sound
        });
        for turn in 0..400 {
            let state = if turn % 2 == 0 { &fast_state } else { &slow_state };
            assert!(host.restore(state));
            assert_eq!(host.save(), *state, "turn {turn}");
        }
        assert!(host.restore(&fast_state));
        done.store(true, Ordering::Relaxed);
        assert!(audio.join().expect("the audio thread ends well"), "not a number came out");
    });
    assert_eq!(host.save(), fast_state);
    host.forget();
    let expected = H::started(&fast, RATE_HZ, BLOCK).play(&input, &key, BLOCK);
    assert_same(&host.play(&input, &key, BLOCK), &expected, "after all that");
}
