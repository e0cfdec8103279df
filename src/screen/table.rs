//! The results table: one row a hold; a recording without a hold is one row with the reason.

use super::database::{Database, State, Stored};
use crate::error::{Error, Result};
use crate::outcome::{HoldReport, InputKind, NotJudgedReason, Stillness};
use crate::report::{evidence, leading};
use crate::table::{table_schema, Cell, Field, Kind, TableWriter, WholeFile};
use crate::types::Station;
use std::collections::BTreeSet;
use std::path::Path;

/// What a row is.
pub const ROW_KINDS: [&str; 4] = ["hold", "not_judged", "refused", "failed"];

/// The columns for rule profiles with these checks.
pub fn fields(checks: &BTreeSet<String>) -> Vec<Field> {
    let stations: Vec<&str> = Station::ALL.iter().map(|s| s.key()).collect();
    let calls = ["clear", "suspected", "cannot_tell"];
    let text = |name: &str, what: &str| Field::new(name, Kind::Text, what);
    let number = |name: &str, what: &str| Field::new(name, Kind::Number, what);
    let chance = |name: &str, what: &str| Field::new(name, Kind::Number, what).between(Some(0.0), Some(1.0));
    let flag = |name: &str, what: &str| Field::new(name, Kind::Boolean, what);
    let mut fields = vec![
        text("folder", "Name of the folder that was screened.").required(),
        text(
            "recording",
            "Path of the recording under the folder; a backslash in it is written \\\\ and a byte that is not UTF-8 \\xNN.",
        )
        .required(),
        text("athlete", "Athlete, from the manifest or a folder's name."),
        text("session", "Session, from the manifest or a folder's name."),
        text("label", "Label, from the manifest or a folder's name."),
        text(
            "row",
            "What the row is: a hold; a recording in which nothing could be judged; a recording that cannot be used; a check that failed and is tried again next time.",
        )
        .required()
        .one_of(&ROW_KINDS),
        Field::new("hold", Kind::Integer, "Number of the hold in the recording, from 1.").between(Some(1.0), None),
        text("kind", "Video or photograph.").one_of(&["video", "photograph"]),
        number("start_s", "Start of the hold, seconds from the recording's first frame."),
        number("end_s", "End of the hold, seconds; equal to the start for a photograph."),
        text("stillness", "Whether the recording shows that the athlete was still; a photograph cannot.").one_of(&["shown", "not_shown"]),
        text("kneeling_leg", "The athlete's kneeling leg.").one_of(&["left", "right"]),
        chance("kneeling_leg_probability", "Probability that this leg kneels."),
        text("call", "The call on the stance.").one_of(&calls),
        chance("fault_probability", "The largest fault probability among the checks."),
        text("worst_station", "The station that carries the call.").one_of(&stations),
        number("worst_gap_mm", "Its gap beyond the natural hollow, mm."),
        number("worst_gap_sd_mm", "Standard deviation of worst_gap_mm, mm.").between(Some(0.0), None),
        number("tolerance_mm", "Tolerance of the check that carries the call, mm."),
    ];
    for s in Station::ALL {
        fields.push(number(
            &format!("gap_{}_mm", s.key()),
            &format!("Gap at the {} beyond the natural hollow, mm.", s.words()),
        ));
        fields.push(
            number(
                &format!("gap_{}_sd_mm", s.key()),
                &format!("Standard deviation of gap_{}_mm, mm.", s.key()),
            )
            .between(Some(0.0), None),
        );
    }
    fields.extend([
        text(
            "gap_covariance_mm2",
            "Covariance of the six gaps from knee to heel, mm², as a JSON array of rows.",
        ),
        number(
            "smallest_lift_calf_mm",
            "The gap at knee, calf or ankle that this view would show nine times in ten by the stated uncertainty, at the chosen confidence, mm.",
        ),
        number("smallest_lift_heel_mm", "The same at the heel, mm."),
        flag("can_tell_calf", "Whether smallest_lift_calf_mm is within the tolerance."),
        flag("can_tell_heel", "Whether smallest_lift_heel_mm is within the tolerance."),
        number(
            "view_elevation_deg",
            "Elevation of the camera over the carpet seen from the leg, degrees.",
        ),
        number(
            "view_azimuth_deg",
            "Azimuth of the view relative to the shank, degrees: 0 along the shank, ±90 square to it.",
        ),
        text("floor_source", "Where the floor came from.").one_of(&["marks", "sheet", "lines", "body", "none"]),
        text("not_judged_reason", "Why nothing was judged.").one_of(&[
            "no_person",
            "no_stance",
            "never_still",
            "floor_unknown",
            "leg_hidden",
        ]),
        text("explanation", "What was measured, or why there is no answer, in a sentence."),
        Field::new(
            "not_judged_stretches",
            Kind::Integer,
            "Stretches of the recording that were not judged; the report names them.",
        )
        .between(Some(0.0), None),
    ]);
    for check in checks {
        fields.push(text(&format!("call_{check}"), &format!("The call on the check {check}.")).one_of(&calls));
        fields.push(chance(
            &format!("fault_probability_{check}"),
            &format!("Probability of a fault by the check {check}."),
        ));
        fields.push(number(
            &format!("tolerance_{check}_mm"),
            &format!("Tolerance of the check {check}, mm."),
        ));
    }
    fields.extend([
        text("report", "The report's page, relative to this table."),
        flag(
            "in_folder",
            "Whether the recording was still in its folder when that was last screened.",
        )
        .required(),
        text(
            "content_sha256",
            "SHA-256 of the recording's content; empty where it could not be read.",
        ),
        text("made_by", "Program, networks and rule profile by version and hash.").required(),
        text("checked_at", "When it was checked, UTC (RFC 3339).").required(),
        number("check_seconds", "How long the check took, seconds.").between(Some(0.0), None),
    ]);
    fields
}

/// Spaces as in plain text.
pub(super) fn plain(text: &str) -> String {
    text.replace('\u{a0}', " ")
}

/// What the row's recording or hold comes to, in a sentence.
pub(super) fn explanation(stored: &Stored, hold: Option<&HoldReport>) -> String {
    if let Some(hold) = hold {
        return plain(&evidence(hold));
    }
    match &stored.entry.outcome {
        None => stored.entry.reason.clone(),
        Some(o) => o.not_judged.iter().map(|n| n.detail.clone()).collect::<Vec<_>>().join(" "),
    }
}

/// The reason category of a recording without a hold.
pub(super) fn not_judged_reason(stored: &Stored) -> Option<NotJudgedReason> {
    stored.entry.outcome.as_ref()?.not_judged.first().map(|n| n.reason)
}

/// What a row without a hold is.
pub(super) fn kind_without_hold(stored: &Stored) -> &'static str {
    match stored.entry.state {
        State::Checked => ROW_KINDS[1],
        State::Refused => ROW_KINDS[2],
        State::Failed => ROW_KINDS[3],
    }
}

/// The rows of one recording, cells in the order of [`fields`].
pub fn rows_of(stored: &Stored, checks: &BTreeSet<String>) -> Vec<Vec<Cell>> {
    let holds: Vec<Option<(usize, &HoldReport)>> = match &stored.entry.outcome {
        Some(o) if !o.holds.is_empty() => o.holds.iter().enumerate().map(Some).collect(),
        _ => vec![None],
    };
    holds.into_iter().map(|h| row(stored, h, checks)).collect()
}

fn row(stored: &Stored, numbered: Option<(usize, &HoldReport)>, checks: &BTreeSet<String>) -> Vec<Cell> {
    let entry = &stored.entry;
    let outcome = entry.outcome.as_ref();
    let hold = numbered.map(|n| n.1);
    let finding = hold.and_then(leading);
    let mm = |v: Option<f64>| Cell::rounded(v, 3);
    let chance = |v: Option<f64>| Cell::rounded(v, 6);
    let seconds = |v: Option<f64>| Cell::rounded(v, 6);
    let mut cells = vec![
        Cell::text(&entry.key.folder),
        Cell::text(&entry.key.recording),
        Cell::text(&stored.who.athlete),
        Cell::text(&stored.who.session),
        Cell::text(&stored.who.label),
        Cell::text(if hold.is_some() { ROW_KINDS[0] } else { kind_without_hold(stored) }),
        numbered.map_or(Cell::Missing, |(k, _)| Cell::Integer(k as i64 + 1)),
        outcome.map_or(Cell::Missing, |o| {
            Cell::text(match o.input.kind {
                InputKind::Video => "video",
                InputKind::Photograph => "photograph",
            })
        }),
        seconds(hold.map(|h| h.start_s)),
        seconds(hold.map(|h| h.end_s)),
        hold.map_or(Cell::Missing, |h| {
            Cell::text(match h.stillness {
                Stillness::Shown => "shown",
                Stillness::NotShown => "not_shown",
            })
        }),
        hold.map_or(Cell::Missing, |h| Cell::text(h.kneeling_leg.name())),
        chance(hold.map(|h| h.kneeling_leg_confidence)),
        hold.map_or(Cell::Missing, |h| Cell::word(&h.call)),
        chance(hold.and_then(|h| h.findings.iter().map(|f| f.fault_probability).max_by(f64::total_cmp))),
        finding.map_or(Cell::Missing, |f| Cell::text(f.station.key())),
        mm(finding.map(|f| f.gap_mm)),
        mm(finding.map(|f| f.sd_mm)),
        mm(finding.map(|f| f.tolerance_mm)),
    ];
    for s in Station::ALL {
        let gap = hold.and_then(|h| h.gaps.iter().find(|g| g.station == s));
        cells.push(mm(gap.map(|g| g.gap_mm)));
        cells.push(mm(gap.map(|g| g.sd_mm)));
    }
    let covariance = hold.and_then(|h| {
        let rounded: Vec<Vec<f64>> = h
            .gap_covariance_mm2
            .iter()
            .map(|row| row.iter().map(|v| (v * 1000.0).round() / 1000.0).collect())
            .collect();
        serde_json::to_string(&rounded).ok()
    });
    cells.extend([
        Cell::text(covariance.unwrap_or_default()),
        mm(hold.map(|h| h.view.smallest_lift_mm.calf)),
        mm(hold.map(|h| h.view.smallest_lift_mm.heel)),
        hold.map_or(Cell::Missing, |h| Cell::Boolean(h.view.can_tell.calf)),
        hold.map_or(Cell::Missing, |h| Cell::Boolean(h.view.can_tell.heel)),
        Cell::rounded(hold.map(|h| h.view.elevation_deg), 3),
        Cell::rounded(hold.map(|h| h.view.azimuth_deg), 3),
        outcome.map_or(Cell::Missing, |o| Cell::word(&o.floor.source)),
        match (hold, not_judged_reason(stored)) {
            (None, Some(reason)) => Cell::word(&reason),
            _ => Cell::Missing,
        },
        Cell::text(explanation(stored, hold)),
        outcome.map_or(Cell::Missing, |o| Cell::Integer(o.not_judged.len() as i64)),
    ]);
    for check in checks {
        let finding = hold.and_then(|h| h.findings.iter().find(|f| &f.check == check));
        cells.push(finding.map_or(Cell::Missing, |f| Cell::word(&f.call)));
        cells.push(chance(finding.map(|f| f.fault_probability)));
        cells.push(mm(finding.map(|f| f.tolerance_mm)));
    }
    cells.extend([
        Cell::text(if entry.report.is_empty() {
            String::new()
        } else {
            format!("{}/report.html", entry.report)
        }),
        Cell::Boolean(stored.in_folder),
        Cell::text(&entry.content_sha256),
        Cell::text(&entry.made_by),
        Cell::text(&stored.checked_at),
        Cell::rounded(Some(entry.seconds), 3),
    ]);
    cells
}

/// Writes `screen.csv`, `screen.parquet`, their data dictionary `screen.schema.json` and `index.html` into `out`, and tells how many rows the table has.
///
/// # Errors
/// A sentence on why they cannot be written; each file is then whole and new, or as before.
pub fn write_tables(database: &Database, out: &Path) -> Result<u64> {
    let mut checks = BTreeSet::new();
    database.each_current(&mut |stored| {
        let findings = stored.entry.outcome.iter().flat_map(|o| &o.holds).flat_map(|h| &h.findings);
        checks.extend(findings.map(|f| f.check.clone()));
        Ok(())
    })?;
    let fields = fields(&checks);
    let key = ["folder", "recording", "hold"];
    let mut table = TableWriter::create(out, "screen", fields.clone(), &[])?;
    let mut page = super::page::Page::default();
    database.each_current(&mut |stored| {
        for cells in rows_of(&stored, &checks) {
            table.row(cells)?;
        }
        page.add(&stored);
        Ok(())
    })?;
    let rows = table.finish()?;
    let mut schema = table_schema(&fields, &[]);
    // Not a primary key in the standard's sense, since the hold's number is empty in rows without a hold.
    schema["rows_told_apart_by"] = serde_json::json!(key);
    let text = serde_json::to_string_pretty(&schema).map_err(|e| Error::ours(format!("The data dictionary cannot be written ({e}).")))?;
    WholeFile::write(&out.join("screen.schema.json"), text.as_bytes())?;
    WholeFile::write(&out.join("index.html"), page.finish(&database.last_notes()?)?.as_bytes())?;
    Ok(rows)
}
