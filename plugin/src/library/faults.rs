//! What goes wrong around the files of presets, and that nothing is lost or half-written then.
//!
//! Limits, rights and environment belong to a process, so each test gives up one of its own for it.
#![allow(unsafe_code)] // the system's calls are C

use std::fs::Permissions;
use std::os::unix::fs::PermissionsExt;
use std::time::Duration;

use super::*;
use tenon_dsp::Control::{Mix, Threshold};

fn library(folder: &tempfile::TempDir) -> Library {
    Library { folder: Some(folder.path().join("Tenon/presets")), ..Library::default() }
}

fn old() -> Settings {
    Settings::default().with(Threshold, -31.25)
}

fn new() -> Settings {
    Settings::default().with(Mix, 40.0)
}

/// Starts a copy of this process that does something and ends.
fn fork(child: impl FnOnce() -> bool) -> libc::pid_t {
    // SAFETY: the child uses nothing but memory, which the C library keeps usable in it, and files.
    match unsafe { libc::fork() } {
        -1 => panic!("no process: {}", io::Error::last_os_error()),
        0 => {
            let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(child));
            // SAFETY: ends the child without what is only for its parent to do.
            unsafe { libc::_exit(if done.unwrap_or(false) { 0 } else { 1 }) }
        }
        process => process,
    }
}

/// Waits for a child; gives how it ended, as the system puts it.
fn ended(process: libc::pid_t) -> i32 {
    let mut status = 0;
    // SAFETY: waits for a child of this process.
    assert_eq!(unsafe { libc::waitpid(process, &mut status, 0) }, process);
    status
}

/// Whether something holds in a process of its own.
fn holds_elsewhere(child: impl FnOnce() -> bool) -> bool {
    ended(fork(child)) == 0
}

fn files(library: &Library) -> Vec<String> {
    let folder = library.folder.clone().unwrap();
    let mut names: Vec<String> =
        fs::read_dir(folder).unwrap().map(|entry| file_name(&entry.unwrap().path())).collect();
    names.sort();
    names
}

/// What is kept is `One` with these settings, and nothing else lies there.
fn assert_kept(library: &mut Library, settings: &Settings) {
    library.read();
    assert_eq!(library.damaged(), [""; 0]);
    assert_eq!(library.presets().len(), 1);
    assert_eq!(library.presets()[0].name, "One");
    assert_eq!(library.presets()[0].settings, *settings);
    assert_eq!(files(library), ["One.json"]);
}

/// A limit on file size stands in for a disk that fills up on the way.
#[test]
fn a_full_disk_keeps_the_older_preset_and_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let mut library = library(&folder);
    library.save("One", &old()).unwrap();
    assert!(holds_elsewhere(|| {
        // SAFETY: a limit of this child only; without the first call exceeding it kills.
        unsafe {
            libc::signal(libc::SIGXFSZ, libc::SIG_IGN);
            let limit = libc::rlimit { rlim_cur: 100, rlim_max: 100 };
            assert_eq!(libc::setrlimit(libc::RLIMIT_FSIZE, &limit), 0);
        }
        let failed = |done: Result<Vec<Change>, LibraryError>| matches!(done, Err(LibraryError::File(_, error)) if error.to_string() != "");
        failed(library.save("One", &new()))
            && failed(library.save("Two", &new()))
            && failed(library.rename("One", "Two"))
    }));
    assert_kept(&mut library, &old());
}

#[test]
fn a_folder_without_rights_keeps_its_presets_and_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let mut library = library(&folder);
    library.save("One", &old()).unwrap();
    let place = library.folder.clone().unwrap();
    for open in [folder.path(), &folder.path().join("Tenon")] {
        fs::set_permissions(open, Permissions::from_mode(0o755)).unwrap();
    }
    fs::set_permissions(&place, Permissions::from_mode(0o555)).unwrap();
    assert!(holds_elsewhere(|| {
        const NOBODY: libc::uid_t = 65_534;
        // SAFETY: asks who this is; rights do not bind root, so the child becomes somebody else.
        unsafe {
            if libc::geteuid() == 0 {
                assert_eq!(libc::setuid(NOBODY), 0);
            }
        }
        let refused = |done: Result<Vec<Change>, LibraryError>| {
            let Err(LibraryError::File(file, error)) = done else { return false };
            file.starts_with(&place) && error.kind() == io::ErrorKind::PermissionDenied
        };
        library.read();
        library.presets().len() == 1
            && refused(library.save("One", &new()))
            && refused(library.save("Two", &new()))
            && refused(library.rename("One", "Two"))
            && refused(library.delete("One"))
    }));
    assert_kept(&mut library, &old());
    fs::set_permissions(&place, Permissions::from_mode(0o755)).unwrap();
}

#[test]
fn a_missing_home_is_told_with_its_remedy() {
    for home in [None, Some(""), Some("relative/home")] {
        assert!(holds_elsewhere(|| {
            // SAFETY: this child has one thread.
            unsafe {
                std::env::remove_var("XDG_CONFIG_HOME");
                match home {
                    Some(home) => std::env::set_var("HOME", home),
                    None => std::env::remove_var("HOME"),
                }
            }
            let mut library = Library::of_user();
            library.read();
            let Err(error) = library.save("One", &new()) else { return false };
            library.presets().is_empty() && error.to_string().contains("set HOME")
        }));
    }
}

#[test]
fn killed_while_saving_there_is_the_older_preset_or_the_newer() {
    let folder = tempfile::tempdir().unwrap();
    let mut library = library(&folder);
    library.save("One", &old()).unwrap();
    for round in 0..60_u64 {
        let child = fork(|| {
            loop {
                library.save("One", &new()).unwrap();
                library.save("One", &old()).unwrap();
            }
        });
        // Another place in the saving each time, wherever it falls.
        std::thread::sleep(Duration::from_micros(500 + 137 * round));
        // SAFETY: ends a child of this process.
        assert_eq!(unsafe { libc::kill(child, libc::SIGKILL) }, 0);
        assert_eq!(ended(child), libc::SIGKILL, "the child ended by itself");
        library.read();
        assert_eq!(library.damaged(), [""; 0], "round {round}");
        assert_eq!(library.presets().len(), 1, "round {round}");
        let found = library.presets()[0].settings;
        assert!(found == old() || found == new(), "round {round}");
    }
    // What was left half-written lies beside, takes no one in, and hinders nobody.
    library.save("One", &new()).unwrap();
    library.read();
    assert_eq!(library.presets()[0].settings, new());
    assert!(files(&library).iter().all(|name| name == "One.json" || name.ends_with(".part")));
}
