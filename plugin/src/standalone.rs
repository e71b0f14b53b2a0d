//! The plug-in on the live audio device.

use std::process::ExitCode;

fn main() -> ExitCode {
    if nice_plug::prelude::nice_export_standalone::<tenon::Bus>() {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
