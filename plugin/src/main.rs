//! The command line: reads arguments, shows progress and results. All work is in the library.

use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::builder::{PossibleValuesParser, TypedValueParser};
use clap::{Args, Parser, Subcommand};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use tenon::files::{self, Format};
use tenon::presets::{self, PresetError};
use tenon::render::{Job, Rendered, compare, render, spare};
use tenon::text::{AssignmentError, assignment, quantity, range_text, to_text};
use tenon::trial::plan::{Kind, TRIALS, USUAL_TRIALS};
use tenon::trial::score::score;
use tenon::trial::set::{self, LEAST_LENGTH_S, make};
use tenon_dsp::{Control, QUALITIES, Settings, TARGETS_DB, TEMPOS_BPM};

/// Bus compression with cohesion metering, without a host.
#[derive(Parser)]
#[command(version, about)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Compress audio files and report what changed.
    ///
    /// Several inputs are summed as a bus sums its tracks. With the loudness match on, as it is
    /// unless set off, the output is as loud as the input, so that the two compare fairly. Their
    /// peaks may still differ, and with the match off their levels too: turn the monitors down
    /// before you listen.
    ///
    /// Saturation works at 8x, unless a preset or --set says otherwise.
    Render(Box<RenderArguments>),
    /// Measure what changed between two files: one programme before and after some processing,
    /// whoever did it.
    Compare {
        /// File from before, stereo or mono.
        before: PathBuf,
        /// File from after, of the same sample rate and channels, and in time with the other.
        after: PathBuf,
        /// Write the figures to this file as JSON.
        #[arg(long, value_name = "FILE")]
        json: Option<PathBuf>,
    },
    /// Make a blind trial of two files, or score one: `tenon trial score FOLDER ANSWERS`.
    ///
    /// Writes a passage of both files, aligned and equally loud, a sealed key, and a page that plays
    /// them and asks. Open trial.html in a browser; it loads nothing and sends nothing. Set a moderate
    /// monitoring level first and leave it there.
    #[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
    Trial(Box<TrialArguments>),
    /// List the factory presets and what they set.
    Presets,
    /// List the controls: ids, values they take, defaults and meaning.
    Params,
}

#[derive(Args)]
struct RenderArguments {
    /// WAV, FLAC, MP3 or Ogg Vorbis files of one sample rate, stereo or mono; shorter ones are padded
    /// with silence. The output is mono when all of them are.
    #[arg(required = true, value_name = "IN")]
    inputs: Vec<PathBuf>,
    /// WAV file to write; an older one of that name is replaced.
    #[arg(short, long, value_name = "OUT")]
    output: PathBuf,
    /// Preset to start from; its beginning is enough. `tenon presets` lists them.
    #[arg(long, value_name = "NAME", value_parser = preset)]
    preset: Option<presets::Preset>,
    /// Set one control, for example threshold=-18. `tenon params` lists them. May be repeated; the
    /// last one counts.
    #[arg(long, value_name = "ID=VALUE", value_parser = setting)]
    set: Vec<(Control, f32)>,
    /// Tempo of the programme in quarter notes a minute, 20 to 400, for times that are note values and
    /// for figures in beats; the files begin on a beat.
    #[arg(long, value_name = "BPM", value_parser = tempo, allow_negative_numbers = true)]
    tempo: Option<f64>,
    /// Find the threshold for a typical maximum of the gain reduction, 0.5 to 12 dB; usual: 1 to 3.
    /// Typical is the largest reduction within a second, averaged over the seconds but for the quarter
    /// with the least and the quarter with the most.
    #[arg(long, value_name = "DB", value_parser = target, allow_negative_numbers = true)]
    target_gr: Option<f32>,
    /// File that the detector listens to instead of the bus. A stereo one takes a stereo bus.
    #[arg(long, value_name = "FILE")]
    key: Option<PathBuf>,
    /// Also write the dry signal at the loudness of the output, as OUT-dry-matched.wav.
    #[arg(long)]
    compare: bool,
    /// Write the figures to this file as JSON.
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Bits of a sample: 16 with dither, 24, or 32f for floating point, which never clips.
    #[arg(long, default_value = Format::Int24.name(), value_parser = format())]
    format: Format,
    /// Leave the latency of the processing at the beginning of the output.
    #[arg(long)]
    keep_latency: bool,
}

#[derive(Args)]
struct TrialArguments {
    #[command(subcommand)]
    score: Option<TrialCommand>,
    #[command(flatten)]
    make: Option<MakeArguments>,
}

#[derive(Subcommand)]
enum TrialCommand {
    /// Open the sealed key of a trial, count answers, and write a record and a CSV file beside it.
    Score {
        /// Folder of the trial.
        folder: PathBuf,
        /// Answers that the page saved.
        answers: PathBuf,
    },
}

#[derive(Args)]
struct MakeArguments {
    /// File from before, stereo or mono.
    before: PathBuf,
    /// File from after, of the same sample rate and channels. It may be up to 0.2 s late or early.
    after: PathBuf,
    /// Folder to write, new or empty.
    #[arg(short, long, value_name = "FOLDER")]
    output: PathBuf,
    /// What is asked: which of the two X is, or which one is liked better.
    #[arg(long, default_value = Kind::Difference.name(), value_parser = kind())]
    kind: Kind,
    /// How many trials, 8 to 25, fixed beforehand.
    #[arg(long, default_value_t = USUAL_TRIALS, value_parser = trials())]
    trials: u32,
    /// Where the passage begins.
    #[arg(long, value_name = "SECONDS", default_value_t = 0.0, value_parser = from_s, allow_negative_numbers = true)]
    from: f64,
    /// How long the passage is; otherwise 30 s, or what there is.
    #[arg(long, value_name = "SECONDS", value_parser = length_s, allow_negative_numbers = true)]
    length: Option<f64>,
}

fn kind() -> impl TypedValueParser<Value = Kind> {
    PossibleValuesParser::new(Kind::ALL.map(Kind::name)).map(|name| {
        Kind::ALL
            .into_iter()
            .find(|kind| kind.name() == name)
            .expect("the parser lets only these names through")
    })
}

fn trials() -> impl Fn(&str) -> Result<u32, String> + Clone {
    |text: &str| {
        let trials = text.trim().parse().ok().filter(|trials| TRIALS.contains(trials));
        let (least, most) = (TRIALS.start(), TRIALS.end());
        trials.ok_or_else(|| format!("it takes a whole number from {least} to {most}; type 16"))
    }
}

fn from_s(text: &str) -> Result<f64, String> {
    seconds(text, 0.0)
}

fn length_s(text: &str) -> Result<f64, String> {
    seconds(text, LEAST_LENGTH_S)
}

fn seconds(text: &str, least: f64) -> Result<f64, String> {
    quantity(text, &[("ms", 1e-3), ("s", 1.0)])
        .filter(|seconds| *seconds >= least)
        .ok_or_else(|| format!("it takes seconds, {least} s or more; type 12.5 or 12.5 s"))
}

impl From<MakeArguments> for set::Job {
    fn from(arguments: MakeArguments) -> Self {
        Self {
            before: arguments.before,
            after: arguments.after,
            folder: arguments.output,
            kind: arguments.kind,
            trials: arguments.trials,
            from_s: arguments.from,
            length_s: arguments.length,
        }
    }
}

fn preset(name: &str) -> Result<presets::Preset, PresetError> {
    presets::find(name)
}

/// An assignment; a note value that is given to attack or release goes to its note.
fn setting(text: &str) -> Result<(Control, f32), AssignmentError> {
    let times = [Control::Attack, Control::Release].map(|time| time.spec().id);
    match text.split_once('=').map(|(id, value)| (id.trim(), value)) {
        Some((id, value)) if times.contains(&id) && value.contains('/') => {
            assignment(&format!("{id}_note={value}"))
        }
        _ => assignment(text),
    }
}

fn tempo(text: &str) -> Result<f64, String> {
    quantity(text, &[("bpm", 1.0)]).filter(|bpm| TEMPOS_BPM.contains(bpm)).ok_or_else(|| {
        format!(
            "it takes {} bpm to {} bpm, quarter notes a minute; type 120 or 120 bpm",
            TEMPOS_BPM.start(),
            TEMPOS_BPM.end()
        )
    })
}

fn target(text: &str) -> Result<f32, String> {
    let target_db = quantity(text, &[("db", 1.0)]).map(|number| number as f32);
    target_db.filter(|target_db| TARGETS_DB.contains(target_db)).ok_or_else(|| {
        format!(
            "it takes {} dB to {} dB of reduction; type 2 or 2 dB",
            TARGETS_DB.start(),
            TARGETS_DB.end()
        )
    })
}

fn format() -> impl TypedValueParser<Value = Format> {
    PossibleValuesParser::new(Format::ALL.map(Format::name)).map(|name| {
        Format::ALL
            .into_iter()
            .find(|format| format.name() == name)
            .expect("the parser lets only these names through")
    })
}

/// The value of the highest quality.
const FINEST: f32 = QUALITIES.len() as f32 - 1.0;

impl From<RenderArguments> for Job {
    fn from(arguments: RenderArguments) -> Self {
        let mut settings = match &arguments.preset {
            Some(preset) => preset.settings,
            None => Settings::default(),
        };
        // Nobody waits for a render as they do for a host.
        if settings[Control::Quality] == Control::Quality.spec().default {
            settings = settings.with(Control::Quality, FINEST);
        }
        // Who names a key wants it heard; setting the key source explicitly still counts.
        if arguments.key.is_some() {
            settings = settings.with(Control::KeySource, 1.0);
        }
        for (control, value) in arguments.set {
            settings = settings.with(control, value);
        }
        Job {
            inputs: arguments.inputs,
            output: arguments.output,
            preset: arguments.preset.map(|preset| preset.name),
            settings,
            tempo_bpm: arguments.tempo,
            target_db: arguments.target_gr,
            key: arguments.key,
            compare: arguments.compare,
            json: arguments.json,
            format: arguments.format,
            keep_latency: arguments.keep_latency,
        }
    }
}

fn main() -> ExitCode {
    match run(Arguments::parse().command) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error}");
            ExitCode::from(2)
        }
    }
}

fn run(command: Command) -> Result<(), Box<dyn std::error::Error>> {
    let text = match command {
        Command::Presets => presets_text(),
        Command::Params => params_text(),
        Command::Render(arguments) => rendered_text(*arguments)?,
        Command::Compare { before, after, json } => {
            compared_text(&before, &after, json.as_deref())?
        }
        Command::Trial(arguments) => match *arguments {
            TrialArguments { score: Some(TrialCommand::Score { folder, answers }), .. } => {
                scored_text(&folder, &answers)?
            }
            TrialArguments { make: Some(arguments), .. } => made_text(arguments)?,
            // The parser asks for one of the two.
            TrialArguments { .. } => String::new(),
        },
    };
    match io::stdout().write_all(text.as_bytes()) {
        // Whoever closed the pipe has read enough.
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            Err(format!("the result cannot be shown: {error}").into())
        }
        _ => Ok(()),
    }
}

/// Leaves nothing half-written behind when the user interrupts.
fn clean_up_when_interrupted() -> Result<(), ctrlc::Error> {
    ctrlc::set_handler(|| {
        files::abandon();
        // What shells report for an interruption: 128 and the signal's number.
        std::process::exit(130);
    })
}

fn made_text(arguments: MakeArguments) -> Result<String, Box<dyn std::error::Error>> {
    clean_up_when_interrupted()?;
    let made = make(&arguments.into())?;
    let mut text = String::new();
    for line in made.notes {
        text += &format!("{line}\n");
    }
    for path in made.written {
        text += &format!("Wrote {}\n", path.display());
    }
    text += &format!("Commitment to the order: {}\n", made.commitment);
    Ok(text)
}

fn scored_text(folder: &Path, answers: &Path) -> Result<String, Box<dyn std::error::Error>> {
    let scored = score(folder, answers)?;
    let record = scored.record;
    let mut text = format!("{}\np = {:.6}\n", record.words(), record.p());
    if let Some(lu) = record.loudness_difference_lu() {
        text += &format!("Loudness difference that remained: {:.2} LU.\n", lu.abs());
    }
    for path in scored.written {
        text += &format!("Wrote {}\n", path.display());
    }
    text += &format!("Commitment to the order: {}\n", scored.commitment);
    Ok(text)
}

fn rendered_text(arguments: RenderArguments) -> Result<String, Box<dyn std::error::Error>> {
    let threshold = arguments.set.iter().find(|(control, _)| *control == Control::Threshold);
    if let (Some((control, value)), Some(_)) = (threshold, arguments.target_gr) {
        return Err(format!(
            "{} is set to {}, and --target-gr would find another; leave one of the two out",
            control.spec().id,
            to_text(*control, *value)
        )
        .into());
    }
    clean_up_when_interrupted()?;
    let bar = progress_bar();
    let rendered = render(&arguments.into(), &mut |share| {
        bar.set_position((share * BAR_STEPS as f64) as u64);
    });
    bar.finish_and_clear();
    let Rendered { report, notes, written } = rendered?;
    for note in notes {
        eprintln!("note: {note}");
    }
    let mut text = report.table();
    for path in written {
        text += &format!("Wrote {}\n", path.display());
    }
    Ok(text)
}

fn compared_text(
    before: &Path,
    after: &Path,
    json: Option<&Path>,
) -> Result<String, Box<dyn std::error::Error>> {
    let json = json.map(|json| spare(json, &[before, after])).transpose()?;
    let (comparison, notes) = compare(before, after)?;
    for note in notes {
        eprintln!("note: {note}");
    }
    let mut text = comparison.table();
    if let Some(file) = json {
        file.fill(comparison.json().as_bytes())?;
        text += &format!("Wrote {}\n", file.target().display());
        file.commit()?;
    }
    Ok(text)
}

const BAR_STEPS: u64 = 1000;

fn progress_bar() -> ProgressBar {
    let target = if io::stderr().is_terminal() {
        ProgressDrawTarget::stderr()
    } else {
        ProgressDrawTarget::hidden()
    };
    let style = ProgressStyle::with_template("{bar:40} {percent:>3} %")
        .expect("the template is well formed");
    ProgressBar::with_draw_target(Some(BAR_STEPS), target).with_style(style)
}

fn presets_text() -> String {
    let fresh = Settings::default();
    let mut text = String::new();
    for preset in presets::factory() {
        let changes: Vec<String> = Control::ALL
            .into_iter()
            .filter(|&control| preset.settings[control] != fresh[control])
            .map(|c| format!("{} {}", c.spec().id, to_text(c, preset.settings[c])))
            .collect();
        text += &format!("{}\n    {}\n    {}\n", preset.name, preset.about, changes.join(", "));
    }
    text
}

fn params_text() -> String {
    let line = |id: &str, takes: &str, default: &str| format!("{id:<17}{takes:<32}{default}\n");
    let mut text = line("id", "takes", "default");
    for control in Control::ALL {
        let spec = control.spec();
        let default = to_text(control, spec.default);
        text += &line(spec.id, &range_text(control), &default);
        text += &format!("    {}: {}\n", spec.name, spec.help);
    }
    text
}
