//! Tasks of the project, run as `cargo xtask TASK`.

mod workspace;
mod tidy;
mod bundle;
mod install;
mod demo;
#[cfg(target_os = "linux")]
mod screenshot;
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
