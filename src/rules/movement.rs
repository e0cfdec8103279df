//! The part of a rule profile that speaks of what happens before and after the hold.

use crate::outcome::EventKind;
use serde::Deserialize;

/// Limits: what counts as one foot first, a short turn, a step and so on. Real seconds, metres on the carpet.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Movement {
    /// Time between the feet's first contacts from which on one was first, seconds.
    pub one_foot_first_s: f64,
    /// The turn asked for, degrees; `None`: a turn is measured, not judged.
    #[serde(default)]
    pub required_turn_deg: Option<f64>,
    /// How far a turn may miss the one asked for, degrees.
    pub turn_tolerance_deg: f64,
    /// Least way of a foot that leaves the carpet, metres.
    pub step_m: f64,
    /// Least way of a foot that slides, metres.
    pub shuffle_m: f64,
    /// Least height that counts as leaving the carpet, metres.
    pub lift_m: f64,
    /// Least sway of the trunk, degrees.
    pub sway_deg: f64,
    /// Least sway of the shoulders, metres.
    pub sway_m: f64,
    /// Speed against the carpet below which a part rests on it, m/s.
    pub support_speed_limit_m_per_s: f64,
    /// For at least this long, seconds.
    pub support_for_at_least_s: f64,
    /// How many times slower than real time the recording is, where that is known beforehand; `None`: it is found from the free fall.
    #[serde(default)]
    pub slow_motion_factor: Option<f64>,
    /// Where the numbers come from.
    pub basis: String,
}

/// Code, deduction and panel of one kind of event.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EventRule {
    /// Which kind.
    pub kind: EventKind,
    /// The rulebook's code; empty where there is none.
    pub code: String,
    /// Deduction, points.
    pub deduction: f64,
    /// The panel of judges it belongs to.
    pub panel: String,
    /// Where they come from.
    pub basis: String,
}

/// What is wrong with the section, as (key, sentence without full stop).
pub(crate) fn fault(movement: &Movement, events: &[EventRule]) -> Option<(&'static str, String)> {
    let limits = [
        ("one_foot_first_s", movement.one_foot_first_s, 2.0),
        ("turn_tolerance_deg", movement.turn_tolerance_deg, 360.0),
        ("step_m", movement.step_m, 2.0),
        ("shuffle_m", movement.shuffle_m, 2.0),
        ("lift_m", movement.lift_m, 1.0),
        ("sway_deg", movement.sway_deg, 90.0),
        ("sway_m", movement.sway_m, 2.0),
        ("support_speed_limit_m_per_s", movement.support_speed_limit_m_per_s, 5.0),
        ("support_for_at_least_s", movement.support_for_at_least_s, 10.0),
    ];
    for (key, value, most) in limits {
        if !(value > 0.0 && value <= most) {
            return Some((key, format!("{key} must lie above 0 and at most {most}")));
        }
    }
    if !movement
        .required_turn_deg
        .is_none_or(|t| t.is_finite() && (0.0..=3600.0).contains(&t.abs()))
    {
        return Some((
            "required_turn_deg",
            "required_turn_deg must lie within 3600 degrees either way".into(),
        ));
    }
    if !movement.slow_motion_factor.is_none_or(|f| (0.1..=100.0).contains(&f)) {
        return Some(("slow_motion_factor", "slow_motion_factor must lie from 0.1 to 100".into()));
    }
    for (k, e) in events.iter().enumerate() {
        if events[..k].iter().any(|d| d.kind == e.kind) {
            return Some(("[[event]]", format!("the event \"{}\" stands there twice", e.kind.words())));
        }
        if !(e.deduction >= 0.0 && e.deduction <= 10.0) {
            return Some((
                "deduction",
                format!("deduction of the event \"{}\" must lie from 0 to 10 points", e.kind.words()),
            ));
        }
    }
    None
}

/// The section in plain words.
pub(crate) fn in_words(movement: &Movement, events: &[EventRule]) -> String {
    use std::fmt::Write as _;
    let mut out = String::new();
    let turn = movement.required_turn_deg.map_or_else(
        || "No turn is asked for: it is measured, not judged.".to_string(),
        |t| {
            format!(
                "A turn of {t}° is asked for; more than {}° less is short.",
                movement.turn_tolerance_deg
            )
        },
    );
    let _ = writeln!(
        out,
        "\nBefore and after the hold (none of it changes the call on the stance):\n  One foot first: first contacts more than {:.0} ms apart. {turn}\n  Step: a foot leaves the carpet by {:.0} mm or more and comes down {:.0} mm or more away; shuffle: it slides {:.0} mm or more; hop: both feet leave the carpet together.\n  Sway: the trunk leans out by {}° or the shoulders move by {:.0} mm, and come back.\n  Added support: hand, elbow, other knee or seat on the carpet, slower than {} m/s, for {} s or more.\n  Basis: {}",
        1000.0 * movement.one_foot_first_s,
        1000.0 * movement.lift_m,
        1000.0 * movement.step_m,
        1000.0 * movement.shuffle_m,
        movement.sway_deg,
        1000.0 * movement.sway_m,
        movement.support_speed_limit_m_per_s,
        movement.support_for_at_least_s,
        movement.basis
    );
    for e in events {
        let code = if e.code.is_empty() {
            "no code".to_string()
        } else {
            format!("code {}", e.code)
        };
        let _ = writeln!(
            out,
            "  {}: {code}, deduction {}, {} judges. Basis: {}",
            e.kind.words(),
            e.deduction,
            e.panel,
            e.basis
        );
    }
    out
}
