//! The host's buffers and the engine. Runs on the audio thread: allocates only when activated,
//! never waits, never panics. Knows nothing of the editor.

use nice_plug::prelude::*;
use tenon_dsp::{Channels, Control, Listen, Processor, RateError, Settings};

use crate::feed::FeedIn;
use crate::listener::ListenerIn;
use crate::state::{BusState, Restores};

const MONO: std::num::NonZeroU32 = new_nonzero_u32(1);
const STEREO: std::num::NonZeroU32 = new_nonzero_u32(2);

/// The layouts on offer: stereo with a stereo key, stereo, mono, mono with a mono key. The main
/// ports keep their generated names, because the framework names the output after the input.
///
/// VST3 hosts begin with the first and can change the channels of a bus, but not the number of
/// buses: for them a mono track has a key too.
pub(crate) const LAYOUTS: &[AudioIOLayout] = &[
    AudioIOLayout {
        main_input_channels: Some(STEREO),
        main_output_channels: Some(STEREO),
        aux_input_ports: &[STEREO],
        names: PortNames {
            layout: Some("Stereo with key"),
            aux_inputs: &["Key"],
            ..PortNames::const_default()
        },
        ..AudioIOLayout::const_default()
    },
    AudioIOLayout {
        main_input_channels: Some(STEREO),
        main_output_channels: Some(STEREO),
        ..AudioIOLayout::const_default()
    },
    AudioIOLayout {
        main_input_channels: Some(MONO),
        main_output_channels: Some(MONO),
        ..AudioIOLayout::const_default()
    },
    AudioIOLayout {
        main_input_channels: Some(MONO),
        main_output_channels: Some(MONO),
        aux_input_ports: &[MONO],
        names: PortNames {
            layout: Some("Mono with key"),
            aux_inputs: &["Key"],
            ..PortNames::const_default()
        },
        ..AudioIOLayout::const_default()
    },
];

/// Samples handed to the engine at once, so that the buffers here suit any block of the host.
const CHUNK: usize = 512;
/// Times a second at which readings are handed to the editor.
const READINGS_HZ: f64 = 60.0;
/// How long the key can be heard after its input has fallen silent: its high-pass at 20 Hz is
/// 140 dB down by then.
const KEY_TAIL_S: f64 = 0.25;
/// How long saturation sounds after its input has fallen silent: its high-pass at 5 Hz is 130 dB
/// down by then.
const SATURATION_TAIL_S: f64 = 0.5;

/// The engine and what it needs between blocks.
pub(crate) struct Audio {
    processor: Processor,
    rate_hz: f64,
    settings: Settings,
    /// The quality in use, as the value of its control.
    quality: f32,
    /// The latency that the host knows of, or has been asked to restart for.
    told: usize,
    restores: Restores,
    feed: FeedIn,
    listener: ListenerIn,
    samples_to_readings: f64,
    /// The engine's right channel in mono.
    right: [f32; CHUNK],
}

/// What became of a block.
pub(crate) struct Processed {
    /// Whether the block is followed by more sound when the input falls silent.
    pub(crate) status: ProcessStatus,
    /// Whether there are new readings to show.
    pub(crate) news: bool,
    /// The latency from the next activation on, in samples, when it is not what the host expects.
    /// Said once.
    pub(crate) next_latency: Option<u32>,
}

impl Audio {
    /// An engine that hands its readings to `feed`, and what it does to the bus to `listener`.
    pub(crate) fn new(processor: Processor, feed: FeedIn, listener: ListenerIn) -> Self {
        Self {
            processor,
            rate_hz: 0.0,
            settings: Settings::default(),
            quality: Settings::default()[Control::Quality],
            told: 0,
            restores: Restores::default(),
            feed,
            listener,
            samples_to_readings: 0.0,
            right: [0.0; CHUNK],
        }
    }

    /// Prepares for a layout and a sample rate. Gives the latency, in samples.
    ///
    /// # Errors
    /// When the engine cannot run at the rate.
    pub(crate) fn activate(
        &mut self,
        layout: &AudioIOLayout,
        rate_hz: f64,
        state: &BusState,
    ) -> Result<u32, RateError> {
        let channels = if layout.main_output_channels == Some(MONO) {
            Channels::Mono
        } else {
            Channels::Stereo
        };
        self.follow(state);
        self.processor.prepare(rate_hz, channels)?;
        self.quality = self.settings[Control::Quality];
        self.told = self.processor.latency();
        self.listener.set_rate(rate_hz);
        self.rate_hz = rate_hz;
        Ok(self.told as u32)
    }

    /// Forgets all signal, and starts at the settings of now. Only the quality stays: hosts ask for
    /// the latency when they activate, and not when they reset.
    pub(crate) fn reset(&mut self, state: &BusState) {
        self.follow(state);
        self.processor.set(&self.settings.with(Control::Quality, self.quality));
        self.processor.reset();
        self.processor.set(&self.settings);
    }

    /// Processes a block in place.
    pub(crate) fn process(
        &mut self,
        main: &mut [&mut [f32]],
        key: Option<&[&mut [f32]]>,
        state: &BusState,
    ) -> Processed {
        self.follow(state);
        let listener = &mut self.listener;
        let mut tap = |dry: [&[f32]; 2], wet: [&[f32]; 2]| listener.add(dry, wet);
        let samples = match main {
            [left, right, ..] => {
                let samples = left.len().min(right.len());
                for start in (0..samples).step_by(CHUNK) {
                    let chunk = start..samples.min(start + CHUNK);
                    let key = match key {
                        Some([left, right, ..]) => Some((
                            part(left, chunk.clone(), &SILENCE),
                            part(right, chunk.clone(), &SILENCE),
                        )),
                        _ => None,
                    };
                    let (left, right) = (&mut left[chunk.clone()], &mut right[chunk]);
                    self.processor.process_tapped(left, right, key, &mut tap);
                }
                samples
            }
            [only] => {
                for start in (0..only.len()).step_by(CHUNK) {
                    let chunk = start..only.len().min(start + CHUNK);
                    // Both sides of the engine hear the one key, as they do the one bus.
                    let key = match key {
                        Some([key]) => {
                            let key = part(key, chunk.clone(), &SILENCE);
                            Some((key, key))
                        }
                        _ => None,
                    };
                    let left = &mut only[chunk];
                    let right = &mut self.right[..left.len()];
                    right.copy_from_slice(left);
                    self.processor.process_tapped(left, right, key, &mut tap);
                }
                only.len()
            }
            [] => 0,
        };
        self.report(samples, state)
    }

    /// Takes up what host and editor have changed.
    fn follow(&mut self, state: &BusState) {
        // Read before the settings: whoever sees a restored match sees its settings too. And
        // taken up after them, because settings that move make the engine learn anew.
        let (memory, restores) = state.loudness_match.get();
        let settings = state.params.settings();
        if settings != self.settings {
            self.settings = settings;
            self.processor.set(&self.settings);
        }
        if restores != self.restores {
            self.restores = restores;
            self.processor.restore_match(memory);
        }
        if self.feed.take_learn_anew() {
            self.processor.relearn_match();
        }
        if self.feed.take_clear_peaks() {
            self.processor.clear_peaks();
        }
    }

    fn report(&mut self, samples: usize, state: &BusState) -> Processed {
        state.loudness_match.report(self.processor.match_memory(), self.restores);
        self.feed.tick();
        self.samples_to_readings -= samples as f64;
        let due = self.samples_to_readings <= 0.0;
        if due {
            self.samples_to_readings = self.rate_hz / READINGS_HZ;
        }
        let next_latency = self.processor.next_latency();
        let is_news = next_latency != self.told;
        self.told = next_latency;
        Processed {
            status: match self.tail() {
                0 => ProcessStatus::Normal,
                samples => ProcessStatus::Tail(samples),
            },
            news: due && self.feed.publish(self.processor.readings()),
            next_latency: is_news.then_some(next_latency as u32),
        }
    }

    /// Samples for which something is heard after the input has fallen silent. A gain on silence is
    /// silent at once.
    fn tail(&self) -> u32 {
        let seconds = match self.settings.listen() {
            Listen::Key => KEY_TAIL_S,
            Listen::Output | Listen::Delta if self.settings[Control::Drive] > 0.0 => {
                SATURATION_TAIL_S
            }
            Listen::Output | Listen::Delta => 0.0,
        };
        (self.rate_hz * seconds) as u32 + self.processor.latency() as u32
    }
}

static SILENCE: [f32; CHUNK] = [0.0; CHUNK];

/// A part of a key channel. Hosts that connect nothing may leave the framework with a channel
/// shorter than the block; nothing connected is silence.
fn part<'a>(
    channel: &'a [f32],
    range: std::ops::Range<usize>,
    silence: &'a [f32; CHUNK],
) -> &'a [f32] {
    let length = range.len();
    channel.get(range).unwrap_or(&silence[..length])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::feed::{FeedOut, feed};
    use crate::listener::listener;
    use nice_plug::params::internals::ParamPtr;
    use tenon_dsp::Readings;

    /// A short noise burst over a tone; anything the compressor reacts to.
    fn signal(samples: usize, seed: u32) -> Vec<f32> {
        let mut state = seed;
        (0..samples)
            .map(|n| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let noise = state as f32 / u32::MAX as f32 - 0.5;
                let burst = if n % 9_600 < 2_400 { 1.0 } else { 0.1 };
                noise * burst
            })
            .collect()
    }

    fn audio() -> (Audio, FeedOut) {
        let processor = Processor::new();
        let (feed_in, feed_out) = feed(processor.readings());
        (Audio::new(processor, feed_in, listener().0), feed_out)
    }

    fn set(state: &BusState, control: Control, value: f32) {
        let param = state.params.get(control);
        let position = param.position(value);
        let (_, ptr, _) =
            state.params.param_map().into_iter().find(|(id, ..)| id == control.spec().id).unwrap();
        set_normalized(ptr, position);
    }

    #[allow(unsafe_code)]
    fn set_normalized(ptr: ParamPtr, position: f32) {
        // SAFETY: callers hold the parameters the pointer points into.
        unsafe { ptr._internal_set_normalized_value(position) };
    }

    fn bits(samples: &[f32]) -> Vec<u32> {
        samples.iter().map(|sample| sample.to_bits()).collect()
    }

    /// The engine on its own, over the same samples.
    fn engine(
        channels: Channels,
        settings: &Settings,
        left: &mut [f32],
        right: &mut [f32],
        key: Option<(&[f32], &[f32])>,
    ) {
        let mut processor = Processor::new();
        processor.prepare(48_000.0, channels).unwrap();
        processor.set(settings);
        processor.reset();
        processor.process(left, right, key);
    }

    #[test]
    fn stereo_is_the_engine_bit_for_bit_in_blocks_of_any_length() {
        for block in [1, 17, 512, 513, 5_000] {
            let state = BusState::default();
            set(&state, Control::Threshold, -30.0);
            let (mut audio, _) = audio();
            audio.activate(&LAYOUTS[1], 48_000.0, &state).unwrap();
            audio.reset(&state);
            let (mut left, mut right) = (signal(9_999, 1), signal(9_999, 2));
            let (mut left_alone, mut right_alone) = (left.clone(), right.clone());
            for (left, right) in left.chunks_mut(block).zip(right.chunks_mut(block)) {
                audio.process(&mut [left, right], None, &state);
            }
            engine(
                Channels::Stereo,
                &state.params.settings(),
                &mut left_alone,
                &mut right_alone,
                None,
            );
            assert!(bits(&left) == bits(&left_alone), "{block}");
            assert!(bits(&right) == bits(&right_alone), "{block}");
        }
    }

    #[test]
    fn mono_is_the_engine_with_both_channels_alike() {
        let state = BusState::default();
        set(&state, Control::Threshold, -30.0);
        let (mut audio, _) = audio();
        audio.activate(&LAYOUTS[2], 48_000.0, &state).unwrap();
        audio.reset(&state);
        let mut left = signal(3_000, 1);
        let (mut left_alone, mut right_alone) = (left.clone(), left.clone());
        for left in left.chunks_mut(1_000) {
            audio.process(&mut [left], None, &state);
        }
        engine(Channels::Mono, &state.params.settings(), &mut left_alone, &mut right_alone, None);
        assert!(bits(&left) == bits(&left_alone));
    }

    #[test]
    fn the_key_input_reaches_the_engine_and_its_absence_is_silence() {
        let state = BusState::default();
        set(&state, Control::KeySource, 1.0);
        set(&state, Control::Threshold, -40.0);
        let programme = (signal(4_000, 1), signal(4_000, 2));
        let run = |key: Option<(Vec<f32>, Vec<f32>)>| {
            let (mut audio, _) = audio();
            audio.activate(&LAYOUTS[0], 48_000.0, &state).unwrap();
            audio.reset(&state);
            let (mut left, mut right) = programme.clone();
            match key {
                Some((mut a, mut b)) => {
                    audio.process(&mut [&mut left, &mut right], Some(&[&mut a, &mut b]), &state)
                }
                None => {
                    audio.process(&mut [&mut left, &mut right], Some(&[&mut [], &mut []]), &state)
                }
            };
            left
        };
        let alone = |key: (&[f32], &[f32])| {
            let (mut left, mut right) = programme.clone();
            engine(Channels::Stereo, &state.params.settings(), &mut left, &mut right, Some(key));
            left
        };
        let loud = (signal(4_000, 3), signal(4_000, 4));
        let silent = vec![0.0; 4_000];
        assert_eq!(bits(&run(Some(loud.clone()))), bits(&alone((&loud.0, &loud.1))));
        assert!(bits(&run(None)) == bits(&alone((&silent, &silent))));
        assert!(bits(&run(Some(loud))) != bits(&run(None)));
    }

    #[test]
    fn every_rate_a_host_may_try_is_taken_and_absurd_ones_are_refused() {
        let state = BusState::default();
        for rate_hz in [1_234.567_8, 8_000.0, 44_100.0, 123_456.78, 768_000.0, 1_234_567.8] {
            let (mut audio, _) = audio();
            for layout in LAYOUTS {
                let latency = Processor::new().latency() as u32;
                assert_eq!(audio.activate(layout, rate_hz, &state), Ok(latency), "{rate_hz}");
                let (mut left, mut right) = (signal(777, 1), signal(777, 2));
                audio.process(&mut [&mut left, &mut right], None, &state);
                assert!(left.iter().all(|sample| sample.is_finite()));
            }
        }
        for rate_hz in [0.0, -1.0, f64::NAN, f64::INFINITY, 999.0] {
            let (mut audio, _) = audio();
            assert!(audio.activate(&LAYOUTS[1], rate_hz, &state).is_err());
        }
    }

    #[test]
    fn empty_blocks_and_no_channels_are_fine() {
        let state = BusState::default();
        let (mut audio, _) = audio();
        audio.activate(&LAYOUTS[0], 48_000.0, &state).unwrap();
        audio.reset(&state);
        audio.process(&mut [&mut [], &mut []], Some(&[&mut [], &mut []]), &state);
        audio.process(&mut [&mut []], None, &state);
        audio.process(&mut [], None, &state);
    }

    #[test]
    fn a_restored_match_starts_held_although_its_settings_came_with_it() {
        let saved = BusState::default();
        let mut fields = saved.serialize_fields();
        fields.insert("match".into(), r#"{"gain_db":-3.25,"held":true}"#.into());

        let state = BusState::default();
        let (mut audio, _) = audio();
        audio.activate(&LAYOUTS[1], 48_000.0, &state).unwrap();
        audio.reset(&state);
        let (mut left, mut right) = (signal(480, 1), signal(480, 2));
        audio.process(&mut [&mut left, &mut right], None, &state);

        // As a host restores while audio runs: parameters first, then the rest.
        set(&state, Control::Threshold, -33.0);
        state.deserialize_fields(&fields);
        audio.process(&mut [&mut left, &mut right], None, &state);
        let memory = audio.processor.match_memory();
        assert_eq!(memory.gain_db, -3.25);
        assert_eq!(memory.state, tenon_dsp::MatchState::Held);
        assert_eq!(state.serialize_fields()["match"], fields["match"]);
    }

    #[test]
    fn the_tail_is_latency_and_the_filters_that_are_heard() {
        let state = BusState::default();
        let (mut audio, _) = audio();
        let latency = audio.activate(&LAYOUTS[1], 48_000.0, &state).unwrap();
        audio.reset(&state);
        let status = |audio: &mut Audio| {
            let (mut left, mut right) = ([0.0; 64], [0.0; 64]);
            audio.process(&mut [&mut left, &mut right], None, &state).status
        };
        assert_eq!(status(&mut audio), ProcessStatus::Tail(latency));
        set(&state, Control::Drive, 6.0);
        assert_eq!(status(&mut audio), ProcessStatus::Tail(24_000 + latency));
        set(&state, Control::Listen, 2.0);
        assert_eq!(status(&mut audio), ProcessStatus::Tail(12_000 + latency));
        set(&state, Control::Listen, 0.0);
        set(&state, Control::Drive, 0.0);
        set(&state, Control::Quality, 0.0);
        assert_eq!(audio.activate(&LAYOUTS[1], 48_000.0, &state), Ok(0));
        assert_eq!(status(&mut audio), ProcessStatus::Normal);
    }

    #[test]
    fn a_quality_waits_for_activation_and_is_told_once() {
        let state = BusState::default();
        set(&state, Control::Drive, 12.0);
        let (mut audio, _) = audio();
        let latency = audio.activate(&LAYOUTS[1], 48_000.0, &state).unwrap();
        audio.reset(&state);
        let at_first = state.params.settings();
        let play = |audio: &mut Audio, settings: &Settings| {
            let (mut left, mut right) = (signal(2_000, 1), signal(2_000, 2));
            let (mut left_alone, mut right_alone) = (left.clone(), right.clone());
            let next_latency =
                audio.process(&mut [&mut left, &mut right], None, &state).next_latency;
            engine(Channels::Stereo, settings, &mut left_alone, &mut right_alone, None);
            assert!(bits(&left) == bits(&left_alone), "another quality is in use");
            next_latency
        };
        assert_eq!(play(&mut audio, &at_first), None);
        audio.reset(&state);
        set(&state, Control::Quality, 3.0);
        let told = play(&mut audio, &at_first).unwrap();
        assert!(told > latency);
        for _ in 0..3 {
            audio.reset(&state);
            assert_eq!(play(&mut audio, &at_first), None);
        }
        assert_eq!(audio.activate(&LAYOUTS[1], 48_000.0, &state), Ok(told));
        audio.reset(&state);
        assert_eq!(play(&mut audio, &state.params.settings()), None);
    }

    #[test]
    fn readings_come_at_a_readers_pace() {
        let state = BusState::default();
        let (mut audio, mut editor) = audio();
        audio.activate(&LAYOUTS[1], 48_000.0, &state).unwrap();
        audio.reset(&state);
        let mut seen: Vec<Readings> = Vec::new();
        let mut news = 0;
        let (mut left, mut right) = (signal(48_000, 1), signal(48_000, 2));
        for (left, right) in left.chunks_mut(64).zip(right.chunks_mut(64)) {
            if audio.process(&mut [left, right], None, &state).news {
                news += 1;
                seen.push(editor.read());
            }
        }
        assert!((40..=61).contains(&news), "{news} in a second");
        seen.dedup();
        assert_eq!(seen.len(), news);
    }
}
