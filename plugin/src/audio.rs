//! The host's buffers and the engine. Runs on the audio thread: allocates only when activated,
//! never waits, never panics. Knows nothing of the editor.

use nice_plug::prelude::*;
use tenon_dsp::{
    Beat, Channels, Control, LEVEL_CONTROLS, Listen, Processor, REDUCTION_CONTROLS, RateError,
    Settings,
};

use crate::blind::{BlindIn, End};
use crate::feed::{FeedIn, Place, Point};
use crate::listener::ListenerIn;
use crate::pair::{CHUNK, Pair, processed};
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

/// How long the key can be heard after its input has fallen silent: its high-pass at 20 Hz is
/// 140 dB down by then.
const KEY_TAIL_S: f64 = 0.25;
/// How long saturation sounds after its input has fallen silent: its high-pass at 5 Hz is 130 dB
/// down by then.
const SATURATION_TAIL_S: f64 = 0.5;
/// How long a new latency has to stand still before the host is asked for a restart, so that dragging
/// the lookahead asks once.
const STILL_S: f64 = 0.25;

/// The engine and what it needs between blocks.
pub(crate) struct Audio {
    processor: Processor,
    rate_hz: f64,
    settings: Settings,
    /// Nothing has been played since the start, or since the last reset.
    fresh: bool,
    /// The latency that the host knows of, or has been asked to restart for.
    told: usize,
    /// The latency that is asked for, and for how many samples it has been.
    wanted: usize,
    still: usize,
    restores: Restores,
    feed: FeedIn,
    listener: ListenerIn,
    /// What is compared blindly.
    pair: Pair,
    /// The engine's right channel in mono.
    right: [f32; CHUNK],
}

/// What became of a block.
pub(crate) struct Processed {
    /// Whether the block is followed by more sound when the input falls silent.
    pub(crate) status: ProcessStatus,
    /// Whether there are new readings to show.
    pub(crate) news: bool,
    /// The latency from the next activation on, in samples, when it is not what the host expects and
    /// has stood still for a moment. Said once.
    pub(crate) next_latency: Option<u32>,
}

impl Audio {
    /// An engine that hands its readings to `feed`, and what it does to the bus to `listener`. Blind
    /// trials are ordered through `blind`.
    pub(crate) fn new(
        processor: Processor,
        feed: FeedIn,
        listener: ListenerIn,
        blind: BlindIn,
    ) -> Self {
        Self {
            processor,
            rate_hz: 0.0,
            settings: Settings::default(),
            fresh: true,
            told: 0,
            wanted: 0,
            still: 0,
            restores: Restores::default(),
            feed,
            listener,
            pair: Pair::new(blind),
            right: [0.0; CHUNK],
        }
    }

    /// Prepares for a layout and a sample rate, and for rendering offline or not. Gives the latency,
    /// in samples.
    ///
    /// # Errors
    /// When the engine cannot run at the rate.
    pub(crate) fn activate(
        &mut self,
        layout: &AudioIOLayout,
        (rate_hz, mode): (f64, ProcessMode),
        state: &BusState,
    ) -> Result<u32, RateError> {
        let channels = if layout.main_output_channels == Some(MONO) {
            Channels::Mono
        } else {
            Channels::Stereo
        };
        self.pair.end(End::Restarted);
        self.follow(state);
        self.processor.prepare(rate_hz, channels)?;
        self.pair.activate(rate_hz, channels, &self.settings, mode == ProcessMode::Offline)?;
        self.told = self.processor.latency();
        self.listener.set_rate(rate_hz);
        self.rate_hz = rate_hz;
        self.fresh = true;
        Ok(self.told as u32)
    }

    /// The host has begun to render offline, or to play, without starting audio anew. A render begins
    /// as from a reset: nothing glides into it that was played before.
    pub(crate) fn set_offline(&mut self, offline: bool) {
        if self.pair.set_offline(offline) && offline {
            self.reset();
        }
    }

    /// Forgets all signal before the next block, which starts at the settings and the tempo that come
    /// with it. Only quality and lookahead stay: hosts ask for the latency when they activate, and not
    /// when they reset.
    pub(crate) fn reset(&mut self) {
        self.fresh = true;
    }

    /// Follows the host's tempo, in quarter notes a minute.
    pub(crate) fn set_tempo(&mut self, tempo_bpm: Option<f64>) {
        self.processor.set_tempo(tempo_bpm);
        self.pair.set_tempo(tempo_bpm);
    }

    /// Processes a block in place. `place` is where in the song it begins.
    pub(crate) fn process(
        &mut self,
        main: &mut [&mut [f32]],
        key: Option<&[&mut [f32]]>,
        place: Option<Place>,
        state: &BusState,
    ) -> Processed {
        let mut news = self.follow(state);
        let samples = match main {
            [left, right, ..] => left.len().min(right.len()),
            [only] => only.len(),
            [] => 0,
        };
        if samples > 0 && std::mem::take(&mut self.fresh) {
            // Settings and tempo that came since the reset were never heard otherwise: no glide there.
            self.processor.forget();
            self.pair.reset();
            // Settings that moved on activation are told now.
            news = true;
        }
        self.processor
            .set_beat(place.map(|place| Beat { position: place.beat, per_s: place.beats_per_s }));
        let mut start = 0;
        while start < samples {
            let until_hop = self.processor.until_hop();
            let chunk = start..samples.min(start + until_hop.min(CHUNK));
            start = chunk.end;
            let hop_ends = chunk.len() == until_hop;
            self.process_chunk(main, key, chunk);
            if hop_ends {
                let place = place.map(|place| place.after(start as f64 / self.rate_hz));
                news |= self.end_hop(place);
            }
        }
        self.report(samples, news, state)
    }

    fn process_chunk(
        &mut self,
        main: &mut [&mut [f32]],
        key: Option<&[&mut [f32]]>,
        chunk: std::ops::Range<usize>,
    ) {
        let (left, right, key) = match main {
            [left, right, ..] => {
                let key = match key {
                    Some([left, right, ..]) => Some((
                        part(left, chunk.clone(), &SILENCE),
                        part(right, chunk.clone(), &SILENCE),
                    )),
                    _ => None,
                };
                (&mut left[chunk.clone()], &mut right[chunk], key)
            }
            [only] => {
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
                (left, right, key)
            }
            [] => return,
        };
        let (listener, pair) = (&mut self.listener, &mut self.pair);
        let paired = pair.is_on();
        if paired {
            pair.take(left, right);
        }
        self.processor.process_tapped(left, right, key, |tap| listener.add(&tap));
        if paired {
            pair.play(left, right, key);
        }
    }

    /// Hands the readings over, every 20 ms. True when there is something new to show.
    fn end_hop(&mut self, place: Option<Place>) -> bool {
        let readings = self.processor.readings();
        let traced = self.feed.trace(Point::new(&readings, place));
        let told = self.pair.tell(&self.settings, true);
        self.feed.publish(readings) || traced || told
    }

    /// Takes up what host and editor have changed. True when settings have moved, which the editor is
    /// to show: nobody else tells it of values that are automated with audio.
    fn follow(&mut self, state: &BusState) -> bool {
        // Read before the settings: whoever sees a restored match sees its settings too. And
        // taken up after them, because settings that move make the engine learn anew.
        let (memory, restores) = state.loudness_match.get();
        let settings = state.params.settings();
        if self.pair.is_open() && restores != self.restores {
            self.pair.end(End::Restored);
        }
        let bypassed = settings.is_on(Control::Bypass);
        self.pair.follow(&mut self.processor, &self.settings, bypassed);
        let wanted = match (self.pair.is_running(), self.pair.is_open()) {
            // They stand still, whatever is automated.
            (true, _) => self.settings,
            (false, true) => processed(&settings),
            (false, false) => settings,
        };
        let has_moved = wanted != self.settings;
        if has_moved {
            let moved = |control: &Control| wanted[*control] != self.settings[*control];
            let levels = LEVEL_CONTROLS.iter().any(moved);
            if levels || REDUCTION_CONTROLS.iter().any(moved) {
                self.listener.moved(levels);
            }
            self.settings = wanted;
            self.processor.set(&self.settings);
        }
        if restores != self.restores {
            self.restores = restores;
            self.processor.glide_match(memory);
        }
        if self.feed.take_learn_anew() {
            self.processor.relearn_match();
        }
        if self.feed.take_clear_peaks() {
            self.processor.clear_peaks();
        }
        has_moved
    }

    fn report(&mut self, samples: usize, news: bool, state: &BusState) -> Processed {
        let news = self.pair.tell(&self.settings, false) || news;
        state.loudness_match.report(self.processor.match_memory(), self.restores);
        self.feed.tick();
        let next_latency = self.processor.next_latency();
        self.still = if next_latency == self.wanted { self.still + samples } else { 0 };
        self.wanted = next_latency;
        let is_news = next_latency != self.told && self.still as f64 >= STILL_S * self.rate_hz;
        if is_news {
            self.told = next_latency;
        }
        Processed {
            status: match self.tail() {
                0 => ProcessStatus::Normal,
                samples => ProcessStatus::Tail(samples),
            },
            news,
            next_latency: is_news.then_some(next_latency as u32),
        }
    }

    /// Samples for which something is heard after the input has fallen silent. A gain on silence is
    /// silent at once.
    fn tail(&self) -> u32 {
        let seconds = |settings: &Settings| match settings.listen() {
            Listen::Key => KEY_TAIL_S,
            Listen::Output | Listen::Delta if settings[Control::Drive] > 0.0 => SATURATION_TAIL_S,
            Listen::Output | Listen::Delta => 0.0,
        };
        // In a trial that of both sides, whichever is heard.
        let seconds = seconds(&self.settings).max(self.pair.other_settings().map_or(0.0, seconds));
        (self.rate_hz * seconds) as u32 + self.processor.latency() as u32
    }
}

/// Where in the song the host is, while it plays and has a tempo. Without a time signature bars have
/// four quarters.
pub(crate) fn place(transport: &Transport) -> Option<Place> {
    let tempo_bpm = transport.tempo.filter(|tempo| *tempo > 0.0)?;
    let quarters = transport.pos_beats().filter(|_| transport.playing)?;
    let beats = f64::from(transport.time_sig_numerator.filter(|n| *n > 0).unwrap_or(4));
    let beat_is = 4.0 / f64::from(transport.time_sig_denominator.filter(|n| *n > 0).unwrap_or(4));
    let per_bar = beats * beat_is;
    let counted = (quarters / per_bar).floor();
    let bar_start = transport.bar_start_pos_beats().unwrap_or(counted * per_bar);
    let place = Place {
        bar: transport.bar_number().unwrap_or(counted as i32),
        beat: (quarters - bar_start) / beat_is,
        beats,
        beats_per_s: tempo_bpm / 60.0 / beat_is,
    };
    // Brings what a host said of the bar before into the bar it is in.
    Some(place.after(0.0)).filter(|place| place.beat.is_finite())
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
mod trials;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::blind::{Blind, blind};
    use crate::feed::{FeedOut, feed};
    use crate::listener::listener;
    use nice_plug::params::internals::ParamPtr;
    use tenon_dsp::Readings;

    /// Sample rate and mode of a host that plays.
    pub(super) const LIVE: (f64, ProcessMode) = (48_000.0, ProcessMode::Realtime);

    /// A short noise burst over a tone; anything the compressor reacts to.
    pub(super) fn signal(samples: usize, seed: u32) -> Vec<f32> {
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

    pub(super) fn audio() -> (Audio, FeedOut) {
        let (audio, feed_out, _) = blind_audio();
        (audio, feed_out)
    }

    /// With the editor's end of blind trials.
    pub(super) fn blind_audio() -> (Audio, FeedOut, Blind) {
        let processor = Processor::new();
        let (feed_in, feed_out) = feed(processor.readings());
        let (blind_in, blind) = blind();
        (Audio::new(processor, feed_in, listener().0, blind_in), feed_out, blind)
    }

    pub(super) fn set(state: &BusState, control: Control, value: f32) {
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

    pub(super) fn bits(samples: &[f32]) -> Vec<u32> {
        samples.iter().map(|sample| sample.to_bits()).collect()
    }

    /// The engine on its own, over the same samples.
    pub(super) fn engine(
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
            audio.activate(&LAYOUTS[1], LIVE, &state).unwrap();
            audio.reset();
            let (mut left, mut right) = (signal(9_999, 1), signal(9_999, 2));
            let (mut left_alone, mut right_alone) = (left.clone(), right.clone());
            for (left, right) in left.chunks_mut(block).zip(right.chunks_mut(block)) {
                audio.process(&mut [left, right], None, None, &state);
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
    fn a_block_never_touches_the_allocator() {
        let state = BusState::default();
        let processor = Processor::new();
        let (feed_in, feed_out) = feed(processor.readings());
        let (listener_in, listener) = listener();
        let mut audio = Audio::new(processor, feed_in, listener_in, blind().0);
        audio.activate(&LAYOUTS[0], LIVE, &state).unwrap();
        audio.reset();
        let _listening = listener.listen();
        let [mut left, mut right, mut key_left, mut key_right] =
            [1, 2, 3, 4].map(|seed| signal(48_000, seed));
        feed_out.want();
        let mut news = 0;
        for start in (0..48_000).step_by(480) {
            let block = start..start + 480;
            set(&state, Control::Threshold, if start % 960 == 0 { -30.0 } else { -20.0 });
            let count = allocation_counter::measure(|| {
                let main = &mut [&mut left[block.clone()], &mut right[block.clone()]];
                let key = [&mut key_left[block.clone()], &mut key_right[block.clone()]];
                news += usize::from(audio.process(main, Some(&key), None, &state).news);
            });
            assert_eq!(count.count_total, 0);
        }
        assert!(news > 10, "readings were handed over {news} times");
    }

    #[test]
    fn mono_is_the_engine_with_both_channels_alike() {
        let state = BusState::default();
        set(&state, Control::Threshold, -30.0);
        let (mut audio, _) = audio();
        audio.activate(&LAYOUTS[2], LIVE, &state).unwrap();
        audio.reset();
        let mut left = signal(3_000, 1);
        let (mut left_alone, mut right_alone) = (left.clone(), left.clone());
        for left in left.chunks_mut(1_000) {
            audio.process(&mut [left], None, None, &state);
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
            audio.activate(&LAYOUTS[0], LIVE, &state).unwrap();
            audio.reset();
            let (mut left, mut right) = programme.clone();
            match key {
                Some((mut a, mut b)) => audio.process(
                    &mut [&mut left, &mut right],
                    Some(&[&mut a, &mut b]),
                    None,
                    &state,
                ),
                None => audio.process(
                    &mut [&mut left, &mut right],
                    Some(&[&mut [], &mut []]),
                    None,
                    &state,
                ),
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
                assert_eq!(
                    audio.activate(layout, (rate_hz, ProcessMode::Realtime), &state),
                    Ok(latency),
                    "{rate_hz}"
                );
                let (mut left, mut right) = (signal(777, 1), signal(777, 2));
                audio.process(&mut [&mut left, &mut right], None, None, &state);
                assert!(left.iter().all(|sample| sample.is_finite()));
            }
        }
        for rate_hz in [0.0, -1.0, f64::NAN, f64::INFINITY, 999.0] {
            let (mut audio, _) = audio();
            let live = (rate_hz, ProcessMode::Realtime);
            assert!(audio.activate(&LAYOUTS[1], live, &state).is_err());
        }
    }

    #[test]
    fn empty_blocks_and_no_channels_are_fine() {
        let state = BusState::default();
        let (mut audio, _) = audio();
        audio.activate(&LAYOUTS[0], LIVE, &state).unwrap();
        audio.reset();
        audio.process(&mut [&mut [], &mut []], Some(&[&mut [], &mut []]), None, &state);
        audio.process(&mut [&mut []], None, None, &state);
        audio.process(&mut [], None, None, &state);
    }

    #[test]
    fn a_restored_match_starts_held_although_its_settings_came_with_it() {
        let saved = BusState::default();
        let mut fields = saved.serialize_fields();
        fields.insert("match".into(), r#"{"gain_db":-3.25,"held":true}"#.into());

        let state = BusState::default();
        let (mut audio, _) = audio();
        audio.activate(&LAYOUTS[1], LIVE, &state).unwrap();
        audio.reset();
        let (mut left, mut right) = (signal(480, 1), signal(480, 2));
        audio.process(&mut [&mut left, &mut right], None, None, &state);

        // As a host restores while audio runs: parameters first, then the rest.
        set(&state, Control::Threshold, -33.0);
        state.deserialize_fields(&fields);
        audio.process(&mut [&mut left, &mut right], None, None, &state);
        let memory = audio.processor.match_memory();
        assert_eq!(memory.gain_db, -3.25);
        assert_eq!(memory.state, tenon_dsp::MatchState::Held);
        assert_eq!(state.serialize_fields()["match"], fields["match"]);
    }

    #[test]
    fn the_tail_is_latency_and_the_filters_that_are_heard() {
        let state = BusState::default();
        let (mut audio, _) = audio();
        let latency = audio.activate(&LAYOUTS[1], LIVE, &state).unwrap();
        audio.reset();
        let status = |audio: &mut Audio| {
            let (mut left, mut right) = ([0.0; 64], [0.0; 64]);
            audio.process(&mut [&mut left, &mut right], None, None, &state).status
        };
        assert_eq!(status(&mut audio), ProcessStatus::Tail(latency));
        set(&state, Control::Drive, 6.0);
        assert_eq!(status(&mut audio), ProcessStatus::Tail(24_000 + latency));
        set(&state, Control::Listen, 2.0);
        assert_eq!(status(&mut audio), ProcessStatus::Tail(12_000 + latency));
        set(&state, Control::Listen, 0.0);
        set(&state, Control::Drive, 0.0);
        set(&state, Control::Quality, 0.0);
        assert_eq!(audio.activate(&LAYOUTS[1], LIVE, &state), Ok(0));
        assert_eq!(status(&mut audio), ProcessStatus::Normal);
    }

    #[test]
    fn quality_and_lookahead_wait_for_activation_and_are_told_once() {
        for (control, values) in
            [(Control::Quality, [0.0, 1.0, 3.0]), (Control::Lookahead, [0.5, 1.0, 7.0])]
        {
            let state = BusState::default();
            set(&state, Control::Drive, 12.0);
            let (mut audio, _) = audio();
            let latency = audio.activate(&LAYOUTS[1], LIVE, &state).unwrap();
            audio.reset();
            let at_first = state.params.settings();
            let play = |audio: &mut Audio, settings: &Settings| {
                let (mut left, mut right) = (signal(7_000, 1), signal(7_000, 2));
                let (mut left_alone, mut right_alone) = (left.clone(), right.clone());
                let next_latency =
                    audio.process(&mut [&mut left, &mut right], None, None, &state).next_latency;
                engine(Channels::Stereo, settings, &mut left_alone, &mut right_alone, None);
                assert!(bits(&left) == bits(&left_alone), "another {control:?} is in use");
                next_latency
            };
            assert_eq!(play(&mut audio, &at_first), None);
            // Dragged along, and then left there.
            for value in values {
                audio.reset();
                set(&state, control, value);
                assert_eq!(play(&mut audio, &at_first), None);
            }
            audio.reset();
            assert_eq!(play(&mut audio, &at_first), None, "not for 0.25 s yet");
            audio.reset();
            let told = play(&mut audio, &at_first).unwrap();
            assert!(told > latency);
            for _ in 0..3 {
                audio.reset();
                assert_eq!(play(&mut audio, &at_first), None);
            }
            assert_eq!(audio.activate(&LAYOUTS[1], LIVE, &state), Ok(told));
            audio.reset();
            assert_eq!(play(&mut audio, &state.params.settings()), None);
        }
    }

    #[test]
    fn the_tempo_moves_a_release_that_is_a_note_and_the_place_gives_readings_in_beats() {
        let note = tenon_dsp::NOTES.iter().position(|note| *note == "1/4").unwrap() as f32;
        let play = |tempo_bpm: Option<f64>| {
            let state = BusState::default();
            set(&state, Control::Threshold, -40.0);
            set(&state, Control::ReleaseNote, note);
            let (mut audio, _) = audio();
            audio.activate(&LAYOUTS[1], LIVE, &state).unwrap();
            audio.reset();
            audio.set_tempo(tempo_bpm);
            let (mut left, mut right) = (signal(48_000, 1), signal(48_000, 2));
            audio.process(&mut [&mut left, &mut right], None, place(&transport()), &state);
            (left, audio.processor.readings())
        };
        let (slow, readings) = play(Some(60.0));
        assert_eq!((readings.tempo_bpm, readings.beats_per_s), (Some(60.0), Some(3.0)));
        assert!(readings.left_at_beat_db.is_some());
        assert!(bits(&slow) != bits(&play(Some(180.0)).0));
        assert!(bits(&play(None).0) == bits(&play(Some(f64::NAN)).0));
    }

    /// A host that plays at 90 bpm in 6/8, a quarter before the fourth bar.
    fn transport() -> Transport {
        let mut transport = Transport::new(48_000.0);
        transport.playing = true;
        transport.tempo = Some(90.0);
        (transport.time_sig_numerator, transport.time_sig_denominator) = (Some(6), Some(8));
        transport.pos_beats = Some(8.0);
        transport
    }

    #[test]
    fn the_place_in_the_song_is_the_hosts() {
        let eighths = Place { bar: 2, beat: 4.0, beats: 6.0, beats_per_s: 3.0 };
        assert_eq!(place(&transport()), Some(eighths));

        let mut told = transport();
        (told.bar_start_pos_beats, told.bar_number) = (Some(7.5), Some(11));
        assert_eq!(place(&told), Some(Place { bar: 11, beat: 1.0, ..eighths }));
        // The bar before, as some hosts say at the very end of a block.
        (told.bar_start_pos_beats, told.bar_number) = (Some(5.0), Some(11));
        assert_eq!(place(&told), Some(Place { bar: 12, beat: 0.0, ..eighths }));

        for still in [
            Transport { playing: false, ..transport() },
            Transport { tempo: None, ..transport() },
            Transport { pos_beats: None, ..transport() },
            Transport { pos_beats: Some(f64::NAN), ..transport() },
        ] {
            assert_eq!(place(&still), None);
        }
    }

    #[test]
    fn points_of_the_trace_know_their_place_whatever_the_block() {
        for block in [64, 480, 4_800] {
            let state = BusState::default();
            let (mut audio, mut editor) = audio();
            audio.activate(&LAYOUTS[1], LIVE, &state).unwrap();
            audio.reset();
            let (mut left, mut right) = (signal(9_600, 1), signal(9_600, 2));
            let start = place(&transport()).unwrap();
            for (index, (left, right)) in
                left.chunks_mut(block).zip(right.chunks_mut(block)).enumerate()
            {
                let here = start.after((index * block) as f64 / 48_000.0);
                audio.process(&mut [left, right], None, Some(here), &state);
            }
            for hop in 1..=10 {
                let point = editor.next_point().unwrap();
                let expected = start.after(f64::from(hop) * 0.02);
                let place = point.place.unwrap();
                assert_eq!(place.bar, expected.bar);
                assert!((place.beat - expected.beat).abs() < 1e-9, "{block}");
            }
            assert_eq!(editor.next_point(), None);
        }
    }

    #[test]
    fn readings_come_at_a_readers_pace() {
        let state = BusState::default();
        let (mut audio, mut editor) = audio();
        audio.activate(&LAYOUTS[1], LIVE, &state).unwrap();
        audio.reset();
        let mut seen: Vec<Readings> = Vec::new();
        let mut news = 0;
        let (mut left, mut right) = (signal(48_000, 1), signal(48_000, 2));
        for (left, right) in left.chunks_mut(64).zip(right.chunks_mut(64)) {
            if audio.process(&mut [left, right], None, None, &state).news {
                news += 1;
                seen.push(editor.read());
            }
        }
        assert!((49..=51).contains(&news), "{news} in a second");
        seen.dedup();
        assert_eq!(seen.len(), news);
    }
}
