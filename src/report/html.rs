//! `report.html`: one file that opens without a network.
//!
//! The page holds no script and asks for nothing: pictures are data addresses, drawings are inline SVG, and a content security policy forbids everything but those
//! pictures and this one style sheet, named by its hash. Every text goes through the template's escaping.

use crate::error::Result;
use crate::outcome::{sure_per_cent, Call, HoldReport, InputKind, Outcome, Stillness};
use crate::report::chart::{self, c};
use crate::report::head::head;
use crate::report::picture::{self, CanvasPoint, LegPicture, CANVAS_WIDTH, LABEL_LINE, LABEL_ROWS};
use crate::report::sentence::capital;
use crate::report::{place, quantity, raster, sentence};
use crate::types::RgbImage;
use base64::Engine;
use maud::{html, Markup, DOCTYPE};

/// The style sheet.
pub(super) const STYLE: &str = include_str!("style.css");

/// The whole page, from the sections of its holds and of its repetitions.
pub(crate) fn page(outcome: &Outcome, holds: &[Markup], repetitions: &[Markup]) -> String {
    let file = sentence::file_name(&outcome.input.path);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            (head(&format!("Low kneeling stance: {file}"), STYLE, None, true))
            body {
                (hatches())
                header {
                    h1 { "Is the kneeling leg down on the carpet?" }
                    p.soft { (file) " (" (sentence::input(&outcome.input)) ")" }
                }
                main {
                    (call_section(outcome))
                    @for section in holds { (section) }
                    @for section in repetitions { (section) }
                    (not_judged_section(outcome))
                    (input_section(outcome))
                    (floor_section(outcome))
                    (cautions(outcome))
                }
                (footer(outcome))
            }
        }
    };
    page.into_string()
}

pub(super) fn cautions(outcome: &Outcome) -> Markup {
    html! {
        @if !outcome.cautions.is_empty() {
            section.keep {
                h2 { "Cautions" }
                ul { @for caution in &outcome.cautions { li { (caution) } } }
            }
        }
    }
}

pub(super) fn footer(outcome: &Outcome) -> Markup {
    html! {
        footer {
            p { "A number after ± spans the interval that holds the true value in 95 of 100 cases (expanded uncertainty, coverage factor 1.96)." }
            p { "This report advises. The judges on the floor and the rulebook in force decide." }
            p { (outcome.made_by.line()) }
        }
    }
}

pub(crate) fn data_address(jpeg: &[u8]) -> String {
    format!("data:image/jpeg;base64,{}", base64::engine::general_purpose::STANDARD.encode(jpeg))
}

/// Patterns that the drawings share.
pub(super) fn hatches() -> Markup {
    html! {
        svg class="hidden-defs" aria-hidden="true" {
            defs {
                pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                    line class="hatch-line" x1="0" x2="0" y1="0" y2="7" {}
                }
                pattern id="fine-hatch" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                    line class="fine-hatch-line" x1="0" x2="0" y1="0" y2="5" {}
                }
            }
        }
    }
}

pub(super) const fn call_class(call: Call) -> &'static str {
    match call {
        Call::Clear => "clear",
        Call::Suspected => "suspected",
        Call::CannotTell => "cannot",
    }
}

/// A filled, hatched or open bar: the call without words or colour.
fn call_mark(call: Call) -> Markup {
    html! {
        svg class="mark" aria-hidden="true" viewBox="0 0 42 16" {
            @match call {
                Call::Suspected => { rect class="full" x="1" y="1" width="40" height="14" {} }
                Call::Clear => { rect class="frame" x="1" y="1" width="40" height="14" {} }
                Call::CannotTell => {
                    path class="stripes" d="M2,14L14,2M11,14L23,2M20,14L32,2M29,14L40,3" {}
                    rect class="frame" x="1" y="1" width="40" height="14" {}
                }
            }
        }
    }
}

pub(crate) fn call_words(call: Call) -> Markup {
    html! { span class=(format!("call {}", call_class(call))) { (call_mark(call)) (call.words()) } }
}

/// The sentence of a hold with its call set off.
pub(super) fn call_sentence(hold: &HoldReport) -> Markup {
    html! {
        p.sentence {
            (capital(&sentence::leg_and_time(hold))) ": "
            (call_words(hold.call)) " \u{2013} " (sentence::evidence(hold)) "."
        }
    }
}

fn call_section(outcome: &Outcome) -> Markup {
    html! {
        section aria-labelledby="the-call" {
            h2 id="the-call" { "The call" }
            @match outcome.holds.len() {
                0 => {
                    ul.calls { li.none {
                        p.sentence { strong { "No call: " } "this recording shows no hold of the stance that could be judged." }
                    } }
                    @for item in &outcome.not_judged {
                        p { strong { (capital(sentence::reason(item.reason))) ". " } (item.detail) (span_words(item.start_s, item.end_s)) }
                        p.advice { strong { "What to do: " } (sentence::remedy(item.reason)) }
                    }
                    @if outcome.not_judged.is_empty() {
                        p { "No reason was recorded." }
                    }
                }
                1 => { ul.calls { li class=(call_class(outcome.holds[0].call)) { (call_sentence(&outcome.holds[0])) } } }
                count => {
                    p { (count) " holds: " (tally(outcome)) "." }
                    (summary_table(outcome))
                }
            }
        }
    }
}

/// `2 suspected, 1 clear`.
fn tally(outcome: &Outcome) -> String {
    [Call::Suspected, Call::CannotTell, Call::Clear]
        .iter()
        .filter_map(|call| match outcome.holds.iter().filter(|h| h.call == *call).count() {
            0 => None,
            n => Some(format!("{n} {}", call.words())),
        })
        .collect::<Vec<_>>()
        .join(", ")
}

fn summary_table(outcome: &Outcome) -> Markup {
    html! {
        table.stack role="table" {
            caption { "Every hold" }
            thead role="rowgroup" { tr role="row" {
                @for title in ["Hold", "When", "Leg", "Call", "Worst checked place", "Gap"] { th scope="col" role="columnheader" { (title) } }
            } }
            tbody role="rowgroup" {
                @for (i, hold) in outcome.holds.iter().enumerate() {
                    @let number = i + 1;
                    tr role="row" {
                        th scope="row" role="rowheader" { a href=(format!("#hold-{number}")) { "Hold " (number) } }
                        td role="cell" data-label="When" { (sentence::when(hold)) }
                        td role="cell" data-label="Leg" { (hold.kneeling_leg.name()) }
                        td role="cell" data-label="Call" { (call_words(hold.call)) }
                        @match sentence::leading(hold) {
                            Some(f) => {
                                td role="cell" data-label="Worst checked place" { (sentence::place(f.station)) }
                                td role="cell" data-label="Gap" { (quantity::with_unit(f.gap_mm, f.sd_mm, "mm")) }
                            }
                            None => { td role="cell" data-label="Worst checked place" { "no check applied" } td role="cell" data-label="Gap" { "none" } }
                        }
                    }
                }
            }
        }
    }
}

/// ` (1.0 s to 2.5 s)`, where a stretch is named.
fn span_words(start_s: Option<f64>, end_s: Option<f64>) -> String {
    match (start_s, end_s) {
        (Some(a), Some(b)) => format!(" ({} to {})", quantity::seconds(a), quantity::seconds(b)),
        (Some(a), None) => format!(" (from {})", quantity::seconds(a)),
        (None, Some(b)) => format!(" (until {})", quantity::seconds(b)),
        (None, None) => String::new(),
    }
}

/// Everything about one hold.
pub(crate) fn hold_section(
    outcome: &Outcome,
    hold: &HoldReport,
    number: usize,
    still: Option<&RgbImage>,
    layout: Option<&LegPicture>,
) -> Result<Markup> {
    let (leg, frame) = match still {
        Some(still) => (
            layout.map(|l| leg_figure(hold, still, l)).transpose()?,
            Some(frame_figure(outcome, hold, still, layout)?),
        ),
        None => (Some(html! { p.soft.first { "No picture of this hold was kept." } }), None),
    };
    Ok(html! {
        section.hold-section id=(format!("hold-{number}")) aria-labelledby=(format!("hold-{number}-title")) {
            h2 id=(format!("hold-{number}-title")) {
                "Hold " (number) ": " (sentence::leg_and_time(hold))
            }
            @if outcome.holds.len() > 1 {
                ul.calls { li class=(call_class(hold.call)) { (call_sentence(hold)) } }
            }
            // Two columns on a wide page; on a narrow one a single column in the order of the classes `first` to `fourth`.
            div.pair {
                div.column { @if let Some(leg) = leg { (leg) } (time_figure(outcome, hold, number)) }
                div.column { (profile_figure(hold)) @if let Some(frame) = frame { (frame) } }
            }
            (gap_table(hold))
            (findings_table(hold))
            (view_part(outcome, hold))
            (details(outcome, hold))
        }
    })
}

fn points(line: &[CanvasPoint]) -> String {
    line.iter()
        .map(|(x, y)| format!("{},{}", c(*x), c(*y)))
        .collect::<Vec<_>>()
        .join(" ")
}

/// A line over the picture with a dark casing, legible on light and dark.
fn cased(line: &[CanvasPoint], class: &str, casing: &str) -> Markup {
    html! {
        polyline class=(format!("over-casing {casing}")) points=(points(line)) {}
        polyline class=(class) points=(points(line)) {}
    }
}

pub(super) fn leg_figure(hold: &HoldReport, still: &RgbImage, layout: &LegPicture) -> Result<Markup> {
    let address = data_address(&raster::embedded_leg(still, layout.cut)?);
    let (width, height) = (c(CANVAS_WIDTH), c(layout.height));
    let alt = format!(
        "The kneeling lower leg at {}, magnified, with its inner surface, the carpet below it and the gap at each place: {}.",
        quantity::seconds(hold.best_frame.time_s),
        hold.gaps
            .iter()
            .map(|g| format!("{} {}", sentence::place(g.station), quantity::with_unit(g.gap_mm, g.sd_mm, "mm")))
            .collect::<Vec<_>>()
            .join("; ")
    );
    let (cap, radius) = (4.0, 3.6);
    Ok(html! {
        figure.first {
            svg class="picture" role="img" aria-label=(alt) viewBox=(format!("0 0 {width} {}", c(layout.total_height()))) {
                image href=(address) x="0" y="0" width=(width) height=(height) preserveAspectRatio="none" {}
                g class="faint" { @for line in &layout.grid { (cased(line, "over-grid", "w1")) } }
                @for line in &layout.carpet { (cased(line, "over-carpet", "w2")) }
                @for mark in &layout.marks {
                    @let [from, edge, end] = layout.leader(mark);
                    (cased(&[from, edge], "over-leader", "w0"))
                    polyline class="strip-leader" points=(points(&[edge, end])) {}
                }
                @for line in &layout.surface { (cased(line, "over-leg", "w2")) }
                @for mark in &layout.marks {
                    (cased(&[mark.carpet, mark.surface], "over-gap", "w3"))
                    (cased(&[(mark.carpet.0 - cap, mark.carpet.1), (mark.carpet.0 + cap, mark.carpet.1)], "over-gap", "w3"))
                    circle class=(if mark.over { "over-end over" } else { "over-end" }) cx=(c(mark.surface.0)) cy=(c(mark.surface.1)) r=(c(radius)) {}
                }
                rect class="edge" x="0.5" y="0.5" width=(c(CANVAS_WIDTH - 1.0)) height=(c(layout.height - 1.0)) {}
                @for mark in &layout.marks {
                    @let top = layout.height + LABEL_ROWS[mark.label_row];
                    text class="name" x=(c(mark.label_x)) y=(c(top)) text-anchor="middle" { (mark.name) }
                    text class="value" x=(c(mark.label_x)) y=(c(top + LABEL_LINE)) text-anchor="middle" { (mark.value) }
                }
            }
            figcaption {
                @if hold.stillness == Stillness::Shown { "At " (quantity::seconds(hold.best_frame.time_s)) ", m" } @else { "M" }
                "agnified. Solid line: the leg\u{2019}s inner surface, knee to heel. Dashed: the carpet straight below. Upright marks: the gap; a filled end is over the tolerance, an "
                "open end is not; the number under it has the natural hollow taken off. Thin lines: a 0.5\u{a0}m grid fitted to the carpet."
            }
        }
    })
}

fn frame_figure(outcome: &Outcome, hold: &HoldReport, still: &RgbImage, layout: Option<&LegPicture>) -> Result<Markup> {
    let address = data_address(&raster::embedded_frame(still)?);
    let (w, h) = (still.width as f64, still.height as f64);
    // The drawing is 400 units wide whatever the frame's size, so that line widths of the style sheet hold.
    let scale = CANVAS_WIDTH / w.max(h);
    let (width, height) = (w * scale, h * scale);
    let place = |line: &[crate::types::ImagePoint]| {
        picture::clip(&line.iter().map(|p| (p.u * scale, p.v * scale)).collect::<Vec<_>>(), width, height)
    };
    let alt = format!(
        "The whole picture at {}: the athlete on the carpet with the fitted carpet grid and a box around the part shown magnified.",
        quantity::seconds(hold.best_frame.time_s)
    );
    Ok(html! {
        figure.fourth {
            svg class=(if h > w { "picture tall" } else { "picture" }) role="img" aria-label=(alt) viewBox=(format!("0 0 {} {}", c(width), c(height))) {
                image href=(address) x="0" y="0" width=(c(width)) height=(c(height)) preserveAspectRatio="none" {}
                g class="faint" { @for line in outcome.floor.grid.iter().flat_map(|l| place(l)) { (cased(&line, "over-grid", "w1")) } }
                @if let Some(sheet) = &outcome.floor.sheet { @for line in sheet.outlines.iter().flat_map(|l| place(l)) { (cased(&line, "over-carpet", "w1")) } }
                @if let Some(lines) = &outcome.floor.lines {
                    @for line in lines.outline.iter().flat_map(|l| place(l)) { (cased(&line, "over-grid", "w1")) }
                    @for line in lines.found.iter().flat_map(|l| place(l)) { (cased(&line, "over-carpet", "w2")) }
                }
                @for line in place(&hold.best_frame.surface) { (cased(&line, "over-leg", "w2")) }
                @if let Some(layout) = layout {
                    @let (l, t) = (layout.cut.left as f64 * scale, layout.cut.top as f64 * scale);
                    @let (r, b) = (l + layout.cut.width as f64 * scale, t + layout.cut.height as f64 * scale);
                    (cased(&[(l, t), (r, t), (r, b), (l, b), (l, t)], "over-leg", "w2"))
                }
            }
            figcaption {
                "The whole picture with the carpet grid; the box is the part shown magnified."
                @if let Some(lines) = &outcome.floor.lines {
                    " Dashed, heavier: the carpet\u{2019}s sides that were found (" (lines.sides) " of 4, " (quantity::rounded(sure_per_cent(lines.confidence), 1)) "\u{a0}% sure); "
                    "thin: where the fitted floor puts its sides. If they do not lie on the carpet\u{2019}s line, check again without --carpet-lines."
                }
            }
        }
    })
}

pub(super) fn profile_figure(hold: &HoldReport) -> Markup {
    html! {
        figure.second {
            h3 { "Gap along the leg" }
            (chart::profile(hold))
            ul.legend.small {
                li { (chart::swatch("bar")) "95\u{a0}% bar" }
                li { (chart::swatch("over")) "over the tolerance" }
                li { (chart::swatch("within")) "within" }
                li { (chart::swatch("tolerance")) (chart::tolerance_words(hold)) }
                li { (chart::swatch("carpet")) "carpet" }
            }
            figcaption {
                "The natural hollow of a leg that lies flat is already taken off: " (hollow_words(hold))
                ". A value below zero lies flatter than that."
            }
        }
    }
}

/// `4 mm at calf 25 %, 9 mm at calf 50 %`, or that none was taken off.
fn hollow_words(hold: &HoldReport) -> String {
    let parts: Vec<String> = hold
        .gaps
        .iter()
        .filter(|g| g.natural_hollow_mm != 0.0)
        .map(|g| {
            format!(
                "{} at {}",
                quantity::millimetres(g.natural_hollow_mm),
                picture::short_name(g.station)
            )
        })
        .collect();
    if parts.is_empty() {
        "0\u{a0}mm everywhere".to_owned()
    } else {
        parts.join(", ")
    }
}

fn time_figure(outcome: &Outcome, hold: &HoldReport, number: usize) -> Markup {
    let over_time = chart::over_time(hold, number);
    html! {
        figure.third {
            h3 { "Gap over time" }
            @match over_time {
                Some(shown) => {
                    (shown.chart)
                    ul.legend.small {
                        li { (chart::swatch("heel")) "inner heel" }
                        li { (chart::swatch("calf")) (sentence::place(shown.calf)) }
                        li { (chart::swatch("tolerance")) "tolerance" }
                        li { (chart::swatch("hold")) "hold" }
                    }
                    figcaption {
                        "Bands: 95\u{a0}%. Between knee and ankle the place likeliest to be over the tolerance is followed."
                        @if shown.cut_off { " Outside the hold the curves leave the chart." }
                    }
                }
                None => {
                    @if outcome.input.kind == InputKind::Photograph || hold.stillness == Stillness::NotShown {
                        p { "Stillness not shown: a photograph has no course over time. Whether the stance was held still must be known from elsewhere." }
                    } @else {
                        p { "Too few frames for a course over time." }
                    }
                }
            }
        }
    }
}

fn gap_table(hold: &HoldReport) -> Markup {
    html! {
        table.stack role="table" {
            caption { "Gap at each place" }
            thead role="rowgroup" { tr role="row" {
                th scope="col" role="columnheader" { "Place" }
                @for title in ["Gap", "Tolerance", "Over tolerance, probability", "Hollow taken off"] { th.num scope="col" role="columnheader" { (title) } }
            } }
            tbody role="rowgroup" {
                @for gap in &hold.gaps {
                    tr role="row" {
                        th scope="row" role="rowheader" { (capital(&sentence::place(gap.station))) }
                        td.num role="cell" data-label="Gap" { (quantity::with_unit(gap.gap_mm, gap.sd_mm, "mm")) }
                        td.num role="cell" data-label="Tolerance" { (chart::tolerance_at(hold, gap.station).map_or_else(|| "none set".to_owned(), quantity::millimetres)) }
                        td.num role="cell" data-label="Over tolerance, probability" { (quantity::per_cent(gap.over_tolerance_probability)) }
                        td.num role="cell" data-label="Hollow taken off" { (quantity::millimetres(gap.natural_hollow_mm)) }
                    }
                }
            }
        }
    }
}

pub(super) fn findings_table(hold: &HoldReport) -> Markup {
    html! {
        @if hold.findings.is_empty() {
            p { "No check of the rule profile applied to this hold." }
        } @else {
            table.stack.findings role="table" {
                caption { "What the rules would make of it" }
                thead role="rowgroup" { tr role="row" {
                    @for title in ["Check", "Call", "Probability of a fault", "Gap", "Tolerance", "Code", "Deduction"] { th scope="col" role="columnheader" { (title) } }
                } }
                tbody role="rowgroup" {
                    @for f in &hold.findings {
                        tr role="row" {
                            th scope="row" role="rowheader" { (f.title) span.basis { "Basis: " (f.basis) } }
                            td role="cell" data-label="Call" {
                                (call_words(f.call))
                                // For "cannot tell" there is no call to be right about.
                                @if f.call != Call::CannotTell { span.basis { "right with " (quantity::per_cent(f.confidence)) } }
                            }
                            td role="cell" data-label="Probability of a fault" { (quantity::per_cent(f.fault_probability)) }
                            td role="cell" data-label="Gap" { (quantity::with_unit(f.gap_mm, f.sd_mm, "mm")) span.basis { (sentence::place(f.station)) } }
                            td role="cell" data-label="Tolerance" { (quantity::millimetres(f.tolerance_mm)) }
                            td role="cell" data-label="Code" { (f.code) }
                            td role="cell" data-label="Deduction" { (f.deduction) "\u{a0}points" }
                        }
                    }
                }
            }
            p.small.soft { "A deduction is what the named rule would take for the fault if the judges see it; it is not applied here." }
        }
    }
}

fn view_part(outcome: &Outcome, hold: &HoldReport) -> Markup {
    let can = &hold.view.can_tell;
    let tolerance = chart::tolerance_words(hold);
    html! {
        section.keep {
            h3 { "Could this camera have shown a lift?" }
            p {
                @match (can.calf, can.heel) {
                    (true, true) => { "Yes, knee to heel: the smallest lift it can show is no larger than allowed (" (tolerance) ")." }
                    (true, false) => { "From knee to ankle yes, at the heel no: there the smallest lift it can show is larger than allowed (" (tolerance) ")." }
                    (false, true) => { "At the heel yes, from knee to ankle no: there the smallest lift it can show is larger than allowed (" (tolerance) ")." }
                    (false, false) => { "No: the smallest lift it can show is larger than allowed (" (tolerance) ")." }
                }
            }
            @if !hold.view.advice.is_empty() { p.advice { strong { "For the next recording: " } (hold.view.advice) } }
            div.pair {
                figure {
                    div.places { (place::plan(hold)) (place::side(hold, &outcome.floor)) }
                    figcaption {
                        "Where the camera stood; angles true, distances not to scale. Hatched: where a lift shows best, square to the shin and low."
                    }
                }
                figure {
                    (chart::smallest_lift(hold))
                    ul.legend.small { li { (chart::swatch("tolerance")) "tolerance" } }
                    figcaption { "The smallest lift that the stated uncertainty would show nine times in ten (of rendered poses lifted by about that much, three in four were shown). A hatched bar is longer than the tolerance: a fault could hide there." }
                }
            }
        }
    }
}

fn details(outcome: &Outcome, hold: &HoldReport) -> Markup {
    let angle = quantity::with_unit(hold.shank_angle_deg, hold.shank_angle_sd_deg, "°");
    html! {
        section.keep {
            h3 { "About this hold" }
            dl {
                dt { "Stillness" }
                dd {
                    @if hold.stillness == Stillness::Shown { "shown, " (sentence::when(hold)) } @else { "not shown (photograph)" }
                }
                dt { "Kneeling leg" }
                dd { (hold.kneeling_leg.name()) ", probability " (quantity::per_cent(hold.kneeling_leg_confidence)) }
                dt { "Shank over the carpet" }
                dd { (angle) @if hold.shank_angle_deg >= 0.0 { " (ankle higher than knee)" } @else { " (knee higher than ankle)" } }
                dt { "Shank length used" }
                dd { (quantity::with_unit(hold.shank_length_mm, hold.shank_length_sd_mm, "mm")) }
                @if outcome.input.kind == InputKind::Video {
                    dt { "Picture shown" }
                    dd { "frame " (hold.best_frame.index) " at " (quantity::seconds(hold.best_frame.time_s)) }
                }
            }
            @if !hold.notes.is_empty() { ul { @for note in &hold.notes { li { (note) } } } }
        }
    }
}

fn not_judged_section(outcome: &Outcome) -> Markup {
    html! {
        // With no hold at all the reasons stand at the top, under "The call".
        @if !outcome.not_judged.is_empty() && !outcome.holds.is_empty() {
            section.keep {
                h2 { "Not judged" }
                ul {
                    @for item in &outcome.not_judged {
                        li { strong { (capital(sentence::reason(item.reason))) ". " } (item.detail) (span_words(item.start_s, item.end_s)) " " (sentence::remedy(item.reason)) }
                    }
                }
            }
        }
    }
}

fn input_section(outcome: &Outcome) -> Markup {
    html! {
        section.keep {
            h2 { "The recording" }
            dl {
                dt { "File" } dd { (outcome.input.path) }
                dt { "Read as" } dd { (sentence::input(&outcome.input)) }
            }
            @if outcome.input.warnings.is_empty() {
                p { "Nothing unusual about the file." }
            } @else {
                p { strong { "Warnings about the file:" } }
                ul { @for warning in &outcome.input.warnings { li { (warning) } } }
            }
        }
    }
}

fn floor_section(outcome: &Outcome) -> Markup {
    let floor = &outcome.floor;
    let rows = [
        (
            "Camera elevation over the carpet",
            floor.camera_elevation_deg,
            floor.camera_elevation_sd_deg,
            "°",
        ),
        (
            "Camera height over the carpet",
            floor.camera_height_m,
            floor.camera_height_sd_m,
            "m",
        ),
        ("Camera to leg", floor.camera_distance_m, floor.camera_distance_sd_m, "m"),
        ("Focal length", floor.focal_px, floor.focal_sd_px, "px"),
    ];
    html! {
        section.keep {
            h2 { "The floor" }
            dl {
                dt { "Found from" }
                dd {
                    (sentence::floor_from(floor.source))
                }
                @for (name, value, sd, unit) in rows {
                    dt { (name) }
                    dd {
                        @match (value, sd) {
                            (Some(value), Some(sd)) => (quantity::with_unit(value, sd, unit)),
                            (Some(value), None) => { (quantity::rounded(value, 1)) "\u{a0}" (unit) ", uncertainty not known" }
                            (None, _) => "not known",
                        }
                    }
                }
            }
            @if !floor.notes.is_empty() { ul { @for note in &floor.notes { li { (note) } } } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// WCAG 2.1, "relative luminance" and "contrast ratio".
    fn contrast(a: &str, b: &str) -> f64 {
        let luminance = |hex: &str| {
            let channel = |i: usize| {
                let v = f64::from(u8::from_str_radix(&hex[i..i + 2], 16).unwrap()) / 255.0;
                if v <= 0.03928 {
                    v / 12.92
                } else {
                    ((v + 0.055) / 1.055).powf(2.4)
                }
            };
            0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// The custom properties of the `nth` `:root` block.
    fn palette(nth: usize) -> Vec<(String, String)> {
        let block = STYLE.split(":root {").nth(nth + 1).unwrap().split('}').next().unwrap();
        block
            .lines()
            .filter_map(|l| l.trim().strip_prefix("--")?.trim_end_matches(';').split_once(": "))
            .map(|(k, v)| (k.to_owned(), v.to_owned()))
            .collect()
    }

    /// Source of the formula and the limits: WCAG 2.1, 1.4.3 (text, 4.5:1) and 1.4.11 (graphics, 3:1). Black on white is 21:1, #767676 on white 4.54:1 (the
    /// well-known lightest grey that passes).
    #[test]
    fn every_colour_is_legible_in_light_and_dark() {
        assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
        assert!((contrast("#767676", "#ffffff") - 4.54).abs() < 0.01);
        for theme in [0, 1] {
            let colours = palette(theme);
            let of = |name: &str| colours.iter().find(|(k, _)| k == name).map(|(_, v)| v.clone()).unwrap();
            for ground in ["paper", "panel"] {
                for text in ["ink", "soft", "suspected", "clear", "cannot", "calf", "limit", "ground"] {
                    let ratio = contrast(&of(text), &of(ground));
                    assert!(ratio >= 4.5, "theme {theme}: {text} on {ground} is {ratio:.2}:1");
                }
                let ratio = contrast(&of("rule"), &of(ground));
                assert!(ratio >= 3.0, "theme {theme}: rule on {ground} is {ratio:.2}:1");
            }
        }
    }

    #[test]
    fn stretches() {
        assert_eq!(span_words(Some(1.0), Some(2.5)), " (1.0\u{a0}s to 2.5\u{a0}s)");
        assert_eq!(span_words(None, None), "");
        assert_eq!(capital("über"), "Über");
    }
}
