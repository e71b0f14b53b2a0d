//! `cargo xtask soak`: a day of audio through the bundle, as fast as it goes.

use anyhow::Result;

use crate::bundle;
use crate::workspace::{self, cargo};

/// Runs the test that `cargo xtask test` runs for an hour of audio.
///
/// # Errors
/// When something drifted, grew or broke on the way.
pub(crate) fn run(hours: u32) -> Result<()> {
    let bundles = bundle::run()?;
    let mut test = cargo();
    test.args(["test", "--package", "tenon-tests", "--test", "soak", "--", "--nocapture"]);
    test.env("TENON_CLAP", &bundles.clap).env("TENON_SOAK_HOURS", hours.to_string());
    workspace::run(&mut test)
}
