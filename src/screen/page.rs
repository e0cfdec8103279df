//! `index.html`: the whole evening on one page that opens without a network.
//!
//! The rows lie in the page as JSON, and its one script draws only what is on view, a hundred rows at a time, so that ten thousand rows are no slower than a hundred. A
//! content security policy admits that script and the style sheet by their hashes and nothing else; the script writes text nodes only, never markup.

use super::database::{State, Stored};
use super::table::{explanation, kind_without_hold, not_judged_reason};
use super::trend::Collected;
use crate::error::{Error, Result};
use crate::outcome::HoldReport;
use crate::report::head::head;
use crate::report::{leading, reason};
use crate::types::Station;
use maud::{html, PreEscaped, DOCTYPE};
use serde_json::{json, Value};
use std::collections::BTreeSet;

const STYLE: &str = concat!(include_str!("../report/style.css"), include_str!("page.css"));
const SCRIPT: &str = include_str!("page.js");

/// A page being filled.
#[derive(Default)]
pub(super) struct Page {
    rows: Vec<Value>,
    recordings: usize,
    trends: Collected,
    made_by: BTreeSet<String>,
}

/// The page of these results.
///
/// # Errors
/// [`Error::Ours`] where a result cannot be written as JSON.
pub fn page<'a>(results: impl IntoIterator<Item = &'a Stored>, notes: &[String]) -> Result<String> {
    let mut page = Page::default();
    for stored in results {
        page.add(stored);
    }
    page.finish(notes)
}

fn tenth(v: f64) -> Value {
    json!((v * 10.0).round() / 10.0)
}

impl Page {
    pub(super) fn add(&mut self, stored: &Stored) {
        self.recordings += 1;
        self.trends.add(stored);
        self.made_by.insert(stored.entry.made_by.clone());
        match &stored.entry.outcome {
            Some(o) if !o.holds.is_empty() => {
                for (k, hold) in o.holds.iter().enumerate() {
                    self.rows.push(row(stored, Some((k, hold))));
                }
            }
            _ => self.rows.push(row(stored, None)),
        }
    }

    pub(super) fn finish(self, notes: &[String]) -> Result<String> {
        let data = json!({
            "rows": self.rows,
            "trends": self.trends.finish(),
            "stations": Station::ALL.map(|s| s.words()),
            "along": Station::ALL.map(Station::along_shank),
        });
        let text = serde_json::to_string(&data).map_err(|e| Error::ours(format!("The page cannot be written ({e}).")))?;
        // Inside a script element only these could end it or open a comment.
        let text = text.replace('<', "\\u003c").replace('>', "\\u003e").replace('&', "\\u0026");
        let calls = [
            ("suspected", "suspected"),
            ("cannot_tell", "cannot tell"),
            ("clear", "clear"),
            ("not_judged", "not judged"),
            ("refused", "cannot be used"),
            ("failed", "failed"),
        ];
        let page = html! {
            (DOCTYPE)
            html lang="en" {
                (head("Low kneeling stance: all recordings", STYLE, Some(SCRIPT), false))
                body.screen {
                    header {
                        h1 { "Is the kneeling leg down on the carpet?" }
                        p.soft { (self.recordings) " recordings. " span id="tally" {} }
                    }
                    noscript { p.advice { "This page needs its own script for the table; the same rows are in screen.csv beside it." } }
                    form id="filters" aria-label="Filters" {
                        label { "Find " input type="search" id="find" placeholder="in name, label, explanation"; }
                        label { "Athlete " select id="athlete" {} }
                        label { "Session " select id="session" {} }
                        fieldset {
                            legend { "Show" }
                            @for (key, words) in calls { label { input type="checkbox" name="call" value=(key) checked; " " (words) } }
                        }
                        button type="button" id="all" { "Show everything" }
                    }
                    main {
                        section aria-labelledby="rows-title" {
                            h2 id="rows-title" { "Every hold" }
                            div class="pager" {}
                            div.wide { table id="rows" { thead {} tbody {} } }
                            div class="pager" {}
                        }
                        section aria-labelledby="profiles-title" {
                            h2 id="profiles-title" { "Gap along the leg" }
                            p.soft { "The holds of the table above, knee on the left, heel on the right, all to one scale. Bars: 95 % intervals. Dashed: the tolerance. A filled point is over it. "
                                "Each opens its report." }
                            div id="profiles" {}
                        }
                        section aria-labelledby="trends-title" {
                            h2 id="trends-title" { "Athletes over sessions" }
                            p.soft { "Mean gap of a session\u{2019}s holds at the heel (solid) and the largest from knee to ankle (dotted), with 95 % intervals. The holds of a session share camera and "
                                "network and so most of their error: many holds make it hardly surer. Sessions in the order of their names." }
                            div class="pager" {}
                            div id="trends" {}
                        }
                        section aria-labelledby="why-title" {
                            h2 id="why-title" { "What could not be told, and why" }
                            div.wide { table id="why" { thead {} tbody {} } }
                        }
                        @if !notes.is_empty() {
                            section {
                                h2 { "Passed over" }
                                ul { @for note in notes { li { (note) } } }
                            }
                        }
                    }
                    footer {
                        p { "A number after ± spans the interval that holds the true value in 95 of 100 cases." }
                        p { "This page advises. The judges on the floor and the rulebook in force decide. Accuracy was measured on rendered bodies, not on athletes." }
                        @for line in &self.made_by { p { (line) } }
                    }
                    script type="application/json" id="data" { (PreEscaped(text)) }
                    script { (PreEscaped(SCRIPT)) }
                }
            }
        };
        Ok(page.into_string())
    }
}

/// One row for the script.
fn row(stored: &Stored, numbered: Option<(usize, &HoldReport)>) -> Value {
    let entry = &stored.entry;
    let hold = numbered.map(|n| n.1);
    let kind = match hold {
        Some(h) => serde_json::to_value(h.call).unwrap_or(Value::Null),
        None => kind_without_hold(stored).into(),
    };
    let mut row = json!({
        "f": entry.key.folder,
        "n": entry.key.recording,
        "a": stored.who.athlete,
        "s": stored.who.session,
        "l": stored.who.label,
        "k": kind,
        "e": explanation(stored, hold),
    });
    if !entry.report.is_empty() {
        row["r"] = format!("{}/report.html", entry.report).into();
    }
    if !stored.in_folder {
        row["gone"] = true.into();
    }
    match (hold, numbered) {
        (Some(h), Some((k, _))) => {
            row["h"] = (k + 1).into();
            row["t"] = json!([tenth(h.start_s), tenth(h.end_s)]);
            row["leg"] = h.kneeling_leg.name().into();
            row["g"] = h.gaps.iter().map(|g| tenth(g.gap_mm)).collect();
            row["d"] = h.gaps.iter().map(|g| json!((g.sd_mm * 100.0).round() / 100.0)).collect();
            row["can"] = json!([h.view.can_tell.calf, h.view.can_tell.heel]);
            if let Some(f) = leading(h) {
                row["w"] = f.station.index().into();
                row["tol"] = tenth(f.tolerance_mm);
            }
            let fault = h.findings.iter().map(|f| f.fault_probability).max_by(f64::total_cmp);
            row["p"] = json!(fault.map(|p| (p * 1000.0).round() / 1000.0));
        }
        _ => {
            row["why"] = match (entry.state, not_judged_reason(stored)) {
                (State::Checked, Some(r)) => reason(r).into(),
                (State::Checked, None) => "no reason was recorded".into(),
                (State::Refused, _) => "the file cannot be used".into(),
                (State::Failed, _) => "the check failed and is tried again next time".into(),
            };
        }
    }
    row
}
