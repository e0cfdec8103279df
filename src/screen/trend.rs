//! An athlete over sessions.

use super::database::Stored;
use crate::outcome::{Call, HoldReport};
use crate::statistics::summary;
use crate::statistics::wilson::Count;
use crate::types::Station;
use serde::Serialize;
use std::collections::BTreeMap;

/// One part of the leg in one session.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PartPoint {
    /// Mean over the session's holds of the gap, mm; for the calf of the largest gap from knee to ankle.
    pub gap_mm: f64,
    /// Standard deviation of that mean, mm: the holds' scatter divided by the root of their number, and beside it the mean of their own standard deviations undivided,
    /// because the holds of a session share camera, network and athlete and so most of their error.
    pub sd_mm: f64,
}

/// One session of one athlete.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SessionPoint {
    /// Its name.
    pub session: String,
    /// Recordings of the session.
    pub recordings: u64,
    /// Holds.
    pub holds: u64,
    /// Holds called suspected.
    pub suspected: u64,
    /// Holds called clear.
    pub clear: u64,
    /// Holds that could not be told.
    pub cannot_tell: u64,
    /// 95 % interval (Wilson) of the share suspected among the holds called clear or suspected.
    pub suspected_share_95: [f64; 2],
    /// Knee, calf and ankle; `None` without a hold.
    pub calf: Option<PartPoint>,
    /// Heel.
    pub heel: Option<PartPoint>,
}

/// One athlete.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AthleteTrend {
    /// Name; empty for recordings of nobody named.
    pub athlete: String,
    /// Sessions in the order of their names, numbers in them by value.
    pub sessions: Vec<SessionPoint>,
}

/// Collects results into trends.
#[derive(Default)]
pub(super) struct Collected(BTreeMap<(String, SessionName), Session>);

#[derive(Default)]
struct Session {
    recordings: u64,
    calls: Vec<Call>,
    calf: Vec<(f64, f64)>,
    heel: Vec<(f64, f64)>,
}

impl Collected {
    pub(super) fn add(&mut self, stored: &Stored) {
        let key = (stored.who.athlete.clone(), SessionName(stored.who.session.clone()));
        let session = self.0.entry(key).or_default();
        session.recordings += 1;
        for hold in stored.entry.outcome.iter().flat_map(|o| &o.holds) {
            session.calls.push(hold.call);
            session.calf.extend(worst(hold, &Station::ALL[..5]));
            session.heel.extend(worst(hold, &Station::ALL[5..]));
        }
    }

    pub(super) fn finish(self) -> Vec<AthleteTrend> {
        let mut out: Vec<AthleteTrend> = Vec::new();
        for ((athlete, session), found) in self.0 {
            let count = |call: Call| found.calls.iter().filter(|c| **c == call).count() as u64;
            let (suspected, clear) = (count(Call::Suspected), count(Call::Clear));
            let point = SessionPoint {
                session: session.0,
                recordings: found.recordings,
                holds: found.calls.len() as u64,
                suspected,
                clear,
                cannot_tell: count(Call::CannotTell),
                suspected_share_95: Count {
                    of: suspected,
                    total: suspected + clear,
                }
                .wilson(0.95),
                calf: mean_of(&found.calf),
                heel: mean_of(&found.heel),
            };
            match out.last_mut() {
                Some(last) if last.athlete == athlete => last.sessions.push(point),
                _ => out.push(AthleteTrend {
                    athlete,
                    sessions: vec![point],
                }),
            }
        }
        out
    }
}

/// The trends of all results.
pub fn trends<'a>(results: impl IntoIterator<Item = &'a Stored>) -> Vec<AthleteTrend> {
    let mut collected = Collected::default();
    for stored in results {
        collected.add(stored);
    }
    collected.finish()
}

fn worst(hold: &HoldReport, stations: &[Station]) -> Option<(f64, f64)> {
    hold.gaps
        .iter()
        .filter(|g| stations.contains(&g.station))
        .max_by(|a, b| a.gap_mm.total_cmp(&b.gap_mm))
        .map(|g| (g.gap_mm, g.sd_mm))
}

fn mean_of(values: &[(f64, f64)]) -> Option<PartPoint> {
    let gaps: Vec<f64> = values.iter().map(|v| v.0).collect();
    let sds: Vec<f64> = values.iter().map(|v| v.1).collect();
    let scatter = summary::standard_deviation(&gaps).unwrap_or(0.0) / (gaps.len() as f64).sqrt();
    Some(PartPoint {
        gap_mm: summary::mean(&gaps)?,
        sd_mm: scatter.hypot(summary::mean(&sds)?),
    })
}

/// A session's name, ordered with the numbers in it by value, so that “session 10” comes after “session 9”; dates written year first come in order too.
#[derive(Debug, Clone, PartialEq, Eq)]
struct SessionName(String);

impl Ord for SessionName {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        let parts = |s: &str| -> Vec<(bool, u128, String)> {
            let mut out: Vec<(bool, u128, String)> = Vec::new();
            for c in s.chars() {
                let digit = c.is_ascii_digit();
                match out.last_mut() {
                    Some(last) if last.0 == digit => last.2.push(c),
                    _ => out.push((digit, 0, c.to_string())),
                }
            }
            for part in out.iter_mut().filter(|p| p.0) {
                part.1 = part.2.parse().unwrap_or(u128::MAX);
            }
            out
        };
        parts(&self.0).cmp(&parts(&other.0))
    }
}

impl PartialOrd for SessionName {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sessions_come_in_order() {
        let mut names: Vec<SessionName> = ["session 10", "session 9", "2026-02-11", "2026-02-02", ""]
            .map(|s| SessionName(s.into()))
            .into();
        names.sort();
        let names: Vec<&str> = names.iter().map(|n| n.0.as_str()).collect();
        assert_eq!(
            names.iter().position(|n| *n == "session 9").unwrap() + 1,
            names.iter().position(|n| *n == "session 10").unwrap()
        );
        assert_eq!(
            names.iter().position(|n| *n == "2026-02-02").unwrap() + 1,
            names.iter().position(|n| *n == "2026-02-11").unwrap()
        );
    }

    #[test]
    fn one_hold_is_as_sure_as_itself_and_many_never_surer_than_their_common_error() {
        assert_eq!(mean_of(&[(10.0, 4.0)]).unwrap(), PartPoint { gap_mm: 10.0, sd_mm: 4.0 });
        let many = mean_of(&[(10.0, 4.0), (14.0, 4.0), (10.0, 4.0), (14.0, 4.0)]).unwrap();
        assert!((many.gap_mm - 12.0).abs() < 1e-12 && many.sd_mm > 4.0, "{many:?}");
        assert!(mean_of(&[]).is_none());
    }
}
