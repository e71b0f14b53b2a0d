//! Readings from the audio thread to the editor, and the editor's requests back. Neither side
//! ever waits for the other. Knows nothing of the editor.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

use rtrb::{Consumer, Producer, RingBuffer};
use tenon_dsp::Readings;
use triple_buffer::{Input, Output, triple_buffer};

/// Points of the trace that wait for the editor: 5 s. While no editor takes them, later ones are
/// lost.
const POINTS: usize = 256;

/// Both ends of a new feed.
pub(crate) fn feed(first: Readings) -> (FeedIn, FeedOut) {
    let (input, output) = triple_buffer(&first);
    let (points_in, points_out) = RingBuffer::new(POINTS);
    let shared = Arc::new(Shared::default());
    (
        FeedIn { input, last: first, points: points_in, number: 0, shared: shared.clone() },
        FeedOut { output, points: points_out, shared },
    )
}

/// What happened in 20 ms, and where in the song.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Point {
    /// Counts the points; where it skips, some are missing.
    pub(crate) number: u64,
    /// Largest gain reduction, in dB ≥ 0.
    pub(crate) reduction_db: f32,
    /// Level of the middle before and after, both at the loudness of the processed output, in LUFS.
    pub(crate) mid_db: [f32; 2],
    /// Level of the side, likewise.
    pub(crate) side_db: [f32; 2],
    /// Where in the song it ended; none without a tempo, and while the host stands still.
    pub(crate) place: Option<Place>,
}

impl Point {
    /// What the readings say of the last 20 ms.
    pub(crate) fn new(readings: &Readings, place: Option<Place>) -> Self {
        let r = readings;
        Self {
            number: 0,
            reduction_db: r.gain_reduction_hop_db,
            mid_db: [r.mid_before_hop_db + r.compare_gain_db, r.mid_after_hop_db],
            side_db: [r.side_before_hop_db + r.compare_gain_db, r.side_after_hop_db],
            place,
        }
    }

    /// Whether there is nothing to see.
    fn is_quiet(&self) -> bool {
        let levels = self.mid_db.iter().chain(&self.side_db);
        self.place.is_none()
            && self.reduction_db < STEP_DB
            && levels.fold(FLOOR_DB, |a, b| a.max(*b)) <= FLOOR_DB
    }
}

/// A place in the song.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Place {
    /// The bar, counted from 0.
    pub(crate) bar: i32,
    /// Beats since the bar began.
    pub(crate) beat: f64,
    /// Beats in the bar.
    pub(crate) beats: f64,
    /// Beats in a second.
    pub(crate) beats_per_s: f64,
}

impl Place {
    /// The place `seconds` later, if the song goes on as it is.
    pub(crate) fn after(self, seconds: f64) -> Self {
        let beat = self.beat + seconds * self.beats_per_s;
        let bars = (beat / self.beats).floor();
        Self { bar: self.bar.saturating_add(bars as i32), beat: beat - bars * self.beats, ..self }
    }
}

#[derive(Default)]
struct Shared {
    /// Counts the blocks processed.
    blocks: AtomicU32,
    /// The editor wants readings even if they have not changed.
    wanted: AtomicBool,
    clear_peaks: AtomicBool,
    learn_anew: AtomicBool,
}

/// The audio thread's end.
pub(crate) struct FeedIn {
    input: Input<Readings>,
    last: Readings,
    points: Producer<Point>,
    /// Number of the next point.
    number: u64,
    shared: Arc<Shared>,
}

impl FeedIn {
    /// Says that audio is running.
    pub(crate) fn tick(&self) {
        self.shared.blocks.fetch_add(1, Ordering::Relaxed);
    }

    /// Hands over new readings. True when there is something new to show.
    pub(crate) fn publish(&mut self, readings: Readings) -> bool {
        let news = looks_new(&readings, &self.last) || self.shared.wanted.load(Ordering::Relaxed);
        if news {
            self.shared.wanted.store(false, Ordering::Relaxed);
            self.last = readings;
            self.input.write(readings);
        }
        news
    }

    /// Hands over the next point of the trace. True when it can be seen.
    pub(crate) fn trace(&mut self, point: Point) -> bool {
        let number = self.number;
        self.number += 1;
        // Full when nobody looks; then there is nobody to tell.
        !point.is_quiet() && self.points.push(Point { number, ..point }).is_ok()
    }

    /// Whether the editor asked to clear the peaks since this was last called.
    pub(crate) fn take_clear_peaks(&self) -> bool {
        take(&self.shared.clear_peaks)
    }

    /// Whether the editor asked to learn the match anew since this was last called.
    pub(crate) fn take_learn_anew(&self) -> bool {
        take(&self.shared.learn_anew)
    }
}

/// Smallest change that can show, in dB: half the last digit of a number.
const STEP_DB: f32 = 0.05;
/// Levels below this are all silence to a reader, in dB.
const FLOOR_DB: f32 = -95.0;

/// Whether a reader could tell the two apart. Averages of silence never quite come to rest, and
/// nothing is to be drawn for that.
fn looks_new(new: &Readings, last: &Readings) -> bool {
    let figures = |r: &Readings| {
        [
            r.gain_reduction_db,
            r.gain_reduction_peak_db,
            r.gain_reduction_mean_db,
            r.mid_before_db,
            r.mid_after_db,
            r.side_before_db,
            r.side_after_db,
            r.loudness_before_lufs,
            r.loudness_after_lufs,
            r.match_gain_db,
            r.peak_to_loudness_before_db,
            r.peak_to_loudness_after_db,
        ]
        .map(|db| db.max(FLOOR_DB))
    };
    let correlations = |r: &Readings| [r.correlation_before, r.correlation_after];
    // Half the last digit of what is shown of them.
    let correlated = correlations(new).iter().zip(correlations(last)).any(|pair| match pair {
        (Some(new), Some(last)) => (new - last).abs() >= 0.005,
        (new, last) => new.is_some() != last.is_some(),
    });
    let groove = |r: &Readings| (r.tempo_bpm, r.beats_per_s, r.recovery, r.left_at_beat_db);
    correlated
        || groove(new) != groove(last)
        || new.match_state != last.match_state
        || figures(new).iter().zip(figures(last)).any(|(new, last)| (new - last).abs() >= STEP_DB)
}

/// A plain load first: the audio thread writes only when there is something to take.
fn take(request: &AtomicBool) -> bool {
    request.load(Ordering::Relaxed) && request.swap(false, Ordering::Relaxed)
}

/// The editor's end.
pub(crate) struct FeedOut {
    output: Output<Readings>,
    points: Consumer<Point>,
    shared: Arc<Shared>,
}

impl FeedOut {
    /// The next point of the trace, if there is one.
    pub(crate) fn next_point(&mut self) -> Option<Point> {
        self.points.pop().ok()
    }

    /// The newest readings.
    pub(crate) fn read(&mut self) -> Readings {
        *self.output.read()
    }

    /// A number that changes while audio runs.
    pub(crate) fn blocks(&self) -> u32 {
        self.shared.blocks.load(Ordering::Relaxed)
    }

    /// Asks for readings, and for word of them, as soon as audio runs.
    pub(crate) fn want(&self) {
        self.shared.wanted.store(true, Ordering::Relaxed);
    }

    /// Asks to start peak and mean of the gain reduction anew.
    pub(crate) fn clear_peaks(&self) {
        self.shared.clear_peaks.store(true, Ordering::Relaxed);
    }

    /// Asks to learn the loudness match anew.
    pub(crate) fn learn_anew(&self) {
        self.shared.learn_anew.store(true, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tenon_dsp::Processor;

    #[test]
    fn the_newest_readings_arrive() {
        let mut readings = Processor::new().readings();
        let (mut audio, mut editor) = feed(readings);
        assert!(!audio.publish(readings), "nothing changed");
        for reduction in [1.0, 2.0, 3.0] {
            readings.gain_reduction_db = reduction;
            assert!(audio.publish(readings));
        }
        assert_eq!(editor.read(), readings);
    }

    #[test]
    fn what_a_reader_cannot_see_is_no_news() {
        let mut readings = Processor::new().readings();
        let (mut audio, _) = feed(readings);
        readings.gain_reduction_db += 0.04;
        readings.mid_before_db += 10.0;
        assert!(!audio.publish(readings), "silence is silence");
        readings.gain_reduction_db += 0.04;
        assert!(audio.publish(readings), "small steps add up");
    }

    #[test]
    fn unchanged_readings_come_when_asked_for() {
        let readings = Processor::new().readings();
        let (mut audio, editor) = feed(readings);
        editor.want();
        assert!(audio.publish(readings));
        assert!(!audio.publish(readings));
    }

    #[test]
    fn requests_are_taken_once() {
        let (audio, editor) = feed(Processor::new().readings());
        assert!(!audio.take_clear_peaks());
        editor.clear_peaks();
        assert!(!audio.take_learn_anew());
        assert!(audio.take_clear_peaks());
        assert!(!audio.take_clear_peaks());
        editor.learn_anew();
        assert!(audio.take_learn_anew());
    }

    fn playing(bar: i32, beat: f64) -> Option<Place> {
        Some(Place { bar, beat, beats: 4.0, beats_per_s: 2.0 })
    }

    #[test]
    fn points_arrive_in_order_and_what_is_lost_leaves_a_gap() {
        let readings = Processor::new().readings();
        let (mut audio, mut editor) = feed(readings);
        for _ in 0..POINTS {
            assert!(audio.trace(Point::new(&readings, playing(0, 0.0))));
        }
        assert!(!audio.trace(Point::new(&readings, playing(0, 0.0))), "nobody takes them");
        for number in 0..POINTS as u64 {
            assert_eq!(editor.next_point().unwrap().number, number);
        }
        assert_eq!(editor.next_point(), None);
        audio.trace(Point::new(&readings, playing(0, 0.0)));
        assert_eq!(editor.next_point().unwrap().number, POINTS as u64 + 1);
    }

    #[test]
    fn silence_while_the_host_stands_still_is_no_point() {
        let mut readings = Processor::new().readings();
        let (mut audio, mut editor) = feed(readings);
        assert!(!audio.trace(Point::new(&readings, None)));
        assert_eq!(editor.next_point(), None);
        readings.side_before_hop_db = -60.0;
        readings.compare_gain_db = -2.0;
        assert!(audio.trace(Point::new(&readings, None)));
        assert_eq!(editor.next_point().unwrap().side_db[0], -62.0, "before at matched loudness");
    }

    #[test]
    fn a_place_moves_on_over_the_end_of_a_bar_and_back_before_the_song() {
        let place = playing(3, 3.5).unwrap();
        assert_eq!(place.after(0.5), playing(4, 0.5).unwrap());
        assert_eq!(place.after(4.5), playing(6, 0.5).unwrap());
        assert_eq!(playing(0, 0.5).unwrap().after(-0.5), playing(-1, 3.5).unwrap());
    }

    #[test]
    fn what_another_thread_reads_is_never_torn() {
        let first = Processor::new().readings();
        let (mut audio, mut editor) = feed(first);
        let of = |turn: u16| {
            let mut readings = first;
            readings.gain_reduction_db = f32::from(turn);
            readings.match_gain_db = f32::from(turn);
            readings
        };
        std::thread::scope(|scope| {
            scope.spawn(|| {
                for turn in 1..=200 {
                    let readings = of(turn);
                    audio.publish(readings);
                    audio.trace(Point::new(&readings, playing(turn.into(), 0.0)));
                }
            });
            let mut last = 0.0;
            let mut number = 0;
            while last < 200.0 {
                let readings = editor.read();
                assert_eq!(readings, of(readings.gain_reduction_db as u16));
                assert!(readings.gain_reduction_db >= last, "and never older ones");
                last = readings.gain_reduction_db;
                while let Some(point) = editor.next_point() {
                    assert!(point.number >= number);
                    number = point.number + 1;
                }
                std::thread::yield_now();
            }
        });
    }

    #[test]
    fn running_audio_is_noticed() {
        let (audio, editor) = feed(Processor::new().readings());
        let before = editor.blocks();
        audio.tick();
        assert_ne!(editor.blocks(), before);
    }
}
