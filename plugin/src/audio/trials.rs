//! Blind trials as the audio thread plays them.

use super::tests::{LIVE, bits, blind_audio, engine, set, signal};
use super::*;
use crate::blind::{Blind, Opposite, Word};
use crate::feed::FeedOut;
use nice_plug::params::Params;
use tenon_dsp::{MatchMemory, MatchState};

/// What the host is told after a block: status, and a latency to come.
type Told = (ProcessStatus, Option<u32>);

/// An instance that plays, with the editor's ends.
struct Playing {
    audio: Audio,
    feed: FeedOut,
    blind: Blind,
    state: BusState,
    /// Samples in a block.
    block: usize,
    /// Seed of what is played next.
    seed: u32,
    /// How much louder the setting in force was than the opposite before anything was taken off, in LU.
    apart_lu: f32,
}

impl Playing {
    fn new(changes: &[(Control, f32)]) -> Self {
        let state = BusState::default();
        changes.iter().for_each(|(control, value)| set(&state, *control, *value));
        let (mut audio, feed, blind) = blind_audio();
        audio.activate(&LAYOUTS[1], LIVE, &state).unwrap();
        audio.reset();
        Self { audio, feed, blind, state, block: 480, seed: 1, apart_lu: 0.0 }
    }

    /// Plays so many samples, and gives both channels and what became of each block.
    fn play(&mut self, samples: usize) -> ([Vec<f32>; 2], Vec<Told>) {
        let mut channels = [signal(samples, self.seed), signal(samples, self.seed + 1)];
        self.seed += 2;
        let [left, right] = &mut channels;
        let mut told = Vec::new();
        for (left, right) in left.chunks_mut(self.block).zip(right.chunks_mut(self.block)) {
            let done = self.audio.process(&mut [left, right], None, None, &self.state);
            told.push((done.status, done.next_latency));
        }
        (channels, told)
    }

    fn word(&mut self) -> Word {
        self.blind.word().expect("a trial")
    }

    /// Everything a host can save or read, and what the engine says of itself.
    fn outside(&mut self) -> String {
        let readings = self.feed.read();
        let points: Vec<_> = std::iter::from_fn(|| self.feed.next_point()).collect();
        let (settings, fields) = (self.state.params.settings(), self.state.serialize_fields());
        format!("{settings:?} {fields:?} {readings:?} {points:?}")
    }
}

const S: usize = 48_000;

fn another() -> Opposite {
    let settings = Settings::default()
        .with(Control::Threshold, -40.0)
        .with(Control::Ratio, 6.0)
        .with(Control::OutputTrim, 5.0)
        .with(Control::Drive, 6.0)
        // Saved at another quality, and while something else was listened to.
        .with(Control::Quality, 0.0)
        .with(Control::Listen, 1.0)
        .with(Control::Bypass, 1.0);
    let loudness_match = MatchMemory { gain_db: 1.5, state: MatchState::Held };
    Opposite::Setting { settings, loudness_match }
}

/// Opens a trial and lets one side be heard, without a fade under way.
fn running(changes: &[(Control, f32)], against: Opposite, opposite: bool) -> Playing {
    let mut playing = Playing::new(changes);
    playing.play(S);
    playing.blind.open(against);
    playing.play(8 * S);
    let word = playing.word();
    assert!(word.measured_s > 6.0);
    playing.apart_lu = apart_lu(&word);
    playing.blind.hear(opposite);
    playing.play(S);
    assert!(playing.word().running);
    playing
}

fn apart_lu(word: &Word) -> f32 {
    let [mine, opposite] = word.loudness_lufs.expect("programme");
    mine - opposite
}

const HARD: &[(Control, f32)] = &[(Control::Threshold, -36.0), (Control::Ratio, 4.0)];

#[test]
fn nothing_but_the_sound_tells_which_side_is_heard() {
    for against in [Opposite::Dry, another()] {
        let mut sides = [false, true].map(|opposite| running(HARD, against, opposite));
        let played = sides.each_mut().map(|side| side.play(S));
        let [first, second] = &played;
        assert_ne!(bits(&first.0[0]), bits(&second.0[0]), "nothing to tell apart");
        assert_eq!(first.1, second.1, "status or latency");
        let outside = sides.each_mut().map(Playing::outside);
        assert_eq!(outside[0], outside[1]);
        let words = sides.each_mut().map(Playing::word);
        assert_eq!(words[0], words[1], "measured as heard, whichever is");
    }
}

#[test]
fn the_processed_is_the_engines_and_the_dry_is_the_input_at_one_gain() {
    let held = &[HARD, &[(Control::MatchHold, 1.0)]].concat();
    let mut processed = running(held, Opposite::Dry, false);
    let mut plain = Playing::new(held);
    for seconds in [1, 8, 1] {
        plain.play(seconds * S);
    }
    let (alone, _) = plain.play(S);
    assert_eq!(bits(&processed.play(S).0[1]), bits(&alone[1]));

    let mut dry = running(held, Opposite::Dry, true);
    let input = [signal(S, dry.seed), signal(S, dry.seed + 1)];
    let late = dry.audio.processor.latency();
    let (output, _) = dry.play(S);
    for n in (late..S).filter(|n| input.iter().all(|x| x[n - late].abs() > 0.02)) {
        let gains = [0, 1].map(|channel: usize| output[channel][n] / input[channel][n - late]);
        assert!((gains[0] / gains[1] - 1.0).abs() < 1e-5, "{gains:?} at {n}");
    }
}

#[test]
fn both_settings_are_equally_loud_and_in_time() {
    for (opposite, control) in [(false, Control::OutputTrim), (true, Control::Makeup)] {
        let mut playing =
            running(&[(control, 4.0), (Control::LoudnessMatch, 0.0)], another(), opposite);
        playing.play(8 * S);
        let word = playing.word();
        assert!(apart_lu(&word).abs() < 0.1, "{:?}", word.loudness_lufs);
        assert!(playing.apart_lu.abs() > 0.5, "nothing was to be done: {} LU", playing.apart_lu);
        // What is recorded is what was in use.
        assert_eq!(word.settings[0][control], 4.0);
        assert_eq!(word.settings[1][Control::Threshold], -40.0);
        assert_eq!(word.settings[1][Control::Quality], word.settings[0][Control::Quality]);
    }

    // Two settings that do nothing: only their delay is left.
    let idle = Settings::default().with(Control::Ratio, 1.0).with(Control::LoudnessMatch, 0.0);
    let loudness_match = MatchMemory { gain_db: 0.0, state: MatchState::Held };
    let against = Opposite::Setting { settings: idle.with(Control::Quality, 1.0), loudness_match };
    let off = [(Control::Ratio, 1.0), (Control::LoudnessMatch, 0.0)];
    let [first, second] = [false, true].map(|opposite| running(&off, against, opposite).play(S).0);
    for (a, b) in first.iter().flatten().zip(second.iter().flatten()) {
        assert!((a - b).abs() < 1e-6, "{a} {b}");
    }
}

#[test]
fn settings_and_levels_stand_still_whatever_is_automated() {
    for against in [Opposite::Dry, another()] {
        let [mut still, mut automated] = [(); 2].map(|()| running(HARD, against, false));
        set(&automated.state, Control::Threshold, -10.0);
        set(&automated.state, Control::Compare, 1.0);
        set(&automated.state, Control::Quality, 3.0);
        let (expected, told) = still.play(S);
        let (heard, told_automated) = automated.play(S);
        assert_eq!(bits(&heard[0]), bits(&expected[0]));
        assert_eq!(told_automated, told, "a latency is asked for later");
        automated.blind.close();
        let (_, told) = automated.play(S);
        assert_eq!(automated.audio.settings, automated.state.params.settings());
        assert!(told.iter().any(|told| told.1.is_some()));
    }
}

#[test]
fn afterwards_all_is_as_it_was_and_goes_on() {
    for (against, opposite) in [(Opposite::Dry, true), (another(), true), (another(), false)] {
        // What one listened to comes back too.
        let mut playing = Playing::new(&[HARD, &[(Control::Compare, 1.0)]].concat());
        playing.play(2 * S);
        let before = (playing.state.serialize_fields(), playing.state.params.settings());
        playing.blind.open(against);
        playing.play(2 * S);
        playing.blind.hear(opposite);
        playing.play(480);
        assert!(before.0["match"].contains("false"), "it learns: {}", before.0["match"]);
        for turn in [!opposite, opposite, !opposite, opposite] {
            playing.blind.hear(turn);
            playing.play(S);
            let now = (playing.state.serialize_fields(), playing.state.params.settings());
            assert_eq!(now, before);
        }
        playing.blind.close();
        playing.play(480);
        assert_eq!(playing.audio.settings, before.1);
        assert!(!playing.audio.pair.is_open());
        playing.play(480);
        assert!(!playing.audio.pair.is_on(), "the second engine rests");
        playing.play(4 * S);
        let learned = playing.state.serialize_fields();
        assert_ne!(learned["match"], before.0["match"], "the match goes on learning");
    }
}

#[test]
fn a_stopped_host_or_a_state_or_bypass_ends_it() {
    let activate = |playing: &mut Playing| {
        playing.audio.activate(&LAYOUTS[1], LIVE, &playing.state).unwrap();
        playing.audio.reset();
    };
    let restore = |playing: &mut Playing| {
        let fields = playing.state.serialize_fields();
        playing.state.deserialize_fields(&fields);
    };
    let bypass = |playing: &mut Playing| set(&playing.state, Control::Bypass, 1.0);
    type Ends<'a> = &'a dyn Fn(&mut Playing);
    let ends: [(Ends<'_>, End); 3] =
        [(&activate, End::Restarted), (&restore, End::Restored), (&bypass, End::Bypassed)];
    for (end, why) in ends {
        for is_running in [false, true] {
            let mut playing = running(HARD, another(), true);
            if !is_running {
                playing.blind.open(another());
                playing.play(S);
            }
            end(&mut playing);
            playing.play(2 * 480);
            assert_eq!(playing.word().end, Some(why));
            assert!(!playing.audio.pair.is_on(), "{why:?}");
            assert_eq!(playing.audio.settings, playing.state.params.settings());
            // The same trial is not taken up again, another one is.
            playing.blind.hear(true);
            playing.play(480);
            assert!(!playing.audio.pair.is_on(), "{why:?}");
            set(&playing.state, Control::Bypass, 0.0);
            playing.blind.open(Opposite::Dry);
            playing.play(480);
            assert_eq!(playing.word().end, None);
            assert!(playing.audio.pair.is_on());
        }
    }
}

#[test]
fn a_trial_opened_straight_after_another_begins_with_the_setting_in_force() {
    let mut playing = running(HARD, another(), true);
    playing.blind.open(another());
    let (heard, _) = playing.play(480);
    let mut fresh = running(HARD, another(), false);
    fresh.blind.open(another());
    let (expected, _) = fresh.play(480);
    assert!(heard == expected);
}

#[test]
fn a_side_counts_as_listened_to_when_it_sounded() {
    // Sound for this long, and then silence for as long as one likes.
    let listen = |playing: &mut Playing, sound: usize, silence: usize| {
        playing.play(sound);
        for _ in 0..silence / 480 {
            playing.audio.process(
                &mut [&mut [0.0; 480], &mut [0.0; 480]],
                None,
                None,
                &playing.state,
            );
        }
        playing.word().heard
    };
    for (against, opposite, block) in
        [(Opposite::Dry, true, 480), (another(), true, 32), (another(), false, 4_800)]
    {
        let mut playing = running(HARD, against, opposite);
        playing.block = block;
        assert!(playing.word().heard, "a second of it was played");
        playing.blind.hear(!opposite);
        assert!(!playing.word().heard, "no audio has run since");
        // What sounds after the end of the programme is less than it takes.
        assert!(!listen(&mut playing, 0, 4 * S));
        playing.blind.hear(opposite);
        assert!(!listen(&mut playing, S / 10, 4 * S), "less than it takes");
        assert!(listen(&mut playing, S * 4 / 25, 0), "but with this it adds up");
    }
}

#[test]
fn an_offline_render_never_hears_a_trial() {
    let offline = (LIVE.0, ProcessMode::Offline);
    for ordered_before in [true, false] {
        let mut playing =
            if ordered_before { running(HARD, Opposite::Dry, true) } else { Playing::new(HARD) };
        playing.audio.activate(&LAYOUTS[1], offline, &playing.state).unwrap();
        playing.audio.reset();
        let (memory, _) = playing.state.loudness_match.get();
        playing.audio.processor.restore_match(memory);
        if !ordered_before {
            playing.blind.open(Opposite::Dry);
        }
        playing.blind.hear(true);
        let (mut left, mut right) = (signal(S, playing.seed), signal(S, playing.seed + 1));
        let (rendered, _) = playing.play(S);
        assert_eq!(playing.word().end, Some(End::Offline));

        let mut alone = Processor::new();
        alone.prepare(LIVE.0, Channels::Stereo).unwrap();
        alone.set(&playing.state.params.settings());
        alone.reset();
        alone.restore_match(memory);
        alone.process(&mut left, &mut right, None);
        assert_eq!(bits(&rendered[0]), bits(&left));
        assert_eq!(bits(&rendered[1]), bits(&right));
    }
}

#[test]
fn a_render_that_begins_without_a_restart_hears_no_trial_either() {
    let mut playing = running(HARD, another(), true);
    playing.audio.set_offline(true);
    playing.play(480);
    assert_eq!(playing.word().end, Some(End::Offline));
    assert!(!playing.audio.pair.is_on(), "not even a fade");
    playing.blind.open(Opposite::Dry);
    playing.play(480);
    assert_eq!(playing.word().end, Some(End::Offline));
    // Then the editor may open another one.
    playing.audio.set_offline(false);
    playing.play(480);
    assert_eq!(playing.word().end, Some(End::Restarted));
    playing.blind.open(Opposite::Dry);
    playing.play(480);
    assert_eq!(playing.word().end, None);
}

#[test]
fn a_render_that_begins_without_a_restart_begins_as_a_new_instance_does() {
    let note = tenon_dsp::NOTES.iter().position(|note| *note == "1/8").unwrap() as f32;
    let mut playing = Playing::new(HARD);
    set(&playing.state, Control::ReleaseNote, note);
    playing.audio.set_tempo(Some(60.0));
    playing.play(S);
    // Moved in the very block in which the render begins.
    set(&playing.state, Control::Makeup, 6.0);
    set(&playing.state, Control::Threshold, -12.0);
    playing.audio.set_offline(true);
    playing.audio.set_tempo(Some(140.0));
    let memory = playing.audio.processor.match_memory();
    playing.audio.processor.restore_match(memory);
    let (mut left, mut right) = (signal(S, playing.seed), signal(S, playing.seed + 1));
    let (rendered, _) = playing.play(S);

    let mut new = Processor::new();
    new.prepare(LIVE.0, Channels::Stereo).unwrap();
    new.set_tempo(Some(140.0));
    new.set(&playing.state.params.settings());
    new.reset();
    new.restore_match(memory);
    new.process(&mut left, &mut right, None);
    assert_eq!(bits(&rendered[0]), bits(&left));
    assert_eq!(bits(&rendered[1]), bits(&right));
    // And it goes on: only the first block of a render is its beginning.
    playing.audio.set_offline(true);
    let (mut left, mut right) = (signal(S, playing.seed), signal(S, playing.seed + 1));
    let (rendered, _) = playing.play(S);
    new.process(&mut left, &mut right, None);
    assert_eq!(bits(&rendered[0]), bits(&left));
}

/// As hosts do: they activate, reset, and tell tempo and automation with the first block.
#[test]
fn what_comes_with_the_first_block_does_not_glide() {
    let note = tenon_dsp::NOTES.iter().position(|note| *note == "1/8").unwrap() as f32;
    let mut playing = Playing::new(&[]);
    set(&playing.state, Control::ReleaseNote, note);
    set(&playing.state, Control::Threshold, -36.0);
    playing.audio.set_tempo(Some(140.0));
    let (mut left, mut right) = (signal(S, playing.seed), signal(S, playing.seed + 1));
    // An empty block is none.
    playing.audio.process(&mut [&mut [], &mut []], None, None, &playing.state);
    set(&playing.state, Control::Makeup, 3.0);
    let (played, _) = playing.play(S);

    let mut new = Processor::new();
    new.prepare(LIVE.0, Channels::Stereo).unwrap();
    new.set_tempo(Some(140.0));
    new.set(&playing.state.params.settings());
    new.reset();
    new.process(&mut left, &mut right, None);
    assert_eq!(bits(&played[0]), bits(&left));
    assert_eq!(bits(&played[1]), bits(&right));
}

#[test]
fn a_reset_forgets_the_signal_and_the_trial_goes_on_at_its_levels() {
    for (against, opposite) in [(Opposite::Dry, true), (another(), true), (another(), false)] {
        let mut playing = running(HARD, against, opposite);
        let compare_db = playing.audio.processor.readings().compare_gain_db;
        playing.audio.reset();
        playing.play(480);
        assert!(playing.word().running);
        let after_db = playing.audio.processor.readings().compare_gain_db;
        assert!((after_db - compare_db).abs() < 0.3, "{compare_db} dB, then {after_db} dB");
        // What the settings leave between them; compare finds its own level.
        if against != Opposite::Dry {
            playing.play(8 * S);
            let (before_lu, now_lu) = (playing.apart_lu, apart_lu(&playing.word()));
            assert!(before_lu.abs() > 0.5, "nothing to lose: {before_lu} LU");
            assert!(now_lu.abs() < 0.2, "{before_lu} LU, then {now_lu} LU");
        }
    }
}

#[test]
fn a_trial_never_touches_the_allocator() {
    let mut playing = Playing::new(HARD);
    for (seed, against) in [(1, Opposite::Dry), (2, another())] {
        let orders: [&dyn Fn(&mut Blind); 5] = [
            &|blind| blind.open(against),
            &|blind| blind.hear(true),
            &|blind| blind.hear(false),
            &|blind| blind.close(),
            &|_| (),
        ];
        for order in orders {
            order(&mut playing.blind);
            let (mut left, mut right) = (signal(S / 2, seed), signal(S / 2, seed));
            let count = allocation_counter::measure(|| {
                for (left, right) in left.chunks_mut(480).zip(right.chunks_mut(480)) {
                    playing.audio.process(&mut [left, right], None, None, &playing.state);
                }
                playing.audio.reset();
            });
            assert_eq!(count.count_total, 0);
        }
    }
}

#[test]
fn a_mono_bus_with_a_key_is_compared_like_any_other() {
    let mut playing = Playing::new(&[
        (Control::KeySource, 1.0),
        (Control::Threshold, -40.0),
        (Control::MatchHold, 1.0),
    ]);
    playing.audio.activate(&LAYOUTS[3], LIVE, &playing.state).unwrap();
    playing.audio.reset();
    let keyed = |playing: &mut Playing| {
        let (mut bus, mut key) = (signal(4 * S, 5), signal(4 * S, 6));
        for (bus, key) in bus.chunks_mut(700).zip(key.chunks_mut(700)) {
            playing.audio.process(&mut [bus], Some(&[key]), None, &playing.state);
        }
        bus
    };
    keyed(&mut playing);
    // The same setting: whichever is heard, it is the same sound.
    let loudness_match = playing.state.loudness_match.get().0;
    let settings = playing.state.params.settings();
    playing.blind.open(Opposite::Setting { settings, loudness_match });
    keyed(&mut playing);
    playing.blind.hear(true);
    let opposite = keyed(&mut playing);
    playing.blind.hear(false);
    let mine = keyed(&mut playing);
    let worst = opposite.iter().zip(&mine).skip(S).map(|(a, b)| (a - b).abs());
    let worst = worst.fold(0.0, f32::max);
    assert!(worst < 1e-3, "{worst}");
}

/// The engine alone is still what is heard when no trial is open.
#[test]
fn without_a_trial_nothing_is_added() {
    let mut playing = Playing::new(HARD);
    let (mut left, mut right) = (signal(S, 1), signal(S, 2));
    let (heard, _) = playing.play(S);
    let settings = playing.state.params.settings();
    engine(Channels::Stereo, &settings, &mut left, &mut right, None);
    assert_eq!(bits(&heard[0]), bits(&left));
    assert!(!playing.audio.pair.is_on());
}
