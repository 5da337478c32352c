//! The library as hosts load it: the symbols that they look for, one for CLAP, three for VST3 on
//! each system.

#![expect(
    unsafe_code,
    reason = "hosts find these by their names, which are the formats'"
)]

use crestline_plugin::export::{clap, vst3};
use nice_plug::wrapper::clap::clap_plugin_entry;
use std::ffi::c_void;

/// What a CLAP host looks for.
#[unsafe(no_mangle)]
#[used]
pub static clap_entry: clap_plugin_entry = clap::ENTRY;

/// What a VST3 host looks for.
#[unsafe(no_mangle)]
pub extern "system" fn GetPluginFactory() -> *mut c_void {
    vst3::plugin_factory()
}

/// Called once after loading, on Linux and its like.
#[cfg(all(target_family = "unix", not(target_os = "macos")))]
#[unsafe(no_mangle)]
pub extern "C" fn ModuleEntry(_library: *mut c_void) -> bool {
    vst3::module_entry()
}

/// Called once before unloading, on Linux and its like.
#[cfg(all(target_family = "unix", not(target_os = "macos")))]
#[unsafe(no_mangle)]
pub extern "C" fn ModuleExit() -> bool {
    true
}

/// Called once after loading, on macOS.
#[cfg(target_os = "macos")]
#[unsafe(no_mangle)]
pub extern "C" fn bundleEntry(_bundle: *mut c_void) -> bool {
    vst3::module_entry()
}

/// Called once before unloading, on macOS.
#[cfg(target_os = "macos")]
#[unsafe(no_mangle)]
pub extern "C" fn bundleExit() -> bool {
    true
}

/// Called once after loading, on Windows.
#[cfg(target_os = "windows")]
#[unsafe(no_mangle)]
pub extern "system" fn InitDll() -> bool {
    vst3::module_entry()
}

/// Called once before unloading, on Windows.
#[cfg(target_os = "windows")]
#[unsafe(no_mangle)]
pub extern "system" fn ExitDll() -> bool {
    true
}
