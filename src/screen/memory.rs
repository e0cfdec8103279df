//! How much memory there is and how much processes hold (Linux's /proc; elsewhere nothing is known and nothing bounded).

use std::path::Path;

/// Bytes that can be had without swapping.
pub(super) fn available_bytes() -> Option<u64> {
    let text = std::fs::read_to_string("/proc/meminfo").ok()?;
    let line = text.lines().find(|l| l.starts_with("MemAvailable:"))?;
    Some(1024 * line.split_whitespace().nth(1)?.parse::<u64>().ok()?)
}

fn own_bytes(process: u32) -> Option<u64> {
    let text = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = text.lines().find(|l| l.starts_with("VmRSS:"))?;
    Some(1024 * line.split_whitespace().nth(1)?.parse::<u64>().ok()?)
}

/// Bytes that a process and the processes it started hold in memory.
pub(super) fn held_bytes(process: u32) -> u64 {
    let mut total = own_bytes(process).unwrap_or(0);
    let tasks = Path::new("/proc").join(process.to_string()).join("task");
    let Ok(tasks) = std::fs::read_dir(tasks) else { return total };
    for task in tasks.flatten() {
        if let Ok(children) = std::fs::read_to_string(task.path().join("children")) {
            total += children
                .split_whitespace()
                .filter_map(|c| c.parse().ok())
                .map(held_bytes)
                .sum::<u64>();
        }
    }
    total
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn this_process_holds_something() {
        let held = held_bytes(std::process::id());
        assert!(held > 1 << 20, "{held}");
        assert!(available_bytes().unwrap() > 0);
    }
}
