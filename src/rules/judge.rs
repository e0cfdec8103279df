//! From a gap profile to findings and a call.

use crate::leg::profile::{smallest_lift_mm, GapProfile};
use crate::outcome::{Call, Finding, GapReport, PerPart};
use crate::rules::RuleProfile;
use crate::types::Station;

/// What the rules make of one hold.
#[derive(Debug, Clone)]
pub struct Judgement {
    /// Gaps beyond the natural hollow.
    pub gaps: Vec<GapReport>,
    /// Profile beyond the natural hollow, with the hollow's spread in its covariance.
    pub profile: GapProfile,
    /// One finding a check.
    pub findings: Vec<Finding>,
    /// The call on the stance.
    pub call: Call,
    /// Smallest lift this view can show, mm.
    pub smallest_lift_mm: PerPart<f64>,
    /// Whether that is within the tolerance.
    pub can_tell: PerPart<bool>,
}

/// Judges `measured` (heights of the inner surface over the carpet) by `rules`.
pub fn judge(measured: &GapProfile, rules: &RuleProfile) -> Judgement {
    let mut profile = measured.clone();
    for i in 0..profile.gap_mm.len() {
        profile.gap_mm[i] -= rules.hollow.mean_mm[i];
        profile.covariance_mm2[(i, i)] += rules.hollow.sd_mm[i].powi(2);
    }
    let tolerance_of = |station: Station| {
        rules
            .checks
            .iter()
            .filter(|c| c.stations.contains(&station))
            .map(|c| c.tolerance_mm)
            .fold(f64::INFINITY, f64::min)
    };
    let gaps = Station::ALL
        .iter()
        .map(|s| {
            let tolerance = tolerance_of(*s);
            GapReport {
                station: *s,
                gap_mm: profile.gap_mm[s.index()],
                sd_mm: profile.sd_mm(*s),
                over_tolerance_probability: if tolerance.is_finite() {
                    profile.over_probability(*s, tolerance)
                } else {
                    0.0
                },
                natural_hollow_mm: rules.hollow.mean_mm[s.index()],
            }
        })
        .collect();

    let lift = |stations: &[Station], confidence: f64| {
        smallest_lift_mm(stations.iter().map(|s| profile.sd_mm(*s)).fold(0.0, f64::max), confidence)
    };
    let mut findings = Vec::new();
    for check in &rules.checks {
        let confidence = check.call_confidence.unwrap_or(rules.call_confidence);
        let fault = profile.any_over_probability(&check.stations, check.tolerance_mm);
        let can_tell = lift(&check.stations, confidence) <= check.tolerance_mm;
        let call = if fault >= confidence {
            Call::Suspected
        } else if fault <= 1.0 - confidence && can_tell {
            Call::Clear
        } else {
            Call::CannotTell
        };
        let station = check
            .stations
            .iter()
            .copied()
            .max_by(|a, b| {
                let p = |s: &Station| profile.over_probability(*s, check.tolerance_mm);
                p(a).total_cmp(&p(b))
                    .then(profile.gap_mm[a.index()].total_cmp(&profile.gap_mm[b.index()]))
            })
            .unwrap_or(Station::Heel);
        findings.push(Finding {
            check: check.key.clone(),
            title: check.title.clone(),
            call,
            confidence: if call == Call::Clear { 1.0 - fault } else { fault },
            fault_probability: fault,
            station,
            gap_mm: profile.gap_mm[station.index()],
            sd_mm: profile.sd_mm(station),
            tolerance_mm: check.tolerance_mm,
            code: check.code.clone(),
            deduction: check.deduction,
            basis: check.basis.clone(),
        });
    }
    let call = if findings.iter().any(|f| f.call == Call::Suspected) {
        Call::Suspected
    } else if findings.iter().all(|f| f.call == Call::Clear) {
        Call::Clear
    } else {
        Call::CannotTell
    };
    let calf = &Station::ALL[..5];
    let heel = &Station::ALL[5..];
    let tolerance = |stations: &[Station]| stations.iter().map(|s| tolerance_of(*s)).fold(f64::INFINITY, f64::min);
    let smallest = PerPart {
        calf: lift(calf, rules.call_confidence),
        heel: lift(heel, rules.call_confidence),
    };
    Judgement {
        gaps,
        findings,
        call,
        can_tell: PerPart {
            calf: smallest.calf <= tolerance(calf),
            heel: smallest.heel <= tolerance(heel),
        },
        smallest_lift_mm: smallest,
        profile,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::leg::profile::{StationMatrix, StationVector};

    fn measured(gap: f64, heel: f64, sd: f64) -> GapProfile {
        let mut gap_mm = StationVector::from_element(gap);
        gap_mm[5] = heel;
        GapProfile {
            gap_mm,
            covariance_mm2: StationMatrix::identity() * (sd * sd),
        }
    }

    #[test]
    fn three_ways_out() {
        let rules = RuleProfile::shipped();
        assert_eq!(judge(&measured(1.0, 1.0, 3.0), &rules).call, Call::Clear);
        let lifted = judge(&measured(1.0, 40.0, 5.0), &rules);
        assert_eq!(lifted.call, Call::Suspected);
        assert_eq!(lifted.findings[1].call, Call::Suspected);
        assert_eq!(lifted.findings[0].call, Call::Clear);
        // A view that cannot show a lift of the tolerance never gives "clear".
        assert_eq!(judge(&measured(-5.0, -5.0, 20.0), &rules).call, Call::CannotTell);
        // but what is plainly larger is still called.
        assert_eq!(judge(&measured(0.0, 90.0, 20.0), &rules).findings[1].call, Call::Suspected);
    }
}
