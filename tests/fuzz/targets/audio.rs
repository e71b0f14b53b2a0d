//! Whatever an audio file holds: it is read as finite stereo samples, or refused with a message that
//! names the file.
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

fuzz_target!(|data: &[u8]| {
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
