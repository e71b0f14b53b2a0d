//! A blind trial between the editor, which knows what is to be heard, and the audio thread, which
//! plays it. Nothing of it is a parameter or is saved, so no host can tell. Neither side ever waits
//! for the other. Knows nothing of the editor.

use tenon_dsp::{MatchMemory, Settings};
use triple_buffer::{Input, Output, triple_buffer};

/// Both ends of a new hand-over.
pub(crate) fn blind() -> (BlindIn, Blind) {
    let (order_in, order_out) = triple_buffer(&Order::default());
    let (word_in, word_out) = triple_buffer(&Word::default());
    (
        BlindIn { orders: order_out, words: word_in },
        Blind { orders: order_in, words: word_out, order: Order::default() },
    )
}

/// What the setting in force is compared with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Opposite {
    /// The dry signal at its loudness.
    Dry,
    /// Another setting at its own match.
    Setting {
        /// The setting; what one listens to counts for nothing here.
        settings: Settings,
        /// Its match.
        loudness_match: MatchMemory,
    },
}

/// How far a trial has come.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) enum Stage {
    /// There is none.
    #[default]
    Off,
    /// Both sides run and are measured, at matches that stand still; the setting in force is heard.
    Ready(Opposite),
    /// Settings and levels stand still, and one side is heard.
    Running {
        /// The opposite is heard.
        opposite: bool,
    },
}

/// What the editor wants.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Order {
    /// Counts the trials. What the audio thread has ended stays ended.
    pub(crate) session: u32,
    /// Counts how often what is heard was chosen.
    pub(crate) turn: u32,
    pub(crate) stage: Stage,
}

/// Why the audio thread ended a trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum End {
    /// The host stopped audio altogether, or started it anew.
    Restarted,
    /// The host renders offline, where nothing of a trial may be heard.
    Offline,
    /// Bypass was switched on.
    Bypassed,
    /// The host restored a state.
    Restored,
}

impl std::fmt::Display for End {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Restarted => "the host started audio anew",
            Self::Offline => "the host renders offline",
            Self::Bypassed => "bypass is on; switch it off first",
            Self::Restored => "the host restored a state",
        })
    }
}

/// What the audio thread says of a trial.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Word {
    /// The trial it speaks of.
    pub(crate) session: u32,
    /// Why it is over, if the audio thread ended it.
    pub(crate) end: Option<End>,
    /// Settings and levels stand still.
    pub(crate) running: bool,
    /// The settings in use, of the setting in force and of the opposite.
    pub(crate) settings: [Settings; 2],
    /// Integrated loudness of both as they are heard, in LUFS, since this stage began.
    pub(crate) loudness_lufs: Option<[f32; 2]>,
    /// How much programme that is, in seconds.
    pub(crate) measured_s: f32,
    /// The choice that was followed last.
    pub(crate) turn: u32,
    /// Since that choice there was enough sound, on both sides, to say that it was listened to.
    pub(crate) heard: bool,
}

/// The audio thread's end.
pub(crate) struct BlindIn {
    orders: Output<Order>,
    words: Input<Word>,
}

impl BlindIn {
    /// The newest order.
    pub(crate) fn order(&mut self) -> Order {
        *self.orders.read()
    }

    /// Says how it stands.
    pub(crate) fn say(&mut self, word: Word) {
        self.words.write(word);
    }
}

/// The editor's end.
pub(crate) struct Blind {
    orders: Input<Order>,
    words: Output<Word>,
    order: Order,
}

impl Blind {
    /// Begins a trial against `opposite`: from now on both sides run.
    pub(crate) fn open(&mut self, opposite: Opposite) {
        self.order.session = self.order.session.wrapping_add(1);
        self.put(Stage::Ready(opposite));
    }

    /// Lets settings and levels stand still, and lets the opposite be heard or not.
    pub(crate) fn hear(&mut self, opposite: bool) {
        self.order.turn = self.order.turn.wrapping_add(1);
        self.put(Stage::Running { opposite });
    }

    /// Ends the trial.
    pub(crate) fn close(&mut self) {
        self.put(Stage::Off);
    }

    fn put(&mut self, stage: Stage) {
        self.order.stage = stage;
        self.orders.write(self.order);
    }

    /// Whether a trial is open, as far as the editor wants it.
    pub(crate) fn is_open(&self) -> bool {
        self.order.stage != Stage::Off
    }

    /// What the audio thread says of this trial; none before it has taken it up. What was heard before
    /// the last choice does not count for it.
    pub(crate) fn word(&mut self) -> Option<Word> {
        let mut word = *self.words.read();
        word.heard &= word.turn == self.order.turn;
        (word.session == self.order.session && self.is_open()).then_some(word)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_an_earlier_trial_are_not_heard() {
        let (mut audio, mut editor) = blind();
        assert_eq!(audio.order(), Order::default());
        editor.open(Opposite::Dry);
        let order = audio.order();
        assert_eq!(order.stage, Stage::Ready(Opposite::Dry));
        assert_eq!(editor.word(), None, "not taken up yet");
        let word = Word { session: order.session, end: Some(End::Offline), ..Word::default() };
        audio.say(word);
        assert_eq!(editor.word(), Some(word));
        editor.close();
        assert_eq!(editor.word(), None);
        editor.open(Opposite::Dry);
        assert_ne!(audio.order().session, order.session);
        assert_eq!(editor.word(), None, "what ended was the one before");
    }

    #[test]
    fn what_was_heard_before_a_choice_does_not_count_for_it() {
        let (mut audio, mut editor) = blind();
        editor.open(Opposite::Dry);
        editor.hear(true);
        let Order { session, turn, .. } = audio.order();
        audio.say(Word { session, turn, heard: true, ..Word::default() });
        assert!(editor.word().expect("of this trial").heard);
        editor.hear(false);
        assert!(!editor.word().expect("of this trial").heard);
        editor.hear(true);
        assert!(!editor.word().expect("of this trial").heard, "chosen again");
    }

    #[test]
    fn the_last_order_counts() {
        let (mut audio, mut editor) = blind();
        editor.open(Opposite::Dry);
        editor.hear(true);
        assert_eq!(audio.order().stage, Stage::Running { opposite: true });
        editor.hear(false);
        assert_eq!(audio.order().stage, Stage::Running { opposite: false });
        editor.close();
        assert_eq!(audio.order().stage, Stage::Off);
    }

    #[test]
    fn orders_and_words_cross_threads_whole() {
        const TRIALS: u32 = 100;
        let (mut audio, mut editor) = blind();
        std::thread::scope(|scope| {
            scope.spawn(move || {
                let mut last = 0;
                while last < TRIALS {
                    let order = audio.order();
                    assert!(order.session >= last, "the newest order counts");
                    last = order.session;
                    let is_even = order.session % 2 == 0;
                    if order.session > 0 {
                        assert_eq!(order.stage, Stage::Running { opposite: is_even });
                    }
                    let measured_s = order.session as f32;
                    audio.say(Word { session: order.session, measured_s, ..Word::default() });
                    std::thread::yield_now();
                }
            });
            for session in 1..=TRIALS {
                editor.order = Order { session, ..editor.order };
                editor.hear(session % 2 == 0);
                if let Some(word) = editor.word() {
                    assert_eq!(word.measured_s, session as f32);
                }
                std::thread::yield_now();
            }
        });
        assert_eq!(editor.word().map(|word| word.measured_s), Some(TRIALS as f32));
    }
}
