//! Togetherness off the audio thread: dry and wet frames go through a lock-free ring to a thread of
//! their own, which runs only while somebody wants the reading. The audio thread never waits; when
//! the ring is full it drops frames, and the listener starts again and says so. Knows nothing of the
//! editor.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use rtrb::{Consumer, Producer, RingBuffer};
use tenon_dsp::{NoReading, TogetherReading, Togetherness};

/// Frames the ring holds: more than a second at 48 kHz, 80 ms at 768 kHz.
const CAPACITY: usize = 1 << 16;
/// How often the listener looks for frames.
const EVERY: Duration = Duration::from_millis(20);
/// Frames analysed between looks at whether to go on.
const PORTION: usize = 1024;

/// Left and right of dry, then of wet.
type Frame = [f32; 4];

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
    producer: Producer<Frame>,
    shared: Arc<Shared>,
}

impl ListenerIn {
    /// Says at which rate the frames come from now on.
    pub(crate) fn set_rate(&self, rate_hz: f64) {
        self.shared.rate_bits.store(rate_hz.to_bits(), Ordering::Release);
    }

    /// Hands over frames, if they are wanted and there is room for them.
    pub(crate) fn add(&mut self, dry: [&[f32]; 2], wet: [&[f32]; 2]) {
        if !self.shared.wanted.load(Ordering::Relaxed) {
            return;
        }
        let frames = dry[0].len();
        match self.producer.write_chunk_uninit(frames) {
            Ok(chunk) => {
                let frame = |i: usize| [dry[0][i], dry[1][i], wet[0][i], wet[1][i]];
                chunk.fill_from_iter((0..frames).map(frame));
            }
            Err(_) => self.shared.lost.store(true, Ordering::Release),
        }
    }
}

/// The reader's end.
#[derive(Clone)]
pub(crate) struct Listener {
    consumer: Arc<Mutex<Consumer<Frame>>>,
    shared: Arc<Shared>,
    heard: Arc<Mutex<Heard>>,
}

impl Listener {
    /// Togetherness as of now. It stands still while nobody [listens](Self::listen).
    pub(crate) fn heard(&self) -> Heard {
        *self.heard.lock().unwrap_or_else(PoisonError::into_inner)
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
    fn run(&self, ring: &mut Consumer<Frame>, go_on: impl Fn() -> bool) {
        let mut ear = Ear::new(&self.shared);
        drain(ring);
        self.shared.lost.store(false, Ordering::Relaxed);
        self.shared.wanted.store(true, Ordering::Relaxed);
        while go_on() {
            self.put(ear.listen(ring, &self.shared));
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
    portion: Box<[[f32; PORTION]; 4]>,
}

impl Ear {
    fn new(shared: &Shared) -> Self {
        let mut ear = Self {
            rate_bits: 0,
            togetherness: None,
            lost: false,
            portion: Box::new([[0.0; PORTION]; 4]),
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
    fn listen(&mut self, ring: &mut Consumer<Frame>, shared: &Shared) -> Heard {
        if shared.lost.swap(false, Ordering::AcqRel) {
            self.lost = true;
            drain(ring);
            if let Some(togetherness) = &mut self.togetherness {
                togetherness.reset();
            }
        } else if self.follow_rate(shared) {
            drain(ring);
        }
        let Some(togetherness) = &mut self.togetherness else {
            return Err(Unread::Signal(NoReading::TooShort));
        };
        let mut frames = 0;
        while let Some(frame) = (frames < PORTION).then(|| ring.pop().ok()).flatten() {
            for (lane, sample) in self.portion.iter_mut().zip(frame) {
                lane[frames] = sample;
            }
            frames += 1;
        }
        let [dry_left, dry_right, wet_left, wet_right] =
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

fn drain(ring: &mut Consumer<Frame>) {
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
        audio.add([dry_left, dry_right], [wet_left, wet_right]);
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
        assert_eq!(ear.listen(&mut ring, &listener.shared), Err(Unread::Lost));
        assert!(ring.is_empty(), "what came before the gap is of no use");
        for start in (0..40_000).step_by(1_000) {
            add(&mut audio, &lanes, start..start + 1_000);
            let heard = ear.listen(&mut ring, &listener.shared);
            if start < 10_000 {
                assert_eq!(heard, Err(Unread::Lost));
            }
        }
        assert!(ear.listen(&mut ring, &listener.shared).is_ok());
    }

    #[test]
    fn a_new_rate_starts_a_new_analyser() {
        let (audio, listener) = listener();
        let ring = &mut listener.consumer.lock().unwrap();
        let mut ear = Ear::new(&listener.shared);
        let too_short = Err(Unread::Signal(NoReading::TooShort));
        assert_eq!(ear.listen(ring, &listener.shared), too_short, "not activated yet");
        audio.set_rate(96_000.0);
        assert_eq!(ear.listen(ring, &listener.shared), too_short);
        assert_eq!(ear.rate_bits, 96_000f64.to_bits());
        assert!(ear.togetherness.is_some());
    }
}
