//! `cargo xtask fuzz`: searches for inputs that break a promise. The targets, each with what must
//! hold, are in `tests/fuzz/targets`.

use std::fs;
use std::process::Command;

use anyhow::{Context, Result, bail};

use crate::workspace;

/// Runs the targets one after the other, each for so many minutes; all of them when none is named.
///
/// # Errors
/// When the tools are missing, or an input was found. cargo-fuzz says where it keeps that.
pub(crate) fn run(minutes: u32, wanted: &[String]) -> Result<()> {
    let folder = workspace::root().join("tests/fuzz");
    let mut targets = Vec::new();
    for entry in fs::read_dir(folder.join("targets")).context("there are no fuzz targets")? {
        let file = entry?.path();
        targets.extend(file.file_stem().map(|name| name.to_string_lossy().into_owned()));
    }
    targets.sort();
    if let Some(unknown) = wanted.iter().find(|name| !targets.contains(name)) {
        bail!("there is no fuzz target {unknown:?}; there are {}", targets.join(", "));
    }
    let mut broken = Vec::new();
    for target in targets.iter().filter(|name| wanted.is_empty() || wanted.contains(name)) {
        println!("\n=== {target}, {minutes} min");
        // What is found on the way is kept beside the seeds, out of version control.
        let found = folder.join("corpus").join(target);
        fs::create_dir_all(&found)
            .with_context(|| format!("{} cannot be made", found.display()))?;
        let mut fuzz = Command::new("cargo");
        fuzz.current_dir(&folder);
        // Not the compiler that runs this task: sanitizers need a nightly one.
        fuzz.env_remove("RUSTUP_TOOLCHAIN");
        // `-O`: what is checked where is in the profile of tests/fuzz; without, cargo-fuzz overrides it.
        fuzz.args(["+nightly", "fuzz", "run", "-O", "--fuzz-dir", "."]);
        if target == "engine" {
            // Its code is safe and knows no magic numbers; watching memory and comparisons would take
            // most of the time.
            fuzz.args(["--sanitizer", "none", "--no-trace-compares", "--no-default-features"]);
        }
        fuzz.arg(target);
        fuzz.arg(found).arg(folder.join("seeds").join(target));
        fuzz.args(["--", &format!("-max_total_time={}", 60 * minutes), "-rss_limit_mb=4096"]);
        // No input of a few kilobytes is worth half a gigabyte at once.
        fuzz.args(["-malloc_limit_mb=512", "-timeout=20", "-print_final_stats=1"]);
        if workspace::run(&mut fuzz).is_err() {
            broken.push(target.as_str());
        }
    }
    match broken.is_empty() {
        true => Ok(()),
        false => bail!(
            "{} did not run through; if tests/fuzz/artifacts has something of theirs, it broke a promise; \
             otherwise see above, and that there are a nightly Rust, a C++ compiler, and cargo-fuzz \
             (cargo install --locked cargo-fuzz)",
            broken.join(", ")
        ),
    }
}
