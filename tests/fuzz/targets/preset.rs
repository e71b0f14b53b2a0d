//! Whatever a preset file holds: it is a preset, or it is named as damaged. What is a preset can be
//! kept, and comes back as it was.
#![no_main]
#![allow(dead_code)] // the part of the plug-in that is compiled in here has more than is asked of it

// The library of presets is not public.
#[path = "../../../plugin/src/library.rs"]
mod library;

// What it imports.
use tenon::{presets, text};

use std::path::PathBuf;
use std::sync::OnceLock;

use library::Library;
use libfuzzer_sys::fuzz_target;

/// The folder of presets, in memory where there is such a place.
fn folder() -> &'static PathBuf {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    FOLDER.get_or_init(|| {
        let memory = PathBuf::from("/dev/shm");
        let place = if memory.is_dir() { memory } else { std::env::temp_dir() };
        let home = place.join(format!("tenon-fuzz-{}", std::process::id()));
        // SAFETY: nothing else runs yet.
        unsafe { std::env::set_var("XDG_CONFIG_HOME", &home) };
        let folder = home.join("Tenon/presets");
        std::fs::create_dir_all(&folder).unwrap();
        folder
    })
}

fuzz_target!(|data: &[u8]| {
    let file = folder().join("fuzz.json");
    std::fs::write(&file, data).unwrap();
    let mut library = Library::of_user();
    library.read();
    let found = library.presets().to_vec();
    assert_eq!(found.len() + library.damaged().len(), 1);
    if let [preset] = &found[..] {
        library.save(&preset.name, &preset.settings).unwrap();
        library.read();
        let again = &library.presets()[0];
        assert_eq!((&again.name, &again.settings), (&preset.name, &preset.settings));
        let copy = format!("{} 2", preset.name.chars().take(50).collect::<String>());
        library.rename(&preset.name, &copy).unwrap();
        library.delete(&copy).unwrap();
        assert!(library.presets().is_empty());
    }
    let _ = std::fs::remove_file(&file);
});
