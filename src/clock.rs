//! The only place that asks what time it is, and writes times for people.

use std::time::{SystemTime, UNIX_EPOCH};

/// A time of day, in UTC.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Utc {
    seconds: i64,
}

impl Utc {
    /// Now.
    pub(crate) fn now() -> Self {
        SystemTime::now().into()
    }

    /// So many seconds after 1 January 1970.
    pub(crate) fn from_seconds(seconds: i64) -> Self {
        Self { seconds }
    }

    /// `2026-05-04T15:06:07Z` (ISO 8601, RFC 3339).
    pub(crate) fn iso(self) -> String {
        let (year, month, day) = self.date();
        let (h, m, s) = self.time();
        format!("{year:04}-{month:02}-{day:02}T{h:02}:{m:02}:{s:02}Z")
    }

    /// `2026-05-04 15:06`.
    pub(crate) fn for_people(self) -> String {
        let (year, month, day) = self.date();
        let (h, m, _) = self.time();
        format!("{year:04}-{month:02}-{day:02} {h:02}:{m:02}")
    }

    fn time(self) -> (i64, i64, i64) {
        let s = self.seconds.rem_euclid(86_400);
        (s / 3600, s / 60 % 60, s % 60)
    }

    /// Year, month and day in the Gregorian calendar, from the count of days since 1 January 1970.
    /// Years are counted from March, so that the leap day is a year's last.
    fn date(self) -> (i64, i64, i64) {
        const DAYS_IN_400_YEARS: i64 = 146_097;
        const DAYS_FROM_MARCH_OF_YEAR_0: i64 = 719_468;
        let days = self.seconds.div_euclid(86_400) + DAYS_FROM_MARCH_OF_YEAR_0;
        let cycle = days.div_euclid(DAYS_IN_400_YEARS);
        let day_of_cycle = days.rem_euclid(DAYS_IN_400_YEARS);
        let leap_days = day_of_cycle / 1460 - day_of_cycle / 36_524 + day_of_cycle / 146_096;
        let year_of_cycle = (day_of_cycle - leap_days) / 365;
        let day_of_year =
            day_of_cycle - (365 * year_of_cycle + year_of_cycle / 4 - year_of_cycle / 100);
        let month_from_march = (5 * day_of_year + 2) / 153;
        let day = day_of_year - (153 * month_from_march + 2) / 5 + 1;
        let month = if month_from_march < 10 {
            month_from_march + 3
        } else {
            month_from_march - 9
        };
        (
            cycle * 400 + year_of_cycle + i64::from(month <= 2),
            month,
            day,
        )
    }
}

impl From<SystemTime> for Utc {
    fn from(time: SystemTime) -> Self {
        let seconds = match time.duration_since(UNIX_EPOCH) {
            Ok(after) => after.as_secs() as i64,
            Err(before) => -(before.duration().as_secs() as i64),
        };
        Self { seconds }
    }
}

/// The time by the computer's clock.
pub(crate) fn now() -> SystemTime {
    SystemTime::now()
}

/// A mark that no other publication has: the time in microseconds and the process.
pub(crate) fn unique_mark() -> String {
    let now = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap_or_default();
    format!("{:x}-{:x}", now.as_micros(), std::process::id())
}

/// The time that a mark was made at.
pub(crate) fn time_of_mark(mark: &str) -> Option<SystemTime> {
    let micros = u64::from_str_radix(mark.split('-').next()?, 16).ok()?;
    UNIX_EPOCH.checked_add(std::time::Duration::from_micros(micros))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mark_tells_its_time() {
        let before = now();
        let made = time_of_mark(&unique_mark()).unwrap();
        let age = made.duration_since(before).unwrap_or_default();
        assert!(age.as_secs() < 60, "{age:?}");
        assert_eq!(time_of_mark("copy"), None);
    }

    /// RFC 3339, section 5.8, and the examples of POSIX's "Seconds Since the Epoch".
    #[test]
    fn known_times() {
        for (seconds, iso) in [
            (0, "1970-01-01T00:00:00Z"),
            (482_196_050, "1985-04-12T23:20:50Z"),
            (951_782_400, "2000-02-29T00:00:00Z"),
            (1_709_164_799, "2024-02-28T23:59:59Z"),
            (4_107_542_400, "2100-03-01T00:00:00Z"),
            (-1, "1969-12-31T23:59:59Z"),
        ] {
            assert_eq!(Utc { seconds }.iso(), iso);
        }
    }
}
