//! `cargo xtask install`: the bundles in the user's own plug-in folders.

use std::ffi::OsString;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};

use crate::bundle;
use crate::workspace;

/// Builds and installs both bundles and says where they are.
pub(crate) fn run() -> Result<()> {
    // First, so that a missing home is found before a long build.
    let folders = folders(System::here(), |name| std::env::var_os(name))?;
    let bundles = bundle::run()?;
    let clap = replace(&bundles.clap, &folders.clap)?;
    let vst3 = replace(&bundles.vst3, &folders.vst3)?;
    println!(
        "\nInstalled:\n  {}\n  {}\nHosts find it at their next scan; restart a host that has it loaded.",
        clap.display(),
        vst3.display()
    );
    Ok(())
}

/// Systems with plug-in folders of their own.
#[derive(Clone, Copy)]
enum System {
    Linux,
    MacOs,
    Windows,
}

impl System {
    fn here() -> Self {
        if cfg!(windows) {
            System::Windows
        } else if cfg!(target_os = "macos") {
            System::MacOs
        } else {
            System::Linux
        }
    }
}

/// One user's plug-in folders.
#[derive(Debug, PartialEq)]
struct Folders {
    clap: PathBuf,
    vst3: PathBuf,
}

/// The folders that the CLAP standard (`entry.h`) and the VST 3 documentation (plug-in locations)
/// give to a single user.
fn folders(system: System, variable: impl Fn(&str) -> Option<OsString>) -> Result<Folders> {
    let base = |name: &str| -> Result<PathBuf> {
        let value = variable(name).unwrap_or_default();
        if value.is_empty() {
            bail!(
                "the environment variable {name} is not set, so your plug-in folders are unknown; set it, or make the bundles with `cargo xtask bundle` and copy them by hand"
            );
        }
        Ok(value.into())
    };
    Ok(match system {
        System::Linux => {
            let home = base("HOME")?;
            Folders { clap: home.join(".clap"), vst3: home.join(".vst3") }
        }
        System::MacOs => {
            let plug_ins = base("HOME")?.join("Library/Audio/Plug-Ins");
            Folders { clap: plug_ins.join("CLAP"), vst3: plug_ins.join("VST3") }
        }
        System::Windows => {
            let common = base("LOCALAPPDATA")?.join("Programs").join("Common");
            Folders { clap: common.join("CLAP"), vst3: common.join("VST3") }
        }
    })
}

/// Puts a bundle into a folder, in place of an older one of its name. The copy is made beside the
/// target under a name that no host loads, then renamed; whatever fails, a whole bundle stays.
fn replace(bundle: &Path, folder: &Path) -> Result<PathBuf> {
    let name = bundle.file_name().context("a bundle has a name")?.to_string_lossy();
    let target = folder.join(&*name);
    let copy = folder.join(format!(".{name}.new"));
    let old = folder.join(format!(".{name}.old"));
    fs::create_dir_all(folder).with_context(|| format!("{} cannot be made", folder.display()))?;

    let clear = |leftover: &Path| {
        // It is not there, or a host still holds it; then the next installation clears it.
        let _ = fs::remove_file(leftover).or_else(|_| fs::remove_dir_all(leftover));
    };
    let exchange = || -> io::Result<()> {
        clear(&copy);
        clear(&old);
        workspace::copy(bundle, &copy)?;
        let replaced = target.symlink_metadata().ok();
        let both_files = replaced.as_ref().is_some_and(|found| found.is_file()) && copy.is_file();
        if replaced.is_none() || both_files {
            return fs::rename(&copy, &target);
        }
        // A folder cannot be renamed over another: the old one steps aside, and back if need be.
        fs::rename(&target, &old)?;
        fs::rename(&copy, &target).or_else(|error| fs::rename(&old, &target).and(Err(error)))
    };
    let exchanged = exchange();
    clear(&copy);
    if target.exists() {
        clear(&old);
    }
    exchanged.with_context(|| {
        format!(
            "{} cannot be replaced; check that you may write there and close hosts that have it loaded",
            target.display()
        )
    })?;
    Ok(target)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn env(pairs: &'static [(&str, &str)]) -> impl Fn(&str) -> Option<OsString> {
        move |name| pairs.iter().find(|pair| pair.0 == name).map(|pair| pair.1.into())
    }

    #[test]
    fn every_system_has_its_folders() {
        let linux = folders(System::Linux, env(&[("HOME", "/h")])).unwrap();
        assert_eq!(linux, Folders { clap: "/h/.clap".into(), vst3: "/h/.vst3".into() });
        let mac = folders(System::MacOs, env(&[("HOME", "/h")])).unwrap();
        assert_eq!(mac.clap, Path::new("/h/Library/Audio/Plug-Ins/CLAP"));
        assert_eq!(mac.vst3, Path::new("/h/Library/Audio/Plug-Ins/VST3"));
        let windows = folders(System::Windows, env(&[("LOCALAPPDATA", "/l"), ("HOME", "/h")]));
        let windows = windows.unwrap();
        assert_eq!(windows.clap, Path::new("/l/Programs/Common/CLAP"));
        assert_eq!(windows.vst3, Path::new("/l/Programs/Common/VST3"));
    }

    #[test]
    fn a_missing_home_is_named() {
        for (system, name) in
            [(System::Linux, "HOME"), (System::MacOs, "HOME"), (System::Windows, "LOCALAPPDATA")]
        {
            let error = folders(system, env(&[("HOME", "")])).unwrap_err().to_string();
            assert!(error.contains(name), "{error}");
        }
    }

    /// A folder of its own for one test, gone afterwards.
    struct Scratch(PathBuf);

    impl Scratch {
        fn new(name: &str) -> Self {
            let name = format!("tenon-{name}-{}", std::process::id());
            let folder = std::env::temp_dir().join(name);
            fs::create_dir_all(&folder).unwrap();
            Scratch(folder)
        }
    }

    impl Drop for Scratch {
        fn drop(&mut self) {
            let _ = fs::remove_dir_all(&self.0);
        }
    }

    fn names(folder: &Path) -> Vec<OsString> {
        fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name()).collect()
    }

    #[test]
    fn a_folder_replaces_a_folder_whole() {
        let scratch = Scratch::new("folder");
        let (bundle, installed) = (scratch.0.join("Tenon.vst3"), scratch.0.join("installed"));
        fs::create_dir_all(bundle.join("Contents/new")).unwrap();
        fs::write(bundle.join("Contents/new/library"), "new").unwrap();
        fs::create_dir_all(installed.join("Tenon.vst3/Contents/old")).unwrap();
        fs::write(installed.join("Tenon.vst3/Contents/old/library"), "old").unwrap();
        let target = replace(&bundle, &installed).unwrap();
        assert_eq!(fs::read(target.join("Contents/new/library")).unwrap(), b"new");
        assert!(!target.join("Contents/old").exists());
        assert_eq!(names(&installed), ["Tenon.vst3"]);
    }

    #[test]
    fn a_file_replaces_a_file_or_a_folder() {
        let scratch = Scratch::new("file");
        let (bundle, installed) = (scratch.0.join("Tenon.clap"), scratch.0.join("installed"));
        fs::write(&bundle, "new").unwrap();
        for _ in 0..2 {
            let target = replace(&bundle, &installed).unwrap();
            assert_eq!(fs::read(&target).unwrap(), b"new");
            assert_eq!(names(&installed), ["Tenon.clap"]);
        }
        fs::remove_file(installed.join("Tenon.clap")).unwrap();
        fs::create_dir_all(installed.join("Tenon.clap/Contents")).unwrap();
        assert_eq!(fs::read(replace(&bundle, &installed).unwrap()).unwrap(), b"new");
        assert_eq!(names(&installed), ["Tenon.clap"]);
    }

    #[test]
    fn what_fails_leaves_the_old_bundle() {
        let scratch = Scratch::new("fails");
        let installed = scratch.0.join("installed");
        fs::create_dir_all(&installed).unwrap();
        fs::write(installed.join("Tenon.clap"), "old").unwrap();
        let error = replace(&scratch.0.join("Tenon.clap"), &installed).unwrap_err();
        assert!(error.to_string().contains("Tenon.clap"), "{error}");
        assert_eq!(fs::read(installed.join("Tenon.clap")).unwrap(), b"old");
        assert_eq!(names(&installed), ["Tenon.clap"]);
    }
}
