//! `agreement.html`: the comparison for a person, on one page that opens without a network and holds no script.

use super::compare::{Agreement, Disagreement, Estimate};
use super::labels::Verdict;
use super::report::{AgainstJudges, AgreeReport, CheckReport, Share};
use crate::report::head::head;
use crate::statistics::calibration::Bin;
use crate::statistics::roc::RocPoint;
use maud::{html, Markup, DOCTYPE};

const STYLE: &str = concat!(include_str!("../report/style.css"), include_str!("page.css"));

/// Disagreements that are listed; the rest are in `agreement.json`.
const LISTED: usize = 200;

fn two(v: f64) -> String {
    format!("{v:.2}").replace('-', "\u{2212}")
}

fn per_cent(v: f64) -> String {
    format!("{:.0}\u{a0}%", 100.0 * v)
}

fn estimate(e: &Estimate) -> String {
    match (e.value, e.interval_95) {
        (Some(v), Some([a, b])) => format!("{} ({} to {})", two(v), two(a), two(b)),
        (Some(v), None) => format!("{} (no interval from so few or from full agreement)", two(v)),
        (None, _) => "not defined (one word only)".to_string(),
    }
}

fn share(s: &Share) -> String {
    match s.count.share() {
        Some(v) => format!(
            "{} of {}: {} ({} to {})",
            s.count.of,
            s.count.total,
            per_cent(v),
            per_cent(s.interval_95[0]),
            per_cent(s.interval_95[1])
        ),
        None => "none of these labels".to_string(),
    }
}

/// The page.
pub(super) fn page(report: &AgreeReport) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            (head("Agreement on the low kneeling stance", STYLE, None, false))
            body {
                header {
                    h1 { "How well do they agree?" }
                    p.soft { (report.raters.join(", ")) }
                }
                main {
                    @for check in &report.checks { (check_section(check)) }
                    (disagreements(&report.disagreements))
                    @if !report.notes.is_empty() {
                        section { h2 { "Not compared" } ul { @for note in &report.notes { li { (note) } } } }
                    }
                }
                footer {
                    p { "Numbers in brackets: 95 % intervals; of shares Wilson\u{2019}s, of \u{3ba} and areas by drawing whole recordings again (bootstrap, 2000 draws)." }
                    p { "A judge\u{2019}s label is taken as said, not as true. The judges on the floor and the rulebook in force decide." }
                }
            }
        }
    }
    .into_string()
}

fn check_section(check: &CheckReport) -> Markup {
    html! {
        section {
            h2 { (check.title) }
            @for a in &check.agreements { (agreement(a)) }
            @if let Some(fleiss) = &check.fleiss {
                p { "Fleiss\u{2019} \u{3ba} of the " (check.fleiss_raters) " judges, over " (check.fleiss_subjects) " that all of them labelled: " strong { (estimate(fleiss)) } "." }
            }
            @if let Some(against) = &check.against_judges { (against_section(against)) }
        }
    }
}

fn agreement(a: &Agreement) -> Markup {
    html! {
        h3 { (a.first) " and " (a.second) }
        @if a.total == 0 { p { "Nothing that both spoke of." } } @else {
            div.agreement {
                table.confusion {
                    caption { (a.total) " stances in " (a.recordings) " recordings" }
                    thead { tr { th scope="col" { (a.first) " \u{2193}  " (a.second) " \u{2192}" } @for v in Verdict::ALL { th scope="col" class="num" { (v.words()) } } } }
                    tbody {
                        @for (i, v) in Verdict::ALL.iter().enumerate() {
                            tr { th scope="row" { (v.words()) } @for (j, n) in a.counts[i].iter().enumerate() { td class=(if i == j { "num same" } else { "num" }) { (n) } } }
                        }
                    }
                }
                dl {
                    dt { "The same word" } dd { (estimate(&a.same)) }
                    dt { "Cohen\u{2019}s \u{3ba}, three words" } dd { (estimate(&a.kappa)) }
                    dt { "weighted, linear" } dd { (estimate(&a.kappa_linear)) }
                    dt { "weighted, quadratic" } dd { (estimate(&a.kappa_quadratic)) }
                    dt { "\u{3ba} where both decide" } dd { (estimate(&a.kappa_decided)) }
                }
            }
        }
    }
}

fn against_section(a: &AgainstJudges) -> Markup {
    html! {
        h3 { "The tool against the judges" }
        dl {
            dt { "Faults suspected" } dd { (share(&a.sensitivity)) }
            dt { "Clear ones suspected" } dd { (share(&a.false_flags)) }
            dt { "Faults called clear" } dd { (share(&a.called_clear)) }
            dt { "Cannot tell" } dd { (share(&a.cannot_tell)) }
            dt { "Area under the curve of the gap" } dd { (estimate(&a.area_under_curve)) }
            dt { "Brier score of the fault probability" } dd { (a.brier_score.map_or("none".into(), |b| format!("{b:.3}"))) }
            dt { "Calibration error" } dd { (a.calibration_error.map_or("none".into(), |b| format!("{b:.3}"))) }
        }
        div.agreement {
            @if !a.roc.is_empty() { (roc_figure(&a.roc, a.tolerances.iter().find(|t| t.in_force).map(|t| t.tolerance_mm))) }
            (reliability_figure(&a.reliability))
        }
        h3 { "Other tolerances" }
        div.wide { table {
            thead { tr { @for h in ["Tolerance", "Suspected", "Clear", "Cannot tell", "Faults suspected", "Clear ones suspected"] { th scope="col" { (h) } } } }
            tbody { @for t in &a.tolerances {
                tr {
                    th scope="row" { (t.tolerance_mm) "\u{a0}mm" @if t.in_force { " (in force)" } }
                    td { (t.suspected) } td { (t.clear) } td { (t.cannot_tell) } td { (share(&t.sensitivity)) } td { (share(&t.false_flags)) }
                }
            } }
        } }
        p { strong { "Suggested tolerance: " } @match &a.suggestion {
            Ok(s) => {
                (s.tolerance_mm) "\u{a0}mm (" (format!("{:.1}", s.interval_95_mm[0])) " to " (format!("{:.1}", s.interval_95_mm[1])) "\u{a0}mm), from " (s.faults) " faults and " (s.clear)
                " clear ones. On recordings that had no part in choosing it, faults flagged less clear ones flagged come to " (two(s.index_held_out)) "; the tolerance in force, "
                (s.current_mm) "\u{a0}mm, comes to " (two(s.index_current)) ". "
                @if s.better { "Nothing was changed; --write-rules writes a copy of the rule file with it." } @else { "So it is no better than the one in force, and none is written." }
            }
            Err(why) => { "none, because " (why) "." }
        } }
    }
}

const SIDE: f64 = 220.0;
const LEFT: f64 = 46.0;
const TOP: f64 = 12.0;

fn place(x: f64, y: f64) -> (f64, f64) {
    (LEFT + SIDE * x, TOP + SIDE * (1.0 - y))
}

fn axes(x_title: &str, y_title: &str) -> Markup {
    html! {
        @for k in 0..=4 {
            @let v = 0.25 * f64::from(k);
            @let (x, y) = place(v, v);
            line class="grid-line" x1=(LEFT) x2=(LEFT + SIDE) y1=(y) y2=(y) {}
            line class="grid-line" x1=(x) x2=(x) y1=(TOP) y2=(TOP + SIDE) {}
            text class="tick" x=(LEFT - 6.0) y=(y + 4.0) text-anchor="end" { (format!("{:.0}", 100.0 * v)) }
            text class="tick" x=(x) y=(TOP + SIDE + 16.0) text-anchor="middle" { (format!("{:.0}", 100.0 * v)) }
        }
        line class="tolerance" x1=(LEFT) y1=(TOP + SIDE) x2=(LEFT + SIDE) y2=(TOP) {}
        text class="tick" x=(LEFT + 0.5 * SIDE) y=(TOP + SIDE + 34.0) text-anchor="middle" { (x_title) }
        text class="tick" x="12" y=(TOP + 0.5 * SIDE) text-anchor="middle" transform=(format!("rotate(-90 12 {})", TOP + 0.5 * SIDE)) { (y_title) }
    }
}

fn roc_figure(points: &[RocPoint], in_force_mm: Option<f64>) -> Markup {
    let line = std::iter::once((1.0, 1.0))
        .chain(points.iter().map(|p| (p.false_flag_rate, p.sensitivity)))
        .chain([(0.0, 0.0)])
        .map(|(x, y)| {
            let (a, b) = place(x, y);
            format!("{a:.1},{b:.1}")
        })
        .collect::<Vec<_>>()
        .join(" ");
    let marked = |mm: f64| {
        points
            .iter()
            .min_by(|a, b| (a.threshold - mm).abs().total_cmp(&(b.threshold - mm).abs()))
    };
    html! {
        figure {
            svg.chart viewBox=(format!("0 0 {} {}", LEFT + SIDE + 16.0, TOP + SIDE + 42.0)) role="img" aria-label="Faults flagged over clear ones flagged as the tolerance varies; the numbers for the calls are in the table." {
                (axes("clear ones flagged, %", "faults flagged, %"))
                polyline class="series heel" points=(line) {}
                @for (mm, class) in [(5.0, "point"), (10.0, "point"), (20.0, "point"), (40.0, "point")].into_iter().chain(in_force_mm.map(|t| (t, "point over"))) {
                    @if let Some(p) = marked(mm) {
                        @let (x, y) = place(p.false_flag_rate, p.sensitivity);
                        circle class=(class) cx=(format!("{x:.1}")) cy=(format!("{y:.1}")) r="4" { title { (mm) " mm" } }
                    }
                }
            }
            figcaption { "Measured gap over tolerance, as the tolerance varies. Open points: 40, 20, 10 and 5 mm from left to right; filled: the tolerance in force. Dashed: chance." }
        }
    }
}

fn reliability_figure(bins: &[Bin]) -> Markup {
    html! {
        figure {
            svg.chart viewBox=(format!("0 0 {} {}", LEFT + SIDE + 16.0, TOP + SIDE + 42.0)) role="img" aria-label="Share of faults by the judges over the stated fault probability." {
                (axes("stated fault probability, %", "faults by the judges, %"))
                @for b in bins.iter().filter(|b| b.total > 0) {
                    @let count = crate::statistics::wilson::Count { of: b.happened, total: b.total };
                    @let [low, high] = count.wilson(0.95);
                    @let (x, y) = place(b.mean_stated, b.happened as f64 / b.total as f64);
                    line class="bar" x1=(format!("{x:.1}")) x2=(format!("{x:.1}")) y1=(format!("{:.1}", place(0.0, low).1)) y2=(format!("{:.1}", place(0.0, high).1)) {}
                    circle class="point" cx=(format!("{x:.1}")) cy=(format!("{y:.1}")) r="4" { title { (b.happened) " of " (b.total) } }
                }
            }
            figcaption { "Stated fault probability and what the judges said. Bars: 95 % intervals. On the dashed line the probabilities hold." }
        }
    }
}

fn disagreements(all: &[Disagreement]) -> Markup {
    html! {
        section {
            h2 { "Where they differ, worst first" }
            @if all.is_empty() { p { "Nowhere." } } @else {
                @if all.len() > LISTED { p.soft { "The first " (LISTED) " of " (all.len()) "; all are in agreement.json." } }
                div.wide { table {
                    thead { tr { @for h in ["Recording", "Check", "Who said what", "Fault likely", "Look"] { th scope="col" { (h) } } } }
                    tbody { @for d in all.iter().take(LISTED) {
                        tr {
                            th scope="row" class="name" { (d.recording) @if let Some(h) = d.hold { ", hold " (h) } }
                            td { (d.check.as_deref().unwrap_or("stance")) }
                            td { @for (rater, v) in &d.said { div { (rater) ": " (v.words()) } } }
                            td { @if let Some(p) = d.fault_probability { (per_cent(p)) } }
                            td {
                                @if let Some(r) = &d.report { div { a href=(r) { "report" } } }
                                @if let Some(s) = &d.still { div { a href=(s) { "still" } } }
                            }
                        }
                    } }
                } }
            }
        }
    }
}
