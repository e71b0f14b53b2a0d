//! A blind trial as the editor conducts it: what is compared and how often, the trial under way, its
//! result, and the records of earlier ones. What is heard is ordered through
//! [`Blind`](crate::blind::Blind); no parameter is touched.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use jiff::ZonedDateTime;
use tenon_dsp::Control;

use super::hand::Hand;
use crate::blind::{Blind, End, Opposite, Word};
use crate::state::{BusState, Slot};
use crate::trial::plan::{Kind, Plan, Side, USUAL_TRIALS};
use crate::trial::record::{self, Record, RecordError, Tested};

/// Programme to be measured before a trial can start, in seconds.
pub(crate) const LEAST_S: f32 = 3.0;

/// What is compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) enum Compared {
    /// The dry at the same loudness, and the processed.
    #[default]
    DryProcessed,
    /// The two settings.
    Slots,
}

impl Compared {
    /// Both, in the order in which they are offered.
    pub(crate) const ALL: [Self; 2] = [Self::DryProcessed, Self::Slots];

    /// Names of its sides.
    pub(crate) fn names(self) -> [&'static str; 2] {
        match self {
            Self::DryProcessed => ["Dry", "Processed"],
            Self::Slots => ["A", "B"],
        }
    }
}

/// Something to listen to in a trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Source {
    /// The first button.
    One,
    /// The second button.
    Two,
    /// What is to be found out, when hearing a difference.
    X,
}

/// A trial under way.
pub(crate) struct Asking {
    plan: Plan,
    chosen: Vec<Side>,
    playing: Source,
    /// What has been listened to since the last answer, by what the audio thread says.
    heard: [bool; 3],
    /// The side that the setting in force is.
    mine: Side,
    compared: Compared,
}

impl Asking {
    /// What is asked.
    pub(crate) fn kind(&self) -> Kind {
        self.plan.kind()
    }

    /// What is compared.
    pub(crate) fn compared(&self) -> Compared {
        self.compared
    }

    /// Number of the present trial, from 1, and of all.
    pub(crate) fn number(&self) -> (u32, u32) {
        (self.chosen.len() as u32 + 1, self.plan.trials())
    }

    /// What can be listened to.
    pub(crate) fn sources(&self) -> &'static [Source] {
        match self.kind() {
            Kind::Difference => &[Source::One, Source::Two, Source::X],
            Kind::Preference => &[Source::One, Source::Two],
        }
    }

    /// What is listened to now.
    pub(crate) fn playing(&self) -> Source {
        self.playing
    }

    /// Whether this was listened to since the last answer.
    pub(crate) fn has_heard(&self, source: Source) -> bool {
        self.heard[source as usize]
    }

    /// Whether everything was listened to, so that there can be an answer.
    pub(crate) fn can_answer(&self) -> bool {
        self.sources().iter().all(|source| self.has_heard(*source))
    }

    /// The side behind a button. Not for the screen.
    fn side(&self, source: Source) -> Side {
        let hidden = self.plan.hidden().get(self.chosen.len()).copied().unwrap_or(Side::First);
        match (self.kind(), source) {
            (Kind::Difference, Source::One) => Side::First,
            (Kind::Difference, Source::Two) => Side::Second,
            (Kind::Difference, Source::X) | (Kind::Preference, Source::One) => hidden,
            (Kind::Preference, Source::Two | Source::X) => hidden.other(),
        }
    }

    fn listen(&mut self, source: Source, blind: &mut Blind) {
        self.playing = source;
        blind.hear(self.side(source) != self.mine);
    }
}

/// What came of a trial.
pub(crate) struct Outcome {
    /// What was asked and answered.
    pub(crate) record: Record,
    /// Where it is kept, or why it is not; it then waits among the [`Unkept`].
    pub(crate) kept: Result<PathBuf, String>,
    /// Why it was stopped, when the listener did not stop it.
    pub(crate) end: Option<End>,
}

/// Records that could not be written. They outlive the window, and are tried again.
pub(crate) type Unkept = Arc<Mutex<Vec<Record>>>;

/// What is on the sheet.
pub(crate) enum Page {
    /// Everything else: there is no trial.
    Closed,
    /// What is to be compared, and earlier trials.
    SetUp,
    /// A trial.
    Asking(Asking),
    /// Its result.
    Outcome(Box<Outcome>),
}

/// Conducts trials while a window is open.
pub(crate) struct Conductor {
    pub(crate) page: Page,
    pub(crate) compared: Compared,
    pub(crate) kind: Kind,
    pub(crate) trials: u32,
    /// Records of earlier trials, the last one first.
    pub(crate) records: Vec<Record>,
    /// Files that are no records, each with the reason.
    pub(crate) damaged: Vec<String>,
    /// Why records could not be written, when they were last tried again.
    pub(crate) unkept_why: Option<String>,
    unkept: Unkept,
    /// What became of a trial that has no page for it, until it is told.
    notice: Option<String>,
    /// What the audio thread said last.
    word: Option<Word>,
    /// The rest of the sheet is to be seen again since it was last asked for.
    returned: bool,
    folder: Option<PathBuf>,
}

impl Conductor {
    /// One who keeps records in a folder, without which they stay among the unkept.
    pub(crate) fn new(folder: Option<PathBuf>, unkept: Unkept) -> Self {
        Self {
            page: Page::Closed,
            compared: Compared::default(),
            kind: Kind::ALL[0],
            trials: USUAL_TRIALS,
            records: Vec::new(),
            damaged: Vec::new(),
            unkept_why: None,
            unkept,
            notice: None,
            word: None,
            returned: false,
            folder,
        }
    }

    /// The state for pictures: a trial of which some are answered. Which ones are right does not show.
    pub(crate) fn picture() -> Self {
        let mut conductor = Self::new(None, Unkept::default());
        if let Ok(plan) = Plan::new(Kind::Difference, USUAL_TRIALS) {
            conductor.page = Page::Asking(Asking {
                plan,
                chosen: vec![Side::First; 5],
                playing: Source::Two,
                heard: [true, true, false],
                mine: Side::Second,
                compared: Compared::DryProcessed,
            });
        }
        conductor
    }

    /// Whether the rest of the sheet is to be seen.
    pub(crate) fn is_closed(&self) -> bool {
        matches!(self.page, Page::Closed)
    }

    /// What the audio thread says of the trial; none while no audio runs.
    pub(crate) fn word(&self) -> Option<&Word> {
        self.word.as_ref()
    }

    /// Loudness of the first and the second side, in LUFS, as they will be heard, and how much
    /// programme was measured, in seconds.
    pub(crate) fn measured(&self, state: &BusState) -> Option<([f32; 2], f32)> {
        let word = self.word.filter(|word| word.end.is_none())?;
        let [mine, opposite] = word.loudness_lufs?;
        let lufs = match mine_of(self.compared, state) {
            Side::First => [mine, opposite],
            Side::Second => [opposite, mine],
        };
        Some((lufs, word.measured_s))
    }

    /// Lays out what can be compared. Both sides run from now on.
    pub(crate) fn open(&mut self, state: &BusState, blind: &mut Blind) {
        self.page = Page::SetUp;
        self.keep_again();
        self.compare(self.compared, state, blind);
    }

    /// Chooses what is compared.
    pub(crate) fn compare(&mut self, compared: Compared, state: &BusState, blind: &mut Blind) {
        self.compared = compared;
        self.word = None;
        blind.open(match compared {
            Compared::DryProcessed => Opposite::Dry,
            Compared::Slots => {
                let slots = state.slots.lock();
                Opposite::Setting { settings: slots.other, loudness_match: slots.other_match }
            }
        });
    }

    /// Back to the rest of the sheet.
    pub(crate) fn close(&mut self, blind: &mut Blind) {
        blind.close();
        (self.page, self.returned) = (Page::Closed, true);
    }

    /// Whether the sheet has just come back, so that the keyboard can go on where it left.
    pub(crate) fn take_return(&mut self) -> bool {
        std::mem::take(&mut self.returned)
    }

    /// Follows what the audio thread does.
    pub(crate) fn follow(&mut self, hand: &Hand<'_>, state: &BusState, blind: &mut Blind) {
        let Some(word) = blind.word() else { return };
        match (&self.page, word.end) {
            // What was measured before the end is what counts.
            (Page::Asking(_), Some(_)) => self.stop(word.end, blind),
            (Page::SetUp, Some(End::Restarted | End::Restored)) => {
                self.compare(self.compared, state, blind);
            }
            (Page::SetUp, Some(End::Bypassed)) if !hand.is_on(Control::Bypass) => {
                self.compare(self.compared, state, blind);
            }
            _ => self.word = Some(word),
        }
        if let Page::Asking(asking) = &mut self.page {
            asking.heard[asking.playing as usize] |= word.heard;
        }
    }

    /// Whether enough was measured to start.
    pub(crate) fn can_start(&self) -> bool {
        self.word.is_some_and(|word| {
            word.end.is_none() && word.loudness_lufs.is_some() && word.measured_s >= LEAST_S
        })
    }

    /// Draws an order and begins.
    ///
    /// # Errors
    /// Says why no order could be drawn.
    pub(crate) fn start(&mut self, state: &BusState, blind: &mut Blind) -> Result<(), String> {
        let plan = Plan::new(self.kind, self.trials).map_err(|error| error.to_string())?;
        let mut asking = Asking {
            plan,
            chosen: Vec::new(),
            playing: Source::One,
            heard: [false; 3],
            mine: mine_of(self.compared, state),
            compared: self.compared,
        };
        asking.listen(Source::One, blind);
        self.page = Page::Asking(asking);
        Ok(())
    }

    /// Listens to something else.
    pub(crate) fn listen(&mut self, source: Source, blind: &mut Blind) {
        if let Page::Asking(asking) = &mut self.page
            && asking.sources().contains(&source)
        {
            asking.listen(source, blind);
        }
    }

    /// Answers with a button: what X is taken for, or what is liked better.
    pub(crate) fn answer(&mut self, button: Source, blind: &mut Blind) {
        let Page::Asking(asking) = &mut self.page else { return };
        if !asking.can_answer() || button == Source::X {
            return;
        }
        asking.chosen.push(asking.side(button));
        if asking.chosen.len() as u32 == asking.plan.trials() {
            self.stop(None, blind);
        } else {
            asking.heard = [false; 3];
            asking.listen(Source::One, blind);
        }
    }

    /// Ends the trial and keeps what was answered; without an answer there is nothing to keep.
    pub(crate) fn stop(&mut self, end: Option<End>, blind: &mut Blind) {
        let word = self.word.take();
        blind.close();
        match std::mem::replace(&mut self.page, Page::SetUp) {
            Page::Asking(asking) if !asking.chosen.is_empty() => {
                let record = record_of(&asking, word.as_ref());
                let kept = self.keep(&record).map_err(|why| why.to_string());
                if kept.is_err() {
                    self.unkept().push(record.clone());
                }
                self.page = Page::Outcome(Box::new(Outcome { record, kept, end }));
            }
            Page::Asking(_) => {
                let why = end.map(|end| format!(" because {end}")).unwrap_or_default();
                self.notice = Some(format!(
                    "The trial was stopped before its first answer{why}; nothing was recorded."
                ));
                self.close(blind);
            }
            page => self.page = page,
        }
    }

    /// What became of a trial that has no page for it; told once.
    pub(crate) fn take_notice(&mut self) -> Option<String> {
        self.notice.take()
    }

    fn keep(&self, record: &Record) -> Result<PathBuf, RecordError> {
        record::keep(record, self.folder.as_deref().ok_or(RecordError::NoFolder)?)
    }

    fn unkept(&self) -> MutexGuard<'_, Vec<Record>> {
        self.unkept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Records that wait to be kept, the first one first.
    pub(crate) fn waiting(&self) -> Vec<Record> {
        self.unkept().clone()
    }

    /// Tries again to keep what could not be written, and reads the records.
    pub(crate) fn keep_again(&mut self) {
        let (mut waiting, mut last) = (std::mem::take(&mut *self.unkept()), Ok(None));
        while let (Some(record), Ok(_)) = (waiting.first(), &last) {
            last = self.keep(record).map(Some).map_err(|why| why.to_string());
            if last.is_ok() {
                waiting.remove(0);
            }
        }
        self.unkept_why = last.as_ref().err().cloned();
        // What is on the page was the last one to come.
        if let Page::Outcome(outcome) = &mut self.page
            && outcome.kept.is_err()
            && let Some(last) = last.transpose()
        {
            outcome.kept = last;
        }
        self.unkept().splice(..0, waiting);
        self.read();
    }

    /// Reads the records.
    fn read(&mut self) {
        (self.records, self.damaged) =
            self.folder.as_deref().map(record::read_all).unwrap_or_default();
        self.records.reverse();
    }

    /// Writes all records, those that wait too, to one CSV file in their folder. Gives the file.
    ///
    /// # Errors
    /// When there is no folder, or the file cannot be written.
    pub(crate) fn export(&self) -> Result<PathBuf, RecordError> {
        let file = self.folder.as_deref().ok_or(RecordError::NoFolder)?.join("trials.csv");
        let mut records = [self.records.as_slice(), &self.waiting()].concat();
        records.sort_by_cached_key(Record::ended);
        if records.is_empty() {
            return Err(RecordError::Empty);
        }
        record::export(&records, &file)?;
        Ok(file)
    }

    /// The folder of the records, made if it is missing.
    ///
    /// # Errors
    /// When there is none, or it cannot be made.
    pub(crate) fn folder(&self) -> Result<PathBuf, RecordError> {
        let folder = self.folder.clone().ok_or(RecordError::NoFolder)?;
        let made = std::fs::create_dir_all(&folder);
        made.map_err(|error| RecordError::Read(folder.clone(), error))?;
        Ok(folder)
    }
}

/// The side that the setting in force is.
fn mine_of(compared: Compared, state: &BusState) -> Side {
    match compared {
        Compared::DryProcessed => Side::Second,
        Compared::Slots => match state.slots.lock().heard {
            Slot::A => Side::First,
            Slot::B => Side::Second,
        },
    }
}

fn record_of(asking: &Asking, word: Option<&Word>) -> Record {
    let names = asking.compared.names();
    let tested = |side: Side| {
        let mine = side == asking.mine;
        let settings = word.map(|word| &word.settings[usize::from(!mine)]);
        match (asking.compared, mine, settings) {
            (Compared::DryProcessed, false, _) | (.., None) => Tested::named(names[side.index()]),
            (.., Some(settings)) => Tested::with_settings(names[side.index()], settings),
        }
    };
    let running = word.filter(|word| word.running);
    let louder = running.and_then(|word| word.loudness_lufs).map(|[mine, opposite]| {
        let opposite_louder = f64::from(opposite) - f64::from(mine);
        if asking.mine == Side::First { opposite_louder } else { -opposite_louder }
    });
    let sides = [tested(Side::First), tested(Side::Second)];
    Record::new(&asking.plan, &asking.chosen, sides, louder, &ZonedDateTime::now())
}
