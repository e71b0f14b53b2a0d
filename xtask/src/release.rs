//! `cargo xtask release`: what is given to people. The bundles and the program built without a trace
//! of this machine, symbols in files of their own, licences and the list of packages beside them.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use anyhow::{Context, Result, bail};

use crate::licences;
use crate::workspace::{self, cargo};

/// Makes `target/release-kit` and says what is in it.
///
/// # Errors
/// When something cannot be built or written.
pub(crate) fn run() -> Result<()> {
    let kit = workspace::target()?.join("release-kit");
    workspace::remove(&kit)?;
    fs::create_dir_all(&kit).with_context(|| format!("{} cannot be made", kit.display()))?;
    let symbols = kit.join("symbols");
    let target = workspace::target()?.join("release-build");
    let itself = std::env::current_exe().context("this program cannot be found")?;
    let mut bundle = Command::new(itself);
    workspace::run(prepare(bundle.arg("bundle"), workspace::root(), &target)?)?;
    licences::check(&target.join("bundled").join(licences::FOLDER))?;
    for made in ["Tenon.clap", "Tenon.vst3", licences::FOLDER] {
        copy(&target.join("bundled").join(made), &kit.join(made))?;
    }
    keep_symbols(&target, &symbols.join("plug-in"))?;

    let mut program = cargo();
    program.args(["build", "--locked", "--release", "--package", "tenon", "--bin", "tenon"]);
    workspace::run(prepare(&mut program, workspace::root(), &target)?)?;
    copy(&target.join("release").join(PROGRAM), &kit.join(PROGRAM))?;
    keep_symbols(&target, &symbols.join("program"))?;

    licences::write_bill_of_materials(&kit.join("Tenon.cdx.json"))?;
    if cfg!(target_os = "linux") {
        for file in binaries(&kit)? {
            split_symbols(&file, &symbols)?;
        }
    }
    report(&kit)
}

/// The program, as its file is called.
const PROGRAM: &str = if cfg!(windows) { "tenon.exe" } else { "tenon" };

/// Builds the last commit twice, in clones in different folders, and compares what comes out.
///
/// # Errors
/// When a byte differs, or something cannot be built.
pub(crate) fn reproduce() -> Result<()> {
    let folder = workspace::target()?.join("reproduce");
    workspace::remove(&folder)?;
    let library = format!("{}tenon{}", std::env::consts::DLL_PREFIX, std::env::consts::DLL_SUFFIX);
    let mut builds = Vec::new();
    for name in ["one", "another/and deeper"] {
        let clone = folder.join(name);
        let mut git = Command::new("git");
        git.args(["clone", "--quiet", "--no-hardlinks"]).arg(workspace::root()).arg(&clone);
        workspace::run(&mut git)?;
        let target = clone.join("target");
        let mut build = cargo();
        build.current_dir(&clone);
        build.args([
            "build",
            "--locked",
            "--release",
            "--package",
            "tenon",
            "--lib",
            "--bin",
            "tenon",
        ]);
        workspace::run(prepare(&mut build, &clone, &target)?)?;
        let read = |name: &str| {
            let file = target.join("release").join(name);
            fs::read(&file).with_context(|| format!("{} was not made", file.display()))
        };
        builds.push([read(&library)?, read(PROGRAM)?]);
    }
    let mut differing = Vec::new();
    for (n, name) in [library.as_str(), PROGRAM].into_iter().enumerate() {
        let (one, other) = (&builds[0][n], &builds[1][n]);
        let differ = one.iter().zip(other).filter(|(a, b)| a != b).count();
        println!("{name}: {} and {} bytes, {differ} differ", one.len(), other.len());
        if one != other {
            differing.push(name);
        }
    }
    if !differing.is_empty() {
        bail!("the two builds differ in {}", differing.join(" and "));
    }
    Ok(())
}

/// Tells a command how to build: without a trace of this machine, and with symbols, which are taken
/// out of what is loaded afterwards.
fn prepare<'a>(command: &'a mut Command, root: &Path, target: &Path) -> Result<&'a mut Command> {
    command.env("CARGO_TARGET_DIR", target);
    command.env("CARGO_ENCODED_RUSTFLAGS", flags(root, target)?);
    // On macOS symbols stay where they were compiled, and what is linked would name that folder.
    if !cfg!(target_os = "macos") {
        command.env("CARGO_PROFILE_RELEASE_DEBUG", "line-tables-only");
        command.env("CARGO_PROFILE_RELEASE_STRIP", "none");
    }
    Ok(command)
}

/// Compiler flags that keep the folders of this machine out of the build. A path inside the project
/// reads the same whatever the project's folder is called.
fn flags(root: &Path, target: &Path) -> Result<String> {
    let home = std::env::var_os("CARGO_HOME").map(PathBuf::from).or_else(|| {
        let user = std::env::var_os(if cfg!(windows) { "USERPROFILE" } else { "HOME" })?;
        Some(PathBuf::from(user).join(".cargo"))
    });
    let home = home.context("neither CARGO_HOME nor the user's folder is set")?;
    // The last one that fits counts.
    let maps = [(root, "tenon"), (target, "target"), (home.as_path(), "cargo")];
    let flag = |(from, to): &(&Path, &str)| format!("--remap-path-prefix={}={to}", from.display());
    // Paths may have spaces; what separates the flags here is in none.
    Ok(maps.iter().map(flag).collect::<Vec<_>>().join("\u{1f}"))
}

/// The files in a folder and below, or the file itself, in the order of their names.
fn files(path: &Path) -> Result<Vec<PathBuf>> {
    if path.is_file() {
        return Ok(vec![path.to_owned()]);
    }
    let entries = fs::read_dir(path).with_context(|| format!("{} is not there", path.display()))?;
    let mut paths = entries.map(|entry| Ok(entry?.path())).collect::<Result<Vec<_>>>()?;
    paths.sort();
    paths.iter().map(|path| files(path)).collect::<Result<Vec<_>>>().map(|found| found.concat())
}

fn copy(from: &Path, to: &Path) -> Result<()> {
    workspace::copy(from, to).with_context(|| format!("{} cannot be copied", from.display()))
}

/// On Windows, keeps the symbols that were linked last: those of the library and of the program have
/// one name.
fn keep_symbols(target: &Path, folder: &Path) -> Result<()> {
    if !cfg!(windows) {
        return Ok(());
    }
    fs::create_dir_all(folder).with_context(|| format!("{} cannot be made", folder.display()))?;
    copy(&target.join("release/tenon.pdb"), &folder.join("tenon.pdb"))
}

/// What is loaded or run, in a kit of Linux.
fn binaries(kit: &Path) -> Result<Vec<PathBuf>> {
    let is_binary = |file: &PathBuf| {
        let name = file.file_name().unwrap_or_default().to_string_lossy();
        ["Tenon.clap", "Tenon.so", "tenon"].contains(&&*name)
    };
    Ok(files(kit)?.into_iter().filter(is_binary).collect())
}

/// Moves the symbols of a binary into a file under `symbols`, where debuggers look for it by the
/// binary's build ID, wherever that is installed (GNU binutils, which come with the C compiler).
fn split_symbols(binary: &Path, symbols: &Path) -> Result<()> {
    let number = build_id(binary)?;
    let (first, rest) = number.split_at(2);
    let folder = symbols.join(".build-id").join(first);
    fs::create_dir_all(&folder).with_context(|| format!("{} cannot be made", folder.display()))?;
    let kept = folder.join(format!("{rest}.debug"));
    workspace::run(Command::new("objcopy").arg("--only-keep-debug").arg(binary).arg(&kept))?;
    workspace::run(Command::new("objcopy").arg("--strip-all").arg(binary))
}

/// The number that the linker made of all that is in a binary.
fn build_id(binary: &Path) -> Result<String> {
    let output = Command::new("readelf").args(["--wide", "--notes"]).arg(binary).output();
    let output = output.context("readelf could not be started")?;
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let number = text.split("Build ID:").nth(1).and_then(|rest| rest.split_whitespace().next());
    let number = number.filter(|number| number.len() > 2);
    number.map(str::to_owned).with_context(|| format!("{} has no build ID", binary.display()))
}

/// Says what is in the kit, how large it is, and how long the program takes to start.
fn report(kit: &Path) -> Result<()> {
    println!("\nIn {}:", kit.display());
    for file in files(kit)? {
        let megabytes = fs::metadata(&file)?.len() as f64 / 1e6;
        println!("{megabytes:>9.2} MB  {}", file.strip_prefix(kit)?.display());
    }
    let program = kit.join(PROGRAM);
    let mut times: Vec<f64> = (0..11)
        .map(|_| {
            let start = Instant::now();
            let run = Command::new(&program).arg("--version").output();
            run.map(|_| start.elapsed().as_secs_f64() * 1e3)
        })
        .collect::<std::io::Result<_>>()
        .with_context(|| format!("{} does not run", program.display()))?;
    times.sort_by(f64::total_cmp);
    println!("The program starts in {:.1} ms (median of {})", times[times.len() / 2], times.len());
    Ok(())
}
