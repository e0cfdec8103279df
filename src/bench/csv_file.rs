//! The tables for programs.

use crate::bench::table::Row;
use crate::error::{Error, Result};
use crate::statistics::wilson::Count;

/// One row a class: counts, shares with their 95 % Wilson intervals, errors in mm, scores. Empty where there is nothing to count.
///
/// # Errors
/// [`Error::Ours`] where the text cannot be made.
pub fn classes(rows: &[Row]) -> Result<String> {
    let mut head: Vec<String> = ["floor", "camera", "shank", "clothing", "cases", "without_answer"]
        .map(String::from)
        .to_vec();
    for part in ["heel", "calf"] {
        for what in ["bias_mm", "bias_standard_error_mm", "mean_absolute_mm", "absolute_95_mm"] {
            head.push(format!("{part}_{what}"));
        }
    }
    head.push("largest_bias_mm".into());
    for what in [
        "covered",
        "caught",
        "falsely_flagged",
        "cannot_tell",
        "wrong",
        "wrong_strict",
        "wrong_of_calls",
    ] {
        for column in ["count", "of", "share", "low", "high"] {
            head.push(format!("{what}_{column}"));
        }
    }
    head.extend(["area_under_curve", "brier_score", "expected_calibration_error"].map(String::from));
    let number = |v: Option<f64>| v.map_or(String::new(), |v| format!("{v:.5}"));
    write(
        &head,
        rows.iter().map(|r| {
            let mut line = vec![
                r.floor.clone(),
                r.elevation.clone(),
                r.shank.clone(),
                r.clothing.clone(),
                r.cases.to_string(),
                r.without_answer.to_string(),
            ];
            for e in [r.heel, r.calf] {
                line.extend([
                    number(e.map(|e| e.mean)),
                    number(e.map(|e| e.mean_standard_error)),
                    number(e.map(|e| e.mean_absolute)),
                    number(e.map(|e| e.absolute_95)),
                ]);
            }
            line.push(number(Some(r.largest_bias_mm)));
            for c in [
                r.covered,
                r.caught,
                r.falsely_flagged,
                r.cannot_tell,
                r.wrong,
                r.wrong_strict,
                r.wrong_of_calls,
            ] {
                line.extend(counted(c));
            }
            line.extend([number(r.area), number(r.brier), number(r.calibration_error)]);
            line
        }),
    )
}

/// One row a bin of every class's reliability curve.
///
/// # Errors
/// [`Error::Ours`] where the text cannot be made.
pub fn reliability(rows: &[Row]) -> Result<String> {
    let head = [
        "floor",
        "camera",
        "shank",
        "clothing",
        "stated_from",
        "stated_to",
        "mean_stated",
        "faults",
        "checks",
        "share",
        "low",
        "high",
    ]
    .map(String::from);
    write(
        &head,
        rows.iter().flat_map(|r| {
            r.reliability.iter().filter(|b| b.total > 0).map(|b| {
                let mut line = vec![
                    r.floor.clone(),
                    r.elevation.clone(),
                    r.shank.clone(),
                    r.clothing.clone(),
                    format!("{:.2}", b.low),
                    format!("{:.2}", b.high),
                    format!("{:.5}", b.mean_stated),
                ];
                line.extend(counted(Count {
                    of: b.happened,
                    total: b.total,
                }));
                line
            })
        }),
    )
}

/// Count, of how many, share, and its interval.
fn counted(c: Count) -> [String; 5] {
    let [low, high] = c.wilson(0.95);
    let share = c.share().map_or(String::new(), |s| format!("{s:.5}"));
    [
        c.of.to_string(),
        c.total.to_string(),
        share,
        format!("{low:.5}"),
        format!("{high:.5}"),
    ]
}

fn write(head: &[String], lines: impl Iterator<Item = Vec<String>>) -> Result<String> {
    let failed = |e: &dyn std::fmt::Display| Error::ours(format!("The table cannot be made ({e})."));
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(head).map_err(|e| failed(&e))?;
    for line in lines {
        writer.write_record(&line).map_err(|e| failed(&e))?;
    }
    let bytes = writer.into_inner().map_err(|e| failed(&e))?;
    String::from_utf8(bytes).map_err(|e| failed(&e))
}
