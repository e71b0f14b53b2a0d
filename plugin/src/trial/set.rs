//! Makes a set: two files of one passage, aligned and equally loud, a sealed key, and a page that plays
//! and asks.
//!
//! Which file is which is drawn, and so is the order of the trials, independently. No file but the key
//! and its copy in the page depends on the order: names, sizes, times, headers and samples are the same
//! for any. The two files are written in the order of their names.

use std::fmt;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use serde::Serialize;
use tenon_dsp::ProgrammeLoudness;

use super::align::{self, AlignError};
use super::plan::{Kind, Plan, PlanError, Side, unpredictable};
use super::seal::Key;
use super::{chance, record};
use crate::files::{self, Audio, FileError, Format, Pending, Problem, Unlike};

/// The two files, in the order of their names.
const WAV_NAMES: [&str; 2] = ["1.wav", "2.wav"];
/// The sealed key.
pub(super) const KEY_NAME: &str = "key.json";
const PAGE_NAME: &str = "trial.html";

/// Length of the passage unless another is chosen, in seconds. Longer than that, nobody remembers how
/// the beginning sounded.
pub const USUAL_LENGTH_S: f64 = 30.0;
/// Shortest passage, in seconds.
pub const LEAST_LENGTH_S: f64 = 1.0;
/// Largest passage, in bytes of a WAV file. The page carries two, and browsers have to hold them.
const MOST_BYTES: u64 = 48 << 20;
/// Bytes of a sample: 24 bits.
const SAMPLE_BYTES: u64 = 3;

/// What a set is made of.
#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    /// File from before, stereo or mono.
    pub before: PathBuf,
    /// File from after, of the same sample rate and as many channels.
    pub after: PathBuf,
    /// Folder to write, new or empty.
    pub folder: PathBuf,
    /// What is asked.
    pub kind: Kind,
    /// How many trials there are.
    pub trials: u32,
    /// Where the passage begins, in seconds.
    pub from_s: f64,
    /// How long the passage is, in seconds; none takes [`USUAL_LENGTH_S`] or what there is.
    pub length_s: Option<f64>,
}

/// What was made.
#[derive(Debug, Clone, PartialEq)]
pub struct Made {
    /// What was done to the recordings, a sentence or two each.
    pub notes: Vec<String>,
    /// Files that were written.
    pub written: Vec<PathBuf>,
    /// Hash of the order, in hexadecimal digits; whoever notes it down can tell an exchanged key.
    pub commitment: String,
}

/// Why no set was made.
#[derive(Debug)]
pub enum SetError {
    /// A file cannot be read or written.
    File(FileError),
    /// The two have different sample rates, in Hz.
    Rates {
        /// The file from before.
        before: PathBuf,
        /// Its rate.
        before_hz: u32,
        /// The file from after.
        after: PathBuf,
        /// Its rate.
        after_hz: u32,
    },
    /// One is mono where the other is stereo.
    Unlike(Unlike),
    /// The trials cannot be planned.
    Plan(PlanError),
    /// The folder has something in it.
    Occupied(PathBuf),
    /// The folder cannot be made.
    Folder(PathBuf, io::Error),
    /// Both recordings have less than the shortest passage from there on; what they have, in seconds.
    Short(f64),
    /// A passage larger than a page can carry; how many seconds it can.
    Long(f64),
    /// The passage of a file has no loudness.
    Silent(PathBuf),
    /// The two cannot be aligned.
    Align(PathBuf, AlignError, u32),
}

impl fmt::Display for SetError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File(error) => error.fmt(f),
            Self::Rates { before, before_hz, after, after_hz } => write!(
                f,
                "{}: has a sample rate of {after_hz} Hz where {} has {before_hz} Hz; convert one of them",
                after.display(),
                before.display()
            ),
            Self::Unlike(unlike) => unlike.fmt(f),
            Self::Plan(error) => error.fmt(f),
            Self::Occupied(folder) => write!(
                f,
                "{}: is not an empty folder; name a new one, so that nothing in it is lost or mixed up",
                folder.display()
            ),
            Self::Folder(folder, error) => write!(
                f,
                "{}: cannot be made ({error}); make the folder above it or name another one",
                folder.display()
            ),
            Self::Short(seconds) => write!(
                f,
                "the recordings have {seconds:.3} s together from there on, and a passage takes {LEAST_LENGTH_S} s or more; choose another --from or --length"
            ),
            Self::Long(seconds) => write!(
                f,
                "the page can carry {seconds:.0} s at this sample rate with this many channels; choose a shorter --length (up to {USUAL_LENGTH_S} s are remembered best)"
            ),
            Self::Silent(file) => write!(
                f,
                "{}: the passage has no loudness, as nothing in it is above -70 LUFS; choose another --from",
                file.display()
            ),
            Self::Align(file, AlignError::Unlike, _) => write!(
                f,
                "{}: does not line up with the other within {} ms; it has to be the same programme, and of the same take",
                file.display(),
                align::WITHIN_S * 1000.0
            ),
            Self::Align(file, AlignError::Doubtful(one, other), rate_hz) => write!(
                f,
                "{}: lines up as well {} as {}; choose a passage that repeats less with --from and --length",
                file.display(),
                align::in_words(*one, *rate_hz),
                align::in_words(*other, *rate_hz)
            ),
        }
    }
}

impl std::error::Error for SetError {}

impl From<FileError> for SetError {
    fn from(error: FileError) -> Self {
        Self::File(error)
    }
}

impl From<PlanError> for SetError {
    fn from(error: PlanError) -> Self {
        Self::Plan(error)
    }
}

/// Makes a set.
///
/// # Errors
/// [`SetError`]; nothing is left behind then.
pub fn make(job: &Job) -> Result<Made, SetError> {
    let plan = Plan::new(job.kind, job.trials)?;
    let mut random = unpredictable()?;
    vacant(&job.folder)?;
    let (before, after) = (files::read(&job.before)?, files::read(&job.after)?);
    if before.rate_hz != after.rate_hz {
        return Err(SetError::Rates {
            before: job.before.clone(),
            before_hz: before.rate_hz,
            after: job.after.clone(),
            after_hz: after.rate_hz,
        });
    }
    files::same_channels((&job.before, &before), (&job.after, &after)).map_err(SetError::Unlike)?;
    let mut notes = Vec::new();
    let passages = cut(job, &before, &after, &mut notes)?;
    drop((before, after));
    let (passages, difference_lu) = level(job, passages, &mut notes)?;

    let first_file = Side::draw(&mut random);
    let names = [&job.before, &job.after].map(|path| name(path));
    let key = Key::seal(&plan, first_file, difference_lu, names, &mut random);
    let wavs = [first_file, first_file.other()]
        .map(|side| files::wav_bytes(&passages[side.index()], Format::Int24));
    let [one, two] = wavs;
    let failed = |error| FileError { path: job.folder.clone(), problem: Problem::Write(error) };
    let wavs = [one.map_err(failed)?, two.map_err(failed)?];
    let (key_text, page) = (key.to_text(), page(&key, &wavs));

    let fresh = !job.folder.exists();
    if fresh {
        fs::create_dir(&job.folder).map_err(|e| SetError::Folder(job.folder.clone(), e))?;
    }
    let contents: [(&str, &[u8]); 4] = [
        (WAV_NAMES[0], wavs[0].as_slice()),
        (WAV_NAMES[1], wavs[1].as_slice()),
        (KEY_NAME, key_text.as_bytes()),
        (PAGE_NAME, page.as_bytes()),
    ];
    let written = write(&job.folder, &contents);
    if written.is_err() && fresh {
        // Succeeds only when nothing has been put there.
        let _ = fs::remove_dir(&job.folder);
    }
    Ok(Made { notes, written: written?, commitment: key.commitment })
}

fn write(folder: &Path, contents: &[(&str, &[u8])]) -> Result<Vec<PathBuf>, FileError> {
    let mut pending = Vec::new();
    for (name, content) in contents {
        let file = Pending::create(&folder.join(name))?;
        file.fill(content)?;
        pending.push(file);
    }
    let mut written = Vec::new();
    for file in pending {
        let target = file.target().to_owned();
        if let Err(error) = file.commit() {
            // A part of a set is of no use, and the folder was empty.
            for path in written {
                // What cannot be taken back now is in the way of another try, which names the folder.
                let _ = fs::remove_file(path);
            }
            return Err(error);
        }
        written.push(target);
    }
    Ok(written)
}

/// Makes sure that nothing is in the way.
fn vacant(folder: &Path) -> Result<(), SetError> {
    match fs::read_dir(folder) {
        Ok(mut entries) => match entries.next() {
            None => Ok(()),
            Some(_) => Err(SetError::Occupied(folder.to_owned())),
        },
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(_) => Err(SetError::Occupied(folder.to_owned())),
    }
}

fn name(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}

/// The passage of both, in time with each other.
fn cut(
    job: &Job,
    before: &Audio,
    after: &Audio,
    notes: &mut Vec<String>,
) -> Result<[Audio; 2], SetError> {
    let rate_hz = before.rate_hz;
    let rate = f64::from(rate_hz);
    let frame_bytes = SAMPLE_BYTES * u64::from(files::channel_count(before.channels));
    let most = (MOST_BYTES / frame_bytes) as usize;
    let wanted = match job.length_s {
        Some(seconds) if seconds * rate > most as f64 => {
            return Err(SetError::Long((most as f64 / rate).floor()));
        }
        Some(seconds) => (seconds * rate) as usize,
        None => most.min((USUAL_LENGTH_S * rate) as usize),
    };
    let from = (job.from_s * rate) as usize;
    let rest = |audio: &Audio| audio.frames().saturating_sub(from).min(wanted);
    let least = (LEAST_LENGTH_S * rate) as usize;
    let short = |frames: usize| SetError::Short(frames as f64 / rate);
    let common = rest(before).min(rest(after));
    if common < least {
        return Err(short(common));
    }
    let window = |audio: &'_ Audio, from: usize, frames: usize| Audio {
        rate_hz,
        channels: audio.channels,
        left: audio.left[from..from + frames].to_vec(),
        right: audio.right[from..from + frames].to_vec(),
    };
    let (dry, wet) = (window(before, from, common), window(after, from, common));
    for (audio, path) in [(&dry, &job.before), (&wet, &job.after)] {
        if loudness(audio).is_none() {
            return Err(SetError::Silent(path.clone()));
        }
    }
    let late = align::late([&dry.left, &dry.right], [&wet.left, &wet.right], rate_hz)
        .map_err(|error| SetError::Align(job.after.clone(), error, rate_hz))?;
    // Where one begins before its file does, both begin later.
    let shift = late.unsigned_abs() as usize;
    let (dry_from, wet_from) = match late {
        0.. => (from, from + shift),
        _ => (from.max(shift), from.max(shift) - shift),
    };
    let frames = wanted
        .min(before.frames().saturating_sub(dry_from))
        .min(after.frames().saturating_sub(wet_from));
    if frames < least {
        return Err(short(frames));
    }
    if job.length_s.is_some() && frames < wanted {
        let seconds = |frames: usize| frames as f64 / rate;
        notes.push(format!(
            "The passage is {:.3} s long and not {:.3} s: one of the two ends there.",
            seconds(frames),
            seconds(wanted)
        ));
    }
    let after_name = name(&job.after);
    notes.push(match late {
        0 => "The two are in time with each other.".to_owned(),
        _ => format!(
            "{after_name} was {} and has been moved in time.",
            align::in_words(late, rate_hz)
        ),
    });
    let passages = [window(before, dry_from, frames), window(after, wet_from, frames)];
    let [dry, wet] = passages.each_ref().map(|audio| [&*audio.left, &*audio.right]);
    if let Some(turned) = align::turned(dry, wet, 0) {
        notes.push(format!(
            "{after_name} is {turned} against {}, and has been left so; what tells them apart may be that alone.",
            name(&job.before)
        ));
    }
    Ok(passages)
}

/// Makes both equally loud, and softer together where one would clip. Gives too how much louder the
/// second one still is, in LU.
fn level(
    job: &Job,
    mut passages: [Audio; 2],
    notes: &mut Vec<String>,
) -> Result<([Audio; 2], f64), SetError> {
    let measure = |[before, after]: &[Audio; 2]| {
        let silent = |path: &Path| SetError::Silent(path.to_owned());
        let before = loudness(before).ok_or_else(|| silent(&job.before))?;
        Ok::<_, SetError>((before, loudness(after).ok_or_else(|| silent(&job.after))?))
    };
    let (before_lufs, after_lufs) = measure(&passages)?;
    let match_db = before_lufs - after_lufs;
    let gain = |db: f64| 10_f64.powf(db / 20.0);
    let [before, after] = &passages;
    let peak = peak(before).max(peak(after) * gain(match_db));
    // Rounded up to what can be written down.
    let down_db = (10.0 * 20.0 * peak.log10()).ceil().max(0.0) / 10.0;
    scale(&mut passages[0], gain(-down_db));
    scale(&mut passages[1], gain(match_db - down_db));
    let (before_lufs, after_lufs) = measure(&passages)?;
    let difference_lu = after_lufs - before_lufs;
    let after_name = name(&job.after);
    let turned = match match_db {
        _ if match_db.abs() < 0.005 => "left at its level, which is".to_owned(),
        ..0.0 => format!("turned down by {:.2} dB to be", -match_db),
        _ => format!("turned up by {match_db:.2} dB to be"),
    };
    notes.push(format!(
        "{after_name} has been {turned} as loud as {} (BS.1770, within {:.2} LU).",
        name(&job.before),
        difference_lu.abs()
    ));
    if down_db > 0.0 {
        notes
            .push(format!("Both have been turned down by {down_db:.1} dB, so that neither clips."));
    }
    if passages[0] == passages[1] {
        notes.push("The two are the same, sample for sample; there is nothing to hear.".to_owned());
    }
    Ok((passages, difference_lu))
}

fn loudness(audio: &Audio) -> Option<f64> {
    let mut meter = ProgrammeLoudness::new(f64::from(audio.rate_hz), audio.channels);
    meter.add(&audio.left, &audio.right);
    meter.integrated_lufs()
}

fn peak(audio: &Audio) -> f64 {
    let samples = audio.left.iter().chain(&audio.right);
    f64::from(samples.fold(0.0, |peak: f32, sample| peak.max(sample.abs())))
}

fn scale(audio: &mut Audio, gain: f64) {
    for sample in audio.left.iter_mut().chain(&mut audio.right) {
        *sample = (f64::from(*sample) * gain) as f32;
    }
}

/// The page with everything it needs inside: a page opened from a disk may load nothing.
fn page(key: &Key, wavs: &[Vec<u8>; 2]) -> String {
    /// What the page is told beside the sounds.
    #[derive(Serialize)]
    struct Set<'a> {
        key: &'a Key,
        /// Fewest answers that chance reaches less than once in twenty times.
        needed: u32,
        /// The result in words, by how many were answered and how many of them count.
        verdicts: Vec<Vec<String>>,
    }
    let verdicts = |answered: u32| {
        let words = |count| record::verdict(key.kind, key.trials, answered, count, &key.after);
        (0..=answered).map(words).collect()
    };
    // Choosing may lean to either side, so each side gets half.
    let level = match key.kind {
        Kind::Difference => 0.05,
        Kind::Preference => 0.025,
    };
    let set = Set {
        key,
        needed: chance::needed(key.trials, level).unwrap_or(key.trials),
        verdicts: (0..=key.trials).map(verdicts).collect(),
    };
    // Cannot fail: every key is a text. In a page, "<" might begin a tag.
    let set = serde_json::to_string(&set).unwrap_or_default().replace('<', "\\u003c");
    let [one, two] = wavs.each_ref().map(|wav| BASE64_STANDARD.encode(wav));
    let mut page = String::with_capacity(one.len() + two.len() + (1 << 17));
    let mut rest = include_str!("page.html");
    for (mark, content) in [("{{SET}}", &set), ("{{ONE}}", &one), ("{{TWO}}", &two)] {
        let (head, tail) = rest.split_once(mark).expect("the page has a place for it");
        page += head;
        page += content;
        rest = tail;
    }
    page + rest
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand::rngs::StdRng;

    #[test]
    fn a_set_that_cannot_be_completed_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let left = || fs::read_dir(folder.path()).unwrap().count();
        let files = [(WAV_NAMES[0], &b"one"[..]), (WAV_NAMES[1], b"two"), (KEY_NAME, b"key")];
        assert_eq!(write(folder.path(), &files).unwrap().len(), 3);
        assert_eq!(left(), 3);
        for name in [WAV_NAMES[0], WAV_NAMES[1], KEY_NAME] {
            fs::remove_file(folder.path().join(name)).unwrap();
        }
        // The second of one name finds its content moved away already.
        let twice = [files[0], files[1], files[2], files[2]];
        assert!(write(folder.path(), &twice).is_err());
        assert_eq!(left(), 0);
    }

    #[test]
    fn no_name_breaks_out_of_the_page() {
        let mut random = StdRng::seed_from_u64(1);
        let plan = Plan::draw(Kind::Preference, 8, &mut random).unwrap();
        let names = ["</script><b>.wav", "{{ONE}}\".wav"].map(str::to_owned);
        let key = Key::seal(&plan, Side::First, 0.0, names, &mut random);
        let page = page(&key, &[vec![1], vec![2]]);
        assert!(!page.contains("</script><b>"));
        let set = page.split_once(r#"id="set">"#).unwrap().1.split_once("</script>").unwrap().0;
        let set: serde_json::Value = serde_json::from_str(set).unwrap();
        assert_eq!(set["key"]["before"], "</script><b>.wav");
        assert_eq!(set["key"]["after"], "{{ONE}}\".wav");
        // A preference has to lean as far as 8 of 8 for two-sided p below 0.05.
        assert_eq!(set["needed"], 8);
        assert!(page.contains(r#"id="one">AQ==<"#) && page.contains(r#"id="two">Ag==<"#));
    }
}
