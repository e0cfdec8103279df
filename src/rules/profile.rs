//! Reading a rule profile (TOML) and saying it in plain words.

use crate::error::{Error, Result};
use crate::rules::movement::{self, EventRule, Movement};
use crate::types::{Station, STATION_COUNT};
use serde::Deserialize;
use std::fmt::Write as _;
use std::path::Path;

/// A rule profile in force.
#[derive(Debug, Clone, PartialEq)]
pub struct RuleProfile {
    /// Short name.
    pub name: String,
    /// Title in words.
    pub title: String,
    /// Probability needed before something is called, 0.5–1.
    pub call_confidence: f64,
    /// Where the confidence comes from.
    pub basis: String,
    /// When a stance counts as still.
    pub still: Still,
    /// The checks.
    pub checks: Vec<Check>,
    /// Natural hollow at every station.
    pub hollow: Hollow,
    /// What is told apart before and after the hold.
    pub movement: Movement,
    /// Codes and deductions of that; a kind without an entry is reported without a code.
    pub events: Vec<EventRule>,
    /// SHA-256 of the file, hexadecimal.
    pub sha256: String,
}

/// When a stance counts as still.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Still {
    /// Speed of the body's points below which they are at rest, m/s at the body's own scale.
    pub speed_limit_m_per_s: f64,
    /// For at least this long, seconds.
    pub for_at_least_s: f64,
    /// Where the numbers come from.
    pub basis: String,
}

/// One check of the stance.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Check {
    /// Key used in files.
    pub key: String,
    /// Title in words.
    pub title: String,
    /// Which stations count.
    pub stations: Vec<Station>,
    /// Tolerance, mm.
    pub tolerance_mm: f64,
    /// Confidence for this check alone, where it differs from the profile's.
    #[serde(default)]
    pub call_confidence: Option<f64>,
    /// The rulebook's code.
    pub code: String,
    /// Deduction, points.
    pub deduction: f64,
    /// The panel of judges it belongs to.
    pub panel: String,
    /// Where the numbers come from.
    pub basis: String,
}

/// Height of the inner surface in a clean stance.
#[derive(Debug, Clone, PartialEq)]
pub struct Hollow {
    /// Mean, mm, knee to heel.
    pub mean_mm: [f64; STATION_COUNT],
    /// Spread between bodies (standard deviation), mm.
    pub sd_mm: [f64; STATION_COUNT],
    /// Where it comes from.
    pub basis: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ProfileFile {
    profile: Head,
    still: Still,
    check: Vec<Check>,
    natural_hollow: HollowFile,
    /// A copy made before this section was known goes on working: it gets the shipped one.
    movement: Option<Movement>,
    #[serde(default)]
    event: Option<Vec<EventRule>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Head {
    name: String,
    title: String,
    call_confidence: f64,
    basis: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct HollowFile {
    basis: String,
    mean_mm: PerStation,
    sd_mm: PerStation,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PerStation {
    knee: f64,
    calf25: f64,
    calf50: f64,
    calf75: f64,
    ankle: f64,
    heel: f64,
}

impl PerStation {
    fn array(&self) -> [f64; STATION_COUNT] {
        [self.knee, self.calf25, self.calf50, self.calf75, self.ankle, self.heel]
    }
}

/// The shipped profile's text.
pub const SHIPPED: &str = include_str!("southern.toml");

impl RuleProfile {
    /// The profile shipped with the program.
    pub fn shipped() -> Self {
        Self::parse(SHIPPED, "the shipped rule profile").expect("the shipped profile is checked by a test")
    }

    /// Reads a profile file.
    ///
    /// # Errors
    /// [`Error::Input`] with line and reason.
    pub fn read(path: &Path) -> Result<Self> {
        let text = std::fs::read_to_string(path)
            .map_err(|e| Error::input(format!("The rule file {} cannot be read ({e}); check the path.", path.display())))?;
        Self::parse(&text, &format!("The rule file {}", path.display()))
    }

    /// The profile file named, or the shipped one where none is.
    ///
    /// # Errors
    /// As [`RuleProfile::read`].
    pub fn of(path: Option<&Path>) -> Result<Self> {
        path.map_or_else(|| Ok(Self::shipped()), Self::read)
    }

    /// Reads a profile's text; `what` names it in error sentences.
    ///
    /// # Errors
    /// [`Error::Input`] with line and reason.
    pub fn parse(text: &str, what: &str) -> Result<Self> {
        let file: ProfileFile = toml::from_str(text).map_err(|e| {
            let line = e.span().map_or(1, |s| text[..s.start.min(text.len())].matches('\n').count() + 1);
            Error::input(format!(
                "{what} is refused at line {line}: {}.",
                e.message().trim_end_matches('.').replace('\n', " ")
            ))
        })?;
        let line_of = |key: &str| {
            text.lines()
                .position(|l| l.trim_start().starts_with(key))
                .map_or(String::new(), |l| format!(" at line {}", l + 1))
        };
        let refuse = |key: &str, reason: String| Err(Error::input(format!("{what} is refused{}: {reason}.", line_of(key))));
        let in_range = |c: f64| c > 0.5 && c < 1.0;
        if !in_range(file.profile.call_confidence) {
            return refuse("call_confidence", "call_confidence must lie between 0.5 and 1".into());
        }
        if !(file.still.speed_limit_m_per_s > 0.0 && file.still.speed_limit_m_per_s < 10.0) {
            return refuse(
                "speed_limit_m_per_s",
                "speed_limit_m_per_s must be a speed above 0 and below 10 m/s".into(),
            );
        }
        if !(file.still.for_at_least_s > 0.0 && file.still.for_at_least_s < 60.0) {
            return refuse("for_at_least_s", "for_at_least_s must be a time above 0 and below 60 s".into());
        }
        if file.check.is_empty() {
            return refuse("[[check]]", "it has no check".into());
        }
        for (k, c) in file.check.iter().enumerate() {
            if c.key.is_empty() || file.check[..k].iter().any(|d| d.key == c.key) {
                return refuse("key", format!("check {} needs a key of its own", k + 1));
            }
            if c.stations.is_empty() {
                return refuse("stations", format!("check {} names no stations", c.key));
            }
            if !(c.tolerance_mm > 0.0 && c.tolerance_mm <= 300.0) {
                return refuse(
                    "tolerance_mm",
                    format!("tolerance_mm of check {} must lie above 0 and at most 300 mm", c.key),
                );
            }
            if !(c.deduction >= 0.0 && c.deduction <= 10.0) {
                return refuse("deduction", format!("deduction of check {} must lie from 0 to 10 points", c.key));
            }
            if !c.call_confidence.is_none_or(in_range) {
                return refuse(
                    "call_confidence",
                    format!("call_confidence of check {} must lie between 0.5 and 1", c.key),
                );
            }
        }
        let hollow = Hollow {
            mean_mm: file.natural_hollow.mean_mm.array(),
            sd_mm: file.natural_hollow.sd_mm.array(),
            basis: file.natural_hollow.basis,
        };
        if hollow.mean_mm.iter().chain(&hollow.sd_mm).any(|x| !(0.0..=50.0).contains(x)) {
            return refuse("mean_mm", "natural hollows and their spreads must lie from 0 to 50 mm".into());
        }
        let (movement, events) = match (file.movement, file.event) {
            (Some(movement), events) => (movement, events.unwrap_or_default()),
            (None, None) => shipped_movement(),
            (None, Some(events)) => (shipped_movement().0, events),
        };
        if let Some((key, reason)) = movement::fault(&movement, &events) {
            return refuse(key, reason);
        }
        Ok(Self {
            name: file.profile.name,
            title: file.profile.title,
            call_confidence: file.profile.call_confidence,
            basis: file.profile.basis,
            still: file.still,
            checks: file.check,
            hollow,
            movement,
            events,
            sha256: crate::hash::sha256_hex(text.as_bytes()),
        })
    }

    /// The profile in plain words.
    pub fn in_words(&self) -> String {
        let mut out = String::new();
        let _ = writeln!(out, "Rule profile: {} ({}, {})", self.title, self.name, &self.sha256[..12]);
        let _ = writeln!(
            out,
            "\nA stance is judged once the body's points have moved slower than {} m/s for at least {} s.\n  Basis: {}",
            self.still.speed_limit_m_per_s, self.still.for_at_least_s, self.still.basis
        );
        let _ = writeln!(
            out,
            "\nA fault is called suspected, or a part clear, at a probability of {:.0} % or more; else the answer is \"cannot tell\".\n  Basis: {}",
            100.0 * self.call_confidence,
            self.basis
        );
        for c in &self.checks {
            let stations = c.stations.iter().map(|s| s.words()).collect::<Vec<_>>().join(", ");
            let _ = writeln!(
                out,
                "\n{} ({}):\n  Fault if any of these stands more than {} mm off the carpet: {stations}.\n  Code {}, deduction {}, {} judges.{}\n  Basis: {}",
                c.title,
                c.key,
                c.tolerance_mm,
                c.code,
                c.deduction,
                c.panel,
                c.call_confidence.map_or(String::new(), |p| format!(" Called at {:.0} %.", 100.0 * p)),
                c.basis
            );
        }
        out += &movement::in_words(&self.movement, &self.events);
        let hollows = Station::ALL
            .iter()
            .map(|s| {
                format!(
                    "{} {} ± {} mm",
                    s.words(),
                    self.hollow.mean_mm[s.index()],
                    self.hollow.sd_mm[s.index()]
                )
            })
            .collect::<Vec<_>>()
            .join(", ");
        let _ = writeln!(out, "\nNatural hollow taken off first: {hollows}.\n  Basis: {}", self.hollow.basis);
        let _ = writeln!(
            out,
            "\nThis tool advises. The judges on the floor and the rulebook in force decide."
        );
        out
    }
}

/// The shipped profile's part on what happens before and after the hold.
fn shipped_movement() -> (Movement, Vec<EventRule>) {
    #[derive(Deserialize)]
    struct Part {
        movement: Movement,
        event: Vec<EventRule>,
    }
    let part: Part = toml::from_str(SHIPPED).expect("the shipped profile is checked by a test");
    (part.movement, part.event)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shipped_profile_is_sound() {
        let rules = RuleProfile::shipped();
        assert_eq!(rules.checks.len(), 2);
        assert!(rules.in_words().contains("inner heel"));
        assert_eq!(rules.events.len(), crate::outcome::EventKind::ALL.len());
    }

    #[test]
    fn a_copy_without_the_movement_part_gets_the_shipped_one() {
        let old = SHIPPED.split("# What is told apart").next().unwrap();
        let rules = RuleProfile::parse(old, "it").unwrap();
        assert_eq!(rules.movement, RuleProfile::shipped().movement);
        assert_eq!(rules.events, RuleProfile::shipped().events);
    }

    #[test]
    fn a_broken_profile_is_refused_with_its_line() {
        let broken = SHIPPED.replace("tolerance_mm = 15.0", "tolerance_mm = \"wide\"");
        let line = broken.lines().position(|l| l.starts_with("tolerance_mm")).unwrap() + 1;
        let said = RuleProfile::parse(&broken, "it").unwrap_err().to_string();
        assert!(said.contains(&format!("line {line}")), "{said}");
        for (from, to, word) in [
            ("call_confidence = 0.9", "call_confidence = 1.9", "call_confidence"),
            ("deduction = 0.1", "deduction = -1.0", "deduction"),
            ("\"knee\", ", "\"shin\", ", "line"),
            ("[still]", "[stil]", "line"),
            ("for_at_least_s = 0.4", "for_at_least_s = -2.0", "for_at_least_s"),
            ("sway_deg = 12.0", "sway_deg = 0.0", "sway_deg"),
            ("kind = \"hop\"", "kind = \"jig\"", "line"),
            ("kind = \"hop\"", "kind = \"step\"", "twice"),
        ] {
            let said = RuleProfile::parse(&SHIPPED.replacen(from, to, 1), "it").unwrap_err().to_string();
            assert!(said.contains(word) && said.contains("line"), "{said}");
        }
    }
}
