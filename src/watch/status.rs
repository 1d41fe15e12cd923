//! How the daemon is, for people (`status.json`) and for monitoring (`metrics.txt`, OpenMetrics).

use std::io;
use std::path::Path;

use serde::Serialize;

use crate::durable;

/// Everything that is told.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub(super) struct Status {
    /// `working`, `waiting` (see `waiting_for`) or `stopping`.
    pub(super) state: String,
    /// What keeps the daemon from working.
    pub(super) waiting_for: Option<String>,
    pub(super) host: String,
    pub(super) process: u32,
    pub(super) since: String,
    pub(super) inbox: String,
    pub(super) outbox: String,
    pub(super) last_scan: String,
    pub(super) last_scan_seconds: f64,
    #[serde(skip)]
    pub(super) last_scan_seconds_since_1970: f64,
    pub(super) workers: usize,
    pub(super) jobs: Jobs,
    /// Age of the oldest claimed job that is not published yet; 0 without one.
    pub(super) oldest_job_seconds: u64,
    pub(super) arriving: Vec<Arriving>,
    /// Set-aside folders that differ from what was published and are therefore kept.
    pub(super) kept_aside: Vec<String>,
    pub(super) free_mb: Free,
    /// Jobs published since the start, and the seconds they took.
    pub(super) published: u64,
    pub(super) published_seconds: f64,
    pub(super) crashed_tries: u64,
}

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub(super) struct Jobs {
    pub(super) arriving: usize,
    pub(super) new: usize,
    pub(super) working: usize,
    pub(super) done: usize,
    pub(super) held: usize,
}

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub(super) struct Arriving {
    pub(super) folder: String,
    pub(super) why: String,
    pub(super) unchanged_seconds: u64,
}

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub(super) struct Free {
    pub(super) inbox: Option<u64>,
    pub(super) outbox: Option<u64>,
    pub(super) state: Option<u64>,
}

impl Status {
    /// Writes both files.
    pub(super) fn write(&self, state: &Path) -> io::Result<()> {
        durable::replace(
            &state.join("status.json"),
            &serde_json::to_vec_pretty(self)?,
        )?;
        durable::replace(&state.join("metrics.txt"), self.metrics().as_bytes())
    }

    /// The OpenMetrics text format, 1.0.
    fn metrics(&self) -> String {
        let mut text = String::new();
        let mut gauge = |name: &str, help: &str, samples: &[(String, f64)]| {
            text.extend([format!("# TYPE {name} gauge\n# HELP {name} {help}\n")]);
            text.extend(
                samples
                    .iter()
                    .map(|(labels, value)| format!("{name}{labels} {value}\n")),
            );
        };
        let one = |value: f64| [(String::new(), value)];
        let labelled = |key: &str, name: &str, value: f64| (format!("{{{key}=\"{name}\"}}"), value);
        let jobs = &self.jobs;
        let states = [
            ("arriving", jobs.arriving),
            ("new", jobs.new),
            ("working", jobs.working),
            ("done", jobs.done),
            ("held", jobs.held),
        ];
        let states = states.map(|(name, n)| labelled("state", name, n as f64));
        gauge("emblemend_jobs", "Jobs by state.", &states);
        let oldest = self
            .arriving
            .iter()
            .map(|a| a.unchanged_seconds)
            .max()
            .unwrap_or(0);
        gauge(
            "emblemend_arriving_unchanged_seconds",
            "Longest wait for a drop.",
            &one(oldest as f64),
        );
        gauge(
            "emblemend_oldest_job_seconds",
            "Age of the oldest job that is not published yet.",
            &one(self.oldest_job_seconds as f64),
        );
        gauge(
            "emblemend_last_scan_timestamp_seconds",
            "When the inbox was last looked at.",
            &one(self.last_scan_seconds_since_1970),
        );
        gauge(
            "emblemend_scan_seconds",
            "Length of the last scan.",
            &one(self.last_scan_seconds),
        );
        let waiting = f64::from(u8::from(self.waiting_for.is_some()));
        gauge(
            "emblemend_waiting",
            "1 while something keeps it from working.",
            &one(waiting),
        );
        let free = &self.free_mb;
        let free = [
            ("inbox", free.inbox),
            ("outbox", free.outbox),
            ("state", free.state),
        ];
        let free: Vec<_> = free
            .into_iter()
            .filter_map(|(name, mb)| Some(labelled("folder", name, mb? as f64 * 1e6)))
            .collect();
        gauge("emblemend_free_bytes", "Free space.", &free);
        let mut counter = |name: &str, help: &str, value: f64| {
            text.extend([format!(
                "# TYPE {name} counter\n# HELP {name} {help}\n{name}_total {value}\n"
            )]);
        };
        counter(
            "emblemend_published",
            "Jobs published since the start.",
            self.published as f64,
        );
        counter(
            "emblemend_published_seconds",
            "Time they took.",
            self.published_seconds,
        );
        counter(
            "emblemend_crashed_tries",
            "Workers that died.",
            self.crashed_tries as f64,
        );
        text + "# EOF\n"
    }
}

/// Free space for this user.
pub(super) fn free_mb(folder: &Path) -> Option<u64> {
    let stat = rustix::fs::statvfs(folder).ok()?;
    Some(stat.f_bavail.saturating_mul(stat.f_frsize) / 1_000_000)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn metrics_end_as_the_format_demands() {
        let text = Status::default().metrics();
        assert!(text.ends_with("# EOF\n"));
        assert!(text.contains("emblemend_jobs{state=\"new\"} 0\n"));
        assert!(text.contains("emblemend_published_total 0\n"));
    }
}
