//! How long the bundles take to load, beside a library with nothing in it. Prints a table. Needs the
//! bundles, as the tests do, and the compiler, for the empty library.
//!
//! Every load is the first of a process of its own: this program calls itself.

mod hosts {
    pub(crate) mod raw;
    pub(crate) mod raw_clap;
    pub(crate) mod raw_vst3;
    pub(crate) mod shared;
}

use std::error::Error;
use std::mem::forget;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use hosts::raw::RawHost;
use hosts::raw_clap::{self, RawClap};
use hosts::raw_vst3::RawVst3;
use libloading::Library;

/// How often everything is loaded.
const TIMES: usize = 51;

/// What is loaded, with its name in the table.
const LOADS: [(&str, &str); 4] = [
    ("empty", "a library with nothing in it"),
    ("library", "the plug-in's library, as CLAP"),
    ("clap", "CLAP: library and first instance"),
    ("vst3", "VST3: library and first instance"),
];

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args().skip(1);
    if let (Some(what), Some(empty)) = (arguments.next(), arguments.next()) {
        println!("{}", load(&what, Path::new(&empty)));
        return Ok(());
    }
    let scratch = tempfile::tempdir()?;
    let empty = scratch.path().join("empty");
    let mut compiler = Command::new(std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into()));
    compiler.args(["--crate-name", "empty", "--crate-type", "cdylib", "-", "-o"]).arg(&empty);
    if !compiler.stdin(Stdio::null()).status()?.success() {
        return Err("the empty library could not be compiled".into());
    }

    // Taken in turn, so that all meet the same machine.
    let mut times = LOADS.map(|_| Vec::new());
    for _ in 0..TIMES {
        for ((what, _), times) in LOADS.iter().zip(&mut times) {
            let mut itself = Command::new(std::env::current_exe()?);
            let output = itself.arg(what).arg(&empty).stderr(Stdio::inherit()).output()?;
            times.push(String::from_utf8(output.stdout)?.trim().parse::<f64>()?);
        }
    }
    let median = |times: &mut Vec<f64>| {
        times.sort_by(f64::total_cmp);
        times[times.len() / 2]
    };
    let medians = times.each_mut().map(median);
    for ((_, name), median) in LOADS.iter().zip(medians) {
        println!("{name:<34}{median:>8.2} ms{:>8.1} times the first", median / medians[0]);
    }
    Ok(())
}

/// Loads something and keeps it; how many ms that takes.
fn load(what: &str, empty: &Path) -> f64 {
    let start = Instant::now();
    match what {
        "empty" => {
            #[allow(unsafe_code)]
            // SAFETY: nothing in that library runs when it is loaded.
            let library = unsafe { Library::new(empty) };
            forget(library.expect("the empty library loads"));
        }
        "library" => forget(raw_clap::entry()),
        "clap" => forget(RawClap::load()),
        "vst3" => forget(RawVst3::load()),
        other => panic!("nothing is called {other}"),
    }
    start.elapsed().as_secs_f64() * 1e3
}
