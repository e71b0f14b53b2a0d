//! The user's own presets: one readable file each, in the platform's folder for configuration.
//!
//! Every change is a set of file contents before and after, so that it can be taken back. A file is
//! written beside its place and then moved there; nothing is ever half-written. Knows nothing of
//! where presets are shown.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use tenon_dsp::{Control, Settings};

use crate::presets::sets;
use crate::text::{AssignmentError, pair, to_text};

/// Marks a file as a preset of ours.
const FORMAT: &str = "tenon preset";
/// Version of the files. Rises when a file stops being readable by the code before it.
const VERSION: u32 = 1;
const EXTENSION: &str = "json";
/// Longest name, in characters.
const NAME_CHARS: usize = 60;
/// A preset is a page of text; what is larger is something else.
const FILE_BYTES: u64 = 64 * 1024;

/// A preset of the user's.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct UserPreset {
    /// What the user called it.
    pub(crate) name: String,
    /// A value for every control.
    pub(crate) settings: Settings,
    file: PathBuf,
}

/// A preset as it is written.
#[derive(Serialize, Deserialize)]
struct Written {
    format: String,
    version: u32,
    name: String,
    settings: BTreeMap<String, Value>,
}

/// A value: as people read it, or a bare number.
#[derive(Serialize, Deserialize)]
#[serde(untagged)]
enum Value {
    Text(String),
    Number(f32),
}

/// What became of a file. Taking it back exchanges the two.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Change {
    file: PathBuf,
    before: Option<String>,
    after: Option<String>,
}

/// Why a preset could not be read or kept.
#[derive(Debug)]
pub(crate) enum LibraryError {
    /// The platform names no folder for configuration.
    NoFolder,
    /// A name that cannot be one.
    Name(String),
    /// Another preset has the name.
    Taken(String),
    /// There is no such preset.
    Gone(String),
    /// Not a preset of ours, or a damaged one.
    NotAPreset(String),
    /// A later version wrote it.
    Newer(u32),
    /// A value that its control does not take.
    Value(AssignmentError),
    /// The system refused.
    File(PathBuf, io::Error),
}

impl std::fmt::Display for LibraryError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NoFolder => write!(
                f,
                "this system names no folder for configuration; set HOME (on Windows APPDATA)"
            ),
            Self::Name(name) => {
                write!(f, "{name:?} cannot be a name; use 1 to {NAME_CHARS} characters")
            }
            Self::Taken(name) => {
                write!(f, "there is a preset {name:?} already; choose another name")
            }
            Self::Gone(name) => write!(f, "there is no preset {name:?} any more"),
            Self::NotAPreset(why) => write!(f, "this is no preset: {why}"),
            Self::Newer(version) => write!(
                f,
                "the preset is of version {version}, this plug-in reads up to {VERSION}; install \
                 the newer plug-in"
            ),
            Self::Value(error) => error.fmt(f),
            Self::File(file, error) => write!(f, "{}: {error}", file.display()),
        }
    }
}

impl std::error::Error for LibraryError {}

/// The presets in a folder.
#[derive(Debug, Default)]
pub(crate) struct Library {
    folder: Option<PathBuf>,
    presets: Vec<UserPreset>,
    damaged: Vec<String>,
}

impl Library {
    /// The user's library, not yet read.
    pub(crate) fn of_user() -> Self {
        Self {
            folder: configuration().map(|folder| folder.join("Tenon/presets")),
            ..Self::default()
        }
    }

    /// The folder, made if it is missing.
    ///
    /// # Errors
    /// When there is no place for one, or it cannot be made.
    pub(crate) fn folder(&self) -> Result<&Path, LibraryError> {
        let folder = self.folder.as_deref().ok_or(LibraryError::NoFolder)?;
        fs::create_dir_all(folder).map_err(|error| LibraryError::File(folder.to_owned(), error))?;
        Ok(folder)
    }

    /// The presets by name, as last read.
    pub(crate) fn presets(&self) -> &[UserPreset] {
        &self.presets
    }

    /// Files that are no presets and were skipped, each with the reason.
    pub(crate) fn damaged(&self) -> &[String] {
        &self.damaged
    }

    /// Reads the folder. One that is missing holds no presets.
    pub(crate) fn read(&mut self) {
        self.presets.clear();
        self.damaged.clear();
        let Some(entries) = self.folder.as_deref().and_then(|folder| fs::read_dir(folder).ok())
        else {
            return;
        };
        for file in entries.flatten().map(|entry| entry.path()) {
            if file.extension() != Some(OsStr::new(EXTENSION)) {
                continue;
            }
            match contents(&file).and_then(|text| parse(&text)) {
                Ok((name, settings)) => self.presets.push(UserPreset { name, settings, file }),
                Err(error) => self.damaged.push(format!("{}: {error}", file_name(&file))),
            }
        }
        self.presets.sort_by_key(|preset| preset.name.to_lowercase());
        self.damaged.sort();
    }

    /// Saves settings under a name, over a preset that has it.
    ///
    /// # Errors
    /// When the name cannot be one, or the file cannot be written; nothing is changed then.
    pub(crate) fn save(
        &mut self,
        name: &str,
        settings: &Settings,
    ) -> Result<Vec<Change>, LibraryError> {
        let name = checked(name)?;
        let file = match self.find(name) {
            Some(preset) => preset.file.clone(),
            None => self.free_file(name)?,
        };
        let before = file.exists().then(|| contents(&file)).transpose()?;
        self.make(vec![Change { file, before, after: Some(written(name, settings)) }])
    }

    /// Gives a preset another name.
    ///
    /// # Errors
    /// When the name cannot be one or is taken, or a file cannot be written.
    pub(crate) fn rename(&mut self, name: &str, new: &str) -> Result<Vec<Change>, LibraryError> {
        let new = checked(new)?;
        let preset = self.find(name).ok_or_else(|| LibraryError::Gone(name.to_owned()))?.clone();
        if self.find(new).is_some_and(|other| other.file != preset.file) {
            return Err(LibraryError::Taken(new.to_owned()));
        }
        let old = Some(contents(&preset.file)?);
        let after = Some(written(new, &preset.settings));
        let file = self.free_file(new)?;
        self.make(vec![
            Change { file, before: None, after },
            Change { file: preset.file, before: old, after: None },
        ])
    }

    /// Deletes a preset.
    ///
    /// # Errors
    /// When it is gone already, or the file cannot be deleted.
    pub(crate) fn delete(&mut self, name: &str) -> Result<Vec<Change>, LibraryError> {
        let preset = self.find(name).ok_or_else(|| LibraryError::Gone(name.to_owned()))?;
        let file = preset.file.clone();
        let before = Some(contents(&file)?);
        self.make(vec![Change { file, before, after: None }])
    }

    /// Takes a file from elsewhere in, under its own name or, when that is taken, one like it. Gives
    /// the name too.
    ///
    /// # Errors
    /// When it cannot be read, is no preset, or cannot be kept.
    pub(crate) fn import(&mut self, file: &Path) -> Result<(String, Vec<Change>), LibraryError> {
        let (name, settings) = contents(file).and_then(|text| parse(&text))?;
        self.read();
        let name = self.free_name(&name);
        let changes = self.save(&name, &settings)?;
        Ok((name, changes))
    }

    /// Makes changes, all or none as far as the system allows, and reads the folder again.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub(crate) fn make(&mut self, changes: Vec<Change>) -> Result<Vec<Change>, LibraryError> {
        self.folder()?;
        for (index, change) in changes.iter().enumerate() {
            if let Err(error) = put(&change.file, change.after.as_deref()) {
                for Change { file, before, .. } in changes[..index].iter().rev() {
                    put(file, before.as_deref())?;
                }
                return Err(error);
            }
        }
        self.read();
        Ok(changes)
    }

    fn find(&self, name: &str) -> Option<&UserPreset> {
        let name = name.to_lowercase();
        self.presets.iter().find(|preset| preset.name.to_lowercase() == name)
    }

    /// A name like this one that no preset has.
    fn free_name(&self, name: &str) -> String {
        let numbered = |number: usize| {
            let end = if number == 1 { String::new() } else { format!(" {number}") };
            let kept: String = name.chars().take(NAME_CHARS - end.len()).collect();
            kept + &end
        };
        (1..).map(numbered).find(|name| self.find(name).is_none()).unwrap_or_default()
    }

    /// A file of the folder that does not exist, named after a preset.
    fn free_file(&self, name: &str) -> Result<PathBuf, LibraryError> {
        let plain: String =
            name.chars().map(|c| if c.is_alphanumeric() { c } else { '-' }).collect();
        let folder = self.folder()?;
        let numbered = |number: usize| match number {
            1 => folder.join(format!("{plain}.{EXTENSION}")),
            _ => folder.join(format!("{plain}-{number}.{EXTENSION}")),
        };
        Ok((1..).map(numbered).find(|file| !file.exists()).unwrap_or_default())
    }
}

impl Change {
    /// The change that takes this one back.
    pub(crate) fn back(&self) -> Self {
        Self { file: self.file.clone(), before: self.after.clone(), after: self.before.clone() }
    }
}

/// The platform's folder for what users configure.
pub(crate) fn configuration() -> Option<PathBuf> {
    let folder = |variable: &str| {
        std::env::var_os(variable).map(PathBuf::from).filter(|folder| folder.is_absolute())
    };
    if cfg!(windows) {
        folder("APPDATA")
    } else if cfg!(target_os = "macos") {
        folder("HOME").map(|home| home.join("Library/Application Support"))
    } else {
        // XDG Base Directory Specification 0.8.
        folder("XDG_CONFIG_HOME").or_else(|| folder("HOME").map(|home| home.join(".config")))
    }
}

fn checked(name: &str) -> Result<&str, LibraryError> {
    let name = name.trim();
    let sound = (1..=NAME_CHARS).contains(&name.chars().count())
        && name.chars().any(char::is_alphanumeric)
        && !name.chars().any(char::is_control);
    sound.then_some(name).ok_or_else(|| LibraryError::Name(name.chars().take(NAME_CHARS).collect()))
}

fn file_name(file: &Path) -> String {
    file.file_name().unwrap_or(file.as_os_str()).to_string_lossy().into_owned()
}

fn contents(file: &Path) -> Result<String, LibraryError> {
    let failed = |error| LibraryError::File(file.to_owned(), error);
    if fs::metadata(file).map_err(failed)?.len() > FILE_BYTES {
        return Err(LibraryError::NotAPreset("it is far too large".to_owned()));
    }
    let bytes = fs::read(file).map_err(failed)?;
    String::from_utf8(bytes).map_err(|_| LibraryError::NotAPreset("it is no text".to_owned()))
}

/// Writes a file whole or not at all, or deletes it.
fn put(file: &Path, contents: Option<&str>) -> Result<(), LibraryError> {
    let failed = |error| LibraryError::File(file.to_owned(), error);
    let Some(contents) = contents else {
        return fs::remove_file(file).map_err(failed);
    };
    // Two instances may write at once.
    let beside = file.with_extension(format!("{}.part", std::process::id()));
    let moved = fs::File::create(&beside)
        .and_then(|mut part| {
            part.write_all(contents.as_bytes())?;
            // Should the machine go down, the name must not come before the contents.
            part.sync_all()
        })
        .and_then(|()| fs::rename(&beside, file));
    moved.map_err(|error| {
        // Best effort: the error that matters is the one being reported.
        let _ = fs::remove_file(&beside);
        failed(error)
    })
}

fn written(name: &str, settings: &Settings) -> String {
    let written = Written {
        format: FORMAT.to_owned(),
        version: VERSION,
        name: name.to_owned(),
        settings: Control::ALL
            .into_iter()
            .filter(|control| sets(*control))
            .map(|control| {
                (control.spec().id.to_owned(), Value::Text(to_text(control, settings[control])))
            })
            .collect(),
    };
    let mut text = serde_json::to_string_pretty(&written).unwrap_or_default();
    text.push('\n');
    text
}

/// Name and settings of a preset file. Controls that it does not name have their defaults.
fn parse(text: &str) -> Result<(String, Settings), LibraryError> {
    #[derive(Deserialize)]
    struct Head {
        format: String,
        version: u32,
    }
    let broken = |error: serde_json::Error| LibraryError::NotAPreset(error.to_string());
    let head: Head = serde_json::from_str(text).map_err(broken)?;
    if head.format != FORMAT {
        return Err(LibraryError::NotAPreset(format!("its format is {:?}", head.format)));
    }
    if head.version > VERSION {
        return Err(LibraryError::Newer(head.version));
    }
    let written: Written = serde_json::from_str(text).map_err(broken)?;
    let mut settings = Settings::default();
    for (id, value) in &written.settings {
        let text = match value {
            Value::Text(text) => text.clone(),
            Value::Number(number) => number.to_string(),
        };
        let (control, value) = pair(id, &text).map_err(LibraryError::Value)?;
        if !sets(control) {
            let why = format!("{id} is for listening, no preset sets it");
            return Err(LibraryError::NotAPreset(why));
        }
        // Cannot fail: the text has been understood as a value of this control.
        let _ = settings.set(control, value);
    }
    Ok((checked(&written.name)?.to_owned(), settings))
}

#[cfg(all(test, unix))]
mod faults;

#[cfg(test)]
mod tests {
    use super::*;
    use tenon_dsp::Control::{Mix, Threshold};

    fn library(folder: &tempfile::TempDir) -> Library {
        Library { folder: Some(folder.path().join("Tenon/presets")), ..Library::default() }
    }

    fn loud() -> Settings {
        Settings::default().with(Threshold, -31.25).with(Mix, 40.0)
    }

    fn names(library: &Library) -> Vec<&str> {
        library.presets().iter().map(|preset| preset.name.as_str()).collect()
    }

    #[test]
    fn a_preset_comes_back_and_its_file_can_be_read() {
        let folder = tempfile::tempdir().unwrap();
        let mut saving = library(&folder);
        saving.save(" Loud room: 1/2 ", &loud()).unwrap();
        let mut fresh = library(&folder);
        fresh.read();
        assert_eq!(names(&fresh), ["Loud room: 1/2"]);
        assert_eq!(fresh.presets()[0].settings, loud());
        let text = fs::read_to_string(folder.path().join("Tenon/presets/Loud-room--1-2.json"));
        assert!(text.unwrap().contains(r#""threshold": "-31.25 dB""#));
    }

    #[test]
    fn all_changes_can_be_taken_back_and_made_again() {
        let folder = tempfile::tempdir().unwrap();
        let mut library = library(&folder);
        library.save("One", &loud()).unwrap();
        let over = library.save("one", &Settings::default()).unwrap();
        assert_eq!(library.presets()[0].settings, Settings::default());
        let renamed = library.rename("ONE", "Two").unwrap();
        assert_eq!(names(&library), ["Two"]);
        let deleted = library.delete("Two").unwrap();
        assert_eq!(names(&library), [""; 0]);
        let back = |changes: &[Change]| changes.iter().rev().map(Change::back).collect::<Vec<_>>();
        library.make(back(&deleted)).unwrap();
        assert_eq!(names(&library), ["Two"]);
        library.make(back(&renamed)).unwrap();
        library.make(back(&over)).unwrap();
        assert_eq!(names(&library), ["One"]);
        assert_eq!(library.presets()[0].settings, loud());
        library.make(over).unwrap();
        assert_eq!(library.presets()[0].settings, Settings::default());
    }

    #[test]
    fn names_that_are_taken_or_cannot_be_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let mut library = library(&folder);
        library.save("One", &loud()).unwrap();
        library.save("Two", &loud()).unwrap();
        for name in ["", "  ", "...", "a\nb", &"x".repeat(61)] {
            assert!(library.save(name, &loud()).is_err(), "{name:?}");
            assert!(library.rename("One", name).is_err(), "{name:?}");
        }
        assert!(matches!(library.rename("One", "two"), Err(LibraryError::Taken(_))));
        assert!(matches!(library.delete("Three"), Err(LibraryError::Gone(_))));
        assert_eq!(names(&library), ["One", "Two"]);
        library.rename("One", "ONE").unwrap();
        assert_eq!(names(&library), ["ONE", "Two"]);
    }

    #[test]
    fn what_is_no_preset_is_named_and_skipped() {
        let folder = tempfile::tempdir().unwrap();
        let mut library = library(&folder);
        library.save("Good", &loud()).unwrap();
        let good = fs::read_to_string(&library.presets()[0].file).unwrap();
        let place = library.folder().unwrap().to_owned();
        for (file, text) in [
            ("cut.json", &good[..good.len() / 2]),
            ("empty.json", ""),
            ("foreign.json", r#"{"format":"other","version":1}"#),
            ("newer.json", &good.replace(r#""version": 1"#, r#""version": 7"#)),
            ("range.json", &good.replace("-31.25 dB", "31.25 dB")),
            ("unknown.json", &good.replace("threshold", "treshold")),
            ("listen.json", &good.replace(r#""mix": "40.0 %""#, r#""bypass": "on""#)),
            ("notes.txt", "not looked at"),
        ] {
            fs::write(place.join(file), text).unwrap();
        }
        fs::write(place.join("noise.json"), [0xFF, 0x00, 0x80]).unwrap();
        library.read();
        assert_eq!(names(&library), ["Good"]);
        let damaged = library.damaged().join("\n");
        assert_eq!(library.damaged().len(), 8, "{damaged}");
        for file in
            ["cut.json: this is no preset", "newer.json: the preset is of version 7", "treshold"]
        {
            assert!(damaged.contains(file), "{damaged}");
        }
    }

    #[test]
    fn an_import_never_overwrites_and_bare_numbers_are_values_too() {
        let folder = tempfile::tempdir().unwrap();
        let mut library = library(&folder);
        library.save("Mine", &loud()).unwrap();
        let file = folder.path().join("from elsewhere.json");
        let text = r#"{"format":"tenon preset","version":1,"name":"Mine","settings":{"mix":25}}"#;
        fs::write(&file, text).unwrap();
        let (name, changes) = library.import(&file).unwrap();
        assert_eq!((name.as_str(), changes.len()), ("Mine 2", 1));
        assert_eq!(names(&library), ["Mine", "Mine 2"]);
        assert_eq!(library.presets()[0].settings, loud());
        assert_eq!(library.presets()[1].settings, Settings::default().with(Mix, 25.0));
        assert!(library.import(&folder.path().join("nowhere.json")).is_err());
    }

    #[test]
    fn a_folder_that_cannot_be_written_changes_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let mut library = library(&folder);
        // A file stands where the folder should be.
        fs::write(folder.path().join("Tenon"), "").unwrap();
        assert!(matches!(library.save("One", &loud()), Err(LibraryError::File(..))));
        assert_eq!(names(&library), [""; 0]);
    }
}
