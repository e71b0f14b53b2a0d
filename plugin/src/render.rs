//! The offline run: files in, files and a report out.
//!
//! Where the plug-in learns the loudness match while it plays, a render knows the whole programme:
//! a first pass finds the one gain, a second one applies it throughout. Knows nothing of terminals.

use std::fmt;
use std::ops::Range;
use std::path::{Path, PathBuf};

use tenon_dsp::{
    Beat, Channels, Control, FindError, Levels, Listen, MATCH_LIMIT_DB, MatchMemory, MatchState,
    Processor, ProgrammeLoudness, Readings, Settings, Tapped, TypicalReduction,
};

use crate::files::{self, Audio, Clipped, FileError, Format, Pending, Unlike, WavFile};
use crate::report::{
    Comparison, Figures, GainReduction, Match, Measured, Meter, RecoveryReport, Report,
    TogetherMeter, TogetherReport,
};
use crate::text::{note_of, to_text};
use crate::trial::align::{self, AlignError};

/// What is to be rendered.
#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    /// Files to sum, at least one.
    pub inputs: Vec<PathBuf>,
    /// File to write.
    pub output: PathBuf,
    /// Preset that the settings started from; only named in the report.
    pub preset: Option<&'static str>,
    /// A value for every control.
    pub settings: Settings,
    /// Tempo of the programme, in quarter notes a minute. It begins on a beat.
    pub tempo_bpm: Option<f64>,
    /// Typical maximum reduction, in dB, to find the threshold for; that of the settings is not used
    /// then.
    pub target_db: Option<f32>,
    /// File of the external key. It comes with [`Control::KeySource`] set to external.
    pub key: Option<PathBuf>,
    /// Whether to also write the dry signal at the loudness of the output.
    pub compare: bool,
    /// File for the report.
    pub json: Option<PathBuf>,
    /// How samples are written.
    pub format: Format,
    /// Whether the engine's latency stays at the beginning of what is written.
    pub keep_latency: bool,
}

/// What a render did.
#[derive(Debug, Clone, PartialEq)]
pub struct Rendered {
    /// The figures.
    pub report: Report,
    /// What the user should know beside them, one sentence or two each.
    pub notes: Vec<String>,
    /// Files that were written.
    pub written: Vec<PathBuf>,
}

/// Why nothing was rendered.
#[derive(Debug)]
pub enum RenderError {
    /// A file cannot be read or written.
    File(FileError),
    /// There is nothing to sum.
    NoInput,
    /// A file has another sample rate than the first input.
    Rates {
        /// The first input.
        first: PathBuf,
        /// Its rate in Hz.
        first_hz: u32,
        /// The other file.
        other: PathBuf,
        /// Its rate in Hz.
        other_hz: u32,
    },
    /// One is mono where another is stereo.
    Unlike(Unlike),
    /// A file to be written is also one to be read.
    Overwrite(PathBuf),
    /// Two files to be written have one name.
    Twice(PathBuf),
    /// The output is not named as a WAV file.
    NotWav(PathBuf),
    /// The key source is external, and there is no key.
    NoKey,
    /// There is a key, and the key source is the own signal.
    UnusedKey(PathBuf),
    /// No threshold has the typical maximum reduction asked for.
    Threshold {
        /// What was asked for, dB.
        target_db: f32,
        /// Why it cannot be had.
        why: FindError,
    },
}

impl fmt::Display for RenderError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File(error) => error.fmt(f),
            Self::NoInput => write!(f, "there is no input; name at least one audio file"),
            Self::Rates { first, first_hz, other, other_hz } => write!(
                f,
                "{}: has a sample rate of {other_hz} Hz where {} has {first_hz} Hz; convert one of them",
                other.display(),
                first.display()
            ),
            Self::Unlike(unlike) => unlike.fmt(f),
            Self::Overwrite(path) => write!(
                f,
                "{}: is an input and would be overwritten; name another output",
                path.display()
            ),
            Self::Twice(path) => write!(
                f,
                "{}: would be written twice; give every output its own name",
                path.display()
            ),
            Self::NotWav(path) => write!(
                f,
                "{}: the output is a WAV file; give it a name that ends in .wav",
                path.display()
            ),
            Self::NoKey => write!(
                f,
                "key_source is external and there is no key; name one with --key, or set key_source to own signal"
            ),
            Self::UnusedKey(path) => write!(
                f,
                "{}: key_source is set to own signal, so this key would not be heard; leave one of the two out",
                path.display()
            ),
            Self::Threshold { target_db, why } => {
                write!(f, "no threshold gives {target_db} dB of typical maximum reduction: {why}")
            }
        }
    }
}

impl std::error::Error for RenderError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::File(error) => error.source(),
            Self::Threshold { why, .. } => Some(why),
            _ => None,
        }
    }
}

impl From<FileError> for RenderError {
    fn from(error: FileError) -> Self {
        Self::File(error)
    }
}

/// Renders. `progress` hears how much of the work is done, 0 to 1.
///
/// # Errors
/// [`RenderError`]; nothing is written then, unless a finished file cannot be moved into place.
pub fn render(job: &Job, progress: &mut dyn FnMut(f64)) -> Result<Rendered, RenderError> {
    check(job)?;
    // Before the long part, so that a folder that cannot be written to is known at once.
    let output = Pending::create(&job.output)?;
    let dry_output = match job.compare {
        true => Some(Pending::create(&dry_path(&job.output))?),
        false => None,
    };
    let json = job.json.as_deref().map(Pending::create).transpose()?;

    let (programme, key) = read(job)?;
    let matching = job.settings.is_on(Control::LoudnessMatch);
    let passes =
        2 + [job.target_db.is_some(), matching, job.compare].map(usize::from).iter().sum::<usize>();
    let mut run = Run {
        programme: &programme,
        key: key.as_ref(),
        tempo_bpm: job.tempo_bpm,
        done: 0,
        work: programme.frames() * passes,
        progress,
    };
    let mut notes = Vec::new();
    for control in [Control::Bypass, Control::Listen, Control::Compare] {
        if job.settings[control] != 0.0 {
            notes.push(format!(
                "{} is {}, so the output is not the processed signal, and what stands under after is of that.",
                control.spec().id,
                to_text(control, job.settings[control])
            ));
        }
    }

    notes.extend(notes_of_repeats(job));
    notes.extend(notes_of_times(job));

    let before = run.measure_dry();
    let mut job = job.clone();
    if let Some(target_db) = job.target_db {
        let threshold_db = run
            .find_threshold(&job.settings, target_db)
            .map_err(|why| RenderError::Threshold { target_db, why })?;
        job.settings = job.settings.with(Control::Threshold, threshold_db);
    }
    let job = &job;
    let match_gain_db = match matching {
        true => Some(run.match_gain(&job.settings, &mut notes)),
        false => None,
    };
    let (processed, output) = run.write(job, match_gain_db, output)?;
    let after = &processed.after;
    let output = clipped(output, &job.settings, &mut notes);
    let dry_output = match dry_output {
        Some(pending) => {
            let gain_db = match before.loudness_lufs.zip(after.loudness_lufs) {
                Some((before, after)) => after - before,
                None => {
                    notes.push(
                        "There is no loudness to match the dry signal to; it keeps its level."
                            .to_owned(),
                    );
                    0.0
                }
            };
            let finished = run.write_dry(job, gain_db, pending)?;
            Some(clipped(finished, &job.settings, &mut notes))
        }
        None => None,
    };

    if let Some((before, after)) = before.loudness_lufs.zip(after.loudness_lufs)
        && after - before > LOUDER_LU
    {
        notes.push(format!(
            "{}: is {:.1} LU louder than what came in; turn the monitors down before you listen.",
            job.output.display(),
            after - before
        ));
    }
    let report = report(job, &before, processed, match_gain_db);
    let heard = key.as_ref().unwrap_or(&programme);
    let is_silent = [&heard.left, &heard.right].into_iter().flatten().all(|x| *x == 0.0);
    notes.extend(note_of_nothing(&report, key.is_some(), is_silent));
    if let Some(json) = &json {
        json.fill(report.json().as_bytes())?;
    }
    let mut written = Vec::new();
    for pending in [Some(output), dry_output, json].into_iter().flatten() {
        written.push(pending.target().to_owned());
        pending.commit()?;
    }
    Ok(Rendered { report, notes, written })
}

/// From here on an output that is louder than the input is told to be, in LU.
const LOUDER_LU: f64 = 6.0;

/// Says that the compressor had nothing to do, where it was asked to do something. Of a silent input there is
/// nothing to say.
fn note_of_nothing(report: &Report, is_keyed: bool, is_silent: bool) -> Option<String> {
    let settings = &report.settings;
    let is_idle = settings[Control::Ratio] == 1.0
        || settings[Control::Range] == 0.0
        || settings.is_on(Control::Bypass);
    if is_idle || report.gain_reduction.max_db >= 0.005 {
        return None;
    }
    if is_silent {
        return is_keyed.then(|| "The key is silent, so nothing was compressed.".to_owned());
    }
    let threshold = settings[Control::Threshold];
    let what = if is_keyed { "Nothing in the key" } else { "Nothing" };
    let then = match (threshold > Control::Threshold.spec().min, is_keyed) {
        (false, _) => "",
        (true, true) => "; lower it, or use a louder key",
        (true, false) => "; lower it, or let --target-gr find a threshold",
    };
    let threshold = to_text(Control::Threshold, threshold);
    Some(format!("{what} rose above {threshold}, so nothing was compressed{then}."))
}

/// Says which inputs are summed with themselves.
fn notes_of_repeats(job: &Job) -> impl Iterator<Item = String> {
    job.inputs.iter().enumerate().filter_map(|(n, path)| {
        let named =
            |inputs: &[PathBuf]| inputs.iter().filter(|input| place(input) == place(path)).count();
        // Told once, where it is named again.
        (named(&job.inputs[..n]) == 1).then(|| {
            let times = named(&job.inputs);
            format!("{}: is named {times} times, and is in the sum as often.", path.display())
        })
    })
}

/// Says which times stay in ms because nobody named a tempo for their notes.
fn notes_of_times(job: &Job) -> impl Iterator<Item = String> {
    [Control::Attack, Control::Release].into_iter().filter_map(|time| {
        let note = note_of(time).filter(|note| job.settings[*note] != 0.0)?;
        let (spec, named) = (time.spec(), to_text(note, job.settings[note]));
        let Some(tempo_bpm) = job.tempo_bpm else {
            return Some(format!(
                "{} is {named} and there is no tempo, so {} is {}; name a tempo with --tempo.",
                note.spec().id,
                spec.id,
                to_text(time, job.settings[time])
            ));
        };
        let ms = job.settings.time_ms(time, Some(tempo_bpm)) as f32;
        [spec.min, spec.max].contains(&ms).then(|| {
            format!(
                "{} is {named}, which at {tempo_bpm} bpm is beyond what {} takes, so it is {}.",
                note.spec().id,
                spec.id,
                to_text(time, ms)
            )
        })
    })
}

/// Where the dry signal goes: beside the output.
fn dry_path(output: &Path) -> PathBuf {
    let mut name = output.file_stem().unwrap_or_default().to_owned();
    name.push("-dry-matched.wav");
    output.with_file_name(name)
}

/// Finds what is wrong with a job before any work is done.
fn check(job: &Job) -> Result<(), RenderError> {
    if job.inputs.is_empty() {
        return Err(RenderError::NoInput);
    }
    let extension = job.output.extension().unwrap_or_default();
    if !extension.eq_ignore_ascii_case("wav") {
        return Err(RenderError::NotWav(job.output.clone()));
    }
    match (&job.key, job.settings.is_on(Control::KeySource)) {
        (Some(key), false) => return Err(RenderError::UnusedKey(key.clone())),
        (None, true) => return Err(RenderError::NoKey),
        _ => {}
    }
    let read: Vec<PathBuf> = job.inputs.iter().chain(&job.key).map(|p| place(p)).collect();
    let dry = job.compare.then(|| dry_path(&job.output));
    let mut written = Vec::new();
    for path in [Some(&job.output), dry.as_ref(), job.json.as_ref()] {
        let Some(path) = path else { continue };
        let place = place(path);
        if read.contains(&place) {
            return Err(RenderError::Overwrite(path.clone()));
        }
        if written.contains(&place) {
            return Err(RenderError::Twice(path.clone()));
        }
        written.push(place);
    }
    Ok(())
}

/// One path for every way to write it, as far as the file or its folder exists.
fn place(path: &Path) -> PathBuf {
    if let Ok(place) = path.canonicalize() {
        return place;
    }
    let folder = match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    };
    match (folder.canonicalize(), path.file_name()) {
        (Ok(folder), Some(name)) => folder.join(name),
        _ => path.to_owned(),
    }
}

/// Reads and sums the inputs, and fits the key to their length.
fn read(job: &Job) -> Result<(Audio, Option<Audio>), RenderError> {
    let (first, rest) = job.inputs.split_first().ok_or(RenderError::NoInput)?;
    let mut programme = files::read(first)?;
    let first_hz = programme.rate_hz;
    let at_this_rate = |other: &Path| {
        let audio = files::read(other)?;
        same_rate((first, first_hz), (other, audio.rate_hz))?;
        Ok::<_, RenderError>(audio)
    };
    for input in rest {
        programme.mix(&at_this_rate(input)?);
    }
    let mut key = job.key.as_deref().map(at_this_rate).transpose()?;
    if let (Some(key), Some(path)) = (&mut key, &job.key) {
        // A mono key moves both sides of a stereo bus.
        if programme.channels == Channels::Mono {
            files::same_channels((first, &programme), (path, key)).map_err(RenderError::Unlike)?;
        }
        key.fit(programme.frames());
    }
    Ok((programme, key))
}

/// What came of processing.
struct Processed {
    after: Measured,
    readings: Readings,
    typical_db: Option<f32>,
    together: TogetherReport,
}

/// Whether two files have one sample rate.
fn same_rate(
    (first, first_hz): (&Path, u32),
    (other, other_hz): (&Path, u32),
) -> Result<(), RenderError> {
    if first_hz == other_hz {
        return Ok(());
    }
    Err(RenderError::Rates { first: first.to_owned(), first_hz, other: other.to_owned(), other_hz })
}

/// Frames that are processed at a time. The engine gives the same samples for any number.
const BLOCK: usize = 4096;

/// The passes over a programme in memory, and how far they have got.
struct Run<'a> {
    programme: &'a Audio,
    key: Option<&'a Audio>,
    tempo_bpm: Option<f64>,
    done: usize,
    work: usize,
    progress: &'a mut dyn FnMut(f64),
}

impl Run<'_> {
    fn advance(&mut self, frames: usize) {
        self.done += frames;
        (self.progress)(self.done as f64 / self.work as f64);
    }

    fn blocks(&self) -> impl Iterator<Item = Range<usize>> + use<> {
        let frames = self.programme.frames();
        (0..frames.div_ceil(BLOCK)).map(move |i| i * BLOCK..frames.min((i + 1) * BLOCK))
    }

    fn measure_dry(&mut self) -> Measured {
        let mut meter = self.meter();
        for block in self.blocks() {
            meter.add(&self.programme.left[block.clone()], &self.programme.right[block.clone()]);
            self.advance(block.len());
        }
        meter.finish()
    }

    /// The threshold at which the whole programme has a typical maximum reduction.
    fn find_threshold(&mut self, settings: &Settings, target_db: f32) -> Result<f32, FindError> {
        let mut levels = Levels::of_all(f64::from(self.programme.rate_hz));
        // What comes behind the gain has no part in it.
        let engine = self.engine(&settings.with(Control::Drive, 0.0));
        let tap = |tap: Tapped<'_>, _| levels.add(tap.levels);
        let Ok(_) = self.pass(engine, tap, |_, _, _| Ok::<(), std::convert::Infallible>(()));
        Ok(levels.find(settings, self.tempo_bpm, target_db)?.threshold_db)
    }

    /// The gain that makes the processed programme as loud as the dry one.
    fn match_gain(&mut self, settings: &Settings, notes: &mut Vec<String>) -> f32 {
        // What the match is about: the processed path as such.
        let settings = settings
            .with(Control::LoudnessMatch, 0.0)
            .with(Control::Compare, 0.0)
            .with(Control::Listen, 0.0)
            .with(Control::Bypass, 0.0)
            .with(Control::OutputTrim, 0.0);
        let mut dry = self.loudness();
        for block in self.blocks() {
            dry.add(&self.programme.left[block.clone()], &self.programme.right[block]);
        }
        let mut processed = self.loudness();
        let engine = self.engine(&settings);
        let sink = |left: &mut [f32], right: &mut [f32], fresh| {
            processed.add(&left[fresh..], &right[fresh..]);
            Ok::<(), std::convert::Infallible>(())
        };
        let Ok(_) = self.pass(engine, |_, _| (), sink);
        match dry.integrated_lufs().zip(processed.integrated_lufs()) {
            None => {
                notes.push(
                    "There is no loudness to match: less than 0.4 s, or nothing above -70 LUFS. The match gain is 0 dB."
                        .to_owned(),
                );
                0.0
            }
            Some((dry, processed)) => {
                let wanted_db = dry - processed;
                let bound_db = f64::from(MATCH_LIMIT_DB);
                let gain_db = wanted_db.clamp(-bound_db, bound_db);
                if gain_db != wanted_db {
                    notes.push(format!(
                        "The match would need {wanted_db:.2} dB and stops at {gain_db:.2} dB; change input_trim, threshold or makeup to bring it within reach."
                    ));
                }
                gain_db as f32
            }
        }
    }

    fn loudness(&self) -> ProgrammeLoudness {
        ProgrammeLoudness::new(f64::from(self.programme.rate_hz), self.programme.channels)
    }

    fn meter(&self) -> Meter {
        Meter::new(self.programme.rate_hz, self.programme.channels)
    }

    fn engine(&self, settings: &Settings) -> Processor {
        let mut engine = Processor::new();
        engine.set(settings);
        engine.set_tempo(self.tempo_bpm);
        let Audio { rate_hz, channels, .. } = self.programme;
        engine.prepare(f64::from(*rate_hz), *channels).expect(RATE);
        engine.set_beat(self.tempo_bpm.map(|bpm| Beat { position: 0.0, per_s: bpm / 60.0 }));
        engine
    }

    /// Processes and writes the programme, and measures what it wrote.
    fn write(
        &mut self,
        job: &Job,
        match_gain_db: Option<f32>,
        output: Pending,
    ) -> Result<(Processed, (Pending, Clipped)), FileError> {
        let mut engine;
        match match_gain_db {
            Some(gain_db) => {
                engine = self.engine(&job.settings.with(Control::MatchHold, 1.0));
                engine.restore_match(MatchMemory { gain_db, state: MatchState::Held });
            }
            None => engine = self.engine(&job.settings),
        }
        let kept = if job.keep_latency { engine.latency() } else { 0 };
        let mut file = self.wav(job, output, kept)?;
        let mut meter = self.meter();
        let mut together = TogetherMeter::new(self.programme.rate_hz);
        let mut typical = TypicalReduction::of_all(f64::from(self.programme.rate_hz));
        let tap = |tap: Tapped<'_>, from: usize| {
            let [dry, wet] = [tap.dry, tap.wet].map(|bus| bus.map(|channel| &channel[from..]));
            together.add(dry, wet);
            typical.add(tap.levels, tap.reductions);
        };
        let readings = self.pass(engine, tap, |left, right, fresh| {
            let from = if job.keep_latency { 0 } else { fresh };
            file.write(&mut left[from..], &mut right[from..])?;
            meter.add(&left[fresh..], &right[fresh..]);
            Ok(())
        })?;
        let processed = Processed {
            after: meter.finish(),
            readings,
            typical_db: typical.reading_db(),
            together: together.finish(),
        };
        Ok((processed, file.finish()?))
    }

    /// Writes the programme as it is, but for one gain.
    fn write_dry(
        &mut self,
        job: &Job,
        gain_db: f64,
        output: Pending,
    ) -> Result<(Pending, Clipped), FileError> {
        let gain = 10f64.powf(gain_db / 20.0) as f32;
        // The two files are compared side by side, so the dry one lags as the other does.
        let kept = match job.keep_latency {
            true => self.engine(&job.settings).latency(),
            false => 0,
        };
        let mut file = self.wav(job, output, kept)?;
        file.write(&mut vec![0.0; kept], &mut vec![0.0; kept])?;
        for block in self.blocks() {
            let scaled = |samples: &[f32]| samples.iter().map(|s| s * gain).collect::<Vec<_>>();
            let mut left = scaled(&self.programme.left[block.clone()]);
            let mut right = scaled(&self.programme.right[block.clone()]);
            file.write(&mut left, &mut right)?;
            self.advance(block.len());
        }
        file.finish()
    }

    fn wav(&self, job: &Job, output: Pending, more: usize) -> Result<WavFile, FileError> {
        let frames = self.programme.frames() + more;
        let Audio { rate_hz, channels, .. } = self.programme;
        WavFile::create(output, (*rate_hz, *channels), job.format, frames)
    }

    /// Sends the whole programme through the engine, and silence after it until the last frame
    /// has come out. `tap` gets what goes on inside, and `sink` left and right; both get how many frames
    /// of dry, wet and output at the start are still latency.
    fn pass<E>(
        &mut self,
        mut engine: Processor,
        mut tap: impl FnMut(Tapped<'_>, usize),
        mut sink: impl FnMut(&mut [f32], &mut [f32], usize) -> Result<(), E>,
    ) -> Result<Readings, E> {
        let [mut latency, mut tapped] = [(); 2].map(|()| Latency(engine.latency()));
        let mut tap = |inside: Tapped<'_>| tap(inside, tapped.within(inside.dry[0].len()));
        let frames = self.programme.frames();
        let total = frames + engine.latency();
        let mut buffers = [(); 4].map(|()| vec![0.0; BLOCK]);
        engine.clear_peaks();
        let mut start = 0;
        while start < total {
            let length = BLOCK.min(total - start);
            let [left, right, key_left, key_right] =
                buffers.each_mut().map(|buffer| &mut buffer[..length]);
            excerpt(&self.programme.left, start, left);
            excerpt(&self.programme.right, start, right);
            let key = self.key.map(|key| {
                excerpt(&key.left, start, key_left);
                excerpt(&key.right, start, key_right);
                (&*key_left, &*key_right)
            });
            engine.process_tapped(left, right, key, &mut tap);
            sink(left, right, latency.within(length))?;
            self.advance(length.min(frames.saturating_sub(start)));
            start += length;
        }
        Ok(engine.readings())
    }
}

const RATE: &str = "files with other sample rates were refused";

/// Frames at the start of a stream that come before the programme.
struct Latency(usize);

impl Latency {
    /// How many of the next `length` frames are latency.
    fn within(&mut self, length: usize) -> usize {
        let within = self.0.min(length);
        self.0 -= within;
        within
    }
}

/// Copies samples from `start` on, and silence beyond the end.
fn excerpt(samples: &[f32], start: usize, into: &mut [f32]) {
    let rest = samples.get(start..).unwrap_or_default();
    let length = rest.len().min(into.len());
    into[..length].copy_from_slice(&rest[..length]);
    into[length..].fill(0.0);
}

/// Notes what was clipped.
fn clipped(
    (pending, clipped): (Pending, Clipped),
    settings: &Settings,
    notes: &mut Vec<String>,
) -> Pending {
    if clipped.samples > 0 {
        let over_db = 20.0 * f64::from(clipped.peak).log10();
        // Rounded up, so that following the advice is enough.
        let trim_db = f64::from(settings[Control::OutputTrim]) - (over_db * 10.0).ceil() / 10.0;
        let remedy = if trim_db >= f64::from(Control::OutputTrim.spec().min) {
            format!("Set output_trim to {trim_db:.1} dB or lower, or write --format 32f.")
        } else {
            "Write --format 32f, or lower the inputs.".to_owned()
        };
        notes.push(format!(
            "{}: {} clipped at full scale, the highest by {over_db:.2} dB, so it is distorted there and its loudness is not quite what was asked for. {remedy}",
            pending.target().display(),
            if clipped.samples == 1 {
                "1 sample was".to_owned()
            } else {
                format!("{} samples were", clipped.samples)
            }
        ));
    }
    pending
}

fn report(
    job: &Job,
    before: &Measured,
    processed: Processed,
    match_gain_db: Option<f32>,
) -> Report {
    let (settings, after, readings) = (&job.settings, &processed.after, &processed.readings);
    let name = |path: &PathBuf| path.display().to_string();
    // Only then is the output the signal that the match is about.
    let heard = settings.listen() == Listen::Output
        && !settings.is_on(Control::Compare)
        && !settings.is_on(Control::Bypass);
    let error_lu = before
        .loudness_lufs
        .zip(after.loudness_lufs)
        .filter(|_| heard && match_gain_db.is_some())
        .map(|(before, after)| after - f64::from(settings[Control::OutputTrim]) - before);
    let mean_db = f64::from(readings.gain_reduction_mean_db);
    Report {
        version: env!("CARGO_PKG_VERSION"),
        inputs: job.inputs.iter().map(name).collect(),
        key: job.key.as_ref().map(name),
        output: name(&job.output),
        preset: job.preset,
        settings: *settings,
        gain_reduction: GainReduction {
            max_db: f64::from(readings.gain_reduction_peak_db),
            mean_db: Some(mean_db).filter(|&mean| mean > 0.0),
            typical_max_db: processed.typical_db.map(f64::from),
            target_db: job.target_db,
        },
        recovery: RecoveryReport::new(readings),
        loudness_match: Match { gain_db: match_gain_db.map(f64::from), error_lu },
        figures: Figures::new(before, after, processed.together),
    }
}

/// A file to write that is none of those to be read.
///
/// # Errors
/// When it is one of them, or cannot be written.
pub fn spare(target: &Path, read: &[&Path]) -> Result<Pending, RenderError> {
    if read.iter().any(|path| place(path) == place(target)) {
        return Err(RenderError::Overwrite(target.to_owned()));
    }
    Ok(Pending::create(target)?)
}

/// Compares two files that ought to be one programme before and after some processing, whoever did
/// it. The shorter one is padded with silence; that is said in the notes, and so is it when one is late.
///
/// # Errors
/// When a file cannot be read, or their sample rates or channels differ.
pub fn compare(before: &Path, after: &Path) -> Result<(Comparison, Vec<String>), RenderError> {
    let (mut dry, mut wet) = (files::read(before)?, files::read(after)?);
    same_rate((before, dry.rate_hz), (after, wet.rate_hz))?;
    files::same_channels((before, &dry), (after, &wet)).map_err(RenderError::Unlike)?;
    let mut notes = Vec::new();
    notes.extend(out_of_step((before, &dry), (after, &wet)));
    if dry.frames() != wet.frames() {
        let seconds = |audio: &Audio| audio.frames() as f64 / f64::from(audio.rate_hz);
        notes.push(format!(
            "The files differ in length, {:.3} s and {:.3} s; the shorter one is padded with silence. They must begin at the same moment.",
            seconds(&dry),
            seconds(&wet)
        ));
    }
    let frames = dry.frames().max(wet.frames());
    dry.fit(frames);
    wet.fit(frames);
    let measured = |audio: &Audio| {
        let mut meter = Meter::new(audio.rate_hz, audio.channels);
        meter.add(&audio.left, &audio.right);
        meter.finish()
    };
    let mut together = TogetherMeter::new(dry.rate_hz);
    together.add([&dry.left, &dry.right], [&wet.left, &wet.right]);
    let name = |path: &Path| path.display().to_string();
    let comparison = Comparison {
        version: env!("CARGO_PKG_VERSION"),
        before: name(before),
        after: name(after),
        figures: Figures::new(&measured(&dry), &measured(&wet), together.finish()),
    };
    Ok((comparison, notes))
}

/// Says by how much one file is late against the other, and what to do, and whether it is turned over. Of
/// two silent ones there is nothing to say.
fn out_of_step((before, dry): (&Path, &Audio), (after, wet): (&Path, &Audio)) -> Vec<String> {
    /// Below this, a beginning is silence, which tells no delay.
    const SILENT: f32 = 1e-3;
    let rate_hz = dry.rate_hz;
    let sounds = |left: &f32, right: &f32| left.abs().max(right.abs()) > SILENT;
    let Some(begins) = dry.left.iter().zip(&dry.right).position(|(l, r)| sounds(l, r)) else {
        return Vec::new();
    };
    // One that is early begins before.
    let from = begins.saturating_sub((align::WITHIN_S * f64::from(rate_hz)) as usize);
    let [dry, wet] = [dry, wet].map(|audio| {
        [&audio.left, &audio.right].map(|channel| channel.get(from..).unwrap_or_default())
    });
    let counts = "togetherness takes a delay for processing, or gives no reading";
    let (before, after) = (before.display(), after.display());
    let late = align::late(dry, wet, rate_hz);
    let turned = late.ok().and_then(|late| align::turned(dry, wet, late)).map(|turned| {
        format!("{after} is {turned} against {before}, which none of the figures tells.")
    });
    let out = match late {
        Ok(0) => None,
        Ok(late) => Some(format!(
            "{after} is {} against {before}: {counts}. Cut {} off the beginning of {} and compare again{}.",
            align::in_words(late, rate_hz),
            align::samples_in_words(late.unsigned_abs()),
            if late > 0 { &after } else { &before },
            // A filter delays what it passes.
            if late.unsigned_abs() <= 8 {
                ", unless it is a filter that has delayed it"
            } else {
                ""
            }
        )),
        Err(AlignError::Doubtful(one, other)) => Some(format!(
            "{after} lines up with {before} as well {} as {}: {counts}. Make sure that both begin at the same moment.",
            align::in_words(one, rate_hz),
            align::in_words(other, rate_hz)
        )),
        Err(AlignError::Unlike) => Some(format!(
            "{after} does not line up with {before} within {:.0} ms: {counts}. Make sure that both are the same programme and begin at the same moment.",
            align::WITHIN_S * 1000.0
        )),
    };
    out.into_iter().chain(turned).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn latency_is_told_block_by_block() {
        for (latency, expected) in [(0, [0, 0, 0]), (3, [3, 0, 0]), (5, [5, 0, 0]), (12, [5, 5, 2])]
        {
            let mut latency = Latency(latency);
            assert_eq!([5, 5, 5].map(|length| latency.within(length)), expected);
        }
    }

    #[test]
    fn beyond_the_end_there_is_silence() {
        for (start, expected) in
            [(0, [1.0, 2.0]), (2, [3.0, 0.0]), (3, [0.0, 0.0]), (9, [0.0, 0.0])]
        {
            let mut into = [7.0; 2];
            excerpt(&[1.0, 2.0, 3.0], start, &mut into);
            assert_eq!(into, expected);
        }
    }

    fn job(inputs: &[&str], output: &str) -> Job {
        Job {
            inputs: inputs.iter().map(PathBuf::from).collect(),
            output: output.into(),
            preset: None,
            settings: Settings::default(),
            tempo_bpm: None,
            target_db: None,
            key: None,
            compare: false,
            json: None,
            format: Format::default(),
            keep_latency: false,
        }
    }

    #[test]
    fn the_dry_file_goes_beside_the_output() {
        assert_eq!(dry_path(Path::new("a/b.c.wav")), Path::new("a/b.c-dry-matched.wav"));
    }

    #[test]
    fn outputs_must_not_meet_inputs_or_each_other() {
        let good = job(&["in.wav"], "out.wav");
        check(&good).unwrap();
        let refused = |job: Job| check(&job).unwrap_err().to_string();
        let ends = "is an input and would be overwritten; name another output";
        assert_eq!(refused(job(&["in.wav", "./out.wav"], "out.wav")), format!("out.wav: {ends}"));
        let mut keyed = job(&["in.wav"], "out.wav");
        keyed.settings = keyed.settings.with(Control::KeySource, 1.0);
        keyed.key = Some("out.wav".into());
        assert_eq!(refused(keyed), format!("out.wav: {ends}"));
        let mut dry = job(&["out-dry-matched.wav"], "out.wav");
        check(&dry).unwrap();
        dry.compare = true;
        assert_eq!(refused(dry), format!("out-dry-matched.wav: {ends}"));
        let mut json = good.clone();
        json.json = Some("./out.wav".into());
        assert_eq!(
            refused(json),
            "./out.wav: would be written twice; give every output its own name"
        );
        assert_eq!(
            refused(job(&["in.wav"], "out.mp3")),
            "out.mp3: the output is a WAV file; give it a name that ends in .wav"
        );
        assert_eq!(refused(job(&[], "out.wav")), "there is no input; name at least one audio file");
    }

    #[test]
    fn progress_goes_from_nothing_to_all() {
        let folder = tempfile::tempdir().unwrap();
        let input = folder.path().join("in.wav");
        let mut wav = WavFile::create(
            Pending::create(&input).unwrap(),
            (48_000, Channels::Stereo),
            Format::Int24,
            10_000,
        )
        .unwrap();
        wav.write(&mut [0.1; 10_000], &mut [0.2; 10_000]).unwrap();
        wav.finish().unwrap().0.commit().unwrap();
        let mut job = job(&[], "");
        job.inputs = vec![input];
        job.output = folder.path().join("out.wav");
        for compare in [false, true] {
            job.compare = compare;
            let mut heard = vec![0.0];
            render(&job, &mut |share| heard.push(share)).unwrap();
            assert!(heard.is_sorted(), "{heard:?}");
            assert_eq!(heard.last(), Some(&1.0));
        }
    }
}
