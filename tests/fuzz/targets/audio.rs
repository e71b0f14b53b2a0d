//! Whatever an audio file holds: it is read as finite stereo samples, or refused with a message that
//! names the file. Whatever it costs is bounded by `cargo xtask fuzz`: seconds and memory.
//!
//! The decoders are built as they are shipped, without checks of overflow (see `Cargo.toml` here). A
//! panic of theirs is what `read` makes of it, a refusal; a panic of ours ends the run.
#![no_main]

use std::path::PathBuf;
use std::sync::OnceLock;

use libfuzzer_sys::fuzz_target;
use tenon::files::{RATES_HZ, read};

fn file() -> &'static PathBuf {
    static FILE: OnceLock<PathBuf> = OnceLock::new();
    FILE.get_or_init(|| {
        let memory = PathBuf::from("/dev/shm");
        let place = if memory.is_dir() { memory } else { std::env::temp_dir() };
        place.join(format!("tenon-fuzz-{}.audio", std::process::id()))
    })
}

/// Lets a panic in the decoders through to `read`. Without this the fuzzer would end at any panic,
/// before it could be caught.
fn let_decoders_panic() {
    let end = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        let place = panic.location().map_or("", |place| place.file());
        if !place.contains("/symphonia") {
            end(panic);
        }
    }));
}

fuzz_target!(init: let_decoders_panic(), |data: &[u8]| {
    std::fs::write(file(), data).unwrap();
    match read(file()) {
        Ok(audio) => {
            assert!(audio.frames() > 0);
            assert_eq!(audio.left.len(), audio.right.len());
            assert!(RATES_HZ.contains(&audio.rate_hz));
            assert!(audio.left.iter().chain(&audio.right).all(|x| x.is_finite()));
        }
        Err(error) => assert!(error.to_string().contains("tenon-fuzz-")),
    }
});
