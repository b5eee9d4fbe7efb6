//! The clock, and the process's memory: what the log tells of a run, never what a result rests on.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use chrono::DateTime;

/// Now, nanoseconds since 1970; before 1970 negative.
pub(super) fn now_ns() -> i64 {
    since_1970(SystemTime::now())
}

/// A time as nanoseconds since 1970.
pub(super) fn since_1970(time: SystemTime) -> i64 {
    let ns = |span: Duration| i64::try_from(span.as_nanos()).unwrap_or(i64::MAX);
    match time.duration_since(UNIX_EPOCH) {
        Ok(after) => ns(after),
        Err(before) => -ns(before.duration()),
    }
}

/// Now, as RFC 3339 in UTC, whole seconds.
pub(super) fn now_text() -> String {
    let time = DateTime::from_timestamp_nanos(now_ns());
    time.format("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// Most memory that the process held at once, bytes; `None` where the system does not tell.
pub(super) fn peak_memory_bytes() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    let kibibytes: u64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    Some(kibibytes * 1024)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clock_is_reported_in_utc() {
        let text = now_text();
        assert!(text.ends_with('Z') && text.len() == 20, "{text}");
        assert!(now_ns() > 1_700_000_000_000_000_000);
    }
}
