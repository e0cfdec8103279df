//! A repetition on the page: what was found in words, its time line, the strip of stills, and the table of findings.

use crate::error::Result;
use crate::outcome::{Call, EventKind, Moment, MomentKind, Phase, RepetitionEvent, RepetitionReport, SizeUnit, SpeedSource};
use crate::report::chart::c;
use crate::report::html::{call_words, data_address};
use crate::report::picture::Cut;
use crate::report::{quantity, raster};
use crate::types::RgbImage;
use maud::{html, Markup};

/// Width of the time line, canvas units.
const WIDTH: f64 = 800.0;
/// Left and right edge of its axis.
const EDGE: [f64; 2] = [12.0, 788.0];
/// Top and height of the bar of phases.
const BAR: [f64; 2] = [26.0, 30.0];
/// Height of a row of findings.
const ROW: f64 = 22.0;
/// Width of an embedded still, px.
const STILL_WIDTH_PX: i32 = 360;

/// The square about a moment's middle, inside the picture.
pub(crate) fn cut_of(moment: &Moment, picture: &RgbImage) -> Option<Cut> {
    let side = (moment.side_px.round().max(24.0) as usize).min(picture.width).min(picture.height);
    if side == 0 || !moment.centre.u.is_finite() || !moment.centre.v.is_finite() {
        return None;
    }
    let start = |middle: f64, length: usize| ((middle - 0.5 * side as f64).round().max(0.0) as usize).min(length - side);
    Some(Cut {
        left: start(moment.centre.u, picture.width),
        top: start(moment.centre.v, picture.height),
        width: side,
        height: side,
    })
}

/// A picture's cut as it is put into the page.
pub(crate) fn embedded(picture: &RgbImage, cut: Cut) -> Result<String> {
    Ok(data_address(&raster::embedded_cut(picture, cut, STILL_WIDTH_PX)?))
}

/// Everything about one repetition; `stills` are its moments that could be read, embedded.
pub(crate) fn section(r: &RepetitionReport, number: usize, stills: &[(&Moment, String)]) -> Markup {
    html! {
        section.repetition-section id=(format!("repetition-{number}")) aria-labelledby=(format!("repetition-{number}-title")) {
            h2 id=(format!("repetition-{number}-title")) {
                "Repetition " (number) ": before, in and after the stance, " (quantity::seconds(r.start_s)) " to " (quantity::seconds(r.end_s))
            }
            p { (headline(r)) " None of it changes the call on the stance." }
            figure {
                (time_line(r, number))
                figcaption { "Phases, and under them what was found; hatched: still. Times are those of the recording." }
            }
            (strip(stills))
            (events_table(r))
            dl {
                dt { "Landing" } dd { (landing_words(r)) }
                dt { "Turn" } dd { (turn_words(r)) }
                dt { "Coming to rest" } dd { (rest_words(r)) }
                dt { "Speed of the picture" } dd { (speed_words(r)) }
            }
            @if !r.cannot_tell.is_empty() {
                h3 { "What this recording cannot tell" }
                ul { @for sentence in &r.cannot_tell { li { (sentence) } } }
            }
        }
    }
}

/// `Suspected: step, added support.` or that nothing was found.
pub(crate) fn headline(r: &RepetitionReport) -> String {
    let mut kinds: Vec<&str> = Vec::new();
    for e in r.events.iter().filter(|e| e.call == Call::Suspected) {
        if !kinds.contains(&e.kind.words()) {
            kinds.push(e.kind.words());
        }
    }
    match (kinds.is_empty(), r.rest.knee_down) {
        (true, true) => "No fault was found around the stance.".to_string(),
        (true, false) => "The knee never came down into the stance; no other fault was found.".to_string(),
        (false, true) => format!("Suspected: {}.", kinds.join(", ")),
        (false, false) => format!("The knee never came down into the stance. Suspected: {}.", kinds.join(", ")),
    }
}

/// When and how the feet met the carpet.
pub(crate) fn landing_words(r: &RepetitionReport) -> String {
    let Some(l) = &r.landing else {
        return "no jump was seen with both feet's first contact in it".to_string();
    };
    let ms = |s: f64| format!("{:.0}\u{a0}ms", 1000.0 * s);
    let feet = l
        .contacts
        .iter()
        .map(|c| format!("{} foot at {:.2}\u{a0}s ± {}", c.leg.name(), c.time_s, ms(1.96 * c.sd_s)))
        .collect::<Vec<_>>()
        .join(", ");
    let verdict = match l.call {
        Call::Suspected => "one foot first",
        Call::Clear => "together within the limit",
        Call::CannotTell => "one foot first: cannot tell",
    };
    format!(
        "{feet}; {} ± {} apart in real time (limit {}): {verdict}; the smallest difference told here is {}",
        ms(l.difference_s),
        ms(1.96 * l.difference_sd_s),
        ms(l.limit_s),
        ms(l.smallest_difference_s)
    )
}

/// How far the body turned.
pub(crate) fn turn_words(r: &RepetitionReport) -> String {
    let Some(t) = &r.turn else {
        return "not measured".to_string();
    };
    let side = if t.turn_deg >= 0.0 { "left" } else { "right" };
    let turned = format!(
        "{} to the {side}, take-off to first contact",
        quantity::with_unit(t.turn_deg.abs(), t.sd_deg, "°")
    );
    match (t.required_deg, t.call) {
        (None, Call::CannotTell) => format!("{turned}; the number of whole turns is not sure"),
        (None, _) => format!("{turned}; no turn was asked for"),
        (Some(required), call) => format!(
            "{turned}; {required:.0}° asked for: {}",
            match call {
                Call::Suspected => "short",
                Call::Clear => "far enough",
                Call::CannotTell => "cannot tell",
            }
        ),
    }
}

/// Whether and when the stance came to rest.
pub(crate) fn rest_words(r: &RepetitionReport) -> String {
    match (r.rest.knee_down, r.rest.still_from_s) {
        (false, _) => "the knee never came down".to_string(),
        (true, None) => "the stance was not seen to come to rest, so it is not judged".to_string(),
        (true, Some(from)) => format!(
            "still from {from:.2}\u{a0}s, for {:.2}\u{a0}s in all (real time)",
            r.rest.still_for_s
        ),
    }
}

/// How fast the picture is.
pub(crate) fn speed_words(r: &RepetitionReport) -> String {
    let s = &r.slow_motion;
    match (s.source, s.factor_sd) {
        (SpeedSource::Given, _) => format!("{:.2} times slower than real time, as given", s.factor),
        (SpeedSource::FreeFall, Some(sd)) => format!(
            "{:.2} ± {:.2} times slower than real time, from the free fall in the jump",
            s.factor,
            1.96 * sd
        ),
        _ => "not known; taken as real time".to_string(),
    }
}

/// Size of an event with its unit.
pub(crate) fn size_words(e: &RepetitionEvent) -> String {
    match e.size_unit {
        SizeUnit::S => quantity::with_unit(1000.0 * e.size, 1000.0 * e.size_sd, "ms"),
        SizeUnit::Deg => quantity::with_unit(e.size, e.size_sd, "°"),
        SizeUnit::M => quantity::with_unit(1000.0 * e.size, 1000.0 * e.size_sd, "mm"),
    }
}

fn time_line(r: &RepetitionReport, number: usize) -> Markup {
    let span = (r.end_s - r.start_s).max(1e-3);
    let x = |t: f64| EDGE[0] + ((t - r.start_s) / span).clamp(0.0, 1.0) * (EDGE[1] - EDGE[0]);
    let bar_bottom = BAR[0] + BAR[1];
    let shown: Vec<&RepetitionEvent> = r.events.iter().collect();
    let bottom = bar_bottom + 8.0 + ROW * shown.len() as f64;
    let height = bottom + 40.0;
    let step = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0]
        .into_iter()
        .find(|s| span / s <= 9.0)
        .unwrap_or(120.0);
    let ticks: Vec<f64> = (0..)
        .map(|k| ((r.start_s / step).ceil() + f64::from(k)) * step)
        .take_while(|t| *t <= r.end_s + 1e-9)
        .collect();
    let label = format!(
        "Time line: {}.",
        r.phases
            .iter()
            .map(|p| format!("{} {:.2} s to {:.2} s", p.phase.words(), p.start_s, p.end_s))
            .chain(
                shown
                    .iter()
                    .map(|e| format!("{} ({}) {:.2} s to {:.2} s", e.kind.words(), e.limb.words(), e.start_s, e.end_s))
            )
            .collect::<Vec<_>>()
            .join(", ")
    );
    let names = phase_names(r, &x);
    html! {
        div.wide {
            svg class="chart time-line" role="img" aria-label=(label) viewBox=(format!("0 0 {WIDTH} {}", c(height))) id=(format!("time-line-{number}")) {
                @for p in &r.phases {
                    @let (a, b) = (x(p.start_s), x(p.end_s));
                    rect class=(phase_class(p.phase)) x=(c(a)) y=(c(BAR[0])) width=(c(b - a)) height=(c(BAR[1])) {}
                }
                @for tick in &ticks {
                    path class="grid-line" d=(format!("M{},{}V{}", c(x(*tick)), c(bar_bottom), c(bottom))) {}
                    path class="axis" d=(format!("M{},{}v5", c(x(*tick)), c(bottom))) {}
                    text class="tick" x=(c(x(*tick).clamp(EDGE[0] + 12.0, EDGE[1] - 12.0))) y=(c(bottom + 19.0)) text-anchor="middle" { (quantity::rounded(*tick, if step < 1.0 { 1 } else { 0 })) }
                }
                path class="axis" d=(format!("M{},{}H{}", EDGE[0], c(bottom), EDGE[1])) {}
                text class="tick" x=(c(0.5 * WIDTH)) y=(c(bottom + 36.0)) text-anchor="middle" { "time, s" }
                @for (at, y, text, phase) in names {
                    // Words inside a hatched bar get a plain ground.
                    @if phase == Phase::Hold && y > BAR[0] {
                        rect class="plain-ground" x=(c(at - 4.2 * text.len() as f64)) y=(c(BAR[0] + 5.0)) width=(c(8.4 * text.len() as f64)) height=(c(BAR[1] - 10.0)) {}
                    }
                    text class="tick" x=(c(at)) y=(c(y)) text-anchor="middle" { (text) }
                }
                @for (k, e) in shown.iter().enumerate() {
                    @let (a, b) = (x(e.start_s), x(e.end_s).max(x(e.start_s) + 4.0));
                    @let y = bar_bottom + 8.0 + ROW * k as f64;
                    @let words = format!("{}, {}{}", e.kind.words(), e.limb.words(), if e.call == Call::Suspected { "" } else { ": cannot tell" });
                    @let room = 7.4 * words.len() as f64 + 8.0;
                    @let right = b + room <= EDGE[1];
                    rect class=(if e.call == Call::Suspected { "finding suspected" } else { "finding cannot" }) x=(c(a)) y=(c(y + 3.0)) width=(c(b - a)) height="13" {}
                    text class="tick" x=(c(if right { b + 6.0 } else { a - 6.0 })) y=(c(y + 14.0)) text-anchor=(if right { "start" } else { "end" }) { (words) }
                }
            }
        }
    }
}

/// Where each phase's name stands: in the bar where it fits, else over it, beside its neighbours; a name that would stand off its phase is left out.
fn phase_names(r: &RepetitionReport, x: &dyn Fn(f64) -> f64) -> Vec<(f64, f64, &'static str, Phase)> {
    /// Room between two names over the bar.
    const APART: f64 = 8.0;
    let mut names = Vec::new();
    // Middle of the phase, half the name's width and where it stands.
    let mut over: Vec<(f64, f64, f64, Phase)> = Vec::new();
    for p in &r.phases {
        let (a, b, text) = (x(p.start_s), x(p.end_s), p.phase.words());
        let (middle, half) = (0.5 * (a + b), 3.7 * text.len() as f64);
        if 2.0 * half + 8.0 <= b - a {
            names.push((middle, BAR[0] + 0.5 * BAR[1] + 4.5, text, p.phase));
        } else {
            let free_from = over.last().map_or(EDGE[0], |(_, half, at, _)| at + half + APART);
            over.push((middle, half, middle.max(free_from + half), p.phase));
        }
    }
    // What was pushed over the right edge is pushed back, and its neighbours with it.
    let mut free_to = EDGE[1];
    for (_, half, at, _) in over.iter_mut().rev() {
        *at = at.min(free_to - *half);
        free_to = *at - *half - APART;
    }
    let near = over
        .into_iter()
        .filter(|(middle, half, at, _)| (at - middle).abs() <= *half && at - half >= EDGE[0]);
    names.extend(near.map(|(_, _, at, phase)| (at, BAR[0] - 7.0, phase.words(), phase)));
    // Read out in the order of time.
    names.sort_by(|a, b| a.0.total_cmp(&b.0));
    names
}

const fn phase_class(phase: Phase) -> &'static str {
    match phase {
        Phase::Approach | Phase::Leaving => "phase outer",
        Phase::Flight => "phase flight",
        Phase::Landing => "phase landing",
        Phase::Stance => "phase stance",
        Phase::Hold => "phase hold-phase",
    }
}

fn strip(stills: &[(&Moment, String)]) -> Markup {
    html! {
        @if !stills.is_empty() {
            ul.strip {
                @for (moment, address) in stills {
                    li class=(if moment.kind == MomentKind::Fault { "fault" } else { "" }) {
                        img src=(address) alt=(format!("{} at {:.2} s", moment.caption, moment.time_s)) width="360" height="360";
                        span.small { strong { (crate::report::sentence::capital(&moment.caption)) } ", " (format!("{:.2}\u{a0}s", moment.time_s)) }
                    }
                }
            }
        }
    }
}

fn events_table(r: &RepetitionReport) -> Markup {
    html! {
        @if r.events.is_empty() {
            p { "No finding: no foot first, no short turn, no step, hop, shuffle or sway, and no added support, as far as this recording can tell." }
        } @else {
            table.stack.findings role="table" {
                caption { "What was found around the stance" }
                thead role="rowgroup" { tr role="row" {
                    @for title in ["Finding", "Call", "When", "Size", "Code", "Deduction", "Panel"] { th scope="col" role="columnheader" { (title) } }
                } }
                tbody role="rowgroup" {
                    @for e in &r.events {
                        tr role="row" {
                            th scope="row" role="rowheader" { (crate::report::sentence::capital(e.kind.words())) ", " (e.limb.words()) span.basis { (e.detail) } }
                            td role="cell" data-label="Call" { (call_words(e.call)) span.basis { (quantity::per_cent(e.confidence)) " likely" } }
                            td role="cell" data-label="When" { (format!("{:.2}\u{a0}s to {:.2}\u{a0}s", e.start_s, e.end_s)) }
                            td role="cell" data-label="Size" { (size_words(e)) span.basis { (size_meaning(e)) } }
                            td role="cell" data-label="Code" { @if e.code.is_empty() { "none" } @else { (e.code) } }
                            td role="cell" data-label="Deduction" { @if e.deduction > 0.0 { (e.deduction) "\u{a0}points" } @else { "none; credit in doubt" } }
                            td role="cell" data-label="Panel" { (e.panel) }
                        }
                    }
                }
            }
            p.small.soft { "A deduction is what the rule profile names for the fault if the judges see it; it is not applied here." }
        }
    }
}

const fn size_meaning(e: &RepetitionEvent) -> &'static str {
    match e.kind {
        EventKind::OneFootFirst => "between the first contacts",
        EventKind::ShortTurn => "short of the turn asked for",
        EventKind::Step | EventKind::Hop | EventKind::Shuffle => "way of the foot",
        EventKind::Sway => "out from where it was",
        EventKind::Support => "over the carpet",
    }
}
