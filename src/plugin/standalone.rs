//! Crestline without a host: live from the system's audio devices, in a window of its own.
//!
//! `--help` lists the devices' options, which are the framework's. Only with the feature
//! `standalone`.

use crestline_plugin::Crestline;
use nice_plug::wrapper::standalone::nice_export_standalone;
use std::process::ExitCode;

fn main() -> ExitCode {
    if nice_export_standalone::<Crestline>() {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
