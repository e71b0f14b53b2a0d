//! `cargo xtask bundle`: the plug-in in the shape hosts load.

use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context, Result, bail};

use crate::licences;
use crate::workspace;

/// The bundles that were built.
pub(crate) struct Bundles {
    pub(crate) clap: PathBuf,
    pub(crate) vst3: PathBuf,
}

/// Builds both bundles in release mode and says where they are.
pub(crate) fn run() -> Result<Bundles> {
    // Not `nice_plug_xtask::main`: it takes the outermost folder with a Cargo.toml for the
    // workspace, which a stray one in a home folder would mislead.
    std::env::set_current_dir(workspace::root()).context("the workspace cannot be entered")?;
    let folder = workspace::target()?.join("bundled");
    let packages = ["tenon".to_owned()];
    let build = ["--release".to_owned(), "--lib".to_owned()];
    nice_plug_xtask::build(&packages, &build)?;

    // An older bundle must not pass for one of this build.
    let bundles = Bundles { clap: folder.join("Tenon.clap"), vst3: folder.join("Tenon.vst3") };
    let licences = folder.join(licences::FOLDER);
    for made in [&bundles.clap, &bundles.vst3, &licences] {
        workspace::remove(made)?;
    }
    nice_plug_xtask::bundle(&workspace::target()?, "tenon", &build, false)?;
    // The command-line program has the package's name, and when it was built before, it is taken
    // for a stand-alone plug-in and copied too.
    for copy in ["Tenon", "Tenon.exe", "Tenon.app"].map(|name| folder.join(name)) {
        if copy.exists() {
            workspace::remove(&copy)?;
            println!("Removed {} again: it is no plug-in", copy.display());
        }
    }
    for bundle in [&bundles.clap, &bundles.vst3] {
        if !bundle.exists() {
            bail!("{} was not made: the library exports no such plug-in", bundle.display());
        }
    }
    licences::write(&licences)?;
    for bundle in [&bundles.clap, &bundles.vst3] {
        add_licences(&licences, bundle)?;
    }
    println!(
        "\nThe plug-in for hosts:\n  {}\n  {}\nIts licences, to go with what you hand on:\n  {}",
        bundles.clap.display(),
        bundles.vst3.display(),
        licences.display()
    );
    Ok(bundles)
}

/// Puts the licences into a bundle. One that is a single file has no room for them.
fn add_licences(licences: &Path, bundle: &Path) -> Result<()> {
    if !bundle.is_dir() {
        return Ok(());
    }
    let place = bundle.join("Contents/Resources").join(licences::FOLDER);
    workspace::copy(licences, &place)
        .with_context(|| format!("{} cannot be written", place.display()))?;
    if cfg!(target_os = "macos") {
        // The seal, which `nice_plug_xtask` has put on, names all that is in the bundle.
        workspace::run(Command::new("codesign").args(["--force", "--sign", "-"]).arg(bundle))?;
    }
    Ok(())
}

/// Builds the command-line program in release mode; where it is.
pub(crate) fn program() -> Result<PathBuf> {
    let build = ["build", "--release", "--package", "tenon", "--bin", "tenon"];
    workspace::run(workspace::cargo().args(build))?;
    let name = format!("tenon{}", std::env::consts::EXE_SUFFIX);
    Ok(workspace::target()?.join("release").join(name))
}
