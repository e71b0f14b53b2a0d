//! Whatever settings, tempos, rates, samples and blocks there are: what comes out is finite and normal,
//! and bits and readings are the same however the stream is cut.
#![no_main]

use arbitrary::{Arbitrary, Result, Unstructured};
use libfuzzer_sys::fuzz_target;
use tenon_dsp::{
    Beat, Channels, Control, KEY_HIGHPASS_MIN_HZ, MATCH_LIMIT_DB, MatchMemory, MatchState,
    Processor, Readings, SAMPLE_RATES_HZ, Settings, Unit,
};

/// Longest run, in frames: two of the engine's hops at 48 kHz, many at low rates. Short runs are quick,
/// and more of them find more.
const LONGEST: usize = 2_048;

#[derive(Debug)]
struct Run {
    rate_hz: f64,
    channels: Channels,
    /// The settings at first, and those that come later.
    settings: [Settings; 2],
    /// Quarter notes a minute, sound or not, at first and later.
    tempos_bpm: [Option<f64>; 2],
    /// Where the song is at first.
    beat: Option<Beat>,
    /// Frame from which on the later settings and the later tempo hold.
    change_at: usize,
    memory: MatchMemory,
    key: bool,
    /// Lengths of the blocks, used in turn.
    blocks: Vec<usize>,
    samples: Vec<[f32; 2]>,
}

impl<'a> Arbitrary<'a> for Run {
    fn arbitrary(u: &mut Unstructured<'a>) -> Result<Self> {
        let share = |u: &mut Unstructured<'a>| Ok(f64::from(u.arbitrary::<u16>()?) / 65_535.0);
        let (low, high) = (SAMPLE_RATES_HZ.start().ln(), SAMPLE_RATES_HZ.end().ln());
        let rate_hz = match u.int_in_range(0..=3)? {
            0 => 48_000.0,
            _ => (low + share(u)? * (high - low)).exp(),
        };
        let rate_hz = rate_hz.clamp(*SAMPLE_RATES_HZ.start(), *SAMPLE_RATES_HZ.end());
        let channels = if u.arbitrary()? { Channels::Mono } else { Channels::Stereo };
        let settings = [settings(u)?, settings(u)?];
        let tempos_bpm = [tempo(u)?, tempo(u)?];
        let beat = match u.arbitrary()? {
            true => Some(Beat { position: wild(u)?, per_s: 20.0 * share(u)? }),
            false => None,
        };
        let gain_db = (2.0 * share(u)? - 1.0) as f32 * MATCH_LIMIT_DB;
        let state = if u.arbitrary()? { MatchState::Held } else { MatchState::Learning };
        let key = u.arbitrary()?;
        let count = u.int_in_range(1..=8)?;
        let blocks = (0..count)
            .map(|_| Ok(usize::from(u.arbitrary::<u16>()?) % 1_500))
            .chain([Ok(1)])
            .collect::<Result<_>>()?;
        let change_at = u.int_in_range(0..=LONGEST)?;
        let mut samples = Vec::new();
        // The rest are samples: wild ones as they are, tame ones in a stretch.
        while !u.is_empty() && samples.len() < LONGEST {
            let sample = |u: &mut Unstructured<'a>| -> Result<f32> {
                Ok(match u.int_in_range(0..=2)? {
                    0 => f32::from_bits(u.arbitrary()?),
                    1 => (2.0 * share(u)? - 1.0) as f32,
                    _ => 0.0,
                })
            };
            let frame = [sample(u)?, sample(u)?];
            let times = usize::from(u.arbitrary::<u8>()?) + 1;
            samples.extend(std::iter::repeat_n(frame, times));
        }
        samples.truncate(LONGEST);
        let memory = MatchMemory { gain_db, state };
        Ok(Self {
            rate_hz,
            channels,
            settings,
            tempos_bpm,
            beat,
            change_at,
            memory,
            key,
            blocks,
            samples,
        })
    }
}

/// Any number there is.
fn wild(u: &mut Unstructured<'_>) -> Result<f64> {
    Ok(f64::from_bits(u.arbitrary()?))
}

fn tempo(u: &mut Unstructured<'_>) -> Result<Option<f64>> {
    Ok(match u.int_in_range(0..=3)? {
        0 => None,
        1 => Some(wild(u)?),
        _ => Some(f64::from(u.arbitrary::<u16>()?) / 64.0),
    })
}

fn settings(u: &mut Unstructured<'_>) -> Result<Settings> {
    let mut settings = Settings::default();
    for control in Control::ALL {
        let spec = control.spec();
        let share = f32::from(u.arbitrary::<u16>()?) / 65_535.0;
        let mut value = spec.min + share * (spec.max - spec.min);
        if matches!(spec.unit, Unit::Choice(_)) {
            value = value.round();
        } else if control == Control::KeyHighpass && value < KEY_HIGHPASS_MIN_HZ {
            value = 0.0;
        }
        settings.set(control, value.min(spec.max)).expect("within the range");
    }
    Ok(settings)
}

/// Plays a run in blocks; gives the bits that come out, and the readings at the end.
fn play(run: &Run, block: impl Fn(usize) -> usize) -> (Vec<u32>, Readings) {
    let mut processor = Processor::new();
    processor.prepare(run.rate_hz, run.channels).expect("a rate within the range");
    processor.set(&run.settings[0]);
    processor.set_tempo(run.tempos_bpm[0]);
    processor.reset();
    processor.restore_match(run.memory);
    processor.set_beat(run.beat);
    let side = |n: usize| run.samples.iter().map(|frame| frame[n]).collect::<Vec<f32>>();
    let (mut left, mut right) = (side(0), side(1));
    if run.channels == Channels::Mono {
        right.clone_from(&left);
    }
    // The key hears the same, backwards.
    let backwards = |n| side(n).into_iter().rev().collect::<Vec<f32>>();
    let key = [backwards(0), backwards(1)];
    let (mut start, mut number) = (0, 0);
    while start < left.len() {
        if start == run.change_at {
            processor.set(&run.settings[1]);
            processor.set_tempo(run.tempos_bpm[1]);
        }
        let limit = if start < run.change_at { run.change_at } else { left.len() };
        let end = left.len().min(limit).min(start + block(number));
        let blocks = (&mut left[start..end], &mut right[start..end]);
        let key = run.key.then(|| (&key[0][start..end], &key[1][start..end]));
        processor.process(blocks.0, blocks.1, key);
        (start, number) = (end, number + 1);
    }
    let all = left.iter().chain(&right);
    assert!(all.clone().all(|x| x.is_finite() && !x.is_subnormal()), "what comes out is no sound");
    let readings = processor.readings();
    assert!(readings.gain_reduction_db.is_finite() && readings.match_gain_db.is_finite());
    (all.map(|x| x.to_bits()).collect(), readings)
}

fuzz_target!(|run: Run| {
    let whole = play(&run, |_| usize::MAX / 2);
    let cut = play(&run, |number| run.blocks[number % run.blocks.len()]);
    assert!(whole == cut, "the blocks are heard");
});
