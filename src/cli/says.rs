//! The answer in a few lines for a person.

use crate::outcome::{sure_per_cent, Call, FloorSource, HoldReport, Outcome, RepetitionReport, Stillness};
use crate::report::{quantity, repetition};
use std::fmt::Write as _;
use std::path::Path;

/// The lines of one recording. `colour`: on a terminal only, and never the only carrier of meaning.
pub fn lines(outcome: &Outcome, report: &Path, colour: bool) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "{}", outcome.input.path);
    for w in &outcome.input.warnings {
        let _ = writeln!(out, "  note: {w}");
    }
    for (k, hold) in outcome.holds.iter().enumerate() {
        hold_lines(&mut out, k + 1, hold, colour);
    }
    for (k, r) in outcome.repetitions.iter().enumerate() {
        repetition_lines(&mut out, k + 1, r, colour);
    }
    for n in &outcome.not_judged {
        let _ = writeln!(out, "  not judged: {}", n.detail);
    }
    if let (Some(e), Some(sd)) = (outcome.floor.camera_elevation_deg, outcome.floor.camera_elevation_sd_deg) {
        let from = match outcome.floor.source {
            FloorSource::Marks => "the marks",
            FloorSource::Sheet => "the printed sheet",
            FloorSource::Lines => "the carpet's lines",
            FloorSource::Body => "the body",
            FloorSource::None => "nothing",
        };
        let _ = writeln!(
            out,
            "  camera: {} over the carpet (95 %; floor from {from})",
            plain(quantity::with_unit(e, sd, "°"))
        );
    }
    if let Some(sheet) = &outcome.floor.sheet {
        let _ = writeln!(
            out,
            "  printed sheet: {} of {} markers, measured in {} of {} frames looked at",
            sheet.markers, sheet.markers_printed, sheet.frames, sheet.frames_looked_at
        );
    }
    if let Some(lines) = &outcome.floor.lines {
        let _ = writeln!(
            out,
            "  carpet's lines: {} of 4 sides found, {:.1} % sure; look at them in the report's picture",
            lines.sides,
            sure_per_cent(lines.confidence)
        );
    }
    let _ = writeln!(out, "  report: {}", report.display());
    out
}

fn hold_lines(out: &mut String, number: usize, hold: &HoldReport, colour: bool) {
    let when = match hold.stillness {
        Stillness::Shown => format!("still from {:.2} s to {:.2} s", hold.start_s, hold.end_s),
        Stillness::NotShown => "stillness not shown in a photograph".to_string(),
    };
    let _ = writeln!(
        out,
        "  hold {number}: {} leg kneels ({:.0} %), {when}",
        hold.kneeling_leg.name(),
        100.0 * hold.kneeling_leg_confidence
    );
    let _ = writeln!(out, "    stance: {}", word(hold.call, colour));
    for f in &hold.findings {
        let _ = writeln!(
            out,
            "    {}: {}; worst at the {}, {} (95 %; tolerance {}); fault {} likely{}",
            f.title,
            word(f.call, colour),
            f.station.words(),
            plain(quantity::with_unit(f.gap_mm, f.sd_mm, "mm")),
            plain(quantity::millimetres(f.tolerance_mm)),
            plain(quantity::per_cent(f.fault_probability)),
            if f.call == Call::Suspected {
                format!("; code {}, {} points", f.code, f.deduction)
            } else {
                String::new()
            }
        );
    }
    let lift = hold.view.smallest_lift_mm;
    let tell = |can: bool| {
        if can {
            "can show it"
        } else {
            "cannot show a lift of the tolerance"
        }
    };
    let _ = writeln!(
        out,
        "    this view: smallest lift it can show {:.0} mm at the calf ({}), {:.0} mm at the heel ({}).{}{}",
        lift.calf,
        tell(hold.view.can_tell.calf),
        lift.heel,
        tell(hold.view.can_tell.heel),
        if hold.view.advice.is_empty() { "" } else { " " },
        hold.view.advice
    );
    for n in &hold.notes {
        let _ = writeln!(out, "    note: {n}");
    }
}

/// Without the no-break spaces that serve a page.
pub(super) fn plain(text: String) -> String {
    text.replace('\u{a0}', " ")
}

fn repetition_lines(out: &mut String, number: usize, r: &RepetitionReport, colour: bool) {
    let _ = writeln!(out, "  repetition {number}: {:.2} s to {:.2} s", r.start_s, r.end_s);
    let _ = writeln!(out, "    landing: {}", plain(repetition::landing_words(r)));
    let _ = writeln!(out, "    turn: {}", plain(repetition::turn_words(r)));
    let _ = writeln!(out, "    rest: {}", plain(repetition::rest_words(r)));
    let _ = writeln!(out, "    picture: {}", plain(repetition::speed_words(r)));
    for e in &r.events {
        let _ = writeln!(
            out,
            "    {}: {}; {:.2} s to {:.2} s; {} likely{}; {}",
            e.kind.words(),
            word(e.call, colour),
            e.start_s,
            e.end_s,
            plain(quantity::per_cent(e.confidence)),
            match (e.call == Call::Suspected, e.code.is_empty()) {
                (true, false) => format!("; code {}, {} points", e.code, e.deduction),
                (true, true) => format!("; no deduction, {} panel", e.panel),
                (false, _) => String::new(),
            },
            e.detail
        );
    }
    for c in &r.cannot_tell {
        let _ = writeln!(out, "    cannot tell: {c}");
    }
}

fn word(call: Call, colour: bool) -> String {
    let code = match call {
        Call::Clear => "1",
        Call::Suspected => "1;7",
        Call::CannotTell => "4",
    };
    if colour {
        format!("\u{1b}[{code}m{}\u{1b}[0m", call.words())
    } else {
        call.words().to_string()
    }
}
