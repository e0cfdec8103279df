//! The tolerance that goes best with labels.

use crate::error::{Error, Result};
use crate::rules::RuleProfile;
use crate::statistics::bootstrap::Draws;
use crate::statistics::roc::{best_threshold, curve};
use crate::statistics::summary;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// Fewest faults, and fewest clear ones, from which a tolerance is suggested.
pub const FEWEST: usize = 10;

/// Folds of the cross-validation.
const FOLDS: usize = 5;

/// Repetitions of the cross-validation with the recordings dealt anew.
const DEALS: usize = 20;

/// Bounds of a tolerance, mm.
const BOUNDS_MM: [f64; 2] = [1.0, 200.0];

/// A suggested tolerance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Suggestion {
    /// Suggested, mm, to half a millimetre.
    pub tolerance_mm: f64,
    /// In force, mm.
    pub current_mm: f64,
    /// 95 % interval of the suggested one, drawing the recordings again, mm.
    pub interval_95_mm: [f64; 2],
    /// Sensitivity minus false-flag rate on recordings that had no part in choosing the tolerance, mean of all folds.
    pub index_held_out: f64,
    /// The same at the tolerance in force.
    pub index_current: f64,
    /// Labelled faults.
    pub faults: usize,
    /// Labelled clear.
    pub clear: usize,
    /// Whether the held-out index is larger than the one in force.
    pub better: bool,
}

/// One labelled measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct Labelled {
    /// Recording; what belongs to one recording stays together.
    pub recording: String,
    /// Largest measured gap among the check's stations, mm.
    pub gap_mm: f64,
    /// Whether the judges say fault.
    pub fault: bool,
}

fn split(of: &[&Labelled]) -> (Vec<f64>, Vec<f64>) {
    let take = |fault: bool| of.iter().filter(|l| l.fault == fault).map(|l| l.gap_mm).collect();
    (take(true), take(false))
}

fn choose(of: &[&Labelled], current_mm: f64) -> Option<f64> {
    let (positive, negative) = split(of);
    best_threshold(&positive, &negative, BOUNDS_MM[0], BOUNDS_MM[1], current_mm)
}

/// Youden's index at a tolerance.
fn index(of: &[&Labelled], tolerance_mm: f64) -> Option<f64> {
    let (positive, negative) = split(of);
    curve(&positive, &negative, &[tolerance_mm])
        .first()
        .map(|p| p.sensitivity - p.false_flag_rate)
}

/// Suggests a tolerance: the one with the largest sensitivity minus false-flag rate of “gap over tolerance” (Youden's index), judged by repeated cross-validation in five
/// folds of whole recordings.
///
/// # Errors
/// A sentence where there are too few labels.
pub fn suggest(labelled: &[Labelled], current_mm: f64) -> std::result::Result<Suggestion, String> {
    let all: Vec<&Labelled> = labelled.iter().collect();
    let faults = all.iter().filter(|l| l.fault).count();
    let clear = all.len() - faults;
    if faults < FEWEST || clear < FEWEST {
        return Err(format!(
            "a tolerance is suggested from {FEWEST} labelled faults and {FEWEST} clear ones or more; there are {faults} and {clear}"
        ));
    }
    let few = || "the labels of too few recordings have a fault and too few are clear".to_string();
    let chosen = choose(&all, current_mm).ok_or_else(few)?;
    let recordings: Vec<&str> = all
        .iter()
        .map(|l| l.recording.as_str())
        .collect::<BTreeSet<_>>()
        .into_iter()
        .collect();
    let mut of_recording: BTreeMap<&str, Vec<&Labelled>> = BTreeMap::new();
    for l in &all {
        of_recording.entry(&l.recording).or_default().push(l);
    }
    let mut random = Draws::new(1950);
    let mut held_out = Vec::new();
    let mut at_current = Vec::new();
    for _ in 0..DEALS {
        let mut dealt = recordings.clone();
        for k in (1..dealt.len()).rev() {
            dealt.swap(k, random.below(k + 1));
        }
        // Every measurement is looked at by the tolerance of the folds that it is not in; the index is of all of them together, since a fold may lack faults.
        let (mut flagged, mut flagged_now) = (Vec::new(), Vec::new());
        for fold in 0..FOLDS {
            let is_out = |k: usize| k % FOLDS == fold;
            let gather = |out: bool| -> Vec<&Labelled> {
                (0..dealt.len())
                    .filter(|k| is_out(*k) == out)
                    .flat_map(|k| of_recording[dealt[k]].iter().copied())
                    .collect()
            };
            let Some(t) = choose(&gather(false), current_mm) else { continue };
            for l in gather(true) {
                flagged.push((l.fault, l.gap_mm > t));
                flagged_now.push((l.fault, l.gap_mm > current_mm));
            }
        }
        held_out.extend(index_of(&flagged));
        at_current.extend(index_of(&flagged_now));
    }
    let clusters: Vec<Vec<&Labelled>> = of_recording.into_values().collect();
    let interval = crate::statistics::bootstrap::interval(&clusters, 0.95, 1000, &|drawn| choose(drawn, current_mm)).ok_or_else(few)?;
    let index_held_out = summary::mean(&held_out).ok_or_else(few)?;
    let index_current = summary::mean(&at_current).or(index(&all, current_mm)).ok_or_else(few)?;
    Ok(Suggestion {
        tolerance_mm: (2.0 * chosen).round().max(2.0) / 2.0,
        current_mm,
        interval_95_mm: interval,
        index_held_out,
        index_current,
        faults,
        clear,
        better: index_held_out > index_current,
    })
}

fn index_of(flagged: &[(bool, bool)]) -> Option<f64> {
    let rate = |fault: bool| {
        let of: Vec<bool> = flagged.iter().filter(|f| f.0 == fault).map(|f| f.1).collect();
        (!of.is_empty()).then(|| of.iter().filter(|f| **f).count() as f64 / of.len() as f64)
    };
    Some(rate(true)? - rate(false)?)
}

/// The rule file's text with other tolerances, by check; everything else, comments too, stays as it is.
///
/// # Errors
/// [`Error::Input`] where a check or its tolerance is not found in the text.
pub fn with_tolerances(text: &str, tolerances_mm: &[(String, f64, String)]) -> Result<String> {
    let mut lines: Vec<String> = text.lines().map(str::to_string).collect();
    for (check, tolerance_mm, why) in tolerances_mm {
        let not_found = || {
            Error::input(format!(
                "The rule file has no tolerance_mm on a line of its own for the check {check}."
            ))
        };
        let is = |line: &str, key: &str| line.split_once('=').is_some_and(|(k, _)| k.trim() == key);
        let starts: Vec<usize> = lines
            .iter()
            .enumerate()
            .filter(|(_, l)| l.trim_start().starts_with('['))
            .map(|(k, _)| k)
            .chain([lines.len()])
            .collect();
        let at = starts
            .windows(2)
            .filter(|w| lines[w[0]].trim() == "[[check]]")
            .find(|w| {
                (w[0]..w[1]).any(|k| {
                    is(&lines[k], "key")
                        && lines[k]
                            .split_once('=')
                            .is_some_and(|(_, v)| v.split('#').next().unwrap_or("").trim().trim_matches(['"', '\'']) == check)
                })
            })
            .and_then(|w| (w[0]..w[1]).find(|k| is(&lines[*k], "tolerance_mm")))
            .ok_or_else(not_found)?;
        lines[at] = format!("# {why}\ntolerance_mm = {tolerance_mm:?}");
    }
    let mut out = lines.join("\n");
    out.push('\n');
    // What was written is what is read.
    let read = RuleProfile::parse(&out, "The new rule file")?;
    for (check, tolerance_mm, _) in tolerances_mm {
        if read.checks.iter().find(|c| &c.key == check).map(|c| c.tolerance_mm) != Some(*tolerance_mm) {
            return Err(Error::ours(format!(
                "The tolerance of the check {check} could not be written into the rule file."
            )));
        }
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rules::profile::SHIPPED;

    #[test]
    fn only_the_named_tolerance_changes() {
        let new = with_tolerances(SHIPPED, &[("inner_heel".into(), 22.5, "from labels".into())]).unwrap();
        let (before, after) = (RuleProfile::shipped(), RuleProfile::parse(&new, "it").unwrap());
        assert_eq!(after.checks[1].tolerance_mm, 22.5);
        assert_eq!(after.checks[0], before.checks[0]);
        assert_eq!((after.still, after.hollow), (before.still, before.hollow));
        let added: Vec<&str> = new.lines().filter(|l| !SHIPPED.lines().any(|k| k == *l)).collect();
        assert_eq!(added, ["# from labels", "tolerance_mm = 22.5"]);
        assert!(with_tolerances(SHIPPED, &[("toe".into(), 5.0, String::new())]).is_err());
    }

    /// Simulation: judges flag above 24 mm, the tool measures with 3 mm of error; the suggestion must find 24 mm, and noise must not look better than it is.
    #[test]
    fn finds_the_judges_tolerance() {
        let mut random = Draws::new(3);
        let mut uniform = || random.bits() as f64 / u64::MAX as f64;
        let labelled: Vec<Labelled> = (0..240)
            .map(|k| {
                let gap = 60.0 * uniform();
                let error: f64 = (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
                Labelled {
                    recording: format!("{}", k / 2),
                    gap_mm: gap + 3.0 * error,
                    fault: gap > 24.0,
                }
            })
            .collect();
        let s = suggest(&labelled, 15.0).unwrap();
        assert!((s.tolerance_mm - 24.0).abs() < 3.0, "{s:?}");
        assert!(
            s.better && s.index_held_out > s.index_current && s.interval_95_mm[0] <= 24.0 && s.interval_95_mm[1] >= 22.0,
            "{s:?}"
        );
        let noise: Vec<Labelled> = (0..200)
            .map(|k| Labelled {
                recording: k.to_string(),
                gap_mm: 60.0 * uniform(),
                fault: uniform() > 0.5,
            })
            .collect();
        let s = suggest(&noise, 15.0).unwrap();
        assert!(s.index_held_out < 0.1, "{s:?}");
        assert!(suggest(&labelled[..12], 15.0).unwrap_err().contains("there are"));
    }
}
