//! Scores a listener's answers to a set.

use std::fmt;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Deserialize;

use super::plan::{Kind, PlanError, Side};
use super::record::{self, Record, RecordError, Tested};
use super::seal::{Key, SealError};
use super::set::KEY_NAME;

const FORMAT: &str = "tenon trial answers";
/// Version of the files. Rises when a file stops being readable by the code before it.
const VERSION: u32 = 1;

/// What was scored.
#[derive(Debug, Clone, PartialEq)]
pub struct Scored {
    /// All there is to know.
    pub record: Record,
    /// Files that were written.
    pub written: Vec<PathBuf>,
    /// Hash of the order, to be compared with what was printed when the set was made.
    pub commitment: String,
}

/// Answers as the page saves them.
#[derive(Deserialize)]
struct Answers {
    format: String,
    version: u32,
    commitment: String,
    /// When the last answer was given.
    date: Timestamp,
    /// 1 or 2 a trial: X is A or B, or the button that was liked better.
    answers: Vec<u8>,
}

/// Why nothing was scored.
#[derive(Debug)]
pub enum ScoreError {
    /// A file cannot be read.
    Read(PathBuf, io::Error),
    /// The key does not open.
    Key(PathBuf, SealError),
    /// The key is for a number of trials that cannot be.
    Plan(PathBuf, PlanError),
    /// It holds no answers that can be counted.
    NotAnswers(PathBuf, String),
    /// A later version wrote it.
    Newer(PathBuf, u32),
    /// The answers belong to another set.
    Foreign(PathBuf),
    /// The result cannot be written.
    Record(RecordError),
}

impl fmt::Display for ScoreError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Read(path, error) if error.kind() == io::ErrorKind::NotFound => write!(
                f,
                "{}: there is no such file; name the folder of a set and the answers that its page saved",
                path.display()
            ),
            Self::Read(path, error) if error.kind() == io::ErrorKind::InvalidData => {
                write!(f, "{}: is no text; name the answers that the page saved", path.display())
            }
            Self::Read(path, error) => write!(
                f,
                "{}: cannot be read ({error}); check its permissions and its disk",
                path.display()
            ),
            Self::Key(path, error) => write!(f, "{}: {error}", path.display()),
            Self::Plan(path, error) => {
                write!(f, "{}: {error}; make the set anew", path.display())
            }
            Self::NotAnswers(path, why) => write!(
                f,
                "{}: cannot be counted ({why}); save the answers again from the page",
                path.display()
            ),
            Self::Newer(path, version) => write!(
                f,
                "{}: is of version {version}, this program reads up to {VERSION}; install the newer one",
                path.display()
            ),
            Self::Foreign(path) => write!(
                f,
                "{}: these answers belong to another set; name its folder",
                path.display()
            ),
            Self::Record(error) => error.fmt(f),
        }
    }
}

impl std::error::Error for ScoreError {}

impl From<RecordError> for ScoreError {
    fn from(error: RecordError) -> Self {
        Self::Record(error)
    }
}

/// Opens the key of a set, counts answers, and writes the record and a CSV file into the folder of the
/// set, named after the file of answers.
///
/// # Errors
/// [`ScoreError`] when a file cannot be read or written, or they do not belong together.
pub fn score(folder: &Path, answers_file: &Path) -> Result<Scored, ScoreError> {
    let read = |path: &Path, error| ScoreError::Read(path.to_owned(), error);
    let key_file = folder.join(KEY_NAME);
    let key_bytes = fs::read(&key_file).map_err(|error| read(&key_file, error))?;
    let sealed = |error| ScoreError::Key(key_file.clone(), error);
    // What is no text is no key.
    let key = Key::from_text(&String::from_utf8_lossy(&key_bytes)).map_err(sealed)?;
    let secret = key.open().map_err(sealed)?;
    let plan = secret.plan(key.kind).map_err(|error| ScoreError::Plan(key_file.clone(), error))?;

    let not = |why: String| ScoreError::NotAnswers(answers_file.to_owned(), why);
    let text = fs::read_to_string(answers_file).map_err(|error| read(answers_file, error))?;
    let answers: Answers = serde_json::from_str(&text).map_err(|error| not(error.to_string()))?;
    if answers.format != FORMAT {
        return Err(not(format!("its format is {:?}", answers.format)));
    }
    if answers.version > VERSION {
        return Err(ScoreError::Newer(answers_file.to_owned(), answers.version));
    }
    if answers.commitment != key.commitment {
        return Err(ScoreError::Foreign(answers_file.to_owned()));
    }
    if answers.answers.len() as u32 > key.trials {
        return Err(not(format!("{} answers for {} trials", answers.answers.len(), key.trials)));
    }
    let side = |(&answer, &hidden): (&u8, &Side)| match (answer, key.kind) {
        (1, Kind::Difference) => Ok(secret.side_of(Side::First)),
        (2, Kind::Difference) => Ok(secret.side_of(Side::Second)),
        (1, Kind::Preference) => Ok(hidden),
        (2, Kind::Preference) => Ok(hidden.other()),
        _ => Err(not(format!("an answer is 1 or 2, not {answer}"))),
    };
    let chosen =
        answers.answers.iter().zip(plan.hidden()).map(side).collect::<Result<Vec<_>, _>>()?;
    let record = Record::new(
        &plan,
        &chosen,
        [Tested::named(&key.before), Tested::named(&key.after)],
        Some(secret.loudness_difference_lu),
        &answers.date.to_zoned_datetime(TimeZone::system()),
    );
    let stem = answers_file.file_stem().unwrap_or_default().to_string_lossy();
    let [json, csv] = ["json", "csv"].map(|kind| folder.join(format!("{stem}-result.{kind}")));
    record::save(&record, &json)?;
    record::export(std::slice::from_ref(&record), &csv)?;
    Ok(Scored { record, written: vec![json, csv], commitment: key.commitment })
}
