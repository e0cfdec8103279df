//! The whole comparison: labels matched with results, rater by rater, and the tool's calls held against the judges' majority.

use super::compare::{compare, Agreement, Disagreement, Estimate, Pairing};
use super::labels::{Label, Labels, Verdict};
use super::link;
use super::results::{call_at, worst, Measured, Results};
use super::tolerance::{suggest, Labelled, Suggestion};
use crate::leg::profile::{smallest_lift_mm, GapProfile};
use crate::outcome::Call;
use crate::rules::profile::Check;
use crate::rules::RuleProfile;
use crate::statistics::calibration::{brier_score, expected_calibration_error, reliability, Bin, Forecast};
use crate::statistics::kappa::fleiss;
use crate::statistics::ranking::area_under_curve;
use crate::statistics::roc::{curve, RocPoint};
use crate::statistics::wilson::Count;
use crate::statistics::{bootstrap, summary};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// The name that the tool goes by among the raters.
pub(super) const TOOL: &str = "shankline";

/// Bins of the reliability curve.
const BINS: usize = 10;

/// Tolerances that are tried, mm, beside the one in force.
const TRIED_MM: [f64; 10] = [5.0, 7.5, 10.0, 12.5, 15.0, 20.0, 25.0, 30.0, 40.0, 60.0];

/// What a comparison is told.
pub struct AgreeOptions<'a> {
    /// The tool's results; `None` where only judges are compared.
    pub results: Option<&'a Results>,
    /// What judges said.
    pub labels: &'a Labels,
    /// Rules: stations and confidence of the checks.
    pub rules: &'a RuleProfile,
    /// The folder that the page will lie in, for its links.
    pub out: &'a Path,
}

/// A share with its Wilson interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Share {
    /// How many of how many.
    pub count: Count,
    /// 95 % interval.
    pub interval_95: [f64; 2],
}

impl From<Count> for Share {
    fn from(count: Count) -> Self {
        Self {
            count,
            interval_95: count.wilson(0.95),
        }
    }
}

/// What the calls would be at a tolerance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ToleranceRow {
    /// The tolerance, mm.
    pub tolerance_mm: f64,
    /// Whether it is the one in force.
    pub in_force: bool,
    /// Holds called suspected, clear and cannot tell.
    pub suspected: u64,
    /// As above.
    pub clear: u64,
    /// As above.
    pub cannot_tell: u64,
    /// Faults by the judges that are called suspected; one that cannot be told is not.
    pub sensitivity: Share,
    /// Clear ones by the judges that are called suspected.
    pub false_flags: Share,
}

/// The tool against the judges' majority, for one check or the stance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AgainstJudges {
    /// Faults by the judges that the tool suspects.
    pub sensitivity: Share,
    /// Clear ones by the judges that the tool suspects.
    pub false_flags: Share,
    /// Faults by the judges that the tool calls clear.
    pub called_clear: Share,
    /// What the tool cannot tell among all.
    pub cannot_tell: Share,
    /// The calls at other tolerances.
    pub tolerances: Vec<ToleranceRow>,
    /// “Measured gap over tolerance” over the tolerance, whatever its uncertainty.
    pub roc: Vec<RocPoint>,
    /// Area under it, with its interval by cluster bootstrap.
    pub area_under_curve: Estimate,
    /// Stated fault probability against the share of faults.
    pub reliability: Vec<Bin>,
    /// Brier score of the stated fault probability.
    pub brier_score: Option<f64>,
    /// Expected calibration error.
    pub calibration_error: Option<f64>,
    /// A tolerance from the labels, or why there is none.
    pub suggestion: std::result::Result<Suggestion, String>,
    /// Checks of the rule profile that the suggestion is for.
    pub checks: Vec<String>,
}

/// Everything on one check, or on the stance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckReport {
    /// The check; `None` for the stance as a whole.
    pub check: Option<String>,
    /// Its title.
    pub title: String,
    /// Rater by rater.
    pub agreements: Vec<Agreement>,
    /// Fleiss' κ over the judges, where there are three or more.
    pub fleiss: Option<Estimate>,
    /// How many judges it is over.
    pub fleiss_raters: usize,
    /// What all of them labelled.
    pub fleiss_subjects: usize,
    /// The tool against the judges.
    pub against_judges: Option<AgainstJudges>,
}

/// The comparison.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AgreeReport {
    /// The raters, the tool first where it is one.
    pub raters: Vec<String>,
    /// Check by check, the stance first.
    pub checks: Vec<CheckReport>,
    /// What raters differ on, worst first.
    pub disagreements: Vec<Disagreement>,
    /// What could not be compared and why.
    pub notes: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Subject {
    recording: String,
    hold: Option<usize>,
}

/// Compares everything.
pub fn agree(options: &AgreeOptions) -> AgreeReport {
    let mut notes = Vec::new();
    if options.labels.empty > 0 {
        notes.push(format!("{} rows of labels hold no label; passed over.", options.labels.empty));
    }
    let mut by_check: BTreeMap<Option<&str>, Vec<&Label>> = BTreeMap::new();
    for label in &options.labels.labels {
        by_check.entry(label.check.as_deref()).or_default().push(label);
    }
    let mut raters: Vec<String> = options.results.map(|_| TOOL.to_string()).into_iter().collect();
    raters.extend(options.labels.labels.iter().map(|l| l.rater.clone()).collect::<BTreeSet<_>>());
    let mut checks = Vec::new();
    let mut disagreements = Vec::new();
    for (check, labels) in by_check {
        let known = check.is_none_or(|c| options.rules.checks.iter().any(|k| k.key == c));
        if options.results.is_some() && !known {
            notes.push(format!(
                "The rule profile has no check {}; judges are compared on it, the tool is not.",
                check.unwrap_or_default()
            ));
        }
        checks.push(one_check(options, check, &labels, &mut disagreements, &mut notes));
    }
    disagreements.sort_by(|a, b| {
        b.weight
            .total_cmp(&a.weight)
            .then_with(|| (&a.recording, a.hold, &a.check).cmp(&(&b.recording, b.hold, &b.check)))
    });
    AgreeReport {
        raters,
        checks,
        disagreements,
        notes,
    }
}

fn one_check(
    options: &AgreeOptions,
    check: Option<&str>,
    labels: &[&Label],
    disagreements: &mut Vec<Disagreement>,
    notes: &mut Vec<String>,
) -> CheckReport {
    let title = match check {
        None => "The stance as a whole".to_string(),
        Some(key) => options
            .rules
            .checks
            .iter()
            .find(|c| c.key == key)
            .map_or_else(|| key.to_string(), |c| c.title.clone()),
    };
    let mut said: BTreeMap<Subject, BTreeMap<&str, Verdict>> = BTreeMap::new();
    for l in labels {
        let subject = Subject {
            recording: l.recording.clone(),
            hold: l.hold,
        };
        said.entry(subject).or_default().insert(&l.rater, l.verdict);
    }
    let tool = options
        .results
        .map(|r| match_tool(r, check, &said, &title, notes))
        .unwrap_or_default();
    let judges: Vec<&str> = labels
        .iter()
        .map(|l| l.rater.as_str())
        .collect::<BTreeSet<_>>()
        .into_iter()
        .collect();

    let mut agreements = Vec::new();
    let pairings = |first: &dyn Fn(&Subject) -> Option<Verdict>, second: &dyn Fn(&Subject) -> Option<Verdict>| -> Vec<Pairing> {
        said.keys()
            .filter_map(|s| {
                Some(Pairing {
                    recording: s.recording.clone(),
                    first: first(s)?,
                    second: second(s)?,
                })
            })
            .collect()
    };
    let by_judge = |judge: &str| {
        let said = &said;
        let judge = judge.to_string();
        move |s: &Subject| said[s].get(judge.as_str()).copied()
    };
    let by_tool = |s: &Subject| tool.get(s).map(|t| t.verdict);
    let by_majority = |s: &Subject| majority(&said[s]);
    if options.results.is_some() && !tool.is_empty() {
        if judges.len() > 1 {
            agreements.push(compare(TOOL, "the judges’ majority", &pairings(&by_tool, &by_majority)));
        }
        for judge in &judges {
            agreements.push(compare(TOOL, judge, &pairings(&by_tool, &by_judge(judge))));
        }
    }
    for (k, a) in judges.iter().enumerate() {
        for b in &judges[k + 1..] {
            agreements.push(compare(a, b, &pairings(&by_judge(a), &by_judge(b))));
        }
    }

    let everyone: Vec<(&Subject, &BTreeMap<&str, Verdict>)> = said.iter().filter(|(_, v)| v.len() == judges.len()).collect();
    let fleiss_estimate = (judges.len() >= 3 && !everyone.is_empty()).then(|| {
        let mut clusters: BTreeMap<&str, Vec<Vec<u64>>> = BTreeMap::new();
        for (s, v) in &everyone {
            let counts = Verdict::ALL.iter().map(|w| v.values().filter(|x| *x == w).count() as u64).collect();
            clusters.entry(&s.recording).or_default().push(counts);
        }
        let clusters: Vec<Vec<Vec<u64>>> = clusters.into_values().collect();
        let all: Vec<Vec<u64>> = clusters.iter().flatten().cloned().collect();
        Estimate {
            value: fleiss(&all),
            interval_95: fleiss(&all).and_then(|_| bootstrap::interval(&clusters, 0.95, 2000, &fleiss)),
        }
    });

    for (subject, verdicts) in &said {
        let t = tool.get(subject);
        disagreements.extend(disagreement(options, check, subject, verdicts, t));
    }
    CheckReport {
        check: check.map(str::to_string),
        title,
        agreements,
        fleiss: fleiss_estimate,
        fleiss_raters: judges.len(),
        fleiss_subjects: everyone.len(),
        against_judges: (!tool.is_empty()).then(|| against_judges(options, check, &said, &tool)),
    }
}

struct ToolSaid<'a> {
    verdict: Verdict,
    probability: f64,
    hold: &'a Measured,
}

fn match_tool<'a>(
    results: &'a Results,
    check: Option<&str>,
    said: &BTreeMap<Subject, BTreeMap<&str, Verdict>>,
    title: &str,
    notes: &mut Vec<String>,
) -> BTreeMap<Subject, ToolSaid<'a>> {
    let mut tool = BTreeMap::new();
    let (mut unknown, mut without, mut no_hold) = (BTreeSet::new(), Vec::new(), BTreeSet::new());
    for (subject, verdicts) in said {
        let holds = results.of(&subject.recording, subject.hold);
        if let Some((hold, verdict, probability)) = worst(&holds, check) {
            tool.insert(
                subject.clone(),
                ToolSaid {
                    verdict,
                    probability,
                    hold,
                },
            );
        } else if results.without_hold.contains(&subject.recording) {
            without.push(majority(verdicts));
        } else if !results.of(&subject.recording, None).is_empty() {
            no_hold.insert(&subject.recording);
        } else {
            unknown.insert(&subject.recording);
        }
    }
    let some = |names: &BTreeSet<&String>| names.iter().take(3).map(|n| n.as_str()).collect::<Vec<_>>().join(", ");
    if !without.is_empty() {
        notes.push(format!(
            "{title}: in {} labelled recordings the tool judged nothing ({} of them faults by the judges); they are in no table below.",
            without.len(),
            without.iter().filter(|v| **v == Some(Verdict::Fault)).count()
        ));
    }
    if !no_hold.is_empty() {
        notes.push(format!(
            "{title}: {} labelled recordings have no such hold or check in the results ({}).",
            no_hold.len(),
            some(&no_hold)
        ));
    }
    if !unknown.is_empty() {
        notes.push(format!(
            "{title}: {} labelled recordings are not in the results under that name ({}).",
            unknown.len(),
            some(&unknown)
        ));
    }
    tool
}

/// What more judges say than say anything else; `None` at a tie.
fn majority(verdicts: &BTreeMap<&str, Verdict>) -> Option<Verdict> {
    let mut counts: Vec<(usize, Verdict)> = Verdict::ALL
        .iter()
        .map(|w| (verdicts.values().filter(|v| *v == w).count(), *w))
        .collect();
    counts.sort();
    (counts[2].0 > counts[1].0).then_some(counts[2].1)
}

fn against_judges(
    options: &AgreeOptions,
    check: Option<&str>,
    said: &BTreeMap<Subject, BTreeMap<&str, Verdict>>,
    tool: &BTreeMap<Subject, ToolSaid>,
) -> AgainstJudges {
    let checks: Vec<&Check> = options.rules.checks.iter().filter(|c| check.is_none_or(|k| c.key == k)).collect();
    let judged: Vec<(&Subject, &ToolSaid, Option<bool>)> = tool
        .iter()
        .map(|(s, t)| {
            let fault = match majority(&said[s]) {
                Some(Verdict::Fault) => Some(true),
                Some(Verdict::Clear) => Some(false),
                _ => None,
            };
            (s, t, fault)
        })
        .collect();
    let rate = |fault: bool, word: Verdict| -> Share {
        Count::of(judged.iter().filter(|j| j.2 == Some(fault)).map(|j| j.1.verdict == word)).into()
    };
    let labelled: Vec<Labelled> = judged
        .iter()
        .filter_map(|(s, t, fault)| {
            let gap = checks
                .iter()
                .flat_map(|c| &c.stations)
                .map(|st| t.hold.profile.gap_mm[st.index()])
                .max_by(f64::total_cmp)?;
            Some(Labelled {
                recording: s.recording.clone(),
                gap_mm: gap,
                fault: (*fault)?,
            })
        })
        .collect();
    let (positive, negative) = scores(&labelled);
    let grid: Vec<f64> = (0..=160).map(|k| 0.5 * f64::from(k)).collect();
    let mut clusters: BTreeMap<&str, Vec<Labelled>> = BTreeMap::new();
    for l in &labelled {
        clusters.entry(&l.recording).or_default().push(l.clone());
    }
    let clusters: Vec<Vec<Labelled>> = clusters.into_values().collect();
    let area = |of: &[Labelled]| {
        let (p, n) = scores(of);
        area_under_curve(&p, &n)
    };
    let forecasts: Vec<Forecast> = judged
        .iter()
        .filter_map(|(_, t, fault)| {
            Some(Forecast {
                probability: t.probability,
                happened: (*fault)?,
            })
        })
        .collect();
    let bins = reliability(&forecasts, BINS);
    let current: Vec<f64> = checks.iter().map(|c| c.tolerance_mm).collect();
    let one_current = current.first().copied().unwrap_or(f64::NAN);
    AgainstJudges {
        sensitivity: rate(true, Verdict::Fault),
        false_flags: rate(false, Verdict::Fault),
        called_clear: rate(true, Verdict::Clear),
        cannot_tell: Count::of(judged.iter().map(|j| j.1.verdict == Verdict::CannotTell)).into(),
        tolerances: tolerance_rows(options.rules, &checks, &judged),
        roc: curve(&positive, &negative, &grid),
        area_under_curve: Estimate {
            value: area(&labelled),
            interval_95: area(&labelled).and_then(|_| bootstrap::interval(&clusters, 0.95, 2000, &area)),
        },
        brier_score: brier_score(&forecasts),
        calibration_error: expected_calibration_error(&bins),
        reliability: bins,
        suggestion: if current.iter().any(|t| *t != one_current) {
            Err("the checks of this stance have different tolerances; label the checks one by one".to_string())
        } else {
            suggest(&labelled, one_current)
        },
        checks: checks.iter().map(|c| c.key.clone()).collect(),
    }
}

fn scores(labelled: &[Labelled]) -> (Vec<f64>, Vec<f64>) {
    let take = |fault: bool| labelled.iter().filter(|l| l.fault == fault).map(|l| l.gap_mm).collect();
    (take(true), take(false))
}

fn tolerance_rows(rules: &RuleProfile, checks: &[&Check], judged: &[(&Subject, &ToolSaid, Option<bool>)]) -> Vec<ToleranceRow> {
    let in_force: Vec<f64> = checks.iter().map(|c| c.tolerance_mm).collect();
    let mut tolerances: Vec<f64> = TRIED_MM.iter().chain(&in_force).copied().collect();
    tolerances.sort_by(f64::total_cmp);
    tolerances.dedup();
    let calls: Vec<Vec<Verdict>> = judged
        .iter()
        .map(|j| calls_at(&j.1.hold.profile, checks, rules, &tolerances))
        .collect();
    tolerances
        .iter()
        .enumerate()
        .map(|(k, t)| {
            let count = |word: Verdict| calls.iter().filter(|c| c[k] == word).count() as u64;
            let rate = |fault: bool| -> Share {
                Count::of(
                    judged
                        .iter()
                        .zip(&calls)
                        .filter(|(j, _)| j.2 == Some(fault))
                        .map(|(_, c)| c[k] == Verdict::Fault),
                )
                .into()
            };
            ToleranceRow {
                tolerance_mm: *t,
                in_force: in_force.iter().all(|f| f == t),
                suspected: count(Verdict::Fault),
                clear: count(Verdict::Clear),
                cannot_tell: count(Verdict::CannotTell),
                sensitivity: rate(true),
                false_flags: rate(false),
            }
        })
        .collect()
}

/// The stance's call at each tolerance, as the rules join the checks' calls.
fn calls_at(profile: &GapProfile, checks: &[&Check], rules: &RuleProfile, tolerances: &[f64]) -> Vec<Verdict> {
    let by_check: Vec<Vec<Call>> = checks
        .iter()
        .map(|c| {
            let confidence = c.call_confidence.unwrap_or(rules.call_confidence);
            let sd = c.stations.iter().map(|s| profile.sd_mm(*s)).fold(0.0, f64::max);
            let lift = smallest_lift_mm(sd, confidence);
            profile
                .any_over_probabilities(&c.stations, tolerances)
                .iter()
                .zip(tolerances)
                .map(|(p, t)| call_at(*p, lift, *t, confidence))
                .collect()
        })
        .collect();
    (0..tolerances.len())
        .map(|k| {
            if by_check.iter().any(|c| c[k] == Call::Suspected) {
                Verdict::Fault
            } else if by_check.iter().all(|c| c[k] == Call::Clear) {
                Verdict::Clear
            } else {
                Verdict::CannotTell
            }
        })
        .collect()
}

fn disagreement(
    options: &AgreeOptions,
    check: Option<&str>,
    subject: &Subject,
    verdicts: &BTreeMap<&str, Verdict>,
    tool: Option<&ToolSaid>,
) -> Option<Disagreement> {
    let mut said: Vec<(String, Verdict)> = tool.map(|t| (TOOL.to_string(), t.verdict)).into_iter().collect();
    said.extend(verdicts.iter().map(|(r, v)| ((*r).to_string(), *v)));
    let words: BTreeSet<Verdict> = said.iter().map(|s| s.1).collect();
    if words.len() < 2 {
        return None;
    }
    let opposite = words.contains(&Verdict::Fault) && words.contains(&Verdict::Clear);
    // How sure the tool was of what some judge denies; without the tool half.
    let sure = tool.map_or(0.5, |t| {
        let denied: Vec<f64> = verdicts
            .values()
            .map(|v| match v {
                Verdict::Fault => 1.0 - t.probability,
                Verdict::Clear => t.probability,
                Verdict::CannotTell => 0.5 * (2.0 * t.probability - 1.0).abs(),
            })
            .collect();
        summary::mean(&denied).unwrap_or(0.5)
    });
    let page = tool.map(|t| (t, options.results.map(|r| r.folder.join(&t.hold.report))));
    let report = page.as_ref().and_then(|(t, p)| {
        let address = link::relative(options.out, p.as_ref()?)?;
        Some(format!("{address}#hold-{}", t.hold.hold))
    });
    let still = page.as_ref().and_then(|(t, p)| {
        link::relative(
            options.out,
            &p.as_ref()?.with_file_name("stills").join(format!("hold-{}-leg.png", t.hold.hold)),
        )
    });
    Some(Disagreement {
        recording: subject.recording.clone(),
        hold: subject.hold.or(tool.map(|t| t.hold.hold)),
        check: check.map(str::to_string),
        said,
        fault_probability: tool.map(|t| t.probability),
        report,
        still,
        weight: f64::from(u8::from(opposite)) + sure,
    })
}
