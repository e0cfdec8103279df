//! `shankline agree`: how well the tool and the judges, or several judges, agree.

use crate::agree::{agree, page_of, with_tolerances, AgreeOptions, AgreeReport, Estimate, Labels, Results};
use crate::cli::arguments::AgreeArguments;
use crate::cli::print;
use crate::error::{Error, Result};
use crate::rules::profile::SHIPPED;
use crate::rules::RuleProfile;
use crate::table::{make_folder, WholeFile};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Runs the command.
///
/// # Errors
/// Tables that cannot be read, a folder that cannot be written, or no tolerance to write where one was asked for.
pub fn run(arguments: &AgreeArguments) -> Result<()> {
    let (rules, rules_text) = match &arguments.rules {
        Some(path) => {
            let profile = RuleProfile::read(path)?;
            let text = std::fs::read_to_string(path)
                .map_err(|e| Error::input(format!("The rule file {} cannot be read ({e}); check the path.", path.display())))?;
            (profile, text)
        }
        None => (RuleProfile::shipped(), SHIPPED.to_string()),
    };
    if let (Some(old), Some(new)) = (&arguments.rules, &arguments.write_rules) {
        if same_file(old, new) {
            return Err(Error::input(
                "The new rule file would replace the one in force: give --write-rules another name, so that a copy is written.",
            ));
        }
    }
    let mut labels = Labels::read(&arguments.labels, &stem(&arguments.labels))?;
    let first = Results::table_of(&arguments.results);
    let results = if is_labels(&first)? {
        let mut others = Labels::read(&first, &stem(&first))?;
        let clash = others.labels.iter().any(|a| labels.labels.iter().any(|b| a.rater == b.rater));
        if clash {
            for label in &mut others.labels {
                label.rater = format!("{} ({})", label.rater, stem(&first));
            }
        }
        labels.empty += others.empty;
        labels.labels.extend(others.labels);
        None
    } else {
        Some(Results::read(&first)?)
    };
    make_folder(&arguments.out)?;
    let report = agree(&AgreeOptions {
        results: results.as_ref(),
        labels: &labels,
        rules: &rules,
        out: &arguments.out,
    });
    let json =
        serde_json::to_string_pretty(&report).map_err(|e| Error::ours(format!("The comparison cannot be written as JSON ({e}).")))?;
    WholeFile::write(&arguments.out.join("agreement.json"), json.as_bytes())?;
    let page = arguments.out.join("agreement.html");
    WholeFile::write(&page, page_of(&report).as_bytes())?;
    print(&lines(&report, &page), true)?;
    if let Some(target) = &arguments.write_rules {
        write_rules(&report, &rules_text, target)?;
        print(&format!("  rule file with the suggested tolerance: {}\n", target.display()), true)?;
    }
    Ok(())
}

fn stem(path: &Path) -> String {
    path.file_stem()
        .map_or_else(|| "judge".into(), |s| s.to_string_lossy().into_owned())
}

fn same_file(a: &Path, b: &Path) -> bool {
    matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

/// Whether the table's header has a column of labels and none of calls.
fn is_labels(path: &PathBuf) -> Result<bool> {
    let bytes = std::fs::read(path).map_err(|e| {
        Error::input(format!(
            "{} cannot be read ({e}): give the results folder of `shankline screen`, its screen.csv, or a table of labels.",
            path.display()
        ))
    })?;
    let header = String::from_utf8_lossy(bytes.split(|b| *b == b'\n').next().unwrap_or(&[])).into_owned();
    let has = |name: &str| header.trim_start_matches('\u{feff}').split([',', ';']).any(|c| c.trim() == name);
    Ok(has("label") && !has("call"))
}

fn write_rules(report: &AgreeReport, text: &str, target: &Path) -> Result<()> {
    let mut changes: Vec<(String, f64, String)> = Vec::new();
    // What was labelled check by check goes before what was labelled as a whole.
    for against in report.checks.iter().rev().filter_map(|c| c.against_judges.as_ref()) {
        let Ok(s) = &against.suggestion else { continue };
        if !s.better {
            continue;
        }
        for check in &against.checks {
            if changes.iter().all(|c| &c.0 != check) {
                let why = format!(
                    "{} mm before; from {} labelled faults and {} clear ones: 95 % interval {:.1} to {:.1} mm; faults flagged less clear ones flagged on held-out recordings {:.2}, before {:.2}.",
                    s.current_mm, s.faults, s.clear, s.interval_95_mm[0], s.interval_95_mm[1], s.index_held_out, s.index_current
                );
                changes.push((check.clone(), s.tolerance_mm, why));
            }
        }
    }
    if changes.is_empty() {
        return Err(Error::input(
            "No rule file was written: the labels suggest no tolerance that is better than the one in force on held-out recordings; the page says why.",
        ));
    }
    WholeFile::write(target, with_tolerances(text, &changes)?.as_bytes())
}

fn estimate(e: &Estimate) -> String {
    match (e.value, e.interval_95) {
        (Some(v), Some([a, b])) => format!("{v:.2} ({a:.2} to {b:.2})"),
        (Some(v), None) => format!("{v:.2}"),
        (None, _) => "not defined".into(),
    }
}

fn lines(report: &AgreeReport, page: &Path) -> String {
    let mut out = String::new();
    for note in &report.notes {
        let _ = writeln!(out, "note: {note}");
    }
    for check in &report.checks {
        let _ = writeln!(out, "{}", check.title);
        for a in &check.agreements {
            let _ = writeln!(
                out,
                "  {} and {}: {} stances, same word {}, kappa {}, linear {}, quadratic {} (95 %)",
                a.first,
                a.second,
                a.total,
                estimate(&a.same),
                estimate(&a.kappa),
                estimate(&a.kappa_linear),
                estimate(&a.kappa_quadratic)
            );
        }
        if let Some(fleiss) = &check.fleiss {
            let _ = writeln!(out, "  Fleiss' kappa of {} judges: {}", check.fleiss_raters, estimate(fleiss));
        }
        if let Some(against) = &check.against_judges {
            let share = |s: &crate::agree::Share| {
                format!(
                    "{} of {} ({:.0} to {:.0} %)",
                    s.count.of,
                    s.count.total,
                    100.0 * s.interval_95[0],
                    100.0 * s.interval_95[1]
                )
            };
            let _ = writeln!(
                out,
                "  faults suspected {}; clear ones suspected {}; faults called clear {}; cannot tell {}",
                share(&against.sensitivity),
                share(&against.false_flags),
                share(&against.called_clear),
                share(&against.cannot_tell)
            );
            let _ = match &against.suggestion {
                Ok(s) => writeln!(
                    out,
                    "  suggested tolerance {} mm ({:.1} to {:.1} mm), in force {} mm; on held-out recordings {:.2}, in force {:.2}",
                    s.tolerance_mm, s.interval_95_mm[0], s.interval_95_mm[1], s.current_mm, s.index_held_out, s.index_current
                ),
                Err(why) => writeln!(out, "  no tolerance is suggested: {why}"),
            };
        }
    }
    let _ = writeln!(
        out,
        "  {} disagreements, worst first: {}",
        report.disagreements.len(),
        page.display()
    );
    out
}
