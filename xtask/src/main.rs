//! Tasks of the project, run as `cargo xtask TASK`.

mod workspace;
mod tidy;
mod licences;
mod bundle;
mod install;
mod demo;
mod release;
#[cfg(target_os = "linux")]
mod screenshot;
mod fuzz;
mod soak;
mod test;
mod bench;

use std::process::ExitCode;

use clap::Parser;

/// Tasks of the project. They work from any folder of it.
#[derive(Parser)]
#[command(name = "cargo xtask", bin_name = "cargo xtask")]
enum Task {
    /// Build the plug-in as Tenon.clap and Tenon.vst3 into target/bundled.
    Bundle,
    /// Build the plug-in and put it into your own plug-in folders, replacing an older one.
    Install,
    /// Hear it without a host: synthesise a song, compress it, write before and after.
    Demo,
    /// Take pictures of the editor for the documents, on an X screen of their own (Linux).
    #[cfg(target_os = "linux")]
    Screenshot,
    /// Check everything: order of imports, format, lints, documentation, all tests.
    ///
    /// Some tests load the plug-in in a Python host or open its window. What these need is named
    /// when it is missing; on Debian, as root, it is installed.
    Test,
    /// Make what is given to people: bundles, program, symbols, licences, list of packages.
    Release,
    /// Build the last commit twice in different folders and compare the bytes.
    Reproduce,
    /// Search for inputs that break a promise: states, presets, audio files, text, the engine.
    ///
    /// Needs a nightly Rust, a C++ compiler and cargo-fuzz.
    Fuzz {
        /// Minutes for each target.
        #[arg(long, default_value_t = 10)]
        minutes: u32,
        /// Targets to run; all of them when none is named.
        targets: Vec<String>,
    },
    /// Put a day of audio through the bundle and see that nothing drifts (Linux).
    Soak {
        /// Hours of audio; 24 take about a quarter of an hour.
        #[arg(long, default_value_t = 24, value_parser = clap::value_parser!(u32).range(1..))]
        hours: u32,
    },
    /// Measure how fast the engine is, beside a general-purpose library that is installed into
    /// target/python.
    Bench(bench::Options),
    /// Check the order of imports, stray paths and line ends.
    Tidy,
}

fn main() -> ExitCode {
    let done = match Task::parse() {
        Task::Bundle => bundle::run().map(|_| ()),
        Task::Install => install::run(),
        Task::Demo => demo::run(),
        #[cfg(target_os = "linux")]
        Task::Screenshot => screenshot::run(),
        Task::Release => release::run(),
        Task::Reproduce => release::reproduce(),
        Task::Fuzz { minutes, targets } => fuzz::run(minutes, &targets),
        Task::Soak { hours } => soak::run(hours),
        Task::Test => test::run(),
        Task::Bench(options) => bench::run(&options),
        Task::Tidy => tidy::run(),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error:#}");
            ExitCode::FAILURE
        }
    }
}
