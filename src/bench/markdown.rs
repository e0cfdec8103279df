//! The tables for people.

use crate::bench::table::{Row, MARGIN_MM};
use crate::statistics::summary::ErrorSummary;
use crate::statistics::wilson::Count;
use std::fmt::Write as _;

/// A share in per cent with its 95 % Wilson interval and the counts.
pub fn share(count: Count) -> String {
    let Some(p) = count.share() else {
        return "–".to_string();
    };
    let [low, high] = count.wilson(0.95);
    let places = usize::from(count.total >= 500);
    format!(
        "{:.places$} % ({:.places$}–{:.places$}; {}/{})",
        100.0 * p,
        100.0 * low,
        100.0 * high,
        count.of,
        count.total
    )
}

fn errors(e: Option<ErrorSummary>) -> String {
    e.map_or("–".to_string(), |e| {
        format!(
            "{:.1} / {:+.1} ± {:.1} / {:.0}",
            e.mean_absolute, e.mean, e.mean_standard_error, e.absolute_95
        )
    })
}

fn number(value: Option<f64>, places: usize) -> String {
    value.map_or("–".to_string(), |v| format!("{v:.places$}"))
}

/// Tables of errors and of calls, and the reliability of each floor's probabilities.
pub fn tables(rows: &[Row]) -> String {
    let mut out = String::new();
    let with_clothes = rows.iter().any(|r| r.clothing != "all");
    let label = |r: &Row| {
        let clothes = if with_clothes {
            format!(" {} |", r.clothing)
        } else {
            String::new()
        };
        format!("| {} | {} | {} |{clothes}", r.floor, r.elevation, r.shank)
    };
    let head = |columns: &str| {
        let clothes = if with_clothes { " clothing |" } else { "" };
        let line = format!("| floor | camera | shank |{clothes} {columns} |");
        let rule = "| --- ".repeat(line.matches('|').count() - 1);
        format!("{line}\n{rule}|\n")
    };
    out += "### Calls\n\n";
    let _ = writeln!(
        out,
        "Shares of checks (two a case) with 95 % Wilson intervals. Caught and falsely flagged: truth more than {MARGIN_MM} mm off the tolerance. Wrong confident calls: something definite \
         and untrue was said; first with that margin, then with every case counted.\n"
    );
    out += &head("cases | no answer | caught | falsely flagged | cannot tell | wrong confident calls | the same, strict | AUC | Brier | calibration error");
    for r in rows {
        let _ = writeln!(
            out,
            "{} {} | {} | {} | {} | {} | {} | {} | {} | {} | {} |",
            label(r),
            r.cases,
            r.without_answer,
            share(r.caught),
            share(r.falsely_flagged),
            share(r.cannot_tell),
            share(r.wrong),
            share(r.wrong_strict),
            number(r.area, 3),
            number(r.brier, 3),
            number(r.calibration_error, 3)
        );
    }
    out += "\n### Millimetres\n\n";
    out += "Errors in mm: mean of the absolute / bias ± its standard error / 95th percentile of the absolute; calf at 25, 50 and 75 %; largest bias among the six stations. The 95 % \
            interval is the stated one, all stations.\n\n";
    out += &head("heel | calf | largest bias | 95 % interval covers");
    for r in rows {
        let _ = writeln!(
            out,
            "{} {} | {} | {:+.1} | {} |",
            label(r),
            errors(r.heel),
            errors(r.calf),
            r.largest_bias_mm,
            share(r.covered)
        );
    }
    out += "\n### Reliability\n\n";
    out += "Stated probability of a fault against the share of faults (every case counted).\n\n";
    out += "| floor | stated | checks | mean stated | share of faults |\n| --- | --- | --- | --- | --- |\n";
    for r in rows.iter().filter(|r| is_whole(r)) {
        for b in r.reliability.iter().filter(|b| b.total > 0) {
            let count = Count {
                of: b.happened,
                total: b.total,
            };
            let _ = writeln!(
                out,
                "| {} | {:.1}–{:.1} | {} | {:.2} | {} |",
                r.floor,
                b.low,
                b.high,
                b.total,
                b.mean_stated,
                share(count)
            );
        }
    }
    out
}

/// Whether a row sums up all cases of its floor.
pub fn is_whole(r: &Row) -> bool {
    [&r.elevation, &r.shank, &r.clothing].iter().all(|name| *name == "all")
}
