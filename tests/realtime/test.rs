//! The tests as a test program.

fn main() -> std::process::ExitCode {
    realtime::run()
}
