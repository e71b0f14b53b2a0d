//! Readings from the audio thread to the editor, and the editor's requests back. Neither side
//! ever waits for the other. Knows nothing of the editor.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

use tenon_dsp::Readings;
use triple_buffer::{Input, Output, triple_buffer};

/// Both ends of a new feed.
pub(crate) fn feed(first: Readings) -> (FeedIn, FeedOut) {
    let (input, output) = triple_buffer(&first);
    let shared = Arc::new(Shared::default());
    (FeedIn { input, last: first, shared: shared.clone() }, FeedOut { output, shared })
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

    /// Whether the editor asked to clear the peaks since this was last called.
    pub(crate) fn take_clear_peaks(&self) -> bool {
        take(&self.shared.clear_peaks)
    }

    /// Whether the editor asked to learn the match anew since this was last called.
    pub(crate) fn take_learn_anew(&self) -> bool {
        take(&self.shared.learn_anew)
    }
}

/// Whether a reader could tell the two apart. Averages of silence never quite come to rest, and
/// nothing is to be drawn for that.
fn looks_new(new: &Readings, last: &Readings) -> bool {
    /// Smallest change that can show, in dB: half the last digit of a number.
    const STEP_DB: f32 = 0.05;
    /// Levels below this are all silence to a reader, in dB.
    const FLOOR_DB: f32 = -95.0;
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
        ]
        .map(|db| db.max(FLOOR_DB))
    };
    new.match_state != last.match_state
        || figures(new).iter().zip(figures(last)).any(|(new, last)| (new - last).abs() >= STEP_DB)
}

/// A plain load first: the audio thread writes only when there is something to take.
fn take(request: &AtomicBool) -> bool {
    request.load(Ordering::Relaxed) && request.swap(false, Ordering::Relaxed)
}

/// The editor's end.
pub(crate) struct FeedOut {
    output: Output<Readings>,
    shared: Arc<Shared>,
}

impl FeedOut {
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

    #[test]
    fn running_audio_is_noticed() {
        let (audio, editor) = feed(Processor::new().readings());
        let before = editor.blocks();
        audio.tick();
        assert_ne!(editor.blocks(), before);
    }
}
