//! What the system has given to the process.

/// Bytes of the process that are in memory, where the system tells (Linux, proc(5)).
pub fn resident() -> Option<usize> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmRSS:"))?;
    let kilobytes: usize = line.split_whitespace().next()?.parse().ok()?;
    Some(1024 * kilobytes)
}
