//! What every host here shares: takes, the engine to compare with, and the plug-in's texts.
#![allow(dead_code)] // each test file uses its own part

use std::ops::Range;
use std::path::{Path, PathBuf};

use tenon_dsp::{Channels, Control, MatchMemory, Processor, Settings, Unit};
use tenon_tests::signals::pink_noise;

/// Samples, channel by channel.
pub(crate) type Audio = Vec<Vec<f32>>;

/// Longest block the hosts announce.
pub(crate) const MAX_BLOCK: usize = 4096;

/// The layouts the plug-in offers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Layout {
    StereoWithKey,
    Stereo,
    Mono,
    MonoWithKey,
}

impl Layout {
    /// All of them, in the order in which the plug-in offers them.
    pub(crate) const ALL: [Layout; 4] =
        [Layout::StereoWithKey, Layout::Stereo, Layout::Mono, Layout::MonoWithKey];

    /// Channels of the bus.
    pub(crate) fn channels(self) -> usize {
        match self {
            Layout::StereoWithKey | Layout::Stereo => 2,
            Layout::Mono | Layout::MonoWithKey => 1,
        }
    }

    /// Channels of the key.
    pub(crate) fn key_channels(self) -> usize {
        match self {
            Layout::StereoWithKey => 2,
            Layout::MonoWithKey => 1,
            Layout::Stereo | Layout::Mono => 0,
        }
    }
}

/// A setting moved while sound runs.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Change {
    /// Sample of the take from which on it holds.
    pub(crate) at: usize,
    pub(crate) control: Control,
    pub(crate) value: f32,
}

/// A stretch of sound to be processed.
#[derive(Clone, Copy)]
pub(crate) struct Take<'a> {
    pub(crate) input: &'a [Vec<f32>],
    /// What comes in at the key; no channels when the layout has none.
    pub(crate) key: &'a [Vec<f32>],
    /// In the order of their samples.
    pub(crate) changes: &'a [Change],
    /// Lengths of the blocks, used in turn until the input ends.
    pub(crate) blocks: &'a [usize],
}

impl<'a> Take<'a> {
    /// A take without key and changes, in blocks of a usual length.
    pub(crate) fn of(input: &'a [Vec<f32>]) -> Self {
        Take { input, key: &[], changes: &[], blocks: &[512] }
    }

    /// The blocks, as ranges of samples.
    pub(crate) fn ranges(&self) -> Vec<Range<usize>> {
        let length = self.input[0].len();
        let mut ranges: Vec<Range<usize>> = Vec::new();
        for block in self.blocks.iter().cycle() {
            let start = ranges.last().map_or(0, |range| range.end);
            if start == length {
                break;
            }
            ranges.push(start..length.min(start + block));
        }
        ranges
    }
}

/// A host with one instance of the plug-in, loaded from its bundle.
pub(crate) trait Host {
    /// Loads the bundle and makes a fresh instance.
    fn load() -> Self;
    /// What the host is told of the parameters, in the plug-in's order.
    fn parameters(&mut self) -> Vec<Parameter>;
    /// The text of a parameter's present value.
    fn text(&mut self, control: Control) -> String;
    /// Sets a parameter. Only while stopped.
    fn set(&mut self, control: Control, value: f32);
    /// Begins processing, in blocks of up to [`MAX_BLOCK`] samples.
    fn start(&mut self, layout: Layout, rate_hz: f64);
    /// Ends processing.
    fn stop(&mut self);
    /// Tells the plug-in a tempo, in quarter notes a minute, from the next block on.
    fn set_tempo(&mut self, tempo_bpm: f64);
    /// Makes the plug-in forget all signal, while it goes on processing.
    fn reset(&mut self);
    /// Processes a take. Only while started.
    fn play(&mut self, take: Take<'_>) -> Audio;
    /// Samples by which the plug-in says that its output lags.
    fn latency(&mut self) -> usize;
    /// How often the plug-in has asked to be restarted since this was asked last.
    fn restarts_asked_for(&mut self) -> usize;
    /// The state, as the plug-in writes it.
    fn save(&mut self) -> Vec<u8>;
    /// Gives the plug-in a state; whether it took it.
    fn restore(&mut self, state: &[u8]) -> bool;
    /// JSON, laid down as the plug-in lays down its own in this format.
    fn as_state(json: &[u8]) -> Vec<u8>;

    /// Sets every parameter. Only while stopped.
    fn set_all(&mut self, settings: &Settings) {
        for control in Control::ALL {
            self.set(control, settings[control]);
        }
    }
}

/// A started host with settings.
pub(crate) fn started<H: Host>(layout: Layout, rate_hz: f64, settings: &Settings) -> H {
    let mut host = H::load();
    host.set_all(settings);
    host.start(layout, rate_hz);
    host
}

/// A parameter as the host sees it.
#[derive(Debug)]
pub(crate) struct Parameter {
    pub(crate) id: u32,
    pub(crate) name: String,
    /// Steps between its choices; none when it is continuous.
    pub(crate) steps: Option<usize>,
    pub(crate) is_bypass: bool,
    pub(crate) can_automate: bool,
    /// Text at its lowest place.
    pub(crate) lowest: String,
    /// Text at its highest place.
    pub(crate) highest: String,
    /// Text of its default.
    pub(crate) default: String,
}

/// The number by which hosts store a parameter: the id's bytes as digits to the base 31, without
/// the uppermost bit. Sessions would lose their automation if either changed.
pub(crate) fn stored_id(control: Control) -> u32 {
    let hash = |hash: u32, byte: u8| hash.wrapping_mul(31).wrapping_add(byte.into());
    control.spec().id.bytes().fold(0, hash) & (u32::MAX >> 1)
}

/// The value that a text of the plug-in stands for, with its unit or without.
pub(crate) fn value_of(control: Control, text: &str) -> f32 {
    let number = || text.split([' ', ':']).next()?.parse().ok();
    let value = match control.spec().unit {
        Unit::Choice(names) => {
            names.iter().position(|name| *name == text).map(|index| index as f32)
        }
        Unit::Hertz if text == "off" => Some(0.0),
        _ => number(),
    };
    value.unwrap_or_else(|| panic!("{} shows {text:?}", control.spec().id))
}

/// The engine on its own, to compare with.
pub(crate) struct Engine {
    pub(crate) processor: Processor,
    settings: Settings,
    layout: Layout,
}

impl Engine {
    /// A fresh engine at settings.
    pub(crate) fn start(layout: Layout, rate_hz: f64, settings: &Settings) -> Self {
        let mut processor = Processor::new();
        let channels = if layout.channels() == 1 { Channels::Mono } else { Channels::Stereo };
        // nice-plug hands the rate over in single precision.
        processor.prepare(f64::from(rate_hz as f32), channels).expect("the engine takes the rate");
        processor.set(settings);
        processor.reset();
        Engine { processor, settings: *settings, layout }
    }

    /// A fresh engine at settings with a match from earlier.
    pub(crate) fn restored(
        layout: Layout,
        rate_hz: f64,
        settings: &Settings,
        memory: MatchMemory,
    ) -> Self {
        let mut engine = Engine::start(layout, rate_hz, settings);
        engine.processor.restore_match(memory);
        engine
    }

    /// Processes a take, cut only where settings change.
    pub(crate) fn play(&mut self, take: Take<'_>) -> Audio {
        let mut output = take.input.to_vec();
        if self.layout.channels() == 1 {
            output.push(take.input[0].clone());
        }
        let mut start = 0;
        let changes = take.changes.chunk_by(|a, b| a.at == b.at);
        for together in changes {
            self.process(&mut output, take.key, start..together[0].at);
            start = together[0].at;
            for change in together {
                self.settings = self.settings.with(change.control, change.value);
            }
            self.processor.set(&self.settings);
        }
        self.process(&mut output, take.key, start..take.input[0].len());
        output.truncate(self.layout.channels());
        output
    }

    fn process(&mut self, output: &mut [Vec<f32>], key: &[Vec<f32>], range: Range<usize>) {
        let [left, right] = output else { panic!("the engine is stereo") };
        let key = match key {
            [left, right] => Some((&left[range.clone()], &right[range.clone()])),
            [mono] => Some((&mono[range.clone()], &mono[range.clone()])),
            _ => None,
        };
        self.processor.process(&mut left[range.clone()], &mut right[range], key);
    }
}

/// Something to put on a bus.
pub(crate) fn programme(layout: Layout, rate_hz: f64, seed: u64, seconds: f64) -> Audio {
    bursts(layout.channels(), rate_hz, seed, seconds)
}

/// Something else for the key of the layouts that have one.
pub(crate) fn key(layout: Layout, rate_hz: f64, seconds: f64) -> Audio {
    bursts(layout.key_channels(), rate_hz, 100, seconds)
}

/// Noise that comes and goes, with silence between: attack, release and gates all get work.
fn bursts(channels: usize, rate_hz: f64, seed: u64, seconds: f64) -> Audio {
    const LEVELS: [f32; 4] = [1.0, 0.1, 0.5, 0.0];
    let channel = |channel: usize| {
        let noise = pink_noise(rate_hz, 2 * seed + channel as u64, -20.0, seconds);
        let level = |n: usize| LEVELS[(8.0 * n as f64 / rate_hz) as usize % LEVELS.len()];
        noise.iter().enumerate().map(|(n, x)| x * level(n)).collect()
    };
    (0..channels).map(channel).collect()
}

/// Fails where two takes first differ in a bit. Silence of −0 is silence, which hosts may turn into 0.
pub(crate) fn assert_same(actual: &[Vec<f32>], expected: &[Vec<f32>], what: &str) {
    assert_eq!(actual.len(), expected.len(), "{what}: number of channels");
    for (channel, (actual, expected)) in actual.iter().zip(expected).enumerate() {
        assert_eq!(actual.len(), expected.len(), "{what}: length");
        let bits = |x: f32| (x + 0.0).to_bits();
        let differs = |n: &usize| bits(actual[*n]) != bits(expected[*n]);
        if let Some(n) = (0..actual.len()).find(differs) {
            let (actual, expected) = (actual[n], expected[n]);
            panic!("{what}: channel {channel}, sample {n} is {actual:e}, not {expected:e}");
        }
    }
}

/// The bundle named by an environment variable, else the one `cargo xtask bundle` makes.
pub(crate) fn bundle(variable: &str, name: &str) -> PathBuf {
    let made = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/bundled").join(name);
    let bundle = std::env::var_os(variable).map_or(made, PathBuf::from);
    assert!(
        bundle.exists(),
        "{} is not there; make it with `cargo xtask bundle`, or name another in {variable}",
        bundle.display()
    );
    bundle
}
