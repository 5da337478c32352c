//! The tests as a program.

fn main() -> std::process::ExitCode {
    realtime::run()
}
