//! Togetherness, and what is needed to find a threshold, off the audio thread: what goes on inside the
//! engine goes through a lock-free ring to a thread of its own, which runs only while somebody wants
//! the readings. The audio thread never waits; when the ring is full it drops frames, and the listener
//! starts again and says so. Knows nothing of the editor.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use rtrb::{Consumer, Producer, RingBuffer};
use tenon_dsp::{
    FindError, Found, Levels, NoReading, Settings, Tapped, TogetherReading, Togetherness,
    TypicalReduction,
};

/// Frames the ring holds: more than a second at 48 kHz, 80 ms at 768 kHz.
const CAPACITY: usize = 1 << 16;
/// How often the listener looks for frames.
const EVERY: Duration = Duration::from_millis(20);
/// Frames analysed between looks at whether to go on.
const PORTION: usize = 1024;

/// Seconds of playing that a threshold is found from, and that the typical maximum is of.
pub(crate) const PLAYED_S: f64 = 10.0;

/// Left and right of dry, of wet and of the level, and the larger gain reduction.
const LANES: usize = 7;

/// What goes through the ring.
enum Item {
    Frame([f32; LANES]),
    /// Controls moved: reductions from before are of no use, and levels neither, if those have moved.
    Moved {
        levels: bool,
    },
}

/// Why there is no togetherness to show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Unread {
    /// The signals do not allow a reading.
    Signal(NoReading),
    /// Frames were lost.
    Lost,
    /// The system gave no thread to measure on.
    NoThread,
}

impl std::fmt::Display for Unread {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Signal(reason) => reason.fmt(f),
            Self::Lost => f.write_str(
                "the audio ran faster than it can be followed, so measuring has started again; play on",
            ),
            Self::NoThread => f.write_str(
                "the system has no thread to spare for measuring; close something and open the editor again",
            ),
        }
    }
}

/// Togetherness now, or why there is none.
pub(crate) type Heard = Result<TogetherReading, Unread>;

/// Both ends of a new listener.
pub(crate) fn listener() -> (ListenerIn, Listener) {
    let (producer, consumer) = RingBuffer::new(CAPACITY);
    let shared = Arc::new(Shared::default());
    let listener = Listener {
        consumer: Arc::new(Mutex::new(consumer)),
        shared: shared.clone(),
        heard: Arc::new(Mutex::new(Err(Unread::Signal(NoReading::TooShort)))),
        played: Arc::default(),
        given_up: Arc::default(),
    };
    (ListenerIn { producer, shared }, listener)
}

#[derive(Default)]
struct Shared {
    /// Somebody wants the reading.
    wanted: AtomicBool,
    /// The ring was full.
    lost: AtomicBool,
    /// Bits of the sample rate in Hz; 0 before the first activation.
    rate_bits: AtomicU64,
}

/// The audio thread's end.
pub(crate) struct ListenerIn {
    producer: Producer<Item>,
    shared: Arc<Shared>,
}

impl ListenerIn {
    /// Says at which rate the frames come from now on.
    pub(crate) fn set_rate(&self, rate_hz: f64) {
        self.shared.rate_bits.store(rate_hz.to_bits(), Ordering::Release);
    }

    /// Hands over frames, if they are wanted and there is room for them.
    pub(crate) fn add(&mut self, tap: &Tapped<'_>) {
        if !self.shared.wanted.load(Ordering::Relaxed) {
            return;
        }
        let Tapped { dry, wet, levels, reductions: [left, right] } = tap;
        let frames = left.len();
        match self.producer.write_chunk_uninit(frames) {
            Ok(chunk) => {
                let frame = |i: usize| {
                    let [dry, wet, levels] =
                        [dry, wet, levels].map(|lane| [lane[0][i], lane[1][i]]);
                    let reduction = left[i].max(right[i]);
                    Item::Frame([dry[0], dry[1], wet[0], wet[1], levels[0], levels[1], reduction])
                };
                chunk.fill_from_iter((0..frames).map(frame));
            }
            Err(_) => self.shared.lost.store(true, Ordering::Release),
        }
    }

    /// Says that controls of the gain reduction have moved, or even those of the level.
    pub(crate) fn moved(&mut self, levels: bool) {
        if self.shared.wanted.load(Ordering::Relaxed)
            && self.producer.push(Item::Moved { levels }).is_err()
        {
            self.shared.lost.store(true, Ordering::Release);
        }
    }
}

/// The reader's end.
#[derive(Clone)]
pub(crate) struct Listener {
    consumer: Arc<Mutex<Consumer<Item>>>,
    shared: Arc<Shared>,
    heard: Arc<Mutex<Heard>>,
    played: Arc<Mutex<Option<Played>>>,
    given_up: Arc<GivenUp>,
}

/// Levels and reductions of the last seconds.
struct Played {
    levels: Levels,
    typical: TypicalReduction,
    rate_hz: f64,
}

impl Played {
    fn new(rate_hz: f64) -> Self {
        Self {
            levels: Levels::of_last(rate_hz, PLAYED_S),
            typical: TypicalReduction::of_last(rate_hz, PLAYED_S),
            rate_hz,
        }
    }

    fn moved(&mut self, levels: bool) {
        let new = Self::new(self.rate_hz);
        self.typical = new.typical;
        if levels {
            self.levels = new.levels;
        }
    }

    fn add(&mut self, [.., left, right, reductions]: [&[f32]; LANES]) {
        self.levels.add([left, right]);
        self.typical.add([left, right], [reductions, reductions]);
    }
}

/// Why no threshold is being found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Unfound {
    /// What was played does not allow it.
    Signal(FindError),
    /// The search could not be run.
    NoThread,
}

impl std::fmt::Display for Unfound {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Signal(error @ FindError::TooShort { .. }) => write!(
                f,
                "since the window was opened or a control of the level moved {error}; play on"
            ),
            Self::Signal(error) => error.fmt(f),
            Self::NoThread => f.write_str(
                "the system has no thread to spare for the search; close something and try again",
            ),
        }
    }
}

/// The thread of a search.
type Search = JoinHandle<Result<Found, FindError>>;

/// A search under way.
pub(crate) struct Finding {
    thread: Option<Search>,
    given_up: Arc<GivenUp>,
}

/// Searches that nobody waits for any more. They end by themselves.
#[derive(Default)]
struct GivenUp(Mutex<Vec<Search>>);

impl GivenUp {
    fn add(&self, thread: Search) {
        let mut threads = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        threads.retain(|thread| !thread.is_finished());
        threads.push(thread);
    }
}

impl Drop for GivenUp {
    fn drop(&mut self) {
        // With the last listener the instance goes: no thread may outlive the library its code is in.
        for thread in self.0.get_mut().unwrap_or_else(PoisonError::into_inner).drain(..) {
            let _ = thread.join();
        }
    }
}

impl Finding {
    /// What was found, once the search is over; said once.
    pub(crate) fn done(&mut self) -> Option<Result<Found, Unfound>> {
        let thread = self.thread.take_if(|thread| thread.is_finished())?;
        // A search that panicked is none.
        Some(thread.join().map_or(Err(Unfound::NoThread), |found| found.map_err(Unfound::Signal)))
    }
}

impl Drop for Finding {
    fn drop(&mut self) {
        if let Some(thread) = self.thread.take() {
            // A window that closes does not wait.
            self.given_up.add(thread);
        }
    }
}

impl Listener {
    /// Togetherness as of now. It stands still while nobody [listens](Self::listen).
    pub(crate) fn heard(&self) -> Heard {
        *self.heard.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The typical maximum of the gain reduction in the last seconds played since controls of it moved,
    /// dB; none while there is too little signal.
    pub(crate) fn typical_db(&self) -> Option<f32> {
        self.played().as_ref()?.typical.reading_db()
    }

    /// Starts to find the threshold at which the last seconds played have a typical maximum reduction,
    /// the other settings being as they are, at the tempo of the song in quarter notes a minute.
    ///
    /// # Errors
    /// When the system gives no thread. What else can be wrong is said when the search is done.
    pub(crate) fn find(
        &self,
        settings: &Settings,
        tempo_bpm: Option<f64>,
        target_db: f32,
    ) -> Result<Finding, Unfound> {
        let levels = self.played().as_ref().map(|played| played.levels.clone());
        let settings = *settings;
        let find = move || match levels {
            Some(mut levels) => levels.find(&settings, tempo_bpm, target_db),
            None => Err(FindError::TooShort { signal_s: 0.0 }),
        };
        self.search(find)
    }

    fn search(
        &self,
        find: impl FnOnce() -> Result<Found, FindError> + Send + 'static,
    ) -> Result<Finding, Unfound> {
        let thread = std::thread::Builder::new().name("tenon-threshold".to_owned()).spawn(find);
        let thread = Some(thread.map_err(|_| Unfound::NoThread)?);
        Ok(Finding { thread, given_up: self.given_up.clone() })
    }

    fn played(&self) -> MutexGuard<'_, Option<Played>> {
        self.played.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Starts listening, until what is returned is dropped. When the system gives no thread, nothing
    /// is returned and what is [heard](Self::heard) says so.
    pub(crate) fn listen(&self) -> Option<Listening> {
        let stop = Arc::new(AtomicBool::new(false));
        let (listener, stopped) = (self.clone(), stop.clone());
        let thread =
            std::thread::Builder::new().name("tenon-togetherness".to_owned()).spawn(move || {
                let go_on = || !stopped.load(Ordering::Relaxed);
                // Another listener may have the ring; it is waited for, but not for ever.
                while go_on() {
                    match listener.consumer.try_lock() {
                        Ok(mut ring) => listener.run(&mut ring, go_on),
                        Err(_) => std::thread::sleep(EVERY),
                    }
                }
            });
        match thread {
            Ok(thread) => Some(Listening { stop, thread: Some(thread) }),
            Err(_) => {
                self.put(Err(Unread::NoThread));
                None
            }
        }
    }

    /// Measures while it is to go on.
    fn run(&self, ring: &mut Consumer<Item>, go_on: impl Fn() -> bool) {
        let mut ear = Ear::new(&self.shared);
        *self.played() = None;
        drain(ring);
        self.shared.lost.store(false, Ordering::Relaxed);
        self.shared.wanted.store(true, Ordering::Relaxed);
        while go_on() {
            let heard = ear.listen(ring, &self.shared, &mut self.played());
            self.put(heard);
            if ring.is_empty() {
                std::thread::sleep(EVERY);
            }
        }
        self.shared.wanted.store(false, Ordering::Relaxed);
    }

    fn put(&self, heard: Heard) {
        *self.heard.lock().unwrap_or_else(PoisonError::into_inner) = heard;
    }
}

/// Listening goes on while this is alive.
pub(crate) struct Listening {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Drop for Listening {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // A listener that panicked has nothing to give back.
            let _ = thread.join();
        }
    }
}

/// The analyser and what it has to know of the frames that come.
struct Ear {
    rate_bits: u64,
    togetherness: Option<Togetherness>,
    /// Frames were lost, and there has been no reading since.
    lost: bool,
    portion: Box<[[f32; PORTION]; LANES]>,
}

impl Ear {
    fn new(shared: &Shared) -> Self {
        let mut ear = Self {
            rate_bits: 0,
            togetherness: None,
            lost: false,
            portion: Box::new([[0.0; PORTION]; LANES]),
        };
        ear.follow_rate(shared);
        ear
    }

    /// Whether frames at a new rate come.
    fn follow_rate(&mut self, shared: &Shared) -> bool {
        let rate_bits = shared.rate_bits.load(Ordering::Acquire);
        let moved = rate_bits != self.rate_bits;
        if moved {
            self.rate_bits = rate_bits;
            self.togetherness = Togetherness::new(f64::from_bits(rate_bits)).ok();
        }
        moved
    }

    /// Takes a portion of what is in the ring, and reads.
    fn listen(
        &mut self,
        ring: &mut Consumer<Item>,
        shared: &Shared,
        played: &mut Option<Played>,
    ) -> Heard {
        if shared.lost.swap(false, Ordering::AcqRel) {
            self.lost = true;
            drain(ring);
            *played = None;
            if let Some(togetherness) = &mut self.togetherness {
                togetherness.reset();
            }
        } else if self.follow_rate(shared) {
            drain(ring);
            *played = None;
        }
        let Some(togetherness) = &mut self.togetherness else {
            return Err(Unread::Signal(NoReading::TooShort));
        };
        let played = played.get_or_insert_with(|| Played::new(f64::from_bits(self.rate_bits)));
        let (mut frames, mut kept) = (0, 0);
        while let Some(item) = (frames < PORTION).then(|| ring.pop().ok()).flatten() {
            match item {
                Item::Frame(frame) => {
                    for (lane, sample) in self.portion.iter_mut().zip(frame) {
                        lane[frames] = sample;
                    }
                    frames += 1;
                }
                Item::Moved { levels } => {
                    played.add(self.portion.each_ref().map(|lane| &lane[kept..frames]));
                    played.moved(levels);
                    kept = frames;
                }
            }
        }
        played.add(self.portion.each_ref().map(|lane| &lane[kept..frames]));
        let [dry_left, dry_right, wet_left, wet_right, ..] =
            self.portion.each_ref().map(|lane| &lane[..frames]);
        togetherness.add([dry_left, dry_right], [wet_left, wet_right]);
        match togetherness.reading() {
            Err(NoReading::TooShort) if self.lost => Err(Unread::Lost),
            reading => {
                self.lost = false;
                reading.map_err(Unread::Signal)
            }
        }
    }
}

/// Listens on the thread of a test, so that nothing has to be waited for.
#[cfg(test)]
pub(crate) struct Pump {
    listener: Listener,
    ear: Ear,
}

#[cfg(test)]
impl Pump {
    pub(crate) fn new(listener: &Listener) -> Self {
        listener.shared.wanted.store(true, Ordering::Relaxed);
        Self { listener: listener.clone(), ear: Ear::new(&listener.shared) }
    }

    /// Takes in all that is in the ring.
    pub(crate) fn pump(&mut self) {
        let Self { listener, ear } = self;
        let mut ring = listener.consumer.lock().unwrap();
        loop {
            let heard = ear.listen(&mut ring, &listener.shared, &mut listener.played());
            listener.put(heard);
            if ring.is_empty() {
                return;
            }
        }
    }
}

fn drain(ring: &mut Consumer<Item>) {
    if let Ok(rest) = ring.read_chunk(ring.slots()) {
        rest.commit_all();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Instant;

    const RATE_HZ: f64 = 8_000.0;

    /// Noise that a bus compressor might have ducked: everything moves together.
    fn ducked(frames: usize) -> [Vec<f32>; 4] {
        let mut state = 1u32;
        let mut noise = move || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            state as f32 / 4_294_967_296.0 - 0.5
        };
        let mut lanes = [(); 4].map(|()| Vec::with_capacity(frames));
        for n in 0..frames {
            let gain = if n / 1_600 % 2 == 0 { 1.0 } else { 0.6 };
            let (l, r) = (noise(), noise());
            for (lane, x) in lanes.iter_mut().zip([l, r, gain * l, gain * r]) {
                lane.push(x);
            }
        }
        lanes
    }

    fn add(audio: &mut ListenerIn, lanes: &[Vec<f32>; 4], range: std::ops::Range<usize>) {
        let [dry_left, dry_right, wet_left, wet_right] =
            lanes.each_ref().map(|lane| &lane[range.clone()]);
        // Levels and reductions of no account here.
        let (levels, reductions) = ([dry_left, dry_right], [dry_left, dry_right]);
        audio.add(&Tapped {
            dry: [dry_left, dry_right],
            wet: [wet_left, wet_right],
            levels,
            reductions,
        });
    }

    fn wait_until(mut done: impl FnMut() -> bool) {
        let start = Instant::now();
        while !done() {
            assert!(start.elapsed() < Duration::from_secs(20), "nothing came of it");
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    #[test]
    fn a_reading_arrives_and_is_the_analysers_own() {
        let (mut audio, listener) = listener();
        audio.set_rate(RATE_HZ);
        let lanes = ducked(48_000);
        let _listening = listener.listen().expect("a thread");
        wait_until(|| audio.shared.wanted.load(Ordering::Relaxed));
        for start in (0..48_000).step_by(480) {
            add(&mut audio, &lanes, start..start + 480);
        }
        let mut alone = Togetherness::new(RATE_HZ).unwrap();
        alone.add([&lanes[0], &lanes[1]], [&lanes[2], &lanes[3]]);
        let expected = alone.reading().expect("enough to read");
        wait_until(|| listener.heard() == Ok(expected));
    }

    #[test]
    fn two_who_listen_may_stop_in_either_order() {
        for first_stops_first in [true, false] {
            let (audio, listener) = listener();
            let (first, second) = (listener.listen(), listener.listen());
            wait_until(|| audio.shared.wanted.load(Ordering::Relaxed));
            let (stops, stays) = if first_stops_first { (first, second) } else { (second, first) };
            drop(stops);
            wait_until(|| audio.shared.wanted.load(Ordering::Relaxed));
            drop(stays);
            assert!(!audio.shared.wanted.load(Ordering::Relaxed));
        }
    }

    #[test]
    fn nothing_is_handed_over_unless_somebody_listens() {
        let (mut audio, listener) = listener();
        audio.set_rate(RATE_HZ);
        let lanes = ducked(480);
        add(&mut audio, &lanes, 0..480);
        assert_eq!(audio.producer.slots(), CAPACITY);
        drop(listener.listen().expect("a thread"));
        add(&mut audio, &lanes, 0..480);
        assert_eq!(audio.producer.slots(), CAPACITY);
    }

    #[test]
    fn lost_frames_are_said_and_measuring_starts_again() {
        let (mut audio, listener) = listener();
        audio.set_rate(RATE_HZ);
        audio.shared.wanted.store(true, Ordering::Relaxed);
        let lanes = ducked(CAPACITY + 64);
        for start in (0..CAPACITY + 64).step_by(64) {
            add(&mut audio, &lanes, start..start + 64);
        }
        let mut ring = listener.consumer.lock().unwrap();
        let mut ear = Ear::new(&listener.shared);
        assert_eq!(
            ear.listen(&mut ring, &listener.shared, &mut listener.played()),
            Err(Unread::Lost)
        );
        assert!(ring.is_empty(), "what came before the gap is of no use");
        for start in (0..40_000).step_by(1_000) {
            add(&mut audio, &lanes, start..start + 1_000);
            let heard = ear.listen(&mut ring, &listener.shared, &mut listener.played());
            if start < 10_000 {
                assert_eq!(heard, Err(Unread::Lost));
            }
        }
        assert!(ear.listen(&mut ring, &listener.shared, &mut listener.played()).is_ok());
    }

    /// Seconds of a steady level, with the reductions of a threshold of −30 dB at 2 to 1.
    fn play(
        audio: &mut ListenerIn,
        ear: &mut Ear,
        listener: &Listener,
        level: f32,
        seconds: usize,
    ) {
        let levels = vec![level; 1_000];
        let reductions = vec![(level + 30.0) / 2.0; 1_000];
        for _ in 0..8 * seconds {
            let [levels, reductions] = [[&levels[..]; 2], [&reductions[..]; 2]];
            audio.add(&Tapped { dry: levels, wet: levels, levels, reductions });
            let mut ring = listener.consumer.lock().unwrap();
            let _ = ear.listen(&mut ring, &listener.shared, &mut listener.played());
        }
    }

    fn found(listener: &Listener, settings: &Settings) -> Result<Found, Unfound> {
        let mut finding = listener.find(settings, None, 2.0).expect("a thread");
        let mut done = None;
        wait_until(|| {
            done = finding.done();
            done.is_some()
        });
        assert!(finding.done().is_none(), "said once");
        done.expect("waited for")
    }

    #[test]
    fn a_threshold_is_found_from_what_was_played_since_the_level_was_shaped_anew() {
        use tenon_dsp::Control;
        let (mut audio, listener) = listener();
        let settings = Settings::default().with(Control::Ratio, 2.0).with(Control::Knee, 0.0);
        let nothing = Err(Unfound::Signal(FindError::TooShort { signal_s: 0.0 }));
        assert_eq!(found(&listener, &settings), nothing, "nothing has been played");
        audio.set_rate(RATE_HZ);
        audio.shared.wanted.store(true, Ordering::Relaxed);
        let mut ear = Ear::new(&audio.shared);
        play(&mut audio, &mut ear, &listener, -10.0, 5);
        assert_eq!(listener.typical_db(), Some(10.0));
        // The steady level is 4 dB above the threshold at 2 dB of reduction.
        let near = |found: Result<Found, Unfound>, threshold_db: f32| {
            let found = found.expect("enough signal");
            assert!((found.threshold_db - threshold_db).abs() < 0.03, "{found:?}");
        };
        near(found(&listener, &settings), -14.0);
        audio.moved(false);
        play(&mut audio, &mut ear, &listener, -10.0, 1);
        assert_eq!(listener.typical_db(), None, "reductions are those of before");
        near(found(&listener, &settings), -14.0);
        audio.moved(true);
        play(&mut audio, &mut ear, &listener, -20.0, 1);
        let error = found(&listener, &settings).expect_err("the levels are those of before");
        assert!(error.to_string().contains("1.0 s with signal"), "{error}");
        play(&mut audio, &mut ear, &listener, -20.0, 3);
        assert_eq!(listener.typical_db(), Some(5.0));
        near(found(&listener, &settings), -24.0);
        // Only the last 10 s count.
        play(&mut audio, &mut ear, &listener, -25.0, 10);
        near(found(&listener, &settings), -29.0);
        assert_eq!(listener.typical_db(), Some(2.5));
    }

    #[test]
    fn a_search_that_is_given_up_ends_by_itself_and_before_the_library_goes() {
        let (_audio, listener) = listener();
        let (go_on, wait) = std::sync::mpsc::channel();
        let ended = Arc::new(AtomicBool::new(false));
        let ends = ended.clone();
        let finding = listener.search(move || {
            wait.recv().expect("told to go on");
            std::thread::sleep(EVERY);
            ends.store(true, Ordering::Relaxed);
            Err(FindError::NoRatio)
        });
        // Whoever waited for the search here would wait for ever.
        drop(finding.expect("a thread"));
        assert!(!ended.load(Ordering::Relaxed));
        let another = listener.clone();
        drop(listener);
        go_on.send(()).expect("it runs");
        drop(another);
        assert!(ended.load(Ordering::Relaxed), "the last listener waits");
    }

    #[test]
    fn a_new_rate_starts_a_new_analyser() {
        let (audio, listener) = listener();
        let ring = &mut listener.consumer.lock().unwrap();
        let mut ear = Ear::new(&listener.shared);
        let too_short = Err(Unread::Signal(NoReading::TooShort));
        assert_eq!(
            ear.listen(ring, &listener.shared, &mut listener.played()),
            too_short,
            "not activated yet"
        );
        audio.set_rate(96_000.0);
        assert_eq!(ear.listen(ring, &listener.shared, &mut listener.played()), too_short);
        assert_eq!(ear.rate_bits, 96_000f64.to_bits());
        assert!(ear.togetherness.is_some());
    }
}
