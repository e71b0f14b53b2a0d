//! `cargo xtask test`: everything that can be checked without ears.
//!
//! Every part runs whatever became of the others; the end tells what passed, what failed, and what
//! was skipped and why.

use std::fs;
use std::io::{BufRead, BufReader};
use std::ops::AddAssign;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use anyhow::{Context, Result, bail};

use crate::bundle::{self, Bundles};
use crate::tidy;
use crate::workspace::{self, cargo, show};

/// Runs all parts.
///
/// # Errors
/// When anything failed.
pub(crate) fn run() -> Result<()> {
    let mut notes = Vec::new();
    prepare_system(&mut notes);

    let mut parts = Parts::default();
    parts.check("tidy", tidy::run);
    parts.check("format", || workspace::run(cargo().args(["fmt", "--all", "--check"])));
    parts.check("lints", || {
        let clippy = ["clippy", "--workspace", "--all-targets", "--", "-D", "warnings"];
        workspace::run(cargo().args(clippy))
    });
    parts.check("documentation", || {
        let mut doc = cargo();
        doc.args(["doc", "--workspace", "--no-deps"]).env("RUSTDOCFLAGS", "-D warnings");
        workspace::run(&mut doc)
    });
    let mut built = None;
    parts.check("bundle", || {
        built = Some(Built { bundles: bundle::run()?, program: bundle::program()? });
        Ok(())
    });
    parts.add("tests in Rust", || rust_tests(built.as_ref()));
    parts.add("tests in Python", || python_tests(built.as_ref(), &mut notes));
    parts.conclude(&notes)
}

/// What the tests load and run.
struct Built {
    bundles: Bundles,
    program: PathBuf,
}

/// How many tests went how.
#[derive(Debug, Default, Clone, Copy, PartialEq)]
struct Counts {
    passed: usize,
    failed: usize,
    skipped: usize,
}

impl AddAssign for Counts {
    fn add_assign(&mut self, other: Self) {
        self.passed += other.passed;
        self.failed += other.failed;
        self.skipped += other.skipped;
    }
}

/// What has run so far: name, counts, seconds.
#[derive(Default)]
struct Parts(Vec<(&'static str, Counts, f64)>);

impl Parts {
    /// Runs a part that counts its tests; an error counts as one failure.
    fn add(&mut self, name: &'static str, part: impl FnOnce() -> Result<Counts>) {
        println!("\n=== {name}");
        let start = Instant::now();
        let counts = part().unwrap_or_else(|error| {
            println!("{name}: {error:#}");
            Counts { failed: 1, ..Counts::default() }
        });
        self.0.push((name, counts, start.elapsed().as_secs_f64()));
    }

    /// Runs a part that is one check.
    fn check(&mut self, name: &'static str, part: impl FnOnce() -> Result<()>) {
        self.add(name, || part().map(|()| Counts { passed: 1, ..Counts::default() }));
    }

    /// Prints the summary, and last the one line that sums it up.
    fn conclude(&self, notes: &[String]) -> Result<()> {
        let mut sum = Counts::default();
        println!("\n=== summary");
        for (name, counts, seconds) in &self.0 {
            sum += *counts;
            let Counts { passed, failed, skipped } = counts;
            println!(
                "{name:<16}{passed:>5} passed {failed:>4} failed {skipped:>4} skipped {seconds:>6.0} s"
            );
        }
        for note in notes {
            println!("note: {note}");
        }
        println!("\n{} passed, {} failed, {} skipped", sum.passed, sum.failed, sum.skipped);
        if sum.failed > 0 {
            bail!("not everything passed");
        }
        Ok(())
    }
}

/// Debian packages that some tests need, none of them for building.
const DEBIAN_PACKAGES: &[&str] = &[
    // Python host.
    "python3",
    "python3-venv",
    // The page of a blind trial.
    "chromium",
    // A window without a screen, and what opening one loads.
    "xvfb",
    "xauth",
    "libgl1",
    "libgl1-mesa-dri",
    "libx11-6",
    "libx11-xcb1",
    "libxcb1",
    "libxcursor1",
    "libxkbcommon0",
    "libxkbcommon-x11-0",
];

/// On Debian, installs what some tests need where that is missing, if it may; otherwise notes it, as on
/// other Linux systems.
fn prepare_system(notes: &mut Vec<String>) {
    if !cfg!(target_os = "linux") {
        return;
    }
    if find("dpkg-query").is_none() {
        notes.push(format!(
            "if tests of windows or of the browser fail, install what Debian calls: {}",
            DEBIAN_PACKAGES.join(" ")
        ));
        return;
    }
    let installed = |package: &&&str| {
        let mut query = Command::new("dpkg-query");
        let status = query.args(["--show", "--showformat=${db:Status-Status}", package]).output();
        status.is_ok_and(|output| output.stdout == b"installed")
    };
    let missing: Vec<&str> =
        DEBIAN_PACKAGES.iter().filter(|package| !installed(package)).copied().collect();
    if missing.is_empty() {
        return;
    }
    let names = missing.join(" ");
    let by_hand = format!(
        "some tests need Debian packages that are missing; install them with: apt-get install {names}"
    );
    if !is_root() || find("apt-get").is_none() {
        notes.push(by_hand);
        return;
    }
    println!("Installing Debian packages that some tests need: {names}");
    let apt = |arguments: &[&str]| {
        let mut apt = Command::new("apt-get");
        apt.args(["-qq", "-o", "Acquire::Retries=3"]).args(arguments);
        apt.env("DEBIAN_FRONTEND", "noninteractive").stdout(Stdio::null());
        workspace::run(&mut apt)
    };
    let install = [&["install", "--yes", "--no-install-recommends"], missing.as_slice()].concat();
    if let Err(error) = apt(&["update"]).and_then(|()| apt(&install)) {
        notes.push(format!("{by_hand} ({error:#})"));
    }
}

/// Whether this runs as root on Unix.
fn is_root() -> bool {
    let id = Command::new("id").arg("-u").output();
    id.is_ok_and(|output| output.stdout.trim_ascii() == b"0")
}

/// A program on the search path.
pub(crate) fn find(program: &str) -> Option<PathBuf> {
    let path = std::env::var_os("PATH")?;
    let name = format!("{program}{}", std::env::consts::EXE_SUFFIX);
    std::env::split_paths(&path).map(|folder| folder.join(&name)).find(|file| file.is_file())
}

/// All tests of the workspace. Tests that load the plug-in in a host find it by `TENON_CLAP` and
/// `TENON_VST3`.
fn rust_tests(built: Option<&Built>) -> Result<Counts> {
    let mut command = cargo();
    let screen = std::env::var_os("DISPLAY").or_else(|| std::env::var_os("WAYLAND_DISPLAY"));
    if let (None, Some(xvfb_run)) = (screen, find("xvfb-run")) {
        let cargo = command.get_program().to_owned();
        command = Command::new(xvfb_run);
        command
            .args(["--auto-servernum", "--server-args=-screen 0 1920x1200x24 -noreset"])
            .arg(cargo);
        command.current_dir(workspace::root());
    }
    command.args(["test", "--workspace", "--no-fail-fast"]);
    name_built(&mut command, built);
    let (succeeded, output) = run_and_keep(&mut command)?;
    Ok(unless_it_failed(cargo_counts(&output), succeeded))
}

/// The tests in `tests/python`, which load the bundle in a Python host, and pages in a browser.
fn python_tests(built: Option<&Built>, notes: &mut Vec<String>) -> Result<Counts> {
    let tests = workspace::root().join("tests/python");
    let written = count_tests(&tests)?;
    if written == 0 {
        bail!("there are no tests in {}", tests.display());
    }
    let Some(built) = built else { bail!("there is no bundle to load") };
    let python = match python(&tests, &workspace::target()?.join("python")) {
        Ok(python) => python,
        Err(error) => {
            let note = format!("{written} tests in Python were skipped: {error:#}");
            println!("{note}");
            notes.push(note);
            return Ok(Counts { skipped: written, ..Counts::default() });
        }
    };
    let mut command = Command::new(python);
    command.args(["-m", "pytest", "-rs", "-p", "no:cacheprovider"]).arg(&tests);
    command.env("PYTHONDONTWRITEBYTECODE", "1");
    name_built(&mut command, Some(built));
    let (succeeded, output) = run_and_keep(&mut command)?;
    Ok(unless_it_failed(counts_in(output.lines().last().unwrap_or_default()), succeeded))
}

/// A Python with what `tests/python/requirements.txt` names, in an environment of its own.
pub(crate) fn python(tests: &Path, environment: &Path) -> Result<PathBuf> {
    let program = ["python3", "python"].into_iter().find_map(find);
    let program = program.context("there is no Python 3 here; install python3 and python3-venv")?;
    workspace::run(Command::new(program).args(["-m", "venv"]).arg(environment))
        .context("Python cannot make an environment; install python3-venv")?;
    let folder = if cfg!(windows) { "Scripts" } else { "bin" };
    let python = environment.join(folder).join(format!("python{}", std::env::consts::EXE_SUFFIX));
    let mut install = Command::new(&python);
    install.args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check"]);
    workspace::run(install.arg("--requirement").arg(tests.join("requirements.txt")))
        .context("the Python packages cannot be installed; is the network up?")?;
    Ok(python)
}

/// How many test functions the Python files in a folder define.
fn count_tests(folder: &Path) -> Result<usize> {
    let entries =
        fs::read_dir(folder).with_context(|| format!("{} cannot be read", folder.display()))?;
    let mut count = 0;
    for entry in entries {
        let file = entry?.path();
        if file.extension().is_some_and(|extension| extension == "py") {
            let text = fs::read_to_string(&file)?;
            count += text.lines().filter(|line| line.trim_start().starts_with("def test_")).count();
        }
    }
    Ok(count)
}

/// Tells a test command where the bundles and the program are.
fn name_built(command: &mut Command, built: Option<&Built>) {
    if let Some(Built { bundles, program }) = built {
        command.env("TENON_CLAP", &bundles.clap).env("TENON_VST3", &bundles.vst3);
        command.env("TENON_CLI", program);
    }
}

/// Runs a command, passing its output on line by line; gives whether it succeeded, and the output.
fn run_and_keep(command: &mut Command) -> Result<(bool, String)> {
    let shown = show(command);
    let mut child = command
        .stdout(Stdio::piped())
        .spawn()
        .with_context(|| format!("{shown} could not be started"))?;
    let mut output = String::new();
    for line in BufReader::new(child.stdout.take().expect("it was piped")).split(b'\n') {
        let line = line.with_context(|| format!("the output of {shown} cannot be read"))?;
        let line = String::from_utf8_lossy(&line);
        println!("{line}");
        output += &line;
        output.push('\n');
    }
    let status = child.wait().with_context(|| format!("{shown} cannot be waited for"))?;
    if !status.success() {
        println!("{shown} failed ({status})");
    }
    Ok((status.success(), output))
}

/// The counts of a run. One that failed without counting a failure, say because it did not compile,
/// counts as one.
fn unless_it_failed(mut counts: Counts, succeeded: bool) -> Counts {
    if !succeeded && counts.failed == 0 {
        counts.failed = 1;
    }
    counts
}

/// Reads the output of `cargo test`: one closing line for every test program. A program that
/// announced its tests and never closed has crashed and counts as one failure.
fn cargo_counts(output: &str) -> Counts {
    let mut counts = Counts::default();
    let mut open = 0;
    for line in output.lines() {
        if line.starts_with("running ") && (line.ends_with(" tests") || line.ends_with(" test")) {
            open += 1;
        } else if line.starts_with("test result:") {
            counts += counts_in(line);
            open -= 1;
        }
    }
    counts.failed += usize::try_from(open).unwrap_or(0);
    counts
}

/// Reads the line with which cargo or pytest closes a run: numbers, each before what it counts.
fn counts_in(line: &str) -> Counts {
    let mut counts = Counts::default();
    let words: Vec<&str> =
        line.split([' ', ',', ';', '=', '.']).filter(|w| !w.is_empty()).collect();
    for pair in words.windows(2) {
        let Ok(number) = pair[0].parse::<usize>() else { continue };
        match pair[1] {
            "passed" | "xfailed" => counts.passed += number,
            "failed" | "error" | "errors" | "xpassed" => counts.failed += number,
            "skipped" | "ignored" => counts.skipped += number,
            _ => {}
        }
    }
    counts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn closing_lines_are_read() {
        let counts = |passed, failed, skipped| Counts { passed, failed, skipped };
        for (line, expected) in [
            (
                "test result: ok. 12 passed; 0 failed; 1 ignored; 0 measured; 3 filtered out; finished in 0.20s",
                counts(12, 0, 1),
            ),
            (
                "test result: FAILED. 3 passed; 2 failed; 0 ignored; 0 measured; 0 filtered out",
                counts(3, 2, 0),
            ),
            (
                "======== 1 failed, 4 passed, 2 skipped, 1 warning, 1 error in 3.21s ========",
                counts(4, 2, 2),
            ),
            ("7 passed in 0.12s", counts(7, 0, 0)),
            ("no tests ran in 0.01s", counts(0, 0, 0)),
        ] {
            assert_eq!(counts_in(line), expected, "{line}");
        }
    }

    #[test]
    fn a_test_program_that_crashed_has_failed() {
        let good = "\nrunning 2 tests\ntest a ... ok\ntest b ... ok\n\ntest result: ok. 2 passed; 0 failed; 0 ignored\n";
        let crashed = "\nrunning 1 test\n";
        let all = Counts { passed: 4, failed: 1, skipped: 0 };
        assert_eq!(cargo_counts(&[good, crashed, good].concat()), all);
        assert_eq!(cargo_counts(&[good, good, crashed].concat()), all);
    }

    #[test]
    fn a_run_that_did_not_even_start_has_failed() {
        assert_eq!(unless_it_failed(Counts::default(), false).failed, 1);
        let counted = Counts { passed: 1, failed: 2, skipped: 0 };
        assert_eq!(unless_it_failed(counted, false), counted);
        assert_eq!(unless_it_failed(Counts::default(), true), Counts::default());
    }

    #[test]
    fn errors_count_and_failures_fail_the_whole() {
        let mut parts = Parts::default();
        parts.check("good", || Ok(()));
        parts.add("skips", || Ok(Counts { passed: 2, failed: 0, skipped: 3 }));
        assert!(parts.conclude(&[]).is_ok());
        parts.check("bad", || bail!("it broke"));
        assert_eq!(parts.0[2].1, Counts { passed: 0, failed: 1, skipped: 0 });
        assert!(parts.conclude(&[]).is_err());
    }
}
