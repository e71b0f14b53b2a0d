//! `cargo xtask bench`: how fast the engine is, stage by stage and as a whole, beside a
//! general-purpose library.
//!
//! Machines are noisy, so programs are not measured one after the other: each stays open and answers
//! one request at a time, in turns, round after round. Ratios are taken within a round.

use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use anyhow::{Context, Result, bail};
use serde_json::{Value, json};

use crate::test;
use crate::workspace::{self, cargo, show};

/// What is asked for on the command line.
#[derive(clap::Args)]
pub(crate) struct Options {
    /// Print JSON instead of tables.
    #[arg(long)]
    json: bool,
    /// How many times everything is measured, in turns.
    #[arg(long, default_value_t = 21, value_parser = clap::value_parser!(u32).range(3..))]
    rounds: u32,
    /// Count instructions under valgrind instead, and write them to dsp/benches/counts.toml.
    #[arg(long)]
    counts: bool,
}

/// Measures everything, or counts.
///
/// # Errors
/// When the engine's own program cannot be built or run.
pub(crate) fn run(options: &Options) -> Result<()> {
    let measure = build()?;
    if options.counts {
        return count(&measure);
    }
    let mut notes = Vec::new();
    let mut engine = Answering::start(Command::new(&measure).arg("answer"))?;
    let mut library = match library(&measure) {
        Ok(library) => Some(library),
        Err(error) => {
            notes.push(format!("pedalboard was not measured: {error:#}"));
            None
        }
    };
    let mut requests = requests(&list(&measure)?);
    requests.retain(|request| library.is_some() || !request.is_library());
    let mut results: Vec<Vec<f64>> = vec![Vec::new(); requests.len()];
    let mut blocks: BTreeMap<usize, Vec<[f64; 2]>> = BTreeMap::new();
    for round in 1..=options.rounds {
        eprint!("\rround {round} of {}", options.rounds);
        for (request, results) in requests.iter().zip(&mut results) {
            let program = if request.is_library() { library.as_mut() } else { Some(&mut engine) };
            let program = program.context("the library is not there")?;
            results.push(program.ask("run", request)?[0]);
        }
        for block in WORST_BLOCKS {
            let request = Request::new(ENGINE, 48_000, block);
            let [median, worst] = engine.ask("blocks", &request)?[..] else {
                bail!("blocks were not answered with two times");
            };
            blocks.entry(block).or_default().push([median, worst]);
        }
    }
    eprintln!();
    let report = report(&requests, &results, &blocks, options.rounds, &notes);
    if options.json {
        println!("{report:#}");
    } else {
        print(&report);
    }
    Ok(())
}

const ENGINE: &str = "engine";
const SATURATED: &str = "engine, saturation at 4x";
const COMPRESSOR: &str = "pedalboard: Compressor";
const HIGHPASS: &str = "pedalboard: HighpassFilter";
const DISTORTION: &str = "pedalboard: Distortion";

const RATES_HZ: [u32; 4] = [44_100, 48_000, 96_000, 192_000];
const BLOCKS: [usize; 5] = [16, 64, 128, 512, 4_096];
/// Where the library is measured. Its overhead per call weighs on smaller blocks; 0 is all at once.
const LIBRARY_BLOCKS: [usize; 3] = [512, 4_096, 0];
const WORST_BLOCKS: [usize; 3] = [64, 128, 512];
/// All at once: the length of the programme or more.
const WHOLE: usize = 1 << 30;

/// One thing to measure.
#[derive(Debug, PartialEq)]
struct Request {
    name: String,
    rate_hz: u32,
    block: usize,
}

impl Request {
    fn new(name: &str, rate_hz: u32, block: usize) -> Self {
        Self { name: name.to_owned(), rate_hz, block }
    }

    fn is_library(&self) -> bool {
        self.name.starts_with("pedalboard")
    }
}

/// Everything to measure, given the cases of the engine's program.
fn requests(cases: &[String]) -> Vec<Request> {
    let mut requests: Vec<Request> =
        cases.iter().map(|name| Request::new(name, 48_000, 128)).collect();
    let mut add = |request: Request| {
        if !requests.contains(&request) {
            requests.push(request);
        }
    };
    for rate_hz in RATES_HZ {
        for block in BLOCKS {
            add(Request::new(ENGINE, rate_hz, block));
        }
    }
    // What is compared stands side by side.
    for block in LIBRARY_BLOCKS {
        for name in [ENGINE, COMPRESSOR, HIGHPASS, SATURATED, DISTORTION] {
            add(Request::new(name, 48_000, block));
        }
    }
    requests
}

/// A program that answers requests.
struct Answering {
    child: Child,
    to: Option<ChildStdin>,
    from: BufReader<ChildStdout>,
}

impl Answering {
    /// Starts it, on the last core if the system can pin it there.
    fn start(command: &mut Command) -> Result<Self> {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let mut pinned = match test::find("taskset") {
            Some(taskset) => {
                let mut pinned = Command::new(taskset);
                pinned.args(["-c", &(cores - 1).to_string()]).arg(command.get_program());
                pinned
            }
            None => Command::new(command.get_program()),
        };
        pinned.args(command.get_args()).stdin(Stdio::piped()).stdout(Stdio::piped());
        let mut child =
            pinned.spawn().with_context(|| format!("{} could not be started", show(&pinned)))?;
        let to = child.stdin.take();
        let from = child.stdout.take().context("a program without output")?;
        Ok(Self { child, to, from: BufReader::new(from) })
    }

    /// The numbers it answers with.
    fn ask(&mut self, what: &str, request: &Request) -> Result<Vec<f64>> {
        let Request { name, rate_hz, block } = request;
        let block = if *block == 0 && !request.is_library() { WHOLE } else { *block };
        let to = self.to.as_mut().context("a program without input")?;
        let mut line = String::new();
        writeln!(to, "{what}\t{name}\t{rate_hz}\t{block}")
            .and_then(|()| self.from.read_line(&mut line))
            .with_context(|| format!("{name} could not be asked"))?;
        let numbers: Result<Vec<f64>, _> = line.trim_end().split('\t').map(str::parse).collect();
        numbers.with_context(|| format!("{name} was not measured; it answered {line:?}"))
    }
}

impl Drop for Answering {
    /// Closing its input ends it.
    fn drop(&mut self) {
        self.to = None;
        let _ = self.child.wait();
    }
}

/// Builds the engine's own program in release mode, as the plug-in is built; where it is.
fn build() -> Result<PathBuf> {
    let build = ["build", "--release", "--package", "tenon-dsp", "--example", "measure"];
    workspace::run(cargo().args(build))?;
    let name = format!("measure{}", std::env::consts::EXE_SUFFIX);
    Ok(workspace::target()?.join("release/examples").join(name))
}

/// The cases of the engine's program.
fn list(measure: &Path) -> Result<Vec<String>> {
    let output = Command::new(measure).arg("list").output().context("it could not be started")?;
    Ok(String::from_utf8_lossy(&output.stdout).lines().map(str::to_owned).collect())
}

/// The library, in an environment of its own, with the programme the engine plays.
fn library(measure: &Path) -> Result<Answering> {
    let scripts = workspace::root().join("tests/python");
    let target = workspace::target()?;
    let python = test::python(&scripts, &target.join("python"))?;
    let programme = target.join("programme.f32");
    workspace::run(Command::new(measure).arg("programme").arg(&programme))?;
    let script = scripts.join("bench_pedalboard.py");
    Answering::start(Command::new(python).arg(script).arg(programme))
}

/// Median, quartiles and least of numbers.
fn spread(mut numbers: Vec<f64>) -> [f64; 4] {
    numbers.sort_unstable_by(f64::total_cmp);
    let at = |share: f64| numbers[(share * (numbers.len() - 1) as f64).round() as usize];
    [at(0.5), at(0.25), at(0.75), numbers[0]]
}

fn spread_json(numbers: Vec<f64>) -> Value {
    let [median, low, high, least] = spread(numbers);
    json!({ "median": median, "quartiles": [low, high], "least": least })
}

/// All results. Times are in nanoseconds.
fn report(
    requests: &[Request],
    results: &[Vec<f64>],
    blocks: &BTreeMap<usize, Vec<[f64; 2]>>,
    rounds: u32,
    notes: &[String],
) -> Value {
    let measured: Vec<Value> = requests
        .iter()
        .zip(results)
        .map(|(request, results)| {
            let [median, ..] = spread(results.clone());
            json!({
                "name": request.name,
                "rate_hz": request.rate_hz,
                "block_frames": request.block,
                "ns_per_frame": spread_json(results.clone()),
                "instances_per_core": 1e9 / (f64::from(request.rate_hz) * median),
            })
        })
        .collect();
    let of = |name: &str, rate_hz: u32, block: usize| {
        let wanted = Request::new(name, rate_hz, block);
        requests.iter().position(|request| *request == wanted).map(|i| &results[i])
    };
    let ratio = |a: Option<&Vec<f64>>, b: Option<&Vec<f64>>| {
        let ratios: Vec<f64> = a?.iter().zip(b?).map(|(a, b)| a / b).collect();
        let least = |of: &[f64]| of.iter().copied().fold(f64::INFINITY, f64::min);
        Some((ratios, least(a?) / least(b?)))
    };
    let mut targets = Vec::new();
    let mut target = |what: String, most: f64, ratios: Option<(Vec<f64>, f64)>| {
        if let Some((ratios, of_least)) = ratios {
            let [median, ..] = spread(ratios.clone());
            targets.push(json!({
                "what": what,
                "ratio": spread_json(ratios),
                "ratio_of_least": of_least,
                "at_most": most,
                "met": median <= most,
            }));
        }
    };
    for block in LIBRARY_BLOCKS {
        let at = show_block(block);
        let of = |name| of(name, 48_000, block);
        target(format!("default to Compressor, {at}"), 0.6, ratio(of(ENGINE), of(COMPRESSOR)));
        let to_distortion = ratio(of(SATURATED), of(DISTORTION));
        target(format!("saturation at 4x to Distortion, {at}"), 1.5, to_distortion);
    }
    for rate_hz in [96_000, 192_000] {
        // A frame costs the same at any rate, so that the load is linear in it.
        let ratios = ratio(of(ENGINE, rate_hz, 128), of(ENGINE, 48_000, 128));
        target(format!("a frame at {} kHz to one at 48 kHz", rate_hz / 1000), 1.1, ratios);
    }
    for (block, times) in blocks {
        let ratios: Vec<f64> = times.iter().map(|[median, worst]| worst / median).collect();
        let [.., least] = spread(ratios.clone());
        let ratios = (ratios, least);
        target(format!("worst block (99.9 %) of {block} to the median one"), 3.0, Some(ratios));
    }
    json!({ "rounds": rounds, "measured": measured, "targets": targets, "notes": notes })
}

fn show_block(block: usize) -> String {
    if block == 0 { "all at once".to_owned() } else { format!("blocks of {block}") }
}

/// The report as tables.
fn print(report: &Value) {
    let quartiles = |value: &Value| {
        let [low, high] = [0, 1].map(|i| value["quartiles"][i].as_f64().unwrap_or(f64::NAN));
        let [median, least] =
            ["median", "least"].map(|key| value[key].as_f64().unwrap_or(f64::NAN));
        (format!("{median:>8.2}  {low:>7.2} to {high:<7.2}"), least)
    };
    println!(
        "Nanoseconds per stereo frame: median, quartiles and least of {} rounds. On a machine that is\n\
         shared the least is what the code needs, and the rest what it got.",
        report["rounds"]
    );
    println!(
        "\n{:<38}{:>8} {:>12} {:>8}  {:<18} {:>8}  instances per core",
        "", "rate", "block", "median", "    quartiles", "least"
    );
    for row in report["measured"].as_array().into_iter().flatten() {
        let (times, least) = quartiles(&row["ns_per_frame"]);
        println!(
            "{:<38}{:>8} {:>12} {times} {least:>8.2}  {:>6.0}",
            row["name"].as_str().unwrap_or_default(),
            row["rate_hz"],
            match row["block_frames"].as_u64() {
                Some(0) => "all at once".to_owned(),
                block => block.unwrap_or_default().to_string(),
            },
            row["instances_per_core"].as_f64().unwrap_or(f64::NAN),
        );
    }
    println!("\nRatios within a round: median and quartiles; ratio of the least times.\n");
    for row in report["targets"].as_array().into_iter().flatten() {
        println!(
            "{:<52}{} {:>6.2}  at most {:.2}: {}",
            row["what"].as_str().unwrap_or_default(),
            quartiles(&row["ratio"]).0,
            row["ratio_of_least"].as_f64().unwrap_or(f64::NAN),
            row["at_most"].as_f64().unwrap_or(f64::NAN),
            if row["met"] == true { "met" } else { "missed" },
        );
    }
    for note in report["notes"].as_array().into_iter().flatten() {
        println!("\nnote: {}", note.as_str().unwrap_or_default());
    }
}

/// Frames of the shorter of two runs; what they differ by is counted.
const COUNTED_FRAMES: u64 = 9_600;

/// Counts instructions of every case and writes them down.
fn count(measure: &Path) -> Result<()> {
    let valgrind = test::find("valgrind").context("there is no valgrind here; install valgrind")?;
    let file = workspace::root().join("dsp/benches/counts.toml");
    let before = fs::read_to_string(&file).unwrap_or_default();
    let rustc = Command::new("rustc").arg("--version").output().context("rustc does not run")?;
    let mut text = format!(
        "# Instructions per stereo frame at 48 kHz in blocks of 128, as `cargo xtask bench --counts`\n\
         # counts them under callgrind. They repeat to about 1 %; commit them with what moves them.\n\
         # {}, {}{}.\n\n",
        String::from_utf8_lossy(&rustc.stdout).trim(),
        std::env::consts::ARCH,
        if has_avx2() { " with AVX2" } else { "" },
    );
    for name in list(measure)? {
        let [short, long] = [COUNTED_FRAMES, 2 * COUNTED_FRAMES]
            .map(|frames| instructions(&valgrind, measure, &name, frames));
        let per_frame = (long? - short?) as f64 / COUNTED_FRAMES as f64;
        let line = format!("{name:?} = {per_frame:.1}");
        let old = before
            .lines()
            .find_map(|old| old.strip_prefix(&format!("{name:?} = "))?.parse::<f64>().ok());
        match old {
            Some(old) => println!("{line}  ({:+.1} %)", 100.0 * (per_frame / old - 1.0)),
            None => println!("{line}  (new)"),
        }
        text += &line;
        text += "\n";
    }
    let beside = file.with_extension("toml.new");
    fs::write(&beside, text)
        .and_then(|()| fs::rename(&beside, &file))
        .with_context(|| format!("{} cannot be written", file.display()))?;
    println!("\nWritten to {}", file.display());
    Ok(())
}

/// Whether the engine finds wide registers here, which halve many counts. (Callgrind shows it none wider.)
fn has_avx2() -> bool {
    #[cfg(target_arch = "x86_64")]
    return std::arch::is_x86_feature_detected!("avx2");
    #[cfg(not(target_arch = "x86_64"))]
    false
}

/// Instructions of a whole run, by what callgrind says at its end.
fn instructions(valgrind: &Path, measure: &Path, name: &str, frames: u64) -> Result<u64> {
    let mut command = Command::new(valgrind);
    command.args(["--tool=callgrind", "--callgrind-out-file=/dev/null"]).arg(measure);
    command.args(["count", name, &frames.to_string()]);
    let output = command.output().context("valgrind could not be started")?;
    let said = String::from_utf8_lossy(&output.stderr);
    collected(&said).with_context(|| format!("{} counted nothing:\n{said}", show(&command)))
}

/// The number in callgrind's last lines.
fn collected(said: &str) -> Option<u64> {
    said.lines().find_map(|line| line.split_once("Collected : ")?.1.trim().parse().ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_count_is_read_off_what_callgrind_says() {
        let said = "==7== Events    : Ir\n==7== Collected : 55958985\n==7==\n";
        assert_eq!(collected(said), Some(55_958_985));
        assert_eq!(collected("==7== no such program\n"), None);
    }

    #[test]
    fn spread_is_median_and_quartiles() {
        assert_eq!(spread(vec![5.0, 1.0, 4.0, 2.0, 3.0]), [3.0, 2.0, 4.0, 1.0]);
    }

    #[test]
    fn nothing_is_asked_for_twice_and_what_is_compared_is_measured() {
        let requests = requests(&[ENGINE, SATURATED].map(str::to_owned));
        for (i, request) in requests.iter().enumerate() {
            assert!(!requests[..i].contains(request), "{request:?}");
        }
        for block in LIBRARY_BLOCKS {
            for name in [ENGINE, SATURATED, COMPRESSOR, DISTORTION] {
                assert!(requests.contains(&Request::new(name, 48_000, block)));
            }
        }
    }

    /// Ratios are those of one round, not of medians from different moments.
    #[test]
    fn a_ratio_compares_within_a_round() {
        let requests = [Request::new(ENGINE, 48_000, 512), Request::new(COMPRESSOR, 48_000, 512)];
        let results = [vec![5.0, 10.0, 50.0], vec![10.0, 20.0, 100.0]];
        let report = report(&requests, &results, &BTreeMap::new(), 3, &[]);
        assert_eq!(report["targets"][0]["ratio"]["quartiles"], json!([0.5, 0.5]));
        assert_eq!(report["targets"][0]["met"], true);
        assert_eq!(report["measured"][0]["ns_per_frame"]["median"], 10.0);
    }
}
