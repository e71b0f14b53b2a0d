//! Where the project lies and how its `cargo` is called. Knows no task.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context, Result, bail};

/// The root of the workspace.
pub(crate) fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("xtask lies in the workspace")
}

/// The `cargo` that runs this task, in the root of the workspace.
pub(crate) fn cargo() -> Command {
    let mut cargo = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    cargo.current_dir(root());
    cargo
}

/// The folder for everything that is built: `target`, unless cargo was told otherwise.
pub(crate) fn target() -> Result<PathBuf> {
    let metadata = metadata(&["--no-deps"])?;
    let folder = metadata["target_directory"].as_str();
    Ok(folder.context("cargo metadata names no target directory")?.into())
}

/// What cargo knows of the project.
pub(crate) fn metadata(options: &[&str]) -> Result<serde_json::Value> {
    let output = cargo()
        .args(["metadata", "--format-version", "1"])
        .args(options)
        .output()
        .context("cargo could not be started")?;
    if !output.status.success() {
        bail!("cargo metadata failed:\n{}", String::from_utf8_lossy(&output.stderr));
    }
    serde_json::from_slice(&output.stdout).context("cargo metadata is no JSON")
}

/// The system that is built for, as the compiler calls it.
pub(crate) fn host() -> Result<String> {
    let text = rustc(&["-vV"])?;
    let line = text.lines().find_map(|line| line.strip_prefix("host: "));
    Ok(line.context("rustc does not say what system it is for")?.to_owned())
}

/// The folder in which the compiler and its library lie.
pub(crate) fn sysroot() -> Result<PathBuf> {
    Ok(rustc(&["--print", "sysroot"])?.trim().into())
}

fn rustc(options: &[&str]) -> Result<String> {
    let rustc = std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
    let output =
        Command::new(rustc).args(options).output().context("rustc could not be started")?;
    if !output.status.success() {
        bail!("rustc {} failed:\n{}", options.join(" "), String::from_utf8_lossy(&output.stderr));
    }
    Ok(String::from_utf8_lossy(&output.stdout).into_owned())
}

/// Runs a command to its end.
///
/// # Errors
/// When it cannot be started or fails; the error shows the command.
pub(crate) fn run(command: &mut Command) -> Result<()> {
    let status =
        command.status().with_context(|| format!("{} could not be started", show(command)))?;
    if !status.success() {
        bail!("{} failed ({status})", show(command));
    }
    Ok(())
}

/// A command as one would type it.
pub(crate) fn show(command: &Command) -> String {
    let program = Path::new(command.get_program());
    let program = program.file_name().unwrap_or(program.as_os_str());
    let words = std::iter::once(program).chain(command.get_args());
    words.map(|word| word.to_string_lossy()).collect::<Vec<_>>().join(" ")
}

/// Copies a file, or a folder with all that is in it.
pub(crate) fn copy(from: &Path, to: &Path) -> io::Result<()> {
    if !from.is_dir() {
        return fs::copy(from, to).map(|_| ());
    }
    fs::create_dir_all(to)?;
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        copy(&entry.path(), &to.join(entry.file_name()))?;
    }
    Ok(())
}

/// Removes a file or folder, if there is one.
pub(crate) fn remove(path: &Path) -> Result<()> {
    let removed = match path.symlink_metadata() {
        Err(_) => Ok(()),
        Ok(found) if found.is_dir() => fs::remove_dir_all(path),
        Ok(_) => fs::remove_file(path),
    };
    removed.with_context(|| format!("{} cannot be removed", path.display()))
}
