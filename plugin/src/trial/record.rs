//! What is kept of a trial: a readable file with everything that was asked, answered and concluded.
//!
//! A file is written whole or not at all, under the date and the kind of the trial, into the user's
//! own folder or one that is named. Nothing is ever sent anywhere.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs::{self, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use jiff::fmt::temporal::DateTimePrinter;
use jiff::{Timestamp, ZonedDateTime};
use serde::{Deserialize, Serialize};
use tenon_dsp::{Control, Settings};

use super::chance;
use super::plan::{Kind, Plan, Side};
use crate::files::{FileError, Pending, Problem};
use crate::library::configuration;
use crate::presets::sets;
use crate::text::{fixed, to_text};

/// Marks a file as a trial of ours.
const FORMAT: &str = "tenon trial";
/// Version of the files. Rises when a file stops being readable by the code before it.
const VERSION: u32 = 1;
const EXTENSION: &str = "json";
/// A trial is a page of text; what is larger is something else.
const FILE_BYTES: u64 = 64 * 1024;

/// One of the two that were compared.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tested {
    /// What it was called, say "dry", "A", or the name of a file.
    pub name: String,
    /// Values of all controls that make the sound, as text by id. Empty where there were none.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub settings: BTreeMap<String, String>,
}

impl Tested {
    /// A side that was made with these settings.
    pub fn with_settings(name: &str, settings: &Settings) -> Self {
        let value =
            |control: Control| (control.spec().id.to_owned(), to_text(control, settings[control]));
        let sounding = |control: &Control| sets(*control) || *control == Control::Quality;
        Self {
            name: name.to_owned(),
            settings: Control::ALL.into_iter().filter(sounding).map(value).collect(),
        }
    }

    /// A side of which only the name is known.
    pub fn named(name: &str) -> Self {
        Self { name: name.to_owned(), settings: BTreeMap::new() }
    }
}

/// One trial that was answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Answer {
    /// The side that was hidden: what X was, or what was on button 1.
    pub hidden: Side,
    /// The side that the listener took X for, or liked better.
    pub chosen: Side,
}

/// What is kept of a trial.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Record {
    format: String,
    version: u32,
    program: String,
    date: String,
    kind: Kind,
    planned: u32,
    answered: u32,
    stopped_early: bool,
    first: Tested,
    second: Tested,
    loudness_difference_lu: Option<f64>,
    answers: Vec<Answer>,
    count: u32,
    p: f64,
    words: String,
}

impl Record {
    /// A record of a trial that was finished or stopped at `date`. Fewer answers than trials mean that
    /// it was stopped early.
    ///
    /// `chosen` are the sides that the listener took X for, or liked better, in order.
    /// `loudness_difference_lu` is how much louder the second side still was than the first, in LU by
    /// ITU-R BS.1770, where that is known.
    ///
    /// # Panics
    /// When there are more answers than trials.
    pub fn new(
        plan: &Plan,
        chosen: &[Side],
        sides: [Tested; 2],
        loudness_difference_lu: Option<f64>,
        date: &ZonedDateTime,
    ) -> Self {
        assert!(chosen.len() <= plan.hidden().len(), "no more answers than trials");
        let answer = |(&hidden, &chosen)| Answer { hidden, chosen };
        let answers: Vec<Answer> = plan.hidden().iter().zip(chosen).map(answer).collect();
        let planned = plan.trials();
        let answered = answers.len() as u32;
        let (count, p) = counted(plan.kind(), &answers);
        let [first, second] = sides;
        let words = verdict(plan.kind(), planned, answered, count, &second.name);
        Self {
            format: FORMAT.to_owned(),
            version: VERSION,
            program: concat!("tenon ", env!("CARGO_PKG_VERSION")).to_owned(),
            date: written_date(date),
            kind: plan.kind(),
            planned,
            answered,
            stopped_early: answered < planned,
            first,
            second,
            loudness_difference_lu: loudness_difference_lu.filter(|lu| lu.is_finite()),
            answers,
            count,
            p,
            words,
        }
    }

    /// When it ended, in local time with its offset: "2026-03-01T14:05:09+01:00".
    pub fn date(&self) -> &str {
        &self.date
    }

    /// What was asked.
    pub fn kind(&self) -> Kind {
        self.kind
    }

    /// How many trials were fixed beforehand.
    pub fn planned(&self) -> u32 {
        self.planned
    }

    /// How many were answered.
    pub fn answered(&self) -> u32 {
        self.answered
    }

    /// Whether fewer were answered than planned.
    pub fn stopped_early(&self) -> bool {
        self.stopped_early
    }

    /// The two that were compared.
    pub fn sides(&self) -> [&Tested; 2] {
        [&self.first, &self.second]
    }

    /// How much louder the second side was than the first, in LU, where that is known.
    pub fn loudness_difference_lu(&self) -> Option<f64> {
        self.loudness_difference_lu
    }

    /// What was answered, in order.
    pub fn answers(&self) -> &[Answer] {
        &self.answers
    }

    /// How many answers were right, or for how many the second side was liked better.
    pub fn count(&self) -> u32 {
        self.count
    }

    /// How probable such a count or a more telling one is by chance alone, 0 to 1: one-sided for
    /// hearing a difference, two-sided for a preference.
    pub fn p(&self) -> f64 {
        self.p
    }

    /// The result in words.
    pub fn words(&self) -> &str {
        &self.words
    }

    /// The record as it is written, readable JSON.
    pub fn to_text(&self) -> String {
        // Cannot fail: every key is a text.
        let mut text = serde_json::to_string_pretty(self).unwrap_or_default();
        text.push('\n');
        text
    }

    /// Reads a record. Its words are made anew: they follow from the answers, whatever the text says.
    ///
    /// # Errors
    /// [`RecordError`] when the text is no record of ours, a later version wrote it, its date is none, or
    /// what it counts does not follow from its answers.
    pub fn from_text(text: &str) -> Result<Self, RecordError> {
        #[derive(Deserialize)]
        struct Head {
            format: String,
            version: u32,
        }
        let broken = |error: serde_json::Error| RecordError::NotARecord(error.to_string());
        let head: Head = serde_json::from_str(text).map_err(broken)?;
        if head.format != FORMAT {
            return Err(RecordError::NotARecord(format!("its format is {:?}", head.format)));
        }
        if head.version > VERSION {
            return Err(RecordError::Newer(head.version));
        }
        let mut record: Self = serde_json::from_str(text).map_err(broken)?;
        if record.date.parse::<Timestamp>().is_err() {
            return Err(RecordError::NotARecord(format!("its date is {:?}", record.date)));
        }
        let answered = record.answers.len() as u32;
        if answered > record.planned || record.planned > chance::MOST {
            return Err(RecordError::Altered);
        }
        let (count, p) = counted(record.kind, &record.answers);
        let same = record.answered == answered
            && record.stopped_early == (answered < record.planned)
            && record.count == count
            && (record.p - p).abs() < 1e-12;
        if !same {
            return Err(RecordError::Altered);
        }
        record.words = verdict(record.kind, record.planned, answered, count, &record.second.name);
        Ok(record)
    }

    /// When it ended, whatever the time was called there. A date was read or made here.
    pub(crate) fn ended(&self) -> Timestamp {
        self.date.parse().unwrap_or_default()
    }
}

/// The result of a trial in words: `count` answers of `answered` were right, or preferred the second
/// side, which goes by `second`.
///
/// # Panics
/// When there are more counted than answered, or more answered than planned.
pub fn verdict(kind: Kind, planned: u32, answered: u32, count: u32, second: &str) -> String {
    assert!(answered <= planned, "no more answers than trials");
    let result = match kind {
        Kind::Difference => format!("Right: {}.", chance::difference_words(count, answered)),
        Kind::Preference => {
            format!("{second} preferred: {}.", chance::preference_words(count, answered))
        }
    };
    match answered {
        0 => format!("Stopped before the first of {planned} answers."),
        _ if answered < planned => format!(
            "{result} Stopped after {answered} of {planned}; who stops when the count pleases makes it look better than it is."
        ),
        _ => result,
    }
}

/// How many answers count, and how probable that is by chance.
fn counted(kind: Kind, answers: &[Answer]) -> (u32, f64) {
    let answered = answers.len() as u32;
    let count = |counts: &dyn Fn(&Answer) -> bool| {
        answers.iter().filter(|answer| counts(answer)).count() as u32
    };
    match kind {
        Kind::Difference => {
            let right = count(&|answer| answer.chosen == answer.hidden);
            (right, chance::at_least(right, answered))
        }
        Kind::Preference => {
            let second = count(&|answer| answer.chosen == Side::Second);
            (second, chance::two_sided(second, answered))
        }
    }
}

/// Local time to the second, with its offset.
fn written_date(date: &ZonedDateTime) -> String {
    let printer = DateTimePrinter::new().precision(Some(0));
    printer.timestamp_with_offset_to_string(&date.timestamp(), date.offset())
}

/// Why a record could not be read or kept.
#[derive(Debug)]
pub enum RecordError {
    /// The platform names no folder for configuration.
    NoFolder,
    /// Not a record of ours, or a damaged one.
    NotARecord(String),
    /// A later version wrote it.
    Newer(u32),
    /// Its result does not follow from its answers.
    Altered,
    /// It cannot be read, or its folder.
    Read(PathBuf, io::Error),
    /// It cannot be written.
    Write(FileError),
    /// A CSV file could not be made.
    Csv(String),
    /// There is nothing to write.
    Empty,
}

impl std::fmt::Display for RecordError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NoFolder => write!(
                f,
                "this system names no folder for configuration; set HOME (on Windows APPDATA)"
            ),
            Self::NotARecord(why) => write!(
                f,
                "this is no record of a trial: {why}; move it elsewhere, or put a copy from before in its place"
            ),
            Self::Newer(version) => write!(
                f,
                "the record is of version {version}, this program reads up to {VERSION}; install the newer one"
            ),
            Self::Altered => write!(
                f,
                "its counts or its p do not follow from its answers, so it was altered or damaged; move it elsewhere, or put a copy from before in its place"
            ),
            Self::Read(path, error) => {
                write!(f, "{} cannot be read or made ({error}); check its rights", path.display())
            }
            Self::Write(error) => error.fmt(f),
            Self::Csv(why) => {
                write!(f, "no CSV file can be made ({why}); the records are unharmed, use those")
            }
            Self::Empty => write!(f, "there is no record to export; answer a trial first"),
        }
    }
}

impl std::error::Error for RecordError {}

impl From<FileError> for RecordError {
    fn from(error: FileError) -> Self {
        Self::Write(error)
    }
}

/// The folder where the user's trials are kept, which may not exist yet.
///
/// # Errors
/// When the platform names no place for one.
pub fn users_folder() -> Result<PathBuf, RecordError> {
    configuration().map(|folder| folder.join("Tenon/trials")).ok_or(RecordError::NoFolder)
}

/// Keeps a record in a folder, which is made if it is missing, as a file of its own; gives the file. No
/// other record is ever written over, whoever keeps one at the same time.
///
/// # Errors
/// When the file cannot be written; nothing is left behind then.
pub fn keep(record: &Record, folder: &Path) -> Result<PathBuf, RecordError> {
    fs::create_dir_all(folder).map_err(|error| RecordError::Read(folder.to_owned(), error))?;
    // Colons are no part of a file name on every system; the offset is inside.
    let date: String =
        record.date.chars().take(19).map(|c| if c == ':' { '-' } else { c }).collect();
    let numbered = |number: usize| {
        let end = if number == 1 { String::new() } else { format!(" {number}") };
        folder.join(format!("{date} {}{end}.{EXTENSION}", record.kind.name()))
    };
    let mut number = 1;
    let file = loop {
        let file = numbered(number);
        // Who has made the empty file has the name.
        match OpenOptions::new().write(true).create_new(true).open(&file) {
            Ok(_) => break file,
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => number += 1,
            Err(error) => {
                return Err(FileError { path: file, problem: Problem::Write(error) }.into());
            }
        }
    };
    let saved = save(record, &file);
    if saved.is_err() {
        // Fails only where the file is gone already.
        let _ = fs::remove_file(&file);
    }
    saved.map(|()| file)
}

/// The records in a folder, the first one first, and files that are none and were skipped, each with the
/// reason. A folder that is missing holds none.
pub fn read_all(folder: &Path) -> (Vec<Record>, Vec<String>) {
    let (mut records, mut damaged) = (Vec::new(), Vec::new());
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return (records, damaged),
        Err(error) => {
            return (records, vec![RecordError::Read(folder.to_owned(), error).to_string()]);
        }
    };
    let mut files: Vec<PathBuf> = entries.flatten().map(|entry| entry.path()).collect();
    files.sort();
    for file in files {
        if file.extension() != Some(OsStr::new(EXTENSION)) {
            continue;
        }
        if is_about_to_be(&file) {
            continue;
        }
        match read(&file) {
            Ok(record) => records.push(record),
            Err(error) => {
                let name = file.file_name().unwrap_or(file.as_os_str()).to_string_lossy();
                damaged.push(format!("{name}: {error}"));
            }
        }
    }
    records.sort_by_cached_key(Record::ended);
    (records, damaged)
}

/// Whether another instance has just taken this name to write under: it makes an empty file of it.
fn is_about_to_be(file: &Path) -> bool {
    const SOON: Duration = Duration::from_secs(60);
    // The clock of a shared folder may be a little ahead.
    let apart = |time: SystemTime| time.elapsed().unwrap_or_else(|ahead| ahead.duration());
    fs::metadata(file)
        .is_ok_and(|file| file.len() == 0 && file.modified().is_ok_and(|time| apart(time) < SOON))
}

/// Reads one record.
///
/// # Errors
/// [`RecordError`] when it cannot be read or is none.
pub fn read(file: &Path) -> Result<Record, RecordError> {
    let failed = |error| RecordError::Read(file.to_owned(), error);
    if fs::metadata(file).map_err(failed)?.len() > FILE_BYTES {
        return Err(RecordError::NotARecord("it is far too large".to_owned()));
    }
    let bytes = fs::read(file).map_err(failed)?;
    let text = String::from_utf8(bytes)
        .map_err(|_| RecordError::NotARecord("it is no text".to_owned()))?;
    Record::from_text(&text)
}

/// Writes one record into a file, over an older one.
///
/// # Errors
/// When the file cannot be written; an older one is then still there.
pub fn save(record: &Record, file: &Path) -> Result<(), RecordError> {
    write(file, &record.to_text())
}

/// Writes records into a CSV file (RFC 4180), a row for every answer, over an older one.
///
/// # Errors
/// When the file cannot be written; an older one is then still there.
pub fn export(records: &[Record], file: &Path) -> Result<(), RecordError> {
    write(file, &to_csv(records)?)
}

fn write(file: &Path, text: &str) -> Result<(), RecordError> {
    let pending = Pending::create(file)?;
    pending.fill(text.as_bytes())?;
    Ok(pending.commit()?)
}

/// Names of the columns, with units.
const COLUMNS: [&str; 19] = [
    "date",
    "program",
    "kind",
    "planned",
    "answered",
    "stopped_early",
    "first",
    "second",
    "loudness_difference_lu",
    "count",
    "p",
    "words",
    "trial",
    "hidden",
    "chosen",
    "correct",
    "second_preferred",
    "first_settings",
    "second_settings",
];

fn to_csv(records: &[Record]) -> Result<String, RecordError> {
    let failed = |error: csv::Error| RecordError::Csv(error.to_string());
    let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(vec![]);
    csv.write_record(COLUMNS).map_err(failed)?;
    for record in records {
        let settings = |side: &Tested| {
            let all = side.settings.iter().map(|(id, value)| format!("{id}={value}"));
            all.collect::<Vec<_>>().join("; ")
        };
        let side = |side: Side| record.sides()[side.index()].name.clone();
        let row = |trial: String, answer: Option<&Answer>| {
            let of = |text: &dyn Fn(&Answer) -> String| answer.map(text).unwrap_or_default();
            let asked = |kind: Kind| answer.filter(|_| record.kind == kind);
            let correct = asked(Kind::Difference).map(|a| a.chosen == a.hidden);
            let preferred = asked(Kind::Preference).map(|a| a.chosen == Side::Second);
            let yes = |whether: Option<bool>| whether.map(|w| w.to_string()).unwrap_or_default();
            [
                record.date.clone(),
                record.program.clone(),
                record.kind.name().to_owned(),
                record.planned.to_string(),
                record.answered.to_string(),
                record.stopped_early.to_string(),
                record.first.name.clone(),
                record.second.name.clone(),
                record.loudness_difference_lu.map(|lu| fixed(lu, 3)).unwrap_or_default(),
                record.count.to_string(),
                record.p.to_string(),
                record.words.clone(),
                trial,
                of(&|answer| side(answer.hidden)),
                of(&|answer| side(answer.chosen)),
                yes(correct),
                yes(preferred),
                settings(&record.first),
                settings(&record.second),
            ]
        };
        // A trial that was stopped at once still has its row.
        if record.answers.is_empty() {
            csv.write_record(row(String::new(), None)).map_err(failed)?;
        }
        for (n, answer) in (1..).zip(&record.answers) {
            let n: u32 = n;
            csv.write_record(row(n.to_string(), Some(answer))).map_err(failed)?;
        }
    }
    let bytes = csv.into_inner().map_err(|error| RecordError::Csv(error.to_string()))?;
    String::from_utf8(bytes).map_err(|error| RecordError::Csv(error.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand::rngs::StdRng;

    fn plan(kind: Kind) -> Plan {
        Plan::draw(kind, 16, &mut StdRng::seed_from_u64(5)).unwrap()
    }

    fn date() -> ZonedDateTime {
        let timestamp: jiff::Timestamp = "2026-03-01T13:05:09.7Z".parse().unwrap();
        timestamp.to_zoned_datetime(jiff::tz::TimeZone::fixed(jiff::tz::offset(1)))
    }

    fn sides() -> [Tested; 2] {
        let settings = Settings::default().with(Control::Threshold, -23.5);
        [Tested::named("a \"dry\", one"), Tested::with_settings("processed", &settings)]
    }

    /// Thirteen right answers and then wrong ones, so many in all.
    fn answered(kind: Kind, answers: usize) -> Record {
        let plan = plan(kind);
        let answer = |(n, side): (usize, &Side)| if n < 13 { *side } else { side.other() };
        let chosen: Vec<Side> = plan.hidden().iter().enumerate().map(answer).collect();
        Record::new(&plan, &chosen[..answers], sides(), Some(0.0312), &date())
    }

    #[test]
    fn a_record_says_all_there_is_to_know() {
        let record = answered(Kind::Difference, 16);
        assert_eq!((record.count(), record.planned(), record.answered()), (13, 16, 16));
        assert_eq!(record.p(), chance::at_least(13, 16));
        assert!(!record.stopped_early());
        assert_eq!(
            record.words(),
            "Right: 13 of 16: chance alone does this about once in 94 times."
        );
        let text = record.to_text();
        for part in [
            r#""date": "2026-03-01T14:05:09+01:00""#,
            r#""kind": "difference""#,
            r#""loudness_difference_lu": 0.0312"#,
            r#""threshold": "-23.50 dB""#,
            concat!(r#""program": "tenon "#, env!("CARGO_PKG_VERSION")),
        ] {
            assert!(text.contains(part), "{part} in {text}");
        }
        assert_eq!(Record::from_text(&text).unwrap(), record);
    }

    #[test]
    fn a_preference_counts_the_second_side_to_either_end() {
        let plan = plan(Kind::Preference);
        for (side, count) in [(Side::First, 0), (Side::Second, 16)] {
            let record = Record::new(&plan, &[side; 16], sides(), None, &date());
            assert_eq!((record.count(), record.p()), (count, 1.0 / 32_768.0));
            assert!(record.words().starts_with(&format!("processed preferred: {count} of 16: ")));
        }
    }

    #[test]
    fn stopping_early_is_recorded_as_such() {
        let record = answered(Kind::Difference, 9);
        assert!(record.stopped_early());
        assert_eq!((record.answered(), record.count()), (9, 9));
        assert!(record.words().contains("Stopped after 9 of 16"), "{}", record.words());
        let none = answered(Kind::Preference, 0);
        assert_eq!(none.words(), "Stopped before the first of 16 answers.");
        assert_eq!(none.p(), 1.0);
        assert_eq!(Record::from_text(&none.to_text()).unwrap(), none);
    }

    #[test]
    fn what_is_no_record_or_was_altered_is_refused() {
        let text = answered(Kind::Difference, 16).to_text();
        let refused = |text: &str| Record::from_text(text).unwrap_err().to_string();
        for (from, to) in [
            (r#""count": 13"#, r#""count": 14"#),
            (r#""answered": 16"#, r#""answered": 15"#),
            (r#""planned": 16"#, r#""planned": 17"#),
            (r#""stopped_early": false"#, r#""stopped_early": true"#),
            (r#""planned": 16"#, r#""planned": 15"#),
        ] {
            let altered = text.replacen(from, to, 1);
            assert_ne!(altered, text);
            assert!(refused(&altered).contains("altered or damaged"), "{to}");
        }
        let newer = text.replace(r#""version": 1"#, r#""version": 2"#);
        assert!(refused(&newer).contains("is of version 2"));
        assert!(refused(&text[..200]).starts_with("this is no record of a trial"));
        assert!(refused("{}").starts_with("this is no record of a trial"));
        let timeless = refused(&text.replace("2026-03-01T14:05:09+01:00", "2026-13-01"));
        assert!(timeless.contains("its date is \"2026-13-01\"; move it elsewhere"), "{timeless}");
    }

    #[test]
    fn the_words_of_a_record_are_those_of_its_answers() {
        let record = answered(Kind::Difference, 16);
        let text = record.to_text();
        let boast = text.replace("Right: 13 of 16: chance", "Right: 16 of 16: chance");
        assert_ne!(boast, text);
        assert_eq!(Record::from_text(&boast).unwrap().words(), record.words());
    }

    #[test]
    fn records_are_in_the_order_of_time_wherever_they_were_made() {
        let folder = tempfile::tempdir().unwrap();
        let date = "2026-03-01T14:05:09+01:00";
        // 14:00, 13:30, 13:05:09 and 12:30 in Greenwich.
        let dates = [
            "2026-03-01T09:00:00-05:00",
            "2026-03-01T13:30:00Z",
            date,
            "2026-03-01T23:30:00+11:00",
        ];
        for (n, other) in dates.iter().enumerate() {
            let text = answered(Kind::Difference, 16).to_text().replace(date, other);
            fs::write(folder.path().join(format!("{n}.json")), text).unwrap();
        }
        let (records, damaged) = read_all(folder.path());
        assert_eq!(damaged, [""; 0]);
        let read: Vec<&str> = records.iter().map(Record::date).collect();
        assert_eq!(read, [dates[3], dates[2], dates[1], dates[0]]);
    }

    #[test]
    fn records_kept_at_the_same_moment_never_write_over_each_other() {
        const WHO: usize = 8;
        let folder = tempfile::tempdir().unwrap();
        let begin = std::sync::Barrier::new(WHO);
        std::thread::scope(|scope| {
            for _ in 0..WHO {
                scope.spawn(|| {
                    begin.wait();
                    for answers in 1..=4 {
                        keep(&answered(Kind::Difference, answers), folder.path()).unwrap();
                    }
                });
            }
        });
        let (records, damaged) = read_all(folder.path());
        assert_eq!((records.len(), damaged), (4 * WHO, vec![]));
        for answers in 1..=4 {
            let count = records.iter().filter(|record| record.answered() == answers).count();
            assert_eq!(count, WHO, "{answers} answers");
        }
    }

    #[test]
    fn records_are_kept_beside_each_other_and_damaged_ones_are_named() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path().join("Tenon/trials");
        assert_eq!(read_all(&folder).0, []);
        let record = answered(Kind::Difference, 16);
        let names =
            ["2026-03-01T14-05-09 difference.json", "2026-03-01T14-05-09 difference 2.json"];
        for name in names {
            assert_eq!(keep(&record, &folder).unwrap(), folder.join(name));
        }
        fs::write(folder.join("broken.json"), "{").unwrap();
        // A name that another instance has taken, and not written under yet.
        fs::write(folder.join("taken.json"), "").unwrap();
        // And one that nobody will write under any more.
        let lost = fs::File::create(folder.join("lost.json")).unwrap();
        lost.set_modified(SystemTime::now() - Duration::from_secs(3600)).unwrap();
        let early = fs::File::create(folder.join("early.json")).unwrap();
        early.set_modified(SystemTime::now() + Duration::from_secs(3600)).unwrap();
        let (records, damaged) = read_all(&folder);
        assert_eq!(records, [record.clone(), record]);
        assert_eq!(damaged.len(), 3);
        assert!(damaged[0].starts_with("broken.json: this is no record"), "{damaged:?}");
        assert!(damaged[1].starts_with("early.json: this is no record"), "{damaged:?}");
        assert!(damaged[2].starts_with("lost.json: this is no record"), "{damaged:?}");
    }

    #[test]
    fn every_answer_is_a_row_of_the_csv() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("trials.csv");
        let records = [
            answered(Kind::Difference, 16),
            answered(Kind::Preference, 0),
            answered(Kind::Preference, 3),
        ];
        export(&records, &file).unwrap();
        let mut reader = csv::Reader::from_path(&file).unwrap();
        let columns = reader.headers().unwrap().clone();
        let rows: Vec<_> = reader.records().map(|row| row.unwrap()).collect();
        assert_eq!(rows.len(), 16 + 1 + 3);
        let cell = |row: usize, name: &str| {
            let column = columns.iter().position(|column| column == name).unwrap();
            rows[row][column].to_owned()
        };
        assert_eq!(cell(0, "first"), "a \"dry\", one");
        assert!(cell(0, "second_settings").contains("; threshold=-23.50 dB"));
        assert_eq!(cell(15, "trial"), "16");
        assert_eq!(cell(15, "correct"), "false");
        assert_eq!(cell(12, "correct"), "true");
        assert_eq!(cell(0, "loudness_difference_lu"), "0.031");
        assert_eq!(cell(16, "trial"), "");
        assert_eq!(cell(17, "stopped_early"), "true");
        let text = fs::read_to_string(&file).unwrap();
        assert!(text.contains(r#","a ""dry"", one","#));
        assert_eq!(text.matches("\r\n").count(), 21);
    }
}
