//! The audio thread's part of a blind trial: a second engine for what the setting in force is compared
//! with, and the switch between the two. The second engine runs only while a trial is open, at the
//! quality and lookahead in use, so that both lag alike. Knows nothing of the editor.

use tenon_dsp::{Channels, Control, MatchMemory, Processor, RateError, Settings, Sides};

use crate::blind::{BlindIn, End, Opposite, Stage, Word};

/// Samples processed at once, at most.
pub(crate) const CHUNK: usize = 512;

/// Hops for which a fresh engine, or one at fresh settings, is not measured: a second. Until its gain
/// has come down, it is far too loud.
const SETTLING_HOPS: u32 = 50;

/// Hops with sound that have to pass before a side counts as listened to: a quarter of a second. A
/// switch and back by mistake is less, the shortest look at a passage is more.
const HEARD_HOPS: u32 = 13;
/// A sample beyond this is sound: -70 dB, as in the gate of BS.1770.
const SOUND: f32 = 3.16e-4;

/// How far a trial has come on this side.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Now {
    /// There is none, or it fades out.
    Off,
    Ready,
    Running,
}

/// The second engine, and what has become of the editor's orders.
pub(crate) struct Pair {
    orders: BlindIn,
    other: Processor,
    other_settings: Settings,
    /// The settings in force, as they were measured last.
    mine: Settings,
    sides: Sides,
    /// Hops until what is measured counts.
    settling: u32,
    now: Now,
    session: u32,
    /// What was ended here, and why.
    ended: Option<(u32, End)>,
    /// No trial may run.
    offline: bool,
    /// Settings whose quality and lookahead are in use.
    in_use: Settings,
    /// The choice of what is heard that was followed last, and how many more hops with sound it takes
    /// until it counts as listened to.
    turn: u32,
    unheard: u32,
    /// Whether there was sound in this hop, on each side.
    sounded: [bool; 2],
    /// The second engine's samples.
    samples: [[f32; CHUNK]; 2],
    /// Something has changed since the editor was told.
    news: bool,
}

impl Pair {
    /// A pair that follows orders from here.
    pub(crate) fn new(orders: BlindIn) -> Self {
        Self {
            orders,
            other: Processor::new(),
            other_settings: Settings::default(),
            mine: Settings::default(),
            sides: Sides::new(),
            settling: 0,
            now: Now::Off,
            session: 0,
            ended: None,
            offline: false,
            in_use: Settings::default(),
            turn: 0,
            unheard: 0,
            sounded: [false; 2],
            samples: [[0.0; CHUNK]; 2],
            news: false,
        }
    }

    /// Prepares for a sample rate and channels, at the quality and lookahead of `mine`. Whatever was
    /// going on is over: a host that starts audio anew may be about to render.
    ///
    /// # Errors
    /// When the engine cannot run at the rate.
    pub(crate) fn activate(
        &mut self,
        rate_hz: f64,
        channels: Channels,
        mine: &Settings,
        offline: bool,
    ) -> Result<(), RateError> {
        self.offline = offline;
        self.in_use = *mine;
        // So that the engine has the latency of the other from here on.
        self.other.set(&self.in_time(&self.other_settings));
        self.other.prepare(rate_hz, channels)?;
        self.sides.prepare(rate_hz, channels);
        let session = self.orders.order().session;
        self.session = session;
        self.end(if offline { End::Offline } else { End::Restarted });
        Ok(())
    }

    /// Follows the host's tempo, in quarter notes a minute.
    pub(crate) fn set_tempo(&mut self, tempo_bpm: Option<f64>) {
        self.other.set_tempo(tempo_bpm);
    }

    /// While the host renders offline, there is no trial. True when that has changed.
    pub(crate) fn set_offline(&mut self, offline: bool) -> bool {
        if self.offline && !offline {
            // The reason no longer holds.
            self.end(End::Restarted);
        }
        std::mem::replace(&mut self.offline, offline) != offline
    }

    /// Ends the trial, whether it has begun here or not.
    pub(crate) fn end(&mut self, why: End) {
        self.ended = Some((self.session, why));
        self.now = Now::Off;
        self.sides.hear_second(false);
        if why == End::Offline {
            // Not even a fade is for the file.
            self.sides.reset();
        }
        self.news = true;
    }

    /// Forgets all signal; a trial goes on, at its levels.
    pub(crate) fn reset(&mut self) {
        self.other.reset();
        self.sides.reset();
    }

    /// Whether settings and levels stand still.
    pub(crate) fn is_running(&self) -> bool {
        self.now == Now::Running
    }

    /// Whether a trial is open: the processed signal is to be heard then.
    pub(crate) fn is_open(&self) -> bool {
        self.now != Now::Off
    }

    /// Whether the second engine runs, be it for a fade.
    pub(crate) fn is_on(&self) -> bool {
        self.is_open() || !self.sides.is_first_alone()
    }

    /// Takes up orders. `mine` are the settings in force, `main` is their engine; with a bypass on,
    /// there is nothing to compare.
    pub(crate) fn follow(&mut self, main: &mut Processor, mine: &Settings, bypassed: bool) {
        let order = self.orders.order();
        if order.session != self.session {
            self.session = order.session;
            self.now = Now::Off;
        }
        let is_over = |pair: &Self| pair.ended.is_some_and(|(ended, _)| ended == order.session);
        if order.stage != Stage::Off && !is_over(self) {
            match (self.offline, bypassed) {
                (true, _) => self.end(End::Offline),
                (false, true) => self.end(End::Bypassed),
                (false, false) => (),
            }
        }
        if is_over(self) || order.stage == Stage::Off {
            self.leave(main);
        } else {
            match (order.stage, self.now) {
                (Stage::Ready(opposite), _) => self.be_ready(main, mine, opposite),
                (Stage::Running { opposite }, Now::Ready) => {
                    self.start();
                    self.hear(opposite, order.turn);
                }
                (Stage::Running { opposite }, Now::Running) => self.hear(opposite, order.turn),
                // What it is to be compared with is not known; the editor never asks for this.
                (Stage::Running { .. } | Stage::Off, _) => (),
            }
        }
    }

    /// Lets the opposite be heard or not.
    fn hear(&mut self, opposite: bool, turn: u32) {
        self.sides.hear_second(opposite);
        if turn != self.turn {
            (self.turn, self.unheard, self.sounded) = (turn, HEARD_HOPS, [false; 2]);
        }
    }

    fn leave(&mut self, main: &mut Processor) {
        main.keep_levels(false);
        self.sides.hear_second(false);
        self.now = Now::Off;
    }

    fn be_ready(&mut self, main: &mut Processor, mine: &Settings, opposite: Opposite) {
        // From here on, so that what is measured holds for the trial.
        main.keep_levels(true);
        let (settings, loudness_match) = self.of(main, mine, opposite);
        let moved = processed(mine) != self.mine;
        self.mine = processed(mine);
        if self.now == Now::Off {
            self.sides.set_level(0.0);
            self.put(settings, loudness_match);
            self.other.keep_levels(true);
            self.other.reset();
            // The setting in force, whatever was heard when a trial before ended unseen.
            self.sides.hear_second(false);
            self.sides.reset();
            self.settling = SETTLING_HOPS;
            self.news = true;
        } else if settings != self.other_settings {
            self.put(settings, loudness_match);
            self.settling = SETTLING_HOPS;
        } else if moved {
            self.settling = SETTLING_HOPS;
        }
        self.now = Now::Ready;
    }

    /// Settings and match of the opposite.
    fn of(&self, main: &Processor, mine: &Settings, opposite: Opposite) -> (Settings, MatchMemory) {
        let (settings, loudness_match, compare) = match opposite {
            Opposite::Dry => (*mine, main.match_memory(), 1.0),
            Opposite::Setting { settings, loudness_match } => (settings, loudness_match, 0.0),
        };
        let settings =
            processed(&settings).with(Control::Compare, compare).with(Control::MatchHold, 0.0);
        (self.in_time(&settings), loudness_match)
    }

    /// The same settings with the latency in use.
    fn in_time(&self, settings: &Settings) -> Settings {
        [Control::Quality, Control::Lookahead]
            .into_iter()
            .fold(*settings, |settings, control| settings.with(control, self.in_use[control]))
    }

    fn put(&mut self, settings: Settings, loudness_match: MatchMemory) {
        self.other_settings = settings;
        self.other.set(&settings);
        self.other.restore_match(loudness_match);
    }

    /// Lets everything stand still. What match and compare leave between the sides on the programme
    /// just heard is taken off the opposite.
    fn start(&mut self) {
        if let Some([first, second]) = self.sides.loudness_lufs() {
            self.sides.set_level(first - second);
        }
        self.sides.measure_anew();
        self.settling = 0;
        self.now = Now::Running;
        self.news = true;
    }

    /// The samples the second engine is to process; left and right of the input.
    pub(crate) fn take(&mut self, left: &[f32], right: &[f32]) {
        for (samples, input) in self.samples.iter_mut().zip([left, right]) {
            samples[..input.len()].copy_from_slice(input);
        }
    }

    /// Leaves in `left` and `right`, the first engine's output, what is heard. The second engine
    /// processes what it was given.
    pub(crate) fn play(
        &mut self,
        left: &mut [f32],
        right: &mut [f32],
        key: Option<(&[f32], &[f32])>,
    ) {
        let [other_left, other_right] = &mut self.samples;
        let (other_left, other_right) =
            (&mut other_left[..left.len()], &mut other_right[..right.len()]);
        self.other.process(other_left, other_right, key);
        if self.now == Now::Running && self.unheard > 0 {
            let sides = [[&*left, &*right], [&*other_left, &*other_right]];
            for (sounded, side) in self.sounded.iter_mut().zip(&sides) {
                *sounded |= is_sound(side);
            }
        }
        self.sides.process([left, right], [other_left, other_right]);
    }

    /// Settings of the second engine, while it runs.
    pub(crate) fn other_settings(&self) -> Option<&Settings> {
        self.is_on().then_some(&self.other_settings)
    }

    /// Tells the editor how it stands: when that has changed, and at the end of every hop while both
    /// are measured. True when there is something new to show.
    pub(crate) fn tell(&mut self, mine: &Settings, hop: bool) -> bool {
        if hop && self.settling > 0 {
            self.settling -= 1;
            self.sides.measure_anew();
        }
        // Of both, so that nothing depends on which one is heard.
        if hop && std::mem::take(&mut self.sounded) == [true; 2] {
            self.unheard -= 1;
            self.news |= self.unheard == 0;
        }
        let news = std::mem::take(&mut self.news);
        if news || hop && self.is_open() {
            let end = self.ended.filter(|(session, _)| *session == self.session);
            self.orders.say(Word {
                session: self.session,
                end: end.map(|(_, why)| why),
                running: self.is_running(),
                settings: [self.in_time(mine), self.other_settings],
                loudness_lufs: self.sides.loudness_lufs(),
                measured_s: self.sides.measured_s(),
                turn: self.turn,
                heard: self.is_running() && self.unheard == 0,
            });
        }
        // While a trial runs, nothing that is measured is shown.
        news || hop && self.now == Now::Ready
    }
}

/// Whether left and right are more than silence.
fn is_sound(channels: &[&[f32]; 2]) -> bool {
    channels.iter().any(|samples| samples.iter().any(|sample| sample.abs() > SOUND))
}

/// The same settings with the processed signal heard.
pub(crate) fn processed(settings: &Settings) -> Settings {
    settings.with(Control::Compare, 0.0).with(Control::Listen, 0.0).with(Control::Bypass, 0.0)
}
